"""Settings of this visitor's session: units, the general limit, where the stock book lies."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from grainscan.errors import GrainscanError
from grainscan.judge.limits import limit_for_part
from grainscan.results import Limit
from grainscan.shown.page.look import as_text
from grainscan.shown.page.texts import say
from grainscan.stock.place import book_path
from grainscan.stock.store import Book, open_book
from grainscan.wording import plain_name
from grainscan.workshop.units import Units

__all__ = [
    "LIMIT_RANGE",
    "begin_run",
    "in_unit",
    "is_local",
    "keep_values",
    "limit_of",
    "open_the_book",
    "show_settings",
    "unit",
    "unit_name",
]

_LOOPBACK = {"127.0.0.1", "::1", "localhost"}
_MM_PER_INCH = 25.4
LIMIT_RANGE = (5, 40)
"""Steepest and flattest limit that can be chosen, N of "1 in N": beyond it nothing is sorted."""


def begin_run() -> None:
    """At the head of each run: values of widgets that another page shows are kept."""
    keep_values("keep_")


def keep_values(start: str) -> None:
    """Streamlit forgets the value of a widget that is not shown; setting it keeps it."""
    for key in list(st.session_state):
        if isinstance(key, str) and key.startswith(start):
            st.session_state[key] = st.session_state[key]


def show_settings() -> None:
    """The settings, to be put wherever the page has room."""
    st.segmented_control(
        say("settings.units"),
        ["mm", "in"],
        format_func=lambda unit: say("settings.mm" if unit == "mm" else "settings.inches"),
        default=None if "keep_units" in st.session_state else "mm",
        required=True,
        key="keep_units",
    )
    general = round(limit_for_part(None).one_in)
    st.session_state.setdefault("keep_default_limit", general)
    st.slider(say("settings.default_limit"), *LIMIT_RANGE, key="keep_default_limit")
    if is_local():
        st.text_input(say("settings.book"), key="keep_book", help=say("settings.book_help"))
    else:
        shown = as_text(plain_name(str(book_path())))
        st.caption(say("settings.book_shared", path=shown))


def limit_of(part: str | None) -> Limit:
    """The limit of a part; where none is named, that of the settings."""
    general = limit_for_part(None)
    chosen = int(st.session_state.get("keep_default_limit", round(general.one_in)))
    if part is not None or chosen == round(general.one_in):
        return limit_for_part(part)
    return Limit(float(chosen), say("settings.limit_given"))


def unit() -> Units:
    """The unit of sizes, "mm" or "in"."""
    return "in" if st.session_state.get("keep_units") == "in" else "mm"


def unit_name() -> str:
    return say("settings.inches" if unit() == "in" else "settings.mm")


def in_unit(millimetres: float, digits: int = 1) -> str:
    """A size in the visitor's unit."""
    if unit() == "in":
        return f"{millimetres / _MM_PER_INCH:.{digits + 1}f} in"
    return f"{millimetres:.{digits}f} mm"


def is_local() -> bool:
    """Whether the page answers on this machine only, so that its visitor owns the disk."""
    return (st.get_option("server.address") or "") in _LOOPBACK


def open_the_book(*, create: bool = False) -> Book | None:
    """The stock book; None, with one line on the page, where there is none or it is unusable."""
    typed = str(st.session_state.get("keep_book") or "").strip() if is_local() else ""
    path = Path(typed).expanduser() if typed else None
    try:
        if not create and not book_path(path).exists():
            return None
        return open_book(path, create=create)
    except GrainscanError as error:
        st.error(as_text(str(error)))
        return None
