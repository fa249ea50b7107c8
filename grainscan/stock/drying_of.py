"""What the book knows of a blank for its drying: wood, rings, moisture content now."""

from __future__ import annotations

from dataclasses import dataclass

from grainscan.errors import GrainscanError, InputError
from grainscan.results import BlankRecord
from grainscan.stock.blanks import get_blank_in, record_of
from grainscan.stock.history import current_scan
from grainscan.stock.life import weighings_of
from grainscan.stock.records import Weighing
from grainscan.stock.store import Book, reading
from grainscan.wording import plain_name
from grainscan.workshop.moisture import dry_weight_from_volume, present_moisture
from grainscan.workshop.ring_position import MeasuredRings, rings_from_end
from grainscan.workshop.spread import Estimate
from grainscan.workshop.woods import Wood

__all__ = ["MoistureNow", "moisture_now", "record_in_book", "rings_in_book"]


@dataclass(frozen=True, slots=True)
class MoistureNow:
    """Moisture content of a blank, in per cent with its 90 % interval, and how it is known."""

    percent: Estimate
    words: str


def record_in_book(book: Book, code: str) -> BlankRecord:
    """What the book says of a blank, with the species of its log. Raises RecordError."""
    with reading(book) as connection:
        return record_of(connection, get_blank_in(connection, code))


def rings_in_book(book: Book, code: str, *, width_mm: float | None = None) -> MeasuredRings:
    """Where a blank's section lies in the tree, by its present scan.

    ``width_mm``: width of face A where neither the scan nor the book knows it.

    Raises
    ------
    RecordError
        There is no such blank.
    InputError
        It was not scanned, or the scan does not tell the direction of the rings.
    """
    scan = current_scan(book, code)
    end = None if scan is None else scan.result.measurement.end
    if end is None:
        raise InputError(
            f"The stock book has no scanned end of {plain_name(code)}: scan it with a photograph "
            "of the end, or give the direction of the rings by hand."
        )
    width = width_mm or record_in_book(book, code).width_mm
    return rings_from_end(end, width_mm=width, blank=code)


def moisture_now(book: Book, code: str, wood: Wood) -> MoistureNow | None:
    """Moisture content now by the blank's weighings, the last day first; None without any.

    A moisture content that was written down counts as it is. A mass alone is held against the
    oven-dry weight of the blank's size in the book and the specific gravity of its species,
    which only estimates (see `grainscan.workshop.moisture.dry_weight_from_volume`) and is
    right only while the blank has that size.

    Raises
    ------
    RecordError
        There is no such blank.
    InputError
        There is a mass, but the size or the specific gravity is missing, or they contradict it.
    """
    weighings = weighings_of(book, code)
    if not weighings:
        return None
    # Of one day, a moisture content written down says more than a mass.
    last = max(weighings, key=lambda w: (w.weighed_on, w.moisture_percent is not None))
    if last.moisture_percent is not None:
        percent = last.moisture_percent
        how = f", {last.moisture_source}" if last.moisture_source else ""
        words = f"Moisture now: {percent:g} % (written down on {last.weighed_on}{how})."
        return MoistureNow(Estimate(percent, percent, percent), words)
    return _by_mass(record_in_book(book, code), last, wood)


def _by_mass(record: BlankRecord, weighing: Weighing, wood: Wood) -> MoistureNow:
    name = plain_name(record.blank)
    sides = (record.width_mm, record.height_mm, record.length_mm)
    missing = f"{name} has a mass of {weighing.weighed_on}, but "
    if None in sides or weighing.mass_g is None:
        raise InputError(
            f"{missing}the book does not know its width, height and length: write them down, "
            "or give the moisture content now (--from)."
        )
    volume = 1.0
    for side in sides:
        volume *= side or 0.0
    try:
        found = present_moisture(weighing.mass_g, dry_weight_from_volume(wood, volume))
    except GrainscanError as error:
        raise InputError(f"{missing}{error}") from error
    words = (
        f"Moisture now: {found.value:.0f} % (90 % interval {found.low:.0f} to {found.high:.0f} %), "
        f"by its {weighing.mass_g:g} g on {weighing.weighed_on}, its size in the book and the "
        f"mean specific gravity of {wood.name}; only right while it has that size."
    )
    return MoistureNow(found, words)
