"""What a small picture shows at each place: its colour, and which way its fine texture runs.

Wood on wood may differ in nothing but the direction of its fibres. Along a face's fibres
brightness hardly changes, across them it does: the energy of the change down the picture against
that of the change along it tells the face from boards that lie crosswise, and from anything
without a direction.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["ENERGY", "LEAST_ENERGY", "TEXTURE_WEIGHT", "features", "seen"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float32]

COLOUR_BLUR_PX = 1.0
TEXTURE_BLUR_PX = 1.5
TEXTURE_WEIGHT = 6.0
"""L* that weigh as much as a factor e in the ratio of energies."""

LEAST_ENERGY = 1.0
"""Squared grey levels per pixel below which there is no texture: rounding to whole levels alone
gives a twelfth of one."""

ENERGY = 5
"""Which of the features is the texture's energy."""


def seen(small: ByteArray, work: ByteArray) -> FloatArray:
    """CIELAB and texture direction of a small picture (M, N, 3) uint8 RGB: (M, N, 4) float32.

    ``work``: the picture it was made from, in which the fine texture still shows.
    """
    import cv2

    rgb = small.astype(np.float32) / np.float32(255.0)
    lab = cv2.GaussianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB), (0, 0), COLOUR_BLUR_PX)
    grey = np.asarray(cv2.cvtColor(np.ascontiguousarray(work), cv2.COLOR_RGB2GRAY), np.uint8)
    size = small.shape[1::-1]
    down, along = (_energy(grey, size, *way) for way in ((0, 1), (1, 0)))
    look = np.empty((*small.shape[:2], 4), np.float32)
    look[..., :3] = lab
    look[..., 3] = TEXTURE_WEIGHT * np.log((down + LEAST_ENERGY) / (along + LEAST_ENERGY))
    return look


def _energy(grey: ByteArray, size: tuple[int, ...], dx: int, dy: int) -> FloatArray:
    """Mean square of the change of brightness one way, at every pixel of a smaller picture."""
    import cv2

    change = cv2.Sobel(grey, cv2.CV_32F, dx, dy, ksize=3, scale=0.125)
    small = cv2.resize(cv2.multiply(change, change), size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), TEXTURE_BLUR_PX), dtype=np.float32)


def features(band: ByteArray, along_columns: float, across_rows: float) -> FloatArray:
    """Colour, way and energy of the texture at every place of a band (R, N, 3) uint8 RGB that runs
    along a face: (R, N, 6), means of these spreads along and across.
    """
    import cv2

    def mean(values: object) -> FloatArray:
        return np.asarray(
            cv2.GaussianBlur(
                np.asarray(values, np.float32), (0, 0), along_columns, sigmaY=across_rows
            )
        )

    lab = cv2.cvtColor(band.astype(np.float32) / np.float32(255.0), cv2.COLOR_RGB2LAB)
    grey = cv2.cvtColor(band, cv2.COLOR_RGB2GRAY)
    along, down = (
        cv2.Sobel(grey, cv2.CV_32F, *way, ksize=3, scale=0.125) for way in ((1, 0), (0, 1))
    )
    xx, yy, xy = mean(along * along), mean(down * down), mean(along * down)
    half = (xx + yy) / 2.0
    texture = (
        np.log((yy + LEAST_ENERGY) / (xx + LEAST_ENERGY)),
        np.log((half + xy + LEAST_ENERGY) / (half - xy + LEAST_ENERGY)),
        np.log(xx + yy + LEAST_ENERGY) / 2.0,
    )
    return np.dstack([mean(lab), *(np.float32(TEXTURE_WEIGHT) * t for t in texture)])
