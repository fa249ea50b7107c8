"""A part laid in a blank, with everything that follows: sort, strength, fibres through."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.judge.sorting import judge_blank
from grainscan.results import (
    BlankMeasurement,
    BlankResult,
    SlopeInSpace,
    SteepestPlace,
)
from grainscan.workshop.fit import NoFit, fit_part
from grainscan.workshop.keep_clear import AvoidZone, trim_zones
from grainscan.workshop.layout import Placement
from grainscan.workshop.part_strength import PartStrength, part_strength
from grainscan.workshop.parts import Part
from grainscan.workshop.solid import BlankSolid, NotKnown, solid_of
from grainscan.workshop.through import FibresThrough, fibres_through

__all__ = ["LaidPart", "judge_placement", "lay_part", "slope_of_part", "solid_for"]

FloatArray = npt.NDArray[np.float64]

_DRAWS, _SEED = 4000, 20
# Quantiles to about 1 % of the interval; the seed is fixed so that an answer can be repeated.


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
    slope = slope_of_part(solid, placement)
    return judge_blank(dataclasses.replace(measurement, slope=slope), placement.part.limit)


def slope_of_part(solid: BlankSolid, placement: Placement) -> SlopeInSpace:
    """General slope of grain against the part's own axis over its length, with its interval.

    The mean of the tangents over the part, with the uncertainty of that mean from the field's
    correlated errors. Steepest is the steepest place of the field as measured.
    """
    weights = _mean_weights(solid.z_mm, placement.z_mm)
    along = np.gradient(placement.z_mm)
    mean = placement.slope @ (along / along.sum())
    # What is known of the true mean is normal about the measured one. (An interval from the
    # law of the *measured* slope would not do: along the fibres that is 0 by construction.)
    rng = np.random.default_rng(_SEED)
    sigma = np.array(solid.errors.of_mean(weights))
    tangents = np.linalg.norm(mean + sigma * rng.standard_normal((_DRAWS, 2)), axis=1)
    angle = _angle_deg(float(np.hypot(mean[0], mean[1])))
    low, high = (_angle_deg(float(q)) for q in np.quantile(tangents, (0.05, 0.95)))
    tangent, at = placement.steepest
    return SlopeInSpace(
        angle_deg=angle,
        low_deg=min(low, angle),
        high_deg=max(high, angle),
        steepest=SteepestPlace(at / solid.length_mm, _angle_deg(tangent)),
        lower_bound_only=False,
    )


def _angle_deg(tangent: float) -> float:
    return math.degrees(math.atan(tangent))


def _mean_weights(z: FloatArray, part_z: FloatArray) -> FloatArray:
    """Weights of the solid's places in the mean over a part, by linear interpolation."""
    steps = np.gradient(part_z)
    steps = steps / steps.sum()
    right = np.clip(np.searchsorted(z, part_z), 1, len(z) - 1)
    share = (part_z - z[right - 1]) / (z[right] - z[right - 1])
    weights = np.zeros_like(z)
    np.add.at(weights, right - 1, steps * (1.0 - share))
    np.add.at(weights, right, steps * share)
    return weights
