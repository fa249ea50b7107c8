"""The side face in the picture, told by the ends: where the blank's ends bend, its arris lies.

A face's end is one straight line. Where a neighbouring side face is seen too, its end goes on from
the face's corner in another direction, for it recedes from the camera: the blank's end bends at
the arris, and as a rule does so at both ends. Light and rings may hide the arris itself; the
silhouette does not. Where one end alone bends, the arris runs from there to where face and side
face differ most on both sides of its course.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["ArrisShares", "Bend", "EndTrace", "arris_shares", "bend_of"]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

NEAREST = 0.07
"""Share of the width nearer to an edge than which no bend is looked for: a worn corner's."""

LEAST_BEND_PX = 2.0
LEAST_GAIN = 0.6
"""Share of the squared distances from a straight line that the bend must explain."""

MOST_OFF_PX = 4.0
MOST_TURN = 0.25
"""Most difference of the arris' place at both ends, in widths."""

BROKEN_PX = 9.0
"""How far an end may be off at a corner that is broken or worn, in pixels of the larger copy: some
four of the 600 millimetres of a blank (common practice, no source). One bend that is no greater
shows no side face by itself."""

LEAST_STEP = 3.0
"""L* by which side and face must differ along an arris that one such bend shows."""

STRETCHES = 8
PLACES = 0.005
DEEPER = 2.0
MOST_DEPTH = 0.55
"""Arris places tried, in widths: up to so many times the depth at the end that bends."""

BLURRED_PX = 2.0
"""An outline's own blur reaches so far in."""

MOST_OFF = 4.0
OWN_VARIANCE = 0.5
"""Scatters beyond which a place counts no more; variance of every feature that noise makes."""

RINGS = 1.0 / 3000.0
"""Of what all places of a band say together, so much counts: rings run along the whole face, and
neighbouring rows and columns say the same. (From trials with known outlines; three or ten times as
much does the same, a tenth of it is worse.)"""

CORRELATED_PX = 5.0
"""An end's pixels that err together."""

UNSURE_SHARE = 0.3
"""Share of the width from which on a side face may be the larger part."""


@dataclass(frozen=True, slots=True)
class Bend:
    """A bend of an end: its share of the width from the top, and how far (px, signed) the end of
    its shorter part lies from where the longer part's straight line goes on to. ``lean``: how
    many pixels both parts, above and below, move along the length in a width.
    """

    share: float
    away_px: float
    clear: bool = True
    lean: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class EndTrace:
    """An end followed at shares ``across`` (N,) of the width from the top: ``along_px`` (N,) its
    place along the length, ``weight`` (N,), and its ``bend``, if it has one.
    """

    across: FloatArray
    along_px: FloatArray
    weight: FloatArray
    bend: Bend | None


@dataclass(frozen=True, slots=True)
class ArrisShares:
    """Where the arris meets the left and the right end, as shares of the width from the top, and
    whether the side face is ``above`` it. ``told``: which of the ends show it.
    """

    left: float
    right: float
    above: bool
    told: tuple[bool, bool]


def bend_of(across: FloatArray, along_px: FloatArray, weight: FloatArray) -> Bend | None:
    """The one clear bend of an end followed at shares ``across`` (N,) of the width.

    ``along_px`` (N,): its place along the length. None where one straight line does as well.
    """
    line = np.stack([np.ones_like(across), across], axis=1)
    straight = float(_fitted(line, along_px, weight)[0])
    shares = np.linspace(NEAREST, 1.0 - NEAREST, TRIED)
    all_left, all_solved = _fitted(_bent(across, shares), along_px, weight)
    best = int(np.argmin(all_left))
    left, share, solved = float(all_left[best]), float(shares[best]), all_solved[best]
    shorter = min(share, 1.0 - share)
    away = float(solved[2]) * shorter
    if abs(away) < LEAST_BEND_PX or left > (1.0 - LEAST_GAIN) * straight:
        return None
    return Bend(share, away, lean=(float(solved[1]), float(solved[1] + solved[2])))


TRIED = 40


def _bent(across: FloatArray, shares: FloatArray) -> FloatArray:
    """Bases (K, N, 3) of lines that bend at ``shares`` (K,) of the width."""
    basis = np.empty((len(shares), len(across), 3))
    basis[..., 0], basis[..., 1] = 1.0, across
    basis[..., 2] = np.maximum(across - shares[:, None], 0.0)
    return basis


