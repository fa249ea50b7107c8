"""The outline of the photographed face: two long edges as smooth curves, two ends, four corners."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.bars import FILLED, RIVAL, Bar, bars
from grainscan.measure.beams import MOST_CHAINS, chains, change_across
from grainscan.measure.camera import USUAL_FOCAL_35MM, camera_matrix
from grainscan.measure.close_look import Look, Picture, followed, rough_of
from grainscan.measure.corners import USUAL_TAPER, agreement, other_course, shortfall
from grainscan.measure.edge_moves import LEAST_BETTER, to_corners, to_regions
from grainscan.measure.edges import reduced
from grainscan.measure.end_moves import to_ends
from grainscan.measure.look import seen
from grainscan.measure.refine import Refined
from grainscan.measure.sides import EDGE_POINTS, Rough

__all__ = [
    "DRAWN_POINTS",
    "LEAST_CONFIDENCE",
    "WORK_WIDTH_PX",
    "FaceOutline",
    "find_face",
    "outline_of",
]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

SMALL_WIDTH_PX = 640
WORK_WIDTH_PX = 1600
DRAWN_POINTS = 101

NOT_FOUND = (
    "no blank found: lay it left to right on a plain background of another colour, "
    "both ends in the picture"
)

LEAST_CONFIDENCE = 0.6
"""Confidence of an outline below which it is unsure."""


@dataclass(frozen=True, slots=True)
class FaceOutline:
    """Where a face lies in its photograph (pixels of the full picture, x right, y down).

    ``corners_px`` (4, 2): left-top, right-top, right-bottom, left-bottom.
    ``top_edge_px``, ``bottom_edge_px`` (101, 2): the long edges from left to right.
    ``angle_sigma_deg``: standard uncertainty of the edges' mean direction.
    ``confidence``: 0 to 1. ``touches_border``: the outline reaches the picture's border.
    """

    corners_px: FloatArray
    top_edge_px: FloatArray
    bottom_edge_px: FloatArray
    angle_sigma_deg: float
    confidence: float
    touches_border: bool

    @property
    def width_px(self) -> float:
        """Mean distance of both long edges."""
        return float(np.mean(np.linalg.norm(self.bottom_edge_px - self.top_edge_px, axis=1)))


def find_face(pixels: ByteArray, *, smaller: tuple[ByteArray, float] | None = None) -> FaceOutline:
    """Find the face of a blank lying left to right in a photograph (M, N, 3) uint8 RGB.

    ``smaller``: a copy `WORK_WIDTH_PX` wide and its scale, if `reduced` has made one already.

    Raises :class:`BlankNotFoundError` if nothing in the picture looks like one blank.
    """
    work, work_scale = smaller or reduced(pixels, WORK_WIDTH_PX)
    picture, found = _likely_bars(work, work_scale)
    outline = _first_followed(picture, found)
    tilt = _tilt_deg(outline, work.shape, work_scale)
    if tilt > MOST_TILT_DEG or outline.confidence < LEAST_CONFIDENCE:
        outline = _neighbour(picture, found, outline, tilt)
    return dataclasses.replace(outline, confidence=outline.confidence * (1.0 - _rivalled(found)))


def _first_followed(picture: Picture, found: list[Bar]) -> FaceOutline:
    """The outline of the best bar, or of one nearly as good if that one cannot be followed.

    Raises :class:`BlankNotFoundError` if none can.
    """
    first: BlankNotFoundError | None = None
    for bar in found:
        if bar.score < NEARLY * found[0].score:
            break
        try:
            return _close_look(picture, bar)
        except BlankNotFoundError as error:
            first = first or error
    raise first or BlankNotFoundError(NOT_FOUND)


def _close_look(picture: Picture, bar: Bar) -> FaceOutline:
    """The outline of a bar, its sides followed in the larger copy."""
    look = followed(picture, bar, rough_of(bar, picture.small_scale))
    for _ in ("one long edge", "the other"):
        if shortfall(look.seen, look.found) <= LEAST_BETTER:
            break
        before, look = look, to_corners(picture, look)
        if look is before:
            break
    look = to_regions(picture, look)
    if not agreement(look.seen, look.found, look.rough.length):
        look = to_ends(picture, look)
    bar, rough, found = look.bar, look.rough, look.found
    confidence = _confidence(bar, found, agreed=agreement(look.seen, found, rough.length))
    shape, scale = picture.work.shape, picture.work_scale
    outline = outline_of(rough, found, scale, shape, confidence)
    level = _tilt_deg(outline, shape, scale) < LEVEL_DEG
    # A blank that runs out of the picture has no end for the close look to find.
    last = picture.look.shape[1] - 1 - CUT_OFF_PX
    cut_off = bar.left < CUT_OFF_PX or bar.right > last
    return dataclasses.replace(
        outline,
        confidence=confidence * _left_by_doubt(look, level),
        touches_border=outline.touches_border or cut_off,
    )


def _likely_bars(work: ByteArray, work_scale: float) -> tuple[Picture, list[Bar]]:
    """Bars, likeliest first. Raises :class:`BlankNotFoundError` if there is none, or two."""
    small, small_scale = reduced(work, SMALL_WIDTH_PX)
    look = seen(small, work)
    change = change_across(look)
    found = bars(look, change, chains(change))
    if not _stands_out(found):
        # Lines of the bench may be more than the blank's edges, and stronger.
        found = bars(look, change, chains(change, PATIENCE * MOST_CHAINS), patience=PATIENCE)
    if not _stands_out(found):
        raise BlankNotFoundError(NOT_FOUND)
    if any(_is_another(bar, found[0]) for bar in found[1:]):
        raise BlankNotFoundError("more than one blank in the picture: photograph one at a time")
    return Picture(work, work_scale, small_scale, look, change), found


def _stands_out(found: list[Bar]) -> bool:
    return bool(found) and found[0].score >= LEAST_SCORE * (found[0].right - found[0].left)


PATIENCE = 4
"""Times as many edges and pairs of them are tried if no bar stands out among the usual ones."""

CUT_OFF_PX = 3.0
"""A bar that ends so near to the small picture's border may go on beyond it."""

