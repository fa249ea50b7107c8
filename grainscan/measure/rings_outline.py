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

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError

__all__ = ["EndOutline", "find_end_outline"]

FloatArray = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

ROUGH_SIDE_PX = 200
"""Longest side of the reduced picture on which the region is cut; enough for a rough quad."""

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

LEAST_RATIO = 0.12
"""Sections thinner than this (short over long side) are not looked for; a slat is about 0.25."""

WORK_SIDE_PX = 1600
"""Longest side of the reduced picture on which the sides are refined."""


@dataclass(frozen=True, slots=True)
class _Search:
    """How far sides are looked for: the frame reaches ``margin`` beyond the start (a share of its
    side), lines are tried down to ``reach`` of the frame and up to ``tilt`` (rise over 0.6 of the
    frame's side, as a share of the side).
    """

    margin: float
    reach: float
    tilt: float


FAR = _Search(margin=0.12, reach=0.46, tilt=0.1)
NEAR = _Search(margin=0.06, reach=0.16, tilt=0.03)


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

    factor = max(1.0, max(pixels.shape[:2]) / WORK_SIDE_PX)
    size = (round(pixels.shape[1] / factor), round(pixels.shape[0] / factor))
    work = pixels
    if factor > 1:
        work = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    scale = np.array([pixels.shape[1] / work.shape[1], pixels.shape[0] / work.shape[0]])
    lab = _lab(work)
    rough, wood = _rough_quad(work)
    quad = _sides_in_frame(lab, rough, wood, aspect, FAR)
    quad = _sides_in_frame(lab, quad, wood, aspect, NEAR)
    quad, support, rms = _refine(lab, quad)
    _check_shape(quad, work.shape[:2], support, aspect)
    # Pixel centres lie at integers: a reduced pixel's centre is the middle of its block.
    corners = (quad + 0.5) * scale - 0.5
    return EndOutline(corners, float(support.min()), float(rms * scale.mean()))


def _lab(picture: npt.NDArray[np.uint8]) -> FloatArray:
    """CIE L*a*b*, (M, N, 3) float32: equal steps look about equally different."""
    import cv2

    return np.asarray(
        cv2.cvtColor(picture.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB), np.float32
    )


def _rough_quad(work: npt.NDArray[np.uint8]) -> tuple[Points, FloatArray]:
    """Rotated rectangle round the wood, from a graph cut at low resolution; and its mask."""
    import cv2

    factor = max(work.shape[:2]) / ROUGH_SIDE_PX
    size = (round(work.shape[1] / factor), round(work.shape[0] / factor))
    small = cv2.resize(work, size, interpolation=cv2.INTER_AREA)
    mask = _grab(np.asarray(cv2.medianBlur(small, 3), np.uint8), _sharpness(work, size))
    count, labels, stats, centres = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        raise BlankNotFoundError(
            "no end of a blank stands out in the middle of this photograph: photograph the end "
            "squarely, filling about half the picture, on a plain background of another colour"
        )
    middle = np.array([mask.shape[1], mask.shape[0]]) / 2
    areas = stats[1:, cv2.CC_STAT_AREA].astype(float)
    away = np.hypot(*(centres[1:] - middle).T) / np.hypot(*middle)
    main = 1 + int(np.argmax(areas * np.exp(-((away / 0.5) ** 2))))
    _refuse_two(areas, main, mask.size)
    region = (labels == main).astype(np.uint8)
    contour = max(
        cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=cv2.contourArea
    )
    box = np.asarray(cv2.boxPoints(cv2.minAreaRect(contour)), dtype=np.float64)
    wood = cv2.resize(region.astype(np.float32), work.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return _ordered((box + 0.5) * factor - 0.5), np.asarray(wood, np.float32)


def _refuse_two(areas: npt.NDArray[np.float64], main: int, picture_area: int) -> None:
    largest = areas[main - 1]
    others = np.delete(areas, main - 1)
    if others.size and others.max() > 0.35 * largest:
        raise BlankNotFoundError(
            "more than one piece stands out in this photograph: photograph one end alone"
        )
    if largest < 0.01 * picture_area:
        raise BlankNotFoundError(
            "the end is too small in this photograph: move closer until it fills about half of it"
        )


def _grab(small: npt.NDArray[np.uint8], sharp: FloatArray) -> npt.NDArray[np.uint8]:
    """Mask (0/1) of the wood: graph cut seeded by the border (not wood) and the middle."""
    import cv2

    height, width = small.shape[:2]
    lab = _lab(small)
    border = np.zeros((height, width), bool)
    rim = max(2, round(0.03 * min(height, width)))
    border[:rim], border[-rim:], border[:, :rim], border[:, -rim:] = True, True, True, True
    rows, columns = np.mgrid[:height, :width]
    reach = np.hypot((columns - width / 2) / width, (rows - height / 2) / width)
    middle = reach < 0.09
    ratio = _log_density(lab, lab[middle]) - _log_density(lab, lab[border])
    ratio += _sharp_ratio(sharp, middle, border)
    likelier = np.asarray(cv2.GaussianBlur(ratio.astype(np.float32), (0, 0), 2.0))
    mask = np.where(likelier > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    mask[middle] = cv2.GC_PR_FGD
    mask[border] = cv2.GC_BGD
    mask[reach < 0.03] = cv2.GC_FGD
    cv2.setRNGSeed(0)
    # The rectangle is not used when the cut starts from a mask.
    back, front = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(small, mask, (0, 0, 1, 1), back, front, 4, cv2.GC_INIT_WITH_MASK)
    wood = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    closed = cv2.morphologyEx(wood, cv2.MORPH_CLOSE, kernel)
    return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, kernel), np.uint8)


