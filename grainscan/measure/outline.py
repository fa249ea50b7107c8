"""The outline of the photographed face: two long edges as smooth curves, two ends, four corners."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.bars import FILLED, RIVAL, Bar, bar_between, bars
from grainscan.measure.beams import chains, change_across
from grainscan.measure.camera import USUAL_FOCAL_35MM, camera_matrix
from grainscan.measure.corners import EndSeen, agreement, ends_seen, moved_edges, shortfall
from grainscan.measure.edges import reduced
from grainscan.measure.look import seen
from grainscan.measure.refine import EDGE_POINTS, Curve, Refined, Rough, refined
from grainscan.measure.regions import (
    LEAST_END_GAIN,
    LEAST_GAIN,
    end_odds,
    region_odds,
)

__all__ = ["DRAWN_POINTS", "WORK_WIDTH_PX", "FaceOutline", "find_face", "outline_of"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

SMALL_WIDTH_PX = 640
WORK_WIDTH_PX = 1600
DRAWN_POINTS = 101


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
    outline = _close_look(picture, found[0])
    if _tilt_deg(outline, work.shape, work_scale) > MOST_TILT_DEG:
        outline = _squarer(picture, found, outline)
    return dataclasses.replace(outline, confidence=outline.confidence * (1.0 - _rivalled(found)))


@dataclass(frozen=True, slots=True)
class _Picture:
    """A photograph's copies: ``work`` at ``work_scale``, and ``small_scale`` times as large as that
    its ``look`` (colours and texture) and the ``change`` of it downwards.
    """

    work: ByteArray
    work_scale: float
    small_scale: float
    look: Float32Array
    change: Float32Array


def _close_look(picture: _Picture, bar: Bar) -> FaceOutline:
    """The outline of a bar, its sides followed in the larger copy."""
    look = _followed(picture, bar, _rough(bar, picture.small_scale))
    for _ in ("one long edge", "the other"):
        if shortfall(look.seen, look.found) > LEAST_BETTER:
            look = _to_corners(picture, look)
    look = _to_regions(picture, look)
    if not agreement(look.seen, look.found, look.rough.length):
        look = _to_ends(picture, look)
    bar, rough, found = look.bar, look.rough, look.found
    confidence = _confidence(bar, found, agreed=agreement(look.seen, found, rough.length))
    if not any(stop for end in look.seen for stop in end.stops):
        confidence *= NO_CORNER
    shape, scale = picture.work.shape, picture.work_scale
    outline = outline_of(rough, found, scale, shape, confidence)
    # A blank that runs out of the picture has no end for the close look to find.
    last = picture.look.shape[1] - 1 - CUT_OFF_PX
    cut_off = bar.left < CUT_OFF_PX or bar.right > last
    return dataclasses.replace(outline, touches_border=outline.touches_border or cut_off)


@dataclass(frozen=True, slots=True)
class _Look:
    """A bar looked at closely: its sides as followed, and where the ends are seen."""

    bar: Bar
    rough: Rough
    found: Refined
    seen: tuple[EndSeen, EndSeen]


def _followed(picture: _Picture, bar: Bar, rough: Rough) -> _Look:
    found = refined(
        picture.work,
        rough,
        edge_reach_px=EDGE_REACH_PX / picture.small_scale,
        end_reach_px=END_REACH_PX / picture.small_scale,
    )
    return _Look(bar, rough, found, ends_seen(picture.work, rough, found))


LEAST_BETTER = 5.0
"""Log odds by which other corners must explain the ends better to be tried, and to be taken."""


def _to_corners(picture: _Picture, look: _Look) -> _Look:
    """The outline with one long edge moved to where the ends stop.

    It is taken if the bar there is much the better one, or if the edge is as clear there.
    """
    for moved in moved_edges(
        picture.change, picture.small_scale, look.rough, look.found, look.seen
    ):
        edges = (_small_points(moved, edge, picture) for edge in (moved.top, moved.bottom))
        bar = bar_between(picture.look, picture.change, *edges)
        try:
            if bar is not None and bar.score > MUCH_BETTER * look.bar.score:
                return _followed(picture, bar, _rough(bar, picture.small_scale))
            if bar is None or bar.score < AS_GOOD * look.bar.score:
                continue
            other = _followed(picture, bar, moved)
        except BlankNotFoundError:
            continue
        now = shortfall(look.seen, look.found)
        better = shortfall(other.seen, other.found) < now - LEAST_BETTER
        least = max(CLEAR_ENOUGH, min(look.found.clear[:2]) - LESS_CLEAR)
        if better and min(other.found.clear[:2]) > least:
            return other
    return look


def _to_regions(picture: _Picture, look: _Look) -> _Look:
    """The outline with its fainter long edge where the face's look gives way to the bench's."""
    side = int(np.argmin(look.found.clear[:2]))
    # Beyond an arris lies the face's own wood.
    if look.found.clear[side] > SURELY_CLEAR or look.found.at_arris[side]:
        return look
    odds = region_odds(picture.work, look.rough, look.found)
    now, other = _edges(look.found, side)
    course = odds.best(side, other)
    least = odds.at(side, course(odds.share)) - LEAST_GAIN
    if odds.at(side, now(odds.share)) > least:
        return look
    try:
        moved = _followed(picture, look.bar, _with_edge(look.rough, side, course, other))
    except BlankNotFoundError:
        return look
    if odds.at(side, _edges(moved.found, side)[0](odds.share)) < least:
        # What is followed there is a ring again.
        found = _with_edge(moved.found, side, course, _edges(moved.found, side)[1])
        a, b, c, d = moved.found.clear
        clear = (0.0, b, c, d) if side == 0 else (a, 0.0, c, d)
        moved = dataclasses.replace(moved, found=dataclasses.replace(found, clear=clear))
    # A side face is of the same wood as the face; that it is none of it the ends may show.
    worse = shortfall(look.seen, moved.found) - shortfall(look.seen, look.found)
    return look if worse > LEAST_BETTER else moved


_Sides = TypeVar("_Sides", Rough, Refined)


def _with_edge(of: _Sides, side: int, edge: Curve, other: Curve) -> _Sides:
    top, bottom = (edge, other) if side == 0 else (other, edge)
    return dataclasses.replace(of, top=top, bottom=bottom)


def _edges(found: Refined, side: int) -> tuple[Curve, Curve]:
    """The long edge of one side (0 the top one, 1 the bottom one), and the other."""
    return (found.top, found.bottom) if side == 0 else (found.bottom, found.top)


def _to_ends(picture: _Picture, look: _Look) -> _Look:
    """The outline with its ends where the face's look gives way to the bench's along the length.

    An end that is moved must be about as clear there.
    """
    for side in (0, 1):
        odds = end_odds(picture.work, look.rough, look.found, side)
        now = float((look.found.left, look.found.right)[side](0.5))
        if odds.at(odds.best) < odds.at(now) + LEAST_END_GAIN:
            continue
        ends = (odds.best, 1.0) if side == 0 else (0.0, odds.best)
        try:
            other = _followed(picture, look.bar, _between(look, *ends))
        except BlankNotFoundError:
            continue
        least = min(CLEAR_ENOUGH, look.found.clear[2 + side])
        if other.found.clear[2 + side] >= least:
            look = other
    return look


def _between(look: _Look, left: float, right: float) -> Rough:
    """The outline between two shares of its length, its long edges going on evenly beyond."""
    rough = look.rough
    share = np.linspace(0.0, 1.0, 60)
    there = left + share * (right - left)
    edges = []
    for edge in (look.found.top, look.found.bottom):
        inside = np.clip(there, 0.0, 1.0)
        beyond = edge.deriv()(inside) * (there - inside)
        edges.append(Curve.fit(share, edge(inside) + beyond, 4, domain=[0.0, 1.0]))
    start, length = rough.left, rough.length
    return dataclasses.replace(
        rough,
        left=start + left * length,
        right=start + right * length,
        top=edges[0],
        bottom=edges[1],
    )


SURELY_CLEAR = 0.9
"""Share of both long edges' points that stand clear, from which on nothing else is asked."""


