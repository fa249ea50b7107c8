"""Scans: what was measured from which photographs, and how it was sorted.

A scan is known by its inputs: the content of its photographs, the entries of the record that
measuring uses, and corrections by hand. The same inputs measured by the same version are one
scan, however often they come. Another limit adds a sorting to the scan; nothing is measured
again.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from grainscan.judge.sorting import judge_blank
from grainscan.results import (
    BlankMeasurement,
    BlankRecord,
    BlankResult,
    Limit,
)
from grainscan.stock.as_json import canonical, to_json
from grainscan.stock.blanks import blank_id, checked_blank, put_blank_in
from grainscan.stock.photographs import (
    KeptPhotograph,
    keep_photograph,
    name_photograph,
)
from grainscan.stock.records import ROLES, Blank, Correction, Role, utc_now
from grainscan.stock.store import Book, writing
from grainscan.stock.version import libraries, measuring_version

__all__ = [
    "NewScan",
    "inputs_of",
    "keep_scan",
    "keep_scan_in",
    "known_scan",
    "sort_again_in",
]


@dataclass(frozen=True, slots=True)
class NewScan:
    """A measured blank to be kept; its photographs are in the book's folder already."""

    record: BlankRecord
    measurement: BlankMeasurement
    limit: Limit
    photographs: tuple[tuple[Role, str, KeptPhotograph], ...]
    corrections: tuple[Correction, ...] = ()
    problems: tuple[str, ...] = ()
    version: str = ""


def inputs_of(
    record: BlankRecord,
    photographs: Mapping[Role, str],
    corrections: tuple[Correction, ...] = (),
    problems: tuple[str, ...] = (),
) -> str:
    """What a measurement depends on, as a canonical JSON text.

    ``photographs``: content hash by role; ``problems``: what was wrong with the files before
    any was opened. The part and the notes are not among the inputs: they change the limit and
    nothing that is measured.
    """
    return canonical(
        {
            "photographs": {role: photographs[role] for role in ROLES if role in photographs},
            "record": {
                "species": record.species,
                "width_mm": record.width_mm,
                "height_mm": record.height_mm,
                "length_mm": record.length_mm,
            },
            "corrections": [[c.side, c.what, c.detail] for c in corrections],
            "problems": list(problems),
        }
    )


def keep_scan(
    book: Book,
    measurement: BlankMeasurement,
    limit: Limit,
    photographs: Mapping[Role, tuple[str, Path | bytes]],
    *,
    corrections: tuple[Correction, ...] = (),
    problems: tuple[str, ...] = (),
    version: str | None = None,
) -> int:
    """Keep a measured blank with its photographs, and make it the blank's present answer.

    Parameters
    ----------
    measurement
        Its ``record`` names the blank, which is added to the book if it is not there.
    photographs
        By role: the photograph's own name, and its file or content.
    problems
        Lines about the files that it was measured with.
    version
        What measured it; by default this program.

    Returns
    -------
    int
        The scan's number. The same inputs measured before by this version are not kept twice.

    Raises
    ------
    PhotoError, RecordError, BookError
        A photograph cannot be read, the record is wrong, the book cannot be written.
    """
    kept = tuple(
        (
            role,
            photographs[role][0],
            keep_photograph(book, photographs[role][1], photographs[role][0]),
        )
        for role in ROLES
        if role in photographs
    )
    scan = NewScan(
        record=measurement.record,
        measurement=measurement,
        limit=limit,
        photographs=kept,
        corrections=corrections,
        problems=problems,
        version=version or measuring_version(),
    )
    with writing(book) as connection:
        put_blank_in(connection, _blank_of(scan.record))
        return keep_scan_in(connection, scan)


def keep_scan_in(connection: sqlite3.Connection, scan: NewScan) -> int:
    """As `keep_scan`, within a transaction, for photographs that are kept already."""
    blank = blank_id(connection, scan.record.blank)
    for _, _, kept in scan.photographs:
        name_photograph(connection, kept)
    inputs = inputs_of(
        scan.record,
        {role: kept.sha256 for role, _, kept in scan.photographs},
        scan.corrections,
        scan.problems,
    )
    known = known_scan(connection, scan.record.blank, inputs, scan.version)
    number = known[0] if known is not None else _insert_scan(connection, blank, inputs, scan)
    sort_again_in(connection, number, judge_blank(scan.measurement, scan.limit))
    return number


