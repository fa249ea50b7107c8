"""The commands that work on the stock book: sort, stock, book, label, report."""

import csv
import io
import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from grainscan.commands.group import main_group
from grainscan.errors import BookError
from grainscan.stock import batch as stock_batch
from grainscan.stock.find import find
from grainscan.stock.life import makings_of, overrulings_of, weighings_of
from grainscan.stock.place import BOOK_VARIABLE
from grainscan.stock.store import open_book
from tests.fake_measuring import FakeMeasuring

pytestmark = pytest.mark.usefixtures("quick_disk")

ROOT = Path(__file__).parent.parent


@pytest.fixture
def fake(monkeypatch):
    return FakeMeasuring().install(monkeypatch)


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder for the book, named by the environment; nobody's own book is touched."""
    monkeypatch.setenv(BOOK_VARIABLE, str(tmp_path / "book.sqlite"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def blanks(place):
    for k, part in enumerate(("chair rung", "ladder rail", "rake tine")):
        folder = place / "day" / f"ash-26-{k + 1:03d}"
        folder.mkdir(parents=True)
        for number, role in enumerate(("face-a", "face-b", "end")):
            pixels = np.full((300, 900, 3), 100 + 10 * k + number, np.uint8)
            Image.fromarray(pixels).save(folder / f"{role}.jpg")
        (folder / "blank.toml").write_text(f'species = "ash"\npart = "{part}"\nlength_mm = 430\n')
    return place / "day"


def run(*args, code=0):
    result = CliRunner().invoke(main_group, [str(arg) for arg in args])
    assert result.exit_code == code, (result.output, result.exception)
    return result


def sorted_day(blanks):
    return run("sort", blanks, "--workers", 1)


def test_sort(blanks, fake):
    fake.angle_a_deg = 2.5
    result = sorted_day(blanks)
    assert "3 scanned; book" in result.stdout
    lines = [line for line in result.stdout.splitlines() if line.startswith("ash")]
    # Slope 2.5°: within the ladder rail's 1 in 12, beside the rung's 1 in 20 with its interval.
    assert lines[0].startswith("ash-26-0")
    assert "keep" in lines[0]
    assert "check" in lines[-1]
    assert "straddles the limit of 1 in 20" in " ".join(result.stdout.split())
    count = len(fake.calls)
    assert count == 9
    assert "3 unchanged" in sorted_day(blanks).stdout
    assert len(fake.calls) == count
    again = run(
        "sort", blanks, "--limit", "1:5", "--workers", 1, "--csv", "l.csv", "--json", "l.json"
    )
    assert "3 sorted again" in again.stdout
    assert len(fake.calls) == count
    rows = list(csv.DictReader(io.StringIO(Path("l.csv").read_bytes().decode("utf-8-sig"))))
    assert [row["sort"] for row in rows] == ["keep"] * 3
    assert [value["code"] for value in json.loads(Path("l.json").read_text())] == [
        row["code"] for row in rows
    ]


def test_sort_says_what_failed_and_goes_on(blanks, fake):
    fake.broken = ("face-b.jpg",)
    for name in ("ash-26-002", "ash-26-003"):
        (blanks / name / "face-b.jpg").unlink()
    (blanks / "ash-26-003" / "blank.toml").write_text("colour = 1")
    result = run("sort", blanks, "--workers", 1, code=1)
    assert "1 scanned, 2 failed" in result.stdout
    errors = result.stderr.splitlines()
    assert len(errors) == 2
    assert any("fault in the program" in line for line in errors)
    assert any("colour" in line for line in errors)
    fake.broken = ()
    result = run("sort", blanks, "--workers", 1, code=1)
    assert "1 scanned, 1 unchanged, 1 failed" in result.stdout


def test_sort_with_words_on_the_line(blanks, fake):
    run("sort", blanks, "--part", "lath", "--species", "white oak", "--workers", 1)
    (line, *_) = find(open_book())
    assert (line.part, line.species, line.limit_one_in) == ("lath", "white oak", 10.0)
    run("sort", blanks, "--keep-strength", 50, "--workers", 1)
    assert "keeps 50 % of impact bending" in find(open_book())[0].limit_source


def test_ctrl_c_says_that_it_goes_on(blanks, fake, monkeypatch):
    real, done = stock_batch.measure_job, []

    def interrupted(job, measure):
        done.append(job)
        if len(done) == 3:
            raise KeyboardInterrupt
        return real(job, measure)

    monkeypatch.setattr(stock_batch, "measure_job", interrupted)
    result = run("sort", blanks, "--workers", 1, code=130)
    assert "the same command goes on from there" in result.stderr
    assert "1 scanned, 2 unchanged" in sorted_day(blanks).stdout


@pytest.mark.parametrize(
    ("args", "line"),
    [
        (["sort", "day", "--limit", "steep"], "is no slope limit"),
        (["sort", "day", "--limit", "1:20", "--keep-strength", "90"], "not both"),
        (["sort"], "Usage"),
        (["stock", "list", "--width", "wide"], "write 20-30"),
        (["stock", "list", "--slope", "x"], "is no slope limit"),
        (["stock", "list", "--since", "spring"], "write a day as 2026-03-14"),
        (["stock", "show", "x"], "There is no blank 'x'"),
        (["stock", "blank"], "Name the species"),
        (["stock", "blank", "a", "--made-on", "2026"], "write a day"),
        (["stock", "weigh", "x", "5"], "There is no blank 'x'"),
        (["stock", "overrule", "x", "keep", "--by", "M"], "--why"),
        (["stock", "read", "none.csv"], "cannot be read"),
        (["stock", "log", "l", "--felled", "x"], "2026-03-14, 2026-03 or 2026"),
        (["stock", "log", "l", "--end-photo", "none.jpg"], "cannot be read"),
        (["label", "--out", "l.pdf", "--sheet", "a9"], "no label sheet"),
        (["label", "x", "--out", "l.pdf"], "nothing to print"),
        (["report", "x", "--out", "r.pdf"], "nothing to report on"),
        (["report", "x", "--out", "r.doc"], ".pdf or .html"),
    ],
)
def test_wrong_usage_is_one_line(place, args, line):
    open_book()
    (place / "day").mkdir()
    result = CliRunner().invoke(main_group, args)
    assert result.exit_code != 0
    if isinstance(result.exception, SystemExit):
        assert line in result.stderr
    else:  # shown by the program's own end: `grainscan: ...`
        assert line in str(result.exception)
        assert "\n" not in str(result.exception)


@pytest.mark.parametrize(
    "args",
    [
        ["stock", "list"],
        ["stock", "summary"],
        ["book", "info"],
        ["book", "check"],
        ["stock", "logs"],
    ],
)
def test_no_book_is_one_line_and_makes_none(place, args):
    result = CliRunner().invoke(main_group, args)
    assert isinstance(result.exception, BookError)
    assert "no stock book here yet" in str(result.exception)
    assert list(place.iterdir()) == []


def test_an_error_is_one_line_without_a_traceback(place):
    done = subprocess.run(
        [sys.executable, "-m", "grainscan", "stock", "list", "--book", "none.sqlite"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=place,
    )
    assert done.returncode == 1
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert line.startswith("grainscan: ")


def test_a_blanks_whole_life(blanks, fake):
    run("stock", "log", "log-7", "--species", "ash", "--felled", "2026-01", "--from", "mill field",
        "--end-photo", blanks / "ash-26-001" / "end.jpg")  # fmt: skip
    assert "felled: 2026-01" in run("stock", "logs").stdout
    sorted_day(blanks)
    run("stock", "blank", "ash-26-001", "--log", "log-7", "--rack", "B3", "--made-by", "Maud",
        "--made", "riven", "--made-on", "2026-02-03", "--width-mm", 25)  # fmt: skip
    assert run("stock", "blank", "--species", "oak").stdout.startswith("oak-")
    run("stock", "overrule", "ash-26-001", "set aside", "--by", "Maud", "--why", "a hidden check")
    run(
        "stock",
        "weigh",
        "ash-26-001",
        812,
        "--on",
        "2026-03-01",
        "--moisture",
        31.5,
        "--how",
        "meter",
    )
    run("stock", "made", "ash-26-001", "rung", "--on", "2026-06-01", "--by", "Maud")
    shown = run("stock", "show", "ash-26-001", "--json", "result.json").stdout
    for words in ("log: log-7", "rack: B3", "scanned by grainscan", "set aside, by Maud: a hidden",
                  "812 g 31.5 % moisture", "2026-06-01 made into rung"):  # fmt: skip
        assert words in shown
    (result,) = json.loads(Path("result.json").read_text())
    assert (result["schema"], result["blank"]) == (1, "ash-26-001")
    assert run("stock", "repeat", "ash-26-001").stdout.startswith("ash-26-001: the same result")
    fake.angle_a_deg = 5.0
    assert len(run("stock", "repeat", "ash-26-001", code=1).stdout.splitlines()) == 2
    run("stock", "overrule", "ash-26-001", "as measured", "--by", "Maud", "--why", "planed away")
    book = open_book()
    assert [one.sort for one in overrulings_of(book, "ash-26-001")] == ["set aside", None]
    assert weighings_of(book, "ash-26-001")[0].mass_g == 812
    assert makings_of(book, "ash-26-001")[0].made_into == "rung"
    run("stock", "remove", "ash-26-001", code=2)
    run("stock", "remove", "ash-26-001", "--really")
    assert "ash-26-001" not in run("stock", "list").stdout


def test_lists_and_sums(blanks, fake):
    sorted_day(blanks)
    assert "ash-26-003" in run("stock", "list", "--part", "tine").stdout
    assert run("stock", "list", "--part", "post").stdout == "No blanks.\n"
    assert run("stock", "list", "--length", "440-").stdout == "No blanks.\n"
    assert "ash-26-001" in run("stock", "list", "ASH-26-001", "--length", "430").stdout
    assert "ash-26-001" in run("stock", "list", "--length", "-430", "--in-stock").stdout
    run("stock", "list", "--csv", "all.csv", "--json", "all.json")
    assert len(json.loads(Path("all.json").read_text())) == 3
    assert "0 blanks added, 3 changed" in run("stock", "read", "all.csv").stdout
    other = run("stock", "read", "all.csv", "--book", "other.sqlite")
    assert "3 blanks added, 0 changed" in other.stdout
    assert len(find(open_book("other.sqlite"))) == 3
    table = run("stock", "summary").stdout
    assert "chair rung" in table
    assert "needed" not in table


def test_summary_against_a_cut_list(blanks, fake):
    from grainscan.workshop.parts import shipped_parts

    sorted_day(blanks)
    name = next(iter(shipped_parts()))
    run("stock", "blank", "ash-26-001", "--part", name)
    Path("cut.toml").write_text(
        f'name = "one chair"\n[[want]]\npart = "{name}"\ncount = 4\nspares = 1\n'
    )
    lines = run("stock", "summary", "--cut-list", "cut.toml").stdout.splitlines()
    assert "short" in lines[0]
    (total,) = [line for line in lines if line.startswith(name) and " all " in line]
    assert total.split()[-2:] == ["5", "4"]


def test_book_out_in_and_checked(blanks, fake):
    sorted_day(blanks)
    assert "3 blanks, 3 scans, 9 photographs; schema" in run("book", "info").stdout
    assert "book and 9 photographs" in run("book", "export", "book.zip").stdout
    assert zipfile.is_zipfile("book.zip")
    run("book", "import", "book.zip", "--book", "back.sqlite")
    assert find(open_book("back.sqlite")) == find(open_book())
    assert "The book is whole" in run("book", "check").stdout
    first = min(p for p in Path("book.sqlite-photographs").rglob("*") if p.is_file())
    first.unlink()
    result = run("book", "check", code=1)
    assert "is missing" in result.stderr
    assert "left out" in run("book", "export", "holed.zip", code=1).stderr
    assert "brought back" in run("book", "check", "--from", blanks).stdout
    stray = first.with_name("stray.jpg")
    stray.write_bytes(b"x")
    os.utime(stray, (1e9, 1e9))
    assert "1 file that nothing names" in run("book", "check").stdout
    run("book", "check", "--really")
    assert not stray.exists()


def test_labels_and_reports(blanks, fake):
    sorted_day(blanks)
    run("label", "--out", "labels.pdf", "--sheet", "a4-3x7", "--first", 4, "--shift", 1, -0.5)
    assert Path("labels.pdf").read_bytes().startswith(b"%PDF")
    assert "1 label." in run("label", "ash-26-001", "--out", "one.pdf").stdout
    assert "3 blanks." in run("report", "--out", "day.html", "--title", "A day").stdout
    assert "<title>A day</title>" in Path("day.html").read_text("utf-8")
    run("report", "ash-26-001", "--out", "one.pdf")
    assert Path("one.pdf").read_bytes().startswith(b"%PDF")
    run("report", "--species", "ash", "--out", "all.pdf")
    assert not [p for p in Path.cwd().iterdir() if p.name.startswith(".")]


def test_a_file_that_cannot_be_written_is_one_line(blanks, fake):
    from grainscan.errors import GrainscanError

    sorted_day(blanks)
    result = CliRunner().invoke(main_group, ["label", "--out", "none/labels.pdf"])
    assert isinstance(result.exception, GrainscanError)
    assert "cannot be written" in str(result.exception)
