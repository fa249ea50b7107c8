"""A pinhole camera with a little radial distortion, and the three ways the blank is laid down."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# Rows: the picture's right, up and the direction out of the bench, in the blank's frame (x, y, z).
LAYS = {
    "face_a": np.array([[0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [1.0, 0.0, 0.0]]),
    "face_b": np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
    "end": np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]),
}
FULL_FRAME_DIAGONAL_MM = 43.27  # 36 mm × 24 mm, the reference of FocalLengthIn35mmFilm


@dataclass(frozen=True)
class Camera:
    """World points (right, up, out; mm) to pixels and pixels to rays. k1 acts on the radius
    divided by the picture's half diagonal."""

    width_px: int
    height_px: int
    focal_px: float
    position: np.ndarray
    axes: np.ndarray  # rows: camera right, camera down, forward
    k1: float

    @property
    def centre(self) -> tuple[float, float]:
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    @property
    def half_diagonal(self) -> float:
        return math.hypot(self.width_px, self.height_px) / 2

    def pixels(self, world: np.ndarray) -> np.ndarray:
        local = (np.asarray(world, dtype=float) - self.position) @ self.axes.T
        plain = self.focal_px * local[..., :2] / local[..., 2:3]
        r2 = (plain**2).sum(axis=-1, keepdims=True) / self.half_diagonal**2
        return plain * (1 + self.k1 * r2) + np.array(self.centre)

    def rays(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Unit-depth ray directions in the world, (…, 3), of pixel positions."""
        cx, cy = self.centre
        dx, dy = np.asarray(x, dtype=float) - cx, np.asarray(y, dtype=float) - cy
        px, py = dx, dy
        for _ in range(8):
            scale = 1 + self.k1 * (px * px + py * py) / self.half_diagonal**2
            px, py = dx / scale, dy / scale
        local = np.stack([px / self.focal_px, py / self.focal_px, np.ones_like(px)], axis=-1)
        return local @ self.axes


def aim(
    width_px: int,
    height_px: int,
    focal_35mm: float,
    target: np.ndarray,
    distance_mm: float,
    tilt_deg: float,
    tilt_azimuth_deg: float,
    roll_deg: float,
    k1: float,
) -> Camera:
    """A camera at ``distance_mm`` from ``target``, tilted away from looking straight down."""
    focal_px = focal_35mm * math.hypot(width_px, height_px) / FULL_FRAME_DIAGONAL_MM
    t, a = math.radians(tilt_deg), math.radians(tilt_azimuth_deg)
    back = np.array([math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)])
    forward = -back
    right = np.array([1.0, 0.0, 0.0])
    right -= right.dot(forward) * forward
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    # A positive roll turns the blank counter-clockwise in the picture.
    axes = np.stack([c * right + s * down, -s * right + c * down, forward])
    return Camera(width_px, height_px, focal_px, target + distance_mm * back, axes, k1)
