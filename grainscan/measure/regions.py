"""Which places beside a long edge belong to the face, and which to the bench: colour and texture.

On a bench of the same wood an edge may be fainter than the rings on both sides of it, and what is
followed is a ring. But the places between it and the true edge look like the face in all else: in
colour, and in which way their fine texture runs. What face and bench look like is learnt in this
very picture, stretch by stretch along the length: the face's core, and the bench some way outside
each edge. The log odds of every place, summed from the core outwards, are greatest at the edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.edges import smooth_curve, unrolled
from grainscan.measure.look import ENERGY, TEXTURE_WEIGHT, features
from grainscan.measure.refine import Refined
from grainscan.measure.sides import WIDTH_BENDS, Curve, Rough

__all__ = [
    "LEAST_END_GAIN",
    "LEAST_GAIN",
    "EndOdds",
    "RegionOdds",
    "end_odds",
    "region_odds",
]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

COLUMNS = 400
MOST_ROWS = 300
OUTSIDE = 1.0
"""How far outside the outline is looked, in widths."""

ALONG_COLUMNS, ACROSS_ROWS = 10.0, 1.5
"""Spread of the means of colour and texture: long edges run along, so the means may be long."""

CORE = 0.3
BENCH_FROM = 0.85
"""From the middle, in widths: all is face up to the first, and bench from the second on."""

STRETCHES = 6
FREEDOM = 4.0
"""Degrees of freedom of the t law of what is seen: rings, stains and shadows are common."""

OWN_VARIANCE = 0.5
"""Of every feature (L* and the like, squared), for noise and uneven light."""

MOST_ODDS = 2.0
"""Of one place: no place is surer than one in seven (no source)."""

PER_PIXEL = COLUMNS / (3.5 * ALONG_COLUMNS) / (3.5 * ACROSS_ROWS)
"""Of log odds that all columns say, one counts: means over neighbouring places say the same. (The
equivalent width of a Gaussian mean is 3.5 of its spreads.)"""

SMEARED_PX = 3.0
"""What an edge's place is uncertain by, for colours and texture are means over some rows."""

LEAST_GAIN = 3.0 + SMEARED_PX * MOST_ODDS * PER_PIXEL
"""Log odds by which another course must explain the places better: one to twenty, and what
that is worth."""


END_REACH = 0.3
"""Share of the length looked at on both sides of an end."""

END_COLUMNS = 300
END_ROWS = 90
END_COLUMNS_MEAN = 3.0
PER_COLUMN = END_ROWS * CORE / (0.5 + OUTSIDE) / (3.5 * ACROSS_ROWS) / (3.5 * END_COLUMNS_MEAN)
"""Of log odds averaged over a column of the core, so many count."""

LEAST_END_GAIN = 3.0 + 1.5 * END_COLUMNS_MEAN * MOST_ODDS * PER_COLUMN
"""As `LEAST_GAIN`, for ends: a mean smears them over one and a half of its spreads to each side."""


@dataclass(frozen=True, slots=True)
class RegionOdds:
    """Log odds that a place is the face's.

    ``share`` (N,): of the length; ``middle`` (N,): the place across midway between the edges;
    ``summed`` (2, K, N): log odds summed from there upwards and downwards over K rows ``step``
    pixels apart.
    """

    share: FloatArray
    middle: FloatArray
    step: float
    summed: FloatArray

    def at(self, side: int, across: FloatArray) -> float:
        """Log odds of all places up to a course (N,) of the top (0) or bottom (1) edge."""
        away = (across - self.middle) * (1.0 if side == 1 else -1.0)
        row = np.clip(np.round(away / self.step).astype(int), 0, self.summed.shape[1] - 1)
        return float(self.summed[side, row, np.arange(len(row))].mean()) * PER_PIXEL

    def best(self, side: int, beside: Curve) -> Curve:
        """The course of an edge at which the odds are greatest, given the other long edge: both
        bend with one axis, so their distance changes evenly.
        """
        from scipy.ndimage import gaussian_filter1d

        even = gaussian_filter1d(self.summed[side], 1.5 * ALONG_COLUMNS, axis=1, mode="nearest")
        row = np.argmax(even, axis=0)
        # Where the odds beyond fall off steeply a place is sure.
        beyond = np.minimum(row + round(0.1 * len(even)), len(even) - 1)
        column = np.arange(len(row))
        weight = np.maximum(even[row, column] - even[beyond, column], 1e-3)
        across = self.middle + row * self.step * (1.0 if side == 1 else -1.0)
        curve, _ = smooth_curve(
            self.share, across - beside(self.share), weight, most_bends=WIDTH_BENDS
        )
        return curve + beside


def region_odds(picture: ByteArray, rough: Rough, found: Refined) -> RegionOdds:
    """The odds round an outline ``found`` in a picture (M, N, 3) uint8 RGB."""
    share = np.linspace(0.02, 0.98, COLUMNS)
    top, bottom = found.top(share), found.bottom(share)
    middle = (top + bottom) / 2.0
    width = float(np.median(bottom - top))
    half = (0.5 + OUTSIDE) * width
    step = float(max(1.0, 2.0 * half / MOST_ROWS))
    count = int(half / step)
    off = np.arange(-count, count + 1, dtype=np.float64) * step
    normals = np.broadcast_to(rough.across, (COLUMNS, 2))
    band = unrolled(picture, rough.points(share, middle), normals, off)
    seen = features(np.clip(band, 0, 255).astype(np.uint8), ALONG_COLUMNS, ACROSS_ROWS)
    summed = np.stack(
        [
            np.cumsum(_odds(seen[rows], np.abs(off[rows]) / width), axis=0) * step
            for rows in (slice(count, None, -1), slice(count, None))
        ]
    )
    return RegionOdds(share, middle, step, summed)


