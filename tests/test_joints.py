"""Joints: sizes by hand, laws of the turn, warnings, refusals."""

import dataclasses
import itertools
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import InputError
from grainscan.workshop.joints import (
    CRUSH_SHARE,
    SPLIT_SHARE,
    RoundJoint,
    joint_forecast,
    least_wedging_turn,
    tenon_for_fit,
)
from grainscan.workshop.woods import read_woods

WOODS = read_woods()
ASH, MAPLE = WOODS.find("white ash"), WOODS.find("sugar maple")
JOINT = RoundJoint(ASH, MAPLE, 16.0, 16.0, 5.0, 14.0)

angles = st.floats(0, 90)
percents = st.floats(0, 30)


def even_wood():
    """A wood that swells alike both ways; there is none in the tables."""
    values = tuple(
        (key, dataclasses.replace(value, value=6.0) if key.endswith("al_percent") else value)
        for key, value in ASH.values
    )
    return dataclasses.replace(ASH, name="even wood", values=values)


def test_a_rung_in_a_post_by_hand():
    """White ash S_R 4.9, S_T 7.8; sugar maple S_T 9.9 % (Wood Handbook, 2010, Table 4-3); tenon
    from 5 to 9 %, post from 14 to 9 %. S·(30 − M)/30 on paper: the tenon's tangential share is
    1 − 0.078·25/30 = 0.935 at 5 % and 1 − 0.078·21/30 = 0.9454 at 9 %; radial 0.959167 and
    0.9657; the post's tangential 1 − 0.099·16/30 = 0.9472 and 1 − 0.099·21/30 = 0.9307.
    """
    (season,) = joint_forecast(JOINT, [9]).in_service
    assert season.tenon_tangential_mm == pytest.approx(16 * 0.9454 / 0.935, abs=1e-9)
    assert season.tenon_radial_mm == pytest.approx(16 * 0.9657 / 0.95916667, abs=1e-6)
    assert season.mortise_along_mm == 16
    # Bored from bark to pith: the width across the fibres lies along the rings.
    assert season.mortise_across_mm == pytest.approx(16 * 0.9307 / 0.9472, abs=1e-9)
    # Rings along the post's fibres: tangential along, radial across.
    assert season.along.value == pytest.approx(16 * (0.9454 / 0.935 - 1), abs=1e-9)
    assert season.across.value == pytest.approx(
        16 * (0.9657 / 0.95916667 - 0.9307 / 0.9472), abs=1e-6
    )
    assert season.on_tangential == season.along
    assert season.on_radial == season.across
    assert season.least.value == pytest.approx(season.along.value)
    assert season.across.low < season.across.value < season.across.high


def test_bored_along_the_rings_the_mortise_narrows_radially():
    along_rings = dataclasses.replace(JOINT, bore_deg=0.0)
    (season,) = joint_forecast(along_rings, [9]).in_service
    # Sugar maple S_R 4.8 %: 1 − 0.048·16/30 = 0.9744 and 1 − 0.048·21/30 = 0.9664.
    assert season.mortise_across_mm == pytest.approx(16 * 0.9664 / 0.9744, abs=1e-9)


def test_nothing_changes_at_the_moisture_of_assembly():
    same = RoundJoint(ASH, MAPLE, 16.1, 16.0, 10.0, 10.0, turn_deg=30.0, bore_deg=70.0)
    forecast = joint_forecast(same, [10])
    (season,) = forecast.in_service
    for estimate in (season.along, season.across, season.on_radial, season.least):
        assert estimate.value == pytest.approx(0.1, abs=1e-9)
        assert estimate.low == estimate.value == estimate.high
    assert forecast.at_assembly_mm == pytest.approx(0.1)
    assert forecast.best_turn_deg is None


@given(angles, angles, angles)
def test_a_swelling_tenon_wedges_least_with_its_rings_along_the_fibres(turn, other, bore):
    """The more the rings lie across the post, the more of the larger swelling does."""
    first, second = sorted((turn, other))
    across = [
        joint_forecast(dataclasses.replace(JOINT, turn_deg=t, bore_deg=bore), [9])
        .in_service[0]
        .across.value
        for t in (0.0, first, second, 90.0)
    ]
    assert all(b >= a - 1e-12 for a, b in itertools.pairwise(across))
    assert least_wedging_turn(dataclasses.replace(JOINT, bore_deg=bore), 9) == 0.0


def test_the_reason_for_the_turn_has_its_figures():
    forecast = joint_forecast(dataclasses.replace(JOINT, turn_deg=90.0), [9])
    best = joint_forecast(JOINT, [9]).in_service[0].across.value
    worst = forecast.in_service[0].across.value
    assert forecast.best_turn_deg == 0.0
    assert (forecast.best_across_mm, forecast.worst_across_mm) == pytest.approx((best, worst))
    assert "rings along the post's fibres" in forecast.turn_because
    assert f"{best:+.2f} mm instead of up to {worst:+.2f} mm" in forecast.turn_because


def test_a_tenon_of_even_swelling_may_be_turned_any_way():
    even = dataclasses.replace(JOINT, tenon_wood=even_wood())
    forecast = joint_forecast(even, [9])
    assert forecast.best_turn_deg is None
    assert "no turn is better" in forecast.turn_because


