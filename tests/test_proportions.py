"""A face's proportions through a tilted camera: OpenCV's projection is the reference."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.measure.camera import camera_matrix
from grainscan.measure.outline import FaceOutline
from grainscan.measure.proportions import proportions, seen_length_over_width

LENGTH_MM, WIDTH_MM, TRUE = 500.0, 45.0, 500.0 / 45.0
SHAPE = (2000, 3000, 3)
FOCAL = 26.0


def seen(
    about_length_deg=0.0,
    about_width_deg=0.0,
    *,
    focal=FOCAL,
    skew_deg=0.0,
    sagitta=0.0,
    touches=False,
):
    """Outline of a face before a camera; both ends out of square by ``skew_deg``."""
    x = np.linspace(-LENGTH_MM / 2, LENGTH_MM / 2, 101)
    bow = -sagitta * (1.0 - (2.0 * x / LENGTH_MM) ** 2)
    lean = np.tan(np.radians(skew_deg)) * WIDTH_MM / 2
    matrix = camera_matrix(SHAPE, focal)
    turns = [
        cv2.Rodrigues(np.radians(np.array(v, dtype=float)))[0]
        for v in ([about_length_deg, 0, 0], [0, about_width_deg, 0])
    ]
    away = np.array([0.0, 0.0, 600.0 * focal / FOCAL])
    edges = []
    for side in (-1.0, 1.0):
        points = np.column_stack([x + side * lean, bow + side * WIDTH_MM / 2, np.zeros(101)])
        turned = points @ (turns[1] @ turns[0]).T
        edges.append(cv2.projectPoints(turned, np.zeros(3), away, matrix, None)[0].reshape(-1, 2))
    top, bottom = edges
    corners = np.array([top[0], top[-1], bottom[-1], bottom[0]])
    return FaceOutline(corners, top, bottom, 0.0, 1.0, touches)


@settings(max_examples=60, deadline=None)
@given(st.floats(-5, 5), st.floats(-30, 30), st.floats(20, 80), st.floats(-12, 12))
def test_a_camera_tilted_along_the_length_sees_the_true_proportions(a, b, focal, skew):
    outline = seen(a, b, focal=focal, skew_deg=skew)
    ratio = seen_length_over_width(outline, SHAPE, focal_35mm=focal)
    assert ratio == pytest.approx(TRUE, rel=0.005)


@pytest.mark.parametrize("tilt_deg", [-25.0, 12.0, 25.0])
def test_most_of_a_tilt_across_the_face_is_taken_out_and_none_is_made_up(tilt_deg):
    outline = seen(tilt_deg, 8.0)
    ratio = seen_length_over_width(outline, SHAPE, focal_35mm=FOCAL)
    missed = 1.0 / np.cos(np.radians(tilt_deg)) - 1.0
    assert TRUE * 0.999 <= ratio <= TRUE * (1.0 + 0.25 * missed)


def test_an_end_out_of_place_does_not_make_a_tilt_of_a_narrow_face():
    outline = seen(focal=FOCAL)
    top, bottom = outline.top_edge_px, outline.bottom_edge_px
    middle = (top + bottom) / 2.0
    # A fifth as wide, one corner off by a hundredth of the length.
    top, bottom = middle + (top - middle) / 5.0, middle + (bottom - middle) / 5.0
    corners = np.array([top[0], top[-1], bottom[-1], bottom[0]])
    corners[0, 0] += 0.01 * (top[-1, 0] - top[0, 0])
    narrow = FaceOutline(corners, top, bottom, 0.0, 1.0, False)
    for ends_seen, most in ((True, 0.14), (False, 0.012)):
        ratio = seen_length_over_width(narrow, SHAPE, focal_35mm=FOCAL, ends_seen=ends_seen)
        assert abs(ratio / (5 * TRUE) - 1.0) < most


def test_the_bend_belongs_to_the_length():
    arc = 1.0 + 8.0 / 3.0 * (20.0 / LENGTH_MM) ** 2  # of a flat parabola
    assert seen_length_over_width(seen(sagitta=20.0), SHAPE, focal_35mm=FOCAL) == pytest.approx(
        TRUE * arc, rel=1e-3
    )


@pytest.mark.parametrize("tilt", [(25, 0), (-12, 0), (0, 25), (0, -12)])
@pytest.mark.parametrize("focal", [24.0, 28.0, 50.0])
def test_without_a_focal_length_a_tilt_is_never_taken_for_more_than_it_is(tilt, focal):
    outline = seen(*tilt, focal=focal)
    top, bottom = outline.top_edge_px, outline.bottom_edge_px
    as_pictured = np.linalg.norm(top[-1] - top[0]) / np.linalg.norm(bottom - top, axis=1).mean()
    ratio = seen_length_over_width(outline, SHAPE)
    assert abs(np.log(ratio / TRUE)) <= abs(np.log(as_pictured / TRUE)) + 1e-3
    if focal == 24.0:
        assert ratio == pytest.approx(TRUE, rel=0.02)


def test_what_is_written_down_counts_unless_the_picture_contradicts_it():
    outline = seen(10, -12)
    near = proportions(outline, SHAPE, focal_35mm=FOCAL, written=TRUE * 1.04)
    assert near.length_over_width == TRUE * 1.04
    assert near.note is None
    wrong = proportions(outline, SHAPE, focal_35mm=FOCAL, written=500.0 / 4.5)
    assert wrong.length_over_width == pytest.approx(TRUE, rel=0.005)
    assert "111 times as long as wide, in the photograph 11.1 times" in wrong.note
    # The doubt then holds what was written down, to two standard uncertainties.
    assert np.exp(2 * wrong.relative_sigma) >= 10 * 0.99


def test_a_face_that_runs_out_of_the_picture_has_not_the_whole_blanks_proportions():
    cut = proportions(seen(touches=True), SHAPE, focal_35mm=FOCAL, written=2 * TRUE)
    assert cut.length_over_width == pytest.approx(TRUE, rel=0.003)
    assert cut.note is None


def test_the_picture_alone_is_doubted_more_than_a_rule():
    outline = seen()
    alone = proportions(outline, SHAPE, focal_35mm=FOCAL)
    ruled = proportions(outline, SHAPE, focal_35mm=FOCAL, written=TRUE)
    assert alone.relative_sigma > ruled.relative_sigma > 0.0
