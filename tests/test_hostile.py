"""Hostile and broken input, the quick part; ``python -m tests.hostile`` runs all of it."""

import json
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.by_hand import from_texts
from grainscan.commands.group import main_group
from grainscan.errors import BookError, GrainscanError, InputError, PhotoError, RecordError
from grainscan.from_files import parse_json, parse_toml, read_content
from grainscan.photo.folder import find_blanks
from grainscan.photo.reading import read_photo
from grainscan.stock.as_json import object_from_json, texts_from_json
from grainscan.stock.backup import import_book
from grainscan.stock.blanks import save_blank
from grainscan.stock.photographs import photograph_path
from grainscan.stock.records import Blank
from grainscan.stock.store import open_book, writing
from tests.fuzz import input_number
from tests.fuzz_seeds import seeds
from tests.fuzz_targets import TARGETS, check
from tests.hostile import archives, pictures, texts
from tests.hostile.cases import READERS
from tests.hostile.folders import FOLDERS, good_blank

# What takes long to make, or only costs something at its full size, is left to the command.
SLOW_TEXTS = {"huge", "many", "lists", "deep-closed", "contents-large"}
SLOW_FOLDERS = {
    "10000-files", "10000-blanks", "10000-photographs", "59-parts-of-a-face", "deep-folders",
}  # fmt: skip


def one_line(error):
    text = str(error)
    assert text.isprintable(), text
    assert text.endswith((".", "import", "try again")), text
    return text


def processor_seconds(call):
    began = time.process_time()
    call()
    return time.process_time() - began


@pytest.mark.parametrize("make", [pictures._no_pictures, pictures._metadata, pictures._announced])
def test_odd_pictures_are_read_or_refused_in_a_line(make):
    for picture in make():
        if picture.fine:
            assert read_photo(picture.content, name="x").pixels.shape[2] == 3
        elif picture.fine is False:
            with pytest.raises(PhotoError) as caught:
                read_photo(picture.content, name="x")
            one_line(caught.value)
        else:
            check("picture", picture.content)


@pytest.mark.parametrize("kind", pictures.FORMATS)
def test_a_file_cut_anywhere_is_refused(kind):
    for picture in pictures.truncated(kind, parts=25):
        with pytest.raises(PhotoError) as caught:
            read_photo(picture.content, name="x")
        one_line(caught.value)


def test_a_picture_of_many_scans_is_refused_before_it_is_decoded():
    content = pictures.many_scans(pictures.Image.new("L", (3000, 2000), 90), 2000)
    with pytest.raises(PhotoError, match="scans"):
        read_photo(content, name="x")
    ordinary = pictures.encoded(pictures.side("face-a"), "JPEG", progressive=True)
    # Marks of scans in a film behind the picture do not count.
    assert read_photo(ordinary + b"\xff\xda" * 100, name="x").pixels.size


def test_a_tile_far_over_the_edge_is_refused():
    zeros = pictures._zeros(1)
    entries = pictures.rgb_entries(300, 200, len(zeros), packing=8)
    entries |= {322: (4, [10_000]), 323: (4, [10_000])}
    with pytest.raises(PhotoError, match="megapixels"):
        read_photo(pictures.tiff(entries, zeros), name="x")


def test_a_damaged_tiff_writes_nothing_to_the_terminal_by_itself(capfd):
    image = pictures.side("face-a")
    content = bytearray(pictures.encoded(image, "TIFF", compression="tiff_lzw"))
    content[5000:9000] = b"\xff" * 4000
    with pytest.raises(PhotoError):
        read_photo(bytes(content), name="x")
    assert capfd.readouterr() == ("", "")
    print("still there", file=sys.stderr)
    assert capfd.readouterr().err == "still there\n"


