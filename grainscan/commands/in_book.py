"""What the commands that work on the stock book share: its place, filters, files, progress."""

from __future__ import annotations

import contextlib
import functools
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from grainscan.scan import OnStep
    from grainscan.stock.find import Filter
    from grainscan.stock.store import Book

__all__ = [
    "FILE",
    "MM",
    "book_option",
    "chosen_limit",
    "counted",
    "filter_options",
    "open_for_reading",
    "open_for_writing",
    "progress",
    "typed_wrongly",
    "wanted",
    "write_file",
]

FILE = click.Path(path_type=Path)
MM = click.FloatRange(min=0, min_open=True, max=50_000)
F = TypeVar("F", bound=Callable[..., Any])

book_option = click.option(
    "--book",
    "book_file",
    type=FILE,
    help="The stock book's file; by default what GRAINSCAN_BOOK names, else your own.",
)
_FILTERS = (
    click.option("--species", help="Wood, or a part of its name."),
    click.option(
        "--sort", "sort_word", type=click.Choice(["keep", "check", "set aside"]), help="Sorted as."
    ),
    click.option("--part", help="Part it is meant for, or a piece of its name."),
    click.option("--rack", help="Place on the rack, or a piece of its name."),
    click.option("--log", help="Code of the log it is from."),
    click.option("--slope", metavar="1:N", help="Whole interval no steeper than this."),
    click.option("--width", metavar="MM-MM", help="Width of face A: 20-30, 20- or -30."),
    click.option("--height", metavar="MM-MM", help="Width of face B: 20-30, 20- or -30."),
    click.option("--length", metavar="MM-MM", help="Length: 400-450, 400- or -450."),
    click.option("--moisture", metavar="PERCENT", type=float, help="Moisture at most."),
    click.option("--since", metavar="DAY", help="Scanned on this day or later, as 2026-03-14."),
    click.option("--until", metavar="DAY", help="Scanned on this day or before."),
    click.option("--in-stock", is_flag=True, help="Not made into anything yet."),
    click.option("--not-scanned", is_flag=True, help="Without a scan."),
)


def filter_options(function: F) -> F:
    """The options that choose blanks; `wanted` makes the filter of them."""
    return functools.reduce(lambda done, option: option(done), reversed(_FILTERS), function)


def wanted(
    codes: tuple[str, ...] = (),
    *,
    species: str | None,
    sort_word: str | None,
    part: str | None,
    rack: str | None,
    log: str | None,
    slope: str | None,
    width: str | None,
    height: str | None,
    length: str | None,
    moisture: float | None,
    since: str | None,
    until: str | None,
    in_stock: bool,
    not_scanned: bool,
) -> Filter:
    """The filter of what was typed. Raises InputError or RecordError for a wrong entry."""
    from grainscan.judge.limits import parse_limit
    from grainscan.stock.find import Filter
    from grainscan.stock.life import SORT_WORDS
    from grainscan.stock.records import check_date

    return Filter(
        codes=codes,
        species=species,
        sort=next((word for word in SORT_WORDS if word == sort_word), None),
        part=part,
        rack=rack,
        log=log,
        slope_at_most_deg=None if slope is None else parse_limit(slope).angle_deg,
        width_from_mm=_range(width, "--width")[0],
        width_to_mm=_range(width, "--width")[1],
        height_from_mm=_range(height, "--height")[0],
        height_to_mm=_range(height, "--height")[1],
        length_from_mm=_range(length, "--length")[0],
        length_to_mm=_range(length, "--length")[1],
        moisture_at_most_percent=moisture,
        since=check_date(since, "--since"),
        until=check_date(until, "--until"),
        in_stock=in_stock,
        not_scanned=not_scanned,
    )


def open_for_reading(book_file: Path | None) -> Book:
    """The book, which must be there. Raises BookError."""
    from grainscan.stock.store import open_book

    return open_book(book_file, create=False)


def open_for_writing(book_file: Path | None) -> Book:
    """The book, made if it is not there. Raises BookError."""
    from grainscan.stock.store import open_book

    return open_book(book_file)


def chosen_limit(limit: str | None, keep_strength: float | None) -> Any:
    """The limit that was typed in one of two ways, or None. Raises InputError."""
    from grainscan.judge.limits import limit_keeping_strength, parse_limit

    if limit is not None and keep_strength is not None:
        raise click.UsageError("Give either --limit or --keep-strength, not both.")
    if limit is not None:
        return parse_limit(limit)
    return None if keep_strength is None else limit_keeping_strength(keep_strength)


class _TypedWrongly(click.ClickException):
    exit_code = 2


@contextlib.contextmanager
def typed_wrongly() -> Iterator[None]:
    """What is typed wrongly ends with its one line and exit code 2, not 1."""
    from grainscan.errors import InputError, RecordError

    try:
        yield
    except (InputError, RecordError) as error:
        raise _TypedWrongly(str(error)) from error


@contextlib.contextmanager
def progress(what: str) -> Iterator[OnStep | None]:
    """A bar with the time left on a terminal; nothing elsewhere."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    terminal = Console(stderr=True)
    if not terminal.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeLeft())
    with Progress(*columns, console=terminal, transient=True) as bar:
        task = bar.add_task(what, total=None)

        def on_step(done: int, total: int, _text: str) -> None:
            bar.update(task, completed=done, total=total)

        yield on_step


def write_file(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file whole or not at all, piece by piece.

    Raises
    ------
    GrainscanError
        It cannot be written there; an older file is left as it was.
    """
    from grainscan.errors import GrainscanError
    from grainscan.wording import plain_name

    part = path.parent / f".{path.name}.{os.getpid()}.part"
    try:
        try:
            with part.open("wb") as file:
                for piece in pieces:
                    file.write(piece)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise GrainscanError(
            f"{plain_name(str(path))}: cannot be written ({error.strerror}). "
            "Free some space or choose another folder."
        ) from error


def counted(number: int, thing: str) -> str:
    """``1 blank``, ``2 blanks``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _range(text: str | None, option: str) -> tuple[float | None, float | None]:
    """``20-30``, ``20-``, ``-30``, or ``25`` for that alone."""
    from grainscan.errors import InputError
    from grainscan.wording import plain_name

    if text is None:
        return None, None
    low, dash, high = text.replace("–", "-").partition("-")
    try:
        least = float(low) if low.strip() else None
        most = (float(high) if high.strip() else None) if dash else least
    except ValueError:
        least = most = None
    if least is None and most is None:
        raise InputError(f"{option} {plain_name(text)!r}: write 20-30, 20- or -30 (millimetres).")
    return least, most
