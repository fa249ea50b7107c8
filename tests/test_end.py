"""The end from its photograph: drawn sections with exact truth, then rendered blanks."""

import math

import cv2
import numpy as np
import pytest

from grainscan.errors import BlankNotFoundError, InputError
from grainscan.measure.end import measure_end
from grainscan.measure.rings_outline import find_end_outline
from grainscan.measure.rings_series import with_boundaries
from grainscan.results import EndScan
from tests import drawn_ends
from tests.accuracy_ends import count_right, f1, measure_one

PITH = (0.7, -1.5)
RINGS = drawn_ends.even_rings(0.085, 0.2, 11)


def measure(picture, **more):
    settings = {"photo": "end", "width_mm": 25.0, "height_mm": 25.0, "species": None} | more
    return measure_end(picture, **settings)


@pytest.fixture(scope="module")
def plain():
    picture, corners = drawn_ends.photograph(drawn_ends.softwood(RINGS, PITH, side=700))
    return picture, corners, measure(picture)


def true_places(distance):
    """Boundaries on the line through the centre at right angles to the rings."""
    turn = math.atan2(-PITH[1], -PITH[0])
    reach = 0.5 / max(abs(math.cos(turn)), abs(math.sin(turn)))
    return [b - distance for b in RINGS if abs(b - distance) < reach]


def test_drawn_end_is_read_as_drawn(plain):
    _, corners, end = plain
    assert np.hypot(*(np.array(end.outline_px) - corners).T).max() < 1.0
    turn = math.degrees(math.atan2(-PITH[1], -PITH[0]))
    assert end.ring_direction_deg == pytest.approx(turn - 90, abs=0.5)
    places = true_places(math.hypot(*PITH))
    assert abs(end.rings - len(places)) <= 1
    assert end.mean_ring_mm == pytest.approx(25.0 * np.diff(places).mean(), rel=0.04)
    assert end.rings_per_inch == pytest.approx(25.4 / end.mean_ring_mm)
    assert end.pith == pytest.approx(PITH, rel=0.08)
    series = end.ring_series
    assert series.anatomy == "softwood"
    assert series.bark_direction_deg == pytest.approx(turn, abs=0.5)
    found = np.array([boundary.at for boundary in series.boundaries])
    assert all(np.abs(found - place).min() < 0.013 for place in places[1:-1])


def test_centre_line_crossings_lie_on_drawn_rings(plain):
    end = plain[2]
    for share in end.boundaries_along_a:
        distance = math.hypot(share - 0.5 - PITH[0], PITH[1])
        assert np.abs(RINGS - distance).min() < 0.013
    for share in end.boundaries_along_b:
        distance = math.hypot(PITH[0], 0.5 - share - PITH[1])
        assert np.abs(RINGS - distance).min() < 0.013


def test_quarter_turn_of_the_section_turns_the_rings(plain):
    end = plain[2]
    turned, _ = drawn_ends.photograph(np.rot90(drawn_ends.softwood(RINGS, PITH, side=700)))
    other = measure(turned)
    apart = other.ring_direction_deg - end.ring_direction_deg - 90.0
    assert abs((apart + 90.0) % 180.0 - 90.0) < 0.6
    assert abs(other.rings - end.rings) <= 1


def test_mirrored_section_mirrors_the_rings(plain):
    end = plain[2]
    mirrored, _ = drawn_ends.photograph(drawn_ends.softwood(RINGS, PITH, side=700)[:, ::-1])
    other = measure(mirrored)
    assert other.ring_direction_deg == pytest.approx(-end.ring_direction_deg, abs=0.6)


def test_a_turned_camera_changes_nothing(plain):
    end = plain[2]
    picture, corners = drawn_ends.photograph(
        drawn_ends.softwood(RINGS, PITH, side=700), turn_deg=11.0
    )
    other = measure(picture)
    assert np.hypot(*(np.array(other.outline_px) - corners).T).max() < 1.5
    assert other.ring_direction_deg == pytest.approx(end.ring_direction_deg, abs=0.7)
    assert abs(other.rings - end.rings) <= 1


def test_without_a_scale_no_millimetres(plain):
    end = measure(plain[0], width_mm=None, height_mm=None)
    assert end.rings is not None
    assert end.mean_ring_mm is None
    assert end.rings_per_inch is None
    assert any("width" in note for note in end.notes)


def test_featureless_end_says_that_it_cannot_tell():
    rng = np.random.default_rng(3)
    picture, _ = drawn_ends.photograph(0.65 + rng.normal(0, 0.02, (700, 700)))
    end = measure(picture)
    assert end.rings is None
    assert end.ring_direction_deg is None
    assert end.ring_series is None
    assert "plane or sand" in end.notes[0]


