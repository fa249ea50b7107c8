"""Dark spots of a face, and whether the lines of the wood go through them.

A knot shows as a compact spot, darker than the wood and without its lengthwise lines. A stain or a
shadow is dark too, but the lines go on through it; so the darkness only says where to look, and
the chance is that of the lines' getting lost just there, by the face's own scatter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.swirls import log_tail, tail_freedom
from grainscan.measure.turns import CELLS_ACROSS, LocalTurns

__all__ = ["DarkSpot", "dark_spots"]

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LEAST_DARK = 0.12
"""A spot's cells are darker than their surroundings by this (a difference of logarithms)..."""

LEAST_SCATTERS = 5.0
"""...and by so many robust standard deviations of the face's cells."""

LEAST_CELLS, LEAST_LONG, MOST_LONG = 4, 3, 3 * CELLS_ACROSS
"""Cells of a spot, and its length along the face: a pencil line across is one cell long, ring bands
run on over widths."""

LEAST_SCATTER = 0.02


@dataclass(frozen=True, slots=True)
class DarkSpot:
    """A dark spot: ``column``, ``row`` of its middle, in cells from the left and the top.

    ``columns``, ``rows``: first and last cell plus one. ``cells``: how many. ``log_chance``: log of
    the chance that lines get lost as much in one place of its size.
    """

    column: float
    row: float
    columns: tuple[int, int]
    rows: tuple[int, int]
    cells: int
    log_chance: float


def dark_spots(turns: LocalTurns, allowed: Mask) -> tuple[DarkSpot, ...]:
    """Spots whose middle is an ``allowed`` column (C,), the darkest in sum first."""
    from scipy.ndimage import find_objects, label

    dark = turns.dark
    scatter = 1.4826 * float(np.median(np.abs(dark - np.median(dark)))) + 0.01
    labels, _ = label(dark > max(LEAST_SCATTERS * scatter, LEAST_DARK))
    found = []
    for number, box in enumerate(find_objects(labels), start=1):
        inside = labels[box] == number
        long = box[1].stop - box[1].start
        if inside.sum() < LEAST_CELLS or not LEAST_LONG <= long <= MOST_LONG:
            continue
        row, column = (float(v) for v in np.argwhere(inside).mean(axis=0) + 0.5)
        row, column = row + box[0].start, column + box[1].start
        if allowed[int(column)]:
            rows, columns = (box[0].start, box[0].stop), (box[1].start, box[1].stop)
            chance = _lines_lost(turns.along, rows, columns)
            spot = DarkSpot(column, row, columns, rows, int(inside.sum()), chance)
            found.append((float(dark[box][inside].sum()), spot))
    return tuple(spot for _, spot in sorted(found, key=lambda f: -f[0]))


def _lines_lost(along: FloatArray, rows: tuple[int, int], columns: tuple[int, int]) -> float:
    """Log of the chance that a box of the face has as little of the lengthwise lines."""
    strip = along[rows[0] : rows[1]].mean(axis=0)
    long = columns[1] - columns[0]
    total = np.cumsum(np.pad(strip, (1, 0)))
    means = (total[long:] - total[:-long]) / long
    start = np.arange(len(means))
    far = (start > columns[1] + CELLS_ACROSS) | (start + long < columns[0] - CELLS_ACROSS)
    if far.sum() < 2 * CELLS_ACROSS:
        return 0.0
    alone = means[far]
    usual = float(np.median(alone))
    spread = 1.4826 * float(np.median(np.abs(alone - usual))) + LEAST_SCATTER
    return log_tail((usual - float(means[columns[0]])) / spread, tail_freedom(alone[None]))
