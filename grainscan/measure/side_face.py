"""A side face that an outline takes in: the edge moved in to the arris, by the ends or by light."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.arris import ArrisShares, EndTrace, arris_shares, bend_of
from grainscan.measure.edges import smooth_curve, unrolled_colours
from grainscan.measure.lines import rank_correlation, robust_line
from grainscan.measure.look import features
from grainscan.measure.medians import median, medians
from grainscan.measure.sides import CLEAR_ENOUGH, EDGE_POINTS, Curve, Rough, step_towards

__all__ = ["Arris", "arris_by_ends", "arris_by_light", "in_another_light"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

LEAST_SIDE_PX = 2.5
"""An edge's own blur reaches a pixel or two; only a deeper band is a side face."""

STEADY = 0.8
"""Rank correlation of a narrowing side face's depth with the place along the length."""

ARRIS_REACH = 0.7
LEAST_ARRIS_REACH_PX = 25.0
"""How far a side face's corner may lie from the face's end gone on with, in widths and at least."""

AGREED = 0.1
"""Difference of the shares of the width at which both ends bend, below which they agree."""

AGREED_CLEAR = 0.75
LOOK_ROWS = 120
LOOK_COLUMNS = 320
LOOK_SPREADS = (8.0, 1.0)
"""Of the means of colour and texture, in columns and rows."""


@dataclass(frozen=True, slots=True)
class Arris:
    """Long edges of an outline, moved in to an arris where ``moved`` says so (top, bottom).

    ``ends``: where the face's own part of both ends runs; None where they stay as they were.
    ``told``: whether the left and the right end tell the arris' place. ``least_clear``: what a
    moved edge stands clear by the ends alone. ``unexplained``: an end bends as if a side face were
    seen, but no arris was found.
    """

    top: Curve
    bottom: Curve
    moved: tuple[bool, bool] = (False, False)
    ends: tuple[Curve, Curve] | None = None
    told: tuple[bool, bool] = (False, False)
    least_clear: float = 0.0
    unexplained: bool = False


def arris_by_light(picture: ByteArray, rough: Rough, top: Curve, bottom: Curve) -> Arris:
    """The outline of long edges ``top`` and ``bottom`` without a side face in another light."""
    inner_top = _inside_side_face(picture, rough, top, 1.0)
    inner_bottom = _inside_side_face(picture, rough, bottom, -1.0)
    return Arris(inner_top, inner_bottom, (inner_top is not top, inner_bottom is not bottom))


def _inside_side_face(picture: ByteArray, rough: Rough, edge: Curve, inwards: float) -> Curve:
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


def in_another_light(picture: ByteArray, rough: Rough, edge: Curve, outer: Curve) -> bool:
    """Whether what lies between a long edge and an ``outer`` course is in another light than the
    face all along the length, as a side face is, and what lies between rings is not.
    """
    share = np.linspace(0.02, 0.98, EDGE_POINTS)
    away = outer(share) - edge(share)
    if np.median(np.abs(away)) < LEAST_SIDE_PX:
        return False
    # Off the edge's own blur, and as far in as out.
    parts = np.linspace(0.25, 0.9, 8)[:, None]
    points = rough.points(share, edge(share))
    light = []
    for way in (parts, -parts):
        x, y = np.moveaxis(points + (way * away)[..., None] * rough.across, -1, 0)
        rows = np.clip(np.round(y).astype(int), 0, picture.shape[0] - 1)
        columns = np.clip(np.round(x).astype(int), 0, picture.shape[1] - 1)
        light.append(_lightness(picture[rows, columns]))
    steps = [median(stretch) for stretch in np.array_split(light[0] - light[1], 8, axis=1)]
    return bool(min(steps) > LEAST_LIGHT or max(steps) < -LEAST_LIGHT)


LEAST_LIGHT = 3.0
"""L* by which a side face differs from the face in every stretch."""


def _lightness(colours: ByteArray) -> Float32Array:
    """L* of colours (..., 3) uint8 RGB."""
    import cv2

    flat = colours.reshape(-1, 1, 3).astype(np.float32) / np.float32(255.0)
    lab = cv2.cvtColor(flat, cv2.COLOR_RGB2LAB)
    return np.asarray(lab[:, 0, 0].reshape(colours.shape[:-1]), dtype=np.float32)


