"""The bench under the blank: a picture in the bench's own plane, then as the camera sees it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from tests.render.camera import Camera
from tests.render.clutter import scatter
from tests.render.grid import CELL_PX, fill, node_positions
from tests.render.plain import plain_picture
from tests.render.timber import planks

F = np.float32
MAX_PLAIN_PX = 3200
MAX_PLANKS_PX = 2400  # rendered wood costs more than a plain sheet
PLAIN_SCENES = ("clean", "square", "hard")


@dataclass(frozen=True)
class Bench:
    """A picture of the bench plane: linear RGB, its place and scale in the world."""

    rgb: np.ndarray
    left: float
    top: float  # world "up" of the first row's centre
    px_per_mm: float
    height_out: float

    def px(self, points: np.ndarray) -> np.ndarray:
        """Pixels (…, 2) of world points (…, 2 or 3)."""
        return np.stack(
            [
                (points[..., 0] - self.left) * self.px_per_mm,
                (self.top - points[..., 1]) * self.px_per_mm,
            ],
            axis=-1,
        )


def bench(camera, height_out, photo, placed, light, footprints, rng) -> Bench:
    """The bench of ``photo.scene``; ``footprints``: outlines (N, 2) of the blanks on it."""
    left, right, bottom, top = _reach(camera, height_out)
    plain = (
        photo.background is not None
        or photo.scene in PLAIN_SCENES
        or (photo.scene == "tilt" and rng.random() < 0.5)
    )
    most = min(MAX_PLAIN_PX if plain else MAX_PLANKS_PX, 1.3 * camera.width_px)
    if placed.main == "right":
        most *= 0.5  # it will lie out of focus
    scale = min(5.0, most / (right - left), most / (top - bottom))
    shape = (int((top - bottom) * scale) + 2, int((right - left) * scale) + 2)
    wood = placed.wood
    if plain:
        rgb = plain_picture(
            shape, scale, rng, 0.75 * wood.light + 0.25 * wood.dark, photo.background
        )
    else:
        alike = photo.scene == "wood-on-wood"
        rgb = planks(shape, scale, rng, placed.body.spec if alike else None)
    made = Bench(rgb, left, top, scale, height_out)
    if photo.scene == "clutter" or (photo.scene == "wood-on-wood" and rng.random() < 0.5):
        taken = [made.px(outline) for outline in footprints]
        scatter(made.rgb, scale, taken, light, wood.light, rng)
    return made


def _reach(camera: Camera, height_out: float) -> tuple[float, float, float, float]:
    """Left, right, bottom, top (mm) of the part of the bench the camera sees."""
    w, h = camera.width_px - 1, camera.height_px - 1
    x = np.array([0, w / 2, w, w, w, w / 2, 0, 0])
    y = np.array([0, 0, 0, h / 2, h, h, h, h / 2])
    at = _on_plane(camera, camera.rays(x, y), height_out)
    return at[:, 0].min() - 5, at[:, 0].max() + 5, at[:, 1].min() - 5, at[:, 1].max() + 5


def _on_plane(camera, rays, height_out):
    t = (height_out - camera.position[2]) / np.minimum(rays[..., 2], -0.05)
    return camera.position + t[..., None] * rays


def look_at(bench: Bench, camera: Camera) -> np.ndarray:
    """The bench as the camera sees it: linear RGB (height, width, 3)."""
    rows = -(-camera.height_px // CELL_PX)
    cols = -(-camera.width_px // CELL_PX)
    x, y = np.meshgrid(node_positions(0, cols), node_positions(0, rows))
    at = bench.px(_on_plane(camera, camera.rays(x, y), bench.height_out))
    u = fill(at[..., 0], CELL_PX)[: camera.height_px, : camera.width_px]
    v = fill(at[..., 1], CELL_PX)[: camera.height_px, : camera.width_px]
    return cv2.remap(bench.rgb, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def cast_shadow(bench: Bench, slices, light: np.ndarray) -> Bench:
    """Darken the bench under a body given as outlines (N, 2) at heights above the bench.

    ``light``: direction towards the lamp (right, up, out). Higher parts throw a softer shadow.
    """
    scale = min(1.0, bench.px_per_mm)
    shrink = scale / bench.px_per_mm
    shape = (int(bench.rgb.shape[0] * shrink) + 1, int(bench.rgb.shape[1] * shrink) + 1)
    factor = np.ones(shape, F)
    contact = np.zeros(shape, F)
    shadow = np.zeros(shape, F)
    for outline, height in slices:
        at = bench.px(outline - light[:2] / light[2] * height) * shrink
        layer = np.zeros(shape, np.uint8)
        cv2.fillPoly(layer, [np.round(at * 16).astype(np.int32)], 255, shift=4)
        soft = layer.astype(F) / 255
        shadow = np.maximum(shadow, cv2.GaussianBlur(soft, (0, 0), (0.6 + 0.10 * height) * scale))
        if height <= slices[0][1] + 1.0:
            contact = np.maximum(contact, cv2.GaussianBlur(soft, (0, 0), 3.5 * scale))
    factor -= 0.55 * shadow + 0.18 * contact
    factor = cv2.resize(factor, bench.rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return replace(bench, rgb=bench.rgb * factor[..., None])