LEAST_SCORE = 0.4
"""Least score of a bar, of 2 for each column of its length: half of both edges, weak ends."""

LIKE_THE_BEST = 0.7
BEYOND_DOUBT = 0.85


def _is_another(bar: Bar, best: Bar) -> bool:
    """Whether a bar lies apart from the best one and is as good a blank."""
    length, best_length = bar.right - bar.left, best.right - best.left
    # What costs nothing is asked first.
    return (
        bar.score > max(LIKE_THE_BEST * best.score, BEYOND_DOUBT * 2.0 * length)
        and length > AS_LONG * best_length
        and 0.6 < bar.width / best.width < 1.0 / 0.6
        and float(np.linalg.norm(bar.hue - best.hue)) < ANY_WOOD
        and _lies_apart(bar, best)
    )


def _rivalled(found: list[Bar]) -> float:
    """How far a bar apart from the best one may be the blank instead, 0 to 1.

    An offcut on the bench may stand out better than the blank does. The blank is what fills the
    width of the picture; how clear the longer one is, against the best, is the doubt. Against one
    that does not even fill half of it any longer bar counts.
    """
    best = found[0]
    fills = best.right - best.left > FILLED * len(best.top.rows)
    rivals = [
        bar.score / best.score
        for bar in found[1:]
        if _is_rival(bar, best, fills)
        and float(np.linalg.norm(bar.hue - best.hue)) < ANY_WOOD
        and _lies_apart(bar, best)
    ]
    return min(1.0, max(rivals, default=0.0))


def _is_rival(bar: Bar, best: Bar, fills: bool) -> bool:
    """Whether a bar is as long and nearly as clear as the best one, or longer.

    ``fills``: whether the best one fills half of the picture.
    """
    length, best_length = bar.right - bar.left, best.right - best.left
    a_blank = min(bar.edge_share) > SHOWN and min(bar.stops) > STOPPED
    if bar.score > BEYOND_DOUBT * best.score and length > AS_LONG * best_length and a_blank:
        return True
    longer = bar.score > RIVAL * best.score and length > LONGER * best_length
    return longer and (not fills or a_blank)


AS_LONG = 0.85
LONGER = 1.15
"""Length of another bar, in lengths of the best one, beyond which it may be the blank as well, and
beyond which it more likely is."""

SHOWN = 0.75
STOPPED = 0.25
"""Share of both long edges that a rival must show, and how surely they must stop at its ends: what
runs on over the bench is a joint of boards."""


