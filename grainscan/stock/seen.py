"""Content hashes of files, remembered while the files stay untouched."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from grainscan.errors import PhotoError
from grainscan.stock.photographs import content_hash
from grainscan.wording import plain_name

__all__ = ["SeenFile", "look_at", "remember_in"]

# A file written again within one tick of its disk's clock keeps its times. The coarsest ticks
# in use are the two seconds of FAT, so younger files are not trusted by their times.
_COARSEST_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class SeenFile:
    """A file's content hash, with the size and the times it had; ``known``: not read again."""

    path: str
    size_bytes: int
    modified_ns: int
    changed_ns: int
    seen_ns: int
    sha256: str
    known: bool


def look_at(connection: sqlite3.Connection, path: Path) -> SeenFile:
    """The file's content hash, from memory if its size and times are what they were.

    Raises
    ------
    PhotoError
        It cannot be read as a file.
    """
    now = time.time_ns()
    try:
        place = str(path.resolve())
        found = path.stat()
    except OSError as error:
        raise PhotoError(
            f"{plain_name(path.name)}: the file cannot be read ({error.strerror})."
        ) from error
    marks = (found.st_size, found.st_mtime_ns, found.st_ctime_ns)
    row = connection.execute(
        "SELECT bytes, modified_ns, changed_ns, seen_ns, sha256 FROM file_seen WHERE path = ?",
        (place,),
    ).fetchone()
    if row is not None and row[:3] == marks and max(marks[1:]) + _COARSEST_NS < row[3]:
        return SeenFile(place, *marks, seen_ns=row[3], sha256=row[4], known=True)
    return SeenFile(place, *marks, seen_ns=now, sha256=content_hash(path), known=False)


def remember_in(connection: sqlite3.Connection, files: Iterable[SeenFile]) -> None:
    """Remember files that were read, within a transaction."""
    connection.executemany(
        "INSERT OR REPLACE INTO file_seen (path, bytes, modified_ns, changed_ns, seen_ns, sha256) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [
            (file.path, file.size_bytes, file.modified_ns, file.changed_ns, file.seen_ns,
             file.sha256)
            for file in files
            if not file.known
        ],
    )  # fmt: skip
