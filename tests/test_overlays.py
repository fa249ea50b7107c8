"""Pictures of what was found: where the lines lie, what is marked, what stays untouched."""

import dataclasses
import io
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from grainscan.judge.sorting import judge_blank
from grainscan.results import FibreDirection, Limit, Station
from grainscan.shown.drawing import jpeg_bytes
from grainscan.shown.fibre_lines import fibre_lines_px, on_face_px
from grainscan.shown.overlays import backdrop_of, captioned, draw_picture, words_for
from grainscan.shown.steep import slopes_along, steep_stretches
from grainscan.shown.table import result_table
from tests.hand_made import STATIONS, end, face, measurement, slope, unit

LIMIT = Limit(20, "test")


def angle_of(line):
    """Angle of a line of points, counter-clockwise in the picture (y runs down)."""
    (x0, y0), (x1, y1) = line[0], line[-1]
    return math.degrees(math.atan2(y0 - y1, x1 - x0))


@given(angle=st.floats(-12, 12), across=st.integers(1, 9))
def test_lines_on_a_straight_face_have_its_angle(angle, across):
    lines = fibre_lines_px(face(angle_deg=angle), across=across)
    assert len(lines) >= across - 1
    for line in lines:
        if line[-1, 0] - line[0, 0] > 5:
            assert angle_of(line) == pytest.approx(angle, abs=1e-6)


@given(angle=st.floats(-12, 12))
def test_lines_stay_on_the_face(angle):
    made = face(angle_deg=angle)
    (left, top), (right, _), (_, bottom), _ = made.outline_px
    for line in fibre_lines_px(made):
        assert line[:, 0].min() >= left - 1e-9
        assert line[:, 0].max() <= right + 1e-9
        assert line[:, 1].min() >= top
        assert line[:, 1].max() <= bottom


@given(turn=st.floats(-180, 180), angle=st.floats(-8, 8))
def test_turning_the_picture_turns_the_lines(turn, angle):
    """The angle is against the edges, so a blank lying askew carries its lines with it."""
    made = face(angle_deg=angle)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))

    def turned(edge):
        return tuple((x * c - y * s, x * s + y * c) for x, y in edge)

    askew = dataclasses.replace(
        made, top_edge_px=turned(made.top_edge_px), bottom_edge_px=turned(made.bottom_edge_px)
    )
    for one, other in zip(fibre_lines_px(made), fibre_lines_px(askew), strict=True):
        np.testing.assert_allclose(np.array(turned(one)), other, atol=1e-6)


def test_sound_fibres_follow_a_curved_blank():
    """A riven blank that bends with its fibres: angle 0 everywhere, lines parallel to the edges."""
    made = face(angle_deg=0.0)

    def bent(edge):
        return tuple((x, y + 30 * math.sin(math.pi * x / 1000)) for x, y in edge)

    curved = dataclasses.replace(
        made, top_edge_px=bent(made.top_edge_px), bottom_edge_px=bent(made.bottom_edge_px)
    )
    lines = fibre_lines_px(curved, across=4)
    assert len(lines) == 4
    u = np.linspace(0, 1, len(lines[0]))
    for k, line in enumerate(lines):
        expected = on_face_px(curved, u, np.full_like(u, (k + 0.5) / 4))
        np.testing.assert_allclose(line, expected, atol=1e-6)


def test_no_lines_where_nothing_was_read():
    assert fibre_lines_px(face(angle_deg=None)) == ()
    made = face(angle_deg=0.0)
    gap = tuple(
        Station(s.at, None, None, None) if 8 <= k <= 12 else s for k, s in enumerate(made.stations)
    )
    lines = fibre_lines_px(dataclasses.replace(made, stations=gap), across=1)
    assert len(lines) == 2
    left, right = made.outline_px[0][0], made.outline_px[1][0]
    assert lines[0][-1, 0] == pytest.approx(left + (right - left) * 8 / STATIONS, abs=4)
    assert lines[1][0, 0] == pytest.approx(left + (right - left) * 13 / STATIONS, abs=4)


def with_steep_middle():
    """1.1° in space, but 4.6° from station 10 to 12."""
    fibre = tuple(
        FibreDirection((k + 0.5) / STATIONS, unit(0.08 if 10 <= k <= 12 else 0.02, 0.0, 1.0))
        for k in range(STATIONS)
    )
    made = measurement(slope(1.4, 1.1, 1.8, steepest_deg=4.6))
    return dataclasses.replace(made, fibre=fibre)


def test_steep_stretches():
    (stretch,) = steep_stretches(with_steep_middle(), LIMIT)
    assert stretch.start == pytest.approx(10 / STATIONS)
    assert stretch.stop == pytest.approx(13 / STATIONS)
    assert stretch.angle_deg == pytest.approx(math.degrees(math.atan(0.08)))
    assert steep_stretches(with_steep_middle(), Limit(10, "test")) == ()


