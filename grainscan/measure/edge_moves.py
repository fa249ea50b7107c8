"""A long edge moved to where the ends of a face stop, or where its look gives way to the bench."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.bars import bar_between
from grainscan.measure.close_look import Look, Picture, followed, rough_of
from grainscan.measure.corners import USUAL_TAPER, moved_edges, shortfall, shortfalls, taper
from grainscan.measure.refine import Refined
from grainscan.measure.regions import LEAST_GAIN, RegionOdds, region_odds
from grainscan.measure.side_face import in_another_light
from grainscan.measure.sides import Curve, Rough

__all__ = ["LEAST_BETTER", "to_corners", "to_regions"]

LEAST_BETTER = 5.0
"""Log odds by which other corners must explain the ends better to be tried, and to be taken."""

MUCH_BETTER = 1.2
"""Times the score of the bar at hand, from which on another is better whatever the ends show."""

AS_GOOD = 0.6
"""Times the same, below which it is not taken however clear the moved edge is (from trials with
known outlines)."""

LESS_CLEAR = 0.1
CLEAR_ENOUGH = 0.5
"""What a moved edge may be less clear by, and how clear it must be."""

CORNERS_COUNT = 2.0
"""Log odds of the ends' corners count so many times as much as those of the surface: a face's look
drifts along it, and what an end shows of its corners does not (from trials with known outlines)."""

SURELY_CLEAR = 0.9
"""Share of a long edge's points that stand clear, from which on it is asked for only if the ends
contradict it."""


def to_corners(picture: Picture, look: Look) -> Look:
    """The outline with one long edge moved to where the ends stop.

    It is taken if the bar there is much the better one, if the edge is as clear there, or if the
    surface agrees.
    """
    for moved in _moves_within_bench(picture, look):
        edges = (_small_points(moved, edge, picture) for edge in (moved.top, moved.bottom))
        bar = bar_between(picture.look, picture.change, *edges)
        score = 0.0 if bar is None else bar.score
        try:
            if bar is not None and score > MUCH_BETTER * look.bar.score:
                return followed(picture, bar, rough_of(bar, picture.small_scale))
            other = followed(picture, look.bar if bar is None else bar, moved)
        except BlankNotFoundError:
            continue
        now = shortfall(look.seen, look.found)
        gain = now - shortfall(other.seen, other.found)
        least = max(CLEAR_ENOUGH, min(look.found.clear[:2]) - LESS_CLEAR)
        clear = min(other.found.clear[:2]) > least and score > AS_GOOD * look.bar.score
        if gain > LEAST_BETTER and (clear or _explains_more(picture, look, other, gain)):
            return other
    return look


def _explains_more(picture: Picture, look: Look, other: Look, corners_gain: float) -> bool:
    """Whether ends and surface together speak for another outline by twice what they must: the edge
    itself does not. One that makes a face taper more needs an edge that is seen.
    """
    if taper(other.found) > max(taper(look.found), USUAL_TAPER):
        return False
    # What face and bench look like is learnt from either outline.
    both = (region_odds(picture.work, look.rough, found) for found in (look.found, other.found))
    lost = sum(_lost(odds, look.found, other.found) for odds in both) / 2.0
    return CORNERS_COUNT * corners_gain - lost > 2.0 * LEAST_GAIN


def _moves_within_bench(picture: Picture, look: Look) -> Iterator[Rough]:
    """Outlines with a long edge moved to where the ends stop, but for those that would leave out
    what looks like the face: a check or a pencil line along it may stop an end as an edge does.
    """
    now = None
    for moved in moved_edges(
        picture.change, picture.small_scale, look.rough, look.found, look.seen
    ):
        now = now or region_odds(picture.work, look.rough, look.found)
        lost = _lost(now, look.found, moved)
        if lost >= LEAST_GAIN:
            # Of an edge far inside the face, what is beyond it was learnt as the bench.
            then = dataclasses.replace(look.found, top=moved.top, bottom=moved.bottom)
            lost += _lost(region_odds(picture.work, look.rough, then), look.found, moved)
        if lost < LEAST_GAIN and not _over_a_side_face(picture, look, moved):
            yield moved


def _lost(odds: RegionOdds, found: Refined, moved: Rough | Refined) -> float:
    """Log odds by which places speak for the outline's long edges and against the moved ones."""
    edges = ((found.top, moved.top), (found.bottom, moved.bottom))
    return sum(
        odds.at(side, now(odds.share)) - odds.at(side, then(odds.share))
        for side, (now, then) in enumerate(edges)
    )


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
    """The outline with its long edges where the face's look gives way to the bench's, if they are
    faint or the ends contradict them.
    """
    short = shortfalls(look.seen, look.found)
    odds: RegionOdds | None = None
    for side in sorted((0, 1), key=lambda side: -short[side]):
        asked = short[side] > LEAST_BETTER or look.found.clear[side] < SURELY_CLEAR
        # Beyond an arris lies the face's own wood.
        if not asked or look.found.at_arris[side]:
            continue
        odds = odds or region_odds(picture.work, look.rough, look.found)
        moved = _to_region(picture, look, side, odds)
        if moved is not look:
            look, odds = moved, None
    return look


