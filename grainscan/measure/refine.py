"""From a rough outline to one of sub-pixel edges: two long edges as smooth curves, two ends."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.arris import Bend, arris_share, bend_of
from grainscan.measure.edges import (
    MOST_BENDS,
    EdgeTrace,
    smooth_curve,
    trace_step,
    unrolled_colours,
)
from grainscan.measure.faint import faint_step
from grainscan.measure.lines import rank_correlation, robust_line
from grainscan.measure.medians import median, medians

__all__ = ["EDGE_POINTS", "Refined", "Rough", "refined", "wood_colour"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Curve = np.polynomial.Chebyshev

EDGE_POINTS = 240
END_POINTS = 60
COARSE_BENDS = 4
LEAST_SIDE_PX = 2.5
"""An edge's own blur reaches a pixel or two; only a deeper band is a side face."""


ARRIS_REACH = 0.35
"""How far a side face's corner may lie from the face's end gone on with, in widths."""

CLEAR_ENOUGH = 0.9
"""Share of a long edge's points that stand clear, above which it is followed by itself."""

WIDTH_BENDS = 2
"""Bends of the distance of both long edges of a face: taper, perspective, a little unevenness."""

UNEVEN = np.tan(np.radians(1.0 / 6.0))
"""Bulge of the distance of both long edges, in lengths, that hardly a face has by itself (as steep
as a sixth of a degree over the length). From trials with known outlines."""

SAME_EDGE_PX = 1.5
"""An edge's own blur reaches about so far."""

EDGE_STRETCHES = 12
END_STRETCHES = 6
"""Parts of a faint side that must show it, each by itself."""

LEAST_ARRIS_REACH_PX = 25.0
AGREED = 0.1
"""Difference of the shares of the width at which both ends bend, below which they agree."""

AGREED_CLEAR = 0.75
LIGHT_ROWS = 60
LIGHT_COLUMNS = 160

STEADY = 0.8
"""Rank correlation of a narrowing side face's depth with the place along the length."""


@dataclass(frozen=True, slots=True)
class Rough:
    """A first guess in a turned frame: ``along`` and ``across`` are unit vectors (x, y).

    ``top``, ``bottom``: distance across, over the share of the length (0 to 1) between ``left``
    and ``right``; all in pixels of the picture that is looked at.
    """

    origin: FloatArray
    along: FloatArray
    across: FloatArray
    left: float
    right: float
    top: Curve
    bottom: Curve

    @property
    def width(self) -> float:
        share = np.linspace(0.1, 0.9, 9)
        return median(self.bottom(share) - self.top(share))

    @property
    def length(self) -> float:
        return self.right - self.left

    def points(self, share: FloatArray, across: FloatArray) -> FloatArray:
        distance = self.left + share * self.length
        return self.origin + distance[:, None] * self.along + across[:, None] * self.across


@dataclass(frozen=True, slots=True)
class Refined:
    """``top``, ``bottom``: as in `Rough`. ``left``, ``right``: share of the length over the share
    of the width. ``scatter_px``: of both long edges' points. ``clear``: share of the points of
    each side (top, bottom, left, right) that stand clear of the texture beside them.
    ``unexplained``: an end bends as if a side face were seen, but no arris was found.
    ``at_arris``: whether the top and the bottom edge were moved in from a side face. ``uneven``:
    the distance of the long edges did not change evenly, over more than a tenth of the length, so
    that one of them may have been lost.
    """

    top: Curve
    bottom: Curve
    left: Curve
    right: Curve
    scatter_px: tuple[float, float]
    clear: tuple[float, float, float, float]
    unexplained: bool = False
    at_arris: tuple[bool, bool] = (False, False)
    uneven: bool = False


