"""Ring boundaries on the straightened end: where they are and how sure each is.

Every anatomy says what a boundary looks like on the way to the bark: in a softwood dark
latewood ends sharply at light earlywood; in a ring-porous wood even latewood ends at a row of
pores; in a diffuse-porous wood there is a thin line. From that first guess the rings' own usual
profile is learnt and sought again. The chain of boundaries is the one that gathers most
evidence with ring widths that change no more than ring widths do (dynamic programming).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from grainscan.measure.rings_anatomy import Anatomy, Profiles

__all__ = ["BoundaryRows", "bark_side", "find_boundaries", "latewood_shares", "ring_rows"]

Array = npt.NDArray[np.float64]

WIDTH_SPREAD = 0.45
"""Standard deviation of the log of a ring's width against the usual width on one section."""

EVEN_SPREAD = 0.35
"""The same within one section for sound wood, where rings are told from rays by it."""

SCALES_ROWS: Mapping[Anatomy, tuple[float, ...]] = MappingProxyType(
    {
        "softwood": (2.0, 4.0),
        "ring-porous": (2.5, 5.0, 9.0),
        "diffuse-porous": (2.0, 3.5),
    }
)
"""Gaussian scales (rows) at which a boundary is looked for: sharp edges and thin lines are best
seen at the finest, rows of large pores at about the size of a pore."""

STRONG = 5.0
"""A typical boundary's log-likelihood ratio at which no coarser scale is tried."""

COST = 0.35
"""Share of a typical boundary's evidence that a boundary must bring to be worth adding."""

CHANCE = 2.5
"""Evidence in standard errors below which a peak is chance: the largest of the dozen or so
independent places in one ring's width reaches about this by chance (normal law)."""

GAP_WEIGHT = 0.12
"""Cost, in typical boundaries, of a ring width one standard deviation off the usual."""


@dataclass(frozen=True, slots=True)
class BoundaryRows:
    """Boundaries as (fractional) rows of the straightened end, from pith to bark side.

    ``rows`` (N,), ``confidence`` (N,) 0 to 1; ``usual_rows``: usual ring width in rows;
    ``strength``: log-likelihood ratio of a typical boundary; ``evenness``: log-likelihood ratio
    of the widths being those of rings (alike) against those of rays (at random);
    ``looked_at``: first and last row that could be looked at.
    """

    rows: Array
    confidence: Array
    usual_rows: float
    strength: float
    evenness: float
    looked_at: tuple[int, int]


def ring_rows(found: Profiles) -> float:
    """Usual ring width in rows: first clear peak of the profile's likeness to itself."""
    from scipy.ndimage import gaussian_filter1d

    well = found.support > 0.25 * found.support.max()
    tone = gaussian_filter1d(found.tone, 1.0)
    level = np.where(well, tone - tone[well].mean(), 0.0)
    size = len(level)
    spectrum = np.abs(np.fft.rfft(level, 4 * size)) ** 2
    cover = np.abs(np.fft.rfft(well.astype(float), 4 * size)) ** 2
    likeness = np.fft.irfft(spectrum)[:size] / np.maximum(np.fft.irfft(cover)[:size], 1.0)
    likeness /= likeness[0] + 1e-12
    reach = min(size - 1, int(0.6 * well.sum()))
    start = int(np.argmax(likeness < 0.1)) if (likeness < 0.1).any() else 3
    lags = np.arange(max(start, 5), max(reach, start + 6))
    smooth = gaussian_filter1d(likeness, 2.0)[lags]
    peaks = np.flatnonzero((smooth[1:-1] > smooth[:-2]) & (smooth[1:-1] >= smooth[2:])) + 1
    if peaks.size == 0:
        return float(reach / 3)
    # The first peak nearly as high as the best: later ones are multiples of it.
    best = smooth[peaks].max()
    good = peaks[smooth[peaks] > 0.6 * best] if best > 0 else peaks
    return float(lags[good[0]])


def find_boundaries(found: Profiles, anatomy: Anatomy, outwards: int, usual: float) -> BoundaryRows:
    """Boundaries for a given anatomy and direction to the bark.

    ``outwards``: +1 when rows grow towards the bark, −1 when they grow towards the pith.
    ``usual``: first guess of the ring width in rows.
    """
    # The finest scale places boundaries best; coarser ones are for what it cannot see.
    best: BoundaryRows | None = None
    for sigma in SCALES_ROWS[anatomy]:
        trial = _at_scale(found, _Look(anatomy, outwards, sigma), usual)
        if best is None or trial.strength > 1.5 * best.strength:
            best = trial
        if best.strength >= STRONG:
            break
    assert best is not None
    return best


