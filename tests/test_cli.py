"""The command line: what is typed, what comes out, exit codes."""

import importlib
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from grainscan.commands.group import COMMANDS, main_group
from tests.fake_measuring import FakeMeasuring


@pytest.fixture
def fake(monkeypatch):
    return FakeMeasuring().install(monkeypatch)


def make_blank(folder, *names, record=""):
    folder.mkdir(parents=True, exist_ok=True)
    for name in names or ("face-a.jpg", "face-b.jpg", "end.jpg"):
        Image.fromarray(np.full((300, 400, 3), 150, np.uint8)).save(folder / name)
    if record:
        (folder / "blank.toml").write_text(record)
    return folder


def run(*args):
    return CliRunner().invoke(main_group, ["scan", *map(str, args)], prog_name="grainscan")


def only_lines(text):
    return [line for line in text.splitlines() if line.strip()]


def test_a_good_blank(tmp_path, fake):
    blank = make_blank(tmp_path / "ash-07", record='width_mm = 25\nheight_mm = 30\nspecies = "ash"')
    out = tmp_path / "out.json"
    done = run(blank, "--json", out, "--limit", "1:20", "--length-mm", 450)
    assert done.exit_code == 0
    assert done.stderr == ""
    head, _, row, *because = only_lines(done.stdout)
    assert head.split()[:2] == ["blank", "sort"]
    assert row.split()[:2] == ["ash-07", "keep"]
    assert "1 in 56" in row  # tan² of 0.9° and 0.5°
    assert "12° flat" in row
    assert because[0].startswith("    The slope of grain is 1 in 56")
    (data,) = json.loads(out.read_text())
    assert data["sort"] == "keep"
    assert data["limit"] == {"one_in": 20, "source": "given by the user"}
    assert dict(fake.calls)["face-a.jpg"] == {"face": "a", "length_mm": 450, "width_mm": 25}
    assert dict(fake.calls)["face-b.jpg"] == {"face": "b", "length_mm": 450, "width_mm": 30}
    assert dict(fake.calls)["end.jpg"] == {"width_mm": 25, "height_mm": 30, "species": "ash"}


def test_single_files(tmp_path, fake):
    blank = make_blank(tmp_path / "oak-1")
    done = run("--face-a", blank / "face-a.jpg", "--end", blank / "end.jpg")
    assert done.exit_code == 0
    assert "oak-1  check  at least" in done.stdout
    assert "Take a photograph of face B" in done.stdout
    assert len(fake.calls) == 2


def test_a_batch_goes_on_past_bad_blanks(tmp_path, fake):
    make_blank(tmp_path / "b-2")
    make_blank(tmp_path / "b-10")
    make_blank(tmp_path / "b-1", record="width = 2")
    make_blank(tmp_path / "b-3", "face-a.jpg", "face-b.jpg")
    (tmp_path / "b-3" / "end.jpg").write_text("text")
    out = tmp_path / "out.json"
    done = run(tmp_path, tmp_path / "missing", "--json", out, "--workers", 1)
    assert done.exit_code == 1
    lines = done.stderr.splitlines()
    assert [line.split(":")[0] for line in lines] == ["b-1", "b-3", "missing"]
    assert "unknown key 'width'" in lines[0]
    assert "end.jpg: this is no" in lines[1]
    assert "no such folder" in lines[2]
    data = json.loads(out.read_text())
    assert [(d["blank"], d["sort"]) for d in data] == [
        ("b-1", "check"), ("b-2", "keep"), ("b-3", "check"), ("b-10", "keep"), ("missing", "check"),
    ]  # fmt: skip
    assert data[0]["slope"] is None
    assert any("unknown key" in reason for reason in data[0]["because"])
    assert any("unknown key" in note for note in data[0]["notes"])


def test_no_blank_in_a_photograph(tmp_path, fake):
    fake.not_found = ("face-a.jpg",)
    make_blank(tmp_path / "x")
    done = run(tmp_path / "x")
    # Face B was measured, so the blank did not fail; what to do is in the table.
    assert done.exit_code == 0
    assert "check" in done.stdout
    fake.not_found = ("face-a.jpg", "face-b.jpg")
    done = run(tmp_path / "x")
    assert done.exit_code == 1
    (line,) = done.stderr.splitlines()
    assert line.startswith("x: No face could be measured: face-a.jpg: no blank can be told")


def test_a_fault_of_ours_is_one_line_and_the_others_go_on(tmp_path, fake):
    fake.broken = ("face-b.jpg",)
    make_blank(tmp_path / "bad")
    make_blank(tmp_path / "good", "face-a.jpg")
    done = run(tmp_path, "--workers", 1)
    assert done.exit_code == 1
    (line,) = done.stderr.splitlines()
    assert line.startswith("bad: Fault in the program (builtins.IndexError in fake_measuring.py,")
    assert "good" in done.stdout
    assert "Traceback" not in done.output


def test_pictures(tmp_path, fake):
    make_blank(tmp_path / "in" / "one" / "ash")
    make_blank(tmp_path / "in" / "two" / "ash", "face-a.jpg")
    done = run(tmp_path / "in", "--pictures", tmp_path / "new" / "pictures", "--workers", 1)
    assert done.exit_code == 0
    names = sorted(p.name for p in (tmp_path / "new" / "pictures").iterdir())
    assert names == ["ash-2-face-a.jpg", "ash-end.jpg", "ash-face-a.jpg", "ash-face-b.jpg"]
    with Image.open(tmp_path / "new" / "pictures" / "ash-face-a.jpg") as picture:
        assert picture.width <= 1600


