"""Intervals of sizes: what they hold, and that they are not too narrow."""

import numpy as np
import pytest

from grainscan.workshop.dried_shapes import dried_round, dried_section, green_size
from grainscan.workshop.leave_green import dry_forecast, green_plan
from grainscan.workshop.ring_position import MeasuredRings, Rings, rings_in_section
from grainscan.workshop.shrinkage import Ratios, size_ratio
from grainscan.workshop.spread import spread
from grainscan.workshop.woods import read_woods

ASH = read_woods().find("white ash")
Z90 = 1.6448536269514722


def test_a_sum_of_independent_parts():
    (found,) = spread(lambda x: (x[0] + 2 * x[1],), (1, 1), ((0.7, 1.3), (0.8, 1.2)), together=[])
    half = np.hypot(0.3, 0.4)
    assert (found.low, found.high) == pytest.approx((3 - half, 3 + half))


def test_parts_that_may_move_together():
    """Fully together is the wider case of a sum; independent is the wider case of a difference."""
    ends, pair = ((0.7, 1.3), (0.6, 1.4)), [(0, 1)]
    (total,) = spread(lambda x: (x[0] + x[1],), (1, 1), ends, together=pair)
    assert total.high - total.value == pytest.approx(0.7)
    (difference,) = spread(lambda x: (x[0] - x[1],), (1, 1), ends, together=pair)
    assert difference.high - difference.value == pytest.approx(0.5)


def test_a_result_that_bends_within_the_interval():
    (found,) = spread(lambda x: (x[0] ** 2,), (0.0,), ((-1.0, 1.0),), together=[])
    assert (found.low, found.value, found.high) == (0.0, 0.0, 1.0)


@pytest.mark.parametrize("together", [0.0, 0.5, 1.0])
def test_at_least_nine_pieces_in_ten_are_within(together):
    """Pieces drawn with the published spread, their two shrinkages together as given, and ring
    directions with theirs: each interval must hold the piece's own true size in 90 % of them
    (less 4 standard errors of 600 draws: 85 %).
    """
    random = np.random.default_rng(7)
    n, seen = 600, MeasuredRings(Rings(30.0), 24.0, 36.0)
    normal = random.multivariate_normal([0, 0], [[1, together], [together, 1]], n)
    radial, tangential = 4.9 * (1 + 0.15 * normal[:, 0]), 7.8 * (1 + 0.15 * normal[:, 1])
    direction = 30 + 6 / Z90 * random.standard_normal(n)
    plan = green_plan(ASH, 14, seen, to_percent=6)
    later = dry_forecast(ASH, 25, 26, seen, to_percent=6)
    inside = np.zeros(6)
    for r, t, d in zip(radial, tangential, direction, strict=True):
        placed, k = Rings(d), Ratios(size_ratio(r, 30, 6), size_ratio(t, 30, 6))
        size, dried = green_size(14, placed, k), dried_section(25, 26, placed, k)
        pairs = [
            (plan.width, size.width_mm), (plan.height, size.height_mm),
            (plan.round, size.round_mm), (later.width, dried.width_mm),
            (later.height, dried.height_mm), (later.skew_deg, dried.skew_deg),
        ]  # fmt: skip
        inside += [e.low <= x <= e.high for e, x in pairs]
    assert np.all(inside / n > 0.85)
    # Nor wider than need be: sizes where the two move fully together, skew where not at all.
    if together == 1.0:
        assert np.all(inside[:5] / n < 0.95)
    if together == 0.0:
        assert inside[5] / n < 0.95


def test_the_plan_is_its_own_sizes():
    seen = rings_in_section(12.0, (0.4, -1.9), 25.0)
    plan = green_plan(ASH, 14, seen, to_percent=6, allowance_mm=0.5)
    size = green_size(14, seen.rings, plan.ratios, allowance_mm=0.5)
    assert (plan.width.value, plan.height.value, plan.round.value) == (
        size.width_mm,
        size.height_mm,
        size.round_mm,
    )
    for estimate in (plan.width, plan.height, plan.round, plan.round_dries_to_long):
        assert estimate.low < estimate.value < estimate.high
    assert plan.round_dries_to.short_mm == pytest.approx(14.5, rel=1e-9)
    assert plan.round_dries_to == dried_round(plan.round.value, seen.rings, plan.ratios)
    assert "15 %" in plan.spread
    assert "from memory" in plan.spread
    assert any("Table 4-3" in source for source in plan.sources)


