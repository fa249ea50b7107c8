"""The whole book in one archive, and back.

The archive is a ZIP file: ``contents.json`` with the SHA-256 and the size of every other file,
``book.sqlite``, and the photographs under the names that they have in the book's folder.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import sqlite3
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from grainscan.errors import BookError, GrainscanError
from grainscan.from_files import parse_json
from grainscan.scan import OnStep
from grainscan.stock.migrations import APPLICATION_ID
from grainscan.stock.photographs import content_hash, photograph_path
from grainscan.stock.place import book_path
from grainscan.stock.records import utc_now
from grainscan.stock.store import FOREIGN_PARTS, Book, copy_database, open_book, reading
from grainscan.wording import plain_name

__all__ = ["Exported", "export_book", "import_book"]

_FORMAT = 1
_CONTENTS = "contents.json"
_DATABASE = "book.sqlite"
_PHOTOGRAPH = re.compile(r"photographs/([0-9a-f]{2})/(\1[0-9a-f]{62})\.[a-z]+")
_CHUNK = 1 << 20
# zlib.error: packed bytes that are none. RuntimeError: locked with a password. ValueError: a name
# or a date that cannot be.
_UNREADABLE = (
    zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError,
)  # fmt: skip
# The list of a hundred thousand photographs; a longer one is no list of ours.
_MOST_CONTENTS_BYTES = 20_000_000
# Deflate makes at most a thousandth of a file; no book is packed better than to a hundredth.
_MOST_PACKED = 100
_SMALL_BYTES = 10_000_000


@dataclass(frozen=True, slots=True)
class Exported:
    """What went into an archive; ``problems``: photographs that were missing or changed."""

    photographs: int
    size_bytes: int
    problems: tuple[str, ...]


def export_book(book: Book, archive: Path, *, on_step: OnStep | None = None) -> Exported:
    """Write the book as of this moment, with all photographs that it names, into one file.

    The archive is written under another name and then put in its place, so that an older one
    stays until the new one is whole. A photograph that is missing or changed is left out, with
    a line.

    Raises
    ------
    BookError
        The archive cannot be written, or the book cannot be read.
    """
    problems: list[str] = []
    files: dict[str, dict[str, Any]] = {}
    try:
        with tempfile.TemporaryDirectory(dir=archive.parent, prefix=".export-") as folder:
            part = Path(folder) / "archive.zip"
            snapshot = Path(folder) / _DATABASE
            copy_database(book, snapshot)
            named = _named(Book(snapshot))
            with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED, allowZip64=True) as target:
                files[_DATABASE] = _add(target, snapshot, _DATABASE, zipfile.ZIP_DEFLATED)
                for number, (sha256, suffix) in enumerate(named):
                    if on_step is not None:
                        on_step(number, len(named), "photographs")
                    path = photograph_path(book, sha256, suffix)
                    name = f"photographs/{sha256[:2]}/{sha256}{suffix}"
                    if not path.is_file() or _sha256(path) != sha256:
                        problems.append(
                            f"The photograph {sha256[:12]} is missing or changed and was left "
                            "out. Run: grainscan book check"
                        )
                        continue
                    files[name] = _add(target, path, name, zipfile.ZIP_STORED)
                contents = {"format": _FORMAT, "made_at": utc_now(), "files": files}
                target.writestr(_CONTENTS, json.dumps(contents), zipfile.ZIP_DEFLATED)
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            size = part.stat().st_size
            part.replace(archive)
    except OSError as error:
        raise BookError(
            f"{plain_name(str(archive))}: the archive cannot be written ({error.strerror}). "
            "Free some space or choose another folder."
        ) from error
    return Exported(len(files) - 1, size, tuple(problems))


def import_book(
    archive: Path, path: Path | str | None = None, *, on_step: OnStep | None = None
) -> Book:
    """Bring a book back from an archive, into a place where there is none.

    Everything is checked before the book is put in its place: every hash and size, the
    database's own integrity, and that nothing else is in the archive.

    Raises
    ------
    BookError
        There is a book already, the archive is damaged or is none, or the place cannot be
        written to; nothing is left behind.
    """
    book = Book(book_path(path))
    shown = plain_name(str(book.path))
    if book.path.exists() or book.photographs.exists():
        raise BookError(
            f"{shown}: there is a book here already. Import into another place with --book, or "
            "move this one away first."
        )
    try:
        if path is None:
            book.path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=book.path.parent, prefix=".import-") as name:
            folder = Path(name)
            _unpack(archive, folder, on_step)
            _check_database(folder / _DATABASE, archive)
            photographs = folder / "photographs"
            photographs.mkdir(exist_ok=True)
            photographs.rename(book.photographs)
            # The database comes last: with it there is a book.
            (folder / _DATABASE).rename(book.path)
    except OSError as error:
        raise BookError(
            f"{shown}: the book cannot be written here ({error.strerror or error}). "
            "Choose another place with --book."
        ) from error
    return open_book(book.path, create=False)


def _add(target: zipfile.ZipFile, path: Path, name: str, how: int) -> dict[str, Any]:
    digest, size = hashlib.sha256(), 0
    # No file times: equal books give equal entries.
    info = zipfile.ZipInfo(name)
    info.compress_type = how
    info.external_attr = 0o644 << 16
    with path.open("rb") as source, target.open(info, "w", force_zip64=True) as entry:
        while chunk := source.read(_CHUNK):
            entry.write(chunk)
            digest.update(chunk)
            size += len(chunk)
    return {"sha256": digest.hexdigest(), "bytes": size}


def _named(book: Book) -> list[tuple[str, str]]:
    with reading(book) as connection:
        return connection.execute(
            "SELECT sha256, suffix FROM photograph ORDER BY sha256"
        ).fetchall()


def _unpack(archive: Path, folder: Path, on_step: OnStep | None) -> None:
    shown = plain_name(archive.name)
    try:
        # Opening a pipe would wait for its other end.
        if not stat.S_ISREG(archive.stat().st_mode):
            raise BookError(f"{shown}: this is no ordinary file. Give an archive's file.")
        with zipfile.ZipFile(archive) as source:
            files = _contents(source, shown)
            for number, (name, expected) in enumerate(files.items()):
                if on_step is not None:
                    on_step(number, len(files), "files")
                target = folder / name
                target.parent.mkdir(parents=True, exist_ok=True)
                with source.open(name) as entry, target.open("xb") as file:
                    _copy_checked(entry, file, expected, shown)
    except FileNotFoundError as error:
        raise BookError(f"{shown}: there is no such archive. Check the name.") from error
    except _UNREADABLE as error:
        raise BookError(
            f"{shown}: this is no archive of a stock book, or a damaged one."
        ) from error


def _contents(source: zipfile.ZipFile, shown: str) -> Mapping[str, Mapping[str, Any]]:
    """The archive's own list, checked against what is in it."""
    names = source.namelist()
    damaged = BookError(f"{shown}: this is no archive of a stock book, or a damaged one.")
    if _CONTENTS not in names or source.getinfo(_CONTENTS).file_size > _MOST_CONTENTS_BYTES:
        raise damaged
    try:
        contents = parse_json(source.read(_CONTENTS))
        files = contents["files"]
        if contents["format"] != _FORMAT:
            raise BookError(
                f"{shown}: this archive was written by a newer grainscan. Update grainscan."
            )
        whole = {
            name: {"sha256": str(entry["sha256"]), "bytes": int(entry["bytes"])}
            for name, entry in files.items()
        }
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise damaged from error
    if not all(_honest(info) for info in source.infolist()):
        raise damaged
    # Only the names that an export gives: no path leads out of the folder.
    fits = all(name == _DATABASE or _PHOTOGRAPH.fullmatch(name) for name in whole)
    if not fits or _DATABASE not in whole or sorted(names) != sorted([*whole, _CONTENTS]):
        raise damaged
    return whole


