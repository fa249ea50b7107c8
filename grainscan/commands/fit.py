"""``grainscan fit``: where along a blank a part sits best."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from grainscan.commands.bench_common import (
    FILE,
    Units,
    allowance_option,
    finish,
    known_parts,
    make_folder,
    measure,
    parts_option,
    pictures_option,
    straight_option,
    trim_option,
    units_option,
    workers_option,
    wrong_usage,
)
from grainscan.commands.say import say

if TYPE_CHECKING:
    from grainscan.workshop.keep_clear import AvoidZone

__all__ = ["fit"]


@click.command(no_args_is_help=True)
@click.argument("part", required=False)
@click.argument("paths", nargs=-1, metavar="[PATH]...", type=FILE)
@straight_option
@allowance_option
@trim_option
@click.option(
    "--avoid",
    "avoid",
    multiple=True,
    metavar="FROM-TO",
    help="Stretch to keep clear of, in per cent of the length, such as 40-45; may be repeated.",
)
@parts_option
@click.option("--list", "list_parts", is_flag=True, help="List the parts there are, and stop.")
@pictures_option
@units_option
@workers_option
def fit(
    part: str | None,
    paths: tuple[Path, ...],
    straight: bool,
    allowance: float,
    trim: float,
    avoid: tuple[str, ...],
    parts_file: Path | None,
    list_parts: bool,
    pictures: Path | None,
    units: Units,
    workers: int | None,
) -> None:
    """Find the best place for a part in each blank, and say what the part would be worth.

    PART is a part's name, such as "chair rung"; PATH a blank's folder or a folder of such folders.
    """
    with wrong_usage():
        parts = known_parts(parts_file)
    if list_parts:
        from grainscan.shown.bench_words import part_list_words

        say(part_list_words(parts.values(), units))
        return
    if part is None or not paths:
        raise click.UsageError("Give a part and at least one folder, or --list.")
    from grainscan.shown.bench_words import fit_words
    from grainscan.workshop.fit import NoFit
    from grainscan.workshop.laid import lay_part, solid_for
    from grainscan.workshop.part_strength import CAUTION
    from grainscan.workshop.parts import part_named
    from grainscan.workshop.solid import NotKnown

    with wrong_usage():
        wanted = part_named(part, parts)
        zones = _zones(avoid)
    make_folder(pictures)
    problems: list[str] = []
    for blank in measure(paths, workers=workers):
        measurement = blank.result.measurement
        say(blank.photos.name)
        try:
            solid = solid_for(measurement, avoid=zones, trim_mm=trim)
        except ValueError as error:
            solid = NotKnown(f"{error}.")
        if isinstance(solid, NotKnown):
            say(f"  not known. {solid.reason}\n")
            problems.append(f"{blank.photos.name}: {solid.reason}")
            continue
        laid, other = (
            lay_part(measurement, solid, wanted, along_fibres=way, allowance_mm=allowance)
            for way in (not straight, straight)
        )
        say(fit_words(laid, other, units))
        say("".join(f"    {note}\n" for note in solid.notes))
        if pictures is not None and not isinstance(laid, NoFit):
            from grainscan.shown.bench_files import write_parts

            write_parts(blank.photos, [laid], pictures / f"{blank.start}-fit.jpg")
    say(CAUTION)
    finish(problems)


def _zones(texts: Sequence[str]) -> list[AvoidZone]:
    from grainscan.errors import InputError
    from grainscan.workshop.keep_clear import AvoidZone

    zones = []
    for text in texts:
        start, _, stop = text.replace("–", "-").partition("-")
        try:
            zones.append(AvoidZone(float(start) / 100.0, float(stop) / 100.0, "told by the user"))
        except ValueError as error:
            raise InputError(
                f"--avoid {text!r}: write two numbers of per cent, the lower first, such as 40-45."
            ) from error
    return zones
