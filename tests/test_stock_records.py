"""Logs, blanks, and what becomes of them: written, changed, overruled, weighed, removed."""

import dataclasses
import json
import types
import typing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.errors import BookError, RecordError
from grainscan.results import BlankResult
from grainscan.stock.as_json import canonical, from_json, to_json
from grainscan.stock.blanks import (
    get_blank,
    get_log,
    list_blanks,
    list_logs,
    next_code,
    save_blank,
    save_log,
)
from grainscan.stock.history import current_scan, repeat_scan, scans_of
from grainscan.stock.life import (
    add_making,
    add_weighing,
    makings_of,
    overrule,
    overrulings_of,
    weighings_of,
)
from grainscan.stock.photographs import content_hash, keep_photograph, read_kept
from grainscan.stock.records import (
    Blank,
    Correction,
    Log,
    Making,
    Weighing,
    check_felled,
    check_text,
    today,
)
from grainscan.stock.remove import remove_blank
from grainscan.stock.scans import keep_scan
from grainscan.stock.store import open_book, reading
from tests import hand_made
from tests.fake_measuring import FakeMeasuring
from tests.stock_helpers import VERSION, assert_sound, rows_of, sort_folder, write_batch

pytestmark = pytest.mark.usefixtures("quick_disk")

FULL = Blank(
    code="ash-26-014", log="log-7", species="ash", width_mm=25.0, height_mm=26.5, length_mm=430.0,
    made="riven", made_on="2026-03-14", made_by="Maud", rack="B3", part="chair rung",
    notes="butt log,\nnorth side",
)  # fmt: skip


@pytest.fixture
def book(tmp_path):
    return open_book(tmp_path / "book.sqlite")


def test_logs_and_blanks(book):
    log = Log("log-7", species="ash", felled="2026-01", origin="Alder Ford, mill field", notes="x")
    assert save_log(book, log) == log
    assert save_blank(book, FULL) == FULL
    assert get_blank(book, "ASH-26-014") == FULL
    assert list_blanks(book) == (FULL,)
    assert list_logs(book) == (log,)


def test_what_is_not_said_stays(book):
    save_log(book, Log("log-7", species="ash", origin="mill field"))
    save_log(book, Log("LOG-7", felled="2026"))
    assert get_log(book, "log-7") == Log("log-7", "ash", "2026", "mill field")
    save_blank(book, FULL)
    save_blank(book, Blank("ash-26-014", rack="C1"))
    assert get_blank(book, "ash-26-014") == dataclasses.replace(FULL, rack="C1")


def test_a_log_with_its_end(book, tmp_path):
    (tmp_path / "end.png").write_bytes(b"\x89PNG\r\n\x1a\n rings")
    kept = keep_photograph(book, tmp_path / "end.png", "end.png")
    log = save_log(book, Log("log-7"), end_photograph=kept)
    with reading(book) as connection:
        path = read_kept(book, connection, log.end_photograph)
    assert path.read_bytes() == (tmp_path / "end.png").read_bytes()
    assert path.suffix == ".png"
    assert content_hash(path) == path.stem


@pytest.mark.parametrize(
    ("wrong", "line"),
    [
        ({"code": "  "}, "code is empty"),
        ({"code": "a" * 121}, "longer than 120"),
        ({"code": "ash\n1"}, "cannot be printed"),
        ({"species": "ash\x00"}, "cannot be printed"),
        ({"width_mm": 0.0}, "width in mm is 0"),
        ({"height_mm": -4.0}, "height in mm is -4"),
        ({"length_mm": float("nan")}, "length in mm is nan"),
        ({"length_mm": 50_001.0}, "at most 50000"),
        ({"made": "grown"}, "riven or sawn"),
        ({"made_on": "14.3.2026"}, "write a day as 2026-03-14"),
        ({"made_on": "2026-02-30"}, "write a day as 2026-03-14"),
        ({"made_by": "x" * 301}, "at most 300"),
        ({"notes": "\x07"}, "cannot be printed"),
        ({"log": "nowhere"}, "no log 'nowhere'"),
    ],
)
def test_wrong_entries_are_one_line_and_change_nothing(book, wrong, line):
    before = rows_of(book.path)
    with pytest.raises(RecordError, match=line):
        save_blank(book, Blank(**{"code": "ash-26-014", **wrong}))
    assert rows_of(book.path) == before


@pytest.mark.parametrize("felled", ["2026", "2026-01", "2026-01-17", None])
def test_felled(felled, book):
    assert save_log(book, Log("log-7", felled=felled)).felled == felled


@pytest.mark.parametrize("felled", ["2026-13", "2026-1", "26", "spring", "2026-02-30", "٢٠٢٦"])
def test_not_felled_then(felled):
    with pytest.raises(RecordError, match="2026-03-14, 2026-03 or 2026"):
        check_felled(felled)