@pytest.mark.parametrize(
    "args",
    [
        ["--limit", "steep"],
        ["--limit", "1:0"],
        ["--keep-strength", "101"],
        ["--keep-strength", "lots"],
        ["--limit", "1:20", "--keep-strength", "90"],
        ["--width-mm", "-3"],
        ["--width-mm", "nan"],
        ["--workers", "0"],
        ["--face-a", "x.jpg"],
        ["--json", "no/such/folder/out.json"],
        ["--json", "."],
        ["--colour"],
    ],
)
def test_wrong_usage_is_2_and_nothing_is_scanned(tmp_path, fake, args, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = run(make_blank(tmp_path / "ash"), *args)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert fake.calls == []


def test_pictures_cannot_go_into_a_file(tmp_path, fake):
    blank = make_blank(tmp_path / "ash")
    done = run(blank, "--pictures", blank / "end.jpg")
    assert done.exit_code == 2
    assert "cannot be made" in done.stderr


def test_limits_from_strength_and_part(tmp_path, fake):
    fake.angle_a_deg, fake.angle_b_deg, fake.spread_deg = 3.0, 2.0, 0.1  # 3.6° in space, 1 in 16
    blank = make_blank(tmp_path / "ash", record='part = "ladder rail"')
    assert "ash    keep" in run(blank).stdout  # 1 in 12
    assert "set aside" in run(blank, "--part", "chair rung").stdout  # 1 in 20
    assert "set aside" in run(blank, "--keep-strength", "90").stdout
    assert "keep" in run(blank, "--keep-strength", "50").stdout


def test_unwritable_json_is_one_line(tmp_path, fake, monkeypatch):
    from grainscan.shown import files

    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.tempfile, "mkstemp", full)
    out = tmp_path / "out.json"
    out.write_text("older")
    done = run(make_blank(tmp_path / "ash"), "--json", out)
    assert type(done.exception).__name__ == "GrainscanError"  # one line, in main()
    assert "No space left" in str(done.exception)
    assert out.read_text() == "older"


def test_json_is_whole_or_not_there(tmp_path, monkeypatch):
    from grainscan.errors import GrainscanError
    from grainscan.shown.files import write_whole

    target = tmp_path / "out.json"
    write_whole(target, b"first")
    assert target.read_bytes() == b"first"

    def torn(*_args):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "replace", torn)
    with pytest.raises(GrainscanError, match="Input/output error"):
        write_whole(target, b"second")
    assert target.read_bytes() == b"first"
    assert [p.name for p in tmp_path.iterdir()] == ["out.json"]


def test_names_that_are_no_text(tmp_path, fake):
    folder = os.fsdecode(os.fsencode(str(tmp_path)) + b"/ash\xff\n7")
    Path(folder).mkdir()
    Image.new("RGB", (300, 200)).save(f"{folder}/face-a.png")
    out = tmp_path / "out.json"
    done = run(tmp_path, "--json", out, "--pictures", tmp_path / "pictures")
    assert done.exit_code == 0, done.output
    assert json.loads(out.read_text())[0]["blank"] == "ash??7"
    assert [p.name for p in (tmp_path / "pictures").iterdir()] == ["ash__7-face-a.jpg"]


@pytest.mark.parametrize(
    ("message", "said"),
    [
        ("libGL.so.1: cannot open shared object file: No such file or directory", "libgl1"),
        ("libgthread-2.0.so.0: cannot open shared object file", "libglib2.0-0"),
        ("No module named 'cv2'", "pip install opencv-python"),
    ],
)
def test_opencv_without_its_system_library(tmp_path, monkeypatch, message, said):
    class Refusing:
        def find_spec(self, name, _path=None, _target=None):
            if name == "cv2":
                raise ImportError(message)

    monkeypatch.delitem(sys.modules, "cv2", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Refusing(), *sys.meta_path])
    done = run(make_blank(tmp_path / "ash"))
    assert type(done.exception).__name__ == "GrainscanError"
    assert said in str(done.exception)
    assert len(str(done.exception).splitlines()) == 1


def test_main_turns_errors_into_one_line_and_exit_code_1(monkeypatch, capsys):
    from grainscan import __main__
    from grainscan.commands import group
    from grainscan.errors import GrainscanError

    def stopped(**_kwargs):
        raise GrainscanError("the folder is full. Free some space.")

    monkeypatch.setattr(group, "main_group", stopped)
    with pytest.raises(SystemExit) as ended:
        __main__.main()
    assert ended.value.code == 1
    assert capsys.readouterr().err == "grainscan: the folder is full. Free some space.\n"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_loads_and_has_help(command):
    module, _, function = COMMANDS[command].partition(":")
    loaded = getattr(importlib.import_module(module), function)
    assert loaded.help
    assert all(p.help for p in loaded.params if p.param_type_name == "option")
    done = CliRunner().invoke(main_group, [command, "--help"])
    assert done.exit_code == 0


@pytest.mark.parametrize(
    "start", [["-m", "grainscan"], ["-c", "from grainscan.__main__ import main; main()"]]
)
def test_module_and_script_do_the_same(start):
    done = subprocess.run(
        [sys.executable, *start, "--help"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("Usage: grainscan [OPTIONS] COMMAND")
    assert "scan" in done.stdout
