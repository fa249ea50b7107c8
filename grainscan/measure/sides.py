"""One side of an outline followed in sub-pixels: a long edge as a curve, an end as a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.edges import EdgeTrace, smooth_curve, trace_step, unrolled_colours
from grainscan.measure.faint import faint_step
from grainscan.measure.medians import median, medians

__all__ = [
    "CLEAR_ENOUGH",
    "EDGE_POINTS",
    "WIDTH_BENDS",
    "Curve",
    "Rough",
    "Side",
    "end_line",
    "level_end",
    "long_edge",
    "step_towards",
    "wood_colour",
]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Curve = np.polynomial.Chebyshev

EDGE_POINTS = 240
END_POINTS = 60

CLEAR_ENOUGH = 0.9
"""Share of a long edge's points that stand clear, above which it is followed by itself."""

WIDTH_BENDS = 1
"""Bends of the distance of a faint long edge from a clear one: a face tapers and is seen in
perspective, and what is uneven beyond that is small beside the ring or shaving that a faint edge
may be taken for."""

EDGE_STRETCHES = 12
END_STRETCHES = 6
"""Parts of a faint side that must show it, each by itself."""


@dataclass(frozen=True, slots=True)
class Rough:
    """A first guess in a turned frame: ``along`` and ``across`` are unit vectors (x, y).

    ``top``, ``bottom``: distance across, over the share of the length (0 to 1) between ``left``
    and ``right``; all in pixels of the picture that is looked at.
    """

    origin: FloatArray
    along: FloatArray
    across: FloatArray
    left: float
    right: float
    top: Curve
    bottom: Curve

    @property
    def width(self) -> float:
        share = np.linspace(0.1, 0.9, 9)
        return median(self.bottom(share) - self.top(share))

    @property
    def length(self) -> float:
        return self.right - self.left

    def points(self, share: FloatArray, across: FloatArray) -> FloatArray:
        distance = self.left + share * self.length
        return self.origin + distance[:, None] * self.along + across[:, None] * self.across


@dataclass(frozen=True, slots=True)
class Side:
    """One side found: its curve, the scatter of its points, and how much of it stands clear."""

    curve: Curve
    scatter_px: float
    clear: float
    share: FloatArray
    found: FloatArray
    weight: FloatArray


def level_end(at: float) -> Curve:
    return Curve([at], domain=[0.0, 1.0])


def wood_colour(picture: ByteArray, rough: Rough) -> npt.NDArray[np.float32]:
    """Median colour (CIELAB) of the face's middle."""
    share = np.linspace(0.1, 0.9, 100)
    middle = (rough.top(share) + rough.bottom(share)) / 2.0
    offsets = np.linspace(-0.25, 0.25, 9) * rough.width
    band = unrolled_colours(picture, rough.points(share, middle), rough.across, offsets)
    return medians(band.reshape(-1, 3), 0)


def long_edge(
    picture: ByteArray,
    rough: Rough,
    start: Curve,
    inwards: float,
    wood: npt.NDArray[np.float32],
    reach_px: float,
    sigma_px: float,
    bends: int,
    beside: Curve | None = None,
) -> Side:
    share = np.linspace(0.01, 0.99, EDGE_POINTS)
    points = rough.points(share, start(share))
    normal = rough.across * inwards
    trace = step_towards(picture, points, normal, wood, reach_px, sigma_px)
    trace, clear = _or_faint(picture, points, normal, trace, reach_px, sigma_px, EDGE_STRETCHES)
    weight = np.maximum(trace.step, 0.0)
    found = start(share) + inwards * trace.offset_px
    if beside is None:
        curve, scatter = smooth_curve(share, found, weight, most_bends=bends)
    else:
        apart = found - beside(share)
        curve, scatter = smooth_curve(share, apart, weight, most_bends=WIDTH_BENDS)
        curve = curve + beside
    return Side(curve, scatter, clear, share, found, weight)


def end_line(
    picture: ByteArray,
    rough: Rough,
    edges: tuple[Curve, Curve],
    start: Curve,
    inwards: float,
    wood: npt.NDArray[np.float32],
    reach_px: float,
    sigma_px: float,
) -> Side:
    """An end as a line: share of the length as a function of the share across."""
    across = np.linspace(0.08, 0.92, END_POINTS)
    along = start(across)
    inside = np.clip(along, 0.02, 0.98)
    v = edges[0](inside) + across * (edges[1](inside) - edges[0](inside))
    points = rough.points(along, v)
    normal = rough.along * inwards
    trace = step_towards(picture, points, normal, wood, reach_px, sigma_px)
    trace, clear = _or_faint(picture, points, normal, trace, reach_px, sigma_px, END_STRETCHES)
    target = along + inwards * trace.offset_px / rough.length
    line, scatter = smooth_curve(across, target, np.maximum(trace.step, 0.0), most_bends=1)
    weight = np.maximum(trace.step, 0.0)
    return Side(line, scatter * rough.length, clear, across, target, weight)


def step_towards(
    picture: ByteArray,
    points: FloatArray,
    normal: FloatArray,
    wood: npt.NDArray[np.float32],
    reach_px: float,
    sigma_px: float,
    spacing_px: float = 0.5,
) -> EdgeTrace:
    """Trace the step from background to wood; colours are projected on the line between them."""
    reach = max(reach_px, 4.0 * sigma_px)
    offsets = np.arange(-reach, reach + 0.5 * spacing_px, spacing_px)
    band = unrolled_colours(picture, points, normal, offsets)
    outside = medians(band[: max(2, len(offsets) // 6)].reshape(-1, 3), 0)
    difference = wood - outside
    power = float(difference @ difference)
    level = (band - outside) @ (difference / power) if power > 1e-6 else np.zeros(band.shape[:2])
    return trace_step(np.asarray(level, dtype=np.float32), offsets, sigma_px=sigma_px)


def _or_faint(
    picture: ByteArray,
    points: FloatArray,
    normal: FloatArray,
    trace: EdgeTrace,
    reach_px: float,
    sigma_px: float,
    stretches: int,
) -> tuple[EdgeTrace, float]:
    """The trace and its clear share, or those of a faint side if the trace does not stand clear."""
    clear = _clear_share(trace)
    if clear > CLEAR_ENOUGH:
        return trace, clear
    faint = faint_step(
        picture, points, normal, reach_px=reach_px, sigma_px=sigma_px, stretches=stretches
    )
    return faint.trace, faint.clear


def _clear_share(trace: EdgeTrace) -> float:
    return float(np.mean(trace.step > 3.0 * trace.noise)) if trace.noise > 0 else 0.0
