"""Which peaks along the rings are boundaries: a chain of likely ones, and how likely each is.

Every peak of the evidence is either a boundary or chance. Both kinds have heights of their own,
learnt on the same end; boundaries follow one another at ring widths, which differ from year to
year and drift over the years. That is a renewal process seen through peaks (a hidden semi-Markov
model; L. R. Rabiner, Proc. IEEE 77, 1989): the best chain follows by dynamic programming, the
chance of each peak and of each count by the forward and backward sums over all chains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Chain", "best_chain", "unseen_chances"]

Array = npt.NDArray[np.float64]

SPREADS = ((0.85, 0.35), (0.15, 0.8))
"""Shares and standard deviations of the log of a ring's width against the usual width nearby:
years alike, and now and then one quite unlike the others."""

HIDDEN = 0.03
"""Chance that a ring's boundary raises no peak at all."""

LEAST_PEAK = 1.0
"""Lower peaks are never boundaries: evidence below one standard error."""

LIKE = 0.35
"""Boundaries of one end differ in clearness by this share of their usual one."""

SHARED = 0.5
"""Part of the evidence that counts as independent: sectors share rough patches and waves."""

BOUNDARY_SHARE = 0.1
"""A boundary is no line but a row of cells or pores: about this part of a ring (standard deviation)
it cannot be told on which side of the section's edge it is. Common practice, no source."""

NEIGHBOURS = 2.0
"""Rings either side (Gaussian) that tell the usual width nearby, against one vote of the whole."""


@dataclass(frozen=True, slots=True)
class Chain:
    """The best chain of boundaries and what stands beside it.

    ``peaks`` (N,): rows of all peaks; ``chosen`` (N,) bool: those of the best chain; ``chance``
    (N,): each peak's chance of being a boundary. ``width``: usual ring width in rows;
    ``evidence``: log-likelihood ratio of the whole model to no rings. ``_single``, ``_double``
    (N + 2, N + 2): logs of steps between peaks, the ends included, without and with a hidden
    boundary; ``_gain`` (N + 2,): log-likelihood ratio of each peak.
    """

    peaks: Array
    chosen: npt.NDArray[np.bool_]
    chance: Array
    width: float
    evidence: float
    _single: Array
    _double: Array
    _gain: Array

    def count_chances(self, low: float, high: float) -> Array:
        """Chances of 0, 1, 2 … boundaries between two rows."""
        size = len(self.peaks) + 2
        inside = np.concatenate(
            [[False], (self.peaks >= low) & (self.peaks <= high), [False]]
        ).astype(int)
        most = int(inside.sum()) + 4
        table = np.full((size, most), -np.inf)
        table[0, 0] = 0.0
        for i in range(1, size):
            one = _add(table[:i] + self._single[:i, i, None])
            two = _add(table[:i] + self._double[:i, i, None])
            two = np.concatenate([[-np.inf], two[:-1]])
            both = np.logaddexp(one, two) + self._gain[i]
            table[i] = np.concatenate([[-np.inf], both[:-1]]) if inside[i] else both
        last = table[-1]
        return np.asarray(np.exp(last - _add(last[:, None])[0]), np.float64)

    def count_chances_between(self, low: float, high: float) -> Array:
        """The same between two edges of the section, near which a boundary may be in or out.

        By Gauss and Hermite's rule of three nodes at either edge.
        """
        step = math.sqrt(3.0) * BOUNDARY_SHARE * self.width
        nodes = ((-step, 1 / 6), (0.0, 2 / 3), (step, 1 / 6))
        known: dict[tuple[int, int], Array] = {}
        total = np.zeros(len(self.peaks) + 5)
        for a, share in nodes:
            for b, other in nodes:
                part = int(np.sum(self.peaks < low + a)), int(np.sum(self.peaks <= high + b))
                if part not in known:
                    known[part] = self.count_chances(low + a, high + b)
                total[: len(known[part])] += share * other * known[part]
        return total


def unseen_chances(usual: float, most: int) -> Array:
    """Chances of 0 to ``most`` boundaries where nothing could be seen and ``usual`` are usual
    (Poisson's law).
    """
    from scipy.special import pdtr

    return np.asarray(np.diff(pdtr(np.arange(most + 1), usual), prepend=0.0))