def test_texts_are_tidied():
    assert check_text("  ash ", "x") == "ash"
    assert check_text("   ", "x") is None
    assert check_text("a\r\nb\rc", "x", many_lines=True) == "a\nb\nc"


def test_codes_go_on_by_species_and_year(book):
    assert next_code(book, "ash", year=2026) == "ash-26-001"
    for code in ("ash-26-013", "ash-25-040", "oak-26-050", "ash-26-x", "Ash-26-014"):
        save_blank(book, Blank(code))
    assert next_code(book, "Ash", year=2026) == "ash-26-015"
    assert next_code(book, "white oak", year=2026) == "white-oak-26-001"
    with pytest.raises(RecordError, match="Name the species"):
        next_code(book, " - ")


def test_overruling_keeps_the_measured_answer(book, tmp_path):
    sort_folder(book, write_batch(tmp_path / "batch", 1))
    measured = current_scan(book, "ash-26-001")
    overrule(book, "ash-26-001", "set aside", who="Maud", why="a hidden check")
    overrule(book, "ash-26-001", "check", who="Edric", why="the check is shallow")
    overrule(book, "ash-26-001", None, who="Edric", why="planed away")
    assert current_scan(book, "ash-26-001") == measured
    said = overrulings_of(book, "ash-26-001")
    assert [(one.sort, one.who, one.measured_sort) for one in said] == [
        ("set aside", "Maud", measured.result.sort),
        ("check", "Edric", measured.result.sort),
        (None, "Edric", measured.result.sort),
    ]


@pytest.mark.parametrize(
    ("sort", "who", "why", "line"),
    [
        ("keep", "", "because", "Say who"),
        ("keep", "Maud", " ", "Say who"),
        ("burn", "Maud", "dry", "keep, check or set aside"),
        (None, "Maud", "wrong", "nothing to take back"),
    ],
)
def test_overruling_needs_a_name_and_a_reason(book, sort, who, why, line):
    save_blank(book, Blank("ash-26-001"))
    with pytest.raises(RecordError, match=line):
        overrule(book, "ash-26-001", sort, who=who, why=why)
    assert overrulings_of(book, "ash-26-001") == ()


def test_weighings_and_makings(book):
    save_blank(book, Blank("ash-26-001"))
    late = Weighing("2026-05-01", mass_g=640.5, who="Maud")
    early = Weighing("2026-03-01", mass_g=812.0, moisture_percent=48.0, moisture_source="meter")
    for weighing in (late, early):
        add_weighing(book, "ash-26-001", weighing)
    assert weighings_of(book, "ash-26-001") == (early, late)
    rung = Making("ladder-back chair 12, rung", "2026-06-01", "Maud", "second rung")
    peg = Making("pegs", "2026-06-02")
    for making in (peg, rung):
        add_making(book, "ash-26-001", making)
    assert makings_of(book, "ash-26-001") == (rung, peg)
    add_making(book, "ash-26-001", Making("shavings", ""))
    assert makings_of(book, "ash-26-001")[-1].made_on == today()


@pytest.mark.parametrize(
    ("weighing", "line"),
    [
        (Weighing("2026-03-01"), "mass in grams, the moisture content, or both"),
        (Weighing("2026-03-01", mass_g=0.0), "mass in grams is 0"),
        (Weighing("2026-03-01", moisture_percent=251.0), "at most 250"),
        (Weighing("2026-03-01", moisture_percent=-1.0), "from 0"),
        (Weighing("yesterday", mass_g=5.0), "2026-03-14"),
    ],
)
def test_wrong_weighings(book, weighing, line):
    save_blank(book, Blank("ash-26-001"))
    with pytest.raises(RecordError, match=line):
        add_weighing(book, "ash-26-001", weighing)


def test_no_such_blank_is_one_line(book):
    for call in (
        lambda: get_blank(book, "x"),
        lambda: current_scan(book, "x"),
        lambda: scans_of(book, "x"),
        lambda: overrule(book, "x", "keep", who="Maud", why="so"),
        lambda: add_weighing(book, "x", Weighing("2026-03-01", 5.0)),
        lambda: add_making(book, "x", Making("pegs", "2026-03-01")),
        lambda: remove_blank(book, "x", really=True),
    ):
        with pytest.raises(RecordError, match="There is no blank 'x' in the book"):
            call()


def test_nothing_is_deleted_without_really(book, tmp_path):
    sort_folder(book, write_batch(tmp_path / "batch", 2))
    before = rows_of(book.path)
    with pytest.raises(RecordError, match="--really"):
        remove_blank(book, "ash-26-001", really=False)
    assert rows_of(book.path) == before


