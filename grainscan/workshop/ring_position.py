"""Where a section lies in the tree: direction of its rings, and the pith they curve about."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grainscan.errors import InputError
from grainscan.from_files import parse_json, read_content
from grainscan.results import SCHEMA, EndScan
from grainscan.wording import plain_name, sentence_list

__all__ = ["MeasuredRings", "Rings", "rings_from_end", "rings_from_file", "rings_in_section"]

# A pith seen off the line at right angles to the rings says the rings are not circles about it,
# or that one of the two is wrong. Beyond half a right angle it is nearer to lying along the
# rings than across them: then they contradict each other.
_WORTH_A_NOTE_DEG = 10.0
_CONTRADICTION_DEG = 45.0
# The results of more than a thousand blanks.
_MOST_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class Rings:
    """Rings of a section seen on its end, millimetres from its centre: x right, y up.

    ``direction_deg``: trace of the rings at the centre, counter-clockwise from face A's edge,
    in (−90, 90]. ``pith_mm``: centre of the rings, on the line through the section's centre at
    right angles to that trace; None for straight rings.
    """

    direction_deg: float
    pith_mm: tuple[float, float] | None = None

    @property
    def radial_deg(self) -> float:
        """Direction across the rings, in (−90, 90]."""
        return folded_deg(self.direction_deg + 90.0)

    @property
    def curve_per_mm(self) -> float:
        """Curvature at the section's centre: 1 / distance of the pith, 0 for straight rings."""
        return 0.0 if self.pith_mm is None else 1.0 / math.hypot(*self.pith_mm)

    def curved(self, curve_per_mm: float) -> Rings:
        """The same direction with another curvature; below 0 the pith is on the other side.

        Straight rings have no side of the pith: they are bent towards ``radial_deg``.
        """
        if curve_per_mm == 0.0:
            return Rings(self.direction_deg)
        if self.pith_mm is None:
            towards = math.radians(self.radial_deg)
            unit = math.cos(towards), math.sin(towards)
        else:
            unit = (self.pith_mm[0] * self.curve_per_mm, self.pith_mm[1] * self.curve_per_mm)
        return Rings(self.direction_deg, (unit[0] / curve_per_mm, unit[1] / curve_per_mm))


@dataclass(frozen=True, slots=True)
class MeasuredRings:
    """Rings of a scanned end, with the 90 % interval of their direction and what is in doubt.

    ``curve_low_per_mm``, ``curve_high_per_mm``: 90 % interval of the rings' curvature (1 / distance
    of the pith), positive towards the pith of ``rings``, negative where it may be on the other
    side; None where the pith's distance is given without an interval. ``species``: what the
    result file says of the wood.
    """

    rings: Rings
    low_deg: float
    high_deg: float
    blank: str | None = None
    notes: tuple[str, ...] = ()
    curve_low_per_mm: float | None = None
    curve_high_per_mm: float | None = None
    species: str | None = None


def folded_deg(angle_deg: float) -> float:
    """The angle of an undirected line, in (−90, 90]."""
    folded = (angle_deg + 90.0) % 180.0 - 90.0
    return 90.0 if folded == -90.0 else folded


def rings_in_section(
    ring_direction_deg: float | None = None,
    pith: tuple[float, float] | None = None,
    section_width_mm: float | None = None,
) -> MeasuredRings:
    """Rings from plain numbers.

    Parameters
    ----------
    ring_direction_deg
        Trace of the rings at the section's centre, degrees counter-clockwise from face A's edge
        on the photograph of the end. May be left out where ``pith`` is given: then it is at
        right angles to the line to the pith.
    pith
        Pith in section widths from the section's centre (right, up); None for straight rings.
        Its distance is used; its direction is put at right angles to ``ring_direction_deg``
        where both are given, as the direction of the rings is seen and the pith is estimated.
    section_width_mm
        Width of face A, which turns section widths into millimetres; needed with ``pith``.

    Raises
    ------
    InputError
        Neither is given, a number is out of range, the width is missing, or the pith lies along
        the rings (more than 45° off the line at right angles to them).
    """
    if pith is None:
        if ring_direction_deg is None:
            raise InputError("Give the direction of the growth rings, or scan the blank's end.")
        direction = folded_deg(_finite(ring_direction_deg, "ring direction"))
        return MeasuredRings(Rings(direction), direction, direction)
    x, y = (_finite(part, "pith position") for part in pith)
    distance = math.hypot(x, y)
    if section_width_mm is None:
        raise InputError("The pith is given in section widths: give the section's width as well.")
    if not (math.isfinite(section_width_mm) and section_width_mm > 0):
        raise InputError(f"A section {section_width_mm:g} mm wide cannot be: give one above 0.")
    if distance == 0:
        raise InputError("The pith is at the section's centre: it has no one ring direction.")
    across_deg = math.degrees(math.atan2(y, x))
    if ring_direction_deg is None:
        direction = folded_deg(across_deg + 90.0)
    else:
        direction = folded_deg(_finite(ring_direction_deg, "ring direction"))
    off_deg = folded_deg(direction + 90.0 - across_deg)
    if abs(off_deg) > _CONTRADICTION_DEG:
        raise InputError(
            f"A ring direction of {direction:.0f}° and a pith at {across_deg:.0f}° contradict "
            "each other: the pith must lie across the rings. Leave one of them out."
        )
    towards = math.radians(across_deg + off_deg)
    reach = distance * section_width_mm
    notes: tuple[str, ...] = ()
    if abs(off_deg) > _WORTH_A_NOTE_DEG:
        notes = (
            f"The pith is {abs(off_deg):.0f}° off the line across the rings: the rings are not "
            "circles about it. Their direction is used as seen, the pith's distance alone.",
        )
    return MeasuredRings(
        Rings(direction, (reach * math.cos(towards), reach * math.sin(towards))),
        direction,
        direction,
        notes=notes,
    )


