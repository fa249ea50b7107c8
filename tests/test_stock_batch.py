"""Sorting folders into the book: new, changed and known blanks, bad ones, and several at once."""

import functools
import gc
import multiprocessing
import os
import signal
import tracemalloc

import pytest

from grainscan.errors import BookError
from grainscan.judge.limits import parse_limit
from grainscan.photo.folder import find_blanks
from grainscan.stock.as_json import to_json
from grainscan.stock.batch import sort_blanks
from grainscan.stock.blanks import get_blank, save_blank, save_log
from grainscan.stock.find import Filter, find
from grainscan.stock.history import current_scan, scans_of
from grainscan.stock.life import overrule
from grainscan.stock.records import Blank, Log
from grainscan.stock.store import open_book, reading
from tests.stock_helpers import (
    VERSION,
    assert_sound,
    measure,
    rows_of,
    sort_folder,
    states,
    write_batch,
    write_blank,
)

pytestmark = pytest.mark.usefixtures("quick_disk")


def never(record, sources, problems):
    raise AssertionError("nothing must be measured here")


@pytest.fixture
def book(tmp_path):
    return open_book(tmp_path / "book.sqlite")


@pytest.fixture
def batch(tmp_path):
    return write_batch(tmp_path / "batch", 4)


def sort_words(book):
    return {line.code: line.sort for line in find(book)}


def test_a_second_run_has_nothing_to_do(book, batch):
    assert set(states(sort_folder(book, batch)).values()) == {"scanned"}
    before = rows_of(book.path)
    done = sort_folder(book, batch, measure=never)
    assert states(done) == {f"ash-26-{k:03d}": "unchanged" for k in (1, 2, 3, 4)}
    after = rows_of(book.path)
    # Only what is remembered of young files may differ.
    assert {k: v for k, v in after.items() if k != "file_seen"} == {
        k: v for k, v in before.items() if k != "file_seen"
    }
    assert_sound(book)


def test_what_is_kept(book, batch):
    sort_folder(book, batch, limit=parse_limit("1:30"))
    scan = current_scan(book, "ash-26-002")
    (photos,) = [b for b in find_blanks([batch]) if b.name == "ash-26-002"]
    assert [(p.role, p.name) for p in scan.photographs] == [
        ("face_a", "face-a.jpg"), ("face_b", "face-b.jpg"), ("end", "end.jpg"),
    ]  # fmt: skip
    for photograph in scan.photographs:
        (file,) = book.photographs.glob(f"??/{photograph.sha256}.jpg")
        assert file.read_bytes() == getattr(photos, photograph.role).read_bytes()
    assert scan.measuring_version == VERSION
    assert set(scan.settings["libraries"]) >= {"python", "numpy", "opencv-python"}
    assert scan.result.limit == parse_limit("1:30")
    assert scan.result.measurement.record.species == "ash"
    assert get_blank(book, "ash-26-002").part == "chair rung"


def test_a_changed_photograph_is_scanned_and_the_old_scan_kept(book, batch):
    sort_folder(book, batch)
    old = current_scan(book, "ash-26-001")
    write_blank(batch / "ash-26-001", content="retaken")
    assert states(sort_folder(book, batch))["ash-26-001"] == "scanned"
    assert len(scans_of(book, "ash-26-001")) == 2
    assert current_scan(book, "ash-26-001").scan_id != old.scan_id
    # The first photographs again: known, so nothing is measured, and that answer counts again.
    write_blank(batch / "ash-26-001")
    assert states(sort_folder(book, batch, measure=never))["ash-26-001"] == "sorted again"
    assert current_scan(book, "ash-26-001") == old
    assert_sound(book)


def test_content_counts_and_not_times_or_names(book, batch):
    sort_folder(book, batch)
    file = batch / "ash-26-001" / "face-a.jpg"
    os.utime(file, (1e9, 1e9))
    file.rename(file.with_name("FaceA.JPG"))
    assert set(states(sort_folder(book, batch, measure=never)).values()) == {"unchanged"}


