"""Rings along one radius of a whole log's end.

A strip a few degrees wide is laid out by growth share and direction, so that rings lie nearly
level in it whatever the pith's place; it is then read like a section whose bark is above.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.log_end_pith import LogRings
from grainscan.measure.rings_anatomy import (
    Anatomy,
    AnatomyFound,
    Profiles,
    profiles,
    rank_anatomies,
)
from grainscan.measure.rings_boundaries import BoundaryRows, find_boundaries, ring_rows
from grainscan.measure.rings_chain import unseen_chances
from grainscan.measure.rings_geometry import ArcFamily
from grainscan.measure.rings_straighten import straighten
from grainscan.measure.rings_view import EndView, ring_texture

__all__ = ["RadiusRings", "Strip", "read_strip", "rings_in_strip", "strip_point"]

Array = npt.NDArray[np.float64]

ROWS_PX = 1800
"""Longest strip. Rows are closer than the photograph's pixels, because boundaries are sought at
scales of some rows: a ring of five pixels then has eleven rows."""

COLUMNS_PX = 240
HALF_DEG = 7.0
"""Half the strip's angle: wide enough for many rays and pores, too narrow for the log's waves."""

SHARES = (0.01, 0.99)
"""From just outside the pith itself to just under the bark."""


@dataclass(frozen=True, slots=True)
class RadiusRings:
    """Ring boundaries along a radius at ``direction_deg`` (counter-clockwise from the right).

    ``shares`` (increasing) of the distance from pith to bark along it, with ``confidence`` each,
    are the boundaries that were seen; ``rings``: those, and the ones that must lie unseen next to
    the pith and under the bark; ``rings_low``, ``rings_high``: 90 % interval of this radius alone;
    ``length``: distance from pith to bark in radii of the log's circle.
    """

    direction_deg: float
    length: float
    shares: tuple[float, ...]
    confidence: tuple[float, ...]
    rings: int
    rings_low: int
    rings_high: int
    strength: float


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip made ready: averages along the rings, their usual width in rows, rows' shares."""

    direction_rad: float
    averages: Profiles
    usual: float
    shares: Array
    anatomies: tuple[AnatomyFound, ...]


def strip_point(rings: LogRings, edge: Array, share: Array, turn: Array) -> tuple[Array, Array]:
    """Points (radii from the circle's centre, y up) at growth shares and directions.

    ``edge`` (K,): the wood's edge as a distance from the outermost ring's centre
    (pith + drift), over the radius, for K even directions from the right.
    """
    around = np.linspace(0, 2 * np.pi, len(edge) + 1)
    far = np.interp(turn % (2 * np.pi), around, np.append(edge, edge[0]))
    # Young rings are rounder than the bark: the edge's shape grows in with the share.
    far = share * (1.0 + share * (far - 1.0))
    x = rings.pith[0] + share * rings.drift[0] + far * np.cos(turn)
    y = rings.pith[1] + share * rings.drift[1] + far * np.sin(turn)
    return x, y


def read_strip(
    pixels: npt.NDArray[np.uint8],
    centre_px: tuple[float, float],
    radius_px: float,
    rings: LogRings,
    edge: Array,
    direction_rad: float,
) -> Strip:
    """Lay out one strip of the photograph ``pixels`` (M, N, 3) uint8 RGB and average it."""
    import cv2

    rows = int(np.clip(radius_px * 2.2, 240, ROWS_PX))
    share = np.linspace(SHARES[1], SHARES[0], rows)
    turn = direction_rad + np.radians(np.linspace(HALF_DEG, -HALF_DEG, COLUMNS_PX))
    x, y = strip_point(rings, edge, share[:, None], turn[None, :])
    u = (centre_px[0] + radius_px * x).astype(np.float32)
    v = (centre_px[1] - radius_px * y).astype(np.float32)
    colour = cv2.remap(pixels, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    aspect = rows / COLUMNS_PX
    view = EndView(colour.astype(np.float32), aspect, np.eye(3), 1.0)
    texture, usable = ring_texture(view)
    straight = straighten(texture, usable, view, ArcFamily(math.pi / 2, 0.0))
    averages = profiles(straight)
    usual = ring_rows(averages)
    # s runs from −aspect / 2 (pith) to aspect / 2 (bark).
    at = (straight.s / aspect + 0.5) * (SHARES[1] - SHARES[0]) + SHARES[0]
    return Strip(direction_rad, averages, usual, at, tuple(rank_anatomies(averages, usual)))


def rings_in_strip(strip: Strip, anatomy: Anatomy, length: float) -> RadiusRings:
    """The boundaries along a strip, the anatomy being known from all of them together."""
    found = find_boundaries(strip.averages, anatomy, 1, strip.usual)
    shares = np.interp(found.rows, np.arange(len(strip.shares)), strip.shares)
    counted = found.confidence >= 0.5
    rings = int(counted.sum()) + _unseen_at_ends(shares[counted])
    first, last = (float(strip.shares[row]) for row in found.looked_at)
    row = abs(float(strip.shares[1] - strip.shares[0]))
    hidden = (first + 1.0 - last) / (max(found.usual_rows, 1.0) * row)
    low, high = _count_interval(found, hidden)
    return RadiusRings(
        math.degrees(strip.direction_rad) % 360.0,
        length,
        tuple(float(v) for v in shares[counted]),
        tuple(float(v) for v in found.confidence[counted]),
        rings,
        min(low, rings),
        max(high, rings) + _wide_gaps(shares[counted]),
        found.strength,
    )


def _count_interval(found: BoundaryRows, hidden: float) -> tuple[int, int]:
    """90 % interval of a strip's count: what its peaks allow, and ``hidden`` more on average."""
    seen = np.ones(1) if found.chain is None else found.chain.count_chances(*found.looked_at)
    both = np.cumsum(np.convolve(seen, unseen_chances(hidden, 11)))
    return int(np.searchsorted(both, 0.05)), int(np.searchsorted(both, 0.95))


def _unseen_at_ends(shares: Array) -> int:
    """Boundaries between the pith and the first one seen, and between the last one and the bark.

    The first ring begins at the pith and the last ends under the bark: such a gap holds as many
    rings as the usual width nearby goes into it, and one boundary fewer.
    """
    gaps = np.diff(shares)
    if len(gaps) < 3:
        return 0
    inner = float(shares[0]) / float(np.median(gaps[:7]))
    outer = (1.0 - float(shares[-1])) / float(np.median(gaps[-7:]))
    return max(round(inner) - 1, 0) + max(round(outer) - 1, 0)


def _wide_gaps(shares: Array) -> int:
    """Rings that gaps much wider than their neighbours may hide.

    Ring widths on one radius differ by a third or so (log-normal): a gap of 1.8 times the middle
    of the seven gaps round it is wider than 19 of 20 rings, and may be two or more.
    """
    gaps = np.diff(shares)
    hidden = 0
    for i, gap in enumerate(gaps):
        usual = float(np.median(gaps[max(i - 3, 0) : i + 4]))
        if gap > 1.8 * usual:
            hidden += round(gap / usual) - 1
    return hidden
