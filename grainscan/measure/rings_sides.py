"""The end's four sides as straight lines in a square-on frame, told by what lies either side.

Beyond a side of the end the picture no longer looks like this end: the blank's own side faces,
seen behind it in perspective, lie beyond such a line, and so does the background.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.medians import median, medians

__all__ = ["FAR", "NEAR", "Search", "line_scores", "meet", "sides_in_frame"]

FloatArray = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

FRAME_PX = 240
"""Side of the rough square-on frame in which the four sides are looked for."""

UNLIKE = 1.5
"""A strip differing from the end by this many times what the end's own strips do is doubted."""

LEAN_SPREAD_DEG = 3.0
"""Opposite sides of a riven or sawn section, seen about squarely, are parallel to within this."""

BARE = 25.0
"""Penalty (nats) for a section whose sides all run over bare background; a side face seen in
perspective is a slanted strip, so a line along its far edge does so in part."""

ASPECT_SPREAD = 0.06
"""A section's stated height over width holds to within this share (tilt, rough sizes)."""


@dataclass(frozen=True, slots=True)
class Search:
    """How far sides are looked for: the frame reaches ``margin`` beyond the start (a share of its
    side), lines are tried down to ``reach`` of the frame and up to ``tilt`` (rise over 0.6 of the
    frame's side, as a share of the side).
    """

    margin: float
    reach: float
    tilt: float


FAR = Search(margin=0.12, reach=0.46, tilt=0.1)
NEAR = Search(margin=0.06, reach=0.16, tilt=0.03)


def _frame_to_picture(quad: Points, margin: float, side: int) -> npt.NDArray[np.float64]:
    """Homography from the rough frame's pixels to the picture's."""
    import cv2

    low, high = margin / (1 + 2 * margin) * side, (1 + margin) / (1 + 2 * margin) * side
    frame = np.array([[low, low], [high, low], [high, high], [low, high]]) - 0.5
    return np.asarray(
        cv2.getPerspectiveTransform(frame.astype(np.float32), quad.astype(np.float32)), np.float64
    )


def _map(transform: npt.NDArray[np.float64], points: Points) -> Points:
    full = np.column_stack([points, np.ones(len(points))]) @ transform.T
    return np.asarray(full[:, :2] / full[:, 2:], dtype=np.float64)


