"""Fitting parts: against brute force, limits of the wood, zones, refusals that say how much."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.workshop.fit import SPARE_WEIGHT, NoFit, cost_of, fit_part, places_along
from grainscan.workshop.keep_clear import AvoidZone, Core, juvenile_core, knot_zone, trim_zones
from grainscan.workshop.layout import free_stretches
from grainscan.workshop.parts import shipped_parts
from tests.bench_made import end_scan, part, solid

CASES = 200


def random_case(rng):
    """A small blank and a small part; about half of the parts fit easily, some do not at all."""
    waves = [
        (rng.normal(0, 0.02), rng.normal(0, 0.02), rng.uniform(2, 8), rng.uniform(0, 6))
        for _ in range(2)
    ]
    tangents = [lambda at, w=w: w[0] + w[1] * math.sin(w[2] * at + w[3]) for w in waves]
    length = rng.uniform(150, 320)
    blank = solid(
        length=length,
        width=rng.uniform(18, 34),
        height=rng.uniform(18, 34),
        tan_x=tangents[0],
        tan_y=tangents[1],
        bend_x=rng.normal(0, 1.5),
        bend_y=rng.normal(0, 1.5),
        taper=rng.uniform(-0.15, 0.15),
    )
    long = rng.uniform(80, min(250, length))
    shape = str(rng.choice(["round", "rectangle"]))
    first, last = rng.uniform(8, 16, 2)
    deep = 1.0 if shape == "round" else rng.uniform(0.5, 1.0)
    rod = part(
        shape=shape, profile=((0.0, first, deep * first), (long, last, deep * last)), name="rod"
    )
    return blank, rod


def ends_of(rod, places):
    """Width and depth at shares of the length, both ways round."""
    width = rod.width_mm[0] + places * (rod.width_mm[1] - rod.width_mm[0])
    depth = rod.depth_mm[0] + places * (rod.depth_mm[1] - rod.depth_mm[0])
    return ((width, depth), (width[::-1], depth[::-1]))


def quarters(rod):
    return (False,) if rod.width_mm == rod.depth_mm else (False, True)


def room_by_trying(low, high, line, half, tries):
    """Most wood at the tightest place along one direction, over trial positions."""
    off = tries[:, None] + line[None, :]
    return np.minimum(off - half - low, high - off - half).min(axis=1).max()


def brute_along_fibres(blank, rod, step=1.5, n=40):
    """Most spare wood over starts, ends, quarter turns and positions, by plain loops."""
    share = np.linspace(0, 1, n)
    best = -np.inf
    starts = np.arange(0, blank.length_mm - rod.length_mm, step)
    fine = np.linspace(0, blank.length_mm, 4001)
    drift = [
        np.concatenate([[0], np.cumsum(np.diff(fine) * (f[1:] + f[:-1]) / 2)])
        for f in (np.interp(fine, blank.z_mm, row) for row in blank.slope)
    ]
    tries = np.arange(-9, 9.01, 0.15)
    for start, (width, depth), quarter in itertools.product(
        starts, ends_of(rod, share), quarters(rod)
    ):
        z = start + share * rod.length_mm
        halves = (width / 2, depth / 2) if quarter else (depth / 2, width / 2)
        rooms = []
        for k in (0, 1):
            line = np.interp(z, fine, drift[k])
            line = line - np.interp(start + rod.length_mm / 2, fine, drift[k])
            low, high = (np.interp(z, blank.z_mm, blank.walls_mm[2 * k + i]) for i in (0, 1))
            rooms.append(room_by_trying(low, high, line, halves[k], tries))
        best = max(best, min(rooms))
    return best


def brute_straight(blank, rod, allowance, n=30):
    """Lowest cost over starts, ends, quarter turns, tilts and positions, by plain loops."""
    share = np.linspace(0, 1, n)
    best = np.inf
    gradient = np.gradient(blank.axis_mm, blank.z_mm, axis=1)
    tilts = np.linspace(-0.06, 0.06, 21)
    tries = np.arange(-8, 8.01, 0.5)
    for start, (width, depth), quarter in itertools.product(
        np.linspace(0, blank.length_mm - rod.length_mm, 6), ends_of(rod, share), quarters(rod)
    ):
        z = start + share * rod.length_mm
        ahead = z - start - rod.length_mm / 2
        halves = (width / 2, depth / 2) if quarter else (depth / 2, width / 2)
        rooms, fibres = [], []
        for k in (0, 1):
            axis = np.interp(z, blank.z_mm, blank.axis_mm[k])
            low, high = (np.interp(z, blank.z_mm, blank.walls_mm[2 * k + i]) for i in (0, 1))
            rooms.append(
                [room_by_trying(low, high, t * ahead - axis, halves[k], tries) for t in tilts]
            )
            field = blank.slope[k] + gradient[k]
            fibres.append(np.interp(z, blank.z_mm, field)[None, :] - tilts[:, None])
        steepest = np.sqrt(fibres[0][:, None, :] ** 2 + fibres[1][None, :, :] ** 2).max(axis=2)
        spare = np.minimum.outer(np.array(rooms[0]), np.array(rooms[1]))
        cost = steepest - SPARE_WEIGHT * spare / max(rod.width_mm)
        cost = np.where(spare >= allowance, cost, np.inf)
        best = min(best, float(cost.min()))
    return best


def recomputed(blank, placement):
    """Spare wood and steepest slope of a placement, from the blank's arrays and the corners."""
    z, line = placement.z_mm, placement.line_mm
    width = np.interp(placement.s_mm, placement.part.at_mm, placement.part.width_mm)
    depth = np.interp(placement.s_mm, placement.part.at_mm, placement.part.depth_mm)
    turn = math.radians(placement.way.turn_deg)
    spare = np.inf
    for angle in np.linspace(0, 2 * np.pi, 241):
        if placement.part.shape == "round":
            u, v = depth / 2 * math.cos(angle), width / 2 * math.sin(angle)
        else:  # along the rectangle's rim
            reach = max(abs(math.cos(angle)), abs(math.sin(angle)))
            u, v = depth / 2 * math.cos(angle) / reach, width / 2 * math.sin(angle) / reach
        x = line[0] + u * math.cos(turn) - v * math.sin(turn)
        y = line[1] + u * math.sin(turn) + v * math.cos(turn)
        walls = [np.interp(z, blank.z_mm, wall) for wall in blank.walls_mm]
        spare = min(
            spare, (x - walls[0]).min(), (walls[1] - x).min(), (y - walls[2]).min(),
            (walls[3] - y).min(),
        )  # fmt: skip
    real = line + np.stack([np.interp(z, blank.z_mm, row) for row in blank.axis_mm])
    axis = np.gradient(real, z, axis=1)
    gradient = np.gradient(blank.axis_mm, blank.z_mm, axis=1)
    field = np.stack([np.interp(z, blank.z_mm, row) for row in blank.slope + gradient])
    return float(spare), float(np.hypot(*(field - axis)).max())


