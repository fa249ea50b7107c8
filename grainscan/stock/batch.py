"""Sort a folder of blanks into the book: whatever is new or changed, and nothing twice.

Blanks are measured in other processes or on other machines; only the process that sorts
writes the book. Each blank is kept, with its photographs, in one transaction as soon as it is
measured, so a batch that is interrupted goes on where it was when it is run again.
"""

from __future__ import annotations

import contextlib
import dataclasses
import sqlite3
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal, get_args

from grainscan.batch import fault_line
from grainscan.errors import BookError, GrainscanError, RecordError
from grainscan.judge.limits import limit_for_part
from grainscan.judge.sorting import judge_blank
from grainscan.photo.folder import BlankPhotos
from grainscan.processes import each_done
from grainscan.results import BlankMeasurement, BlankRecord, Limit
from grainscan.scan import OnStep
from grainscan.stock.as_json import canonical, from_json, object_from_json
from grainscan.stock.blanks import (
    checked_blank,
    get_blank_in,
    put_blank_in,
    record_of,
)
from grainscan.stock.measuring import (
    JobPhotograph,
    Measure,
    Measured,
    ScanJob,
    measure_job,
    measure_photographs,
)
from grainscan.stock.photographs import keep_photograph
from grainscan.stock.records import ROLES, Blank, Role
from grainscan.stock.scans import NewScan, inputs_of, keep_scan_in, known_scan, sort_again_in
from grainscan.stock.seen import SeenFile, look_at, remember_in
from grainscan.stock.store import Book, held_open, reading, writing
from grainscan.stock.version import measuring_version
from grainscan.wording import plain_name

__all__ = ["STATES", "Engine", "Sorted", "State", "sort_blanks"]

State = Literal["scanned", "sorted again", "unchanged", "failed"]
STATES: tuple[State, ...] = get_args(State)
Engine = Callable[
    [Callable[[ScanJob], Measured], Iterable[ScanJob]],
    Generator[tuple[ScanJob, Measured | None], None, None],
]

