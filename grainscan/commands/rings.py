"""``grainscan rings``: the growth rings of a blank's end in full."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import click

from grainscan.commands.bench_common import FILE, finish, free_start, make_folder, wrong_usage
from grainscan.commands.say import say

if TYPE_CHECKING:
    from grainscan.photo.folder import BlankPhotos
    from grainscan.results import EndScan

__all__ = ["rings"]


@click.command(no_args_is_help=True)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=FILE)
@click.option("--add", multiple=True, type=float, help="Add a boundary: mm from the centre.")
@click.option("--remove", multiple=True, type=int, help="Take out a boundary: its number, from 1.")
@click.option("--species", help="Common name of the wood; by default as its record.")
@click.option("--list", "listed", is_flag=True, help="List the boundaries with their numbers.")
@click.option("--csv", "folder", type=FILE, help="Write ring widths, oldest first, to this folder.")
def rings(
    paths: tuple[Path, ...],
    add: tuple[float, ...],
    remove: tuple[int, ...],
    species: str | None,
    listed: bool,
    folder: Path | None,
) -> None:
    """Read the growth rings of blanks' ends: count, widths, pith, growth-rate rules.

    PATH is a blank's folder or a folder of such folders. --add and --remove change the boundaries
    of one blank, and every number follows. Distances for --add run towards the bark, along the
    line through the centre at right angles to the rings (as --list prints them).
    """
    from grainscan.errors import GrainscanError, InputError
    from grainscan.judge.growth import ring_widths_csv
    from grainscan.photo.folder import find_blanks
    from grainscan.shown.files import write_whole
    from grainscan.shown.ring_words import ring_words

    make_folder(folder)
    blanks = find_blanks(paths)
    problems: list[str] = []
    taken: set[str] = set()
    with wrong_usage():
        if (add or remove) and len(blanks) != 1:
            raise InputError("Change the boundaries of one blank at a time.")
        for blank in blanks:
            wood = species or blank.record.species
            try:
                end = _measured(blank, wood)
            except InputError:
                raise
            except GrainscanError as error:
                problems.append(f"{blank.name}: {error}")
                continue
            if add or remove:
                end = _changed(end, add, remove)
            say(f"{blank.name}\n{ring_words(end, wood)}")
            if end.ring_series is None:
                problems.append(f"{blank.name}: the rings are not known")
                continue
            if listed:
                say(_list(end))
            if folder is not None:
                text = ring_widths_csv(end.ring_series, end.width_mm)
                write_whole(folder / f"{free_start(blank.name, taken)}-rings.csv", text.encode())
    finish(problems)


def _measured(blank: BlankPhotos, species: str | None) -> EndScan:
    from grainscan.errors import PhotoError
    from grainscan.measure.end import measure_end
    from grainscan.photo.reading import read_photo

    if blank.end is None:
        raise PhotoError("there is no photograph of its end")
    record = dataclasses.replace(blank.record, species=species)
    return measure_end(
        read_photo(blank.end).pixels,
        photo=blank.end.name,
        width_mm=record.width_mm,
        height_mm=record.height_mm,
        species=species,
    )


def _changed(end: EndScan, add: tuple[float, ...], remove: tuple[int, ...]) -> EndScan:
    from grainscan.errors import InputError
    from grainscan.measure.rings_series import with_boundaries

    if add and end.width_mm is None:
        raise InputError("Give the section's width in the blank's record to add boundaries in mm.")
    places = [place / (end.width_mm or 1.0) for place in add]
    return with_boundaries(end, add=places, remove=[number - 1 for number in remove])


def _list(end: EndScan) -> str:
    assert end.ring_series is not None
    scale, unit = (1.0, "section widths") if end.width_mm is None else (end.width_mm, "mm")
    return "\n".join(
        f"  boundary {i + 1}: {boundary.at * scale:+.2f} {unit} from the centre, "
        + ("by hand" if boundary.by_hand else f"chance {boundary.confidence:.0%}")
        for i, boundary in enumerate(end.ring_series.boundaries)
    )