def test_new_content_of_the_same_size_and_time_is_seen(book, batch):
    """The memory of files must not hide a change, even where the times were put back."""
    file = batch / "ash-26-001" / "face-a.jpg"
    os.utime(file, (1e9, 1e9))
    sort_folder(book, batch)
    content = bytearray(file.read_bytes())
    content[-1] ^= 1
    file.write_bytes(content)
    os.utime(file, (1e9, 1e9))
    assert states(sort_folder(book, batch))["ash-26-001"] == "scanned"


def test_known_files_are_not_read_again(book, batch, monkeypatch):
    """Hundreds of photographs are looked at by size and times alone once these have settled."""
    from grainscan.stock import seen

    monkeypatch.setattr(seen, "_COARSEST_NS", -(10**18))  # take the files for old
    sort_folder(book, batch)

    def no_reading(_source):
        raise AssertionError("a file is read again")

    monkeypatch.setattr(seen, "content_hash", no_reading)
    assert set(states(sort_folder(book, batch, measure=never)).values()) == {"unchanged"}


def test_young_files_are_not_trusted_by_their_times(book, batch, monkeypatch):
    from grainscan.stock import seen

    sort_folder(book, batch)
    read = []
    monkeypatch.setattr(
        seen, "content_hash", lambda path, real=seen.content_hash: read.append(path) or real(path)
    )
    sort_folder(book, batch, measure=never)
    assert len(read) == 12


def test_another_limit_measures_nothing(book, batch):
    sort_folder(book, batch)
    words = set()
    for limit in ("1:5", "1:25", "1:100"):
        done = sort_folder(book, batch, limit=parse_limit(limit), measure=never)
        assert set(states(done).values()) == {"sorted again"}
        words |= set(sort_words(book).values())
    assert {"keep", "set aside"} <= words
    with reading(book) as connection:
        counts = connection.execute(
            "SELECT (SELECT count(*) FROM scan), (SELECT count(*) FROM sorting)"
        ).fetchone()
    assert counts == (4, 16)


def test_another_part_in_the_record_changes_the_limit(book, batch):
    sort_folder(book, batch)
    record = 'species = "ash"\npart = "ladder rail"\n'
    (batch / "ash-26-001" / "blank.toml").write_text(record)
    done = states(sort_folder(book, batch, measure=never))
    assert done == {
        f"ash-26-{k:03d}": "sorted again" if k == 1 else "unchanged" for k in range(1, 5)
    }
    assert current_scan(book, "ash-26-001").result.limit.one_in == 12
    assert get_blank(book, "ash-26-001").part == "ladder rail"


def test_what_was_put_right_in_the_book_stays(book, batch):
    """The record in the folder counts where it says something new, not again at every run."""
    sort_folder(book, batch)
    save_blank(book, Blank("ash-26-001", part="hammer handle", rack="B3"))
    sort_folder(book, batch)
    assert get_blank(book, "ash-26-001").part == "hammer handle"
    assert get_blank(book, "ash-26-001").rack == "B3"
    assert current_scan(book, "ash-26-001").result.limit.source.startswith("hammer handle")


def test_the_wood_of_the_log_is_measured_with(book, tmp_path):
    save_log(book, Log("log-7", species="white oak"))
    save_blank(book, Blank("oak-26-001", log="log-7"))
    write_blank(tmp_path / "batch" / "oak-26-001")
    sort_folder(book, tmp_path / "batch")
    assert current_scan(book, "oak-26-001").result.measurement.record.species == "white oak"
    assert get_blank(book, "oak-26-001").species is None


def fails_on_two(record, sources, problems):
    if record.blank.endswith("2"):
        raise IndexError("a fault")
    return measure(record, sources, problems)


def dies_on_two(record, sources, problems):
    if record.blank.endswith("2"):
        os.kill(os.getpid(), signal.SIGKILL)
    return measure(record, sources, problems)


