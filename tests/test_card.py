"""The reference card: printed at true size, found at any tilt, silent where it is not seen."""

import cv2
import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner

from grainscan.commands.group import main_group
from grainscan.errors import InputError
from grainscan.measure.card import balanced, find_card, print_scale
from grainscan.measure.face import measure_face
from grainscan.measure.outline import FaceOutline
from grainscan.measure.scale import size_by_card
from grainscan.photo.card import BOARD_MM, CHECK_MM, GREY, PAPERS, board_bits, card_picture
from tests.render import random_blank, random_photo, render_blank

PX_PER_BIT = 16
SIZE = (1200, 1800)
FOCAL_35MM = 26.0
BENCH = (92, 104, 110)


def camera():
    """Focal length for the 35 mm format in pixels: OpenCV's pinhole is the reference."""
    focal = FOCAL_35MM * np.hypot(*SIZE) / 43.27
    return np.array([[focal, 0, (SIZE[1] - 1) / 2], [0, focal, (SIZE[0] - 1) / 2], [0, 0, 1.0]])


def pose(tilt_deg, around_deg, distance_mm=420.0):
    """Tilted by ``tilt_deg`` about an axis in the picture, looking at the card's middle."""
    axis = np.array([np.cos(np.radians(around_deg)), np.sin(np.radians(around_deg)), 0.0])
    rotation = cv2.Rodrigues(np.radians(tilt_deg) * axis)[0]
    middle = np.array([BOARD_MM[0] / 2, BOARD_MM[1] / 2, 0.0])
    return rotation, np.array([0.0, 0.0, distance_mm]) - rotation @ middle


def photograph(rotation, place, *, hidden=None, tint=(1.0, 1.0, 1.0), printed=1.0):
    """The card on a plain bench, every third pixel's worth of blur, a little noise."""
    card = card_picture(PX_PER_BIT)
    per_mm = PX_PER_BIT / 2.0
    quiet = 6.0
    plane = camera() @ np.column_stack([rotation[:, 0], rotation[:, 1], place])
    # Card pixels (centres at integers) to millimetres on the board.
    to_mm = np.array(
        [[1 / per_mm, 0, 0.5 / per_mm - quiet], [0, 1 / per_mm, 0.5 / per_mm - quiet], [0, 0, 1]]
    )
    matrix = plane @ np.diag([printed, printed, 1.0]) @ to_mm
    soft = cv2.GaussianBlur(card, (0, 0), 1.2)
    if hidden is not None:
        soft[:, : round(hidden * soft.shape[1])] = 70
    warp = {"dsize": SIZE[::-1], "flags": cv2.INTER_AREA}
    drawn = cv2.warpPerspective(soft.astype(np.float32), matrix, **warp)
    cover = cv2.warpPerspective(np.ones_like(soft, np.float32), matrix, **warp)
    noise = np.random.default_rng(5).normal(0, 1.5, (*SIZE, 1))
    picture = cover[..., None] * drawn[..., None] + (1 - cover[..., None]) * np.array(BENCH) + noise
    return np.uint8(np.clip(np.round(picture * np.array(tint)), 0, 255))


def seen_at(rotation, place, points_mm, *, out_mm=0.0):
    """Pixels of points on the plane ``out_mm`` nearer to the camera than the card."""
    points = np.column_stack([points_mm, np.full(len(points_mm), -out_mm)])
    turn = cv2.Rodrigues(rotation)[0]
    return cv2.projectPoints(points, turn, place, camera(), None)[0].reshape(-1, 2)


FAR = np.array([[-60.0, -70.0], [260.0, -60.0], [240.0, 150.0], [-40.0, 140.0]])


@pytest.mark.parametrize(("tilt", "around"), [(0, 0), (10, 40), (20, 90), (30, 0), (30, 135)])
def test_millimetres_within_half_a_per_cent_at_tilts_up_to_30_degrees(tilt, around):
    view = pose(tilt, around)
    card = find_card(photograph(*view), focal_35mm=FOCAL_35MM)
    measured = card.plane_mm(seen_at(*view, FAR))
    # Places and lengths well outside the card, as a blank's beside it.
    lengths = np.linalg.norm(np.diff(measured, axis=0), axis=1)
    expected = np.linalg.norm(np.diff(FAR, axis=0), axis=1)
    assert lengths == pytest.approx(expected, rel=0.005)
    assert measured == pytest.approx(FAR, abs=1.0)
    assert card.corners == 48
    assert card.rms_px < 0.3