def arris_by_ends(
    picture: ByteArray,
    rough: Rough,
    edges: tuple[Curve, Curve],
    ends: tuple[Curve, Curve],
    wood: Float32Array,
) -> Arris:
    """The outline of long ``edges`` and ``ends`` without a side face at which its ends bend."""
    left, right = (
        _traced(picture, rough, edges, end, inwards, wood)
        for end, inwards in zip(ends, (1.0, -1.0), strict=True)
    )
    found = arris_shares((left, right), lambda: _look(picture, rough, edges), rough.width)
    if found is None:
        clear = any(end.bend is not None and end.bend.clear for end in (left, right))
        return Arris(*edges, unexplained=clear)
    line = Curve.fit([0.0, 1.0], [found.left, found.right], 1, domain=[0.0, 1.0])
    arris = edges[0] + line * (edges[1] - edges[0])
    return Arris(
        arris if found.above else edges[0],
        edges[1] if found.above else arris,
        (found.above, not found.above),
        ends=_faces_ends(found, (left, right), ends, rough),
        told=found.told,
        least_clear=AGREED_CLEAR
        if all(found.told) and abs(found.left - found.right) < AGREED
        else 0.0,
    )


def _faces_ends(
    found: ArrisShares, traced: tuple[EndTrace, EndTrace], ends: tuple[Curve, Curve], rough: Rough
) -> tuple[Curve, Curve]:
    """The ends of the face alone: share of the length over the share of the face's width."""
    made = []
    for share, told, trace, end in zip(
        (found.left, found.right), found.told, traced, ends, strict=True
    ):
        first, last = (share, 1.0) if found.above else (0.0, share)
        if told:
            place = (trace.across - first) / (last - first)
            own = (place > 0.0) & (place < 1.0)
            along = trace.along_px[own] / rough.length
            line, _ = smooth_curve(place[own], along, trace.weight[own], most_bends=1)
        else:
            line = Curve.fit([0.0, 1.0], end(np.array([first, last])), 1, domain=[0.0, 1.0])
        made.append(line)
    return made[0], made[1]


def _look(picture: ByteArray, rough: Rough, edges: tuple[Curve, Curve]) -> Float32Array:
    """Features of the outline's inside, (LOOK_ROWS from top to bottom, LOOK_COLUMNS, F)."""
    import cv2

    share = np.linspace(0.01, 0.99, LOOK_COLUMNS)
    top, bottom = edges[0](share), edges[1](share)
    part = (np.arange(LOOK_ROWS) + 0.5)[:, None] / LOOK_ROWS
    across = (top + part * (bottom - top))[..., None] * rough.across
    along = (rough.left + share * rough.length)[:, None] * rough.along
    points = (rough.origin + along + across).astype(np.float32)
    band = cv2.remap(picture, points[..., 0], points[..., 1], cv2.INTER_LINEAR)
    return features(np.asarray(band, np.uint8), *LOOK_SPREADS)


def _traced(
    picture: ByteArray,
    rough: Rough,
    edges: tuple[Curve, Curve],
    end: Curve,
    inwards: float,
    wood: Float32Array,
) -> EndTrace:
    """One end followed over its whole width and far to both sides, and its bend."""
    across = np.linspace(0.02, 0.98, int(np.clip(rough.width / 0.35, 40, 400)))
    along = end(across)
    inside = np.clip(along, 0.0, 1.0)
    v = edges[0](inside) + across * (edges[1](inside) - edges[0](inside))
    points = rough.points(along, v)
    reach = max(LEAST_ARRIS_REACH_PX, ARRIS_REACH * rough.width)
    trace = step_towards(picture, points, rough.along * inwards, wood, reach, 1.2, 1.0)
    place = along * rough.length + inwards * trace.offset_px
    weight = np.maximum(trace.step, 0.0)
    bend = bend_of(across, place, weight)
    if bend is not None:
        beyond = across < bend.share if bend.share < 0.5 else across > bend.share
        clear = bool(np.mean(trace.step[beyond] > 3.0 * trace.noise) > CLEAR_ENOUGH)
        bend = dataclasses.replace(bend, clear=clear)
    return EndTrace(across, place, weight, bend)