def test_along_the_fibres_against_brute_force():
    rng = np.random.default_rng(6)
    fitting = 0
    for _ in range(CASES):
        blank, rod = random_case(rng)
        found = fit_part(blank, rod, allowance_mm=0.0)
        brute = brute_along_fibres(blank, rod)
        if brute < -0.1:
            # Square to the faces it does not fit; turned it may, but never a round rod.
            if not found:
                # What is said to be missing is missing: no trial position does better.
                assert found.short_by_mm <= -brute + 0.05
            else:
                assert rod.shape == "rectangle"
            continue
        if brute < 0.05:
            continue  # too close to call at the grid's fineness
        fitting += 1
        assert found
        assert found.spare_mm >= brute - 0.02
        spare, _ = recomputed(blank, found)
        assert found.spare_mm == pytest.approx(spare, abs=0.01)
        # The brute force tries every 1.5 mm along and 0.15 mm across: it misses no more than this.
        if found.way.turn_deg in (0.0, 90.0):
            assert found.spare_mm <= brute + 0.075 + 0.15
    assert fitting > CASES / 3


def test_straight_against_brute_force():
    rng = np.random.default_rng(60)
    fitting = 0
    for _ in range(CASES):
        blank, rod = random_case(rng)
        brute = brute_straight(blank, rod, 0.5)
        if not np.isfinite(brute):
            continue
        fitting += 1
        found = fit_part(blank, rod, along_fibres=False, allowance_mm=0.5)
        assert found
        # No trial line is better, and what is claimed holds when computed another way. The
        # slope is measured in 48 directions, 0.2 % too small at most, when lines are compared.
        assert cost_of(found) <= brute + 0.0025 * found.steepest[0] + 1e-6
        spare, steepest = recomputed(blank, found)
        assert spare >= 0.5 - 0.01
        assert found.spare_mm == pytest.approx(spare, abs=0.01)
        assert found.steepest[0] == pytest.approx(steepest, abs=2e-4)
    assert fitting > CASES / 3


