"""A whole face photograph: from pixels to a scan with units, words and notes."""

import numpy as np
import pytest

from grainscan.measure.face import measure_face
from tests.test_texture import streaks

WOOD = np.array([196.0, 160.0, 118.0])


def photograph(angle_deg, *, seed=1, exposure=1.0, box=(150, 1250, 220, 350)):
    """A board with fibres at ``angle_deg``, level on an even blue-grey bench."""
    left, right, top, bottom = box
    rng = np.random.default_rng(seed)
    picture = np.array([86.0, 100.0, 120.0]) + rng.normal(0, 2, (570, 1400, 1))
    shape = (bottom - top, right - left)
    lines = streaks(shape, angle_deg, seed=seed, count=2600, length_px=(12, 34), level=0.0)
    picture[top:bottom, left:right] = WOOD + lines[..., None]
    return np.uint8(np.clip(np.round(exposure * picture), 0, 255))


@pytest.mark.parametrize("angle_deg", [-3.0, 2.0])
def test_a_board_from_pixels_to_scan(angle_deg):
    scan = measure_face(photograph(angle_deg), photo="face-a.jpg", face="a", width_mm=40.0)
    assert scan.photo == "face-a.jpg"
    assert scan.angle_deg == pytest.approx(angle_deg, abs=1.5)
    assert scan.low_deg < angle_deg < scan.high_deg
    assert scan.low_deg < scan.angle_deg < scan.high_deg
    assert len(scan.stations) >= 15
    assert all(s.low_deg < s.angle_deg < s.high_deg for s in scan.stations)
    assert scan.sweep_mm == pytest.approx(0.0, abs=0.4)
    assert scan.photo_quality.ok, scan.photo_quality.notes
    assert np.array(scan.outline_px) == pytest.approx(
        np.array([[149.5, 219.5], [1249.5, 219.5], [1249.5, 349.5], [149.5, 349.5]]), abs=1.5
    )


def test_without_a_width_no_millimetres():
    assert measure_face(photograph(1.0), photo="a.jpg", face="a").sweep_mm is None


def test_a_poor_photograph_says_what_to_do():
    small = measure_face(photograph(1.0, box=(150, 1250, 250, 310)), photo="a.jpg", face="a")
    assert not small.photo_quality.ok
    # It fills the picture as it is.
    assert any("in overlapping parts" in note for note in small.photo_quality.notes)
    burnt = measure_face(photograph(1.0, exposure=1.9), photo="a.jpg", face="a")
    assert not burnt.photo_quality.ok
    assert any("burnt out" in note for note in burnt.photo_quality.notes)
