"""Read ``blank.toml``: what its owner wrote about a blank."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from grainscan.errors import RecordError
from grainscan.results import BlankRecord
from grainscan.wording import plain_name, sentence_list

__all__ = ["RECORD_NAME", "check_record", "read_record"]

RECORD_NAME = "blank.toml"

_MOST_BYTES = 64_000
# Longer than any log; a larger number is a slip of unit.
_LONGEST_MM = 50_000.0
_TEXTS = ("species", "part", "notes")
_LENGTHS = ("width_mm", "height_mm", "length_mm")
_KEYS = (*_TEXTS, *_LENGTHS, "made")


def read_record(path: Path, *, blank: str) -> BlankRecord:
    """Read a blank's record; all keys may be left out.

    Keys: ``species``, ``part``, ``notes`` (texts), ``width_mm`` (of face A), ``height_mm``
    (width of face B), ``length_mm`` (numbers above 0), ``made`` (``"riven"`` or ``"sawn"``).

    Raises
    ------
    RecordError
        The file cannot be read as TOML, or holds an unknown key or a wrong value; the message
        names the file and the key.
    """
    place = plain_name(f"{path.parent.name}/{path.name}")
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
        if len(content) > _MOST_BYTES:
            raise RecordError(f"{place}: this file is too long for a blank's record.")
        table = tomllib.loads(content.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RecordError(
            f"{place}: this is not valid TOML ({_one_line(error)}). Put that line right."
        ) from error
    except RecursionError as error:
        raise RecordError(f"{place}: the brackets are nested too deeply.") from error
    except OSError as error:
        raise RecordError(f"{place}: the file cannot be read ({error.strerror}).") from error
    return check_record(table, blank=blank, place=place)


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


def _made(table: Mapping[str, Any], place: str) -> Literal["riven", "sawn"] | None:
    value = table.get("made")
    if value is None:
        return None
    if value == "riven":
        return "riven"
    if value == "sawn":
        return "sawn"
    raise RecordError(f'{place}: made must be "riven" or "sawn".')


def _one_line(error: Exception) -> str:
    return plain_name(" ".join(str(error).split()))
