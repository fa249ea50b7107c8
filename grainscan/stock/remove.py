"""Take a blank out of the book for good; the only place where anything is deleted."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from grainscan.errors import RecordError
from grainscan.stock.blanks import blank_id
from grainscan.stock.photographs import photograph_path
from grainscan.stock.store import Book, writing
from grainscan.wording import plain_name

__all__ = ["Removed", "remove_blank"]

_OF_SCANS = "scan_id IN (SELECT id FROM scan WHERE blank_id = ?)"


@dataclass(frozen=True, slots=True)
class Removed:
    """What was taken out: number of scans, and the photographs' files deleted."""

    scans: int
    photographs: tuple[Path, ...]


def remove_blank(book: Book, code: str, *, really: bool) -> Removed:
    """Delete a blank with all its scans, and the photographs that nothing else names.

    Raises
    ------
    RecordError
        ``really`` is False, or there is no such blank.
    BookError
        The book cannot be written.
    """
    if not really:
        raise RecordError(
            f"{plain_name(code)} would be deleted with its scans and photographs, for good. "
            "Say --really if that is meant."
        )
    with writing(book) as connection:
        number = blank_id(connection, code)
        (scans,) = connection.execute(
            "SELECT count(*) FROM scan WHERE blank_id = ?", (number,)
        ).fetchone()
        photographs = _photographs(connection, number)
        _delete_rows(connection, number)
        files = [
            photograph_path(book, sha256, suffix)
            for sha256, suffix in photographs
            if _forget_if_unnamed(connection, sha256)
        ]
    # Only after the book has let go of them: ended in between, a file too many is left.
    for file in files:
        file.unlink(missing_ok=True)
    return Removed(scans=int(scans), photographs=tuple(files))


def _photographs(connection: sqlite3.Connection, blank: int) -> list[tuple[str, str]]:
    return connection.execute(
        "SELECT DISTINCT photograph.sha256, suffix FROM photograph JOIN scan_photograph "
        f"ON scan_photograph.sha256 = photograph.sha256 WHERE {_OF_SCANS}",
        (blank,),
    ).fetchall()


def _delete_rows(connection: sqlite3.Connection, blank: int) -> None:
    for statement in (
        "UPDATE blank SET current_sorting = NULL WHERE id = ?",
        "DELETE FROM overruling WHERE blank_id = ?",
        "DELETE FROM weighing WHERE blank_id = ?",
        "DELETE FROM making WHERE blank_id = ?",
        "DELETE FROM green_size WHERE blank_id = ?",
        f"DELETE FROM correction WHERE {_OF_SCANS}",
        f"DELETE FROM scan_photograph WHERE {_OF_SCANS}",
        f"DELETE FROM sorting WHERE {_OF_SCANS}",
        "DELETE FROM scan WHERE blank_id = ?",
        "DELETE FROM blank WHERE id = ?",
    ):
        connection.execute(statement, (blank,))


def _forget_if_unnamed(connection: sqlite3.Connection, sha256: str) -> bool:
    cursor = connection.execute(
        "DELETE FROM photograph WHERE sha256 = ?1 "
        "AND NOT EXISTS (SELECT 1 FROM scan_photograph WHERE sha256 = ?1) "
        "AND NOT EXISTS (SELECT 1 FROM log WHERE end_photograph = ?1)",
        (sha256,),
    )
    return cursor.rowcount == 1
