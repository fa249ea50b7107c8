"""Check the book and its photographs, and repair what can be repaired."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from grainscan.errors import GrainscanError
from grainscan.scan import OnStep
from grainscan.stock.photographs import content_hash, keep_photograph, photograph_path
from grainscan.stock.store import Book, copy_database, reading, writing
from grainscan.wording import plain_name

__all__ = ["Checked", "check_book"]

# A photograph is written just before it is named; a file that nothing names and that is older
# than this belongs to no run that is still at work.
_LEFT_BEHIND_SECONDS = 3600.0


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found. ``problems``: one line each for what is still wrong.

    ``repaired``: one line each for what was put right; ``photographs``: how many are named;
    ``unnamed``: files that nothing names (left by an interrupted run; they do no harm).
    """

    photographs: int
    problems: tuple[str, ...]
    repaired: tuple[str, ...]
    unnamed: tuple[Path, ...]


@dataclass(slots=True)
class _Findings:
    problems: list[str] = field(default_factory=list)
    repaired: list[str] = field(default_factory=list)


def check_book(
    book: Book,
    *,
    photographs_from: Path | None = None,
    remove_unnamed: bool = False,
    on_step: OnStep | None = None,
) -> Checked:
    """Look through the whole book and read every photograph.

    Damaged indexes are rebuilt, after a copy of the book was laid beside it.

    Parameters
    ----------
    photographs_from
        A folder to bring missing or changed photographs back from, by their content.
    remove_unnamed
        Whether files that nothing names, older than an hour, are deleted.
    on_step
        Called with (photographs done, in all, text).

    Raises
    ------
    BookError
        The book cannot be read at all.
    """
    found = _Findings()
    _check_tables(book, found)
    named = _named(book)
    wrong: list[tuple[str, str, int]] = []
    for number, (sha256, suffix, size) in enumerate(named):
        if on_step is not None:
            on_step(number, len(named), "photographs")
        if not _is_whole(photograph_path(book, sha256, suffix), sha256):
            wrong.append((sha256, suffix, size))
    _bring_back(book, wrong, photographs_from, found)
    unnamed = tuple(_unnamed(book, {photograph_path(book, s, e) for s, e, _ in named}))
    if remove_unnamed:
        unnamed = _removed(unnamed, found)
    return Checked(len(named), tuple(found.problems), tuple(found.repaired), unnamed)


def _check_tables(book: Book, found: _Findings) -> None:
    lines = _integrity(book)
    if lines:
        copy = book.path.with_name(f"{book.path.name}.damaged")
        copy_database(book, copy)
        with writing(book) as connection:
            connection.execute("REINDEX")
        left = _integrity(book)
        if left:
            found.problems.append(
                f"The book is damaged ({left[0]}; {len(left)} findings). Bring back an export "
                "with: grainscan book import"
            )
        else:
            found.repaired.append(
                f"{len(lines)} wrong entries in indexes; they were rebuilt. The book as it was is "
                f"kept as {plain_name(copy.name)}."
            )
    with reading(book) as connection:
        for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check").fetchall():
            found.problems.append(f"Row {row} of {table} names a {parent} that is not there.")
        for code in _wrong_answers(connection):
            found.problems.append(f"{plain_name(code)}: its present answer is of another blank.")


def _integrity(book: Book) -> list[str]:
    with reading(book) as connection:
        rows = connection.execute("PRAGMA integrity_check").fetchall()
    return [] if rows == [("ok",)] else [" ".join(str(row[0]).split()) for row in rows]


def _wrong_answers(connection: sqlite3.Connection) -> Iterator[str]:
    rows = connection.execute(
        "SELECT blank.code FROM blank JOIN sorting ON sorting.id = blank.current_sorting "
        "JOIN scan ON scan.id = sorting.scan_id WHERE scan.blank_id <> blank.id"
    )
    return (str(code) for (code,) in rows)


def _named(book: Book) -> list[tuple[str, str, int]]:
    with reading(book) as connection:
        return connection.execute(
            "SELECT sha256, suffix, bytes FROM photograph ORDER BY sha256"
        ).fetchall()


def _is_whole(path: Path, sha256: str) -> bool:
    try:
        return content_hash(path) == sha256
    except GrainscanError:
        return False


def _bring_back(
    book: Book,
    wrong: list[tuple[str, str, int]],
    folder: Path | None,
    found: _Findings,
) -> None:
    others = {} if folder is None or not wrong else _by_content(folder, {w[2] for w in wrong})
    for sha256, suffix, _ in wrong:
        path = photograph_path(book, sha256, suffix)
        state = "changed" if path.exists() else "missing"
        name = f"The photograph {plain_name(path.name[:12])} of {_whose(book, sha256)}"
        if sha256 not in others:
            found.problems.append(f"{name} is {state}.")
            continue
        # A changed file of the same size would be taken for the right one.
        path.unlink(missing_ok=True)
        keep_photograph(book, others[sha256], others[sha256].name, sha256=sha256)
        found.repaired.append(f"{name} was {state}; it was brought back.")


def _by_content(folder: Path, sizes: set[int]) -> dict[str, Path]:
    """Files below a folder by content hash, read only where the size is one that is missed."""
    result: dict[str, Path] = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.stat().st_size in sizes:
            with contextlib.suppress(GrainscanError):
                result.setdefault(content_hash(path), path)
    return result


def _whose(book: Book, sha256: str) -> str:
    with reading(book) as connection:
        row = connection.execute(
            "SELECT code, name FROM scan_photograph JOIN scan ON scan.id = scan_id "
            "JOIN blank ON blank.id = blank_id WHERE sha256 = ? "
            "UNION ALL SELECT code, 'log end' FROM log WHERE end_photograph = ?",
            (sha256, sha256),
        ).fetchone()
    return "nothing" if row is None else f"{plain_name(row[0])} ({plain_name(row[1])})"


def _unnamed(book: Book, named: set[Path]) -> Iterator[Path]:
    if book.photographs.is_dir():
        for path in sorted(book.photographs.rglob("*")):
            if path.is_file() and path not in named:
                yield path


def _removed(unnamed: tuple[Path, ...], found: _Findings) -> tuple[Path, ...]:
    """Delete what has been left behind for good; the younger files."""
    before = time.time() - _LEFT_BEHIND_SECONDS
    left = []
    for path in unnamed:
        try:
            if path.stat().st_mtime < before:
                path.unlink()
                found.repaired.append(f"{plain_name(path.name)}: nothing named it; it was deleted.")
                continue
        except OSError as error:
            found.problems.append(f"{plain_name(path.name)}: not deleted ({error.strerror}).")
        left.append(path)
    return tuple(left)
