"""Which of several families of lines are the rings, and how sure that is."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.measure.end import measure_end
from grainscan.measure.rings_anatomy import Profiles
from grainscan.measure.rings_bend import MOST, bend_evidence
from grainscan.measure.rings_boundaries import bark_side


def test_bent_lines_speak_for_rings_and_straight_ones_against():
    assert bend_evidence(0.5, 0.05) == pytest.approx(MOST)
    assert bend_evidence(0.0, 0.02) == pytest.approx(-MOST)


def test_a_curvature_that_is_not_known_says_nothing():
    assert bend_evidence(0.3, 100.0) == pytest.approx(0.0, abs=1e-4)


@given(st.floats(0.0, 1.5), st.floats(0.01, 0.5))
def test_evidence_is_the_log_ratio_of_the_two_laws(curvature, error):
    """By drawing: piths anywhere in a disc of ten widths, and the normal law of the error."""
    rng = np.random.default_rng(3)
    bent = 1.0 / np.hypot(*_in_disc(rng, 10_000))
    rings = np.mean(_normal(curvature - bent, error) + _normal(curvature + bent, error))
    straight = 2.0 * _normal(np.array(curvature), error)
    if rings > 0 and straight > 0:
        expected = float(np.clip(math.log(rings / straight), -MOST, MOST))
        assert bend_evidence(curvature, error) == pytest.approx(expected, abs=0.25)


def _in_disc(rng, count):
    """Points spread evenly over a disc of radius ten, (2, count)."""
    distance, turn = 10.0 * np.sqrt(rng.random(count)), 2 * np.pi * rng.random(count)
    return distance * np.array([np.cos(turn), np.sin(turn)])


def _normal(away, error):
    return np.exp(-0.5 * (away / error) ** 2) / error


def crossed(spacing_across, spacing_along, depths=(45.0, 45.0), seed=0, side=700):
    """Straight dark lines both ways on pale wood, and their photograph on a dark ground."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:side, :side].astype(float)
    tone = np.full((side, side), 200.0)
    for v, spacing, depth in zip((x, y), (spacing_across, spacing_along), depths, strict=True):
        for place in np.arange(0.5 * spacing, side, spacing):
            tone -= depth * np.exp(-0.5 * ((v - place) / 2.0) ** 2)
    tone += rng.normal(0, 6, tone.shape)
    wood = np.clip(tone[..., None] * np.array([1.0, 0.86, 0.68]), 0, 255)
    picture = np.full((side + 240, side + 240, 3), (40, 60, 90), np.uint8)
    picture[120:-120, 120:-120] = wood.astype(np.uint8)
    return picture


@pytest.mark.parametrize("depths", [(45.0, 45.0), (45.0, 25.0)])
def test_two_like_families_of_straight_lines_are_owned_up_to(depths):
    """Nothing tells rings from rays here, nor do the clearer lines: rays may be as clear."""
    picture = crossed(50, 50, depths)
    end = measure_end(picture, photo="end", width_mm=25.0, height_mm=25.0, species=None)
    assert end.ring_direction_deg is None
    assert "cannot be told apart" in end.notes[0]


def test_one_family_alone_is_read():
    end = measure_end(crossed(50, 5000), photo="end", width_mm=25.0, height_mm=25.0, species=None)
    assert end.ring_direction_deg is not None
    assert abs(abs(end.ring_direction_deg) - 90.0) < 1.0


def pore_rows(outwards):
    """Profiles of even rings whose pores begin at once and thin out over half a ring."""
    phase = (np.arange(400) % 40) / 40.0
    pores = np.where(phase < 0.5, 1.0 - 2.0 * phase, 0.0)[:: 1 if outwards > 0 else -1]
    ones = np.ones(400)
    used = np.ones(400, bool)
    return Profiles(-pores, pores, ones, used, -pores[None], pores[None], ones[None], 1.0)


@pytest.mark.parametrize("outwards", [1, -1])
def test_pores_of_straight_rings_tell_the_bark_side(outwards):
    found, sure = bark_side(pore_rows(outwards), "ring-porous", 0.0, 0.1)
    assert found == outwards
    assert sure > 0.6
    assert bark_side(pore_rows(outwards), "diffuse-porous", 0.0, 0.1)[1] == pytest.approx(0.5)


def test_clear_curvature_overrules_the_pores():
    assert bark_side(pore_rows(-1), "ring-porous", 0.5, 0.05)[0] == 1
