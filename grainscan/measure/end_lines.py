"""How like the end of a face each place along its length is.

An end is a line that colours change across, all the way between the long edges and no farther: the
joint of a bench goes on beyond them, so do a tool and most shadows. `corners.py` asks how far an
end's line reaches; the same odds of every place near an end say where the end is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.corners import BEYOND, CORE, changes_along, end_odds_along
from grainscan.measure.refine import Refined
from grainscan.measure.sides import Rough

__all__ = ["EndLines", "end_lines"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

REACH = 0.3
"""How far to both sides of the end at hand its place is looked for, in lengths."""

OUTSIDE = 0.6
LEAST_OUTSIDE_PX = 30.0
"""How far beyond the long edges the line is looked at, in widths and at least."""


CLEAR_WORTH = 8.0
"""Log odds that one of mean log odds along an end is worth: its places say much the same. (From
trials with known outlines, five does nearly the same.)"""

USUAL_LEAN_DEG = 3.0
"""By how much an end usually leans from square, perspective apart, which makes both ends lean alike
to opposite sides (common practice, no source). As with tapers, greater ones are not ruled out."""


@dataclass(frozen=True, slots=True)
class EndLines:
    """``share`` (K,): places along the length, rising. ``odds`` (K,): log odds of an end's line
    there, of the likeliest lean, and ``own_odds`` (K,) with the lean of the end at hand.
    """

    share: FloatArray
    odds: FloatArray
    own_odds: FloatArray


def end_lines(picture: ByteArray, rough: Rough, found: Refined, side: int) -> EndLines:
    """Lines about the left (0) or right (1) end of an outline in a picture (M, N, 3) uint8 RGB.

    Lines that lean as the end at hand does, square ones, and those that lean as the other end does
    to the other side are tried.
    """
    leans = [float(end(1.0) - end(0.0)) for end in (found.left, found.right)]
    own, usual = leans[side], -leans[1 - side]
    tried = []
    for lean in (own, usual, 0.0):
        share, clear = _lines(picture, rough, found, side, lean)
        off_deg = np.degrees(np.arctan((lean - usual) * rough.length / rough.width))
        tried.append(CLEAR_WORTH * clear - np.log1p((off_deg / USUAL_LEAN_DEG) ** 2))
    return EndLines(share, np.max(tried, axis=0), tried[0])


def _lines(
    picture: ByteArray, rough: Rough, found: Refined, side: int, lean: float
) -> tuple[FloatArray, FloatArray]:
    """Places (K,) along the length, and -2 to 2, mean log odds of an end's line between the long
    edges less those beyond them, there.
    """
    import cv2

    at = float((found.left, found.right)[side](0.5))
    inside = float(np.clip(at, 0.0, 1.0))
    top, bottom = float(found.top(inside)), float(found.bottom(inside))
    width = bottom - top
    far = max(OUTSIDE * width, LEAST_OUTSIDE_PX)
    across = np.arange(top - far, bottom + far, 1.0)
    share = (across - top) / width
    reach = int(REACH * rough.length)
    offsets = np.arange(-reach, reach + 1, 1.0)
    # Beyond the end the face's axis goes on as it runs there.
    slope = float(((found.top + found.bottom) / 2.0).deriv()(inside)) / rough.length
    along = rough.left + (at + lean * (share - 0.5))[:, None] * rough.length + offsets
    over = across[:, None] + slope * offsets
    points = rough.origin + along[..., None] * rough.along + over[..., None] * rough.across
    x, y = np.moveaxis(points.astype(np.float32), -1, 0)
    band = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    lab = cv2.cvtColor(band.astype(np.float32) / np.float32(255.0), cv2.COLOR_RGB2LAB)
    change, places = changes_along(np.asarray(cv2.blur(lab, (1, 3)), np.float32), offsets)
    core = (share > CORE[0]) & (share < CORE[1])
    odds = np.empty(change.shape[:2])
    beyond = []
    for half in (share < 0.5, share >= 0.5):
        bench = half & ((share < -BEYOND) | (share > 1.0 + BEYOND))
        odds[half] = end_odds_along(change[half], change[core], change[bench])
        beyond.append(odds[bench].mean(axis=0))
    clear = odds[(share > 0.0) & (share < 1.0)].mean(axis=0) - np.mean(beyond, axis=0)
    size = np.array(picture.shape[1::-1])
    seen = ((points > 1.0) & (points < size - 2.0)).all(axis=(0, 2))
    clear[np.interp(places, offsets, seen.astype(float)) < 1.0] = -2.0
    return at + places / rough.length, clear
