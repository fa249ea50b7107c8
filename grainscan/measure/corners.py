"""How far across each end of a face is seen: where its corners lie, whatever the long edges show.

Stripes of rings run along a face as its edges do, and a long edge may be fainter than they. The
ends are cut across all of them: going along an end, the colours change from bench to face at every
place between the two corners, and beyond them bench meets bench. What that change is like at the
face's middle is learnt there, what the bench shows by itself is learnt beside it, and the log odds
of both are summed along the end.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.edges import unrolled_colours
from grainscan.measure.medians import median, medians
from grainscan.measure.refine import Refined
from grainscan.measure.sides import Curve, Rough

__all__ = [
    "BEYOND",
    "CORE",
    "LEAST_SCATTER",
    "USUAL_TAPER",
    "EndSeen",
    "OtherCourse",
    "agreement",
    "changes_along",
    "corners_of",
    "end_odds_along",
    "ends_seen",
    "log_chance",
    "moved_edges",
    "other_course",
    "shortfall",
    "shortfalls",
    "taper",
]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

MEAN_PX = 12
GAP_PX = 4
"""Means over so many pixels on both sides of an end, so far apart, are compared: wide enough to
even out the rings of boards that lie crosswise, apart by what the end's line is uncertain by."""

BENCH_PX = 60
FACE_PX = 40
"""How far out and in the colours are looked at: what the bench shows by itself needs more."""

FARTHEST = 1.2
LEAST_REACH_PX = 40.0
"""How far beyond the corners the end's line is followed, in widths and at least."""

CORE = (0.12, 0.88)
"""Shares of the outline's width between which an end is the face's, though a corner be wrong."""

BEYOND = 0.15
"""How far outside the outline, in widths, all is bench."""

LEAST_SCATTER = 0.7
"""Difference (L*, a*, b*) that noise and uneven light leave anyway."""

FREEDOM = 3.0
"""Degrees of freedom of the t distribution that changes of colour follow: stains, checks and
pencil lines are no rarer than in its tails (common practice, no source)."""

LEAST_STOP = 0.2
"""Odds summed beyond a corner, in widths, from which on the end is seen to stop there."""

LEAST_MEAN = 0.3
"""Mean log odds along an end, of 1, from which on it is seen at all."""


@dataclass(frozen=True, slots=True)
class EndSeen:
    """One end's line: ``place_px`` (K,) across, rising; ``summed`` (K,) log odds, each -1 to 1 for
    a pixel, up to there. ``stops``: whether the end is seen to stop at its top and bottom corner,
    ``corners_px``, its likeliest ones.
    """

    place_px: FloatArray
    summed: FloatArray
    corners_px: tuple[float, float]
    stops: tuple[bool, bool]

    def up_to(self, place_px: FloatArray | float) -> FloatArray:
        """Log odds summed up to places across."""
        return np.asarray(np.interp(place_px, self.place_px, self.summed))


def ends_seen(picture: ByteArray, rough: Rough, found: Refined) -> tuple[EndSeen, EndSeen]:
    """Both ends of an outline ``found`` near ``rough`` in a picture (M, N, 3) uint8 RGB."""
    left = _along_end(picture, rough, found, found.left, 1.0)
    return left, _along_end(picture, rough, found, found.right, -1.0)


def corners_of(found: Refined) -> tuple[tuple[float, float], tuple[float, float]]:
    """Place across of the top and bottom corner at the left and at the right end."""
    made = []
    for end in (found.left, found.right):
        top, bottom = (
            float(edge(np.clip(end(share), 0.0, 1.0)))
            for edge, share in ((found.top, 0.0), (found.bottom, 1.0))
        )
        made.append((top, bottom))
    return made[0], made[1]


def shortfall(seen: tuple[EndSeen, EndSeen], found: Refined) -> float:
    """Log odds by which the ends' own corners explain them better than the outline's, in pixels.

    Only corners at which an end is seen to stop count.
    """
    return sum(shortfalls(seen, found))