def _small_points(rough: Rough, edge: Curve, picture: _Picture) -> npt.NDArray[np.float64]:
    share = np.linspace(0.0, 1.0, 25)
    return (rough.points(share, edge(share)) + 0.5) * picture.small_scale - 0.5


MUCH_BETTER = 1.2
"""Times the score of the bar at hand, from which on another is better whatever the ends show."""

AS_GOOD = 0.6
"""Times the same, below which it is not taken however clear the moved edge is (from trials with
known outlines)."""

LESS_CLEAR = 0.1
CLEAR_ENOUGH = 0.5
"""What a moved edge may be less clear by, and how clear it must be."""


EDGE_REACH_PX = 3.0
CUT_OFF_PX = 3.0
END_REACH_PX = 5.0
"""How far off the rough ends may lie, in pixels of the small picture: END_PX and one more."""


def _likely_bars(work: ByteArray, work_scale: float) -> tuple[_Picture, list[Bar]]:
    """Bars, likeliest first. Raises :class:`BlankNotFoundError` if there is none, or two."""
    small, small_scale = reduced(work, SMALL_WIDTH_PX)
    look = seen(small, work)
    change = change_across(look)
    found = bars(look, change, chains(change))
    if not found or found[0].score < LEAST_SCORE * (found[0].right - found[0].left):
        raise BlankNotFoundError(
            "no blank found: lay it left to right on a plain background of another colour, "
            "both ends in the picture"
        )
    if any(_is_another(bar, found[0]) for bar in found[1:]):
        raise BlankNotFoundError("more than one blank in the picture: photograph one at a time")
    return _Picture(work, work_scale, small_scale, look, change), found


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
        and length > 0.85 * best_length
        and 0.6 < bar.width / best.width < 1.0 / 0.6
        and float(np.linalg.norm(bar.hue - best.hue)) < ANY_WOOD
        and _lies_apart(bar, best)
    )


