"""The bench under the blank: its colour, texture, shadow and the things lying on it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.render.camera import Camera
from tests.render.grid import CELL_PX, fill, node_positions
from tests.render.wood import linear

F = np.float32
MAX_BENCH_PX = 3000

PLAIN = {
    # name: sRGB colours to choose from
    "paper": ((238, 236, 230), (226, 224, 220), (206, 208, 212)),
    "card": ((150, 152, 154), (116, 120, 124), (92, 104, 118), (84, 104, 92)),
    "cloth": ((52, 58, 74), (40, 42, 46), (70, 84, 78), (84, 48, 50), (58, 70, 98)),
    "dark cloth": ((30, 30, 33), (38, 34, 32), (28, 34, 44)),
}


@dataclass(frozen=True)
class Bench:
    """A picture of the bench plane: linear RGB, its place and scale in the world."""

    rgb: np.ndarray
    left: float
    top: float  # world "up" of the first row's centre
    px_per_mm: float
    height_out: float

    def world_to_px(self, points: np.ndarray) -> np.ndarray:
        return np.stack(
            [(points[..., 0] - self.left) * self.px_per_mm,
             (self.top - points[..., 1]) * self.px_per_mm], axis=-1)


def bench_reach(camera: Camera, height_out: float) -> tuple[float, float, float, float]:
    """Left, right, bottom, top (mm) of the part of the bench the camera sees."""
    w, h = camera.width_px - 1, camera.height_px - 1
    x = np.array([0, w / 2, w, w, w, w / 2, 0, 0])
    y = np.array([0, 0, 0, h / 2, h, h, h, h / 2])
    rays = camera.rays(x, y)
    t = np.clip((height_out - camera.position[2]) / np.minimum(rays[:, 2], -0.05), 0, 4000)
    at = camera.position + t[:, None] * rays
    return at[:, 0].min() - 5, at[:, 0].max() + 5, at[:, 1].min() - 5, at[:, 1].max() + 5


def plain_bench(camera, height_out, rng, wood_rgb, name=None) -> Bench:
    left, right, bottom, top = bench_reach(camera, height_out)
    scale = min(4.0, MAX_BENCH_PX / (right - left), MAX_BENCH_PX / (top - bottom))
    shape = (int((top - bottom) * scale) + 2, int((right - left) * scale) + 2)
    name, colour = _colour_unlike(rng, wood_rgb, name)
    texture = _plain_texture(name, shape, scale, rng)
    rgb = linear(colour)[None, None, :] * texture[..., None]
    return Bench(np.ascontiguousarray(rgb, dtype=F), left, top, scale, height_out)


def _colour_unlike(rng, wood_rgb, name):
    """A colour that the eye tells from the wood's at once (CIE Lab distance above 25)."""
    names = [name] if name else list(PLAIN)
    wood = _lab(wood_rgb)
    for _ in range(50):
        pick = str(rng.choice(names))
        colours = PLAIN[pick]
        colour = np.array(colours[int(rng.integers(len(colours)))]) + rng.normal(0, 5, 3)
        colour = np.clip(colour, 12, 245)
        if np.linalg.norm(_lab(linear(colour)) - wood) > 25:
            return pick, colour
    return "dark cloth", np.array([32.0, 32.0, 36.0])


def _lab(rgb):
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722],
                    [0.0193, 0.1192, 0.9505]]) @ np.asarray(rgb, float)
    f = np.cbrt(np.maximum(xyz / np.array([0.9505, 1.0, 1.089]), 1e-4))
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def speckle(shape, scale, grain_mm, rng):
    """Unit-spread noise with grains of ``grain_mm`` on a picture of ``scale`` pixels per mm."""
    sigma = max(0.5, grain_mm * scale / 2)
    shrink = max(1.0, sigma / 1.5)
    small = (int(shape[0] / shrink) + 4, int(shape[1] / shrink) + 4)
    noise = cv2.GaussianBlur(rng.standard_normal(small, dtype=F), (0, 0), sigma / shrink)
    noise = cv2.resize(noise, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return (noise - noise.mean()) / noise.std()


def _plain_texture(name, shape, scale, rng):
    big = 0.03 * speckle(shape, scale, 90.0, rng)
    if name == "paper":
        return 1 + 0.5 * big + 0.010 * speckle(shape, scale, 0.6, rng)
    if name == "card":
        return 1 + big + 0.035 * speckle(shape, scale, 0.5, rng) + 0.02 * speckle(
            shape, scale, 4.0, rng)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(F) / F(scale)
    turn = rng.uniform(-0.6, 0.6)
    p = (np.cos(turn) * x + np.sin(turn) * y).astype(F)
    q = (np.cos(turn) * y - np.sin(turn) * x).astype(F)
    pitch = F(rng.uniform(0.7, 1.4))
    folds = 0.10 * speckle(shape, scale, 60.0, rng)
    p = p + F(0.15) * speckle(shape, scale, 8.0, rng)
    weave = np.sin(F(6.283) / pitch * p) * np.sin(F(6.283) / pitch * q)
    return np.maximum(1 + folds + big + 0.16 * weave + 0.10 * speckle(shape, scale, 0.6, rng), 0.2)


def look_at(bench: Bench, camera: Camera) -> np.ndarray:
    """The bench as the camera sees it: linear RGB (height, width, 3)."""
    rows = -(-camera.height_px // CELL_PX)
    cols = -(-camera.width_px // CELL_PX)
    x, y = np.meshgrid(node_positions(0, cols), node_positions(0, rows))
    rays = camera.rays(x, y)
    t = (bench.height_out - camera.position[2]) / np.minimum(rays[..., 2], -0.05)
    at = bench.world_to_px(camera.position + t[..., None] * rays)
    u = fill(at[..., 0], CELL_PX)[: camera.height_px, : camera.width_px]
    v = fill(at[..., 1], CELL_PX)[: camera.height_px, : camera.width_px]
    return cv2.remap(bench.rgb, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def cast_shadow(bench: Bench, slices: list[tuple[np.ndarray, float]], light: np.ndarray) -> Bench:
    """Darken the bench under a body given as outlines (N, 2) at heights above the bench.

    ``light``: direction towards the lamp (right, up, out). Higher parts throw a softer shadow.
    """
    scale = min(1.0, bench.px_per_mm)
    shrink = scale / bench.px_per_mm
    shape = (int(bench.rgb.shape[0] * shrink) + 1, int(bench.rgb.shape[1] * shrink) + 1)
    shadow = np.zeros(shape, F)
    contact = np.zeros(shape, F)
    for outline, height in slices:
        moved = outline - light[:2] / light[2] * height
        at = bench.world_to_px(moved) * shrink
        layer = np.zeros(shape, np.uint8)
        cv2.fillPoly(layer, [np.round(at * 16).astype(np.int32)], 255, shift=4)
        sigma = 0.6 + 0.16 * height * scale
        shadow = np.maximum(shadow, cv2.GaussianBlur(layer.astype(F) / 255, (0, 0), sigma))
        if height <= 2.0:
            contact = np.maximum(contact, cv2.GaussianBlur(layer.astype(F) / 255, (0, 0), 3.0))
    factor = 1 - 0.50 * shadow - 0.18 * contact
    factor = cv2.resize(factor, bench.rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return Bench(bench.rgb * factor[..., None], bench.left, bench.top, bench.px_per_mm,
                 bench.height_out)
