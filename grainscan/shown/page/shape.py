"""The page "Shape": which way to cut, a part in its place, a cut list from the stock."""

from __future__ import annotations

import dataclasses
import io
import tempfile
from pathlib import Path

import streamlit as st

from grainscan.errors import GrainscanError
from grainscan.results import BlankMeasurement
from grainscan.shown.bench_words import TOOL_CAUTION, fit_words, plan_words, shaving_words
from grainscan.shown.page.layers import part_layer, shaving_layer
from grainscan.shown.page.look import as_text
from grainscan.shown.page.parts import (
    show_cautions,
    show_face_picture,
    show_result_card,
    show_words,
)
from grainscan.shown.page.settings import open_the_book, unit
from grainscan.shown.page.subject import Subject, choose_subject, with_sizes
from grainscan.shown.page.texts import say
from grainscan.stock.as_json import to_json
from grainscan.stock.find import Filter, find
from grainscan.stock.history import current_scan
from grainscan.stock.store import Book
from grainscan.workshop.cutlist import SHIPPED, CutList, read_cut_list, shipped_cut_list
from grainscan.workshop.fit import NoFit
from grainscan.workshop.keep_clear import AvoidZone, knot_zone
from grainscan.workshop.laid import LaidPart, lay_part, solid_for
from grainscan.workshop.part_strength import CAUTION
from grainscan.workshop.parts import shipped_parts
from grainscan.workshop.plan import Plan, PlanRules, plan_parts
from grainscan.workshop.shaving import shaving_of
from grainscan.workshop.solid import NotKnown

__all__ = ["show_shape"]

_LARGEST_CUT_LIST = 100_000


def show_shape() -> None:
    """The whole page."""
    st.title(say("shape.title"))
    names = ["shave", "part", "plan"]
    tool = st.segmented_control(
        say("shape.what"),
        names,
        format_func=lambda name: say(f"shape.{name}"),
        default=None if "keep_shape" in st.session_state else "shave",
        required=True,
        key="keep_shape",
    )
    if tool == "plan":
        _plan()
    else:
        subject = choose_subject(key="keep_shape_blank")
        if subject is not None:
            (_shave if tool == "shave" else _part)(subject)
    st.caption(TOOL_CAUTION)
    show_cautions()


def _shave(subject: Subject) -> None:
    shaving = shaving_of(subject.measurement)
    by_face = {face.face: face for face in shaving.faces}
    m, hand = subject.measurement, subject.hand
    for letter, photograph, scan in (("A", hand.face_a, m.face_a), ("B", hand.face_b, m.face_b)):
        face = next((f for name, f in by_face.items() if name == letter), None)
        more = [] if scan is None or face is None else [shaving_layer(scan, face)]
        show_face_picture(hand, letter, photograph, scan, subject.result, key="shave", more=more)
    show_words(lambda: shaving_words(shaving, unit(), m.record.length_mm))


def _part(subject: Subject) -> None:
    parts = shipped_parts()
    left, right = st.columns(2)
    with left:
        name = st.selectbox(say("scan.part"), list(parts), key="keep_fit_part")
    with right:
        way = st.segmented_control(
            say("shape.way"),
            ["along", "straight"],
            format_func=lambda way: say(f"shape.{way}"),
            default=None if "keep_fit_way" in st.session_state else "along",
            required=True,
            key="keep_fit_way",
        )
    st.session_state.setdefault("keep_allowance", 1.0)
    st.session_state.setdefault("keep_trim", 6.0)
    with left:
        allowance = st.number_input(say("shape.allowance"), 0.0, 50.0, key="keep_allowance")
    with right:
        trim = st.number_input(say("shape.trim"), 0.0, 500.0, key="keep_trim")
    with st.expander(say("shape.sizes"), expanded=not _sizes_known(subject.measurement)):
        measurement = with_sizes(subject.measurement, key="fit")
    knots = _knot_zones(subject, measurement)
    laid = _laid(
        to_json(measurement),
        measurement,
        name,
        way == "along",
        float(allowance),
        float(trim),
        knots,
    )
    if isinstance(laid, str):
        st.warning(as_text(laid))
    elif isinstance(laid, NoFit):
        st.warning(as_text(fit_words(laid, None, unit()).strip()))
    else:
        _show_laid(subject, laid)


