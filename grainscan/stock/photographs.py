"""Photographs kept as files named by their content, beside the book.

A file is written under another name, brought to the disk and then renamed, so that a file with
a photograph's name is always whole. Only then is it named in the book. A program that is ended
in between leaves a file that nothing names; `grainscan.stock.check` finds it.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import os
import re
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from grainscan.errors import BookError, PhotoError
from grainscan.stock.records import utc_now
from grainscan.stock.store import Book
from grainscan.wording import plain_name

__all__ = [
    "KeptPhotograph",
    "content_hash",
    "keep_photograph",
    "name_photograph",
    "photograph_path",
    "read_kept",
]

_CHUNK = 1 << 20
# More than any picture that can be scanned; a longer file is no photograph.
_MOST_BYTES = 400_000_000
# Endings by the first bytes, not by the name: the same content always has the same file.
_FIRST_BYTES = (
    (b"\xff\xd8\xff", 0, ".jpg"),
    (b"\x89PNG\r\n\x1a\n", 0, ".png"),
    (b"II*\x00", 0, ".tiff"),
    (b"MM\x00*", 0, ".tiff"),
    (b"WEBP", 8, ".webp"),
    (b"ftyp", 4, ".heic"),
)
_NO_PICTURE = ".unknown"
_HASH = re.compile(r"[0-9a-f]{64}")
_SUFFIX = re.compile(r"\.[a-z]{1,20}")


@dataclass(frozen=True, slots=True)
class KeptPhotograph:
    """A photograph's file in the book's folder: its content's SHA-256, ending and size."""

    sha256: str
    suffix: str
    size_bytes: int


def content_hash(source: Path | bytes) -> str:
    """SHA-256 of a file's bytes, in hexadecimal.

    Raises
    ------
    PhotoError
        It is no file, is too long to be a photograph, or cannot be read.
    """
    digest = hashlib.sha256()
    with _opened(source) as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def photograph_path(book: Book, sha256: str, suffix: str) -> Path:
    """Where a photograph lies: 256 folders, so that none grows long.

    Raises
    ------
    BookError
        Hash or ending are none: a book from elsewhere could name any file of the machine.
    """
    if not (_HASH.fullmatch(sha256) and _SUFFIX.fullmatch(suffix)):
        raise BookError(
            f"{plain_name(str(book.path))}: the book names a photograph that cannot be "
            f"({plain_name(sha256[:12])}). Bring back an export with: grainscan book import"
        )
    return book.photographs / sha256[:2] / f"{sha256}{suffix}"


def keep_photograph(
    book: Book, source: Path | bytes, name: str, *, sha256: str | None = None
) -> KeptPhotograph:
    """Write a photograph into the book's folder; it is not named in the book yet.

    Parameters
    ----------
    source
        The file, or its content.
    name
        Its own name, for messages.
    sha256
        What the content must be.

    Raises
    ------
    PhotoError
        The file cannot be read, or its content is not what it was.
    BookError
        The folder cannot be written to; nothing is left behind.
    """
    try:
        book.photographs.mkdir(exist_ok=True)
        handle, part_name = tempfile.mkstemp(dir=book.photographs, prefix=".", suffix=".part")
    except OSError as error:
        raise _not_written(book, error) from error
    part = Path(part_name)
    try:
        with os.fdopen(handle, "wb") as target:
            found, size, suffix = _copy(source, target, book)
        if sha256 is not None and found != sha256:
            raise PhotoError(
                f"{plain_name(name)}: the file was changed while it was scanned. Do it again."
            )
        place = photograph_path(book, found, suffix)
        _put_in_place(part, place, size, book)
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return KeptPhotograph(found, suffix, size)


def name_photograph(connection: sqlite3.Connection, kept: KeptPhotograph) -> None:
    """Name a photograph that was written before in the book, within a transaction."""
    connection.execute(
        "INSERT INTO photograph (sha256, suffix, bytes, added_at) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (sha256) DO NOTHING",
        (kept.sha256, kept.suffix, kept.size_bytes, utc_now()),
    )


def read_kept(book: Book, connection: sqlite3.Connection, sha256: str) -> Path:
    """The file of a photograph that the book names.

    Raises
    ------
    BookError
        The book does not name it, or its file is missing.
    """
    row = connection.execute("SELECT suffix FROM photograph WHERE sha256 = ?", (sha256,)).fetchone()
    if row is not None:
        path = photograph_path(book, sha256, row[0])
        if path.is_file():
            return path
    raise BookError(
        f"The photograph {sha256[:12]} is missing from {plain_name(str(book.photographs))}. "
        "Run: grainscan book check"
    )


def _copy(source: Path | bytes, target: IO[bytes], book: Book) -> tuple[str, int, str]:
    """Copy to the disk itself; the content's hash, size and ending."""
    digest, size, suffix = hashlib.sha256(), 0, _NO_PICTURE
    with _opened(source) as file:
        while chunk := file.read(_CHUNK):
            if size == 0:
                suffix = _suffix_of(chunk)
            digest.update(chunk)
            size += len(chunk)
            try:
                target.write(chunk)
            except OSError as error:
                raise _not_written(book, error) from error
    try:
        target.flush()
        os.fsync(target.fileno())
    except OSError as error:
        raise _not_written(book, error) from error
    return digest.hexdigest(), size, suffix


def _put_in_place(part: Path, place: Path, size: int, book: Book) -> None:
    try:
        place.parent.mkdir(exist_ok=True)
        # A file of that name and size is that photograph already.
        if not (place.is_file() and place.stat().st_size == size):
            part.chmod(0o644)
            part.replace(place)
            _sync_folder(place.parent)
    except OSError as error:
        raise _not_written(book, error) from error


def _sync_folder(folder: Path) -> None:
    """Bring a renaming to the disk, where the system can (Windows does it by itself)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def _opened(source: Path | bytes) -> Iterator[IO[bytes]]:
    if isinstance(source, bytes):
        yield io.BytesIO(source)
        return
    name = plain_name(source.name)
    try:
        # A pipe would be waited for without end, so the kind is looked at before opening.
        found = source.stat()
        if not stat.S_ISREG(found.st_mode):
            raise PhotoError(f"{name}: this is no file that can be read. Take it away.")
        if found.st_size > _MOST_BYTES:
            raise PhotoError(f"{name}: this file is too long for a photograph.")
        with source.open("rb") as file:
            yield file
    except OSError as error:
        raise PhotoError(f"{name}: the file cannot be read ({error.strerror}).") from error


def _suffix_of(start: bytes) -> str:
    for mark, at, suffix in _FIRST_BYTES:
        if start[at : at + len(mark)] == mark:
            return suffix
    return _NO_PICTURE


def _not_written(book: Book, error: OSError) -> BookError:
    line = {
        errno.ENOSPC: "the disk is full. Free some space and do it again",
        errno.EDQUOT: "your share of the disk is used up. Free some space and do it again",
        errno.EFBIG: "the disk takes no file of this size. Choose another place with --book",
    }.get(
        error.errno or 0,
        f"photographs cannot be written here ({error.strerror}). "
        "Give yourself the right to write to the folder, or choose another with --book",
    )
    return BookError(f"{plain_name(str(book.photographs))}: {line}; the book is as it was before.")
