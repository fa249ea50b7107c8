"""The scans that the book keeps: the present answer of a blank, and all before it."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from grainscan.errors import RecordError
from grainscan.judge.sorting import judge_blank
from grainscan.results import BlankMeasurement, BlankResult, Limit, StrengthShare
from grainscan.stock.as_json import from_json, object_from_json, texts_from_json
from grainscan.stock.blanks import blank_id
from grainscan.stock.photographs import read_kept
from grainscan.stock.records import ROLES, Correction, Role
from grainscan.stock.store import Book, reading
from grainscan.wording import plain_name

__all__ = ["KeptScan", "ScanPhotograph", "current_scan", "repeat_scan", "scans_of"]


@dataclass(frozen=True, slots=True)
class ScanPhotograph:
    """One photograph of a scan: which side it shows, its own name, its content's hash."""

    role: Role
    name: str
    sha256: str


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
        because=texts_from_json(because),
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
        settings=object_from_json(settings),
        result=result,
        photographs=tuple(
            ScanPhotograph(*values)
            for values in sorted(photographs, key=lambda values: ROLES.index(values[0]))
        ),
        corrections=tuple(Correction(*values) for values in corrections),
    )
