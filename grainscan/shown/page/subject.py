"""Which blank a page works on: the one in hand, or one of the stock book."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import streamlit as st

from grainscan.judge.limits import limit_for_part
from grainscan.judge.sorting import judge_blank
from grainscan.results import BlankMeasurement, BlankResult
from grainscan.shown.page.hand import Hand, hand
from grainscan.shown.page.look import as_text
from grainscan.shown.page.parts import measure_hand
from grainscan.shown.page.settings import open_the_book, unit, unit_name
from grainscan.shown.page.stock_blank import hand_of_scan
from grainscan.shown.page.texts import say
from grainscan.stock.find import Filter, find
from grainscan.stock.history import current_scan

__all__ = ["Subject", "choose_subject", "with_sizes"]

_IN_HAND = ""
_MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Subject:
    """A measured blank with its photographs."""

    hand: Hand
    result: BlankResult

    @property
    def measurement(self) -> BlankMeasurement:
        return self.result.measurement


def choose_subject(*, key: str) -> Subject | None:
    """The blank to work on; None, with a line on the page, where there is none."""
    now, book = hand(), open_the_book()
    codes = [] if book is None else [line.code for line in find(book, Filter()) if line.sort]
    choices = [*([_IN_HAND] if now.complete else []), *codes]
    if not choices:
        st.info(say("subject.none"))
        return None
    if st.session_state.get(key) not in choices:
        st.session_state[key] = choices[0]
    name = now.code or now.record.blank
    chosen = st.selectbox(
        say("subject.which"),
        choices,
        format_func=lambda code: code or say("subject.in_hand", name=name),
        key=key,
    )
    if chosen == _IN_HAND:
        measurement = measure_hand(now)
        return Subject(now, judge_blank(measurement, limit_for_part(now.record.part)))
    assert book is not None
    scan = current_scan(book, chosen)
    if scan is None:
        return None
    found, missing = hand_of_scan(book, scan)
    for line in missing:
        st.warning(as_text(line))
    return Subject(found, scan.result)


def with_sizes(measurement: BlankMeasurement, *, key: str) -> BlankMeasurement:
    """The measurement with the sizes that are typed here in place of unknown ones."""
    record = measurement.record
    scale = _MM_PER_INCH if unit() == "in" else 1.0
    columns = st.columns(3)
    sizes: dict[str, Any] = {}
    for column, name in zip(columns, ("width", "height", "length"), strict=True):
        known: float | None = getattr(record, f"{name}_mm")
        typed = column.number_input(
            say(f"scan.{name}", unit=unit_name()),
            min_value=0.1,
            max_value=50_000.0 / scale,
            value=None if known is None else known / scale,
            key=f"{key}_{name}_{unit()}_{record.blank}",
        )
        sizes[f"{name}_mm"] = None if typed is None else float(typed) * scale
    return dataclasses.replace(measurement, record=dataclasses.replace(record, **sizes))