@pytest.mark.parametrize("calm", [0.12, 0.3, 0.55, 0.71])
def test_the_one_calm_stretch_is_found(calm):
    """Fibres wave by 1 in 20 every 15 mm but for one stretch that is as long as the part."""

    def wavy(at):
        return 0.0 if calm <= at <= calm + 0.17 else 0.05 * math.sin(210 * at)

    blank = solid(tan_y=wavy)
    found = fit_part(blank, part(profile=((0, 12, 12), (80, 12, 12))), along_fibres=False)
    assert found.start_mm == pytest.approx(calm * 500, abs=5.0)
    assert found.steepest[0] < 0.02


def test_following_the_fibres_leaves_no_slope_and_straight_leaves_half_the_range():
    """Closed form: tangents from 0 to 0.04 and room enough: straight halves the range."""
    blank = solid(length=300.0, width=80, height=80, tan_x=lambda at: 0.04 * at)
    rod = part(profile=((0, 16, 16), (300, 16, 16)))
    assert fit_part(blank, rod).steepest[0] == 0.0
    straight = fit_part(blank, rod, along_fibres=False)
    assert straight.steepest[0] == pytest.approx(0.02, rel=3e-3)


def test_bend_of_a_part_along_the_fibres():
    """A parabola's height: tangents rising evenly by c over L give a bend of c L / 8."""
    blank = solid(length=300.0, width=80, height=80, tan_x=lambda at: 0.04 * at)
    rod = part(profile=((0, 16, 16), (300, 16, 16)))
    assert fit_part(blank, rod).bend_mm == pytest.approx(0.04 * 300 / 8, rel=1e-3)


def test_a_riven_blank_that_bends_with_its_fibres():
    """No runout, 6 mm of sweep: along the fibres the rod bends, straight it is cut across."""
    blank = solid(length=300.0, width=30, height=30, bend_y=6.0)
    rod = part(profile=((0, 16, 16), (300, 16, 16)))
    along = fit_part(blank, rod)
    assert along.spare_mm == pytest.approx(7.0)
    assert along.bend_mm == pytest.approx(6.0, abs=0.01)
    straight = fit_part(blank, rod, along_fibres=False)
    assert straight.spare_mm == pytest.approx(7.0 - 3.0, abs=0.05)
    assert straight.steepest[0] == pytest.approx(4 * 6.0 / 300, rel=0.02)


def test_a_bend_beyond_what_the_part_may_have_is_refused():
    blank = solid(length=300.0, width=80, height=80, tan_x=lambda at: 0.04 * at)
    rod = part(profile=((0, 16, 16), (300, 16, 16)), most_bend_mm=1.0)
    refused = fit_part(blank, rod)
    assert isinstance(refused, NoFit)
    assert refused.short_by_mm == pytest.approx(0.5, abs=0.01)
    assert "bend" in refused.reason
    shorter = part(profile=((0, 16, 16), (200, 16, 16)), most_bend_mm=1.0)
    assert fit_part(blank, shorter).bend_mm <= 1.0


