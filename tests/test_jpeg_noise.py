"""Noise that JPEG coding leaves along a picture's rows, against Pillow's own coder."""

import io

import numpy as np
import pytest
from PIL import Image

from grainscan.measure.fibres import fibre_angles
from grainscan.measure.jpeg_noise import _coefficients, _gain, _sigma_before, grid_noise
from grainscan.measure.outline import FaceOutline
from grainscan.photo.jpeg_grid import jpeg_grid
from grainscan.photo.reading import read_photo
from tests.test_texture import streaks

SHAPE = (160, 1120)
ORIENTATION = 0x0112


def coded(grey, quality, *, orientation=1):
    """A grey picture as a JPEG and read again."""
    picture = Image.fromarray(np.uint8(np.clip(np.round(grey), 0, 255)))
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    content = io.BytesIO()
    picture.save(content, "JPEG", quality=quality, exif=exif)
    return read_photo(content.getvalue())


def whole(shape):
    """An outline right round the picture."""
    rows, columns = shape
    x = np.linspace(0.0, columns - 1.0, 101)
    top = np.stack([x, np.zeros_like(x)], axis=1)
    bottom = top + np.array([0.0, rows - 1.0])
    return FaceOutline(
        np.array([top[0], top[-1], bottom[-1], bottom[0]]), top, bottom, 0.0, 1.0, False
    )


def noise_of(photo):
    shape = photo.pixels.shape[:2]
    return grid_noise(photo.pixels, whole(shape), photo.jpeg_grid, shape)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_blocks_are_found_in_every_orientation(orientation):
    # 405 and 299 are no multiples of eight, so flipped pictures begin inside a block.
    rng = np.random.default_rng(orientation)
    photo = coded(rng.normal(128, 25, (299, 405)), 40, orientation=orientation)
    outline = whole(photo.pixels.shape[:2])
    found = _coefficients(photo.pixels, outline.corners_px, photo.jpeg_grid)
    assert len(found) > 1000
    # Each coefficient is a whole number of its step, but for the rounding to grey levels.
    of_steps = found / photo.jpeg_grid.steps
    assert np.abs(of_steps - np.round(of_steps))[:, 1:, 1:].mean() < 0.03


def test_other_pictures_have_no_grid():
    content = io.BytesIO()
    Image.fromarray(np.zeros((120, 120), np.uint8)).save(content, "PNG")
    assert read_photo(content.getvalue()).jpeg_grid is None
    assert jpeg_grid({}, (120, 120)) is None


@pytest.mark.parametrize("sigma", [0.15, 0.3, 0.6, 1.5, 6.0])
def test_what_a_rounding_does_to_a_normal_law(sigma):
    before = np.random.default_rng(3).normal(0.0, sigma, 2_000_000)
    after = np.round(before)
    assert _sigma_before(np.array([np.mean(after**2)]))[0] == pytest.approx(sigma, rel=0.02)
    gain = np.mean(before * after) / np.mean(before**2)
    assert _gain(np.array([sigma]))[0] == pytest.approx(gain, rel=0.03, abs=2e-3)


def test_fine_coding_and_strong_noise_leave_nothing_along_the_rows():
    lines = streaks(SHAPE, 3.0, seed=0, count=3000, length_px=(12.0, 34.0), contrast=4.0)
    assert noise_of(coded(lines, 95)).most[1:7].max() < 0.3
    noisy = lines + np.random.default_rng(1).normal(0.0, 20.0, SHAPE)
    assert noise_of(coded(noisy, 60)).most[1:7].max() < 0.3
    assert noise_of(coded(lines, 60)).most[2:5].min() > 2.0


def test_coarse_coding_no_longer_draws_the_angle_to_the_pictures_rows():
    off_plain, off_allowed_for = [], []
    for seed in (0, 2):
        lines = streaks(
            SHAPE,
            3.0,
            seed=seed,
            count=3000,
            length_px=(12.0, 34.0),
            width_px=(1.2, 2.2),
            noise=0.6,
            contrast=2.5,
        )
        truth = fibre_angles(lines.astype(np.float32)).mean_deg
        photo = coded(lines, 60)
        grey = photo.pixels[..., 0].astype(np.float32)
        off_plain.append(fibre_angles(grey).mean_deg - truth)
        off_allowed_for.append(fibre_angles(grey, noise_of(photo)).mean_deg - truth)
    # Without it both lean towards the rows, by more than half a degree on average.
    assert max(off_plain) < -0.3
    assert abs(np.mean(off_allowed_for)) < 0.4 * abs(np.mean(off_plain))


def test_the_pictures_rows_as_seen_from_a_blank_that_lies_aslant():
    shape = (400, 1200)
    rng = np.random.default_rng(2)
    photo = coded(rng.normal(128, 5, shape), 70)
    x = np.linspace(100.0, 1100.0, 101)
    top = np.stack([x, 120.0 + 0.1 * (x - 100.0)], axis=1)
    bottom = top + np.array([0.0, 100.0])
    corners = np.array([top[0], top[-1], bottom[-1], bottom[0]])
    aslant = FaceOutline(corners, top, bottom, 0.0, 1.0, False)
    found = grid_noise(photo.pixels, aslant, photo.jpeg_grid, (100, 1005))
    # The blank falls to the right by one in ten, so the rows climb against it.
    assert found.axis_deg == pytest.approx(np.degrees(np.arctan(0.1)), abs=0.01)
