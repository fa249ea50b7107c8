"""Lines through points, where SciPy's own would load its statistics and splines: half a second."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["arc_length", "rank_correlation", "robust_line", "smooth_through"]

FloatArray = npt.NDArray[np.float64]


def arc_length(points: FloatArray) -> float:
    """Length of the course through points (N, 2) in their order."""
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def robust_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and start of a straight line through points (N,): the median of all pairs' slopes.

    H. Theil, "A rank-invariant method of linear and polynomial regression analysis", Proc. Kon.
    Ned. Akad. Wet. 53, 1950; P. K. Sen, J. Amer. Statist. Assoc. 63, 1968.
    """
    one, other = np.triu_indices(len(x), 1)
    apart = x[other] - x[one]
    some = apart != 0.0
    slope = float(np.median((y[other] - y[one])[some] / apart[some]))
    return slope, float(np.median(y) - slope * np.median(x))


def rank_correlation(x: FloatArray, y: FloatArray) -> float:
    """Spearman's coefficient of points (N,); 0 where one of both never changes."""
    first, second = _ranks(x), _ranks(y)
    spread = np.sqrt((first @ first) * (second @ second))
    return float(first @ second / spread) if spread > 0.0 else 0.0


def _ranks(values: FloatArray) -> FloatArray:
    """Ranks less their mean; equal values share the mean of theirs."""
    _, which, counts = np.unique(values, return_inverse=True, return_counts=True)
    rank = (np.cumsum(counts) - (counts - 1) / 2.0)[which]
    return np.asarray(rank - rank.mean())


def smooth_through(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """A smooth curve through points (N,), x rising, at places (M,): cubics from point to point.

    Each point's slope is that of the parabola through it and its neighbours. Outside the points
    the outermost cubics go on.
    """
    slope = np.gradient(y, x, edge_order=2)
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    width = x[i + 1] - x[i]
    t = (at - x[i]) / width
    rise = (y[i + 1] - y[i]) / width
    bend = slope[i] + slope[i + 1] - 2.0 * rise
    inner = slope[i] + t * (3.0 * rise - 2.0 * slope[i] - slope[i + 1] + t * bend)
    return np.asarray(y[i] + t * width * inner)