def test_refusals_say_by_how_much():
    blank = solid(length=290.0, width=20, height=18)
    too_long = fit_part(blank, part())
    assert not too_long
    assert too_long.short_by_mm == pytest.approx(10.0)
    assert "too short" in too_long.reason
    thick = part(profile=((0, 17, 17), (200, 17, 17)))
    for along in (True, False):
        too_thick = fit_part(blank, thick, along_fibres=along, allowance_mm=1.0)
        assert too_thick.short_by_mm == pytest.approx(0.5, abs=1e-3)
        assert "A" in too_thick.reason


def test_a_part_that_is_too_wide_one_way_lies_in_the_middle_the_other_way():
    """36 mm of part in 30 mm of blank across face A; across face B 10 mm in 20 mm."""
    blank = solid(length=300, width=30, height=20)
    slat = part(shape="rectangle", profile=((0.0, 36.0, 10.0), (200.0, 36.0, 10.0)), name="slat")
    refused = fit_part(blank, slat, along_fibres=False, allowance_mm=1.0)
    assert isinstance(refused, NoFit)
    assert refused.short_by_mm == pytest.approx(4.0, abs=1e-6)
    level = np.zeros_like(refused.closest.line_mm)
    assert refused.closest.line_mm == pytest.approx(level, abs=1e-6)


def test_turned_only_where_it_must_be():
    """A slat wider than both faces fits across the corners of a square blank."""
    slat = part(shape="rectangle", profile=((0, 40, 4), (200, 40, 4)))
    found = fit_part(solid(width=36, height=36), slat)
    assert found.way.turn_deg == 45.0
    # Room left: half a side less the extent (40 + 4)/2 · cos 45°.
    assert found.spare_mm == pytest.approx(18 - 22 * math.cos(math.pi / 4), abs=1e-6)
    assert fit_part(solid(width=46, height=36), slat).way.turn_deg == 0.0


def test_the_thick_end_goes_where_the_wood_is():
    cone = part(profile=((0, 24, 24), (300, 8, 8)))
    tapered = solid(length=310.0, width=26, height=26, taper=0.4)
    assert fit_part(tapered, cone, allowance_mm=0.5).way.reversed is False
    turned = solid(length=310.0, width=26, height=26, taper=-0.4)
    assert fit_part(turned, cone, allowance_mm=0.5).way.reversed is True


@given(
    zones=st.lists(st.tuples(st.floats(0, 0.95), st.floats(0.01, 0.3)), min_size=0, max_size=4),
    long=st.floats(50, 400),
)
@settings(max_examples=60)
def test_a_part_keeps_clear_of_every_zone(zones, long):
    avoid = tuple(AvoidZone(a, min(a + w, 1.0), "check") for a, w in zones)
    blank = solid(length=500.0, avoid=avoid)
    found = fit_part(blank, part(profile=((0, 12, 12), (long, 12, 12))))
    clear = [
        all(s + long <= z.start * 500 + 1e-6 or s >= z.stop * 500 - 1e-6 for z in avoid)
        for s in np.arange(0, 500 - long + 0.25, 0.5)
    ]
    if found:
        a, b = found.z_mm[0], found.z_mm[-1]
        for zone in avoid:
            assert b <= zone.start * 500 + 1e-6 or a >= zone.stop * 500 - 1e-6
    else:
        assert not any(clear)


def test_a_zone_below_a_face_is_passed_on_its_other_side():
    free = solid(width=30, height=40)
    zone = AvoidZone(0.45, 0.55, "check", face="A", depth_mm=10.0)
    blank = solid(width=30, height=40, avoid=(zone,))
    long = part(profile=((0, 16, 16), (460, 16, 16)))
    assert fit_part(free, long).spare_mm == pytest.approx(7.0)
    found = fit_part(blank, long)
    assert found.line_mm[0].max() <= 20 - 10 - 8 - found.spare_mm + 1e-6
    wide = part(profile=((0, 27, 27), (460, 27, 27)))
    assert fit_part(free, wide)
    assert not fit_part(blank, wide, allowance_mm=2.0)


