"""A part laid in a blank, with everything that follows: sort, strength, fibres through."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from grainscan.judge.sorting import judge_blank
from grainscan.results import (
    BlankMeasurement,
    BlankResult,
)
from grainscan.workshop.fit import NoFit, fit_part
from grainscan.workshop.keep_clear import AvoidZone, trim_zones
from grainscan.workshop.layout import Placement
from grainscan.workshop.part_slope import slope_over
from grainscan.workshop.part_strength import PartStrength, part_strength
from grainscan.workshop.parts import Part
from grainscan.workshop.solid import BlankSolid, NotKnown, solid_of
from grainscan.workshop.through import FibresThrough, fibres_through

__all__ = ["LaidPart", "judge_placement", "lay_part", "solid_for"]


@dataclass(frozen=True, slots=True, eq=False)
class LaidPart:
    """A part in its best place.

    ``judged`` is the blank's result with the slope of the part, against the limit of the part.
    """

    solid: BlankSolid
    placement: Placement
    judged: BlankResult
    strength: PartStrength
    through: FibresThrough


def solid_for(
    measurement: BlankMeasurement, *, avoid: Sequence[AvoidZone] = (), trim_mm: float = 0.0
) -> BlankSolid | NotKnown:
    """The blank as a solid, with ``trim_mm`` cut off either end for checks.

    Raises
    ------
    ValueError
        Cutting off both ends leaves nothing.
    """
    solid = solid_of(measurement, avoid=avoid)
    if not isinstance(solid, BlankSolid) or trim_mm <= 0:
        return solid
    zones = (*solid.avoid, *trim_zones(trim_mm, solid.length_mm))
    return dataclasses.replace(solid, avoid=zones)


def lay_part(
    measurement: BlankMeasurement,
    solid: BlankSolid,
    part: Part,
    *,
    along_fibres: bool = True,
    allowance_mm: float = 1.0,
) -> LaidPart | NoFit:
    """Find a part's best place in a blank and say what the part would be worth.

    ``solid`` is that of the same ``measurement``. See `grainscan.workshop.fit.fit_part`.
    """
    placement = fit_part(solid, part, along_fibres=along_fibres, allowance_mm=allowance_mm)
    if isinstance(placement, NoFit):
        return placement
    return LaidPart(
        solid=solid,
        placement=placement,
        judged=judge_placement(measurement, solid, placement),
        strength=part_strength(solid, placement),
        through=fibres_through(solid, placement),
    )


def judge_placement(
    measurement: BlankMeasurement, solid: BlankSolid, placement: Placement
) -> BlankResult:
    """Sort a part in its place against its own limit, by the rules for blanks."""
    slope = slope_over(solid, placement.z_mm, placement.slope)
    return judge_blank(dataclasses.replace(measurement, slope=slope), placement.part.limit)
