"""``grainscan scan``: measure blanks from their photographs and sort them."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from grainscan.commands.bench_common import free_start
from grainscan.commands.say import say

if TYPE_CHECKING:
    from grainscan.batch import Job
    from grainscan.by_hand import Corners
    from grainscan.photo.folder import BlankPhotos
    from grainscan.results import BlankResult, Limit

__all__ = ["scan"]

_FILE = click.Path(path_type=Path)


def _millimetres(
    _context: click.Context, _option: click.Parameter, value: float | None
) -> float | None:
    # NaN compares as false with everything, so the test is for what is right.
    if value is not None and not 0 < value <= 50_000:
        raise click.BadParameter(f"{value:g} is no length in millimetres above 0.")
    return value


@click.command(no_args_is_help=True)
@click.argument("paths", nargs=-1, metavar="[PATH]...", type=_FILE)
@click.option("--face-a", type=_FILE, help="Photograph of face A, instead of a folder.")
@click.option("--face-b", type=_FILE, help="Photograph of face B, instead of a folder.")
@click.option("--end", type=_FILE, help="Photograph of the marked end, instead of a folder.")
@click.option("--limit", metavar="1:N", help="Steepest slope of grain allowed, such as 1:20.")
@click.option(
    "--keep-strength",
    type=float,
    metavar="PERCENT",
    help="Limit as the share of straight-grained impact bending strength to keep, such as 90.",
)
@click.option("--part", help="Part the blanks are meant for; it sets the limit.")
@click.option("--species", help="Wood, such as ash.")
@click.option(
    "--width-mm", type=float, metavar="MM", callback=_millimetres, help="Width of face A."
)
@click.option(
    "--height-mm", type=float, metavar="MM", callback=_millimetres, help="Width of face B."
)
@click.option(
    "--length-mm", type=float, metavar="MM", callback=_millimetres, help="Length of the blank."
)
@click.option(
    "--card-check-mm",
    type=float,
    metavar="MM",
    callback=_millimetres,
    help="What the line of the reference card measures as printed.",
)
@click.option(
    "--card-on-bench",
    is_flag=True,
    default=None,
    help="The card lay on the bench, not level with the photographed face.",
)
@click.option(
    "--outline",
    multiple=True,
    metavar="SIDE=CORNERS",
    help="Corners set by hand for face-a, face-b or end of one blank, in pixels of the upright "
    'photograph, such as "face-a=410,633 3120,640 3118,871 412,860".',
)
@click.option(
    "--no-snap", is_flag=True, help="Leave such corners where they are, off the nearest edges."
)
@click.option("--json", "json_file", type=_FILE, help="Write the results to this JSON file.")
@click.option("--pictures", type=_FILE, help="Write pictures of what was found to this folder.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes; by default one a core.")
def scan(
    paths: tuple[Path, ...],
    face_a: Path | None,
    face_b: Path | None,
    end: Path | None,
    limit: str | None,
    keep_strength: float | None,
    part: str | None,
    species: str | None,
    width_mm: float | None,
    height_mm: float | None,
    length_mm: float | None,
    card_check_mm: float | None,
    card_on_bench: bool | None,
    outline: tuple[str, ...],
    no_snap: bool,
    json_file: Path | None,
    pictures: Path | None,
    workers: int | None,
) -> None:
    """Measure blanks from their photographs and sort them: keep, check or set aside.

    PATH is a blank's folder, which holds the photographs face-a, face-b and end, or a folder
    of such folders. The table goes to the standard output. Exit code: 0 if every blank was
    measured, 1 if any failed (one line for each on the standard error), 2 for wrong usage.
    """
    from grainscan.photo.folder import blank_from_files, find_blanks

    given = any(file is not None for file in (face_a, face_b, end))
    if bool(paths) == given:
        raise click.UsageError("Give either folders or single files (--face-a, --face-b, --end).")
    with _wrong_usage():
        chosen = _chosen_limit(limit, keep_strength, part)
        files_given = blank_from_files(face_a=face_a, face_b=face_b, end=end) if given else None
        outlines = dict(_outline(text) for text in outline)
    _check_places(json_file, pictures)
    record = {
        "species": species,
        "part": part,
        "width_mm": width_mm,
        "height_mm": height_mm,
        "length_mm": length_mm,
        "card_check_mm": card_check_mm,
        "card_on_bench": card_on_bench,
    }
    found = find_blanks(paths) if files_given is None else [files_given]
    if outline and len(found) != 1:
        raise click.UsageError("--outline is for one blank; put outlines into its blank.toml.")
    blanks = [_with_record(blank, record) for blank in found]
    if outlines or no_snap:
        blanks = [_with_outlines(blank, outlines, snap=not no_snap) for blank in blanks]
    results = _run(_jobs(blanks, chosen, pictures), workers)
    say(_table(results))
    if json_file is not None:
        _write_json(json_file, results)
    if _report_failures(results):
        raise click.exceptions.Exit(1)


@contextlib.contextmanager
def _wrong_usage() -> Iterator[None]:
    """What is typed wrongly on the command line ends with exit code 2, not 1."""
    from grainscan.errors import InputError

    try:
        yield
    except InputError as error:
        raise click.UsageError(str(error)) from error


def _chosen_limit(limit: str | None, keep_strength: float | None, part: str | None) -> Limit | None:
    from grainscan.judge.limits import limit_for_part, limit_keeping_strength, parse_limit

    if limit is not None and keep_strength is not None:
        raise click.UsageError("Give either --limit or --keep-strength, not both.")
    if limit is not None:
        return parse_limit(limit)
    if keep_strength is not None:
        return limit_keeping_strength(keep_strength)
    return None if part is None else limit_for_part(part)


def _check_places(json_file: Path | None, pictures: Path | None) -> None:
    """Before minutes of scanning, see that the results can be written where they are wanted."""
    if json_file is not None and (json_file.is_dir() or not json_file.parent.is_dir()):
        raise click.UsageError(f"--json {json_file}: give a file in a folder that exists.")
    if pictures is not None:
        try:
            pictures.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise click.UsageError(
                f"--pictures {pictures}: the folder cannot be made ({error.strerror})."
            ) from error


def _outline(text: str) -> tuple[str, Corners]:
    """Side and corners out of ``face-a=x,y x,y x,y x,y``."""
    from grainscan.errors import InputError

    side, _, corners = text.partition("=")
    name = side.strip().lower().replace("-", "_")
    pairs = [pair.split(",") for pair in corners.replace(";", " ").split()]
    try:
        points = [(float(x), float(y)) for x, y in pairs]
        a, b, c, d = points
    except ValueError:
        name = ""
    if name not in ("face_a", "face_b", "end"):
        raise InputError(
            f"--outline {text!r}: give a side and four corners, such as "
            '"face-a=410,633 3120,640 3118,871 412,860".'
        )
    return name, (a, b, c, d)


def _with_outlines(
    blank: BlankPhotos, outlines: Mapping[str, Corners], *, snap: bool
) -> BlankPhotos:
    by_hand = blank.by_hand
    for side, corners in outlines.items():
        by_hand = by_hand.with_outline(side, corners)
    return dataclasses.replace(blank, by_hand=dataclasses.replace(by_hand, snap=snap))


def _with_record(blank: BlankPhotos, given: Mapping[str, str | float | bool | None]) -> BlankPhotos:
    """The blank with what was typed in place of what its record says."""
    typed = {key: value for key, value in given.items() if value is not None}
    record = dataclasses.replace(blank.record, **typed)  # type: ignore[arg-type]
    return dataclasses.replace(blank, record=record)


def _jobs(blanks: Sequence[BlankPhotos], limit: Limit | None, pictures: Path | None) -> list[Job]:
    from grainscan.batch import Job

    jobs = []
    taken: set[str] = set()
    for blank in blanks:
        start = free_start(blank.name, taken)
        jobs.append(Job(blank, limit, None if pictures is None else (pictures, start)))
    return jobs


def _run(jobs: Sequence[Job], workers: int | None) -> list[BlankResult]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    from grainscan.batch import default_workers, scan_many

    results: list[BlankResult] = []
    terminal = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeLeft())
    with Progress(
        *columns, console=terminal, transient=True, disable=not terminal.is_terminal
    ) as progress:
        task = progress.add_task("blanks", total=len(jobs))
        for result in scan_many(jobs, workers=workers or default_workers(len(jobs))):
            results.append(result)
            progress.advance(task)
    return results


def _table(results: Sequence[BlankResult]) -> str:
    from grainscan.shown.table import result_table

    return result_table(results, width=min(shutil.get_terminal_size((100, 24)).columns, 120))


def _write_json(path: Path, results: Sequence[BlankResult]) -> None:
    from grainscan.shown.files import write_whole

    data = [result.to_dict() for result in results]
    text = json.dumps(data, indent=1, ensure_ascii=True, allow_nan=False)
    write_whole(path, (text + "\n").encode("ascii"))


def _report_failures(results: Sequence[BlankResult]) -> bool:
    from grainscan.wording import sentence

    failed = [r.measurement for r in results if r.measurement.failures]
    for measurement in failed:
        line = " ".join(sentence(failure) for failure in measurement.failures)
        say(f"{measurement.record.blank}: {line}", err=True)
    return bool(failed)
