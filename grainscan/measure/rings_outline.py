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

__all__ = ["EndOutline", "find_end_outline"]

FloatArray = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

ROUGH_SIDE_PX = 200
"""Longest side of the reduced picture on which the region is cut; enough for a rough quad."""

FRAME_PX = 240
"""Side of the rough square-on frame in which the four sides are looked for."""

FRAME_MARGIN = 0.12
"""The rough frame reaches this share beyond the region, so that its edges lie inside."""

UNLIKE = 4.0
"""A strip differing from the end's own strips by this many of their own spreads is no end."""

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

    factor = max(1.0, max(pixels.shape[:2]) / WORK_SIDE_PX)
    size = (round(pixels.shape[1] / factor), round(pixels.shape[0] / factor))
    work = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if factor > 1 else pixels
    scale = np.array([pixels.shape[1] / work.shape[1], pixels.shape[0] / work.shape[0]])
    lab = _lab(work)
    rough = _rough_quad(work)
    quad = _sides_in_frame(lab, rough)
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


def _rough_quad(work: npt.NDArray[np.uint8]) -> Points:
    """Corners of the rotated rectangle round the wood, from a graph cut at low resolution."""
    import cv2

    factor = max(work.shape[:2]) / ROUGH_SIDE_PX
    size = (round(work.shape[1] / factor), round(work.shape[0] / factor))
    small = cv2.resize(work, size, interpolation=cv2.INTER_AREA)
    small = cv2.medianBlur(small, 3)
    mask = _grab(small)
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
    return _ordered((box + 0.5) * factor - 0.5)


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