def not_finite_on_two(record, sources, problems):
    import dataclasses

    measurement = measure(record, sources, problems)
    if record.blank.endswith("2"):
        return dataclasses.replace(measurement, spiral_deg=float("nan"))
    return measurement


@pytest.mark.parametrize(
    ("bad", "workers", "line"),
    [
        (fails_on_two, 1, "fault in the program"),
        (fails_on_two, 2, "fault in the program"),
        (dies_on_two, 2, "--workers 1"),
        (not_finite_on_two, 1, "fault in the program"),
    ],
)
def test_one_bad_blank_never_stops_the_rest(book, batch, bad, workers, line):
    done = sort_folder(book, batch, measure=bad, workers=workers)
    (failed,) = [one for one in done if one.state == "failed"]
    assert failed.code == "ash-26-002"
    assert line in failed.problem
    assert len(done) == 4
    assert set(sort_words(book)) == {"ash-26-001", "ash-26-003", "ash-26-004"}
    # It is tried again.
    assert states(sort_folder(book, batch))["ash-26-002"] == "scanned"
    assert_sound(book)


def test_folders_that_cannot_be_used(book, batch):
    write_blank(batch / "ash-26-009", record="colour = 1")
    write_blank(batch / "deeper" / "ASH-26-001")
    (batch / "empty").mkdir()
    done = sort_folder(book, batch)
    problems = {one.code: one.problem for one in done if one.state == "failed"}
    assert "colour" in problems["ash-26-009"]
    assert "rename one" in problems["ASH-26-001"]
    assert len(find(book)) == 4


def test_two_photographs_of_one_side_are_said(book, tmp_path):
    folder = write_blank(tmp_path / "batch" / "ash-26-001", roles=("face-a", "face-a-2", "end"))
    sort_folder(book, tmp_path / "batch")
    scan = current_scan(book, "ash-26-001")
    assert "named as face A" in scan.result.measurement.failures[0]
    assert [p.role for p in scan.photographs] == ["end"]
    (folder / "face-a-2.jpg").rename(folder / "face-b.jpg")
    assert states(sort_folder(book, tmp_path / "batch"))["ash-26-001"] == "scanned"


def changes_its_file(record, sources, problems, *, folder):
    (folder / record.blank / "face-a.jpg").write_bytes(b"\xff\xd8\xff another")
    return measure(record, sources, problems)


def test_a_file_that_changes_meanwhile_is_not_kept(book, batch):
    done = sort_folder(book, batch, measure=functools.partial(changes_its_file, folder=batch))
    assert {one.state for one in done} == {"failed"}
    assert all("changed while it was scanned" in one.problem for one in done)
    assert find(book) == ()
    assert set(states(sort_folder(book, batch)).values()) == {"scanned"}
    assert_sound(book)


def test_a_pipe_is_no_photograph(book, tmp_path):
    folder = tmp_path / "batch" / "ash-26-001"
    folder.mkdir(parents=True)
    os.mkfifo(folder / "face-a.jpg")
    (failed,) = sort_folder(book, tmp_path / "batch")
    assert "no file that can be read" in failed.problem


def test_another_version_measures_anew_only_when_asked(book, batch):
    sort_folder(book, batch)
    done = sort_folder(book, batch, version="9.9.9+new", measure=never)
    assert {one.state for one in done} == {"unchanged"}
    assert all(one.older for one in done)
    assert set(states(sort_folder(book, batch, version="9.9.9+new", again=True)).values()) == {
        "scanned"
    }
    assert [s.measuring_version for s in scans_of(book, "ash-26-001")] == [VERSION, "9.9.9+new"]
    done = sort_folder(book, batch, version="9.9.9+new", again=True, measure=never)
    assert set(states(done).values()) == {"unchanged"}


def test_overruling_outlives_another_scan(book, batch):
    sort_folder(book, batch)
    overrule(book, "ash-26-001", "set aside", who="Maud", why="a hidden check")
    write_blank(batch / "ash-26-001", content="retaken")
    sort_folder(book, batch, limit=parse_limit("1:5"))
    (line,) = find(book, Filter(codes=("ash-26-001",)))
    assert (line.sort, line.measured_sort, line.overruled_by) == ("set aside", "keep", "Maud")


