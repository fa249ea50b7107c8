"""Files to take home from a scan."""

from __future__ import annotations

import io
import json
import zipfile

import streamlit as st

from grainscan.photo.reading import read_photo
from grainscan.results import BlankResult
from grainscan.shown.drawing import jpeg_bytes
from grainscan.shown.overlays import backdrop_of, captioned, draw_picture
from grainscan.shown.page.hand import SIDES, Hand
from grainscan.shown.page.texts import say

__all__ = ["show_downloads"]


def show_downloads(now: Hand, result: BlankResult) -> None:
    """Buttons for the JSON result, and for the pictures with it, drawn when they are asked for."""
    text = json.dumps([result.to_dict()], indent=1, allow_nan=False)
    left, right = st.columns(2)
    with left:
        st.download_button(
            say("scan.json"),
            # Made when asked for: a file laid out beforehand is gone once the page is redrawn.
            lambda: text,
            "grainscan.json",
            "application/json",
            on_click="ignore",
            width="stretch",
        )
    with right:
        st.download_button(
            say("scan.zip"),
            lambda: pictures_zip(now, result, text),
            "grainscan.zip",
            "application/zip",
            on_click="ignore",
            width="stretch",
        )


def pictures_zip(now: Hand, result: BlankResult, text: str) -> bytes:
    """The pictures with what was found on them, and the result, as one ZIP."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for side in SIDES:
            photograph, scan = now.side(side), getattr(result.measurement, side)
            if photograph is None or scan is None:
                continue
            pixels = read_photo(photograph.content, name=photograph.name).pixels
            picture = draw_picture(backdrop_of(pixels, scan), scan, result)
            name = f"{side.replace('_', '-')}.jpg"
            archive.writestr(name, jpeg_bytes(captioned(picture, scan, result)))
        archive.writestr("grainscan.json", text)
    return out.getvalue()