def _at_scale(found: Profiles, look: _Look, usual: float) -> BoundaryRows:
    clear = _clearness(found, look.evidence)
    rows, usual = _chain(clear, found, usual)
    for _ in range(2):
        if len(rows) < 4:
            break
        learnt = _learnt_clearness(found, rows, usual, look)
        rows, usual = _chain(0.5 * (clear + learnt), found, usual)
    rows = _on_edge(found, rows, usual, look)
    confidence, log_ratio = _confidence(found, rows, usual, look)
    # One lone line is no ring pattern, however clear.
    strength = float(np.median(log_ratio)) if len(rows) > 1 else 0.0
    used = np.flatnonzero(found.used)
    return BoundaryRows(
        rows,
        confidence,
        usual,
        strength,
        _evenness(rows[confidence > 0.9]),
        (int(used[0]), int(used[-1])),
    )


@dataclass(frozen=True, slots=True)
class _Look:
    """What a boundary looks like: anatomy, direction to the bark along the rows, and scale."""

    anatomy: Anatomy
    outwards: int
    sigma: float

    def evidence(self, tone: Array, pores: Array) -> Array:
        """Large where the profile looks like a boundary, along the last axis."""
        from scipy.ndimage import gaussian_filter1d

        if self.anatomy == "diffuse-porous":
            line = gaussian_filter1d(tone, self.sigma, order=2, axis=-1)
            return np.asarray(line * _line_sign(tone))
        step = self.outwards * gaussian_filter1d(tone, self.sigma, order=1, axis=-1)
        if self.anatomy == "softwood":
            return np.asarray(step)
        dots = np.sqrt(gaussian_filter1d(pores, 1.0, axis=-1))
        return np.asarray(
            self.outwards * gaussian_filter1d(dots, self.sigma, order=1, axis=-1) - step
        )


def _clearness(found: Profiles, evidence: Callable[[Array, Array], Array]) -> Array:
    """Evidence over its own standard error, per row: sectors that disagree make it small."""
    from scipy.ndimage import gaussian_filter1d

    by_sector = np.array(
        [
            evidence(tone, pores)
            for tone, pores in zip(found.sector_tone, found.sector_pores, strict=True)
        ]
    )
    weight = found.sector_support / np.maximum(found.support, 1.0)
    mean = (by_sector * weight).sum(axis=0)
    variance = ((by_sector - mean) ** 2 * weight**2).sum(axis=0)
    # Few sectors give a poor error each; rows near each other share theirs.
    usual = gaussian_filter1d(variance, 25.0, mode="nearest")
    error = np.sqrt(0.5 * usual + 0.5 * gaussian_filter1d(variance, 4.0, mode="nearest"))
    clear = mean / (error + 1e-9)
    clear[~found.used] = 0.0
    return np.asarray(clear)


def _line_sign(tone: Array) -> float:
    """+1 when thin lines are darker than the wood between them, −1 when lighter."""
    level = tone - tone.mean()
    return -1.0 if float((level**3).mean()) > 0 else 1.0


def _learnt_clearness(found: Profiles, rows: Array, usual: float, look: _Look) -> Array:
    """Likeness to the rings' own usual profile round a boundary, over its error."""
    half = max(4, round(0.4 * usual))
    places = np.rint(rows).astype(int)
    inside = places[(places >= half) & (places < len(found.tone) - half)]
    inside = inside[found.used[inside - half] & found.used[inside + half]]
    if len(inside) < 4:
        return _clearness(found, look.evidence)
    patterns = []
    for channel in (found.tone, np.sqrt(found.pores)):
        cuts = np.array([channel[p - half : p + half + 1] for p in inside])
        cuts = cuts - cuts.mean(axis=1, keepdims=True)
        pattern = np.median(cuts, axis=0)
        pattern -= pattern.mean()
        # Weighted by how alike the rings are to this pattern, against their scatter about it.
        patterns.append(pattern / (float(np.mean((cuts - pattern) ** 2)) + 1e-9))

    def likeness(tone: Array, pores: Array) -> Array:
        total = np.zeros_like(tone)
        for channel, pattern in zip((tone, np.sqrt(pores)), patterns, strict=True):
            total += np.correlate(np.pad(channel, half, mode="edge"), pattern, "valid")
        return total

    return _clearness(found, likeness)


