"""Open the stock book: one SQLite file, and the photographs in a folder beside it.

Connections are short: one per reading or writing, closed at its end, so that a page, a batch
and a command line may use the same book at once. Every writing is one transaction that takes
the write lock at its start; others wait for it.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from grainscan.errors import BookError
from grainscan.stock.migrations import (
    APPLICATION_ID,
    MIGRATIONS,
    Migration,
    migrate,
    schema_version,
)
from grainscan.stock.place import book_path
from grainscan.wording import plain_name

__all__ = ["Book", "book_error", "copy_database", "held_open", "open_book", "reading", "writing"]

# A batch holds the write lock for some milliseconds per blank; a minute is never reached
# unless another program was stopped in the middle of something.
_BUSY_SECONDS = 60.0
# In WAL mode NORMAL may lose the last transactions when the power fails.
_SYNCHRONOUS = "FULL"
# STRICT tables came with 3.37, JSON functions in every build with 3.38.
_OLDEST_SQLITE = (3, 38)


@dataclass(frozen=True, slots=True)
class Book:
    """A stock book that was opened and found usable; the file itself is not kept open."""

    path: Path

    @property
    def photographs(self) -> Path:
        """The folder beside the file that holds the photographs."""
        return self.path.with_name(self.path.name + "-photographs")


def open_book(
    path: Path | str | None = None,
    *,
    create: bool = True,
    steps: Sequence[Migration] = MIGRATIONS,
) -> Book:
    """Open the book, making or updating it if need be.

    Parameters
    ----------
    path
        The book's file; by default as `grainscan.stock.place.book_path` says.
    create
        Whether a missing book is made.
    steps
        The schema; for tests.

    Returns
    -------
    Book
        Its schema is that of this program. A book of an older schema has been copied to a
        file beside it, named after that version, before it was brought up to date.

    Raises
    ------
    BookError
        The file is missing and not to be made, is no stock book, is damaged, was made by a
        newer program, or cannot be read or written.
    """
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        raise BookError(
            f"This Python comes with SQLite {sqlite3.sqlite_version}; the stock book needs "
            f"{'.'.join(map(str, _OLDEST_SQLITE))} or newer. Install a newer Python."
        )
    book = Book(book_path(path))
    if not book.path.exists():
        if not create:
            raise BookError(
                f"{_shown(book)}: there is no stock book here yet. Sort a folder or add a blank "
                "to begin one, or name another with --book."
            )
        _make_folder(book, default=path is None)
    try:
        with contextlib.closing(_connect(book, create=create)) as connection:
            # Looked at before anything is set: another program's database stays as it is.
            _check_kind(connection, book, steps)
            _use_wal(connection)
            if schema_version(connection) < steps[-1].number:
                _update(connection, book, steps)
    except sqlite3.Error as error:
        raise book_error(error, book) from error
    return book


@contextlib.contextmanager
def reading(book: Book) -> Iterator[sqlite3.Connection]:
    """A connection for reading; everything read through it is of one moment.

    Raises
    ------
    BookError
        The book cannot be read.
    """
    try:
        with contextlib.closing(_connect(book)) as connection:
            connection.execute("BEGIN")
            yield connection
            connection.execute("ROLLBACK")
    except sqlite3.Error as error:
        raise book_error(error, book) from error


@contextlib.contextmanager
def writing(book: Book) -> Iterator[sqlite3.Connection]:
    """A connection for writing: all of it is kept, or nothing if anything is raised.

    Raises
    ------
    BookError
        The book cannot be written.
    """
    try:
        with contextlib.closing(_connect(book)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
    except sqlite3.Error as error:
        raise book_error(error, book) from error


@contextlib.contextmanager
def held_open(book: Book) -> Iterator[None]:
    """Keep the file open through many short connections.

    The last connection to close writes the log back into the file and deletes it; for each
    blank of a batch that would be as much work again.

    Raises
    ------
    BookError
        The book cannot be read.
    """
    try:
        connection = _connect(book)
    except sqlite3.Error as error:
        raise book_error(error, book) from error
    with contextlib.closing(connection):
        # The file is opened by the first look into it.
        connection.execute("PRAGMA schema_version").fetchone()
        yield


def copy_database(book: Book, target: Path) -> None:
    """Copy the database as of one moment, whole, to a file; it then stands by itself.

    Raises
    ------
    BookError
        The book cannot be read, or the copy cannot be written.
    """
    part = target.with_name(f".{target.name}.part")
    try:
        part.unlink(missing_ok=True)
        with (
            contextlib.closing(_connect(book)) as source,
            contextlib.closing(sqlite3.connect(part)) as copy,
        ):
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
        part.replace(target)
    except sqlite3.Error as error:
        raise book_error(error, Book(target)) from error
    except OSError as error:
        raise BookError(
            f"{plain_name(str(target))}: cannot be written ({error.strerror}). "
            "Free some space or choose another folder."
        ) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def book_error(error: sqlite3.Error, book: Book) -> BookError:
    """What SQLite reports, as one line that says what to do."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    said = plain_name(" ".join(str(error).split()))
    busy = "another program keeps the book busy. Close it, or wait, and do it again."
    lines = {
        sqlite3.SQLITE_FULL: "the disk is full. Free some space and do it again; nothing in the "
        "book is lost.",
        sqlite3.SQLITE_BUSY: busy,
        sqlite3.SQLITE_LOCKED: busy,
        sqlite3.SQLITE_READONLY: _NOT_WRITABLE,
        sqlite3.SQLITE_PERM: _NOT_WRITABLE,
        sqlite3.SQLITE_CANTOPEN: _cannot_open(book),
        sqlite3.SQLITE_NOTADB: "this file is no stock book. Name the right one with --book.",
        sqlite3.SQLITE_CORRUPT: "the book is damaged. Run: grainscan book check; or bring back "
        "an export with: grainscan book import.",
        sqlite3.SQLITE_IOERR: "the disk did not take or give what was asked for. Check that it "
        "is not full or failing, and do it again; what was in the book before is kept.",
        sqlite3.SQLITE_TOOBIG: "this is too large for the book.",
        sqlite3.SQLITE_NOMEM: "there is too little memory. Close other programs and do it again.",
        sqlite3.SQLITE_CONSTRAINT: f"the book does not take this ({said}).",
    }
    line = lines.get(primary or -1, f"the book cannot be used ({said}).")
    return BookError(f"{_shown(book)}: {line}")


