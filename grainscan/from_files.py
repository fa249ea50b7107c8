"""Read files that people wrote, whatever is in them: bytes of a bounded number, TOML, JSON.

A file's name says nothing of what it is: it may be a pipe that never ends, a device, or made to
keep a reader busy. Everything here ends soon and with a small memory.
"""

from __future__ import annotations

import json
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from grainscan.errors import RecordError
from grainscan.wording import plain_name

__all__ = ["parse_json", "parse_toml", "read_content"]

# TOML 1.0, "Integer": 64 bits; larger ones must be refused.
_LARGEST_INTEGER = 2**63
# A key of n names costs tomllib a time and a memory of n²; no file of ours has four.
_MOST_NAMES_IN_KEY = 100
# An opening quote that is never closed takes the rest of the line, so that the search stays linear.
_QUOTED = re.compile(r"\"(?:[^\"\\]|\\.)*\\?(?:\"|$)|'[^']*(?:'|$)")
_BESIDE_KEYS = re.compile(r"[^\w\-. \t]")


def read_content(path: Path, *, most_bytes: int, place: str) -> bytes:
    """All bytes of an ordinary file; ``place`` names it in messages.

    Raises
    ------
    RecordError
        It is missing, is no ordinary file, cannot be read, or is longer than ``most_bytes``.
    """
    try:
        # Opening a pipe would wait for its other end.
        if not stat.S_ISREG(path.stat().st_mode):
            raise RecordError(f"{place}: the file cannot be read (this is no ordinary file).")
        with path.open("rb") as file:
            content = file.read(most_bytes + 1)
    except (OSError, ValueError) as error:
        # ValueError: a NUL character in the name.
        reason = getattr(error, "strerror", None) or "its name is not valid"
        raise RecordError(f"{place}: the file cannot be read ({reason}).") from error
    if len(content) > most_bytes:
        raise RecordError(
            f"{place}: this file is too long (more than {_size_words(most_bytes)}). Shorten it."
        )
    return content


def parse_toml(content: bytes, *, place: str) -> dict[str, Any]:
    """The table of a TOML file's bytes, UTF-8 with or without a byte order mark.

    Raises
    ------
    RecordError
        It is no TOML, is nested too deeply, or holds a number larger than TOML allows.
    """
    try:
        text = content.decode("utf-8-sig")
        _refuse_long_keys(text, place)
        table = tomllib.loads(text)
    except RecursionError as error:
        raise RecordError(f"{place}: the brackets are nested too deeply.") from error
    except UnicodeDecodeError as error:
        raise RecordError(f"{place}: this is not valid TOML. Save the file as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        line = plain_name(" ".join(str(error).split()))
        raise RecordError(
            f"{place}: this is not valid TOML ({line}). Put that line right."
        ) from error
    except ValueError as error:
        # Python's own limit on the digits of a number.
        raise RecordError(f"{place}: this is not valid TOML (a number is too long).") from error
    _refuse_large_integers(table, place)
    return table


def parse_json(content: bytes) -> Any:
    """The value of a JSON file's bytes; whole numbers of 19 digits and more become floats.

    Raises
    ------
    ValueError
        It is no JSON in UTF-8, or is nested too deeply.
    """
    try:
        return json.loads(content.decode("utf-8-sig"), parse_int=_bounded_integer)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def _refuse_long_keys(text: str, place: str) -> None:
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") < _MOST_NAMES_IN_KEY:
            continue
        outside = _QUOTED.sub("_", line)
        if any(p.count(".") >= _MOST_NAMES_IN_KEY for p in _BESIDE_KEYS.split(outside)):
            raise RecordError(
                f"{place}: line {number} joins more than {_MOST_NAMES_IN_KEY} names with dots. "
                "Shorten it."
            )


def _refuse_large_integers(table: dict[str, Any], place: str) -> None:
    waiting: list[tuple[str, Any]] = list(table.items())
    while waiting:
        key, value = waiting.pop()
        if isinstance(value, dict):
            waiting.extend(value.items())
        elif isinstance(value, list):
            waiting.extend((key, item) for item in value)
        elif isinstance(value, int) and not -_LARGEST_INTEGER <= value < _LARGEST_INTEGER:
            raise RecordError(f"{place}: {plain_name(key)} is a number too large to be meant.")


def _bounded_integer(text: str) -> int | float:
    return int(text) if len(text) < 19 else float(text)


def _size_words(size: int) -> str:
    return f"{size / 1e6:g} MB" if size >= 1_000_000 else f"{size / 1e3:g} kB"
