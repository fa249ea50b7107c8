"""``grainscan plan``: which blank becomes which part of a cut list, and what to split next."""

from __future__ import annotations

from collections.abc import Mapping
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
    from grainscan.workshop.cutlist import CutList
    from grainscan.workshop.parts import Part

__all__ = ["plan"]


@click.command(no_args_is_help=True)
@click.argument("cut_list", metavar="CUTLIST")
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=FILE)
@click.option("--also-check", is_flag=True, help="Use parts sorted check as well.")
@straight_option
@allowance_option
@trim_option
@parts_option
@pictures_option
@units_option
@workers_option
def plan(
    cut_list: str,
    paths: tuple[Path, ...],
    also_check: bool,
    straight: bool,
    allowance: float,
    trim: float,
    parts_file: Path | None,
    pictures: Path | None,
    units: Units,
    workers: int | None,
) -> None:
    """Assign measured blanks to the parts of a cut list, and list what to split next.

    CUTLIST is a TOML file, or the name of one that comes with the program: chair, rake. PATH is a
    blank's folder or a folder of such folders.
    """
    from grainscan.shown.bench_words import plan_words
    from grainscan.workshop.plan import PlanRules, plan_parts

    with wrong_usage():
        wanted = _cut_list(cut_list, known_parts(parts_file))
    make_folder(pictures)
    rules = PlanRules(
        along_fibres=not straight, allowance_mm=allowance, trim_mm=trim, also_check=also_check
    )
    blanks = measure(paths, workers=workers)
    made = plan_parts([blank.result.measurement for blank in blanks], wanted, rules)
    say(plan_words(made, units))
    if pictures is not None:
        from grainscan.shown.bench_files import write_left_over, write_parts

        by_measurement = {id(blank.result.measurement): blank for blank in blanks}
        for used in made.used:
            blank = by_measurement[id(used.measurement)]
            write_parts(blank.photos, used.parts, pictures / f"{blank.start}-plan.jpg")
        for unused in made.unused:
            blank = by_measurement[id(unused.measurement)]
            write_left_over(blank.photos, unused, pictures / f"{blank.start}-left-over.jpg")
    finish(
        [
            f"{blank.photos.name}: {failure}"
            for blank in blanks
            for failure in blank.result.measurement.failures
        ]
    )


def _cut_list(text: str, parts: Mapping[str, Part]) -> CutList:
    from grainscan.errors import InputError
    from grainscan.workshop.cutlist import SHIPPED, read_cut_list, shipped_cut_list

    path = Path(text)
    if text in SHIPPED and not path.exists():
        return shipped_cut_list(text, parts)
    if not path.exists():
        raise InputError(
            f"There is no cut list {text!r}: give a TOML file, or one of {', '.join(SHIPPED)}."
        )
    return read_cut_list(path, parts)
