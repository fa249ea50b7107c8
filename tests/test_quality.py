"""What a photograph's shortcomings are called, and what to do about them."""

import numpy as np
import pytest

from grainscan.measure.fibres import fibre_angles
from grainscan.measure.outline import FaceOutline
from grainscan.measure.quality import LEAST_WIDTH_PX, face_quality
from tests.test_texture import streaks, white_noise


def face(length_px, width_px):
    x = np.linspace(100.0, 100.0 + length_px, 101)
    top, bottom = (np.column_stack([x, np.full_like(x, y)]) for y in (50.0, 50.0 + width_px))
    return FaceOutline(
        np.array([top[0], top[-1], bottom[-1], bottom[0]]), top, bottom, 0.02, 0.9, False
    )


def notes(grey, picture_width_px):
    outline = face(grey.shape[1], grey.shape[0])
    return face_quality(grey, outline, fibre_angles(grey), picture_width_px).notes


@pytest.mark.parametrize(
    ("picture_width_px", "what_to_do"),
    [(3000, "move closer"), (1200, "photograph the face in overlapping parts")],
)
def test_a_small_face_that_fills_the_picture_is_to_be_taken_in_parts(picture_width_px, what_to_do):
    grey = streaks((LEAST_WIDTH_PX - 20, 1000), 1.0, seed=3)
    said = f"{what_to_do}: the blank is {LEAST_WIDTH_PX - 20} px wide, {LEAST_WIDTH_PX} are needed"
    assert said in notes(grey, picture_width_px)
    wide = streaks((LEAST_WIDTH_PX + 20, 1000), 1.0, seed=3)
    assert not any("px wide" in note for note in notes(wide, picture_width_px))


@pytest.mark.parametrize(
    ("picture_width_px", "what_to_do"),
    [(3000, "photograph closer"), (1200, "photograph it in overlapping parts")],
)
def test_nobody_is_told_to_come_closer_than_the_whole_face_allows(picture_width_px, what_to_do):
    grey = white_noise((160, 1000), seed=5)
    told = notes(grey, picture_width_px)
    assert any(note.endswith(f"{what_to_do}, in focus, with light from the side") for note in told)
