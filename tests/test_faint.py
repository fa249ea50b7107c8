"""A faint side beside clearer lines: placed as a whole, and no surer than it is."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from grainscan.measure.beams import Chain, change_across
from grainscan.measure.faint import faint_step, in_common, shown
from grainscan.measure.partners import Ends, partners, steps_along

EDGE = 60.5


def bench(seed, *, edge=True, step=5.0):
    """A level faint edge, a line beside it that is clearer but in one half only, and texture."""
    rng = np.random.default_rng(seed)
    grey = gaussian_filter(rng.normal(0, 1, (120, 900)), 1.0)
    grey = 150.0 + 4.0 * grey / grey.std()
    if edge:
        grey[61:] += step
        grey[52:55, :400] += 12.0
    return np.uint8(np.clip(np.round(np.repeat(grey[..., None], 3, axis=2)), 0, 255))


def followed(picture, away_px, lean_px=0.0):
    x = np.linspace(10.0, 890.0, 240)
    y = EDGE + away_px + lean_px * np.linspace(-0.5, 0.5, 240)
    down = np.array([0.0, 1.0])
    found = faint_step(
        picture, np.stack([x, y], axis=1), down, reach_px=8.0, sigma_px=1.2, stretches=12
    )
    return y + found.trace.offset_px, found.clear


@pytest.mark.parametrize(("away", "lean"), [(0.0, 0.0), (3.0, 0.0), (-2.0, 4.0)])
def test_a_faint_edge_is_followed_past_a_clearer_line_in_one_half(away, lean):
    for seed in range(3):
        course, clear = followed(bench(seed), away, lean)
        assert np.median(course) == pytest.approx(EDGE, abs=0.7)
        assert np.abs(course - EDGE).max() < 5.0
        assert clear > 0.7


def test_texture_alone_does_not_stand_clear():
    clear = [followed(bench(seed, edge=False), 0.0)[1] for seed in range(8)]
    assert np.mean(clear) < 0.5


def test_a_side_is_told_by_the_way_the_texture_runs_alone():
    rng = np.random.default_rng(5)
    picture = gaussian_filter(rng.normal(0, 1, (120, 900)), (12.0, 0.8))
    face = gaussian_filter(rng.normal(0, 1, (120, 900)), (0.8, 12.0))
    picture, face = (150.0 + 8.0 * part / part.std() for part in (picture, face))
    picture[61:] = face[61:]
    rgb = np.uint8(np.clip(np.round(np.repeat(picture[..., None], 3, axis=2)), 0, 255))
    course, clear = followed(rgb, 4.0)
    assert np.median(course) == pytest.approx(EDGE, abs=2.5)
    assert clear > 0.7


def test_what_is_there_in_part_counts_less_than_what_is_there_throughout():
    throughout, in_part = np.zeros((2, 12, 3), np.float32)
    throughout[:, 0] = 1.0
    in_part[:4, 0] = 3.0
    both = np.stack([throughout, in_part])
    mean, parts = in_common(both)
    assert mean[0] == pytest.approx(mean[1])
    first, second = shown(parts)
    assert first > 2.0 * second


def test_the_ends_tell_the_other_edge_from_a_ring_inside_and_a_joint_outside():
    rng = np.random.default_rng(2)
    look = np.float32(gaussian_filter(rng.normal(0, 1, (240, 640, 4)), (1.0, 1.0, 0)))
    look *= 0.3 / look.std()
    # Lines all over the bench; the face, rows 80 to 120 and columns 60 to 580, has its own.
    look += rng.normal(0, 0.3, (240, 1, 4))
    look[80:121, 60:581] += 1.5 + rng.normal(0, 0.2, (41, 1, 4))
    # A ring on it and a joint of the bench are clearer than its edge.
    look[95:97, 60:581, 0] += 2.5
    look[150:152, :, 0] += 2.5
    known = Chain(np.linspace(60.0, 580.0, 9), np.full(9, 79.5), np.ones(4, np.float32), 1.0)
    change = change_across(look)
    ends = Ends(60.0, 580.0, steps_along(look))
    below = [c for c in partners(change, known, ends) if c.y.mean() > 79.5]
    assert below[0].y.mean() == pytest.approx(120.5, abs=1.5)
    # Without the ends a clearer line comes first.
    alone = [c for c in partners(change, known) if c.y.mean() > 79.5]
    assert abs(alone[0].y.mean() - 120.5) > 10.0
