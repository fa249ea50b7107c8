"""Lists, filters and sums; ten thousand blanks; CSV in and out."""

import csv
import dataclasses
import io
import json
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import RecordError
from grainscan.judge.limits import parse_limit
from grainscan.stock.blanks import get_blank, list_blanks, save_blank, save_log
from grainscan.stock.csv_files import (
    as_csv,
    as_json_text,
    blanks_from_csv,
    neutral,
    restored,
    take_csv,
)
from grainscan.stock.find import Filter, find, summary
from grainscan.stock.life import add_making, add_weighing, overrule
from grainscan.stock.list_table import list_table, summary_table
from grainscan.stock.records import Blank, Log, Making, Weighing
from grainscan.stock.scans import keep_scan
from grainscan.stock.store import open_book, writing
from tests import hand_made
from tests.stock_helpers import VERSION, rows_of

pytestmark = pytest.mark.usefixtures("quick_disk")


@pytest.fixture
def book(tmp_path):
    return open_book(tmp_path / "book.sqlite")


def add(book, code, slope=None, *, limit="1:20", **said):
    """A blank, scanned if a slope is given as angle, low, high."""
    save_blank(book, Blank(code, **said))
    if slope is not None:
        measurement = hand_made.measurement(hand_made.slope(*slope), name=code)
        keep_scan(book, measurement, parse_limit(limit), {}, version=VERSION)


@pytest.fixture
def rack(book):
    """Five blanks of Alder Ford, invented."""
    save_log(book, Log("log-7", species="white ash"))
    add(book, "ash-26-001", (1.0, 0.8, 1.2), log="log-7", part="chair rung", width_mm=25.0,
        height_mm=26.0, length_mm=430.0, rack="B3")  # fmt: skip
    add(book, "ash-26-002", (2.8, 2.5, 3.1), species="black ash", part="chair rung", rack="B4")
    add(book, "oak-26-001", (6.0, 5.5, 6.5), species="white oak", part="chair post",
        width_mm=45.0, length_mm=1100.0)  # fmt: skip
    add(book, "oak-26-002", (1.5, 1.0, None), species="white oak", part="Chair-Rung")
    add(book, "maple-26-001", species="sugar maple")
    add_weighing(book, "ash-26-001", Weighing("2026-02-01", 900.0, 60.0))
    add_weighing(book, "ash-26-001", Weighing("2026-05-01", 700.0, 14.0))
    add_weighing(book, "ash-26-001", Weighing("2026-06-01", 690.0))
    add_weighing(book, "oak-26-001", Weighing("2026-05-01", None, 22.0))
    add_making(book, "oak-26-001", Making("post", "2026-06-01"))
    return book


def codes(book, **wanted):
    return [line.code for line in find(book, Filter(**wanted))]


def test_best_first(rack):
    assert codes(rack) == ["ash-26-001", "ash-26-002", "oak-26-002", "oak-26-001", "maple-26-001"]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({"species": "ASH"}, ["ash-26-001", "ash-26-002"]),
        ({"species": "white"}, ["ash-26-001", "oak-26-002", "oak-26-001"]),
        ({"sort": "keep"}, ["ash-26-001"]),
        ({"sort": "check"}, ["ash-26-002", "oak-26-002"]),
        ({"sort": "set aside"}, ["oak-26-001"]),
        ({"part": "rung"}, ["ash-26-001", "ash-26-002", "oak-26-002"]),
        ({"rack": "b"}, ["ash-26-001", "ash-26-002"]),
        ({"log": "LOG-7"}, ["ash-26-001"]),
        # By the steep end of the interval; one face alone has none.
        ({"slope_at_most_deg": 3.0}, ["ash-26-001"]),
        ({"slope_at_most_deg": 3.1}, ["ash-26-001", "ash-26-002"]),
        ({"width_from_mm": 25.0}, ["ash-26-001", "oak-26-001"]),
        ({"width_to_mm": 44.9}, ["ash-26-001"]),
        ({"height_from_mm": 26.0, "height_to_mm": 26.0}, ["ash-26-001"]),
        ({"length_from_mm": 431.0}, ["oak-26-001"]),
        ({"length_to_mm": 430.0}, ["ash-26-001"]),
        # By the last moisture content that is known.
        ({"moisture_at_most_percent": 15.0}, ["ash-26-001"]),
        ({"moisture_at_most_percent": 22.0}, ["ash-26-001", "oak-26-001"]),
        ({"since": "2999-01-01"}, []),
        ({"until": "2000-01-01"}, []),
        ({"since": "2000-01-01", "species": "oak"}, ["oak-26-002", "oak-26-001"]),
        ({"in_stock": True, "species": "oak"}, ["oak-26-002"]),
        ({"not_scanned": True}, ["maple-26-001"]),
        ({"codes": ("OAK-26-001", "nothing")}, ["oak-26-001"]),
        ({"species": "'; DROP TABLE blank; --"}, []),
        ({"species": "%"}, []),
    ],
)
def test_filters(rack, wanted, found):
    assert codes(rack, **wanted) == found


