"""Weighings of a blank from a text file: one line per weighing, a date and a weight."""

from __future__ import annotations

import csv
import datetime
import io
from dataclasses import dataclass
from pathlib import Path

from grainscan.errors import RecordError
from grainscan.from_files import read_content
from grainscan.wording import plain_name

__all__ = ["Weighing", "days_and_weights", "read_weighings"]

_MOST_BYTES = 1_000_000
# One a day for five years; the fit's time grows with them.
_MOST_WEIGHINGS = 2000

LEAST_G, MOST_G = 0.01, 1e7
"""What the finest workshop balance shows, and ten tonnes; any blank lies between."""


@dataclass(frozen=True, slots=True)
class Weighing:
    """What a blank weighed, in grams, on a day."""

    on: datetime.date
    weight_g: float


def read_weighings(path: Path) -> tuple[Weighing, ...]:
    """Weighings in the order of their dates.

    Each line holds a date as 2026-03-01 and a weight in grams, with a comma between; empty
    lines, lines that begin with # and a head such as ``date,grams`` are passed over.

    Raises
    ------
    RecordError
        The file cannot be read, or a line is none of these; the message names the line.
    """
    place = plain_name(path.name)
    content = read_content(path, most_bytes=_MOST_BYTES, place=place)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RecordError(f"{place}: this is no text file in UTF-8.") from error
    found: list[Weighing] = []
    for number, line in enumerate(io.StringIO(text), start=1):
        plain = line.strip()
        if plain and not plain.startswith("#"):
            at = f"{place}, line {number}"
            fields = _fields(plain, at)
            if found or not _is_head(fields):
                found.append(_weighing(fields, at))
            if len(found) > _MOST_WEIGHINGS:
                raise RecordError(
                    f"{place}: more than {_MOST_WEIGHINGS} weighings. Leave some out."
                )
    if not found:
        raise RecordError(f"{place} holds no weighing: write lines such as 2026-03-01, 812.")
    return tuple(sorted(found, key=lambda weighing: weighing.on))


def days_and_weights(weighings: tuple[Weighing, ...]) -> tuple[list[float], list[float]]:
    """Days after the first weighing, and weights in grams."""
    first = weighings[0].on
    return [float((w.on - first).days) for w in weighings], [w.weight_g for w in weighings]


def _is_head(fields: list[str]) -> bool:
    return not any(character.isdigit() for field in fields for character in field)


def _fields(line: str, at: str) -> list[str]:
    try:
        return [field.strip() for field in next(csv.reader([line]), [])]
    except csv.Error as error:
        raise RecordError(f"{at}: not valid CSV ({error}).") from error


def _weighing(fields: list[str], at: str) -> Weighing:
    if len(fields) != 2:
        raise RecordError(f"{at}: write a date and a weight in grams, such as 2026-03-01, 812.")
    try:
        on = datetime.date.fromisoformat(fields[0])
    except ValueError as error:
        raise RecordError(
            f"{at}: {plain_name(fields[0])!r} is no date such as 2026-03-01."
        ) from error
    try:
        weight = float(fields[1].lower().removesuffix("g").strip())
    except ValueError as error:
        raise RecordError(
            f"{at}: {plain_name(fields[1])!r} is no weight in grams such as 812."
        ) from error
    if not LEAST_G <= weight <= MOST_G:
        raise RecordError(f"{at}: a weight of {weight:g} g cannot be.")
    return Weighing(on, weight)
