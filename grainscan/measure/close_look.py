"""A bar looked at closely, and its sides moved to where its ends and its surface say they are."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.bars import Bar, bar_between
from grainscan.measure.corners import EndSeen, ends_seen, moved_edges, shortfall
from grainscan.measure.edge_runs import edge_runs
from grainscan.measure.end_lines import EndLines, end_lines
from grainscan.measure.refine import Refined, refined
from grainscan.measure.regions import (
    LEAST_END_GAIN,
    LEAST_GAIN,
    EndOdds,
    end_odds,
    region_odds,
)
from grainscan.measure.side_face import in_another_light
from grainscan.measure.sides import Curve, Rough

__all__ = [
    "LEAST_BETTER",
    "Look",
    "Picture",
    "followed",
    "rough_of",
    "to_corners",
    "to_ends",
    "to_regions",
]

ByteArray = npt.NDArray[np.uint8]
Float32Array = npt.NDArray[np.float32]

EDGE_REACH_PX = 3.0
END_REACH_PX = 5.0
"""How far off the rough ends may lie, in pixels of the small picture: END_PX and one more."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A photograph's copies: ``work`` at ``work_scale``, and ``small_scale`` times as large as that
    its ``look`` (colours and texture) and the ``change`` of it downwards.
    """

    work: ByteArray
    work_scale: float
    small_scale: float
    look: Float32Array
    change: Float32Array


@dataclass(frozen=True, slots=True)
class Look:
    """A bar looked at closely: its sides as followed, and where the ends are seen.

    ``end_doubted``: the face's look gives way to the bench's elsewhere, where no end stands clear.
    """

    bar: Bar
    rough: Rough
    found: Refined
    seen: tuple[EndSeen, EndSeen]
    end_doubted: bool = False


def followed(picture: Picture, bar: Bar, rough: Rough) -> Look:
    found = refined(
        picture.work,
        rough,
        edge_reach_px=EDGE_REACH_PX / picture.small_scale,
        end_reach_px=END_REACH_PX / picture.small_scale,
    )
    return Look(bar, rough, found, ends_seen(picture.work, rough, found))


def rough_of(bar: Bar, scale: float) -> Rough:
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


LEAST_BETTER = 5.0
"""Log odds by which other corners must explain the ends better to be tried, and to be taken."""


def to_corners(picture: Picture, look: Look) -> Look:
    """The outline with one long edge moved to where the ends stop.

    It is taken if the bar there is much the better one, or if the edge is as clear there.
    """
    for moved in _moves_within_bench(picture, look):
        edges = (_small_points(moved, edge, picture) for edge in (moved.top, moved.bottom))
        bar = bar_between(picture.look, picture.change, *edges)
        try:
            if bar is not None and bar.score > MUCH_BETTER * look.bar.score:
                return followed(picture, bar, rough_of(bar, picture.small_scale))
            if bar is None or bar.score < AS_GOOD * look.bar.score:
                continue
            other = followed(picture, bar, moved)
        except BlankNotFoundError:
            continue
        now = shortfall(look.seen, look.found)
        better = shortfall(other.seen, other.found) < now - LEAST_BETTER
        least = max(CLEAR_ENOUGH, min(look.found.clear[:2]) - LESS_CLEAR)
        if better and min(other.found.clear[:2]) > least:
            return other
    return look


def _moves_within_bench(picture: Picture, look: Look) -> Iterator[Rough]:
    """Outlines with a long edge moved to where the ends stop, but for those that would leave out
    what looks like the face: a check or a pencil line along it may stop an end as an edge does.
    """
    odds = None
    for moved in moved_edges(
        picture.change, picture.small_scale, look.rough, look.found, look.seen
    ):
        odds = odds or region_odds(picture.work, look.rough, look.found)
        lost = sum(
            odds.at(side, now(odds.share)) - odds.at(side, then(odds.share))
            for side, (now, then) in enumerate(
                ((look.found.top, moved.top), (look.found.bottom, moved.bottom))
            )
        )
        if lost < LEAST_GAIN and not _over_a_side_face(picture, look, moved):
            yield moved


def _over_a_side_face(picture: Picture, look: Look, moved: Rough | Refined) -> bool:
    """Whether a long edge was moved out over what is in another light than the face."""
    share = np.linspace(0.05, 0.95, 9)
    found = look.found
    for now, then, out in ((found.top, moved.top, -1.0), (found.bottom, moved.bottom, 1.0)):
        outwards = float(np.median(out * (then(share) - now(share)))) > 0.0
        if outwards and in_another_light(picture.work, look.rough, now, then):
            return True
    return False


def to_regions(picture: Picture, look: Look) -> Look:
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
    if _over_a_side_face(picture, look, _with_edge(look.found, side, course, other)):
        return look
    try:
        moved = followed(picture, look.bar, _with_edge(look.rough, side, course, other))
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


def to_ends(picture: Picture, look: Look) -> Look:
    """The outline with its ends where the face's look gives way to the bench's along the length.

    A clearer end is taken for less of a gain, a fainter one for none: then the end is doubted where
    it is.
    """
    doubted = False
    for side in (0, 1):
        odds = end_odds(picture.work, look.rough, look.found, side)
        now = float((look.found.left, look.found.right)[side](0.5))
        gain = odds.at(odds.best) - odds.at(now)
        if gain < LEAST_CLEARER_GAIN:
            continue
        try:
            other = _followed_to(picture, look, side, odds.best)
        except BlankNotFoundError:
            doubted = doubted or gain > LEAST_END_GAIN
            continue
        clearer = other.found.clear[2 + side] - look.found.clear[2 + side]
        if clearer > ONE_STRETCH or (clearer > -ONE_STRETCH and gain > LEAST_END_GAIN):
            look = other
        elif gain > LEAST_END_GAIN:
            doubted = True
    for side in (0, 1):
        look = _to_clearer_end(picture, look, side)
    return dataclasses.replace(look, end_doubted=doubted)


def _followed_to(picture: Picture, look: Look, side: int, share: float) -> Look:
    """The outline with its left (0) or right (1) end at a share of its length, followed anew."""
    ends = (share, 1.0) if side == 0 else (0.0, share)
    return followed(picture, look.bar, _between(look, *ends))


def _to_clearer_end(picture: Picture, look: Look, side: int) -> Look:
    """The outline with one end where a line is clearer, or up to where both long edges run on."""
    lines = end_lines(picture.work, look.rough, look.found, side)
    now = float((look.found.left, look.found.right)[side](0.5))
    runs = edge_runs(picture.work, look.rough, look.found, side)
    share = _where_edges_run(lines, runs, now)
    if share is None:
        odds = end_odds(picture.work, look.rough, look.found, side)
        share = _where_surface_agrees(lines, odds, now)
    if share is None:
        return look
    try:
        return _followed_to(picture, look, side, share)
    except BlankNotFoundError:
        return look


def _where_edges_run(lines: EndLines, runs: EndOdds, now: float) -> float | None:
    """The place at which a line and both long edges together say by much that the end is there."""
    odds = LINE_TO_EDGES * lines.clear + np.array([runs.at(share) for share in lines.share])
    there = odds[np.abs(lines.share - now) <= SAME_END]
    best = int(np.argmax(odds))
    sure = len(there) and odds[best] - there.max() > LEAST_RUN_GAIN
    return float(lines.share[best]) if sure else None


def _where_surface_agrees(lines: EndLines, odds: EndOdds, now: float) -> float | None:
    """The place of a line that is much clearer, if the face's look does not say otherwise."""
    surface = np.array([odds.at(share) for share in lines.share])
    near = np.abs(lines.share - now) < NOT_FAR
    likely = np.where(near, LINE_TO_SURFACE * lines.clear + surface, -np.inf)
    best = int(np.argmax(likely))
    clearer = float(lines.clear[best]) - lines.near(now, SAME_END)
    agrees = surface[best] > odds.at(now) - LEAST_CLEARER_GAIN
    return float(lines.share[best]) if clearer > MUCH_CLEARER and agrees else None


