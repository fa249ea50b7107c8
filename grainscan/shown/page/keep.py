"""Keeping a scan in the stock book, with its photographs and what was put right by hand."""

from __future__ import annotations

import dataclasses

import streamlit as st

from grainscan.by_hand import correction_texts
from grainscan.errors import GrainscanError
from grainscan.results import BlankResult
from grainscan.shown.page.hand import SIDES, Hand, hand
from grainscan.shown.page.look import as_text
from grainscan.shown.page.settings import open_the_book
from grainscan.shown.page.texts import say

__all__ = ["show_keep"]


def show_keep(now: Hand, result: BlankResult) -> None:
    """The code under which to keep the blank, and the button that keeps it."""
    with st.expander(say("scan.keep_title"), expanded=False):
        with st.form("book_form", border=False):
            first = now.code or (now.record.blank if now.record.blank != "blank" else "")
            code = st.text_input(say("scan.code"), value=first, max_chars=120)
            who = st.text_input(say("scan.who"), max_chars=80)
            if st.form_submit_button(say("scan.keep_button"), type="primary"):
                _keep(now, result, code.strip(), who.strip() or None)
        if now.code is not None:
            st.success(as_text(say("scan.kept", code=now.code)))


def _keep(now: Hand, result: BlankResult, code: str, who: str | None) -> None:
    from grainscan.stock.blanks import next_code
    from grainscan.stock.records import Correction, Role
    from grainscan.stock.scans import keep_scan

    book = open_the_book(create=True)
    if book is None:
        return
    try:
        found = code or next_code(book, now.record.species or "blank")
        record = dataclasses.replace(result.measurement.record, blank=found)
        measurement = dataclasses.replace(result.measurement, record=record)
        photographs: dict[Role, tuple[str, bytes]] = {
            side: (photograph.name, photograph.content)
            for side in SIDES
            if (photograph := now.side(side)) is not None
        }
        corrections = tuple(
            Correction(side, what, detail, who)
            for side, what, detail in correction_texts(now.by_hand)
        )
        keep_scan(
            book,
            measurement,
            result.limit,
            photographs,
            corrections=corrections,
            problems=(*now.problems, *now.twice),
        )
    except GrainscanError as error:
        st.error(as_text(str(error)))
        return
    st.session_state["hand"] = dataclasses.replace(hand(), code=found)
    st.rerun()
