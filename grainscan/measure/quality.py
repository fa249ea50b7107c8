"""Is a photograph of a face good enough, and if not, what to do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from grainscan.measure.fibres import LEAST_EVIDENCE, FibreAngles
from grainscan.measure.outline import LEAST_CONFIDENCE, FaceOutline
from grainscan.measure.sight import finest_detail_px, shadow_across
from grainscan.results import PhotoQuality

__all__ = ["face_quality"]

LEAST_WIDTH_PX = 80
"""Common practice, no source: below this a face holds too few fibre lines to average."""

FILLED = 0.6
"""Share of the picture's width from which on a face gains less by coming closer than by being
taken in parts (common practice, no source)."""

MOST_CLIPPED = 0.25
"""Share of the face that may be burnt out or black before the answer is doubted (common practice,
no source)."""

MOST_DETAIL_PX = 5.0
"""Widest finest detail of a photograph in which fibres, a few pixels wide, can still be seen
(common practice, no source)."""


def face_quality(
    grey: npt.NDArray[np.float32],
    outline: FaceOutline,
    angles: FibreAngles,
    picture_width_px: int,
) -> PhotoQuality:
    """Judge the square-on view (M, N) float32 0–255, its outline in a photograph
    ``picture_width_px`` wide, and what was read from it.
    """
    notes = []
    width_px = outline.width_px
    fills = float(np.ptp(outline.corners_px[:, 0])) > FILLED * picture_width_px
    if width_px < LEAST_WIDTH_PX:
        closer = "photograph the face in overlapping parts" if fills else "move closer"
        notes.append(f"{closer}: the blank is {width_px:.0f} px wide, {LEAST_WIDTH_PX} are needed")
    if outline.touches_border:
        notes.append("the blank reaches the picture's border: step back until both ends are in it")
    if outline.confidence < LEAST_CONFIDENCE:
        notes.append(
            "the outline is unsure: lay the blank on a plain background of another colour, "
            "away from shadows"
        )
    burnt, black = float(np.mean(grey > 250)), float(np.mean(grey < 8))
    if burnt > MOST_CLIPPED:
        notes.append(f"{burnt:.0%} of the face is burnt out: less light, or turn it from the glare")
    if black > MOST_CLIPPED:
        notes.append(f"{black:.0%} of the face is black: more light")
    if not angles.readable:
        notes += _why_unreadable(grey, angles, fills)
    return PhotoQuality(ok=not notes, notes=tuple(notes))


def _why_unreadable(grey: npt.NDArray[np.float32], angles: FibreAngles, fills: bool) -> list[str]:
    """What in the photograph may hide the fibre lines, each with what to do.

    ``fills``: the face fills the picture, so that only a part of it can be seen closer.
    """
    closer = "photograph it in overlapping parts" if fills else "photograph closer"
    notes = []
    detail = finest_detail_px(grey)
    if MOST_DETAIL_PX < detail < np.inf:
        notes.append(
            f"out of focus or shaken: the finest detail on the face is {detail:.0f} px wide, "
            f"{MOST_DETAIL_PX:.0f} or less are needed; rest the phone on something"
        )
    place = shadow_across(grey)
    if place is not None:
        notes.append(
            f"a shadow's edge crosses the face at {place:.0%} of its length: move the light, or "
            "yourself, until the whole face is in one light"
        )
    if angles.stripes is not None and angles.evidence >= LEAST_EVIDENCE:
        notes.append(
            f"the rings' lines hide the fibre lines on this face: {closer}, with light from the "
            "side, or see how an offcut splits"
        )
    else:
        notes.append(
            f"the fibre lines cannot be read: {closer}, in focus, with light from the side"
        )
    return notes
