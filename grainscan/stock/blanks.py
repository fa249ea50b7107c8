"""Logs and blanks: what people write about them."""

from __future__ import annotations

import dataclasses
import datetime
import re
import sqlite3
from collections.abc import Mapping
from typing import Any

from grainscan.errors import RecordError
from grainscan.results import BlankRecord
from grainscan.stock.photographs import KeptPhotograph, name_photograph
from grainscan.stock.records import (
    Blank,
    Log,
    check_choice,
    check_code,
    check_date,
    check_felled,
    check_number,
    check_text,
    utc_now,
)
from grainscan.stock.store import Book, reading, writing
from grainscan.wording import plain_name

__all__ = [
    "blank_id",
    "checked_blank",
    "checked_log",
    "get_blank",
    "get_blank_in",
    "get_log",
    "list_blanks",
    "list_logs",
    "next_code",
    "put_blank_in",
    "put_log_in",
    "record_of",
    "save_blank",
    "save_log",
]

# Longer than any log; a larger number is a slip of unit.
_LONGEST_MM = 50_000.0
_BLANK = "SELECT blank.*, log.code AS log FROM blank LEFT JOIN log ON log.id = blank.log_id"


def save_log(book: Book, log: Log, *, end_photograph: KeptPhotograph | None = None) -> Log:
    """Add a log, or change what the book says of it.

    A field that is None leaves what is there; nothing is taken away by it. Returns the log as
    the book has it then. Raises RecordError for a wrong entry, BookError.
    """
    log = checked_log(log)
    with writing(book) as connection:
        if end_photograph is not None:
            name_photograph(connection, end_photograph)
            log = dataclasses.replace(log, end_photograph=end_photograph.sha256)
        put_log_in(connection, log)
        return _get_log_in(connection, log.code)


def get_log(book: Book, code: str) -> Log:
    """The log of that code. Raises RecordError if there is none, BookError."""
    with reading(book) as connection:
        return _get_log_in(connection, code)


def list_logs(book: Book) -> tuple[Log, ...]:
    """All logs, by code."""
    with reading(book) as connection:
        rows = _rows(connection, "SELECT * FROM log ORDER BY code")
    return tuple(_log(row) for row in rows)


def save_blank(book: Book, blank: Blank) -> Blank:
    """Add a blank, or change what the book says of it; as `save_log`."""
    blank = checked_blank(blank)
    with writing(book) as connection:
        put_blank_in(connection, blank)
        return get_blank_in(connection, blank.code)


def get_blank(book: Book, code: str) -> Blank:
    """The blank of that code. Raises RecordError if there is none, BookError."""
    with reading(book) as connection:
        return get_blank_in(connection, code)


def list_blanks(book: Book) -> tuple[Blank, ...]:
    """All blanks, by code."""
    with reading(book) as connection:
        rows = _rows(connection, f"{_BLANK} ORDER BY blank.code")
    return tuple(_blank(row) for row in rows)


def next_code(book: Book, species: str, *, year: int | None = None) -> str:
    """The next free code of a species and year, such as ``ash-26-014``.

    Raises
    ------
    RecordError
        The species has no letter to begin a code with.
    """
    letters = re.sub(r"[^\w]+", "-", species.lower()).strip("-_")
    if not letters:
        raise RecordError("Name the species, such as ash, to make a code from.")
    year = datetime.date.today().year if year is None else year
    start = f"{letters}-{year % 100:02d}-"
    with reading(book) as connection:
        codes = connection.execute("SELECT code FROM blank").fetchall()
    numbers = [
        int(code[len(start) :])
        for (code,) in codes
        if code.lower().startswith(start) and re.fullmatch(r"\d{1,9}", code[len(start) :], re.A)
    ]
    return f"{start}{max(numbers, default=0) + 1:03d}"


def checked_log(log: Log) -> Log:
    """The log with its texts tidied. Raises RecordError for a wrong entry."""
    return Log(
        code=check_code(log.code, "The log's code"),
        species=check_text(log.species, "The species"),
        felled=check_felled(log.felled),
        origin=check_text(log.origin, "Where the log is from"),
        notes=check_text(log.notes, "The notes", many_lines=True),
        end_photograph=log.end_photograph,
    )


