"""The limit: of a part, moved by hand, or by the strength to keep."""

from __future__ import annotations

import streamlit as st

from grainscan.judge.limits import known_parts, limit_keeping_strength
from grainscan.results import BlankRecord, Limit
from grainscan.shown.page.look import as_text
from grainscan.shown.page.settings import LIMIT_RANGE, limit_of
from grainscan.shown.page.texts import say
from grainscan.wording import one_in_words

__all__ = ["chosen_part", "show_limit"]


def show_limit(record: BlankRecord) -> Limit:
    """The controls of the limit; moving them judges again and measures nothing."""
    # A part that came with the blank sets the controls once, not on every run of the page.
    default = round(limit_of(None).one_in)
    if st.session_state.get("limit_for") != (record.blank, record.part, default):
        st.session_state["limit_for"] = (record.blank, record.part, default)
        st.session_state["keep_part"] = record.part if record.part in known_parts() else ""
        _take_limit_of_part()
    left, middle, right = st.columns([2, 2, 3])
    with left:
        st.selectbox(
            say("scan.part"),
            ["", *known_parts()],
            format_func=lambda part: part or say("scan.no_part"),
            key="keep_part",
            on_change=_take_limit_of_part,
        )
    with middle:
        by = st.segmented_control(
            say("scan.limit_by"),
            ["slope", "strength"],
            format_func=lambda by: say(f"scan.by_{by}"),
            default=None if "keep_limit_by" in st.session_state else "slope",
            required=True,
            key="keep_limit_by",
        )
    with right:
        return _by_strength() if by == "strength" else _by_slope()


def chosen_part() -> str | None:
    """The part that was chosen for the blank in hand."""
    return st.session_state.get("keep_part") or None


def _by_slope() -> Limit:
    number = st.slider(say("scan.one_in"), *LIMIT_RANGE, key="keep_one_in")
    of_part = limit_of(chosen_part())
    if number == round(of_part.one_in):
        st.caption(as_text(of_part.source))
        return of_part
    return Limit(float(number), say("scan.given"))


def _by_strength() -> Limit:
    st.session_state.setdefault("keep_strength", 85)
    percent = st.slider(say("scan.keep_strength"), 50, 97, key="keep_strength")
    limit = limit_keeping_strength(percent)
    slope = one_in_words(limit.angle_deg)
    st.caption(say("scan.strength_is", slope=slope, source=as_text(limit.source)))
    return limit


def _take_limit_of_part() -> None:
    number = round(limit_of(chosen_part()).one_in)
    least, most = LIMIT_RANGE
    st.session_state["keep_one_in"] = min(max(number, least), most)
