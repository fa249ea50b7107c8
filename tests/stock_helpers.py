"""A stand-in for measuring, and folders of blanks, for the tests of the stock book.

People and stock of the workshop Alder Ford are invented.
"""

import contextlib
import dataclasses
import hashlib
import sqlite3

from grainscan.photo.folder import find_blanks
from grainscan.stock.batch import sort_blanks
from tests import hand_made

VERSION = "0.1.0+fake"


def measure(record, sources, problems):
    """A measurement made up from the photographs' content: the same content, the same answer."""
    content = b"".join(source.content for source in sources.values())
    share = int.from_bytes(hashlib.sha256(content).digest()[:2], "big") / 65535
    angle = 0.5 + 4.0 * share
    made = hand_made.measurement(
        hand_made.slope(angle, max(angle - 0.4, 0.0), angle + 0.4),
        name=record.blank,
        part=record.part,
        face_a=None if "face_a" not in sources else hand_made.face(photo=sources["face_a"].name),
        face_b=None if "face_b" not in sources else hand_made.face(photo=sources["face_b"].name),
        of_end=None if "end" not in sources else hand_made.end(photo=sources["end"].name),
        notes=problems,
        failures=problems,
    )
    return dataclasses.replace(made, record=record)


def write_blank(folder, *, content=None, record=None, roles=("face-a", "face-b", "end")):
    """A blank's folder with small files in place of photographs; they are never decoded."""
    folder.mkdir(parents=True, exist_ok=True)
    for role in roles:
        start = b"\xff\xd8\xff" + f"{folder.name} {role} {content or ''}".encode()
        (folder / f"{role}.jpg").write_bytes(start + bytes(500))
    if record is not None:
        (folder / "blank.toml").write_text(record, "utf-8")
    return folder


def write_batch(folder, count, *, species="ash"):
    for k in range(count):
        record = f'species = "{species}"\npart = "chair rung"\n'
        write_blank(folder / f"{species}-26-{k + 1:03d}", record=record)
    return folder


def sort_folder(book, folder, **options):
    options = {"measure": measure, "version": VERSION, **options}
    return sort_blanks(book, find_blanks([folder]), **options)


def states(done):
    return {line.code: line.state for line in done}


def rows_of(path):
    """Every row of every table, for comparing books."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        names = [
            name
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name"
            )
        ]
        return {
            name: sorted(connection.execute(f"SELECT * FROM {name}").fetchall(), key=repr)
            for name in names
        }


def assert_sound(book):
    """The file is whole, every reference leads somewhere, and no scan is there twice."""
    with contextlib.closing(sqlite3.connect(book.path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        twice = "SELECT blank_id FROM scan GROUP BY blank_id, inputs HAVING count(*) > 1"
        assert connection.execute(twice).fetchall() == []
        photographs = connection.execute("SELECT sha256, suffix FROM photograph").fetchall()
        alone = "SELECT id FROM scan WHERE id NOT IN (SELECT scan_id FROM sorting)"
        assert connection.execute(alone).fetchall() == []
    for sha256, suffix in photographs:
        content = (book.photographs / sha256[:2] / f"{sha256}{suffix}").read_bytes()
        assert hashlib.sha256(content).hexdigest() == sha256
