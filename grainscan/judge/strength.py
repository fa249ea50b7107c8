"""Share of straight-grained strength kept by clear wood at a slope of grain.

The Hankinson-type formula of the Wood Handbook (FPL-GTR-190, 2010, chapter 5) gives a
property N at an angle θ between load and fibres from its value P along the fibres and Q
across them:

    N = P Q / (P sinⁿ θ + Q cosⁿ θ),    N / P = q / (sinⁿ θ + q cosⁿ θ),    q = Q / P.

The values of q and n are those with which that chapter, section "Slope of Grain", describes
its Table 5-12 (tests on members with sloping grain). They hold for clear wood without knots,
checks or decay; they are no grading ratios and no design values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from grainscan.errors import InputError
from grainscan.results import StrengthShare

__all__ = ["PROPERTIES", "SOURCE", "Curve", "Property", "share_kept", "shares", "slope_keeping"]

Property = Literal["bending", "impact", "compression"]

SOURCE = "Wood Handbook, FPL-GTR-190 (2010), ch. 5, Hankinson-type formula; clear wood"


@dataclass(frozen=True, slots=True)
class Curve:
    """Parameters of the formula for one property: ratio ``q`` across to along, exponent ``n``."""

    q: float
    n: float


# Wood Handbook, FPL-GTR-190, 2010, ch. 5, "Slope of Grain": modulus of rupture, impact bending
# (height of drop), compression parallel to grain.
PROPERTIES: dict[Property, Curve] = {
    "bending": Curve(q=0.10, n=1.5),
    "impact": Curve(q=0.05, n=1.5),
    "compression": Curve(q=0.10, n=2.5),
}

# The curves fall from 0 to beyond this angle; no blank worth judging has steeper fibres.
_STEEPEST_DEG = 45.0


def share_kept(angle_deg: float, kind: Property) -> float:
    """Share of the straight-grained strength at a slope of grain, N / P = q / (sinⁿ θ + q cosⁿ θ).

    Parameters
    ----------
    angle_deg
        Angle between the fibres and the length of the piece, 0 to 90.
    kind
        ``"bending"`` (modulus of rupture), ``"impact"`` (impact bending) or ``"compression"``
        (parallel to the grain).

    Returns
    -------
    float
        Above 0, at most 1. For compression the formula rises above 1 by up to 0.00003 below
        1.0°, which is no property of wood: such values are given as 1.

    Raises
    ------
    ValueError
        The angle is outside 0 to 90.

    Notes
    -----
    Source: Wood Handbook, FPL-GTR-190, 2010, chapter 5.

    Examples
    --------
    >>> round(share_kept(5.71, "impact"), 3)  # 1 in 10
    0.617
    """
    if not 0.0 <= angle_deg <= 90.0:
        raise ValueError(f"a slope of grain lies between 0 and 90 degrees, not {angle_deg}")
    q, n = PROPERTIES[kind].q, PROPERTIES[kind].n
    angle = math.radians(angle_deg)
    # cos 90° is 6e-17 and may come out below 0, which has no power n.
    across = max(math.cos(angle), 0.0) ** n
    return float(min(q / (math.sin(angle) ** n + q * across), 1.0))


def shares(angle_deg: float) -> StrengthShare:
    """The three shares at a slope of grain, with their source."""
    return StrengthShare(
        bending=share_kept(angle_deg, "bending"),
        impact=share_kept(angle_deg, "impact"),
        compression=share_kept(angle_deg, "compression"),
        source=SOURCE,
    )


def slope_keeping(percent: float, kind: Property = "impact") -> float:
    """The steepest slope of grain, in degrees, at which a share of the strength is kept.

    The inverse of `share_kept`, found by Brent's method.

    Parameters
    ----------
    percent
        Strength to keep in per cent of straight grain's.
    kind
        As for `share_kept`; impact bending falls fastest, so it is the cautious choice.

    Raises
    ------
    InputError
        The percentage is 99 or more (no photograph can show that), or so low that no limit
        on the grain would be left.
    """
    from scipy.optimize import brentq

    least = math.ceil(100.0 * share_kept(_STEEPEST_DEG, kind)) + 1
    if not least <= percent <= 99.0:
        raise InputError(
            f"Strength to keep must lie between {least} and 99 per cent, not {percent:g}."
        )
    # The bracket starts above the compression curve's flat beginning, where it is cut at 1.
    return float(
        brentq(lambda a: share_kept(a, kind) - percent / 100.0, 0.0, _STEEPEST_DEG, xtol=1e-10)
    )
