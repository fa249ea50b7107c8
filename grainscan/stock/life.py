"""What happens to a blank after it was scanned: overruled, weighed, made into something."""

from __future__ import annotations

from typing import get_args

from grainscan.errors import RecordError
from grainscan.results import SortWord
from grainscan.stock.blanks import blank_id
from grainscan.stock.records import (
    Making,
    Overruling,
    Weighing,
    check_choice,
    check_date,
    check_number,
    check_text,
    today,
    utc_now,
)
from grainscan.stock.store import Book, reading, writing

__all__ = [
    "SORT_WORDS",
    "add_making",
    "add_weighing",
    "makings_of",
    "overrule",
    "overrulings_of",
    "weighings_of",
]

SORT_WORDS: tuple[SortWord, ...] = get_args(SortWord)

_HEAVIEST_G = 1_000_000.0
# Green wood of the lightest kinds holds up to twice its own dry mass of water and more.
_WETTEST_PERCENT = 250.0


def overrule(book: Book, code: str, sort: SortWord | None, *, who: str, why: str) -> None:
    """Lay a person's word over the measured one; it counts until it is taken back.

    The measured answer is kept beside it. ``sort`` None takes the overruling back.

    Raises
    ------
    RecordError
        There is no such blank, nobody is named or no reason is given, or there is nothing to
        take back.
    """
    name, reason = check_text(who, "Who overrules"), check_text(why, "The reason")
    if name is None or reason is None:
        raise RecordError("Say who overrules the sort and why: a student will want to know.")
    word = check_choice(sort, "The sort", SORT_WORDS)
    with writing(book) as connection:
        number = blank_id(connection, code)
        last = connection.execute(
            "SELECT sort FROM overruling WHERE blank_id = ? ORDER BY id DESC LIMIT 1", (number,)
        ).fetchone()
        if word is None and (last is None or last[0] is None):
            raise RecordError(
                f"The sort of {code} is not overruled; there is nothing to take back."
            )
        connection.execute(
            "INSERT INTO overruling (blank_id, sorting_id, sort, who, why, overruled_at) "
            "SELECT id, current_sorting, ?, ?, ?, ? FROM blank WHERE id = ?",
            (word, name, reason, utc_now(), number),
        )


def overrulings_of(book: Book, code: str) -> tuple[Overruling, ...]:
    """Every overruling of a blank, oldest first; the last one counts."""
    with reading(book) as connection:
        rows = connection.execute(
            "SELECT overruling.sort, who, why, overruled_at, sorting.sort FROM overruling "
            "LEFT JOIN sorting ON sorting.id = sorting_id WHERE blank_id = ? ORDER BY "
            "overruling.id",
            (blank_id(connection, code),),
        ).fetchall()
    return tuple(Overruling(*row) for row in rows)


def add_weighing(book: Book, code: str, weighing: Weighing) -> None:
    """Keep a weighing of a blank.

    Raises
    ------
    RecordError
        There is no such blank, or the weighing has neither a mass nor a moisture content, or
        an impossible one.
    """
    if weighing.mass_g is None and weighing.moisture_percent is None:
        raise RecordError("Give the mass in grams, the moisture content, or both.")
    values = (
        check_date(weighing.weighed_on, "The date of weighing") or today(),
        check_number(weighing.mass_g, "The mass in grams", most=_HEAVIEST_G),
        check_number(
            weighing.moisture_percent,
            "The moisture content in per cent",
            most=_WETTEST_PERCENT,
            zero=True,
        ),
        check_text(weighing.moisture_source, "How the moisture content was found"),
        check_text(weighing.who, "Who weighed"),
    )
    with writing(book) as connection:
        connection.execute(
            "INSERT INTO weighing (blank_id, weighed_on, mass_g, moisture_percent, "
            "moisture_source, who) VALUES (?, ?, ?, ?, ?, ?)",
            (blank_id(connection, code), *values),
        )


def weighings_of(book: Book, code: str) -> tuple[Weighing, ...]:
    """Every weighing of a blank, by day."""
    with reading(book) as connection:
        rows = connection.execute(
            "SELECT weighed_on, mass_g, moisture_percent, moisture_source, who FROM weighing "
            "WHERE blank_id = ? ORDER BY weighed_on, id",
            (blank_id(connection, code),),
        ).fetchall()
    return tuple(Weighing(*row) for row in rows)


def add_making(book: Book, code: str, making: Making) -> None:
    """Keep what a blank was made into; one long blank may be made into several parts.

    Raises
    ------
    RecordError
        There is no such blank, or nothing is named that it was made into.
    """
    into = check_text(making.made_into, "What it was made into")
    if into is None:
        raise RecordError("Say what the blank was made into.")
    values = (
        into,
        check_date(making.made_on, "The date of making") or today(),
        check_text(making.who, "Who made it"),
        check_text(making.notes, "The notes", many_lines=True),
    )
    with writing(book) as connection:
        connection.execute(
            "INSERT INTO making (blank_id, made_into, made_on, who, notes) VALUES (?, ?, ?, ?, ?)",
            (blank_id(connection, code), *values),
        )


def makings_of(book: Book, code: str) -> tuple[Making, ...]:
    """What a blank was made into, by day; empty while it is in stock."""
    with reading(book) as connection:
        rows = connection.execute(
            "SELECT made_into, made_on, who, notes FROM making WHERE blank_id = ? "
            "ORDER BY made_on, id",
            (blank_id(connection, code),),
        ).fetchall()
    return tuple(Making(*row) for row in rows)
