"""The book's tables, as numbered steps from an empty file to the schema of today.

Each step runs in one transaction together with the row that records it, so that a book is
always at a whole version. A step that has been in anybody's hands is never changed: a new
schema is a new step at the end.

Dates are ``YYYY-MM-DD``, moments ``YYYY-MM-DDTHH:MM:SSZ`` in UTC; both sort as texts. A date is
checked by adding no days to it, for SQLite takes the 30th of February until it has to count.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from grainscan.stock.records import utc_now

__all__ = ["APPLICATION_ID", "MIGRATIONS", "Migration", "migrate", "schema_version"]

# Says in the file's head that this database is a stock book and no other program's: "GRSB".
APPLICATION_ID = 0x47525342

_WORD = "IN ('keep', 'check', 'set aside')"


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: its number is the schema version that it leads to."""

    number: int
    name: str
    statements: tuple[str, ...]


_FIRST = (
    """CREATE TABLE migration (
        number INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        done_at TEXT NOT NULL
    ) STRICT""",
    # The file is named by its content, so a photograph is kept once however often it is used.
    """CREATE TABLE photograph (
        sha256 TEXT PRIMARY KEY
            CHECK (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*'),
        suffix TEXT NOT NULL CHECK (suffix GLOB '.[a-z]*' AND suffix NOT GLOB '*[^.a-z]*'),
        bytes INTEGER NOT NULL CHECK (bytes >= 0),
        added_at TEXT NOT NULL
    ) STRICT, WITHOUT ROWID""",
    # Felled: a day, or only a month or a year, which is often all that is known.
    """CREATE TABLE log (
        id INTEGER PRIMARY KEY,
        code TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (code <> ''),
        species TEXT,
        felled TEXT CHECK (
            felled GLOB '[0-9][0-9][0-9][0-9]'
            OR felled GLOB '[0-9][0-9][0-9][0-9]-[01][0-9]' OR felled IS date(felled, '+0 days')),
        origin TEXT,
        notes TEXT,
        end_photograph TEXT REFERENCES photograph (sha256),
        added_at TEXT NOT NULL
    ) STRICT""",
    # current_sorting: the answer that counts now; folder_record: what blank.toml said when it
    # was last read, so that only what has changed in it since replaces what the book says.
    """CREATE TABLE blank (
        id INTEGER PRIMARY KEY,
        code TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (code <> ''),
        log_id INTEGER REFERENCES log (id),
        species TEXT,
        width_mm REAL CHECK (width_mm > 0),
        height_mm REAL CHECK (height_mm > 0),
        length_mm REAL CHECK (length_mm > 0),
        made TEXT CHECK (made IN ('riven', 'sawn')),
        made_on TEXT CHECK (made_on IS date(made_on, '+0 days')),
        made_by TEXT,
        rack TEXT,
        part TEXT,
        notes TEXT,
        added_at TEXT NOT NULL,
        current_sorting INTEGER REFERENCES sorting (id),
        folder_record TEXT
    ) STRICT""",
    # One measuring of a blank. The whole measurement is the last column, so that a list that
    # asks for the figures does not read through it.
    """CREATE TABLE scan (
        id INTEGER PRIMARY KEY,
        blank_id INTEGER NOT NULL REFERENCES blank (id),
        scanned_at TEXT NOT NULL,
        measuring_version TEXT NOT NULL,
        inputs_sha256 TEXT NOT NULL CHECK (length(inputs_sha256) = 64),
        slope_deg REAL,
        slope_low_deg REAL,
        slope_high_deg REAL,
        steepest_deg REAL,
        ring_direction_deg REAL,
        orientation TEXT,
        mean_ring_mm REAL,
        inputs TEXT NOT NULL CHECK (inputs <> ''),
        settings TEXT NOT NULL CHECK (settings <> ''),
        measurement TEXT NOT NULL CHECK (measurement <> ''),
        UNIQUE (blank_id, inputs_sha256, measuring_version)
    ) STRICT""",
    """CREATE TABLE scan_photograph (
        scan_id INTEGER NOT NULL REFERENCES scan (id),
        role TEXT NOT NULL CHECK (role IN ('face_a', 'face_b', 'end')),
        name TEXT NOT NULL,
        sha256 TEXT NOT NULL REFERENCES photograph (sha256),
        PRIMARY KEY (scan_id, role)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE correction (
        id INTEGER PRIMARY KEY,
        scan_id INTEGER NOT NULL REFERENCES scan (id),
        side TEXT NOT NULL CHECK (side IN ('face_a', 'face_b', 'end', 'blank')),
        what TEXT NOT NULL,
        detail TEXT NOT NULL CHECK (detail <> ''),
        who TEXT
    ) STRICT""",
    # One judgement of a scan against a limit; another limit adds another, none is changed.
    f"""CREATE TABLE sorting (
        id INTEGER PRIMARY KEY,
        scan_id INTEGER NOT NULL REFERENCES scan (id),
        sorted_at TEXT NOT NULL,
        limit_one_in REAL NOT NULL CHECK (limit_one_in > 0),
        limit_source TEXT NOT NULL,
        sort TEXT NOT NULL CHECK (sort {_WORD}),
        because TEXT NOT NULL CHECK (because <> ''),
        strength TEXT CHECK (strength <> '')
    ) STRICT""",
    # A person's word over the measured one. The last row of a blank counts; a row without a
    # word takes the overruling back. sorting_id: the measured answer it was laid over.
    f"""CREATE TABLE overruling (
        id INTEGER PRIMARY KEY,
        blank_id INTEGER NOT NULL REFERENCES blank (id),
        sorting_id INTEGER REFERENCES sorting (id),
        sort TEXT CHECK (sort {_WORD}),
        who TEXT NOT NULL CHECK (who <> ''),
        why TEXT NOT NULL CHECK (why <> ''),
        overruled_at TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE weighing (
        id INTEGER PRIMARY KEY,
        blank_id INTEGER NOT NULL REFERENCES blank (id),
        weighed_on TEXT NOT NULL CHECK (weighed_on IS date(weighed_on, '+0 days')),
        mass_g REAL CHECK (mass_g > 0),
        moisture_percent REAL CHECK (moisture_percent >= 0),
        moisture_source TEXT,
        who TEXT,
        CHECK (mass_g IS NOT NULL OR moisture_percent IS NOT NULL)
    ) STRICT""",
    """CREATE TABLE making (
        id INTEGER PRIMARY KEY,
        blank_id INTEGER NOT NULL REFERENCES blank (id),
        made_into TEXT NOT NULL CHECK (made_into <> ''),
        made_on TEXT NOT NULL CHECK (made_on IS date(made_on, '+0 days')),
        who TEXT,
        notes TEXT
    ) STRICT""",
    "CREATE INDEX blank_by_log ON blank (log_id)",
    "CREATE INDEX scan_photograph_by_content ON scan_photograph (sha256)",
    "CREATE INDEX correction_by_scan ON correction (scan_id)",
    "CREATE INDEX sorting_by_scan ON sorting (scan_id)",
    "CREATE INDEX overruling_by_blank ON overruling (blank_id)",
    "CREATE INDEX weighing_by_blank ON weighing (blank_id, weighed_on)",
    "CREATE INDEX making_by_blank ON making (blank_id)",
    f"PRAGMA application_id = {APPLICATION_ID}",
)

