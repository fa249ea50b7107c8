"""Parts from files: what is shipped, units, wrong entries; sections against other formulae."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import RecordError
from grainscan.judge.limits import known_parts, limit_for_part
from grainscan.workshop.part_sections import (
    SHAPES,
    area_mm2,
    half_extents_mm,
    inside,
    section_modulus_mm3,
)
from grainscan.workshop.parts import part_named, read_parts, sample_part, shipped_parts, volume_mm3
from tests.bench_made import part

ONE = """
[part.peg]
shape = "round"
profile = [{ at = 0, diameter = "7/16 in" }, { at = "2 in", diameter = 11 }]
limit = "chair rung"
load = { kind = "bent evenly" }
strength = "bending"
source = "test"
"""


def written(tmp_path, text):
    path = tmp_path / "my.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_shipped_parts_are_those_of_the_workshop_and_say_whose_sizes_they_are():
    parts = shipped_parts()
    assert {
        "chair rung", "chair slat", "chair front post", "chair back post", "rake tine",
        "rake handle", "hammer handle", "slat bending blank",
    } == set(parts)  # fmt: skip
    limits = {limit_for_part(name).source for name in known_parts()}
    for found in parts.values():
        assert found.source == "our own choice"
        assert found.limit.source in limits
        for start, stop in found.tenons:
            assert 0 <= start < stop <= found.length_mm


def test_inches_with_fractions(tmp_path):
    peg = read_parts(written(tmp_path, ONE))["peg"]
    assert peg.width_mm[0] == pytest.approx(float(Fraction(7, 16)) * 25.4)
    assert peg.length_mm == pytest.approx(50.8)
    assert peg.width_mm[1] == 11.0


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('shape = "round"', 'shape = "star"', "shape must be round, rectangle or octagon"),
        ('limit = "chair rung"', 'limit = "broom"', "'broom' is none of"),
        ('limit = "chair rung"', "one_in = 0.2", "must lie in 1 to 100"),
        ("at = 0,", "at = 5,", "the first at 0"),
        ('"7/16 in"', '"7/16"', "needs its unit"),
        ('"7/16 in"', "-3", "must lie in 0"),
        ('"7/16 in"', "0", "must be above 0"),
        ('diameter = "7/16 in"', "width = 3", "depth is missing"),
        ('diameter = "7/16 in"', "diameter = 3, width = 3", "either diameter or width"),
        ('source = "test"', 'source = "test"\ncolour = 3', "unknown key 'colour'"),
        ('source = "test"', "", "source is missing"),
        ('kind = "bent evenly"', 'kind = "overhanging", held = 60, load = 30', "held must lie"),
        ('source = "test"', 'source = "test"\ntenons = [[10, 90]]', "a tenon runs"),
        ("[part.peg]", "[parts.peg]", "unknown key 'parts'"),
        ("{ at = 0,", "{ at = 60, diameter = 3 }, { at = 0,", "from one end to the other"),
    ],
)
def test_wrong_entries_are_named(tmp_path, old, new, says):
    assert old in ONE
    with pytest.raises(RecordError, match=r"my\.toml") as error:
        read_parts(written(tmp_path, ONE.replace(old, new)))
    assert says in str(error.value)
    assert "\n" not in str(error.value)


def test_unreadable_files_are_one_line(tmp_path):
    with pytest.raises(RecordError, match="cannot be read"):
        read_parts(tmp_path / "none.toml")
    with pytest.raises(RecordError, match="not valid TOML"):
        read_parts(written(tmp_path, "part = ["))


def test_a_limit_of_ones_own(tmp_path):
    text = ONE.replace('limit = "chair rung"', 'one_in = 12\nlimit_source = "our standard"')
    limit = read_parts(written(tmp_path, text))["peg"].limit
    assert (limit.one_in, limit.source) == (12.0, "our standard")


def test_names_are_found_in_any_form():
    parts = shipped_parts()
    assert part_named("Chair_Rung", parts) is parts["chair rung"]
    with pytest.raises(RecordError, match="Known are"):
        part_named("broom", parts)


def test_volume_of_a_cone_and_a_bar():
    """A frustum: πL/12 (D² + D d + d²). Its areas are parabolic, so the trapezoids are close."""
    cone = part(profile=((0, 30, 30), (200, 10, 10)))
    assert volume_mm3(cone) == pytest.approx(math.pi * 200 / 12 * (900 + 300 + 100), rel=1e-4)
    bar = part(shape="rectangle", profile=((0, 30, 20), (200, 30, 20)))
    assert volume_mm3(bar) == pytest.approx(120_000)


def test_shoulders_are_steps(tmp_path):
    text = ONE.replace(
        '{ at = "2 in", diameter = 11 }',
        "{ at = 20, diameter = 10 }, { at = 20, diameter = 16 }, { at = 50, diameter = 16 }",
    )
    peg = read_parts(written(tmp_path, text))["peg"]
    samples = sample_part(peg)
    assert np.interp(19.9, samples.s_mm, samples.width_mm) < 10.1
    assert np.interp(20.1, samples.s_mm, samples.width_mm) == pytest.approx(16, abs=1e-6)


def test_a_part_that_is_the_same_reversed():
    parts = shipped_parts()
    assert parts["chair rung"].is_same_reversed
    assert not parts["rake tine"].is_same_reversed


@pytest.mark.parametrize("shape", SHAPES)
def test_area_and_second_moment_by_counting(shape):
    """Against sums over a fine grid of squares, for a section 30 wide and 20 deep."""
    n, width, depth = 1500, 30.0, 20.0
    u, v = np.meshgrid(
        ((np.arange(n) + 0.5) / n - 0.5) * depth, ((np.arange(n) + 0.5) / n - 0.5) * width
    )
    held = inside(shape, u, v, np.array(width), np.array(depth))
    cell = width * depth / n**2
    assert float(area_mm2(shape, np.array(width), np.array(depth))) == pytest.approx(
        held.sum() * cell, rel=2e-3
    )
    modulus = (u[held] ** 2).sum() * cell / (depth / 2)
    found = float(section_modulus_mm3(shape, np.array(width), np.array(depth)))
    assert found == pytest.approx(modulus, rel=2e-3)


@given(
    shape=st.sampled_from(SHAPES),
    width=st.floats(5, 60),
    depth=st.floats(5, 60),
    turn=st.floats(-180, 180),
)
def test_extents_hold_the_turned_section_and_no_more(shape, width, depth, turn):
    """Against the turned points of a grid: none outside, and some close to each side."""
    n = 161
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, n) * depth, np.linspace(-0.5, 0.5, n) * width)
    held = inside(shape, u, v, np.array(width), np.array(depth))
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    x, y = c * u[held] - s * v[held], s * u[held] + c * v[held]
    half_x, half_y = half_extents_mm(shape, np.array([width]), np.array([depth]), turn)
    step = math.hypot(width, depth) / (n - 1)
    for points, half in ((x, half_x), (y, half_y)):
        assert points.max() <= half[0] + 1e-6
        assert points.max() >= half[0] - 2 * step
