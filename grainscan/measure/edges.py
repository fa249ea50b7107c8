"""Sub-pixel edges: a bright-dark step followed along a long side, and a smooth curve through it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import median

__all__ = [
    "MOST_BENDS",
    "EdgeTrace",
    "reduced",
    "smooth_curve",
    "trace_step",
    "unrolled",
    "unrolled_colours",
]

FloatArray = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

MOST_BENDS = 8
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


def reduced(pixels: npt.NDArray[np.uint8], width_px: int) -> tuple[npt.NDArray[np.uint8], float]:
    """A smaller copy and its scale (small = scale · full). Area reduction does not alias."""
    import cv2

    scale = min(1.0, width_px / max(pixels.shape[:2]))
    if scale == 1.0:
        return pixels, 1.0
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)), scale


def unrolled(
    picture: npt.NDArray[np.float32] | npt.NDArray[np.uint8],
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


def unrolled_colours(
    picture: npt.NDArray[np.uint8],
    points: Float64Array,
    normal: Float64Array,
    offsets: Float64Array,
) -> FloatArray:
    """CIELAB (K, N, 3) at K ``offsets`` along one ``normal`` (2,) from ``points`` (N, 2)."""
    import cv2

    normals = np.broadcast_to(normal, points.shape)
    band = unrolled(picture, points, normals, offsets)
    return np.asarray(cv2.cvtColor(band / np.float32(255.0), cv2.COLOR_RGB2LAB), dtype=np.float32)


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
    noise = 1.4826 * median(np.abs(response[away])) if away.any() else 0.0
    return EdgeTrace(position.astype(np.float64), here.astype(np.float64), noise)


def smooth_curve(
    share: Float64Array, offset: Float64Array, weight: Float64Array, *, most_bends: int = MOST_BENDS
) -> tuple[np.polynomial.Chebyshev, float]:
    """Smooth robust curve through edge points, and the scatter of the points about it.

    Chebyshev polynomial over ``share`` (0 to 1). The degree is the one that best predicts
    left-out stretches of the edge (cross-validation by blocks, because neighbouring points of a
    torn edge err together). Outliers (splinters, chips) lose their weight by Tukey's biweight.
    """
    basis = np.asarray(
        np.polynomial.chebyshev.chebvander(2.0 * share - 1.0, most_bends), dtype=np.float64
    )
    _, robust = _robust_fit(basis, offset, weight)
    chosen = _best_degree(basis, offset, weight * robust + 1e-9, (share * 12).astype(int) % 6)
    coefficients, _ = _robust_fit(basis[:, : chosen + 1], offset, weight)
    curve = np.polynomial.Chebyshev(coefficients, domain=[0.0, 1.0])
    scatter = 1.4826 * median(np.abs(offset - curve(share)))
    return curve, scatter


def _best_degree(
    basis: Float64Array, offset: Float64Array, weight: Float64Array, blocks: npt.NDArray[np.int_]
) -> int:
    """The simplest degree whose curves predict the left-out blocks within 2 % of the best."""
    most = basis.shape[1] - 1
    if most == 1:
        return 1
    members = [blocks == block for block in range(int(blocks.max()) + 1)]
    weighted = basis * weight[:, None]
    gram, target = weighted.T @ basis, weighted.T @ offset
    errors = np.zeros(most)
    for inside in members:
        without = gram - weighted[inside].T @ basis[inside]
        aim = target - weighted[inside].T @ offset[inside]
        for degree in range(1, most + 1):
            terms = slice(0, degree + 1)
            solved = np.linalg.lstsq(without[terms, terms], aim[terms], rcond=1e-10)[0]
            off = np.abs(offset[inside] - basis[inside, terms] @ solved)
            errors[degree - 1] += float(np.minimum(off, 8.0).sum())
    # A bend must earn its place.
    return 1 + int(np.argmax(errors <= 1.02 * errors.min()))


def _robust_fit(
    basis: Float64Array, offset: Float64Array, weight: Float64Array
) -> tuple[Float64Array, Float64Array]:
    """Coefficients and the points' robust weights (0 to 1)."""
    robust = np.ones_like(offset)
    for _ in range(4):
        weighted = basis * (weight * robust + 1e-9)[:, None]
        solved = np.linalg.lstsq(weighted.T @ basis, weighted.T @ offset, rcond=1e-10)[0]
        residual = np.abs(offset - basis @ solved)
        scale = 1.4826 * median(residual) + 0.02
        robust = np.clip(1.0 - (residual / (4.685 * scale)) ** 2, 0.0, 1.0) ** 2
    return np.asarray(solved, dtype=np.float64), robust


def _best_path(score: FloatArray) -> npt.NDArray[np.intp]:
    """Row per column of the path of greatest summed score that moves by at most one row."""
    rows, columns = score.shape
    steps = np.ascontiguousarray(score.T)
    # Best sums up to each column, with a row beyond either side that no path enters.
    sums = np.full((columns, rows + 2), -np.inf, np.float32)
    sums[0, 1:-1] = steps[0]
    for column in range(1, columns):
        before, here = sums[column - 1], sums[column, 1:-1]
        np.maximum(before[:-2], before[1:-1], out=here)
        np.maximum(here, before[2:], out=here)
        here += steps[column]
    path = np.empty(columns, np.intp)
    path[-1] = row = int(np.argmax(sums[-1, 1:-1]))
    for column in range(columns - 2, -1, -1):
        row += int(np.argmax(sums[column, row : row + 3])) - 1
        path[column] = row
    return path