def _fitted(
    basis: FloatArray, target: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Bounded squared distances (...) from the best combinations, robustly, and their coefficients
    (..., K), for each ``basis`` (..., N, K).
    """
    robust = np.ones(basis.shape[:-1])
    for _ in range(4):
        weighted = (basis * (weight * robust)[..., None]).swapaxes(-1, -2)
        normal, aim = weighted @ basis, weighted @ target
        solved = (np.linalg.pinv(normal, rcond=1e-10) @ aim[..., None])[..., 0]
        off = np.abs(target - (basis @ solved[..., None])[..., 0])
        robust = 1.0 / (1.0 + (off / 1.5) ** 2)
    left = np.mean(np.minimum(off, MOST_OFF_PX) ** 2, axis=-1) + 0.1
    return left, np.asarray(solved, dtype=np.float64)


def arris_shares(
    ends: tuple[EndTrace, EndTrace], look: Callable[[], Float32Array], width_px: float
) -> ArrisShares | None:
    """Where the arris meets the left and the right end of an outline ``width_px`` wide.

    ``look``: makes the features (`look.features`) of the outline's inside, (rows from the top to
    the bottom edge, columns, F). None where there is no arris, or nothing tells its course: two
    ends that bend there, or one that bends inwards, for what is farther down looks shorter. (Seen
    from over a place beyond an end that end bends outwards; then both must tell it.)
    """
    bends = [end.bend for end in ends if end.bend is not None]
    if not bends:
        return None
    left, right = (end.bend for end in ends)
    inwards = [bend for bend in bends if (bend.away_px > 0.0) == (bend is left)]
    if not inwards:
        return None
    if left is not None and right is not None and abs(left.share - right.share) <= MOST_TURN:
        return ArrisShares(left.share, right.share, _side_above(bends), (True, True))
    known = max(inwards, key=lambda bend: abs(bend.away_px) if bend.clear else 0.0)
    at_left = known is left
    above = _side_above([known])
    seen = look() if above else look()[::-1]
    depth = known.share if above else 1.0 - known.share
    other, step = _course(seen, depth, ends[1 if at_left else 0], width_px, at_left, above)
    great = known.clear and abs(known.away_px) > BROKEN_PX
    if abs(other - depth) > MOST_TURN or not (great or step > LEAST_STEP):
        return None
    other = other if above else 1.0 - other
    shares = (known.share, other) if at_left else (other, known.share)
    return ArrisShares(*shares, above, (at_left, not at_left))


def _side_above(bends: list[Bend]) -> bool:
    """Whether the part above the bends is the side face: the smaller one, and where neither is
    small the one that leans more, for it is looked at more from the side.
    """
    share = float(np.mean([bend.share for bend in bends]))
    if UNSURE_SHARE < share < 1.0 - UNSURE_SHARE:
        above, below = np.abs([bend.lean for bend in bends]).sum(axis=0)
        return bool(above > below)
    return share < 0.5


def _course(
    seen: Float32Array, depth: float, other: EndTrace, width_px: float, at_left: bool, above: bool
) -> tuple[float, float]:
    """How deep the arris lies at the end that does not tell it, in widths, if it lies ``depth``
    deep at the other; and the least step of L* across it of all stretches of the length, 0 if
    its sign changes. Rows of ``seen`` begin at the side face.

    The place of a step between two surfaces is where the difference of their means, squared, times
    the numbers of both is greatest (change point of least squares); and where the end that shows
    no clear bend fits a line that bends there.
    """
    rows, columns = seen.shape[:2]
    places = np.arange(0.0, min(MOST_DEPTH, DEEPER * depth), PLACES)
    first = int(np.ceil(BLURRED_PX / width_px * rows))
    last = int(min(0.95, DEEPER * depth + BLURRED_PX / width_px) * rows)
    if last - first < 2:
        return 0.0, 0.0
    even = _in_scatters(seen, depth)
    sums = np.concatenate([np.zeros((1, *even.shape[1:])), np.cumsum(even[first:last], axis=0)])
    share = (np.arange(columns) + 0.5) / columns
    way = share if at_left else 1.0 - share
    course = depth + (places[:, None] - depth) * way
    cut = np.clip(np.round(course * rows).astype(int) - first, 0, last - first)
    outer = sums[cut, np.arange(columns)].sum(axis=1)
    count = cut.sum(axis=1)[:, None].astype(np.float64)
    whole = float((last - first) * columns)
    inner = sums[-1].sum(axis=0) - outer
    difference = outer / np.maximum(count, 1.0) - inner / np.maximum(whole - count, 1.0)
    gain = np.sum(difference**2, axis=1) * (count * (whole - count) / whole)[:, 0]
    shares = np.clip(places if above else 1.0 - places, 0.005, 0.995)
    left, _ = _fitted(_bent(other.across, shares), other.along_px, other.weight)
    likely = 0.5 * RINGS * gain - 0.5 * width_px / CORRELATED_PX * np.log(left)
    best = int(np.argmax(likely))
    return float(places[best]), _steady_step(seen[..., 0], course[best])


def _in_scatters(seen: Float32Array, depth: float) -> FloatArray:
    """The features (rows, columns, F) as differences from the face's own at each place of its
    length, in scatters of the face.
    """
    rows, columns, count = seen.shape
    inner = slice(int(min(0.6, 1.2 * depth + 0.1) * rows), int(0.92 * rows))
    parts = np.array_split(seen[inner], STRETCHES, axis=1)
    means = np.array([part.reshape(-1, count).mean(axis=0) for part in parts])
    middles = (np.arange(STRETCHES) + 0.5) / STRETCHES
    share = (np.arange(columns) + 0.5) / columns
    own = np.stack([np.interp(share, middles, mean) for mean in means.T], axis=1)
    away = seen - own.astype(np.float32)
    covariance = np.cov(away[inner].reshape(-1, count).T) + OWN_VARIANCE * np.eye(count)
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    return np.asarray(np.clip(away @ root.T.astype(np.float32), -MOST_OFF, MOST_OFF), np.float64)


def _steady_step(light: Float32Array, course: FloatArray) -> float:
    """Least step of L* across a course (columns,) of shares of the width, of all stretches."""
    rows = len(light)
    row = np.arange(rows)[:, None]
    line = course * rows
    above, below = (row < line) & (row > 0.2 * line), (row > line) & (row < 2.0 * line)
    steps = []
    for part in np.array_split(np.arange(light.shape[1]), STRETCHES):
        here = light[:, part]
        a, b = here[above[:, part]], here[below[:, part]]
        if len(a) and len(b):
            steps.append(float(b.mean() - a.mean()))
    step = np.array(steps)
    if len(step) < STRETCHES // 2 or abs(np.sign(step).sum()) != len(step):
        return 0.0
    return float(np.abs(step).min())
