"""Scan many blanks, on several processor cores, in order, whatever happens to one of them."""

from __future__ import annotations

import contextlib
import dataclasses
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from grainscan.errors import GrainscanError
from grainscan.judge.limits import limit_for_part
from grainscan.judge.sorting import judge_blank
from grainscan.photo.folder import BlankPhotos
from grainscan.processes import cores, each_done
from grainscan.results import BlankResult, Limit
from grainscan.scan import load_opencv, measure_blank, scan_photos

__all__ = ["Job", "default_workers", "fault_line", "run_job", "scan_many"]


@dataclass(frozen=True, slots=True)
class Job:
    """One blank to scan: ``limit`` None means that of its part; pictures go to ``pictures``.

    ``pictures`` is a folder and the beginning of the file names in it, or None.
    """

    photos: BlankPhotos
    limit: Limit | None = None
    pictures: tuple[Path, str] | None = None


def scan_many(jobs: Sequence[Job], *, workers: int = 1) -> Iterator[BlankResult]:
    """Scan blanks one after another or in several processes; results come in order.

    A blank of a batch has one core; one that is alone has them all, its sides measured together.

    A blank that cannot be scanned, for whatever reason, gives a result sorted **check** with
    the reason among its ``failures``; the others go on.

    Raises
    ------
    GrainscanError
        OpenCV cannot be loaded, so that nothing can be scanned.
    """
    load_opencv()
    early: dict[int, BlankResult] = {}
    number = 0
    run = partial(_run_numbered, at_once=cores() if len(jobs) == 1 else 1)
    tasks = each_done(run, enumerate(jobs), workers=min(workers, len(jobs)))
    with contextlib.closing(tasks):
        for (place, job), result in tasks:
            early[place] = result if result is not None else _died(job)
            while number in early:
                yield early.pop(number)
                number += 1


def default_workers(blanks: int) -> int:
    """One process per core this process may use, and no more than there are blanks."""
    return max(1, min(cores(), blanks))


def run_job(job: Job, *, at_once: int = 1) -> BlankResult:
    """Scan one blank and draw its pictures; never raises for what its photographs hold."""
    try:
        result = scan_photos(job.photos, limit=job.limit, at_once=at_once)
        if job.pictures is not None:
            from grainscan.shown.overlays import write_pictures

            write_pictures(job.photos, result, folder=job.pictures[0], start=job.pictures[1])
    except GrainscanError as error:
        return _failed(job, str(error))
    except OSError as error:
        return _failed(job, f"{job.photos.name}: {error.strerror or error}. Free some space.")
    except Exception as error:
        # A fault of ours on one blank must not cost the user the rest of the batch; it is
        # reported as what it is, with the place.
        return _failed(job, fault_line(error))
    return result


def fault_line(error: Exception) -> str:
    """One line for the user about an error that nobody foresaw, with its place."""
    kind = type(error)
    place = traceback.extract_tb(error.__traceback__)[-1]
    return (
        f"fault in the program ({kind.__module__}.{kind.__name__} in "
        f"{Path(place.filename).name}, line {place.lineno}). "
        "Please report it together with the photographs."
    )


def _run_numbered(numbered: tuple[int, Job], *, at_once: int) -> BlankResult:
    if at_once > 1:
        return run_job(numbered[1], at_once=at_once)
    import cv2

    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        return run_job(numbered[1])
    finally:
        cv2.setNumThreads(threads)


def _died(job: Job) -> BlankResult:
    return _failed(
        job,
        "the process that scanned it was ended, perhaps for lack of memory. "
        "Try again with --workers 1.",
    )


def _failed(job: Job, line: str) -> BlankResult:
    photos = dataclasses.replace(job.photos, problems=(line,), usable=False)
    return judge_blank(measure_blank(photos), job.limit or limit_for_part(photos.record.part))
