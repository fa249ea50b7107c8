"""The commands for the bench, run as a user runs them, with the measuring stood in for."""

import re

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from grainscan.commands.group import main_group
from tests.fake_measuring import FakeMeasuring

BENCH = ("board", "fit", "plan", "shave", "square")
RECORD = """species = "ash"
part = "chair rung"
width_mm = {width}
height_mm = {height}
length_mm = {length}
"""


def run(*args, ok=0):
    """Run in this process, where the measuring is stood in for."""
    result = CliRunner().invoke(main_group, [*(str(a) for a in args), "--workers", "1"])
    assert result.exit_code == ok, result.output + repr(result.exception)
    assert "Traceback" not in result.output
    return result


def flat(text):
    """On one line, as it is not known where lines are wrapped."""
    return " ".join(text.split())


def blank(folder, name, width=30.0, height=28.0, length=430.0):
    place = folder / name
    place.mkdir(parents=True)
    picture = np.full((300, 1000, 3), 180, dtype=np.uint8)
    for shot in ("face-a", "face-b", "end"):
        Image.fromarray(picture).save(place / f"{shot}.png")
    record = RECORD.format(width=width, height=height, length=length)
    (place / "blank.toml").write_text(record, encoding="utf-8")
    return place


@pytest.fixture
def rack(tmp_path, monkeypatch):
    FakeMeasuring(angle_a_deg=2.5, angle_b_deg=1.5, spread_deg=0.3).install(monkeypatch)
    for k in range(3):
        blank(tmp_path / "rack", f"ash-{k}", width=38.0 + k, height=34.0)
    return tmp_path / "rack"


def test_shave_says_which_way_and_draws_it(rack, tmp_path):
    out = run("shave", rack, "--pictures", tmp_path / "p").output
    # Face B shows +1.5 degrees: they rise to face A towards the right. Face A shows +2.5: they
    # fall from face B.
    block = re.search(r"face A: left to right serves throughout\n(.*)\n", out)[1]
    assert "--> left to right" in block
    assert "1 in 38" in block
    block = re.search(r"face B: right to left serves throughout\n(.*)\n", out)[1]
    assert "<-- right to left" in block
    assert "Faces B and opposite B are radial" in out
    assert "Sharp tools" in out
    assert len(list((tmp_path / "p").glob("*-shave.jpg"))) == 3


def test_fit_follows_the_fibres_and_compares(rack, tmp_path):
    out = flat(run("fit", "chair rung", rack / "ash-0", "--pictures", tmp_path / "p").output)
    assert "chair rung, along the fibres: keep" in out
    assert "For comparison, laid straight:" in out
    assert "cut off" in out
    assert "spare wood" in out
    assert "not a load rating" in out
    assert (tmp_path / "p" / "ash-0-fit.jpg").is_file()
    inches = run("fit", "chair rung", rack / "ash-0", "--units", "in", "--allowance", "1/16 in")
    assert re.search(r"cut off .*/\d+ in at the left end", inches.output)


def test_fit_straight_where_it_is_asked_for(rack):
    out = flat(run("fit", "chair rung", rack / "ash-0", "--straight").output)
    assert "chair rung, straight:" in out
    assert "laid along the fibres" in out


def test_fit_keeps_clear_of_what_is_told(rack):
    out = run("fit", "rake tine", rack / "ash-0", "--avoid", "0-60").output
    left = int(re.search(r"cut off (\d+) mm at the left", out)[1])
    assert left >= 0.6 * 430 - 1
    refused = run("fit", "chair rung", rack / "ash-0", "--avoid", "40-60").output
    assert "does not fit" in refused
    assert "mm too short" in refused


@pytest.mark.parametrize("text", ["60-40", "a-b", "40", "-5-20", "90-120"])
def test_wrong_stretches_are_wrong_usage(rack, text):
    result = run("fit", "rake tine", rack, "--avoid", text, ok=2)
    assert "write two numbers of per cent" in result.output


def test_parts_are_listed():
    out = run("fit", "--list").output
    assert "hammer handle: octagon" in out
    assert "our own choice" in out


