"""Directions from the spectrum of made textures whose direction is exact."""

import numpy as np
import pytest

from grainscan.measure.directions import block_directions
from grainscan.measure.fibres import FINE_OCTAVES as OCTAVES
from grainscan.measure.fibres import fibre_angles
from grainscan.measure.texture import normalised_texture
from tests.test_texture import steep_streaks, streaks, white_noise

SHAPE = (128, 960)


def evidence(grey, *, octaves=OCTAVES, broad_px=4.0):
    texture = normalised_texture(grey, broad_px=broad_px, clip=2.0)
    return block_directions(texture, block_px=160, octaves=octaves)


def whole_strip_deg(grey, **how):
    """Direction with the highest likelihood over all blocks and octaves, between grid steps."""
    found = [e for e in evidence(grey, **how) if e is not None]
    slopes = found[0].slopes_deg
    total = sum(e.log_ratio.sum(axis=0) for e in found)
    best = int(np.clip(np.argmax(total), 1, len(slopes) - 2))
    below, here, above = total[best - 1 : best + 2]
    step = slopes[1] - slopes[0]
    return float(slopes[best] + step * 0.5 * (below - above) / (below - 2 * here + above))


def test_no_bias_in_steps_finer_than_the_grid():
    angles = np.arange(-0.1, 0.226, 0.05)
    errors = np.array(
        [whole_strip_deg(streaks(SHAPE, a, seed=10 + k)) - a for k, a in enumerate(angles)]
    )
    assert np.abs(errors).max() < 0.2
    assert abs(errors.mean()) < 0.05
    # A pull towards zero (or to whole grid steps) would shrink the answers against the truth.
    gain = np.polyfit(angles, angles + errors, 1)[0]
    assert gain == pytest.approx(1.0, abs=0.4)


@pytest.mark.parametrize("angle_deg", [-14.0, -4.0, 0.7, 2.86, 9.0])
def test_bias_below_a_tenth_of_a_degree(angle_deg):
    # Two strips each: the bound is on the method's bias, not on one strip's own scatter.
    errors = [whole_strip_deg(streaks(SHAPE, angle_deg, seed=s)) - angle_deg for s in (30, 31)]
    assert abs(np.mean(errors)) < 0.1


def test_mirror_and_light_change_nothing_else():
    grey = streaks(SHAPE, 3.3, seed=40)
    angle = whole_strip_deg(grey)
    assert angle == pytest.approx(3.3, abs=0.15)
    assert whole_strip_deg(grey[:, ::-1].copy()) == pytest.approx(-angle, abs=0.04)
    assert whole_strip_deg(grey[::-1].copy()) == pytest.approx(-angle, abs=0.04)
    assert whole_strip_deg(grey[::-1, ::-1].copy()) == pytest.approx(angle, abs=0.04)
    assert whole_strip_deg(255.0 - grey) == pytest.approx(angle, abs=0.02)
    for gain, offset in ((0.1, 5.0), (4.0, -300.0)):
        changed = np.float32(gain * grey + offset)
        assert whole_strip_deg(changed) == pytest.approx(angle, abs=0.02)


def test_turning_the_wood_turns_the_answer():
    # The same streaks (same seed), each at an angle greater by 2.5°.
    first, second = (whole_strip_deg(streaks(SHAPE, a, seed=41)) for a in (-1.0, 1.5))
    assert second - first == pytest.approx(2.5, abs=0.15)


@pytest.mark.parametrize("angle_deg", [0.8, 4.0])
def test_broad_strong_streaks_do_not_draw_the_answer_to_zero(angle_deg):
    # "Red" texture: many times more power in broad streaks, all at the same angle.
    fine = streaks(SHAPE, angle_deg, seed=50)
    broad = streaks(SHAPE, angle_deg, seed=51, count=300, width_px=(5.0, 14.0), noise=0.0)
    red = fine + 8.0 * (broad - 128.0)
    # Nothing is taken out beforehand, so that the spectrum itself must cope.
    texture = np.float32((red - red.mean()) / red.std())
    found = [e for e in block_directions(texture, block_px=160, octaves=OCTAVES) if e]
    total = sum(e.log_ratio.sum(axis=0) for e in found)
    assert found[0].slopes_deg[int(np.argmax(total))] == pytest.approx(angle_deg, abs=0.2)


@pytest.mark.parametrize("saw_deg", [60.0, 90.0])
def test_saw_marks_do_not_move_the_answer(saw_deg):
    grey = streaks(SHAPE, 2.0, seed=60)
    marks = steep_streaks(
        SHAPE, saw_deg, seed=61, count=400, width_px=(1.0, 2.5), length_px=(60.0, 160.0), noise=0.0
    )
    sawn = grey + 1.0 * (marks - 128.0)
    assert whole_strip_deg(sawn) == pytest.approx(whole_strip_deg(grey), abs=0.1)


def test_noise_alone_gives_no_evidence():
    totals = []
    for seed in range(4):
        found = [e for e in evidence(white_noise(SHAPE, seed)) if e]
        totals.append(sum(e.log_ratio.sum(axis=0) for e in found).max())
    wood = [e for e in evidence(streaks(SHAPE, 1.0, seed=70)) if e]
    # Odds of e^20 are what the fibre reading asks for.
    assert max(totals) < 20.0
    assert sum(e.log_ratio.sum(axis=0) for e in wood).max() > 500.0


