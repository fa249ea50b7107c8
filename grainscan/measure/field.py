"""A smooth fibre angle along a face, from the direction evidence of its blocks.

The angle is a hidden chain: it starts anywhere, and from block to block it changes by a normal
step whose size is estimated from the face itself (the step with the highest marginal
likelihood). Each block's evidence may be wrong altogether (a knot, a mark) with a small
probability, which bounds what one block can do. Forward filtering and backward sampling
(Rabiner, Proc. IEEE 77, 1989; Carter and Kohn, Biometrika 81, 1994) give whole paths, so that
the interval of the mean over the face respects the correlation between its stations. Where
nothing but that mean and its scatter is asked for, both follow from the forward sums alone, without
drawing a path.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["AngleMean", "AnglePaths", "angle_means", "angle_paths", "evidence_spread_factor"]

FloatArray = npt.NDArray[np.float64]

STEPS_DEG = (0.05, 0.1, 0.2, 0.4, 0.8)
"""Trial sizes of the change between neighbouring blocks."""

MISLED = 0.02
"""Share of blocks whose evidence may be about something else than fibres."""

PATHS = 200

REACH_SIGMAS = 7.0
"""Changes of more standard deviations than this are left out of the sums (a share of 10⁻¹²)."""


@dataclass(frozen=True, slots=True)
class AnglePaths:
    """Equally likely fibre-angle paths along a face.

    ``at`` (B,): block centres; ``paths_deg`` (PATHS, B); ``evidence``: log-likelihood ratio of
    "streaks with a smooth direction" against "noise only" for the whole face, in nats;
    ``step_deg``: the size of change between neighbouring blocks that was found.
    """

    at: FloatArray
    paths_deg: FloatArray
    evidence: float
    step_deg: float


@dataclass(frozen=True, slots=True)
class AngleMean:
    """The fibre angle's mean over a face, the standard deviation of that mean over all paths, and
    ``evidence`` as in :class:`AnglePaths`.
    """

    mean_deg: float
    sigma_deg: float
    evidence: float


def evidence_spread_factor(band_log_ratio: FloatArray, slopes_deg: FloatArray) -> float:
    """How much wider the evidence scatters than it claims, ≥ 1 (an overdispersion factor).

    ``band_log_ratio`` (R, B, T): evidence of R bands across the face, independent texture that
    shows the same fibres. The scatter of their estimates about the block's own mean is
    compared with the variance they claim (McCullagh and Nelder, *Generalized Linear Models*,
    1989, §4.5); the median over blocks resists blocks where one band is misled.
    """
    bands, blocks, _ = band_log_ratio.shape
    if bands < 2 or blocks < 4:
        return 1.0
    mean, variance = _moments(band_log_ratio, slopes_deg)
    weight = 1.0 / variance
    centre = (weight * mean).sum(0) / weight.sum(0)
    chi_square = (weight * (mean - centre) ** 2).sum(0)
    from scipy.special import chdtri

    return max(1.0, float(np.median(chi_square) / chdtri(bands - 1, 0.5)))


def angle_paths(
    log_ratio: FloatArray,
    slopes_deg: FloatArray,
    at: FloatArray,
    *,
    spread_factor: float,
    steps_deg: tuple[float, ...] = STEPS_DEG,
) -> AnglePaths:
    """Draw :data:`PATHS` angle paths from the evidence (B, T) over ``slopes_deg`` (T,).

    ``spread_factor`` divides the evidence (see :func:`evidence_spread_factor`). ``steps_deg``: the
    trial sizes of the change between blocks, of which the likeliest is taken.
    """
    likelihood, alone = _likelihood(log_ratio, spread_factor)
    spacing = float(slopes_deg[1] - slopes_deg[0])
    trials = [_forward(likelihood, spacing, step) for step in steps_deg]
    best = int(np.argmax([t[1] for t in trials]))
    forward, smooth = trials[best]
    paths = _sample(forward, steps_deg[best], slopes_deg)
    return AnglePaths(at, paths, float(alone + smooth), steps_deg[best])


def angle_means(
    log_ratio: FloatArray, slopes_deg: FloatArray, *, spread_factor: float, step_deg: float
) -> list[AngleMean]:
    """What paths by each of W witnesses' evidence alone (W, B, T) would have for a mean: exactly.

    Beside the share of paths that are in a state, the forward sums carry the mean and the mean
    square, over those paths, of the angles summed up so far (D. Barber, *Bayesian Reasoning and
    Machine Learning*, 2012, §23.2, has the sums; any function that adds up along a path can go
    along with them). ``step_deg``: the size of change between neighbouring blocks.
    """
    likelihood, alone = _likelihood(log_ratio, spread_factor)
    witnesses, blocks, count = likelihood.shape
    spacing = float(slopes_deg[1] - slopes_deg[0])
    change = _change(spacing, step_deg, REACH_SIGMAS)
    leaving = _spread(np.ones(count), change)
    # Shares, and shares times the sum and its square; all witnesses at once.
    sums = np.zeros((3, witnesses, count))
    sums[0] = 1.0 / count
    smooth = np.zeros(witnesses)
    for i in range(blocks):
        if i:
            sums = _spread_rows(sums / leaving, change)
        sums *= likelihood[:, i]
        # The sum's square first: (s + a)² = s² + 2 a s + a².
        sums[2] += slopes_deg * (2.0 * sums[1] + slopes_deg * sums[0])
        sums[1] += slopes_deg * sums[0]
        mass = sums[0].sum(axis=1)
        smooth += np.log(mass)
        sums /= mass[:, None]
    mean = sums[1].sum(axis=1) / blocks
    # Inside a grid step every direction is equally likely, in each block by itself.
    variance = sums[2].sum(axis=1) / blocks**2 - mean**2 + spacing**2 / 12.0 / blocks
    sigma = np.sqrt(np.maximum(variance, 0.0))
    return [
        AngleMean(float(m), float(s), float(e))
        for m, s, e in zip(mean, sigma, alone + smooth, strict=True)
    ]


def _likelihood(log_ratio: FloatArray, spread_factor: float) -> tuple[FloatArray, FloatArray]:
    """Each block's likelihood (…, B, T), and the evidence (…) that each has by itself.

    The chain adds to the evidence what its log marginal likelihood is.
    """
    blocks, count = log_ratio.shape[-2:]
    tempered = log_ratio / spread_factor
    offset = tempered.max(axis=-1, keepdims=True)
    likelihood = np.exp(tempered - offset)
    # Each block against noise with every direction alike.
    alone = (np.log(likelihood.mean(axis=-1)) + offset[..., 0]).sum(axis=-1)
    likelihood /= likelihood.sum(axis=-1, keepdims=True)
    likelihood = (1 - MISLED) * likelihood + MISLED / count
    return likelihood, np.asarray(alone + blocks * np.log(count))


def _moments(log_ratio: FloatArray, slopes_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    share = np.exp(log_ratio - log_ratio.max(axis=-1, keepdims=True))
    share /= share.sum(axis=-1, keepdims=True)
    mean = share @ slopes_deg
    variance = (share * (slopes_deg - mean[..., None]) ** 2).sum(-1)
    step = slopes_deg[1] - slopes_deg[0]
    return mean, variance + step**2 / 12.0


def _change(spacing_deg: float, step_deg: float, sigmas: float) -> FloatArray:
    """Shares of the changes of angle, from −``sigmas`` to ``sigmas`` standard deviations."""
    reach = int(np.ceil(sigmas * step_deg / spacing_deg))
    offsets = np.arange(-reach, reach + 1)
    return np.asarray(np.exp(-0.5 * (offsets * spacing_deg / step_deg) ** 2))


def _forward(
    likelihood: FloatArray, spacing_deg: float, step_deg: float
) -> tuple[FloatArray, float]:
    """Filtered shares (B, T) and the log marginal likelihood."""
    change = _change(spacing_deg, step_deg, REACH_SIGMAS)
    count = likelihood.shape[1]
    # What leaves a state is shared among the states in reach, fewer at either end.
    leaving = _spread(np.ones(count), change)
    filtered = np.empty_like(likelihood)
    belief = np.full(count, 1.0 / count)
    total = 0.0
    for i, row in enumerate(likelihood):
        if i:
            belief = _spread(belief / leaving, change)
        belief = belief * row
        mass = belief.sum()
        total += float(np.log(mass))
        belief = belief / mass
        filtered[i] = belief
    return filtered, total


def _spread(belief: FloatArray, change: FloatArray) -> FloatArray:
    reach = len(change) // 2
    return np.convolve(belief, change)[reach : reach + len(belief)]


def _spread_rows(belief: FloatArray, change: FloatArray) -> FloatArray:
    """The same for all rows (…, T), in one run with gaps between them."""
    reach = len(change) // 2
    count = belief.shape[-1]
    apart = np.zeros((*belief.shape[:-1], count + reach))
    apart[..., :count] = belief
    spread = np.convolve(apart.ravel(), change)[reach : reach + apart.size]
    return np.ascontiguousarray(spread.reshape(apart.shape)[..., :count])


def _sample(filtered: FloatArray, step_deg: float, slopes_deg: FloatArray) -> FloatArray:
    """Backward sampling; the seed is fixed so that the same photograph gives the same result."""
    rng = np.random.default_rng(20)
    blocks, count = filtered.shape
    spacing = float(slopes_deg[1] - slopes_deg[0])
    # A change of more than five standard deviations does not happen.
    change = _change(spacing, step_deg, 5.0)
    reach = len(change) // 2
    # No state lies beyond the ends.
    from_here = np.pad(filtered / _spread(np.ones(count), change), ((0, 0), (reach, reach)))
    near = np.lib.stride_tricks.sliding_window_view(from_here, len(change), axis=1)
    states = np.empty((PATHS, blocks), dtype=np.intp)
    states[:, -1] = _draw(filtered[-1:], np.zeros(PATHS, dtype=np.intp), rng)
    for i in range(blocks - 2, -1, -1):
        after = states[:, i + 1]
        first = after.min()
        # Many paths are in the same state; what may come before it is summed up once.
        drawn = _draw(near[i, first : after.max() + 1] * change, after - first, rng)
        states[:, i] = np.clip(after + drawn - reach, 0, count - 1)
    # Inside a grid step every direction is equally likely.
    return slopes_deg[states] + rng.uniform(-spacing / 2, spacing / 2, states.shape)


def _draw(
    weights: FloatArray, which: npt.NDArray[np.intp], rng: np.random.Generator
) -> npt.NDArray[np.intp]:
    """A column for each path, drawn by the row of ``weights`` that is the path's own."""
    cumulative = np.cumsum(weights, axis=1)[which]
    level = rng.uniform(size=(len(which), 1)) * cumulative[:, -1:]
    return np.asarray((cumulative >= level).argmax(axis=1), dtype=np.intp)
