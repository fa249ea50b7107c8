"""How many blanks can be split from a log's end, following the rays.

A log is split through the pith into halves, quarters, eighths and so on; each wedge is split
along rings into tiers, and each tier's wedge is halved along rays down to size. A blank is then
the rectangle that fits its piece: pieces are parts of a wedge between two rays and two circles
round the pith, so that no two of them can share wood.

Geometry. A blank of width ``w`` (along the rings) and height ``h`` (along the ray) with its inner
side at distance ``r`` from the pith fits a wedge of angle ``β`` when ``r tan(β/2) ≥ w/2``, and
reaches out to ``√((r + h)² + w²/4)``. Angles are degrees counter-clockwise from the right,
lengths millimetres, all from the pith.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import InputError

__all__ = ["Billet", "BilletLayout", "layout_billets"]

Array = npt.NDArray[np.float64]

WEDGES = (2, 4, 8, 16, 32)
"""First splits through the pith: halves to thirty-seconds."""

TURN_STEPS = 12
"""Turns of the first split that are tried within one wedge's angle, where it is free."""

STEP_MM = 1.0
"""A tier is moved inwards by this where it does not fit under an outline that is out of round."""

MOST_HALVINGS = 5

SLACK_MM = 1e-9
"""Rounding of the arithmetic; a blank that just fits, fits."""


@dataclass(frozen=True, slots=True)
class Billet:
    """One blank: ``number`` from 1; ``wedge`` and ``tier`` from 1 (tier 1 next to the bark);
    ``corners_mm`` (4 points, right and up from the pith): inner right, outer right, outer left,
    inner left as seen from the pith; ``direction_deg``: its ray; ``inner_mm``: distance of its
    inner side from the pith.
    """

    number: int
    wedge: int
    tier: int
    direction_deg: float
    inner_mm: float
    corners_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class BilletLayout:
    """The blanks and the splits that free them.

    ``wedges``: how many the log is split into first; ``first_split_deg``: direction of one of
    those splits; ``billets``; ``width_mm``, ``height_mm``: size each piece was laid out for, with
    its allowance; ``tiers``: per wedge, the (inner, outer) radius in mm and number of pieces.
    """

    wedges: int
    first_split_deg: float
    width_mm: float
    height_mm: float
    billets: tuple[Billet, ...]
    tiers: tuple[tuple[tuple[float, float, int], ...], ...]

    @property
    def count(self) -> int:
        return len(self.billets)


def layout_billets(
    outline_mm: Sequence[tuple[float, float]] | Array,
    width_mm: float,
    height_mm: float,
    *,
    allowance_mm: float = 0.0,
    core_mm: float = 0.0,
    sapwood_mm: float = 0.0,
    edge_mm: float = 0.0,
    wedges: int | None = None,
    first_split_deg: float | None = None,
) -> BilletLayout:
    """The layout with most blanks.

    ``outline_mm`` (K, 2): the wood's outline under the bark, points right and up from the pith,
    which it must go round. ``width_mm``: the blank's side along the rings, ``height_mm`` along
    the ray; ``allowance_mm`` is left on every side. ``core_mm``: radius round the pith to keep
    clear of; ``sapwood_mm``: width under the bark to keep clear of, at right angles to the
    outline; ``edge_mm``: how far the outline may be off, kept clear of as well. ``wedges``: 2, 4,
    8, 16 or 32 to fix the first splits; ``first_split_deg``: to fix one's direction (an open
    check is split first). Raises :class:`InputError` for sizes that make no sense.
    """
    w, h = width_mm + 2 * allowance_mm, height_mm + 2 * allowance_mm
    if not (width_mm > 0 and height_mm > 0 and allowance_mm >= 0 and math.isfinite(w + h)):
        raise InputError("give the blank's section as two sizes above 0 mm")
    if core_mm < 0 or sapwood_mm < 0 or edge_mm < 0:
        raise InputError("give the widths to keep clear of as 0 mm or more")
    if wedges is not None and wedges not in WEDGES:
        raise InputError(f"a log is split by halving: into {', '.join(map(str, WEDGES))} wedges")
    edge = _Edge.of(np.asarray(outline_mm, np.float64), sapwood_mm + edge_mm)
    best: tuple[int, float, list[list[_Tier]]] | None = None
    most = -1
    for count in WEDGES if wedges is None else (wedges,):
        angle = 2 * math.pi / count
        starts = [i * angle / TURN_STEPS for i in range(TURN_STEPS)]
        if first_split_deg is not None:
            starts = [math.radians(first_split_deg)]
        for start in starts:
            search = [
                _Wedge(edge, start + k * angle, angle, w, h, core_mm).tiers() for k in range(count)
            ]
            total = sum(len(tier.pieces) for tiers in search for tier in tiers)
            if total > most:
                most, best = total, (count, start, search)
    assert best is not None
    return _layout(best[0], best[1], best[2], w, h)


