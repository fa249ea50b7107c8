"""What a part's slope of grain costs where the part is stressed.

Along a part the bending stress is σ(s) = M(s) / S(s), moment over section modulus (beam theory, for
example S. Timoshenko, *Strength of Materials*, part I). Straight-grained, the part fails where σ is
largest. Where its fibres slope, the wood at s keeps the share k(s) of its strength (Hankinson-type
formula of the Wood Handbook, see `grainscan.judge.strength`), so the part fails first where σ/k is
largest, and it keeps

    max σ / max (σ / k)

of what the same part would carry in straight grain. A steep stretch in a fat place therefore
counts less than in a tenon's shoulder. It is a share, for clear wood, bending alone: shear, knots,
joints and wear are not in it, and it is never a load rating.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.judge.strength import SOURCE, Property, share_kept
from grainscan.results import NORMAL_90
from grainscan.workshop.layout import Placement
from grainscan.workshop.loads import moment
from grainscan.workshop.part_sections import section_modulus_mm3
from grainscan.workshop.parts import Part
from grainscan.workshop.solid import BlankSolid

__all__ = ["CAUTION", "PartStrength", "part_strength", "relative_stress", "strength_along"]

FloatArray = npt.NDArray[np.float64]

BEAMS = "bending stress by beam theory (S. Timoshenko, Strength of Materials, part I)"

CAUTION = (
    "A comparison with straight grain, not a load rating: clear wood only, and a photograph "
    "cannot see inside. For ladders, handles on sale, bats and parts of buildings the applicable "
    "standard, local code and licensed practice decide."
)


@dataclass(frozen=True, slots=True)
class PartStrength:
    """The share of straight-grained strength a part keeps, and where it would fail first.

    ``low`` takes the fibres steeper by their 90 % uncertainty everywhere at once, which is
    cautious. ``critical_mm`` is along the part from its start, ``slope_deg`` the slope there and
    ``stress`` the bending stress there over the part's largest.
    """

    kind: Property
    share: float
    low: float
    critical_mm: float
    slope_deg: float
    stress: float
    source: str


def part_strength(solid: BlankSolid, placement: Placement) -> PartStrength:
    """Strength kept by a part laid in a blank, for the property that decides for its role."""
    part = placement.part
    sigma = np.stack([np.interp(placement.z_mm, solid.z_mm, row) for row in solid.errors.sigma])
    tangent = np.hypot(*placement.slope)
    # Across a slope's own direction an error hardly lengthens it, unless there is no slope.
    steeper = tangent + NORMAL_90 * np.hypot(*sigma) / math.sqrt(2.0)
    share, k = strength_along(part, placement.s_mm, np.degrees(np.arctan(tangent)))
    low, _ = strength_along(part, placement.s_mm, np.degrees(np.arctan(steeper)))
    stress = relative_stress(part, placement.s_mm)
    return PartStrength(
        kind=part.strength,
        share=share,
        low=low,
        critical_mm=float(placement.s_mm[k]),
        slope_deg=math.degrees(math.atan(float(tangent[k]))),
        stress=float(stress[k]),
        source=f"{BEAMS}; {SOURCE}",
    )


def relative_stress(part: Part, s_mm: FloatArray) -> FloatArray:
    """Bending stress (N,) at places along a part, over its largest at these places."""
    width = np.interp(s_mm, part.at_mm, part.width_mm)
    depth = np.interp(s_mm, part.at_mm, part.depth_mm)
    stress = moment(part.load, s_mm, part.length_mm)
    stress = stress / section_modulus_mm3(part.shape, width, depth)
    return np.asarray(stress / stress.max())


def strength_along(part: Part, s_mm: FloatArray, slope_deg: FloatArray) -> tuple[float, int]:
    """Share of straight-grained strength kept, and the index of the critical place.

    ``s_mm`` (N,) places along the part, ``slope_deg`` (N,) the slope of grain at them, 0 to 90.
    """
    kept = np.array([share_kept(float(angle), part.strength) for angle in slope_deg])
    demand = relative_stress(part, s_mm) / kept
    k = int(np.argmax(demand))
    return float(1.0 / demand[k]), k
