"""A batch that is killed at any moment leaves a whole book, and the next run completes it."""

import multiprocessing
import os
import random
import shutil
import signal
import time

import pytest

from grainscan.stock.store import open_book, reading
from tests import stock_helpers
from tests.stock_helpers import assert_sound, sort_folder, states, write_batch

BLANKS = 12
KILLS = 60

pytestmark = pytest.mark.skipif(
    "forkserver" not in multiprocessing.get_all_start_methods(), reason="kills processes as Unix"
)


def sort_and_tell(book_path, folder, told):
    """The process that is killed; it tells of each blank only after it is done."""
    handle = os.open(told, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def tell(_done, _total, code):
        os.write(handle, f"{code}\n".encode())

    sort_folder(open_book(book_path), folder, on_step=tell)


@pytest.fixture(scope="module")
def processes():
    """Processes that start within milliseconds, as everything is imported before."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__, stock_helpers.__name__, "grainscan.judge.strength"])
    return context


def wait_for(process, told, lines, seconds):
    """Until the process has told of so many blanks more, and a moment longer."""
    while process.is_alive() and (not told.exists() or told.read_bytes().count(b"\n") < lines):
        time.sleep(0.0005)
    process.join(seconds)


def test_killed_at_random_moments(tmp_path, processes):
    batch = write_batch(tmp_path / "batch", BLANKS)
    place, told = tmp_path / "book" / "book.sqlite", tmp_path / "book" / "told"
    moments = random.Random(20260314)
    killed, finished_before, scanned = 0, [], set()
    while killed < KILLS:
        place.parent.mkdir(exist_ok=True)
        is_new = not place.exists()
        told_before = told.read_text().split() if told.exists() else []
        process = processes.Process(target=sort_and_tell, args=(place, batch, told))
        process.start()
        # By the blanks done and not by the clock, so that the machine may be fast or slow: up to
        # three more than before, and then within about the time of one more. At first that is
        # while the book is made.
        lines = len(told_before) + len(scanned) + moments.randrange(4)
        wait_for(process, told, 0 if is_new else lines, moments.uniform(0.0, 0.015))
        process.kill()
        process.join()
        told_of = told.read_text().split() if told.exists() else []
        book = open_book(place)
        assert_sound(book)
        scanned = codes_scanned(book)
        assert set(told_of) <= scanned, "a scan that was told of is lost"
        if process.exitcode == -signal.SIGKILL:
            killed += 1
            finished_before.append(len(scanned))
            if killed % 5:
                continue  # the next run goes on in the same book
        complete(book, batch)
        shutil.rmtree(place.parent)
        scanned = set()
    # The moments must have been in the middle of the work, or the test says nothing.
    assert sum(0 < n < BLANKS for n in finished_before) >= KILLS // 3


def codes_scanned(book):
    with reading(book) as connection:
        rows = connection.execute(
            "SELECT code FROM blank JOIN scan ON scan.blank_id = blank.id"
        ).fetchall()
    return {code for (code,) in rows}


def complete(book, batch):
    """The next run scans what is missing, and the one after it has nothing to do."""
    done = states(sort_folder(book, batch))
    assert len(done) == BLANKS
    assert set(done.values()) <= {"scanned", "unchanged"}
    assert set(states(sort_folder(book, batch)).values()) == {"unchanged"}
    assert_sound(book)
    with reading(book) as connection:
        assert connection.execute("SELECT count(*) FROM scan").fetchone() == (BLANKS,)
    # What was being written when it was killed is left under a name that nothing reads.
    names = [p for p in book.photographs.rglob("*") if p.is_file() and not p.name.startswith(".")]
    assert len(names) == 3 * BLANKS
