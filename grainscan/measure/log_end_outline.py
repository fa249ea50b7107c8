"""The outline of the wood on a log's end, under the bark.

The end is laid out by direction and distance round the middle of the region that stands out of
the background. The bark's outer side and the wood's own edge are closed lines along which the
colour changes; each is the one of greatest total change (dynamic programming). Bark is darker
than the wood inside it; a paler band inside the outermost line is sapwood, and not bark.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.log_end_edge import placed_edge
from grainscan.measure.rings_region import lab_colours, wood_region

__all__ = ["LogOutline", "find_log_outline"]

FloatArray = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

WORK_PX = 900
DIRECTIONS = 360
RADII = 260
REACH = (0.55, 1.3)
"""Distances looked at, against the region's own equal-area radius."""

LEAST_RADIUS_PX = 60.0
"""A smaller region, on the reduced picture, is no log that could be read."""

MOST_ALONG_BORDER = 0.4
"""A round region cut by a twentieth of its diameter lies along the border for 0.44 of it; one
that keeps clear of the border by 3 % of the picture, for 0.3 within the rim looked at."""

NOT_WHOLE = (
    "no whole log's end stands out in this photograph: photograph it squarely, all of it, filling "
    "about two thirds of the picture, before a plain background"
)

LEAST_STEP = 4.0
"""Typical colour change (CIE units over a hundredth of the radius) of a line that is one."""

MOST_BARK = 0.22
"""Bark thicker than this share of the radius is not looked for."""

DARKER = 6.0
"""L* by which bark is darker than the wood just inside it."""


@dataclass(frozen=True, slots=True)
class LogOutline:
    """``wood_px`` (K, 2): the wood's edge under the bark, counter-clockwise from the right, in
    pixels of the photograph; ``outer_px`` (K, 2): the bark's outer side, None for a peeled log.
    ``centre_px``, ``radius_px``: the circle fitted to the wood's edge. ``edge_error_px``: how far
    the wood's edge may lie from ``wood_px`` (95 % of directions).
    """

    wood_px: Points
    outer_px: Points | None
    centre_px: tuple[float, float]
    radius_px: float
    edge_error_px: float


def find_log_outline(pixels: npt.NDArray[np.uint8]) -> LogOutline:
    """The wood's outline on a photograph of a log's end, filling about half of it.

    ``pixels`` (M, N, 3) uint8 RGB. Raises :class:`BlankNotFoundError` where no log's end can be
    told from its background or it is cut off by the photograph's border.
    """
    import cv2

    factor = max(1.0, max(pixels.shape[:2]) / WORK_PX)
    size = (round(pixels.shape[1] / factor), round(pixels.shape[0] / factor))
    work = pixels
    if factor > 1:
        work = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    scale = np.array([pixels.shape[1] / size[0], pixels.shape[0] / size[1]])
    region = wood_region(work)
    rows, columns = np.nonzero(region > 0.5)
    middle = np.array([columns.mean(), rows.mean()])
    radius = float(np.sqrt(len(rows) / np.pi))
    if radius < LEAST_RADIUS_PX or _along_border(region) > MOST_ALONG_BORDER * 2 * radius:
        raise BlankNotFoundError(NOT_WHOLE)
    polar, distance = _polar(lab_colours(work), middle, radius)
    wood, outer = _lines(polar, distance / radius)
    turn = np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS

    def on_photo(row: npt.NDArray[np.intp]) -> Points:
        r = distance[row]
        points = middle + np.stack([r * np.cos(turn), -r * np.sin(turn)], axis=1)
        return np.asarray((points + 0.5) * scale - 0.5, np.float64)

    wood_px = on_photo(wood)
    if _cut_off(wood_px, pixels.shape[1::-1]):
        raise BlankNotFoundError(NOT_WHOLE)
    wood_px, error = placed_edge(pixels, wood_px, (middle + 0.5) * scale - 0.5, float(scale.mean()))
    centre, fitted = fit_circle(wood_px)
    bark = None if outer is None else on_photo(outer)
    return LogOutline(wood_px, bark, centre, fitted, error)


def fit_circle(points: Points) -> tuple[tuple[float, float], float]:
    """Least-squares circle through points (K, 2): centre and radius (I. Kåsa, IEEE Trans.
    Instrum. Meas. 25, 1976).
    """
    A = np.column_stack([2 * points, np.ones(len(points))])
    x, y, c = np.linalg.lstsq(A, (points**2).sum(axis=1), rcond=None)[0]
    return (float(x), float(y)), float(np.sqrt(c + x * x + y * y))


def _along_border(region: FloatArray) -> float:
    """Longest stretch, in pixels, over which the region lies along the photograph's border."""
    inside = region > 0.5
    # The graph cut holds 3 % at the border for background.
    rim = max(3, round(0.05 * min(region.shape)))
    sides = [
        inside[:rim].any(axis=0),
        inside[-rim:].any(axis=0),
        inside[:, :rim].any(axis=1),
        inside[:, -rim:].any(axis=1),
    ]
    return float(max(np.sum(side) for side in sides))


