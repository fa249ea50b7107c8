"""Swirls: places where the fibres of a face part round something and close again behind it.

Round a knot the fibres on one side climb before it and fall after it; on the other side they fall
and then climb; where a branch lies along the face all climb and fall together. What all have in
common is a turn one way before the place and the other way after it, within about a width. Ring
tips, pencil lines and checks turn lines one way only, and a slow bend of the fibres has no place.

So the test is a conjunction: over a lobe before *and* a lobe after, the mean turn must stand out,
with opposite signs, and the weaker of the two decides. The chance of as much on a face without a
swirl is that of two such lobes, times the number of independent places looked at. The scatter and
the tails are the face's own, away from the place in question.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import medians
from grainscan.measure.turns import CELLS_ACROSS

__all__ = ["LOBES", "Swirl", "likeliest_swirl", "log_tail", "tail_freedom"]

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LOBES = ((2, 3), (2, 4), (3, 5), (4, 6))
"""Half the gap between the lobes and their length, in cells: a knot's fibres are steepest about
a radius from its middle (potential flow round a post), and a swirl is under a width either side."""

BANDS = tuple((h, o) for h in (2, 4, 8) for o in range(0, CELLS_ACROSS - h + 1, max(1, h // 2)))
"""Height and first row of the bands that are averaged over."""

SPLITS = tuple((row, h) for h in (2, 3) for row in range(h, CELLS_ACROSS - h + 1))
"""Bands of ``h`` rows above and below a row that turn opposite ways: a knot on the face."""

INDEPENDENT_BANDS = 10.0
"""How many of the overlapping bands and splits speak for themselves: four of two rows, two of
four, the whole width, and three splits."""

LEAST_SCATTER = 0.012
"""Scatter (of the sine of twice the turn) that is always allowed for, a third of a degree: the
outline's own error and a bend of the fibres turn that much over a lobe."""

LEAST_TURN = 0.07
"""A swirl's lobes turn by 2° or more on average (and the steepest fibres by several times that);
less is the wander of straight-grained wood."""

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


def likeliest_swirl(
    turn: FloatArray, allowed: Mask, quiet: Mask, lobes: tuple[tuple[int, int], ...] = LOBES
) -> tuple[Swirl, float] | None:
    """The likeliest swirl whose middle is an ``allowed`` column, and how many places were tried.

    ``turn`` (8, C): see :class:`LocalTurns`. ``quiet`` (C,): columns the scatter is measured in,
    less those near the place. ``lobes``: as :data:`LOBES`. The number of places counts independent
    ones. None where no turn is of the kind.
    """
    bands = _band_means(turn)
    best: Swirl | None = None
    places = 0.0
    for half_gap, lobe in lobes:
        if bands.shape[1] < 2 * (half_gap + lobe) + 2 * CELLS_ACROSS:
            continue
        means = _running_means(bands, lobe)
        size = 2 * half_gap + lobe
        before, after = means[:, :-size], means[:, size:]
        middle = np.arange(before.shape[1]) + half_gap + lobe
        here = allowed[middle]
        places += INDEPENDENT_BANDS * float(here.sum()) / lobe / 2.0
        if not here.any():
            continue
        found = _best_place(means, before, after, middle, here, quiet, (half_gap, lobe))
        if found is not None and (best is None or found.log_chance < best.log_chance):
            best = found
    return None if best is None else (best, max(places, 1.0))


def _best_place(
    means: FloatArray,
    before: FloatArray,
    after: FloatArray,
    middle: npt.NDArray[np.int_],
    here: Mask,
    quiet: Mask,
    lobes: tuple[int, int],
) -> Swirl | None:
    half_gap, lobe = lobes
    weaker = np.maximum(np.minimum(before, -after), np.minimum(-before, after))
    lobe_middle = np.arange(means.shape[1]) + lobe // 2
    scatter = _scatter(means[:, quiet[lobe_middle]])
    strength = np.where(here & (weaker > LEAST_TURN), weaker / scatter, 0.0)
    band, place = np.unravel_index(int(np.argmax(strength)), strength.shape)
    if strength[band, place] <= 0.0:
        return None
    column = int(middle[place])
    far = quiet[lobe_middle] & (np.abs(lobe_middle - column) > ALONE_WIDTHS * CELLS_ACROSS)
    if far.sum() < 2 * CELLS_ACROSS:
        return None
    alone = means[:, far]
    centre = np.median(alone[band])
    spread = float(_scatter(alone)[band, 0])
    freedom = tail_freedom(alone)
    first, second = abs(before[band, place] - centre), abs(after[band, place] - centre)
    # The weaker lobe decides, either way round: both must reach as far, by chance, apart.
    log_chance = 2.0 * log_tail(min(first, second) / spread, freedom)
    rows, parted = _rows_of(int(band))
    return Swirl(float(column), half_gap, lobe, rows, parted, log_chance + math.log(2.0))


def _rows_of(band: int) -> tuple[tuple[int, int], float | None]:
    if band < len(BANDS):
        height, first = BANDS[band]
        return (first, height), None
    row, height = SPLITS[band - len(BANDS)]
    return (row - height, 2 * height), float(row)


def _band_means(turn: FloatArray) -> FloatArray:
    """Means over the bands, then half the differences across the splits (K, C)."""
    total = np.concatenate([np.zeros((1, turn.shape[1])), np.cumsum(turn, axis=0)])
    bands = [(total[first + h] - total[first]) / h for h, first in BANDS]
    splits = [(2.0 * total[row] - total[row - h] - total[row + h]) / (2.0 * h) for row, h in SPLITS]
    return np.stack(bands + splits)


def _running_means(values: FloatArray, length: int) -> FloatArray:
    total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
    return np.asarray((total[:, length:] - total[:, :-length]) / length)


def _scatter(means: FloatArray) -> FloatArray:
    """Robust standard deviation (K, 1) of lobe means along the face."""
    apart = np.abs(means - medians(means, 1)[:, None])
    return np.asarray(1.4826 * medians(apart, 1)[:, None] + LEAST_SCATTER)


def tail_freedom(alone: FloatArray) -> float:
    """Degrees of freedom of the Student law whose tail is as heavy as that of the lobe means.

    From the ratio of the 97th percentile of their size to the median, over all bands; between 4
    (a very uneven face) and 30.
    """
    from scipy.special import stdtrit

    apart = np.abs(alone - medians(alone, 1)[:, None])
    apart /= medians(apart, 1)[:, None] + 1e-9
    ratio = float(np.percentile(apart, 97.0))
    trial = np.array([30.0, 20.0, 12.0, 8.0, 6.0, 5.0, 4.0])
    ratios = stdtrit(trial, 0.985) / stdtrit(trial, 0.75)
    return float(np.interp(ratio, ratios, trial))


def log_tail(strength: float, freedom: float) -> float:
    """Log of the chance of so many scatters or more, one way, under a Student law."""
    from scipy.special import stdtr

    return float(np.log(stdtr(freedom, -strength)))
