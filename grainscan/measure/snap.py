"""Corners set by hand, moved to the edges of the face near them."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from grainscan.by_hand import Corners
from grainscan.errors import BlankNotFoundError
from grainscan.measure.by_hand import face_outline_by_hand
from grainscan.measure.edges import reduced
from grainscan.measure.outline import WORK_WIDTH_PX, FaceOutline, outline_of
from grainscan.measure.refine import Refined, refined
from grainscan.measure.sides import Curve, Rough

__all__ = ["snap_outline"]

FloatArray = npt.NDArray[np.float64]

REACH_SHARE = 0.05
"""How far a corner may be moved, in widths of the face: five times the error of placing one by
hand; much more would take a shadow for the edge a person saw."""

LEAST_REACH_PX = 6.0
LEAST_CLEAR = 0.5
"""Share of a side's points that must stand clear; a fainter side stays where the hand put it."""


def snap_outline(pixels: npt.NDArray[np.uint8], corners: Corners) -> FaceOutline:
    """The outline of a face nearest to corners set by hand.

    ``pixels`` (M, N, 3) uint8 RGB; ``corners`` as `grainscan.by_hand.check_corners` gives them.
    Each side is followed in sub-pixels (long edges as smooth curves) within a twentieth of the
    face's width of where the hand put it; a side that shows no clear edge there stays straight
    between its corners. A person vouches for the outline, so its confidence is 1.
    """
    size = (pixels.shape[1], pixels.shape[0])
    by_hand = face_outline_by_hand(corners, size)
    work, scale = reduced(pixels, WORK_WIDTH_PX)
    rough = _rough(np.array(corners, dtype=np.float64), scale)
    reach = max(REACH_SHARE * rough.width, LEAST_REACH_PX * scale)
    try:
        found = refined(work, rough, edge_reach_px=reach, end_reach_px=reach, side_faces=False)
    except BlankNotFoundError:
        return by_hand
    found = _kept(found, rough, np.array(corners, dtype=np.float64), scale)
    outline = outline_of(rough, found, scale, work.shape, 1.0)
    sigma = outline.angle_sigma_deg
    if min(found.clear[:2]) < LEAST_CLEAR:
        sigma = by_hand.angle_sigma_deg
    return dataclasses.replace(outline, angle_sigma_deg=sigma)


def _rough(corners: FloatArray, scale: float) -> Rough:
    """The corners in their own turned frame, in pixels of the reduced picture."""
    points = (corners + 0.5) * scale - 0.5
    left, right = (points[0] + points[3]) / 2.0, (points[1] + points[2]) / 2.0
    along = (right - left) / np.linalg.norm(right - left)
    across = np.array([-along[1], along[0]])
    origin = (left + right) / 2.0
    start, stop = float((left - origin) @ along), float((right - origin) @ along)
    edges = []
    for a, b in ((points[0], points[1]), (points[3], points[2])):
        share = np.array([(p - origin) @ along for p in (a, b)])
        share = (share - start) / (stop - start)
        heights = [float((p - origin) @ across) for p in (a, b)]
        edges.append(Curve.fit(share, heights, 1, domain=[0.0, 1.0]))
    return Rough(origin, along, across, start, stop, edges[0], edges[1])


def _kept(found: Refined, rough: Rough, corners: FloatArray, scale: float) -> Refined:
    """Sides without a clear edge go back to where the hand put them."""
    points = (corners + 0.5) * scale - 0.5
    share = ((points - rough.origin) @ rough.along - rough.left) / rough.length
    keep = [clear >= LEAST_CLEAR for clear in found.clear]
    left = Curve.fit([0.0, 1.0], share[[0, 3]], 1, domain=[0.0, 1.0])
    right = Curve.fit([0.0, 1.0], share[[1, 2]], 1, domain=[0.0, 1.0])
    return dataclasses.replace(
        found,
        top=found.top if keep[0] else rough.top,
        bottom=found.bottom if keep[1] else rough.bottom,
        left=found.left if keep[2] else left,
        right=found.right if keep[3] else right,
    )
