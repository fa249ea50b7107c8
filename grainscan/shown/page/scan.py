"""The page "Scan a blank": three photographs, one answer."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import streamlit as st

from grainscan.judge.sorting import judge_blank
from grainscan.results import BlankResult
from grainscan.shown.page.chart import show_slope_along
from grainscan.shown.page.correct import show_corrections
from grainscan.shown.page.files import show_downloads
from grainscan.shown.page.hand import Hand, hand
from grainscan.shown.page.keep import show_keep
from grainscan.shown.page.limit import chosen_part, show_limit
from grainscan.shown.page.look import as_text
from grainscan.shown.page.parts import (
    measure_hand,
    show_answer,
    show_cautions,
    show_end_picture,
    show_face_picture,
    show_facts,
    show_strength,
)
from grainscan.shown.page.take import take_photographs
from grainscan.shown.page.texts import say
from grainscan.wording import sentence

__all__ = ["show_scan"]


def show_scan(samples: Path) -> None:
    """The whole page; ``samples`` is the folder of sample blanks."""
    st.title(say("scan.title"))
    st.markdown(say("scan.lead"))
    take_photographs(samples)
    now = hand()
    if now.empty:
        st.info(say("scan.nothing_yet"))
    elif now.complete:
        _answer(now)
    show_cautions()


def _answer(now: Hand) -> None:
    place = st.container()
    limit = show_limit(now.record)
    record = dataclasses.replace(now.record, part=chosen_part() or now.record.part)
    with place:
        measurement = measure_hand(dataclasses.replace(now, record=record))
        if measurement.failures:
            st.error(as_text(" ".join(sentence(line) for line in measurement.failures)))
        any_side = any((measurement.face_a, measurement.face_b, measurement.end))
        result = judge_blank(measurement, limit)
        if any_side:
            show_answer(result)
        knots = len(now.by_hand.knots)
        if knots:
            count = say("scan.one_knot") if knots == 1 else say("scan.many_knots", count=knots)
            st.warning(say("scan.knots_marked", count=count))
    if any_side:
        _pictures(now, result)
    show_corrections(now, measurement)
    if any_side:
        show_keep(now, result)
        show_downloads(now, result)


def _pictures(now: Hand, result: BlankResult) -> None:
    m = result.measurement
    show_face_picture(now, "A", now.face_a, m.face_a, result, key="scan")
    show_face_picture(now, "B", now.face_b, m.face_b, result, key="scan")
    show_slope_along(result)
    left, right = st.columns(2)
    with left:
        show_strength(result)
        show_facts(m)
    with right:
        show_end_picture(now.end, m.end, key="scan")
