"""Dark spots of a face, and whether the lines of the wood go through them.

A knot shows as a compact spot, darker than the wood and without its lengthwise lines. A stain or a
shadow is dark too, but the lines go on through it; so the darkness only says where to look, and
the chance is that of the lines' getting lost just there, by the face's own scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import medians
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
LINES_GO_ON = math.log(0.2)
"""A loss of lines that every fifth patch of straight wood shows is none."""


@dataclass(frozen=True, slots=True)
class DarkSpot:
    """A dark spot: ``column``, ``row`` of its middle, in cells from the left and the top.

    ``columns``: first and last cell plus one. Its core is what is at least half as dark as its
    darkest cell, without the halo. ``radius``: half the core's length, in cells, which holds for
    a disc cut off by an edge and for a branch that crosses the face. ``log_chance``: log of the
    chance that lines get lost as much in one place of its shape; None where it has no inner cells
    to tell. ``is_stain``: the lines are seen to go on. ``rim`` (8, C): the core's cells and those
    next to it, which its own outline runs through.
    """

    column: float
    row: float
    columns: tuple[int, int]
    radius: float
    log_chance: float | None
    is_stain: bool
    rim: Mask


def dark_spots(turns: LocalTurns, allowed: Mask) -> tuple[DarkSpot, ...]:
    """Spots whose middle is an ``allowed`` column (C,), the darkest in sum first."""
    from scipy.ndimage import find_objects, label

    dark = turns.dark
    scatter = 1.4826 * float(np.median(np.abs(dark - np.median(dark)))) + 0.01
    labels, _ = label(dark > max(LEAST_SCATTERS * scatter, LEAST_DARK))
    found = []
    for number, box in enumerate(find_objects(labels), start=1):
        cells = labels == number
        long = box[1].stop - box[1].start
        if cells.sum() < LEAST_CELLS or not LEAST_LONG <= long <= MOST_LONG:
            continue
        row, column = (float(v) for v in np.argwhere(cells).mean(axis=0) + 0.5)
        if allowed[int(column)]:
            spot = _spot(turns, cells, (row, column))
            found.append((float(dark[cells].sum()), spot))
    return tuple(spot for _, spot in sorted(found, key=lambda f: -f[0]))


def _spot(turns: LocalTurns, cells: Mask, middle: tuple[float, float]) -> DarkSpot:
    from scipy.ndimage import binary_dilation, binary_fill_holes

    core = binary_fill_holes(cells & (turns.dark >= turns.dark[cells].max() / 2.0))
    # A halo may hide lost lines or be lost lines itself: both are tried.
    tried = [_lines_lost(turns.along, part) for part in (core, binary_fill_holes(cells))]
    lost = [chance for chance in tried if chance is not None]
    long_core = np.flatnonzero(core.any(axis=0))
    long = np.flatnonzero(cells.any(axis=0))
    return DarkSpot(
        column=middle[1],
        row=middle[0],
        columns=(int(long[0]), int(long[-1]) + 1),
        radius=float(long_core[-1] - long_core[0] + 1) / 2.0,
        log_chance=min(lost) + math.log(len(lost)) if lost else None,
        is_stain=bool(lost) and min(lost) > LINES_GO_ON,
        rim=binary_dilation(core, np.ones((3, 3))),
    )


def _lines_lost(along: FloatArray, cells: Mask) -> float | None:
    """Log of the chance that such a patch of the face has as little of the lengthwise lines.

    Cells at the spot's outline are left out: a sharp outline has lines of its own.
    """
    from scipy.ndimage import binary_erosion

    inner = binary_erosion(cells, np.ones((3, 3)), border_value=True)
    if not inner.any():
        return None
    columns = np.flatnonzero(inner.any(axis=0))
    first, last = int(columns[0]), int(columns[-1]) + 1
    patch = inner[:, first:last].astype(np.float64)
    means = sum(np.correlate(along[row], patch[row], "valid") for row in range(len(patch)))
    means = np.asarray(means) / patch.sum()
    start = np.arange(len(means))
    far = (start > last + CELLS_ACROSS) | (start + last - first < first - CELLS_ACROSS)
    if far.sum() < 2 * CELLS_ACROSS:
        return None
    alone = means[far]
    usual = float(np.median(alone))
    spread = 1.4826 * float(np.median(np.abs(alone - usual))) + LEAST_SCATTER
    return _log_tail((usual - float(means[first])) / spread, _tail_freedom(alone[None]))


def _tail_freedom(alone: FloatArray) -> float:
    """Degrees of freedom of the Student law whose tail is as heavy as that of the values (R, N).

    From the ratio of the 97th percentile of their size to the median; between 4 (a very uneven
    face) and 30.
    """
    from scipy.special import stdtrit

    apart = np.abs(alone - medians(alone, 1)[:, None])
    apart /= medians(apart, 1)[:, None] + 1e-9
    ratio = float(np.percentile(apart, 97.0))
    trial = np.array([30.0, 20.0, 12.0, 8.0, 6.0, 5.0, 4.0])
    ratios = stdtrit(trial, 0.985) / stdtrit(trial, 0.75)
    return float(np.interp(ratio, ratios, trial))


def _log_tail(strength: float, freedom: float) -> float:
    """Log of the chance of so many scatters or more, one way, under a Student law."""
    from scipy.special import stdtr

    return float(np.log(stdtr(freedom, -strength)))
