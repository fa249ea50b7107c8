"""Swirls: places where the fibres of a face part round something and close again behind it.

Round a knot the fibres on one side climb before it and fall after it; on the other side they fall
and then climb; where a branch lies along the face, or beside it, all climb and fall together. What
all have in common is a turn one way before the place and the other way after it, within about a
width. Ring tips, pencil lines and checks turn lines one way only, and a slow bend of the fibres has
no place.

So the test is a conjunction: over a lobe before *and* a lobe after, the mean turn must stand out,
with opposite signs, and the weaker of the two decides. It must do so in the quiet wood *and* in all
lines: a ring's tip is no line of the quiet wood, and the quiet wood's own scatter is no ring. The
chance of as much on a face without a swirl is that of two such lobes, times the number of
independent places looked at. The scatter is the face's own, away from the place in question.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import medians
from grainscan.measure.turns import CELLS_ACROSS

__all__ = [
    "ALONE_WIDTHS",
    "ANY_ROWS",
    "AT_EDGES",
    "LOBES",
    "TAIL_FREEDOM",
    "Bands",
    "Swirl",
    "likeliest_swirl",
]

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LOBES = ((2, 3), (2, 4), (3, 5), (4, 6), (5, 7), (6, 8))
"""Half the gap between the lobes and their length, in cells: a knot's fibres are steepest about
a radius from its middle (potential flow round a post), and farther off along the face where the
knot lies beside it."""


@dataclass(frozen=True, slots=True)
class Bands:
    """Rows of cells that are averaged over.

    ``bands``: height and first row of each. ``splits``: a row, and how many rows above and below
    it turn opposite ways. ``independent``: how many of these, which overlap, speak for themselves.
    """

    bands: tuple[tuple[int, int], ...]
    splits: tuple[tuple[int, int], ...]
    independent: float


AT_EDGES = Bands(((2, 0), (2, 6), (4, 0), (4, 4), (8, 0)), (), 4.0)
"""Where nothing says where to look: at either edge, where the fibres go round a knot beside it, in
either half, as round a knot between them, and over the whole width. Waves and ring tips in the
middle of the width are many, and hardly any knot shows there alone.

Independent: two of two rows, and what four and eight rows have besides, one each."""

ANY_ROWS = Bands(
    tuple((h, o) for h in (2, 4, 8) for o in range(0, CELLS_ACROSS - h + 1, max(1, h // 2))),
    tuple((row, h) for h in (2, 3) for row in range(h, CELLS_ACROSS - h + 1)),
    10.0,
)
"""Round a spot. Independent: four of two rows, two of four, the whole width, and three splits."""

LEAST_TURN = 0.026
"""Added to what is usual (a sine of twice the turn, three quarters of a degree): the outline's own
error and a bend of the fibres turn that much over a lobe."""

USUAL_MOST = 97.0
"""The scatter is taken from this percentile of the sizes met elsewhere on the face: with ring tips
and waves it is many times what the median would make one expect."""

TAIL_FREEDOM = 5.0
"""Beyond that percentile the chance is taken to fall as under Student's law with so many degrees
of freedom: wood has far outliers, a normal law would make every one of them a knot."""

ALONE_WIDTHS = 1.75
"""The face's scatter is measured farther than this from the place in question."""


@dataclass(frozen=True, slots=True)
class Swirl:
    """A place where fibres part and close again.

    ``column``: its middle in cells from the left end; ``half_gap``, ``lobe``: of the lobes, in
    cells. ``rows``: first row and number of rows of the band or of both bands of a split.
    ``middle``: the row the fibres part at, in cells from the top of the cells, or None where they
    turn the same way over the whole band. ``log_chance``: natural log of the chance that one place
    of a face without a swirl shows as much.
    """

    column: float
    half_gap: int
    lobe: int
    rows: tuple[int, int]
    middle: float | None
    log_chance: float


@dataclass(frozen=True, slots=True)
class _Lobes:
    """Lobe means of one texture.

    ``means`` (K, M): of the bands, less their median. ``usual`` (K, 1): the size that few of them
    go beyond on the whole face. ``up``, ``down`` (K, P): the weaker lobe's turn where the lines
    climb before the place and fall after it, and the reverse.
    """

    means: FloatArray
    usual: FloatArray
    up: FloatArray
    down: FloatArray


