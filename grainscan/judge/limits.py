"""The steepest slope of grain allowed: as typed, by part, or from the strength to keep."""

from __future__ import annotations

import math
import re
import tomllib
from functools import cache
from importlib import resources
from types import MappingProxyType

from grainscan.errors import InputError
from grainscan.results import Limit
from grainscan.wording import plain_name, sentence_list

__all__ = ["known_parts", "limit_for_part", "limit_keeping_strength", "parse_limit"]

_FORM = re.compile(r"(?:1\s*(?::|/|\s+in\s+)\s*)?(\d+(?:\.\d+)?)", re.IGNORECASE)
# 1 in 1 is 45°: beyond it there is no limit left. 1 in 100 is 0.57°, which is as well as a
# photograph tells the slope; a tighter limit could be neither kept nor refused.
_LOWEST, _HIGHEST = 1.0, 100.0


def parse_limit(text: str) -> Limit:
    """A limit as typed: ``1:20``, ``1 in 20``, ``1/20`` or ``20``.

    Raises
    ------
    InputError
        The text is none of these, or N lies outside 1 to 100.

    Examples
    --------
    >>> parse_limit("1 in 20").one_in
    20.0
    """
    match = _FORM.fullmatch(text.strip())
    # A number so long that it is no slope would be infinite.
    number = float(match[1]) if match else math.inf
    if not _LOWEST <= number <= _HIGHEST:
        raise InputError(
            f"{plain_name(text)!r} is no slope limit. "
            f"Write it as 1:20, with a number from {_LOWEST:g} to {_HIGHEST:g}."
        )
    return Limit(one_in=number, source="given by the user")


def known_parts() -> tuple[str, ...]:
    """Names of the parts that have a limit of their own."""
    return tuple(_table())


def limit_for_part(part: str | None) -> Limit:
    """The limit of a part, by its name in any case; the general limit for any other.

    The source says which of the two it is and where the number comes from.
    """
    if part is None:
        general = _general()
        return Limit(general.one_in, f"general limit, no part named: {general.source}")
    name = " ".join(part.lower().replace("-", " ").replace("_", " ").split())
    if name in _table():
        found = _table()[name]
        return Limit(found.one_in, f"{name}: {found.source}")
    general = _general()
    return Limit(
        general.one_in,
        f"general limit, as the part {plain_name(part)!r} has none of its own "
        f"(known are {sentence_list(known_parts())}): {general.source}",
    )


def limit_keeping_strength(percent: float, kind: str = "impact") -> Limit:
    """The limit at which a percentage of straight-grained strength is kept.

    ``kind`` is ``"impact"`` (impact bending: it falls fastest), ``"bending"`` or
    ``"compression"``. The formula is that of `grainscan.judge.strength`.

    Raises
    ------
    InputError
        The percentage is out of range, or the kind is none of these.
    """
    from grainscan.judge.strength import PROPERTIES, SOURCE, slope_keeping

    for known in PROPERTIES:
        if known == kind:
            angle_deg = slope_keeping(percent, known)
            break
    else:
        raise InputError(f"{plain_name(kind)!r} is none of {sentence_list(PROPERTIES, 'or')}.")
    words = {"impact": "impact bending", "bending": "bending", "compression": "compression"}
    return Limit(
        one_in=1.0 / math.tan(math.radians(angle_deg)),
        source=f"keeps {percent:g} % of {words[kind]} strength: {SOURCE}",
    )


def _general() -> Limit:
    return _read()[0]


def _table() -> MappingProxyType[str, Limit]:
    return _read()[1]


@cache
def _read() -> tuple[Limit, MappingProxyType[str, Limit]]:
    text = resources.files("grainscan.judge").joinpath("limits.toml").read_text("utf-8")
    data = tomllib.loads(text)
    parts = {
        name: Limit(float(entry["one_in"]), entry["source"]) for name, entry in data["part"].items()
    }
    general = Limit(float(data["general"]["one_in"]), data["general"]["source"])
    return general, MappingProxyType(parts)