def test_slopes_of_one_face_where_there_is_no_other():
    alone = dataclasses.replace(measurement(face_b=None), fibre=())
    assert slopes_along(alone) == [(s.at, s.angle_deg) for s in alone.face_a.stations]
    neither = dataclasses.replace(measurement(face_a=None, face_b=None), fibre=())
    assert slopes_along(neither) == []


def grey(size, shade=128):
    return np.full((size[1], size[0], 3), shade, np.uint8)


@pytest.mark.parametrize("size", [(400, 240), (1000, 300), (4000, 900)])
def test_a_face_picture_shows_the_lines_and_leaves_the_photograph_alone(size):
    photo = grey(size)
    photo.setflags(write=False)
    made = face(angle_deg=2.0, size=size)
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8), face_a=made), LIMIT)
    picture = drawn(photo, made, result)
    assert picture.dtype == np.uint8
    assert picture.shape[1] <= 1600
    blue = (picture[:, :, 2] > 130) & (picture[:, :, 0] < 60)
    assert blue.sum() > 0.3 * picture.shape[1]
    assert (photo == 128).all()
    whole = captioned(picture, made, result)
    assert whole.shape[1] == picture.shape[1]
    assert whole.shape[0] > picture.shape[0] + 30
    np.testing.assert_array_equal(whole[: len(picture)], picture)
    with Image.open(io.BytesIO(jpeg_bytes(picture))) as image:
        assert image.size == (picture.shape[1], picture.shape[0])


def drawn(photo, scan, result):
    return draw_picture(backdrop_of(photo, scan), scan, result)


def rust(picture):
    wide = picture.astype(int)
    return ((wide[:, :, 0] > 150) & (wide[:, :, 2] < 60)).sum(axis=0)


def test_steep_stretches_are_marked_in_their_place():
    m = with_steep_middle()
    result = judge_blank(m, LIMIT)
    columns = np.flatnonzero(rust(drawn(grey((1000, 300)), m.face_a, result)) > 2)
    picture_width = drawn(grey((1000, 300)), m.face_a, result).shape[1]
    assert columns.min() > 0.4 * picture_width
    assert columns.max() < 0.7 * picture_width
    plain = judge_blank(m, Limit(10, "test"))
    assert rust(drawn(grey((1000, 300)), m.face_a, plain)).sum() == 0


def test_an_unread_face_says_so_and_is_drawn_without_lines():
    made = face(angle_deg=None)
    result = judge_blank(measurement(None, face_a=made, face_b=None), LIMIT)
    picture = drawn(grey((1000, 300)), made, result)
    assert ((picture[:, :, 2] > 130) & (picture[:, :, 0] < 60)).sum() == 0
    assert words_for(made) == "The fibres cannot be read on this face."


def test_words_for_each_side():
    assert words_for(face(angle_deg=-1.2)) == (
        "On this face the fibres fall 1.2° to the right (90 % interval -1.6° to -0.8°)."
    )
    assert "Rings run 12.0° from face A (90 % interval 10.0° to 14.0°), flat" in words_for(end())


@pytest.mark.parametrize("words", [("keep", 8), ("set aside", 60), ("check", 41)])
def test_each_sorting_word_has_its_own_shape(words):
    sort, one_in = words
    made = face(size=(1000, 300))
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8), face_a=made), Limit(one_in, "test"))
    assert result.sort == sort
    others = [
        captioned(grey((1000, 100)), made, dataclasses.replace(result, sort=s))
        for s in ("keep", "check", "set aside")
        if s != sort
    ]
    mine = captioned(grey((1000, 100)), made, result)
    assert all((mine[:, :60] != other[:, :60]).any() for other in others)


@pytest.mark.parametrize("direction", [-80.0, 0.0, 12.0, 90.0])
def test_an_end_picture(direction):
    made = end(direction_deg=direction)
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8), of_end=made), LIMIT)
    picture = drawn(grey((320, 320)), made, result)
    assert picture.shape[1] <= 1000
    blue = (picture[:, :, 2] > 130) & (picture[:, :, 0] < 60)
    assert blue.any()
    assert (
        drawn(grey((320, 320)), dataclasses.replace(made, ring_direction_deg=None), result).shape
        == picture.shape
    )


def test_an_outline_at_the_border_of_the_picture():
    made = face(size=(300, 120), margin=0)
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8), face_a=made), LIMIT)
    assert drawn(grey((300, 120)), made, result).shape[2] == 3


def test_table_says_what_is_not_known():
    nothing = judge_blank(measurement(None, face_a=None, face_b=None, of_end=None), LIMIT)
    good = judge_blank(measurement(slope(1.4, 1.1, 1.8), name="oak-1"), LIMIT)
    text = result_table([nothing, good], width=60)
    assert text.count("not known") == 4
    assert "1 in 41, 1.4°" in text
    assert "1.1° to 1.8°" in text
    assert "96 / 93 / 100 %" in text
    reasons = [line for line in text.splitlines() if line.startswith("    ")]
    assert all(len(line) <= 60 for line in reasons)