def known_scan(
    connection: sqlite3.Connection, code: str, inputs: str, version: str | None = None
) -> tuple[int, str] | None:
    """The blank's newest scan of these inputs, by any or by one version: number and version."""
    row = connection.execute(
        "SELECT scan.id, measuring_version FROM scan JOIN blank ON blank.id = scan.blank_id "
        "WHERE blank.code = ? AND scan.inputs_sha256 = ? "
        "AND (?3 IS NULL OR scan.measuring_version = ?3) ORDER BY scan.id DESC LIMIT 1",
        (code, _hash(inputs), version),
    ).fetchone()
    return None if row is None else (int(row[0]), str(row[1]))


def sort_again_in(connection: sqlite3.Connection, scan_id: int, result: BlankResult) -> None:
    """Make a judgement of a scan the present answer of its blank, within a transaction.

    The last sorting of the scan is taken again if it says the same of the same limit.
    """
    values = (
        float(result.limit.one_in),
        result.limit.source,
        result.sort,
        json.dumps(list(result.because), ensure_ascii=False),
        None if result.strength is None else to_json(result.strength),
    )
    last = connection.execute(
        "SELECT id, limit_one_in, limit_source, sort, because, strength FROM sorting "
        "WHERE scan_id = ? ORDER BY id DESC LIMIT 1",
        (scan_id,),
    ).fetchone()
    if last is not None and last[1:] == values:
        sorting = int(last[0])
    else:
        cursor = connection.execute(
            "INSERT INTO sorting (scan_id, sorted_at, limit_one_in, limit_source, sort, because, "
            "strength) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (scan_id, utc_now(), *values),
        )
        sorting = int(cursor.lastrowid or 0)
    connection.execute(
        "UPDATE blank SET current_sorting = ? WHERE id = (SELECT blank_id FROM scan WHERE id = ?)",
        (sorting, scan_id),
    )


def _insert_scan(connection: sqlite3.Connection, blank: int, inputs: str, scan: NewScan) -> int:
    slope, end = scan.measurement.slope, scan.measurement.end
    settings = {"libraries": libraries(), "problems": list(scan.problems)}
    cursor = connection.execute(
        "INSERT INTO scan (blank_id, scanned_at, measuring_version, inputs_sha256, slope_deg, "
        "slope_low_deg, slope_high_deg, steepest_deg, ring_direction_deg, orientation, "
        "mean_ring_mm, inputs, settings, measurement) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            blank,
            utc_now(),
            scan.version,
            _hash(inputs),
            None if slope is None else slope.angle_deg,
            None if slope is None else slope.low_deg,
            None if slope is None else slope.high_deg,
            None if slope is None else slope.steepest.angle_deg,
            None if end is None else end.ring_direction_deg,
            None if end is None else end.orientation,
            None if end is None else end.mean_ring_mm,
            inputs,
            canonical(settings),
            to_json(scan.measurement),
        ),
    )
    number = int(cursor.lastrowid or 0)
    connection.executemany(
        "INSERT INTO scan_photograph (scan_id, role, name, sha256) VALUES (?, ?, ?, ?)",
        [(number, role, name, kept.sha256) for role, name, kept in scan.photographs],
    )
    connection.executemany(
        "INSERT INTO correction (scan_id, side, what, detail, who) VALUES (?, ?, ?, ?, ?)",
        [(number, c.side, c.what, c.detail, c.who) for c in scan.corrections],
    )
    return number


def _blank_of(record: BlankRecord) -> Blank:
    return checked_blank(
        Blank(
            code=record.blank,
            species=record.species,
            width_mm=record.width_mm,
            height_mm=record.height_mm,
            length_mm=record.length_mm,
            made=record.made,
            part=record.part,
            notes=record.text,
        )
    )


def _hash(inputs: str) -> str:
    return hashlib.sha256(inputs.encode()).hexdigest()
