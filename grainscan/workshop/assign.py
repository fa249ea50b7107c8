"""Which blank becomes which part: an exact assignment.

First as many of the wanted parts as possible, then as many of the spares, then the greatest total
quality. Where each blank yields one part at most it is the linear assignment problem (SciPy's
``linear_sum_assignment``); where a long blank yields several, a mixed-integer linear programme
over the places offered (SciPy's ``milp``, HiGHS), solved three times, once for each of the aims,
with the aims before kept.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Offer", "Wanted", "assign"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Offer:
    """One place for a wanted part in a blank; ``blank`` and ``wanted`` are indices.

    From ``start_mm`` to ``stop_mm`` along the blank; ``quality`` from 0, higher is better.
    """

    blank: int
    wanted: int
    start_mm: float
    stop_mm: float
    quality: float


@dataclass(frozen=True, slots=True)
class Wanted:
    """How many of a part are wanted, and how many spares besides."""

    count: int
    spares: int = 0


def assign(
    offers: Sequence[Offer], wanted: Sequence[Wanted], *, gap_mm: float = 5.0
) -> tuple[int, ...]:
    """Indices of the offers to take, in order.

    Parameters
    ----------
    offers
        Places offered; two of one blank may both be taken if ``gap_mm``, the width lost between
        them, fits between them.
    wanted
        Numbers of the parts, by the offers' ``wanted``.

    Raises
    ------
    ValueError
        An offer's quality is negative or not finite, or it offers a part that is not wanted.
    """
    for offer in offers:
        if not (np.isfinite(offer.quality) and offer.quality >= 0):
            raise ValueError("an offer's quality is a number of 0 or more")
        if not 0 <= offer.wanted < len(wanted):
            raise ValueError("an offer names a part that is not wanted")
    if not offers:
        return ()
    if _one_part_each(offers, gap_mm):
        return _linear(offers, wanted)
    return _integer(offers, wanted, gap_mm)


def _one_part_each(offers: Sequence[Offer], gap_mm: float) -> bool:
    """Whether no blank has room for two of its offers."""
    for _, group in itertools.groupby(sorted(offers, key=lambda o: o.blank), lambda o: o.blank):
        of_blank = list(group)
        if min(o.stop_mm for o in of_blank) + gap_mm <= max(o.start_mm for o in of_blank) + 1e-9:
            return False
    return True


def _linear(offers: Sequence[Offer], wanted: Sequence[Wanted]) -> tuple[int, ...]:
    from scipy.optimize import linear_sum_assignment

    slots = [(w, k >= n.count) for w, n in enumerate(wanted) for k in range(n.count + n.spares)]
    blanks = sorted({offer.blank for offer in offers})
    best: dict[tuple[int, int], int] = {}
    for i, offer in enumerate(offers):
        key = (offer.blank, offer.wanted)
        if key not in best or offer.quality > offers[best[key]].quality:
            best[key] = i
    # A spare outweighs all qualities together, a wanted part all spares and qualities together.
    most = 1.0 + max(offer.quality for offer in offers)
    spare = most * (min(len(blanks), len(slots)) + 1)
    needed = spare * (min(len(blanks), len(slots)) + 2)
    value = np.zeros((len(blanks), len(slots)))
    for row, blank in enumerate(blanks):
        for column, (w, is_spare) in enumerate(slots):
            if (blank, w) in best:
                quality = offers[best[blank, w]].quality
                value[row, column] = quality + (spare if is_spare else needed)
    rows, columns = linear_sum_assignment(value, maximize=True)
    taken = [
        best[blanks[row], slots[column][0]]
        for row, column in zip(rows, columns, strict=True)
        if value[row, column] > 0
    ]
    return tuple(sorted(taken))


def _integer(offers: Sequence[Offer], wanted: Sequence[Wanted], gap_mm: float) -> tuple[int, ...]:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix, vstack

    # Variables: one per offer (0 or 1), then per wanted part how many count towards its number.
    n, m = len(offers), len(wanted)
    takes = csr_matrix((np.ones(n), ([o.wanted for o in offers], range(n))), shape=(m, n))
    towards = csr_matrix((np.ones(m), (range(m), range(n, n + m))), shape=(m, n + m))
    takes_wide = csr_matrix((takes.data, takes.indices, takes.indptr), shape=(m, n + m))
    rows = vstack([_overlaps(offers, gap_mm, n + m), takes_wide, towards - takes_wide])
    overlaps = rows.shape[0] - 2 * m
    upper = np.concatenate([np.ones(overlaps), [w.count + w.spares for w in wanted], np.zeros(m)])
    bounds = Bounds(0.0, np.concatenate([np.ones(n), [float(w.count) for w in wanted]]))
    whole = np.concatenate([np.ones(n), np.zeros(m)])
    aims = [
        np.concatenate([np.zeros(n), np.ones(m)]),
        np.concatenate([np.ones(n), np.zeros(m)]),
        np.concatenate([[o.quality for o in offers], np.zeros(m)]),
    ]
    kept = [LinearConstraint(rows, -np.inf, upper)]
    taken = np.zeros(n)
    for aim in aims:
        found = milp(
            -aim, constraints=kept, bounds=bounds, integrality=whole, options={"mip_rel_gap": 0.0}
        )
        if found.status != 0:
            raise RuntimeError(f"the assignment of blanks to parts ended with: {found.message}")
        taken = found.x[:n]
        # The first two aims are whole numbers: half a part of slack is none.
        kept.append(LinearConstraint(aim[None, :], round(-found.fun) - 0.5, np.inf))
    return tuple(int(i) for i in np.flatnonzero(taken > 0.5))


def _overlaps(offers: Sequence[Offer], gap_mm: float, columns: int) -> object:
    """One row for each start of an offer: of the offers of its blank that cover it, one at most."""
    from scipy.sparse import csr_matrix

    row, column, count = [], [], 0
    by_blank: dict[int, list[int]] = {}
    for i, offer in enumerate(offers):
        by_blank.setdefault(offer.blank, []).append(i)
    for members in by_blank.values():
        for start in sorted({offers[i].start_mm for i in members}):
            covering = [
                i
                for i in members
                if offers[i].start_mm <= start + 1e-9 and start < offers[i].stop_mm + gap_mm - 1e-9
            ]
            row += [count] * len(covering)
            column += covering
            count += 1
    return csr_matrix((np.ones(len(row)), (row, column)), shape=(count, columns))
