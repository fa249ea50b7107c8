"""``grainscan shave``: which way to cut on each face, and which face first."""

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

__all__ = ["shave"]


@click.command(no_args_is_help=True)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=FILE)
@pictures_option
@units_option
@workers_option
def shave(
    paths: tuple[Path, ...], pictures: Path | None, units: Units, workers: int | None
) -> None:
    """Say which way to cut on each face, along its length, and which face to shave first.

    PATH is a blank's folder or a folder of such folders.
    """
    from grainscan.shown.bench_words import TOOL_CAUTION, shaving_words
    from grainscan.workshop.shaving import shaving_of

    make_folder(pictures)
    problems: list[str] = []
    for blank in measure(paths, workers=workers):
        measurement = blank.result.measurement
        shaving = shaving_of(measurement)
        problems += [f"{blank.photos.name}: {failure}" for failure in measurement.failures]
        say(shaving_words(shaving, units, measurement.record.length_mm) + "\n")
        if pictures is not None and shaving.faces:
            from grainscan.shown.bench_files import write_shaving

            path = pictures / f"{blank.start}-shave.jpg"
            write_shaving(blank.photos, measurement, shaving, blank.result.sort, path)
    say(TOOL_CAUTION)
    finish(problems)
