"""``grainscan moisture``: moisture content from the air, from weights, and how it falls."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from grainscan.commands.in_book import book_option, typed_wrongly
from grainscan.commands.say import say
from grainscan.commands.typed import number

if TYPE_CHECKING:
    from grainscan.workshop.spread import Estimate
    from grainscan.workshop.weighings import Weighing

__all__ = ["moisture"]

_FILE = click.Path(path_type=Path)


@click.group(no_args_is_help=True)
def moisture() -> None:
    """Moisture content from the air of a room, from weights, and when a blank will be dry."""


@moisture.command(no_args_is_help=True)
@click.option("--temperature", metavar="T", help="Such as 20C or 68F.")
@click.option("--humidity", metavar="PERCENT", help="Relative humidity, such as 55.")
def air(temperature: str | None, humidity: str | None) -> None:
    """Moisture content to which air of a temperature and humidity brings wood."""
    from grainscan.errors import InputError

    with typed_wrongly():
        if temperature is None or humidity is None:
            raise InputError("Give --temperature and --humidity.")
        percent = _room_percent(temperature, humidity)
    say(f"Wood comes to {percent:.1f} % in this air; take ± 1 % with it.")


@moisture.command(no_args_is_help=True)
@click.option("--now", metavar="GRAMS", help="Weight now.")
@click.option("--dry", "dry_text", metavar="GRAMS", help="Oven-dry weight.")
@click.option("--green", metavar="GRAMS", help="Weight when it was green.")
@click.option("--green-at", metavar="PERCENT", help="Moisture content when it was green.")
@click.option("--species", metavar="WOOD", help="Wood, with --section and --length.")
@click.option("--section", metavar="W x H", help="Section when green.")
@click.option("--length", metavar="LENGTH", help="Length.")
@click.option("--woods", type=_FILE, help="A file with woods of your own.")
def weight(
    now: str | None,
    dry_text: str | None,
    green: str | None,
    green_at: str | None,
    species: str | None,
    section: str | None,
    length: str | None,
    woods: Path | None,
) -> None:
    """Moisture content now, and whether the part may go into a hot box.

    Give one of: the oven-dry weight (--dry); the green weight and moisture content (--green,
    --green-at); or wood and green size (--species, --section, --length), which only estimates.
    """
    from grainscan.errors import InputError
    from grainscan.workshop.dry_words import BOX_CAUTION
    from grainscan.workshop.moisture import (
        dry_weight_from_moisture,
        hot_box_advice,
        moisture_percent,
        parse_moisture,
        present_moisture,
    )
    from grainscan.workshop.spread import Estimate

    with typed_wrongly():
        if now is None:
            raise InputError("Give the weight --now.")
        now_g = number(now, "weight in grams")
        ways = (dry_text is not None, green is not None, species is not None)
        if sum(ways) != 1:
            raise InputError(
                "Give one of --dry, --green with --green-at, or --species with its green size."
            )
        if dry_text is not None:
            percent = moisture_percent(now_g, number(dry_text, "oven-dry weight in grams"))
            found = Estimate(percent, percent, percent)
        elif green is not None:
            if green_at is None:
                raise InputError("Give --green-at, the moisture content at the green weight.")
            wet = parse_moisture(green_at, what="green moisture content")
            dry_g = dry_weight_from_moisture(number(green, "green weight in grams"), wet)
            found = present_moisture(now_g, dry_g)
        else:
            found = present_moisture(now_g, _dry_from_size(species, section, length, woods))
        advice = hot_box_advice(found)
    span = f" ({found.low:.0f} to {found.high:.0f} %)" if found.high > found.low else ""
    say(f"It is at {found.value:.1f} %{span}.")
    say(f"Hot box: {advice.word}; {advice.because}.")
    say(BOX_CAUTION)


@moisture.command(no_args_is_help=True)
@click.argument("weighings", type=_FILE, required=False)
@click.option("--blank", metavar="CODE", help="Weighings of this blank of the stock book instead.")
@book_option
@click.option("--until", metavar="PERCENT", help="Moisture content wanted.")
@click.option("--dry", "dry_text", metavar="GRAMS", help="Oven-dry weight, where it is known.")
@click.option("--room", metavar="PERCENT", help="Moisture content to which the room leads.")
@click.option("--temperature", metavar="T", help="Instead of --room: such as 20C or 68F.")
@click.option("--humidity", metavar="PERCENT", help="Instead of --room: relative humidity.")
@click.option(
    "--scale-step", metavar="GRAMS", default="1", show_default=True, help="Step of the scale."
)
def curve(
    weighings: Path | None,
    blank: str | None,
    book_file: Path | None,
    until: str | None,
    dry_text: str | None,
    room: str | None,
    temperature: str | None,
    humidity: str | None,
    scale_step: str,
) -> None:
    """Fit a drying curve to WEIGHINGS and say on which date the blank will be dry enough.

    WEIGHINGS is a text file with a line per weighing: a date and grams, such as 2026-03-01, 812.
    With --blank the weighings are those that the stock book keeps of it.
    """
    from grainscan.errors import InputError
    from grainscan.workshop.dry_words import BOX_CAUTION, reach_lines
    from grainscan.workshop.drying_curve import fit_drying, reach_moisture
    from grainscan.workshop.moisture import hot_box_advice, parse_moisture
    from grainscan.workshop.spread import Estimate
    from grainscan.workshop.weighings import days_and_weights

    with typed_wrongly():
        if until is None:
            raise InputError("Give the moisture content wanted (--until).")
        if room is not None and (temperature is not None or humidity is not None):
            raise InputError("Give either --room or --temperature and --humidity.")
        if (temperature is None) != (humidity is None):
            raise InputError("Give both --temperature and --humidity.")
        room_percent = None
        if room is not None:
            room_percent = parse_moisture(room, what="moisture content of the room")
        elif temperature is not None and humidity is not None:
            room_percent = _room_percent(temperature, humidity)
        wanted = parse_moisture(until, what="moisture content wanted")
        found = _weighings(weighings, blank, book_file)
        days, weights = days_and_weights(found)
        fit = fit_drying(
            days,
            weights,
            dry_g=None if dry_text is None else number(dry_text, "oven-dry weight in grams"),
            room_percent=room_percent,
            scale_step_g=number(scale_step, "scale step in grams"),
        )
        reach = reach_moisture(fit, wanted)
    for line in reach_lines(fit, reach, found[0].on):
        say(line)
    if fit.dry_given:
        now = fit.moisture_percent(fit.days[-1])
        advice = hot_box_advice(Estimate(now, now, now))
        say(f"Hot box: {advice.word}; {advice.because}.")
    else:
        say("Hot box: without its oven-dry weight the moisture content is too unsure.")
    say(BOX_CAUTION)


def _weighings(
    file: Path | None, blank: str | None, book_file: Path | None
) -> tuple[Weighing, ...]:
    import datetime

    from grainscan.commands.in_book import open_for_reading
    from grainscan.errors import InputError
    from grainscan.stock.life import weighings_of
    from grainscan.workshop.weighings import Weighing, read_weighings

    if (file is None) == (blank is None):
        raise InputError(
            "Give either a file of weighings or --blank with a code of the stock book."
        )
    if file is not None:
        return read_weighings(file)
    kept = weighings_of(open_for_reading(book_file), blank or "")
    found = tuple(
        Weighing(datetime.date.fromisoformat(w.weighed_on), w.mass_g)
        for w in kept
        if w.mass_g is not None and w.weighed_on is not None
    )
    if not found:
        raise InputError(f"The stock book holds no mass of {blank}: weigh it first.")
    return found


def _room_percent(temperature: str, humidity: str) -> float:
    from grainscan.errors import InputError
    from grainscan.workshop.moisture import equilibrium_moisture_f, equilibrium_moisture_percent

    plain = temperature.strip().upper().replace("°", "").replace(" ", "")
    if plain[-1:] not in ("C", "F"):
        raise InputError(f"{temperature.strip()[:40]!r} needs its unit: write 20C or 68F.")
    degrees = number(plain[:-1], "temperature")
    share = number(humidity.strip().removesuffix("%"), "relative humidity")
    if plain[-1] == "F":
        return equilibrium_moisture_f(degrees, share)
    return equilibrium_moisture_percent(degrees, share)


def _dry_from_size(
    species: str | None, section: str | None, length: str | None, woods: Path | None
) -> Estimate:
    from grainscan.errors import InputError
    from grainscan.workshop.moisture import dry_weight_from_volume
    from grainscan.workshop.units import parse_length_mm, parse_section_mm
    from grainscan.workshop.woods import read_woods

    if species is None or section is None or length is None:
        raise InputError("Give --species with the green size: --section and --length.")
    width_mm, height_mm = parse_section_mm(section)
    volume = width_mm * height_mm * parse_length_mm(length, what="length")
    return dry_weight_from_volume(read_woods(woods).find(species), volume)
