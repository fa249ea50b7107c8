"""The fine texture of a square-on view, with light, stain and broad bands taken out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["normalised_texture"]

FloatArray = npt.NDArray[np.float32]

ROUNDING_VARIANCE = 1.0 / 12.0
"""Variance of rounding to whole numbers, in grey levels squared (uniform law)."""

CLIP = 2.5
"""Contrast beyond this many local standard deviations is a mark or a band edge, not a fibre:
its say is bounded (Huber's idea, Ann. Math. Statist. 35, 1964)."""


def normalised_texture(grey: FloatArray, *, broad_px: float, clip: float = CLIP) -> FloatArray:
    """Texture of mean 0 and local contrast 1, from a square-on grey strip.

    ``grey`` (M, N) float32, grey levels 0 to 255. ``broad_px``: what is broader than this across
    the strip (light, stain, wide ring bands) is removed. Returns (M, N) float32 in [−clip, clip].
    """
    fine = grey - _broad_part(grey, broad_px)
    # Contrast below what rounding to whole grey levels makes by itself is not texture.
    least = ROUNDING_VARIANCE
    for _ in range(2):
        # The second pass measures the contrast again without the clipped outliers.
        power = np.maximum(_broad_part(fine * fine, max(3.0 * broad_px, 12.0)), least)
        fine = np.clip(fine / np.sqrt(power), -clip, clip)
        least = 1e-2
    return np.asarray(fine, dtype=np.float32)


def _broad_part(picture: FloatArray, sigma_px: float) -> FloatArray:
    """Gaussian blur; a wide one is done on a reduced copy, where it costs little."""
    import cv2

    border = cv2.BORDER_REFLECT_101
    factor = int(sigma_px / 4.0)
    if factor < 2:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma_px, borderType=border))
    rows, columns = picture.shape
    size = (max(1, round(columns / factor)), max(1, round(rows / factor)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    sigma = (sigma_px * size[0] / columns, sigma_px * size[1] / rows)
    small = cv2.GaussianBlur(small, (0, 0), sigma[0], sigmaY=sigma[1], borderType=border)
    return np.asarray(cv2.resize(small, (columns, rows), interpolation=cv2.INTER_CUBIC))
