"""The size of a face by the reference card that lies beside it."""

from __future__ import annotations

import numpy as np

from grainscan.measure.card import CardView
from grainscan.measure.lines import arc_length
from grainscan.measure.outline import FaceOutline

__all__ = ["size_by_card"]

READING_SHARE = 0.03
"""Difference between the card's width and the one written down that is worth a word: more than a
rule's and the outline's errors together (our own estimate, no source)."""


def size_by_card(
    outline: FaceOutline,
    card: CardView,
    *,
    thickness_mm: float | None = None,
    on_bench: bool = False,
    width_mm: float | None = None,
    checked: bool = False,
) -> tuple[tuple[float, float] | None, tuple[str, ...]]:
    """Length along the axis and mean width of a face in millimetres, and what to say about them.

    ``thickness_mm``: of the blank under this face, needed where the card lay ``on_bench``;
    ``width_mm``: what is written down, to compare; ``checked``: the card's line was measured.
    The size is None where no plane for it is known.
    """
    height = 0.0
    if on_bench:
        if thickness_mm is None:
            return None, (
                "the card lay on the bench: give the blank's width and height for millimetres",
            )
        if card.pose is None:
            return None, (
                "the photograph does not tell its focal length: lay the card level with the face "
                "for millimetres",
            )
        height = thickness_mm
    top = card.plane_mm(outline.top_edge_px, height_mm=height)
    bottom = card.plane_mm(outline.bottom_edge_px, height_mm=height)
    axis = (top + bottom) / 2.0
    length = arc_length(axis)
    along = np.gradient(axis, axis=0)
    along /= np.linalg.norm(along, axis=1)[:, None]
    apart = bottom - top
    # Across the axis at each station, for an end out of square leans the line between both edges.
    width = float(np.mean(np.abs(along[:, 0] * apart[:, 1] - along[:, 1] * apart[:, 0])))
    notes = [f"by the reference card the face is {length:.1f} mm long and {width:.1f} mm wide"]
    if card.scale != 1.0:
        notes.append(f"the card was printed at {card.scale:.1%} of its size, which is allowed for")
    elif not checked:
        notes.append(
            "measure the card's line of 200 mm: a card printed smaller makes blanks larger"
        )
    if width_mm is not None and abs(width / width_mm - 1.0) > READING_SHARE:
        notes.append(
            f"the card says {width:.1f} mm where {width_mm:g} mm is written down: was the card "
            f"{'on the bench' if on_bench else 'level with the face'}?"
        )
    return (length, width), tuple(notes)
