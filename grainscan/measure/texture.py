"""The fine texture of a square-on view, with light, stain and broad bands taken out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import median

__all__ = ["QuietTexture", "normalised_texture", "quiet_texture"]

FloatArray = npt.NDArray[np.float32]

ROUNDING_VARIANCE = 1.0 / 12.0
"""Variance of rounding to whole numbers, in grey levels squared (uniform law)."""

CLIP = 2.5
"""Contrast beyond this many local standard deviations is a mark or a band edge, not a fibre:
its say is bounded (Huber's idea, Ann. Math. Statist. 35, 1964)."""

SPOT_PX = 1.2
STRONG_SIGMAS = 3.0
"""A spot of this spread, this many robust standard deviations of such spots lighter or darker
than its surroundings, belongs to a line apart: it loses its say altogether (Tukey's biweight;
Beaton and Tukey, Technometrics 16, 1974). Spots are round, so no direction is favoured."""

MASK_MARGIN_PX = 2
"""Pixels on either side of a strong line that go with it: the lens has spread it that far."""

TILES_PX = 128
"""Length over which the contrast of the quiet texture is taken as one."""


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


@dataclass(frozen=True, slots=True)
class QuietTexture:
    """A texture (M, N) and how much each pixel counts: 0 on strong lines, about 1 in quiet wood."""

    texture: FloatArray
    weight: FloatArray

    @property
    def blanked(self) -> FloatArray:
        return np.asarray(self.texture * self.weight, dtype=np.float32)


def quiet_texture(grey: FloatArray, *, broad_px: float, clip: float) -> QuietTexture:
    """Texture of the quiet wood between strong lines, which are to be left blank.

    Ring edges, checks and pencil lines are many times stronger than the streaks of fibres between
    them, run in directions of their own, and are narrow. Arguments as those of
    :func:`normalised_texture`; the weight is zero on and beside strong lines.
    """
    weight = _quiet_weight(grey - _broad_part(grey, broad_px))
    near = _broad_part(weight, broad_px) + 1e-3
    # The surroundings are averaged over quiet pixels only: a line casts no lighter seam.
    fine = grey - _broad_part(grey * weight, broad_px) / near
    wide_px = max(3.0 * broad_px, 12.0)
    power = _broad_part(fine * fine * weight, wide_px) / (_broad_part(weight, wide_px) + 1e-3)
    scale = np.sqrt(np.maximum(power, ROUNDING_VARIANCE))
    texture = np.clip(fine / scale, -clip, clip)
    return QuietTexture(np.asarray(texture, dtype=np.float32), weight)


def _quiet_weight(fine: FloatArray) -> FloatArray:
    """Weight of every pixel, 0 on strong lines, about 1 in quiet wood."""
    import cv2

    spots = np.abs(cv2.GaussianBlur(fine / _contrast(fine), (0, 0), SPOT_PX))
    typical = 1.4826 * median(spots[::2, ::2]) + 1e-9
    strength = spots / (STRONG_SIGMAS * typical)
    quiet = np.clip(1.0 - strength**2, 0.0, 1.0) ** 2
    margin = np.ones((2 * MASK_MARGIN_PX + 1, 3), np.uint8)
    weight = cv2.erode(np.asarray(quiet, dtype=np.float32), margin)
    return np.asarray(cv2.GaussianBlur(weight, (0, 0), 0.7), dtype=np.float32)


def _contrast(fine: FloatArray) -> FloatArray:
    """Robust contrast (N,) along the length: what most pixels of a tile do, lines left aside."""
    columns = fine.shape[1]
    count = max(1, columns // TILES_PX)
    tiles = np.array_split(fine, count, axis=1)
    # Every fourth pixel: their number is ample, and a median of all takes longer than the rest.
    contrast = [1.4826 * median(np.abs(tile[::2, ::2])) for tile in tiles]
    centres = (np.arange(count) + 0.5) * columns / count
    smooth = np.interp(np.arange(columns), centres, contrast)
    return np.asarray(np.maximum(smooth, np.sqrt(ROUNDING_VARIANCE)), dtype=np.float32)


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
