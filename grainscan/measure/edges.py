"""Sub-pixel edges: a bright-dark step followed along a long side, and a smooth curve through it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["EdgeTrace", "smooth_curve", "trace_step", "unrolled"]

FloatArray = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

MOST_BENDS = 12
"""Highest polynomial degree tried for a long edge; which one is used is decided by the data."""


@dataclass(frozen=True, slots=True)
class EdgeTrace:
    """A step followed through an unrolled band.

    ``offset_px`` (N,): sub-pixel offset of the step per column. ``step`` (N,): its height, in
    the band's units. ``noise``: scatter of the same filter's output away from the step.
    """

    offset_px: Float64Array
    step: Float64Array
    noise: float


def unrolled(
    picture: npt.NDArray[np.float32],
    points: Float64Array,
    normals: Float64Array,
    offsets: Float64Array,
) -> FloatArray:
    """Sample (K, N, channels) at K ``offsets`` along ``normals`` (N, 2) of ``points`` (N, 2)."""
    import cv2

    x = points[None, :, 0] + offsets[:, None] * normals[None, :, 0]
    y = points[None, :, 1] + offsets[:, None] * normals[None, :, 1]
    band = cv2.remap(
        picture,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(band, dtype=np.float32)


def trace_step(band: FloatArray, offsets: Float64Array, *, sigma_px: float = 1.2) -> EdgeTrace:
    """Follow the strongest rising step (along increasing offset) across a band (K, N).

    The path maximises the summed response of a derivative of Gaussian while moving by at most
    one row per column (dynamic programming); each point is then refined by a parabola.
    """
    from scipy.ndimage import gaussian_filter1d

    spacing = offsets[1] - offsets[0]
    response = gaussian_filter1d(band, sigma_px / spacing, axis=0, order=1, mode="nearest")
    response = gaussian_filter1d(response, 1.0, axis=1, mode="nearest")
    rows = _best_path(np.maximum(response, 0.0))
    columns = np.arange(band.shape[1])
    inner = np.clip(rows, 1, band.shape[0] - 2)
    below, here, above = (response[inner + d, columns] for d in (-1, 0, 1))
    curvature = below - 2 * here + above
    shift = np.where(curvature < -1e-6, 0.5 * (below - above) / np.minimum(curvature, -1e-6), 0.0)
    position = offsets[0] + spacing * (inner + np.clip(shift, -1, 1))
    away = np.abs(np.arange(band.shape[0])[:, None] - rows[None, :]) > 4.0 * sigma_px / spacing
    noise = 1.4826 * float(np.median(np.abs(response[away]))) if away.any() else 0.0
    return EdgeTrace(position.astype(np.float64), here.astype(np.float64), noise)


def smooth_curve(
    share: Float64Array, offset: Float64Array, weight: Float64Array, *, most_bends: int = MOST_BENDS
) -> tuple[np.polynomial.Chebyshev, float]:
    """Smooth robust curve through edge points, and the scatter of the points about it.

    Chebyshev polynomial over ``share`` (0 to 1). The degree is the one that best predicts
    left-out stretches of the edge (cross-validation by blocks, because neighbouring points of a
    torn edge err together). Outliers (splinters, chips) lose their weight by Tukey's biweight.
    """
    degrees = range(1, most_bends + 1)
    blocks = (share * 12).astype(int) % 6
    errors = []
    for degree in degrees:
        total = 0.0
        for block in range(6):
            train = blocks != block
            curve = _robust_fit(share[train], offset[train], weight[train], degree)
            total += float(np.sum(np.minimum(np.abs(offset[~train] - curve(share[~train])), 8.0)))
        errors.append(total)
    # The simplest curve within 2 % of the best: a bend must earn its place.
    chosen = next(d for d, e in zip(degrees, errors, strict=True) if e <= 1.02 * min(errors))
    curve = _robust_fit(share, offset, weight, chosen)
    scatter = 1.4826 * float(np.median(np.abs(offset - curve(share))))
    return curve, scatter


def _robust_fit(
    share: Float64Array, offset: Float64Array, weight: Float64Array, degree: int
) -> np.polynomial.Chebyshev:
    robust = np.ones_like(offset)
    for _ in range(4):
        curve = np.polynomial.Chebyshev.fit(
            share, offset, degree, domain=[0.0, 1.0], w=np.sqrt(weight * robust + 1e-9)
        )
        residual = np.abs(offset - curve(share))
        scale = 1.4826 * np.median(residual) + 0.02
        robust = np.clip(1.0 - (residual / (4.685 * scale)) ** 2, 0.0, 1.0) ** 2
    return curve


def _best_path(score: FloatArray) -> npt.NDArray[np.intp]:
    rows, columns = score.shape
    best = np.empty((rows, columns), np.float32)
    came = np.zeros((rows, columns), np.intp)
    best[:, 0] = score[:, 0]
    index = np.arange(rows)
    for column in range(1, columns):
        padded = np.pad(best[:, column - 1], 1, constant_values=-np.inf)
        moves = np.stack([padded[:-2], padded[1:-1], padded[2:]])
        choice = np.argmax(moves, axis=0)
        best[:, column] = moves[choice, index] + score[:, column]
        came[:, column] = index + choice - 1
    path = np.empty(columns, np.intp)
    path[-1] = int(np.argmax(best[:, -1]))
    for column in range(columns - 1, 0, -1):
        path[column - 1] = came[path[column], column]
    return path