def best_chain(
    clear: Array, heard: Array, used: npt.NDArray[np.bool_], usual: float
) -> Chain | None:
    """The likeliest chain of boundaries; None where nothing stands out.

    ``clear`` (S,): evidence per row in standard errors; ``heard`` (S,), up to 1: how clear the
    same boundary would be there against where most columns speak; ``used`` (S,) bool;
    ``usual``: first guess of the ring width in rows, which only breaks ties.
    """
    from scipy.ndimage import maximum_filter1d

    rows = np.flatnonzero((clear >= maximum_filter1d(clear, 5)) & (clear > LEAST_PEAK) & used)
    if len(rows) == 0:
        return None
    inside = np.flatnonzero(used)
    ends = float(inside[0]), float(inside[-1])
    extent = ends[1] - ends[0]
    value, loud = clear[rows], heard[rows]
    best: tuple[float, float, npt.NDArray[np.intp]] | None = None
    for width in np.geomspace(6.0, 0.6 * extent, 19):
        number = max(2, round(extent / width))
        typical = float(np.median(np.sort(value / loud)[::-1][:number]))
        gain = _gain(value, loud, typical, LIKE * typical, *_noise(value, None))
        steps = _steps(rows, ends, np.full(len(rows), width))[0]
        score, chain = _viterbi(steps, gain)
        score -= 0.5 * math.log(width / usual) ** 2
        if best is None or score > best[0]:
            best = score, float(width), chain
    assert best is not None
    _, width, chain = best
    for _ in range(3):
        if len(chain) == 0:
            break
        height = value[chain] / loud[chain]
        typical = float(np.median(height))
        apart = max(1.4826 * float(np.median(np.abs(height - typical))), 0.5 * LIKE * typical)
        gain = _gain(value, loud, typical, apart, *_noise(value, chain))
        gaps = np.diff(rows[chain])
        if len(gaps) >= 2:
            width = float(np.exp(np.mean(np.log(gaps))))
        near = _nearby(rows, rows[chain].astype(np.float64), width)
        single, double = _steps(rows, ends, near)
        evidence, chain = _viterbi(np.logaddexp(single, double), gain)
    else:
        chosen = np.zeros(len(rows), bool)
        chosen[chain] = True
        chance = _chances(np.logaddexp(single, double), gain)
        return Chain(rows.astype(float), chosen, chance, width, evidence, single, double, gain)
    return None


def _add(values: Array) -> Array:
    """Log of the sum of exponentials down the first axis."""
    top = values.max(axis=0)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(safe + np.log(np.exp(values - safe).sum(axis=0)))


def _noise(value: Array, chain: npt.NDArray[np.intp] | None) -> tuple[float, float]:
    """Usual height of chance peaks and its spread.

    The largest of a few normal values, unless peaks outside the chain say that more goes on.
    """
    middle, spread, weight = 1.6, 0.6, 6.0
    if chain is None:
        return middle, spread
    rest = np.delete(value, chain)
    total = weight + len(rest)
    mean = (weight * middle + rest.sum()) / total
    square = (weight * spread**2 + ((rest - mean) ** 2).sum()) / total
    return float(mean), float(max(math.sqrt(square), 0.5))


def _gain(
    value: Array, loud: Array, typical: float, apart: float, chance: float, chance_spread: float
) -> Array:
    """Log-likelihood ratio of each peak being a boundary, with a nought for each end."""
    expected = np.maximum(typical * loud, chance)
    spread = np.sqrt(1.0 + (apart * loud) ** 2)
    # A clearer boundary is no worse a boundary, and a lower peak no worse a chance peak.
    height = np.clip(value, chance, expected)
    real = -0.5 * ((height - expected) / spread) ** 2 - np.log(spread)
    noise = -0.5 * ((height - chance) / chance_spread) ** 2 - math.log(chance_spread)
    return np.concatenate([[0.0], SHARED * (real - noise), [0.0]])


