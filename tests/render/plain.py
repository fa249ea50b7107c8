"""Plain things to lay a blank on: paper, card, cloth."""

from __future__ import annotations

import cv2
import numpy as np

from tests.render.wood import linear

F = np.float32

COLOURS = {
    "paper": ((238, 236, 230), (226, 224, 220), (206, 208, 212)),
    "card": ((150, 152, 154), (116, 120, 124), (92, 104, 118), (84, 104, 92)),
    "cloth": ((52, 58, 74), (40, 42, 46), (70, 84, 78), (84, 48, 50), (58, 70, 98)),
    "dark cloth": ((30, 30, 33), (38, 34, 32), (28, 34, 44)),
}


def plain_picture(shape, scale, rng, wood_rgb, name=None) -> np.ndarray:
    """Linear RGB (M, N, 3) of a plain surface, its colour well apart from the wood's."""
    pick, colour = _colour_unlike(rng, wood_rgb, name)
    texture = _texture(pick, shape, scale, rng)
    return np.ascontiguousarray(linear(colour)[None, None, :] * texture[..., None], dtype=F)


def _colour_unlike(rng, wood_rgb, name):
    """A colour that the eye tells from the wood's at once (CIE Lab distance above 25)."""
    names = [name] if name else ["paper", "paper", "card", "card", "cloth", "cloth", "dark cloth"]
    wood = lab(wood_rgb)
    for _ in range(50):
        pick = str(rng.choice(names))
        colours = COLOURS[pick]
        colour = np.array(colours[int(rng.integers(len(colours)))]) + rng.normal(0, 5, 3)
        colour = np.clip(colour, 12, 245)
        if np.linalg.norm(lab(linear(colour)) - wood) > 25:
            return pick, colour
    return "dark cloth", np.array([32.0, 32.0, 36.0])


def lab(rgb):
    """CIE L*a*b* (D65) of one linear RGB colour."""
    xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    ) @ np.asarray(rgb, float)
    f = np.cbrt(np.maximum(xyz / np.array([0.9505, 1.0, 1.089]), 1e-4))
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def speckle(shape, scale, grain_mm, rng):
    """Unit-spread noise with grains of ``grain_mm`` on a picture of ``scale`` pixels per mm."""
    sigma = max(0.5, grain_mm * scale / 2)
    shrink = max(1.0, sigma / 1.5)
    small = (int(shape[0] / shrink) + 4, int(shape[1] / shrink) + 4)
    noise = cv2.GaussianBlur(rng.standard_normal(small, dtype=F), (0, 0), sigma / shrink)
    noise = cv2.resize(noise, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    few = noise[::8, ::8]
    return (noise - few.mean()) / few.std()


def _texture(name, shape, scale, rng):
    big = F(0.03) * speckle(shape, scale, 90.0, rng)
    if name == "paper":
        return 1 + F(0.5) * big + F(0.010) * speckle(shape, scale, 0.6, rng)
    if name == "card":
        specks = F(0.035) * speckle(shape, scale, 0.5, rng)
        return 1 + big + specks + F(0.02) * speckle(shape, scale, 4.0, rng)
    y = np.arange(shape[0], dtype=F)[:, None] / F(scale)
    x = np.arange(shape[1], dtype=F)[None, :] / F(scale)
    turn = rng.uniform(-0.6, 0.6)
    c, s = F(np.cos(turn)), F(np.sin(turn))
    slack = F(0.15) * speckle(shape, scale, 8.0, rng)
    pitch = F(2 * np.pi / rng.uniform(0.7, 1.4))
    weave = np.sin(pitch * (c * x + s * y + slack)) * np.sin(pitch * (c * y - s * x))
    folds = F(0.10) * speckle(shape, scale, 60.0, rng)
    fuzz = F(0.10) * speckle(shape, scale, 0.6, rng)
    return np.maximum(1 + folds + big + F(0.16) * weave + fuzz, F(0.2))