def test_an_interrupted_batch_goes_on(book, batch):
    def interrupt(done, _total, _code):
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sort_folder(book, batch, on_step=interrupt)
    assert len(find(book)) == 2
    done = states(sort_folder(book, batch))
    assert sorted(done.values()) == ["scanned", "scanned", "unchanged", "unchanged"]


def test_steps_are_told(book, batch):
    steps = []
    sort_folder(book, batch, on_step=lambda *step: steps.append(step))
    assert [(done, total) for done, total, _ in steps] == [(k, 4) for k in (1, 2, 3, 4)]
    assert {code for _, _, code in steps} == {f"ash-26-{k:03d}" for k in (1, 2, 3, 4)}


def test_the_list_is_best_first(book, tmp_path):
    sort_folder(book, write_batch(tmp_path / "batch", 30))
    lines = find(book)
    rank = {"keep": 0, "check": 1, "set aside": 2}
    keys = [(rank[line.sort], line.slope_high_deg) for line in lines]
    assert keys == sorted(keys)
    assert {line.sort for line in lines} == set(rank)
    assert all(line.because for line in lines)


def sort_apart(path, folder, start, problems):
    start.wait()
    try:
        done = sort_folder(open_book(path), folder)
        problems.put([one.problem for one in done if one.problem])
    except BaseException as error:
        problems.put([repr(error)])


def test_two_processes_into_the_same_book(tmp_path):
    """Half of the blanks are in both batches: none is lost, none is there twice."""
    context = multiprocessing.get_context("spawn")
    write_batch(tmp_path / "both" / "one", 25)
    write_batch(tmp_path / "both" / "two", 25, species="oak")
    path = tmp_path / "book.sqlite"
    start, problems = context.Barrier(3), context.Queue()
    folders = (tmp_path / "both", tmp_path / "both" / "two", tmp_path / "both")
    processes = [
        context.Process(target=sort_apart, args=(path, folder, start, problems))
        for folder in folders
    ]
    for process in processes:
        process.start()
    assert [problems.get(timeout=60) for _ in processes] == [[], [], []]
    for process in processes:
        process.join()
    book = open_book(path)
    assert_sound(book)
    with reading(book) as connection:
        counts = connection.execute(
            "SELECT (SELECT count(*) FROM blank), (SELECT count(*) FROM scan), "
            "(SELECT count(*) FROM sorting), (SELECT count(*) FROM scan_photograph)"
        ).fetchone()
    assert counts == (50, 50, 50, 150)


def test_memory_is_flat(book, tmp_path):
    """Five hundred blanks take no more memory than one hundred, but for a line each."""
    folder = tmp_path / "batch"
    for k in range(500):
        write_blank(folder / f"ash-26-{k:03d}", roles=("face-a",))
    found = find_blanks([folder])
    held = {}

    def look(done, _total, _code):
        if done in (100, 500):
            gc.collect()
            # What the process holds of the system's memory moves by pages of other tests, too.
            held[done] = tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        sort_blanks(book, found, measure=measure, version=VERSION, on_step=look)
    finally:
        tracemalloc.stop()
    assert set(held) == {100, 500}
    assert len(find(book)) == 500
    measurement = current_scan(book, "ash-26-001").result.measurement
    # Kept measurements would take at least their texts, and several times that as objects.
    assert held[500] - held[100] < 400 * len(to_json(measurement)) / 2


def test_the_book_is_not_written_where_it_cannot_be(book, batch):
    import shutil

    sort_folder(book, batch)
    shutil.rmtree(book.photographs)
    book.photographs.write_text("in the way")
    write_blank(batch / "ash-26-001", content="retaken")
    with pytest.raises(BookError, match="photographs cannot be written here"):
        sort_folder(book, batch)
    assert len(find(book)) == 4
