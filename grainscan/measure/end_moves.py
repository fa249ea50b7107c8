"""An end moved along the length to where a line, the long edges and the surface say it is."""

from __future__ import annotations

import dataclasses

import numpy as np

from grainscan.errors import BlankNotFoundError
from grainscan.measure.close_look import END_REACH_PX, Look, Picture, followed
from grainscan.measure.edge_runs import edge_runs
from grainscan.measure.end_lines import end_lines
from grainscan.measure.regions import LEAST_END_GAIN, end_odds
from grainscan.measure.sides import Curve, Rough

__all__ = ["to_ends"]

LEAST_CLEARER_GAIN = 3.0
"""Log odds by which another end's place must explain the surface better if it is the clearer one:
one to twenty."""

ONE_STRETCH = 0.2
"""By how much one end must be clearer than another to count as clearer: what is faint is seen in
sixths (`END_STRETCHES`)."""

SURFACE_COUNTS = 0.5
"""The surface ends where the long edges do, so that both say in part the same."""

LEAST_LIKELIER = 8.0
"""Log odds by which another place must be likelier (of 688 ends of unsure outlines, 50 of them
wrong, it mends 16 and spoils three)."""

NEAR_END_PX = 2.0
"""As END_REACH_PX, where a line is known to lie."""

SAME_END = 0.006
NOT_FAR = 0.15
"""How far off, in lengths, an end is still the same, and how far its surface is asked."""


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
        look = _to_likelier_end(picture, look, side)
    return dataclasses.replace(look, end_doubted=doubted)


def _followed_to(
    picture: Picture, look: Look, side: int, share: float, end_reach_px: float = END_REACH_PX
) -> Look:
    """The outline with its left (0) or right (1) end at a share of its length, followed anew."""
    ends = (share, 1.0) if side == 0 else (0.0, share)
    return followed(picture, look.bar, _between(look, *ends), end_reach_px)


def _to_likelier_end(picture: Picture, look: Look, side: int) -> Look:
    """The outline with one end where a line, both long edges and the surface say it is, if they do
    so by much.
    """
    lines = end_lines(picture.work, look.rough, look.found, side)
    runs = edge_runs(picture.work, look.rough, look.found, side)
    surface = end_odds(picture.work, look.rough, look.found, side)
    there = runs.along(lines.share) + SURFACE_COUNTS * surface.along(lines.share)
    away = np.abs(lines.share - float((look.found.left, look.found.right)[side](0.5)))
    likely = np.where(away < NOT_FAR, lines.odds + there, -np.inf)
    best = int(np.argmax(likely))
    now = (lines.own_odds + there)[away <= SAME_END]
    if not len(now) or likely[best] - now.max() < LEAST_LIKELIER:
        return look
    try:
        return _followed_to(picture, look, side, float(lines.share[best]), NEAR_END_PX)
    except BlankNotFoundError:
        return look


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