def shortfalls(seen: tuple[EndSeen, EndSeen], found: Refined) -> tuple[float, float]:
    """`shortfall` of the corners of the top edge and of those of the bottom one."""
    upper = lower = 0.0
    for end, (top, bottom) in zip(seen, corners_of(found), strict=True):
        if end.stops[0]:
            upper += float(end.up_to(top) - end.up_to(end.corners_px[0]))
        if end.stops[1]:
            lower += float(end.up_to(end.corners_px[1]) - end.up_to(bottom))
    return upper, lower


def agreement(seen: tuple[EndSeen, EndSeen], found: Refined, length_px: float) -> bool:
    """Whether the ends show all four corners, and where the outline's are: the outline is then
    found in two ways that have nothing in common.
    """
    for end, corners in zip(seen, corners_of(found), strict=True):
        for stops, own, corner in zip(end.stops, end.corners_px, corners, strict=True):
            if not stops or abs(own - corner) >= SAME_CORNER * length_px:
                return False
    return True


SAME_CORNER = 0.0022
"""Distance of corners, in lengths, below which they are the same: an edge between two such pairs
is turned by a quarter of a degree at most, even if they lie off to opposite sides."""


@dataclass(frozen=True, slots=True)
class OtherCourse:
    """What the ends' own corners would make of an outline: by how much they turn the edge that they
    turn most (radians). ``taper``, ``own_taper``: differences of the widths of both ends, in mean
    widths, of the outline and with the ends' own corners.
    """

    turned: float
    taper: float
    own_taper: float


def other_course(seen: tuple[EndSeen, EndSeen], found: Refined, length_px: float) -> OtherCourse:
    """The outline's long edges against those between the ends' own corners.

    An edge counts as turned only if both ends are seen to stop at it.
    """
    now = np.array(corners_of(found))
    stops = np.array([end.stops for end in seen])
    own = np.where(stops, np.array([end.corners_px for end in seen]), now)
    moved = own - now
    turned = np.abs(moved[1] - moved[0])[stops.all(axis=0)] / length_px
    return OtherCourse(float(turned.max(initial=0.0)), _taper(now), _taper(own))


def taper(found: Refined) -> float:
    """Difference of the widths of both ends, in mean widths."""
    return _taper(np.array(corners_of(found)))


def _taper(corners: FloatArray) -> float:
    """The same; ``corners`` (2 ends, 2 edges)."""
    left, right = corners[:, 1] - corners[:, 0]
    return float(2.0 * abs(left - right) / (left + right))


def _along_end(
    picture: ByteArray, rough: Rough, found: Refined, end: Curve, inwards: float
) -> EndSeen:
    middle = np.clip(end(0.5), 0.0, 1.0)
    top, bottom = float(found.top(middle)), float(found.bottom(middle))
    width = bottom - top
    far = max(FARTHEST * width, LEAST_REACH_PX)
    across = np.arange(top - far, bottom + far, 1.0)
    share = (across - top) / width
    offsets = np.arange(-float(BENCH_PX), FACE_PX, 1.0)
    points = rough.points(end(share), across)
    band = _colours(picture, points, rough.along * inwards, offsets)
    change, places = changes_along(band, offsets)
    here = change[:, int(np.argmin(np.abs(places)))]
    usual = change[:, np.abs(places) > MEAN_PX + GAP_PX]
    core = (share > CORE[0]) & (share < CORE[1])
    odds = np.zeros(len(across))
    for side in (share < 0.5, share >= 0.5):
        # Light and shadow differ on both sides.
        bench = side & ((share < -BEYOND) | (share > 1.0 + BEYOND))
        odds[side] = end_odds_along(here[side], here[core], usual[bench])
    size = np.array(picture.shape[1::-1])
    odds[((points < 1.0) | (points > size - 2.0)).any(axis=1)] = 0.0
    summed = np.concatenate([[0.0], np.cumsum(odds)])
    place = np.concatenate([[across[0] - 0.5], across + 0.5])
    upper = place < 0.5 * (top + bottom)
    first = int(np.argmin(np.where(upper, summed, np.inf)))
    last = int(np.argmax(np.where(upper, -np.inf, summed)))
    reach = place[last] - place[first]
    seen = summed[last] - summed[first] > LEAST_MEAN * reach
    stops = (
        bool(seen and summed[: first + 1].max() - summed[first] > LEAST_STOP * reach),
        bool(seen and summed[last] - summed[last:].min() > LEAST_STOP * reach),
    )
    return EndSeen(place, summed, (float(place[first]), float(place[last])), stops)


