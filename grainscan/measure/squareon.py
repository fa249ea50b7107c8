"""A face seen square-on: perspective removed, the curved axis straightened, the bend kept.

What is corrected: the four corners fix the perspective of the plane; what the long edges still
bend after that is taken out by moving each column, so that both edges run level and a fibre
that follows the blank's own bend runs level too. A station's reference direction is the mean
of both edges, so taper and converging perspective do not read as runout.

What is not corrected, and its bound: tan(angle) is off by the same share as the ratio of length to
width that is handed over (see `proportions`): 3 % of a 3° angle are 0.1°. Barrel distortion
common to both edges is taken out with the bend (and counts as sweep).
An end cut out of square by s shears the view along the length: tan(angle) changes by
s·tan²(angle), under 0.03° for 10° out of square and 5° of angle.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from grainscan.measure.lines import arc_length, smooth_through
from grainscan.measure.outline import FaceOutline

__all__ = ["SquareOn", "square_on", "straight_grid"]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

MOST_COLUMNS = 4096

LEAST_REDUCED = 0.95
"""A view so much smaller than the photograph or less is drawn from a reduced copy."""


@dataclass(frozen=True, slots=True)
class SquareOn:
    """A square-on view of a face.

    ``grey`` (M, N) float32, 0 to 255: length along the columns, square pixels.
    ``px_per_photo_px``: the view's resolution against the photograph's (≈ 1).
    ``length_over_width``: the face's proportions used. ``sweep_px``: largest distance of the
    axis from the straight line between its ends, in view pixels, positive towards the top.
    """

    grey: npt.NDArray[np.float32]
    length_over_width: float
    sweep_px: float


def square_on(
    pixels: npt.NDArray[np.uint8], outline: FaceOutline, *, length_over_width: float
) -> SquareOn:
    """Square-on view of the outlined face from the photograph (M, N, 3) uint8 RGB.

    ``length_over_width``: the face's true proportions.
    """
    import cv2

    top, bottom = outline.top_edge_px, outline.bottom_edge_px
    length_px = (arc_length(top) + arc_length(bottom)) / 2.0
    columns = int(min(MOST_COLUMNS, round(length_px)))
    rows = max(8, round(columns / length_over_width))
    grid, axis = _straight_grid(outline, rows, columns, 0)
    x0, y0, x1, y1 = _bounds(grid, pixels.shape)
    crop = cv2.cvtColor(np.ascontiguousarray(pixels[y0:y1, x0:x1]), cv2.COLOR_RGB2GRAY)
    grid -= np.array([x0, y0], np.float32)
    source, grid = _source(np.asarray(crop, dtype=np.uint8), grid, columns / length_px)
    grey = cv2.remap(
        source,
        grid,
        np.empty(0, np.float32),
        cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_REPLICATE,
    )
    chord = np.linspace(axis[0], axis[-1], columns)
    bend = chord - axis
    return SquareOn(
        np.asarray(grey, dtype=np.float32), length_over_width, float(bend[np.argmax(np.abs(bend))])
    )


def _source(
    grey: npt.NDArray[np.uint8], grid: Float32Array, scale: float
) -> tuple[Float32Array, Float32Array]:
    """What a view ``scale`` times as large as its photograph (M, N) is drawn from, and the grid
    (K, L, 2) of places on it.

    Lines finer than the view can hold must be gone before it is drawn: its pixel grid would fold
    them over, and fibres that climb would show up as lines that fall. A mean over areas (`reduced`)
    leaves too much of them.
    """
    from PIL import Image

    even = grey.astype(np.float32)
    if scale > LEAST_REDUCED:
        return even, grid
    height, width = grey.shape
    size = max(1, round(width * scale)), max(1, round(height * scale))
    smaller = Image.fromarray(even).resize(size, Image.Resampling.LANCZOS)
    ratio = np.array([size[0] / width, size[1] / height], dtype=np.float32)
    moved = (grid + np.float32(0.5)) * ratio - np.float32(0.5)
    return np.asarray(smaller, dtype=np.float32), np.asarray(moved, dtype=np.float32)


def straight_grid(
    outline: FaceOutline, rows: int, columns: int, *, margin_rows: int = 0
) -> Float32Array:
    """Photograph coordinates (rows + 2 · margin_rows, columns, 2) of a straightened view."""
    return _straight_grid(outline, rows, columns, margin_rows)[0]


def _straight_grid(
    outline: FaceOutline, rows: int, columns: int, margin_rows: int
) -> tuple[Float32Array, FloatArray]:
    """The grid, and the axis' row in each column of the plane's view."""
    homography = _homography(outline.corners_px, rows, columns)
    level_top = _edge_heights(outline.top_edge_px, homography, columns)
    level_bottom = _edge_heights(outline.bottom_edge_px, homography, columns) - (rows - 1)
    grid = _photo_grid(homography, level_top, level_bottom, rows, margin_rows)
    return grid, (level_top + level_bottom) / 2.0


def _homography(corners: FloatArray, rows: int, columns: int) -> FloatArray:
    """From the photograph to the square-on view."""
    import cv2

    target = np.array(
        [[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], np.float32
    )
    return np.asarray(
        cv2.getPerspectiveTransform(corners.astype(np.float32), target), dtype=np.float64
    )


def _edge_heights(edge: FloatArray, homography: FloatArray, columns: int) -> FloatArray:
    """Row of an edge at every column of the plane's view."""
    homogeneous = np.column_stack([edge, np.ones(len(edge))]) @ homography.T
    x, y = homogeneous[:, 0] / homogeneous[:, 2], homogeneous[:, 1] / homogeneous[:, 2]
    return smooth_through(x, y, np.arange(columns, dtype=np.float64))


