"""Outlines from corners that a person has set."""

from __future__ import annotations

import math

import numpy as np

from grainscan.by_hand import Corners
from grainscan.measure.outline import DRAWN_POINTS, FaceOutline
from grainscan.measure.rings_outline import EndOutline

__all__ = ["end_outline_by_hand", "face_outline_by_hand"]

PLACING_SHARE = 0.01
"""Standard error of a corner set by hand, in widths of the face: a quarter of a millimetre on a
25 mm face (our own estimate, no source)."""

BORDER_SHARE = 0.004
"""A corner nearer to the picture's border than this share of its width may be cut off there."""


def face_outline_by_hand(corners: Corners, size: tuple[int, int]) -> FaceOutline:
    """The outline of a face with straight edges between corners set by hand.

    ``corners`` as `grainscan.by_hand.check_corners` gives them, ``size`` (width, height) of the
    photograph in pixels. The uncertainty of the edges' direction is that of placing the
    corners: two ends an edge, the mean of two edges. A person vouches for it, so its confidence
    is 1.
    """
    points = np.array(corners, dtype=np.float64)
    share = np.linspace(0.0, 1.0, DRAWN_POINTS)[:, np.newaxis]
    top = points[0] + share * (points[1] - points[0])
    bottom = points[3] + share * (points[2] - points[3])
    length = (np.linalg.norm(points[1] - points[0]) + np.linalg.norm(points[2] - points[3])) / 2.0
    width = float(np.mean(np.linalg.norm(bottom - top, axis=1)))
    margin = BORDER_SHARE * size[0]
    inner = np.array(size) - 1 - margin
    return FaceOutline(
        corners_px=points,
        top_edge_px=top,
        bottom_edge_px=bottom,
        angle_sigma_deg=math.degrees(PLACING_SHARE * width / float(length)),
        confidence=1.0,
        touches_border=bool((points < margin).any() or (points > inner).any()),
    )


def end_outline_by_hand(corners: Corners) -> EndOutline:
    """The outline of an end with straight sides between corners set by hand."""
    return EndOutline(np.array(corners, dtype=np.float64), confidence=1.0, edge_rms_px=0.0)
