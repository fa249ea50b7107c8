"""Small line fits against SciPy's, which take long to load."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.stats import spearmanr, theilslopes

from grainscan.measure.lines import rank_correlation, robust_line, smooth_through


@pytest.mark.parametrize("count", [2, 7, 20])
def test_a_robust_line_is_scipys(count):
    rng = np.random.default_rng(count)
    x, y = rng.permutation(count).astype(float), rng.normal(size=count)
    y[0] += 100.0
    assert robust_line(x, y) == pytest.approx(theilslopes(y, x)[:2])


def test_points_above_each_other_say_nothing_of_the_slope():
    x, y = np.array([0.0, 1.0, 1.0, 2.0]), np.array([0.0, 2.0, 9.0, 4.0])
    assert robust_line(x, y) == pytest.approx(theilslopes(y, x)[:2])


def test_rank_correlation_is_scipys_with_equal_values_too():
    rng = np.random.default_rng(3)
    for _ in range(20):
        x, y = rng.integers(0, 5, 12).astype(float), rng.normal(size=12)
        assert rank_correlation(x, y) == pytest.approx(spearmanr(x, y).statistic)
    assert rank_correlation(np.ones(5), np.arange(5.0)) == 0.0


def test_a_smooth_curve_goes_through_its_points_and_between_them_like_a_spline():
    x = np.linspace(-3.0, 3600.0, 101) + np.random.default_rng(4).uniform(-5, 5, 101)
    # An edge with a bend of a tenth of its length and a lens's distortion on it.
    y = 300.0 + 1e-5 * (x - 1800.0) ** 2 + 20.0 * np.sin(x / 900.0)
    assert smooth_through(x, y, x) == pytest.approx(y, abs=1e-9)
    at = np.arange(0.0, 3590.0)
    assert np.abs(smooth_through(x, y, at) - CubicSpline(x, y)(at)).max() < 2e-3
