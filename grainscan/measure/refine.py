"""From a rough outline to one of sub-pixel edges: two long edges as smooth curves, two ends."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.edges import MOST_BENDS, smooth_curve
from grainscan.measure.lines import robust_line
from grainscan.measure.medians import median
from grainscan.measure.side_face import Arris, arris_by_ends, arris_by_light
from grainscan.measure.sides import (
    CLEAR_ENOUGH,
    EDGE_POINTS,
    WIDTH_BENDS,
    Curve,
    Rough,
    Side,
    end_line,
    level_end,
    long_edge,
    wood_colour,
)

__all__ = ["Refined", "refined"]

ByteArray = npt.NDArray[np.uint8]
Float32Array = npt.NDArray[np.float32]

COARSE_BENDS = 4

CLEAR_BENDS = 2
"""Bends of the distance of two clear long edges: taper, perspective, a little unevenness."""

SEEN = 0.3
"""Share of an arris that must stand clear if only one end tells it. (Of those with known outlines a
joint of the bench hardly ever reaches it; an arris does as a rule.)"""

UNEVEN = np.tan(np.radians(1.0 / 6.0))
"""Bulge of the distance of both long edges, in lengths, that hardly a face has by itself (as steep
as a sixth of a degree over the length). From trials with known outlines."""

SAME_CORNER_PX = 2.0
"""What a corner that a bend of an end tells is uncertain by (from trials with known outlines)."""

SAME_EDGE_PX = 1.5
"""An edge's own blur reaches about so far."""


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
    far, near = (
        _Follower(picture, rough, wood, reach * edge_reach_px, reach * end_reach_px, sigma, bends)
        for reach, sigma, bends in ((1.0, 2.0, COARSE_BENDS), (0.5, 1.2, MOST_BENDS))
    )
    sides = far.sides(rough.top, rough.bottom, (level_end(0.0), level_end(1.0)))
    if side_faces:
        sides, arris = _to_the_face(near, sides)
    else:
        sides, arris = near.sides(*sides.edges, sides.ends), Arris(*sides.edges)
    top, bottom = sides.edges
    uneven = _winding(bottom - top) > UNEVEN * rough.length
    if uneven:
        outer = (top, bottom)
        top, bottom = _even_width(top, bottom)
        # What nine tenths of an edge say is sure enough.
        uneven = _stays(outer, (top, bottom)) < CLEAR_ENOUGH
    share = np.linspace(0.0, 1.0, 21)
    if (bottom(share) - top(share)).min() < 0.3 * median(arris.bottom(share) - arris.top(share)):
        raise BlankNotFoundError(
            "the long edges of the blank could not be followed: a plain background of another "
            "colour, without hard shadows, makes them clear"
        )
    clear = [side.clear for side in (sides.top, sides.bottom, sides.left, sides.right)]
    for side in (0, 1):
        # What both ends show does not stand on the light at the arris alone.
        if arris.ends and arris.moved[side]:
            clear[side] = max(clear[side], arris.least_clear)
    return Refined(
        top,
        bottom,
        sides.left.curve,
        sides.right.curve,
        (sides.top.scatter_px, sides.bottom.scatter_px),
        (clear[0], clear[1], clear[2], clear[3]),
        unexplained=arris.unexplained,
        at_arris=arris.moved,
        uneven=uneven,
    )


@dataclass(frozen=True, slots=True)
class _Sides:
    """The four sides of an outline, each followed."""

    top: Side
    bottom: Side
    left: Side
    right: Side

    @property
    def edges(self) -> tuple[Curve, Curve]:
        return self.top.curve, self.bottom.curve

    @property
    def ends(self) -> tuple[Curve, Curve]:
        return self.left.curve, self.right.curve