def _show_laid(subject: Subject, laid: LaidPart) -> None:
    show_result_card(laid.judged, laid.judged.sort, laid.judged.because[0])
    m, hand = subject.measurement, subject.hand
    for letter, photograph, scan in (("A", hand.face_a, m.face_a), ("B", hand.face_b, m.face_b)):
        more = [] if scan is None else [part_layer(scan, letter, laid)]
        show_face_picture(hand, letter, photograph, scan, subject.result, key="part", more=more)
    show_words(lambda: fit_words(laid, None, unit()))
    st.caption(as_text(CAUTION))


@st.cache_data(max_entries=64, show_spinner="Laying the part")
def _laid(
    key: str,
    _measurement: BlankMeasurement,
    part: str,
    along_fibres: bool,
    allowance_mm: float,
    trim_mm: float,
    zones: tuple[tuple[float, float, str], ...],
) -> LaidPart | NoFit | str:
    """The part in its place, or the reason why that is not known."""
    try:
        avoid = [AvoidZone(*zone) for zone in zones]
        solid = solid_for(_measurement, avoid=avoid, trim_mm=trim_mm)
    except ValueError as error:
        return f"{error}."
    if isinstance(solid, NotKnown):
        return solid.reason
    return lay_part(
        _measurement,
        solid,
        shipped_parts()[part],
        along_fibres=along_fibres,
        allowance_mm=allowance_mm,
    )


def _knot_zones(
    subject: Subject, measurement: BlankMeasurement
) -> tuple[tuple[float, float, str], ...]:
    """Stretches round the knots that were marked by hand."""
    record = measurement.record
    if record.length_mm is None:
        return ()
    zones = []
    for knot in subject.hand.by_hand.knots:
        width = record.width_mm if knot.face == "a" else record.height_mm
        if width is not None:
            face = "A" if knot.face == "a" else "B"
            zone = knot_zone(knot.at, knot.radius * width, record.length_mm, face=face)  # type: ignore[arg-type]
            zones.append((zone.start, zone.stop, zone.reason))
    return tuple(zones)


def _sizes_known(measurement: BlankMeasurement) -> bool:
    record = measurement.record
    return None not in (record.width_mm, record.height_mm, record.length_mm)


def _plan() -> None:
    book = open_the_book()
    if book is None:
        st.info(say("stock.no_book"))
        return
    left, right = st.columns(2)
    with left:
        name = st.selectbox(say("shape.cut_list"), list(SHIPPED), key="keep_cut_list")
    with right:
        file = st.file_uploader(say("shape.own_cut_list"), type=["toml"], key="own_cut_list")
    also = st.checkbox(say("shape.also_check"), key="keep_also_check")
    if not st.button(say("shape.make_plan"), type="primary", width="stretch"):
        st.caption(say("shape.plan_lead"))
        return
    try:
        cut_list = shipped_cut_list(name, shipped_parts()) if file is None else _own_list(file)
    except GrainscanError as error:
        st.error(as_text(str(error)))
        return
    measurements = _in_stock(book)
    if not measurements:
        st.info(say("stock.none"))
        return
    with st.spinner(say("shape.planning", count=len(measurements))):
        plan = plan_parts(measurements, cut_list, PlanRules(also_check=also))
    _show_plan(plan)


def _show_plan(plan: Plan) -> None:
    show_words(lambda: plan_words(plan, unit()))


def _in_stock(book: Book) -> list[BlankMeasurement]:
    """The present measurements of all blanks not made into anything."""
    scans = [
        current_scan(book, line.code) for line in find(book, Filter(in_stock=True)) if line.sort
    ]
    return [
        dataclasses.replace(
            scan.result.measurement,
            record=dataclasses.replace(scan.result.measurement.record, blank=scan.blank),
        )
        for scan in scans
        if scan is not None
    ]


def _own_list(file: io.BytesIO) -> CutList:
    with tempfile.TemporaryDirectory(prefix="grainscan-") as folder:
        path = Path(folder) / "cut-list.toml"
        path.write_bytes(file.getvalue()[:_LARGEST_CUT_LIST])
        return read_cut_list(path, shipped_parts())