def test_pixel_centres_are_at_integers():
    # A card seen squarely at four whole pixels to the millimetre: no half pixel is lost.
    card = card_picture(8)
    picture = np.full(SIZE, 200, np.uint8)
    picture[100 : 100 + card.shape[0], 80 : 80 + card.shape[1]] = card
    found = find_card(np.repeat(picture[..., None], 3, axis=2))
    corner = np.array([[80 + 6 * 4 - 0.5, 100 + 6 * 4 - 0.5]])
    assert found.plane_mm(corner) == pytest.approx(np.zeros((1, 2)), abs=0.03)


@pytest.mark.parametrize("height_mm", [12.0, 40.0])
def test_a_plane_above_the_card_is_allowed_for(height_mm):
    view = pose(22, 60)
    card = find_card(photograph(*view), focal_35mm=FOCAL_35MM)
    above = seen_at(*view, FAR, out_mm=height_mm)
    assert card.plane_mm(above, height_mm=height_mm) == pytest.approx(FAR, abs=1.0)
    # Left out, it makes the piece larger by the height over the distance.
    grown = np.linalg.norm(np.diff(card.plane_mm(above), axis=0), axis=1)
    assert grown.min() > 1.02 * np.linalg.norm(np.diff(FAR, axis=0), axis=1).min()


def test_without_a_focal_length_only_the_cards_own_plane_is_known():
    view = pose(18, 20)
    card = find_card(photograph(*view))
    inside = np.array([[10.0, 10.0], [200.0, 10.0], [200.0, 70.0]])
    assert card.plane_mm(seen_at(*view, inside)) == pytest.approx(inside, abs=0.3)
    assert card.distance_mm is None
    with pytest.raises(InputError, match="level with the face"):
        card.plane_mm(FAR, height_mm=20.0)


@pytest.mark.parametrize("share", [0.3, 0.5])
def test_a_half_hidden_card_still_works(share):
    view = pose(15, 70)
    card = find_card(photograph(*view, hidden=share), focal_35mm=FOCAL_35MM)
    assert card.corners < 40
    lengths = np.linalg.norm(np.diff(card.plane_mm(seen_at(*view, FAR)), axis=0), axis=1)
    assert lengths == pytest.approx(np.linalg.norm(np.diff(FAR, axis=0), axis=1), rel=0.005)
    # The patch is under what hides the card: no balance is made up from it.
    assert card.gains is None


def test_no_card_no_millimetres():
    bench = np.random.default_rng(1).normal(120, 8, (*SIZE, 3))
    assert find_card(np.uint8(np.clip(bench, 0, 255))) is None
    rotation, place = pose(0, 0)
    assert find_card(photograph(rotation, place, hidden=0.95)) is None


def test_a_card_printed_smaller_is_noticed_by_its_line():
    view = pose(12, 30)
    picture = photograph(*view, printed=0.96)
    inside = np.array([[0.0, 0.0], [190.0, 0.0]])
    seen = seen_at(*view, inside)
    trusted = find_card(picture, focal_35mm=FOCAL_35MM).plane_mm(seen)
    assert np.linalg.norm(trusted[1] - trusted[0]) == pytest.approx(190.0 / 0.96, rel=0.002)
    told = find_card(picture, focal_35mm=FOCAL_35MM, check_mm=0.96 * CHECK_MM)
    length = np.linalg.norm(np.diff(told.plane_mm(seen), axis=0))
    assert length == pytest.approx(190.0, rel=0.002)
    with pytest.raises(InputError, match="measure it again"):
        print_scale(20.0)
    assert print_scale(None) == 1.0


@pytest.mark.parametrize("tint", [(1.0, 0.92, 0.78), (0.85, 0.95, 1.0)])
def test_colours_are_balanced_by_the_grey_patch(tint):
    view = pose(8, 10)
    card = find_card(photograph(*view, tint=tint), focal_35mm=FOCAL_35MM)
    assert card.gains[0] == pytest.approx(tint[1] / tint[0], rel=0.02)
    assert card.gains[2] == pytest.approx(tint[1] / tint[2], rel=0.02)
    patch = np.full((4, 4, 3), GREY, np.float64) * np.array(tint)
    grey = balanced(np.uint8(np.round(patch)), card).astype(int)
    assert np.ptp(grey[0, 0]) <= 3


