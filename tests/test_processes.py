"""Many jobs in several processes: all done, a process that dies, an owner that dies."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from grainscan.processes import each_done

DEADLY = 7


def double_or_die(number):
    """What the processes run: the deadly number ends its process, as a lack of memory does."""
    if number == DEADLY:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def double(number):
    return 2 * number


def fail(number):
    raise ValueError(f"number {number}")


@pytest.mark.parametrize("workers", [1, 2])
def test_every_job_is_done_once(workers):
    done = list(each_done(double, range(30), workers=workers))
    assert sorted(done) == [(n, 2 * n) for n in range(30)]
    assert list(each_done(double, [], workers=workers)) == []


def test_jobs_are_taken_one_by_one():
    """A batch of any length keeps a few jobs at a time."""
    taken = []

    def jobs():
        for n in range(100):
            taken.append(n)
            yield n

    results = each_done(double, jobs(), workers=2)
    next(results)
    assert len(taken) <= 5
    results.close()
    assert multiprocessing.active_children() == []


def test_stopping_early_waits_for_nothing():
    results = each_done(time.sleep, [0.0, 0.0, 600.0, 600.0, 600.0], workers=2)
    next(results)
    next(results)
    start = time.monotonic()
    results.close()
    assert time.monotonic() - start < 20
    assert multiprocessing.active_children() == []


def test_a_process_that_dies_costs_its_own_job_only():
    done = dict(each_done(double_or_die, range(12), workers=2))
    assert done == {n: None if n == DEADLY else 2 * n for n in range(12)}


def test_what_the_function_raises_is_raised():
    with pytest.raises(ValueError, match="number"):
        list(each_done(fail, range(3), workers=2))


LONG_BATCH = """
import time
from grainscan.processes import each_done

if __name__ == "__main__":
    import multiprocessing
    results = each_done(time.sleep, [0.0] * 4 + [600.0] * 4, workers=2)
    for _ in range(4):
        next(results)
    print(*[child.pid for child in multiprocessing.active_children()], flush=True)
    next(results)
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks into /proc")
def test_no_process_outlives_a_killed_owner(tmp_path):
    script = tmp_path / "long_batch.py"
    script.write_text(LONG_BATCH)
    root = Path(__file__).parent.parent
    with subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    ) as owner:
        children = [int(pid) for pid in owner.stdout.readline().split()]
        assert len(children) == 2
        owner.kill()
    give_up = time.monotonic() + 10
    while any(map(is_running, children)):
        assert time.monotonic() < give_up, "a process outlives its owner"
        time.sleep(0.02)


def is_running(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"
