"""Archives and books that were made to lead out of their place, or to fill the disk."""

from __future__ import annotations

import hashlib
import io
import json
import sqlite3
import tempfile
import zipfile
from pathlib import Path

from grainscan.stock.migrations import APPLICATION_ID

HASH = hashlib.sha256(b"x").hexdigest()
PHOTOGRAPH = f"photographs/{HASH[:2]}/{HASH}.jpg"


def archive(
    files: dict[str, bytes], contents: object = None, *, links: tuple[str, ...] = ()
) -> bytes:
    """A ZIP with a true list of its files, or with the list ``contents``."""
    out = io.BytesIO()
    listed = {
        name: {"sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
        for name, content in files.items()
    }
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name, content in files.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = (0o120777 if name in links else 0o644) << 16
            target.writestr(info, content)
        whole = {"format": 1, "files": listed} if contents is None else contents
        target.writestr("contents.json", whole if isinstance(whole, bytes) else json.dumps(whole))
    return out.getvalue()


def archives(zeros_mb: int = 300) -> dict[str, bytes]:
    """Archives for ``grainscan book import``, none of which may be taken.

    ``zeros_mb``: what the bombs among them unpack to.
    """
    book = b"SQLite format 3\0" + bytes(5000)
    zeros = bytes(zeros_mb * 1_000_000)
    good = {"book.sqlite": book}
    return {
        "empty": b"",
        "text": b"shopping list",
        "no-contents": archive(good, b"[]"),
        "contents-deep": archive(good, b"[" * 100_000),
        "contents-large": archive(good, b"[" + b"0," * (zeros_mb * 500_000) + b"0]"),
        "contents-number": archive(good, b"9" * 10_000),
        "format": archive(good, {"format": 99, "files": {}}),
        "up": archive({**good, "../evil.txt": b"x"}),
        "up-in-photographs": archive({**good, "photographs/../../evil.txt": b"x"}),
        "absolute": archive({**good, "/tmp/evil.txt": b"x"}),
        "backslash": archive({**good, "..\\evil.txt": b"x"}),
        "link": archive({**good, PHOTOGRAPH: b"/etc/passwd"}, links=(PHOTOGRAPH,)),
        "book-is-a-link": archive({"book.sqlite": b"/etc/passwd"}, links=("book.sqlite",)),
        "no-database": archive(good),
        "bomb-database": archive({"book.sqlite": b"SQLite format 3\0" + zeros}),
        "bomb-photograph": archive({**good, PHOTOGRAPH: zeros}),
        "cut": archive(good)[:-30],
        "not-listed": archive({**good, PHOTOGRAPH: b"x"}, {"format": 1, "files": {}}),
        "wrong-size": archive(
            good, {"format": 1, "files": {"book.sqlite": {"sha256": "", "bytes": -1}}}
        ),
        "other-database": archive({"book.sqlite": foreign_database()}),
    }


def foreign_database(**pragmas: int) -> bytes:
    """A SQLite file that is no book of ours."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.sqlite"
        connection = sqlite3.connect(path)
        connection.execute("CREATE TABLE blank (code TEXT)")
        for name, value in pragmas.items():
            connection.execute(f"PRAGMA {name} = {value}")
        connection.commit()
        connection.close()
        return path.read_bytes()


def books() -> dict[str, bytes]:
    """Files given as the stock book itself."""
    return {
        "empty-header": b"SQLite format 3\0",
        "text": b"shopping list\n" * 100,
        "binary": bytes(range(256)) * 50,
        "foreign": foreign_database(),
        "marked-as-ours": foreign_database(application_id=APPLICATION_ID, user_version=1),
        "from-the-future": foreign_database(application_id=APPLICATION_ID, user_version=9999),
        "cut": foreign_database()[:5000],
    }
