"""``grainscan dry``: the size to leave green, and what a section dries to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from grainscan.commands.in_book import book_option, typed_wrongly
from grainscan.commands.say import say
from grainscan.commands.typed import angle_deg, number, write_json

if TYPE_CHECKING:
    from grainscan.stock.store import Book
    from grainscan.workshop.leave_green import DryForecast, GreenPlan
    from grainscan.workshop.ring_position import MeasuredRings
    from grainscan.workshop.spread import Estimate
    from grainscan.workshop.woods import Wood

__all__ = ["dry"]

_FILE = click.Path(path_type=Path)


@click.command(no_args_is_help=True)
@click.option(
    "--species", metavar="WOOD", help='Wood, such as "white ash"; else what is said of it.'
)
@click.option("--to", "to_text", metavar="PERCENT", help="Moisture content wanted, such as 6.")
@click.option(
    "--from",
    "from_text",
    metavar="PERCENT",
    help="Moisture content now; by default by the weighings of the stock book, else green.",
)
@click.option("--tenon", metavar="LENGTH", help="Diameter wanted dry, such as 14mm or 5/8in.")
@click.option("--allowance", metavar="LENGTH", help="To be left on the diameter for final sizing.")
@click.option(
    "--section", metavar="W x H", help='Section now, such as "25 x 26 mm": what it dries to.'
)
@click.option("--scan", type=_FILE, help="Result file of grainscan scan --json: ring direction.")
@click.option(
    "--blank", metavar="NAME", help="Which blank of the result file; without --scan, of the book."
)
@book_option
@click.option("--write-down", is_flag=True, help="Keep the size on the blank's stock record.")
@click.option(
    "--rings",
    metavar="DEGREES",
    help="Ring direction on the end, counter-clockwise from face A's edge, instead of a scan.",
)
@click.option("--pith", metavar="X,Y", help="Pith in section widths from the centre, right and up.")
@click.option("--width", metavar="LENGTH", help="Width of face A, to count the rings' curve.")
@click.option("--units", type=click.Choice(["mm", "in"]), help="By default as typed.")
@click.option("--woods", type=_FILE, help="A file with woods of your own.")
@click.option("--json", "json_file", type=_FILE, help="Write the result to this JSON file.")
def dry(
    species: str | None,
    to_text: str | None,
    from_text: str | None,
    tenon: str | None,
    allowance: str | None,
    section: str | None,
    scan: Path | None,
    blank: str | None,
    book_file: Path | None,
    write_down: bool,
    rings: str | None,
    pith: str | None,
    width: str | None,
    units: str | None,
    woods: Path | None,
    json_file: Path | None,
) -> None:
    """Say what to leave green for a dry tenon, or what a section will dry to.

    Shrinkage is the published mean of the species; the interval is its published spread. The
    direction of the growth rings comes from a scan of the blank's end, or is given by hand. With
    --blank and no --scan, the stock book tells the rings, the wood and the moisture content now.
    """
    from grainscan.errors import InputError
    from grainscan.workshop.dry_words import DRY_CAUTION, forecast_lines, plan_lines
    from grainscan.workshop.leave_green import GreenPlan
    from grainscan.workshop.units import Units, typed_units

    with typed_wrongly():
        if to_text is None:
            raise InputError("Give the moisture content wanted (--to).")
        if (tenon is None) == (section is None):
            raise InputError("Give either the dry tenon wanted (--tenon) or a --section.")
        if allowance is not None and tenon is None:
            raise InputError("--allowance belongs to --tenon.")
        book = _book(book_file) if blank is not None and scan is None else None
        if write_down and (book is None or tenon is None):
            raise InputError("--write-down belongs to --tenon and --blank with a code of the book.")
        placed = _rings(book, scan, blank, rings, pith, width)
        wood = _wood(book, blank, species, placed, woods)
        now, said = _now(book, blank, from_text, wood)
        found = _worked_out(wood, placed, now, to_text, tenon, allowance, section)
        shown: Units = "in" if units == "in" else "mm"
        if units is None:
            shown = typed_units(tenon or section or "")
        if isinstance(found, GreenPlan):
            lines = plan_lines(found, shown)
            if write_down and book is not None and blank is not None:
                _write_down(book, blank, found)
        else:
            lines = forecast_lines(found, shown)
        if json_file is not None:
            write_json(json_file, found.to_dict())
    for line in (*lines, *said, DRY_CAUTION):
        say(line)
    if write_down:
        say(f"{blank}: written down.")


def _book(book_file: Path | None) -> Book:
    from grainscan.commands.in_book import open_for_reading

    return open_for_reading(book_file)


def _write_down(book: Book, blank: str, plan: GreenPlan) -> None:
    from grainscan.stock.green_sizes import add_green_size

    add_green_size(book, blank, plan)


def _worked_out(
    wood: Wood,
    placed: MeasuredRings,
    now: float | Estimate,
    to_text: str,
    tenon: str | None,
    allowance: str | None,
    section: str | None,
) -> GreenPlan | DryForecast:
    from grainscan.workshop.leave_green import dry_forecast, green_plan
    from grainscan.workshop.moisture import parse_moisture
    from grainscan.workshop.units import parse_length_mm, parse_section_mm

    to = parse_moisture(to_text, what="moisture content wanted")
    if tenon is None:
        width_mm, height_mm = parse_section_mm(section or "")
        return dry_forecast(wood, width_mm, height_mm, placed, to_percent=to, from_percent=now)
    extra = 0.0 if allowance is None else _allowance_mm(allowance)
    size_mm = parse_length_mm(tenon, what="tenon")
    return green_plan(wood, size_mm, placed, allowance_mm=extra, to_percent=to, from_percent=now)


def _wood(
    book: Book | None,
    blank: str | None,
    species: str | None,
    placed: MeasuredRings,
    woods: Path | None,
) -> Wood:
    """The wood that was typed, else that of the result file or of the stock book."""
    from grainscan.errors import InputError
    from grainscan.workshop.woods import read_woods

    said = species or placed.species
    if said is None and book is not None and blank is not None:
        from grainscan.stock.drying_of import record_in_book

        said = record_in_book(book, blank).species
    if said is None:
        raise InputError("Give the wood (--species).")
    return read_woods(woods).find(said)


def _now(
    book: Book | None, blank: str | None, from_text: str | None, wood: Wood
) -> tuple[float | Estimate, tuple[str, ...]]:
    """Moisture content now as typed, else by the blank's weighings, else green; and how known."""
    from grainscan.workshop.moisture import FIBRE_SATURATION_PERCENT, parse_moisture

    if from_text is not None:
        return parse_moisture(from_text, what="moisture content now"), ()
    if book is not None and blank is not None:
        from grainscan.stock.drying_of import moisture_now

        found = moisture_now(book, blank, wood)
        if found is not None:
            return found.percent, (found.words,)
    return FIBRE_SATURATION_PERCENT, ()


