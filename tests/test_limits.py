"""Slope limits: as typed, by part, and from the strength to keep."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import InputError
from grainscan.judge.limits import known_parts, limit_for_part, limit_keeping_strength, parse_limit
from grainscan.judge.strength import PROPERTIES, share_kept, slope_keeping

# Arithmetic of tan θ = 1/N.
ANGLES_OF_N = {25: 2.29, 20: 2.86, 15: 3.81, 12: 4.76, 10: 5.71, 8: 7.13, 6: 9.46, 5: 11.31}


@pytest.mark.parametrize("text", ["1:20", "1 in 20", "20", " 1 : 20 ", "1 IN 20.0", "1/20"])
def test_each_way_to_write_a_limit(text):
    assert parse_limit(text).one_in == 20.0
    assert parse_limit(text).source == "given by the user"


@pytest.mark.parametrize(
    "text",
    ["", "straight", "2:20", "1:0", "0", "-20", "1:-20", "1:20:3", "1e2", "nan", "inf", "1:",
     "1 in", "101", "1:" + "9" * 400, "20%", "٢٠٠٠", "1:20\n1:30"],
)  # fmt: skip
def test_nonsense_is_one_line(text):
    with pytest.raises(InputError) as caught:
        parse_limit(text)
    assert len(str(caught.value).splitlines()) == 1
    assert "1:20" in str(caught.value)


@given(st.text(max_size=12))
def test_any_text_gives_a_limit_or_one_line(text):
    try:
        number = parse_limit(text).one_in
    except InputError:
        return
    assert 1.0 <= number <= 100.0


@given(st.floats(min_value=1, max_value=100))
def test_what_is_written_is_read_back(number):
    assert parse_limit(f"1:{number:.4f}").one_in == pytest.approx(number, abs=1e-4)


@pytest.mark.parametrize(("one_in", "angle_deg"), ANGLES_OF_N.items())
def test_angle_of_a_limit(one_in, angle_deg):
    assert parse_limit(f"1:{one_in}").angle_deg == pytest.approx(angle_deg, abs=0.005)


def test_every_part_says_where_its_number_comes_from():
    assert "chair rung" in known_parts()
    for part in known_parts():
        source = limit_for_part(part).source
        assert source.startswith(f"{part}: ")
        assert "common practice, no source" in source or "ANSI" in source


def test_ladder_rail_is_the_published_number():
    """ANSI A14.1 (2007), quoted in Forest Products Journal 68(4):459: at most 1 in 12, 4.8°."""
    limit = limit_for_part("Ladder-Rail")
    assert limit.one_in == 12
    assert limit.angle_deg == pytest.approx(4.8, abs=0.05)
    assert "ANSI A14.1" in limit.source


def test_no_part_and_an_unknown_part_say_so():
    assert limit_for_part(None).source.startswith("general limit, no part named")
    unknown = limit_for_part("spoon\nhandle")
    assert unknown.one_in == limit_for_part(None).one_in
    assert "'spoon?handle' has none of its own" in unknown.source


def test_unknown_parts_get_no_looser_limit_than_chair_parts():
    assert limit_for_part("x").one_in >= limit_for_part("chair rung").one_in


@pytest.mark.parametrize("kind", PROPERTIES)
@given(percent=st.floats(min_value=50, max_value=99))
def test_the_limit_keeps_just_that_strength(kind, percent):
    limit = limit_keeping_strength(percent, kind)
    assert share_kept(limit.angle_deg, kind) == pytest.approx(percent / 100, abs=1e-6)


def test_strength_to_keep_is_of_impact_bending_unless_said_otherwise():
    limit = limit_keeping_strength(90)
    assert "impact bending" in limit.source
    assert "90 %" in limit.source
    assert "Wood Handbook" in limit.source
    # Impact bending falls fastest, so its limit is the strictest of the three.
    assert limit.one_in == max(limit_keeping_strength(90, k).one_in for k in PROPERTIES)


@pytest.mark.parametrize("percent", [100, 99.5, 5, 0, -3, 1000, math.inf, math.nan])
def test_strength_out_of_range(percent):
    with pytest.raises(InputError, match="per cent"):
        limit_keeping_strength(percent)
    with pytest.raises(InputError, match="per cent"):
        slope_keeping(percent)


def test_unknown_property():
    with pytest.raises(InputError, match="impact or compression"):
        limit_keeping_strength(90, "tension")