def refined(
    picture: ByteArray,
    rough: Rough,
    *,
    edge_reach_px: float,
    end_reach_px: float,
    side_faces: bool = True,
) -> Refined:
    """Sub-pixel edges near a rough outline in a picture (M, N, 3) uint8 RGB.

    ``edge_reach_px``, ``end_reach_px``: how far off the rough edges and ends may lie.
    ``side_faces``: look for a side face between the outline and the face.

    Raises :class:`BlankNotFoundError` if the long edges run together.
    """
    wood = wood_colour(picture, rough)
    top, bottom = rough.top, rough.bottom
    left, right = _level_end(0.0), _level_end(1.0)
    at_arris = [False, False]
    # First far and coarse, then near and fine.
    for sigma_px, nearer, bends in ((2.0, 1.0, COARSE_BENDS), (1.2, 0.5, MOST_BENDS)):
        reach = max(nearer * edge_reach_px, 4.0 * sigma_px)
        end_reach = max(nearer * end_reach_px, 4.0 * sigma_px)
        if bends == MOST_BENDS and side_faces:
            outer = (top, bottom)
            top = _without_side_face(picture, rough, top, 1.0)
            bottom = _without_side_face(picture, rough, bottom, -1.0)
            at_arris = [top is not outer[0], bottom is not outer[1]]
        top_side = _long_edge(picture, rough, top, 1.0, wood, reach, sigma_px, bends)
        bottom_side = _long_edge(picture, rough, bottom, -1.0, wood, reach, sigma_px, bends)
        top_side, bottom_side = _alike(
            picture, rough, top_side, bottom_side, wood, reach, sigma_px, bends
        )
        top, bottom = top_side.curve, bottom_side.curve
        edges = (top, bottom)
        left_side = _end(picture, rough, edges, left, 1.0, wood, end_reach, sigma_px)
        right_side = _end(picture, rough, edges, right, -1.0, wood, end_reach, sigma_px)
        left, right = left_side.curve, right_side.curve
    arris = _Arris()
    if side_faces:
        arris = _to_arris(picture, rough, (top, bottom), (left, right), wood)
        if arris.top is not None:
            top_side = _long_edge(picture, rough, arris.top, 1.0, wood, reach, sigma_px, MOST_BENDS)
        if arris.bottom is not None:
            bottom_side = _long_edge(
                picture, rough, arris.bottom, -1.0, wood, reach, sigma_px, MOST_BENDS
            )
        if arris.top is not None or arris.bottom is not None:
            top, bottom = edges = (top_side.curve, bottom_side.curve)
            # The ends lean otherwise without the side face's part of them.
            far = ARRIS_REACH * rough.width
            left_side = _end(picture, rough, edges, left, 1.0, wood, far, sigma_px)
            right_side = _end(picture, rough, edges, right, -1.0, wood, far, sigma_px)
            left, right = left_side.curve, right_side.curve
    uneven = _winding(bottom - top) > UNEVEN * rough.length
    if uneven:
        outer = (top, bottom)
        top, bottom = _even_width(top, bottom)
        # What nine tenths of an edge say is sure enough.
        uneven = _stays(outer, (top, bottom)) < CLEAR_ENOUGH
    share = np.linspace(0.0, 1.0, 21)
    if (bottom(share) - top(share)).min() < 0.3 * rough.width:
        raise BlankNotFoundError(
            "the long edges of the blank could not be followed: a plain background of another "
            "colour, without hard shadows, makes them clear"
        )
    sides = (top_side, bottom_side, left_side, right_side)
    a, b, c, d = (side.clear for side in sides)
    # What both ends show does not stand on the light at the arris alone.
    a = max(a, arris.least_clear if arris.top is not None else 0.0)
    b = max(b, arris.least_clear if arris.bottom is not None else 0.0)
    scatter = (top_side.scatter_px, bottom_side.scatter_px)
    moved_in = (at_arris[0] or arris.top is not None, at_arris[1] or arris.bottom is not None)
    return Refined(
        top,
        bottom,
        left,
        right,
        scatter,
        (a, b, c, d),
        unexplained=arris.unexplained,
        at_arris=moved_in,
        uneven=uneven,
    )


def wood_colour(picture: ByteArray, rough: Rough) -> npt.NDArray[np.float32]:
    """Median colour (CIELAB) of the face's middle."""
    share = np.linspace(0.1, 0.9, 100)
    middle = (rough.top(share) + rough.bottom(share)) / 2.0
    offsets = np.linspace(-0.25, 0.25, 9) * rough.width
    band = unrolled_colours(picture, rough.points(share, middle), rough.across, offsets)
    return medians(band.reshape(-1, 3), 0)


