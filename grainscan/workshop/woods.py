"""Woods and their published values: ``woods.toml``, with a file of the user's laid over it."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from grainscan.errors import InputError, RecordError
from grainscan.wording import plain_name, sentence_list
from grainscan.workshop.toml_values import read_toml

__all__ = ["ANATOMIES", "NUMBERS", "Wood", "WoodValue", "Woods", "read_woods"]

ANATOMIES = ("ring-porous", "semi-ring-porous", "diffuse-porous", "softwood")
# Name of each number, what it is in words, and the range outside which it is a slip of unit or
# of the point (no wood comes near either end).
NUMBERS: Mapping[str, tuple[str, float, float]] = {
    "radial_percent": ("radial shrinkage", 0.1, 30.0),
    "tangential_percent": ("tangential shrinkage", 0.1, 30.0),
    "volumetric_percent": ("volumetric shrinkage", 0.1, 60.0),
    "change_radial": ("radial change coefficient", 0.00001, 0.02),
    "change_tangential": ("tangential change coefficient", 0.00001, 0.02),
    "gravity_green": ("specific gravity green", 0.02, 1.5),
    "gravity_12": ("specific gravity at 12 %", 0.02, 1.5),
    "rupture_green_psi": ("modulus of rupture green", 100.0, 60_000.0),
    "rupture_12_psi": ("modulus of rupture at 12 %", 100.0, 60_000.0),
}
_WORDS = ("botanical", "also", "anatomy")
_KNOWN = ("read", "quoted", "from memory")
_MPA_PER_PSI = 0.00689475729  # exact by the definitions of pound, inch and newton
_MOST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class WoodValue:
    """One number, where it comes from, and how it is known.

    ``known`` is "read" (in the source), "quoted" (read where someone quotes the source),
    "from memory", or "given by the user".
    """

    value: float
    source: str
    known: str
    note: str | None = None

    @property
    def words(self) -> str:
        """The source in words, with what has to be said about it."""
        said = {"read": "", "quoted": ", as quoted elsewhere"}.get(self.known, f", {self.known}")
        return f"{self.source}{said}" + (f" ({self.note})" if self.note else "")


@dataclass(frozen=True, slots=True)
class Wood:
    """One species. Numbers that nobody has given are absent: `number` refuses them by name."""

    name: str
    botanical: str | None
    also: tuple[str, ...]
    anatomy: str | None
    anatomy_source: str | None
    values: tuple[tuple[str, WoodValue], ...]

    def value(self, key: str) -> WoodValue:
        """A value with its source; ``key`` is one of `NUMBERS`.

        Raises
        ------
        InputError
            Nobody has given this value for this wood; the message names both.
        """
        for name, found in self.values:
            if name == key:
                return found
        words = NUMBERS[key][0]
        raise InputError(
            f"No {words} is known for {plain_name(self.name)}: add {key} with its source "
            "to a wood file of your own."
        )

    def number(self, key: str) -> float:
        """The number alone; raises InputError as `value` does."""
        return self.value(key).value

    def rupture_mpa(self, key: str) -> float:
        """Modulus of rupture in MPa; ``key`` is rupture_green_psi or rupture_12_psi."""
        return self.number(key) * _MPA_PER_PSI


@dataclass(frozen=True, slots=True)
class Woods:
    """All woods at hand, by name."""

    woods: tuple[Wood, ...]

    def find(self, name: str) -> Wood:
        """The wood of this name, in any case; names under ``also`` count.

        Raises
        ------
        InputError
            No wood, or no single wood, has this name; the message says which come near.
        """
        wanted = _folded(name)
        for wood in self.woods:
            if wanted in map(_folded, (wood.name, wood.botanical or "", *wood.also)):
                return wood
        near = [w.name for w in self.woods if wanted and wanted in _folded(w.name).split()]
        if near:
            raise InputError(
                f"{plain_name(name)!r} may be {sentence_list(near, 'or')}: give the full name."
                if len(near) > 1
                else f"{plain_name(name)!r} is not a wood's full name: "
                f"write {near[0]} if that is meant."
            )
        raise InputError(
            f"No wood named {plain_name(name)!r} is known. Known are "
            f"{sentence_list(w.name for w in self.woods)}; add others in a wood file of your own."
        )


def read_woods(user_file: Path | None = None) -> Woods:
    """The woods of the package, with those of ``user_file`` laid over them.

    The user's file has the form of ``grainscan/workshop/woods.toml``. A wood with a new name is
    added; a value of a wood that is there already takes the place of the old one. ``source`` and
    ``known`` may be left out in it: the value then counts as given by the user.

    Raises
    ------
    RecordError
        The user's file cannot be read, or an entry is wrong; the message names file, wood
        and key.
    """
    if user_file is None:
        return _own()
    place = plain_name(user_file.name)
    given = _parsed(
        read_toml(user_file, most_bytes=_MOST_BYTES),
        place,
        given_by=f"given by the user in {place}",
    )
    merged = {_folded(wood.name): wood for wood in _own().woods}
    for wood in given:
        old = merged.get(_folded(wood.name))
        merged[_folded(wood.name)] = wood if old is None else _laid_over(old, wood)
    return _without_clashes(tuple(merged.values()), place)


@cache
def _own() -> Woods:
    text = resources.files(__package__).joinpath("woods.toml").read_text("utf-8")
    return _without_clashes(_parsed(tomllib.loads(text), "woods.toml", given_by=None), "woods.toml")


def _parsed(table: Mapping[str, Any], place: str, *, given_by: str | None) -> tuple[Wood, ...]:
    for key in table:
        if key not in ("source", "wood"):
            raise RecordError(
                f'{place}: unknown table {plain_name(key)!r}; a wood begins with [wood."name"].'
            )
    sources = _table(table.get("source", {}), place, "source")
    woods = _table(table.get("wood", {}), place, "wood")
    return tuple(
        _wood(name, _table(entry, place, name), sources, place, given_by)
        for name, entry in woods.items()
    )


def _wood(
    name: str,
    entry: Mapping[str, Any],
    sources: Mapping[str, Any],
    place: str,
    given_by: str | None,
) -> Wood:
    at = f"{place}, {plain_name(name)}"
    for key in entry:
        if key not in NUMBERS and key not in _WORDS:
            raise RecordError(
                f"{at}: unknown key {plain_name(key)!r}. "
                f"Known keys are {sentence_list((*_WORDS, *NUMBERS))}."
            )
    if not name.strip():
        raise RecordError(f"{place}: a wood needs a name.")
    anatomy, anatomy_source = _anatomy(entry, sources, at, given_by)
    also = entry.get("also", [])
    if not isinstance(also, list) or not all(isinstance(a, str) and a.strip() for a in also):
        raise RecordError(f'{at}: also must be a list of names, such as also = ["ash"].')
    botanical = entry.get("botanical")
    if botanical is not None and not isinstance(botanical, str):
        raise RecordError(f"{at}: botanical must be a text in quotes.")
    values = tuple(
        (key, _value(entry[key], key, sources, at, given_by)) for key in NUMBERS if key in entry
    )
    return Wood(name.strip(), botanical, tuple(also), anatomy, anatomy_source, values)


def _value(
    entry: object, key: str, sources: Mapping[str, Any], at: str, given_by: str | None
) -> WoodValue:
    if isinstance(entry, int | float) and given_by is not None:
        entry = {"value": entry}  # a plain number will do in a user's own file
    fields = _fields(entry, key, at)
    number = fields["value"]
    words, low, high = NUMBERS[key]
    if isinstance(number, bool) or not isinstance(number, int | float):
        raise RecordError(f"{at}: {key} must be a number without quotes.")
    if not (math.isfinite(number) and low <= number <= high):
        raise RecordError(f"{at}: {words} {number:g} is outside {low:g} to {high:g} ({key}).")
    source, known = _source(fields, sources, f"{at}: {key}", given_by)
    return WoodValue(float(number), source, known, fields.get("note"))


def _fields(entry: object, key: str, at: str) -> Mapping[str, Any]:
    if not isinstance(entry, dict) or "value" not in entry:
        raise RecordError(f'{at}: write {key} = {{ value = ..., source = "..." }}.')
    for field, content in entry.items():
        if field not in ("value", "source", "known", "note"):
            raise RecordError(f"{at}: {key} has an unknown part {plain_name(field)!r}.")
        if field != "value" and not isinstance(content, str):
            raise RecordError(f"{at}: {field} of {key} must be a text in quotes.")
    return entry


def _source(
    fields: Mapping[str, Any], sources: Mapping[str, Any], at: str, given_by: str | None
) -> tuple[str, str]:
    """Source in words and how the value is known; a user may leave out both."""
    source, known = fields.get("source"), fields.get("known")
    if given_by is not None:
        source = given_by if source is None else source
        known = "given by the user" if known is None else known
    if source is None or known is None:
        raise RecordError(f"{at} needs a source and how it is known.")
    if known not in (*_KNOWN, "given by the user"):
        raise RecordError(f"{at}: known must be {sentence_list(_KNOWN, 'or')}.")
    words = sources.get(source, source)
    if not isinstance(words, str):
        raise RecordError(f"{at}: the source {plain_name(source)!r} must be a text in quotes.")
    return words, known


def _anatomy(
    entry: Mapping[str, Any], sources: Mapping[str, Any], at: str, given_by: str | None
) -> tuple[str | None, str | None]:
    if "anatomy" not in entry:
        return None, None
    given = entry["anatomy"]
    if isinstance(given, str) and given_by is not None:
        given = {"value": given}
    fields = _fields(given, "anatomy", at)
    if fields["value"] not in ANATOMIES:
        raise RecordError(f"{at}: anatomy must be {sentence_list(ANATOMIES, 'or')}.")
    source, known = _source(fields, sources, f"{at}: anatomy", given_by)
    return fields["value"], source if known == "read" else f"{source}, {known}"


def _table(entry: object, place: str, name: str) -> Mapping[str, Any]:
    if not isinstance(entry, dict):
        raise RecordError(f"{place}: {plain_name(name)} must be a table.")
    return entry


def _laid_over(old: Wood, new: Wood) -> Wood:
    values = dict(old.values) | dict(new.values)
    return replace(
        old,
        botanical=new.botanical or old.botanical,
        also=tuple(dict.fromkeys((*old.also, *new.also))),
        anatomy=new.anatomy or old.anatomy,
        anatomy_source=new.anatomy_source or old.anatomy_source,
        values=tuple((key, values[key]) for key in NUMBERS if key in values),
    )


def _without_clashes(woods: tuple[Wood, ...], place: str) -> Woods:
    """A name that stands for two woods would silently give the wrong one."""
    taken: dict[str, str] = {}
    for wood in woods:
        for name in {_folded(n) for n in (wood.name, *wood.also)}:
            if name in taken:
                raise RecordError(
                    f"{place}: {plain_name(name)!r} stands for both {plain_name(taken[name])} "
                    f"and {plain_name(wood.name)}."
                )
            taken[name] = wood.name
    return Woods(woods)


def _folded(name: str) -> str:
    return " ".join(name.casefold().replace("_", " ").replace("-", " ").split())