def test_a_tenon_that_dries_wedges_nothing():
    """A tenon at 14 % in a post at 6 %, in a room of 6 %: it shrinks away from its mortise."""
    wet = RoundJoint(ASH, MAPLE, 16.0, 16.0, 14.0, 6.0)
    forecast = joint_forecast(wet, [6])
    assert "No turn wedges the post" in forecast.turn_because
    assert forecast.worst_across_mm < 0
    assert any("no drier than the post" in w for w in forecast.warnings)
    assert any("there is a gap" in w for w in forecast.warnings)
    # The gap is the larger shrinkage, along the tenon's rings (along the post's fibres).
    assert forecast.in_service[0].least.value == pytest.approx(forecast.in_service[0].along.value)


@given(angles, angles, percents, percents, percents, st.floats(-2, 2))
def test_the_tenon_for_a_fit_gives_that_fit(turn, bore, tenon_at, post_at, service, wanted):
    joint = RoundJoint(ASH, MAPLE, 1.0, 16.0, tenon_at, post_at, turn, bore)
    made = dataclasses.replace(joint, tenon_mm=tenon_for_fit(joint, service, wanted))
    (season,) = joint_forecast(made, [service]).in_service
    assert season.across.value == pytest.approx(wanted, abs=1e-9)


@given(angles, angles, percents)
def test_mirrored_turns_are_alike_and_the_least_is_the_least(turn, bore, service):
    one = joint_forecast(dataclasses.replace(JOINT, turn_deg=turn, bore_deg=bore), [service])
    two = joint_forecast(dataclasses.replace(JOINT, turn_deg=-turn, bore_deg=-bore), [service])
    a, b = one.in_service[0], two.in_service[0]
    assert (a.along.value, a.across.value) == pytest.approx((b.along.value, b.across.value))
    assert a.least.value <= min(a.along.value, a.across.value) + 1e-12


@given(st.floats(0.1, 10))
def test_scale(scale):
    larger = dataclasses.replace(JOINT, tenon_mm=16 * scale, mortise_mm=16 * scale)
    one, two = joint_forecast(JOINT, [9]), joint_forecast(larger, [9])
    assert two.in_service[0].across.high == pytest.approx(scale * one.in_service[0].across.high)


def test_a_gentle_joint_has_no_warnings():
    gentle = RoundJoint(ASH, MAPLE, 16.0, 16.0, 9.0, 10.0)
    assert joint_forecast(gentle, [9.6]).warnings == ()


@pytest.mark.parametrize(
    ("changes", "service", "words"),
    [
        ({"tenon_mm": 16.4}, [9], "watch the post for splits"),
        ({"tenon_percent": 0.0, "post_percent": 12.0}, [12], "does not spring back"),
        ({"tenon_mm": 15.8}, [9], "there may be a gap"),
        ({"tenon_mm": 15.0}, [9], "there is a gap"),
        ({"post_percent": 40.0}, [9], "green"),
        ({"post_percent": 20.0}, [9], "10 to 18 %"),
        ({"tenon_percent": 15.0}, [9], "no drier than the post"),
    ],
)
def test_warnings_name_their_ground(changes, service, words):
    found = [w for w in joint_forecast(dataclasses.replace(JOINT, **changes), service).warnings
             if words in w]  # fmt: skip
    assert len(found) == 1
    assert "common practice, no source" in found[0] or "from memory" in found[0]


def test_each_warning_comes_once_for_its_worst_season():
    warnings = joint_forecast(JOINT, [8, 6, 12]).warnings
    (split,) = [w for w in warnings if "splits" in w]
    assert split.startswith("At 6 %")  # the post has shrunk most on the tenon
    (squeezed,) = [w for w in warnings if "squeezed" in w]
    assert squeezed.startswith("At 12 %")


def test_the_shares_are_those_of_the_elastic_shrink_fit():
    """p = Eδ/(2d) for a disc in a hole of a large plate, both of stiffness E (Lamé): a hole under
    pressure opens by p·r(1 + ν)/E, the disc shortens by p·r(1 − ν)/E, together δ/2. The strengths
    of white ash are from memory.
    """
    e, d, nu = 0.080 * 12_000, 16.0, 0.3
    for share, stress in ((SPLIT_SHARE, 6.5),):
        p = share * d / 2 / (d / 2 * ((1 + nu) + (1 - nu)) / e)
        assert p == pytest.approx(stress)
    assert CRUSH_SHARE * e == pytest.approx(8.0)


@pytest.mark.parametrize(
    "changes",
    [{"tenon_mm": 0}, {"mortise_mm": -1}, {"tenon_mm": float("nan")}, {"tenon_percent": -1},
     {"post_percent": 251}, {"turn_deg": float("inf")}, {"bore_deg": float("nan")}],
)  # fmt: skip
def test_joints_that_cannot_be(changes):
    with pytest.raises(InputError):
        joint_forecast(dataclasses.replace(JOINT, **changes), [9])


def test_seasons_and_fits_that_cannot_be():
    for seasons in ([], [-1], [300]):
        with pytest.raises(InputError):
            joint_forecast(JOINT, seasons)
    with pytest.raises(InputError):
        tenon_for_fit(JOINT, 9, -16)


def test_a_forecast_as_plain_data():
    data = joint_forecast(JOINT, [8, 12]).to_dict()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert [season["percent"] for season in data["in_service"]] == [8, 12]
