"""The smooth angle along a face, from made evidence whose truth and scatter are known."""

import numpy as np
import pytest

from grainscan.measure.field import angle_means, angle_paths, evidence_spread_factor

SLOPES = np.linspace(-10.0, 10.0, 201)
BLOCKS = 18
AT = (np.arange(BLOCKS) + 0.5) / BLOCKS


def bells(seen_deg, sigma_deg, strength=None):
    """Log-ratios (…, T) of a normal law about ``seen_deg`` (…), above noise by ``strength``."""
    strength = 30.0 if strength is None else strength
    return strength - 0.5 * ((SLOPES - np.asarray(seen_deg)[..., None]) / sigma_deg) ** 2


def swinging(rng):
    """A truth that wanders smoothly from block to block."""
    return rng.uniform(-5, 5) + np.cumsum(rng.normal(0, 0.15, BLOCKS))


def test_the_interval_of_the_mean_holds_the_truth_nine_times_in_ten():
    inside, sigma = [], 0.8
    for seed in range(110):
        rng = np.random.default_rng([seed, 7])
        truth = swinging(rng)
        evidence = bells(truth + sigma * rng.normal(size=BLOCKS), sigma)
        means = angle_paths(evidence, SLOPES, AT, spread_factor=1.0).paths_deg.mean(axis=1)
        low, high = np.percentile(means, [5, 95])
        inside.append(low <= truth.mean() <= high)
    assert 0.83 <= np.mean(inside) <= 0.97


def test_overconfident_evidence_is_widened_by_its_factor():
    # Each band scatters twice as far as it claims: its evidence counts a quarter.
    rng = np.random.default_rng(8)
    inside, factors = [], []
    for _ in range(40):
        truth = swinging(rng)
        bands = bells(truth + 1.2 * rng.normal(size=(4, BLOCKS)), 0.6)
        factors.append(evidence_spread_factor(bands, SLOPES))
        paths = angle_paths(bands.sum(axis=0), SLOPES, AT, spread_factor=factors[-1])
        low, high = np.percentile(paths.paths_deg.mean(axis=1), [5, 95])
        inside.append(low <= truth.mean() <= high)
    assert np.median(factors) == pytest.approx(4.0, rel=0.3)
    assert np.mean(inside) >= 0.75


def test_the_factor_is_one_for_honest_bands_and_grows_with_their_scatter():
    rng = np.random.default_rng(9)
    noise = rng.normal(size=(4, 60))
    factors = [
        evidence_spread_factor(bells(2.0 + s * noise, 0.7), SLOPES) for s in (0, 0.7, 1.4, 3)
    ]
    assert factors[0] == 1.0
    assert 1.0 <= factors[1] < 1.5
    assert factors[1] < factors[2] < factors[3]
    assert factors[2] == pytest.approx(4.0, rel=0.4)
    assert evidence_spread_factor(bells(noise[:1], 0.7), SLOPES) == 1.0
    assert evidence_spread_factor(bells(noise[:, :3], 0.7), SLOPES) == 1.0


def test_one_misled_band_in_few_blocks_does_not_widen_everything():
    rng = np.random.default_rng(10)
    seen = 2.0 + 0.7 * rng.normal(size=(4, 40))
    seen[0, :8] += 6.0
    assert evidence_spread_factor(bells(seen, 0.7), SLOPES) < 2.0


def test_a_block_misled_altogether_does_not_move_the_path():
    evidence = bells(np.full(BLOCKS, 2.0), 0.4)
    plain = angle_paths(evidence, SLOPES, AT, spread_factor=1.0).paths_deg
    evidence[7] = bells(np.array(-8.0), 0.1, 200.0)
    misled = angle_paths(evidence, SLOPES, AT, spread_factor=1.0).paths_deg
    assert misled.mean() == pytest.approx(plain.mean(), abs=0.1)
    assert misled[:, 7].mean() == pytest.approx(2.0, abs=0.3)


