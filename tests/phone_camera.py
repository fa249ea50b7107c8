"""What a phone does between the light and the file, for pictures whose files and decoding times
are to be like a phone's: colour filter, photon noise, demosaicing, smoothed colour, sharpening.

The renderer's own noise is independent in each colour and faint, which compresses to half the
bytes of a phone's file and decodes sooner.
"""

from __future__ import annotations

import cv2
import numpy as np

F = np.float32

FULL_SCALE_ELECTRONS = 4000.0
"""Electrons at white: pixels of 1.4 µm hold about 6000, used to two thirds at ISO 150 by a window
(orders of magnitude, from memory)."""

READ_NOISE_ELECTRONS = 3.0
COLOUR_BLUR_PX, SHARPEN, SHARPEN_PX = 2.0, 0.5, 1.0
JPEG_QUALITY = 95


def through_a_phone(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A picture (M, N, 3) uint8 sRGB without noise as a phone would store it, uint8; M, N even."""
    linear = _to_linear()[picture]
    raw = np.empty(picture.shape[:2], F)
    for row, column, colour in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        raw[row::2, column::2] = linear[row::2, column::2, colour]
    raw *= F(FULL_SCALE_ELECTRONS)
    noise = rng.standard_normal(raw.shape, dtype=F)
    raw += noise * np.sqrt(raw + F(READ_NOISE_ELECTRONS**2))
    counts = np.clip(raw / F(FULL_SCALE_ELECTRONS), 0, 1) * F(65535)
    rgb = cv2.demosaicing(counts.astype(np.uint16), cv2.COLOR_BayerRGGB2RGB_EA)
    ycc = cv2.cvtColor(_from_linear()[rgb], cv2.COLOR_RGB2YCrCb)
    light = np.ascontiguousarray(ycc[..., 0])
    ycc[..., 0] = light + F(SHARPEN) * (light - cv2.GaussianBlur(light, (0, 0), SHARPEN_PX))
    ycc[..., 1:] = cv2.GaussianBlur(ycc[..., 1:], (0, 0), COLOUR_BLUR_PX)
    rgb = cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB)
    return np.clip(np.rint(rgb * F(255)), 0, 255).astype(np.uint8)


def _to_linear() -> np.ndarray:
    """The sRGB curve (IEC 61966-2-1), 8 bits to linear light."""
    x = np.arange(256) / 255.0
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4).astype(F)


def _from_linear() -> np.ndarray:
    x = np.arange(65536) / 65535.0
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055).astype(F)