def _chain(clear: Array, found: Profiles, usual: float) -> tuple[Array, float]:
    """The best chain of boundaries (rows) and the usual width it implies."""
    from scipy.ndimage import maximum_filter1d

    rows = np.flatnonzero((clear >= maximum_filter1d(clear, 5)) & (clear > CHANCE) & found.used)
    if rows.size == 0:
        return np.array([]), usual
    extent = float(found.used.sum())
    # In a corner fewer columns speak: the same boundary stands less clear of its error there.
    heard = np.sqrt(np.clip(found.support / np.quantile(found.support[found.used], 0.8), 0.02, 1.0))
    best: tuple[float, Array, float] = (-np.inf, np.array([]), usual)
    for width in np.geomspace(6.0, 0.5 * extent, 19):
        score, chain = _best_chain(clear[rows], heard[rows], rows, width, extent)
        # The first guess only breaks ties.
        score -= 2.0 * np.log(width / usual) ** 2
        if score > best[0]:
            best = (score, chain, width)
    gaps = np.diff(best[1])
    implied = float(np.exp(np.mean(np.log(gaps)))) if len(gaps) >= 2 else best[2]
    return best[1], implied


def _best_chain(
    value: Array, heard: Array, rows: npt.NDArray[np.intp], width: float, extent: float
) -> tuple[float, Array]:
    """Dynamic programming over candidate rows for one usual width; its score and rows."""
    # A typical boundary's evidence: as many strongest peaks as rings of this width fit.
    number = max(2, round(extent / width))
    typical = float(np.median(np.sort(value)[::-1][:number]))
    gain = np.minimum(value, 1.5 * typical) - np.maximum(COST * typical * heard, CHANCE)
    total = gain.copy()
    before = np.full(len(rows), -1)
    for i in range(1, len(rows)):
        gaps = rows[i] - rows[:i]
        index = np.flatnonzero((gaps > 0.25 * width) & (gaps < 3.5 * width))
        if index.size == 0:
            continue
        odd = np.log(gaps[index] / width) / WIDTH_SPREAD
        fit = total[index] - GAP_WEIGHT * typical * odd**2
        k = int(np.argmax(fit))
        if fit[k] > 0:
            total[i] = gain[i] + fit[k]
            before[i] = index[k]
    at = int(np.argmax(total))
    score = float(total[at])
    chain = []
    while at >= 0:
        chain.append(rows[at])
        at = int(before[at])
    return score, np.array(chain[::-1], np.float64)


def _on_edge(found: Profiles, rows: Array, usual: float, look: _Look) -> Array:
    """Move each boundary to the nearby maximum of the anatomy's own edge, sub-row."""
    edge = look.evidence(found.tone, found.pores)
    reach = max(2, round(0.12 * usual))
    moved = []
    for row in rows:
        low = max(int(row) - reach, 1)
        high = min(int(row) + reach + 1, len(edge) - 1)
        peak = low + int(np.argmax(edge[low:high]))
        a, b, c = edge[peak - 1], edge[peak], edge[min(peak + 1, len(edge) - 1)]
        bend = a - 2 * b + c
        moved.append(peak + (float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < 0 else 0.0))
    # Two of the chain may climb to the same edge: it is one boundary.
    ordered = np.unique(np.array(moved, np.float64))
    return ordered[np.diff(ordered, prepend=-np.inf) > 1.0]


def _confidence(found: Profiles, rows: Array, usual: float, look: _Look) -> tuple[Array, Array]:
    """Chance that each boundary is one: sectors that show it against sectors that would anyway."""
    if len(rows) == 0:
        return np.array([]), np.array([])
    edge = np.array(
        [
            look.evidence(tone, pores)
            for tone, pores in zip(found.sector_tone, found.sector_pores, strict=True)
        ]
    )
    if look.anatomy == "diffuse-porous":
        edge *= (
            _line_sign(found.tone) * np.array([_line_sign(t) for t in found.sector_tone])[:, None]
        )
    held = found.sector_support >= 4
    reach = max(2, round(0.1 * usual))
    peak = _local_max(edge, reach)
    places = np.clip(np.rint(rows).astype(int), 0, edge.shape[1] - 1)
    at = peak[:, places]
    seen = held[:, places]
    typical = np.array(
        [np.median(at[c][seen[c]]) if seen[c].any() else np.inf for c in range(len(at))]
    )
    typical = np.maximum(typical, 1e-9)
    hit = at > 0.5 * typical[:, None]
    away = np.min(np.abs(np.arange(edge.shape[1])[:, None] - rows[None, :]), axis=1) > 1.5 * reach
    elsewhere = held & away[None, :]
    chance = _rate((peak > 0.5 * typical[:, None])[elsewhere])
    usually = _rate(hit[seen])
    each = hit * np.log(usually / chance) + ~hit * np.log((1 - usually) / (1 - chance))
    # Neighbouring sectors share rough patches and waves: half of them count as independent.
    log_ratio = 0.5 * (each * seen).sum(axis=0)
    # The chain offers about one row per ring width, so the odds before looking are even.
    gaps = _gap_penalty(rows, usual)
    logit = log_ratio - gaps
    return np.clip(1 / (1 + np.exp(-logit)), 0.01, 0.99), log_ratio


