"""Corners set by hand: moved to the nearest edges, or left where the hand put them."""

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from grainscan.by_hand import check_corners
from grainscan.commands.group import main_group
from grainscan.errors import RecordError
from grainscan.measure.snap import snap_outline
from grainscan.photo.folder import read_blank_folder
from grainscan.scan import scan_blank

TRUE = np.array([[149.5, 259.5], [1049.5, 259.5], [1049.5, 329.5], [149.5, 329.5]])
WOOD, BENCH = (196, 160, 118), (96, 108, 122)


def picture(*, bow=0.0):
    """A board on a plain bench; its long edges bow up by ``bow`` px in the middle."""
    rng = np.random.default_rng(2)
    rows, columns = np.mgrid[:600, :1200]
    rise = bow * (1 - ((columns - 599.5) / 450) ** 2)
    wood = (columns > 149.5) & (columns < 1049.5) & (rows + rise > 259.5) & (rows + rise < 329.5)
    pixels = np.where(wood[..., None], WOOD, BENCH) + rng.normal(0, 3, (600, 1200, 1))
    return np.uint8(np.clip(np.round(pixels), 0, 255))


def clicked(*, off=2.5):
    """The corners as a hand sets them, each off its place."""
    return check_corners(
        [
            (x + dx, y + dy)
            for (x, y), dx, dy in zip(TRUE, (off, -off, off, -off), (-off, off) * 2, strict=True)
        ],
        size=(1200, 600),
        is_face=True,
    )


def test_corners_move_to_the_edges():
    found = snap_outline(picture(), clicked())
    assert found.corners_px == pytest.approx(TRUE, abs=0.6)
    assert found.confidence == 1.0
    assert found.angle_sigma_deg < 0.05


def test_a_curved_edge_is_followed_between_straight_corners():
    found = snap_outline(picture(bow=3.0), clicked(off=0.0))
    middle = len(found.top_edge_px) // 2
    assert found.top_edge_px[middle, 1] == pytest.approx(256.5, abs=0.5)
    assert found.bottom_edge_px[middle, 1] == pytest.approx(326.5, abs=0.5)


def test_where_there_is_no_edge_near_the_hand_is_believed():
    corners = ((200.0, 400.0), (1000.0, 404.0), (1000.0, 470.0), (200.0, 466.0))
    found = snap_outline(picture(), corners)
    assert found.corners_px == pytest.approx(np.array(corners), abs=4.0)
    # The direction is then no surer than a hand.
    assert found.angle_sigma_deg > 0.04


def make(folder, record=""):
    folder.mkdir()
    Image.fromarray(picture()).save(folder / "face-a.png")
    (folder / "blank.toml").write_text(record)
    return folder


def outlined(x=2.5):
    corners = ", ".join(f"[{a:.1f}, {b:.1f}]" for a, b in clicked(off=x))
    return f"[outline_px]\nface_a = [{corners}]\n"


def test_the_record_gives_the_outline_and_snaps_it_unless_told(tmp_path):
    snapped = scan_blank(make(tmp_path / "a", outlined())).measurement.face_a
    assert np.array(snapped.outline_px) == pytest.approx(TRUE, abs=0.6)
    left = scan_blank(make(tmp_path / "b", "snap = false\n" + outlined())).measurement.face_a
    assert np.array(left.outline_px) == pytest.approx(np.array(clicked()), abs=1e-6)


@pytest.mark.parametrize(
    "wrong",
    [
        "outline_px = 3",
        "[outline_px]\nface_c = [[1, 2], [3, 4], [5, 6], [7, 8]]",
        "[outline_px]\nface_a = [[1, 2], [3, 4], [5, 6]]",
        '[outline_px]\nface_a = [[1, 2], [3, 4], [5, 6], [7, "8"]]',
        "[outline_px]\nface_a = [[1, 2], [3, 4], [5, 6], [7, nan]]",
        "snap = 1",
        "card_on_bench = 'yes'",
    ],
)
def test_a_wrong_outline_in_the_record_is_one_line(tmp_path, wrong):
    with pytest.raises(RecordError) as refused:
        read_blank_folder(make(tmp_path / "a", wrong))
    assert "\n" not in str(refused.value)


def test_corners_outside_the_picture_are_said_and_nothing_is_measured(tmp_path):
    folder = make(tmp_path / "a", "[outline_px]\nface_a = [[0, 0], [5000, 0], [5000, 90], [0, 90]]")
    result = scan_blank(folder)
    assert result.measurement.face_a is None
    assert any("outside the photograph" in note for note in result.measurement.notes)


def test_the_outline_on_the_command_line(tmp_path):
    folder = make(tmp_path / "a")
    corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in clicked())
    out = tmp_path / "out.json"
    arguments = ["scan", str(folder), "--outline", f"face-a={corners}", "--json", str(out)]
    done = CliRunner().invoke(main_group, [*arguments, "--no-snap"])
    assert done.exit_code == 0, done.output
    assert f"{clicked()[0][0]:.1f}" in out.read_text()
    snapped = CliRunner().invoke(main_group, arguments)
    assert snapped.exit_code == 0, snapped.output
    wrong = CliRunner().invoke(main_group, ["scan", str(folder), "--outline", "face-a=1,2 3,4"])
    assert wrong.exit_code == 2
    assert "four corners" in wrong.output
