"""``grainscan label``: a sheet of labels to print."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from grainscan.commands.in_book import (
    FILE,
    book_option,
    counted,
    filter_options,
    open_for_reading,
    typed_wrongly,
    wanted,
    write_file,
)
from grainscan.commands.say import say

__all__ = ["label"]


@click.command(no_args_is_help=True)
@click.argument("codes", nargs=-1, metavar="[CODE]...")
@click.option("--out", type=FILE, required=True, help="The PDF file to write.")
@click.option(
    "--sheet",
    default="plain-a4",
    show_default=True,
    help="plain-a4, plain-letter, a4-3x7, a4-3x8, a4-2x7, a4-2x4, letter-3x10 or letter-2x5.",
)
@click.option(
    "--first", type=int, default=1, help="First free label of a sheet that was begun, from 1."
)
@click.option(
    "--shift",
    nargs=2,
    type=click.FloatRange(-20, 20),
    default=(0.0, 0.0),
    metavar="RIGHT DOWN",
    help="Millimetres, for a printer that shifts its pages.",
)
@book_option
@filter_options
def label(
    codes: tuple[str, ...],
    out: Path,
    sheet: str,
    first: int,
    shift: tuple[float, float],
    book_file: Path | None,
    **filters: Any,
) -> None:
    """Print labels: by code, or for the blanks that the options let through.

    Each has the code, the answer with the slope, wood and size, an arrow to the marked end, and
    the code as a QR code. Print the PDF at its own size, not fitted to the page.
    """
    from grainscan.stock.find import find
    from grainscan.stock.label_sheets import sheet_named
    from grainscan.stock.labels import labels_pdf

    with typed_wrongly():
        lines = find(open_for_reading(book_file), wanted(codes, **filters))
        pdf = labels_pdf(lines, sheet_named(sheet), first=first, shift_mm=shift)
    write_file(out, [pdf])
    say(f"{out.name}: {counted(len(lines), 'label')}.")
