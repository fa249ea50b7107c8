"""The side face in the picture, told by the ends: where the blank's ends bend, its arris lies.

A face's end is one straight line. Where a neighbouring side face is seen too, its end goes on from
the face's corner in another direction, for it recedes from the camera: the blank's end bends at
the arris, and as a rule does so at both ends. Light and rings may hide the arris itself; the
silhouette does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import medians

__all__ = ["Bend", "arris_share", "bend_of"]

FloatArray = npt.NDArray[np.float64]

NEAREST = 0.07
"""Share of the width nearer to an edge than which no bend is looked for: a worn corner's."""

LEAST_BEND_PX = 2.0
LEAST_GAIN = 0.6
"""Share of the squared distances from a straight line that the bend must explain."""

MOST_OFF_PX = 4.0
MOST_TURN = 0.25
"""Most difference of the arris' place at both ends, in widths."""

LEAST_STEP = 3.0
"""L* by which side and face must differ along an arris that only one end shows."""

STRETCHES = 8
THINNEST = 0.04
"""Share of the width below which a side face is too thin for its light to be seen."""

MOST_COURSE = 0.5
TRIED = 40


@dataclass(frozen=True, slots=True)
class Bend:
    """A bend of an end: its share of the width from the top, and how far (px, signed) the end of
    its shorter part lies from where the longer part's straight line goes on to.
    """

    share: float
    away_px: float
    clear: bool = True


def bend_of(across: FloatArray, along_px: FloatArray, weight: FloatArray) -> Bend | None:
    """The one clear bend of an end followed at shares ``across`` (N,) of the width.

    ``along_px`` (N,): its place along the length. None where one straight line does as well.
    """
    line = np.stack([np.ones_like(across), across], axis=1)
    straight = float(_fitted(line, along_px, weight)[0])
    shares = np.linspace(NEAREST, 1.0 - NEAREST, TRIED)
    hinges = np.maximum(across - shares[:, None], 0.0)[..., None]
    bent = np.concatenate([np.broadcast_to(line, (TRIED, *line.shape)), hinges], axis=2)
    all_left, all_solved = _fitted(bent, along_px, weight)
    best = int(np.argmin(all_left))
    left, share, solved = float(all_left[best]), float(shares[best]), all_solved[best]
    shorter = min(share, 1.0 - share)
    away = float(solved[2]) * shorter
    if abs(away) < LEAST_BEND_PX or left > (1.0 - LEAST_GAIN) * straight:
        return None
    return Bend(share, away)


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


def arris_share(
    left: Bend | None, right: Bend | None, lightness: Callable[[], FloatArray]
) -> tuple[float, float] | None:
    """Where the arris meets the left and the right end, as shares of the width from the top.

    ``lightness``: makes L* of the outline, (rows from the top to the bottom edge, columns).
    None where there is no arris, or nothing tells its course.
    """
    if left is not None and right is not None:
        near = abs(left.share - right.share) <= MOST_TURN
        return (left.share, right.share) if near else None
    if left is not None:
        other = _course(lightness(), left.share, at_left=True)
        return None if other is None else (left.share, other)
    if right is not None:
        other = _course(lightness(), right.share, at_left=False)
        return None if other is None else (other, right.share)
    return None


def _course(light: FloatArray, share: float, *, at_left: bool) -> float | None:
    """Where an arris that begins at ``share`` on one end meets the other: by the steadiest step."""
    rows = len(light)
    places = (np.arange(rows) + 0.5) / rows
    middles = (np.arange(STRETCHES) + 0.5) / STRETCHES
    parts = np.stack([medians(p, 1) for p in np.array_split(light, STRETCHES, axis=1)])
    lowest, highest = (0.0, MOST_COURSE) if share < 0.5 else (1.0 - MOST_COURSE, 1.0)
    best = (0.0, 0.0)
    for other in np.arange(max(lowest, share - MOST_TURN), min(highest, share + MOST_TURN), 0.02):
        ends = (share, other) if at_left else (other, share)
        steps = []
        for middle, light_here in zip(middles, parts, strict=True):
            course = ends[0] + middle * (ends[1] - ends[0])
            thin = min(course, 1.0 - course)
            above = (places < course) & (places > course - thin)
            below = (places > course) & (places < course + thin)
            if thin > THINNEST:
                steps.append(light_here[below].mean() - light_here[above].mean())
        step = np.array(steps)
        if len(step) >= STRETCHES // 2 and abs(np.sign(step).sum()) == len(step):
            best = max(best, (float(np.min(np.abs(step))), float(other)))
    return best[1] if best[0] > LEAST_STEP else None
