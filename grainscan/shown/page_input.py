"""What the visitor gives: photographs, what is known of the blank, and the limit."""

from __future__ import annotations

import dataclasses
import hashlib
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from grainscan.errors import GrainscanError
from grainscan.judge.limits import known_parts, limit_for_part, limit_keeping_strength
from grainscan.photo.folder import BlankPhotos, find_blanks
from grainscan.results import BlankRecord, Limit
from grainscan.scan import PhotoSource
from grainscan.shown.page_text import HOW_TO_PHOTOGRAPH, as_text
from grainscan.wording import one_in_words, sentence

__all__ = ["Chosen", "choose_limit", "choose_photographs"]

_SAMPLE, _OWN = "A sample blank", "My photographs"
_ENDINGS = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]
_NO_PART = "no part named"
_LEAST, _MOST = 5, 40


@dataclass(frozen=True, slots=True)
class Chosen:
    """The photographs to measure, and a key that is the same for the same bytes and record."""

    record: BlankRecord
    face_a: PhotoSource | None
    face_b: PhotoSource | None
    end: PhotoSource | None
    problems: tuple[str, ...]
    key: str


def choose_photographs(samples: Path) -> Chosen | None:
    """A sample or uploaded photographs; None where nothing is chosen yet."""
    blanks = {blank.name: blank for blank in find_blanks([samples]) if blank.usable}
    kinds = [_SAMPLE, _OWN] if blanks else [_OWN]
    kind = st.segmented_control("Photographs", kinds, default=kinds[0], required=True, key="kind")
    return _own() if kind == _OWN else _sample(blanks)


def choose_limit(record: BlankRecord) -> Limit:
    """The limit: of a part, moved by hand, or by the strength to keep."""
    # A part that came with the blank sets the controls once, not on every run of the page.
    if st.session_state.get("limit_for") != (record.blank, record.part):
        st.session_state["limit_for"] = (record.blank, record.part)
        st.session_state["part"] = record.part if record.part in known_parts() else _NO_PART
        _take_limit_of_part()
    left, middle, right = st.columns([2, 2, 3])
    with left:
        st.selectbox("Part", [_NO_PART, *known_parts()], key="part", on_change=_take_limit_of_part)
    with middle:
        by = st.segmented_control(
            "Limit by", ["slope", "strength"], default="slope", required=True, key="limit_by"
        )
    with right:
        return _by_strength() if by == "strength" else _by_slope()


def _by_slope() -> Limit:
    number = st.slider("Steepest slope allowed: 1 in", _LEAST, _MOST, key="one_in")
    of_part = limit_for_part(_part())
    if number == round(of_part.one_in):
        st.caption(as_text(of_part.source))
        return of_part
    return Limit(float(number), "given by the user")


def _by_strength() -> Limit:
    percent = st.slider(
        "Strength to keep, in per cent of straight grain (impact bending)", 50, 97, 85, key="keep"
    )
    limit = limit_keeping_strength(percent)
    st.caption(f"That is a slope of {one_in_words(limit.angle_deg)}. {as_text(limit.source)}")
    return limit


def _part() -> str | None:
    part: str = st.session_state["part"]
    return None if part == _NO_PART else part


def _take_limit_of_part() -> None:
    number = round(limit_for_part(_part()).one_in)
    st.session_state["one_in"] = min(max(number, _LEAST), _MOST)


_FIRST_SAMPLE = "ash-rung-straight"
"""Shown first: a blank as it should be, before the ones with something wrong."""


def _sample(blanks: dict[str, BlankPhotos]) -> Chosen:
    names = list(blanks)
    asked = st.query_params.get("sample", _FIRST_SAMPLE)
    name = st.selectbox(
        "Sample",
        names,
        index=names.index(asked) if asked in names else 0,
    )
    st.query_params["sample"] = name
    blank = blanks[name]
    st.caption(as_text(_about(blank.record)))
    sources: dict[str, PhotoSource | None] = {}
    for role, path in (("face_a", blank.face_a), ("face_b", blank.face_b), ("end", blank.end)):
        sources[role] = None if path is None else PhotoSource(path.read_bytes(), path.name)
    return _chosen(blank.record, sources, blank.problems)


def _own() -> Chosen | None:
    labels = {"face_a": "Face A", "face_b": "Face B", "end": "Marked end"}
    has_none = not any(st.session_state.get(f"upload_{role}") for role in labels)
    with st.expander("How to take the three photographs", expanded=has_none):
        st.markdown(HOW_TO_PHOTOGRAPH)
    sources: dict[str, PhotoSource | None] = {}
    for column, (role, label) in zip(st.columns(3), labels.items(), strict=True):
        with column:
            file = st.file_uploader(label, type=_ENDINGS, key=f"upload_{role}")
        sources[role] = None if file is None else PhotoSource(file.getvalue(), file.name)
    record = _typed_record()
    return _chosen(record, sources, ()) if any(sources.values()) else None


def _typed_record() -> BlankRecord:
    with st.expander("What is known of the blank (may be left empty)"):
        species = st.text_input("Species", key="species", max_chars=60)
        width, height, length = st.columns(3)
        with width:
            width_mm = _millimetres("Width of face A, mm", "width_mm")
        with height:
            height_mm = _millimetres("Width of face B, mm", "height_mm")
        with length:
            length_mm = _millimetres("Length, mm", "length_mm")
    return BlankRecord(
        blank="blank",
        species=species.strip() or None,
        width_mm=width_mm,
        height_mm=height_mm,
        length_mm=length_mm,
    )


def _millimetres(label: str, key: str) -> float | None:
    return st.number_input(label, min_value=1.0, max_value=50_000.0, value=None, key=key)


def _chosen(
    record: BlankRecord, sources: dict[str, PhotoSource | None], problems: tuple[str, ...]
) -> Chosen:
    digest = hashlib.sha256(repr((dataclasses.astuple(record), problems)).encode())
    for role, source in sources.items():
        content = source.content if source is not None else b""
        if isinstance(content, Path):
            raise GrainscanError("The page measures uploaded content only.")
        name = source.name if source is not None else ""
        digest.update(repr((role, name, hashlib.sha256(content).hexdigest())).encode())
    return Chosen(record=record, **sources, problems=problems, key=digest.hexdigest())


def _about(record: BlankRecord) -> str:
    sizes = (record.width_mm, record.height_mm, record.length_mm)
    words = [
        record.species or "",
        record.made or "",
        " × ".join(f"{size:g}" for size in sizes if size) + " mm" if any(sizes) else "",
        f"for a {record.part}" if record.part else "",
    ]
    about = ", ".join(word for word in words if word)
    return " ".join(sentence(text) for text in (about, record.text) if text)