# What a file's content was when it was last read, so that a folder of hundreds of photographs
# need not be read again to see that nothing has changed.
_SECOND = (
    """CREATE TABLE file_seen (
        path TEXT PRIMARY KEY,
        bytes INTEGER NOT NULL,
        modified_ns INTEGER NOT NULL,
        changed_ns INTEGER NOT NULL,
        seen_ns INTEGER NOT NULL,
        sha256 TEXT NOT NULL
    ) STRICT, WITHOUT ROWID""",
)

# Sizes to leave green, worked out for a blank: the whole plan as a JSON text.
_THIRD = (
    """CREATE TABLE green_size (
        id INTEGER PRIMARY KEY,
        blank_id INTEGER NOT NULL REFERENCES blank (id),
        planned_at TEXT NOT NULL,
        plan TEXT NOT NULL CHECK (plan <> ''),
        who TEXT
    ) STRICT""",
    "CREATE INDEX green_size_by_blank ON green_size (blank_id)",
)

MIGRATIONS = (
    Migration(1, "logs, blanks, scans and what becomes of them", _FIRST),
    Migration(2, "content of files seen before", _SECOND),
    Migration(3, "sizes to leave green", _THIRD),
)


def schema_version(connection: sqlite3.Connection) -> int:
    """The number of the last step done; 0 for an empty file."""
    has_table = connection.execute(
        "SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'migration'"
    ).fetchone()
    if has_table is None:
        return 0
    (number,) = connection.execute("SELECT coalesce(max(number), 0) FROM migration").fetchone()
    return int(number)


def migrate(
    connection: sqlite3.Connection,
    steps: Sequence[Migration] = MIGRATIONS,
    *,
    before: Callable[[int], None] | None = None,
) -> None:
    """Do all steps that are not done yet, in one transaction.

    One transaction, so that nobody meets a new book half made and takes it for an old one.
    ``before`` is called with the version found if there is anything to do, while nobody else can
    write and before anything is changed. Raises sqlite3.Error; the transaction is then undone.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = schema_version(connection)
        to_do = [step for step in steps if step.number > version]
        if to_do and before is not None:
            before(version)
        for step in to_do:
            for statement in step.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migration (number, name, done_at) VALUES (?, ?, ?)",
                (step.number, step.name, utc_now()),
            )
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