def test_every_wrong_record_costs_its_blank_only(tmp_path):
    contents = {k: v for k, v in texts.records().items() if k not in SLOW_TEXTS}
    for name, content in contents.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "face-a.jpg").touch()
        (tmp_path / name / "blank.toml").write_bytes(content)
    blanks = {}
    seconds = processor_seconds(
        lambda: blanks.update({blank.name: blank for blank in find_blanks([tmp_path])})
    )
    assert blanks.keys() == contents.keys()
    for name, blank in blanks.items():
        assert blank.usable == name.startswith("fine"), (name, blank.problems)
        assert all(one_line(problem) for problem in blank.problems)
    assert seconds < 10  # one long key alone took that, and a gigabyte


@pytest.mark.parametrize("reader", READERS)
def test_every_wrong_text_is_one_line(tmp_path, monkeypatch, reader):
    monkeypatch.setenv("GRAINSCAN_BOOK", str(tmp_path / "book.sqlite"))
    monkeypatch.chdir(tmp_path)
    args, contents = READERS[reader]
    target = {"parts": "parts", "cut list": "cut_list", "table": "table"}.get(reader, reader)
    for name, content in contents().items():
        if name not in SLOW_TEXTS:
            check(target, content)  # raises where it is neither taken nor refused in a line
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "file").write_bytes(b"\xff\x00[[[")
    place = [arg.replace("../in", str(tmp_path / "in")) for arg in args]
    done = CliRunner().invoke(main_group, place, prog_name="grainscan")
    assert done.exit_code in (1, 2)
    assert isinstance(done.exception, SystemExit | GrainscanError)


@pytest.mark.parametrize("name", [name for name in FOLDERS if name not in SLOW_FOLDERS])
def test_hard_folders_are_looked_through(tmp_path, name):
    good_blank(tmp_path / "good")
    bad = FOLDERS[name](tmp_path)
    found = find_blanks([tmp_path])
    if (tmp_path / "bad").exists():
        (tmp_path / "bad").chmod(0o700)  # or nobody but root can take it away
    assert any(blank.name == "good" and blank.usable for blank in found)
    assert len(found) == 1 + bad
    for blank in found:
        assert blank.name.isprintable()
        for problem in blank.problems:
            assert one_line(problem)


def test_folders_in_folders_in_folders(tmp_path):
    place = tmp_path.joinpath(*["d"] * 600)  # deeper than Python calls itself
    place.mkdir(parents=True)
    (place / "face-a.jpg").touch()
    (blank,) = find_blanks([tmp_path])
    assert blank.face_a.name == "face-a.jpg"
    # Deleting such a folder is more than Python's own deleting takes.
    blank.face_a.unlink()
    while place != tmp_path:
        place.rmdir()
        place = place.parent


def test_a_pipe_is_never_waited_for(tmp_path):
    import os

    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(RecordError, match="no ordinary file"):
        read_content(tmp_path / "pipe", most_bytes=10, place="pipe")
    with pytest.raises(BookError, match="no ordinary file"):
        import_book(tmp_path / "pipe", tmp_path / "book.sqlite")


def test_long_keys_are_refused_and_long_lines_of_numbers_are_not():
    with pytest.raises(RecordError, match="names with dots"):
        parse_toml(b".".join([b"a"] * 200) + b" = 1", place="x")
    with pytest.raises(RecordError, match="names with dots"):
        parse_toml(b".".join([b'","'] * 200) + b" = 1", place="x")
    numbers = ", ".join(f"{k}.5" for k in range(500))
    assert len(parse_toml(f"x = [{numbers}]".encode(), place="x")["x"]) == 500
    dots = "wait" + "." * 500
    assert parse_toml(f'x = "{dots}"'.encode(), place="x") == {"x": dots}


def test_numbers_beyond_their_format():
    for text in ("9" * 400, "9" * 5000, "0x" + "f" * 5000, f"[{2**63}]", f"{{ a = {-(2**64)} }}"):
        with pytest.raises(RecordError):
            parse_toml(f"x = {text}".encode(), place="x")
    assert parse_toml(f"x = {2**63 - 1}".encode(), place="x") == {"x": 2**63 - 1}
    assert parse_json(b"9" * 400) == float("inf")
    for text in ("9" * 400, "NaN", "[" * 100_000, "{}", '["a", 1]'):
        with pytest.raises(BookError):
            texts_from_json(text)
    with pytest.raises(BookError):
        object_from_json("[]")
    for text in (f"[{'9' * 400}, 1]", "[NaN, 1]", "[" * 100_000, "[1e999, 1]"):
        with pytest.raises(InputError, match="correction"):
            from_texts([("end", "ring boundary added", text)])