def test_empty_picture_has_no_end():
    rng = np.random.default_rng(2)
    picture = np.clip(120 + rng.normal(0, 3, (600, 800, 3)), 0, 255).astype(np.uint8)
    with pytest.raises(BlankNotFoundError, match="photograph"):
        find_end_outline(picture)


def test_two_ends_are_refused(plain):
    one, corners, _ = plain
    x, y = np.floor(corners.min(axis=0)).astype(int) - 2
    side = int(np.ceil(np.ptp(corners[:, 0]))) + 5
    both = np.concatenate([one, one[:, : side + 60]], axis=1)
    both[y : y + side, -side - 20 : -20] = one[y : y + side, x : x + side]
    both = np.concatenate([one[:, : side + 60][:, ::-1], both], axis=1)
    with pytest.raises(BlankNotFoundError, match="more than one"):
        find_end_outline(np.ascontiguousarray(both))


def test_taking_out_a_boundary_and_putting_it_back(plain):
    end = plain[2]
    before = end.ring_series
    without = with_boundaries(end, remove=[3])
    assert without.rings == end.rings - 1
    assert len(without.ring_series.boundaries) == len(before.boundaries) - 1
    assert len(without.boundary_lines_px) == len(end.boundary_lines_px) - 1
    again = with_boundaries(without, add=[before.boundaries[3].at])
    assert again.rings == end.rings
    assert again.mean_ring_mm == pytest.approx(end.mean_ring_mm)
    assert again.boundaries_along_a == pytest.approx(end.boundaries_along_a, abs=0.01)
    assert again.ring_series.boundaries[3].by_hand
    # The two rings that were touched no longer have a latewood share.
    assert again.ring_series.latewood_shares[2:4] == (None, None)


def test_wrong_edits_are_refused_in_one_line(plain):
    end = plain[2]
    with pytest.raises(InputError, match="outside the section"):
        with_boundaries(end, add=[0.9])
    with pytest.raises(InputError, match="already"):
        with_boundaries(end, add=[end.ring_series.boundaries[0].at])
    with pytest.raises(InputError, match="number 99"):
        with_boundaries(end, remove=[98])
    with pytest.raises(InputError, match="no rings"):
        with_boundaries(_without_rings(end), add=[0.1])


def _without_rings(end: EndScan) -> EndScan:
    import dataclasses

    return dataclasses.replace(end, ring_series=None)


@pytest.mark.parametrize("kind", ["ring-porous", "diffuse-porous", "softwood"])
def test_rendered_ends(kind):
    outcomes = [measure_one((kind, "clean", 41_000 + i, "clean", False)) for i in range(2)]
    assert all(outcome.error is None and outcome.read for outcome in outcomes)
    assert any(count_right(outcome) for outcome in outcomes)
    assert all(outcome.direction_error_deg <= 3.0 for outcome in outcomes)
    assert f1(outcomes) > 0.9


@pytest.mark.parametrize("shape", [(100, 4000), (4000, 100), (8, 8), (1, 1), (1000, 40)])
@pytest.mark.parametrize("even", [True, False])
def test_strips_and_tiny_pictures_are_refused(shape, even):
    rng = np.random.default_rng(0)
    picture = np.full((*shape, 3), 128, np.uint8)
    if not even:
        picture = rng.integers(0, 256, (*shape, 3), dtype=np.uint8)
    with pytest.raises(BlankNotFoundError, match="photograph the whole end"):
        measure(picture)


@pytest.mark.parametrize("shape", [(120, 600), (600, 120), (64, 64)])
def test_noise_is_no_end_with_rings(shape):
    picture = np.random.default_rng(0).integers(0, 256, (*shape, 3), dtype=np.uint8)
    try:
        end = measure(picture)
    except BlankNotFoundError:
        return
    assert end.rings is None
    assert not end.photo_quality.ok


@pytest.mark.parametrize("blur_px", [2.0, 3.0, 4.0])
def test_an_end_out_of_focus_is_found(blur_px):
    """An end that a lens has blurred stands as clear from a plain ground as a sharp one."""
    picture, corners = drawn_ends.photograph(np.full((400, 400), 0.75, np.float32), turn_deg=3.0)
    soft = cv2.GaussianBlur(picture, (0, 0), blur_px)
    noise = np.random.default_rng(1).normal(0, 1.5, picture.shape)
    found = find_end_outline(np.clip(soft + noise, 0, 255).astype(np.uint8))
    assert found.confidence > 0.8
    assert np.abs(found.corners_px - corners).max() < 0.5