def outline_of(points):
    top = np.linspace(points[0], points[1], 101)
    bottom = np.linspace(points[3], points[2], 101)
    return FaceOutline(np.array(points), top, bottom, 0.0, 1.0, False)


def test_the_size_of_a_face_and_what_is_said_about_it():
    view = pose(20, 45)
    card = find_card(photograph(*view), focal_35mm=FOCAL_35MM)
    face = np.array([[-60.0, 100.0], [270.0, 100.0], [270.0, 128.0], [-60.0, 128.0]])
    level, notes = size_by_card(outline_of(seen_at(*view, face)), card, width_mm=25.0)
    assert level == pytest.approx((330.0, 28.0), rel=0.005)
    assert any("measure the card's line" in note for note in notes)
    assert any("25 mm is written down" in note for note in notes)
    raised = outline_of(seen_at(*view, face, out_mm=30.0))
    on_bench, _ = size_by_card(raised, card, on_bench=True, thickness_mm=30.0, checked=True)
    assert on_bench == pytest.approx((330.0, 28.0), rel=0.005)
    unknown, (why,) = size_by_card(raised, card, on_bench=True)
    assert unknown is None
    assert "width and height" in why


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_sheet_is_at_true_size(tmp_path, paper):
    out = tmp_path / "card.pdf"
    done = CliRunner().invoke(main_group, ["card", "--paper", paper, str(out)])
    assert done.exit_code == 0, done.output
    document = pypdfium2.PdfDocument(out)
    assert len(document) == 1
    points = np.array(document[0].get_size())
    assert points * 25.4 / 72 == pytest.approx(PAPERS[paper], abs=0.05)
    grey = np.asarray(document[0].render(scale=4).to_pil().convert("L"))
    document.close()
    card = find_card(np.repeat(grey[..., None], 3, axis=2))
    across = card.plane_mm(np.array([[0.0, 0.0], [4 * 72 / 25.4 * 100, 0.0]]))
    assert np.linalg.norm(across[1] - across[0]) == pytest.approx(100.0, abs=0.1)
    # The line to check, measured on the rendered sheet: its two upright ticks.
    rows = np.flatnonzero((grey < 128).sum(axis=1) > 0.6 * grey.shape[1] * CHECK_MM / points[0] * 2)
    line = grey[rows[-1] - 8]
    ticks = np.flatnonzero(line < 128)
    assert (ticks[-1] - ticks[0]) / 4 * 25.4 / 72 == pytest.approx(CHECK_MM, abs=0.3)


def test_every_corner_of_the_board_is_on_its_grid_of_bits():
    bits = board_bits()
    assert bits.shape == (40, 104)
    large = np.asarray(card_picture(3))[9:-9, 9:-9]
    board = large[: 40 * 3, : 104 * 3].reshape(40, 3, 104, 3)
    assert (board == board[:, :1, :, :1]).all()
    assert ((board[:, 0, :, 0] == 0) == bits).all()


@pytest.mark.parametrize(("laid", "seed"), [("level", 902), ("bench", 901)])
def test_a_face_photographed_with_the_card_has_its_size(laid, seed):
    blank = random_blank(seed, made="sawn", length_mm=360.0)
    how = random_photo(
        seed,
        "clean",
        tilt_max_deg=20.0,
        occupancy=0.7,
        card=laid,
        width_px=1500,
        height_px=1000,
        shots=("face_a",),
    )
    made = render_blank(blank, how, seed)
    focal = made.truth["photos"]["face_a"]["camera"]["focal_35mm"]
    scan = measure_face(
        made.face_a,
        photo="face-a.jpg",
        face="a",
        focal_35mm=focal,
        thickness_mm=blank.height_mm,
        card_on_bench=laid == "bench",
        card_check_mm=CHECK_MM,
    )
    # The card's own error is below half a per cent; the outline adds its pixel at each end.
    assert scan.size_mm[0] == pytest.approx(360.0, rel=0.005)
    assert scan.size_mm[1] == pytest.approx(blank.width_mm, rel=0.03)
    assert scan.sweep_mm is not None
    assert any("by the reference card" in note for note in scan.notes)