def test_a_part_of_ones_own(rack, tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(
        '[part.spoke]\nshape = "octagon"\nprofile = [{at = 0, diameter = "3/4 in"}, '
        '{at = "12 in", diameter = "5/8 in"}]\none_in = 18\nload = {kind = "bent evenly"}\n'
        'strength = "bending"\nsource = "mine"\n',
        encoding="utf-8",
    )
    out = run("fit", "spoke", rack / "ash-0", "--parts", own).output
    assert "spoke, along the fibres: keep" in out
    assert "1 in 18" in out
    assert "no part 'spoke'" in run("fit", "spoke", rack / "ash-0", ok=2).output


def test_plan_for_a_chair(rack, tmp_path):
    out = run("plan", "chair", rack, "--pictures", tmp_path / "p").output
    assert "chair rung 3 of 11 and 1 spare" in out
    assert "chair back post: 2 missing; split blanks of at least" in out
    assert "chair rung: 9 missing (1 of them spare)" in out
    assert len(list((tmp_path / "p").glob("*-plan.jpg"))) == 3


def test_blanks_left_over_are_drawn_with_what_they_lack(rack, tmp_path):
    """One too thin, one that would do but is not wanted: a picture each, neither called a plan."""
    blank(rack, "ash-thin", width=16.0, height=15.0)
    wanted = tmp_path / "list.toml"
    wanted.write_text('name = "one"\n[[want]]\npart = "chair rung"\ncount = 1\n', encoding="utf-8")
    out = run("plan", wanted, rack, "--pictures", tmp_path / "p").output
    assert "ash-thin: no part fits; nearest is the chair rung" in flat(out)
    names = {path.name for path in (tmp_path / "p").iterdir()}
    assert len(names) == 4
    assert sum(name.endswith("-plan.jpg") for name in names) == 1
    assert "ash-thin-left-over.jpg" in names


def test_plan_from_a_file_of_ones_own(rack, tmp_path):
    wanted = tmp_path / "list.toml"
    wanted.write_text('name = "pegs"\n[[want]]\npart = "rake tine"\ncount = 9\n', encoding="utf-8")
    out = run("plan", wanted, rack).output
    assert out.startswith("pegs: rake tine 9 of 9")
    assert out.count("    rake tine: keep, along the fibres") == 9
    assert "Short, and what to split next nothing" in flat(out)


def test_plan_without_a_cut_list_is_wrong_usage(rack):
    assert "There is no cut list 'stool'" in run("plan", "stool", rack, ok=2).output


def test_board(rack, tmp_path):
    place = blank(tmp_path, "plank", width=140.0, height=27.0, length=900.0)
    out = run(
        "board", place, "--width", "1 1/4 in", "--thickness", 18, "--length", 400,
        "--pictures", tmp_path / "p",
    ).output  # fmt: skip
    count = int(re.search(r"plank: (\d+) blanks", out)[1])
    # Two lengths; 400 mm at 2.5 degrees take 17.5 mm of the 140 mm.
    assert count == 2 * int((140 - 400 * np.tan(np.radians(2.5)) + 2) / (31.75 + 2))
    assert "at its left" in out
    assert (tmp_path / "p" / "plank-board.jpg").is_file()
    assert "must be above 0" in run(
        "board", place, "--width", 0, "--thickness", 18, "--length", 400, ok=2
    ).output  # fmt: skip


def test_square(rack, tmp_path):
    out = flat(
        run(
            "square", rack / "ash-0", "--part", "hammer handle", "--pictures", tmp_path / "p"
        ).output
    )
    # 2.5 and 1.5 degrees are 1 in 20 together: it straddles.
    assert out.startswith("ash-0: check")
    assert "run through from end to end" in out
    assert re.search(r"by 11\.3 mm towards face A and 18\.8 mm towards the face opposite B", out)
    assert (tmp_path / "p" / "ash-0-square.jpg").is_file()


def test_a_blank_without_face_b_costs_one_line(rack):
    (rack / "ash-1" / "face-b.png").unlink()
    for args in (("fit", "chair rung"), ("square",)):
        result = run(*args, rack, ok=1)
        (line,) = [x for x in result.stderr.splitlines() if x]
        assert line.startswith("ash-1: The fibres in space are not known without face B")
        assert "ash-2" in result.stdout
    assert "ash-1: The fibres in space" in run("plan", "chair", rack).output
    assert "take a sharp photograph of face" in run("shave", rack).output


def test_an_empty_folder_is_one_line(tmp_path):
    (tmp_path / "none").mkdir()
    result = run("shave", tmp_path / "none", ok=1)
    assert "no photographs here" in result.stderr


@pytest.mark.parametrize("command", BENCH)
def test_every_command_has_help_for_every_option(command):
    import click

    found = main_group.get_command(click.Context(main_group), command)
    assert found.help
    for option in found.params:
        if isinstance(option, click.Option):
            assert option.help, option.name


def test_an_inch_of_trim_is_an_inch(rack):
    out = run("fit", "rake tine", rack / "ash-0", "--trim", "4 in").output
    left, right = map(int, re.search(r"off (\d+) mm at .* and (\d+) mm at", out).groups())
    assert min(left, right) >= 101


def test_wrong_sizes_are_wrong_usage(rack):
    result = run("fit", "rake tine", rack, "--allowance", "7/16", ok=2)
    assert "needs its unit" in result.output


def test_nothing_is_written_where_nothing_was_asked_for(rack, tmp_path):
    before = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*"))
    run("plan", "chair", rack)
    run("shave", rack)
    assert sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*")) == before
