"""How wood shrinks and swells: along and across the rings, and at any point of a section.

The law, from published shrinkage to a moved point, in three steps:

1. *Along and across the rings.* A piece loses the share S·(30 − M)/30 of its green size on
   drying to a moisture content of M %, with S its published shrinkage from green to oven-dry,
   radial or tangential; above 30 % (fibre saturation) it loses nothing. Straight in between is
   the handbook's own approximation; the true curve bends near fibre saturation. From one
   moisture content to another the ratio of sizes is the quotient of the two, which is the same
   as the handbook's ΔD = D·(M_F − M_I) / (3000/S − 30 + M_I).

2. *Straight rings.* With the unit vectors t along and r across the rings, and k_t, k_r the
   ratios of sizes, a fibre element dx becomes F dx with F = k_t t tᵀ + k_r r rᵀ. In axes turned
   by the ring direction β this is the transformation of strain:
   F_xx = k_t cos²β + k_r sin²β, F_yy = k_t sin²β + k_r cos²β, F_xy = (k_t − k_r) sin β cos β.
   The last is the shear: a square at 45° to its rings dries to a rhomb. As the strain is the same
   everywhere the piece moves freely, without stress.

3. *Curved rings.* About the pith, in polar coordinates, the point (ρ, θ) moves to
   (k_r ρ, (k_t/k_r) θ). Radial elements become k_r dρ; tangential ones k_r ρ · (k_t/k_r) dθ =
   k_t ρ dθ; the two stay at right angles. So every element has exactly its own shrinkage, though
   directions differ from place to place: the strains fit together and no stress is needed. This
   holds for any section that does not contain the pith. Round the pith the angles would no longer
   close (2π becomes 2π·k_t/k_r): the wood must check there, and such a section is refused. The
   law is thus exact for wood of even shrinkage; what is left out is that shrinkage itself differs
   between juvenile and adult, early and late wood.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainscan.errors import InputError
from grainscan.workshop.moisture import FIBRE_SATURATION_PERCENT, check_moisture
from grainscan.workshop.ring_position import Rings
from grainscan.workshop.woods import Wood

__all__ = [
    "Ratios",
    "change_by_coefficient",
    "change_coefficient",
    "gradients",
    "move_points",
    "moved_rings",
    "shrinkage_percent",
    "size_ratio",
    "wood_ratios",
]

FloatArray = NDArray[np.float64]
# Limits within which the change coefficients hold (Wood Handbook, Table 13-5, heading).
_COEFFICIENT_LOW, _COEFFICIENT_HIGH = 6.0, 14.0


@dataclass(frozen=True, slots=True)
class Ratios:
    """Size after over size before, across the rings and along them."""

    radial: float
    tangential: float

    @property
    def back(self) -> Ratios:
        """The ratios of the way back."""
        return Ratios(1.0 / self.radial, 1.0 / self.tangential)


def shrinkage_percent(total_percent: float, moisture_percent: float) -> float:
    """Shrinkage from green to a moisture content, in per cent of the green size.

    S·(30 − M)/30 below fibre saturation (30 %), and 0 above it (Wood Handbook, FPL-GTR-190,
    2010, ch. 4; from memory).

    Raises
    ------
    InputError
        The moisture content cannot be, or the total shrinkage is not within 0 to 100 %.
    """
    if not 0.0 <= total_percent < 100.0:
        raise InputError(f"A shrinkage of {total_percent:g} % cannot be.")
    moisture = check_moisture(moisture_percent)
    left = max(0.0, FIBRE_SATURATION_PERCENT - moisture)
    return total_percent * left / FIBRE_SATURATION_PERCENT


def size_ratio(total_percent: float, from_percent: float, to_percent: float) -> float:
    """Size at one moisture content over size at another; above 1 where the piece swells.

    Raises InputError as `shrinkage_percent` does.
    """
    before = 1.0 - shrinkage_percent(total_percent, from_percent) / 100.0
    return (1.0 - shrinkage_percent(total_percent, to_percent) / 100.0) / before


def wood_ratios(wood: Wood, from_percent: float, to_percent: float) -> Ratios:
    """Ratios of sizes of a wood between two moisture contents.

    Raises
    ------
    InputError
        The wood has no radial or no tangential shrinkage, or a moisture content cannot be.
    """
    return Ratios(
        size_ratio(wood.number("radial_percent"), from_percent, to_percent),
        size_ratio(wood.number("tangential_percent"), from_percent, to_percent),
    )


def change_coefficient(total_percent: float, moisture_percent: float = 10.0) -> float:
    """Change of size for 1 % moisture content, as a share of the size at ``moisture_percent``.

    1/(3000/S − 30 + M): the slope of `size_ratio` at M. The handbook's coefficients are those at
    10 %, the middle of the range from 6 to 14 % for which it gives them (that it is so is found
    by comparing the tables).
    """
    if not 0.0 < total_percent < 100.0:
        raise InputError(f"A shrinkage of {total_percent:g} % cannot be.")
    return 1.0 / (3000.0 / total_percent - 30.0 + check_moisture(moisture_percent))


def change_by_coefficient(
    size_mm: float, coefficient: float, from_percent: float, to_percent: float
) -> float:
    """Change of size in millimetres, ΔD = D·C·(M_F − M_I); negative where the piece shrinks.

    Raises
    ------
    InputError
        A moisture content lies outside 6 to 14 %, where the coefficients do not hold.

    Source
    ------
    Wood Handbook, FPL-GTR-190, 2010, equation 13-2 and Table 13-5.
    """
    for moisture in (from_percent, to_percent):
        if not _COEFFICIENT_LOW <= check_moisture(moisture) <= _COEFFICIENT_HIGH:
            raise InputError(
                f"Change coefficients hold from 6 to 14 % moisture content, not at {moisture:g} %."
            )
    return size_mm * coefficient * (to_percent - from_percent)


def move_points(points_mm: FloatArray, rings: Rings, ratios: Ratios) -> FloatArray:
    """Where the points of a section go; the centre stays where it is and does not turn.

    The law is derived at the head of this module. Moving back is moving with ``ratios.back`` in
    the section `moved_rings` describes.

    Parameters
    ----------
    points_mm
        Shape (N, 2), millimetres from the section's centre, right and up on the end. The points
        are taken to belong to a section that does not contain the pith; the caller sees to it.
    rings, ratios
        Where the section lies, and how it shrinks.

    Returns
    -------
    Shape (N, 2), float64, millimetres from the same centre.
    """
    if rings.pith_mm is None:
        return points_mm @ _stretch(rings.direction_deg, ratios).T
    pith = np.asarray(rings.pith_mm, dtype=np.float64)
    towards, distance = _from_pith(pith)
    along, across = _axes(towards)
    from_pith = points_mm - pith
    radius = np.hypot(from_pith[:, 0], from_pith[:, 1])
    turn = np.arctan2(from_pith @ along, from_pith @ across) * (ratios.tangential / ratios.radial)
    reach = ratios.radial * radius
    moved = np.outer(reach * np.cos(turn) - ratios.radial * distance, across)
    return moved + np.outer(reach * np.sin(turn), along)


def gradients(points_mm: FloatArray, rings: Rings, ratios: Ratios) -> FloatArray:
    """Deformation gradient F at each point: what becomes of a small vector there.

    F = k_r r′ rᵀ + k_t t′ tᵀ, with r and t across and along the rings at the point before, and
    r′ and t′ after (as the piece bends, they turn). Points as in `move_points`; returns shape
    (N, 2, 2).
    """
    if rings.pith_mm is None:
        return np.broadcast_to(_stretch(rings.direction_deg, ratios), (len(points_mm), 2, 2))
    pith = np.asarray(rings.pith_mm, dtype=np.float64)
    towards, _ = _from_pith(pith)
    along, across = _axes(towards)
    from_pith = points_mm - pith
    before = np.arctan2(from_pith @ along, from_pith @ across)
    after = before * (ratios.tangential / ratios.radial)
    r0, r1 = (np.outer(np.cos(a), across) + np.outer(np.sin(a), along) for a in (before, after))
    t0, t1 = (np.outer(np.cos(a), along) - np.outer(np.sin(a), across) for a in (before, after))
    radial = ratios.radial * np.einsum("ni,nj->nij", r1, r0)
    tangential = ratios.tangential * np.einsum("ni,nj->nij", t1, t0)
    return np.asarray(radial + tangential)


def moved_rings(rings: Rings, ratios: Ratios) -> Rings:
    """The same rings after the change: the direction at the centre stays, the pith comes nearer."""
    if rings.pith_mm is None:
        return rings
    x, y = rings.pith_mm
    return Rings(rings.direction_deg, (ratios.radial * x, ratios.radial * y))


def _stretch(direction_deg: float, ratios: Ratios) -> FloatArray:
    angle = math.radians(direction_deg)
    t = np.array([math.cos(angle), math.sin(angle)])
    r = np.array([-t[1], t[0]])
    return np.asarray(ratios.tangential * np.outer(t, t) + ratios.radial * np.outer(r, r))


def _from_pith(pith: FloatArray) -> tuple[float, float]:
    """Direction from the pith to the section's centre, in radians, and its distance."""
    return math.atan2(-pith[1], -pith[0]), math.hypot(pith[0], pith[1])


def _axes(towards: float) -> tuple[FloatArray, FloatArray]:
    """Unit vectors along the rings and across them (away from the pith) at the centre."""
    across = np.array([math.cos(towards), math.sin(towards)])
    return np.array([-across[1], across[0]]), across
