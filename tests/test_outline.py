"""The outline of a face in rendered photographs whose corners are known, and where none is."""

import numpy as np
import pytest

from grainscan.errors import BlankNotFoundError
from grainscan.measure.outline import find_face
from grainscan.measure.quality import LEAST_CONFIDENCE
from tests.render import random_blank, random_photo, render_blank

SMALL = {"width_px": 1050, "height_px": 700, "shots": ("face_a",)}


def pictured(seed, **how):
    made = render_blank(random_blank(seed), random_photo(seed, "clean", **SMALL, **how), seed)
    return made.face_a, made.truth["photos"]["face_a"]


def corner_errors(found, truth):
    """Distances of the four corners as shares of the length."""
    corners = np.array(truth["outline_px"])
    length = np.linalg.norm(corners[1] - corners[0])
    return np.linalg.norm(found.corners_px - corners, axis=1) / length


@pytest.fixture(scope="module")
def clean():
    return {seed: pictured(seed) for seed in range(101, 109)}


def test_corners_and_edges_of_clean_photographs(clean):
    errors, bends = [], []
    for pixels, truth in clean.values():
        found = find_face(pixels)
        errors.append(corner_errors(found, truth).max())
        top = np.array(truth["top_edge_px"])
        off = (
            np.interp(found.top_edge_px[5:-5, 0], top[:, 0], top[:, 1]) - found.top_edge_px[5:-5, 1]
        )
        bends.append(np.abs(off).mean())
        assert not found.touches_border
        assert 0 < found.angle_sigma_deg < 0.5
    assert max(errors) < 0.015
    assert np.median(errors) < 0.008
    assert max(bends) < 6.0


def test_mirror_and_turn_of_the_picture_move_the_outline_with_it(clean):
    pixels, _ = clean[102]
    height, width = pixels.shape[:2]
    plain = find_face(pixels).corners_px
    mirrored = find_face(np.ascontiguousarray(pixels[:, ::-1])).corners_px
    turned = find_face(np.ascontiguousarray(pixels[::-1, ::-1])).corners_px
    assert mirrored[[1, 0, 3, 2]] == pytest.approx([width - 1, 0] + plain * [-1, 1], abs=4.0)
    assert turned[[2, 3, 0, 1]] == pytest.approx([width - 1, height - 1] - plain, abs=4.0)


def board(shape=(600, 1200), *, bench=(96, 108, 122), seed=1):
    """A plain bench with a little noise."""
    noise = np.random.default_rng(seed).normal(0, 2.0, (*shape, 1))
    return np.clip(np.array(bench) + noise, 0, 255)


def lay(picture, left, top, right, bottom, colour=(196, 160, 118), seed=2):
    rng = np.random.default_rng(seed)
    lines = rng.normal(0, 6.0, (bottom - top, 1, 1)) + rng.normal(0, 2.0, (1, right - left, 1))
    picture[top:bottom, left:right] = np.array(colour) + lines
    return picture


def photograph(picture):
    return np.uint8(np.clip(np.round(picture), 0, 255))


def test_a_plain_board_to_a_pixel():
    found = find_face(photograph(lay(board(), 150, 260, 1050, 330)))
    # Pixel centres at integers: the step lies half a pixel before the first pixel of wood.
    expected = [[149.5, 259.5], [1049.5, 259.5], [1049.5, 329.5], [149.5, 329.5]]
    assert found.corners_px == pytest.approx(np.array(expected), abs=1.0)


def test_a_cast_shadow_is_not_wood():
    picture = board()
    picture[331:372, 160:1075] *= 0.5
    picture = lay(picture, 150, 260, 1050, 330)
    found = find_face(photograph(picture))
    assert found.bottom_edge_px[:, 1] == pytest.approx(np.full(101, 329.5), abs=2.0)
    assert found.corners_px[1, 0] == pytest.approx(1049.5, abs=4.0)


@pytest.mark.parametrize("light", [0.55, 0.75])
def test_a_visible_side_face_is_not_the_face(light):
    picture = lay(board(), 150, 260, 1050, 350)
    # The same wood in less light below the arris at row 330.
    picture[330:350, 150:1050] *= light
    found = find_face(photograph(picture))
    assert found.bottom_edge_px[:, 1] == pytest.approx(np.full(101, 329.5), abs=2.5)


@pytest.mark.parametrize("scene", ["black", "white", "bench", "noise", "two", "upright"])
def test_what_is_not_one_blank_is_refused_in_one_line(scene):
    pictures = {
        "black": np.zeros((600, 1200, 3)),
        "white": np.full((600, 1200, 3), 255.0),
        "bench": board(),
        "noise": np.random.default_rng(3).uniform(0, 255, (600, 1200, 3)),
        "two": lay(lay(board(), 150, 120, 1050, 190), 170, 380, 1040, 452, seed=4),
        "upright": lay(board((1200, 600)), 260, 150, 330, 1050),
    }
    with pytest.raises(BlankNotFoundError) as refused:
        find_face(photograph(pictures[scene]))
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) > 20
    if scene == "two":
        assert "more than one" in str(refused.value)


@pytest.mark.parametrize("content", ["none", "two"])
def test_rendered_scenes_without_one_blank_are_refused(content):
    pixels, _ = pictured(110, content=content)
    with pytest.raises(BlankNotFoundError):
        find_face(pixels)


def test_a_blank_cut_off_by_the_border_is_told():
    picture = lay(board(), 300, 260, 1200, 330)
    assert find_face(photograph(picture)).touches_border
    try:
        found = find_face(pictured(111, content="cut")[0])
    except BlankNotFoundError:
        return
    # Either is a reason in the photograph's quality to step back.
    assert found.touches_border or found.confidence < LEAST_CONFIDENCE
