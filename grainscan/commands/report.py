"""``grainscan report``: a report for students on one blank or a batch, as PDF or HTML."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from grainscan.commands.in_book import (
    FILE,
    book_option,
    counted,
    filter_options,
    open_for_reading,
    progress,
    typed_wrongly,
    wanted,
    write_file,
)
from grainscan.commands.say import say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from grainscan.scan import OnStep
    from grainscan.stock.find import StockLine
    from grainscan.stock.report import BlankReport
    from grainscan.stock.store import Book

__all__ = ["report"]


@click.command(no_args_is_help=True)
@click.argument("codes", nargs=-1, metavar="[CODE]...")
@click.option("--out", type=FILE, required=True, help="The file to write: .pdf or .html.")
@click.option("--title", help="Title of a report on several blanks.")
@book_option
@filter_options
def report(
    codes: tuple[str, ...],
    out: Path,
    title: str | None,
    book_file: Path | None,
    **filters: Any,
) -> None:
    """Write a report on blanks: by code, or those that the options let through.

    It has the photographs with what was found on them, the figures with their intervals, the
    limit and its source, how to see it oneself, and cautions. An HTML file needs nothing else.
    """
    from grainscan.errors import InputError
    from grainscan.stock.find import find
    from grainscan.stock.report_html import report_html
    from grainscan.stock.report_pdf import report_pdf

    with typed_wrongly():
        kind = out.suffix.lower()
        if kind not in {".pdf", ".html"}:
            raise InputError(f"--out {out.name}: end the name with .pdf or .html.")
        book = open_for_reading(book_file)
        lines = find(book, wanted(codes, **filters))
        if not lines:
            raise InputError("No blank was chosen; there is nothing to report on.")
    overview = lines if len(lines) > 1 else ()
    heading = title or (f"{len(lines)} blanks" if overview else lines[0].code)
    with progress("blanks") as on_step:
        reports = _reports(book, lines, on_step)
        if kind == ".pdf":
            write_file(out, [report_pdf(reports, title=heading, overview=overview)])
        else:
            pages = report_html(reports, title=heading, overview=overview)
            write_file(out, (piece.encode() for piece in pages))
    say(f"{out.name}: {counted(len(lines), 'blank')}.")


def _reports(
    book: Book, lines: Sequence[StockLine], on_step: OnStep | None
) -> Iterator[BlankReport]:
    from grainscan.stock.report import report_of

    for number, line in enumerate(lines):
        if on_step is not None:
            on_step(number, len(lines), line.code)
        yield report_of(book, line.code)