def test_no_archive_leads_out_of_its_place(tmp_path):
    (tmp_path / "place").mkdir()
    for name, content in archives.archives(zeros_mb=30).items():
        (tmp_path / "archive").write_bytes(content)
        with pytest.raises(BookError) as caught:
            import_book(tmp_path / "archive", tmp_path / "place" / "book.sqlite")
        one_line(caught.value)
        assert sorted(p.name for p in tmp_path.rglob("*")) == ["archive", "place"], name


def test_a_book_with_a_trigger_is_refused(tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    with closing(sqlite3.connect(book.path)) as connection:
        connection.execute("CREATE TRIGGER more AFTER INSERT ON blank BEGIN DELETE FROM log; END")
    with pytest.raises(BookError, match="triggers"):
        open_book(book.path)


@pytest.mark.parametrize(
    ("sha256", "suffix"),
    [("../" * 21 + "x", ".jpg"), ("a" * 64, "/../../x"), ("a" * 63 + "/", ".jpg"), ("", "")],
)
def test_a_book_names_no_file_outside_its_photographs(tmp_path, sha256, suffix):
    book = open_book(tmp_path / "book.sqlite")
    with pytest.raises(BookError, match="cannot be"):
        photograph_path(book, sha256, suffix)


def test_escape_codes_of_a_record_do_not_reach_the_terminal(tmp_path, monkeypatch):
    monkeypatch.setenv("GRAINSCAN_BOOK", str(tmp_path / "book.sqlite"))
    book = open_book(tmp_path / "book.sqlite")
    save_blank(book, Blank(code="ash-1"))
    # As a book from elsewhere may have it; in a record it is refused.
    with writing(book) as connection:
        connection.execute("UPDATE blank SET species = char(27) || '[2J', notes = char(8238, 155)")
    for command in (["stock", "show", "ash-1"], ["stock", "list"], ["stock", "summary"]):
        done = CliRunner().invoke(main_group, command, color=True)
        assert done.exit_code == 0
        assert all(c.isprintable() or c == "\n" for c in done.output)


def test_commands_print_through_one_place():
    folder = Path(__file__).parent.parent / "grainscan" / "commands"
    for path in folder.glob("*.py"):
        text = path.read_text("utf-8")
        assert path.name == "say.py" or ("click.echo(" not in text and " print(" not in text)


NUMBERS = st.one_of(st.floats(), st.integers(), st.integers(min_value=10**300, max_value=10**320))
VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, st.text(max_size=6)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=8,
)
END_KEYS = st.sampled_from(
    ["ring_direction_deg", "low_deg", "high_deg", "pith", "pith_distance_low",
     "pith_distance_high", "width_mm", "orientation"]
)  # fmt: skip


@settings(max_examples=60)
@given(
    end=st.dictionaries(END_KEYS, st.one_of(VALUES, st.lists(NUMBERS, min_size=2, max_size=2))),
    name=VALUES,
)
def test_any_result_file_gives_a_plan_or_one_line(end, name):
    check("results", json.dumps([{"schema": 1, "blank": name, "end": end}]).encode())


@settings(max_examples=60)
@given(value=VALUES)
def test_any_json_is_a_correction_or_one_line(value):
    text = json.dumps(value).encode()
    check("corrections", text)
    check("kept_measurement", text)


def test_good_seeds_are_taken():
    for target, pool in seeds().items():
        for content in pool if target == "picture" else pool[:1]:
            assert check(target, content), target


def test_some_inputs_of_the_fuzz_run():
    pools = seeds()
    for number in range(250):
        target, content = input_number(7, number, pools)
        check(target, content)
    assert TARGETS.keys() == pools.keys()
