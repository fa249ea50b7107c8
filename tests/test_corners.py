"""Where a face's corners lie, told by its ends alone, and what is made of it."""

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from grainscan.measure.bars import _between
from grainscan.measure.beams import change_across
from grainscan.measure.corners import (
    SAME_CORNER,
    agreement,
    corners_of,
    ends_seen,
    moved_edges,
    shortfall,
)
from grainscan.measure.edges import reduced
from grainscan.measure.look import seen as look_of
from grainscan.measure.refine import Refined
from grainscan.measure.sides import Curve, Rough

LEFT, RIGHT, TOP, BOTTOM = 300, 1300, 400, 480


@functools.cache
def laid(seed=1, *, crosswise=True):
    """A striped board on a bench of nearly its own colour, 1600 by 900."""
    rng = np.random.default_rng(seed)
    blur = (20.0, 1.2) if crosswise else (1.2, 20.0)
    bench = gaussian_filter(rng.normal(0, 1, (900, 1600)), blur)
    picture = np.array([188.0, 160.0, 122.0]) + 4.0 * (bench / bench.std())[..., None]
    rows = np.arange(BOTTOM - TOP)
    rings = -26.0 * (rows % 16 < 4) + 9.0
    grain = gaussian_filter(rng.normal(0, 1, (BOTTOM - TOP, RIGHT - LEFT)), (1.0, 30.0))
    face = np.array([192.0, 166.0, 132.0]) + (rings[:, None] + 3.0 * grain / grain.std())[..., None]
    picture[TOP:BOTTOM, LEFT:RIGHT] = face
    return np.uint8(np.clip(np.round(gaussian_filter(picture, (0.8, 0.8, 0))), 0, 255))


def outline(top, bottom):
    """A level outline with both ends where the board's are, rows ``top`` and ``bottom``."""
    level = [Curve([at], domain=[0.0, 1.0]) for at in (top - 449.5, bottom - 449.5, 0.0, 1.0)]
    rough = Rough(
        np.array([799.5, 449.5]),
        np.array([1.0, 0.0]),
        np.array([0.0, 1.0]),
        LEFT - 0.5 - 799.5,
        RIGHT - 0.5 - 799.5,
        *level[:2],
    )
    return rough, Refined(*level, (0.3, 0.3), (1.0, 1.0, 1.0, 1.0))


@pytest.mark.parametrize("crosswise", [True, False])
@pytest.mark.parametrize("bottom", [BOTTOM, BOTTOM - 28, BOTTOM + 30])
def test_the_ends_show_all_four_corners_wherever_the_long_edge_was_laid(bottom, crosswise):
    picture = laid(crosswise=crosswise)
    rough, found = outline(TOP - 0.5, bottom - 0.5)
    seen = ends_seen(picture, rough, found)
    true = np.array([TOP, BOTTOM]) - 0.5 - 449.5
    for end in seen:
        assert end.stops == (True, True)
        assert np.array(end.corners_px) == pytest.approx(true, abs=3.5)
    assert np.array(corners_of(found)[0]) == pytest.approx(true + np.array([0, bottom - BOTTOM]))
    # Corners are the same that lie as near as they were found to lie above.
    assert agreement(seen, found, 3.5 / SAME_CORNER) == (bottom == BOTTOM)
    assert (shortfall(seen, found) < 5.0) == (bottom == BOTTOM)


def test_an_edge_on_a_ring_is_moved_to_where_the_ends_stop():
    picture = laid()
    small, scale = reduced(picture, 640)
    change = change_across(look_of(small, picture))
    rough, found = outline(TOP - 0.5, TOP + 48 - 0.5)
    seen = ends_seen(picture, rough, found)
    (first, *_) = moved_edges(change, scale, rough, found, seen)
    share = np.linspace(0.0, 1.0, 9)
    assert first.top(share) == pytest.approx(found.top(share))
    assert first.bottom(share) == pytest.approx(np.full(9, BOTTOM - 0.5 - 449.5), abs=4.0)
    # Where the ends agree with the outline nothing is moved.
    rough, found = outline(TOP - 0.5, BOTTOM - 0.5)
    assert moved_edges(change, scale, rough, found, ends_seen(picture, rough, found)) == []


def test_bench_alone_shows_no_corners():
    picture = laid()
    rough, found = outline(640.0, 720.0)
    seen = ends_seen(picture, rough, found)
    assert not agreement(seen, found, rough.length)
    assert not all(all(end.stops) for end in seen)


@given(left=st.integers(60, 120), right=st.integers(400, 520), clear=st.floats(9.0, 40.0))
@settings(max_examples=25, deadline=None)
def test_an_end_is_where_the_blank_stops_not_the_bench_s_next_ring(left, right, clear):
    columns = np.arange(640)
    # Beyond the ends the long edges fade; the bench shows changes clearer than the ends.
    speaks = np.where((columns >= left) & (columns <= right), 1.6, -0.2)
    ends = np.full(640, 0.7)
    ends[[left, right]] = clear
    ends[[left - 24, left - 45, right + 15, right + 40]] = 1.3 * clear
    assert _between(speaks, ends) == (left, right)
    # A pencil line across the face is no end, however dark.
    ends[(left + right) // 2] = 2.0 * clear
    assert _between(speaks, ends) == (left, right)


def test_of_two_ends_the_clearer_one_counts_for_more():
    speaks = np.where((np.arange(640) >= 80) & (np.arange(640) <= 500), 1.6, -1.0)
    speaks[440:500] = -0.3
    ends = np.full(640, 0.7)
    ends[[80, 440, 500]] = 30.0, 9.0, 30.0
    assert _between(speaks, ends) == (80, 500)