@dataclass(frozen=True, slots=True)
class EndOdds:
    """Log odds that the face goes on to a place along the length, summed from its inside out.

    ``share`` (K,): places from inside the face outwards; ``summed`` (K,).
    """

    share: FloatArray
    summed: FloatArray

    def at(self, share: float) -> float:
        return float(self.along(np.array([share]))[0])

    def along(self, share: FloatArray) -> FloatArray:
        """Log odds up to places (N,) along the length."""
        forth = self.share[-1] > self.share[0]
        places, summed = (
            (self.share, self.summed) if forth else (self.share[::-1], self.summed[::-1])
        )
        return np.asarray(np.interp(share, places, summed), dtype=np.float64)

    @property
    def best(self) -> float:
        return float(self.share[int(np.argmax(self.summed))])


def end_odds(picture: ByteArray, rough: Rough, found: Refined, side: int) -> EndOdds:
    """The odds along the length about the left (0) or right (1) end of an outline ``found``.

    What the bench looks like is learnt above and below the face, about where it ends.
    """
    # From inside the face outwards.
    inner, outer = (END_REACH, -END_REACH) if side == 0 else (1.0 - END_REACH, 1.0 + END_REACH)
    share = np.linspace(inner, outer, END_COLUMNS)
    inside = np.clip(share, 0.0, 1.0)
    top, bottom = found.top(inside), found.bottom(inside)
    width = float(np.median(bottom - top))
    middle = (top + bottom) / 2.0
    # Beyond the end its line goes on as it runs there.
    slope = float(((found.top + found.bottom) / 2.0).deriv()(float(side)))
    middle = middle + slope * (share - inside)
    away: FloatArray = np.linspace(-(0.5 + OUTSIDE), 0.5 + OUTSIDE, END_ROWS)
    offsets: FloatArray = away * width
    normals = np.broadcast_to(rough.across, (END_COLUMNS, 2))
    points = rough.points(share, middle)
    band = unrolled(picture, points, normals, offsets)
    seen = features(np.clip(band, 0, 255).astype(np.uint8), END_COLUMNS_MEAN, ACROSS_ROWS)
    core, bench = np.abs(away) < CORE, np.abs(away) > BENCH_FROM
    surely = slice(0, END_COLUMNS // 3)
    odds = _face_or_bench(seen[core], seen[core][:, surely], seen[bench]).mean(axis=0)
    size = np.array(picture.shape[1::-1])
    odds[((points < 1.0) | (points > size - 2.0)).any(axis=1)] = -MOST_ODDS
    return EndOdds(share, np.cumsum(odds) * PER_COLUMN)


def _odds(seen: Float32Array, away: FloatArray) -> FloatArray:
    """Log odds of face against bench (K, N), rows from the middle outwards; ``away`` in widths."""
    columns = seen.shape[1]
    core, bench = seen[away < CORE], seen[away > BENCH_FROM]
    length = columns // STRETCHES
    total, weight = np.zeros(seen.shape[:2]), np.zeros(columns)
    # Stretches overlap by half, and each counts most in its middle.
    for first in range(-length // 2, columns, length // 2):
        here = slice(max(0, first), min(columns, first + length))
        size = here.stop - here.start
        if size < 8:
            continue
        odds = _face_or_bench(seen[:, here], core[:, here], bench[:, here])
        tent = 1.05 - np.abs(np.linspace(-1.0, 1.0, size))
        total[:, here] += odds * tent
        weight[here] += tent
    return np.asarray(total / weight)


def _face_or_bench(places: Float32Array, face: Float32Array, bench: Float32Array) -> FloatArray:
    """Log odds (K, N) that places are like the face, and not like the bench or its shadow."""
    lit = float(np.median(bench[..., 0]))
    on_bench = np.maximum(_log_t(places, bench), _log_t(_out_of_shadow(places, lit), bench))
    return np.clip(_log_t(places, face) - on_bench, -MOST_ODDS, MOST_ODDS)


def _out_of_shadow(seen: Float32Array, lit: float) -> Float32Array:
    """Places darker than the bench as they would look in its light.

    Light is a factor: it takes L* + 16, a* and b* alike (CIELAB's cube roots), and the grey levels'
    changes, which go with the 2.2th root.
    """
    factor = np.maximum((lit + 16.0) / (seen[..., 0] + 16.0), 1.0)
    bright = seen.copy()
    bright[..., 0] = np.maximum(seen[..., 0], lit)
    bright[..., 1:3] *= factor[..., None]
    bright[..., ENERGY] += TEXTURE_WEIGHT * np.log(factor) * 3.0 / 2.2
    return np.asarray(bright, dtype=np.float32)


def _log_t(seen: Float32Array, sample: Float32Array) -> FloatArray:
    """Log density, but for a constant, of places (K, N, F) under a t law like the sample's."""
    features = sample.reshape(-1, sample.shape[-1]).astype(np.float64)
    covariance = np.cov(features.T) + OWN_VARIANCE * np.eye(features.shape[1])
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    off = (seen - features.mean(axis=0).astype(np.float32)) @ root.T.astype(np.float32)
    squared = np.einsum("...f,...f->...", off, off)
    law = -0.5 * (FREEDOM + features.shape[1]) * np.log1p(squared / FREEDOM)
    return np.asarray(law + np.log(np.diag(root)).sum(), dtype=np.float64)
