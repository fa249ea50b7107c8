"""Fibre-true blanks from a board: closed forms, brute force, and lines that hold their blanks."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.workshop.board import Wish, lay_board, strips
from grainscan.workshop.solid import NotKnown
from tests.bench_made import measured, tan


def board(a_deg, b_deg, *, width=150.0, thickness=32.0, length=1000.0):
    return measured(
        [a_deg] * 21, [b_deg] * 21, width_mm=width, height_mm=thickness, length_mm=length
    )


@given(
    width=st.floats(40, 300), slope=st.floats(0, 0.12), wide=st.floats(10, 60),
    long=st.floats(100, 500), kerf=st.floats(0, 4),
)  # fmt: skip
def test_one_length_closed_form(width, slope, wide, long, kerf):
    """Strips side by side in what the slope leaves of the width."""
    exact = (width - long * slope + kerf) / (wide + kerf)
    found = sum(count for _, count in strips(long, width, slope, Wish(wide, 10, long, kerf)))
    if abs(exact - round(exact)) > 1e-6:
        assert found == max(math.floor(exact), 0)


def brute(run, width, slope, wish, tries=400):
    """Most blanks over finely tried positions of the first strip."""
    best = 0
    pitch = wish.width_mm + wish.kerf_mm
    for first in np.linspace(0, pitch, tries, endpoint=False):
        total = 0
        for k in range(-int(slope * run / pitch) - 2, int(width / pitch) + 2):
            offset = first + k * pitch
            z = np.array([0.0, run])
            if slope > 0:
                z = np.clip([-offset / slope, (width - wish.width_mm - offset) / slope], 0, run)
            elif not 0 <= offset <= width - wish.width_mm:
                continue
            room = z[1] - z[0]
            total += max(int((room + wish.kerf_mm + 1e-9) // (wish.length_mm + wish.kerf_mm)), 0)
        best = max(best, total)
    return best


def test_ripping_first_against_brute_force():
    rng = np.random.default_rng(66)
    for _ in range(200):
        wish = Wish(rng.uniform(15, 50), 10, rng.uniform(120, 400), rng.uniform(0, 3))
        run, width, slope = rng.uniform(300, 1500), rng.uniform(40, 200), rng.uniform(0, 0.1)
        found = strips(run, width, slope, wish)
        assert sum(count for _, count in found) >= brute(run, width, slope, wish)
        for offset, count in found:
            needed = count * wish.length_mm + (count - 1) * wish.kerf_mm
            start = max(-offset / slope if slope else 0.0, 0.0)
            assert start + needed <= run + 1e-6
            assert offset + slope * (start + needed) + wish.width_mm <= width + 1e-6


@pytest.mark.parametrize("a_deg", [2.0, -2.0, 0.0])
def test_lines_follow_the_fibres_on_the_face(a_deg):
    """Fibres that climb to the right on face A come nearer its top edge: offsets shrink."""
    plan = lay_board(board(a_deg, 0.0), Wish(30, 20, 320))
    assert plan.count == 3 * math.floor((150 - 320 * abs(tan(a_deg)) + 2) / 32)
    for line in plan.lines:
        rise = (line.offset_stop_mm - line.offset_start_mm) / (line.stop_mm - line.start_mm)
        assert rise == pytest.approx(-tan(a_deg), abs=1e-6)
        assert min(line.offset_start_mm, line.offset_stop_mm) >= -1e-6
        assert max(line.offset_start_mm, line.offset_stop_mm) <= 150 + 1e-6
    for blank in plan.blanks:
        assert blank.slope.steepest.angle_deg == pytest.approx(0.0, abs=1e-6)
        assert blank.stop_mm - blank.start_mm == pytest.approx(320)


@given(a_deg=st.floats(-5, 5), b_deg=st.floats(-5, 5), wide=st.floats(15, 60))
def test_no_two_blanks_share_wood_and_all_lie_on_the_board(a_deg, b_deg, wide):
    plan = lay_board(board(a_deg, b_deg), Wish(wide, 20, 300))
    for blank in plan.blanks:
        assert blank.start_mm >= -1e-6
        assert blank.stop_mm <= 1000 + 1e-6
        for offset in (blank.offset_start_mm, blank.offset_stop_mm):
            assert -1e-6 <= offset <= 150 - wide + 1e-6
    for i, one in enumerate(plan.blanks):
        for other in plan.blanks[i + 1 :]:
            apart = other.start_mm >= one.stop_mm + 2 - 1e-6
            apart |= one.start_mm >= other.stop_mm + 2 - 1e-6
            # Parallel strips: their distance is the same everywhere along the board.
            rate = (one.offset_stop_mm - one.offset_start_mm) / 300
            at_same = one.offset_start_mm + rate * (other.start_mm - one.start_mm)
            apart |= abs(at_same - other.offset_start_mm) >= wide + 2 - 1e-4
            assert apart


def test_layers_through_the_thickness_and_the_tilt():
    """Fibres rising 1 in 50 on the edge: 6 mm over 300 mm, out of 32 mm of thickness."""
    b_deg = math.degrees(math.atan(1 / 50))
    plan = lay_board(board(0.0, b_deg), Wish(30, 12, 300))
    assert {blank.layers for blank in plan.blanks} == {math.floor((32 - 6 + 2) / 14)}
    assert plan.blanks[0].tilt_mm == pytest.approx(6.0, rel=1e-3)
    assert plan.blanks[0].slope.angle_deg == pytest.approx(0.0, abs=1e-3)


def test_less_room_than_the_tilt_needs_leaves_slope_and_says_so():
    b_deg = math.degrees(math.atan(1 / 50))
    plan = lay_board(board(0.0, b_deg), Wish(30, 30, 300))
    assert plan.blanks[0].rise_mm == pytest.approx(6.0, rel=1e-3)
    assert plan.blanks[0].tilt_mm == pytest.approx(2.0)
    assert math.tan(math.radians(plan.blanks[0].slope.angle_deg)) == pytest.approx(
        4 / 300, rel=2e-3
    )
    assert "no room for the whole rise" in plan.notes[0]


def test_a_board_that_yields_nothing_says_so():
    for wish in (Wish(160, 20, 300), Wish(30, 33, 300), Wish(30, 20, 1100)):
        plan = lay_board(board(0.0, 0.0), wish)
        assert plan.count == 0
        assert plan.lines == ()
        assert "no blank of" in plan.notes[0]


def test_ripping_first_is_taken_where_it_yields_more():
    """A board 75 mm wide, 1 in 15, blanks 30 mm wide: each of three lengths holds one strip
    (75 − 20 leaves room for 1.8), but of lines right across the board one more blank comes.
    """
    slope = math.degrees(math.atan(1 / 15))
    wish = Wish(30, 20, 300)
    assert math.floor((75 - 300 / 15 + 2) / 32) == 1
    plan = lay_board(board(slope, 0.0, width=75.0), wish)
    assert plan.count == brute(1000, 75, 1 / 15, wish) == 4
    assert plan.across_first is False
    assert plan.crosscuts_mm == ()


def test_without_the_edge_it_is_not_known():
    missing = measured([1.0] * 9, [1.0] * 9, face_b=False)
    assert isinstance(lay_board(missing, Wish(30, 20, 300)), NotKnown)
    with pytest.raises(ValueError, match="above 0"):
        Wish(0, 20, 300)
