"""Square-on views of a made plane: OpenCV's own projection is the reference for the camera."""

import cv2
import numpy as np
import pytest

from grainscan.measure.outline import FaceOutline
from grainscan.measure.squareon import square_on

LENGTH_MM, WIDTH_MM = 500.0, 45.0
SIZE = (400, 1200)
CAMERA = np.array([[1040.0, 0.0, 599.5], [0.0, 1040.0, 199.5], [0.0, 0.0, 1.0]])
PITCH_MM = 9.0


def pose(about_length_deg=0.0, about_width_deg=0.0, roll_deg=0.0):
    """Rotation vector and translation that look at the face's middle."""
    turns = [
        cv2.Rodrigues(np.radians(np.array(v, dtype=float)))[0]
        for v in ([about_length_deg, 0, 0], [0, about_width_deg, 0], [0, 0, roll_deg])
    ]
    return cv2.Rodrigues(turns[2] @ turns[1] @ turns[0])[0], np.array([0.0, 0.0, 560.0])


def edges_mm(x, *, sagitta=0.0, taper=0.0):
    """Top and bottom edge (y down): the axis rises by ``sagitta``, the bottom edge tapers."""
    bow = -sagitta * (1.0 - (2.0 * x / LENGTH_MM) ** 2)
    narrowing = taper * (x / LENGTH_MM + 0.5)
    return bow - WIDTH_MM / 2, bow + WIDTH_MM / 2 - narrowing


def photograph(angle_deg, turned, **shape):
    """RGB picture of lines that climb at ``angle_deg`` against the mean of both edges."""
    rotation, translation = turned
    matrix = cv2.Rodrigues(rotation)[0]
    to_photo = CAMERA @ np.column_stack([matrix[:, 0], matrix[:, 1], translation])
    rows, columns = np.mgrid[: SIZE[0], : SIZE[1]]
    homogeneous = np.stack([columns, rows, np.ones(SIZE)], axis=-1) @ np.linalg.inv(to_photo).T
    x, y = (homogeneous[..., k] / homogeneous[..., 2] for k in (0, 1))
    top, bottom = edges_mm(x, **shape)
    level = y - (top + bottom) / 2 + np.tan(np.radians(angle_deg)) * x
    grey = 128 + 90 * np.sin(2 * np.pi * level / PITCH_MM)
    return np.repeat(np.uint8(np.round(grey))[..., None], 3, axis=2)


def outline(turned, **shape):
    x = np.linspace(-LENGTH_MM / 2, LENGTH_MM / 2, 101)
    lines = []
    for y in edges_mm(x, **shape):
        points = np.column_stack([x, y, np.zeros_like(x)])
        lines.append(cv2.projectPoints(points, *turned, CAMERA, None)[0].reshape(-1, 2))
    top, bottom = lines
    corners = np.array([top[0], top[-1], bottom[-1], bottom[0]])
    return FaceOutline(corners, top, bottom, 0.0, 1.0, False)


def line_angle_deg(grey):
    """Direction of the lines: mean ratio of the two derivatives, away from the borders."""
    down, right = np.gradient(grey.astype(float))
    inner = (slice(6, -6), slice(30, -30))
    down, right = down[inner], right[inner]
    return float(np.degrees(np.arctan((right * down).mean() / (down * down).mean())))


def seen(angle_deg, turned, *, ratio=LENGTH_MM / WIDTH_MM, **shape):
    face = outline(turned, **shape)
    return square_on(photograph(angle_deg, turned, **shape), face, length_over_width=ratio)