def _colours(
    picture: ByteArray, points: FloatArray, normal: FloatArray, offsets: FloatArray
) -> Float32Array:
    """CIELAB (N points, K offsets along ``normal``, 3), evened out over three points."""
    import cv2

    lab = unrolled_colours(picture, points, normal, offsets).swapaxes(0, 1)
    return np.asarray(cv2.blur(np.ascontiguousarray(lab), (1, 3)), dtype=np.float32)


def changes_along(
    band: Float32Array | FloatArray,
    offsets: FloatArray,
    mean_px: int = MEAN_PX,
    gap_px: int = GAP_PX,
) -> tuple[FloatArray, FloatArray]:
    """Changes of colour (N, K, 3) along the second axis of a band (N, M, 3) at ``offsets`` (M,),
    and where they are (K,): means of ``mean_px`` after and before, ``gap_px`` apart.
    """
    sums = np.cumsum(np.pad(band.astype(np.float64), ((0, 0), (1, 0), (0, 0))), axis=1)
    means = (sums[:, mean_px:] - sums[:, :-mean_px]) / mean_px
    apart = mean_px + gap_px
    change = means[:, apart:] - means[:, :-apart]
    return change, offsets[: change.shape[1]] + mean_px + 0.5 * gap_px - 0.5


def end_odds_along(here: FloatArray, face: FloatArray, bench: FloatArray) -> FloatArray:
    """Log odds, -1 to 1, of a face's end against nothing but bench, at N places along its line.

    ``here`` (N, ..., 3): changes of colour across the line (or across several lines); ``face``
    (M, ..., 3): those at the face's middle; ``bench`` (K, ..., 3): what the bench shows by itself.
    """
    if not len(bench) or not len(face):
        return np.zeros(here.shape[:-1])
    usual = 1.4826 * medians(np.abs(bench.reshape(-1, 3)), 0) + LEAST_SCATTER
    mean = medians(face, 0)
    spread = np.hypot(1.4826 * medians(np.abs(face - mean), 0), usual)
    return np.clip(log_chance(here - mean, spread) - log_chance(here, usual), -1.0, 1.0)


def log_chance(off: FloatArray, spread: FloatArray) -> FloatArray:
    """Logarithm of the multivariate t density (...), but for a constant, of distances (..., 3)."""
    squared = np.sum((off / spread) ** 2, axis=-1)
    power = -0.5 * (FREEDOM + off.shape[-1])
    return np.asarray(power * np.log1p(squared / FREEDOM) - np.log(spread).sum(axis=-1))


STRETCHES = 8
COLUMN_STEP = 2
LEAST_WIDTH_PX = 5.0
"""Narrowest face looked for, in pixels of the small picture."""

MOST_WIDTH = 0.28
"""Widest face looked for, as a share of its length."""

MOST_CLEAR = 3.0
"""An edge clearer than this many scatters of its surroundings is simply clear: rings are clearer
still."""

USUAL_TAPER = 0.08
"""Difference of the widths of both ends, in mean widths, that is common in riven stuff (common
practice, no source); perspective makes more, so greater ones are not ruled out."""

MOST_TAPER = 1.0
"""Most difference of the widths looked at, in mean widths."""

LEAST_GAIN = 3.0
"""Log odds by which other corners must be likelier: one to twenty."""


def moved_edges(
    change: Float32Array, scale: float, rough: Rough, found: Refined, seen: tuple[EndSeen, EndSeen]
) -> list[Rough]:
    """Outlines with one long edge moved to where the ends stop, likeliest first.

    ``change`` (M, N, C): change of colour downwards in the small picture at ``scale``. An edge
    somewhere between the two ends' corners is more likely where a line is seen there.
    """
    made = []
    for side in (1, 0):
        # A side face ends where the face does: its corners are no better than those at the arris.
        if found.at_arris[side] or not any(end.stops[side] for end in seen):
            continue
        gain, moves = _best_move(change, scale, rough, found, seen, side)
        if gain > LEAST_GAIN:
            line = Curve.fit([0.0, 1.0], moves, 1, domain=[0.0, 1.0])
            top = found.bottom + line if side == 0 else found.top
            bottom = found.top + line if side == 1 else found.bottom
            made.append((gain, dataclasses.replace(rough, top=top, bottom=bottom)))
    made.sort(key=lambda pair: -pair[0])
    return [outline for _, outline in made]


