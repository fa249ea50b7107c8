"""Archive and back, equal to the byte; damaged archives; checking and repairing a book."""

import contextlib
import json
import os
import sqlite3
import zipfile

import pytest

from grainscan.errors import BookError
from grainscan.stock.backup import export_book, import_book
from grainscan.stock.blanks import save_log
from grainscan.stock.check import check_book
from grainscan.stock.find import find
from grainscan.stock.life import add_making, add_weighing, overrule
from grainscan.stock.migrations import MIGRATIONS
from grainscan.stock.photographs import keep_photograph
from grainscan.stock.records import Log, Making, Weighing
from grainscan.stock.store import open_book
from tests.stock_helpers import assert_sound, rows_of, sort_folder, write_batch

pytestmark = pytest.mark.usefixtures("quick_disk")


@pytest.fixture
def book(tmp_path):
    """Three blanks of Alder Ford with a life behind them."""
    made = open_book(tmp_path / "book.sqlite")
    sort_folder(made, write_batch(tmp_path / "batch", 3))
    kept = keep_photograph(made, b"\xff\xd8\xff log end", "log.jpg")
    save_log(made, Log("log-7", species="ash"), end_photograph=kept)
    overrule(made, "ash-26-001", "keep", who="Maud", why="so")
    add_weighing(made, "ash-26-002", Weighing("2026-03-01", 812.25, 31.5))
    add_making(made, "ash-26-003", Making("pegs", "2026-04-01"))
    return made


def photographs_of(book):
    return {
        str(path.relative_to(book.photographs)): path.read_bytes()
        for path in sorted(book.photographs.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def archive(book, tmp_path):
    path = tmp_path / "book.zip"
    done = export_book(book, path)
    assert (done.photographs, done.problems) == (10, ())
    assert done.size_bytes == path.stat().st_size
    return path


def test_out_and_in_is_equal(book, archive, tmp_path):
    place = tmp_path / "new" / "stock.sqlite"
    place.parent.mkdir()
    back = import_book(archive, place)
    assert rows_of(back.path) == rows_of(book.path)
    assert photographs_of(back) == photographs_of(book)
    assert find(back) == find(book)
    assert_sound(back)
    assert sorted(p.name for p in place.parent.iterdir()) == [
        "stock.sqlite", "stock.sqlite-photographs",
    ]  # fmt: skip


def test_an_archive_is_for_other_programs_too(archive):
    with zipfile.ZipFile(archive) as opened:
        assert opened.testzip() is None
        contents = json.loads(opened.read("contents.json"))
        assert set(opened.namelist()) == {*contents["files"], "contents.json"}


def test_an_older_archive_stays_until_the_new_one_is_whole(book, archive, monkeypatch):
    from grainscan.stock import backup

    before = archive.read_bytes()

    def full(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backup, "_add", full)
    with pytest.raises(BookError, match="No space left"):
        export_book(book, archive)
    assert archive.read_bytes() == before
    assert not [p for p in archive.parent.iterdir() if p.name.startswith(".")]


def test_nothing_is_written_over(book, archive):
    before = rows_of(book.path)
    with pytest.raises(BookError, match="there is a book here already"):
        import_book(archive, book.path)
    assert rows_of(book.path) == before


def test_an_export_goes_on_past_a_missing_photograph(book, tmp_path):
    first = min(p for p in book.photographs.rglob("*") if p.is_file())
    first.unlink()
    done = export_book(book, tmp_path / "book.zip")
    assert done.photographs == 9
    assert first.stem[:12] in done.problems[0]
    back = import_book(tmp_path / "book.zip", tmp_path / "new.sqlite")
    assert rows_of(back.path) == rows_of(book.path)
    assert len(check_book(back).problems) == 1


def test_an_archive_of_an_older_schema_is_migrated(tmp_path):
    old = open_book(tmp_path / "old.sqlite", steps=MIGRATIONS[:1])
    export_book(old, tmp_path / "old.zip")
    back = import_book(tmp_path / "old.zip", tmp_path / "new.sqlite")
    assert [row[0] for row in rows_of(back.path)["migration"]] == [1, 2, 3]


def rewritten(archive, change):
    """The archive with its entries changed by a function from name and content to both."""
    with zipfile.ZipFile(archive) as opened:
        entries = [(name, opened.read(name)) for name in opened.namelist()]
    with zipfile.ZipFile(archive, "w") as target:
        for name, content in entries:
            for new_name, new_content in change(name, content):
                target.writestr(new_name, new_content)


def flip(name, content):
    damaged = name.startswith("photographs/") and content[:1]
    yield name, (bytes([content[0] ^ 1]) + content[1:] if damaged else content)


def lose_a_photograph(name, content):
    if not name.startswith("photographs/"):
        yield name, content


def lose_the_list(name, content):
    if name != "contents.json":
        yield name, content


def add_a_file(name, content):
    yield name, content
    if name == "contents.json":
        yield "more.txt", b"more"


def lead_out(name, content):
    if name == "contents.json":
        contents = json.loads(content)
        contents["files"]["../out.txt"] = {"sha256": "0" * 64, "bytes": 3}
        yield "../out.txt", b"out"
        content = json.dumps(contents)
    yield name, content


def from_the_future(name, content):
    if name == "contents.json":
        content = json.dumps({**json.loads(content), "format": 2})
    yield name, content


def no_list(name, content):
    yield name, (b"[1, 2]" if name == "contents.json" else content)


def too_long(name, content):
    yield name, (content + b"x" if name == "book.sqlite" else content)


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (flip, "the archive is damaged; nothing was imported"),
        (lose_a_photograph, "or a damaged one"),
        (lose_the_list, "or a damaged one"),
        (add_a_file, "or a damaged one"),
        (lead_out, "or a damaged one"),
        (from_the_future, "newer grainscan"),
        (no_list, "or a damaged one"),
        (too_long, "the archive is damaged; nothing was imported"),
    ],
)
def test_a_changed_archive_is_refused_and_leaves_nothing(archive, tmp_path, change, line):
    rewritten(archive, change)
    place = tmp_path / "deep" / "new.sqlite"
    place.parent.mkdir()
    with pytest.raises(BookError, match=line):
        import_book(archive, place)
    assert list(place.parent.iterdir()) == []
    assert not (tmp_path / "out.txt").exists()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_cut_archive_is_refused(archive, tmp_path, share):
    content = archive.read_bytes()
    archive.write_bytes(content[: int(share * len(content))])
    with pytest.raises(BookError, match="or a damaged one"):
        import_book(archive, tmp_path / "new.sqlite")


