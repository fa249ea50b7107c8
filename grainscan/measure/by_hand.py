"""What a person put right: outlines from corners, ring boundaries added and removed."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from grainscan.by_hand import ByHand, Corners
from grainscan.errors import InputError
from grainscan.measure.outline import DRAWN_POINTS, FaceOutline
from grainscan.measure.rings_geometry import ArcFamily
from grainscan.measure.rings_outline import EndOutline
from grainscan.measure.rings_series import with_boundaries
from grainscan.results import EndScan, PointPx, RingBoundary

__all__ = [
    "end_outline_by_hand",
    "face_outline_by_hand",
    "nearest_boundary",
    "rings_by_hand",
]

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


def rings_by_hand(end: EndScan, by_hand: ByHand) -> EndScan:
    """The end with ring boundaries added and removed where a person pointed on its photograph.

    An added boundary runs along the measured arcs through the point; of those that were found,
    the one that passes nearest to a point is removed. What cannot be done (no rings were read, a
    point beside the section) is left out, with a line in ``notes``.
    """
    if not (by_hand.rings_added or by_hand.rings_removed):
        return end
    series = end.ring_series
    if series is None:
        note = "ring boundaries set by hand are left out: no rings were read on this end"
        return dataclasses.replace(end, notes=(*end.notes, note))
    arcs = ArcFamily(math.radians(series.bark_direction_deg), series.curvature)
    nearest = (nearest_boundary(series.boundaries, point) for point in by_hand.rings_removed)
    unwanted = {k for k in nearest if k is not None}
    done, notes = with_boundaries(end, remove=unwanted), list(end.notes)
    for point in by_hand.rings_added:
        x, y = _in_section(end, point)
        try:
            done = with_boundaries(done, add=[float(arcs.ring_coordinate(x, y))])
        except InputError as error:
            notes.append(f"a ring boundary set by hand is left out: {error}")
    return dataclasses.replace(done, notes=tuple(notes))


def nearest_boundary(boundaries: Sequence[RingBoundary], point: PointPx) -> int | None:
    """Position of the boundary whose traced line passes nearest to a point of the photograph."""
    best: tuple[float, int] | None = None
    for k, boundary in enumerate(boundaries):
        if len(boundary.line_px) < 2:
            continue
        away = _distance_px(np.array(boundary.line_px), np.array(point))
        if best is None or away < best[0]:
            best = (away, k)
    return None if best is None else best[1]


def _distance_px(line: np.ndarray, point: np.ndarray) -> float:
    """Distance of a point from a polyline (N, 2)."""
    start, step = line[:-1], np.diff(line, axis=0)
    squared = np.maximum((step**2).sum(axis=1), 1e-12)
    share = np.clip(((point - start) * step).sum(axis=1) / squared, 0.0, 1.0)
    return float(np.hypot(*(start + share[:, np.newaxis] * step - point).T).min())


def _in_section(end: EndScan, point: PointPx) -> tuple[float, float]:
    """A point of the photograph in section widths from the centre (right, up)."""
    import cv2

    corners = np.array(end.outline_px)
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    aspect = float((sides[1] + sides[3]) / (sides[0] + sides[2]))
    if end.width_mm is not None and end.height_mm is not None:
        aspect = end.height_mm / end.width_mm
    h = aspect / 2.0
    section = np.array([[-0.5, h], [0.5, h], [0.5, -h], [-0.5, -h]], np.float32)
    transform = cv2.getPerspectiveTransform(corners.astype(np.float32), section)
    x, y, w = np.asarray(transform, np.float64) @ np.array([*point, 1.0])
    return float(x / w), float(y / w)
