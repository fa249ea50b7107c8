"""Light across the scene, the lens's blur, the sensor's noise and the phone's sharpening."""

from __future__ import annotations

import math

import cv2
import numpy as np

from tests.render.spec import PhotoSpec

F = np.float32


def develop(picture: np.ndarray, photo: PhotoSpec, rng: np.random.Generator) -> np.ndarray:
    """Linear RGB (M, N, 3) float32 to the picture a phone would store, uint8."""
    picture = picture * _light(picture.shape[:2], photo, rng)[..., None]
    cast = 1 + rng.normal(0, 0.025, 3)
    bright = float(np.percentile(picture[::8, ::8].max(axis=2), 98))
    picture *= cast.astype(F) * F(0.72 * photo.exposure / max(0.30, bright))
    picture = cv2.GaussianBlur(picture, (0, 0), photo.blur_px)
    noise = rng.standard_normal(picture.shape, dtype=F)
    # Photon noise grows with the root of the light; a floor stands for the electronics.
    picture += noise * F(photo.noise) * np.sqrt(np.maximum(picture, F(0)) + F(0.02))
    table = np.arange(4097, dtype=np.float64) / 4096
    table = np.where(table <= 0.0031308, 12.92 * table, 1.055 * table ** (1 / 2.4) - 0.055)
    table = table + 0.03 * np.sin(2 * math.pi * (table - 0.5)) * 0.8  # a mild tone curve
    index = np.clip(picture * F(4096), 0, 4096).astype(np.int32)
    out = np.take(table.astype(F), index)
    if photo.sharpen:
        out += F(photo.sharpen) * (out - cv2.GaussianBlur(out, (0, 0), 1.2))
    return np.clip(out * F(255) + F(0.5), 0, 255).astype(np.uint8)


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