def checked_blank(blank: Blank) -> Blank:
    """The blank with its texts tidied. Raises RecordError for a wrong entry."""
    made = check_choice(blank.made, "How it was made", ("riven", "sawn"))
    return Blank(
        code=check_code(blank.code),
        log=None if blank.log is None else check_code(blank.log, "The log's code"),
        species=check_text(blank.species, "The species"),
        width_mm=check_number(blank.width_mm, "The width in mm", most=_LONGEST_MM),
        height_mm=check_number(blank.height_mm, "The height in mm", most=_LONGEST_MM),
        length_mm=check_number(blank.length_mm, "The length in mm", most=_LONGEST_MM),
        made="riven" if made == "riven" else "sawn" if made == "sawn" else None,
        made_on=check_date(blank.made_on, "The date of making"),
        made_by=check_text(blank.made_by, "Who made it"),
        rack=check_text(blank.rack, "The place on the rack"),
        part=check_text(blank.part, "The part"),
        notes=check_text(blank.notes, "The notes", many_lines=True),
    )


def put_log_in(connection: sqlite3.Connection, log: Log) -> None:
    """Write a checked log within a transaction."""
    _put(connection, "log", _known(log))


def put_blank_in(connection: sqlite3.Connection, blank: Blank) -> int:
    """Write a checked blank within a transaction; its row number.

    Raises
    ------
    RecordError
        Its log is not in the book.
    """
    values = _known(blank)
    if "log" in values:
        values["log_id"] = _log_id(connection, str(values.pop("log")))
    _put(connection, "blank", values)
    return blank_id(connection, blank.code)


def blank_id(connection: sqlite3.Connection, code: str) -> int:
    """The row number of a blank. Raises RecordError if there is none of that code."""
    row = connection.execute("SELECT id FROM blank WHERE code = ?", (code,)).fetchone()
    if row is None:
        raise RecordError(f"There is no blank {plain_name(code)!r} in the book.")
    return int(row[0])


def get_blank_in(connection: sqlite3.Connection, code: str) -> Blank:
    """The blank of that code. Raises RecordError if there is none."""
    rows = _rows(connection, f"{_BLANK} WHERE blank.code = ?", (code,))
    if not rows:
        raise RecordError(f"There is no blank {plain_name(code)!r} in the book.")
    return _blank(rows[0])


def record_of(connection: sqlite3.Connection, blank: Blank) -> BlankRecord:
    """What is measured and judged with: the blank's record, with the species of its log."""
    species = blank.species
    if species is None and blank.log is not None:
        species = _get_log_in(connection, blank.log).species
    return BlankRecord(
        blank=blank.code,
        species=species,
        width_mm=blank.width_mm,
        height_mm=blank.height_mm,
        length_mm=blank.length_mm,
        part=blank.part,
        made=blank.made,
        text=blank.notes,
    )


def _get_log_in(connection: sqlite3.Connection, code: str) -> Log:
    rows = _rows(connection, "SELECT * FROM log WHERE code = ?", (code,))
    if not rows:
        raise RecordError(_no_log(code))
    return _log(rows[0])


def _log_id(connection: sqlite3.Connection, code: str) -> int:
    row = connection.execute("SELECT id FROM log WHERE code = ?", (code,)).fetchone()
    if row is None:
        raise RecordError(_no_log(code))
    return int(row[0])


def _no_log(code: str) -> str:
    return f"There is no log {plain_name(code)!r} in the book. Add it first: grainscan stock log"


def _known(value: Log | Blank) -> dict[str, Any]:
    return {key: item for key, item in dataclasses.asdict(value).items() if item is not None}


def _put(connection: sqlite3.Connection, table: str, values: Mapping[str, Any]) -> None:
    """Insert a row, or update the columns given of the row with that code.

    Column names come from the dataclasses above, never from outside.
    """
    columns = [*values, "added_at"]
    changes = [f"{name} = excluded.{name}" for name in values if name != "code"]
    action = f"UPDATE SET {', '.join(changes)}" if changes else "NOTHING"
    connection.execute(
        f"INSERT INTO {table} ({', '.join(columns)}) "
        f"VALUES ({', '.join('?' for _ in columns)}) ON CONFLICT (code) DO {action}",
        (*values.values(), utc_now()),
    )


def _rows(
    connection: sqlite3.Connection, query: str, values: tuple[Any, ...] = ()
) -> list[dict[str, Any]]:
    cursor = connection.execute(query, values)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor]


def _log(row: Mapping[str, Any]) -> Log:
    return Log(**{field.name: row[field.name] for field in dataclasses.fields(Log)})


def _blank(row: Mapping[str, Any]) -> Blank:
    return Blank(**{field.name: row[field.name] for field in dataclasses.fields(Blank)})
