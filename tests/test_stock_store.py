"""Opening the book: place, schema, older and newer books, files that are none, waiting."""

import contextlib
import hashlib
import multiprocessing
import sqlite3
import time

import pytest

from grainscan.errors import BookError, RecordError
from grainscan.stock import store
from grainscan.stock.blanks import get_blank, save_blank
from grainscan.stock.migrations import MIGRATIONS, Migration, schema_version
from grainscan.stock.place import BOOK_VARIABLE, book_path
from grainscan.stock.records import Blank
from grainscan.stock.store import Book, open_book, reading, writing
from tests.stock_helpers import rows_of


def content(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_place(tmp_path, monkeypatch):
    import platformdirs

    monkeypatch.delenv(BOOK_VARIABLE, raising=False)
    own = platformdirs.user_data_path("grainscan", appauthor=False)
    assert book_path().parent == own
    monkeypatch.setenv(BOOK_VARIABLE, str(tmp_path / "named"))
    assert book_path() == tmp_path / "named"
    assert book_path(tmp_path / "given") == tmp_path / "given"


def test_the_default_folder_is_made(tmp_path, monkeypatch):
    monkeypatch.delenv(BOOK_VARIABLE, raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path))
    book = open_book()
    assert book.path.is_file()
    assert tmp_path in book.path.parents


