"""How far the lines of a face turn from their own general run, cell by cell.

The face is divided into cells an eighth of its width long and high. In each, the structure tensor
(Bigün and Granlund, ICCV 1987; Gaussian derivatives, Jähne, *Digital Image Processing*, §13.3)
gives the direction of its lines as a doubled angle, once from the quiet wood, once from all lines:
ring lines are clearer and go round a knot too, but have bends of their own. The general run
is the median of the cells four widths round about; what is left is the turn. Lines across the face
(a saw's, a pencil's) count little: fibres rarely stand so steep.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.fibres import EDGE_SHARE
from grainscan.measure.medians import medians
from grainscan.measure.texture import normalised_texture, quiet_texture

__all__ = ["CELLS_ACROSS", "LocalTurns", "general_run_along", "local_turns"]

Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

CELLS_ACROSS = 8
MOST_ROWS = 128
LEAST_ROWS = 32
"""Fewer rows leave under four pixels to a cell."""

DERIVATIVE_PX = 0.9
BROAD_PX = 5.0
CLIP = 2.0
GENERAL_RUN_WIDTHS = 4.0
"""The general run is that of so many widths: a swirl is under one wide on either side."""

FAINT_SHARE = 0.2
"""A cell with less than this share of the face's usual texture has little to say of direction."""


@dataclass(frozen=True, slots=True)
class LocalTurns:
    """Turns and darkness of a face's cells.

    ``quiet``, ``every`` (8, C), of the quiet wood and of all lines: sine of twice the turn,
    weighted by how clear the lines are, −1 to 1, positive = climbing to the right more than the
    general run. ``dark`` (8, C): how much darker than the cells of the same height round about (a
    difference of logarithms). ``along`` (8, C): cosine of twice the turn, weighted alike, of both
    together: near 1 where clear lines follow the general run, near 0 where there are none. Cells
    lie from ``EDGE_SHARE`` of the width below the upper edge to as much above the lower; C of them
    fill the length.
    """

    quiet: FloatArray
    every: FloatArray
    along: FloatArray
    dark: FloatArray


def local_turns(grey: Float32Array) -> LocalTurns | None:
    """Turns of a square-on view (M, N) float32, 0 to 255; None where it has too few pixels."""
    import cv2

    margin = max(1, round(EDGE_SHARE * grey.shape[0]))
    grey = np.ascontiguousarray(grey[margin:-margin])
    rows, columns = grey.shape
    if rows < LEAST_ROWS or columns < 4 * rows:
        return None
    if rows > MOST_ROWS:
        columns, rows = round(columns * MOST_ROWS / rows), MOST_ROWS
        grey = cv2.resize(grey, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float32)
    size = (round(columns * CELLS_ACROSS / rows), CELLS_ACROSS)
    quiet = _directions(quiet_texture(grey, broad_px=BROAD_PX, clip=CLIP).blanked, size)
    every = _directions(normalised_texture(grey, broad_px=BROAD_PX, clip=CLIP), size)
    quiet_turn, quiet_along = _against_general_run(*quiet)
    every_turn, every_along = _against_general_run(*every)
    brightness = np.log(np.maximum(_cells(grey, size), 1.0))
    return LocalTurns(
        quiet_turn,
        every_turn,
        (quiet_along + every_along) / 2.0,
        _general_run(brightness) - brightness,
    )


def _against_general_run(sine: FloatArray, cosine: FloatArray) -> tuple[FloatArray, FloatArray]:
    usual_sine, usual_cosine = _general_run(sine), _general_run(cosine)
    length = np.hypot(usual_sine, usual_cosine) + 1e-6
    turn = (sine * usual_cosine - cosine * usual_sine) / length
    return turn, (cosine * usual_cosine + sine * usual_sine) / length


def general_run_along(values: FloatArray) -> FloatArray:
    """Median of the values (R, C) of cells over four widths along the face, row by row."""
    return _running_medians(values, 1)


def _running_medians(values: FloatArray, height: int) -> FloatArray:
    """Medians over ``height`` rows and four widths, worked out every half width along the face."""
    length = int(GENERAL_RUN_WIDTHS * CELLS_ACROSS) | 1
    around = ((height // 2, height // 2), (length // 2, length // 2))
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(values, around, mode="edge"), (height, length)
    )
    count = values.shape[1]
    at = np.unique(np.append(np.arange(0, count, CELLS_ACROSS // 2), count - 1))
    runs = medians(windows[:, at], (2, 3))
    return np.stack([np.interp(np.arange(count), at, run) for run in runs])


def _directions(texture: Float32Array, size: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Sine and cosine of the doubled line angle per cell, weighted by clearness."""
    import cv2

    reach = int(np.ceil(4.0 * DERIVATIVE_PX))
    x = np.arange(-reach, reach + 1)
    bell = np.exp(-0.5 * (x / DERIVATIVE_PX) ** 2)
    bell /= bell.sum()
    slope = -x * bell / DERIVATIVE_PX**2
    gx = cv2.sepFilter2D(texture, cv2.CV_32F, -slope, bell)
    gy = cv2.sepFilter2D(texture, cv2.CV_32F, bell, -slope)
    xx, yy = gx * gx, gy * gy
    total = xx + yy
    # A line at an angle t to the length counts with cos² t.
    weight = yy / (total + np.float32(1e-6))
    energy = _cells(total * weight, size)
    floor = FAINT_SHARE * float(np.median(energy)) + 1e-9
    sine = _cells(2.0 * gx * gy * weight, size) / (energy + floor)
    return sine, _cells((yy - xx) * weight, size) / (energy + floor)


def _cells(values: npt.NDArray[np.floating], size: tuple[int, int]) -> FloatArray:
    import cv2

    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA), dtype=np.float64)


def _general_run(values: FloatArray) -> FloatArray:
    return _running_medians(values, CELLS_ACROSS // 2 + 1)
