"""Cross sections of parts: ellipse, rectangle and octagon, and what statics asks of them.

Each is a unit shape (circle, square, regular octagon across its flats) stretched to a width and
a depth. Formulae for areas and second moments are standard statics (for example S. Timoshenko,
*Strength of Materials*, part I, appendix on plane areas).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["SHAPES", "Shape", "area_mm2", "half_extents_mm", "inside", "section_modulus_mm3"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Shape = Literal["round", "rectangle", "octagon"]
SHAPES: tuple[Shape, ...] = ("round", "rectangle", "octagon")

# Corner of a regular octagon of half width 1 across the flats: (1, tan 22.5°).
_T = math.tan(math.pi / 8.0)


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit shape of half width 1: area and second moment over those of its box; its corners."""

    area: float
    second_moment: float
    corners: tuple[tuple[float, float], ...]


# Second moments about a middle line: circle π/4 against 4/3 for its square. Regular octagon of
# side a: (11 + 8√2)/12 a⁴, with a = 2 tan 22.5° for half width 1.
_OCTAGON_I = (11.0 + 8.0 * math.sqrt(2.0)) / 12.0 * (2.0 * _T) ** 4
_OCTAGON = tuple(
    (sx * x, sy * y) for x, y in ((1.0, _T), (_T, 1.0)) for sx in (1, -1) for sy in (1, -1)
)
_UNITS: dict[Shape, _Unit] = {
    "round": _Unit(math.pi / 4.0, 3.0 * math.pi / 16.0, ()),
    "rectangle": _Unit(1.0, 1.0, ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0))),
    "octagon": _Unit(2.0 * _T, _OCTAGON_I / (4.0 / 3.0), _OCTAGON),
}


def area_mm2(shape: Shape, width_mm: FloatArray, depth_mm: FloatArray) -> FloatArray:
    """Area of sections of the given widths and depths, arrays of one shape."""
    return _UNITS[shape].area * width_mm * depth_mm


def section_modulus_mm3(shape: Shape, width_mm: FloatArray, depth_mm: FloatArray) -> FloatArray:
    """Section modulus I / c for bending in the direction of the depth, c = half the depth.

    Rectangle b h²/6, ellipse π b h²/32, octagon likewise from its second moment. A regular
    octagon bent over its corners has c larger by 1/cos 22.5°, so a modulus 8 % smaller.
    """
    return _UNITS[shape].second_moment * width_mm * depth_mm**2 / 6.0


def half_extents_mm(
    shape: Shape, width_mm: FloatArray, depth_mm: FloatArray, turn_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Half the room that turned sections take along x and along y.

    At turn 0 the depth lies along x and the width along y.
    """
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    half_d, half_w = depth_mm / 2.0, width_mm / 2.0
    if shape == "round":
        return np.hypot(half_d * c, half_w * s), np.hypot(half_d * s, half_w * c)
    corners = np.array(_UNITS[shape].corners)
    d, w = half_d[..., None] * corners[:, 0], half_w[..., None] * corners[:, 1]
    return (d * c - w * s).max(axis=-1), (d * s + w * c).max(axis=-1)


def inside(
    shape: Shape, u: FloatArray, v: FloatArray, width_mm: FloatArray, depth_mm: FloatArray
) -> BoolArray:
    """Whether points (u along the depth, v along the width) lie in sections; arrays broadcast."""
    a, b = np.abs(2.0 * u / depth_mm), np.abs(2.0 * v / width_mm)
    # A hair of tolerance: a point on the rim must not leave by rounding alone.
    top = 1.0 + 1e-9
    if shape == "round":
        return np.asarray(a * a + b * b <= top)
    box = (a <= top) & (b <= top)
    return np.asarray(box if shape == "rectangle" else box & (a + b <= top * (1.0 + _T)))
