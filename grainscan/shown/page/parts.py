"""Widgets and blocks that more than one page shows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

import streamlit as st

from grainscan.results import (
    BlankMeasurement,
    BlankResult,
    EndScan,
    FaceScan,
    SortWord,
    StrengthShare,
)
from grainscan.shown.bench_words import unbroken
from grainscan.shown.overlays import words_for
from grainscan.shown.page.hand import Hand, Photograph
from grainscan.shown.page.layers import end_layers, face_layers, knot_layer
from grainscan.shown.page.look import answer_card, as_text
from grainscan.shown.page.picture import Layer, show_picture
from grainscan.shown.page.remember import measured, picture_of
from grainscan.shown.page.settings import in_unit
from grainscan.shown.page.texts import say
from grainscan.wording import figure_words, interval_words, one_in_words, sentence

__all__ = [
    "measure_hand",
    "show_answer",
    "show_cautions",
    "show_end_picture",
    "show_face_picture",
    "show_facts",
    "show_result_card",
    "show_shares",
    "show_strength",
    "show_words",
]


def measure_hand(hand: Hand) -> BlankMeasurement:
    """The measurement of the blank in hand, with progress where something must be measured."""
    place = st.empty()

    def on_step(done: int, total: int, what: str) -> None:
        if done < total:
            place.progress(done / total, say("scan.measuring", what=what))

    found = measured(hand, on_step)
    place.empty()
    return found


def show_answer(result: BlankResult) -> None:
    """The word, its shape, the slope, the reason that decided; then the other reasons."""
    show_result_card(result, result.sort, result.because[0])
    for reason in result.because[1:]:
        st.markdown(f"- {as_text(reason)}")


def show_result_card(result: BlankResult, sort: SortWord, why: str) -> None:
    """A result's slope with its interval and limit, under the word that counts."""
    slope = result.measurement.slope
    figure = say("scan.slope_unknown") if slope is None else figure_words(slope)
    limit = one_in_words(result.limit.angle_deg)
    known = "" if slope is None else say("scan.interval", interval=interval_words(slope)) + "; "
    answer_card(
        sort, figure[:1].upper() + figure[1:], known + say("scan.along_limit", limit=limit), why
    )


def show_strength(result: BlankResult) -> None:
    """Shares of straight-grained strength kept at the measured slope."""
    st.header(say("scan.strength"))
    strength = result.strength
    if strength is None:
        st.markdown(say("scan.strength_none"))
        return
    show_shares(strength)


def show_shares(strength: StrengthShare) -> None:
    """The three shares as a table, with their source."""
    st.markdown(
        say(
            "scan.strength_table",
            bending=f"{strength.bending:.0%}",
            impact=f"{strength.impact:.0%}",
            compression=f"{strength.compression:.0%}",
        )
    )
    st.caption(as_text(strength.source))


def show_facts(measurement: BlankMeasurement) -> None:
    """Rings and what else was measured, with the notes."""
    m = measurement
    st.header(say("scan.also"))
    lines = []
    if m.end is not None and m.end.ring_direction_deg is not None:
        angle = f"{m.end.ring_direction_deg:.0f}"
        lines.append(say("scan.rings_run", angle=angle, orientation=m.end.orientation))
    if m.end is not None and m.end.rings is not None:
        mean = m.end.mean_ring_mm
        width = "" if mean is None else say("scan.ring_width", width=in_unit(mean))
        lines.append(say("scan.rings_count", count=m.end.rings, width=width))
    for letter, face in (("A", m.face_a), ("B", m.face_b)):
        if face is not None and face.sweep_mm is not None:
            lines.append(say("scan.sweep", letter=letter, sweep=in_unit(face.sweep_mm)))
    if m.spiral_deg is not None:
        lines.append(say("scan.spiral", angle=f"{m.spiral_deg:.1f}"))
    notes = [note for note in m.notes if note not in m.failures]
    for text in [*lines, *notes] or [say("scan.also_nothing")]:
        st.markdown(f"- {as_text(sentence(text))}")


def show_face_picture(
    hand: Hand,
    letter: str,
    photograph: Photograph | None,
    face: FaceScan | None,
    result: BlankResult,
    *,
    key: str,
    more: Sequence[Layer] = (),
) -> None:
    """A face's photograph with what was found on it, and further layers."""
    if photograph is None or face is None:
        return
    picture = picture_of(photograph, face)
    words = words_for(face)
    layers = [
        *face_layers(face, result),
        *knot_layer(face, letter.lower(), hand.by_hand.knots),
        *more,
    ]
    alt = say("picture.alt_face", letter=letter, words=words)
    show_picture(f"{key}_{letter}", picture.jpeg, picture.box, alt, layers)
    st.caption(as_text(f"{say('scan.face_a' if letter == 'A' else 'scan.face_b')}. {words}"))


def show_end_picture(photograph: Photograph | None, end: EndScan | None, *, key: str) -> None:
    """The end's photograph with what was found on it."""
    if photograph is None or end is None:
        return
    picture = picture_of(photograph, end)
    words = words_for(end)
    alt = say("picture.alt_end", words=words)
    show_picture(f"{key}_end", picture.jpeg, picture.box, alt, end_layers(end))
    st.caption(as_text(f"{say('scan.end')}. {words}"))


def show_words(make: Callable[[], str]) -> None:
    """Sentences for the bench, each with its indent; the page breaks the lines where it must."""
    with unbroken():
        lines = make().splitlines()
    rows = "".join(
        f'<p class="in{min(len(text) - len(text.lstrip()), 8) // 2}">{escape(text.strip())}</p>'
        for text in lines
    )
    name = escape(say("shape.words"), quote=True)
    st.html(f'<div class="words" role="region" aria-label="{name}">{rows}</div>')


def show_cautions() -> None:
    """What no photograph can promise."""
    st.divider()
    st.markdown(say("nav.cautions"))
