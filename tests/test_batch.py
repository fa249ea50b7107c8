"""Many blanks in several processes: order, failures, a process that dies."""

import os
import threading

import pytest

from grainscan import batch
from grainscan.batch import Job, default_workers, run_job, scan_many
from grainscan.errors import PhotoError
from grainscan.judge.limits import parse_limit
from grainscan.photo.folder import find_blanks
from grainscan.results import BlankRecord
from grainscan.scan import PhotoSource, measure_sources


@pytest.fixture
def jobs(tmp_path):
    """Five blanks whose photographs are text, so that nothing has to be measured."""
    for k in range(5):
        folder = tmp_path / f"ash-{k}"
        folder.mkdir()
        (folder / "face-a.jpg").write_text(f"text {k}")
    return [Job(blank, parse_limit("1:20")) for blank in find_blanks([tmp_path])]


@pytest.mark.parametrize("workers", [1, 2])
def test_results_come_in_order(jobs, workers):
    results = list(scan_many(jobs, workers=workers))
    assert [r.measurement.record.blank for r in results] == [f"ash-{k}" for k in range(5)]
    assert all("face-a.jpg: this is no" in r.measurement.failures[0] for r in results)
    assert all(r.limit.one_in == 20 for r in results)


def test_one_process_and_two_give_the_same(jobs):
    one, two = (list(scan_many(jobs, workers=n)) for n in (1, 2))
    assert [r.to_dict() for r in one] == [r.to_dict() for r in two]


def test_stopping_early_leaves_no_process(jobs):
    import multiprocessing

    results = scan_many(jobs, workers=2)
    next(results)
    results.close()
    assert multiprocessing.active_children() == []


def test_a_process_that_dies_costs_its_blank_only(jobs):
    result = batch._died(jobs[2])
    assert result.sort == "check"
    assert "--workers 1" in result.measurement.failures[0]
    assert result.measurement.record.blank == "ash-2"


def test_pictures_on_a_full_disk_are_one_line(jobs, monkeypatch):
    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(batch, "scan_photos", full)
    assert "No space left on device" in run_job(jobs[0]).measurement.failures[0]


def test_workers_are_no_more_than_blanks_or_cores(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: set(range(8)), raising=False)
    assert default_workers(3) == 3
    assert default_workers(100) == 8
    assert default_workers(0) == 1


def test_a_blank_that_is_alone_has_its_sides_measured_together(jobs, monkeypatch):
    asked = []

    def noted(photos, *, limit, at_once):
        asked.append(at_once)
        return batch.judge_blank(batch.measure_blank(photos), limit)

    monkeypatch.setattr(batch, "cores", lambda: 4)
    monkeypatch.setattr(batch, "scan_photos", noted)
    list(scan_many(jobs[:1]))
    list(scan_many(jobs[:2]))
    assert asked == [4, 1, 1]


def test_sides_measured_together_are_told_of_in_the_same_order():
    """Each side waits until the one after it is told of as done."""
    begun = threading.Barrier(3, timeout=20)
    told = [threading.Event() for _ in range(3)]
    waits_for = {"face_a": told[2], "face_b": told[1], "end": told[0]}
    steps = []

    def measure(_record, side, source, _by_hand):
        begun.wait()
        assert waits_for[side].wait(timeout=20)
        raise PhotoError(f"{source.name}: dark")

    def on_step(done, total, what):
        steps.append((done, total, what))
        if done < total:
            told[done].set()

    found = measure_sources(
        BlankRecord(blank="ash"),
        **{side: PhotoSource(b"", side) for side in waits_for},
        measure=measure,
        at_once=3,
        on_step=on_step,
    )
    assert found.failures == found.notes[:3] == tuple(f"{side}: dark" for side in waits_for)
    assert steps == [
        (0, 3, "face A, face B, end"),
        (1, 3, "face A, face B"),
        (2, 3, "face A"),
        (3, 3, "done"),
    ]
