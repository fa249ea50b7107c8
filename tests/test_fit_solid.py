"""The blank as a solid: frames, sizes, bends, unread stretches, errors that belong together."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.workshop.field_errors import correlation_length, field_errors
from grainscan.workshop.part_slope import slope_over
from grainscan.workshop.solid import NotKnown, solid_of
from tests.bench_made import end_scan, face, measured, tan


def test_tangents_come_from_the_other_face_with_the_frames_signs():
    blank = solid_of(measured([2.0] * 9, [-1.0] * 9))
    assert blank.slope[0] == pytest.approx(tan(-1.0))  # fx/fz, seen on face B
    assert blank.slope[1] == pytest.approx(-tan(2.0))  # fy/fz, minus the angle on face A
    assert (blank.width_mm, blank.height_mm, blank.length_mm) == (
        pytest.approx(30), pytest.approx(30), 500,
    )  # fmt: skip


def test_drift_of_one_slope():
    blank = solid_of(measured([2.0] * 9, [-1.0] * 9))
    assert blank.drift_mm[:, -1] == pytest.approx([500 * tan(-1.0), -500 * tan(2.0)])


def test_a_bend_up_in_the_photograph():
    """60 px up over 1000 px of length: on face B up is x, on face A up is −y."""
    m = measured([0.0] * 9, [0.0] * 9)
    bent_b = dataclasses.replace(m, face_b=face([0.0] * 9, bend_px=60.0))
    blank = solid_of(bent_b)
    assert blank.axis_mm[0].max() == pytest.approx(60 * 500 / 1000, rel=0.02)
    assert np.abs(blank.axis_mm[1]).max() < 1e-6
    bent_a = dataclasses.replace(m, face_a=face([0.0] * 9, bend_px=60.0))
    assert solid_of(bent_a).axis_mm[1].min() == pytest.approx(-30, rel=0.02)


def test_a_taper_seen_on_a_face_narrows_the_wood():
    m = measured([0.0] * 9, [0.0] * 9)
    a = m.face_a
    bottom = tuple((x, 260.0 - 0.02 * (x - 100.0)) for x, _ in a.bottom_edge_px)
    blank = solid_of(dataclasses.replace(m, face_a=dataclasses.replace(a, bottom_edge_px=bottom)))
    widths = blank.walls_mm[3] - blank.walls_mm[2]
    assert widths[0] / widths[-1] == pytest.approx(60 / 40, rel=1e-3)
    assert np.median(widths) == pytest.approx(30)
    assert (blank.walls_mm[1] - blank.walls_mm[0]) == pytest.approx(30)


@pytest.mark.parametrize(
    ("sizes", "expected"),
    [
        ({"width_mm": None}, (30, 30, 500)),
        ({"height_mm": None}, (30, 30, 500)),
        ({"length_mm": None}, (30, 30, 500)),
    ],
)
def test_a_missing_size_is_taken_from_the_pictures_and_said(sizes, expected):
    """The made faces are 1000 × 60 pixels, so 500 mm of length go with 30 mm of width."""
    blank = solid_of(measured([0.0] * 9, [0.0] * 9, **sizes))
    found = (blank.width_mm, blank.height_mm, blank.length_mm)
    assert found == pytest.approx(expected, rel=1e-3)
    assert "measure it" in blank.notes[0]


def test_without_any_size_it_is_not_known_but_the_end_may_tell():
    nothing = {"width_mm": None, "height_mm": None, "length_mm": None}
    m = measured([0.0] * 9, [0.0] * 9, **nothing)
    assert isinstance(solid_of(m), NotKnown)
    assert "blank.toml" in solid_of(m).reason
    assert not solid_of(m)
    with_end = dataclasses.replace(m, end=end_scan(width_mm=30.0, height_mm=28.0))
    blank = solid_of(with_end)
    assert (blank.width_mm, blank.height_mm) == (pytest.approx(30), pytest.approx(28))


def test_an_unread_face_is_not_known():
    m = measured([0.0] * 9, [0.0] * 9)
    unread = dataclasses.replace(m.face_a, angle_deg=None)
    reason = solid_of(dataclasses.replace(m, face_a=unread, fibre=())).reason
    assert "fibres on face A cannot be read" in reason


def test_angles_without_intervals_are_not_known():
    m = measured([0.0] * 9, [0.0] * 9)
    bare = dataclasses.replace(m.face_b, low_deg=None, high_deg=None)
    assert isinstance(solid_of(dataclasses.replace(m, face_b=bare)), NotKnown)


def test_gaps_are_bridged_if_short_and_unread_if_long():
    short = [0.0] * 9 + [None] + [0.0] * 11
    assert solid_of(measured(short, [0.0] * 21)).unread == ()
    long = [0.0] * 9 + [None] * 4 + [0.0] * 8
    ((start, stop),) = solid_of(measured(long, [0.0] * 21)).unread
    assert (start, stop) == (pytest.approx(8.5 / 21 * 500), pytest.approx(13.5 / 21 * 500))
    at_end = [None] * 4 + [0.0] * 17
    ((start, stop),) = solid_of(measured(at_end, [0.0] * 21)).unread
    assert (start, stop) == (0.0, pytest.approx(4.5 / 21 * 500))


def test_arrays_cannot_be_changed():
    blank = solid_of(measured([0.0] * 9, [0.0] * 9))
    with pytest.raises(ValueError, match="read-only"):
        blank.slope[0, 0] = 1.0


@given(
    sigma=st.lists(st.floats(0.1, 1.0), min_size=5, max_size=21),
    share=st.floats(0.05, 0.95),
)
def test_correlation_length_gives_the_mean_its_error(sigma, share):
    at, s = (np.arange(len(sigma)) + 0.5) / len(sigma), np.array(sigma)
    independent = math.sqrt((s**2).sum()) / len(s)
    wanted = independent + share * (s.mean() - independent)
    length = correlation_length(at, s, wanted)
    covariance = np.outer(s, s) * np.exp(-np.abs(at[:, None] - at[None, :]) / length)
    assert math.sqrt(covariance.mean()) == pytest.approx(wanted, rel=2e-3)


def test_errors_reproduce_both_intervals():
    """Stations ±0.5°, mean ±0.3°: both must come back from the errors at the stations' places."""
    shown = face([1.0] * 21, spread_deg=0.5, mean_spread_deg=0.3)
    at = (np.arange(21) + 0.5) / 21
    errors = field_errors(shown, shown, at)
    unit = math.radians(1.0) / 1.6448536 / math.cos(math.radians(1.0)) ** 2
    assert errors.sigma[0] == pytest.approx(0.5 * unit, rel=1e-6)
    assert errors.of_mean(np.full(21, 1 / 21))[0] == pytest.approx(0.3 * unit, rel=1e-4)
    draws = errors.draws(4000)
    assert draws.std(axis=0)[0] == pytest.approx(0.5 * unit, rel=0.06)
    assert draws[:, 0].mean(axis=1).std() == pytest.approx(0.3 * unit, rel=0.06)
    assert np.array_equal(draws, errors.draws(4000))