def _nearby(rows: npt.NDArray[np.intp], chain: Array, width: float) -> Array:
    """Usual ring width near each peak: the neighbours' mean drawn to the whole end's."""
    if len(chain) < 4:
        return np.full(len(rows), width)
    gaps, middle = np.log(np.diff(chain)), 0.5 * (chain[1:] + chain[:-1])
    # Distance counted in rings, so that narrow rings have as many neighbours as wide ones.
    order = np.arange(len(gaps), dtype=np.float64)
    place = np.interp(rows, middle, order)
    kernel = np.exp(-0.5 * ((place[:, None] - order[None, :]) / NEIGHBOURS) ** 2)
    total = kernel @ gaps + math.log(width)
    return np.asarray(np.exp(total / (kernel.sum(axis=1) + 1.0)))


def _steps(
    rows: npt.NDArray[np.intp], ends: tuple[float, float], near: Array
) -> tuple[Array, Array]:
    """Logs of the chance to step from one peak to the next boundary's peak.

    (N + 2, N + 2) without and with a hidden boundary between; first and last stand for the
    ends, before and after which the chain goes on unseen.
    """
    place = np.concatenate([[ends[0] - 0.5], rows, [ends[1] + 0.5]])
    width = np.concatenate([[near[0]], near, [near[-1]]])
    gap = place[None, :] - place[:, None]
    usual = np.log(np.sqrt(width[None, :] * width[:, None]))
    forward = gap > 0
    log = np.log(np.where(forward, gap, 1.0))
    # Rows per peak: a boundary's peak is one of those in reach.
    share = (ends[1] - ends[0]) / len(rows)
    single, double = np.full(gap.shape, -np.inf), np.full(gap.shape, -np.inf)
    single[forward] = _density(log - usual, 1.0)[forward] - log[forward] + math.log(share)
    double[forward] = (
        _density(log - usual - math.log(2.0), math.sqrt(0.5))[forward]
        - log[forward]
        + math.log(share * HIDDEN)
    )
    # From an end, the first boundary stands anywhere within a ring of the usual width.
    for start, to in ((0, slice(1, -1)), (slice(1, -1), -1)):
        away = gap[start, to]
        near_end = width[1] if start == 0 else width[-2]
        single[start, to] = _beyond(np.log(away / near_end))
        double[start, to] = math.log(HIDDEN) + _beyond(np.log(away / near_end / 2.0))
        if start == 0:
            single[start, to] += math.log(share / near_end)
            double[start, to] += math.log(share / near_end)
    single[0, -1] = float(_beyond(np.log((ends[1] - ends[0]) / width[0])))
    double[0, -1] = -np.inf
    return single, double


def _density(odd: Array, narrower: float) -> Array:
    """Log density of the log of a width over the usual one."""
    total = sum(
        share
        * np.exp(-0.5 * (odd / (spread * narrower)) ** 2)
        / (spread * narrower * math.sqrt(2 * math.pi))
        for share, spread in SPREADS
    )
    return np.asarray(np.log(total + 1e-30))


def _beyond(odd: Array) -> Array:
    """Log of the chance that a width is larger than this many logs over the usual one."""
    from scipy.special import ndtr

    return np.asarray(np.log(sum(share * ndtr(-odd / spread) for share, spread in SPREADS) + 1e-30))


def _viterbi(steps: Array, gain: Array) -> tuple[float, npt.NDArray[np.intp]]:
    """Evidence of the best chain and the positions of its peaks."""
    size = len(gain)
    total = np.full(size, -np.inf)
    total[0] = 0.0
    before = np.zeros(size, np.intp)
    for i in range(1, size):
        reach = total[:i] + steps[:i, i]
        before[i] = int(np.argmax(reach))
        total[i] = reach[before[i]] + gain[i]
    chain = []
    at = int(before[-1])
    while at > 0:
        chain.append(at - 1)
        at = int(before[at])
    return float(total[-1]), np.array(chain[::-1], np.intp)


def _chances(steps: Array, gain: Array) -> Array:
    """Each peak's chance of being a boundary, over all chains."""
    size = len(gain)
    forward, backward = np.full(size, -np.inf), np.full(size, -np.inf)
    forward[0], backward[-1] = 0.0, 0.0
    for i in range(1, size):
        forward[i] = _add((forward[:i] + steps[:i, i])[:, None])[0] + gain[i]
    for i in range(size - 2, -1, -1):
        backward[i] = _add((steps[i, i + 1 :] + gain[i + 1 :] + backward[i + 1 :])[:, None])[0]
    return np.asarray(np.exp(np.minimum(forward + backward - forward[-1], 0.0))[1:-1])
