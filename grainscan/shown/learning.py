"""Light drawings of a blank with a known fibre direction, for learning to see slope of grain.

A straight blank, one width wide and high. With φ the ring direction on the end, the fibres run
along f = (fx, fy, 1), fx = s sin φ + d cos φ, fy = d sin φ − s cos φ, where s is the tangent of
the spiral (fibres leaning within the ring surface) and d that of the diagonal (rings leaving the
axis). Every cut shows the same wood because a point (x, y, z) takes its colour from
(u, v) = (x − fx z, y − fy z), which does not change along a fibre; rings are lines of equal
u cos φ + v sin φ in it, so that fibres lie in the ring surfaces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LENGTH_WIDTHS", "LearnedBlank", "end_picture", "face_picture"]

LENGTH_WIDTHS = 8.0
"""Length of the drawn blank in its widths."""

_RINGS_PER_WIDTH = 7.0
_CELLS_PER_WIDTH = 72
_LATTICE = 256
_LIGHT = np.array([228.0, 205.0, 166.0])
_DARK = np.array([120.0, 88.0, 52.0])
Float = NDArray[np.float64]
Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class LearnedBlank:
    """A blank to learn from: angles in degrees; ``seed`` picks another piece of wood.

    ``spiral_deg``: fibres against the ring surface's own axis; ``diagonal_deg``: ring surfaces
    against the blank's length; ``ring_direction_deg``: trace of the rings on the end,
    counter-clockwise from face A's edge.
    """

    spiral_deg: float
    diagonal_deg: float
    ring_direction_deg: float
    seed: int = 0

    @property
    def fibre(self) -> tuple[float, float]:
        """(fx, fy): how far the fibres go out of faces A and B per unit of length."""
        s, d = math.tan(math.radians(self.spiral_deg)), math.tan(math.radians(self.diagonal_deg))
        turn = math.radians(self.ring_direction_deg)
        return (
            s * math.sin(turn) + d * math.cos(turn),
            d * math.sin(turn) - s * math.cos(turn),
        )

    @property
    def angle_a_deg(self) -> float:
        """Angle seen on face A, positive where the fibres climb to the right."""
        return math.degrees(math.atan(-self.fibre[1]))

    @property
    def angle_b_deg(self) -> float:
        """Angle seen on face B."""
        return math.degrees(math.atan(self.fibre[0]))

    @property
    def slope_deg(self) -> float:
        """Slope of grain in space: tan θ = √(tan² a + tan² b)."""
        return math.degrees(math.atan(math.hypot(*self.fibre)))


def face_picture(blank: LearnedBlank, face: str, *, wide: int = 1600) -> Picture:
    """Face "a" or "b" as it is photographed, (wide / 8, wide, 3) uint8."""
    high = round(wide / LENGTH_WIDTHS)
    z = (np.arange(wide) + 0.5) / high - LENGTH_WIDTHS / 2.0
    up = 0.5 - (np.arange(high) + 0.5) / high
    along, across = np.meshgrid(z, up)
    edge = np.full_like(along, 0.5)
    x, y = (edge, -across) if face == "a" else (across, edge)
    return _wood(blank, x, y, along)


def end_picture(blank: LearnedBlank, *, side: int = 320) -> Picture:
    """The marked right-hand end as it is photographed, (side, side, 3) uint8."""
    place = (np.arange(side) + 0.5) / side - 0.5
    right, up = np.meshgrid(place, -place)
    return _wood(blank, up, -right, np.full_like(right, LENGTH_WIDTHS / 2.0))


def _wood(blank: LearnedBlank, x: Float, y: Float, z: Float) -> Picture:
    """Colours of points (x, y, z) in widths, each of shape (M, N)."""
    fx, fy = blank.fibre
    u, v = x - fx * z, y - fy * z
    turn = math.radians(blank.ring_direction_deg)
    phase = (_RINGS_PER_WIDTH * (u * math.cos(turn) + v * math.sin(turn))) % 1.0
    # Earlywood begins sharply and fades into the next ring, as in ring-porous woods.
    early = np.clip(1.0 - phase / 0.35, 0.0, 1.0)
    rng = np.random.default_rng(blank.seed)
    fine, coarse = rng.random((_LATTICE, _LATTICE)), rng.random((_LATTICE, _LATTICE))
    grain = _noise(fine, u, v, _CELLS_PER_WIDTH)
    cloud = _noise(coarse, u, v, _CELLS_PER_WIDTH / 6)
    # Large pores crowd into the earlywood; the latewood has few and fine ones.
    pores = np.clip((grain - 0.74 + 0.26 * early) / 0.12, 0.0, 1.0)
    dark = np.clip(0.08 + 0.10 * early + 0.55 * pores + 0.12 * (cloud - 0.5), 0.0, 1.0)
    colours = _LIGHT + dark[..., np.newaxis] * (_DARK - _LIGHT)
    return np.asarray(np.clip(np.rint(colours), 0, 255), dtype=np.uint8)


def _noise(lattice: Float, u: Float, v: Float, cells: float) -> Float:
    """Values between lattice points by straight interpolation; the lattice repeats."""
    a, b = u * cells, v * cells
    i, j = np.floor(a).astype(np.intp), np.floor(b).astype(np.intp)
    s, t = a - i, b - j
    i0, i1, j0, j1 = i % _LATTICE, (i + 1) % _LATTICE, j % _LATTICE, (j + 1) % _LATTICE
    top = lattice[i0, j0] * (1 - t) + lattice[i0, j1] * t
    low = lattice[i1, j0] * (1 - t) + lattice[i1, j1] * t
    return np.asarray(top * (1 - s) + low * s)