def test_an_uncertain_ring_direction_widens_the_interval():
    sure = green_plan(ASH, 14, MeasuredRings(Rings(45.0), 45.0, 45.0), to_percent=6)
    unsure = green_plan(ASH, 14, MeasuredRings(Rings(45.0), 35.0, 55.0), to_percent=6)
    assert unsure.width.high > sure.width.high
    assert unsure.width.low < sure.width.low
    # A round is as large whichever way its rings lie.
    assert unsure.round == sure.round


def test_a_plan_as_plain_data():
    import json

    data = green_plan(ASH, 14, rings_in_section(12.0), to_percent=6).to_dict()
    again = json.loads(json.dumps(data, allow_nan=False))
    assert again == data
    assert again["width"]["low"] < again["width"]["value"]
    assert again["rings"]["rings"]["direction_deg"] == 12.0
    data = dry_forecast(ASH, 25, 25, rings_in_section(12.0), to_percent=6).to_dict()
    assert json.loads(json.dumps(data, allow_nan=False)) == data


def test_the_doubt_of_the_pith_is_in_the_interval():
    """Piths drawn with a normal curvature: their own skews and widths lie within, nine in ten."""
    random = np.random.default_rng(3)
    curve, half = 1 / 40, 1 / 80
    seen = MeasuredRings(
        Rings(20.0).curved(curve), 20.0, 20.0,
        curve_low_per_mm=curve - half, curve_high_per_mm=curve + half,
    )  # fmt: skip
    sure = MeasuredRings(Rings(20.0).curved(curve), 20.0, 20.0)
    later = dry_forecast(ASH, 25, 26, seen, to_percent=6)
    # Shrinkage as published, so that only the curve is drawn: hold its share of the interval.
    fixed = dry_forecast(ASH, 25, 26, sure, to_percent=6)
    inside, n = 0, 300
    shares = {}
    for name in ("width", "height", "skew_deg"):
        wide, narrow = getattr(later, name), getattr(fixed, name)
        down = np.sqrt((wide.value - wide.low) ** 2 - (narrow.value - narrow.low) ** 2)
        up = np.sqrt((wide.high - wide.value) ** 2 - (narrow.high - narrow.value) ** 2)
        shares[name] = (wide.value - down - 1e-9, wide.value + up + 1e-9)
    for bent in curve + half / Z90 * random.standard_normal(n):
        dried = dried_section(25, 26, Rings(20.0).curved(bent), later.ratios)
        values = {"width": dried.width_mm, "height": dried.height_mm, "skew_deg": dried.skew_deg}
        inside += all(low <= values[name] <= high for name, (low, high) in shares.items())
    assert 0.85 < inside / n < 0.96
    assert later.width.high > fixed.width.high


def test_a_pith_that_may_be_inside_is_said_and_not_computed():
    near = MeasuredRings(
        Rings(0.0).curved(1 / 60), 0.0, 0.0, curve_low_per_mm=0.0, curve_high_per_mm=1.0
    )
    for found in (
        green_plan(ASH, 14, near, to_percent=6),
        dry_forecast(ASH, 25, 25, near, to_percent=6),
    ):
        assert any("pith lies within the piece" in note for note in found.rings.notes)
        assert found.rings.curve_high_per_mm < 1.0


@pytest.mark.parametrize("curve", [0.0, 1 / 60, -1 / 60])
def test_curved_rings_keep_their_direction(curve):
    from grainscan.workshop.ring_position import folded_deg

    placed = Rings(33.0).curved(curve)
    assert placed.direction_deg == 33.0
    assert placed.curve_per_mm == pytest.approx(abs(curve))
    if placed.pith_mm is not None:
        towards = np.degrees(np.arctan2(placed.pith_mm[1], placed.pith_mm[0]))
        assert abs(folded_deg(towards - placed.radial_deg)) < 1e-9
        other = placed.curved(-1 / 30)
        assert np.dot(other.pith_mm, placed.pith_mm) < 0
