"""Check of a part that is squared already.

The part is its own solid: a straight bar between its four faces. Fibres through, the steepest
stretch and the sort are those of any part; besides, each corner is compared with the fibre that
starts there.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.judge.sorting import judge_blank
from grainscan.results import BlankMeasurement, BlankResult, Limit
from grainscan.workshop.keep_clear import Face
from grainscan.workshop.part_slope import slope_over
from grainscan.workshop.solid import BlankSolid, NotKnown, solid_of
from grainscan.workshop.through import share_interval

__all__ = ["SquareCheck", "check_square"]

FloatArray = npt.NDArray[np.float64]

_DRAWS = 200


@dataclass(frozen=True, slots=True, eq=False)
class SquareCheck:
    """A squared part, checked.

    Attributes
    ----------
    judged
        The part's result against the limit of its role.
    through
        Share of the fibres of its section that run unbroken from end to end, as measured;
        ``through_low`` to ``through_high`` hold 90 % of the fields that agree with the photographs.
    corner_off_mm
        How far the fibre that starts at a corner at the left end is from that corner at the right
        end, in x (out of face A) and y (out of face B); the same for all four corners.
    farthest_off_mm
        The largest distance between a corner and its fibre anywhere, and ``farthest_at`` where
        (share of the length).
    leaves
        For the fibre through the middle of the left end: the face it leaves through and after what
        length in mm; None where it stays inside.
    """

    solid: BlankSolid
    judged: BlankResult
    through: float
    through_low: float
    through_high: float
    corner_off_mm: tuple[float, float]
    farthest_off_mm: float
    farthest_at: float
    leaves: tuple[Face, float] | None


def check_square(measurement: BlankMeasurement, limit: Limit) -> SquareCheck | NotKnown:
    """Check a squared part from its photographs; `NotKnown` where fibres or size are not known.

    The measured angles are against the part's own edges, and so is everything here: if it is
    bent as well, its fibres are compared with its bent sides.
    """
    solid = solid_of(measurement)
    if isinstance(solid, NotKnown):
        return solid
    slope = slope_over(solid, solid.z_mm, solid.slope)
    judged = judge_blank(dataclasses.replace(measurement, slope=slope), limit)
    share, low, high = share_interval(
        "rectangle",
        solid.z_mm,
        solid.walls_mm[3] - solid.walls_mm[2],
        solid.walls_mm[1] - solid.walls_mm[0],
        solid.slope,
        solid.errors.draws(_DRAWS),
    )
    drift = solid.drift_mm
    off = np.hypot(drift[0], drift[1])
    k = int(np.argmax(off))
    return SquareCheck(
        solid=solid,
        judged=judged,
        through=share,
        through_low=low,
        through_high=high,
        corner_off_mm=(float(drift[0, -1]), float(drift[1, -1])),
        farthest_off_mm=float(off[k]),
        farthest_at=float(solid.z_mm[k]) / solid.length_mm,
        leaves=_leaves(solid),
    )


def _leaves(solid: BlankSolid) -> tuple[Face, float] | None:
    """Where the fibre through the middle of the left end leaves the part."""
    drift, walls = solid.drift_mm, solid.walls_mm
    over: list[tuple[Face, FloatArray]] = [
        ("A", drift[0] - walls[1]),
        ("opposite A", walls[0] - drift[0]),
        ("B", drift[1] - walls[3]),
        ("opposite B", walls[2] - drift[1]),
    ]
    exits = []
    for face, beyond in over:
        out = np.flatnonzero(beyond > 0)
        if len(out):
            exits.append((face, _crossing(solid, beyond, int(out[0]))))
    return min(exits, key=lambda found: found[1]) if exits else None


def _crossing(solid: BlankSolid, beyond: FloatArray, k: int) -> float:
    if k == 0:
        return 0.0
    share = -beyond[k - 1] / (beyond[k] - beyond[k - 1])
    return float(solid.z_mm[k - 1] + share * (solid.z_mm[k] - solid.z_mm[k - 1]))
