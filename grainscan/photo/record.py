"""Read ``blank.toml``: what its owner wrote about a blank."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from grainscan.by_hand import ByHand, Corners
from grainscan.errors import RecordError
from grainscan.from_files import parse_toml, read_content
from grainscan.results import BlankRecord
from grainscan.wording import plain_name, sentence_list

__all__ = ["RECORD_NAME", "check_record", "read_corrections", "read_record"]

RECORD_NAME = "blank.toml"

_MOST_BYTES = 64_000
# Longer than any log; a larger number is a slip of unit.
_LONGEST_MM = 50_000.0
_TEXTS = ("species", "part", "notes")
_LENGTHS = ("width_mm", "height_mm", "length_mm")
_CARD = ("card_check_mm", "card_on_bench")
_OUTLINES = ("outline_px", "snap")
_KEYS = (*_TEXTS, *_LENGTHS, "made", *_CARD, *_OUTLINES)
_SIDES = ("face_a", "face_b", "end")


def read_record(path: Path, *, blank: str) -> BlankRecord:
    """Read a blank's record; all keys may be left out.

    Keys: ``species``, ``part``, ``notes`` (texts), ``width_mm`` (of face A), ``height_mm``
    (width of face B), ``length_mm`` (numbers above 0), ``made`` (``"riven"`` or ``"sawn"``),
    ``card_check_mm`` (a number), ``card_on_bench`` (true or false). The outlines set by hand in
    it are read by `read_corrections`.

    Raises
    ------
    RecordError
        The file cannot be read as TOML, or holds an unknown key or a wrong value; the message
        names the file and the key.
    """
    table, place = _table_of(path)
    return check_record(table, blank=blank, place=place)


def read_corrections(path: Path) -> ByHand:
    """The outlines set by hand in a blank's record.

    Table ``outline_px``: ``face_a``, ``face_b``, ``end``, each four corners [x, y] in pixels of
    the upright photograph, in any order. ``snap`` (true unless given): a face's corners are
    moved to the nearest edges.

    Raises
    ------
    RecordError
        As `read_record`, or a list that is not four corners.
    """
    table, place = _table_of(path)
    outlines = table.get("outline_px", {})
    if not isinstance(outlines, dict) or any(side not in _SIDES for side in outlines):
        raise RecordError(
            f"{place}: outline_px is a table of corners for {sentence_list(_SIDES)}, such as "
            "face_a = [[410, 633], [3120, 640], [3118, 871], [412, 860]]."
        )
    found = {
        side: _corners(corners, f"{place}: outline_px.{side}") for side, corners in outlines.items()
    }
    return ByHand(
        found.get("face_a"),
        found.get("face_b"),
        found.get("end"),
        snap=_yes_or_no(table, "snap", place, default=True),
    )


def _corners(value: Any, place: str) -> Corners:
    points = value if isinstance(value, list) else []
    numbers = [point for point in points if isinstance(point, list) and len(point) == 2]
    plain = all(
        isinstance(c, int | float) and not isinstance(c, bool) and math.isfinite(c)
        for point in numbers
        for c in point
    )
    if len(points) != 4 or len(numbers) != 4 or not plain:
        raise RecordError(f"{place} must be four corners, each [x, y] in pixels of the photograph.")
    a, b, c, d = ((float(x), float(y)) for x, y in numbers)
    return a, b, c, d


def _table_of(path: Path) -> tuple[dict[str, Any], str]:
    place = plain_name(f"{path.parent.name}/{path.name}")
    content = read_content(path, most_bytes=_MOST_BYTES, place=place)
    return parse_toml(content, place=place), place


def check_record(table: Mapping[str, Any], *, blank: str, place: str) -> BlankRecord:
    """Check each entry of a blank's record and make the record.

    ``place`` is named in messages. Raises RecordError, as `read_record` does.
    """
    for key in table:
        if key not in _KEYS:
            raise RecordError(
                f"{place}: unknown key {plain_name(key)!r}. Known keys are {sentence_list(_KEYS)}."
            )
    return BlankRecord(
        blank=blank,
        species=_text(table, "species", place),
        width_mm=_length(table, "width_mm", place),
        height_mm=_length(table, "height_mm", place),
        length_mm=_length(table, "length_mm", place),
        part=_text(table, "part", place),
        made=_made(table, place),
        text=_text(table, "notes", place),
        card_check_mm=_length(table, "card_check_mm", place),
        card_on_bench=_yes_or_no(table, "card_on_bench", place, default=False),
    )


def _text(table: Mapping[str, Any], key: str, place: str) -> str | None:
    value = table.get(key)
    if value is None:
        return None
    if not isinstance(value, str):
        raise RecordError(f'{place}: {key} must be a text in quotes, such as {key} = "ash".')
    return value.strip() or None


def _length(table: Mapping[str, Any], key: str, place: str) -> float | None:
    value = table.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise RecordError(
            f"{place}: {key} must be a number of millimetres without quotes, such as {key} = 25."
        )
    if not (math.isfinite(value) and 0 < value <= _LONGEST_MM):
        raise RecordError(
            f"{place}: {key} is {value}; it must be above 0 and at most {_LONGEST_MM:.0f} mm."
        )
    return float(value)


def _yes_or_no(table: Mapping[str, Any], key: str, place: str, *, default: bool) -> bool:
    value = table.get(key, default)
    if not isinstance(value, bool):
        raise RecordError(f"{place}: {key} must be true or false.")
    return value


def _made(table: Mapping[str, Any], place: str) -> Literal["riven", "sawn"] | None:
    value = table.get("made")
    if value is None:
        return None
    if value == "riven":
        return "riven"
    if value == "sawn":
        return "sawn"
    raise RecordError(f'{place}: made must be "riven" or "sawn".')
