"""Laying a straight part: for each start a linear programme over its axis and tilt.

With t the tilt and g the fibres' tangents against the straight line between the ends of the
blank's axis, the steepest slope is max |g − t|. Its length is measured in 48 directions, so it is
found at most 0.2 % too small; the walls are linear in the axis and the tilt.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from grainscan.workshop.layout import Way, axis_tangents, walls_at
from grainscan.workshop.part_sections import half_extents_mm
from grainscan.workshop.parts import Part, PartSamples
from grainscan.workshop.solid import BlankSolid

__all__ = ["StraightLine", "StraightStarts"]

FloatArray = npt.NDArray[np.float64]

_ANGLES = np.arange(48) * (2.0 * np.pi / 48)
_DIRECTIONS = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)])
_SCALE = 1e3
# Slopes are thousandths: the solver's tolerances are meant for numbers near 1.


@dataclass(frozen=True, slots=True)
class StraightLine:
    """The best straight axis for one start; ``cost`` is the objective there."""

    start_mm: float
    centre_mm: tuple[float, float]
    tilt: tuple[float, float]
    spare_mm: float
    cost: float


class StraightStarts:
    """The programme of one part in one blank, lying in one way, for any start."""

    def __init__(
        self, solid: BlankSolid, part: Part, samples: PartSamples, way: Way, spare_weight: float
    ) -> None:
        self._solid, self._part, self._way = solid, part, way
        self._s = part.length_mm - samples.s_mm[::-1] if way.reversed else samples.s_mm
        half = np.stack(
            half_extents_mm(part.shape, samples.width_mm, samples.depth_mm, way.turn_deg)
        )
        self._half = half[:, ::-1] if way.reversed else half
        self._tangents = solid.slope + axis_tangents(solid)
        self._per_spare = spare_weight / part.largest_mm[0]

    def lower_bound(self, start_mm: float) -> tuple[float, float]:
        """No cost at this start is lower than the first, no spare wood greater than the second.

        The slope is at least half the range of the tangents in any direction; the spare at most
        half the room.
        """
        z = start_mm + self._s
        towards = _DIRECTIONS.T[: len(_ANGLES) // 2] @ self._at(self._tangents, z)
        steepest = float(np.ptp(towards, axis=1).max()) / 2.0
        walls = walls_at(self._solid, z, self._way)
        room = np.stack([walls[1] - walls[0], walls[3] - walls[2]]) / 2.0 - self._half
        spare = float(room.min())
        return steepest - self._per_spare * spare, spare

    def line(self, start_mm: float, allowance_mm: float) -> StraightLine | None:
        """The best axis with at least ``allowance_mm`` of wood; None where there is none."""
        from scipy.optimize import linprog

        # Variables: x, y, tilt x and y and slope in thousandths, spare.
        left, right = self._wall_rows(start_mm)
        towards = _DIRECTIONS.T @ self._at(self._tangents, start_mm + self._s)
        rows = np.zeros((len(_ANGLES), 6))
        rows[:, 2:4], rows[:, 4] = -_DIRECTIONS.T, -1.0
        found = linprog(
            np.array([0, 0, 0, 0, 1.0, -_SCALE * self._per_spare]),
            A_ub=np.vstack([*left, rows]),
            b_ub=np.concatenate([*right, -_SCALE * towards.max(axis=1)]),
            bounds=[(None, None)] * 4 + [(0, None), (allowance_mm, None)],
            method="highs",
        )
        if found.status == 2:
            return None
        x, y, tx, ty, _, spare = (float(v) for v in _solved(found))
        return self._line(start_mm, (x, y), (tx, ty), spare)

    def roomiest(self, start_mm: float) -> StraightLine:
        """The axis with the most wood at its tightest place, whatever the slope.

        Each way across has its own most wood, so that the part lies as far inside as it can both
        ways even where one of them is what keeps it from fitting.
        """
        from scipy.optimize import linprog

        across, tilts, spares = [], [], []
        for k, (left, right) in enumerate(zip(*self._wall_rows(start_mm), strict=True)):
            found = linprog(
                np.array([0, 0, -1.0]),
                A_ub=left[:, [k, 2 + k, 5]],
                b_ub=right,
                bounds=[(None, None)] * 3,
                method="highs",
            )
            position, tilt, spare = (float(v) for v in _solved(found))
            across.append(position)
            tilts.append(tilt)
            spares.append(spare)
        return self._line(start_mm, (across[0], across[1]), (tilts[0], tilts[1]), min(spares))

    def _line(
        self,
        start_mm: float,
        centre_mm: tuple[float, float],
        tilt_thousandths: tuple[float, float],
        spare_mm: float,
    ) -> StraightLine:
        tilt = (tilt_thousandths[0] / _SCALE, tilt_thousandths[1] / _SCALE)
        off = self._at(self._tangents, start_mm + self._s) - np.array(tilt)[:, None]
        steepest = float(np.hypot(*off).max())
        return StraightLine(
            start_mm, centre_mm, tilt, spare_mm, steepest - self._per_spare * spare_mm
        )

    def _wall_rows(self, start_mm: float) -> tuple[list[FloatArray], list[FloatArray]]:
        """Rows saying that the part clears each wall by the spare, as  left @ v ≤ right.

        First those of the walls across x, then those across y.
        """
        z = start_mm + self._s
        ahead = self._s - self._part.length_mm / 2.0
        walls = walls_at(self._solid, z, self._way)
        axis = self._at(self._solid.axis_mm, z)
        rows, bounds = [], []
        for k in (0, 1):
            of_pair, ends = [], []
            for wall, sign in ((walls[2 * k], -1.0), (walls[2 * k + 1], 1.0)):
                row = np.zeros((len(z), 6))
                row[:, k], row[:, 2 + k], row[:, 5] = sign, sign * ahead / _SCALE, 1.0
                of_pair.append(row)
                ends.append(sign * (wall + axis[k]) - self._half[k])
            rows.append(np.vstack(of_pair))
            bounds.append(np.concatenate(ends))
        return rows, bounds

    def _at(self, values: FloatArray, z: FloatArray) -> FloatArray:
        return np.stack([np.interp(z, self._solid.z_mm, row) for row in values])


def _solved(found: Any) -> Iterable[float]:
    if found.status != 0:
        raise RuntimeError(f"the linear programme of a straight part ended with {found.message}")
    solution: Iterable[float] = found.x
    return solution
