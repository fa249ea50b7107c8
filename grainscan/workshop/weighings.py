"""Weighings of a blank from a text file: one line per weighing, a date and a weight."""

from __future__ import annotations

import csv
import datetime
import io
import math
from dataclasses import dataclass
from pathlib import Path

from grainscan.errors import RecordError
from grainscan.wording import plain_name

__all__ = ["Weighing", "days_and_weights", "read_weighings"]

_MOST_BYTES = 1_000_000


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
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
        text = content.decode("utf-8-sig")
    except OSError as error:
        raise RecordError(f"{place}: the file cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise RecordError(f"{place}: this is no text file in UTF-8.") from error
    if len(content) > _MOST_BYTES:
        raise RecordError(f"{place}: this file is too long for a list of weighings.")
    found: list[Weighing] = []
    for number, line in enumerate(io.StringIO(text), start=1):
        plain = line.strip()
        if plain and not plain.startswith("#"):
            fields = [field.strip() for field in next(csv.reader([plain]), [])]
            if found or not _is_head(fields):
                found.append(_weighing(fields, f"{place}, line {number}"))
    if not found:
        raise RecordError(f"{place} holds no weighing: write lines such as 2026-03-01, 812.")
    return tuple(sorted(found, key=lambda weighing: weighing.on))


def days_and_weights(weighings: tuple[Weighing, ...]) -> tuple[list[float], list[float]]:
    """Days after the first weighing, and weights in grams."""
    first = weighings[0].on
    return [float((w.on - first).days) for w in weighings], [w.weight_g for w in weighings]


def _is_head(fields: list[str]) -> bool:
    return not any(character.isdigit() for field in fields for character in field)


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
    if not (math.isfinite(weight) and weight > 0):
        raise RecordError(f"{at}: a weight of {weight:g} g cannot be.")
    return Weighing(on, weight)
