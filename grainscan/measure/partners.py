"""The other long edge of a blank, given one: nearly parallel to it, however weak.

One long edge usually stands out by the shadow beside it. The other may differ from the bench by
less than any short line can show, but averaged over the whole length, along a course that keeps
its distance from the first edge but for a taper, it does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from grainscan.measure.beams import Chain
from grainscan.measure.medians import median

__all__ = ["partners"]

FloatArray = npt.NDArray[np.float32]

STRETCHES = 8
TAPERS_PX = np.arange(-12.0, 12.1, 3.0)
"""Differences of the distance at both ends looked at, in pixels of the small picture."""

MOST_WIDTH = 0.28
"""Widest blank looked for, as a share of the first edge's length."""

LEAST_WIDTH_PX = 5
MOST_PARTNERS = 4
COLUMN_STEP = 2
LEAST_CLEAR = 3.5
"""Scatters above the texture's own level: what it reaches by itself once in a few thousand."""


def partners(change: FloatArray, chain: Chain) -> list[Chain]:
    """Edges nearly parallel to ``chain`` on either side of it, clearest first."""
    columns = np.arange(int(chain.x[0]), int(chain.x[-1]) + 1, COLUMN_STEP)
    if len(columns) < 4 * STRETCHES:
        return []
    rows = chain.heights(columns.astype(np.float64))
    reach = int(MOST_WIDTH * (columns[-1] - columns[0]))
    offsets = np.arange(-reach, reach + 1)
    share = (columns - columns[0]) / (columns[-1] - columns[0]) - 0.5
    starts = np.linspace(0, len(columns), STRETCHES + 1).astype(int)
    counts = np.diff(starts).astype(np.float32)[None, :, None]
    clear, means = [], []
    for taper in TAPERS_PX:
        course = np.round(rows + taper * share).astype(int)
        index = np.clip(course[None, :] + offsets[:, None], 0, len(change) - 1)
        sums = np.add.reduceat(change[index, columns[None, :]], starts[:-1], axis=1)
        norms = np.linalg.norm(sums / counts, axis=2).mean(axis=1)
        outside = (course.min() + offsets < 1) | (course.max() + offsets > len(change) - 2)
        norms[outside] = 0.0
        clear.append(norms)
        means.append(sums.sum(axis=1) / len(columns))
    table = np.stack(clear)
    level = median(table[table > 0]) if (table > 0).any() else 0.0
    scatter = 1.4826 * median(np.abs(table[table > 0] - level)) + 1e-6
    best_taper = np.argmax(table, axis=0)
    best = (table.max(axis=0) - level) / scatter
    best[np.abs(offsets) < LEAST_WIDTH_PX] = 0.0
    padded = np.pad(best, 2)
    window = np.lib.stride_tricks.sliding_window_view(padded, 5).max(axis=1)
    peaks = np.flatnonzero((best >= window) & (best > LEAST_CLEAR))
    made = []
    for above in (True, False):
        side = peaks[(offsets[peaks] < 0) == above]
        for k in side[np.argsort(-best[side])][:MOST_PARTNERS]:
            taper = TAPERS_PX[best_taper[k]]
            nodes = np.linspace(0, len(columns) - 1, 25).astype(int)
            heights = rows[nodes] + taper * share[nodes] + offsets[k]
            mean = means[best_taper[k]][k].astype(np.float32)
            made.append(Chain(columns[nodes].astype(np.float64), heights, mean, float(best[k])))
    return made
