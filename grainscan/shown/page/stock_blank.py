"""One blank of the stock book: answer, pictures, story, what to write down, label and report."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import streamlit as st

from grainscan.by_hand import from_texts
from grainscan.errors import BookError, GrainscanError
from grainscan.photo.reading import MOST_BYTES
from grainscan.shown.page.hand import Hand, Photograph, put_in_hand
from grainscan.shown.page.look import as_text
from grainscan.shown.page.parts import (
    show_end_picture,
    show_face_picture,
    show_facts,
    show_result_card,
    show_strength,
)
from grainscan.shown.page.stock_table import show_overrule
from grainscan.shown.page.texts import say
from grainscan.stock.blanks import get_blank
from grainscan.stock.find import Filter, StockLine, find
from grainscan.stock.history import KeptScan, current_scan, scans_of
from grainscan.stock.label_sheets import sheet_named
from grainscan.stock.labels import labels_pdf
from grainscan.stock.life import add_making, add_weighing, makings_of, overrulings_of, weighings_of
from grainscan.stock.photographs import read_kept
from grainscan.stock.records import Making, Weighing, today
from grainscan.stock.report import report_of
from grainscan.stock.report_html import report_html
from grainscan.stock.report_pdf import report_pdf
from grainscan.stock.report_words import reason_of
from grainscan.stock.store import Book, reading

__all__ = ["hand_of_scan", "show_blank"]


def show_blank(book: Book, line: StockLine) -> None:
    """Everything the book has of a blank."""
    scan = current_scan(book, line.code)
    st.header(as_text(line.code))
    if scan is not None and line.sort is not None:
        show_result_card(scan.result, line.sort, reason_of(line))
    st.caption(as_text(_about(book, line.code)))
    _papers(book, line.code)
    if scan is not None:
        _pictures(book, scan)
    _story(book, line.code)
    _write(book, line.code)


def hand_of_scan(book: Book, scan: KeptScan) -> tuple[Hand, list[str]]:
    """A kept scan as the blank in hand, and a line for each photograph that is missing."""
    photographs: dict[str, Photograph] = {}
    missing: list[str] = []
    with reading(book) as connection:
        for kept in scan.photographs:
            try:
                path = read_kept(book, connection, kept.sha256)
                with path.open("rb") as file:
                    photographs[kept.role] = Photograph(
                        kept.name, file.read(MOST_BYTES), kept.sha256
                    )
            except (BookError, OSError) as error:
                missing.append(str(error))
    return (
        Hand(
            scan.result.measurement.record,
            face_a=photographs.get("face_a"),
            face_b=photographs.get("face_b"),
            end=photographs.get("end"),
            by_hand=from_texts((c.side, c.what, c.detail) for c in scan.corrections),
            skipped=("face_a", "face_b", "end"),
            code=scan.blank,
        ),
        missing,
    )


def _papers(book: Book, code: str) -> None:
    """Label and report, made when they are asked for."""
    kinds: tuple[tuple[str, str, str, Callable[[], bytes]], ...] = (
        ("label", f"label-{code}.pdf", "application/pdf", lambda: _label(book, code)),
        (
            "report_pdf",
            f"{code}.pdf",
            "application/pdf",
            lambda: report_pdf([report_of(book, code)], title=code),
        ),
        (
            "report_html",
            f"{code}.html",
            "text/html",
            lambda: "".join(report_html([report_of(book, code)], title=code)).encode(),
        ),
    )
    for column, (name, file, mime, make) in zip(st.columns(3), kinds, strict=True):
        column.download_button(
            say(f"stock.{name}"), make, file, mime, on_click="ignore", width="stretch"
        )


def _label(book: Book, code: str) -> bytes:
    return labels_pdf(find(book, Filter(codes=(code,))), sheet_named("plain-a4"))


def _pictures(book: Book, scan: KeptScan) -> None:
    hand, missing = hand_of_scan(book, scan)
    for line in missing:
        st.warning(as_text(line))
    m = scan.result.measurement
    show_face_picture(hand, "A", hand.face_a, m.face_a, scan.result, key="stock")
    show_face_picture(hand, "B", hand.face_b, m.face_b, scan.result, key="stock")
    left, right = st.columns(2)
    with left:
        show_strength(scan.result)
        show_facts(m)
    with right:
        show_end_picture(hand.end, m.end, key="stock")
    if st.button(say("stock.take_in_hand")):
        put_in_hand(hand)
        st.session_state["keep_way"] = "one_by_one"
        st.success(say("stock.in_hand", code=as_text(scan.blank)))


def _story(book: Book, code: str) -> None:
    st.header(say("stock.story"))
    lines: list[str] = []
    for scan in scans_of(book, code):
        day, version = scan.scanned_at[:10], scan.measuring_version
        lines.append(say("stock.scanned", day=day, version=version, sort=scan.result.sort))
        lines += [say("stock.corrected", what=c.what, side=c.side) for c in scan.corrections]
    for one in overrulings_of(book, code):
        word = one.sort or "as measured"
        lines.append(
            say(
                "stock.was_overruled",
                day=one.overruled_at[:10],
                word=word,
                who=one.who,
                why=one.why,
            )
        )
    for weighing in weighings_of(book, code):
        lines.append(_weighing(weighing))
    for making in makings_of(book, code):
        lines.append(say("stock.was_made", day=making.made_on, what=making.made_into))
    for text in lines or [say("stock.no_story")]:
        st.markdown(f"- {as_text(text)}")


def _weighing(weighing: Weighing) -> str:
    mass = "" if weighing.mass_g is None else f"{weighing.mass_g:g} g"
    percent = weighing.moisture_percent
    moisture = "" if percent is None else say("stock.moisture_at", percent=f"{percent:g}")
    what = ", ".join(text for text in (mass, moisture) if text)
    return say("stock.was_weighed", day=weighing.weighed_on, what=what)


def _write(book: Book, code: str) -> None:
    """Forms for what people write: a weighing, another word, what it was made into."""
    weigh, over, made = st.tabs([say("stock.weigh"), say("stock.overrule"), say("stock.made")])
    with weigh, st.form(f"weigh_{code}"):
        day = st.date_input(say("stock.day"))
        mass = st.number_input(say("stock.mass"), min_value=0.0, value=None)
        percent = st.number_input(say("stock.moisture"), min_value=0.0, max_value=250.0, value=None)
        if st.form_submit_button(say("stock.write_down")):
            weighing = Weighing(str(day or today()), mass, percent)
            _done(lambda: add_weighing(book, code, weighing), say("stock.written", code=code))
    with over:
        show_overrule(book, [code], key=code)
    with made, st.form(f"made_{code}"):
        what = st.text_input(say("stock.made_into"), max_chars=200)
        if st.form_submit_button(say("stock.write_down")):
            making = Making(what, today())
            _done(lambda: add_making(book, code, making), say("stock.written", code=code))


def _done(act: Callable[[], None], told: str) -> None:
    try:
        act()
    except GrainscanError as error:
        st.error(as_text(str(error)))
        return
    st.session_state["told"] = told
    st.rerun()


def _about(book: Book, code: str) -> str:
    values = dataclasses.asdict(get_blank(book, code))
    values.pop("code")
    known = (
        f"{name.replace('_', ' ')}: {' '.join(str(value).split())}"
        for name, value in values.items()
        if value is not None
    )
    return "; ".join(known) or say("stock.nothing_known")