def _to_region(picture: Picture, look: Look, side: int, odds: RegionOdds) -> Look:
    """The outline with its top (0) or bottom (1) edge there, if that is likelier by much.

    ``odds``: those round the outline.
    """
    clear = look.found.clear[side] > SURELY_CLEAR
    # A line that stands clear may be a ring, but is worth as much again.
    least = LEAST_GAIN * (2.0 if clear else 1.0)
    now, other = _edges(look.found, side)
    course = odds.best(side, other)
    before, likeliest = (odds.at(side, edge(odds.share)) for edge in (now, course))
    if likeliest - before < least:
        return look
    there = _with_edge(look.found, side, course, other)
    short = shortfall(look.seen, look.found)
    better = short - shortfall(look.seen, there)
    # A side face is of the same wood as the face, and ends where the face does; but a dark ring may
    # look like one, and then the edge is no arris that stands clear.
    if (clear or better < LEAST_BETTER) and _over_a_side_face(picture, look, there):
        return look
    try:
        moved = followed(picture, look.bar, _with_edge(look.rough, side, course, other))
    except BlankNotFoundError:
        return look
    if odds.at(side, _edges(moved.found, side)[0](odds.share)) < likeliest - LEAST_GAIN:
        # What is followed there is a ring again.
        found = _with_edge(moved.found, side, course, _edges(moved.found, side)[1])
        shares = list(moved.found.clear)
        shares[side] = 0.0
        a, b, c, d = shares
        moved = dataclasses.replace(moved, found=dataclasses.replace(found, clear=(a, b, c, d)))
    after = odds.at(side, _edges(moved.found, side)[0](odds.share))
    worse = shortfall(look.seen, moved.found) - short
    return look if after - before - CORNERS_COUNT * worse < least else moved


_Sides = TypeVar("_Sides", Rough, Refined)


def _with_edge(of: _Sides, side: int, edge: Curve, other: Curve) -> _Sides:
    top, bottom = (edge, other) if side == 0 else (other, edge)
    return dataclasses.replace(of, top=top, bottom=bottom)


def _edges(found: Refined, side: int) -> tuple[Curve, Curve]:
    """The long edge of one side (0 the top one, 1 the bottom one), and the other."""
    return (found.top, found.bottom) if side == 0 else (found.bottom, found.top)


def _small_points(rough: Rough, edge: Curve, picture: Picture) -> npt.NDArray[np.float64]:
    share = np.linspace(0.0, 1.0, 25)
    return (rough.points(share, edge(share)) + 0.5) * picture.small_scale - 0.5
