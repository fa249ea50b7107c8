"""The fine texture of a square-on view, with light, stain and broad bands taken out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["normalised_texture"]

FloatArray = npt.NDArray[np.float32]

CLIP = 2.5
"""Contrast beyond this many local standard deviations is a mark or a band edge, not a fibre:
its say is bounded (Huber's idea, Ann. Math. Statist. 35, 1964)."""


def normalised_texture(grey: FloatArray, *, broad_px: float) -> FloatArray:
    """Texture of mean 0 and local contrast 1, from a square-on grey strip.

    ``grey`` (M, N) float32, any scale. ``broad_px``: what is broader than this across the strip
    (light, stain, wide ring bands) is removed. Returns (M, N) float32 in
    [−CLIP, CLIP].
    """
    import cv2

    border = cv2.BORDER_REFLECT_101
    fine = grey - cv2.GaussianBlur(grey, (0, 0), broad_px, borderType=border)
    for _ in range(2):
        # The second pass measures the contrast again without the clipped outliers.
        power = cv2.GaussianBlur(fine * fine, (0, 0), 3.0 * broad_px, borderType=border)
        spread = np.sqrt(np.maximum(power, 1e-12))
        fine = np.clip(fine / spread, -CLIP, CLIP)
    return np.asarray(fine, dtype=np.float32)
