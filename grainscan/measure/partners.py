"""The other long edge of a blank, given one: nearly parallel to it, however weak.

One long edge usually stands out by the shadow beside it. The other may differ from the bench by
less than any short line can show, but averaged over the whole length, along a course that keeps
its distance from the first edge but for a taper, it does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure import beams
from grainscan.measure.beams import Chain
from grainscan.measure.faint import in_common, shown
from grainscan.measure.medians import median, medians

__all__ = ["Ends", "partners", "steps_along"]

FloatArray = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

STRETCHES = 12
TAPERS_PX = np.arange(-15.0, 15.1, 3.0)
"""Differences of the distance at both ends looked at, in pixels of the small picture."""

MOST_WIDTH = 0.28
"""Widest blank looked for, as a share of the first edge's length."""

LEAST_WIDTH_PX = 5
MOST_PARTNERS = 4
COLUMN_STEP = 2
END_PX = 4
NEAR_PX = 5
"""Columns of the means on both sides of an end, and how far off the end may lie."""

EVENED = 3
"""Rows evened out: the small picture is as blurred."""

LEAST_SCATTER = 0.15
CUT = 2.0
"""Change of colour along the length at the weaker end, in scatters along the row, from which on a
row is likelier cut by both ends than not: the greatest of eleven columns of texture alone (from
trials with known outlines)."""

LEAST_CLEAR = 2.5
"""Scatters above the texture's own level: what it reaches by itself once in a hundred places."""


@dataclass(frozen=True, slots=True)
class Ends:
    """First and last column of a blank, and the change of colour along the length (M, N, C)."""

    left: float
    right: float
    step_along: FloatArray


def steps_along(look: FloatArray) -> FloatArray:
    """Change of colour along the length, (M, N, C): means of END_PX columns after and before."""
    sums = np.cumsum(np.pad(look, ((0, 0), (1, 0), (0, 0))), axis=1, dtype=np.float64)
    means = (sums[:, END_PX:] - sums[:, :-END_PX]) / END_PX
    step = np.zeros_like(look)
    step[:, END_PX : 1 - END_PX] = means[:, END_PX:] - means[:, :-END_PX]
    return step


def partners(change: FloatArray, chain: Chain, ends: Ends | None = None) -> list[Chain]:
    """Edges nearly parallel to ``chain`` on either side of it, likeliest first.

    ``change`` (M, N, C): change of colour downwards. ``ends``: the blank's, if they are known: they
    cut all of the face and nothing of the bench, whatever lines run along both.
    """
    left, right = (ends.left, ends.right) if ends else (chain.x[0], chain.x[-1])
    first, last = max(0, int(left)), min(change.shape[1] - 1, int(right))
    columns = np.arange(first, last + 1, COLUMN_STEP)
    if len(columns) < 4 * STRETCHES:
        return []
    rows = chain.heights(columns.astype(np.float64))
    reach = int(MOST_WIDTH * (last - first))
    most = int(TAPERS_PX[-1]) // 2 + 1
    means = _means(change, rows, columns, np.arange(-reach - most, reach + most + 1))
    middles = (np.arange(STRETCHES) + 0.5) / STRETCHES - 0.5
    shifts = np.round(TAPERS_PX[:, None, None] * middles).astype(int)
    courses = means[shifts + np.arange(most, len(means) - most)[:, None], np.arange(STRETCHES)]
    common, parts = in_common(courses)
    table = shown(parts)
    offsets = np.arange(-reach, reach + 1)
    level = median(table)
    scatter = 1.4826 * median(np.abs(table - level)) + 1e-6
    best_taper = np.argmax(table, axis=0)
    clear = (table.max(axis=0) - level) / scatter
    clear[np.abs(offsets) < LEAST_WIDTH_PX] = 0.0
    likely = clear + (_cut_up_to(ends, rows, columns, offsets) if ends else 0.0)
    padded = np.pad(likely, 2, constant_values=-np.inf)
    window = np.lib.stride_tricks.sliding_window_view(padded, 5).max(axis=1)
    peaks = np.flatnonzero((likely >= window) & (clear > LEAST_CLEAR))
    nodes = np.linspace(0, len(columns) - 1, 25).astype(int)
    share = (columns[nodes] - columns[0]) / (columns[-1] - columns[0]) - 0.5
    made = []
    for above in (True, False):
        side = peaks[(offsets[peaks] < 0) == above]
        for k in side[np.argsort(-likely[side])][:MOST_PARTNERS]:
            heights = rows[nodes] + TAPERS_PX[best_taper[k]] * share + offsets[k]
            mean = np.asarray(common[best_taper[k], k], dtype=np.float32)
            made.append(Chain(columns[nodes].astype(np.float64), heights, mean, float(clear[k])))
    return made


def _cut_up_to(
    ends: Ends, rows: Float64Array, columns: npt.NDArray[np.int_], offsets: npt.NDArray[np.int_]
) -> Float64Array:
    """Log odds, summed row by row from a course of ``rows`` to each offset from it, that both ends
    cut what lies there, -1 to 1 for a row.
    """
    from scipy.ndimage import uniform_filter1d

    step = ends.step_along
    shape = step.shape

    def steps(at: npt.NDArray[np.int_]) -> FloatArray:
        course = np.interp(at, columns, rows).round().astype(int)
        index = np.clip(course[None, :] + offsets[:, None], 0, shape[0] - 1)
        values = step[index, np.clip(at, 0, shape[1] - 1)[None, :]]
        return np.asarray(uniform_filter1d(values, EVENED, axis=0), dtype=np.float32)

    usual = 1.4826 * medians(np.abs(steps(columns[4:-4:3])).swapaxes(0, 1), 0) + LEAST_SCATTER
    near = np.arange(-NEAR_PX, NEAR_PX + 1)
    clear = [
        np.sqrt(np.mean((steps(end + near) / usual[:, None]) ** 2, axis=2).max(axis=1))
        for end in (columns[0], columns[-1])
    ]
    odds = np.clip(np.minimum(*clear) - CUT, -1.0, 1.0)
    zero = len(offsets) // 2
    below = np.cumsum(odds[zero:])
    above = np.cumsum(odds[zero::-1])
    return np.concatenate([above[:0:-1], below])


def _means(
    change: FloatArray,
    rows: Float64Array,
    columns: npt.NDArray[np.int_],
    offsets: npt.NDArray[np.int_],
) -> FloatArray:
    """Mean change in stretches of a course moved by offsets, (K offsets, STRETCHES, C), each
    channel in units of its scatter; 0 outside the picture.
    """
    index = np.round(rows).astype(int)[None, :] + offsets[:, None]
    values = change[np.clip(index, 0, len(change) - 1), columns[None, :]]
    values[(index < 1) | (index > len(change) - 2)] = 0.0
    starts = np.linspace(0, len(columns), STRETCHES + 1).astype(int)
    counts = np.diff(starts).astype(np.float32)[None, :, None]
    means = np.add.reduceat(values, starts[:-1], axis=1) / counts
    scatter = 1.4826 * medians(np.abs(means).reshape(-1, means.shape[-1]), 0) + beams.LEAST_SCATTER
    return np.asarray(means / scatter, dtype=np.float32)
