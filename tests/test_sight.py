"""What a face's photograph lacks: detail and even light, on made textures."""

import cv2
import numpy as np
import pytest

from grainscan.measure.sight import finest_detail_px, shadow_across


def texture(*, noise=2.0, seed=1):
    """White noise smoothed along the fibres alone: every wavelength across them is there."""
    rng = np.random.default_rng(seed)
    lines = cv2.GaussianBlur(rng.normal(0, 1, (160, 1500)), (0, 0), sigmaX=12, sigmaY=0.7)
    return np.float32(150 + 12 * lines / lines.std() + rng.normal(0, noise, lines.shape))


def test_blur_widens_the_finest_detail():
    details = []
    for sigma in (0.01, 3.0, 6.0):
        soft = cv2.GaussianBlur(texture(noise=0.0), (0, 0), sigma) if sigma > 1 else texture()
        noisy = soft + np.random.default_rng(2).normal(0, 1.0, soft.shape).astype(np.float32)
        details.append(finest_detail_px(noisy))
    assert details[0] < 2.5
    assert details[0] < details[1] < details[2]
    # A Gaussian of σ leaves of a wave exp(-2π²σ²f²) of its height: at 6 px little below 20 px.
    assert details[2] > 5.0


def test_noise_alone_has_no_detail():
    flat = 150 + np.random.default_rng(3).normal(0, 4.0, (160, 1500))
    assert finest_detail_px(np.float32(flat)) == np.inf
    assert finest_detail_px(np.full((10, 200), 90, np.float32)) == np.inf


@pytest.mark.parametrize("place", [0.2, 0.5, 0.8])
def test_a_shadows_edge_across_the_face_is_placed(place):
    at = np.arange(1500) / 1500
    light = 1.0 - 0.45 / (1 + np.exp(-(at - place) / 0.01))
    assert shadow_across(texture() * light.astype(np.float32)) == pytest.approx(place, abs=0.03)


def test_a_lamps_fall_off_and_a_stain_are_no_shadow():
    at = np.arange(1500) / 1500
    assert shadow_across(texture() * np.float32(1.3 - 0.6 * at)) is None
    stained = texture()
    stained[:, 600:720] *= 0.6
    assert shadow_across(stained) is None