def _best_move(
    change: Float32Array,
    scale: float,
    rough: Rough,
    found: Refined,
    seen: tuple[EndSeen, EndSeen],
    side: int,
) -> tuple[float, list[float]]:
    """What the likeliest course of one edge (``side`` 0 the top one, 1 the bottom one) gains over
    its own, in log odds, and its distances from the other edge at both ends, in pixels of the
    picture that ``rough`` lies in.
    """
    sign = 1.0 if side == 1 else -1.0
    corners = corners_of(found)
    now = np.array([bottom - top for top, bottom in corners]) * scale
    most = max(MOST_WIDTH * rough.length * scale, 1.1 * float(now.max()))
    widths = np.arange(LEAST_WIDTH_PX, most, 1.0)
    ends = []
    for end, corner in zip(seen, corners, strict=True):
        odds = sign * end.up_to(corner[1 - side] + sign * widths / scale)
        # Neighbouring pixels of the larger picture say the same.
        ends.append(scale * odds if end.stops[side] else np.zeros(len(widths)))
    clear = _lines_beside(change, scale, rough, (found.top, found.bottom)[1 - side], sign, widths)
    mean = (widths[:, None] + widths[None, :]) / 2.0
    taper = np.abs(widths[:, None] - widths[None, :]) / mean
    likely = ends[0][:, None] + ends[1][None, :] + clear**2 / 2.0
    likely = likely - np.log1p((taper / USUAL_TAPER) ** 2)
    likely[taper > MOST_TAPER] = -np.inf
    left, right = np.unravel_index(int(np.argmax(likely)), likely.shape)
    a, b = np.clip(np.round(now - LEAST_WIDTH_PX).astype(int), 1, len(widths) - 2)
    own = likely[a - 1 : a + 2, b - 1 : b + 2].max()
    gain = float(likely[left, right] - own)
    return gain, [sign * float(widths[k]) / scale for k in (left, right)]


def _lines_beside(
    change: Float32Array, scale: float, rough: Rough, edge: Curve, sign: float, widths: FloatArray
) -> FloatArray:
    """How clear a line is, 0 to MOST_CLEAR scatters, at distances from an edge at both ends (W, W).

    Means of the change of colour over stretches of the length: a line is one colour change in
    every stretch.
    """
    share = np.linspace(0.01, 0.99, 60)
    points = (rough.points(share, edge(share)) + 0.5) * scale - 0.5
    first, last = max(0, int(points[0, 0])), min(change.shape[1], int(points[-1, 0]))
    columns = np.arange(first, last, COLUMN_STEP)
    rows = np.interp(columns, points[:, 0], points[:, 1])
    reach = int(widths[-1]) + 1
    offsets = np.arange(-reach, reach + 1)
    index = np.round(rows).astype(int)[None, :] + offsets[:, None]
    outside = (index < 1) | (index > len(change) - 2)
    values = change[np.clip(index, 0, len(change) - 1), columns[None, :]]
    values[outside] = 0.0
    starts = np.linspace(0, len(columns), STRETCHES + 1).astype(int)
    sums = np.add.reduceat(values, starts[:-1], axis=1) / np.diff(starts)[None, :, None]
    norms = np.linalg.norm(sums, axis=2)
    middles = (np.arange(STRETCHES) + 0.5) / STRETCHES
    clear = {}
    for way in (sign, -sign):
        course = widths[:, None, None] * (1.0 - middles) + widths[None, :, None] * middles
        at = np.round(way * course).astype(int) + reach
        clear[way] = norms[at, np.arange(STRETCHES)].mean(axis=2)
    both = np.concatenate([clear[sign].ravel(), clear[-sign].ravel()])
    level = median(both)
    scatter = 1.4826 * median(np.abs(both - level)) + 1e-6
    return np.asarray(np.clip((clear[sign] - level) / scatter, 0.0, MOST_CLEAR))