def _grab(small: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
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
    ratio = cv2.GaussianBlur(ratio.astype(np.float32), (0, 0), 2.0)
    mask = np.where(ratio > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    mask[middle] = cv2.GC_PR_FGD
    mask[border] = cv2.GC_BGD
    mask[reach < 0.03] = cv2.GC_FGD
    cv2.setRNGSeed(0)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(small, mask, None, *models, 4, cv2.GC_INIT_WITH_MASK)
    wood = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    wood = cv2.morphologyEx(wood, cv2.MORPH_CLOSE, kernel)
    return np.asarray(cv2.morphologyEx(wood, cv2.MORPH_OPEN, kernel), np.uint8)


def _log_density(lab: FloatArray, sample: FloatArray) -> FloatArray:
    """Log of a smoothed colour histogram of ``sample``, looked up for each pixel of ``lab``."""
    from scipy.ndimage import gaussian_filter

    edges = [np.linspace(0, 100, 26), np.linspace(-50, 50, 26), np.linspace(-50, 70, 31)]
    counts, _ = np.histogramdd(sample.reshape(-1, 3), bins=edges)
    density = gaussian_filter(counts, 1.0) / max(counts.sum(), 1.0) + 1e-6
    index = tuple(
        np.clip(np.digitize(lab[..., c], edges[c]) - 1, 0, len(edges[c]) - 2) for c in range(3)
    )
    return np.log(density[index]).astype(np.float32)


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


def _sides_in_frame(lab: FloatArray, rough: Points) -> Points:
    """Look for the four sides as straight lines in a rough square-on frame."""
    import cv2

    to_picture = _frame_to_picture(rough, FRAME_MARGIN, FRAME_PX)
    span = np.hypot(*(rough[1] - rough[0])) / FRAME_PX
    softened = cv2.GaussianBlur(lab, (0, 0), max(0.5 * span, 0.3))
    frame = cv2.warpPerspective(
        softened,
        to_picture,
        (FRAME_PX, FRAME_PX),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    lines = {}
    # Each side is found as a top side of the frame turned by quarter turns.
    for name, turns in (("top", 0), ("right", 1), ("bottom", 2), ("left", 3)):
        ends = _top_line(np.ascontiguousarray(np.rot90(frame, turns)))
        lines[name] = _turn_back(ends, turns, FRAME_PX)
    corners = [
        _meet(lines["left"], lines["top"]),
        _meet(lines["top"], lines["right"]),
        _meet(lines["right"], lines["bottom"]),
        _meet(lines["bottom"], lines["left"]),
    ]
    return _map(to_picture, np.array(corners))


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


def _top_line(frame: FloatArray) -> Points:
    """The end's top side in the frame: two points (x, y)."""
    side = frame.shape[0]
    columns = np.arange(round(0.16 * side), round(0.84 * side), 3)
    step = _row_steps(frame)
    first = np.arange(4, round(0.46 * side))
    offsets = np.arange(-24, 25, 2)
    # Row of each candidate line (first row at the frame's middle, tilt) at each column.
    tilt = (columns - side / 2) / (side * 0.6)
    rows = first[:, None, None] + offsets[None, :, None] * tilt[None, None, :]
    rows = np.clip(np.rint(rows).astype(int), 0, side - 1)
    score = _line_scores(step[rows, columns[None, None, :]], step)
    best = score.argmax(axis=1)
    per_row = score[np.arange(len(first)), best]
    peaks = _peaks(per_row, 4)
    unlike = np.array([_unlike(frame, first[p], offsets[best[p]]) for p in peaks])
    chosen = peaks[_choose(per_row[peaks], unlike)]
    middle, lean = first[chosen], offsets[best[chosen]]
    left = middle + lean * (0 - side / 2) / (side * 0.6)
    right = middle + lean * (side - 1 - side / 2) / (side * 0.6)
    return np.array([[0.0, left], [side - 1.0, right]])


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
    held = (along > 0.35 * size[..., None]).mean(axis=2)
    clear = np.minimum(size / (3.0 * usual), 1.0)
    return np.asarray(np.clip((held - 0.5) / 0.4, 0.0, 1.0) * clear, np.float32)


def _peaks(values: npt.NDArray[np.floating], apart: int) -> npt.NDArray[np.intp]:
    """Local maxima at least ``apart`` steps apart, in order."""
    from scipy.ndimage import maximum_filter1d

    found = np.flatnonzero(values >= maximum_filter1d(values, 2 * apart + 1))
    return found if found.size else np.array([int(values.argmax())])


def _line_strips(frame: FloatArray, middle: float, lean: float, thick: int) -> FloatArray:
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


def _unlike(frame: FloatArray, middle: int, lean: int) -> float:
    """How much the strip just above the line differs from strips of the end below it.

    In units of how much such strips of the end differ among themselves (mean colour and
    texture): above about 3, the strip is something else than this end.
    """
    side = frame.shape[0]
    thick = 8
    level = _line_strips(frame, middle, lean, thick)[:, round(0.2 * side) : round(0.8 * side)]
    outside = level[max(middle - thick - 1, 0) : max(middle - 1, 1)]
    inside = [level[row : row + thick] for row in range(middle + 2, round(0.62 * side), thick // 2)]
    if len(inside) < 4:
        return 0.0
    known = np.array([_look(strip) for strip in inside])
    centre = np.median(known, axis=0)
    spread = 1.4826 * np.median(np.abs(known - centre), axis=0) + np.array([1.0, 0.5, 0.5, 0.3])
    return float(np.max(np.abs(_look(outside) - centre) / spread))


def _look(strip: FloatArray) -> npt.NDArray[np.float64]:
    """Mean L*, a*, b* and the fine texture's strength of a strip."""
    texture = np.abs(np.diff(strip[..., 0], axis=1)).mean()
    return np.array([*strip.reshape(-1, 3).mean(axis=0), texture], dtype=np.float64)


def _choose(score: npt.NDArray[np.floating], unlike: npt.NDArray[np.float64]) -> int:
    """Index of the innermost line beyond which the picture is something else.

    Lines come from outside in. Where no line parts two different looks, the clearest line.
    """
    good = np.flatnonzero((score > max(0.45 * score.max(), 0.25)) & (unlike > UNLIKE))
    return int(good[-1]) if good.size else int(np.argmax(score * np.minimum(unlike, UNLIKE)))


def _refine(lab: FloatArray, quad: Points) -> tuple[Points, npt.NDArray[np.float64], float]:
    """Fit each side through edge profiles; corners, share of clear edge per side, scatter."""
    support = np.zeros(4)
    scatter = np.zeros(4)
    for reach_share in (0.03, 0.015):
        lines = []
        for i in range(4):
            line, support[i], scatter[i] = _fit_side(lab, quad[i], quad[(i + 1) % 4], reach_share)
            lines.append(line)
        quad = np.array([_meet(lines[i - 1], lines[i]) for i in range(4)])
    return quad, support, float(np.sqrt(np.mean(scatter**2)))


def _fit_side(
    lab: FloatArray, start: Points, end: Points, reach_share: float
) -> tuple[Points, float, float]:
    """Straight line through the strongest steps of many profiles across one side."""
    import cv2

    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    reach = max(4, round(reach_share * length))
    places = np.linspace(0.04, 0.96, 80) * length
    offsets = np.arange(-reach - 4, reach + 5)
    points = start + places[:, None, None] * along + offsets[None, :, None] * inward
    profile = cv2.remap(
        lab,
        points[..., 0].astype(np.float32),
        points[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    profile = cv2.GaussianBlur(profile, (0, 0), sigmaX=1.2, sigmaY=0.8)
    change = np.sqrt((np.gradient(profile, axis=1) ** 2).sum(axis=2))[:, 4:-4]
    # The side's own direction of change (wood to background) tells its edge from inner lines.
    mean_change = np.median(np.gradient(profile, axis=1)[:, 4:-4], axis=0)
    place = int(np.argmax((mean_change**2).sum(axis=1)))
    way = mean_change[place] / (np.linalg.norm(mean_change[place]) + 1e-6)
    signed = (np.gradient(profile, axis=1)[:, 4:-4] * way).sum(axis=2)
    peak = signed.argmax(axis=1)
    height = signed[np.arange(len(peak)), peak]
    noise = np.median(change) + 1e-6
    seen = height > 3.0 * noise
    position = offsets[4:-4][peak] + _vertex(signed, peak)
    fit, weight = _robust_line(places, position, height * seen + 1e-3)
    residual = position - np.polyval(fit, places)
    near = np.abs(residual) < max(0.006 * length, 1.5)
    share = float(np.mean(seen & near))
    rms = float(np.sqrt(np.average(residual**2, weights=weight)))
    ends = np.array([0.0, length])
    return start + ends[:, None] * along + np.polyval(fit, ends)[:, None] * inward, share, rms


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
    if (cross <= 0).any() or sides.min() < 0.25 * sides.max():
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
