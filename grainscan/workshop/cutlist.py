"""Cut lists: the parts wanted and how many, from TOML files."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from grainscan.errors import RecordError
from grainscan.wording import plain_name
from grainscan.workshop.assign import Wanted
from grainscan.workshop.parts import Part, part_named
from grainscan.workshop.toml_values import Table, read_toml

__all__ = ["SHIPPED", "CutList", "Want", "read_cut_list", "shipped_cut_list"]

SHIPPED = {"chair": "chair_cutlist.toml", "rake": "rake_cutlist.toml"}
"""Cut lists that come with the program, by name."""

_MOST_BYTES = 64_000
_MOST_PARTS = 500
# Each is tried at every place of every blank; no chair has twenty different ones.
_MOST_WANTS = 100


@dataclass(frozen=True, slots=True)
class Want:
    """A part, how many of it, and how many spares besides."""

    part: Part
    number: Wanted


@dataclass(frozen=True, slots=True)
class CutList:
    """What is to be made."""

    name: str
    wants: tuple[Want, ...]


def shipped_cut_list(name: str, parts: Mapping[str, Part]) -> CutList:
    """A cut list that comes with the program.

    Raises
    ------
    KeyError
        There is none of that name.
    """
    file = SHIPPED[name]
    text = resources.files("grainscan.workshop").joinpath(file).read_text("utf-8")
    return _cut_list(tomllib.loads(text), file, parts)


def read_cut_list(path: Path, parts: Mapping[str, Part]) -> CutList:
    """A cut list of the user's own.

    Raises
    ------
    RecordError
        The file cannot be read, an entry is wrong, or a part is not known.
    """
    return _cut_list(read_toml(path, most_bytes=_MOST_BYTES), plain_name(path.name), parts)


def _cut_list(data: Mapping[str, Any], place: str, parts: Mapping[str, Part]) -> CutList:
    table = Table(data, place).only(("name", "want"))
    entries = table.tables("want")
    if len(entries) > _MOST_WANTS:
        raise RecordError(f"{place}: more than {_MOST_WANTS} different parts. Split the list.")
    wants = tuple(_want(entry, parts) for entry in entries)
    if not wants:
        raise RecordError(f"{place}: no part is wanted. Add a table [[want]] with part and count.")
    names = [want.part.name for want in wants]
    for name in names:
        if names.count(name) > 1:
            raise RecordError(f"{place}: {name} is wanted twice. Put it into one table.")
    return CutList(table.text("name"), wants)


def _want(entry: Table, parts: Mapping[str, Part]) -> Want:
    entry.only(("part", "count", "spares"))
    try:
        part = part_named(entry.text("part"), parts)
    except RecordError as error:
        raise RecordError(f"{entry.place}: {error}") from error
    count = entry.whole("count", low=1, high=_MOST_PARTS)
    spares = entry.whole("spares", low=0, high=_MOST_PARTS) if entry.has("spares") else 0
    return Want(part, Wanted(count, spares))
