"""Laying a part along the fibres: for each start the best axis has a closed form.

The axis is the fibre line through (x, y), so with the fibres' drift D(z) since the part's middle
the part clears a pair of walls by  min(high − D − half) − x  and  x − max(low − D + half); the best
x is half-way, and likewise y.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.workshop.layout import Way, walls_at
from grainscan.workshop.part_sections import half_extents_mm
from grainscan.workshop.parts import Part, PartSamples
from grainscan.workshop.solid import BlankSolid

__all__ = ["FibrePlaces", "best_start", "fibre_places"]

FloatArray = npt.NDArray[np.float64]

_FINEST_MM = 0.05
# Nobody marks a cut finer.


@dataclass(frozen=True, slots=True, eq=False)
class FibrePlaces:
    """The best axis at each of (M,) starts: centres (2, M), spare wood and bend (M,)."""

    start_mm: FloatArray
    centre_mm: FloatArray
    spare_mm: FloatArray
    bend_mm: FloatArray


def fibre_places(
    solid: BlankSolid, part: Part, samples: PartSamples, way: Way, start_mm: FloatArray
) -> FibrePlaces:
    """Lay a part along the fibres at each start (M,), as centrally as the wood allows."""
    s = part.length_mm - samples.s_mm[::-1] if way.reversed else samples.s_mm
    half = np.stack(half_extents_mm(part.shape, samples.width_mm, samples.depth_mm, way.turn_deg))
    if way.reversed:
        half = half[:, ::-1]
    z = start_mm[:, None] + s
    walls = walls_at(solid, z, way)
    drift, middle = solid.drift_mm, start_mm + part.length_mm / 2.0
    centres, spares, curves = [], [], []
    for k in (0, 1):
        line = np.interp(z, solid.z_mm, drift[k]) - np.interp(middle, solid.z_mm, drift[k])[:, None]
        low = (walls[2 * k] - line + half[k]).max(axis=1)
        high = (walls[2 * k + 1] - line - half[k]).min(axis=1)
        centres.append((low + high) / 2.0)
        spares.append((high - low) / 2.0)
        curves.append(line + np.interp(z, solid.z_mm, solid.axis_mm[k]))
    return FibrePlaces(start_mm, np.stack(centres), np.minimum(*spares), _bend(z, curves))


def best_start(
    solid: BlankSolid,
    part: Part,
    samples: PartSamples,
    way: Way,
    stretch: tuple[float, float],
    *,
    count: int = 60,
) -> FibrePlaces:
    """The start in a stretch with the most spare wood, among those that bend no more than allowed.

    Where all bend more, the one that bends least. The answer holds one start.
    """
    from scipy.optimize import minimize_scalar

    most = part.most_bend_mm if part.most_bend_mm is not None else np.inf

    def cost(places: FibrePlaces) -> FloatArray:
        # Any excess bend costs more than all wood there is.
        excess = np.maximum(places.bend_mm - most, 0.0)
        return np.asarray(np.where(excess > 0, solid.length_mm + excess, -places.spare_mm))

    starts = np.unique(np.linspace(*stretch, count))
    grid = fibre_places(solid, part, samples, way, starts)
    k = int(np.argmin(cost(grid)))
    if len(starts) == 1:
        return grid
    low, high = starts[max(k - 1, 0)], starts[min(k + 1, len(starts) - 1)]

    def at(start: float) -> FibrePlaces:
        return fibre_places(solid, part, samples, way, np.array([start]))

    found = minimize_scalar(
        lambda start: float(cost(at(start))[0]),
        bounds=(low, high),
        method="bounded",
        options={"xatol": _FINEST_MM},
    )
    tries = [at(float(found.x)), at(float(starts[k]))]
    return min(tries, key=lambda places: float(cost(places)[0]))


def _bend(z: FloatArray, curves: list[FloatArray]) -> FloatArray:
    share = (z - z[:, :1]) / (z[:, -1:] - z[:, :1])
    off = [c - (c[:, :1] + share * (c[:, -1:] - c[:, :1])) for c in curves]
    return np.asarray(np.hypot(*off).max(axis=1))