LINE_TO_EDGES = 5.0
LINE_TO_SURFACE = 10.0
"""Log odds that a line is worth which is an end's at every place against one that is at none; its
places say much the same. (From trials with known outlines; half or twice as much does the same.)"""

LEAST_RUN_GAIN = 8.0
MUCH_CLEARER = 0.5
"""By how many of these and of the long edges' another place must be likelier, or by how much a line
clearer, -2 to 2. (Of 1078 ends, 79 of them wrong, the one mends twelve and spoils none, the other
mends eight and spoils one.)"""

SAME_END = 0.006
NOT_FAR = 0.15
"""How far off, in lengths, an end is still the same, and how far its surface is asked."""


def _between(look: Look, left: float, right: float) -> Rough:
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


def _small_points(rough: Rough, edge: Curve, picture: Picture) -> npt.NDArray[np.float64]:
    share = np.linspace(0.0, 1.0, 25)
    return (rough.points(share, edge(share)) + 0.5) * picture.small_scale - 0.5


MUCH_BETTER = 1.2
"""Times the score of the bar at hand, from which on another is better whatever the ends show."""

AS_GOOD = 0.6
"""Times the same, below which it is not taken however clear the moved edge is (from trials with
known outlines)."""

LEAST_CLEARER_GAIN = 3.0
"""Log odds by which another end's place must explain the surface better if it is the clearer one:
one to twenty."""

ONE_STRETCH = 0.2
"""By how much one end must be clearer than another to count as clearer: what is faint is seen in
sixths (`END_STRETCHES`)."""

LESS_CLEAR = 0.1
CLEAR_ENOUGH = 0.5
"""What a moved edge may be less clear by, and how clear it must be."""