def _cut_off(wood_px: Points, size: tuple[int, int]) -> bool:
    """Whether the wood's edge leaves the photograph."""
    margin = 0.01 * max(size)
    outside = (wood_px < margin).any(axis=1) | (wood_px > np.array(size) - margin).any(axis=1)
    return bool(outside.mean() > 0.02)


def _polar(
    lab: FloatArray, middle: Points, radius: float
) -> tuple[FloatArray, npt.NDArray[np.float64]]:
    """Colours by distance (rows) and direction (columns, counter-clockwise)."""
    import cv2

    distance = np.linspace(*REACH, RADII) * radius
    turn = np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS
    x = middle[0] + distance[:, None] * np.cos(turn)
    y = middle[1] - distance[:, None] * np.sin(turn)
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.0)
    colours = cv2.remap(
        smooth,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(colours, np.float32), distance


def _lines(
    polar: FloatArray, share: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp] | None]:
    """Rows of the wood's edge and of the bark's outer side (None for a peeled log)."""
    import cv2

    # Neighbouring directions share their colours, so that pores and fissures weigh little.
    wide = np.concatenate([polar[:, -6:], polar, polar[:, :6]], axis=1)
    even = np.asarray(cv2.blur(wide, (7, 1))[:, 6:-6], np.float32)
    near = max(3, round(0.02 / float(share[1] - share[0])))
    below = cv2.blur(even, (1, near), anchor=(0, near - 1), borderType=cv2.BORDER_REPLICATE)
    above = cv2.blur(even, (1, near), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)
    step = np.sqrt(((above - below) ** 2).sum(axis=2)).astype(np.float32)
    first = closed_path(step)
    if float(np.median(_along(step, first))) < LEAST_STEP:
        raise BlankNotFoundError(
            "the log's edge cannot be told from what lies behind it: photograph it before a plain "
            "background of another colour"
        )
    # A second line, clear of the first, within the thickness of bark.
    away = np.abs(np.arange(len(share))[:, None] - first[None, :]) * (share[1] - share[0])
    other = closed_path(np.where((away < 0.02) | (away > MOST_BARK), -5.0, step).astype(np.float32))
    if float(np.median(_along(step, other))) < LEAST_STEP:
        return first, None
    # Either line may go over from the bark's inner side to its outer one where bark is thin.
    inner, outer = np.minimum(first, other), np.maximum(first, other)
    if _darker(even, inner, outer, near):
        return _close_to(inner, step, near), _close_to(outer, step, near)
    inner, outer = (first, other) if np.mean(first) < np.mean(other) else (other, first)
    return first if first is outer or _darker_than_wood(even, first, near) else outer, None


def _close_to(line: npt.NDArray[np.intp], step: FloatArray, near: int) -> npt.NDArray[np.intp]:
    """The closed line of greatest change within ``near`` rows of another."""
    away = np.abs(np.arange(len(step))[:, None] - line[None, :])
    return closed_path(np.where(away > near, -5.0, step).astype(np.float32))


def _along(values: FloatArray, rows: npt.NDArray[np.intp]) -> FloatArray:
    return np.asarray(values[rows, np.arange(values.shape[1])])


def _darker(
    even: FloatArray, inner: npt.NDArray[np.intp], outer: npt.NDArray[np.intp], near: int
) -> bool:
    """Whether the band between two lines is darker than the wood inside the inner one."""
    tone = even[..., 0]
    inside = _along(tone, np.maximum(inner - near, 0))
    band = _along(tone, (inner + outer) // 2)
    return float(np.median(inside - band)) > DARKER


def _darker_than_wood(even: FloatArray, line: npt.NDArray[np.intp], near: int) -> bool:
    tone = even[..., 0]
    beyond = _along(tone, np.minimum(line + near, len(tone) - 1))
    return float(np.median(_along(tone, np.maximum(line - near, 0)) - beyond)) > DARKER


def closed_path(score: FloatArray, most: int = 2) -> npt.NDArray[np.intp]:
    """Row per column of the closed line with greatest total score.

    ``score`` (R, C); neighbouring columns differ by ``most`` rows at most. Run twice round, so
    that start and end meet (dynamic programming).
    """
    rows, columns = score.shape
    twice = np.concatenate([score, score], axis=1)
    total = twice[:, 0].astype(np.float64)
    come = np.zeros((rows, 2 * columns), np.intp)
    moves = np.arange(-most, most + 1)
    index = np.arange(rows)
    for c in range(1, 2 * columns):
        source = np.clip(index[None, :] + moves[:, None], 0, rows - 1)
        value = total[source] - 0.15 * np.abs(moves)[:, None]
        best = value.argmax(axis=0)
        come[:, c] = source[best, index]
        total = value[best, index] + twice[:, c]
    path = np.zeros(2 * columns, np.intp)
    path[-1] = int(total.argmax())
    for c in range(2 * columns - 1, 0, -1):
        path[c - 1] = come[path[c], c]
    # The middle stretch is free of both loose ends.
    half = columns // 2
    return np.roll(path[half : half + columns], half)
