"""The parts of a report for the bench: which way to cut, and the size to leave green."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grainscan.errors import GrainscanError, InputError
from grainscan.results import BlankMeasurement, BlankRecord
from grainscan.shown.bench_words import TOOL_CAUTION, faces_in_order, stretch_cells
from grainscan.stock.drying_of import moisture_now, record_in_book
from grainscan.stock.green_sizes import KeptGreenSize, green_sizes_of
from grainscan.stock.history import KeptScan
from grainscan.stock.report_parts import Figure, ReportPicture, Section
from grainscan.stock.store import Book
from grainscan.wording import place_words
from grainscan.workshop.dry_words import BOX_CAUTION, DRY_CAUTION, forecast_lines, plan_lines
from grainscan.workshop.leave_green import dry_forecast, green_plan
from grainscan.workshop.moisture import (
    FIBRE_SATURATION_PERCENT,
    equilibrium_moisture_percent,
    hot_box_advice,
)
from grainscan.workshop.parts import Part, shipped_parts
from grainscan.workshop.ring_position import MeasuredRings, rings_from_end
from grainscan.workshop.shaving import Shaving
from grainscan.workshop.spread import Estimate
from grainscan.workshop.woods import Wood, read_woods

__all__ = ["green_section", "shaving_section"]

_TENON_PERCENT = 6.0
_TENON_WHY = (
    "6 % is what a tenon is dried to in a warm box before it goes into a less dry mortise "
    "(common practice, no source)."
)
# A living room: air of 20 °C and 50 % relative humidity.
_ROOM = (20.0, 50.0)


def shaving_section(shaving: Shaving, pictures: Sequence[ReportPicture] = ()) -> Section:
    """Directions of clean cuts on faces A and B; on the faces opposite them they reverse."""
    figures: list[Figure] = []
    lines = [shaving.order.why, *shaving.notes]
    for face in faces_in_order(shaving):
        if face.face not in ("A", "B"):
            continue
        for stretch in face.stretches:
            span, direction, reason = stretch_cells(stretch)
            figures.append(Figure(f"Face {face.face}, {span}", direction, reason))
        if face.throughout:
            lines.append(f"Face {face.face}: {face.throughout} serves throughout.")
        lines += [
            f"Face {face.face}: the direction turns over at {place_words(turn)}."
            for turn in face.turns
        ]
    if figures:
        lines.append(
            "Places from the left end, the marked end on the right. On the faces opposite to A and "
            "B the directions reverse."
        )
    lines.append(TOOL_CAUTION)
    return Section(
        "Which way to shave", tuple(lines), figures=tuple(figures), pictures=tuple(pictures)
    )


def green_section(book: Book, code: str, scan: KeptScan) -> Section:
    """Sizes to leave green: those that were written down, else for the part the blank is for."""
    kept = green_sizes_of(book, code)
    if kept:
        return _section([line for one in kept for line in _kept_lines(one)])
    try:
        return _section(list(_computed(book, code, scan.result.measurement)))
    except InputError as error:
        return Section("What to leave green", (f"Not known. {error}",))


def _section(lines: list[str]) -> Section:
    return Section("What to leave green", (*lines, DRY_CAUTION))


def _kept_lines(kept: KeptGreenSize) -> Iterator[str]:
    by = f" by {kept.who}" if kept.who else ""
    yield f"Written down on {kept.planned_at[:10]}{by}:"
    yield from plan_lines(kept.plan)


def _computed(book: Book, code: str, measurement: BlankMeasurement) -> Iterator[str]:
    record = record_in_book(book, code)
    if record.species is None:
        raise InputError("Write down the wood of this blank.")
    wood = read_woods().find(record.species)
    if measurement.end is None:
        raise InputError("The direction of the rings needs a photograph of the end.")
    rings = rings_from_end(measurement.end, width_mm=record.width_mm, blank=code)
    now, said = _now(book, code, wood)
    part = shipped_parts().get(record.part or "")
    tenons = [] if part is None else _round_tenons_mm(part)
    if tenons:
        for diameter in tenons:
            plan = green_plan(wood, diameter, rings, to_percent=_TENON_PERCENT, from_percent=now)
            yield from plan_lines(plan)
        yield _TENON_WHY
    else:
        yield from _as_it_is(record, wood, rings, now)
    yield from said


def _as_it_is(
    record: BlankRecord, wood: Wood, rings: MeasuredRings, now: float | Estimate
) -> Iterator[str]:
    if record.width_mm is None or record.height_mm is None:
        raise InputError(
            "The part it is for has no round tenon that is known here; write down the blank's "
            "width and height to see what its section dries to."
        )
    room = equilibrium_moisture_percent(*_ROOM)
    sides = (record.width_mm, record.height_mm)
    yield from forecast_lines(dry_forecast(wood, *sides, rings, to_percent=room, from_percent=now))
    yield (
        f"{room:.1f} % is what wood comes to in air of {_ROOM[0]:g} °C and {_ROOM[1]:g} % relative "
        "humidity (Wood Handbook, FPL-GTR-190, 2010, eq. 4-5)."
    )


def _round_tenons_mm(part: Part) -> list[float]:
    """Smallest diameter of each tenon of a round part, each size once."""
    if part.shape != "round":
        return []
    import numpy as np

    sizes = []
    for start, stop in part.tenons:
        at = [start, *(a for a in part.at_mm if start < a < stop), stop]
        sizes.append(float(np.interp(at, part.at_mm, part.width_mm).min()))
    return sorted(set(sizes))


def _now(book: Book, code: str, wood: Wood) -> tuple[float | Estimate, tuple[str, ...]]:
    try:
        found = moisture_now(book, code, wood)
    except GrainscanError as error:
        return FIBRE_SATURATION_PERCENT, (f"Taken as green. {error}",)
    if found is None:
        return FIBRE_SATURATION_PERCENT, ()
    advice = hot_box_advice(found.percent)
    box = f"Hot box: {advice.word}; {advice.because}."
    return found.percent, (found.words, box, BOX_CAUTION)
