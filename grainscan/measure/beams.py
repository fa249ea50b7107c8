"""Long, nearly level edges in a small picture, however weak: sums along short lines, chained.

The bench may be wood like the blank. An edge is then no stronger than the texture at any one
pixel, but it alone keeps its course and its colours for hundreds of them. So the change of colour
across is summed along every short line of a strip of columns (the discrete Radon transform in its
fast form: M. L. Brady, SIAM J. Comput. 27, 1998), the strongest lines of each strip are kept, and
lines that continue each other with the same change of colour are chained across the strips.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import medians

__all__ = ["LEAST_SCATTER", "MOST_CHAINS", "STRIP_PX", "Chain", "chains", "change_across"]

FloatArray = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

STRIP_PX = 32
"""Columns of a strip: short against a blank's bend, long against its texture. A power of two."""

STEEPEST_PX = 14
"""Rise over one strip of the steepest line looked at (24 degrees)."""

LEAST_SCATTER = 0.001
"""Of the change along a line of a strip (L*, a*, b*), below what rounding to whole levels makes of
any noise: on a plain ground a coded picture may show no change at all in a colour."""

BEAMS_A_STRIP = 48
MOST_CHAINS = 40
LEAST_LINES = 4
MOST_PASSES = 12
MOST_BEND_PX = 2
"""Most change of rise from one strip to the next: a radius of a third of the picture's width, far
below that of any blank, and one step of the rises looked at."""
NEIGHBOUR_PX = 2