def test_a_line_says_everything(rack):
    overrule(rack, "ash-26-001", "set aside", who="Maud", why="a hidden check")
    (line,) = find(rack, Filter(codes=("ash-26-001",)))
    assert (line.log, line.species, line.rack) == ("log-7", "white ash", "B3")
    assert (line.sort, line.measured_sort) == ("set aside", "keep")
    assert (line.overruled_by, line.overruled_why) == ("Maud", "a hidden check")
    assert (line.slope_deg, line.slope_low_deg, line.slope_high_deg) == (1.0, 0.8, 1.2)
    assert (line.limit_one_in, line.limit_source) == (20.0, "given by the user")
    assert (line.ring_direction_deg, line.orientation) == (12.0, "flat")
    assert (line.moisture_percent, line.moisture_on) == (14.0, "2026-05-01")
    assert line.because[0].startswith("The slope of grain is 1 in 57")
    # It is sorted by the word that counts, and found by it.
    assert codes(rack, sort="set aside") == ["ash-26-001", "oak-26-001"]
    overrule(rack, "ash-26-001", None, who="Maud", why="planed away")
    assert codes(rack, sort="keep") == ["ash-26-001"]


def test_what_it_was_made_into(rack):
    add_making(rack, "oak-26-001", Making("pegs", "2026-07-01"))
    (line,) = find(rack, Filter(codes=("oak-26-001",)))
    assert line.made_into == "post; pegs"


def test_summary(rack):
    lines = summary(rack, {"chair rung": 4, "rake tine": 3})
    rows = [
        (s.part, s.species, s.keep, s.check, s.set_aside, s.not_scanned, s.needed, s.short)
        for s in lines
    ]
    # The oak post was made into something and is no longer in stock.
    assert rows == [
        ("chair rung", "black ash", 0, 1, 0, 0, None, None),
        ("chair rung", "white ash", 1, 0, 0, 0, None, None),
        ("Chair-Rung", "white oak", 0, 1, 0, 0, None, None),
        ("chair rung", None, 1, 2, 0, 0, 4, 3),
        (None, "sugar maple", 0, 0, 0, 1, None, None),
        ("rake tine", None, 0, 0, 0, 0, 3, 3),
    ]
    assert all(line.needed is None for line in summary(rack))
    text = summary_table(lines)
    assert "needed" in text.splitlines()[0]
    assert "needed" not in summary_table(summary(rack))


