"""What the workshop commands share: numbers as typed, results as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

__all__ = ["angle_deg", "number", "write_json"]


def number(text: str, what: str) -> float:
    """A plain number from the command line.

    Raises InputError where the text is none.
    """
    from grainscan.errors import InputError
    from grainscan.wording import plain_name

    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise InputError(f"{plain_name(text)!r} is no {what}: give a number.")
    return found


def angle_deg(text: str, what: str) -> float:
    """An angle in degrees from the command line, such as ``12`` or ``12°``; InputError if none."""
    return number(text.strip().removesuffix("°"), what)


def write_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a result as JSON; InputError where the file cannot be written there."""
    from grainscan.errors import InputError
    from grainscan.shown.files import write_whole
    from grainscan.wording import plain_name

    if path.is_dir() or not path.parent.is_dir():
        raise InputError(f"--json {plain_name(str(path))}: give a file in a folder that exists.")
    text = json.dumps(data, indent=1, ensure_ascii=True, allow_nan=False)
    write_whole(path, (text + "\n").encode("ascii"))
