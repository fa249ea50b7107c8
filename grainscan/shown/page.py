"""The page: choose photographs, read the answer, move the limit, take the files home."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from grainscan.errors import GrainscanError
from grainscan.judge.sorting import judge_blank
from grainscan.shown.page_answer import show_answer, show_cautions, show_facts, show_strength
from grainscan.shown.page_chart import show_slope_along
from grainscan.shown.page_files import show_downloads, show_end, show_faces
from grainscan.shown.page_input import choose_limit, choose_photographs
from grainscan.shown.page_measured import measured
from grainscan.shown.page_text import STYLE, as_text
from grainscan.wording import sentence

__all__ = ["show"]


def show(samples: Path) -> None:
    """The whole page; ``samples`` is the folder of sample blanks."""
    st.set_page_config(page_title="grainscan", layout="wide")
    st.html(STYLE)
    st.title("Slope of grain")
    st.markdown(
        "Photograph a riven blank from face A, from face B and at its marked end. "
        "The page measures the slope of grain and says: keep, check or set aside."
    )
    chosen = choose_photographs(samples)
    if chosen is None:
        show_cautions()
        return
    limit = choose_limit(chosen.record)
    try:
        measurement = measured(chosen)
    except GrainscanError as error:
        st.error(as_text(str(error)))
        st.stop()
    if measurement.failures:
        st.error(as_text(" ".join(sentence(line) for line in measurement.failures)))
    if not any((measurement.face_a, measurement.face_b, measurement.end)):
        show_cautions()
        return
    result = judge_blank(measurement, limit)
    show_answer(result)
    pictures = show_faces(chosen, result)
    show_slope_along(result)
    left, right = st.columns(2)
    with left:
        show_strength(result)
        show_facts(result)
    with right:
        pictures |= show_end(chosen, result)
    show_downloads(result, pictures)
    show_cautions()
