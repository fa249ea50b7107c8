"""A photograph on the page with what was found on it: zoom, layers to switch, points to move."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal

import streamlit as st

from grainscan.results import PointPx
from grainscan.shown.page.texts import say

__all__ = ["Layer", "Shape", "label", "line", "show_picture"]

Shape = dict[str, Any]
_TEXTS = ("closer", "further", "whole", "left", "right")


@dataclass(frozen=True, slots=True)
class Layer:
    """Shapes that are switched together; without a ``name`` they are always there."""

    id: str
    name: str
    shapes: tuple[Shape, ...]
    on: bool = True


def line(points: Any, style: str, *, closed: bool = False) -> Shape:
    """A line through points (x, y) of the photograph, each with its casing."""
    rounded = [[round(float(x), 1), round(float(y), 1)] for x, y in points]
    return {"kind": "line", "points": rounded, "style": style, "closed": closed}


def label(text: str, at: Any, style: str = "plain") -> Shape:
    """Words centred on a point of the photograph."""
    return {"kind": "label", "text": text, "at": [round(float(c), 1) for c in at], "style": style}


def show_picture(
    key: str,
    jpeg: bytes,
    box: tuple[int, int, int, int],
    alt: str,
    layers: Sequence[Layer] = (),
    *,
    points: Sequence[tuple[str, PointPx]] = (),
    mode: Literal["look", "click"] = "look",
    on_moved: Callable[[list[PointPx]], None] | None = None,
    on_clicked: Callable[[PointPx], None] | None = None,
) -> None:
    """Show a part of a photograph.

    Parameters
    ----------
    box
        Left, top, right, bottom of the part that ``jpeg`` shows, in pixels of the photograph;
        all points are in those pixels too, whatever size the picture has on the screen.
    points
        Named points that can be dragged, or moved with the arrow keys.
    on_moved, on_clicked
        Called once with all points after one was moved; with the place that was clicked.
    """
    left, top, right, bottom = box

    def moved() -> None:
        found = _told(key, "moved")
        if on_moved is not None and found is not None:
            on_moved([(float(x), float(y)) for x, y in found])

    def clicked() -> None:
        found = _told(key, "clicked")
        if on_clicked is not None and found is not None:
            on_clicked((float(found[0]), float(found[1])))

    _component()(
        key=key,
        data={
            "image": "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii"),
            "box": [left, top, right - left, bottom - top],
            "alt": alt,
            "layers": [
                {"id": la.id, "name": la.name, "on": la.on, "shapes": list(la.shapes)}
                for la in layers
            ],
            "points": [[round(x, 2), round(y, 2)] for _, (x, y) in points],
            "point_names": [name for name, _ in points],
            "mode": mode,
            "texts": {name: say(f"picture.{name}") for name in _TEXTS},
        },
        on_moved_change=moved,
        on_clicked_change=clicked,
    )


def _told(key: str, what: str) -> Any:
    state = st.session_state.get(key)
    return None if state is None else state.get(what)


@cache
def _asset(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text("utf-8")


def _component() -> Any:
    # Registered on each run: a component belongs to the running server, not to the process.
    return st.components.v2.component(
        "grainscan_picture",
        html=_asset("picture.html"),
        css=_asset("picture.css"),
        js=_asset("picture.js"),
    )