def rings_from_end(
    end: EndScan | Mapping[str, Any], *, width_mm: float | None = None, blank: str | None = None
) -> MeasuredRings:
    """Rings from a scanned end, or from the ``end`` object of a result file (schema 1).

    ``width_mm`` is the width of face A where the scan has no scale. Without any width the rings
    are taken as straight, with a note: the scan tells the pith in section widths only.

    Raises
    ------
    InputError
        The scan could not tell the direction of the rings, or an entry is no number.
    """
    read = end.to_dict() if isinstance(end, EndScan) else end
    direction = _number(read, "ring_direction_deg")
    if direction is None:
        raise InputError(
            "The scan could not tell the direction of the rings: photograph the end again, "
            "or give the direction by hand."
        )
    low, high = _number(read, "ring_direction_low_deg"), _number(read, "ring_direction_high_deg")
    width = width_mm if width_mm is not None else _number(read, "width_mm")
    pith = _pith(read)
    notes: tuple[str, ...] = ()
    if pith is not None and width is None:
        notes = (
            "The rings are taken as straight: the scan has no scale, and the pith is known in "
            "section widths only. Give the section's width to have their curve counted.",
        )
        pith = None
    found = rings_in_section(direction, pith, width)
    curve = None if width is None else _curve_interval(read, found.rings, width)
    return MeasuredRings(
        found.rings,
        direction if low is None else low,
        direction if high is None else high,
        blank,
        (*found.notes, *notes),
        *(curve or (None, None)),
    )


def _curve_interval(
    read: Mapping[str, Any], rings: Rings, width_mm: float
) -> tuple[float, float] | None:
    """90 % interval of the curvature from that of the pith's distance, in section widths.

    No far end: the rings may be straight. Where no pith is stated, its side is not known either
    and the rings may bend as much either way.
    """
    near, far = _number(read, "pith_distance_low"), _number(read, "pith_distance_high")
    if near is None or near <= 0:
        return None
    high = 1.0 / (near * width_mm)
    if rings.pith_mm is None:
        return -high, high
    low = 0.0 if far is None or far <= 0 else 1.0 / (far * width_mm)
    # The distance is that to the arcs' common centre, the interval that of their curvature at
    # the section's centre: rounding may put one a hair outside the other.
    return min(low, rings.curve_per_mm), max(high, rings.curve_per_mm)


def rings_from_file(
    path: Path, *, blank: str | None = None, width_mm: float | None = None
) -> MeasuredRings:
    """Rings of one blank from a result file that ``grainscan scan --json`` has written.

    ``blank`` may be left out where the file holds a single blank.

    Raises
    ------
    RecordError
        The file cannot be read or is too long.
    InputError
        It is no result file, no single blank has that name, or its end was not photographed or
        not told.
    """
    result = _one_blank(_results(path), blank, plain_name(path.name))
    name = str(result.get("blank"))
    end = result.get("end")
    if not isinstance(end, dict) or not end:
        raise InputError(
            f"The scan of {plain_name(name)!r} has no photograph of the end: scan it with one, "
            "or give the direction of the rings by hand."
        )
    found = rings_from_end(end, width_mm=width_mm, blank=name)
    species = result.get("species")
    return dataclasses.replace(found, species=species if isinstance(species, str) else None)


def _results(path: Path) -> list[Mapping[str, Any]]:
    place = plain_name(path.name)
    try:
        content = parse_json(read_content(path, most_bytes=_MOST_BYTES, place=place))
    except ValueError as error:
        raise InputError(f"{place}: this is no result file of grainscan scan --json.") from error
    found = content if isinstance(content, list) else [content]
    if not found or not all(isinstance(r, dict) and r.get("schema") == SCHEMA for r in found):
        raise InputError(f"{place}: this is no result file of grainscan scan --json (schema 1).")
    return found


def _one_blank(
    results: list[Mapping[str, Any]], blank: str | None, place: str
) -> Mapping[str, Any]:
    if blank is None and len(results) == 1:
        return results[0]
    same = [result for result in results if result.get("blank") == blank]
    if len(same) == 1:
        return same[0]
    names = sentence_list([plain_name(str(r.get("blank"))) for r in results[:12]], "or")
    if same:
        raise InputError(f"{place} holds {len(same)} blanks named {plain_name(str(blank))!r}.")
    if blank is None:
        raise InputError(f"{place} holds {len(results)} blanks: say which one ({names}).")
    raise InputError(f"{place} holds no blank {plain_name(blank)!r}; it holds {names}.")


def _number(read: Mapping[str, Any], key: str) -> float | None:
    value = read.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"The result file is damaged: {key} is {plain_name(repr(value))}.")
    return float(value)


def _pith(read: Mapping[str, Any]) -> tuple[float, float] | None:
    value = read.get("pith")
    if value is None:
        return None
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise InputError(f"The result file is damaged: pith is {plain_name(repr(value))}.")
    x, y = (_number({"pith": part}, "pith") for part in value)
    if x is None or y is None:
        raise InputError("The result file is damaged: pith holds an empty place.")
    return x, y


def _finite(number: float, what: str) -> float:
    if not math.isfinite(number):
        raise InputError(f"A {what} of {number:g} cannot be.")
    return float(number)
