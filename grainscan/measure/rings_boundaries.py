"""Ring boundaries on the straightened end: where they are and how sure each is.

Every anatomy says what a boundary looks like on the way to the bark: in a softwood dark
latewood ends sharply at light earlywood; in a ring-porous wood even latewood ends at a row of
pores; in a diffuse-porous wood there is a thin line. From that first guess the rings' own usual
profile is learnt and sought again. Which peaks are boundaries is decided for all of them together
(``rings_chain.py``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import medians
from grainscan.measure.rings_anatomy import Anatomy, Profiles
from grainscan.measure.rings_chain import Chain, best_chain

__all__ = ["BoundaryRows", "bark_side", "find_boundaries", "latewood_shares", "ring_rows"]

Array = npt.NDArray[np.float64]

EVEN_SPREAD = 0.35
"""Standard deviation of the log of a ring's width within one section of sound wood, by which rings
are told from rays."""

SCALES_ROWS: Mapping[Anatomy, tuple[float, ...]] = MappingProxyType(
    {
        "softwood": (2.0, 4.0),
        "ring-porous": (2.5, 5.0, 9.0),
        "diffuse-porous": (2.0, 3.5),
    }
)
"""Gaussian scales (rows) at which a boundary is looked for: sharp edges and thin lines are best
seen at the finest, rows of large pores at about the size of a pore."""

MOST_EVEN = 6.0
"""Evenness beyond this (nats) says no more: tools leave even marks, and many narrow ones."""

STRONG = 5.0
"""A typical boundary's log-likelihood ratio at which no coarser scale is tried."""


@dataclass(frozen=True, slots=True)
class BoundaryRows:
    """Boundaries as (fractional) rows of the straightened end, from pith to bark side.

    ``rows`` (N,), ``confidence`` (N,) 0 to 1; ``usual_rows``: usual ring width in rows;
    ``strength``: log-likelihood ratio of a typical boundary; ``evenness``: log-likelihood ratio
    of the widths being those of rings (alike) against those of rays (at random);
    ``looked_at``: first and last row that could be looked at; ``chain``: all that stood beside
    the boundaries, None where nothing stood out.
    """

    rows: Array
    confidence: Array
    usual_rows: float
    strength: float
    evenness: float
    looked_at: tuple[int, int]
    chain: Chain | None


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
        trial = _at_scale(found, _Look(anatomy, outwards, sigma, _line_sign(found)), usual)
        if best is None or trial.strength > 1.5 * best.strength:
            best = trial
        if best.strength >= STRONG:
            break
    assert best is not None
    return best


def _at_scale(found: Profiles, look: _Look, usual: float) -> BoundaryRows:
    clear = _clearness(found, look.evidence)
    chain = _chain(clear, found, usual)
    for _ in range(2):
        if chain is None or chain.chosen.sum() < 4:
            break
        rows = chain.peaks[chain.chosen]
        learnt = _learnt_clearness(found, rows, chain.width, look)
        chain = _chain(0.5 * (clear + learnt), found, chain.width)
    used = np.flatnonzero(found.used)
    looked_at = (int(used[0]), int(used[-1]))
    if chain is None:
        return BoundaryRows(np.array([]), np.array([]), usual, 0.0, 0.0, looked_at, None)
    log_ratio = _sector_ratio(found, chain.peaks[chain.chosen], chain.width, look)
    rows, chance = _on_edge(found, chain, look)
    # One lone line is no ring pattern, however clear.
    strength = float(np.median(log_ratio)) if len(rows) > 1 else 0.0
    evenness = _evenness(rows[chance > 0.9])
    return BoundaryRows(rows, chance, chain.width, strength, evenness, looked_at, chain)


@dataclass(frozen=True, slots=True)
class _Look:
    """What a boundary looks like: anatomy, direction to the bark along the rows, and scale.

    ``line_sign``: +1 where thin lines are darker than the wood between them, −1 where lighter.
    """

    anatomy: Anatomy
    outwards: int
    sigma: float
    line_sign: float

    def evidence(self, tone: Array, pores: Array) -> Array:
        """Large where the profile looks like a boundary, along the last axis."""
        from scipy.ndimage import gaussian_filter1d

        if self.anatomy == "diffuse-porous":
            line = gaussian_filter1d(tone, self.sigma, order=2, axis=-1)
            return np.asarray(line * self.line_sign)
        step = self.outwards * gaussian_filter1d(tone, self.sigma, order=1, axis=-1)
        if self.anatomy == "softwood":
            return np.asarray(step)
        dots = np.sqrt(gaussian_filter1d(pores, 1.0, axis=-1))
        return np.asarray(
            self.outwards * gaussian_filter1d(dots, self.sigma, order=1, axis=-1) - step
        )

    def bark_slope(self, tone: Array) -> Array:
        """Large on the bark side of a thin line."""
        from scipy.ndimage import gaussian_filter1d

        return np.asarray(self.line_sign * self.outwards * gaussian_filter1d(tone, 1.0, order=1))


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


