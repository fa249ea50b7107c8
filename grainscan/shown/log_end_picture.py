"""A log's end with what was found on it: outline, pith, rings, and the blanks laid out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from grainscan.measure.log_end import LogEnd
from grainscan.shown.drawing import BLUE, DARK, PALE, RUST, Canvas, backdrop
from grainscan.workshop.billets import BilletLayout

__all__ = ["draw_log_end"]


def draw_log_end(
    pixels: NDArray[np.uint8], end: LogEnd, layout: BilletLayout | None = None
) -> NDArray[np.uint8]:
    """The photograph ``pixels`` (M, N, 3) uint8 with outline, pith, rings and blanks on it.

    Returns (M, N, 3) uint8, 1600 pixels wide at most.
    """
    height, width = pixels.shape[:2]
    canvas = Canvas(backdrop(pixels, (0, 0, width, height), wide=1600), units_across=900)
    canvas.line(end.wood_px, PALE, DARK, width=1.6, closed=True)
    if end.pith_px is None:
        return canvas.finished()
    if layout is None:
        _draw_rings(canvas, end)
    else:
        _draw_layout(canvas, end, layout)
    x, y = end.pith_px
    arm = 0.03 * end.radius_px
    for line in ([(x - arm, y), (x + arm, y)], [(x, y - arm), (x, y + arm)]):
        canvas.line(line, RUST, PALE, width=2.0)
    return canvas.finished()


def _draw_rings(canvas: Canvas, end: LogEnd) -> None:
    """A short stroke across each radius at each ring boundary."""
    assert end.pith_px is not None
    for radius in end.radii:
        edge = np.array(_edge_towards(end, radius.direction_deg))
        pith = np.array(end.pith_px)
        along = edge - pith
        across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
        for share in radius.shares:
            at = pith + share * along
            half = 0.02 * end.radius_px * across
            canvas.line([tuple(at - half), tuple(at + half)], BLUE, PALE, width=1.0)


def _edge_towards(end: LogEnd, direction_deg: float) -> tuple[float, float]:
    """The point of the wood's edge in a direction from the pith."""
    assert end.pith_px is not None
    points = np.array(end.wood_px)
    turn = np.degrees(np.arctan2(end.pith_px[1] - points[:, 1], points[:, 0] - end.pith_px[0]))
    apart = np.abs((turn - direction_deg + 180.0) % 360.0 - 180.0)
    x, y = points[int(np.argmin(apart))]
    return float(x), float(y)


def _draw_layout(canvas: Canvas, end: LogEnd, layout: BilletLayout) -> None:
    assert end.pith_px is not None
    scale = end.mm_per_px
    assert scale is not None
    x0, y0 = end.pith_px
    for k in range(layout.wedges):
        split = layout.first_split_deg + k * 360.0 / layout.wedges
        canvas.line([end.pith_px, _edge_towards(end, split)], RUST, PALE, width=2.0)
    for billet in layout.billets:
        corners = [(x0 + x / scale, y0 - y / scale) for x, y in billet.corners_mm]
        canvas.line(corners, BLUE, PALE, width=1.6, closed=True)
        centre = np.mean(canvas.drawn(corners), axis=0)
        side = math.dist(*canvas.drawn(corners)[:2])
        # A number must leave its blank to be seen.
        if side > 30 * canvas.unit:
            canvas.label(str(billet.number), (float(centre[0]), float(centre[1])))
