"""Each side of the end as a straight line fitted through many small edge profiles.

Splinters are given little weight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import median, medians
from grainscan.measure.rings_sides import line_scores, meet

__all__ = ["refine_sides"]

FloatArray = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

BESIDE = 3
"""Noise is read on both sides of where an edge is looked for, so many times as far."""


def refine_sides(lab: FloatArray, quad: Points) -> tuple[Points, Points, float]:
    """Fit each side through edge profiles; corners, share of clear edge per side, scatter."""
    lines = [_near_line(lab, quad[i], quad[(i + 1) % 4]) for i in range(4)]
    quad = np.array([meet(lines[i - 1], lines[i]) for i in range(4)])
    support, scatter = np.zeros(4), np.zeros(4)
    for i in range(4):
        lines[i], support[i], scatter[i] = _fit_side(lab, quad[i], quad[(i + 1) % 4])
    quad = np.array([meet(lines[i - 1], lines[i]) for i in range(4)])
    return quad, support, float(np.sqrt(np.mean(scatter**2)))


@dataclass(frozen=True, slots=True)
class _Side:
    """Colour changes across a side: (places, offsets, 3), inwards positive."""

    start: Points
    along: Points
    inward: Points
    places: Points
    offsets: Points
    change: FloatArray

    def line(self, fit: Points) -> Points:
        """Two points on the line at offset ``polyval(fit, place)``, at the side's ends."""
        ends = np.array([0.0, self.places[0] + self.places[-1]])
        return np.asarray(
            self.start + ends[:, None] * self.along + np.polyval(fit, ends)[:, None] * self.inward
        )


def _side(lab: FloatArray, start: Points, end: Points, reach: int) -> _Side:
    import cv2

    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    places = np.linspace(0.03, 0.97, 90) * length
    offsets = np.arange(-reach - 2, reach + 3).astype(np.float64)
    points = start + places[:, None, None] * along + offsets[None, :, None] * inward
    profile = cv2.remap(
        lab,
        points[..., 0].astype(np.float32),
        points[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    profile = cv2.GaussianBlur(profile, (0, 0), sigmaX=1.0, sigmaY=0.6)
    change = np.gradient(profile, axis=1)[:, 2:-2].astype(np.float32)
    return _Side(start, along, inward, places, offsets[2:-2], change)


def _near_line(lab: FloatArray, start: Points, end: Points) -> Points:
    """The clearest continuous line close to a rough side, at the working resolution."""
    reach = max(5, round(0.022 * float(np.hypot(*(end - start)))))
    side = _side(lab, start, end, reach)
    count = len(side.offsets)
    middle = np.arange(count)
    lean = np.arange(-reach, reach + 1)
    part = np.linspace(-0.5, 0.5, len(side.places))
    column = middle[:, None, None] + lean[None, :, None] * part[None, None, :]
    column = np.clip(np.rint(column).astype(int), 0, count - 1)
    places = np.arange(len(side.places))
    # The largest change within a pixel either way: edges are never straight to the pixel.
    wide = side.change + np.roll(side.change, 1, axis=1) + np.roll(side.change, -1, axis=1)
    score = line_scores(np.ascontiguousarray(wide.transpose(1, 0, 2)), column, places)
    # Between equals the one nearest the rough side.
    score = score * np.exp(-0.5 * ((middle - count // 2) / (0.8 * reach)) ** 2)[:, None]
    best, tilt = np.unravel_index(int(np.argmax(score)), score.shape)
    offset, slope = side.offsets[best], lean[tilt] / (side.places[-1] - side.places[0])
    centre = 0.5 * (side.places[0] + side.places[-1])
    return side.line(np.array([slope, offset - slope * centre]))


def _fit_side(lab: FloatArray, start: Points, end: Points) -> tuple[Points, float, float]:
    """Straight line through the strongest steps of many profiles across one side."""
    length = float(np.hypot(*(end - start)))
    reach = max(3, round(0.008 * length))
    beside = BESIDE * reach
    side = _side(lab, start, end, reach + beside)
    # The side's own direction of change (background to wood) tells its edge from inner lines.
    middle = reach + beside
    usual = medians(side.change[:, middle - 1 : middle + 2], (0, 1))
    way = usual / (np.linalg.norm(usual) + 1e-6)
    change = side.change @ way
    signed = change[:, beside:-beside]
    peak = signed.argmax(axis=1)
    height = signed[np.arange(len(peak)), peak]
    # Where a lens has blurred the edge, all that is near it is edge: noise is read beside it.
    noise = median(np.abs(np.hstack([change[:, :beside], change[:, -beside:]]))) + 1e-6
    seen = height > max(0.3 * median(height), 1.5 * noise)
    position = side.offsets[beside + peak] + _vertex(signed, peak)
    fit, weight = _robust_line(side.places, position, np.maximum(height, 0) * seen + 1e-3)
    residual = position - np.polyval(fit, side.places)
    near = np.abs(residual) < max(0.004 * length, 1.5)
    share = float(np.mean(seen & near))
    rms = float(np.sqrt(np.average(residual**2, weights=weight)))
    return side.line(fit), share, rms


def _vertex(values: FloatArray, peak: npt.NDArray[np.intp]) -> npt.NDArray[np.float64]:
    """Sub-sample offset of each row's peak by the parabola through three samples."""
    rows = np.arange(len(peak))
    inner = np.clip(peak, 1, values.shape[1] - 2)
    a, b, c = values[rows, inner - 1], values[rows, inner], values[rows, inner + 1]
    bend = a - 2 * b + c
    offset = np.where(np.abs(bend) > 1e-9, 0.5 * (a - c) / np.where(bend == 0, 1, bend), 0.0)
    return np.clip(offset, -0.5, 0.5).astype(np.float64)


def _robust_line(
    x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], weight: npt.NDArray[np.floating]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Straight line by reweighted least squares with Tukey's weights; coefficients, weights."""
    order = np.argsort(y)
    share = np.cumsum(weight[order]) / weight.sum()
    fit = np.array([0.0, float(y[order][np.searchsorted(share, 0.5)])])
    used = weight.astype(np.float64)
    for _ in range(12):
        residual = y - np.polyval(fit, x)
        size = max(1.4826 * median(np.abs(residual)), 0.15)
        tukey = np.clip(1 - (residual / (4.7 * size)) ** 2, 0, None) ** 2
        used = weight * tukey + 1e-9
        fit = np.polyfit(x, y, 1, w=np.sqrt(used))
    return fit, used