def test_really_removed(book, tmp_path):
    batch = write_batch(tmp_path / "batch", 2)
    # Both blanks share one photograph, which must stay.
    shared = (batch / "ash-26-001" / "end.jpg").read_bytes()
    (batch / "ash-26-002" / "end.jpg").write_bytes(shared)
    sort_folder(book, batch)
    overrule(book, "ash-26-001", "keep", who="Maud", why="so")
    add_weighing(book, "ash-26-001", Weighing("2026-03-01", 5.0))
    add_making(book, "ash-26-001", Making("pegs", "2026-03-01"))
    gone = remove_blank(book, "ash-26-001", really=True)
    assert (gone.scans, len(gone.photographs)) == (1, 2)
    assert [blank.code for blank in list_blanks(book)] == ["ash-26-002"]
    assert len([p for p in book.photographs.rglob("*") if p.is_file()]) == 3
    assert_sound(book)


def test_a_scan_from_the_page_with_corrections(book):
    """Content instead of files, and corrections by hand: another scan beside the first."""
    measurement = hand_made.measurement(hand_made.slope(1.4, 1.1, 1.8), name="ash-26-001")
    photographs = {
        "face_a": ("IMG 1.jpg", b"\xff\xd8\xff a"),
        "end": ("IMG 2.jpg", b"\xff\xd8\xff e"),
    }
    limit = hand_made_limit()
    first = keep_scan(book, measurement, limit, photographs, version=VERSION)
    assert keep_scan(book, measurement, limit, photographs, version=VERSION) == first
    moved = Correction("face_a", "corners", "[[0,0],[9,0],[9,3],[0,3]]", "Maud")
    second = keep_scan(book, measurement, limit, photographs, corrections=(moved,), version=VERSION)
    assert second != first
    scan = current_scan(book, "ash-26-001")
    assert scan.corrections == (moved,)
    assert scan.result.measurement == measurement
    with pytest.raises(RecordError, match="corrections by hand"):
        repeat_scan(book, scan)
    assert_sound(book)


def hand_made_limit():
    from grainscan.judge.limits import parse_limit

    return parse_limit("1:20")


def test_a_scan_is_repeated_from_what_is_kept(book, tmp_path, monkeypatch):
    import numpy as np
    from PIL import Image

    from grainscan.stock.measuring import measure_photographs

    FakeMeasuring(not_found=("face-b.png",)).install(monkeypatch)
    folder = tmp_path / "batch" / "ash-26-001"
    folder.mkdir(parents=True)
    for number, role in enumerate(("face-a", "face-b", "end")):
        pixels = np.full((300, 900, 3), 100 + number, np.uint8)
        Image.fromarray(pixels).save(folder / f"{role}.png")
    sort_folder(book, tmp_path / "batch", measure=measure_photographs)
    for file in folder.iterdir():
        file.unlink()
    scan = current_scan(book, "ash-26-001")
    assert scan.result.measurement.face_b is None
    assert repeat_scan(book, scan) == scan.result
    FakeMeasuring(angle_a_deg=4.0).install(monkeypatch)
    assert repeat_scan(book, scan) != scan.result


def values_of(kind):
    """Any value of a type, as the results are made of: for the round trip below."""
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return st.builds(kind, **{name: values_of(hint) for name, hint in hints.items()})
    if origin in (typing.Union, types.UnionType):
        return st.one_of(*map(values_of, inner))
    if origin is typing.Literal:
        return st.sampled_from(inner)
    if origin is tuple and inner[-1] is Ellipsis:
        return st.lists(values_of(inner[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*map(values_of, inner))
    if kind is float:
        return st.floats(allow_nan=False, allow_infinity=False)
    return {str: st.text(max_size=20), int: st.integers(), bool: st.booleans()}.get(kind, st.none())


@settings(max_examples=60)
@given(values_of(BlankResult))
def test_results_are_read_as_they_were_written(result):
    assert from_json(BlankResult, to_json(result)) == result


def test_results_of_other_versions():
    """A field that is not known is left out, one that is missing takes its default."""
    data = json.loads(to_json(hand_made.measurement(hand_made.slope(1.4, 1.1, 1.8))))
    data["added_later"] = 1
    del data["failures"]
    kind = type(hand_made.measurement())
    assert from_json(kind, json.dumps(data)) == hand_made.measurement(
        hand_made.slope(1.4, 1.1, 1.8)
    )
    del data["record"]
    with pytest.raises(BookError, match="another version"):
        from_json(kind, json.dumps(data))
    for text in ("[", "[]", '{"record": 3}', "null"):
        with pytest.raises(BookError, match="cannot be read"):
            from_json(kind, text)


def test_what_no_result_may_hold():
    with pytest.raises(TypeError, match="list"):
        to_json(dataclasses.replace(hand_made.measurement(), notes=["a list"]))
    with pytest.raises(ValueError, match="JSON"):
        to_json(dataclasses.replace(hand_made.measurement(), spiral_deg=float("inf")))


def test_canonical_texts_are_equal_for_equal_values():
    assert canonical({"a": 1, "b": [1.5, None]}) == canonical({"b": [1.5, None], "a": 1})