def test_an_octave_without_rows_is_none_and_blocks_cover_the_strip():
    first, second = evidence(streaks(SHAPE, 1.0, seed=71), octaves=((0.10, 0.101), (0.16, 0.25)))
    assert first is None
    assert second is not None
    assert second.log_ratio.shape == (len(second.at), len(second.slopes_deg))
    assert second.at[0] == pytest.approx(80 / 960)
    assert np.allclose(np.diff(second.at), 80 / 960)
    assert second.at[-1] <= 1 - 80 / 960 + 1e-9
    assert second.slopes_deg[0] == pytest.approx(-second.slopes_deg[-1])


def test_each_block_tells_its_own_direction():
    # The fibres swing from −4° to +4° along the strip.
    grey = streaks((128, 1280), lambda at: 8.0 * at - 4.0, seed=80, count=2200, length_px=(20, 60))
    found = [e for e in evidence(grey) if e]
    per_block = found[0].slopes_deg[np.argmax(sum(e.log_ratio for e in found), axis=1)]
    truth = 8.0 * found[0].at - 4.0
    assert np.median(np.abs(per_block - truth)) < 0.5
    assert np.corrcoef(per_block, truth)[0, 1] > 0.97


def grating(shape, angle_deg, rng):
    """Sixty plane waves of one direction, from broad to fine lines, and a little white noise."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    turn = np.radians(angle_deg)
    height = -(y - shape[0] / 2) * np.cos(turn) - (x - shape[1] / 2) * np.sin(turn)
    at = np.arange(height.min() - 1.0, height.max() + 1.0, 0.05)
    waves = zip(rng.uniform(0.06, 0.45, 60), rng.uniform(0, 2 * np.pi, 60), strict=True)
    profile = sum(np.cos(2 * np.pi * cycles * at + phase) for cycles, phase in waves)
    lines = np.interp(height, at, profile / np.std(profile)).astype(np.float32)
    return lines + np.float32(0.3) * rng.standard_normal(shape, dtype=np.float32)


def grating_error_deg(shape, angle_deg, seed):
    rng = np.random.default_rng([seed, round(1000 * angle_deg)])
    found = block_directions(grating(shape, angle_deg, rng), block_px=shape[0], octaves=OCTAVES)
    total = sum(e.log_ratio.sum(axis=0) for e in found)
    best = int(np.argmax(total))
    below, here, above = total[best - 1 : best + 2]
    step = found[0].slopes_deg[1] - found[0].slopes_deg[0]
    peak = found[0].slopes_deg[best] + step * 0.5 * (below - above) / (below - 2 * here + above)
    return peak - angle_deg


@pytest.mark.parametrize(("shape", "count"), [((70, 2400), 4), ((160, 1200), 4)])
def test_gratings_have_no_bias_at_any_angle(shape, count):
    # The columns of the spectrum are places that a peak may be drawn to.
    near_zero = np.arange(0.0, 1.001, 0.05)
    angles = np.concatenate([near_zero, [2.95, 3.0, 3.05, 7.95, 8.0, 8.05]])
    errors = np.array([[grating_error_deg(shape, a, k) for k in range(count)] for a in angles])
    own_scatter = errors.std(axis=1, ddof=1).mean() / np.sqrt(count)
    bias = errors.mean(axis=1)
    assert np.abs(bias).max() < 0.03 + 2.0 * own_scatter
    # What the few gratings scatter is no bias.
    assert np.mean(bias**2) - own_scatter**2 < 0.02**2
    assert abs(bias[: len(near_zero)].mean()) < 0.01


def wandering(cut, seed):
    """Streaks at 1.5° whose skirts fall slowly, nothing finer than ``cut`` cycles per pixel."""
    rows, columns = 300, 3000
    noise = np.random.default_rng(seed).normal(0.0, 1.0, (2 * rows, 2 * columns))
    down = np.fft.fftfreq(2 * rows)[:, None]
    along = np.fft.rfftfreq(2 * columns)[None, :]
    off = along - down * np.tan(np.radians(1.5))
    shape = 1.0 / (1.0 + (off / (0.004 + 0.01 * np.abs(down))) ** 2)
    shape = shape * np.exp(-((np.hypot(along, down) / cut) ** 8))
    made = np.fft.irfft2(np.fft.rfft2(noise) * shape, noise.shape)[:rows, :columns]
    return np.float32(128.0 + 20.0 * made / made.std())


def test_a_picture_that_was_reduced_reads_as_the_one_it_was_made_of():
    """A reduced picture has next to no noise beside its lines: what leaks from them is none."""
    told = {
        cut: np.mean([fibre_angles(wandering(cut, seed)).mean_deg for seed in range(3)])
        for cut in (0.3, 0.5)
    }
    assert told[0.3] == pytest.approx(told[0.5], abs=0.08)
    assert told[0.5] == pytest.approx(1.5, abs=0.2)