def _tilt_deg(outline: FaceOutline, shape: tuple[int, ...], scale: float) -> float:
    """How far from square-on a face is looked at, turned about its length; from its ends' lean.

    A face of width w, tilted by t, is nearer to the camera by w·sin t at one edge and looks w·cos t
    wide. The nearer edge looks longer in that proportion, so (difference of lengths) / (width seen)
    is tan t times length over distance, and that is the length in pixels over the focal length (not
    known here: the usual one is taken).
    """
    left_top, right_top, right_bottom, left_bottom = outline.corners_px
    along = right_top + right_bottom - left_top - left_bottom
    length = float(np.linalg.norm(along)) / 2.0
    along = along / (2.0 * length)
    down = left_bottom + right_bottom - left_top - right_top
    width = abs(float(along[0] * down[1] - along[1] * down[0])) / 2.0
    longer = abs(float((right_top - left_top - right_bottom + left_bottom) @ along))
    focal_px = camera_matrix(shape, USUAL_FOCAL_35MM)[0, 0] / scale
    return float(np.degrees(np.arctan2(longer * focal_px, width * length)))


MOST_TILT_DEG = 45.0
"""Beyond it a face is seen more from the side than square-on, and its neighbour squarer."""

SIDE = 0.5
"""What an outline is worth that is looked at from the side, with no squarer face beside it."""


def _neighbour(
    picture: Picture, found: list[Bar], outline: FaceOutline, tilt_deg: float
) -> FaceOutline:
    """The face beside an outline that is looked at from the side or is unsure, or that outline.

    Two faces of one blank share an arris; the other one is taken if this one is looked at from the
    side, or if its outline is sure where this one's is not.
    """
    for bar in found[1:]:
        if bar.score < RIVAL * found[0].score:
            break
        if not _beside(bar, outline, picture):
            continue
        try:
            other = _close_look(picture, bar)
        except BlankNotFoundError:
            continue
        if _tilt_deg(other, picture.work.shape, picture.work_scale) > MOST_TILT_DEG:
            continue
        if not _share_arris(other, outline):
            continue
        surer = other.confidence > max(LEAST_CONFIDENCE, outline.confidence + SURER)
        if tilt_deg > MOST_TILT_DEG or (surer and bar.score > NEARLY * found[0].score):
            return other
    worth = SIDE if tilt_deg > MOST_TILT_DEG else 1.0
    return dataclasses.replace(outline, confidence=worth * outline.confidence)


SURER = 0.1
NEARLY = 0.75
"""By how much a neighbour's outline must be surer, and what its bar's score must reach of the
best."""


def _beside(bar: Bar, outline: FaceOutline, picture: Picture) -> bool:
    """Whether one long edge of a bar may be the outline's far one."""
    scale = picture.work_scale * picture.small_scale
    at = np.linspace(bar.left, bar.right, 5)[1:-1]
    for edge, far in zip(bar.edges(at), (outline.bottom_edge_px, outline.top_edge_px), strict=True):
        x, y = ((far + 0.5) * scale - 0.5).T
        if np.abs(np.interp(at, x, y) - edge).max() < 2.0 * ARRIS_PX:
            return True
    return False


def _share_arris(one: FaceOutline, other: FaceOutline) -> bool:
    """Whether one long edge of each outline is the other's far one, and both end together."""
    for a, b in (
        (one.top_edge_px, other.bottom_edge_px),
        (one.bottom_edge_px, other.top_edge_px),
    ):
        first, last = max(a[0, 0], b[0, 0]), min(a[-1, 0], b[-1, 0])
        length = max(np.ptp(a[:, 0]), np.ptp(b[:, 0]))
        if last - first < SIDE_BY_SIDE * length:
            continue
        at = np.linspace(first, last, 9)
        apart = np.abs(np.interp(at, a[:, 0], a[:, 1]) - np.interp(at, b[:, 0], b[:, 1]))
        if apart.max() < SAME_ARRIS * length:
            return True
    return False


ARRIS_PX = 3.0
"""What two bars' courses of one arris may differ by, in pixels of the small picture."""

SIDE_BY_SIDE = 0.85
SAME_ARRIS = 0.005
"""How much of the length both must have in common, and what two outlines' courses of one arris may
differ by, in lengths (ARRIS_PX)."""


def _lies_apart(bar: Bar, best: Bar) -> bool:
    at = np.linspace(max(bar.left, best.left), min(bar.right, best.right), 5)
    if at[-1] <= at[0]:
        return True
    top, bottom = bar.edges(at)
    best_top, best_bottom = best.edges(at)
    if np.median(np.minimum(bottom, best_bottom) - np.maximum(top, best_top)) > -2.0:
        return False
    gap = np.median(np.maximum(best_top - bottom, top - best_bottom))
    # Side by side: its own side face or shadow.
    return bool(gap >= 0.5 * best.width)


