"""Blanks as CSV for a spreadsheet, and records of blanks from it.

RFC 4180 with a byte order mark, so that spreadsheets know that it is UTF-8. A text that a
spreadsheet would take for a formula gets an apostrophe in front, which is taken away again
when it is read.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from grainscan.errors import RecordError
from grainscan.stock.blanks import checked_blank, put_blank_in
from grainscan.stock.find import StockLine
from grainscan.stock.records import Blank
from grainscan.stock.store import Book, writing
from grainscan.wording import one_in_words, plain_name, sentence_list

__all__ = [
    "MOST_BYTES",
    "CsvTaken",
    "as_csv",
    "as_json_text",
    "blanks_from_csv",
    "neutral",
    "restored",
    "take_csv",
]

# A hundred thousand blanks.
MOST_BYTES = 20_000_000
# A cell beginning with these, or with blanks and then these, may be run as a formula; the last
# four are the wide forms that some spreadsheets take for the same.
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
_WRITTEN = tuple(field.name for field in dataclasses.fields(Blank))
_NUMBERS = ("width_mm", "height_mm", "length_mm")
# What is measured and kept, after the columns that a person writes.
_MEASURED = tuple(
    field.name for field in dataclasses.fields(StockLine) if field.name not in _WRITTEN
)
_COLUMNS = (*_WRITTEN, *_MEASURED, "slope")


@dataclass(frozen=True, slots=True)
class CsvTaken:
    """How many blanks a CSV file added, and of how many it changed the record."""

    added: int
    changed: int


def as_csv(lines: Iterable[StockLine]) -> bytes:
    """A table of blanks, the columns of the record first, then what was measured.

    Angles are in degrees, lengths in millimetres, moisture in per cent of oven-dry mass.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, dialect="excel")
    writer.writerow(_COLUMNS)
    for line in lines:
        values = _values(line)
        writer.writerow([_cell(values[name]) for name in _COLUMNS])
    return text.getvalue().encode("utf-8-sig")


def as_json_text(lines: Iterable[StockLine]) -> str:
    """A JSON array of the same blanks, with the same names."""
    return json.dumps([_values(line) for line in lines], ensure_ascii=False, indent=1) + "\n"


def take_csv(book: Book, content: bytes, *, name: str = "the CSV file") -> CsvTaken:
    """Add the blanks of a CSV file to the book, or change what it says of them.

    Columns are those of `as_csv`; only ``code`` must be there. An empty cell leaves what the
    book has. What was measured is not taken from a file: those columns are passed over.
    Either all lines are taken or none.

    Raises
    ------
    RecordError
        A column or an entry is wrong; the message names the line.
    BookError
        The book cannot be written.
    """
    blanks = blanks_from_csv(content, name=name)
    added = 0
    with writing(book) as connection:
        for line, blank in blanks:
            row = connection.execute("SELECT 1 FROM blank WHERE code = ?", (blank.code,)).fetchone()
            added += row is None
            try:
                put_blank_in(connection, blank)
            except RecordError as error:
                raise RecordError(f"{name}, line {line}: {error}") from error
    return CsvTaken(added=added, changed=len(blanks) - added)


def blanks_from_csv(content: bytes, *, name: str = "the CSV file") -> list[tuple[int, Blank]]:
    """The records in a CSV file, each with the line that it begins on.

    Raises
    ------
    RecordError
        As `take_csv`.
    """
    if len(content) > MOST_BYTES:
        raise RecordError(f"{name}: this file is too long for a list of blanks.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RecordError(f"{name}: save the file as CSV UTF-8 and try again.") from error
    reader = csv.reader(io.StringIO(text, newline=""), dialect=_dialect(text), strict=True)
    found: list[tuple[int, Blank]] = []
    codes: dict[str, int] = {}
    try:
        columns = [column.strip() for column in next(reader, [])]
        _check_columns(columns, name)
        line = reader.line_num + 1
        for row in reader:
            if any(cell.strip() for cell in row):
                blank = _blank(columns, row, f"{name}, line {line}")
                if blank.code.lower() in codes:
                    raise RecordError(
                        f"{name}, line {line}: {plain_name(blank.code)} is in line "
                        f"{codes[blank.code.lower()]} too."
                    )
                codes[blank.code.lower()] = line
                found.append((line, blank))
            line = reader.line_num + 1
    except csv.Error as error:
        raise RecordError(f"{name}, line {reader.line_num}: not valid CSV ({error}).") from error
    return found


def neutral(text: str) -> str:
    """The text as a cell that no spreadsheet takes for a formula."""
    return f"'{text}" if _must_be_marked(text) else text


def restored(cell: str) -> str:
    """The text that `neutral` made the cell of; a text of another origin stays as it is."""
    return cell[1:] if cell.startswith("'") and _must_be_marked(cell[1:]) else cell


def _must_be_marked(text: str) -> bool:
    """Whether the text could be run, or is such a text with apostrophes in front already."""
    text = text.lstrip("'")
    return text.lstrip().startswith(_FORMULA) or text[:1] in {"\t", "\r", "\n"}


def _values(line: StockLine) -> dict[str, Any]:
    values = dataclasses.asdict(line)
    values["because"] = " ".join(line.because) or None
    values["slope"] = None if line.slope_deg is None else one_in_words(line.slope_deg)
    return values


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return neutral(value) if isinstance(value, str) else repr(value)


def _dialect(text: str) -> type[csv.Dialect]:
    """Spreadsheets of many countries put semicolons where the comma is the decimal sign."""
    head = text.split("\n", 1)[0]
    return _Semicolons if head.count(";") > head.count(",") else csv.excel


class _Semicolons(csv.excel):
    delimiter = ";"


def _check_columns(columns: list[str], name: str) -> None:
    if "code" not in columns:
        raise RecordError(f"{name}: the first line must name the columns, and one must be code.")
    for column in columns:
        if column and column not in _COLUMNS:
            raise RecordError(
                f"{name}: unknown column {plain_name(column)!r}. Known are "
                f"{sentence_list(_WRITTEN)}, and those that grainscan stock list --csv writes."
            )
        if column and columns.count(column) > 1:
            raise RecordError(f"{name}: there are two columns {column!r}.")


def _blank(columns: list[str], row: list[str], place: str) -> Blank:
    if len(row) > len(columns) and any(cell.strip() for cell in row[len(columns) :]):
        raise RecordError(f"{place}: more cells than columns.")
    cells = dict(zip(columns, row, strict=False))
    values: dict[str, Any] = {}
    for column in _WRITTEN:
        text = restored(cells.get(column, "")).strip()
        if text:
            values[column] = _number(text, column, place) if column in _NUMBERS else text
    try:
        return checked_blank(Blank(**{"code": "", **values}))
    except RecordError as error:
        raise RecordError(f"{place}: {error}") from error


def _number(text: str, column: str, place: str) -> float:
    try:
        return float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        raise RecordError(
            f"{place}: {column} is {plain_name(text)!r}, which is no number."
        ) from None
