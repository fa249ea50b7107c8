"""How many times as long as wide the photographed face is: by what is written down, or as seen.

The tangent of every angle on the square-on view scales with this ratio, so it must be the face's
own and not its picture's. A camera of known focal length shows it: the four corners fix the plane
of the face before the camera, and with it the true lengths of its sides up to one common factor
(Zhang, A flexible new technique for camera calibration, 2000, section 2: the columns of the
homography are the plane's axes). Ends out of square by the same angle do no harm, for the width is
taken at right angles to the length.

A tilt along the length shows in the long edges' converging; one across it only in the ends, by
which edge is the longer, and on a narrow face an end a little out of place makes much of that. So
that tilt is weighed with what is usual (the mean of two normal laws).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.camera import USUAL_FOCAL_35MM, camera_matrix
from grainscan.measure.lines import arc_length
from grainscan.measure.outline import FaceOutline

__all__ = ["Proportions", "proportions", "seen_length_over_width"]

USUAL_TILT = 0.26
"""Sine of the standard deviation of a hand-held camera's tilt, 15° (common practice, no source)."""

END_SIGMA = 0.001
"""Standard uncertainty of a corner along the face, as a share of its length: a pixel or three of a
photograph (no source)."""

OUT_OF_SQUARE = 0.05
"""Tangent of the standard deviation of how far the ends' directions differ, 3° (common practice, no
source)."""

SEEN_SIGMA = 0.03
"""Relative standard uncertainty of a ratio from the picture: a narrow face's width is a pixel or
two uncertain, its arrises are worn (our own estimate, no source)."""

WRITTEN_SIGMA = 0.01
"""The same of a ratio written down: a rule is read to half a millimetre (no source)."""

MOST_MISFIT = 0.2
"""Relative difference of both beyond which they do not speak of the same face: six of the larger
uncertainties (no source)."""


@dataclass(frozen=True, slots=True)
class Proportions:
    """``length_over_width``, its relative standard uncertainty, and what to tell the user."""

    length_over_width: float
    relative_sigma: float
    note: str | None


def proportions(
    outline: FaceOutline,
    shape: tuple[int, ...],
    *,
    focal_35mm: float | None = None,
    written: float | None = None,
) -> Proportions:
    """The proportions of the outlined face in a photograph of ``shape`` (M, N, …).

    ``written``: length over width as written down (or by a card); it counts unless the face runs
    out of the picture, or the picture contradicts it.
    """
    seen = seen_length_over_width(
        outline, shape, focal_35mm=focal_35mm, ends_seen=not outline.touches_border
    )
    if written is None or outline.touches_border:
        return Proportions(seen, SEEN_SIGMA, None)
    misfit = abs(math.log(written / seen))
    if misfit <= MOST_MISFIT:
        return Proportions(written, WRITTEN_SIGMA, None)
    note = (
        f"by the sizes given this face is {written:.3g} times as long as wide, in the photograph "
        f"{seen:.3g} times: check the sizes, which face this is, and the outline drawn"
    )
    return Proportions(seen, max(SEEN_SIGMA, misfit / 2.0), note)


def seen_length_over_width(
    outline: FaceOutline,
    shape: tuple[int, ...],
    *,
    focal_35mm: float | None = None,
    ends_seen: bool = True,
) -> float:
    """Length along the axis over the width, the perspective taken out.

    ``ends_seen``: whether the outline's ends are the blank's own, and not where it was cut off.
    """
    import cv2

    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    plane = cv2.getPerspectiveTransform(square, outline.corners_px.astype(np.float32))
    camera = camera_matrix(shape, focal_35mm or USUAL_FOCAL_35MM)
    axes = np.linalg.solve(camera, np.asarray(plane, np.float64))
    along, across = axes[:, 0], axes[:, 1]
    width = across - along * (across @ along) / (along @ along)
    # A unit is the distance to the plane; the third axis is the depth, the tilt's own part.
    in_picture = float(np.hypot(width[0], width[1]))
    told = _told_by_ends(float(np.linalg.norm(along)), in_picture) if ends_seen else 0.0
    chord = float(np.linalg.norm(along) / np.hypot(in_picture, told * width[2]))
    return chord * _bent(outline.top_edge_px, outline.bottom_edge_px)


def _told_by_ends(length: float, width: float) -> float:
    """What share of the tilt across the face that its ends show is believed, 0 to 1.

    ``length``, ``width``: as seen from a distance of one. A tilt of sine s makes the nearer edge
    longer than the other by the share s · width.
    """
    sigma = np.hypot(2.0 * END_SIGMA, OUT_OF_SQUARE * width / length) / width
    return float(USUAL_TILT**2 / (USUAL_TILT**2 + sigma**2))


def _bent(top: npt.NDArray[np.float64], bottom: npt.NDArray[np.float64]) -> float:
    """Length of the bent axis over that of its chord."""
    axis = (top + bottom) / 2.0
    return float(arc_length(axis) / np.linalg.norm(axis[-1] - axis[0]))
