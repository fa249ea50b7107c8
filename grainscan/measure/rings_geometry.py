"""Rings as arcs round a pith that may lie far outside the section.

Section coordinates: origin at the section's centre, x right, y up, unit = the section's width.
A family of arcs is given by the direction towards the bark at the centre (``bark_rad``,
counter-clockwise from the right) and the curvature there (``curvature``, 1 / distance from the
centre to the pith in section widths, 0 for straight rings). The ring coordinate ``s`` is the
distance from the pith less the centre's own: 0 on the arc through the centre, growing towards
the bark. ``t`` is the angle round the pith times the centre's distance: length along the arc
through the centre, so that rays are lines of constant ``t``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["ArcFamily", "ring_direction_deg"]

Array = npt.NDArray[np.float64]

STRAIGHT = 1e-3
"""Curvatures below this (pith beyond 1000 widths) are handled as straight lines."""


@dataclass(frozen=True, slots=True)
class ArcFamily:
    """Concentric arcs: direction to the bark at the section's centre, and curvature there."""

    bark_rad: float
    curvature: float

    @property
    def pith(self) -> tuple[float, float] | None:
        """The arcs' centre in section widths from the section's centre; None when straight."""
        if self.curvature < STRAIGHT:
            return None
        return (
            -math.cos(self.bark_rad) / self.curvature,
            -math.sin(self.bark_rad) / self.curvature,
        )

    def ring_coordinate(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Array:
        """Distance from the pith less the centre's own, stable also for straight arcs."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        a = x * math.cos(self.bark_rad) + y * math.sin(self.bark_rad)
        k = self.curvature
        squared = x * x + y * y
        # sqrt((R + a)² + t²) − R written without the difference of two large numbers.
        return np.asarray((2 * a + k * squared) / (1 + np.sqrt(1 + 2 * k * a + k * k * squared)))

    def along(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Array:
        """Length along the arc through the centre, counter-clockwise round the pith."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        a = x * math.cos(self.bark_rad) + y * math.sin(self.bark_rad)
        t = -x * math.sin(self.bark_rad) + y * math.cos(self.bark_rad)
        if self.curvature < STRAIGHT:
            return np.asarray(t)
        return np.asarray(np.arctan2(t * self.curvature, 1 + self.curvature * a) / self.curvature)

    def point(self, s: npt.ArrayLike, t: npt.ArrayLike) -> tuple[Array, Array]:
        """The section point (x, y) with ring coordinate ``s`` and length along ``t``."""
        s, t = np.asarray(s, np.float64), np.asarray(t, np.float64)
        if self.curvature < STRAIGHT:
            a, b = s + 0 * t, t + 0 * s
        else:
            radius = 1 / self.curvature
            a = (radius + s) * np.cos(t / radius) - radius
            b = (radius + s) * np.sin(t / radius)
        c, d = math.cos(self.bark_rad), math.sin(self.bark_rad)
        return a * c - b * d, a * d + b * c

    def bark_at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Array:
        """Direction to the bark at section points, radians."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        c, d = math.cos(self.bark_rad), math.sin(self.bark_rad)
        return np.asarray(np.arctan2(self.curvature * y + d, self.curvature * x + c))

    def reversed(self) -> ArcFamily:
        """The straight family with bark and pith sides swapped (curvature is dropped)."""
        return ArcFamily(self.bark_rad + math.pi, 0.0)


def ring_direction_deg(bark_rad: float) -> float:
    """Direction of the rings' trace, counter-clockwise from face A's edge, in (−90, 90]."""
    turned = math.degrees(bark_rad) + 90.0
    wrapped = (turned + 90.0) % 180.0 - 90.0
    return 90.0 if wrapped <= -90.0 else wrapped
