"""``grainscan book``: the stock book as a whole: where it is, check, archive and back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from grainscan.commands.in_book import FILE, book_option, counted, open_for_reading, progress
from grainscan.commands.say import say

if TYPE_CHECKING:
    from grainscan.stock.check import Checked

__all__ = ["book"]


@click.group()
def book() -> None:
    """Look after the stock book: where it lies, check it, archive it and bring it back."""


@book.command()
@book_option
def info(book_file: Path | None) -> None:
    """Say where the book lies and how much is in it."""
    from grainscan.stock.migrations import schema_version
    from grainscan.stock.store import reading
    from grainscan.wording import plain_name

    opened = open_for_reading(book_file)
    with reading(opened) as connection:
        counts = [
            counted(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0], table)
            for table in ("log", "blank", "scan", "photograph")
        ]
        version = schema_version(connection)
    say(f"{plain_name(str(opened.path))}: {', '.join(counts)}; schema {version}")
    say(f"photographs in {plain_name(str(opened.photographs))}")


@book.command(name="export")
@click.argument("archive", type=FILE)
@book_option
def export_(archive: Path, book_file: Path | None) -> None:
    """Write the book with all its photographs into one file, ARCHIVE (a ZIP)."""
    from grainscan.stock.backup import export_book

    opened = open_for_reading(book_file)
    with progress("photographs") as on_step:
        done = export_book(opened, archive, on_step=on_step)
    size_mb = done.size_bytes / 1e6
    say(f"{archive.name}: book and {counted(done.photographs, 'photograph')}, {size_mb:.1f} MB.")
    for problem in done.problems:
        say(problem, err=True)
    if done.problems:
        raise click.exceptions.Exit(1)


@book.command(name="import")
@click.argument("archive", type=FILE)
@book_option
def import_(archive: Path, book_file: Path | None) -> None:
    """Bring a book back from ARCHIVE, into a place where there is none."""
    from grainscan.stock.backup import import_book
    from grainscan.wording import plain_name

    with progress("files") as on_step:
        opened = import_book(archive, book_file, on_step=on_step)
    say(f"The book is back at {plain_name(str(opened.path))}.")


@book.command()
@book_option
@click.option(
    "--from", "folder", type=FILE, help="Bring missing photographs back from this folder."
)
@click.option("--really", is_flag=True, help="Delete photographs' files that nothing names.")
def check(book_file: Path | None, folder: Path | None, really: bool) -> None:
    """Read the whole book and every photograph, and repair indexes.

    Exit code: 0 if all is well now, 1 if anything is missing or changed.
    """
    from grainscan.stock.check import check_book

    opened = open_for_reading(book_file)
    with progress("photographs") as on_step:
        done = check_book(opened, photographs_from=folder, remove_unnamed=really, on_step=on_step)
    _tell(done)
    if done.problems:
        raise click.exceptions.Exit(1)


def _tell(done: Checked) -> None:
    for line in done.repaired:
        say(f"Repaired: {line}")
    if done.unnamed:
        say(
            f"{counted(len(done.unnamed), 'file')} that nothing names, left by a run that was "
            "interrupted. They do no harm; --really deletes those older than an hour."
        )
    for line in done.problems:
        say(line, err=True)
    if not done.problems:
        say(f"The book is whole, and so are its {done.photographs} photographs.")
