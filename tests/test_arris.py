"""The arris of a visible side face, told by the bends of the blank's ends; texture directions."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.measure.arris import EndTrace, arris_shares, bend_of
from grainscan.measure.look import seen
from grainscan.measure.outline import find_face

ACROSS = np.linspace(0.02, 0.98, 120)


@given(
    share=st.floats(0.15, 0.85),
    lean=st.floats(-20, 20),
    turn=st.sampled_from([-1, 1]),
    seed=st.integers(0, 99),
)
@settings(max_examples=25, deadline=None)
def test_a_bend_is_found_where_it_is_and_a_straight_end_has_none(share, lean, turn, seed):
    noise = np.random.default_rng(seed).normal(0, 0.4, len(ACROSS))
    straight = 100 + lean * ACROSS + noise
    assert bend_of(ACROSS, straight, np.ones_like(ACROSS)) is None
    bent = straight + turn * 80 * np.maximum(ACROSS - share, 0)
    found = bend_of(ACROSS, bent, np.ones_like(ACROSS))
    assert found is not None
    assert found.share == pytest.approx(share, abs=0.05)


ROWS, COLUMNS, WIDTH_PX = 120, 320, 80.0


def end(share=None, away_px=0.0, clear=True, above=None):
    """An end of which a part recedes (the shorter one, if not said), or a straight one."""
    along = np.zeros_like(ACROSS)
    if share is not None:
        above = share < 0.5 if above is None else above
        recedes = share - ACROSS if above else ACROSS - share
        along = np.maximum(recedes, 0) * away_px / (share if above else 1 - share)
    bend = bend_of(ACROSS, along, np.ones_like(ACROSS))
    assert (bend is None) == (share is None)
    bend = dataclasses.replace(bend, clear=clear) if bend else None
    return EndTrace(ACROSS, along, np.ones_like(ACROSS), bend)


def surfaces(left=0.0, right=0.0, step=0.0, seed=0):
    """Features of an outline whose part above a line between two shares differs by a step."""
    rng = np.random.default_rng(seed)
    seen = rng.normal(0, 1, (ROWS, COLUMNS, 6)) + rng.normal(0, 1, (ROWS, 1, 6))
    line = left + (right - left) * np.linspace(0, 1, COLUMNS)
    seen[(np.arange(ROWS)[:, None] + 0.5) / ROWS < line, :3] += step
    return np.float32(seen)


def shares(left, right, seen=None):
    found = arris_shares((left, right), lambda: surfaces() if seen is None else seen, WIDTH_PX)
    return None if found is None else (found.left, found.right)


def test_both_ends_tell_the_arris_if_they_agree():
    assert shares(end(0.2, 12.0), end(0.25, -12.0)) == pytest.approx((0.2, 0.25), abs=0.03)
    assert shares(end(0.2, 3.0), end(0.8, -3.0)) is None
    assert shares(end(), end()) is None


@pytest.mark.parametrize("above", [True, False])
@pytest.mark.parametrize("right", [0.14, 0.22, 0.3])
def test_an_arris_that_one_end_tells_runs_between_the_surfaces(right, above):
    seen = surfaces(0.22, right, step=3.0)
    if above:
        assert shares(end(0.22, 20.0), end(), seen) == pytest.approx((0.22, right), abs=0.03)
    else:
        found = shares(end(0.78, 20.0), end(), seen[::-1])
        assert found == pytest.approx((0.78, 1 - right), abs=0.03)
    # Seen from the other end it is the same line.
    mirrored = shares(end(), end(0.22, -20.0), seen[:, ::-1])
    assert mirrored == pytest.approx((right, 0.22), abs=0.03)


def test_a_slight_bend_alone_needs_a_step_of_light():
    assert shares(end(0.22, 6.0), end(), surfaces(0.22, 0.2, step=8.0)) is not None
    assert shares(end(0.22, 6.0), end(), surfaces(0.22, 0.2, step=1.0)) is None
    assert shares(end(0.22, 20.0), end(), surfaces(0.22, 0.2, step=1.0)) is not None
    assert shares(end(0.22, 20.0, clear=False), end(), surfaces(0.22, 0.2, step=1.0)) is None


def test_what_is_farther_down_does_not_bend_outwards_at_both_ends():
    seen = surfaces(0.22, 0.22, step=8.0)
    assert shares(end(0.22, -20.0), end(), seen) is None
    assert shares(end(), end(0.22, 20.0), seen) is None
    assert shares(end(0.22, -20.0), end(0.22, 20.0), seen) is None
    # From over a place beyond the left end.
    assert shares(end(0.22, -20.0), end(0.22, -30.0), seen) is not None


def test_an_arris_does_not_run_out_over_the_length():
    assert shares(end(0.4, 20.0), end(), surfaces(0.4, 0.0, step=8.0)) is None


@pytest.mark.parametrize("share", [0.45, 0.55])
@pytest.mark.parametrize("above", [True, False])
def test_of_two_parts_much_alike_the_side_face_is_the_one_that_recedes(share, above):
    ends = end(share, 30.0, above=above), end(share, -30.0, above=above)
    assert arris_shares(ends, surfaces, WIDTH_PX).above == above


def test_a_side_face_in_the_same_light_is_told_by_the_corners_it_cuts():
    import cv2

    rng = np.random.default_rng(4)
    picture = np.full((700, 1400, 3), (60.0, 70.0, 82.0)) + rng.normal(0, 2, (700, 1400, 1))
    # A face, and below it a side face that recedes: both ends of it run inwards.
    outline = np.array([[200, 300], [1200, 300], [1200, 380], [1180, 410], [220, 410], [200, 380]])
    mask = np.zeros((700, 1400), np.uint8)
    cv2.fillPoly(mask, [outline.astype(np.int32)], 1)
    wood = np.array((196.0, 160.0, 118.0)) + rng.normal(0, 6, (700, 1, 1))
    picture = np.where(mask[..., None] > 0, wood, picture)
    found = find_face(np.uint8(np.clip(picture, 0, 255)))
    assert found.corners_px[2:, 1] == pytest.approx([380, 380], abs=6.0)


@pytest.mark.parametrize("upright", [False, True])
def test_texture_tells_along_from_across(upright):
    noise = np.random.default_rng(1).normal(0, 25, 400)
    lines = np.broadcast_to(120 + noise[:, None], (400, 400))
    grey = np.uint8(np.clip(lines.T if upright else lines, 0, 255))
    work = np.repeat(grey[..., None], 3, axis=2)
    texture = seen(work[::2, ::2], work)[20:-20, 20:-20, 3]
    assert np.median(texture) < -5 if upright else np.median(texture) > 5
