"""Fibres through a part: closed forms, laws, and what the measurement's errors do."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.workshop.fit import fit_part
from grainscan.workshop.through import fibres_through, share_through
from tests.bench_made import part, solid

N = 41


def share(shape, width, depth, tan_depth, tan_width, *, length=300.0, at=0, points=6_000):
    z = np.linspace(0, length, N)
    slope = np.stack([np.full(N, tan_depth), np.full(N, tan_width)])
    return share_through(shape, z, np.full(N, width), np.full(N, depth), slope, at, points=points)


@given(
    width=st.floats(8, 40), depth=st.floats(8, 40), a=st.floats(-0.06, 0.06),
    b=st.floats(-0.06, 0.06), at=st.integers(0, N - 1),
)  # fmt: skip
def test_rectangle_of_one_slope(width, depth, a, b, at):
    """(1 − L|a|/d)(1 − L|b|/w), from whichever section the fibres are followed."""
    expected = max(0, 1 - 300 * abs(a) / depth) * max(0, 1 - 300 * abs(b) / width)
    found = share("rectangle", width, depth, a, b, at=at)
    assert found == pytest.approx(expected, abs=0.025)


@given(diameter=st.floats(8, 40), a=st.floats(-0.04, 0.04), b=st.floats(-0.04, 0.04))
def test_round_of_one_slope(diameter, a, b):
    """Lens of two equal circles: (2/π)(arccos u − u √(1 − u²)), u = shift / diameter."""
    u = 300 * math.hypot(a, b) / diameter
    expected = 2 / math.pi * (math.acos(u) - u * math.sqrt(1 - u * u)) if u < 1 else 0.0
    assert share("round", diameter, diameter, a, b) == pytest.approx(expected, abs=0.025)


def test_straight_fibres_of_a_tapered_rod():
    """Of a fat section's fibres, those within the thin end's circle run through: (d/D)²."""
    z = np.linspace(0, 100, N)
    size = np.linspace(20, 12, N)
    none = np.zeros((2, N))
    assert share_through("round", z, size, size, none, 0, points=20_000) == pytest.approx(
        (12 / 20) ** 2, abs=0.01
    )
    assert share_through("round", z, size, size, none, N - 1) == 1.0


def test_a_fibre_that_leaves_and_comes_back_is_cut():
    """A full wave of the fibres: the drift's range counts, not where it ends."""
    z = np.linspace(0, 200, 401)
    wave = np.stack([0.3 * np.sin(2 * np.pi * z / 200), np.zeros(401)])
    drift = 0.3 * 200 / (2 * np.pi) * 2  # of ∫ sin over half a period
    size = np.full(401, 40.0)
    found = share_through("rectangle", z, size, size, wave, 0, points=20_000)
    assert found == pytest.approx(1 - drift / 40.0, abs=0.01)


def test_along_the_fibres_gains_over_straight():
    blank = solid(tan_x=lambda at: 0.04 * math.cos(3 * at), tan_y=0.01, width=60, height=60)
    rod = part(tenons=((0, 30), (270, 300)))
    along = fibres_through(blank, fit_part(blank, rod))
    straight = fibres_through(blank, fit_part(blank, rod, along_fibres=False))
    assert along.thinnest.share == 1.0
    assert straight.thinnest.share < 0.9
    assert [section.s_mm for section in along.tenons] == [pytest.approx(30), pytest.approx(270)]


def test_errors_of_the_field_lower_the_share():
    rod = part()
    exact, unsure = (solid(width=60, height=60, sigma=s) for s in (0.0, 0.01))
    sure = fibres_through(exact, fit_part(exact, rod)).thinnest
    assert (sure.low, sure.middle, sure.high) == (1.0, 1.0, 1.0)
    found = fibres_through(unsure, fit_part(unsure, rod)).thinnest
    assert found.share == 1.0
    assert found.low < found.middle < 1.0
    # One common error of either tangent, 0.01 each: the drift over 300 mm is 3 mm times a length
    # that follows the Rayleigh law; its median is 3 √(2 ln 2) mm.
    u = 3 * math.sqrt(2 * math.log(2)) / 16
    lens = 2 / math.pi * (math.acos(u) - u * math.sqrt(1 - u * u))
    assert found.middle == pytest.approx(lens, abs=0.04)


def test_most_is_what_taper_leaves():
    blank = solid(width=60, height=60)
    tine = part(profile=((0, 20, 20), (200, 10, 10)), tenons=((0, 20),))
    found = fibres_through(blank, fit_part(blank, tine))
    (tenon,) = found.tenons
    assert tenon.most == pytest.approx((10 / 19) ** 2, abs=0.02)
    assert found.thinnest.most == 1.0


def test_a_turned_part_sees_the_slope_turned():
    """A slat laid on edge: fibres that cross its thin way are cut most."""
    slat = part(shape="rectangle", profile=((0, 40, 8), (300, 40, 8)))
    narrow = solid(width=14, height=60, tan_y=0.01)  # it must stand with its width along x
    placed = fit_part(narrow, slat, along_fibres=False, allowance_mm=0.5)
    assert placed.way.turn_deg == 90
    fixed = solid(width=9.2, height=60, tan_y=0.01)
    placed = fit_part(fixed, slat, along_fibres=False, allowance_mm=0.5)
    found = fibres_through(fixed, placed).thinnest.share
    tilt = 0.2 / 300  # what room the tight blank leaves to follow the fibres
    assert found == pytest.approx(1 - 300 * (0.01 - tilt) / 8, abs=0.03)
