"""Parts to be made: profiles along the length, tenons, limits and loads, from TOML files."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from grainscan.errors import RecordError
from grainscan.judge.limits import known_parts, limit_for_part
from grainscan.judge.strength import PROPERTIES, Property
from grainscan.results import Limit
from grainscan.wording import plain_name, sentence_list
from grainscan.workshop.loads import LOAD_KINDS, Load
from grainscan.workshop.part_sections import SHAPES, Shape, area_mm2
from grainscan.workshop.toml_values import Table, read_toml

__all__ = [
    "Part",
    "PartSamples",
    "part_named",
    "read_parts",
    "sample_part",
    "shipped_parts",
    "volume_mm3",
]

FloatArray = npt.NDArray[np.float64]

_KEYS = (
    "shape", "profile", "tenons", "limit", "one_in", "limit_source", "load", "strength",
    "most_bend", "source",
)  # fmt: skip
_MOST_BYTES = 256_000
_SHOULDER_MM = 1e-3
# Two stations at one place make a shoulder; a step of a micrometre keeps places in order.


@dataclass(frozen=True, slots=True)
class Part:
    """A part as a solid of one kind of section along a line.

    ``at_mm``, ``width_mm``, ``depth_mm``: stations from the start to the end; sizes between
    them are interpolated linearly. ``tenons``: stretches (from, to) in mm. ``strength``: the
    property that decides for its role. ``most_bend_mm``: how far a finished part may be bent.
    """

    name: str
    shape: Shape
    at_mm: tuple[float, ...]
    width_mm: tuple[float, ...]
    depth_mm: tuple[float, ...]
    tenons: tuple[tuple[float, float], ...]
    limit: Limit
    load: Load
    strength: Property
    most_bend_mm: float | None
    source: str

    @property
    def length_mm(self) -> float:
        return self.at_mm[-1]

    @property
    def largest_mm(self) -> tuple[float, float]:
        """Largest width and largest depth."""
        return max(self.width_mm), max(self.depth_mm)

    @property
    def is_same_reversed(self) -> bool:
        """Whether turning it end for end changes nothing in its shape."""
        forth = (self.at_mm, self.width_mm, self.depth_mm)
        back = (
            tuple(self.length_mm - at for at in reversed(self.at_mm)),
            self.width_mm[::-1],
            self.depth_mm[::-1],
        )
        return all(
            np.allclose(a, b, atol=2 * _SHOULDER_MM) for a, b in zip(forth, back, strict=True)
        )


@dataclass(frozen=True, slots=True, eq=False)
class PartSamples:
    """A part's sizes at (N,) places ``s_mm`` along it."""

    s_mm: FloatArray
    width_mm: FloatArray
    depth_mm: FloatArray


def shipped_parts() -> Mapping[str, Part]:
    """The parts of the invented workshop Alder Ford, by name."""
    text = resources.files("grainscan.workshop").joinpath("parts.toml").read_text("utf-8")
    return _parts(tomllib.loads(text), "parts.toml")


def read_parts(path: Path) -> Mapping[str, Part]:
    """The parts of a user's own file, by name.

    Raises
    ------
    RecordError
        The file cannot be read, or an entry is wrong; the message names the file and the entry.
    """
    return _parts(read_toml(path, most_bytes=_MOST_BYTES), plain_name(path.name))


def sample_part(part: Part, count: int = 61) -> PartSamples:
    """Sizes at ``count`` evenly spaced places and at every station of the profile."""
    even = np.linspace(0.0, part.length_mm, count)
    s = np.unique(np.concatenate([even, part.at_mm]))
    at = np.array(part.at_mm)
    return PartSamples(s, np.interp(s, at, part.width_mm), np.interp(s, at, part.depth_mm))


def volume_mm3(part: Part) -> float:
    """Volume, by the trapezoidal rule over the sampled areas."""
    samples = sample_part(part)
    areas = area_mm2(part.shape, samples.width_mm, samples.depth_mm)
    return float(np.trapezoid(areas, samples.s_mm))


def _parts(data: Mapping[str, Any], place: str) -> dict[str, Part]:
    tables = Table(data, place).only(("part",)).table("part")
    return {name: _part(name, tables.table(name)) for name in tables.names()}


def _part(name: str, table: Table) -> Part:
    table.only(_KEYS)
    shape = table.choice("shape", SHAPES)
    at, width, depth = _profile(table)
    length = at[-1]
    return Part(
        name=name,
        shape=shape,
        at_mm=at,
        width_mm=width,
        depth_mm=depth,
        tenons=_tenons(table, length),
        limit=_limit(table),
        load=_load(table, length),
        strength=table.choice("strength", tuple(PROPERTIES)),
        most_bend_mm=table.length_or_none("most_bend"),
        source=table.text("source"),
    )


def _profile(table: Table) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    at: list[float] = []
    width: list[float] = []
    depth: list[float] = []
    for station in table.tables("profile"):
        station.only(("at", "diameter", "width", "depth"))
        place = station.length("at", zero=True)
        if at and place < at[-1]:
            raise RecordError(
                f"{table.place}: profile stations must run from one end to the other."
            )
        if station.has("diameter"):
            if station.has("width") or station.has("depth"):
                raise RecordError(f"{station.place}: give either diameter or width and depth.")
            width.append(station.length("diameter"))
            depth.append(width[-1])
        else:
            width.append(station.length("width"))
            depth.append(station.length("depth"))
        at.append(max(place, at[-1] + _SHOULDER_MM) if at else place)
    if len(at) < 2 or at[0] != 0 or at[-1] < 1:
        raise RecordError(
            f"{table.place}: profile needs at least two stations, the first at 0 and the last at "
            "the part's length."
        )
    return tuple(at), tuple(width), tuple(depth)


def _tenons(table: Table, length: float) -> tuple[tuple[float, float], ...]:
    tenons = table.length_pairs("tenons")
    for start, stop in tenons:
        if not 0 <= start < stop <= length + _SHOULDER_MM:
            raise RecordError(
                f"{table.place}: a tenon runs from a lower to a higher place on the part."
            )
    return tuple(tenons)


def _limit(table: Table) -> Limit:
    if table.has("one_in"):
        source = table.text("limit_source") if table.has("limit_source") else "given by the user"
        return Limit(table.number("one_in", low=1.0, high=100.0), source)
    name = table.text("limit")
    if name not in known_parts():
        raise RecordError(
            f"{table.place}: limit {plain_name(name)!r} is none of {sentence_list(known_parts())}. "
            "Or give one_in and limit_source."
        )
    return limit_for_part(name)


def _load(table: Table, length: float) -> Load:
    load = table.table("load").only(("kind", "held", "load"))
    kind = load.choice("kind", LOAD_KINDS)
    if kind != "overhanging":
        return Load(kind)
    held, at = load.length("held", zero=True), load.length("load")
    if not held < at <= length:
        raise RecordError(f"{load.place}: held must lie before load, and load on the part.")
    return Load(kind, held, at)


def part_named(name: str, parts: Mapping[str, Part]) -> Part:
    """A part by its name in any case, hyphens and underscores as spaces.

    Raises
    ------
    RecordError
        There is no such part; the message lists those there are.
    """
    plain = " ".join(name.lower().replace("-", " ").replace("_", " ").split())
    for known, part in parts.items():
        if " ".join(known.lower().replace("-", " ").replace("_", " ").split()) == plain:
            return part
    raise RecordError(f"There is no part {plain_name(name)!r}. Known are {sentence_list(parts)}.")
