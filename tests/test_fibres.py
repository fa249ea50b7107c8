"""Fibre angles of made faces: truth, symmetry, and when nothing can be read."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.measure import fibres as fibres_module
from grainscan.measure.fibres import fibre_angles
from tests.test_texture import steep_streaks, streaks, white_noise

SHAPE = (160, 1120)


def face(angle_deg, seed, **how):
    return streaks(SHAPE, angle_deg, seed=seed, count=3000, length_px=(12.0, 34.0), **how)


@settings(max_examples=3, derandomize=True)
@given(angle_deg=st.floats(-8.0, 8.0), seed=st.integers(0, 1000))
def test_the_angle_and_what_it_claims(angle_deg, seed):
    found = fibre_angles(face(angle_deg, seed))
    assert found.readable
    assert abs(found.mean_deg - angle_deg) < max(0.3, 4.0 * found.mean_sigma_deg)
    assert found.mean_sigma_deg < 1.0


def test_most_intervals_hold_the_truth():
    rng = np.random.default_rng(4)
    scaled = []
    for seed in range(6):
        truth = rng.uniform(-6, 6)
        found = fibre_angles(face(truth, 500 + seed))
        scaled.append(abs(found.mean_deg - truth) / found.mean_sigma_deg)
    # Six faces are few, but gross overconfidence shows.
    assert sorted(scaled)[3] < 1.645
    assert max(scaled) < 5.0


def test_mirror_turn_and_light():
    grey = face(3.0, 20)
    plain = fibre_angles(grey)
    for other, sign in (
        (grey[:, ::-1], -1),
        (grey[::-1], -1),
        (grey[::-1, ::-1], 1),
        (0.4 * grey + 70, 1),
        (255 - grey, 1),
    ):
        found = fibre_angles(np.ascontiguousarray(other, dtype=np.float32))
        # Sampled paths and stripes are not mirror-exact; the interval must cover the difference.
        allowed = 1.645 * plain.mean_sigma_deg
        assert found.mean_deg == pytest.approx(sign * plain.mean_deg, abs=allowed)
        assert found.readable


@pytest.mark.parametrize("seed", range(2))
def test_noise_is_not_read(seed):
    found = fibre_angles(white_noise(SHAPE, seed))
    assert not found.readable
    assert found.evidence < 20.0


def test_saw_marks_alone_are_not_read_as_fibres():
    marks = steep_streaks(SHAPE, 80.0, seed=30, count=1500, length_px=(40.0, 90.0))
    assert not fibre_angles(marks).readable


def test_too_few_pixels_are_not_read():
    assert not fibre_angles(face(1.0, 31)[:10, :200]).readable


@pytest.mark.parametrize("level", [30.0, 128.0, 255.0])
def test_an_even_face_is_not_read(level):
    grey = np.full(SHAPE, level, np.float32)
    # Light that falls off smoothly, in the exact arithmetic of a square-on view.
    x = np.linspace(-1, 1, SHAPE[1], dtype=np.float32)
    for picture in (grey, grey * (1 - 0.2 * x**2)):
        assert not fibre_angles(np.float32(picture)).readable


def test_stations_follow_fibres_that_turn_along_the_face():
    grey = face(lambda at: 6.0 * at - 3.0, 40)
    found = fibre_angles(grey)
    centre = found.paths_deg.mean(axis=0)
    assert np.corrcoef(centre, found.at)[0, 1] > 0.9
    assert centre[-3:].mean() - centre[:3].mean() > 2.0


@pytest.mark.parametrize("columns", [150, 400])
@pytest.mark.parametrize("rows", [16, 18, 21, 24, 28, 31, 33, 34, 38, 42, 60])
def test_a_face_of_few_pixels_is_unread_and_no_failure(rows, columns):
    grey = (128 + 20 * np.random.default_rng(rows).standard_normal((rows, columns))).astype(
        np.float32
    )
    assert not fibre_angles(grey).readable


def test_the_blur_of_the_arrises_is_no_ring_line():
    """Fibres climb by 4°, the edges are soft and dark; there are no rings."""
    rows = 60
    grey = streaks((rows, 1000), 4.0, seed=5, count=2000, length_px=(12.0, 34.0))
    from_edge = np.minimum(np.arange(rows), np.arange(rows)[::-1])[:, None]
    shaded = grey - 60.0 * np.exp(-0.5 * (from_edge / 2.5) ** 2).astype(np.float32)
    stripes = fibre_angles(shaded).stripes
    assert stripes is None or abs(stripes.mean_deg) > 1.0


def fine_lines(angle_deg, *, seed, short_px=None):
    """Lines two to four pixels apart; ``short_px``: as long as a coded block, level."""
    if short_px is None:
        return face(angle_deg, seed, width_px=(0.4, 0.6), noise=0.0, contrast=30.0) - 128.0
    noise = white_noise(SHAPE, seed) - 128.0
    level = cv2.blur(noise, (short_px, 1))
    fine = level - cv2.GaussianBlur(level, (1, 0), 0.8)
    return fine * (30.0 / fine.std())


def test_the_finest_lines_draw_the_answer_to_the_fibres(monkeypatch):
    """Lines at 3° that are broad and long; fibres at -2° that only fine lines show."""
    rings = streaks(SHAPE, 3.0, seed=8, count=400, length_px=(60, 120), width_px=(1.6, 2.4))
    both = np.float32(rings + 0.5 * fine_lines(-2.0, seed=9))
    found = fibre_angles(both).mean_deg
    monkeypatch.setattr(fibres_module, "FINE_OCTAVES", fibres_module.FINE_OCTAVES[:-1])
    assert abs(found + 2.0) < min(0.5, abs(fibre_angles(both).mean_deg + 2.0) - 0.1)


def test_lines_clearer_the_finer_they_are_come_from_the_camera(monkeypatch):
    """Fibres at 4°, and coded noise in short level lines of two to four pixels."""
    fibres = face(4.0, 10, width_px=(1.4, 2.2))
    coded = np.float32(fibres + 2.0 * fine_lines(0.0, seed=11, short_px=8))
    found = fibre_angles(coded)
    assert abs(found.mean_deg - 4.0) < min(1.5, 1.645 * found.mean_sigma_deg)
    monkeypatch.setattr(fibres_module, "MOST_RISE", np.inf)
    misled = fibre_angles(coded)
    assert abs(misled.mean_deg - 4.0) > 1.645 * misled.mean_sigma_deg