@dataclass(frozen=True, slots=True)
class Chain:
    """An edge followed from strip to strip.

    ``x``, ``y`` (K,): its course in pixels of the small picture, left to right. ``change``
    (C,): mean change of colour downwards across it, in units of the strips' scatter.
    ``strength``: sum of its lines' clearness.
    """

    x: Float64Array
    y: Float64Array
    change: FloatArray
    strength: float

    def heights(self, columns: Float64Array) -> Float64Array:
        """Row of the edge at any columns: a cubic at most, straight on beyond its own ends."""
        degree = int(np.clip(len(self.x) // 4, 1, 3))
        left, right = self.x[0], self.x[-1]
        curve = np.polynomial.Chebyshev.fit(self.x, self.y, degree, domain=[left, right])
        inside = np.clip(columns, left, right)
        slope = curve.deriv()
        # The end's own slope is a strip's; the slope a fifth of the length in is steadier.
        a, b = left + 0.1 * (right - left), right - 0.1 * (right - left)
        ends = np.where(columns < left, slope(a), slope(b))
        return np.asarray(curve(inside) + (columns - inside) * ends)


def change_across(lab: FloatArray) -> FloatArray:
    """Change of colour downwards, (M, N, C) float32, of a small smoothed picture (M, N, C)."""
    change = np.zeros_like(lab)
    change[1:-1] = 0.5 * (lab[2:] - lab[:-2])
    return change


def chains(change: FloatArray, most: int = MOST_CHAINS) -> list[Chain]:
    """Up to ``most`` long nearly level edges, strongest first, from the change of colour across."""
    sums = _line_sums(change)
    # Neighbouring rises share most of their pixels: every third tells the scatter of all.
    some = np.abs(sums[:, ::3]).reshape(-1, sums.shape[-1])
    scatter = 1.4826 * medians(some, 0) + LEAST_SCATTER
    sums /= scatter
    clearness = np.sqrt(np.einsum("sdyc,sdyc->sdy", sums, sums) / sums.shape[-1])
    beams = [_strongest(clearness[k], sums[k]) for k in range(len(sums))]
    return _chained(beams, most)


@dataclass(frozen=True, slots=True)
class _Beams:
    """The strongest lines of one strip: rows at its left and right border, clearness, change."""

    left: Float64Array
    right: Float64Array
    clear: FloatArray
    change: FloatArray


def _line_sums(change: FloatArray) -> FloatArray:
    """Mean change along lines: (strips, 2·STEEPEST_PX + 1 rises, rows, C)."""
    rows, columns, channels = change.shape
    strips = columns // STRIP_PX
    used = np.ascontiguousarray(change[:, : strips * STRIP_PX].transpose(1, 0, 2))
    padded = np.zeros((len(used), rows + 2 * STRIP_PX, channels), np.float32)
    padded[:, STRIP_PX:-STRIP_PX] = used
    falling = _dyadic_sums(padded)
    # Upside down a rise is a fall.
    rising = _dyadic_sums(padded[:, ::-1])[:, :, ::-1]
    both = np.concatenate([rising[:, :0:-1], falling], axis=1)
    inner = np.ascontiguousarray(both[:, :, STRIP_PX:-STRIP_PX], dtype=np.float32)
    inner /= np.float32(STRIP_PX)
    return inner


def _dyadic_sums(columns: FloatArray) -> FloatArray:
    """Sums over strips along lines that fall by 0 to STEEPEST_PX rows, (strips, falls, rows, C)."""
    sums = columns[:, None]
    length = 1
    while length < STRIP_PX:
        left, right = sums[0::2], sums[1::2]
        length *= 2
        falls = min(length - 1, STEEPEST_PX * length // STRIP_PX + 1) + 1
        joined = np.empty((len(left), falls, *left.shape[2:]), np.float32)
        for fall in range(falls):
            half, step = fall // 2, (fall + 1) // 2
            joined[:, fall] = left[:, half]
            if step:
                joined[:, fall, :-step] += right[:, half, step:]
            else:
                joined[:, fall] += right[:, half]
        sums = joined
    return sums[:, : STEEPEST_PX + 1]


def _strongest(clearness: FloatArray, sums: FloatArray) -> _Beams:
    """Local maxima over height in the middle of the strip and rise, strongest first."""
    rises = np.arange(-STEEPEST_PX, STEEPEST_PX + 1)
    # Heights are compared in the strip's middle, where lines of every rise cross.
    middle = np.full((len(rises), clearness.shape[1]), 0.0, np.float32)
    for k, rise in enumerate(rises):
        half = round(int(rise) / 2.0)
        source = clearness[k]
        if half >= 0:
            middle[k, half:] = source[: len(source) - half]
        else:
            middle[k, :half] = source[-half:]
    best_rise = np.argmax(middle, axis=0)
    best = middle[best_rise, np.arange(middle.shape[1])]
    padded = np.pad(best, NEIGHBOUR_PX)
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOUR_PX + 1).max(axis=1)
    peaks = np.flatnonzero((best >= window) & (best > 1.0))
    order = peaks[np.argsort(-best[peaks])][:BEAMS_A_STRIP]
    rise = rises[best_rise[order]]
    start = np.clip(order - np.round(rise / 2.0).astype(int), 0, clearness.shape[1] - 1)
    return _Beams(
        left=start.astype(np.float64),
        right=(start + rise).astype(np.float64),
        clear=best[order],
        change=sums[best_rise[order], start],
    )


def _chained(beams: list[_Beams], most: int) -> list[Chain]:
    """Chains of greatest summed clearness, one after another, each line used once."""
    free = [np.ones(len(b.clear), bool) for b in beams]
    found: list[Chain] = []
    links = _links(beams)
    for _ in range(MOST_PASSES):
        before = len(found)
        for path in _best_paths(beams, free, links):
            # A better path of this pass may have used a part of it: the rest waits for the next.
            if all(free[strip][k] for strip, k in path):
                for strip, k in path:
                    free[strip][k] = False
                found.append(_as_chain(beams, path))
        if len(found) == before or len(found) >= most:
            break
    found.sort(key=lambda chain: -chain.strength)
    return found[:most]


def _links(beams: list[_Beams]) -> dict[tuple[int, int], FloatArray]:
    """What each line adds to the one before it: its clearness, or minus infinity if it does not
    continue it. Pairs of neighbouring strips, and of strips with one between them.
    """
    links = {}
    for gap in (1, 2):
        for strip in range(len(beams) - gap):
            a, b = beams[strip], beams[strip + gap]
            slope_a = (a.right - a.left)[:, None]
            slope_b = (b.right - b.left)[None, :]
            jump = b.left[None, :] - a.right[:, None] - (gap - 1) * 0.5 * (slope_a + slope_b)
            bend = np.abs(slope_b - slope_a)
            length = np.linalg.norm(a.change, axis=1)[:, None] * np.linalg.norm(b.change, axis=1)
            alike = (a.change @ b.change.T) / np.maximum(length, 1e-6)
            fits = (np.abs(jump) <= 1.5 + 0.5 * (gap - 1)) & (bend <= MOST_BEND_PX) & (alike > 0.2)
            unsteady = 0.25 * (np.abs(jump) + bend) + 2.0 * (gap - 1)
            gain = b.clear[None, :] * (0.5 + 0.5 * alike) - unsteady
            links[strip, gap] = np.where(fits, gain, -np.inf).astype(np.float32)
    return links


def _best_paths(
    beams: list[_Beams], free: list[npt.NDArray[np.bool_]], links: dict[tuple[int, int], FloatArray]
) -> list[list[tuple[int, int]]]:
    """The best path to every line that is still free, long enough to count, best first."""
    totals: list[FloatArray] = []
    came: list[list[tuple[int, int] | None]] = []
    for strip, b in enumerate(beams):
        total = np.where(free[strip], b.clear - 1.0, -np.inf).astype(np.float32)
        before: list[tuple[int, int] | None] = [None] * len(total)
        for gap in (1, 2):
            if strip - gap < 0 or not len(totals[strip - gap]) or not len(total):
                continue
            reached = totals[strip - gap][:, None] + links[strip - gap, gap] - 1.0
            best = reached.argmax(axis=0)
            value = reached[best, np.arange(len(total))]
            better = free[strip] & (value > total)
            for k in better.nonzero()[0].tolist():
                before[k] = (strip - gap, int(best[k]))
            total = np.where(better, value, total)
        totals.append(total)
        came.append(before)
    ends = [
        (value, strip, k)
        for strip, total in enumerate(totals)
        for k, value in enumerate(total.tolist())
        if came[strip][k] is not None
    ]
    paths = []
    for _, strip, k in sorted(ends, reverse=True):
        path: list[tuple[int, int]] = []
        at: tuple[int, int] | None = (strip, k)
        while at is not None:
            path.append(at)
            at = came[at[0]][at[1]]
        if len(path) >= LEAST_LINES:
            paths.append(path[::-1])
    return paths


def _as_chain(beams: list[_Beams], path: list[tuple[int, int]]) -> Chain:
    x, y = [], []
    for strip, k in path:
        b = beams[strip]
        for share in (0.0, 0.5, 1.0):
            x.append(strip * STRIP_PX + share * (STRIP_PX - 1))
            y.append(b.left[k] + share * (b.right[k] - b.left[k]))
    changes = np.array([beams[s].change[k] for s, k in path])
    clear = np.array([beams[s].clear[k] for s, k in path])
    # Whitened, so that channels count alike; the length of the mean is kept.
    mean = np.average(changes, axis=0, weights=clear)
    return Chain(np.array(x), np.array(y), mean.astype(np.float32), float(np.sum(clear - 1.0)))