def _honest(info: zipfile.ZipInfo) -> bool:
    """Whether a file unpacks to no more than an export's would: an archive can fill a disk."""
    if _PHOTOGRAPH.fullmatch(info.filename):
        return info.compress_type == zipfile.ZIP_STORED
    return info.file_size <= _SMALL_BYTES + _MOST_PACKED * info.compress_size


def _copy_checked(
    entry: IO[bytes], file: IO[bytes], expected: Mapping[str, Any], shown: str
) -> None:
    digest, size = hashlib.sha256(), 0
    while chunk := entry.read(_CHUNK):
        size += len(chunk)
        if size > expected["bytes"]:
            break
        digest.update(chunk)
        file.write(chunk)
    if size != expected["bytes"] or digest.hexdigest() != expected["sha256"]:
        raise BookError(f"{shown}: the archive is damaged; nothing was imported.")
    file.flush()
    os.fsync(file.fileno())


def _check_database(path: Path, archive: Path) -> None:
    line = f"{plain_name(archive.name)}: the book in this archive is damaged; nothing was imported."
    try:
        with contextlib.closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA trusted_schema = OFF")
            mark = connection.execute("PRAGMA application_id").fetchone()
            foreign = connection.execute(FOREIGN_PARTS).fetchone()
            whole = connection.execute("PRAGMA integrity_check").fetchall()
            astray = connection.execute("PRAGMA foreign_key_check").fetchall()
    except sqlite3.Error as error:
        raise BookError(line) from error
    if mark != (APPLICATION_ID,) or whole != [("ok",)] or astray or foreign != (0,):
        raise BookError(line)


def _sha256(path: Path) -> str:
    try:
        return content_hash(path)
    except GrainscanError:
        return ""
