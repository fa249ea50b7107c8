"""Find blanks in the book, and sum up what there is."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from grainscan.results import SortWord
from grainscan.stock.as_json import texts_from_json
from grainscan.stock.records import Made
from grainscan.stock.store import Book, reading

__all__ = ["Filter", "StockLine", "SummaryLine", "find", "lines_in", "summary"]

# One row per blank: its record, its present answer, the person's word over it, its last
# moisture content and what it was made into.
_LINES = """
SELECT * FROM (
    SELECT blank.code, log.code AS log, coalesce(blank.species, log.species) AS species,
        blank.width_mm, blank.height_mm, blank.length_mm, blank.made, blank.made_on,
        blank.made_by, blank.rack, blank.part, blank.notes,
        coalesce(over.sort, sorting.sort) AS sort, sorting.sort AS measured_sort,
        CASE WHEN over.sort IS NOT NULL THEN over.who END AS overruled_by,
        CASE WHEN over.sort IS NOT NULL THEN over.why END AS overruled_why,
        sorting.because, sorting.limit_one_in, sorting.limit_source,
        scan.slope_deg, scan.slope_low_deg, scan.slope_high_deg, scan.steepest_deg,
        scan.ring_direction_deg, scan.orientation, scan.mean_ring_mm,
        scan.scanned_at, scan.measuring_version,
        weighing.moisture_percent, weighing.weighed_on AS moisture_on,
        (SELECT group_concat(made_into, '; ') FROM making WHERE blank_id = blank.id) AS made_into
    FROM blank
    LEFT JOIN log ON log.id = blank.log_id
    LEFT JOIN sorting ON sorting.id = blank.current_sorting
    LEFT JOIN scan ON scan.id = sorting.scan_id
    LEFT JOIN overruling AS over
        ON over.id = (SELECT max(id) FROM overruling WHERE blank_id = blank.id)
    LEFT JOIN weighing ON weighing.id = (
        SELECT id FROM weighing AS w WHERE w.blank_id = blank.id
        AND w.moisture_percent IS NOT NULL ORDER BY w.weighed_on DESC, w.id DESC LIMIT 1)
)
"""
# Best first: by word, then by the steep end of the interval, which is what a maker must trust.
_BEST_FIRST = """
ORDER BY CASE sort WHEN 'keep' THEN 0 WHEN 'check' THEN 1 WHEN 'set aside' THEN 2 ELSE 3 END,
    slope_high_deg IS NULL, slope_high_deg, slope_deg IS NULL, slope_deg, code