def sides_in_frame(
    lab: FloatArray, rough: Points, wood: FloatArray, aspect: float | None, search: Search
) -> Points:
    """Look for the four sides as straight lines in a rough square-on frame."""
    import cv2

    to_picture = _frame_to_picture(rough, search.margin, FRAME_PX)
    span = np.hypot(*(rough[1] - rough[0])) / FRAME_PX
    softened = cv2.GaussianBlur(lab, (0, 0), max(0.5 * span, 0.3))
    frame = cv2.warpPerspective(
        softened,
        to_picture,
        (FRAME_PX, FRAME_PX),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    # Each side is found as a top side of the frame turned by quarter turns.
    sides = [_top_lines(np.ascontiguousarray(np.rot90(frame, k)), search) for k in range(4)]
    for turns, side in enumerate(sides):
        for line in side:
            line.ends = _turn_back(line.ends, turns, FRAME_PX)
    return _best_quad(sides, to_picture, wood, aspect)


@dataclass(slots=True)
class _Line:
    """A candidate side: two points (x, y) in the frame and the evidence for it (nats)."""

    ends: Points
    evidence: float


def _best_quad(
    sides: list[list[_Line]],
    to_picture: npt.NDArray[np.float64],
    wood: FloatArray,
    aspect: float | None,
) -> Points:
    """The four lines with most evidence that also make a section: opposite sides parallel."""
    best: tuple[float, Points | None] = (-np.inf, None)
    for top, right, bottom, left in itertools.product(*sides):
        total = top.evidence + right.evidence + bottom.evidence + left.evidence
        total -= _lean_apart(top.ends, bottom.ends) + _lean_apart(left.ends, right.ends)
        if total <= best[0]:
            continue
        corners = [
            meet(left.ends, top.ends),
            meet(top.ends, right.ends),
            meet(right.ends, bottom.ends),
            meet(bottom.ends, left.ends),
        ]
        quad = _map(to_picture, np.array(corners))
        if aspect is not None:
            length = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
            shape = float((length[1] + length[3]) / (length[0] + length[2]))
            total -= 0.5 * (np.log(shape / aspect) / ASPECT_SPREAD) ** 2
        if total > best[0]:
            total -= BARE * _bare_share(quad, wood)
        if total > best[0]:
            best = (total, quad)
    if best[1] is None:
        raise BlankNotFoundError(
            "the end's sides cannot be told apart: photograph the end squarely on a plain ground"
        )
    return best[1]


def _bare_share(quad: Points, wood: FloatArray) -> float:
    """Share of a line just inside the quadrilateral's sides that is not wood."""
    centre = quad.mean(axis=0)
    inner = centre + 0.97 * (quad - centre)
    share = np.linspace(0.02, 0.98, 25)[:, None]
    points = np.concatenate([inner[i] + share * (inner[(i + 1) % 4] - inner[i]) for i in range(4)])
    column = np.clip(np.rint(points[:, 0]).astype(int), 0, wood.shape[1] - 1)
    row = np.clip(np.rint(points[:, 1]).astype(int), 0, wood.shape[0] - 1)
    return float(np.mean(wood[row, column] < 0.5))


def _lean_apart(one: Points, two: Points) -> float:
    """Penalty (nats) for opposite sides that are not parallel."""
    d1, d2 = one[1] - one[0], two[1] - two[0]
    angle = np.arctan2(d1[0] * d2[1] - d1[1] * d2[0], d1 @ d2)
    apart = (angle + np.pi / 2) % np.pi - np.pi / 2
    return float(0.5 * (apart / np.radians(LEAN_SPREAD_DEG)) ** 2)


def _turn_back(ends: Points, turns: int, side: int) -> Points:
    """Undo ``np.rot90`` (counter-clockwise turns) for points (x, y)."""
    for _ in range(turns):
        ends = np.column_stack([side - 1 - ends[:, 1], ends[:, 0]])
    return ends


def meet(one: Points, two: Points) -> Points:
    """Where two lines, each through two points, meet."""
    d1, d2 = one[1] - one[0], two[1] - two[0]
    across = d1[0] * d2[1] - d1[1] * d2[0]
    if abs(across) < 1e-9:
        raise BlankNotFoundError(
            "the end's sides cannot be told apart: photograph the end squarely on a plain ground"
        )
    gap = two[0] - one[0]
    return np.asarray(one[0] + d1 * (gap[0] * d2[1] - gap[1] * d2[0]) / across)


def _top_lines(frame: FloatArray, search: Search) -> list[_Line]:
    """Candidates for the end's top side in the frame, the best few."""
    side = frame.shape[0]
    columns = np.arange(round(0.16 * side), round(0.84 * side), 3)
    step = _row_steps(frame)
    first = np.arange(4, round(search.reach * side))
    offsets = np.linspace(-search.tilt * side, search.tilt * side, 25)
    # Row of each candidate line (first row at the frame's middle, tilt) at each column.
    tilt = (columns - side / 2) / (side * 0.6)
    rows = first[:, None, None] + offsets[None, :, None] * tilt[None, None, :]
    rows = np.clip(np.rint(rows).astype(int), 0, side - 1)
    score = line_scores(step, rows, columns)
    best = score.argmax(axis=1)
    per_row = score[np.arange(len(first)), best]
    lines = []
    for peak in _peaks(per_row, 3):
        middle, lean = int(first[peak]), float(offsets[best[peak]])
        outside, inside = _unlike(frame, middle, lean)
        # A rim that looks a little different (bevel, splinters) is still the end's own.
        evidence = 9.0 * float(per_row[peak]) + _doubt(outside) - max(_doubt(inside), 0.0)
        left = middle + lean * (0 - side / 2) / (side * 0.6)
        right = middle + lean * (side - 1 - side / 2) / (side * 0.6)
        lines.append(_Line(np.array([[0.0, left], [side - 1.0, right]]), evidence))
    lines.sort(key=lambda line: -line.evidence)
    return lines[:5]


def _doubt(unlike: float) -> float:
    """Evidence (nats, bounded) that a strip is not this end, from how unlike it looks."""
    return float(np.clip(3.0 * np.log(max(unlike, 1e-3) / UNLIKE), -4.0, 4.0))


def _row_steps(frame: FloatArray) -> FloatArray:
    """Colour step across rows, (M, N, 3) float32, in CIE units over three rows."""
    import cv2

    kernel = np.array([-1, -2, -2, 0, 2, 2, 1], np.float32) / 5.0
    one = np.ones(1, np.float32)
    # Averaging a little along the row steadies the step against pores and splinters.
    down = cv2.sepFilter2D(frame, -1, one, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.blur(down, (5, 1)), np.float32)


def line_scores(
    step: FloatArray, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]
) -> FloatArray:
    """How continuous and clear each candidate line is, 0 to 1.

    ``step`` (M, N, 3): colour steps. ``rows`` (first rows, tilts, samples), ``columns`` (samples,):
    where each line is sampled. A side of the end changes colour the same way along its whole
    length; a check, a pore row or a stain's edge does so only along part of it.
    """
    channels = np.ascontiguousarray(step.transpose(2, 0, 1))
    usual = median(np.sqrt(np.square(channels).sum(axis=0))) + 0.5
    # Channels first and samples last: each line's samples lie in a row in memory.
    values = channels.reshape(3, -1).take(rows * step.shape[1] + columns, axis=1)
    typical = medians(values, 3)
    size = np.sqrt(np.square(typical).sum(axis=0)) + 1e-6
    along = (values * (typical / size)[..., None]).sum(axis=0)
    same_way = (along > 0.35 * size[..., None]).mean(axis=2)
    # Against a background of many colours the step changes its colour along the side, not its
    # presence.
    strength = np.sqrt(np.square(values).sum(axis=0))
    middling = medians(strength, 2)
    present = (strength > np.maximum(0.4 * middling, 1.5 * usual)[..., None]).mean(axis=2)
    # No part saturates: among neighbouring rows and tilts the one right on the edge must win.
    one = np.clip((same_way - 0.5) / 0.5, 0.0, 1.0) * size / (size + 1.5 * usual)
    two = np.clip((present - 0.6) / 0.4, 0.0, 1.0) * middling / (middling + 2.5 * usual)
    return np.asarray(np.maximum(one, two), np.float32)


