"""``grainscan joint``: a dry tenon in a less dry mortise, at assembly and in service."""

from __future__ import annotations

from pathlib import Path

import click

from grainscan.commands.in_book import typed_wrongly
from grainscan.commands.say import say
from grainscan.commands.typed import angle_deg, write_json

__all__ = ["joint"]

_FILE = click.Path(path_type=Path)


@click.command(no_args_is_help=True)
@click.option("--tenon-species", metavar="WOOD", help='Wood of the tenon, such as "white ash".')
@click.option("--post-species", metavar="WOOD", help="Wood of the mortised part.")
@click.option("--mortise", metavar="LENGTH", help="Diameter of the mortise as bored.")
@click.option("--tenon", metavar="LENGTH", help="Diameter of the tenon at assembly.")
@click.option(
    "--tight",
    metavar="LENGTH",
    help="Instead of --tenon: interference wanted in service across the post's fibres.",
)
@click.option("--tenon-at", metavar="PERCENT", help="Moisture content of the tenon at assembly.")
@click.option("--post-at", metavar="PERCENT", help="Moisture content of the post at assembly.")
@click.option(
    "--service",
    metavar="PERCENT",
    multiple=True,
    help="Moisture content in the room; may be given again for another season.",
)
@click.option(
    "--turn",
    metavar="DEGREES",
    default="0",
    show_default=True,
    help="The tenon's rings from the post's fibres.",
)
@click.option(
    "--bore",
    metavar="DEGREES",
    default="90",
    show_default=True,
    help="The mortise's axis from the post's rings; 90 is from bark to pith.",
)
@click.option("--units", type=click.Choice(["mm", "in"]), help="By default as typed.")
@click.option("--woods", type=_FILE, help="A file with woods of your own.")
@click.option("--json", "json_file", type=_FILE, help="Write the result to this JSON file.")
def joint(
    tenon_species: str | None,
    post_species: str | None,
    mortise: str | None,
    tenon: str | None,
    tight: str | None,
    tenon_at: str | None,
    post_at: str | None,
    service: tuple[str, ...],
    turn: str,
    bore: str,
    units: str | None,
    woods: Path | None,
    json_file: Path | None,
) -> None:
    """Say how tight a round tenon is at assembly and in service, and how to turn its rings."""
    import dataclasses

    from grainscan.errors import InputError
    from grainscan.workshop.dry_words import JOINT_CAUTION, joint_lines
    from grainscan.workshop.joints import RoundJoint, joint_forecast, tenon_for_fit
    from grainscan.workshop.moisture import parse_moisture
    from grainscan.workshop.units import Units, parse_length_mm, typed_units
    from grainscan.workshop.woods import read_woods

    with typed_wrongly():
        if tenon_species is None or post_species is None:
            raise InputError("Give both woods: --tenon-species and --post-species.")
        if mortise is None or (tenon is None) == (tight is None):
            raise InputError(
                "Give the --mortise and either the --tenon or how --tight it shall be."
            )
        if tenon_at is None or post_at is None or not service:
            raise InputError("Give the moisture contents: --tenon-at, --post-at and --service.")
        known = read_woods(woods)
        mortise_mm = parse_length_mm(mortise, what="mortise")
        seasons = [parse_moisture(text, what="moisture content in service") for text in service]
        made = RoundJoint(
            tenon_wood=known.find(tenon_species),
            post_wood=known.find(post_species),
            tenon_mm=mortise_mm if tenon is None else parse_length_mm(tenon, what="tenon"),
            mortise_mm=mortise_mm,
            tenon_percent=parse_moisture(tenon_at, what="moisture content of the tenon"),
            post_percent=parse_moisture(post_at, what="moisture content of the post"),
            turn_deg=angle_deg(turn, "turn"),
            bore_deg=angle_deg(bore, "bore"),
        )
        if tight is not None:
            wanted = 0.0 if tight.strip() == "0" else parse_length_mm(tight, what="interference")
            made = dataclasses.replace(made, tenon_mm=tenon_for_fit(made, seasons[0], wanted))
        forecast = joint_forecast(made, seasons)
        shown: Units = "in" if units == "in" else "mm"
        if units is None:
            shown = typed_units(mortise)
        if json_file is not None:
            write_json(json_file, {"tenon_mm": made.tenon_mm, **forecast.to_dict()})
    for line in (*joint_lines(made, forecast, shown), JOINT_CAUTION):
        say(line)
