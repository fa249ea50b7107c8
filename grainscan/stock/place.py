"""Where the stock book lies."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["BOOK_VARIABLE", "book_path"]

BOOK_VARIABLE = "GRAINSCAN_BOOK"
_NAME = "stock-book.sqlite"


def book_path(given: Path | str | None = None) -> Path:
    """The book's file: as given, else as the environment variable says, else the user's own.

    The user's own is in the folder that the system sets aside for programs' data. Nothing is
    made or opened here.
    """
    if given is not None:
        return Path(given).expanduser()
    named = os.environ.get(BOOK_VARIABLE, "").strip()
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("grainscan", appauthor=False) / _NAME