def _peaks(values: npt.NDArray[np.floating], apart: int) -> npt.NDArray[np.intp]:
    """Local maxima at least ``apart`` steps apart, in order."""
    from scipy.ndimage import maximum_filter1d

    found = np.flatnonzero(values >= maximum_filter1d(values, 2 * apart + 1))
    return found if found.size else np.array([int(values.argmax())])


def _line_strips(frame: FloatArray, middle: float, lean: float) -> FloatArray:
    """The frame resampled so that the line is horizontal: (rows, columns, 3), row 0 at the top."""
    import cv2

    side = frame.shape[0]
    shear = lean / (side * 0.6)
    move = np.array([[1, 0, 0], [shear, 1, -shear * side / 2]], np.float32)
    return np.asarray(
        cv2.warpAffine(
            frame,
            move,
            (side, side),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _unlike(frame: FloatArray, middle: int, lean: float) -> tuple[float, float]:
    """How much the strips just outside and just inside a line differ from the end further in.

    In units of the largest difference among such strips of the end itself (mean colour and
    texture): well above 1, a strip is something else than this end. Outside, the likest of
    three strips in a row counts: the end does not begin again further out.
    """
    side = frame.shape[0]
    thick = 8
    level = _line_strips(frame, middle, lean)[:, round(0.2 * side) : round(0.8 * side)]
    looks = _looks(level, thick)
    known = looks[middle + thick + 2 : round(0.66 * side) : thick // 2]
    centre = medians(known, 0)
    floor = np.array([2.0, 1.0, 1.0, 0.15, 0.15])
    spread = np.quantile(np.abs(known - centre), 0.9, axis=0) + floor
    apart = np.max(np.abs(looks - centre) / spread, axis=1)
    first = middle - thick - 1
    outside = [apart[row] for row in (first, first - thick, first - 2 * thick) if row >= 0]
    return float(min(outside, default=apart[0])), float(apart[middle + 4])


def _row_means(picture: npt.NDArray[Any]) -> Points:
    """Mean of each row, (M, channels)."""
    import cv2

    mean = cv2.reduce(picture, 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
    return np.asarray(mean, dtype=np.float64).reshape(len(picture), -1)


def _looks(level: FloatArray, thick: int) -> Points:
    """Looks of all strips of ``thick`` rows, by first row: (rows, 5).

    Mean L*, a*, b*, and the log strength of the fine texture along and across the rows.
    """
    import cv2

    lightness = np.ascontiguousarray(level[..., 0])
    along = _row_means(cv2.absdiff(lightness[:, 1:], lightness[:, :-1]))
    across = np.zeros_like(along)
    across[:-1] = _row_means(cv2.absdiff(lightness[1:], lightness[:-1]))
    each = np.column_stack([_row_means(level), along, across])
    total = np.concatenate([np.zeros((1, 5)), np.cumsum(each, axis=0)])
    mean = (total[thick:] - total[:-thick]) / thick
    # The step across rows is not taken over the strip's last row, which borders the next strip.
    mean[:, 4] = (total[thick - 1 : -1, 4] - total[:-thick, 4]) / (thick - 1)
    mean[:, 3:] = np.log(np.maximum(mean[:, 3:], 0.0) + 0.1)
    return np.asarray(mean, np.float64)
