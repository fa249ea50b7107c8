"""Correct by hand: corners of a face or the end, ring boundaries, knots; with undo."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from typing import Literal

import streamlit as st

from grainscan.by_hand import ByHand, Knot, check_corners, correction_texts
from grainscan.errors import InputError, PhotoError
from grainscan.results import BlankMeasurement, EndScan, FaceScan, PointPx
from grainscan.scan import Side
from grainscan.shown.page.hand import SIDES, Hand, hand, set_by_hand, undo
from grainscan.shown.page.layers import (
    knot_layer,
    outline_layer,
    place_on_face,
    ring_layers,
)
from grainscan.shown.page.look import as_text
from grainscan.shown.page.picture import show_picture
from grainscan.shown.page.remember import Picture, picture_of, whole_picture
from grainscan.shown.page.texts import say

__all__ = ["show_corrections"]

_CORNERS: dict[str, Side] = {"corners_a": "face_a", "corners_b": "face_b", "corners_end": "end"}
_KNOTS: dict[str, Literal["a", "b"]] = {"knots_a": "a", "knots_b": "b"}


def show_corrections(now: Hand, measurement: BlankMeasurement) -> None:
    """The tools to put right what was found on the photographs of the blank in hand."""
    # A switch and not a fold: the photographs are sent only where somebody works on them.
    if not st.toggle(say("correct.title"), key="keep_correcting"):
        return
    tools = _tools(now, measurement)
    with st.container(border=True):
        if not tools:
            st.markdown(say("correct.none"))
            return
        tool = st.selectbox(
            say("correct.what"),
            list(tools),
            format_func=lambda tool: say(f"correct.{tool}"),
            key="correct_what",
        )
        tools[tool]()
        left, right = st.columns(2)
        with left:
            st.button(
                say("correct.undo"),
                key="undo_button",
                on_click=undo,
                disabled=not st.session_state.get("undo"),
                width="stretch",
            )
        with right:
            st.button(
                say("correct.as_found"),
                key="as_found_button",
                on_click=_as_found,
                disabled=now.by_hand == ByHand(),
                width="stretch",
            )
        corrections = correction_texts(now.by_hand)
        if corrections:
            st.caption(as_text("; ".join(f"{_side_name(s)}: {what}" for s, what, _ in corrections)))


def _tools(now: Hand, measurement: BlankMeasurement) -> dict[str, Callable[[], None]]:
    """The corrections that these photographs allow."""
    tools: dict[str, Callable[[], None]] = {}
    scans: dict[Side, FaceScan | EndScan | None] = {
        side: getattr(measurement, side) for side in SIDES
    }
    for name, side in _CORNERS.items():
        if now.side(side) is not None:
            tools[name] = lambda side=side: _corners(now, side, scans[side])  # type: ignore[misc]
    for name, letter in _KNOTS.items():
        scan = scans["face_a" if letter == "a" else "face_b"]
        if isinstance(scan, FaceScan):
            tools[name] = lambda letter=letter, scan=scan: _knots(now, letter, scan)  # type: ignore[misc]
    end = scans["end"]
    if isinstance(end, EndScan) and end.ring_series is not None:
        tools["rings"] = lambda: _rings(now, end)
    return tools


def _as_found() -> None:
    set_by_hand(ByHand())


def _corners(now: Hand, side: Side, scan: FaceScan | EndScan | None) -> None:
    photograph = now.side(side)
    assert photograph is not None
    try:
        picture = whole_picture(photograph)
    except PhotoError as error:
        st.error(as_text(str(error)))
        return
    corners = _present_corners(now.by_hand, side, scan, picture)
    for line in st.session_state.pop("corners_wrong", ()):
        st.error(as_text(line))
    st.markdown(say("correct.corners_how"))

    def moved(points: list[PointPx]) -> None:
        try:
            checked = check_corners(points, size=picture.size, is_face=side != "end")
        except InputError as error:
            st.session_state["corners_wrong"] = (str(error),)
            return
        set_by_hand(hand().by_hand.with_outline(side, checked))

    show_picture(
        f"correct_{side}",
        picture.jpeg,
        picture.box,
        say(f"correct.{next(tool for tool, of in _CORNERS.items() if of == side)}"),
        [outline_layer(scan)] if scan is not None else [],
        points=[(say(f"picture.corner_{k}"), point) for k, point in enumerate(corners)],
        on_moved=moved,
    )


def _present_corners(
    by_hand: ByHand, side: Side, scan: FaceScan | EndScan | None, picture: Picture
) -> tuple[PointPx, ...]:
    """As set, as found, or well inside the picture where nothing was found."""
    if (placed := by_hand.outline(side)) is not None:
        return placed
    if scan is not None:
        return scan.outline_px
    width, height = picture.size
    left, right = 0.15 * width, 0.85 * width
    top, bottom = (0.4 * height, 0.6 * height) if side != "end" else (0.2 * height, 0.8 * height)
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def _knots(now: Hand, letter: Literal["a", "b"], face: FaceScan) -> None:
    photograph = now.side("face_a" if letter == "a" else "face_b")
    assert photograph is not None
    picture = picture_of(photograph, face)
    st.session_state.setdefault("keep_knot", 25)
    share = st.slider(say("correct.knot_radius"), 5, 60, key="keep_knot")
    st.markdown(say("correct.knots_how"))

    def clicked(point: PointPx) -> None:
        at, across = place_on_face(face, point)
        if 0.0 <= across <= 1.0:
            by_hand = hand().by_hand
            knots = (*by_hand.knots, Knot(letter, at, share / 100.0))
            set_by_hand(dataclasses.replace(by_hand, knots=knots))

    show_picture(
        f"knots_{letter}",
        picture.jpeg,
        picture.box,
        say(f"correct.knots_{letter}"),
        [outline_layer(face), *knot_layer(face, letter, now.by_hand.knots)],
        mode="click",
        on_clicked=clicked,
    )


def _rings(now: Hand, end: EndScan) -> None:
    photograph = now.end
    assert photograph is not None
    picture = picture_of(photograph, end)
    way = st.segmented_control(
        say("correct.rings_mode"),
        ["add", "remove"],
        format_func=lambda way: say(f"correct.rings_{way}"),
        default=None if "keep_rings_tap" in st.session_state else "add",
        required=True,
        key="keep_rings_tap",
    )
    st.markdown(say("correct.rings_how"))

    def clicked(point: PointPx) -> None:
        by_hand = hand().by_hand
        if way == "remove":
            set_by_hand(_without_ring(by_hand, end, point))
        else:
            added = (*by_hand.rings_added, point)
            set_by_hand(dataclasses.replace(by_hand, rings_added=added))

    show_picture(
        "correct_rings",
        picture.jpeg,
        picture.box,
        say("correct.rings"),
        ring_layers(end),
        mode="click",
        on_clicked=clicked,
    )


def _without_ring(by_hand: ByHand, end: EndScan, point: PointPx) -> ByHand:
    """Without the boundary nearest to a point: one set by hand is forgotten, not removed."""
    from grainscan.measure.by_hand import nearest_boundary

    boundaries = () if end.ring_series is None else end.ring_series.boundaries
    nearest = nearest_boundary(boundaries, point)
    if nearest is not None and boundaries[nearest].by_hand:
        line = boundaries[nearest].line_px
        kept = tuple(p for p in by_hand.rings_added if _farther(p, line, by_hand.rings_added))
        return dataclasses.replace(by_hand, rings_added=kept)
    return dataclasses.replace(by_hand, rings_removed=(*by_hand.rings_removed, point))


def _farther(point: PointPx, line: Sequence[PointPx], others: Sequence[PointPx]) -> bool:
    """Whether another of the points lies nearer to a line than this one."""

    def away(p: PointPx) -> float:
        return min(math.dist(p, place) for place in line)

    return away(point) > min(away(other) for other in others)


def _side_name(side: str) -> str:
    return say(f"scan.{side}") if side in SIDES else side