@dataclass(frozen=True, slots=True)
class _Follower:
    """Follows sides of one outline in one picture: how far off and how finely."""

    picture: ByteArray
    rough: Rough
    wood: Float32Array
    edge_reach_px: float
    end_reach_px: float
    sigma_px: float
    bends: int

    def sides(self, top: Curve, bottom: Curve, ends: tuple[Curve, Curve]) -> _Sides:
        """All four sides near a first guess of each."""
        edges = self._alike(self.edge(top, 1.0), self.edge(bottom, -1.0))
        curves = edges[0].curve, edges[1].curve
        return _Sides(*edges, self._end(curves, ends[0], 1.0), self._end(curves, ends[1], -1.0))

    def edge(self, start: Curve, inwards: float, beside: Curve | None = None) -> Side:
        reach = max(self.edge_reach_px, 4.0 * self.sigma_px)
        return long_edge(
            self.picture,
            self.rough,
            start,
            inwards,
            self.wood,
            reach,
            self.sigma_px,
            self.bends,
            beside=beside,
        )

    def _end(self, edges: tuple[Curve, Curve], start: Curve, inwards: float) -> Side:
        reach = max(self.end_reach_px, 4.0 * self.sigma_px)
        return end_line(
            self.picture, self.rough, edges, start, inwards, self.wood, reach, self.sigma_px
        )

    def _alike(self, top: Side, bottom: Side) -> tuple[Side, Side]:
        """Both long edges, a faint one followed beside the clearer: both bend with one axis."""
        if min(top.clear, bottom.clear) > CLEAR_ENOUGH:
            return top, bottom
        if top.clear < bottom.clear:
            return self.edge(_beside(bottom.curve, top), 1.0, bottom.curve), bottom
        return top, self.edge(_beside(top.curve, bottom), -1.0, top.curve)


def _to_the_face(near: _Follower, sides: _Sides) -> tuple[_Sides, Arris]:
    """The sides, followed closely, of the face alone, and the arris where a side face was left out.

    The ends are asked first, for light alone may take a ring for an arris. Where only one end tells
    an arris, it must be seen along the length too: a joint of the bench may be taken for a bend.
    """
    by_ends = arris_by_ends(near.picture, near.rough, sides.edges, sides.ends, near.wood)
    if by_ends.ends is not None:
        inner = _kept_to_corners(near.sides(by_ends.top, by_ends.bottom, by_ends.ends), by_ends)
        edge = inner.top if by_ends.moved[0] else inner.bottom
        if all(by_ends.told) or edge.clear > SEEN:
            return inner, by_ends
    by_light = arris_by_light(near.picture, near.rough, *sides.edges)
    sides = near.sides(by_light.top, by_light.bottom, sides.ends)
    # Between finer edges a bend may show that was none between the coarse ones.
    arris = arris_by_ends(near.picture, near.rough, sides.edges, sides.ends, near.wood)
    if arris.ends is not None and all(arris.told):
        sides = _kept_to_corners(near.sides(arris.top, arris.bottom, arris.ends), arris)
    elif arris.ends is not None:
        arris = Arris(*sides.edges, unexplained=True)
    moved = (arris.moved[0] or by_light.moved[0], arris.moved[1] or by_light.moved[1])
    return sides, dataclasses.replace(arris, moved=moved)


def _kept_to_corners(sides: _Sides, arris: Arris) -> _Sides:
    """The sides with a moved edge where the ends tell the arris, if what was followed is elsewhere:
    rings are clearer than an arris between two faces in one light.
    """
    top, bottom = sides.top, sides.bottom
    if arris.moved[0] and _leaves(sides.top.curve, arris.top, arris.told):
        top = dataclasses.replace(sides.top, curve=arris.top, clear=0.0)
    if arris.moved[1] and _leaves(sides.bottom.curve, arris.bottom, arris.told):
        bottom = dataclasses.replace(sides.bottom, curve=arris.bottom, clear=0.0)
    return dataclasses.replace(sides, top=top, bottom=bottom)


def _leaves(followed: Curve, arris: Curve, told: tuple[bool, bool]) -> bool:
    """Whether an edge leaves the arris at an end that tells where it lies."""
    off = np.abs(followed(np.array([0.0, 1.0])) - arris(np.array([0.0, 1.0])))
    return bool((off > SAME_CORNER_PX)[list(told)].any())


def _beside(clear: Curve, side: Side) -> Curve:
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
    return smooth_curve(share[most], distance[most], np.ones(most.sum()), most_bends=CLEAR_BENDS)[0]


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
    simple, _ = smooth_curve(share, across, np.ones_like(share), most_bends=CLEAR_BENDS)
    return float(np.abs(across - simple(share)).max())
