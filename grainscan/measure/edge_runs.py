"""How far along its length both long edges of a face are seen to run on.

A stain or the edge of a shadow crosses a face as an end does, and a tool lies beyond it; but the
long edges go on to the true end and no farther. What the change of colour across each edge is like
is learnt along the face's middle, what the ground beside it shows by itself there too.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from grainscan.measure.corners import LEAST_SCATTER, changes_along, log_chance
from grainscan.measure.medians import median, medians
from grainscan.measure.refine import Refined
from grainscan.measure.regions import END_REACH, EndOdds
from grainscan.measure.sides import Curve, Rough

__all__ = ["edge_runs"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

BLOCK_PX = 12
MEAN_PX, GAP_PX = 5, 1
"""Columns of a block, and rows of the means on both sides of an edge, so far apart."""

FROM_MIDDLE = 0.15
LEARNT_TO = 0.42
"""Where the edges are looked at first, and up to where they are learnt, from the middle in lengths:
the ends may be up to that much wrong."""

BESIDE_PX = 7.0
"""How far from an edge the rows lie that show what there is without one."""

REACH = 0.5
LEAST_REACH_PX = 30.0
"""How far to both sides of an edge is looked, in widths and at least."""

LIGHTS = (0.5, 0.75, 1.0, 1.4)
"""In shadow or on a stain the change of colour is less, in sunlight more."""

MOST_ODDS = 1.0
"""Of one block of one edge: it may be hidden, or in a check's place."""


def edge_runs(picture: ByteArray, rough: Rough, found: Refined, side: int) -> EndOdds:
    """Log odds that both long edges of an outline run on to places about its left (0) or right (1)
    end, summed from the middle outwards, in a picture (M, N, 3) uint8 RGB.
    """
    outwards = 1.0 if side == 1 else -1.0
    away = np.arange(FROM_MIDDLE, 0.5 + END_REACH, 1.0 / rough.length)
    away = away[: len(away) // BLOCK_PX * BLOCK_PX]
    share = 0.5 + outwards * away
    blocks = away.reshape(-1, BLOCK_PX).mean(axis=1)
    inner = np.linspace(0.1, 0.9, 9)
    reach = max(LEAST_REACH_PX, REACH * median(found.bottom(inner) - found.top(inner)))
    odds = sum(
        _seen(picture, rough, share, _course(edge, share), inwards * rough.across, reach, blocks)
        for edge, inwards in ((found.top, 1.0), (found.bottom, -1.0))
    )
    return EndOdds(0.5 + outwards * blocks, np.cumsum(odds))


def _course(edge: Curve, share: FloatArray) -> FloatArray:
    """An edge that goes on beyond its end as it runs there."""
    inside = np.clip(share, 0.0, 1.0)
    slope = edge.deriv()(np.clip(inside, 0.03, 0.97))
    return np.asarray(edge(inside) + slope * (share - inside))


def _seen(
    picture: ByteArray,
    rough: Rough,
    share: FloatArray,
    across: FloatArray,
    inwards: FloatArray,
    reach_px: float,
    blocks: FloatArray,
) -> FloatArray:
    """Log odds (K,) that an edge is seen in each block, at ``blocks`` (K,) from the middle."""
    import cv2

    points = rough.points(share, across)
    offsets = np.arange(-int(reach_px), int(reach_px) + 1, 1.0)
    grid = (points + offsets[:, None, None] * inwards).astype(np.float32)
    band = cv2.remap(
        picture, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    lab = cv2.cvtColor(band.astype(np.float32) / np.float32(255.0), cv2.COLOR_RGB2LAB)
    means = lab.reshape(len(offsets), len(blocks), BLOCK_PX, 3).mean(axis=2, dtype=np.float64)
    change, place = changes_along(means.swapaxes(0, 1), offsets, MEAN_PX, GAP_PX)
    here = change[:, int(np.argmin(np.abs(place)))]
    beside = change[:, np.abs(place) > BESIDE_PX].reshape(-1, 3)
    usual = 1.4826 * medians(np.abs(beside), 0) + LEAST_SCATTER
    learnt = here[blocks < LEARNT_TO]
    mean = medians(learnt, 0)
    spread = np.hypot(1.4826 * medians(np.abs(learnt - mean), 0), usual)
    edge = np.max([log_chance(here - light * mean, spread) for light in LIGHTS], axis=0)
    odds = np.clip(edge - log_chance(here, usual), -MOST_ODDS, MOST_ODDS)
    size = np.array(picture.shape[1::-1])
    inside = ((points > 1.0) & (points < size - 2.0)).all(axis=1)
    odds[~inside.reshape(-1, BLOCK_PX).all(axis=1)] = -MOST_ODDS
    return np.asarray(odds)
