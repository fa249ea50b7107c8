"""Long blanks in overlapping photographs, joined: on made textures whose cuts are known."""

import cv2
import numpy as np
import pytest

from grainscan.errors import BlankNotFoundError
from grainscan.measure.face import measure_face
from grainscan.measure.join import find_part, join_parts
from tests.test_texture import streaks

ROWS, LENGTH = 90, 2600
BENCH = (70, 84, 110)


def strip(seed=3):
    """A face with short dark vessels all over it, (ROWS, LENGTH, 3), and no two places alike."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 1, (ROWS, LENGTH)).astype(np.float32)
    fine = cv2.GaussianBlur(noise, (0, 0), sigmaX=7, sigmaY=0.8)
    tone = 20 * fine / fine.std()
    return np.clip(np.array((198, 162, 120)) + tone[..., None], 0, 255)


def photograph(face, start, stop, *, scale=1.0, turn_deg=0.0, light=0.0, size=(500, 1200), seed=7):
    """The part of the face from ``start`` to ``stop`` on a bench; ends beyond the picture."""
    rows, columns = size
    across = columns / (stop - start) * scale
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    # Face pixels to picture pixels: the middle of the part lies in the picture's middle.
    middle = np.array([(start + stop) / 2, ROWS / 2])
    turn = across * np.array([[c, s], [-s, c]])
    shift = np.array([columns / 2, rows / 2]) - turn @ middle
    matrix = np.column_stack([turn, shift])
    flags = {"dsize": (columns, rows), "flags": cv2.INTER_CUBIC}
    drawn = cv2.warpAffine(face.astype(np.float32), matrix, **flags)
    cover = cv2.warpAffine(np.ones(face.shape[:2], np.float32), matrix, **flags)[..., None]
    noise = np.random.default_rng(seed).normal(0, 2, (rows, columns, 1))
    shade = 1 + light * np.linspace(-1, 1, columns)[None, :, None]
    picture = (cover * drawn + (1 - cover) * np.array(BENCH)) * shade + noise
    return np.uint8(np.clip(np.round(picture), 0, 255))


def three(face, **second):
    return [
        photograph(face, -80, 1080),
        photograph(face, 720, 1880, **{"turn_deg": 1.5, "light": 0.15, "seed": 8} | second),
        photograph(face, 1520, 2680, turn_deg=-1.0, seed=9),
    ]


def test_three_parts_make_the_whole():
    face = strip()
    joined = join_parts(three(face))
    columns = joined.pixels.shape[1]
    height = joined.outline.corners_px[3, 1] - joined.outline.corners_px[0, 1]
    assert columns / height == pytest.approx(LENGTH / ROWS, rel=0.02)
    assert joined.overlaps == pytest.approx((4.0, 4.0), abs=0.4)
    assert not joined.outline.touches_border
    # Every place of the whole shows what the face has there.
    inner = joined.pixels[round(joined.outline.corners_px[0, 1]) :][: round(height)]
    level = cv2.resize(inner, (LENGTH, ROWS), interpolation=cv2.INTER_AREA)[..., 0].astype(float)
    true = face[..., 0]
    for start in range(100, LENGTH - 400, 300):
        block = slice(start, start + 200)
        wide = level[8:-8, max(0, start - 60) : start + 260].astype(np.float32)
        match = cv2.matchTemplate(
            wide, true[12:-12, block].astype(np.float32), cv2.TM_CCOEFF_NORMED
        )
        assert match.max() > 0.7


def test_a_part_taken_from_nearer_is_brought_to_scale():
    joined = join_parts(three(strip(), scale=1.04))
    height = joined.outline.corners_px[3, 1] - joined.outline.corners_px[0, 1]
    assert joined.pixels.shape[1] / height == pytest.approx(LENGTH / ROWS, rel=0.02)


def test_a_side_face_seen_in_one_part_only_is_left_out():
    # Below the second part as much again as a quarter of the width is seen of the side face, which
    # has the same colours: only what the neighbours show tells that it is none of the face.
    face = strip()
    with_side = np.concatenate([face, strip(seed=44)[: ROWS // 4]])
    parts = three(face)
    parts[1] = photograph(with_side, 720, 1880, turn_deg=1.5, seed=8)
    found = find_part(parts[1], open_left=True, open_right=True)
    assert found.width_px == pytest.approx(1.25 * ROWS * 1200 / 1160, rel=0.03)
    joined = join_parts(parts)
    height = joined.outline.corners_px[3, 1] - joined.outline.corners_px[0, 1]
    assert joined.pixels.shape[1] / height == pytest.approx(LENGTH / ROWS, rel=0.03)


def test_stripes_along_the_face_do_not_tell_a_place():
    # Ring stripes alike all along: the fine streaks between them alone show where the parts meet.
    face = strip(seed=6)
    stripes = 40 * (np.sin(np.arange(ROWS) / 3.0) > 0.6)
    joined = join_parts(three(np.clip(face - stripes[:, None, None], 0, 255)))
    assert joined.overlaps == pytest.approx((4.0, 4.0), abs=0.4)
    alike = np.broadcast_to(face.mean(axis=(0, 1)) - stripes[:, None, None], face.shape)
    alike_parts = three(np.clip(alike, 0, 255))
    with pytest.raises(BlankNotFoundError, match="could not be joined"):
        join_parts(alike_parts)


def test_a_failed_join_is_said():
    face = strip()
    first, second, third = three(face)
    other = photograph(strip(seed=44), 720, 1880)
    with pytest.raises(BlankNotFoundError, match="pictures 1 and 2 could not be joined"):
        join_parts([first, other, third])
    with pytest.raises(BlankNotFoundError, match="could not be joined"):
        join_parts([first, third])
    with pytest.raises(BlankNotFoundError, match="picture 1 of 3"):
        join_parts([third, second, first])
    bare = np.full_like(second, 90)
    with pytest.raises(BlankNotFoundError, match="picture 2 of 3"):
        join_parts([first, bare, third])


def test_a_part_is_cut_square_where_it_runs_out_of_the_picture():
    part = find_part(photograph(strip(), 720, 1880, turn_deg=3.0), open_left=True, open_right=True)
    corners = part.corners_px
    assert (corners[:, 0] > 0).all()
    assert (corners[:, 0] < 1200).all()
    along = (corners[1] - corners[0]) / np.linalg.norm(corners[1] - corners[0])
    across = (corners[3] - corners[0]) / np.linalg.norm(corners[3] - corners[0])
    assert abs(along @ across) < 0.01


@pytest.mark.parametrize("angle_deg", [-2.0, 1.5])
def test_three_photographs_give_the_slope_of_one_whole_picture(angle_deg):
    lines = streaks((ROWS, LENGTH), angle_deg, seed=4, count=6000, length_px=(12, 34), level=0.0)
    face = np.clip(np.array((196.0, 160.0, 118.0)) + lines[..., None], 0, 255)
    whole = measure_face(photograph(face, -80, 2680, size=(500, 2760)), photo="whole", face="a")
    joined = join_parts(three(face))
    parts = measure_face(joined.pixels, photo="parts", face="a", outline=joined.outline)
    assert parts.angle_deg == pytest.approx(whole.angle_deg, abs=0.3)
    assert parts.low_deg < angle_deg < parts.high_deg