"""


@dataclass(frozen=True, slots=True)
class StockLine:
    """A blank as a list shows it; ``sort`` is the word that counts, overruled or measured.

    ``because``: the measured reasons. ``made_into`` None means that it is in stock.
    """

    code: str
    log: str | None
    species: str | None
    width_mm: float | None
    height_mm: float | None
    length_mm: float | None
    made: Made | None
    made_on: str | None
    made_by: str | None
    rack: str | None
    part: str | None
    notes: str | None
    sort: SortWord | None
    measured_sort: SortWord | None
    overruled_by: str | None
    overruled_why: str | None
    because: tuple[str, ...]
    limit_one_in: float | None
    limit_source: str | None
    slope_deg: float | None
    slope_low_deg: float | None
    slope_high_deg: float | None
    steepest_deg: float | None
    ring_direction_deg: float | None
    orientation: str | None
    mean_ring_mm: float | None
    scanned_at: str | None
    measuring_version: str | None
    moisture_percent: float | None
    moisture_on: str | None
    made_into: str | None


@dataclass(frozen=True, slots=True)
class Filter:
    """What to list; None leaves a thing out of account.

    Texts (``code_like`` too) are found anywhere in the entry, in any case.
    ``slope_at_most_deg`` compares with the steep end of the 90 % interval, ``since`` and
    ``until`` with the day of the present scan; a blank whose value is not known is left out
    wherever that value is asked for.
    """

    codes: tuple[str, ...] = ()
    species: str | None = None
    sort: SortWord | None = None
    part: str | None = None
    rack: str | None = None
    log: str | None = None
    slope_at_most_deg: float | None = None
    width_from_mm: float | None = None
    width_to_mm: float | None = None
    height_from_mm: float | None = None
    height_to_mm: float | None = None
    length_from_mm: float | None = None
    length_to_mm: float | None = None
    moisture_at_most_percent: float | None = None
    since: str | None = None
    until: str | None = None
    in_stock: bool = False
    not_scanned: bool = False
    code_like: str | None = None


@dataclass(frozen=True, slots=True)
class SummaryLine:
    """Blanks in stock of one species and part, by word; ``needed`` by a cut list.

    ``short`` is how many of the needed the kept ones do not cover; a cut list asks for parts
    of any species, so both are None but in the part's own line, whose ``species`` is None.
    """

    species: str | None
    part: str | None
    keep: int
    check: int
    set_aside: int
    not_scanned: int
    needed: int | None = None

    @property
    def short(self) -> int | None:
        return None if self.needed is None else max(self.needed - self.keep, 0)


def find(book: Book, wanted: Filter | None = None) -> tuple[StockLine, ...]:
    """The blanks that a filter lets through, best first.

    Raises
    ------
    BookError
        The book cannot be read.
    """
    with reading(book) as connection:
        return tuple(lines_in(connection, wanted or Filter()))


def lines_in(connection: sqlite3.Connection, wanted: Filter) -> Iterator[StockLine]:
    """As `find`, one by one, within a reading."""
    where, values = _where(wanted)
    cursor = connection.execute(f"{_LINES} {where} {_BEST_FIRST}", values)
    columns = [column[0] for column in cursor.description]
    for row in cursor:
        yield _line(columns, row)


def summary(book: Book, needed: Mapping[str, int] | None = None) -> tuple[SummaryLine, ...]:
    """What is in stock by part and species, and how much a cut list needs of it.

    Parameters
    ----------
    needed
        How many of each part a cut list asks for, by the part's name.

    Returns
    -------
    tuple of SummaryLine
        One line per part and species, by part; after a part that is needed, one line with
        ``species`` None for all species together. Blanks made into something are not counted.
    """
    with reading(book) as connection:
        rows = connection.execute(
            "SELECT part, species, sum(sort IS 'keep'), sum(sort IS 'check'), "
            f"sum(sort IS 'set aside'), sum(sort IS NULL) FROM ({_LINES}) "
            "WHERE made_into IS NULL GROUP BY lower(part), lower(species) "
            "ORDER BY part IS NULL, lower(part), species IS NULL, lower(species)"
        ).fetchall()
    lines = [SummaryLine(species, part, *counts) for part, species, *counts in rows]
    if needed is None:
        return tuple(lines)
    return tuple(_with_needed(lines, needed))


def _with_needed(lines: Sequence[SummaryLine], needed: Mapping[str, int]) -> list[SummaryLine]:
    wanted = {_plain_part(part): (part, count) for part, count in needed.items()}
    result: list[SummaryLine] = []
    names = list(dict.fromkeys(_plain_part(line.part) for line in lines))
    for name in [*names, *(part for part in wanted if part not in names)]:
        of_part = [line for line in lines if _plain_part(line.part) == name]
        result += of_part
        if name in wanted:
            part, count = wanted[name]
            result.append(
                SummaryLine(
                    species=None,
                    part=part,
                    keep=sum(line.keep for line in of_part),
                    check=sum(line.check for line in of_part),
                    set_aside=sum(line.set_aside for line in of_part),
                    not_scanned=sum(line.not_scanned for line in of_part),
                    needed=count,
                )
            )
    return result


def _plain_part(part: str | None) -> str:
    return (
        "" if part is None else " ".join(part.lower().replace("-", " ").replace("_", " ").split())
    )


def _where(wanted: Filter) -> tuple[str, list[Any]]:
    tests: list[str] = []
    values: list[Any] = []
    for column, text in (
        ("species", wanted.species),
        ("part", wanted.part),
        ("rack", wanted.rack),
        ("code", wanted.code_like),
    ):
        if text is not None:
            tests.append(f"instr(lower({column}), lower(?)) > 0")
            values.append(text)
    for test, value in (
        ("log = ? COLLATE NOCASE", wanted.log),
        ("sort = ?", wanted.sort),
        ("slope_high_deg <= ?", wanted.slope_at_most_deg),
        ("width_mm >= ?", wanted.width_from_mm),
        ("width_mm <= ?", wanted.width_to_mm),
        ("height_mm >= ?", wanted.height_from_mm),
        ("height_mm <= ?", wanted.height_to_mm),
        ("length_mm >= ?", wanted.length_from_mm),
        ("length_mm <= ?", wanted.length_to_mm),
        ("moisture_percent <= ?", wanted.moisture_at_most_percent),
        ("substr(scanned_at, 1, 10) >= ?", wanted.since),
        ("substr(scanned_at, 1, 10) <= ?", wanted.until),
    ):
        if value is not None:
            tests.append(test)
            values.append(value)
    if wanted.in_stock:
        tests.append("made_into IS NULL")
    if wanted.not_scanned:
        tests.append("scanned_at IS NULL")
    if wanted.codes:
        tests.append("code COLLATE NOCASE IN (SELECT value FROM json_each(?))")
        values.append(json.dumps(list(wanted.codes)))
    return (f"WHERE {' AND '.join(tests)}" if tests else "", values)


def _line(columns: Sequence[str], row: Sequence[Any]) -> StockLine:
    values = dict(zip(columns, row, strict=True))
    values["because"] = () if values["because"] is None else texts_from_json(values["because"])
    return StockLine(**values)
