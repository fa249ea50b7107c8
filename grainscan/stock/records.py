"""What the book holds, as frozen values, and the checks of what people write into it."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from grainscan.errors import RecordError
from grainscan.results import SortWord
from grainscan.wording import plain_name, sentence_list

__all__ = [
    "ROLES",
    "Blank",
    "Correction",
    "Log",
    "Made",
    "Making",
    "Overruling",
    "Role",
    "Weighing",
    "check_choice",
    "check_code",
    "check_date",
    "check_felled",
    "check_number",
    "check_text",
    "today",
    "utc_now",
]

Role = Literal["face_a", "face_b", "end"]
Made = Literal["riven", "sawn"]
ROLES: tuple[Role, ...] = get_args(Role)

_LONGEST_CODE = 120
_LONGEST_LINE = 300
_LONGEST_NOTES = 10_000


@dataclass(frozen=True, slots=True)
class Log:
    """A log: ``felled`` is a day, a month or a year, such as ``2026-01``.

    ``end_photograph`` is the content hash of a photograph kept in the book.
    """

    code: str
    species: str | None = None
    felled: str | None = None
    origin: str | None = None
    notes: str | None = None
    end_photograph: str | None = None


@dataclass(frozen=True, slots=True)
class Blank:
    """What its owner says of a blank; ``species`` is its own, else that of its ``log``.

    ``width_mm`` is the width of face A, ``height_mm`` that of face B; ``rack`` is its place.
    """

    code: str
    log: str | None = None
    species: str | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    length_mm: float | None = None
    made: Made | None = None
    made_on: str | None = None
    made_by: str | None = None
    rack: str | None = None
    part: str | None = None
    notes: str | None = None


@dataclass(frozen=True, slots=True)
class Correction:
    """A correction by hand that a scan was measured with; ``detail`` is a JSON text."""

    side: Literal["face_a", "face_b", "end", "blank"]
    what: str
    detail: str
    who: str | None = None


@dataclass(frozen=True, slots=True)
class Overruling:
    """A person's word over the measured one; ``sort`` None takes an earlier one back.

    ``measured_sort`` is the measured answer that it was laid over, None if there was none.
    """

    sort: SortWord | None
    who: str
    why: str
    overruled_at: str
    measured_sort: SortWord | None


@dataclass(frozen=True, slots=True)
class Weighing:
    """A blank's mass in grams, its moisture content in per cent of oven-dry mass, or both."""

    weighed_on: str
    mass_g: float | None = None
    moisture_percent: float | None = None
    moisture_source: str | None = None
    who: str | None = None


@dataclass(frozen=True, slots=True)
class Making:
    """What a blank was made into, and when."""

    made_into: str
    made_on: str
    who: str | None = None
    notes: str | None = None


def utc_now() -> str:
    """The present moment, as the book writes it."""
    return datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def today() -> str:
    """Today's date where the user is."""
    return datetime.date.today().isoformat()


def check_text(value: str | None, what: str, *, many_lines: bool = False) -> str | None:
    """The text without blanks at its ends; None for an empty one.

    Raises
    ------
    RecordError
        It is too long, or holds control characters (line breaks are allowed in notes).
    """
    if value is None or not (text := value.strip()):
        return None
    if many_lines:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    longest = _LONGEST_NOTES if many_lines else _LONGEST_LINE
    if len(text) > longest:
        raise RecordError(f"{what} is {len(text)} characters long; at most {longest} are kept.")
    if any(not c.isprintable() and not (many_lines and c in "\n\t") for c in text):
        raise RecordError(f"{what} {plain_name(text)!r} holds characters that cannot be printed.")
    return text


def check_code(value: str | None, what: str = "The code") -> str:
    """A blank's or a log's code, such as ``ash-26-014``.

    Raises
    ------
    RecordError
        It is empty, too long or cannot be printed on one line.
    """
    text = check_text(value, what)
    if text is None:
        raise RecordError(f"{what} is empty. Give one such as ash-26-014.")
    if len(text) > _LONGEST_CODE:
        raise RecordError(f"{what} {plain_name(text)!r} is longer than {_LONGEST_CODE} characters.")
    return text


def check_number(
    value: float | None, what: str, *, most: float, zero: bool = False
) -> float | None:
    """A number above 0 (or from 0) and at most ``most``.

    Raises
    ------
    RecordError
        It lies outside, or is not a finite number.
    """
    if value is None:
        return None
    least = value >= 0 if zero else value > 0
    if not (math.isfinite(value) and least and value <= most):
        start = "from 0" if zero else "above 0"
        raise RecordError(f"{what} is {value:g}; it must be {start} and at most {most:g}.")
    return float(value)


def check_choice(value: str | None, what: str, choices: Sequence[str]) -> str | None:
    """One of the words of a list, in any case.

    Raises
    ------
    RecordError
        It is none of them.
    """
    text = check_text(value, what)
    if text is None:
        return None
    for choice in choices:
        if text.lower() == choice:
            return choice
    raise RecordError(f"{what} is {plain_name(text)!r}; it must be {sentence_list(choices, 'or')}.")


def check_date(value: str | None, what: str) -> str | None:
    """A day written ``YYYY-MM-DD``.

    Raises
    ------
    RecordError
        It is written otherwise, or there is no such day.
    """
    text = check_text(value, what)
    if text is None:
        return None
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII) is None:
            raise ValueError
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        raise RecordError(f"{what} is {plain_name(text)!r}; write a day as 2026-03-14.") from None


def check_felled(value: str | None) -> str | None:
    """When a log was felled: a day, a month or a year.

    Raises
    ------
    RecordError
        It is none of these.
    """
    what = "The date of felling"
    text = check_text(value, what)
    if text is None:
        return None
    if re.fullmatch(r"\d{4}(-(0[1-9]|1[0-2]))?", text, re.ASCII):
        return text
    try:
        return check_date(text, what)
    except RecordError:
        raise RecordError(
            f"{what} is {plain_name(text)!r}; write 2026-03-14, 2026-03 or 2026."
        ) from None
