"""The outline of a face in rendered photographs whose corners are known, and where none is."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from grainscan.errors import BlankNotFoundError
from grainscan.measure.bars import bar_between
from grainscan.measure.beams import chains, change_across
from grainscan.measure.edges import reduced
from grainscan.measure.look import seen
from grainscan.measure.outline import LEAST_CONFIDENCE, find_face
from tests.render import random_blank, random_photo, render_blank
from tests.render.spec import suite_case

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
    return {seed: pictured(seed) for seed in range(101, 106)}


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


def test_half_the_light_is_a_shadow_on_a_dark_ground_as_on_a_bright_one():
    for bench in ((80, 52, 57), (120, 80, 88), (200, 140, 152)):
        picture = board(bench=bench)
        picture[300:360, 160:1040] *= 0.73
        small, _ = reduced(photograph(picture), 640)
        at = np.linspace(0.0, 639.0, 20)
        scale = 640 / 1200
        top, bottom = (np.stack([at, np.full(20, y * scale)], axis=1) for y in (300, 360))
        look = seen(small, photograph(picture))
        bar = bar_between(look, change_across(look), top, bottom)
        assert bar.shade > 0.9
        # A strip of wood of its own hue is none.
        wood = lay(board(bench=bench), 160, 300, 1040, 360, colour=(92, 66, 40))
        look = seen(reduced(photograph(wood), 640)[0], photograph(wood))
        assert bar_between(look, change_across(look), top, bottom).shade < 0.3


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


def edge_errors_px(found, truth):
    """Largest distance of each long edge from the true one, away from the corners."""
    errors = []
    for edge, name in (
        (found.top_edge_px, "top_edge_px"),
        (found.bottom_edge_px, "bottom_edge_px"),
    ):
        true = np.array(truth[name])
        inner = edge[5:-5]
        errors.append(np.abs(np.interp(inner[:, 0], true[:, 0], true[:, 1]) - inner[:, 1]).max())
    return errors


@pytest.mark.parametrize("seed", [201, 202])
def test_a_finished_square_of_12_to_20_mm(seed):
    blank, photo = suite_case(seed, "square")
    assert 12 <= blank.width_mm <= 20
    made = render_blank(blank, replace(photo, **SMALL), seed)
    truth = made.truth["photos"]["face_a"]
    found = find_face(made.face_a)
    assert corner_errors(found, truth).max() < 0.015
    assert max(edge_errors_px(found, truth)) < 2.0
    assert found.confidence > LEAST_CONFIDENCE


@pytest.mark.parametrize("seed", [211, 213])
def test_a_curved_riven_blank_is_followed_along_its_bend(seed):
    blank = random_blank(
        seed, made="riven", log_bow_x_mm=9.0, log_bow_y_mm=-9.0, edge_roughness_mm=0.4
    )
    made = render_blank(blank, random_photo(seed, "clean", **SMALL), seed)
    truth = made.truth["photos"]["face_a"]
    found = find_face(made.face_a)
    top = np.array(truth["top_edge_px"])
    chord = np.interp(top[:, 0], top[[0, -1], 0], top[[0, -1], 1])
    px_per_mm = np.linalg.norm(top[-1] - top[0]) / blank.length_mm
    # It does bend, by more than its splinters stand off its edge.
    assert np.abs(top[:, 1] - chord).max() > 3 * 0.4 * px_per_mm
    assert corner_errors(found, truth).max() < 0.015
    assert max(edge_errors_px(found, truth)) < 3 * 0.4 * px_per_mm + 1.0


@pytest.mark.parametrize("seed", [221, 223])
def test_strong_tilt_and_uneven_light(seed):
    made = render_blank(random_blank(seed), random_photo(seed, "tilt", **SMALL), seed)
    found = find_face(made.face_a)
    assert corner_errors(found, made.truth["photos"]["face_a"]).max() < 0.015


def grain(shape, seed, *, upright=False):
    """A wooden surface: fine streaks along one direction, unlike at any two places."""
    noise = np.random.default_rng(seed).normal(0, 1, shape)
    along, across = 14.0, 0.8
    streaks = gaussian_filter(noise, (along, across) if upright else (across, along))
    return 5.0 * streaks / streaks.std()


def wood_on_wood(*, shadow=True, step=6.0, seed=5):
    """A board on a bench of the same wood and colour but for ``step`` levels; light from above."""
    picture = np.array([196.0, 162.0, 120.0]) + grain((700, 1400), seed, upright=True)[..., None]
    if shadow:
        soft = np.zeros((700, 1400))
        soft[372:390, 210:1215] = 0.45
        picture *= 1 - gaussian_filter(soft, 2.0)[..., None]
    picture[300:372, 200:1200] = (
        np.array([196.0, 162.0, 120.0]) + step + grain((72, 1000), seed + 1)[..., None]
    )
    return photograph(picture)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_board_on_the_same_wood_is_found_by_its_shadow_and_its_long_edges(seed):
    found = find_face(wood_on_wood(seed=seed))
    expected = np.array([[199.5, 299.5], [1199.5, 299.5], [1199.5, 371.5], [199.5, 371.5]])
    assert found.corners_px == pytest.approx(expected, abs=9.0)


def test_what_can_hardly_be_seen_is_not_given_as_sure():
    # The same board without a shadow and without any difference of colour.
    try:
        found = find_face(wood_on_wood(shadow=False, step=0.0))
    except BlankNotFoundError:
        return
    assert found.confidence < LEAST_CONFIDENCE


def test_the_wider_of_two_boards_is_not_taken_for_one_with_stripes():
    # Dark stripes along the length are rings of one face, not its edges.
    picture = lay(board(), 150, 260, 1050, 330)
    for row in (275, 291, 307):
        picture[row : row + 4, 150:1050] *= 0.7
    found = find_face(photograph(picture))
    assert found.corners_px[:, 1] == pytest.approx([259.5, 259.5, 329.5, 329.5], abs=1.0)


@given(
    angle=st.floats(-12, 12),
    bow=st.floats(-6, 6),
    height=st.floats(0.3, 0.7),
    seed=st.integers(0, 9),
)
@settings(max_examples=12, deadline=None)
def test_chains_follow_any_nearly_level_edge(angle, bow, height, seed):
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[:300, :640].astype(float)
    x = columns - 319.5
    edge = 300 * height + np.tan(np.radians(angle)) * x + bow * (1 - (x / 320) ** 2)
    picture = 20.0 * (rows > edge) + rng.normal(0, 6.0, rows.shape)
    smooth = gaussian_filter(picture, 1.0).astype(np.float32)
    (first, *_) = chains(change_across(np.repeat(smooth[..., None], 3, axis=2)))
    at = np.arange(60.0, 580.0)
    inside = (edge[0, 60:580] > 8) & (edge[0, 60:580] < 291)
    # Where strips of noise break it, an edge is followed over its longer part.
    followed = inside & (at >= first.x[0]) & (at <= first.x[-1])
    assert followed.sum() > 0.35 * inside.sum()
    off = np.abs(first.heights(at) - edge[0, 60:580])[followed]
    assert np.median(off) < 0.6
    assert np.percentile(off, 95) < 1.5