def _photo_grid(
    homography: FloatArray,
    level_top: FloatArray,
    level_bottom: FloatArray,
    rows: int,
    margin_rows: int,
) -> Float32Array:
    """Photograph coordinates (rows + 2 · margin_rows, columns, 2) of the straightened view.

    Between the edges the bend is shared out in proportion: lines of equal share run level. The
    mapping is smooth, so it is worked out at every eighth row and filled in linearly (the error is
    that of the chord of a curve whose slope changes by under a thousandth over eight rows).
    """
    last = rows - 1
    nodes = np.unique(np.append(np.arange(-margin_rows, last + margin_rows, 8), last + margin_rows))
    across = (nodes / last)[:, None]
    y = across * last + (1.0 - across) * level_top + across * level_bottom
    x = np.broadcast_to(np.arange(len(level_top), dtype=np.float64), y.shape)
    inverse = np.linalg.inv(homography)
    scale = inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
    coarse = np.stack(
        [
            (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) / scale,
            (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) / scale,
        ],
        axis=-1,
    ).astype(np.float32)
    return _filled_rows(coarse, nodes)


def _filled_rows(coarse: Float32Array, nodes: npt.NDArray[np.int_]) -> Float32Array:
    """All rows between the nodes, linearly."""
    filled = np.empty((nodes[-1] - nodes[0] + 1, *coarse.shape[1:]), np.float32)
    for k, (first, after) in enumerate(pairwise(nodes.tolist())):
        share = (np.arange(after - first) / (after - first)).astype(np.float32)[:, None, None]
        part = filled[first - nodes[0] : after - nodes[0]]
        np.multiply(coarse[k], np.float32(1.0) - share, out=part)
        part += coarse[k + 1] * share
    filled[-1] = coarse[-1]
    return filled


def _bounds(grid: Float32Array, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    # Row by row first, then the few columns of what is left.
    low = np.floor(grid.min(axis=0).min(axis=0)).astype(int) - 3
    high = np.ceil(grid.max(axis=0).max(axis=0)).astype(int) + 4
    x0, y0 = np.clip(low, 0, [shape[1] - 1, shape[0] - 1])
    x1, y1 = np.clip(high, [x0 + 1, y0 + 1], [shape[1], shape[0]])
    return int(x0), int(y0), int(x1), int(y1)
