"""Scan many blanks, on several processor cores, in order, whatever happens to one of them."""

from __future__ import annotations

import dataclasses
import multiprocessing
import os
import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from grainscan.errors import GrainscanError
from grainscan.judge.limits import limit_for_part
from grainscan.judge.sorting import judge_blank
from grainscan.photo.folder import BlankPhotos
from grainscan.results import BlankResult, Limit
from grainscan.scan import load_opencv, measure_blank, scan_photos

__all__ = ["Job", "default_workers", "run_job", "scan_many"]


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

    A blank that cannot be scanned, for whatever reason, gives a result sorted **check** with
    the reason among its ``failures``; the others go on.

    Raises
    ------
    GrainscanError
        OpenCV cannot be loaded, so that nothing can be scanned.
    """
    load_opencv()
    if workers <= 1 or len(jobs) <= 1:
        yield from map(run_job, jobs)
        return
    # OpenCV does not survive a fork, so the processes are started afresh. The executor is
    # closed without waiting for what is still queued when the caller stops early.
    pool = ProcessPoolExecutor(
        max_workers=min(workers, len(jobs)),
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_one_thread_each,
    )
    try:
        futures = [pool.submit(run_job, job) for job in jobs]
        for job, future in zip(jobs, futures, strict=True):
            yield _result_of(future, job)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def default_workers(blanks: int) -> int:
    """One process per core this process may use, and no more than there are blanks."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return max(1, min(cores or 1, blanks))


def run_job(job: Job) -> BlankResult:
    """Scan one blank and draw its pictures; never raises for what its photographs hold."""
    try:
        result = scan_photos(job.photos, limit=job.limit)
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
        kind = type(error)
        place = traceback.extract_tb(error.__traceback__)[-1]
        return _failed(
            job,
            f"fault in the program ({kind.__module__}.{kind.__name__} in {Path(place.filename).name}, line "
            f"{place.lineno}). Please report it together with the photographs.",
        )
    return result


def _result_of(future: Future[BlankResult], job: Job) -> BlankResult:
    try:
        return future.result()
    except BrokenProcessPool:
        return _failed(
            job,
            "the process that scanned it was ended, perhaps for lack of memory. "
            "Try again with --workers 1.",
        )


def _failed(job: Job, line: str) -> BlankResult:
    photos = dataclasses.replace(job.photos, problems=(line,), usable=False)
    return judge_blank(measure_blank(photos), job.limit or limit_for_part(photos.record.part))


def _one_thread_each() -> None:
    import cv2

    cv2.setNumThreads(1)
