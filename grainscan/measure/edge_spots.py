"""The darkest place of a face's two long edges: a knot whose middle lies beyond the edge.

Of such a knot the face shows a half disc at most, no deeper than the rows that are left out of
everything else because the lens blurs the arris. But blur, wane and a shadow are there along the
whole edge, and a knot in one place only: so the place is held against the edges' own run.

Ring bands that run out over the edge are dark there too, and as dark farther in: what the inner
wood near the place has of darkness is taken off. The chance asks how far the place stands out from
the darkest other place of both edges. Where values fall off like the power −a in their tail, the
ratio of the greatest to the second has the chance ratio^−a, however many there are (Rényi, *Acta
Mathematica Hungarica* 4, 1953: the logarithms' spacings are exponential).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from grainscan.measure.spots import DarkSpot
from grainscan.measure.swirls import ALONE_WIDTHS, TAIL_FREEDOM
from grainscan.measure.turns import CELLS_ACROSS, general_run_along

__all__ = ["dark_edge"]

Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

EDGE_ROWS = (0.03, 0.08)
"""From where to where the edge's darkness is taken, in widths: within the arris' blur and the
outline's own waves, and not deeper than half discs reach."""

OUTER_ROWS = (0.015, 0.05)
"""Nearer to the edge, where a half disc is longest: for its length."""

INNER_ROWS = tuple((0.2 + 0.05 * i, 0.25 + 0.05 * i) for i in range(6))
"""Bands as high as that farther in, beyond a half disc and as far as the middle."""

INNER_NEAR_WIDTHS = 2.0
"""A ring band that crosses the edge aslant crosses the inner rows within two widths."""

LENGTH = 3
"""Length of a place in cells: three eighths of a width, as long as a small half disc. One length
alone, for the chance is that of one."""

LEAST_DARK = 0.04
"""Darkness (a difference of logarithms) that any edge has somewhere: light is uneven by so much."""


def dark_edge(grey: Float32Array, allowed: Mask) -> DarkSpot | None:
    """The place of the edges of a square-on view (M, N) float32 that is most of a dark spot.

    ``allowed`` (C,): the columns of cells that count. Its ``log_chance``: log of the chance that a
    face without a knot has an edge so dark in one place. None where no place is darker than the
    others and than the wood near it, or where too few are left to compare.
    """
    edges = [grey, grey[::-1]]
    count = len(allowed)
    dark = [_darkness(edge, (EDGE_ROWS,), count)[0] for edge in edges]
    inner = [_darkness(edge, INNER_ROWS, count) for edge in edges]
    means = np.stack([_means(d) for d in dark])
    beyond = means - np.stack([_darkest_near(i) for i in inner])
    beyond[:, ~allowed] = -np.inf
    edge, column = (int(v) for v in np.unravel_index(int(np.argmax(beyond)), beyond.shape))
    far = allowed & (np.abs(np.arange(count) - column) > ALONE_WIDTHS * CELLS_ACROSS)
    if far.sum() < 2 * CELLS_ACROSS:
        return None
    other = max(0.0, float(means[:, far].max()))
    ratio = (float(beyond[edge, column]) + LEAST_DARK) / (other + LEAST_DARK)
    if ratio <= 1.0:
        return None
    first, last = _stretch(_darkness(edges[edge], (OUTER_ROWS,), count)[0], column)
    # Seen from the cells, which leave the edges out, it lies half of what is left out beyond them.
    return DarkSpot(
        column=(first + last) / 2.0,
        row=-0.5 if edge == 0 else CELLS_ACROSS + 0.5,
        columns=(first, last),
        radius=(last - first) / 2.0,
        log_chance=-TAIL_FREEDOM * math.log(ratio),
        is_stain=False,
        rim=np.zeros((CELLS_ACROSS, count), dtype=np.bool_),
    )


def _darkness(grey: Float32Array, rows: tuple[tuple[float, float], ...], count: int) -> FloatArray:
    """How much darker than its general run each of some bands of rows is, cell by cell (R, C)."""
    import cv2

    height = grey.shape[0]
    bands = []
    for first, last in rows:
        start = max(1, round(first * height))
        band = grey[start : max(start + 1, round(last * height))].mean(axis=0, keepdims=True)
        bands.append(cv2.resize(band, (count, 1), interpolation=cv2.INTER_AREA)[0])
    cells = np.log(np.maximum(np.array(bands, dtype=np.float64), 1.0))
    return general_run_along(cells) - cells


def _means(values: FloatArray) -> FloatArray:
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(values, LENGTH, axis=-1, mode="nearest"))


def _darkest_near(inner: FloatArray) -> FloatArray:
    from scipy.ndimage import maximum_filter1d

    darkest = np.maximum(_means(inner).max(axis=0), 0.0)
    return np.asarray(maximum_filter1d(darkest, 2 * round(INNER_NEAR_WIDTHS * CELLS_ACROSS) + 1))


def _stretch(dark: FloatArray, column: int) -> tuple[int, int]:
    """First cell and last plus one round a column that are at least half as dark."""
    half = dark[max(0, column - 1) : column + 2].max() / 2.0
    first = last = column
    while first > 0 and dark[first - 1] >= half:
        first -= 1
    while last < len(dark) and dark[last] >= half:
        last += 1
    return first, max(last, first + 1)