def _sharpness(work: npt.NDArray[np.uint8], size: tuple[int, int]) -> FloatArray:
    """Log of the finest detail's strength, on the reduced picture: the end is in focus, what
    lies behind it less so.
    """
    import cv2

    grey = cv2.cvtColor(work, cv2.COLOR_RGB2GRAY).astype(np.float32)
    detail = np.abs(grey - cv2.GaussianBlur(grey, (0, 0), 1.5))
    local = cv2.resize(detail.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(np.log(cv2.GaussianBlur(local, (0, 0), 2.0) + 0.3), np.float32)


def _sharp_ratio(
    sharp: FloatArray, middle: npt.NDArray[np.bool_], border: npt.NDArray[np.bool_]
) -> FloatArray:
    """Log-likelihood ratio of the middle's sharpness against the border's (normal laws)."""
    one, two = sharp[middle], sharp[border]
    a, b = float(np.median(one)), float(np.median(two))
    u = max(1.4826 * float(np.median(np.abs(one - a))), 0.25)
    v = max(1.4826 * float(np.median(np.abs(two - b))), 0.25)
    ratio = 0.5 * ((sharp - b) / v) ** 2 - 0.5 * ((sharp - a) / u) ** 2 + np.log(v / u)
    return np.asarray(np.clip(ratio, -3.0, 3.0), np.float32)


def _log_density(lab: FloatArray, sample: FloatArray) -> FloatArray:
    """Log of a smoothed colour histogram of ``sample``, looked up for each pixel of ``lab``."""
    from scipy.ndimage import gaussian_filter

    edges = [np.linspace(0, 100, 26), np.linspace(-50, 50, 26), np.linspace(-50, 70, 31)]
    counts, _ = np.histogramdd(sample.reshape(-1, 3), bins=edges)
    density = gaussian_filter(counts, 1.0) / max(counts.sum(), 1.0) + 1e-6
    index = tuple(
        np.clip(np.digitize(lab[..., c], edges[c]) - 1, 0, len(edges[c]) - 2) for c in range(3)
    )
    return np.asarray(np.log(density[index]), np.float32)


def _ordered(box: Points) -> Points:
    """Corners as left-top, right-top, right-bottom, left-bottom for turns below 45°."""
    centre = box.mean(axis=0)
    angles = np.arctan2(box[:, 1] - centre[1], box[:, 0] - centre[0])
    ring = box[np.argsort(angles)]
    start = int(np.argmin(ring[:, 0] + ring[:, 1]))
    best, tilt = ring, np.inf
    for shift in (start - 1, start, start + 1):
        turned = np.roll(ring, -shift, axis=0)
        top = turned[1] - turned[0]
        now = abs(np.arctan2(top[1], top[0]))
        if now < tilt:
            best, tilt = turned, now
    return best


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


def _sides_in_frame(
    lab: FloatArray, rough: Points, wood: FloatArray, aspect: float | None, search: _Search
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
            _meet(left.ends, top.ends),
            _meet(top.ends, right.ends),
            _meet(right.ends, bottom.ends),
            _meet(bottom.ends, left.ends),
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


def _meet(one: Points, two: Points) -> Points:
    """Where two lines, each through two points, meet."""
    d1, d2 = one[1] - one[0], two[1] - two[0]
    across = d1[0] * d2[1] - d1[1] * d2[0]
    if abs(across) < 1e-9:
        raise BlankNotFoundError(
            "the end's sides cannot be told apart: photograph the end squarely on a plain ground"
        )
    gap = two[0] - one[0]
    return np.asarray(one[0] + d1 * (gap[0] * d2[1] - gap[1] * d2[0]) / across)


def _top_lines(frame: FloatArray, search: _Search) -> list[_Line]:
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
    score = _line_scores(step[rows, columns[None, None, :]], step)
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


def _line_scores(values: FloatArray, step: FloatArray) -> FloatArray:
    """How continuous and clear each candidate line is, 0 to 1.

    ``values`` (rows, tilts, samples, 3): the colour step at each sample. A side of the end
    changes colour the same way along its whole length; a check, a pore row or a stain's edge
    does so only along part of it.
    """
    usual = float(np.median(np.sqrt((step**2).sum(axis=2)))) + 0.5
    typical = np.median(values, axis=2)
    size = np.sqrt((typical**2).sum(axis=2)) + 1e-6
    along = np.einsum("rtsc,rtc->rts", values, typical / size[..., None])
    same_way = (along > 0.35 * size[..., None]).mean(axis=2)
    # Against a background of many colours the step changes its colour along the side, not its
    # presence.
    strength = np.sqrt((values**2).sum(axis=3))
    middling = np.median(strength, axis=2)
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
    centre = np.median(known, axis=0)
    floor = np.array([2.0, 1.0, 1.0, 0.15, 0.15])
    spread = np.quantile(np.abs(known - centre), 0.9, axis=0) + floor
    apart = np.max(np.abs(looks - centre) / spread, axis=1)
    first = middle - thick - 1
    outside = [apart[row] for row in (first, first - thick, first - 2 * thick) if row >= 0]
    return float(min(outside, default=apart[0])), float(apart[middle + 4])


def _looks(level: FloatArray, thick: int) -> Points:
    """Looks of all strips of ``thick`` rows, by first row: (rows, 5).

    Mean L*, a*, b*, and the log strength of the fine texture along and across the rows.
    """
    lightness = level[..., 0]
    along = np.abs(np.diff(lightness, axis=1)).mean(axis=1)
    across = np.abs(np.diff(lightness, axis=0, append=lightness[-1:])).mean(axis=1)
    each = np.column_stack([level.mean(axis=1), along, across]).astype(np.float64)
    total = np.concatenate([np.zeros((1, 5)), np.cumsum(each, axis=0)])
    mean = (total[thick:] - total[:-thick]) / thick
    # The step across rows is not taken over the strip's last row, which borders the next strip.
    mean[:, 4] = (total[thick - 1 : -1, 4] - total[:-thick, 4]) / (thick - 1)
    mean[:, 3:] = np.log(np.maximum(mean[:, 3:], 0.0) + 0.1)
    return np.asarray(mean, np.float64)


def _refine(lab: FloatArray, quad: Points) -> tuple[Points, Points, float]:
    """Fit each side through edge profiles; corners, share of clear edge per side, scatter."""
    lines = [_near_line(lab, quad[i], quad[(i + 1) % 4]) for i in range(4)]
    quad = np.array([_meet(lines[i - 1], lines[i]) for i in range(4)])
    support, scatter = np.zeros(4), np.zeros(4)
    for i in range(4):
        lines[i], support[i], scatter[i] = _fit_side(lab, quad[i], quad[(i + 1) % 4])
    quad = np.array([_meet(lines[i - 1], lines[i]) for i in range(4)])
    return quad, support, float(np.sqrt(np.mean(scatter**2)))


@dataclass(frozen=True, slots=True)
class _Side:
    """Colour changes across a side: (places, offsets, 3), inwards positive."""

    start: Points
    along: Points
    inward: Points
    places: Points
    offsets: Points
    change: FloatArray

    def line(self, fit: Points) -> Points:
        """Two points on the line at offset ``polyval(fit, place)``, at the side's ends."""
        ends = np.array([0.0, self.places[0] + self.places[-1]])
        return np.asarray(
            self.start + ends[:, None] * self.along + np.polyval(fit, ends)[:, None] * self.inward
        )


def _side(lab: FloatArray, start: Points, end: Points, reach: int) -> _Side:
    import cv2

    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    places = np.linspace(0.03, 0.97, 90) * length
    offsets = np.arange(-reach - 2, reach + 3).astype(np.float64)
    points = start + places[:, None, None] * along + offsets[None, :, None] * inward
    profile = cv2.remap(
        lab,
        points[..., 0].astype(np.float32),
        points[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    profile = cv2.GaussianBlur(profile, (0, 0), sigmaX=1.0, sigmaY=0.6)
    change = np.gradient(profile, axis=1)[:, 2:-2].astype(np.float32)
    return _Side(start, along, inward, places, offsets[2:-2], change)


def _near_line(lab: FloatArray, start: Points, end: Points) -> Points:
    """The clearest continuous line close to a rough side, at the working resolution."""
    reach = max(5, round(0.022 * float(np.hypot(*(end - start)))))
    side = _side(lab, start, end, reach)
    count = len(side.offsets)
    middle = np.arange(count)
    lean = np.arange(-reach, reach + 1)
    part = np.linspace(-0.5, 0.5, len(side.places))
    column = middle[:, None, None] + lean[None, :, None] * part[None, None, :]
    column = np.clip(np.rint(column).astype(int), 0, count - 1)
    rows = np.arange(len(side.places))[None, None, :]
    # The largest change within a pixel either way: edges are never straight to the pixel.
    wide = side.change + np.roll(side.change, 1, axis=1) + np.roll(side.change, -1, axis=1)
    score = _line_scores(wide[rows, column], wide)
    # Between equals the one nearest the rough side.
    score = score * np.exp(-0.5 * ((middle - count // 2) / (0.8 * reach)) ** 2)[:, None]
    best, tilt = np.unravel_index(int(np.argmax(score)), score.shape)
    offset, slope = side.offsets[best], lean[tilt] / (side.places[-1] - side.places[0])
    centre = 0.5 * (side.places[0] + side.places[-1])
    return side.line(np.array([slope, offset - slope * centre]))


def _fit_side(lab: FloatArray, start: Points, end: Points) -> tuple[Points, float, float]:
    """Straight line through the strongest steps of many profiles across one side."""
    length = float(np.hypot(*(end - start)))
    reach = max(3, round(0.008 * length))
    side = _side(lab, start, end, reach)
    # The side's own direction of change (background to wood) tells its edge from inner lines.
    usual = np.median(side.change[:, reach - 1 : reach + 2], axis=(0, 1))
    way = usual / (np.linalg.norm(usual) + 1e-6)
    signed = side.change @ way
    peak = signed.argmax(axis=1)
    height = signed[np.arange(len(peak)), peak]
    noise = float(np.median(np.abs(side.change @ way))) + 1e-6
    seen = height > max(0.3 * float(np.median(height)), 1.5 * noise)
    position = side.offsets[peak] + _vertex(signed, peak)
    fit, weight = _robust_line(side.places, position, np.maximum(height, 0) * seen + 1e-3)
    residual = position - np.polyval(fit, side.places)
    near = np.abs(residual) < max(0.004 * length, 1.5)
    share = float(np.mean(seen & near))
    rms = float(np.sqrt(np.average(residual**2, weights=weight)))
    return side.line(fit), share, rms


def _vertex(values: FloatArray, peak: npt.NDArray[np.intp]) -> npt.NDArray[np.float64]:
    """Sub-sample offset of each row's peak by the parabola through three samples."""
    rows = np.arange(len(peak))
    inner = np.clip(peak, 1, values.shape[1] - 2)
    a, b, c = values[rows, inner - 1], values[rows, inner], values[rows, inner + 1]
    bend = a - 2 * b + c
    offset = np.where(np.abs(bend) > 1e-9, 0.5 * (a - c) / np.where(bend == 0, 1, bend), 0.0)
    return np.clip(offset, -0.5, 0.5).astype(np.float64)


def _robust_line(
    x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], weight: npt.NDArray[np.floating]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Straight line by reweighted least squares with Tukey's weights; coefficients, weights."""
    order = np.argsort(y)
    share = np.cumsum(weight[order]) / weight.sum()
    fit = np.array([0.0, float(y[order][np.searchsorted(share, 0.5)])])
    used = weight.astype(np.float64)
    for _ in range(12):
        residual = y - np.polyval(fit, x)
        size = max(1.4826 * float(np.median(np.abs(residual))), 0.15)
        tukey = np.clip(1 - (residual / (4.7 * size)) ** 2, 0, None) ** 2
        used = weight * tukey + 1e-9
        fit = np.polyfit(x, y, 1, w=np.sqrt(used))
    return fit, used


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