@pytest.mark.parametrize("angle_deg", [-4.0, 3.0])
@pytest.mark.parametrize(
    "turned",
    [(0, 0, 0), (25, 0, 0), (-25, 0, 3), (0, 25, 0), (0, -25, -4), (15, 18, 2), (-17, 12, -3)],
)
def test_tilt_up_to_25_degrees_is_taken_out(angle_deg, turned):
    view = seen(angle_deg, pose(*turned))
    assert line_angle_deg(view.grey) == pytest.approx(angle_deg, abs=0.15)


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_wrong_proportions_scale_the_tangent_and_do_nothing_else(share):
    view = seen(3.0, pose(), ratio=share * LENGTH_MM / WIDTH_MM)
    expected = np.degrees(np.arctan(np.tan(np.radians(3.0)) / share))
    assert line_angle_deg(view.grey) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("taper", [-8.0, 8.0])
def test_taper_is_not_runout(taper):
    # The bottom edge runs 0.9° off the top one; lines along the mean of both are straight grain.
    turned = pose(5.0, 8.0, 1.0)
    view = seen(0.0, turned, taper=taper)
    assert line_angle_deg(view.grey) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("sagitta", [-7.0, 3.0, 7.0])
@pytest.mark.parametrize("turned", [(0, 0, 0), (0, 0, 3), (12, -10, 2)])
def test_the_sweep_of_a_known_arc(sagitta, turned):
    view = seen(0.0, pose(*turned), sagitta=sagitta)
    px_per_mm = view.grey.shape[0] / WIDTH_MM
    # Perspective stretches a bend towards the nearer end a little; 2 % where squarely seen.
    share = 0.02 if turned[0] == 0 else 0.06
    assert view.sweep_px == pytest.approx(sagitta * px_per_mm, rel=share)
    # Fibres that follow the bend are straight grain.
    assert line_angle_deg(view.grey) == pytest.approx(0.0, abs=0.1)
    inner = view.grey[6:-6, 20:-20]
    assert inner.std(axis=1).max() < 20.0


def test_runout_of_a_curved_blank_is_told_from_its_sweep():
    view = seen(2.5, pose(0, 10, 1), sagitta=6.0)
    assert line_angle_deg(view.grey) == pytest.approx(2.5, abs=0.15)


def test_the_view_has_square_pixels_and_the_asked_proportions():
    view = seen(0.0, pose())
    rows, columns = view.grey.shape
    assert columns / rows == pytest.approx(LENGTH_MM / WIDTH_MM, rel=0.01)
    assert view.length_over_width == pytest.approx(LENGTH_MM / WIDTH_MM)
    assert columns == pytest.approx(1040 * LENGTH_MM / 560, abs=2)
    # Four and a half pitches... the lines keep their number across the width.
    crossings = np.abs(np.diff(np.sign(view.grey[:, columns // 2] - 128))).sum() / 2
    assert crossings == pytest.approx(2 * WIDTH_MM / PITCH_MM, abs=1)


def level_face(rows, columns):
    """An outline that fills a picture but for its border."""
    x = np.linspace(8.0, columns - 9.0, 101)
    top, bottom = (np.column_stack([x, np.full_like(x, y)]) for y in (8.0, rows - 9.0))
    return FaceOutline(
        np.array([top[0], top[-1], bottom[-1], bottom[0]]), top, bottom, 0.0, 1.0, False
    )


@pytest.mark.parametrize(("cycles_per_px", "held"), [(0.2, True), (0.43, False)])
def test_lines_finer_than_the_view_are_gone_and_not_folded_over(cycles_per_px, held):
    """Lines that climb by 2° in a photograph that the view shows 0.61 times as large."""
    rows, columns = 260, 6700
    down, along = np.mgrid[:rows, :columns]
    phase = cycles_per_px * (down + np.tan(np.radians(2.0)) * along)
    grey = np.uint8(np.round(128.0 + 90.0 * np.sin(2.0 * np.pi * phase)))
    face = level_face(rows, columns)
    view = square_on(
        np.repeat(grey[..., None], 3, axis=2),
        face,
        length_over_width=(columns - 17.0) / (rows - 17.0),
    ).grey
    assert view.shape[1] == 4096
    assert np.std(view[10:-10, 30:-30]) == pytest.approx(
        90.0 / np.sqrt(2.0) if held else 0.0, abs=12.0
    )
