"""What coarse JPEG coding leaves on a face: noise that runs along the picture's own rows.

A JPEG rounds the cosine coefficients of every block of 8 × 8 pixels. Faint ones become nothing:
on a face that lies along the picture's rows, sensor noise goes in all coefficients but those
without change across the block, for there the fibre lines lift it over the rounding step. What is
left is noise in short lines along the picture's rows, eight pixels long, which looks like fibres
along the picture's edge. How much of it there may be follows from the rounding steps in the file
and the coefficients' powers: a coefficient that follows a normal law goes through a rounding as a
gain times itself plus noise (Bussgang, MIT Research Laboratory of Electronics, report 216, 1952).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import median
from grainscan.measure.outline import FaceOutline
from grainscan.photo.jpeg_grid import BLOCK_PX, JpegGrid

__all__ = ["GridNoise", "grid_noise", "noise_along_rows"]

FloatArray = npt.NDArray[np.float64]

MOST_BLOCKS = 6000
"""Of more, some are looked at: their mean powers are then known to a few per cent."""

LEAST_BLOCKS = 50

ALIKE = 3
"""Coefficients of so many lowest frequencies downwards tell the noise at a frequency across."""

HELD = slice(3, 5)
"""Frequencies (3/16 and 4/16 cycles per pixel) below whose noise the floor is not followed down;
see `HELD_FROM_CYCLES` in `directions`."""

BESIDE_CYCLES = (0.04, 0.085)
"""Where, across the lines, the noise is read: away from the fibres' own line, and before 1/8 cycles
per pixel, where noise in lines of eight pixels ends."""


@dataclass(frozen=True, slots=True)
class GridNoise:
    """Noise along the picture's rows, as it may lie on a square-on view.

    ``axis_deg``: the picture's rows against the blank's axis, positive counter-clockwise.
    ``most`` (8,): most noise over that in other directions, by the coefficient's number (its
    frequency is number / 16 cycles per pixel). ``view_px`` across and along: of a photograph's
    pixel.
    """

    axis_deg: float
    most: FloatArray
    view_px: tuple[float, float]


def grid_noise(
    pixels: npt.NDArray[np.uint8],
    outline: FaceOutline,
    grid: JpegGrid,
    view_shape: tuple[int, int],
) -> GridNoise | None:
    """The noise of a face in a JPEG (M, N, 3) uint8 RGB; ``view_shape``: of its square-on view.

    None where the face is too small to tell.
    """
    coefficients = _coefficients(pixels, outline.corners_px, grid)
    if len(coefficients) < LEAST_BLOCKS:
        return None
    top, bottom = outline.top_edge_px, outline.bottom_edge_px
    along = (top[-1] - top[0] + bottom[-1] - bottom[0]) / 2.0
    across_px = view_shape[0] / outline.width_px
    along_px = view_shape[1] / float(np.linalg.norm(along))
    turned = np.arctan2(along[1] * across_px, along[0] * along_px)
    return GridNoise(
        float(np.degrees(turned)), _most_noise(coefficients, grid.steps), (across_px, along_px)
    )


def noise_along_rows(
    power: npt.NDArray[np.float32],
    rows: FloatArray,
    columns: FloatArray,
    at_columns: FloatArray,
    noise: GridNoise,
) -> FloatArray:
    """Noise (K, N) at the frequencies ``rows`` (K,) and ``at_columns`` (N,), over that in other
    directions, 1 and more.

    ``power`` (K, B, L): of blocks at ``rows`` and ``columns`` (L,), over the noise in other
    directions. It is read on both sides of the picture's own direction; the side that has less
    counts, for fibres aslant of the picture's rows lie on the other.
    """
    centre = rows[:, None] * np.tan(np.radians(noise.axis_deg))
    excess = _excess(power, rows, columns - centre, noise)
    return 1.0 + excess[:, None] * _spread(at_columns - centre, noise)


def _excess(
    power: npt.NDArray[np.float32], rows: FloatArray, off: FloatArray, noise: GridNoise
) -> FloatArray:
    """Excess (K,) of noise right along the picture's rows; ``off`` (K, L): from that direction."""
    excess = np.zeros(len(rows))
    shape = _spread(off, noise)
    most = np.interp(rows * noise.view_px[0] * 2 * BLOCK_PX, np.arange(BLOCK_PX), noise.most)
    low, high = (limit / noise.view_px[1] for limit in BESIDE_CYCLES)
    by_bin = power.transpose(0, 2, 1)
    for row in np.flatnonzero(most > 0.0):
        some = slice(max(0, row - 2), row + 3)
        sides = []
        for side in (off[some], -off[some]):
            beside = (side >= low) & (side <= high)
            if beside.any():
                # An exponential law's mean is its median over ln 2.
                level = median(by_bin[some][beside]) / np.log(2.0) - 1.0
                sides.append(level / float(shape[some][beside].mean()))
        excess[row] = np.clip(min(sides, default=0.0), 0.0, most[row])
    return excess


