"""Run a function on many jobs in several processes, whatever happens to one of them."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from multiprocessing.connection import Connection
from multiprocessing.connection import wait as wait_for
from typing import TypeVar

__all__ = ["cores", "each_done"]

J = TypeVar("J")
R = TypeVar("R")

# Jobs handed out per process: one at work and one ready, so that no process waits for the
# next, and results of a long batch are not kept anywhere but with the caller.
_AHEAD = 2


def cores() -> int:
    """Processor cores that this process may use."""
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return allowed or 1


def each_done(
    function: Callable[[J], R], jobs: Iterable[J], *, workers: int = 1
) -> Generator[tuple[J, R | None], None, None]:
    """Each job with its result, as they are done, in no order.

    Parameters
    ----------
    function
        Must be picklable, with jobs and results, if ``workers`` is above 1. What it raises is
        raised here.
    jobs
        Taken from only as far as there is room, so a generator may make them one by one.
    workers
        Number of processes; 1 runs everything in this one.

    Yields
    ------
    tuple
        The result is None where the process was ended from outside, even when it ran that job
        alone: a lack of memory, mostly. The other jobs are not touched by it.
    """
    if workers <= 1:
        for job in jobs:
            yield job, function(job)
        return
    queue = iter(jobs)
    pool = _Pool(workers)
    waiting: dict[Future[R], J] = {}
    try:
        while True:
            unfinished = _hand_out(
                pool.executor, function, islice(queue, _room(workers, waiting)), waiting
            )
            if not waiting and not unfinished:
                return
            done = wait(waiting, return_when=FIRST_COMPLETED).done if waiting else set()
            for future in done:
                job = waiting.pop(future)
                if isinstance(future.exception(), BrokenProcessPool):
                    unfinished.append(job)
                else:
                    yield job, future.result()
            if unfinished:
                # All that was handed out fails with the process that died; nobody knows which
                # job it was at, so each is run in a process of its own.
                unfinished += waiting.values()
                waiting.clear()
                pool.end()
                for job in unfinished:
                    yield job, _alone(function, job)
                pool = _Pool(workers)
    finally:
        pool.end()


def _room(workers: int, waiting: dict[Future[R], J]) -> int:
    return max(_AHEAD * workers - len(waiting), 0)


def _hand_out(
    pool: ProcessPoolExecutor,
    function: Callable[[J], R],
    jobs: Iterable[J],
    waiting: dict[Future[R], J],
) -> list[J]:
    """Submit jobs; those that could not be, because a process has just died."""
    left: list[J] = []
    for job in jobs:
        try:
            waiting[pool.submit(function, job)] = job
        except BrokenProcessPool:
            left.append(job)
    return left


def _alone(function: Callable[[J], R], job: J) -> R | None:
    pool = _Pool(1)
    try:
        return pool.executor.submit(function, job).result()
    except BrokenProcessPool:
        return None
    finally:
        pool.end()


class _Pool:
    """Processes that end at once when they are told to, or when their parent is gone."""

    def __init__(self, workers: int) -> None:
        # OpenCV does not survive a fork, so the processes are started afresh.
        context = multiprocessing.get_context("spawn")
        self._told, self._tell = context.Pipe(duplex=False)
        self.executor = ProcessPoolExecutor(
            max_workers=workers, mp_context=context, initializer=_begin, initargs=(self._told,)
        )

    def end(self) -> None:
        """Leave whatever is under way: nobody waits for it when the caller stops early."""
        self._tell.close()
        self.executor.shutdown(wait=True, cancel_futures=True)
        self._told.close()


def _begin(told: Connection) -> None:
    """In each process: one thread for OpenCV, no word at Ctrl-C, no life after the pool's."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
        os.environ.setdefault(name, "1")
    # Ctrl-C reaches every process of a terminal; the first of them decides what to do.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    ends = [told] if parent is None else [told, parent.sentinel]
    threading.Thread(target=_end_with, args=(ends,), daemon=True).start()


def _end_with(ends: list[Connection | int]) -> None:
    """A parent that was killed cannot tell its processes to stop; they would wait for ever."""
    wait_for(ends)
    os._exit(1)