def test_a_new_book(tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    with reading(book) as connection:
        assert schema_version(connection) == MIGRATIONS[-1].number
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
        done = connection.execute("SELECT number, name FROM migration ORDER BY number").fetchall()
    assert done == [(step.number, step.name) for step in MIGRATIONS]
    assert open_book(book.path) == book
    left = sorted(p.name for p in tmp_path.iterdir())
    assert left == ["book.sqlite"]


def test_steps_are_numbered_from_one():
    assert [step.number for step in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_keys_and_constraints_are_kept_by_the_database(tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    save_blank(book, Blank("ash-26-001"))
    for wrong in (
        "UPDATE blank SET log_id = 99",
        "UPDATE blank SET width_mm = -1",
        "UPDATE blank SET made = 'grown'",
        "UPDATE blank SET made_on = '2026-02-30'",
        "UPDATE blank SET width_mm = 'wide'",
        "INSERT INTO blank (code, added_at) VALUES ('ASH-26-001', '')",
        "INSERT INTO weighing (blank_id, weighed_on) VALUES (1, '2026-03-01')",
        "INSERT INTO photograph VALUES ('abc', '.jpg', 3, '')",
    ):
        before = rows_of(book.path)
        with pytest.raises(BookError, match="does not take"), writing(book) as connection:
            connection.execute(wrong)
        assert rows_of(book.path) == before


def add_and_fail(connection):
    connection.execute("INSERT INTO blank (code, added_at) VALUES ('ash-26-001', '')")
    assert connection.execute("SELECT count(*) FROM blank").fetchone() == (1,)
    raise ZeroDivisionError


def test_writing_is_all_or_nothing(tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    before = rows_of(book.path)
    with pytest.raises(ZeroDivisionError), writing(book) as connection:
        add_and_fail(connection)
    assert rows_of(book.path) == before


def test_a_missing_book_is_not_made_by_reading(tmp_path):
    with pytest.raises(BookError, match=r"no stock book here yet.*--book"):
        open_book(tmp_path / "book.sqlite", create=False)
    with pytest.raises(BookError, match="no such folder"):
        open_book(tmp_path / "nowhere" / "book.sqlite")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_is_no_book(tmp_path):
    with pytest.raises(BookError, match="this is a folder"):
        open_book(tmp_path)


@pytest.mark.parametrize("text", ["not a book " * 100, "short"])
def test_another_file_is_left_as_it_is(tmp_path, text):
    path = tmp_path / "notes.txt"
    path.write_text(text)
    with pytest.raises(BookError, match="no stock book"):
        open_book(path)
    assert path.read_text() == text


def test_another_programs_database_is_left_as_it_is(tmp_path):
    path = tmp_path / "other.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE photograph (name)")
        connection.commit()
    before = content(path)
    with pytest.raises(BookError, match="but no stock book"):
        open_book(path)
    assert content(path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["other.sqlite"]


def test_a_damaged_book_is_one_line(tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    whole = bytearray(book.path.read_bytes())
    whole[100:4096] = bytes(3996)
    book.path.write_bytes(whole)
    with pytest.raises(BookError, match="damaged"):
        open_book(book.path)


def test_an_older_book_is_migrated_and_a_copy_kept(tmp_path):
    path = tmp_path / "book.sqlite"
    old = open_book(path, steps=MIGRATIONS[:1])
    save_blank(old, Blank("ash-26-001", species="ash", length_mm=430.0))
    before = rows_of(path)
    book = open_book(path)
    assert get_blank(book, "ash-26-001").length_mm == 430.0
    after = rows_of(path)
    assert {
        name: rows for name, rows in after.items() if name in before and name != "migration"
    } == {name: rows for name, rows in before.items() if name != "migration"}
    copy = tmp_path / "book.sqlite.schema-1"
    assert rows_of(copy) == before
    with contextlib.closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    # A second older book of that name does not take the first one's copy away.
    path.unlink()
    open_book(path, steps=MIGRATIONS[:1])
    open_book(path)
    assert (tmp_path / "book.sqlite.schema-1-2").is_file()
    assert rows_of(copy) == before


def test_a_step_that_fails_leaves_the_book_as_it_was(tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    save_blank(book, Blank("ash-26-001"))
    before = rows_of(book.path)
    bad = Migration(len(MIGRATIONS) + 1, "bad", ("CREATE TABLE more (a)", "SELECT no_such_thing"))
    with pytest.raises(BookError):
        open_book(book.path, steps=(*MIGRATIONS, bad))
    assert rows_of(book.path) == before
    assert get_blank(open_book(book.path), "ash-26-001").code == "ash-26-001"


def test_a_newer_book_is_refused_in_words(tmp_path):
    path = tmp_path / "book.sqlite"
    newer = Migration(len(MIGRATIONS) + 1, "from the future", ("CREATE TABLE future (a)",))
    open_book(path, steps=(*MIGRATIONS, newer))
    before = content(path)
    with pytest.raises(BookError, match=r"newer grainscan \(schema 4; this one knows 3\)"):
        open_book(path)
    assert content(path) == before


def test_a_busy_book_is_said_in_words(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "_BUSY_SECONDS", 0.05)
    book = open_book(tmp_path / "book.sqlite")
    with contextlib.closing(sqlite3.connect(book.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BookError, match="another program keeps the book busy") as caught:
            save_blank(book, Blank("ash-26-001"))
        assert "locked" not in str(caught.value)
        # Reading goes on beside a writer.
        with pytest.raises(RecordError, match="no blank"):
            get_blank(book, "ash-26-001")


def open_and_add(path, start, number):
    start.wait()
    save_blank(open_book(path), Blank(f"ash-26-{number:03d}"))


def test_made_by_several_processes_at_once(tmp_path):
    context = multiprocessing.get_context("spawn")
    path = tmp_path / "book.sqlite"
    start = context.Barrier(3)
    processes = [
        context.Process(target=open_and_add, args=(path, start, number)) for number in range(3)
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    assert [process.exitcode for process in processes] == [0, 0, 0]
    book = open_book(path)
    assert [get_blank(book, f"ash-26-{n:03d}").code for n in range(3)]
    assert [p.name for p in tmp_path.iterdir()] == ["book.sqlite"]


def test_opening_is_immediate(tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    times = []
    for _ in range(5):
        start = time.perf_counter()
        open_book(book.path)
        times.append(time.perf_counter() - start)
    assert min(times) < 0.3


def test_old_sqlite_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 31, 1))
    with pytest.raises(BookError, match="newer Python"):
        open_book(tmp_path / "book.sqlite")


def test_photographs_lie_beside_the_book(tmp_path):
    assert Book(tmp_path / "b.sqlite").photographs == tmp_path / "b.sqlite-photographs"