@dataclass(frozen=True, slots=True)
class _Edge:
    """The outer limit as a distance from the pith by direction."""

    turn: Array
    distance: Array

    @classmethod
    def of(cls, outline: Array, inset_mm: float) -> _Edge:
        if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) < 3:
            raise InputError("the log's outline needs three points or more")
        turn = np.arctan2(outline[:, 1], outline[:, 0])
        order = np.argsort(turn)
        turn, ring = turn[order], outline[order]
        if np.diff(np.append(turn, turn[0] + 2 * np.pi)).max() >= np.pi:
            raise InputError("the pith must lie inside the log's outline")
        # Straight between the outline's points: a chord lies inside a round log.
        nodes = np.concatenate([turn[-1:] - 2 * np.pi, turn, turn[:1] + 2 * np.pi])
        ring = np.concatenate([ring[-1:], ring, ring[:1]])
        fine = np.linspace(-np.pi, np.pi, 2881)
        at = np.clip(np.searchsorted(nodes, fine, side="right") - 1, 0, len(nodes) - 2)
        a, b = ring[at], ring[at + 1]
        e = b - a
        way = np.stack([np.cos(fine), np.sin(fine)], axis=1)
        across = way[:, 0] * e[:, 1] - way[:, 1] * e[:, 0]
        distance = (a[:, 0] * e[:, 1] - a[:, 1] * e[:, 0]) / np.where(across == 0, 1.0, across)
        return cls(fine, _inset(fine, distance, inset_mm))

    def holds(self, x: Array, y: Array) -> npt.NDArray[np.bool_]:
        """Whether points (right, up) lie inside."""
        limit = np.interp(np.arctan2(y, x), self.turn, self.distance)
        return np.asarray(np.hypot(x, y) <= limit + SLACK_MM)

    def least_and_most(self, start: float, angle: float) -> tuple[float, float]:
        turn = start + np.linspace(0.0, angle, 181)
        turn = (turn + np.pi) % (2 * np.pi) - np.pi
        limit = np.interp(turn, self.turn, self.distance)
        return float(limit.min()), float(limit.max())


def _inset(turn: Array, distance: Array, inset_mm: float) -> Array:
    """How far one can go from the pith and keep ``inset_mm`` away from the whole outline.

    ``turn``: even directions once round, ends included; ``distance``: of the outline. Every point
    of the outline closes a disc to each ray that meets it. The discs are wider by what lies
    between two points, so that they cover the outline from one to the next.
    """
    if inset_mm == 0.0:
        return distance
    points = distance[:-1, None] * np.stack([np.cos(turn[:-1]), np.sin(turn[:-1])], axis=1)
    apart = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    disc = np.hypot(inset_mm, 0.5 * np.maximum(apart, np.roll(apart, 1)))
    widest = float(np.max(np.arcsin(np.minimum(disc / np.maximum(distance[:-1], 1e-9), 1.0))))
    reach = math.ceil(widest / float(turn[1] - turn[0]))
    limit = distance[:-1].copy()
    for k in range(-reach, reach + 1):
        far, wide = np.roll(distance[:-1], -k), np.roll(disc, -k)
        off = k * float(turn[1] - turn[0])
        depth = wide**2 - (far * math.sin(off)) ** 2
        met = (depth >= 0.0) & ((math.cos(off) > 0.0) | (far <= wide))
        first = far * math.cos(off) - np.sqrt(np.maximum(depth, 0.0))
        limit = np.where(met, np.minimum(limit, first), limit)
    limit = np.maximum(limit, 0.0)
    return np.append(limit, limit[0])


