"""Blanks of the stock book as a table on the page, and the form that overrules a sort."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from grainscan.errors import GrainscanError
from grainscan.shown.page.look import as_text, table
from grainscan.shown.page.texts import say
from grainscan.stock.find import StockLine
from grainscan.stock.life import SORT_WORDS, overrule
from grainscan.stock.report_words import reason_of
from grainscan.stock.store import Book
from grainscan.wording import angle_words, one_in_words

__all__ = ["show_overrule", "show_stock_table"]


def show_stock_table(lines: Sequence[StockLine], *, name: str) -> None:
    """Word, blank, slope and reason, best first."""
    rows = [
        (
            line.sort or say("stock.not_scanned"),
            line.code,
            _slope(line),
            ", ".join(text for text in (line.species, line.part) if text),
            reason_of(line),
        )
        for line in lines
    ]
    heads = [say(f"stock.head_{head}") for head in ("sort", "code", "slope", "wood", "reason")]
    table(heads, rows, name=name, sorts=[line.sort for line in lines])


def show_overrule(book: Book, codes: Sequence[str], *, key: str) -> None:
    """A person's word over the measured one, with name and reason; both are kept."""
    with st.form(f"overrule_{key}"):
        st.markdown(say("stock.overrule_lead"))
        code = codes[0] if len(codes) == 1 else st.selectbox(say("scan.code"), codes)
        word = st.selectbox(
            say("stock.overrule_word"),
            ["as measured", *SORT_WORDS],
            index=None,
            placeholder=say("stock.overrule_choose"),
        )
        who = st.text_input(say("stock.who"), max_chars=80)
        why = st.text_input(say("stock.why"), max_chars=300)
        if st.form_submit_button(say("stock.overrule_button")):
            _overrule(book, code, word, who, why)


def _overrule(book: Book, code: str, word: str | None, who: str, why: str) -> None:
    if word is None:
        st.error(say("stock.overrule_choose"))
        return
    try:
        sort = next((known for known in SORT_WORDS if known == word), None)
        overrule(book, code, sort, who=who, why=why)
    except GrainscanError as error:
        st.error(as_text(str(error)))
        return
    st.session_state["told"] = say("stock.overruled", code=code, word=word, who=who.strip())
    st.rerun()


def _slope(line: StockLine) -> str:
    if line.slope_deg is None:
        return "–"
    least = say("stock.at_least") + " " if line.slope_high_deg is None else ""
    return f"{least}{one_in_words(line.slope_deg)} ({angle_words(line.slope_deg)})"
