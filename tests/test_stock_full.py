"""A full disk and a folder that may not be written to: one clear line, and an unharmed book."""

import errno
import os
import shutil
import sqlite3
import subprocess
import tempfile
import warnings
from pathlib import Path

import pytest

from grainscan.errors import BookError
from grainscan.stock.blanks import save_blank
from grainscan.stock.find import find
from grainscan.stock.records import Blank
from grainscan.stock.store import open_book, writing
from tests.stock_helpers import assert_sound, rows_of, sort_folder, states, write_batch


@pytest.fixture
def book(tmp_path):
    made = open_book(tmp_path / "book.sqlite")
    sort_folder(made, write_batch(tmp_path / "batch", 2))
    return made


@pytest.mark.parametrize(
    ("number", "line"),
    [
        (errno.ENOSPC, "the disk is full. Free some space"),
        (errno.EDQUOT, "your share of the disk is used up"),
        (errno.EROFS, "photographs cannot be written here"),
        (errno.EIO, "photographs cannot be written here"),
    ],
)
def test_photographs_on_a_full_disk(book, tmp_path, monkeypatch, number, line):
    def fail(_handle):
        raise OSError(number, os.strerror(number))

    write_batch(tmp_path / "more", 2, species="oak")
    before = rows_of(book.path)
    files = sorted(book.photographs.rglob("*"))
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(BookError, match=line) as caught:
            sort_folder(book, tmp_path / "more")
    assert "\n" not in str(caught.value)
    assert rows_of(book.path) == before
    assert sorted(book.photographs.rglob("*")) == files
    assert set(states(sort_folder(book, tmp_path / "more")).values()) == {"scanned"}
    assert_sound(book)


def test_the_database_on_a_full_disk(book):
    """SQLite's own limit on the file's pages stands for the disk's."""
    before = rows_of(book.path)

    def write_much():
        with writing(book) as connection:
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {pages + 2}")
            connection.execute("UPDATE blank SET notes = ?", ("x" * 100_000,))

    with pytest.raises(BookError, match=r"the disk is full\. Free some space"):
        write_much()
    assert rows_of(book.path) == before
    assert_sound(book)


@pytest.fixture
def small_disk():
    """A disk of one megabyte, where the system lets us make one."""
    place = Path(tempfile.mkdtemp())
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)],
        capture_output=True,
        check=False,
    ) if shutil.which("mount") else None  # fmt: skip
    if done is None or done.returncode != 0:
        place.rmdir()
        pytest.skip("no disk can be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)
    place.rmdir()


def test_a_disk_that_fills_up(small_disk, tmp_path):
    """A real one: photographs and database grow until there is no room."""
    book = open_book(small_disk / "book.sqlite")
    batch = write_batch(tmp_path / "batch", 30)
    for k, file in enumerate(sorted(batch.rglob("*.jpg"))):
        file.write_bytes(file.read_bytes() + os.urandom(20_000 + k))
    with pytest.raises(BookError, match=r"full|did not take") as caught:
        sort_folder(book, batch)
    assert "\n" not in str(caught.value)
    assert_sound(book)
    kept = {line.code for line in find(book)}
    assert 5 < len(kept) < 30
    # With room again, the same book goes on.
    shutil.copytree(small_disk, tmp_path / "roomy")
    roomy = open_book(tmp_path / "roomy" / "book.sqlite")
    done = states(sort_folder(roomy, batch))
    assert {code for code, state in done.items() if state == "unchanged"} == kept
    assert len(find(roomy)) == 30
    assert_sound(roomy)


def said_to_a_guest(path):
    """What a user without root's rights is told; to root no folder is read-only."""
    reader, writer = os.pipe()
    with warnings.catch_warnings():
        # Newer Pythons warn of forks beside threads; this child only calls what is loaded.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            save_blank(open_book(path), Blank("ash-26-002"))
        except BaseException as error:
            os.write(writer, f"{type(error).__name__}: {error}".encode())
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as file:
        said = file.read()
    os.waitpid(child, 0)
    return said


@pytest.mark.skipif(not hasattr(os, "fork"), reason="rights of Unix")
@pytest.mark.parametrize("what", ["no book", "a book"])
def test_a_read_only_folder(what):
    place = Path(tempfile.mkdtemp())
    path = place / "book.sqlite"
    try:
        if what == "a book":
            save_blank(open_book(path), Blank("ash-26-001"))
            path.chmod(0o444)
        place.chmod(0o555)
        before = path.read_bytes() if path.exists() else None
        said = said_to_a_guest(path)
        assert (path.read_bytes() if path.exists() else None) == before
        assert [p.name for p in place.iterdir()] == (["book.sqlite"] if before else [])
    finally:
        place.chmod(0o755)
        shutil.rmtree(place)
    assert said.startswith(f"BookError: {path}: the book cannot be written here. Give yourself")
    assert "\n" not in said


def test_other_errors_of_the_database_are_one_line(book):
    from grainscan.stock.store import book_error

    for code in range(1, 102):
        error = sqlite3.OperationalError("database is locked\nand more")
        error.sqlite_errorcode = code
        line = str(book_error(error, book))
        if code in (5, 6):
            assert "another program keeps the book busy" in line
        assert line.startswith(str(book.path))
        assert "\n" not in line
