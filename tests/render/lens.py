"""Light across the scene, the lens's blur, the sensor's noise and the phone's sharpening."""

from __future__ import annotations

import math

import cv2
import numpy as np

from tests.render.spec import PhotoSpec

F = np.float32
STRIP = 64  # rows
# A lens blurs before the sensor samples. This much of the blur (σ of a Gaussian) is laid on the
# wood's samples before they are averaged to pixels; else detail finer than a pixel folds back, and
# shows as streaks pulled towards the pixel rows. With a pixel's own area it leaves 2 % of a wave
# of 0.75 cycles/px, which folds onto 0.25.
EARLY_BLUR_PX = 0.5


def early_blur(picture: np.ndarray, samples_per_px: tuple[int, int] = (1, 1)) -> np.ndarray:
    """The part of the lens's blur that comes before the pixels; samples (down, right) per pixel."""
    down, right = samples_per_px
    return cv2.GaussianBlur(picture, (0, 0), EARLY_BLUR_PX * right, sigmaY=EARLY_BLUR_PX * down)


def late_blur_px(photo: PhotoSpec) -> float:
    """What is left of the photograph's blur after the early part (Gaussians add in quadrature);
    0 where the early part is already more."""
    return math.sqrt(max(0.0, photo.blur_px**2 - EARLY_BLUR_PX**2))


def develop(picture: np.ndarray, photo: PhotoSpec, rng: np.random.Generator) -> np.ndarray:
    """Linear RGB (M, N, 3) float32, early blur laid on, to what a phone would store, uint8."""
    light = _light(picture.shape[:2], photo, rng)
    picture = picture * light[..., None]
    small = cv2.resize(picture, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA).max(
        axis=2
    )
    bright = max(float(np.percentile(small, 98)), 0.92 * float(np.percentile(small, 99.8)), 0.30)
    cast = (1 + rng.normal(0, 0.015, 3)).astype(F) * F(0.70 * photo.exposure / bright)
    late = late_blur_px(photo)
    out = cv2.GaussianBlur(picture, (0, 0), late) if late else picture
    table = _tone_table()
    for r in range(0, out.shape[0], STRIP):  # strips stay in the cache
        strip = out[r : r + STRIP]
        strip *= cast
        # Photon noise grows with the root of the light; a floor stands for the electronics.
        noise = rng.standard_normal(strip.shape, dtype=F)
        noise *= np.sqrt(np.maximum(strip, F(0)) + F(0.02))
        noise *= F(photo.noise)
        strip += noise
        strip *= F(4096)
        np.clip(strip, 0, 4096, out=strip)
        strip[...] = np.take(table, strip.astype(np.uint16))
    if photo.sharpen:
        soft = cv2.GaussianBlur(out, (0, 0), 1.2)
        out = cv2.addWeighted(out, 1 + photo.sharpen, soft, -photo.sharpen, 0)
    return cv2.convertScaleAbs(np.maximum(out, F(0), out=out))


def _tone_table() -> np.ndarray:
    """Linear light in 4096 steps to 0–255: the sRGB curve with a little more contrast."""
    x = np.arange(4097, dtype=np.float64) / 4096
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return (255 * (y + 0.024 * np.sin(2 * math.pi * (y - 0.5)))).astype(F)


def _light(shape, photo, rng):
    h, w = shape
    y = np.linspace(-1, 1, h, dtype=F)[:, None]
    x = np.linspace(-1, 1, w, dtype=F)[None, :]
    turn = rng.uniform(0, 2 * math.pi)
    light = 1 + F(photo.light_gradient) * (F(math.cos(turn)) * x + F(math.sin(turn)) * y)
    light *= 1 - F(photo.vignette) * (x * x + y * y) / 2
    if photo.shadow_edge:
        turn, place = rng.uniform(0, 2 * math.pi), rng.uniform(-0.5, 0.5)
        depth, soft = rng.uniform(0.3, 0.5), rng.uniform(0.02, 0.12)
        t = (F(math.cos(turn)) * x + F(math.sin(turn)) * y - F(place)) / F(soft)
        light *= 1 - F(depth) / (1 + np.exp(-np.clip(t, -30, 30)))
    return light