def test_an_archive_that_is_not_there(tmp_path):
    with pytest.raises(BookError, match="no such archive"):
        import_book(tmp_path / "none.zip", tmp_path / "new.sqlite")


def test_an_archive_with_another_database_is_refused(tmp_path):
    """Even one whose hashes are right."""
    import hashlib

    other = tmp_path / "other.sqlite"
    with contextlib.closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE blank (code)")
        connection.commit()
    content = other.read_bytes()
    entry = {"sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as target:
        target.writestr("book.sqlite", content)
        target.writestr("contents.json", json.dumps({"format": 1, "files": {"book.sqlite": entry}}))
    with pytest.raises(BookError, match="the book in this archive is damaged"):
        import_book(tmp_path / "other.zip", tmp_path / "new.sqlite")


# Checking


def test_a_whole_book(book):
    steps = []
    done = check_book(book, on_step=lambda *step: steps.append(step))
    assert (done.photographs, done.problems, done.repaired, done.unnamed) == (10, (), (), ())
    assert len(steps) == 10


def spoil(book, code, how):
    """Damage one photograph of a blank; its content before, and its path."""
    with contextlib.closing(sqlite3.connect(book.path)) as connection:
        (sha256,) = connection.execute(
            "SELECT sha256 FROM scan_photograph JOIN scan ON scan.id = scan_id JOIN blank "
            "ON blank.id = blank_id WHERE code = ? AND role = 'face_a'",
            (code,),
        ).fetchone()
    (path,) = book.photographs.glob(f"??/{sha256}.*")
    content = path.read_bytes()
    if how == "missing":
        path.unlink()
    elif how == "changed":
        path.write_bytes(content[:-1] + b"!")
    else:
        path.write_bytes(content[:-1])
    return content, path


@pytest.mark.parametrize("how", ["missing", "changed", "cut"])
def test_missing_and_changed_photographs_are_found_and_brought_back(book, tmp_path, how):
    content, path = spoil(book, "ash-26-002", how)
    done = check_book(book)
    (problem,) = done.problems
    assert (
        f"of ash-26-002 (face-a.jpg) is {'missing' if how == 'missing' else 'changed'}" in problem
    )
    done = check_book(book, photographs_from=tmp_path / "batch")
    assert done.problems == ()
    assert "brought back" in done.repaired[0]
    assert path.read_bytes() == content
    assert check_book(book).problems == ()


def test_files_that_nothing_names(book):
    stray = book.photographs / "ab" / ("ab" * 32 + ".jpg")
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"left behind")
    done = check_book(book)
    assert (done.problems, done.unnamed) == ((), (stray,))
    # A young file may be about to be named by a batch that is running.
    assert check_book(book, remove_unnamed=True).unnamed == (stray,)
    os.utime(stray, (1e9, 1e9))
    done = check_book(book, remove_unnamed=True)
    assert (done.problems, done.unnamed) == ((), ())
    assert not stray.exists()
    assert check_book(book).photographs == 10


def test_damaged_indexes_are_rebuilt(book):
    """An index that lacks rows, as after a fault of the disk or of another program."""
    with contextlib.closing(sqlite3.connect(book.path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        (sql,) = connection.execute(
            "SELECT sql FROM sqlite_schema WHERE name = 'sorting_by_scan'"
        ).fetchone()
        change = "UPDATE sqlite_schema SET sql = ? WHERE name = 'sorting_by_scan'"
        connection.execute(change, (f"{sql} WHERE scan_id > 99",))
    with contextlib.closing(sqlite3.connect(book.path, isolation_level=None)) as connection:
        connection.execute("REINDEX sorting_by_scan")
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(change, (sql,))
    before = rows_of(book.path)
    done = check_book(book)
    assert done.problems == ()
    assert "they were rebuilt" in done.repaired[0]
    assert rows_of(book.path) == before
    assert (book.path.parent / "book.sqlite.damaged").is_file()
    assert check_book(book).repaired == ()
    assert_sound(book)


def test_rows_that_lead_nowhere_are_found(book):
    with contextlib.closing(sqlite3.connect(book.path, isolation_level=None)) as connection:
        connection.execute(
            "DELETE FROM photograph WHERE sha256 IN (SELECT end_photograph FROM log)"
        )
        connection.execute("UPDATE blank SET current_sorting = 2 WHERE code = 'ash-26-001'")
        connection.execute("UPDATE blank SET current_sorting = 1 WHERE code = 'ash-26-002'")
    problems = check_book(book).problems
    assert any("of log names a photograph that is not there" in line for line in problems)
    assert sum("present answer is of another blank" in line for line in problems) == 2
