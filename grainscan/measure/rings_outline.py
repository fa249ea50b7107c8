"""Find a blank's end in its photograph: four corners to a fraction of a pixel.

Three steps, each on the evidence of this picture alone. A rough region comes from colour and
texture: what the picture's border shows is background, what its middle shows is wood (graph
cut, C. Rother et al., "GrabCut", ACM Trans. Graphics 23, 2004). Then each side is looked for as
a straight line, from the middle outwards, as the first one beyond which the picture no longer
looks like this end: the blank's own side faces, seen behind the end in perspective, lie beyond
such a line. Last, each line is fitted through many small edge profiles, outliers (splinters)
given little weight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.rings_edges import refine_sides
from grainscan.measure.rings_region import lab_colours, rough_quad
from grainscan.measure.rings_sides import FAR, NEAR, sides_in_frame

__all__ = ["EndOutline", "find_end_outline"]

Points = npt.NDArray[np.float64]

LEAST_RATIO = 0.12
"""Sections thinner than this (short over long side) are not looked for; a slat is about 0.25."""

LEAST_PICTURE_PX = 64
"""Pictures smaller than this (shorter side) hold no end that could be read."""

MOST_PICTURE_RATIO = 6.0
"""Nor do strips longer than this many times their width: a camera's picture is 2 at most."""

WORK_SIDE_PX = 1600
"""Longest side of the reduced picture on which the sides are refined."""


@dataclass(frozen=True, slots=True)
class EndOutline:
    """The end's corners on the photograph.

    ``corners_px`` (4, 2) float64: x, y of left-top, right-top, right-bottom, left-bottom.
    ``confidence``: 0 to 1, the smallest share of a side along which a clear edge was seen.
    ``edge_rms_px``: scatter of the edge about its straight sides, in pixels of the photograph.
    """

    corners_px: Points
    confidence: float
    edge_rms_px: float


def find_end_outline(pixels: npt.NDArray[np.uint8], *, aspect: float | None = None) -> EndOutline:
    """Four corners of the end shown near the middle of the photograph.

    ``pixels`` (M, N, 3) uint8 RGB. ``aspect``: height over width of the section where known.
    Raises :class:`BlankNotFoundError` where no end, or more than one, can be told from the
    background.
    """
    import cv2

    short, long = sorted(pixels.shape[:2])
    if short < LEAST_PICTURE_PX or long > MOST_PICTURE_RATIO * short:
        raise BlankNotFoundError(
            f"this picture of {pixels.shape[1]} × {pixels.shape[0]} pixels is too small or too "
            "narrow to show an end: photograph the whole end"
        )
    factor = max(1.0, max(pixels.shape[:2]) / WORK_SIDE_PX)
    size = (round(pixels.shape[1] / factor), round(pixels.shape[0] / factor))
    work = pixels
    if factor > 1:
        work = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    scale = np.array([pixels.shape[1] / work.shape[1], pixels.shape[0] / work.shape[0]])
    lab = lab_colours(work)
    rough, wood = rough_quad(work)
    quad = sides_in_frame(lab, rough, wood, aspect, FAR)
    quad = sides_in_frame(lab, quad, wood, aspect, NEAR)
    quad, support, rms = refine_sides(lab, quad)
    _check_shape(quad, work.shape[:2], support, aspect)
    # Pixel centres lie at integers: a reduced pixel's centre is the middle of its block.
    corners = (quad + 0.5) * scale - 0.5
    return EndOutline(corners, float(support.min()), float(rms * scale.mean()))


def _check_shape(
    quad: Points,
    shape: tuple[int, int],
    support: npt.NDArray[np.float64],
    aspect: float | None,
) -> None:
    """Refuse what cannot be a section: folded, thin, leaving the picture, or with no edges."""
    sides = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
    turns = np.roll(quad, -1, axis=0) - quad
    cross = turns[:, 0] * np.roll(turns[:, 1], -1) - turns[:, 1] * np.roll(turns[:, 0], -1)
    height, width = shape
    margin = 0.02 * max(shape)
    outside = (
        (quad < -margin).any()
        or (quad[:, 0] > width - 1 + margin).any()
        or (quad[:, 1] > height - 1 + margin).any()
    )
    if (cross <= 0).any() or sides.min() < LEAST_RATIO * sides.max():
        raise BlankNotFoundError(
            "no four-sided end can be made out: photograph the end squarely on a plain background"
        )
    if outside:
        raise BlankNotFoundError(
            "the end is cut off by the edge of the photograph: step back until all of it shows"
        )
    if support.min() < 0.2:
        raise BlankNotFoundError(
            "one side of the end cannot be told from the background: use a plain background of "
            "another colour and even light"
        )
