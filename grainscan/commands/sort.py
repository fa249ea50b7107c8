"""``grainscan sort``: scan new or changed blanks into the stock book, best first."""

from __future__ import annotations

import dataclasses
import shutil
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from grainscan.commands.in_book import (
    FILE,
    book_option,
    chosen_limit,
    open_for_writing,
    progress,
    typed_wrongly,
    write_file,
)
from grainscan.commands.say import say

if TYPE_CHECKING:
    from grainscan.photo.folder import BlankPhotos
    from grainscan.results import Limit
    from grainscan.stock.batch import Sorted
    from grainscan.stock.find import StockLine
    from grainscan.stock.store import Book

__all__ = ["sort"]

# What a shell gives for a program stopped by Ctrl-C.
_STOPPED = 130


@click.command(no_args_is_help=True)
@click.argument("folders", nargs=-1, required=True, metavar="FOLDER...", type=FILE)
@book_option
@click.option("--limit", metavar="1:N", help="Steepest slope of grain allowed, such as 1:20.")
@click.option(
    "--keep-strength",
    type=float,
    metavar="PERCENT",
    help="Limit as the share of straight-grained impact bending strength to keep.",
)
@click.option("--part", help="Part the blanks are meant for; it sets the limit.")
@click.option("--species", help="Wood, such as ash.")
@click.option("--again", is_flag=True, help="Measure anew what another version measured.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; by default one a core.")
@click.option("--cluster", metavar="ADDRESS", help="Measure on a Dask cluster, such as HOST:8786.")
@click.option("--csv", "csv_file", type=FILE, help="Write the list to this CSV file.")
@click.option("--json", "json_file", type=FILE, help="Write the list to this JSON file.")
def sort(
    folders: tuple[Path, ...],
    book_file: Path | None,
    limit: str | None,
    keep_strength: float | None,
    part: str | None,
    species: str | None,
    again: bool,
    workers: int | None,
    cluster: str | None,
    csv_file: Path | None,
    json_file: Path | None,
) -> None:
    """Scan every new or changed blank into the stock book and list all of them, best first.

    FOLDER is a blank's folder or a folder of such folders; a blank is known by its folder's
    name. What was scanned before is not scanned again, so a batch that was interrupted goes
    on where it was. Exit code: 0 if every blank is in the book, 1 if any failed (one line for
    each on the standard error), 2 for wrong usage.
    """
    from grainscan.photo.folder import find_blanks

    with typed_wrongly():
        chosen = chosen_limit(limit, keep_strength)
    book = open_for_writing(book_file)
    said = {"part": part, "species": species}
    found = [_with_record(blank, said) for blank in find_blanks(folders)]
    try:
        done = _run(book, found, chosen, again=again, workers=workers, cluster=cluster)
    except KeyboardInterrupt:
        say(
            "Stopped. What was scanned is in the book; the same command goes on from there.",
            err=True,
        )
        raise click.exceptions.Exit(_STOPPED) from None
    lines = _lines(book, done)
    say(_table(lines))
    say(_summary(done, book))
    _write(lines, csv_file, json_file)
    failed = [line for line in done if line.state == "failed"]
    for line in failed:
        say(f"{line.code}: {line.problem}", err=True)
    if failed:
        raise click.exceptions.Exit(1)


def _with_record(blank: BlankPhotos, said: dict[str, str | None]) -> BlankPhotos:
    """The blank with what was typed in place of what its record says."""
    typed: dict[str, Any] = {key: value for key, value in said.items() if value is not None}
    return dataclasses.replace(blank, record=dataclasses.replace(blank.record, **typed))


def _run(
    book: Book,
    found: Sequence[BlankPhotos],
    limit: Limit | None,
    *,
    again: bool,
    workers: int | None,
    cluster: str | None,
) -> tuple[Sorted, ...]:
    from grainscan.batch import default_workers
    from grainscan.scan import load_opencv
    from grainscan.stock.batch import sort_blanks

    with progress("blanks") as on_step:
        if cluster is not None:
            from grainscan.stock.cluster import cluster_engine

            with cluster_engine(cluster) as engine:
                return sort_blanks(
                    book, found, limit=limit, again=again, engine=engine, on_step=on_step
                )
        load_opencv()
        return sort_blanks(
            book,
            found,
            limit=limit,
            again=again,
            workers=workers or default_workers(len(found)),
            on_step=on_step,
        )


def _lines(book: Book, done: Sequence[Sorted]) -> tuple[StockLine, ...]:
    """The blanks of this batch that are in the book, best first."""
    from grainscan.stock.find import Filter, find

    codes = tuple(line.code for line in done if line.state != "failed")
    return find(book, Filter(codes=codes)) if codes else ()


def _table(lines: Sequence[StockLine]) -> str:
    from grainscan.stock.list_table import list_table

    return list_table(lines, width=min(shutil.get_terminal_size((100, 24)).columns, 120))


def _summary(done: Sequence[Sorted], book: Book) -> str:
    from grainscan.stock.batch import STATES
    from grainscan.wording import plain_name

    counts = Counter(line.state for line in done)
    words = ", ".join(f"{counts[state]} {state}" for state in STATES if counts[state])
    older = sum(line.older for line in done)
    hint = f" {older} by another version of grainscan: --again measures them anew." if older else ""
    return f"{words or 'no blank'}; book {plain_name(str(book.path))}.{hint}"


def _write(lines: Sequence[StockLine], csv_file: Path | None, json_file: Path | None) -> None:
    from grainscan.stock.csv_files import as_csv, as_json_text

    if csv_file is not None:
        write_file(csv_file, [as_csv(lines)])
    if json_file is not None:
        write_file(json_file, [as_json_text(lines).encode()])
