"""Pictures on the page, and the files to take home."""

from __future__ import annotations

import io
import json
import zipfile

import streamlit as st

from grainscan.results import BlankResult, EndScan, FaceScan
from grainscan.scan import PhotoSource
from grainscan.shown.drawing import jpeg_bytes
from grainscan.shown.overlays import captioned, draw_picture, words_for
from grainscan.shown.page_input import Chosen
from grainscan.shown.page_measured import remembered_backdrop
from grainscan.shown.page_text import as_text

__all__ = ["show_downloads", "show_end", "show_faces"]

_ALT = {
    "face-a": "Face A with its outline, fibre lines and steep stretches.",
    "face-b": "Face B with its outline, fibre lines and steep stretches.",
    "end": "The end with its outline, ring boundaries and ring direction.",
}
_NAMES = {"face-a": "Face A", "face-b": "Face B", "end": "Marked end"}


def show_faces(chosen: Chosen, result: BlankResult) -> dict[str, bytes]:
    """Show what was found on each face; returns the pictures as JPEG files, by name."""
    m = result.measurement
    return {
        **_shown("face-a", chosen, chosen.face_a, m.face_a, result),
        **_shown("face-b", chosen, chosen.face_b, m.face_b, result),
    }


def show_end(chosen: Chosen, result: BlankResult) -> dict[str, bytes]:
    """Show what was found on the end; returns the picture as a JPEG file, by name."""
    return _shown("end", chosen, chosen.end, result.measurement.end, result)


def _shown(
    part: str,
    chosen: Chosen,
    source: PhotoSource | None,
    scan: FaceScan | EndScan | None,
    result: BlankResult,
) -> dict[str, bytes]:
    if source is None or scan is None:
        return {}
    behind = remembered_backdrop(chosen, part, source, scan)
    picture = draw_picture(behind, scan, result)
    st.image(jpeg_bytes(picture), width="stretch", alt=_ALT[part])
    st.caption(as_text(f"{_NAMES[part]}. {words_for(scan)}"))
    return {f"{part}.jpg": jpeg_bytes(captioned(picture, scan, result))}


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