ANY_WOOD = 0.15
"""Difference of (a*, b*) / (L* + 16) within which common woods lie (common practice, no source)."""


def outline_of(
    rough: Rough, found: Refined, scale: float, shape: tuple[int, ...], confidence: float
) -> FaceOutline:
    """The outline in the full picture, from one found in a copy of ``shape`` at ``scale``."""
    edges = []
    for curve, across in ((found.top, 0.0), (found.bottom, 1.0)):
        along = np.linspace(found.left(across), found.right(across), DRAWN_POINTS)
        edges.append((rough.points(along, curve(along)) + 0.5) / scale - 0.5)
    corners = np.array([edges[0][0], edges[0][-1], edges[1][-1], edges[1][0]])
    size = np.array(shape[1::-1]) / scale
    margin = BORDER_SHARE * size[0]
    outside = (corners < margin).any() or (corners > size - 1 - margin).any()
    sigma = _direction_sigma(found.scatter_px, rough.length)
    return FaceOutline(corners, edges[0], edges[1], sigma, confidence, bool(outside))


BORDER_SHARE = 0.004
"""A corner nearer to the picture's border than this share of its width may be cut off there."""


def _confidence(bar: Bar, found: Refined, *, agreed: bool) -> float:
    """How far the outline stands clear, 0 to 1.

    The root of the share of its greatest score that the bar reaches, times the share of its worst
    side that stands clear of the texture when looked at closely; less where an end bends as beside
    a side face that could not be told from the face. The root, for the score is a product of what
    sides, ends and surfaces show in the small picture, each of them faint where one is.
    ``agreed``: whether the ends' own corners are the outline's.
    """
    seen_share = min(1.0, bar.score / (2.0 * (bar.right - bar.left)))
    clear = float(seen_share**0.5 * min(found.clear))
    if found.unexplained:
        return UNEXPLAINED * clear
    return max(clear, AGREED) if agreed else clear


def _left_by_doubt(look: Look, level: bool) -> float:
    """Share of an outline's confidence that what its ends and long edges show leaves it.

    ``level``: whether it is looked at squarely, so that it tapers no more than the wood does.
    """
    left = 1.0
    if any(not any(end.stops[side] for end in look.seen) for side in (0, 1)):
        left *= NO_CORNER
    if look.end_doubted or look.found.uneven or _contradicted(look, level):
        left *= DOUBTED
    return left


def _contradicted(look: Look, level: bool) -> bool:
    """Whether the ends contradict the outline's corners: by much, or by enough to turn an edge
    whose face tapers more than usual, or more than it would with the ends' own corners.
    """
    odds = shortfall(look.seen, look.found)
    other = other_course(look.seen, look.found, look.rough.length)
    if odds <= LEAST_BETTER or other.turned <= SAME_DIRECTION:
        return odds > CONTRADICTED
    tapers = level and other.taper > USUAL_TAPER
    return odds > CONTRADICTED or tapers or other.taper - other.own_taper > LESS_TAPER


SAME_DIRECTION = np.tan(np.radians(0.25))
LESS_TAPER = 0.02
LEVEL_DEG = 5.0
"""Turn of an edge that would matter, by how much evener a face must be to speak for it, and how far
from square-on perspective makes no taper to speak of."""

AGREED = 0.8
"""What an outline is worth at least whose four corners the ends show by themselves."""

NO_CORNER = 0.75
"""What an outline is worth of which neither end shows a corner at one of the long edges."""

DOUBTED = 0.55
"""What an outline is worth whose surface ends elsewhere than the end that is seen, whose long
edges wind apart, or whose ends contradict its corners."""

CONTRADICTED = 25.0
"""Log odds of the ends against the outline's corners, in pixels of the larger copy, of which
neighbours say the same: some ten without that. On pictures with known outlines one in three that
are beyond it is wrong, of the others one in twenty."""

UNEXPLAINED = 0.55
"""What an outline is worth in which one end shows a side face and nothing shows its arris."""


def _direction_sigma(scatter_px: tuple[float, float], length_px: float) -> float:
    """Standard uncertainty of the mean direction of the two edges, degrees.

    A least squares line through N independent points of scatter s over a length L has a slope
    uncertainty of s·√12 / (L·√N). One point in ten counts as independent, because a torn edge
    errs together over a stretch.
    """
    independent = EDGE_POINTS / 10.0
    mean_scatter = np.hypot(*scatter_px) / 2.0
    return float(np.degrees(mean_scatter * np.sqrt(12.0 / independent) / length_px))
