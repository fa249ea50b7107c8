"""The fine texture of a view, and the made textures that the tests of directions share.

``streaks`` evaluates every streak from its formula at each pixel's centre: nothing is turned,
resampled or blurred, so its direction is exact.
"""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from grainscan.measure.texture import normalised_texture, quiet_texture


def streaks(
    shape,
    angle_deg,
    *,
    seed,
    count=1600,
    length_px=(40.0, 120.0),
    width_px=(0.7, 1.6),
    spread_deg=0.3,
    noise=0.5,
    level=128.0,
    contrast=12.0,
):
    """Grey (M, N) float32 of soft streaks that climb to the right at ``angle_deg``.

    ``angle_deg`` may be a function of the share of the length. ``length_px``: half lengths;
    ``width_px``: standard deviations across. ``noise``: white noise against the streaks' height.
    """
    rng = np.random.default_rng(seed)
    rows, columns = shape
    picture = np.zeros(shape)
    for _ in range(count):
        x, y = rng.uniform(-100, columns + 100), rng.uniform(-10, rows + 10)
        mean = angle_deg(np.clip(x / columns, 0, 1)) if callable(angle_deg) else angle_deg
        angle = np.radians(mean + rng.normal(0, spread_deg))
        half, sigma = rng.uniform(*length_px), rng.uniform(*width_px)
        height = rng.choice([-1.0, 1.0]) * rng.uniform(0.4, 1.0)
        _add_streak(picture, (x, y), angle, half, sigma, height)
    picture += noise * rng.standard_normal(shape)
    return np.float32(level + contrast * picture)


def steep_streaks(shape, angle_deg, **how):
    """The same for directions nearer to upright than to level."""
    turned = streaks(shape[::-1], 90.0 - angle_deg, **how)
    return np.ascontiguousarray(turned[::-1].T[::-1])


def _add_streak(picture, centre, angle, half, sigma, height):
    """Only the pixels within four standard deviations of the streak's line are evaluated."""
    rows, columns = picture.shape
    run = 1.6 * half
    dx = np.arange(max(0, int(centre[0] - run)), min(columns, int(centre[0] + run) + 1)) - centre[0]
    if not len(dx):
        return
    reach = int(4 * sigma / np.cos(angle)) + 1
    row = (
        np.rint(centre[1] - dx * np.tan(angle)).astype(int) + np.arange(-reach, reach + 1)[:, None]
    )
    up = centre[1] - row
    along = dx * np.cos(angle) + up * np.sin(angle)
    across = up * np.cos(angle) - dx * np.sin(angle)
    value = height * np.exp(-0.5 * (across / sigma) ** 2 - (along / half) ** 4)
    column = np.broadcast_to(np.rint(dx + centre[0]).astype(int), row.shape)
    inside = (row >= 0) & (row < rows)
    picture[row[inside], column[inside]] += value[inside]


def white_noise(shape, seed):
    return np.float32(128 + 12 * np.random.default_rng(seed).standard_normal(shape))


def gradient_angle_deg(grey):
    """Direction of the lines from the mean gradient products (the structure tensor)."""
    # Derivatives of a Gaussian: plain differences read fine oblique lines too steep.
    smooth = gaussian_filter(grey.astype(float), 1.5)
    down, right = np.gradient(smooth)
    up = -down
    normal = 0.5 * np.arctan2(2 * (right * up).mean(), (right**2 - up**2).mean())
    return np.degrees(normal) - 90.0 * np.sign(normal)


@pytest.mark.parametrize("angle_deg", [-8.0, 0.0, 3.0])
def test_the_made_streaks_run_as_asked(angle_deg):
    # Another way of reading directions, so that maker and measurer cannot err together.
    grey = streaks((160, 800), angle_deg, seed=1, count=800, noise=0.0, width_px=(2.5, 4.0))
    assert gradient_angle_deg(grey) == pytest.approx(angle_deg, abs=0.7)


def test_light_and_contrast_leave_the_texture():
    grey = streaks((120, 600), 2.0, seed=2, count=1200)
    x = np.linspace(0, 1, 600, dtype=np.float32)[None, :]
    y = np.linspace(0, 1, 120, dtype=np.float32)[:, None]
    plain = normalised_texture(grey, broad_px=6.0)
    lit = normalised_texture((grey - 128) * (0.3 + 0.7 * x) + 60 + 90 * y + 40 * x, broad_px=6.0)
    assert np.corrcoef(plain.ravel(), lit.ravel())[0, 1] > 0.98
    for part in (lit[:, :200], lit[:, -200:]):
        assert part.std() == pytest.approx(1.0, abs=0.12)


def test_what_is_broad_goes_and_what_is_fine_stays():
    y = np.arange(200, dtype=np.float32)[:, None] + np.zeros((1, 300), np.float32)
    broad, fine = 20 * np.sin(2 * np.pi * y / 120), 3 * np.sin(2 * np.pi * y / 5)
    # 160 rows: the fine lines lie at 32 cycles, the broad band at 1.3.
    before, after = (
        np.abs(np.fft.rfft(picture[20:-20, 150] * np.hanning(160))) ** 2
        for picture in (broad + fine, normalised_texture(broad + fine, broad_px=6.0))
    )
    assert before[31:34].sum() < 0.1 * before[:4].sum()
    assert after[31:34].sum() > 5 * after[:4].sum()


def test_the_say_of_one_mark_is_bounded():
    grey = streaks((120, 600), 2.0, seed=3, count=1200)
    grey[60, 200:400] += 5000.0
    texture = normalised_texture(grey, broad_px=6.0, clip=2.0)
    assert np.abs(texture).max() <= 2.0
    assert texture[60, 300] == pytest.approx(2.0, abs=0.01)


def test_strong_lines_are_left_blank_and_quiet_wood_kept():
    rng = np.random.default_rng(5)
    grey = np.float32(150) + rng.normal(0, 3, (120, 600)).astype(np.float32)
    grey[58:62] -= 60
    texture = quiet_texture(grey, broad_px=4.0, clip=2.0).blanked
    assert np.abs(texture[57:63]).max() < 0.05
    away = np.r_[10:48, 72:110]
    assert texture[away].std() > 0.5
    # No seam beside the line: quiet rows next to it have no mean of their own.
    assert np.abs(texture[50:55].mean(axis=1)).max() < 0.3