@given(at=st.floats(0.05, 0.9), wide=st.floats(0.001, 0.02))
@settings(max_examples=40)
def test_a_narrow_zone_below_a_face_is_not_stepped_over(at, wide):
    zone = AvoidZone(at, at + wide, "check", face="B", depth_mm=12.0)
    blank = solid(width=40, height=30, avoid=(zone,))
    found = fit_part(blank, part(profile=((0, 16, 16), (498, 16, 16))))
    middle = np.interp((at + wide / 2) * 500, found.z_mm, found.line_mm[1])
    assert middle + 8 <= 20 - 12 + 1e-6


def test_a_knots_zone():
    zone = knot_zone(0.5, 6.0, 600.0, face="B")
    assert (zone.start, zone.stop) == (pytest.approx(0.48), pytest.approx(0.52))
    assert zone.face is None  # how deep it goes is not seen
    assert "face B" in zone.reason
    assert knot_zone(0.001, 6.0, 600.0).start == 0.0
    with pytest.raises(ValueError, match="radius"):
        knot_zone(0.5, 0.0, 600.0)


def test_ends_are_cut_off_for_checks():
    assert trim_zones(0.0, 400.0) == ()
    blank = solid(length=400.0, avoid=trim_zones(20.0, 400.0))
    assert free_stretches(blank, 300.0) == [(pytest.approx(20.0), pytest.approx(80.0))]
    with pytest.raises(ValueError, match="leaves nothing"):
        trim_zones(200.0, 400.0)


def test_clear_of_the_juvenile_core():
    """Pith 25 mm below the middle of face B's width: 15 rings of 1 mm reach 15 mm from it."""
    end = end_scan(pith=(0.0, -0.625), mean_ring_mm=1.0)  # in widths of 40 mm: right, up
    core = juvenile_core(end, 40.0, 40.0)
    assert (core.x_mm, core.y_mm, core.radius_mm) == (pytest.approx(-25.0), 0.0, 15.0)
    blank = solid(width=40, height=40, core=core)
    found = fit_part(blank, part())
    assert found.way.core_side == "x above"
    assert (found.line_mm[0] - 8).min() >= -10.0  # clear of the core's upper side
    assert not fit_part(solid(width=40, height=40, core=Core(0, 0, 15)), part())


def test_the_pith_to_the_right_of_the_end_lies_away_from_face_b():
    """On the marked end, seen squarely, face B is on the left: right is −y."""
    core = juvenile_core(end_scan(pith=(0.5, 0.25), mean_ring_mm=1.0), 40.0, 40.0)
    assert (core.x_mm, core.y_mm) == (pytest.approx(10.0), pytest.approx(-20.0))


def test_a_core_outside_the_section_or_unknown_is_none():
    assert juvenile_core(end_scan(pith=(0.0, -2.0), mean_ring_mm=1.0), 40.0, 40.0) is None
    assert juvenile_core(end_scan(pith=None, mean_ring_mm=1.0), 40.0, 40.0) is None
    assert juvenile_core(end_scan(pith=(0.0, 0.0), mean_ring_mm=None), 40.0, 40.0) is None
    assert juvenile_core(None, 40.0, 40.0) is None


def test_stretches_where_no_fibres_were_read_are_kept_clear_of():
    blank = solid(unread=((200.0, 260.0),))
    found = fit_part(blank, part(profile=((0, 16, 16), (220, 16, 16))))
    assert found.start_mm >= 260.0
    refused = fit_part(blank, part(profile=((0, 16, 16), (245, 16, 16))))
    assert refused.short_by_mm == pytest.approx(5.0)


def test_places_along_a_blank_all_fit():
    blank = solid(tan_x=lambda at: 0.03 * math.sin(6 * at), avoid=trim_zones(6.0, 500.0))
    tine = shipped_parts()["rake tine"]
    best = fit_part(blank, tine)
    places = places_along(blank, best, allowance_mm=1.0)
    assert len(places) > 50
    assert all(p.spare_mm >= 1.0 - 1e-3 for p in places)
    assert max(p.spare_mm for p in places) <= best.spare_mm + 1e-6


def test_an_allowance_below_zero_is_refused():
    with pytest.raises(ValueError, match="allowance"):
        fit_part(solid(), part(), allowance_mm=-1.0)
