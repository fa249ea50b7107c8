"""What a section dries to, and what to leave green: rectangles, rounds and their ovals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainscan.errors import InputError
from grainscan.workshop.ring_position import Rings, folded_deg
from grainscan.workshop.shrinkage import (
    Ratios,
    gradients,
    move_points,
    moved_rings,
)

__all__ = ["DriedRound", "DriedSection", "GreenSize", "dried_round", "dried_section", "green_size"]

FloatArray = NDArray[np.float64]
# Longer than any log; a larger number is a slip of unit.
_LARGEST_MM = 50_000.0
# Gauss-Legendre points each way. The integrand is smooth unless the pith touches the section;
# with the pith a tenth of a width outside, they agree with the boundary integral to 1e-9.
_NODES = 48
_SIDE = 33
_ROUND = 720


@dataclass(frozen=True, slots=True)
class DriedSection:
    """A section, rectangular before, after shrinking or swelling.

    ``width_mm``, ``height_mm``: distance between the two side faces and between face A and the
    face opposite, as jaws laid on the faces measure it (for bowed faces the mean over the
    section). ``skew_deg``: how far the angle of the bottom-left and top-right corners is beyond
    90° (negative: short of it). ``bow_mm``: the most that any face departs from straight.
    ``outline_mm``: the outline in millimetres from the centre, right and up, counter-clockwise.
    """

    width_mm: float
    height_mm: float
    skew_deg: float
    bow_mm: float
    outline_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class DriedRound:
    """What a round becomes: an oval with its longest and shortest diameter and their directions.

    Directions are counter-clockwise from face A's edge on the end, in (−90, 90]. For a round
    that stays round they are those across and along the rings. Diameters are those that sliding
    jaws measure.
    """

    long_mm: float
    short_mm: float
    long_direction_deg: float
    short_direction_deg: float


@dataclass(frozen=True, slots=True)
class GreenSize:
    """What to leave so that a round of ``dry_mm`` (the allowance included) can be had from it.

    ``width_mm``, ``height_mm``: the smallest section, measured across face A and face B, that
    still holds the round after the change. ``round_mm``: the smallest round whose shortest
    diameter afterwards is ``dry_mm``. ``oval``: the shape that becomes a round of exactly
    ``dry_mm``; it touches the section's four sides.
    """

    dry_mm: float
    width_mm: float
    height_mm: float
    round_mm: float
    oval: DriedRound


def dried_section(width_mm: float, height_mm: float, rings: Rings, ratios: Ratios) -> DriedSection:
    """What a rectangular section becomes.

    The deformation gradient F is averaged over the section by Gauss–Legendre quadrature (for
    straight rings it is the same everywhere). With the mean F and the edges e_x, e_y, the corner
    opens to the angle between F e_x and F e_y, and the distance between opposite sides is the
    area over the side's length: width·det F/|F e_y|, height·det F/|F e_x|. To first order these
    are the strain transformation S_x = S_T cos²β + S_R sin²β and a skew of
    (S_T − S_R) sin 2β.

    Parameters
    ----------
    width_mm, height_mm
        Width of face A and of face B.
    rings, ratios
        Where the section lies in the tree, and how the wood changes.

    Raises
    ------
    InputError
        A size is not within 0 to 50 m, or the pith lies in the section.
    """
    half = _half(width_mm, height_mm)
    _refuse_pith(rings, half)
    f = _mean_gradient(half, rings, ratios)
    area, right, up = float(np.linalg.det(f)), f[:, 0], f[:, 1]
    opening = math.atan2(area, float(right @ up))
    outline = move_points(_outline(half), rings, ratios)
    return DriedSection(
        width_mm=width_mm * area / float(np.hypot(*up)),
        height_mm=height_mm * area / float(np.hypot(*right)),
        skew_deg=math.degrees(opening) - 90.0,
        bow_mm=_bow(outline),
        outline_mm=tuple((float(x), float(y)) for x, y in outline),
    )


def dried_round(diameter_mm: float, rings: Rings, ratios: Ratios) -> DriedRound:
    """What a round becomes: an ellipse with diameters k_r·d and k_t·d for straight rings.

    For curved rings it is an egg; its longest and shortest diameters between parallel jaws are
    found from its outline.

    Raises
    ------
    InputError
        The diameter is not within 0 to 50 m, or the pith lies in the round.
    """
    _check_size(diameter_mm, "diameter")
    if rings.pith_mm is None:
        return _ellipse(diameter_mm, rings, ratios)
    if math.hypot(*rings.pith_mm) <= diameter_mm / 2:
        raise InputError(_PITH_INSIDE)
    return _jaws(move_points(_circle(diameter_mm), rings, ratios), rings)


def green_size(
    dry_mm: float, rings: Rings, ratios: Ratios, *, allowance_mm: float = 0.0
) -> GreenSize:
    """What to leave so that a round of ``dry_mm`` plus ``allowance_mm`` can be had afterwards.

    The way back of `move_points` turns the wanted round into the shape it has now; the section
    that touches it on four sides is the smallest that holds the round later. For straight rings
    that is d·|F⁻¹ e_x| by d·|F⁻¹ e_y|, and the round d/k_t (with k_t the smaller ratio). For
    curved rings the round is solved for.

    Raises
    ------
    InputError
        A size is not within 0 to 50 m, the allowance is below 0, or the pith lies within the
        piece.
    """
    _check_size(dry_mm, "dry size")
    if not 0.0 <= allowance_mm <= _LARGEST_MM:
        raise InputError(f"An allowance of {allowance_mm:g} mm cannot be: give 0 or more.")
    wanted = dry_mm + allowance_mm
    later = moved_rings(rings, ratios)
    if later.pith_mm is not None and math.hypot(*later.pith_mm) <= wanted / 2:
        raise InputError(_PITH_INSIDE)
    if later.pith_mm is None:
        oval, half = _ellipse(wanted, later, ratios.back), _reach(wanted, rings, ratios)
    else:
        outline = move_points(_circle(wanted), later, ratios.back)
        oval = _jaws(outline, rings)
        half = (
            _between_jaws(outline, np.array([0.0]))[0],
            _between_jaws(outline, np.array([math.pi / 2]))[0],
        )
    return GreenSize(
        wanted, float(half[0]), float(half[1]), _green_round(wanted, rings, ratios), oval
    )


def _green_round(wanted: float, rings: Rings, ratios: Ratios) -> float:
    if rings.pith_mm is None:
        return wanted / min(ratios.radial, ratios.tangential)
    from scipy.optimize import brentq

    # The shortest diameter lies between the two ratios of the diameter, so the answer does too.
    low = wanted / max(ratios.radial, ratios.tangential) * (1 - 1e-6)
    high = wanted / min(ratios.radial, ratios.tangential) * (1 + 1e-6)
    if high >= 2 * math.hypot(*rings.pith_mm):
        raise InputError(_PITH_INSIDE)
    solved = brentq(
        lambda size: dried_round(size, rings, ratios).short_mm - wanted,
        low,
        high,
        xtol=1e-12 * wanted,
        rtol=1e-14,
    )
    return float(solved)


_PITH_INSIDE = (
    "The pith lies within the piece: it checks on drying, and no one can tell its size. "
    "Split the pith away."
)


def _refuse_pith(rings: Rings, half: FloatArray) -> None:
    if rings.pith_mm is not None and bool(np.all(np.abs(rings.pith_mm) <= half)):
        raise InputError(_PITH_INSIDE)


def _check_size(size_mm: float, what: str) -> None:
    # NaN compares as false with everything, so the test is for what is right.
    if not 0.0 < size_mm <= _LARGEST_MM:
        raise InputError(f"A {what} of {size_mm:g} mm cannot be: give one above 0.")


def _half(width_mm: float, height_mm: float) -> FloatArray:
    _check_size(width_mm, "width")
    _check_size(height_mm, "height")
    return np.array([width_mm, height_mm], dtype=np.float64) / 2.0


def _mean_gradient(half: FloatArray, rings: Rings, ratios: Ratios) -> FloatArray:
    if rings.pith_mm is None:
        return np.asarray(gradients(np.zeros((1, 2)), rings, ratios)[0])
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    x, y = np.meshgrid(nodes * half[0], nodes * half[1])
    share = np.outer(weights, weights).ravel() / 4.0
    field = gradients(np.column_stack([x.ravel(), y.ravel()]), rings, ratios)
    return np.asarray(np.einsum("n,nij->ij", share, field))


def _outline(half: FloatArray) -> FloatArray:
    """Points along the four sides, counter-clockwise from the bottom left, corners once."""
    along = np.linspace(-1.0, 1.0, _SIDE)[:-1]
    one = np.ones_like(along)
    sides = [(along, -one), (one, along), (-along, one), (-one, -along)]
    return np.concatenate([np.column_stack(side) for side in sides]) * half


def _bow(outline: FloatArray) -> float:
    """The farthest that a side departs from the line between its corners."""
    step = _SIDE - 1
    closed = np.vstack([outline, outline[:1]])
    most = 0.0
    for first in range(0, 4 * step, step):
        side = closed[first : first + step + 1]
        chord = side[-1] - side[0]
        offset = (side - side[0]) @ np.array([-chord[1], chord[0]]) / np.hypot(*chord)
        most = max(most, float(np.max(np.abs(offset))))
    return most


def _circle(diameter_mm: float) -> FloatArray:
    angle = np.linspace(0.0, 2.0 * math.pi, _ROUND, endpoint=False)
    return np.column_stack([np.cos(angle), np.sin(angle)]) * (diameter_mm / 2.0)


def _ellipse(diameter_mm: float, rings: Rings, ratios: Ratios) -> DriedRound:
    along, across = folded_deg(rings.direction_deg), rings.radial_deg
    if ratios.radial >= ratios.tangential:
        return DriedRound(
            diameter_mm * ratios.radial, diameter_mm * ratios.tangential, across, along
        )
    return DriedRound(diameter_mm * ratios.tangential, diameter_mm * ratios.radial, along, across)


def _reach(diameter_mm: float, rings: Rings, ratios: Ratios) -> tuple[float, float]:
    """Width and height of the ellipse that becomes a round of this diameter."""
    back = gradients(np.zeros((1, 2)), rings, ratios.back)[0]
    return diameter_mm * float(np.hypot(*back[0])), diameter_mm * float(np.hypot(*back[1]))


def _between_jaws(outline: FloatArray, angle: FloatArray) -> FloatArray:
    """Diameter between parallel jaws that close along each angle (radians).

    The outermost point along a direction lies between points of the outline: a parabola through
    the three highest finds its height to the fourth power of their spacing.
    """
    along = outline @ np.vstack([np.cos(angle), np.sin(angle)])
    return _highest(along) + _highest(-along)


def _highest(along: FloatArray) -> FloatArray:
    column = np.arange(along.shape[1])
    top = np.argmax(along, axis=0)
    middle = along[top, column]
    before, after = along[top - 1, column], along[(top + 1) % len(along), column]
    return np.asarray(middle - (after - before) ** 2 / (8.0 * (before + after - 2.0 * middle)))


def _jaws(outline: FloatArray, rings: Rings) -> DriedRound:
    """Longest and shortest diameter of an outline."""
    from scipy.optimize import minimize_scalar

    if _is_round(outline):
        size = float(_between_jaws(outline, np.zeros(1))[0])
        return DriedRound(size, size, rings.radial_deg, rings.direction_deg)
    angle = np.linspace(0.0, math.pi, 90, endpoint=False)
    coarse = _between_jaws(outline, angle)
    found = []
    for sign, start in ((-1.0, np.argmax(coarse)), (1.0, np.argmin(coarse))):
        near = float(angle[start])

        def size_at(a: float, sign: float = sign) -> float:
            return sign * float(_between_jaws(outline, np.array([a]))[0])

        best = minimize_scalar(
            size_at, bounds=(near - 0.05, near + 0.05), method="bounded", options={"xatol": 1e-9}
        )
        found.append((sign * float(best.fun), folded_deg(math.degrees(float(best.x)))))
    (long_mm, long_deg), (short_mm, short_deg) = found
    return DriedRound(long_mm, short_mm, long_deg, short_deg)


def _is_round(outline: FloatArray) -> bool:
    radius = np.hypot(outline[:, 0], outline[:, 1])
    return bool(np.ptp(radius) < 1e-12 * np.max(radius))