def _evenness(rows: Array) -> float:
    """Log-likelihood ratio of the gaps: a log-normal law (rings) against an exponential (rays).

    Ring widths on one section differ by a third or so; rays stand at random, so the gaps between
    them follow the exponential law. Bounded, because gaps are neighbours and not independent.
    """
    gaps = np.diff(rows)
    if len(gaps) < 3:
        return 0.0
    log = np.log(gaps / gaps.mean())
    centre = float(log.mean())
    spread = EVEN_SPREAD
    ring = -0.5 * ((log - centre) / spread) ** 2 - log - np.log(spread * np.sqrt(2 * np.pi))
    ray = -np.exp(log)
    return float(np.clip((ring - ray).sum(), -10.0, 10.0))


def _gap_penalty(rows: Array, usual: float) -> Array:
    if len(rows) < 3:
        return np.zeros(len(rows))
    odd = np.abs(np.log(np.diff(rows) / usual)) / WIDTH_SPREAD
    excess = np.maximum(odd - 1.5, 0.0)
    left = np.concatenate([[0.0], excess])
    right = np.concatenate([excess, [0.0]])
    return np.asarray(np.maximum(left, right))


def _rate(hits: npt.NDArray[np.bool_]) -> float:
    """Share of hits, with one of each added so that it never is 0 or 1."""
    return float((hits.sum() + 1.0) / (hits.size + 2.0))


def _local_max(values: Array, reach: int) -> Array:
    from scipy.ndimage import maximum_filter1d

    return np.asarray(maximum_filter1d(values, 2 * reach + 1, axis=-1))


def bark_side(
    found: Profiles, anatomy: Anatomy, curvature: float, curvature_error: float
) -> tuple[int, float]:
    """Direction to the bark along the rows (+1 or −1) and how sure that is (0.5 to 1).

    The rings' hollow side faces the pith: evidence in so far as the curvature stands clear of
    its error. In a softwood the sharp side of the dark band faces the bark.
    """
    from scipy.ndimage import gaussian_filter1d
    from scipy.special import log_ndtr

    z = curvature / max(curvature_error, 1e-6)
    log_odds = float(np.clip(log_ndtr(z) - log_ndtr(-z), -6.0, 6.0))
    if anatomy == "softwood":
        well = found.support > 0.25 * found.support.max()
        change = gaussian_filter1d(found.tone, 1.5, order=1)[well]
        rise = float((np.clip(change, 0, None) ** 3).sum())
        fall = float((np.clip(-change, 0, None) ** 3).sum())
        log_odds += 8.0 * (rise - fall) / (rise + fall + 1e-12)
    sure = 1.0 / (1.0 + float(np.exp(-abs(log_odds))))
    return (1 if log_odds >= 0 else -1), sure


def latewood_shares(
    found: Profiles, boundaries: BoundaryRows, anatomy: Anatomy, outwards: int
) -> tuple[float | None, ...]:
    """Latewood's share of the ring that ends (on the bark side) at each boundary.

    Softwood: from where the tone falls below the middle between the ring's light and dark to
    its outer boundary. Ring-porous: from where the pores have fallen to half their crest.
    Diffuse-porous woods have no latewood to tell: None.
    """
    from scipy.ndimage import gaussian_filter1d

    rows = boundaries.rows
    shares: list[float | None] = [None] * len(rows)
    if anatomy == "diffuse-porous":
        return tuple(shares)
    channel = found.tone if anatomy == "softwood" else -np.sqrt(found.pores)
    smooth = gaussian_filter1d(channel, 1.5)
    for i in range(len(rows)):
        inner = i - outwards
        if not 0 <= inner < len(rows):
            continue
        low, high = sorted((round(rows[inner]), round(rows[i])))
        ring = smooth[low : high + 1][:: outwards if outwards > 0 else -1]
        if len(ring) < 5:
            continue
        middle = 0.5 * (np.quantile(ring, 0.05) + np.quantile(ring, 0.95))
        below = ring < middle
        share = float(below.mean())
        shares[i] = share if anatomy == "softwood" else 1.0 - share
    return tuple(shares)
