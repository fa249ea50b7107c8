"""The answer on the page: one word, the slope, the reason; strength, facts and cautions."""

from __future__ import annotations

from html import escape

import streamlit as st

from grainscan.results import BlankResult
from grainscan.shown.page_text import CAUTIONS, as_text, sort_mark
from grainscan.wording import sentence, slope_words

__all__ = ["show_answer", "show_cautions", "show_facts", "show_strength"]


def show_answer(result: BlankResult) -> None:
    """The word, its shape, the slope with its interval, and the reason that decided."""
    slope = result.measurement.slope
    figure = "slope of grain not known" if slope is None else slope_words(slope)
    st.html(
        f'<div class="answer" role="status">{sort_mark(result.sort)}<div>'
        f'<div class="word">{escape(result.sort)}</div>'
        f'<div class="slope">{escape(figure[:1].upper() + figure[1:])}</div>'
        f'<div class="why">{escape(result.because[0])}</div></div></div>'
    )
    for reason in result.because[1:]:
        st.markdown(f"- {as_text(reason)}")


def show_strength(result: BlankResult) -> None:
    """Shares of straight-grained strength kept at the measured slope."""
    st.subheader("Strength kept")
    strength = result.strength
    if strength is None:
        st.markdown("Not known without the slope from both faces.")
        return
    st.markdown(
        "Share of the strength of straight grain, clear wood:\n\n"
        "| bending | impact bending | compression |\n|---|---|---|\n"
        f"| {strength.bending:.0%} | {strength.impact:.0%} | {strength.compression:.0%} |"
    )
    st.caption(as_text(strength.source))


def show_facts(result: BlankResult) -> None:
    """Rings and what else was measured, with the notes."""
    m = result.measurement
    st.subheader("Also measured")
    lines = []
    if m.end is not None and m.end.ring_direction_deg is not None:
        lines.append(f"Rings run {m.end.ring_direction_deg:.0f}° from face A: {m.end.orientation}.")
    if m.end is not None and m.end.rings is not None:
        width = "" if m.end.mean_ring_mm is None else f", {m.end.mean_ring_mm:.1f} mm a ring"
        lines.append(f"{m.end.rings} ring boundaries through the centre{width}.")
    for letter, face in (("A", m.face_a), ("B", m.face_b)):
        if face is not None and face.sweep_mm is not None:
            lines.append(f"Sweep on face {letter}: {face.sweep_mm:.1f} mm.")
    if m.spiral_deg is not None:
        lines.append(f"Spiral grain: {m.spiral_deg:.1f}°.")
    notes = [note for note in m.notes if note not in m.failures]
    for line in [*lines, *notes] or ["Nothing more was measured."]:
        st.markdown(f"- {as_text(sentence(line))}")


def show_cautions() -> None:
    """What no photograph can promise."""
    st.divider()
    st.markdown(CAUTIONS)