def _spread(off: FloatArray, noise: GridNoise) -> FloatArray:
    """Power of lines one block long at a frequency ``off`` theirs, cycles per view pixel."""
    return np.asarray(np.sinc(off * BLOCK_PX * noise.view_px[1]) ** 2)


def _coefficients(
    pixels: npt.NDArray[np.uint8], corners: FloatArray, grid: JpegGrid
) -> npt.NDArray[np.float32]:
    """Cosine coefficients (B, 8, 8), down and across, of blocks that lie on the face."""
    import cv2

    first = np.array(grid.first_px)
    low = np.maximum(np.floor((corners.min(axis=0) - first) / BLOCK_PX), 0).astype(int)
    limits = np.array([pixels.shape[1], pixels.shape[0]]) - first
    high = np.minimum(np.ceil((corners.max(axis=0) - first) / BLOCK_PX), limits // BLOCK_PX)
    across, down = (high.astype(int) - low).tolist()
    if min(across, down) < 1:
        return np.zeros((0, BLOCK_PX, BLOCK_PX), np.float32)
    x, y = (first + low * BLOCK_PX).tolist()
    # Each block's place as a pixel: those near an edge are left out.
    inside = np.zeros((down, across), np.uint8)
    on_grid = (corners - (x, y)) / BLOCK_PX - 0.5
    cv2.fillConvexPoly(inside, np.round(on_grid).astype(np.int32), 1)
    inside = cv2.erode(inside, np.ones((3, 3), np.uint8), borderValue=0)
    crop = pixels[y : y + down * BLOCK_PX, x : x + across * BLOCK_PX]
    grey = cv2.cvtColor(np.ascontiguousarray(crop), cv2.COLOR_RGB2GRAY)
    blocks = grey.reshape(down, BLOCK_PX, across, BLOCK_PX).transpose(0, 2, 1, 3)
    chosen = np.argwhere(inside)
    chosen = chosen[:: max(1, len(chosen) // MOST_BLOCKS)]
    of = blocks[chosen[:, 0], chosen[:, 1]].astype(np.float32)
    cosines = _cosines()
    return np.asarray(cosines @ of @ cosines.T, dtype=np.float32)


def _cosines() -> npt.NDArray[np.float32]:
    """The cosine transform of a block, one frequency a row (ITU-T T.81, A.3.3)."""
    at = np.arange(BLOCK_PX)
    table = np.cos((2 * at + 1) * at[:, None] * np.pi / (2 * BLOCK_PX)) * np.sqrt(2.0 / BLOCK_PX)
    table[0] /= np.sqrt(2.0)
    return np.asarray(table, dtype=np.float32)


def _most_noise(coefficients: npt.NDArray[np.float32], steps: FloatArray) -> FloatArray:
    """`GridNoise.most` from the powers of the coefficients."""
    power: FloatArray = np.mean(np.square(coefficients), axis=0, dtype=np.float64)
    sigma = _sigma_before(power / steps**2) * steps
    # Noise is alike in all directions: it is told by lines down the face, where no fibres run.
    elsewhere = np.array([power[: min(ALIKE, v + 1), v].mean() for v in range(BLOCK_PX)])
    noise = np.array([sigma[: min(ALIKE, v + 1), v].mean() for v in range(BLOCK_PX)])
    fibres = np.maximum(sigma[:, 0] ** 2 - noise**2, 0.0)
    passed = _gain(sigma[:, 0] / steps[:, 0]) ** 2 * fibres
    floor = np.maximum(elsewhere, elsewhere[HELD].mean())
    return np.asarray(np.maximum((power[:, 0] - passed) / floor - 1.0, 0.0))


@functools.cache
def _rounding() -> tuple[FloatArray, FloatArray, FloatArray]:
    """A normal law's standard deviation in steps, its power after rounding, and the gain."""
    from scipy.special import ndtr

    sigma = np.geomspace(0.08, 4.0, 120)
    level = np.arange(1, 25)
    edge = (level - 0.5) / sigma[:, None]
    power = 2.0 * ((2 * level - 1) * ndtr(-edge)).sum(axis=1)
    gain = 2.0 * np.exp(-(edge**2) / 2.0).sum(axis=1) / (np.sqrt(2.0 * np.pi) * sigma)
    return sigma, power, gain


def _sigma_before(power: FloatArray) -> FloatArray:
    """Standard deviation before a rounding to whole numbers that left this power."""
    sigma, after, _ = _rounding()
    inside = np.interp(np.log(np.maximum(power, after[0])), np.log(after), sigma)
    # Far above one step a rounding adds its own twelfth (Sheppard) and no more.
    return np.where(power < after[-1], inside, np.sqrt(np.maximum(power - 1.0 / 12.0, 0.0)))


def _gain(sigma: FloatArray) -> FloatArray:
    of, _, gain = _rounding()
    return np.asarray(np.interp(sigma, of, gain))
