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
from typing import Any

from grainscan.errors import RecordError
from grainscan.judge.sorting import judge_blank
from grainscan.results import (
    BlankMeasurement,
    BlankRecord,
    BlankResult,
    Limit,
    StrengthShare,
)
from grainscan.stock.as_json import canonical, from_json, to_json
from grainscan.stock.blanks import blank_id, checked_blank, put_blank_in
from grainscan.stock.photographs import (
    KeptPhotograph,
    keep_photograph,
    name_photograph,
    read_kept,
)
from grainscan.stock.records import ROLES, Blank, Correction, Role, utc_now
from grainscan.stock.store import Book, reading, writing
from grainscan.stock.version import libraries, measuring_version
from grainscan.wording import plain_name

__all__ = [
    "KeptScan",
    "NewScan",
    "ScanPhotograph",
    "current_scan",
    "inputs_of",
    "keep_scan",
    "keep_scan_in",
    "known_scan",
    "repeat_scan",
    "scans_of",
    "sort_again_in",
]


@dataclass(frozen=True, slots=True)
class ScanPhotograph:
    """One photograph of a scan: which side it shows, its own name, its content's hash."""

    role: Role
    name: str
    sha256: str


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


@dataclass(frozen=True, slots=True)
class KeptScan:
    """A scan as the book has it; ``result`` is as it was judged last."""

    scan_id: int
    blank: str
    scanned_at: str
    sorted_at: str
    measuring_version: str
    settings: Mapping[str, Any]
    result: BlankResult
    photographs: tuple[ScanPhotograph, ...]
    corrections: tuple[Correction, ...]


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


def current_scan(book: Book, code: str) -> KeptScan | None:
    """The blank's present answer; None if it was never scanned.

    Raises
    ------
    RecordError
        There is no such blank.
    """
    with reading(book) as connection:
        row = connection.execute(
            "SELECT current_sorting FROM blank WHERE id = ?", (blank_id(connection, code),)
        ).fetchone()
        return None if row[0] is None else _kept(connection, "sorting.id = ?", row[0])[0]


def scans_of(book: Book, code: str) -> tuple[KeptScan, ...]:
    """Every scan of a blank, oldest first, each with its last sorting.

    Raises
    ------
    RecordError
        There is no such blank.
    """
    last = "sorting.id = (SELECT max(id) FROM sorting WHERE scan_id = scan.id)"
    with reading(book) as connection:
        number = blank_id(connection, code)
        return tuple(_kept(connection, f"scan.blank_id = ? AND {last}", number))


def repeat_scan(book: Book, scan: KeptScan) -> BlankResult:
    """Measure and judge again from the photographs and the record that were kept.

    The same version with the same libraries gives the same result.

    Raises
    ------
    RecordError
        The scan rests on corrections by hand, which only their author can repeat.
    BookError
        A photograph is missing.
    """
    from grainscan.scan import PhotoSource, measure_sources

    if scan.corrections:
        raise RecordError(
            f"{plain_name(scan.blank)}: this scan rests on corrections by hand. "
            "Make them again on the page."
        )
    sources: dict[Role, PhotoSource] = {}
    with reading(book) as connection:
        for photograph in scan.photographs:
            path = read_kept(book, connection, photograph.sha256)
            sources[photograph.role] = PhotoSource(path, photograph.name)
    measurement = measure_sources(
        scan.result.measurement.record,
        face_a=sources.get("face_a"),
        face_b=sources.get("face_b"),
        end=sources.get("end"),
        problems=tuple(scan.settings.get("problems", ())),
    )
    return judge_blank(measurement, scan.result.limit)


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


def _kept(connection: sqlite3.Connection, where: str, value: int) -> list[KeptScan]:
    rows = connection.execute(
        "SELECT scan.id, blank.code, scanned_at, sorted_at, measuring_version, settings, "
        "measurement, limit_one_in, limit_source, sort, because, strength "
        "FROM scan JOIN blank ON blank.id = scan.blank_id "
        "JOIN sorting ON sorting.scan_id = scan.id "
        f"WHERE {where} ORDER BY scan.id",
        (value,),
    ).fetchall()
    return [_kept_scan(connection, row) for row in rows]


def _kept_scan(connection: sqlite3.Connection, row: tuple[Any, ...]) -> KeptScan:
    number, code, scanned_at, sorted_at, version, settings, measurement, *judged = row
    one_in, source, sort, because, strength = judged
    result = BlankResult(
        measurement=from_json(BlankMeasurement, measurement),
        limit=Limit(one_in, source),
        strength=None if strength is None else from_json(StrengthShare, strength),
        sort=sort,
        because=tuple(json.loads(because)),
    )
    photographs = connection.execute(
        "SELECT role, name, sha256 FROM scan_photograph WHERE scan_id = ?", (number,)
    ).fetchall()
    corrections = connection.execute(
        "SELECT side, what, detail, who FROM correction WHERE scan_id = ? ORDER BY id", (number,)
    ).fetchall()
    return KeptScan(
        scan_id=number,
        blank=code,
        scanned_at=scanned_at,
        sorted_at=sorted_at,
        measuring_version=version,
        settings=json.loads(settings),
        result=result,
        photographs=tuple(
            ScanPhotograph(*values)
            for values in sorted(photographs, key=lambda values: ROLES.index(values[0]))
        ),
        corrections=tuple(Correction(*values) for values in corrections),
    )


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