@given(stretch=st.integers(20, 180), start=st.integers(0, 20))
@settings(max_examples=30)
def test_a_stretch_is_known_no_better_than_the_law_allows(stretch, start):
    """A mean over a stretch errs less than one place and more than the whole, roughly."""
    m = measured([1.0] * 21, [0.5] * 21, spread_deg=0.6, mean_spread_deg=0.2)
    blank = solid_of(m)
    z = blank.z_mm[start : start + stretch]
    found = slope_over(blank, z, blank.slope[:, start : start + stretch])
    whole = slope_over(blank, blank.z_mm, blank.slope)
    assert found.angle_deg == pytest.approx(whole.angle_deg, abs=1e-6)
    assert found.high_deg - found.low_deg >= 0.9 * (whole.high_deg - whole.low_deg)
    assert found.high_deg - found.low_deg <= 1.2 * 2 * 0.6


def test_slope_over_has_the_measured_interval_for_the_whole():
    """Angles 3° and 0°, mean ±0.2° each: near 3° the interval is ±0.2°."""
    blank = solid_of(measured([3.0] * 21, [0.0] * 21, mean_spread_deg=0.2))
    found = slope_over(blank, blank.z_mm, blank.slope)
    assert found.angle_deg == pytest.approx(3.0, abs=1e-6)
    assert found.low_deg == pytest.approx(2.8, abs=0.03)
    assert found.high_deg == pytest.approx(3.2, abs=0.03)
    assert found.steepest.low_deg == pytest.approx(2.7, abs=0.01)  # its station is ±0.3°
