"""The size to leave green for a part, kept on the record of the blank it is made from."""

from __future__ import annotations

from dataclasses import dataclass

from grainscan.stock.as_json import from_json, to_json
from grainscan.stock.blanks import blank_id
from grainscan.stock.records import check_text, utc_now
from grainscan.stock.store import Book, reading, writing
from grainscan.workshop.leave_green import GreenPlan

__all__ = ["KeptGreenSize", "add_green_size", "green_sizes_of"]


@dataclass(frozen=True, slots=True)
class KeptGreenSize:
    """A size to leave green, when it was worked out, and by whom."""

    planned_at: str
    plan: GreenPlan
    who: str | None = None


def add_green_size(book: Book, code: str, plan: GreenPlan, *, who: str | None = None) -> None:
    """Keep a size to leave green on a blank's record; earlier ones stay beside it.

    Raises
    ------
    RecordError
        There is no such blank.
    BookError
        The book cannot be written.
    """
    values = (utc_now(), to_json(plan), check_text(who, "Who worked it out"))
    with writing(book) as connection:
        connection.execute(
            "INSERT INTO green_size (blank_id, planned_at, plan, who) VALUES (?, ?, ?, ?)",
            (blank_id(connection, code), *values),
        )


def green_sizes_of(book: Book, code: str) -> tuple[KeptGreenSize, ...]:
    """Every size kept for a blank, oldest first. Raises RecordError, BookError."""
    with reading(book) as connection:
        rows = connection.execute(
            "SELECT planned_at, plan, who FROM green_size WHERE blank_id = ? ORDER BY id",
            (blank_id(connection, code),),
        ).fetchall()
    return tuple(KeptGreenSize(at, from_json(GreenPlan, text), who) for at, text, who in rows)
