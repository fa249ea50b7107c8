"""Pictures for the bench: what is drawn lies where it should, and names what it shows."""

import dataclasses

import numpy as np
import pytest

from grainscan.judge.limits import parse_limit
from grainscan.shown.bench_drawings import (
    board_picture,
    parts_picture,
    shaving_picture,
    square_picture,
    stacked,
)
from grainscan.shown.drawing import RUST, Backdrop
from grainscan.workshop.board import Wish, lay_board
from grainscan.workshop.fit import fit_part
from grainscan.workshop.shaving import shaving_of
from grainscan.workshop.solid import solid_of
from grainscan.workshop.square import check_square
from tests.bench_made import measured, part

GREY = 150
# The made faces lie from (100, 200) to (1100, 260) in the photograph.
BEHIND = Backdrop(np.full((400, 1200, 3), GREY, dtype=np.uint8), (0, 0), (1.0, 1.0))


def drawn(picture):
    """Mask of the pixels that were drawn on."""
    return (picture != GREY).any(axis=2)


def rust(picture):
    return (np.abs(picture.astype(int) - np.array(RUST)) < 40).all(axis=2)


def face_of(shaving, name):
    return next(face for face in shaving.faces if face.face == name)


def heads(picture):
    """Columns at which the rust arrows are widest across: their heads."""
    inside = rust(picture)[205:255]
    return np.flatnonzero(inside.sum(axis=0) >= 6)


@pytest.mark.parametrize("climb", [4.0, -4.0])
def test_arrow_heads_point_the_way_to_cut(climb):
    """Mirroring the direction mirrors the heads: they sit near the arrows' front ends."""
    m = measured([0.0] * 21, [climb] * 21)
    face = face_of(shaving_of(m), "A")
    (stretch,) = face.stretches
    picture = shaving_picture(BEHIND, m.face_a, face)
    assert drawn(picture).any()
    body = np.flatnonzero(rust(picture)[205:255].any(axis=0))
    first = body[body < 100 + 1000 / 7]  # the first of seven arrows
    wide = [c for c in heads(picture) if c <= first.max()]
    middle = (first.min() + first.max()) / 2
    front_right = stretch.direction == "left to right"
    assert front_right == (climb > 0)
    assert (np.mean(wide) > middle) == front_right


def test_no_rust_arrow_where_either_way_does():
    m = measured([0.0] * 21, [0.0] * 21)
    picture = shaving_picture(BEHIND, m.face_a, face_of(shaving_of(m), "A"))
    assert drawn(picture)[205:255].any()
    assert not rust(picture)[205:255].any()


def test_a_turn_is_drawn_across_the_face():
    m = measured([0.0] * 21, [3.0 - 0.3 * k for k in range(21)])
    face = face_of(shaving_of(m), "A")
    picture = shaving_picture(BEHIND, m.face_a, face)
    column = round(100 + 1000 * face.turns[0])
    above = drawn(picture)[150:198, column - 3 : column + 4]
    assert above.any()


def test_a_part_is_drawn_in_its_place_on_both_faces():
    """A rod of 16 mm in 30 mm: cuts across at its ends, its sides at 7/30 and 23/30."""
    m = measured([0.0] * 21, [0.0] * 21)
    solid = solid_of(m)
    placed = fit_part(solid, part())
    for letter, face in (("A", m.face_a), ("B", m.face_b)):
        picture = parts_picture(BEHIND, face, letter, solid, [placed])
        ends = [round(100 + 1000 * z / 500) for z in (placed.z_mm[0], placed.z_mm[-1])]
        for column in ends:
            assert rust(picture)[190:199, column - 3 : column + 4].any()
        middle = round(sum(ends) / 2)
        rows = 200 + 60 * np.array([7 / 30, 23 / 30])
        for row in rows.round().astype(int):
            pale = picture[row - 2 : row + 3, middle - 40].min(axis=1)
            assert pale.max() > 220  # the pale outline


def test_a_part_off_the_middle_is_drawn_on_the_right_side():
    """A zone below face A pushes the part away from it: up on photograph B is face A."""
    from grainscan.workshop.keep_clear import AvoidZone

    m = measured([0.0] * 21, [0.0] * 21)
    zone = AvoidZone(0.0, 1.0, "check", face="A", depth_mm=10.0)
    solid = solid_of(m, avoid=[zone])
    placed = fit_part(solid, part())
    assert placed.line_mm[0].mean() < -4
    picture = parts_picture(BEHIND, m.face_b, "B", solid, [placed])
    axis_rows = np.flatnonzero(rust(picture)[201:259, 700])
    assert axis_rows.mean() + 201 > 230 + 5  # below the middle of the face


def test_fibres_of_a_squared_part():
    m = measured([3.0] * 21, [0.0] * 21)
    check = check_square(m, parse_limit("1:20"))
    picture = square_picture(BEHIND, m.face_a, "A", check)
    flat = square_picture(
        BEHIND, m.face_a, "A", check_square(measured([0.0] * 21, [0.0] * 21), parse_limit("1:20"))
    )
    assert (picture != flat).any()
    assert drawn(picture)[200:260, 100:1100].any()


def test_the_board_is_drawn_at_scale():
    m = measured([0.0] * 21, [0.0] * 21, width_mm=100.0, height_mm=25.0, length_mm=1000.0)
    plan = lay_board(m, Wish(30, 20, 320))
    wide = 1900
    picture = board_picture(plan, wide=wide)
    assert picture.shape[1] == wide
    dark = (picture < 80).all(axis=2)
    columns = np.flatnonzero(dark.sum(axis=0) > 80)
    scale = wide * (1 - 0.26) / 1000
    assert columns.max() - columns.min() == pytest.approx(1000 * scale, abs=4)


def test_pictures_below_one_another():
    a, b = np.zeros((10, 30, 3), np.uint8), np.zeros((20, 50, 3), np.uint8)
    assert stacked([a, b]).shape == (38, 50, 3)


def test_one_unread_face_still_shows_the_other_pair():
    m = measured([4.0] * 21, [0.0] * 21, face_b=False)
    shaving = shaving_of(m)
    assert {face.face for face in shaving.faces} == {"B", "opposite B"}
    picture = shaving_picture(BEHIND, m.face_a, dataclasses.replace(shaving.faces[0]))
    assert rust(picture).any()
