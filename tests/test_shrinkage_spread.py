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