# What blank.toml says under its own names, and the names in the book.
_FROM_FOLDER = {
    "species": "species", "width_mm": "width_mm", "height_mm": "height_mm",
    "length_mm": "length_mm", "part": "part", "made": "made", "text": "notes",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sorted:
    """What became of one blank of the batch; ``problem`` says why it failed.

    ``older``: it was left as another version of the program measured it.
    """

    code: str
    state: State
    problem: str | None = None
    older: bool = False


@dataclass(frozen=True, slots=True)
class _Plan:
    """A blank on its way: what its folder says anew, its limit, its files."""

    changes: Blank
    folder_record: str
    limit: Limit
    files: tuple[SeenFile, ...]


@dataclass(slots=True)
class _Batch:
    """The state of one run; lives only while it runs."""

    book: Book
    found: Sequence[BlankPhotos]
    limit: Limit | None
    version: str
    again: bool
    on_step: OnStep | None
    done: list[Sorted] = field(default_factory=list)
    plans: dict[str, _Plan] = field(default_factory=dict)
    looked_at: list[SeenFile] = field(default_factory=list)

    def end(
        self, code: str, state: State, problem: str | None = None, *, older: bool = False
    ) -> None:
        self.done.append(Sorted(code, state, problem, older))
        if self.on_step is not None:
            self.on_step(len(self.done), len(self.found), code)


def sort_blanks(
    book: Book,
    found: Sequence[BlankPhotos],
    *,
    limit: Limit | None = None,
    workers: int = 1,
    again: bool = False,
    engine: Engine | None = None,
    measure: Measure = measure_photographs,
    version: str | None = None,
    on_step: OnStep | None = None,
) -> tuple[Sorted, ...]:
    """Scan every new or changed blank, and keep it in the book.

    Parameters
    ----------
    found
        The blanks, as `grainscan.photo.folder.find_blanks` finds them; each is known in the
        book by its folder's name. What its ``blank.toml`` says anew replaces what the book
        says; what it has said before does not, for it may have been put right in the book.
    limit
        Steepest slope allowed; by default that of each blank's part. Another limit than last
        time sorts again without measuring.
    workers
        Number of processes.
    again
        Measure anew what was measured by another version of the program.
    engine
        Runs a function on jobs, as `grainscan.processes.each_done` does, which is the default.
    measure
        Measures one blank; must be picklable if there are several processes. For tests.
    version
        What is kept as the measuring version; by default this program's.
    on_step
        Called with (blanks done, blanks in all, the last one's code).

    Returns
    -------
    tuple of Sorted
        What became of each blank, in the order in which they were done. A blank that failed
        is not kept; the next run tries it again.

    Raises
    ------
    BookError
        The book or its photographs cannot be written; what was kept before stays.
    """
    batch = _Batch(book, found, limit, version or measuring_version(), again, on_step)
    run = engine or partial(each_done, workers=workers)
    with (
        held_open(book),
        contextlib.closing(run(partial(measure_job, measure=measure), _jobs(batch))) as results,
    ):
        for job, measured in results:
            _finish(batch, job, measured)
    if any(not file.known for file in batch.looked_at):
        with writing(book) as connection:
            remember_in(connection, batch.looked_at)
    return tuple(batch.done)


def _jobs(batch: _Batch) -> Iterator[ScanJob]:
    """The blanks that need measuring; all others are ended here."""
    taken: set[str] = set()
    for photos in batch.found:
        code = photos.name
        if code.lower() in taken:
            batch.end(code, "failed", _same_name(photos))
            continue
        taken.add(code.lower())
        try:
            job = _job(batch, photos)
        except BookError:
            raise
        except GrainscanError as error:
            batch.end(code, "failed", str(error))
            continue
        if job is not None:
            yield job


def _job(batch: _Batch, photos: BlankPhotos) -> ScanJob | None:
    """What must be measured of a blank; None where the book has it already."""
    if not photos.usable:
        raise RecordError(" ".join(photos.problems))
    with reading(batch.book) as connection:
        files = {role: look_at(connection, path) for role, path in _paths(photos).items()}
        before, seen = _in_book(connection, photos.name)
        changes = _said_anew(before, seen, photos)
        blank = changes if before is None else _joined(before, changes)
        record = record_of(connection, blank)
        hashes: dict[Role, str] = {role: file.sha256 for role, file in files.items()}
        inputs = inputs_of(record, hashes, problems=photos.problems)
        known = known_scan(connection, blank.code, inputs, batch.version if batch.again else None)
        current = _current(connection, blank.code)
    plan = _Plan(
        changes=changes,
        folder_record=canonical(_said(photos.record)),
        limit=batch.limit or limit_for_part(blank.part),
        files=tuple(files.values()),
    )
    if known is None:
        batch.plans[blank.code] = plan
        return ScanJob(
            record=record,
            photographs=tuple(
                JobPhotograph(role, path, files[role].sha256)
                for role, path in _paths(photos).items()
            ),
            problems=photos.problems,
        )
    scan, version = known
    as_before = (
        current == (scan, plan.limit.one_in, plan.limit.source)
        and blank == before
        and canonical(seen) == plan.folder_record
    )
    batch.looked_at.extend(file for file in files.values() if not file.known)
    if not as_before:
        _sort_again(batch, plan, scan)
    state: State = "unchanged" if as_before else "sorted again"
    batch.end(blank.code, state, older=version != batch.version)
    return None


def _finish(batch: _Batch, job: ScanJob, measured: Measured | None) -> None:
    """Keep a blank that was measured; photographs first, then everything in one transaction."""
    code = job.record.blank
    plan = batch.plans.pop(code)
    if measured is None:
        line = "the process that scanned it was ended, perhaps for lack of memory."
        batch.end(code, "failed", f"{line} Try again with --workers 1.")
        return
    if measured.measurement is None:
        batch.end(code, "failed", measured.problem)
        return
    try:
        _keep(batch, plan, job, measured.measurement)
    except BookError:
        raise
    except GrainscanError as error:
        batch.end(code, "failed", str(error))
    except (TypeError, ValueError) as error:
        # The measurement holds what no measurement may: a fault of ours on this blank.
        batch.end(code, "failed", fault_line(error))
    else:
        batch.end(code, "scanned")


def _keep(batch: _Batch, plan: _Plan, job: ScanJob, measurement: BlankMeasurement) -> None:
    kept = tuple(
        (p.role, p.path.name, keep_photograph(batch.book, p.path, p.path.name, sha256=p.sha256))
        for p in job.photographs
    )
    scan = NewScan(
        record=job.record,
        measurement=measurement,
        limit=plan.limit,
        photographs=kept,
        problems=job.problems,
        version=batch.version,
    )
    with writing(batch.book) as connection:
        _write_blank(connection, plan)
        keep_scan_in(connection, scan)
        remember_in(connection, plan.files)


def _sort_again(batch: _Batch, plan: _Plan, scan: int) -> None:
    with writing(batch.book) as connection:
        _write_blank(connection, plan)
        (text,) = connection.execute(
            "SELECT measurement FROM scan WHERE id = ?", (scan,)
        ).fetchone()
        sort_again_in(connection, scan, judge_blank(from_json(BlankMeasurement, text), plan.limit))


def _write_blank(connection: sqlite3.Connection, plan: _Plan) -> None:
    number = put_blank_in(connection, plan.changes)
    connection.execute(
        "UPDATE blank SET folder_record = ? WHERE id = ?", (plan.folder_record, number)
    )


def _paths(photos: BlankPhotos) -> dict[Role, Any]:
    return {role: path for role in ROLES if (path := getattr(photos, role)) is not None}


def _in_book(connection: sqlite3.Connection, code: str) -> tuple[Blank | None, Mapping[str, Any]]:
    """The blank as the book has it, and what its folder said when it was last read."""
    row = connection.execute("SELECT folder_record FROM blank WHERE code = ?", (code,)).fetchone()
    if row is None:
        return None, {}
    return get_blank_in(connection, code), {} if row[0] is None else object_from_json(row[0])


def _said_anew(before: Blank | None, seen: Mapping[str, Any], photos: BlankPhotos) -> Blank:
    """What the folder says that it did not say when it was last read."""
    said = {name: value for name, value in _said(photos.record).items() if value != seen.get(name)}
    return checked_blank(Blank(code=photos.name if before is None else before.code, **said))


def _joined(before: Blank, changes: Blank) -> Blank:
    new = {name: value for name, value in dataclasses.asdict(changes).items() if value is not None}
    return dataclasses.replace(before, **new)


def _said(record: BlankRecord) -> dict[str, Any]:
    values = {name: getattr(record, key) for key, name in _FROM_FOLDER.items()}
    return {name: value for name, value in values.items() if value is not None}


def _current(connection: sqlite3.Connection, code: str) -> tuple[int, float, str] | None:
    """Scan and limit of the blank's present answer."""
    row = connection.execute(
        "SELECT scan_id, limit_one_in, limit_source FROM sorting JOIN blank "
        "ON blank.current_sorting = sorting.id WHERE blank.code = ?",
        (code,),
    ).fetchone()
    return None if row is None else (row[0], row[1], row[2])


def _same_name(photos: BlankPhotos) -> str:
    place = "" if photos.folder is None else f" ({plain_name(str(photos.folder))})"
    return (
        f"{photos.name}: another folder of this batch has the same name{place}. A blank is known "
        "in the book by its folder's name: rename one of them."
    )
