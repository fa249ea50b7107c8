"""Ring stripes and fibres that run in different directions on one face."""

import numpy as np
import pytest

from grainscan.measure.fibres import fibre_angles
from grainscan.measure.stripes import AlongStripes, Stripes, even_textures, find_stripes
from grainscan.measure.texture import normalised_texture
from tests.test_texture import streaks, white_noise

SHAPE = (160, 1120)


def ring_lines(shape, angle_deg, *, seed, bend_deg=0.0, pitch_px=23.0, sigma_px=1.2):
    """Long soft lines at ``angle_deg`` in the middle, turning by ±``bend_deg`` towards the ends."""
    rows, columns = shape
    x = np.arange(columns) - columns / 2.0
    share = x / (columns / 2.0)
    rise = np.cumsum(np.tan(np.radians(angle_deg + bend_deg * share)))
    rise -= rise[columns // 2]
    height = (rows - np.arange(rows))[:, None] - rise[None, :]
    rng = np.random.default_rng(seed)
    picture = np.zeros(shape)
    at = -0.5 * columns
    while at < rows + 0.5 * columns:
        picture -= np.exp(-0.5 * ((height - at) / sigma_px) ** 2)
        at += pitch_px * rng.uniform(0.6, 1.4)
    return picture


def short_streaks(shape, angle_deg, seed, **how):
    """Streaks of two to six hundredths of the length, as vessels are."""
    return streaks(shape, angle_deg, seed=seed, count=3000, length_px=(12.0, 34.0), **how)


def texture(grey):
    return normalised_texture(grey, broad_px=grey.shape[0] / 10.0)


@pytest.mark.parametrize(
    ("fibre_deg", "ring_deg", "bend_deg"),
    [(0.0, 4.0, 0.0), (-1.0, -8.0, 0.0), (0.5, 5.0, 1.5), (-3.0, 0.0, 1.0)],
)
def test_lines_are_found_and_fibres_are_told_from_them(fibre_deg, ring_deg, bend_deg):
    grey = short_streaks(SHAPE, fibre_deg, 1)
    grey += np.float32(25.0 * ring_lines(SHAPE, ring_deg, seed=2, bend_deg=bend_deg))
    stripes = find_stripes(texture(grey))
    assert stripes is not None
    assert stripes.mean_deg == pytest.approx(ring_deg, abs=0.3)
    # The change of direction from end to end is in the field too.
    assert stripes.coefficients[2] == pytest.approx(bend_deg, abs=0.6)
    found = fibre_angles(grey)
    # It may say that it is unsure (wide), but it may not take the rings for fibres.
    assert abs(found.mean_deg - fibre_deg) < 0.5 * abs(found.mean_deg - ring_deg)
    assert abs(found.mean_deg - fibre_deg) < 1.645 * found.mean_sigma_deg


def test_lines_are_taken_out_and_fibres_stay():
    fibres = short_streaks(SHAPE, 0.0, 3)
    rings = ring_lines(SHAPE, 5.0, seed=4)
    seen = texture(fibres + np.float32(25.0 * rings))
    stripes = find_stripes(seen)
    along = AlongStripes(stripes, *SHAPE)
    _, left = even_textures(seen, np.ones_like(seen), along)
    middle = (slice(20, -20), slice(100, -100))
    before, after = (
        np.corrcoef(t[middle].ravel(), rings[middle].ravel())[0, 1] for t in (seen, left)
    )
    assert abs(after) < 0.25 * abs(before)
    wood = texture(fibres)[middle].ravel()
    assert np.corrcoef(left[middle].ravel(), wood)[0, 1] > 0.75


def modulated(period_px, quiet_share, *, seed):
    """Level streaks that are seen only between lines that climb by 4°: texture and its weight."""
    fibres = texture(short_streaks(SHAPE, 0.0, seed))
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    phase = (rows + np.tan(np.radians(4.0)) * (columns - SHAPE[1] / 2)) / period_px
    return fibres, (phase % 1.0 < quiet_share).astype(np.float32)


def test_contrast_that_follows_the_rings_is_made_even():
    fibres, bright = modulated(14.0, 0.6, seed=8)
    contrast = 0.4 + 0.6 * bright
    rings = Stripes(np.array([4.0, 0, 0, 0, 0]), 4.0, 0.1, 1.0)
    weight = np.ones_like(fibres)
    even, _ = even_textures(fibres * contrast, weight, AlongStripes(rings, *SHAPE))
    inner = (slice(20, -20), slice(100, -100))
    for seen, most in ((fibres * contrast, 99.0), (even, 1.25)):
        ratio = seen[inner][bright[inner] > 0].std() / seen[inner][bright[inner] == 0].std()
        assert ratio < most
        if most > 9:
            assert ratio > 2.0


def test_means_along_lines_are_those_of_the_lines():
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    height = -rows - np.tan(np.radians(3.0)) * (columns - SHAPE[1] / 2)
    lines = np.float32(np.sin(2 * np.pi * height / 20.0))
    for run_deg, least, most in ((3.0, 0.9, 1.0), (-3.0, 0.0, 0.3)):
        rings = Stripes(np.array([run_deg, 0, 0, 0, 0]), run_deg, 0.1, 1.0)
        along = AlongStripes(rings, *SHAPE)
        mean = along.widened(along.mean(lines))
        inner = (slice(40, -40), slice(200, -200))
        assert least <= mean[inner].std() / lines[inner].std() <= most


def test_noise_has_hardly_a_stripe():
    for seed in range(3):
        found = find_stripes(texture(white_noise(SHAPE, seed)))
        # Lines of a ring face cover a tenth and more of it.
        assert found is None or found.share < 0.02


def test_mirrored_lines_run_the_other_way():
    grey = short_streaks(SHAPE, 1.0, 5) + np.float32(25.0 * ring_lines(SHAPE, 6.0, seed=6))
    upright = find_stripes(texture(grey)).mean_deg
    mirrored = find_stripes(texture(np.ascontiguousarray(grey[:, ::-1]))).mean_deg
    assert mirrored == pytest.approx(-upright, abs=0.1)


def test_the_change_over_the_face_is_the_fields_standard_deviation():
    c = np.array([1.0, 0.7, -1.2, 2.0, 0.5])
    # Places spread evenly from −1 to 1.
    y, x = ((np.mgrid[:401, :401] + 0.5) / 200.5 - 1.0).reshape(2, -1)
    slope = c[0] + c[1] * y + c[2] * x + c[3] * x * x + c[4] * x * y
    assert Stripes(c, 1.0, 0.1, 1.0).change_deg == pytest.approx(slope.std(), rel=1e-3)


def test_the_doubt_of_the_mean_is_what_new_rings_show():
    """The same direction in new rings and new fibres: the means scatter by what is stated."""
    off, stated = [], []
    for seed in range(8):
        grey = short_streaks(SHAPE, -1.0, 20 + seed)
        grey += np.float32(20.0 * ring_lines(SHAPE, 3.0, seed=40 + seed, pitch_px=30.0))
        stripes = find_stripes(texture(grey))
        off.append(stripes.mean_deg - 3.0)
        stated.append(stripes.sigma_deg)
    scatter = np.sqrt(np.mean(np.square(off)))
    # Directions are looked for every half degree, so a twentieth is as good as nothing.
    assert np.median(stated) > 0.3 * scatter
    assert np.median(stated) < max(4.0 * scatter, 0.2)


def test_rings_that_differ_from_place_to_place_are_doubted():
    grey = short_streaks(SHAPE, 0.0, 1)
    one = grey + np.float32(25.0 * ring_lines(SHAPE, 3.0, seed=2))
    two = one.copy()
    middle = SHAPE[1] // 2
    two[:, middle:] = grey[:, middle:] + np.float32(25.0) * np.float32(
        ring_lines((SHAPE[0], SHAPE[1] - middle), 5.5, seed=6)
    )
    alike, unlike = (find_stripes(texture(t)) for t in (one, two))
    assert unlike.sigma_deg > 2.0 * alike.sigma_deg
