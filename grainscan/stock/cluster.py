"""Measure on many machines: a Dask distributed cluster in place of this computer's processes.

Only measuring goes to the workers. They read the photographs under the same names as this
computer does, so these must lie in a folder that all of them reach. The book is read and
written by this process alone.
"""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Callable, Generator, Iterable, Iterator
from itertools import islice
from typing import Any

from grainscan.errors import GrainscanError
from grainscan.stock.batch import Engine
from grainscan.stock.measuring import Measured, ScanJob
from grainscan.wording import plain_name

__all__ = ["cluster_engine", "engine_on"]

_CONNECT_SECONDS = 20
# Per thread of the cluster: one job at work and one on its way.
_AHEAD = 2


@contextlib.contextmanager
def cluster_engine(address: str) -> Iterator[Engine]:
    """An engine for `grainscan.stock.batch.sort_blanks` on the scheduler at an address.

    Raises
    ------
    GrainscanError
        Dask is not installed, or the cluster does not answer or has no workers.
    """
    dask = _dask()
    shown = plain_name(address)
    try:
        client = dask.Client(address, timeout=_CONNECT_SECONDS)
    except (OSError, ValueError, ImportError) as error:
        raise GrainscanError(
            f"{shown}: no cluster answers there. Start a scheduler, and give its address as "
            "HOST:PORT."
        ) from error
    with client:
        yield engine_on(client)


def engine_on(client: Any) -> Engine:
    """An engine on a Dask client that is connected already."""

    def run(
        function: Callable[[ScanJob], Measured], jobs: Iterable[ScanJob]
    ) -> Generator[tuple[ScanJob, Measured | None], None, None]:
        return _each_done(client, function, jobs)

    return run


def _each_done(
    client: Any, function: Callable[[ScanJob], Measured], jobs: Iterable[ScanJob]
) -> Generator[tuple[ScanJob, Measured | None], None, None]:
    """As `grainscan.processes.each_done`: None where workers died of a job again and again.

    The cluster blames every job that a dead worker had, so each of those is run once more with
    nothing beside it.
    """
    queue = iter(jobs)
    waiting: dict[Any, ScanJob] = {}
    blamed: list[ScanJob] = []

    def hand_out(count: int) -> list[Any]:
        handed = []
        for job in islice(queue, count):
            # Not pure: the same job may have another outcome when a file has changed.
            future = client.submit(function, job, pure=False)
            waiting[future] = job
            handed.append(future)
        return handed

    room = _AHEAD * sum(client.nthreads().values())
    if room == 0:
        raise GrainscanError("The cluster has no workers. Start some and do it again.")
    done = _dask().as_completed(hand_out(room), raise_errors=False)
    try:
        for future in done:
            job, outcome = waiting.pop(future), _outcome(future)
            future.release()
            if outcome is None:
                blamed.append(job)
            else:
                yield job, outcome
            for another in hand_out(1):
                done.add(another)
        for job in blamed:
            yield job, _outcome(client.submit(function, job, pure=False))
    finally:
        client.cancel(list(waiting))


def _outcome(future: Any) -> Measured | None:
    error = future.exception()
    if error is None:
        result = future.result()
        assert isinstance(result, Measured)
        return result
    if isinstance(error, _dask().KilledWorker):
        return None
    # A worker that runs another version of grainscan, mostly.
    line = " ".join(f"{type(error).__name__}: {error}".split())
    return Measured(None, f"the cluster could not run it ({plain_name(line)}).")


def _dask() -> Any:
    """The library, which is an extra and whose own types are incomplete."""
    try:
        return importlib.import_module("distributed")
    except ImportError as error:
        raise GrainscanError(
            "Sorting on a cluster needs Dask. Install it with: pip install 'grainscan[cluster]'"
        ) from error
