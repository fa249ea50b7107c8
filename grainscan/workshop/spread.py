"""Intervals: how far a computed size may be off because pieces of one species differ."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["SHRINKAGE_SPREAD", "SHRINKAGE_VARIATION", "Estimate", "spread"]

# Coefficient of variation of shrinkage among pieces of one species, 15 % (Wood Handbook,
# FPL-GTR-190, 2010, ch. 4; from memory).
SHRINKAGE_VARIATION = 0.15
SHRINKAGE_SPREAD = (
    "coefficient of variation of shrinkage within a species 15 % "
    "(Wood Handbook, FPL-GTR-190, 2010, ch. 4, from memory)"
)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 90 % interval."""

    value: float
    low: float
    high: float

    def to_dict(self) -> dict[str, float]:
        return {"value": self.value, "low": self.low, "high": self.high}


def spread(
    compute: Callable[[Sequence[float]], Sequence[float]],
    inputs: Sequence[float],
    ends: Sequence[tuple[float, float]],
    together: Sequence[Sequence[int]],
) -> tuple[Estimate, ...]:
    """Results of ``compute(inputs)`` with 90 % intervals from those of the inputs.

    Each input in turn is set to either end of its 90 % interval, which gives the change of each
    result; for small changes a result that is a sum of independent normal parts then has the
    root of the sum of squares as its own interval. Inputs named together in ``together``
    (indices) may move together by an unknown amount, anything from not at all to fully: their
    changes are added plainly where they point the same way, and as squares where they oppose
    each other. Either is the wider of all the cases, so that the interval is not too narrow
    whatever the truth is. (Radial and tangential shrinkage of a piece are such a pair: a dense
    piece shrinks more both ways, but nothing published here says by how much together.)

    Parameters
    ----------
    compute
        From inputs to results; called twice per input and once more.
    inputs, ends
        Values, and the low and high end of each one's 90 % interval.
    together
        Groups of indices; an input in no group is independent.

    Returns
    -------
    One estimate per result. An input whose interval is large enough for the result to bend
    within it (not only tilt) is answered by the larger change on each side.
    """
    base = list(compute(inputs))
    changes = [_changes(compute, inputs, i, ends[i], base) for i in range(len(inputs))]
    grouped = [list(group) for group in together]
    single = [[i] for i in range(len(inputs)) if not any(i in group for group in grouped)]
    found = []
    for k, value in enumerate(base):
        parts = [_group([changes[i][k] for i in group]) for group in (*grouped, *single)]
        down = math.sqrt(sum(low**2 for low, _ in parts))
        up = math.sqrt(sum(high**2 for _, high in parts))
        found.append(Estimate(value, value - down, value + up))
    return tuple(found)


def _changes(
    compute: Callable[[Sequence[float]], Sequence[float]],
    inputs: Sequence[float],
    index: int,
    ends: tuple[float, float],
    base: Sequence[float],
) -> list[tuple[float, float]]:
    """Per result: its change at the low end and at the high end of one input."""
    moved = []
    for end in ends:
        trial = list(inputs)
        trial[index] = end
        moved.append(compute(trial))
    return [(a - b, c - b) for a, c, b in zip(moved[0], moved[1], base, strict=True)]


def _group(changes: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """How far down and up the inputs of one group may take a result."""
    way = [[c for c in changes if c[1] >= c[0]], [c for c in changes if c[1] < c[0]]]
    down = [sum(-min(0.0, *change) for change in side) for side in way]
    up = [sum(max(0.0, *change) for change in side) for side in way]
    return math.hypot(*down), math.hypot(*up)
