"""Ring geometry, direction, saw marks and boundaries against exact drawn arcs."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.measure.rings_anatomy import profiles, rank_anatomies, species_anatomy
from grainscan.measure.rings_boundaries import find_boundaries, ring_rows
from grainscan.measure.rings_direction import family_spread, find_families, search_rings
from grainscan.measure.rings_geometry import ArcFamily, ring_direction_deg
from grainscan.measure.rings_marks import notched, regular_spike
from grainscan.measure.rings_series import crossings
from grainscan.measure.rings_straighten import straighten
from grainscan.measure.rings_view import EndView, fine_texture, ring_texture, square_on_view
from tests import drawn_ends

angles = st.floats(-math.pi, math.pi)
curvatures = st.floats(0.0, 3.0)
places = st.floats(-0.5, 0.5)


@given(angles, curvatures, places, places)
def test_ring_coordinate_is_the_distance_from_the_pith(bark, curvature, x, y):
    arcs = ArcFamily(bark, curvature)
    s = float(arcs.ring_coordinate(x, y))
    if arcs.pith is None:
        # With the pith 1000 widths away or more the sagitta over half a width is under 1/4000.
        assert s == pytest.approx(x * math.cos(bark) + y * math.sin(bark), abs=5e-4)
    else:
        distance = math.hypot(x - arcs.pith[0], y - arcs.pith[1])
        assert s == pytest.approx(distance - 1 / curvature, abs=1e-6)


@given(angles, st.floats(0.0, 1.2), places, places)
def test_point_undoes_the_arc_coordinates(bark, curvature, x, y):
    arcs = ArcFamily(bark, curvature)
    px, py = arcs.point(arcs.ring_coordinate(x, y), arcs.along(x, y))
    assert (float(px), float(py)) == pytest.approx((x, y), abs=1e-3)


@given(angles)
def test_direction_lies_in_its_range_and_repeats_every_half_turn(bark):
    direction = ring_direction_deg(bark)
    assert -90.0 < direction <= 90.0
    apart = direction - ring_direction_deg(bark + math.pi)
    assert abs((apart + 90.0) % 180.0 - 90.0) < 1e-6


def test_bark_above_means_level_rings():
    assert ring_direction_deg(math.pi / 2) == pytest.approx(0.0)
    assert ring_direction_deg(0.0) == 90.0


def test_crossings_of_a_slanting_line():
    along_a, along_b = crossings([-0.4, 0.6], [-0.3, 0.7], 1.0)
    assert along_a == pytest.approx((0.4,))
    assert along_b == pytest.approx((0.4,))


def test_crossings_leave_out_what_lies_beyond_the_section():
    assert crossings([0.6, 0.7], [-0.1, 0.1], 1.0) == ((), ())


def view_of(tone):
    """A square-on view straight from a drawn section (no photograph between)."""
    side = tone.shape[0]
    colour = np.clip(tone[..., None] * np.array([255, 215, 165]), 0, 255).astype(np.uint8)
    corners = np.array(
        [[-0.5, -0.5], [side - 0.5, -0.5], [side - 0.5, side - 0.5], [-0.5, side - 0.5]]
    )
    return square_on_view(colour, corners, aspect=1.0)


def texture_of(tone):
    return ring_texture(view_of(tone))


@pytest.mark.parametrize("azimuth", [0, 37, 90, 143, 201, 270, 318])
def test_direction_curvature_and_bark_at_every_angle(azimuth):
    distance = 1.6
    pith = (
        -distance * math.cos(math.radians(azimuth)),
        -distance * math.sin(math.radians(azimuth)),
    )
    tone = drawn_ends.softwood(drawn_ends.even_rings(0.06, 0.2, azimuth), pith)
    fine, inner = fine_texture(*texture_of(tone))
    best = find_families(fine, inner, 1.0)[0].arcs
    off = math.degrees(best.bark_rad) - azimuth
    assert abs((off + 180) % 360 - 180) < 0.6
    assert best.curvature == pytest.approx(1 / distance, abs=0.04)


def test_pith_inside_the_section():
    tone = drawn_ends.softwood(drawn_ends.even_rings(0.05, 0.15, 3), (0.1, -0.15))
    fine, inner = fine_texture(*texture_of(tone))
    pith = find_families(fine, inner, 1.0)[0].arcs.pith
    assert pith == pytest.approx((0.1, -0.15), abs=0.02)


def test_stated_direction_error_covers_the_truth():
    covered = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        azimuth, distance = rng.uniform(-180, 180), rng.uniform(1.0, 3.0)
        turn = math.radians(azimuth)
        pith = (-distance * math.cos(turn), -distance * math.sin(turn))
        tone = drawn_ends.diffuse_porous(drawn_ends.even_rings(0.07, 0.25, seed), pith, seed=seed)
        fine, inner = fine_texture(*texture_of(tone))
        best = find_families(fine, inner, 1.0)[0].arcs
        spread = family_spread(fine, inner, 1.0, best)
        off = abs((math.degrees(best.bark_rad) - azimuth + 90) % 180 - 90)
        covered.append(off < 2.6 * math.degrees(spread.direction_rad) + 0.1)
    # 99 % intervals: 12 of 12 with chance 0.89, fewer than 10 with chance under 1 in 1000.
    assert sum(covered) >= 10


def test_noise_alone_shows_no_rings():
    tone = 0.6 + np.random.default_rng(1).normal(0, 0.05, (drawn_ends.SIDE, drawn_ends.SIDE))
    found = search_rings(*texture_of(tone), 1.0)
    assert isinstance(found, str)
    assert "plane or sand" in found


def test_even_saw_marks_are_found_and_taken_out():
    x, y = drawn_ends.section_grid()
    marks = 0.05 * np.sin(2 * np.pi * (x * math.cos(0.5) + y * math.sin(0.5)) / 0.03)
    pith = (-0.4, -2.0)
    tone = drawn_ends.diffuse_porous(drawn_ends.even_rings(0.08, 0.3, 2), pith) + marks
    texture, usable = texture_of(tone)
    fine, _ = fine_texture(texture, usable)
    spike = regular_spike(fine)
    assert spike is not None
    assert spike.line_deg == pytest.approx(math.degrees(0.5) - 90, abs=1.0)
    assert float(np.var(notched(fine, usable, spike))) < 0.8 * float(np.var(fine))
    found = search_rings(texture, usable, 1.0)
    assert not isinstance(found, str)
    assert found.saw_marks_deg is not None
    direction = ring_direction_deg(found.families[0].arcs.bark_rad)
    assert direction == pytest.approx(math.degrees(math.atan2(2.0, 0.4)) - 90, abs=1.5)


@pytest.mark.parametrize(
    ("draw", "anatomy"),
    [
        (drawn_ends.softwood, "softwood"),
        (drawn_ends.ring_porous, "ring-porous"),
        (drawn_ends.diffuse_porous, "diffuse-porous"),
    ],
)
def test_boundaries_and_anatomy_of_drawn_ends(draw, anatomy):
    pith = (0.5, -1.8)
    boundaries = drawn_ends.even_rings(0.08, 0.2, 4)
    view = view_of(draw(boundaries, pith))
    texture, usable = ring_texture(view)
    distance = math.hypot(*pith)
    arcs = ArcFamily(math.atan2(-pith[1], -pith[0]), 1 / distance)
    straight = straighten(texture, usable, view, arcs)
    averages = profiles(straight)
    assert rank_anatomies(averages, ring_rows(averages))[0].anatomy == anatomy
    found = find_boundaries(averages, anatomy, 1, ring_rows(averages))
    at = np.interp(found.rows, np.arange(len(straight.s)), straight.s)[found.confidence > 0.5]
    near = [np.abs(at - (b - distance)).min() for b in boundaries if abs(b - distance) < 0.4]
    # Within a tenth of the mean ring for every boundary of the middle.
    assert max(near) < 0.008
    inner = at[np.abs(at) < 0.4]
    assert len(inner) == len(near)


@settings(max_examples=8)
@given(st.floats(0.3, 0.9), st.floats(-0.15, 0.15))
def test_brightness_and_uneven_light_change_no_texture(gain, slope):
    tone = drawn_ends.softwood(drawn_ends.even_rings(0.09, 0.2, 6), (0.0, -2.0), side=240)
    x, _ = drawn_ends.section_grid(240)
    plain, usable = ring_texture(float_view(tone))
    lit, _ = ring_texture(float_view(tone * gain * (1 + slope * x)))
    assert np.corrcoef(plain[usable], lit[usable])[0, 1] > 0.98


def float_view(tone):
    colour = np.repeat((tone * 255).astype(np.float32)[..., None], 3, axis=2)
    return EndView(colour, 1.0, np.eye(3), 1.0)


@pytest.mark.parametrize(
    ("species", "anatomy"),
    [
        ("white ash", "ring-porous"),
        ("Northern red oak", "ring-porous"),
        ("sugar maple", "diffuse-porous"),
        ("yellow-poplar", "diffuse-porous"),
        ("Douglas-fir", "softwood"),
        ("eastern white pine", "softwood"),
        ("beech", "diffuse-porous"),
        ("zebrano", None),
        (None, None),
    ],
)
def test_anatomy_of_common_names(species, anatomy):
    assert species_anatomy(species) == anatomy
