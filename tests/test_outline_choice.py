"""Which of several things in the picture is the face, and when that is said to be unsure."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.measure.outline import LEAST_CONFIDENCE, FaceOutline, _tilt_deg, find_face

FOCAL_PX = 24.0 * np.hypot(1600, 1200) / np.hypot(36.0, 24.0)


def seen_at(points_mm, *, tilt_deg, distance_mm):
    """Points (N, 3) before a camera 1600 by 1200, the scene turned about the picture's x axis."""
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    turned = np.asarray(points_mm, float) @ np.array([[1, 0, 0], [0, c, -s], [0, s, c]]).T
    depth = turned[:, 2] + distance_mm
    return FOCAL_PX * turned[:, :2] / depth[:, None] + [799.5, 599.5]


def face_mm(width, length=600.0):
    x, y = length / 2, width / 2
    return np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]])


@given(
    tilt=st.floats(-70, 70),
    width=st.floats(15, 80),
    focal=st.floats(0.5, 2.0),
    turn=st.floats(0, 9),
)
@settings(max_examples=40, deadline=None)
def test_the_tilt_is_read_off_the_lean_of_the_ends(tilt, width, focal, turn):
    corners = seen_at(face_mm(width), tilt_deg=tilt, distance_mm=700.0)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    corners = (corners - [799.5, 599.5]) @ np.array([[c, s], [-s, c]]) + [799.5, 599.5]
    corners = focal * corners
    edges = [np.linspace(corners[a], corners[b], 101) for a, b in ((0, 1), (3, 2))]
    outline = FaceOutline(corners, edges[0], edges[1], 0.1, 1.0, False)
    # In a copy of the picture or in itself: the same.
    found = _tilt_deg(outline, (1200, 1600, 3), 1.0 / focal)
    assert found == pytest.approx(abs(tilt), abs=3.0)


def beam(tilt_deg, *, width=30.0, height=52.0, faint=0.0):
    """A square-edged blank before a plain bench: its face, and the side face below it."""
    x, y = 300.0, width / 2
    face = face_mm(width)
    side = np.array([[-x, y, 0], [x, y, 0], [x, y, height], [-x, y, height]])
    picture = np.full((1200, 1600, 3), [88.0, 104.0, 98.0])
    picture += np.random.default_rng(4).normal(0, 2.0, (1200, 1600, 1))
    rings = np.random.default_rng(5).normal(0, 3.0, (1200, 1600, 1))
    for points, light in ((side, 0.72), (face, 1.0 - faint)):
        corners = seen_at(points, tilt_deg=tilt_deg, distance_mm=640.0)
        mask = np.zeros((1200, 1600), np.uint8)
        cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        share = mask[..., None] / 255.0
        wood = np.array([206.0, 172.0, 128.0]) * light + cv2.blur(rings, (61, 1))[..., None] * 5
        picture = (1 - share) * picture + share * wood
    return np.uint8(np.clip(np.round(picture), 0, 255)), seen_at(
        face, tilt_deg=tilt_deg, distance_mm=640.0
    )


def offcut_beside_a_blank(contrast, *, offcut=(300, 1100), right_end=1250):
    """A short board that stands out from the bench, and a long one that differs by ``contrast``."""
    rng = np.random.default_rng(11)
    picture = np.array([150.0, 140.0, 118.0]) + rng.normal(0, 2.0, (900, 1400, 1))
    for (left, top, right, bottom), colour in (
        (
            (150, 250, right_end, 310),
            np.array([150.0, 140.0, 118.0]) + contrast * np.array([3, 2, -2]),
        ),
        ((offcut[0], 560, offcut[1], 640), np.array([226.0, 196.0, 150.0])),
    ):
        streaks = cv2.blur(rng.normal(0, 14.0, (bottom - top, right - left)), (41, 1))[..., None]
        picture[top:bottom, left:right] = colour + streaks
    return np.uint8(np.clip(np.round(picture), 0, 255))


@pytest.mark.parametrize("faint", [0.0, 0.1, 0.35])
def test_of_two_faces_the_squarer_is_the_face(faint):
    # The side face looks wider than the face and as clear, but its ends lean as from aside.
    pixels, corners = beam(-35.0, faint=faint)
    found = find_face(pixels)
    away = np.linalg.norm(found.corners_px - corners, axis=1).max()
    assert away < 3.0 or (faint > 0.2 and found.confidence < LEAST_CONFIDENCE)


@pytest.mark.parametrize("contrast", [0.3, 0.7])
def test_an_offcut_clearer_than_the_longer_blank_is_not_given_as_sure(contrast):
    found = find_face(offcut_beside_a_blank(contrast))
    length = found.corners_px[1, 0] - found.corners_px[0, 0]
    assert length > 1000 or found.confidence < LEAST_CONFIDENCE


def test_what_fills_less_than_half_the_picture_is_doubted_beside_anything_longer():
    # The long board runs out of the picture, as a joint of the bench would.
    pixels = offcut_beside_a_blank(1.0, offcut=(400, 1000), right_end=1400)
    found = find_face(pixels)
    length = found.corners_px[1, 0] - found.corners_px[0, 0]
    assert length == pytest.approx(600, abs=5)
    assert found.confidence < LEAST_CONFIDENCE
    pixels[:500] = pixels[800:801, 700:701]
    assert find_face(pixels).confidence > LEAST_CONFIDENCE
