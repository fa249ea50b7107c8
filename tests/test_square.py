"""Check of squared parts: closed forms for one slope, and where a fibre leaves."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.judge.limits import parse_limit
from grainscan.workshop.solid import NotKnown
from grainscan.workshop.square import check_square
from tests.bench_made import measured, tan

LIMIT = parse_limit("1:20")


def square(a_deg, b_deg, **rest):
    values = {"width_mm": 30.0, "height_mm": 24.0, "length_mm": 400.0, **rest}
    return measured([a_deg] * 21, [b_deg] * 21, spread_deg=0.01, mean_spread_deg=0.01, **values)


@given(a=st.floats(-5, 5), b=st.floats(-5, 5))
@settings(max_examples=25)
def test_one_slope_closed_forms(a, b):
    """Face A shows −fy/fz across the 30 mm width, face B fx/fz across the 24 mm height."""
    check = check_square(square(a, b), LIMIT)
    x, y = 400 * tan(b), -400 * tan(a)
    assert check.corner_off_mm == (pytest.approx(x, abs=0.01), pytest.approx(y, abs=0.01))
    assert check.farthest_off_mm == pytest.approx((x * x + y * y) ** 0.5, abs=0.01)
    expected = max(0, 1 - abs(x) / 24) * max(0, 1 - abs(y) / 30)
    assert check.through == pytest.approx(expected, abs=0.03)


def test_where_the_middle_fibre_leaves():
    """Half of 24 mm at 4 degrees: out through face A after 12 / tan 4°, if B climbs."""
    face, after = check_square(square(0.0, 4.0), LIMIT).leaves
    assert (face, after) == ("A", pytest.approx(12 / tan(4.0), abs=0.1))
    face, after = check_square(square(4.0, 0.0), LIMIT).leaves
    assert (face, after) == ("opposite B", pytest.approx(15 / tan(4.0), abs=0.1))
    assert check_square(square(0.5, 0.5), LIMIT).leaves is None


def test_sorted_for_its_role():
    assert check_square(square(0.5, 0.5), LIMIT).judged.sort == "keep"
    assert check_square(square(4.0, 3.0), LIMIT).judged.sort == "set aside"
    wave = measured([0.0] * 10 + [6.0] + [0.0] * 10, [0.0] * 21)
    steep = check_square(wave, LIMIT).judged
    assert steep.sort == "check"
    assert "steepest stretch" in steep.because[0]


def test_a_wave_counts_by_how_far_it_goes():
    """Out and back: the corners meet their fibres again, the farthest place does not."""
    wave = measured([3.0] * 10 + [0.0] + [-3.0] * 10, [0.0] * 21, length_mm=400.0)
    check = check_square(wave, LIMIT)
    assert check.corner_off_mm[1] == pytest.approx(0.0, abs=0.3)
    assert check.farthest_off_mm > 8.0
    assert check.farthest_at == pytest.approx(0.5, abs=0.05)


def test_unsure_fibres_widen_the_range():
    sure = check_square(square(1.0, 0.0), LIMIT)
    wide = check_square(measured([1.0] * 21, [0.0] * 21, mean_spread_deg=0.3), LIMIT)
    assert sure.through_high - sure.through_low < 0.03
    assert wide.through_low < wide.through < wide.through_high + 0.02
    assert wide.through_high - wide.through_low > 0.08


def test_one_face_is_not_enough():
    check = check_square(measured([1.0] * 9, [1.0] * 9, face_b=False), LIMIT)
    assert isinstance(check, NotKnown)
    assert "face B" in check.reason