def _line_sign(found: Profiles) -> float:
    """+1 when thin lines are darker than the wood between them, −1 when lighter.

    One answer for the whole end: lines make the fine detail of its profile lopsided. A sector
    alone may have its sign turned by a check or by the section's corner.
    """
    from scipy.ndimage import gaussian_filter1d

    well = found.support > 0.25 * found.support.max()
    detail = gaussian_filter1d(found.tone, 2.0, order=2)[well]
    return 1.0 if float((detail**3).sum()) >= 0 else -1.0


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
        pattern = medians(cuts, 0)
        pattern -= pattern.mean()
        # Weighted by how alike the rings are to this pattern, against their scatter about it.
        patterns.append(pattern / (float(np.mean((cuts - pattern) ** 2)) + 1e-9))

    def likeness(tone: Array, pores: Array) -> Array:
        total = np.zeros_like(tone)
        for channel, pattern in zip((tone, np.sqrt(pores)), patterns, strict=True):
            total += np.correlate(np.pad(channel, half, mode="edge"), pattern, "valid")
        return total

    return _clearness(found, likeness)


def _chain(clear: Array, found: Profiles, usual: float) -> Chain | None:
    """The likeliest chain of boundaries, None where nothing stands out."""
    # In a corner fewer columns speak: the same boundary stands less clear of its error there.
    most = float(np.quantile(found.support[found.used], 0.8))
    heard = np.sqrt(np.clip(found.support / most, 0.02, 1.0))
    return best_chain(clear, heard, found.used, usual)


def _on_edge(found: Profiles, chain: Chain, look: _Look) -> tuple[Array, Array]:
    """Each boundary moved to the nearby maximum of the anatomy's own edge, sub-row; its chance."""
    edge = look.evidence(found.tone, found.pores)
    reach = max(2, round(0.12 * chain.width))
    places = chain.peaks[chain.chosen]
    moved = [_highest(edge, int(row) - reach, int(row) + reach) for row in places]
    if look.anatomy == "diffuse-porous":
        # A ring ends on the bark side of its last, darker cells, not in their middle.
        slope = look.bark_slope(found.tone)
        ahead = (0, reach) if look.outwards > 0 else (-reach, 0)
        moved = [_highest(slope, round(row) + ahead[0], round(row) + ahead[1]) for row in moved]
    # Two of the chain may climb to the same edge: it is one boundary.
    ordered, first = np.unique(np.array(moved, np.float64), return_index=True)
    apart = np.diff(ordered, prepend=-np.inf) > 1.0
    return ordered[apart], np.clip(chain.chance[chain.chosen][first][apart], 0.01, 0.99)


def _highest(values: Array, low: int, high: int) -> float:
    """Place of the highest value from row ``low`` to ``high``, between rows."""
    low, high = max(low, 1), min(high, len(values) - 2)
    if high < low:
        return float(np.clip(low, 0, len(values) - 1))
    peak = low + int(np.argmax(values[low : high + 1]))
    a, b, c = values[peak - 1], values[peak], values[peak + 1]
    bend = a - 2 * b + c
    return peak + (float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < 0 else 0.0)


def _sector_ratio(found: Profiles, rows: Array, usual: float, look: _Look) -> Array:
    """Log-likelihood ratio of each boundary: sectors that show it against those that always do."""
    if len(rows) == 0:
        return np.array([])
    edge = np.array(
        [
            look.evidence(tone, pores)
            for tone, pores in zip(found.sector_tone, found.sector_pores, strict=True)
        ]
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
    return np.asarray(0.5 * (each * seen).sum(axis=0))


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
    return float(np.clip((ring - ray).sum(), -MOST_EVEN, MOST_EVEN))


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
    its error. In a softwood the sharp side of the dark band faces the bark. In a ring-porous wood
    the row of pores begins sharply on its pith side, where the ring does, and thins out outwards.
    """
    from scipy.ndimage import gaussian_filter1d
    from scipy.special import log_ndtr

    z = curvature / max(curvature_error, 1e-6)
    log_odds = float(np.clip(log_ndtr(z) - log_ndtr(-z), -6.0, 6.0))
    if anatomy == "softwood":
        log_odds += 8.0 * _rises_sharply(found, found.tone, 1.5)
    elif anatomy == "ring-porous":
        # Half as much: a ragged row of pores, and anything dotted may pass for one.
        dots = np.sqrt(gaussian_filter1d(found.pores, 1.0))
        log_odds += 4.0 * _rises_sharply(found, dots, SCALES_ROWS["ring-porous"][0])
    sure = 1.0 / (1.0 + float(np.exp(-abs(log_odds))))
    return (1 if log_odds >= 0 else -1), sure


def _rises_sharply(found: Profiles, values: Array, sigma: float) -> float:
    """1 where values rise along the rows at once and fall slowly, −1 the other way round."""
    from scipy.ndimage import gaussian_filter1d

    well = found.support > 0.25 * found.support.max()
    change = gaussian_filter1d(values, sigma, order=1)[well]
    rise = float((np.clip(change, 0, None) ** 3).sum())
    fall = float((np.clip(-change, 0, None) ** 3).sum())
    return (rise - fall) / (rise + fall + 1e-12)


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
