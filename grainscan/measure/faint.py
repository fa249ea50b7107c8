"""A faint side of a face near a rough course: one change of colour along the whole of it.

Wood on wood: face and bench may differ little at any place of a side, and a ring beside it may be
clearer there. So the course is moved as a whole, and turned a little, to where the change of colour
and texture that all of its stretches have in common stands out most from what the same course shows
anywhere else beside it. How sure it is follows from the same: how many stretches show more there
than displaced copies do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.edges import EdgeTrace, trace_step, unrolled_colours
from grainscan.measure.medians import median, medians

__all__ = ["Faint", "faint_step", "in_common", "shown"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int_]

SHOWN = 0.75
"""Share of the stretches, the weakest ones, whose mean counts: an edge is there along its whole
length, a ring or a joint stands out the more in part of it."""

FAR = 3.0
LEAST_FAR_PX = 24.0
"""How far to both sides displaced copies are looked at, in reaches and at least."""

NEAR_PX = 3.0
"""How far a side may wander from its course."""

OUTDONE = 2.5
"""Scatters of its displaced copies that a stretch of a side must outdo to stand clear: robust ones,
for a side face's arris or a shadow's rim may run beside (from trials with known outlines)."""

OFF = 0.5
"""What the rough course is uncertain by at its ends, in reaches: the reach is two scatters."""


@dataclass(frozen=True, slots=True)
class Faint:
    """``trace``: the side point by point. ``clear``: share of its stretches that stand clear."""

    trace: EdgeTrace
    clear: float


def in_common(courses: Float32Array) -> tuple[Float32Array, Float32Array]:
    """The mean change of courses (..., stretches, C), and how much of it each stretch shows."""
    mean = courses.mean(axis=-2)
    along = mean / (np.linalg.norm(mean, axis=-1, keepdims=True) + 1e-6)
    return mean, np.matmul(courses, along[..., None])[..., 0]


def shown(by_stretch: Float32Array) -> Float32Array:
    """What a course shows along its whole length, from what each stretch (last axis) does."""
    count = max(1, int(SHOWN * by_stretch.shape[-1]))
    return np.asarray(np.sort(by_stretch, axis=-1)[..., :count].mean(axis=-1))


def faint_step(
    picture: ByteArray,
    points: FloatArray,
    normal: FloatArray,
    *,
    reach_px: float,
    sigma_px: float,
    stretches: int,
) -> Faint:
    """Follow a faint step near ``points`` (N, 2), along ``normal`` (2,), up to ``reach_px`` off."""
    from scipy.ndimage import gaussian_filter1d

    far = max(FAR * reach_px, LEAST_FAR_PX) + reach_px
    offsets = np.arange(-np.ceil(far), np.ceil(far) + 0.5, 1.0)
    band = unrolled_colours(picture, points, normal, offsets)
    starts = np.linspace(0, len(points), stretches + 1).astype(int)
    by_stretch = _by_stretch(band, starts)
    means = np.concatenate(
        [
            gaussian_filter1d(by_stretch, sigma, axis=0, order=1, mode="nearest")
            for sigma in (sigma_px, BROAD_PX)
        ],
        axis=2,
    )
    scatter = np.asarray(
        1.4826 * medians(np.abs(means).reshape(-1, means.shape[-1]), 0) + LEAST_SCATTER,
        dtype=np.float32,
    )
    means = np.asarray(means / scatter, dtype=np.float32)
    course, clear = _course(means, int(np.ceil(reach_px)))
    share = (np.arange(len(points)) + 0.5) / len(points) - 0.5
    away = course[0] + course[1] * share
    trace = _along(band, offsets, away, scatter[:3], starts, sigma_px)
    return Faint(trace, clear)


def _by_stretch(band: Float32Array, starts: IntArray) -> Float32Array:
    """Mean CIELAB of each stretch and which way its fine texture runs, (K, stretches, 4)."""
    from scipy.ndimage import gaussian_filter1d

    light = band[..., :1]
    across, along = np.zeros_like(light), np.zeros_like(light)
    across[1:-1] = (light[2:] - light[:-2]) ** 2
    along[:, 1:-1] = (light[:, 2:] - light[:, :-2]) ** 2
    every = np.concatenate([band, across, along], axis=2)
    means = np.add.reduceat(every, starts[:-1], axis=1) / np.diff(starts)[None, :, None]
    energy = gaussian_filter1d(means[..., 3:], TEXTURE_PX, axis=0, mode="nearest") + LEAST_ENERGY
    texture = np.log(energy[..., :1] / energy[..., 1:])
    return np.concatenate([means[..., :3], texture], axis=2)


TEXTURE_PX = 2.0
"""What the energy of the texture is evened out over."""

LEAST_ENERGY = 0.3
"""Squared difference of L* that rounding to whole grey levels and faint noise leave."""

BROAD_PX = 4.0
"""A step between two surfaces is seen best over some width, for it stays and texture evens out; a
line between them over the blur of the lens."""

LEAST_SCATTER = 0.02
"""Change of L*, a*, b* a pixel, averaged over a stretch, that rounding leaves anyway."""


def _course(means: Float32Array, reach: int) -> tuple[tuple[int, int], float]:
    """Offset of the middle and difference of both ends of the likeliest course; how much of it
    stands clear.
    """
    stretches = means.shape[1]
    zero = len(means) // 2
    middles = (np.arange(stretches) + 0.5) / stretches - 0.5
    tapers = np.arange(-reach, reach + 1)
    shifts = np.round(tapers[:, None, None] * middles).astype(int)
    half = reach // 2 + 1
    level = np.arange(half, len(means) - half)
    here = np.arange(zero - reach, zero + reach + 1)
    at = np.arange(stretches)
    _, null_parts = in_common(means[level[:, None], at])
    null = shown(null_parts)
    usual = median(null)
    scatter = 1.4826 * median(np.abs(null - usual)) + 1e-6
    _, parts = in_common(means[here[:, None] + shifts, at])
    clear = np.maximum((shown(parts) - usual) / scatter, 0.0)
    off = (here - zero)[None, :] + 0.5 * tapers[:, None] * np.array([-1.0, 1.0])[:, None, None]
    likely = clear**2 / 2.0 - 0.25 * np.sum((off / (OFF * reach)) ** 2, axis=0)
    taper, best = np.unravel_index(int(np.argmax(likely)), likely.shape)
    beside = np.abs(level - here[best]) > NEAR_PX
    beside_parts = null_parts[beside]
    middle = medians(beside_parts, 0)
    most = middle + OUTDONE * 1.4826 * medians(np.abs(beside_parts - middle), 0)
    stands = float(np.mean(parts[taper, best] > most))
    return (int(here[best] - zero), int(tapers[taper])), stands


def _along(
    band: Float32Array,
    offsets: FloatArray,
    away: FloatArray,
    scatter: Float32Array,
    starts: IntArray,
    sigma_px: float,
) -> EdgeTrace:
    """The side near its course, by the colour change of each stretch and its neighbours."""
    from scipy.ndimage import gaussian_filter1d, map_coordinates

    near = np.arange(-NEAR_PX - 4.0, NEAR_PX + 4.5, 0.5)
    rows = away[None, :] + near[:, None] - offsets[0]
    columns = np.broadcast_to(np.arange(band.shape[1], dtype=np.float64), rows.shape)
    moved = np.stack(
        [map_coordinates(band[..., c], [rows, columns], order=1, mode="nearest") for c in range(3)],
        axis=-1,
    )
    inside, outside = moved[near > 1.5].mean(axis=0), moved[near < -1.5].mean(axis=0)
    smooth = (starts[1] - starts[0]) / 2.0
    step = gaussian_filter1d((inside - outside) / scatter**2, smooth, axis=0, mode="nearest")
    step /= np.linalg.norm(step * scatter, axis=1, keepdims=True) + 1e-9
    level = np.einsum("knc,nc->kn", moved, step).astype(np.float32)
    wanted = np.abs(near) <= NEAR_PX + 1.0
    trace = trace_step(level[wanted], near[wanted], sigma_px=sigma_px)
    return EdgeTrace(trace.offset_px + away, trace.step, trace.noise)
