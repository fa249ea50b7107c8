"""Pictures on the page, and the files to take home."""

from __future__ import annotations

import io
import json
import zipfile

import streamlit as st

from grainscan.results import BlankResult, EndScan, FaceScan
from grainscan.scan import PhotoSource
from grainscan.shown.drawing import jpeg_bytes
from grainscan.shown.overlays import draw_picture
from grainscan.shown.page_input import Chosen
from grainscan.shown.page_measured import remembered_backdrop

__all__ = ["show_downloads", "show_pictures"]

_ALT = {
    "face-a": "Face A with its outline, fibre lines and steep stretches.",
    "face-b": "Face B with its outline, fibre lines and steep stretches.",
    "end": "The end with its outline, ring boundaries and ring direction.",
}


def show_pictures(chosen: Chosen, result: BlankResult) -> dict[str, bytes]:
    """Show what was found on each photograph; returns the pictures as JPEG by file name."""
    m = result.measurement
    parts: tuple[tuple[str, PhotoSource | None, FaceScan | EndScan | None], ...] = (
        ("face-a", chosen.face_a, m.face_a),
        ("face-b", chosen.face_b, m.face_b),
        ("end", chosen.end, m.end),
    )
    pictures: dict[str, bytes] = {}
    for part, source, scan in parts:
        if source is None or scan is None:
            continue
        behind = remembered_backdrop(chosen, part, source, scan)
        content = jpeg_bytes(draw_picture(behind, scan, result))
        pictures[f"{part}.jpg"] = content
        if part == "end":
            st.image(content, width=460, alt=_ALT[part])
        else:
            st.image(content, width="stretch", alt=_ALT[part])
    return pictures


def show_downloads(result: BlankResult, pictures: dict[str, bytes]) -> None:
    """Buttons for the JSON result and for the pictures with it."""
    text = json.dumps([result.to_dict()], indent=1, allow_nan=False)
    left, right = st.columns(2)
    with left:
        st.download_button(
            "Download the result (JSON)",
            text,
            "grainscan.json",
            "application/json",
            on_click="ignore",
            width="stretch",
        )
    with right:
        st.download_button(
            "Download pictures and result (zip)",
            _zipped({**pictures, "grainscan.json": text.encode()}),
            "grainscan.zip",
            "application/zip",
            on_click="ignore",
            width="stretch",
        )


def _zipped(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return out.getvalue()