def test_the_path_follows_a_real_change():
    truth = np.linspace(-4.0, 4.0, BLOCKS)
    paths = angle_paths(bells(truth, 0.3), SLOPES, AT, spread_factor=1.0).paths_deg
    assert np.abs(paths.mean(axis=0) - truth).max() < 0.35


def test_blocks_without_evidence_are_bridged_and_less_sure():
    # A truth that swings, so that what lies between two places is not known from them alone.
    truth = 2.0 + np.array([0.0, 0.8] * (BLOCKS // 2))
    evidence = bells(truth, 0.2)
    evidence[6:10] = 0.0
    paths = angle_paths(evidence, SLOPES, AT, spread_factor=1.0).paths_deg
    assert paths[:, 6:10].mean() == pytest.approx(2.4, abs=0.4)
    assert paths[:, 7].std() > 2.0 * paths[:, 2].std()


def test_evidence_is_none_for_flat_ratios_and_adds_up_where_directed():
    nothing = angle_paths(np.zeros((BLOCKS, 201)), SLOPES, AT, spread_factor=1.0)
    assert abs(nothing.evidence) < 1.0
    one, two = (
        angle_paths(bells(np.full(BLOCKS, 1.0), 0.5, s), SLOPES, AT, spread_factor=1.0).evidence
        for s in (10.0, 20.0)
    )
    assert one > 20.0
    assert two - one == pytest.approx(10.0 * BLOCKS, rel=0.05)


def test_the_same_evidence_gives_the_same_paths():
    evidence = bells(np.linspace(0, 1, BLOCKS), 0.5)
    first, second = (angle_paths(evidence, SLOPES, AT, spread_factor=1.0) for _ in range(2))
    assert np.array_equal(first.paths_deg, second.paths_deg)
    mirrored = angle_paths(evidence[:, ::-1], SLOPES, AT, spread_factor=1.0).paths_deg
    assert mirrored.mean() == pytest.approx(-first.paths_deg.mean(), abs=0.05)


def test_means_by_sums_are_those_of_many_drawn_paths():
    rng = np.random.default_rng(11)
    seen = np.stack([swinging(rng) + 0.8 * rng.normal(size=BLOCKS) for _ in range(3)])
    evidence = bells(seen, np.array([0.3, 0.8, 2.0])[:, None, None])
    evidence[1, 4] = bells(np.array(-8.0), 0.1, 90.0)
    step = 0.4
    means = angle_means(evidence, SLOPES, spread_factor=1.3, step_deg=step)
    for each, said in zip(evidence, means, strict=True):
        drawn = angle_paths(each, SLOPES, AT, spread_factor=1.3, steps_deg=(step,))
        of_paths = drawn.paths_deg.mean(axis=1)
        # 200 paths: five standard errors of their mean and of their standard deviation.
        assert said.mean_deg == pytest.approx(of_paths.mean(), abs=5 * said.sigma_deg / 200**0.5)
        assert said.sigma_deg == pytest.approx(of_paths.std(), rel=5 / 400**0.5)
        assert said.evidence == pytest.approx(drawn.evidence, abs=1e-6)


def test_means_by_sums_are_a_normal_law_where_all_is_normal(monkeypatch):
    # Without misled blocks the chain is a random walk seen with normal errors: its posterior is
    # that of a linear model.
    monkeypatch.setattr("grainscan.measure.field.MISLED", 0.0)
    seen, error, step = 0.05 * np.arange(BLOCKS) + np.sin(np.arange(BLOCKS)), 0.8, 0.4
    walk = np.diff(np.eye(BLOCKS), axis=0)
    covariance = np.linalg.inv(np.eye(BLOCKS) / error**2 + walk.T @ walk / step**2)
    (said,) = angle_means(bells(seen[None], error), SLOPES, spread_factor=1.0, step_deg=step)
    assert said.mean_deg == pytest.approx((covariance @ seen).mean() / error**2, abs=1e-3)
    by_law = np.sqrt(covariance.mean() + 0.1**2 / 12 / BLOCKS)
    assert said.sigma_deg == pytest.approx(by_law, rel=2e-3)