def _allowance_mm(text: str) -> float:
    from grainscan.workshop.units import parse_length_mm

    # Nothing is no length, but it is an allowance.
    return 0.0 if text.strip() == "0" else parse_length_mm(text, what="allowance")


def _rings(
    book: Book | None,
    scan: Path | None,
    blank: str | None,
    rings: str | None,
    pith: str | None,
    width: str | None,
) -> MeasuredRings:
    from grainscan.errors import InputError
    from grainscan.workshop.ring_position import rings_from_file, rings_in_section
    from grainscan.workshop.units import parse_length_mm

    width_mm = None if width is None else parse_length_mm(width, what="width")
    by_hand = rings is not None or pith is not None
    if scan is not None:
        if by_hand:
            raise InputError("Give the rings either by --scan or by hand (--rings, --pith).")
        return rings_from_file(scan, blank=blank, width_mm=width_mm)
    if by_hand:
        direction = None if rings is None else angle_deg(rings, "ring direction")
        return rings_in_section(direction, None if pith is None else _point(pith), width_mm)
    if book is not None and blank is not None:
        from grainscan.stock.drying_of import rings_in_book

        return rings_in_book(book, blank, width_mm=width_mm)
    raise InputError(
        "Give the direction of the growth rings: --scan with a result file, --rings, or --blank "
        "with a code of the stock book."
    )


def _point(text: str) -> tuple[float, float]:
    from grainscan.errors import InputError

    parts = text.split(",")
    if len(parts) != 2:
        raise InputError("Write --pith as right,up in section widths, such as 0.4,-3.1.")
    return number(parts[0], "pith position"), number(parts[1], "pith position")
