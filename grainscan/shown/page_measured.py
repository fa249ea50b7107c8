"""What the page remembers: measurements and backdrops, by the content they were made from.

Moving the limit or the part judges and draws again; it never measures again. The number of
entries is bounded, so a long session does not fill the memory: a measurement is some tens of
kilobytes, a backdrop some megabytes.
"""

from __future__ import annotations

import streamlit as st

from grainscan.photo.reading import read_photo
from grainscan.results import BlankMeasurement, EndScan, FaceScan
from grainscan.scan import PhotoSource, measure_sources
from grainscan.shown.drawing import Backdrop
from grainscan.shown.overlays import backdrop_of
from grainscan.shown.page_input import Chosen

__all__ = ["measured", "remembered_backdrop"]


def measured(chosen: Chosen) -> BlankMeasurement:
    """The measurement of the chosen photographs, made once."""
    return _measured(chosen.key, chosen)


def remembered_backdrop(
    chosen: Chosen, role: str, source: PhotoSource, scan: FaceScan | EndScan
) -> Backdrop:
    """The reduced photograph behind one picture, made once."""
    return _backdrop(chosen.key, role, source, scan)


@st.cache_data(max_entries=64, show_spinner="Measuring the photographs")
def _measured(key: str, _chosen: Chosen) -> BlankMeasurement:
    return measure_sources(
        _chosen.record,
        face_a=_chosen.face_a,
        face_b=_chosen.face_b,
        end=_chosen.end,
        problems=_chosen.problems,
    )


@st.cache_data(max_entries=24, show_spinner="Drawing")
def _backdrop(key: str, role: str, _source: PhotoSource, _scan: FaceScan | EndScan) -> Backdrop:
    return backdrop_of(read_photo(_source.content, name=_source.name).pixels, _scan)
