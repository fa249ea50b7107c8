"""The arris of a visible side face, told by the bends of the blank's ends; texture directions."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.measure.arris import Bend, arris_share, bend_of
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


def dark():
    return np.full((60, 160), 50.0)


def test_ends_that_disagree_show_no_arris():
    assert arris_share(Bend(0.2, 8.0), Bend(0.25, -8.0), dark) == (0.2, 0.25)
    assert arris_share(Bend(0.2, 8.0), Bend(0.8, -8.0), dark) is None
    assert arris_share(None, None, dark) is None


def test_an_arris_that_one_end_shows_follows_the_step_of_light():
    light = dark()
    light[:15] = 40.0
    left, right = arris_share(Bend(0.25, 8.0), None, lambda: light)
    assert (left, right) == pytest.approx((0.25, 0.25), abs=0.04)
    assert arris_share(Bend(0.25, 8.0), None, dark) is None


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