def test_tables(rack):
    text = list_table(find(rack), width=80)
    assert "at least 1.5°, 1 in 38" in text
    assert "not scanned" in text
    assert max(len(line) for line in text.splitlines() if line.startswith("    ")) <= 80
    assert list_table(()) == summary_table(()) == "No blanks."


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """Ten thousand blanks with two scans each, as a school might have after many years."""
    book = open_book(tmp_path_factory.mktemp("large") / "book.sqlite")
    # Longer than a page of the database, so that a list that read them would be slow.
    measurement = json.dumps("x" * 4500)
    woods, parts = ("ash", "white oak", "sugar maple"), ("chair rung", "chair post", "rake tine")
    words = ("keep", "check", "set aside")
    moment = "2026-03-14T12:00:00Z"
    count = 10_000
    with writing(book) as connection:
        connection.executemany(
            "INSERT INTO blank (id, code, species, part, length_mm, added_at) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            ((k, f"b-{k:05d}", woods[k % 3], parts[k % 7 % 3], 300 + k % 900, moment)
             for k in range(count)),
        )  # fmt: skip
        connection.executemany(
            "INSERT INTO scan VALUES (?, ?, ?, '1', ?, ?, ?, ?, ?, 10, 'flat', 2, '{}', '{}', ?)",
            ((k, k // 2, moment, f"{k:064x}", 0.1 + k % 60 / 10, 0, 1 + k % 60 / 10, 5, measurement)
             for k in range(2 * count)),
        )  # fmt: skip
        connection.executemany(
            "INSERT INTO sorting VALUES (?, ?, ?, 20, 'test', ?, '[\"so\"]', NULL)",
            ((k, k, moment, words[k % 3]) for k in range(2 * count)),
        )
        connection.executemany(
            "INSERT INTO weighing (blank_id, weighed_on, moisture_percent) VALUES (?, ?, ?)",
            ((k // 3 % count, f"2026-0{1 + k % 3}-01", 10 + k % 50) for k in range(3 * count)),
        )
        connection.execute("UPDATE blank SET current_sorting = 2 * id + 1")
    return book


def least_seconds(function):
    times = []
    for _ in range(5):
        start = time.perf_counter()
        result = function()
        times.append(time.perf_counter() - start)
    return min(times), result


def test_ten_thousand_blanks_are_listed_at_once(large):
    wanted = Filter(species="oak", sort="keep", slope_at_most_deg=3.0, length_from_mm=400.0)
    seconds, lines = least_seconds(lambda: find(large, wanted))
    assert 200 < len(lines) < 1000
    assert seconds < 0.2
    seconds, _ = least_seconds(lambda: find(large, Filter(moisture_at_most_percent=11.0)))
    assert seconds < 0.2
    seconds, lines = least_seconds(lambda: find(large, Filter(codes=("b-00123",))))
    assert [line.code for line in lines] == ["b-00123"]
    assert seconds < 0.2


def test_ten_thousand_blanks_are_summed_up_and_opened_at_once(large):
    seconds, lines = least_seconds(lambda: summary(large))
    assert sum(s.keep + s.check + s.set_aside for s in lines) == 10_000
    assert seconds < 0.4
    seconds, _ = least_seconds(lambda: open_book(large.path))
    assert seconds < 0.3


# CSV


def test_csv_out_and_in_again_is_equal(rack, tmp_path):
    other = open_book(tmp_path / "other.sqlite")
    save_log(other, Log("log-7", species="white ash"))
    content = as_csv(find(rack))
    taken = take_csv(other, content)
    assert (taken.added, taken.changed) == (5, 0)
    # A wood that is the log's is written with the blank, as a spreadsheet has no logs.
    expected = [dataclasses.replace(b, species=b.species or "white ash") for b in list_blanks(rack)]
    assert list(list_blanks(other)) == expected
    assert find(other)[0].sort is None  # what was measured is not taken from a file
    before = rows_of(other.path)
    taken = take_csv(other, content)
    assert (taken.added, taken.changed) == (0, 5)
    assert rows_of(other.path) == before


def test_csv_is_what_spreadsheets_read(rack):
    import pandas as pd

    content = as_csv(find(rack))
    assert content.startswith(b"\xef\xbb\xbfcode,log,species,")
    assert b"\r\n" in content
    table = pd.read_csv(io.BytesIO(content)).set_index("code")
    assert table.loc["oak-26-001", "length_mm"] == 1100.0
    assert table.loc["oak-26-001", "slope_deg"] == 6.0
    assert table.loc["ash-26-001", "slope"] == "1 in 57"
    assert table["made_into"].isna().sum() == 4


FORMULAS = [
    "=HYPERLINK(\"http://x\",\"y\")", "+1+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1",
    "  =1", "'=1", "''=1", "＝1", "＋1", "－1", "＠A1", "\n=1",
]  # fmt: skip


@pytest.mark.parametrize("text", FORMULAS)
def test_no_cell_is_a_formula(text):
    cell = neutral(text)
    assert cell == f"'{text}"
    assert restored(cell) == text


@pytest.mark.parametrize("text", ["ash", "'tis", "'", "''", "5-3", "a=b", "", " x", "Ælf"])
def test_plain_texts_stay_as_they_are(text):
    assert neutral(text) == restored(text) == text


@given(st.text(alphabet="'=+-@ \t\r\nab＝", max_size=8))
def test_neutral_texts_are_restored(text):
    assert restored(neutral(text)) == text
    assert not neutral(text).lstrip("\t\r\n ").startswith(("=", "+", "-", "@", "＝"))


def test_formulas_in_the_book_come_out_harmless_and_back(book, tmp_path):
    nasty = Blank("=1+1", species="@ash", rack="-B3", notes="+x\n=y", part="'=z")
    save_blank(book, nasty)
    content = as_csv(find(book))
    rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in rows for cell in row)
    other = open_book(tmp_path / "other.sqlite")
    take_csv(other, content)
    assert list_blanks(other) == (nasty,)


def test_negative_numbers_stay_numbers(book):
    import pandas as pd

    measurement = hand_made.measurement(
        hand_made.slope(1.4, 1.1, 1.8), name="a", of_end=hand_made.end(direction_deg=-30.0)
    )
    keep_scan(book, measurement, parse_limit("1:20"), {}, version=VERSION)
    table = pd.read_csv(io.BytesIO(as_csv(find(book))))
    assert table["ring_direction_deg"][0] == -30.0


def test_csv_of_a_country_with_decimal_commas(book):
    take_csv(book, b"code;width_mm;rack\r\nash-26-001;25,5;B3\r\n")
    assert get_blank(book, "ash-26-001") == Blank("ash-26-001", width_mm=25.5, rack="B3")


def test_empty_cells_and_lines_change_nothing(book):
    save_blank(book, Blank("ash-26-001", rack="B3", width_mm=25.0))
    taken = take_csv(book, b"code,rack,width_mm\n\nash-26-001,,26\n,,\n")
    assert (taken.added, taken.changed) == (0, 1)
    assert get_blank(book, "ash-26-001") == Blank("ash-26-001", rack="B3", width_mm=26.0)


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"", "one must be code"),
        (b"name,rack\na,b\n", "one must be code"),
        (b"code,colour\na,b\n", "unknown column 'colour'"),
        (b"code,rack,rack\na,b,c\n", "two columns 'rack'"),
        (b"code,width_mm\na,25\nb,wide\n", "line 3: width_mm is 'wide'"),
        (b"code,width_mm\na,-25\n", "line 2: The width in mm is -25"),
        (b"code,made_on\na,1.2.2026\n", "line 2: .*write a day"),
        (b"code,rack\na,b\nA,c\n", "line 3: A is in line 2 too"),
        (b"code,rack\na,b,c\n", "line 2: more cells than columns"),
        (b"code,rack\n,b\n", "line 2: The code is empty"),
        (b'code,rack\na,"b\n', "line 2: not valid CSV"),
        (b"code,log\na,\nb,nowhere\n", "line 3: There is no log"),
        ("code,rack\na,Ä\n".encode("latin-1"), "CSV UTF-8"),
        (b"code,rack\na,b\x00\n", "line 2"),
        (b'code,notes\na,"one\ntwo"\nb,\x07\n', "line 4: The notes"),
    ],
)
def test_a_wrong_csv_is_one_line_and_changes_nothing(book, content, line):
    before = rows_of(book.path)
    with pytest.raises(RecordError, match=line):
        take_csv(book, content, name="stock.csv")
    assert rows_of(book.path) == before


def test_a_log_that_is_named_must_be_there_or_nothing_is_taken(book):
    with pytest.raises(RecordError, match="no log"):
        take_csv(book, b"code,log\na,\nb,log-7\n")
    assert list_blanks(book) == ()


texts = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp", "Cf", "Co", "Cn", "Zs"]))


@given(st.lists(st.tuples(texts, texts), max_size=5))
def test_any_text_comes_back(pairs):
    header = "code,rack\r\n"
    lines, expected = io.StringIO(newline=""), []
    writer = csv.writer(lines)
    for number, (code, rack) in enumerate(pairs):
        writer.writerow([neutral(f"{code}-{number}"), neutral(rack)])
        expected.append((f"{code}-{number}", rack or None))
    content = (header + lines.getvalue()).encode("utf-8-sig")
    found = [(blank.code, blank.rack) for _, blank in blanks_from_csv(content)]
    assert found == expected


def test_json_out(rack):
    values = json.loads(as_json_text(find(rack)))
    assert [value["code"] for value in values] == codes(rack)
    assert values[0]["slope"] == "1 in 57"
    assert values[-1]["sort"] is None
