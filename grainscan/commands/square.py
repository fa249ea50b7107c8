"""``grainscan square``: check a part that is squared already."""

from __future__ import annotations

from pathlib import Path

import click

from grainscan.commands.bench_common import (
    FILE,
    Units,
    finish,
    make_folder,
    measure,
    pictures_option,
    units_option,
    workers_option,
)
from grainscan.commands.say import say

__all__ = ["square"]


@click.command(no_args_is_help=True)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=FILE)
@click.option("--part", help="Part it is meant for; it sets the limit. By default as its record.")
@pictures_option
@units_option
@workers_option
def square(
    paths: tuple[Path, ...],
    part: str | None,
    pictures: Path | None,
    units: Units,
    workers: int | None,
) -> None:
    """Check squared parts: fibres that run through, the steepest stretch, the sort.

    PATH is a part's folder, photographed like a blank, or a folder of such folders.
    """
    from grainscan.shown.bench_words import square_words
    from grainscan.workshop.solid import NotKnown
    from grainscan.workshop.square import check_square

    make_folder(pictures)
    problems: list[str] = []
    for blank in measure(paths, workers=workers, part=part):
        check = check_square(blank.result.measurement, blank.result.limit)
        if isinstance(check, NotKnown):
            say(f"{blank.photos.name}: not known. {check.reason}\n")
            problems.append(f"{blank.photos.name}: {check.reason}")
            continue
        say(square_words(check, units) + "\n")
        if pictures is not None:
            from grainscan.shown.bench_files import write_square

            write_square(blank.photos, check, pictures / f"{blank.start}-square.jpg")
    finish(problems)
