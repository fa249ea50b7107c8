"""A sample blank measured in earnest: sorted into a book, known again, repeated, reported."""

import shutil
from pathlib import Path

import pytest

from grainscan.photo.folder import find_blanks
from grainscan.stock.batch import sort_blanks
from grainscan.stock.history import current_scan, repeat_scan
from grainscan.stock.report import report_of
from grainscan.stock.store import open_book
from grainscan.stock.version import measuring_version

SAMPLE = Path(__file__).parent.parent / "sample_images" / "ash-rung-straight"


def test_a_sample_from_photographs_to_report(tmp_path):
    if not SAMPLE.is_dir():
        pytest.skip("the sample is not there")
    shutil.copytree(SAMPLE, tmp_path / "day" / "ash-rung-straight")
    found = find_blanks([tmp_path / "day"])
    book = open_book(tmp_path / "book.sqlite")
    (done,) = sort_blanks(book, found)
    assert (done.state, done.problem) == ("scanned", None)
    (done,) = sort_blanks(book, found)
    assert done.state == "unchanged"
    shutil.rmtree(tmp_path / "day")
    scan = current_scan(book, "ash-rung-straight")
    assert scan.measuring_version == measuring_version()
    assert scan.result.measurement.slope is not None
    # From what the book keeps, the same result to the last digit.
    assert repeat_scan(book, scan) == scan.result
    titles = [p.title for s in report_of(book, scan.blank).sections for p in s.pictures]
    assert titles == ["Face A", "Face B", "Marked end", "Face A", "Face B"]