@dataclass(frozen=True, slots=True)
class _Tier:
    """Blanks of one tier: distance of their inner sides, reach, and the pieces' rays (radians)."""

    inner: float
    outer: float
    pieces: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class _Wedge:
    """A wedge between two rays, to be split into tiers and pieces."""

    edge: _Edge
    start: float
    angle: float
    w: float
    h: float
    core: float

    def tiers(self) -> list[_Tier]:
        """The tiers with most blanks, from the bark inwards (dynamic programming)."""
        least, most = self.edge.least_and_most(self.start, self.angle)
        known: dict[int, tuple[int, list[_Tier]]] = {}
        return self._best(most, least, known)[1]

    def _best(
        self, outer: float, least: float, known: dict[int, tuple[int, list[_Tier]]]
    ) -> tuple[int, list[_Tier]]:
        """Most blanks within ``outer`` of the pith; below ``least`` the outline plays no part."""
        inner = self._inner(outer)
        if inner < self.core or inner <= 0.0:
            return 0, []
        key = round(outer * 1000)
        if key in known:
            return known[key]
        best: tuple[int, list[_Tier]] = (0, [])
        pieces = self._pieces(inner, bounded=outer > least)
        if pieces:
            count, rest = self._best(inner, least, known)
            best = (count + len(pieces), [_Tier(inner, outer, pieces), *rest])
        # Further in, under an outline that is out of round, more of them may fit.
        if outer > least:
            other = self._best(max(outer - STEP_MM, least), least, known)
            if other[0] > best[0]:
                best = other
        known[key] = best
        return best

    def _inner(self, outer: float) -> float:
        return math.sqrt(max(outer**2 - (self.w / 2) ** 2, 0.0)) - self.h

    def _pieces(self, inner: float, *, bounded: bool) -> tuple[float, ...]:
        """Rays of the blanks that fit with the inner side at ``inner``: most over halvings."""
        best: tuple[float, ...] = ()
        for halvings in range(MOST_HALVINGS + 1):
            part = self.angle / 2**halvings
            # A half is as wide as one likes.
            if part < math.pi and inner * math.tan(part / 2) + SLACK_MM < self.w / 2:
                break
            rays = [self.start + (i + 0.5) * part for i in range(2**halvings)]
            if bounded:
                rays = [ray for ray in rays if self._inside(ray, inner)]
            if len(rays) > len(best):
                best = tuple(rays)
        return best

    def _inside(self, ray: float, inner: float) -> bool:
        side = np.linspace(-self.w / 2, self.w / 2, 13)
        up = np.linspace(inner, inner + self.h, 7)
        along = np.concatenate([np.full_like(side, inner + self.h), up, up])
        across = np.concatenate([side, np.full_like(up, -self.w / 2), np.full_like(up, self.w / 2)])
        c, d = math.cos(ray), math.sin(ray)
        return bool(self.edge.holds(along * c - across * d, along * d + across * c).all())


def _layout(
    wedges: int, start: float, search: list[list[_Tier]], w: float, h: float
) -> BilletLayout:
    billets: list[Billet] = []
    for k, tiers in enumerate(search):
        for j, tier in enumerate(tiers):
            for ray in tier.pieces:
                c, d = math.cos(ray), math.sin(ray)
                corners = tuple(
                    (a * c - b * d, a * d + b * c)
                    for a, b in (
                        (tier.inner, -w / 2),
                        (tier.inner + h, -w / 2),
                        (tier.inner + h, w / 2),
                        (tier.inner, w / 2),
                    )
                )
                billets.append(
                    Billet(
                        len(billets) + 1,
                        k + 1,
                        j + 1,
                        math.degrees(ray) % 360.0,
                        tier.inner,
                        corners,
                    )
                )
    shown = tuple(tuple((t.inner, t.outer, len(t.pieces)) for t in tiers) for tiers in search)
    return BilletLayout(wedges, math.degrees(start) % 360.0, w, h, tuple(billets), shown)