def _rivalled(found: list[Bar]) -> float:
    """How far a longer bar apart from the best one may be the blank instead, 0 to 1.

    An offcut on the bench may stand out better than the blank does. The blank is what fills the
    width of the picture; how clear the longer one is, against the best, is the doubt. Against one
    that does not even fill half of it any longer bar counts.
    """
    best = found[0]
    length = best.right - best.left
    fills = length > FILLED * len(best.top.rows)
    longer = [
        bar.score / best.score
        for bar in found[1:]
        if bar.score > RIVAL * best.score
        and bar.right - bar.left > LONGER * length
        and (not fills or (min(bar.edge_share) > SHOWN and min(bar.stops) > STOPPED))
        and float(np.linalg.norm(bar.hue - best.hue)) < ANY_WOOD
        and _lies_apart(bar, best)
    ]
    return min(1.0, max(longer, default=0.0))


LONGER = 1.15
"""Length of a rival, in lengths of the best bar, beyond which it may be the blank more likely."""

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


def _squarer(picture: _Picture, found: list[Bar], outline: FaceOutline) -> FaceOutline:
    """The face beside one that is looked at from the side, or that one with less confidence."""
    for bar in found[1:]:
        if bar.score > RIVAL * found[0].score and _shares_arris(bar, found[0]):
            other = _close_look(picture, bar)
            if _tilt_deg(other, picture.work.shape, picture.work_scale) < MOST_TILT_DEG:
                return other
    return dataclasses.replace(outline, confidence=SIDE * outline.confidence)


def _shares_arris(bar: Bar, best: Bar) -> bool:
    """Whether one long edge of each bar is the other's far one, and both end together."""
    at = np.linspace(max(bar.left, best.left), min(bar.right, best.right), 5)
    if at[-1] - at[0] < 0.85 * (best.right - best.left):
        return False
    top, bottom = bar.edges(at)
    best_top, best_bottom = best.edges(at)
    apart = min(float(np.abs(top - best_bottom).max()), float(np.abs(bottom - best_top).max()))
    return apart < ARRIS_PX


ARRIS_PX = 3.0
"""What two bars' courses of one arris may differ by, in pixels of the small picture."""


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


def _rough(bar: Bar, scale: float) -> Rough:
    """The bar in its own turned frame, in pixels of the picture that is 1/scale as large."""
    x = np.linspace(bar.left, bar.right, 60)
    top, bottom = (np.stack([x, rows], axis=1) for rows in bar.edges(x))
    # Pixel centres at integers: the corner of a reduced picture's first pixel stays in place.
    top, bottom = ((edge + 0.5) / scale - 0.5 for edge in (top, bottom))
    middle = (top + bottom) / 2.0
    along = (middle[-1] - middle[0]) / np.linalg.norm(middle[-1] - middle[0])
    across = np.array([-along[1], along[0]])
    origin = middle.mean(axis=0)
    u = (middle - origin) @ along
    left, right = float(u[0]), float(u[-1])
    curves = []
    for edge in (top, bottom):
        share = ((edge - origin) @ along - left) / (right - left)
        curves.append(Curve.fit(share, (edge - origin) @ across, 4, domain=[0.0, 1.0]))
    return Rough(origin, along, across, left, right, curves[0], curves[1])


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


AGREED = 0.8
"""What an outline is worth at least whose four corners the ends show by themselves."""

NO_CORNER = 0.75
"""What an outline is worth of which the ends show no corner at all."""

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
