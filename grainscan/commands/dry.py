"""``grainscan dry``: the size to leave green, and what a section dries to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from grainscan.commands.in_book import typed_wrongly
from grainscan.commands.typed import angle_deg, number, write_json

if TYPE_CHECKING:
    from grainscan.workshop.ring_position import MeasuredRings

__all__ = ["dry"]

_FILE = click.Path(path_type=Path)


@click.command(no_args_is_help=True)
@click.option("--species", metavar="WOOD", help='Wood, such as "white ash".')
@click.option("--to", "to_text", metavar="PERCENT", help="Moisture content wanted, such as 6.")
@click.option(
    "--from",
    "from_text",
    metavar="PERCENT",
    default="green",
    show_default=True,
    help="Moisture content now.",
)
@click.option("--tenon", metavar="LENGTH", help="Diameter wanted dry, such as 14mm or 5/8in.")
@click.option("--allowance", metavar="LENGTH", help="To be left on the diameter for final sizing.")
@click.option(
    "--section", metavar="W x H", help='Section now, such as "25 x 26 mm": what it dries to.'
)
@click.option("--scan", type=_FILE, help="Result file of grainscan scan --json: ring direction.")
@click.option("--blank", metavar="NAME", help="Which blank of the result file.")
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
    from_text: str,
    tenon: str | None,
    allowance: str | None,
    section: str | None,
    scan: Path | None,
    blank: str | None,
    rings: str | None,
    pith: str | None,
    width: str | None,
    units: str | None,
    woods: Path | None,
    json_file: Path | None,
) -> None:
    """Say what to leave green for a dry tenon, or what a section will dry to.

    Shrinkage is the published mean of the species; the interval is its published spread. The
    direction of the growth rings comes from a scan of the blank's end, or is given by hand.
    """
    from grainscan.errors import InputError
    from grainscan.workshop.dry_words import DRY_CAUTION, forecast_lines, plan_lines
    from grainscan.workshop.leave_green import dry_forecast, green_plan
    from grainscan.workshop.moisture import parse_moisture
    from grainscan.workshop.units import Units, parse_length_mm, parse_section_mm, typed_units
    from grainscan.workshop.woods import read_woods

    with typed_wrongly():
        if species is None or to_text is None:
            raise InputError("Give the wood (--species) and the moisture content wanted (--to).")
        if (tenon is None) == (section is None):
            raise InputError("Give either the dry tenon wanted (--tenon) or a --section.")
        wood = read_woods(woods).find(species)
        span: dict[str, float] = {
            "from_percent": parse_moisture(from_text, what="moisture content now"),
            "to_percent": parse_moisture(to_text, what="moisture content wanted"),
        }
        placed = _rings(scan, blank, rings, pith, width)
        shown: Units = "in" if units == "in" else "mm"
        if units is None:
            shown = typed_units(tenon or section or "")
        result: dict[str, Any]
        if tenon is not None:
            extra = 0.0 if allowance is None else _allowance_mm(allowance)
            size_mm = parse_length_mm(tenon, what="tenon")
            plan = green_plan(wood, size_mm, placed, allowance_mm=extra, **span)
            lines, result = plan_lines(plan, shown), plan.to_dict()
        else:
            if allowance is not None:
                raise InputError("--allowance belongs to --tenon.")
            sizes_mm = parse_section_mm(section or "")
            forecast = dry_forecast(wood, *sizes_mm, placed, **span)
            lines, result = forecast_lines(forecast, shown), forecast.to_dict()
        if json_file is not None:
            write_json(json_file, result)
    for line in (*lines, DRY_CAUTION):
        click.echo(line)


def _allowance_mm(text: str) -> float:
    from grainscan.workshop.units import parse_length_mm

    # Nothing is no length, but it is an allowance.
    return 0.0 if text.strip() == "0" else parse_length_mm(text, what="allowance")


def _rings(
    scan: Path | None, blank: str | None, rings: str | None, pith: str | None, width: str | None
) -> MeasuredRings:
    from grainscan.errors import InputError
    from grainscan.workshop.ring_position import rings_from_file, rings_in_section
    from grainscan.workshop.units import parse_length_mm

    width_mm = None if width is None else parse_length_mm(width, what="width")
    if scan is not None:
        if rings is not None or pith is not None:
            raise InputError("Give the rings either by --scan or by hand (--rings, --pith).")
        return rings_from_file(scan, blank=blank, width_mm=width_mm)
    if rings is None and pith is None:
        raise InputError(
            "Give the direction of the growth rings: --scan with a result file, or --rings."
        )
    if blank is not None:
        raise InputError("--blank belongs to --scan.")
    direction = None if rings is None else angle_deg(rings, "ring direction")
    return rings_in_section(direction, None if pith is None else _point(pith), width_mm)


def _point(text: str) -> tuple[float, float]:
    from grainscan.errors import InputError

    parts = text.split(",")
    if len(parts) != 2:
        raise InputError("Write --pith as right,up in section widths, such as 0.4,-3.1.")
    return number(parts[0], "pith position"), number(parts[1], "pith position")
