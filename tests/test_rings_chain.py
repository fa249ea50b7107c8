"""Chains of ring boundaries among chance peaks, and thin lines on rough wood."""

import numpy as np
import pytest
from scipy.special import ndtr

from grainscan.measure.rings_chain import best_chain
from grainscan.measure.rings_lines import CLEAR, STEP_DEG, line_picture

ROWS = 480


def evidence(seed, *, usual=24.0, spread=0.25, height=6.0, noise=1.0):
    """Rows of boundaries at widths that vary from year to year, and evidence with noise."""
    rng = np.random.default_rng(seed)
    at = [rng.uniform(0, usual)]
    while at[-1] < ROWS:
        at.append(at[-1] + usual * rng.lognormal(0.0, spread))
    true = np.array([a for a in at if 4 <= a < ROWS - 4])
    rows = np.arange(ROWS)[:, None]
    smooth = np.convolve(rng.normal(0, 1, ROWS + 8), np.hanning(7) / np.hanning(7).std(), "same")
    clear = noise * smooth[4:-4] / smooth.std()
    heights = height * rng.uniform(0.7, 1.3, len(true))
    clear = clear + (heights * np.exp(-0.5 * ((rows - true) / 2.0) ** 2)).sum(axis=1)
    return true, clear


def chain_of(clear, usual=24.0):
    used = np.ones(ROWS, bool)
    used[:3], used[-3:] = False, False
    return best_chain(clear, np.ones(ROWS), used, usual)


def test_a_boundary_on_the_edge_may_be_in_or_out():
    true, clear = evidence(3, spread=0.05, noise=0.3, height=12.0)
    chain = chain_of(clear)
    on_edge, amid = float(true[4]), float(true[4] + true[5]) / 2
    high = float(true[-1] + true[-2]) / 2
    sharp = chain.count_chances_between(amid, high)
    blurred = chain.count_chances_between(on_edge + 0.5, high)
    assert sharp.sum() == pytest.approx(1.0)
    assert blurred.sum() == pytest.approx(1.0)
    # Nothing is near an edge amid two boundaries: the edge's width changes nothing there.
    assert sharp == pytest.approx(chain.count_chances_between(amid + 1.0, high))
    # On a boundary, two counts in place of one.
    assert blurred.max() < sharp.max() - 0.1


def test_clear_boundaries_are_found_and_chance_peaks_are_not():
    missed = wrong = count = 0
    for seed in range(12):
        true, clear = evidence(seed)
        chain = chain_of(clear)
        found = chain.peaks[chain.chosen]
        near = np.abs(found[:, None] - true[None, :]) <= 4
        missed += int((~near.any(axis=0)).sum())
        wrong += int((~near.any(axis=1)).sum())
        count += len(true)
    assert missed <= 0.03 * count
    assert wrong <= 0.03 * count


def test_chances_of_faint_boundaries_mean_what_they_say():
    chances, right = [], []
    for seed in range(40):
        true, clear = evidence(seed, height=3.5)
        chain = chain_of(clear)
        if chain is None:
            continue
        chances.append(chain.chance)
        right.append((np.abs(chain.peaks[:, None] - true[None, :]) <= 4).any(axis=1))
    chance, is_one = np.concatenate(chances), np.concatenate(right)
    high, low = chance > 0.9, chance < 0.3
    assert high.sum() > 30
    assert is_one[high].mean() > 0.85
    assert is_one[low].mean() < is_one[high].mean() - 0.3


def test_the_count_is_a_law_of_chance_and_near_the_truth():
    held = 0
    for seed in range(20):
        true, clear = evidence(seed, height=4.5)
        law = chain_of(clear).count_chances(-1, ROWS)
        assert law.sum() == pytest.approx(1.0, abs=1e-6)
        cumulative = np.cumsum(law)
        low, high = np.searchsorted(cumulative, [0.05, 0.95])
        held += low <= len(true) <= high
    assert held >= 14


def test_the_scale_of_the_widths_does_not_matter():
    for usual in (14.0, 24.0, 40.0):
        true, clear = evidence(3, usual=usual)
        chain = chain_of(clear)
        assert abs(int(chain.chosen.sum()) - len(true)) <= 1
        assert chain.width == pytest.approx(np.median(np.diff(true)), rel=0.2)


def test_nothing_stands_out_of_nothing():
    assert chain_of(np.zeros(ROWS)) is None


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 75.0, 120.0])
def test_a_long_thin_line_is_picked_out_with_its_direction(turn_deg):
    rng = np.random.default_rng(1)
    texture = rng.normal(0, 1, (320, 320)).astype(np.float32)
    y, x = np.mgrid[:320, :320] - 160.0
    # Rows count downwards; the normal points counter-clockwise from the right.
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    texture -= (3.0 * np.exp(-0.5 * ((x * c - y * s) / 1.2) ** 2)).astype(np.float32)
    clear, normal, inner = line_picture(texture, np.ones((320, 320), bool))
    on_line = (np.abs(x * c - y * s) < 1.0) & inner
    assert (clear[on_line] > 0).mean() > 0.8
    off = (normal[on_line & (clear > 0)] - turn_deg + 90) % 180 - 90
    assert np.abs(np.median(off)) <= 3.0
    away = (np.abs(x * c - y * s) > 20.0) & inner
    # No more than chance (two sides of the normal law) gives to all directions that are tried.
    by_chance = 2.0 * ndtr(-CLEAR) * 180.0 / STEP_DEG
    assert (clear[away] > 0).mean() < by_chance < 0.03
