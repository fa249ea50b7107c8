"""Sorting on a cluster: a local one with two workers, in processes of their own."""

import os
import signal
import sys
import time
import warnings

import pytest

from grainscan.errors import GrainscanError
from grainscan.stock.cluster import cluster_engine
from grainscan.stock.find import find
from grainscan.stock.history import current_scan
from grainscan.stock.store import open_book
from tests.stock_helpers import assert_sound, measure, sort_folder, states, write_batch

distributed = pytest.importorskip("distributed")
# The library's own use of what newer Pythons and libraries give up is not ours to mend.
pytestmark = [
    pytest.mark.usefixtures("quick_disk"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def cluster():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0",
            silence_logs=50,
        ) as made:  # fmt: skip
            yield made


def measure_and_tell(record, sources, problems):
    """The process that measured stands among the notes."""
    import dataclasses

    # Long enough for the other worker to take the next.
    time.sleep(0.02)
    made = measure(record, sources, problems)
    return dataclasses.replace(made, notes=(str(os.getpid()),))


def dies_on_two(record, sources, problems):
    if record.blank.endswith("2"):
        os.kill(os.getpid(), signal.SIGKILL)
    return measure(record, sources, problems)


def test_a_batch_on_two_workers(cluster, tmp_path):
    book = open_book(tmp_path / "book.sqlite")
    batch = write_batch(tmp_path / "batch", 12)
    with cluster_engine(cluster.scheduler_address) as engine:
        done = sort_folder(book, batch, engine=engine, measure=measure_and_tell)
        assert set(states(done).values()) == {"scanned"}
        # Known blanks ask nothing of the cluster.
        again = sort_folder(book, batch, engine=engine, measure=measure_and_tell)
        assert set(states(again).values()) == {"unchanged"}
    scans = [current_scan(book, line.code) for line in find(book)]
    workers = {scan.result.measurement.notes[0] for scan in scans}
    assert len(scans) == 12
    assert len(workers) == 2
    assert str(os.getpid()) not in workers
    assert_sound(book)


def test_the_same_as_on_this_computer(cluster, tmp_path):
    batch = write_batch(tmp_path / "batch", 4)
    here, there = (open_book(tmp_path / f"{name}.sqlite") for name in ("here", "there"))
    sort_folder(here, batch)
    with cluster_engine(cluster.scheduler_address) as engine:
        sort_folder(there, batch, engine=engine)
    for line in find(here):
        assert current_scan(there, line.code).result == current_scan(here, line.code).result


def test_photographs_that_the_workers_do_not_reach(cluster, tmp_path):
    """A folder under another name there: each blank says so, and is tried again."""
    book = open_book(tmp_path / "book.sqlite")
    batch = write_batch(tmp_path / "batch", 2)

    with cluster_engine(cluster.scheduler_address) as engine:

        def elsewhere(function, jobs):
            import dataclasses

            for job in jobs:
                moved = tuple(
                    dataclasses.replace(p, path=tmp_path / "other" / p.path.name)
                    for p in job.photographs
                )
                for _, measured in engine(function, [dataclasses.replace(job, photographs=moved)]):
                    yield job, measured

        done = sort_folder(book, batch, engine=elsewhere)
    assert {one.state for one in done} == {"failed"}
    assert all("where every machine reaches them" in one.problem for one in done)
    assert find(book) == ()


def test_no_cluster_is_one_line(monkeypatch):
    from grainscan.stock import cluster

    monkeypatch.setattr(cluster, "_CONNECT_SECONDS", 0.2)
    with (
        pytest.raises(GrainscanError, match="no cluster answers there"),
        cluster_engine("tcp://127.0.0.1:9"),
    ):
        pass
    with (
        pytest.raises(GrainscanError, match="no cluster answers there"),
        cluster_engine("nonsense:"),
    ):
        pass


def test_without_dask_it_is_one_line(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(GrainscanError, match=r"pip install 'grainscan\[cluster\]'"),
        cluster_engine("127.0.0.1:8786"),
    ):
        pass


def test_a_blank_that_kills_workers_costs_itself_only(cluster, tmp_path):
    """Each worker that takes it dies, until the cluster gives that blank up."""
    book = open_book(tmp_path / "book.sqlite")
    batch = write_batch(tmp_path / "batch", 3)
    cluster.scheduler.allowed_failures = 1
    with cluster_engine(cluster.scheduler_address) as engine:
        done = sort_folder(book, batch, engine=engine, measure=dies_on_two)
    found = states(done)
    assert found.pop("ash-26-002") == "failed"
    assert set(found.values()) == {"scanned"}
    assert_sound(book)
