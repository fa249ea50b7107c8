"""``grainscan board``: fibre-true blanks from a sawn board."""

from __future__ import annotations

from pathlib import Path

import click

from grainscan.commands.bench_common import (
    FILE,
    Units,
    finish,
    length_value,
    make_folder,
    measure,
    pictures_option,
    units_option,
    workers_option,
)
from grainscan.commands.say import say

__all__ = ["board"]

_SIZE = "in mm or with its unit, such as 1 1/4 in"


@click.command(no_args_is_help=True)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=FILE)
@click.option(
    "--width", callback=length_value, required=True, help=f"Width of the blanks wanted, {_SIZE}."
)
@click.option("--thickness", callback=length_value, required=True, help="Their thickness.")
@click.option("--length", callback=length_value, required=True, help="Their length.")
@click.option(
    "--kerf", callback=length_value, default="2", show_default=True, help="Width of the saw cut."
)
@pictures_option
@units_option
@workers_option
def board(
    paths: tuple[Path, ...],
    width: float,
    thickness: float,
    length: float,
    kerf: float,
    pictures: Path | None,
    units: Units,
    workers: int | None,
) -> None:
    """Lay saw lines along the fibres of a sawn board, with offsets to mark with a ruler.

    PATH is a board's folder, photographed like a blank: face A is its wide face, face B its edge.
    """
    from grainscan.shown.bench_words import board_words
    from grainscan.workshop.board import Wish, lay_board
    from grainscan.workshop.solid import NotKnown

    if min(width, thickness, length) <= 0:
        raise click.UsageError("Width, thickness and length must be above 0.")
    wish = Wish(width, thickness, length, kerf)
    make_folder(pictures)
    problems: list[str] = []
    for blank in measure(paths, workers=workers):
        plan = lay_board(blank.result.measurement, wish)
        if isinstance(plan, NotKnown):
            say(f"{blank.photos.name}: not known. {plan.reason}\n")
            problems.append(f"{blank.photos.name}: {plan.reason}")
            continue
        say(board_words(plan, units) + "\n")
        if pictures is not None:
            from grainscan.shown.bench_files import write_board

            write_board(plan, pictures / f"{blank.start}-board.jpg")
    finish(problems)