def likeliest_swirl(
    turns: tuple[FloatArray, ...],
    allowed: Mask,
    quiet: Mask,
    lobes: tuple[tuple[int, int], ...] = LOBES,
    rows: Bands = ANY_ROWS,
) -> tuple[Swirl, float] | None:
    """The likeliest swirl whose middle is an ``allowed`` column, and how many places were tried.

    ``turns``, one or more (8, C), of several textures: see :class:`LocalTurns`; all must show it.
    ``quiet`` (C,): columns the scatter is measured in, less those near the place. ``lobes``: as
    :data:`LOBES`. ``rows``: that are tried. The number of places counts independent ones. None
    where no turn is of the kind.
    """
    bands = [_band_means(turn, rows) for turn in turns]
    count = len(quiet)
    best: Swirl | None = None
    places = 0.0
    for half_gap, lobe in lobes:
        if count < 2 * (half_gap + lobe) + 2 * CELLS_ACROSS:
            continue
        middle = np.arange(half_gap + lobe, count - half_gap - lobe + 1)
        here = allowed[np.minimum(middle, count - 1)]
        places += rows.independent * float(here.sum()) / lobe / 2.0
        if not here.any():
            continue
        lobe_middle = np.arange(count - lobe + 1) + lobe // 2
        still = quiet[lobe_middle]
        shown = [_lobes(b, (half_gap, lobe), still) for b in bands]
        found = _best_place(shown, middle, here, np.where(still, lobe_middle, -count))
        if found is None:
            continue
        column, band, log_chance = found
        if best is None or log_chance < best.log_chance:
            best = Swirl(float(column), half_gap, lobe, *_rows_of(band, rows), log_chance)
    return None if best is None else (best, max(places, 1.0))


def _lobes(bands: FloatArray, lobes: tuple[int, int], still: Mask) -> _Lobes:
    half_gap, lobe = lobes
    means = _running_means(bands, lobe)
    means = means - medians(means[:, still], 1)[:, None]
    before, after = means[:, : -2 * half_gap - lobe], means[:, 2 * half_gap + lobe :]
    usual = _usual_most(means[:, still])
    return _Lobes(means, usual, np.minimum(before, -after), np.minimum(-before, after))


def _best_place(
    shown: list[_Lobes],
    middle: npt.NDArray[np.int_],
    here: Mask,
    lobe_middle: npt.NDArray[np.int_],
) -> tuple[int, int, float] | None:
    """Column, band and log of the chance at one place of the likeliest swirl of one size.

    ``lobe_middle`` (M,): columns of the lobes' middles, below zero where they count for nothing.
    """
    up = _together([s.up / s.usual for s in shown])
    down = _together([s.down / s.usual for s in shown])
    strength = np.where(here, np.maximum(up, down), 0.0)
    band, place = (int(v) for v in np.unravel_index(int(np.argmax(strength)), strength.shape))
    if strength[band, place] <= 0.0:
        return None
    column = int(middle[place])
    far = (lobe_middle >= 0) & (np.abs(lobe_middle - column) > ALONE_WIDTHS * CELLS_ACROSS)
    if far.sum() < 2 * CELLS_ACROSS:
        return None
    way = "up" if up[band, place] >= down[band, place] else "down"
    strengths = [
        getattr(s, way)[band, place] / _usual_most(s.means[band : band + 1, far])[0, 0]
        for s in shown
    ]
    # Both lobes must reach as far, by chance, apart, and either way round.
    log_chance = 2.0 * _log_tail(float(_together(strengths))) + math.log(2.0)
    return column, band, log_chance


def _together(strengths: list[FloatArray]) -> FloatArray:
    """Geometric mean; nothing where one of them is nothing."""
    product = np.prod([np.maximum(s, 0.0) for s in strengths], axis=0)
    return np.asarray(product ** (1.0 / len(strengths)))


def _rows_of(band: int, rows: Bands) -> tuple[tuple[int, int], float | None]:
    if band < len(rows.bands):
        height, first = rows.bands[band]
        return (first, height), None
    row, height = rows.splits[band - len(rows.bands)]
    return (row - height, 2 * height), float(row)


def _band_means(turn: FloatArray, rows: Bands) -> FloatArray:
    """Means over the bands, then half the differences across the splits (K, C)."""
    total = np.concatenate([np.zeros((1, turn.shape[1])), np.cumsum(turn, axis=0)])
    bands = [(total[first + h] - total[first]) / h for h, first in rows.bands]
    splits = [
        (2.0 * total[row] - total[row - h] - total[row + h]) / (2.0 * h) for row, h in rows.splits
    ]
    return np.stack(bands + splits)


def _running_means(values: FloatArray, length: int) -> FloatArray:
    total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
    return np.asarray((total[:, length:] - total[:, :-length]) / length)


def _usual_most(means: FloatArray) -> FloatArray:
    """The size (K, 1) that few lobe means along the face go beyond."""
    rank = min(means.shape[1] - 1, int(means.shape[1] * USUAL_MOST / 100.0))
    size = np.partition(np.abs(means), rank, axis=1)[:, rank : rank + 1]
    return np.asarray(size + LEAST_TURN)


def _log_tail(strength: float) -> float:
    """Log of the chance of so many times the usual most or more, one way."""
    from scipy.special import stdtr, stdtrit

    most = stdtrit(TAIL_FREEDOM, (1.0 + USUAL_MOST / 100.0) / 2.0)
    return float(np.log(stdtr(TAIL_FREEDOM, -strength * most)))
