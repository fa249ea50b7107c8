"""Which of several things in the picture is the face, and when that is said to be unsure."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.errors import BlankNotFoundError
from grainscan.measure import outline as outlines
from grainscan.measure.beams import chains
from grainscan.measure.close_look import Picture
from grainscan.measure.outline import (
    LEAST_CONFIDENCE,
    NEARLY,
    SURER,
    FaceOutline,
    _neighbour,
    _tilt_deg,
    find_face,
)

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


def strip(top, bottom, confidence, *, lean=0.0, left=200.0, right=1400.0):
    """The outline of a level face whose ends lean towards its middle by ``lean`` a pixel down."""
    move = lean * (bottom - top)
    edges = [
        np.stack([np.linspace(a, b, 101), np.full(101, y)], axis=1)
        for a, b, y in ((left, right, top), (left + move, right - move, bottom))
    ]
    corners = np.array([edges[0][0], edges[0][-1], edges[1][-1], edges[1][0]])
    return FaceOutline(corners, edges[0], edges[1], 0.1, confidence, False)


def bar_of(outline, score=1.0):
    return SimpleNamespace(
        score=score,
        left=outline.top_edge_px[0, 0],
        right=outline.top_edge_px[-1, 0],
        edges=lambda at: tuple(
            np.interp(at, *edge.T) for edge in (outline.top_edge_px, outline.bottom_edge_px)
        ),
    )


SURE, UNSURE = 0.9, 0.3


@pytest.mark.parametrize(
    ("top", "confidence", "score", "lean", "taken"),
    [
        (340, SURE, 1.0, 0.0, True),
        (340, UNSURE + SURER / 2, 1.0, 0.0, False),
        (340, SURE, NEARLY - 0.05, 0.0, False),
        # It does not share the arris, or is seen from the side.
        (360, SURE, 1.0, 0.0, False),
        (340, SURE, 1.0, 1.2, False),
    ],
)
def test_an_unsure_face_gives_way_to_a_surer_one_beside_it(
    monkeypatch, top, confidence, score, lean, taken
):
    this, other = strip(300, 340, UNSURE), strip(top, top + 44, confidence, lean=lean)
    monkeypatch.setattr(outlines, "_close_look", lambda *_: other)
    blank = np.zeros((900, 1600, 3), np.uint8)
    picture = Picture(blank, 1.0, 1.0, np.float32(blank), np.float32(blank))
    found = [bar_of(this), bar_of(other, score)]
    answer = _neighbour(picture, found, this, _tilt_deg(this, blank.shape, 1.0))
    assert answer == (other if taken else this)


def test_a_colour_that_does_not_change_on_the_ground_is_no_measure_of_edges():
    rng = np.random.default_rng(3)
    change = np.zeros((400, 640, 4), np.float32)
    change[..., 0] = rng.normal(0, 0.3, (400, 640))
    change[200, :, 0] += 3.0
    # A coded picture: a* is the same all over, but for a few blocks that differ by nearly nothing.
    for row, column in zip(rng.integers(20, 380, 30), rng.integers(0, 600, 30), strict=True):
        change[row, column : column + 40, 1] = 0.01
    best = chains(change)[0]
    assert np.ptp(best.x) > 600
    assert best.y == pytest.approx(np.full_like(best.y, 200.0), abs=1.5)


def test_where_no_bar_stands_out_more_are_tried(monkeypatch):
    usual = outlines.bars
    asked = []

    def bars(look, change, found, *, patience=1):
        asked.append(patience)
        return usual(look, change, found) if patience > 1 else []

    monkeypatch.setattr(outlines, "bars", bars)
    pixels, corners = beam(0.0)
    assert np.linalg.norm(find_face(pixels).corners_px - corners, axis=1).max() < 3.0
    assert asked == [1, outlines.PATIENCE]
    monkeypatch.setattr(outlines, "bars", lambda *_, patience=1: [])
    with pytest.raises(BlankNotFoundError, match="no blank found"):
        find_face(pixels)


def test_of_two_bars_as_long_and_as_clear_neither_is_sure():
    # The one is much narrower: no second blank, but which is it?
    picture = np.array([92.0, 100.0, 110.0]) + np.random.default_rng(7).normal(0, 2, (900, 1400, 1))
    for top, bottom in ((250, 330), (560, 590)):
        rings = np.random.default_rng(top).normal(0, 6, (bottom - top, 1, 1))
        picture[top:bottom, 200:1200] = np.array([206.0, 176.0, 132.0]) + rings
    both = np.uint8(np.clip(picture, 0, 255))
    assert find_face(both).confidence < LEAST_CONFIDENCE
    picture[500:650] = picture[100:250]
    assert find_face(np.uint8(np.clip(picture, 0, 255))).confidence > LEAST_CONFIDENCE


def test_a_bar_that_cannot_be_followed_gives_way_to_the_next(monkeypatch):
    this, other = strip(300, 340, UNSURE), strip(500, 540, SURE)
    found = [bar_of(this), bar_of(other, NEARLY + 0.05)]

    def looked(_, bar):
        if bar is found[0]:
            raise BlankNotFoundError("the long edges run together")
        return other

    monkeypatch.setattr(outlines, "_close_look", looked)
    assert outlines._first_followed(None, found) is other
    found[1].score = NEARLY - 0.05
    with pytest.raises(BlankNotFoundError, match="run together"):
        outlines._first_followed(None, found)
