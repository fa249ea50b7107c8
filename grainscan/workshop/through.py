"""Fibres through: the share of fibres that run unbroken through a part from end to end.

A fibre through the point p of a section at s₀ is followed both ways along the field,
p(s) = p + ∫ (tangents of the fibres against the part's axis) ds, by the trapezoidal rule over the
part's stations, and counts as unbroken if it is inside the part's solid at every one of them.

**Closed form**, for a part of one section along its length L and one slope (t_x, t_y): a rectangle
d × w keeps (1 − L|t_x|/d)(1 − L|t_y|/w), a circle of diameter d with u = L·t/d keeps
(2/π)(arccos u − u √(1 − u²)); nothing where a factor or 1 − u is negative.

The measured field has errors. They are drawn from the intervals of the measurement, so a part laid
exactly along the *measured* fibres is not credited with fibres that all run through.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.workshop.layout import Placement
from grainscan.workshop.part_sections import Shape, area_mm2, inside
from grainscan.workshop.solid import BlankSolid

__all__ = [
    "FibresThrough",
    "ThroughSection",
    "fibres_through",
    "share_interval",
    "share_through",
]

FloatArray = npt.NDArray[np.float64]

_POINTS = 2000
_POINTS_PER_DRAW = 500
_DRAWS = 200


@dataclass(frozen=True, slots=True)
class ThroughSection:
    """Shares of the fibres of one section that run unbroken through the part.

    ``share`` is that of the field as measured. ``low`` to ``high`` hold 90 % of the shares of
    fields that agree with the measurement, ``middle`` is their median. ``most`` is what fibres
    exactly along the axis would give: less than 1 where the part is thinner elsewhere.
    """

    where: str
    s_mm: float
    share: float
    middle: float
    low: float
    high: float
    most: float


@dataclass(frozen=True, slots=True)
class FibresThrough:
    """The thinnest section of a part, and each tenon at its shoulder."""

    thinnest: ThroughSection
    tenons: tuple[ThroughSection, ...]


def fibres_through(solid: BlankSolid, placement: Placement, *, seed: int = 20) -> FibresThrough:
    """Fibres that run through a part laid in a blank.

    ``seed`` fixes the drawn errors, so that the same blank gives the same answer.
    """
    part = placement.part
    # Along the blank; the fields' errors are against the blank, the part's axis does not move.
    errors = np.stack(
        [
            [np.interp(placement.z_mm, solid.z_mm, tangent) for tangent in path]
            for path in solid.errors.draws(_DRAWS, seed=seed)
        ]
    )
    width = np.interp(placement.s_mm, part.at_mm, part.width_mm)
    depth = np.interp(placement.s_mm, part.at_mm, part.depth_mm)

    turned = _turned(placement.slope, placement.way.turn_deg)
    errors = np.stack([_turned(error, placement.way.turn_deg) for error in errors])

    def section(k: int, where: str) -> ThroughSection:
        share, low, middle, high = _shares(
            part.shape, placement.z_mm, width, depth, turned, errors, k
        )
        most = share_through(part.shape, placement.z_mm, width, depth, np.zeros_like(turned), k)
        return ThroughSection(where, float(placement.s_mm[k]), share, middle, low, high, most)

    tenons = []
    for number, (start, stop) in enumerate(part.tenons, 1):
        # A tenon breaks at its shoulder: the end of it that is nearer to the part's middle.
        shoulder = stop if start + stop < part.length_mm else start
        k = int(np.argmin(np.abs(placement.s_mm - shoulder)))
        tenons.append(section(k, f"tenon {number}"))
    thinnest = int(np.argmin(area_mm2(part.shape, width, depth)))
    return FibresThrough(section(thinnest, "thinnest section"), tuple(tenons))


def share_interval(
    shape: Shape,
    z_mm: FloatArray,
    width_mm: FloatArray,
    depth_mm: FloatArray,
    slope: FloatArray,
    errors: FloatArray,
) -> tuple[float, float, float]:
    """Share through of the first section, as measured, and the 90 % range over ``errors``.

    ``errors`` (D, 2, N): equally likely errors of the field. For the rest see `share_through`.
    """
    share, low, _, high = _shares(shape, z_mm, width_mm, depth_mm, slope, errors, 0)
    return share, low, high


def _shares(
    shape: Shape,
    z_mm: FloatArray,
    width_mm: FloatArray,
    depth_mm: FloatArray,
    slope: FloatArray,
    errors: FloatArray,
    at: int,
) -> tuple[float, float, float, float]:
    """As measured, then 5 %, 50 % and 95 % of the shares under the errors."""
    drawn = [
        share_through(shape, z_mm, width_mm, depth_mm, slope + e, at, points=_POINTS_PER_DRAW)
        for e in errors
    ]
    low, middle, high = (float(q) for q in np.quantile(drawn, (0.05, 0.5, 0.95)))
    return share_through(shape, z_mm, width_mm, depth_mm, slope, at), low, middle, high


def share_through(
    shape: Shape,
    z_mm: FloatArray,
    width_mm: FloatArray,
    depth_mm: FloatArray,
    slope: FloatArray,
    at: int,
    *,
    points: int = _POINTS,
) -> float:
    """Share of the fibres of one section that stay inside a part over its whole length.

    Parameters
    ----------
    z_mm, width_mm, depth_mm
        (N,) places along the part, in order, and its sizes there.
    slope
        (2, N) tangents of the fibres against the part's axis, towards its depth and its width.
    at
        Index of the section whose fibres are followed.
    points
        About how many fibres to follow, evenly spread over the section.

    Returns
    -------
    float
        0 to 1, to about 1 / √points.
    """
    steps = np.diff(z_mm) * (slope[:, 1:] + slope[:, :-1]) / 2.0
    drift = np.concatenate([np.zeros((2, 1)), np.cumsum(steps, axis=1)], axis=1)
    drift = drift - drift[:, at : at + 1]
    u, v = _spread(shape, float(depth_mm[at]), float(width_mm[at]), points)
    stay = inside(
        shape, u[:, None] + drift[0], v[:, None] + drift[1], width_mm[None, :], depth_mm[None, :]
    )
    return float(stay.all(axis=1).mean())


def _spread(
    shape: Shape, depth_mm: float, width_mm: float, points: int
) -> tuple[FloatArray, FloatArray]:
    """Points evenly spread over a section: the middles of small squares, those inside it."""
    side = max(int(np.sqrt(points)), 4)
    share = (np.arange(side) + 0.5) / side - 0.5
    u, v = (grid.ravel() for grid in np.meshgrid(share * depth_mm, share * width_mm))
    kept = inside(shape, u, v, np.array(width_mm), np.array(depth_mm))
    return u[kept], v[kept]


def _turned(slope: FloatArray, turn_deg: float) -> FloatArray:
    """From the blank's x and y to the part's depth and width."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.stack([c * slope[0] + s * slope[1], c * slope[1] - s * slope[0]])