@dataclass(frozen=True, slots=True)
class _Side:
    """One side found: its curve, the scatter of its points, and how much of it stands clear."""

    curve: Curve
    scatter_px: float
    clear: float
    share: FloatArray
    found: FloatArray
    weight: FloatArray


def _level_end(at: float) -> Curve:
    return Curve([at], domain=[0.0, 1.0])


def _without_side_face(picture: ByteArray, rough: Rough, edge: Curve, inwards: float) -> Curve:
    """The edge moved in to the arris where the neighbouring side face shows beyond it.

    Side and face are the same wood in different light, and the side stays in its own light from
    the arris to the outline, while ring stripes of the face darken and lighten again. So, going
    in from the outline, the arris is where the lightness first reaches the face's own range; in
    eight stretches along the length, joined by a robust straight line (the side narrows to
    one end in perspective).
    """
    share = np.linspace(0.02, 0.98, EDGE_POINTS)
    offsets = np.arange(0.0, 0.7 * rough.width, 1.0)
    points = rough.points(share, edge(share))
    band = unrolled_colours(picture, points, rough.across * inwards, offsets)[..., 0]
    depths = []
    for stretch in np.array_split(band, 8, axis=1):
        profile = medians(stretch, 1)
        inner = profile[len(profile) * 2 // 5 :]
        middle = median(inner)
        spread = max(1.5, 1.4826 * median(np.abs(inner - middle)))
        like_face = np.abs(profile - middle) < 3.0 * spread
        depths.append(float(offsets[int(np.argmax(like_face))]) if like_face.any() else 0.0)
    places = (np.arange(8) + 0.5) / 8
    slope, start = robust_line(places, np.array(depths))
    off = np.abs(np.array(depths) - (start + slope * places))
    # A side face may narrow to nothing at one end, but not come and go.
    if max(start, start + slope) < LEAST_SIDE_PX or np.median(off) > LEAST_SIDE_PX / 2.0:
        return edge
    if (
        np.median(depths) < LEAST_SIDE_PX
        and abs(rank_correlation(places, np.array(depths))) < STEADY
    ):
        return edge
    line = Curve.fit([0.0, 1.0], [max(0.0, start), max(0.0, start + slope)], 1, domain=[0.0, 1.0])
    return edge + inwards * line


def _alike(
    picture: ByteArray,
    rough: Rough,
    top: _Side,
    bottom: _Side,
    wood: npt.NDArray[np.float32],
    reach: float,
    sigma_px: float,
    bends: int,
) -> tuple[_Side, _Side]:
    """Both long edges, a faint one followed beside the clearer: both bend with one axis."""
    if min(top.clear, bottom.clear) > CLEAR_ENOUGH:
        return top, bottom
    if top.clear < bottom.clear:
        start = _beside(bottom.curve, top)
        return _long_edge(
            picture, rough, start, 1.0, wood, reach, sigma_px, bends, beside=bottom.curve
        ), bottom
    start = _beside(top.curve, bottom)
    return top, _long_edge(
        picture, rough, start, -1.0, wood, reach, sigma_px, bends, beside=top.curve
    )


def _beside(clear: Curve, side: _Side) -> Curve:
    """A faint edge as the clearer one and an evenly changing distance from it."""
    fitted, _ = smooth_curve(
        side.share, side.found - clear(side.share), side.weight, most_bends=WIDTH_BENDS
    )
    return clear + fitted


def _even_width(top: Curve, bottom: Curve) -> tuple[Curve, Curve]:
    """Both long edges, the more winding one put beside the other at a distance that changes evenly:
    it has left the face's arris for the outline of a side face, or follows a shaving.
    """
    even = _mostly(bottom - top)
    return (bottom - even, bottom) if _winding(top) > _winding(bottom) else (top, top + even)


def _mostly(apart: Curve) -> Curve:
    """The evenly changing distance that is kept along most of the length, the rest left out."""
    share = np.linspace(0.01, 0.99, EDGE_POINTS)
    distance = apart(share)
    slope, start = robust_line(share[::4], distance[::4])
    off = np.abs(distance - start - slope * share)
    most = off <= 2.0 * median(off)
    return smooth_curve(share[most], distance[most], np.ones(most.sum()), most_bends=WIDTH_BENDS)[0]


def _stays(before: tuple[Curve, Curve], after: tuple[Curve, Curve]) -> float:
    """Share of the length along which both long edges stay where they were."""
    share = np.linspace(0.01, 0.99, EDGE_POINTS)
    moved = np.max(
        [np.abs(a(share) - b(share)) for a, b in zip(before, after, strict=True)], axis=0
    )
    return float(np.mean(moved < SAME_EDGE_PX))


def _winding(course: Curve) -> float:
    """How far an edge, or the distance of two, leaves a curve that bends one way, in pixels."""
    share = np.linspace(0.01, 0.99, EDGE_POINTS)
    across = course(share)
    simple, _ = smooth_curve(share, across, np.ones_like(share), most_bends=WIDTH_BENDS)
    return float(np.abs(across - simple(share)).max())


@dataclass(frozen=True, slots=True)
class _Arris:
    """An edge that moves in to the arris of a side face; None where it stays.

    ``least_clear``: what its edge stands clear by the ends alone. ``unexplained``: see `Refined`.
    """

    top: Curve | None = None
    bottom: Curve | None = None
    least_clear: float = 0.0
    unexplained: bool = False


def _to_arris(
    picture: ByteArray,
    rough: Rough,
    edges: tuple[Curve, Curve],
    ends: tuple[Curve, Curve],
    wood: npt.NDArray[np.float32],
) -> _Arris:
    """The arris that the bends of the ends show."""
    bends = [
        _bend(picture, rough, edges, end, inwards, wood)
        for end, inwards in zip(ends, (1.0, -1.0), strict=True)
    ]
    found = arris_share(bends[0], bends[1], lambda: _lightness(picture, rough, edges))
    if found is None:
        return _Arris(unexplained=any(bend is not None and bend.clear for bend in bends))
    agreed = all(bend is not None for bend in bends) and abs(found[0] - found[1]) < AGREED
    least = AGREED_CLEAR if agreed else 0.0
    line = Curve.fit([0.0, 1.0], found, 1, domain=[0.0, 1.0])
    arris = edges[0] + line * (edges[1] - edges[0])
    if sum(found) < 1.0:
        return _Arris(top=arris, least_clear=least)
    return _Arris(bottom=arris, least_clear=least)


def _lightness(picture: ByteArray, rough: Rough, edges: tuple[Curve, Curve]) -> FloatArray:
    """L* of the outline's inside, (LIGHT_ROWS from the top to the bottom edge, LIGHT_COLUMNS)."""
    share = np.linspace(0.04, 0.96, LIGHT_COLUMNS)
    top, bottom = edges[0](share), edges[1](share)
    rows = []
    for part in (np.arange(LIGHT_ROWS) + 0.5) / LIGHT_ROWS:
        points = rough.points(share, top + part * (bottom - top))
        rows.append(unrolled_colours(picture, points, rough.across, np.zeros(1))[0, :, 0])
    return np.asarray(rows, dtype=np.float64)


def _bend(
    picture: ByteArray,
    rough: Rough,
    edges: tuple[Curve, Curve],
    end: Curve,
    inwards: float,
    wood: npt.NDArray[np.float32],
) -> Bend | None:
    """The bend of one end, followed over its whole width and far to both sides."""
    across = np.linspace(0.02, 0.98, int(np.clip(rough.width / 0.35, 40, 400)))
    along = end(across)
    inside = np.clip(along, 0.0, 1.0)
    v = edges[0](inside) + across * (edges[1](inside) - edges[0](inside))
    points = rough.points(along, v)
    reach = max(LEAST_ARRIS_REACH_PX, ARRIS_REACH * rough.width)
    trace = _step_towards(picture, points, rough.along * inwards, wood, reach, 1.2, 1.0)
    place = along * rough.length + inwards * trace.offset_px
    bend = bend_of(across, place, np.maximum(trace.step, 0.0))
    if bend is None:
        return None
    beyond = across < bend.share if bend.share < 0.5 else across > bend.share
    clear = bool(np.mean(trace.step[beyond] > 3.0 * trace.noise) > CLEAR_ENOUGH)
    return dataclasses.replace(bend, clear=clear)


def _long_edge(
    picture: ByteArray,
    rough: Rough,
    start: Curve,
    inwards: float,
    wood: npt.NDArray[np.float32],
    reach_px: float,
    sigma_px: float,
    bends: int,
    beside: Curve | None = None,
) -> _Side:
    share = np.linspace(0.01, 0.99, EDGE_POINTS)
    points = rough.points(share, start(share))
    normal = rough.across * inwards
    trace = _step_towards(picture, points, normal, wood, reach_px, sigma_px)
    trace, clear = _or_faint(picture, points, normal, trace, reach_px, sigma_px, EDGE_STRETCHES)
    weight = np.maximum(trace.step, 0.0)
    found = start(share) + inwards * trace.offset_px
    if beside is None:
        curve, scatter = smooth_curve(share, found, weight, most_bends=bends)
    else:
        apart = found - beside(share)
        curve, scatter = smooth_curve(share, apart, weight, most_bends=WIDTH_BENDS)
        curve = curve + beside
    return _Side(curve, scatter, clear, share, found, weight)


def _end(
    picture: ByteArray,
    rough: Rough,
    edges: tuple[Curve, Curve],
    start: Curve,
    inwards: float,
    wood: npt.NDArray[np.float32],
    reach_px: float,
    sigma_px: float,
) -> _Side:
    """An end as a line: share of the length as a function of the share across."""
    across = np.linspace(0.08, 0.92, END_POINTS)
    along = start(across)
    inside = np.clip(along, 0.02, 0.98)
    v = edges[0](inside) + across * (edges[1](inside) - edges[0](inside))
    points = rough.points(along, v)
    normal = rough.along * inwards
    trace = _step_towards(picture, points, normal, wood, reach_px, sigma_px)
    trace, clear = _or_faint(picture, points, normal, trace, reach_px, sigma_px, END_STRETCHES)
    target = along + inwards * trace.offset_px / rough.length
    line, scatter = smooth_curve(across, target, np.maximum(trace.step, 0.0), most_bends=1)
    weight = np.maximum(trace.step, 0.0)
    return _Side(line, scatter * rough.length, clear, across, target, weight)


def _step_towards(
    picture: ByteArray,
    points: FloatArray,
    normal: FloatArray,
    wood: npt.NDArray[np.float32],
    reach_px: float,
    sigma_px: float,
    spacing_px: float = 0.5,
) -> EdgeTrace:
    """Trace the step from background to wood; colours are projected on the line between them."""
    reach = max(reach_px, 4.0 * sigma_px)
    offsets = np.arange(-reach, reach + 0.5 * spacing_px, spacing_px)
    band = unrolled_colours(picture, points, normal, offsets)
    outside = medians(band[: max(2, len(offsets) // 6)].reshape(-1, 3), 0)
    difference = wood - outside
    power = float(difference @ difference)
    level = (band - outside) @ (difference / power) if power > 1e-6 else np.zeros(band.shape[:2])
    return trace_step(np.asarray(level, dtype=np.float32), offsets, sigma_px=sigma_px)


def _or_faint(
    picture: ByteArray,
    points: FloatArray,
    normal: FloatArray,
    trace: EdgeTrace,
    reach_px: float,
    sigma_px: float,
    stretches: int,
) -> tuple[EdgeTrace, float]:
    """The trace and its clear share, or those of a faint side if the trace does not stand clear."""
    clear = _clear_share(trace)
    if clear > CLEAR_ENOUGH:
        return trace, clear
    faint = faint_step(
        picture, points, normal, reach_px=reach_px, sigma_px=sigma_px, stretches=stretches
    )
    return faint.trace, faint.clear


def _clear_share(trace: EdgeTrace) -> float:
    return float(np.mean(trace.step > 3.0 * trace.noise)) if trace.noise > 0 else 0.0
