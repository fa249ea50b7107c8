"""What the commands for the bench share: measuring blanks, units, pictures, exit codes."""

from __future__ import annotations

import contextlib
import dataclasses
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import click

from grainscan.commands.say import say

if TYPE_CHECKING:
    from grainscan.photo.folder import BlankPhotos
    from grainscan.results import BlankResult
    from grainscan.workshop.parts import Part

__all__ = [
    "FILE",
    "Measured",
    "Units",
    "allowance_option",
    "finish",
    "free_start",
    "known_parts",
    "length_value",
    "make_folder",
    "measure",
    "parts_option",
    "pictures_option",
    "straight_option",
    "trim_option",
    "units_option",
    "workers_option",
    "wrong_usage",
]

Units = Literal["mm", "in"]
Command = TypeVar("Command", bound=Callable[..., Any])

FILE = click.Path(path_type=Path)


def length_value(
    _context: click.Context, option: click.Parameter, value: str | None
) -> float | None:
    """The callback of an option that takes a length: millimetres, or text such as ``7/16 in``."""
    from grainscan.errors import InputError
    from grainscan.workshop.units import parse_length_mm

    if value is None or value.strip() in {"0", "0.0"}:
        return None if value is None else 0.0
    try:
        return parse_length_mm(value)
    except InputError as error:
        raise click.BadParameter(str(error), param=option) from error


@dataclasses.dataclass(frozen=True, slots=True)
class Measured:
    """A blank's photographs and its result; ``start`` begins the names of its pictures."""

    photos: BlankPhotos
    result: BlankResult
    start: str


def pictures_option(command: Command) -> Command:
    return click.option("--pictures", type=FILE, help="Write pictures to this folder.")(command)


def workers_option(command: Command) -> Command:
    return click.option(
        "--workers", type=click.IntRange(1, 256), help="Processes; by default one a core."
    )(command)


def units_option(command: Command) -> Command:
    return click.option(
        "--units",
        type=click.Choice(["mm", "in"]),
        default="mm",
        show_default=True,
        help="Units of the sizes that are printed.",
    )(command)


def parts_option(command: Command) -> Command:
    return click.option(
        "--parts", "parts_file", type=FILE, help="A TOML file with parts of your own."
    )(command)


def straight_option(command: Command) -> Command:
    return click.option(
        "--straight", is_flag=True, help="Lay parts straight instead of along the fibres."
    )(command)


def allowance_option(command: Command) -> Command:
    return click.option(
        "--allowance",
        callback=length_value,
        default="1",
        show_default=True,
        help="Wood to leave on every side, in mm or with its unit.",
    )(command)


def trim_option(command: Command) -> Command:
    return click.option(
        "--trim",
        callback=length_value,
        default="6",
        show_default=True,
        help="Length to cut off either end for checks, in mm or with its unit.",
    )(command)


def measure(
    paths: Sequence[Path],
    *,
    workers: int | None,
    record: Mapping[str, Any] | None = None,
    part: str | None = None,
) -> list[Measured]:
    """Measure the blanks in folders, in order; a blank that fails carries its failures.

    ``record``: entries that take the place of what a blank's own record says. ``part`` sets the
    limit the blanks are judged by.
    """
    from grainscan.batch import Job, default_workers, scan_many
    from grainscan.judge.limits import limit_for_part
    from grainscan.photo.folder import find_blanks

    blanks = find_blanks(paths)
    if record:
        typed = {key: value for key, value in record.items() if value is not None}
        blanks = [
            dataclasses.replace(b, record=dataclasses.replace(b.record, **typed)) for b in blanks
        ]
    limit = None if part is None else limit_for_part(part)
    jobs = [Job(blank, limit) for blank in blanks]
    results = scan_many(jobs, workers=workers or default_workers(len(jobs)))
    taken: set[str] = set()
    return [
        Measured(blank, result, free_start(blank.name, taken))
        for blank, result in zip(blanks, _with_progress(results, len(jobs)), strict=True)
    ]


def known_parts(parts_file: Path | None) -> Mapping[str, Part]:
    """The parts that come with the program and those of the user's own file."""
    from grainscan.workshop.parts import read_parts, shipped_parts

    shipped = shipped_parts()
    return shipped if parts_file is None else {**shipped, **read_parts(parts_file)}


def make_folder(pictures: Path | None) -> None:
    """Before minutes of scanning, see that pictures can be written where they are wanted."""
    if pictures is None:
        return
    try:
        pictures.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.UsageError(
            f"--pictures {pictures}: the folder cannot be made ({error.strerror})."
        ) from error


@contextlib.contextmanager
def wrong_usage() -> Iterator[None]:
    """What is typed wrongly on the command line ends with exit code 2, not 1."""
    from grainscan.errors import InputError, RecordError

    try:
        yield
    except (InputError, RecordError) as error:
        raise click.UsageError(str(error)) from error


def finish(problems: Sequence[str]) -> None:
    """One line on the standard error for each blank without an answer, and exit code 1."""
    for problem in problems:
        say(problem, err=True)
    if problems:
        raise click.exceptions.Exit(1)


def _with_progress(results: Iterator[BlankResult], total: int) -> Iterator[BlankResult]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    terminal = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeLeft())
    with Progress(
        *columns, console=terminal, transient=True, disable=not terminal.is_terminal
    ) as progress:
        task = progress.add_task("blanks", total=total)
        for result in results:
            progress.advance(task)
            yield result


def free_start(name: str, taken: set[str]) -> str:
    """A beginning for file names that no other blank has, without separators of folders."""
    plain = re.sub(r"[^\w. -]", "_", name).strip(". ") or "blank"
    start, count = plain, 1
    while start.lower() in taken:
        count += 1
        start = f"{plain}-{count}"
    taken.add(start.lower())
    return start
