"""The page "Stock": find a blank in the book, read its story, write into it, print it."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import streamlit as st

from grainscan.errors import GrainscanError, InputError
from grainscan.judge.limits import parse_limit
from grainscan.shown.page.look import as_text, table
from grainscan.shown.page.parts import show_cautions
from grainscan.shown.page.settings import open_the_book
from grainscan.shown.page.stock_blank import show_blank
from grainscan.shown.page.stock_table import show_stock_table
from grainscan.shown.page.texts import say
from grainscan.stock.csv_files import as_csv, take_csv
from grainscan.stock.find import Filter, StockLine, find, summary
from grainscan.stock.label_sheets import SHEETS, sheet_named
from grainscan.stock.labels import labels_pdf
from grainscan.stock.life import SORT_WORDS
from grainscan.stock.store import Book

__all__ = ["show_stock"]

_MOST_SHOWN = 200


def show_stock() -> None:
    """The whole page."""
    st.title(say("stock.title"))
    book = open_the_book()
    if book is None:
        st.info(say("stock.no_book"))
        show_cautions()
        return
    if told := st.session_state.pop("told", None):
        st.success(as_text(told))
    try:
        lines = find(book, _filter())
    except InputError as error:
        st.error(as_text(str(error)))
        lines = ()
    _list(book, lines)
    show_cautions()


def _filter() -> Filter:
    """What is typed to find blanks by."""
    left, right = st.columns(2)
    with left:
        code = st.text_input(say("stock.find"), key="keep_find").strip()
    with right:
        sort = st.selectbox(
            say("stock.sort"),
            ["", *SORT_WORDS],
            format_func=lambda word: word or say("stock.any"),
            key="keep_find_sort",
        )
    with st.expander(say("stock.more_filters")):
        columns = st.columns(3)
        texts = {
            name: columns[k % 3].text_input(say(f"stock.f_{name}"), key=f"keep_find_{name}").strip()
            for k, name in enumerate(("species", "part", "rack", "log", "slope"))
        }
        day = columns[2].date_input(say("stock.f_since"), value=None, key="keep_find_since")
        in_stock = st.checkbox(say("stock.in_stock"), key="keep_find_in_stock")
    since = day.isoformat() if isinstance(day, datetime.date) else None
    return Filter(
        code_like=code or None,
        species=texts["species"] or None,
        sort=next((word for word in SORT_WORDS if word == sort), None),
        part=texts["part"] or None,
        rack=texts["rack"] or None,
        log=texts["log"] or None,
        slope_at_most_deg=parse_limit(texts["slope"]).angle_deg if texts["slope"] else None,
        since=since,
        in_stock=in_stock,
    )


def _list(book: Book, lines: Sequence[StockLine]) -> None:
    if not lines:
        st.info(say("stock.none"))
        return
    st.markdown(say("stock.count", count=len(lines)))
    show_stock_table(lines[:_MOST_SHOWN], name=say("stock.title"))
    if len(lines) > _MOST_SHOWN:
        st.caption(say("stock.only", shown=_MOST_SHOWN, count=len(lines)))
    codes = [line.code for line in lines]
    asked = st.query_params.get("blank")
    if asked in codes and st.session_state.get("keep_open") not in codes:
        st.session_state["keep_open"] = asked
    elif st.session_state.get("keep_open") not in codes:
        st.session_state["keep_open"] = None
    code = st.selectbox(
        say("stock.open"), codes, index=None, key="keep_open", placeholder=say("stock.open_which")
    )
    if code is not None:
        st.query_params["blank"] = code
        show_blank(book, next(line for line in lines if line.code == code))
    _whole_list(book, lines)


def _whole_list(book: Book, lines: Sequence[StockLine]) -> None:
    """Labels and the table of all that is listed, the summary, and a table read back."""
    with st.expander(say("stock.all_of_them")):
        sheet = st.selectbox(say("stock.sheet"), list(SHEETS), key="keep_sheet")
        left, right = st.columns(2)
        left.download_button(
            say("stock.labels", count=len(lines)),
            lambda: labels_pdf(lines, sheet_named(sheet)),
            "labels.pdf",
            "application/pdf",
            on_click="ignore",
            width="stretch",
        )
        right.download_button(
            say("stock.csv"),
            lambda: as_csv(lines),
            "stock.csv",
            "text/csv",
            on_click="ignore",
            width="stretch",
        )
        _summary(book)
        _read_csv(book)


def _summary(book: Book) -> None:
    st.header(say("stock.summary"))
    heads = [
        say(f"stock.s_{head}") for head in ("part", "species", "keep", "check", "aside", "none")
    ]
    rows = [
        (
            line.part or "–",
            line.species or "–",
            *(str(n) for n in (line.keep, line.check, line.set_aside, line.not_scanned)),
        )
        for line in summary(book)
    ]
    table(heads, rows, name=say("stock.summary"), sorts=[None] * len(rows))


def _read_csv(book: Book) -> None:
    key = f"stock_csv_{st.session_state.get('csv_count', 0)}"
    file = st.file_uploader(say("stock.csv_in"), type=["csv"], key=key)
    if file is None:
        return
    try:
        done = take_csv(book, file.getvalue(), name=file.name)
    except GrainscanError as error:
        st.error(as_text(str(error)))
        return
    st.session_state["csv_count"] = st.session_state.get("csv_count", 0) + 1
    st.session_state["told"] = say("stock.csv_taken", added=done.added, changed=done.changed)
    st.rerun()