# They would be run by ordinary reading and writing; no schema of ours has any.
FOREIGN_PARTS = "SELECT count(*) FROM sqlite_schema WHERE type NOT IN ('table', 'index')"

_NOT_WRITABLE = (
    "the book cannot be written here. Give yourself the right to write to its folder, or copy "
    "the book to another."
)


def _cannot_open(book: Book) -> str:
    folder = book.path.parent
    if not folder.is_dir():
        return "there is no such folder. Check the name."
    if book.path.is_dir():
        return "this is a folder. Give the name of the book's file."
    return _NOT_WRITABLE if not os.access(folder, os.W_OK) else "the book cannot be opened."


def _connect(book: Book, *, create: bool = False) -> sqlite3.Connection:
    mode = "rwc" if create else "rw"
    connection = sqlite3.connect(
        f"{book.path.absolute().as_uri()}?mode={mode}",
        uri=True,
        timeout=_BUSY_SECONDS,
        # Transactions are begun and ended here, in plain sight.
        isolation_level=None,
    )
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute(f"PRAGMA synchronous = {_SYNCHRONOUS}")
    except BaseException:
        connection.close()
        raise
    return connection


def _use_wal(connection: sqlite3.Connection) -> None:
    """Switch the file to a write-ahead log; it stays so, and then this only looks.

    The switch itself does not wait for others, whatever the timeout, so the waiting is here.
    """
    if connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
        return
    give_up = time.monotonic() + _BUSY_SECONDS
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            busy = error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
            if not busy or time.monotonic() > give_up:
                raise
            time.sleep(0.02)


def _check_kind(connection: sqlite3.Connection, book: Book, steps: Sequence[Migration]) -> None:
    """Refuse another program's database and a newer book; an empty file is taken."""
    connection.execute("BEGIN")
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    (foreign,) = connection.execute(FOREIGN_PARTS).fetchone()
    version = schema_version(connection) if tables else 0
    connection.execute("ROLLBACK")
    if tables and mark != APPLICATION_ID:
        raise BookError(
            f"{_shown(book)}: this is a database, but no stock book. "
            "Name the right one with --book."
        )
    if foreign:
        raise BookError(
            f"{_shown(book)}: this book holds triggers or views, which grainscan never writes. "
            "It was changed by something else; bring back an export with: grainscan book import"
        )
    if version > steps[-1].number:
        raise BookError(
            f"{_shown(book)}: this book was written by a newer grainscan (schema {version}; this "
            f"one knows {steps[-1].number}). Update grainscan; the book is left as it is."
        )


def _update(connection: sqlite3.Connection, book: Book, steps: Sequence[Migration]) -> None:
    def copy_first(version: int) -> None:
        # A book that is only being made has nothing to copy.
        if version > 0:
            copy_database(book, _free_name(book, version))

    migrate(connection, steps, before=copy_first)


def _free_name(book: Book, version: int) -> Path:
    name = f"{book.path.name}.schema-{version}"
    target, count = book.path.with_name(name), 1
    while target.exists():
        count += 1
        target = book.path.with_name(f"{name}-{count}")
    return target


def _make_folder(book: Book, *, default: bool) -> None:
    """The default folder is made; a folder that was typed must exist, for it may be a slip."""
    folder = book.path.parent
    if folder.is_dir():
        return
    if not default:
        raise BookError(
            f"{_shown(book)}: there is no such folder. Make it first, or check the name."
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BookError(
            f"{plain_name(str(folder))}: the folder cannot be made ({error.strerror}). "
            "Name another place with --book."
        ) from error


def _shown(book: Book) -> str:
    return plain_name(str(book.path))
