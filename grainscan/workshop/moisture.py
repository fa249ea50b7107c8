"""Moisture content: from weights, from the air of a room, and whether a hot box may follow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from grainscan.errors import InputError
from grainscan.results import NORMAL_90
from grainscan.workshop.spread import Estimate
from grainscan.workshop.woods import Wood

__all__ = [
    "FIBRE_SATURATION_PERCENT",
    "HotBoxAdvice",
    "check_moisture",
    "dry_weight_from_moisture",
    "dry_weight_from_volume",
    "equilibrium_moisture_f",
    "equilibrium_moisture_percent",
    "hot_box_advice",
    "moisture_percent",
    "parse_moisture",
    "present_moisture",
]

# Moisture content below which wood shrinks: about 30 % by convention (Peck, Shrinkage of Wood,
# FPL R1650, 1947); 25 to 30 % for most woods (Teesdale, Shrinkage of Wood in Ship Construction,
# FPL, 1942).
FIBRE_SATURATION_PERCENT = 30.0
_LOWEST_FIBRE_SATURATION = 25.0
# Above any green wood of the Wood Handbook's Table 4-1 (cedar sapwood, 249 %).
_WETTEST_PERCENT = 250.0
# Coefficient of variation of specific gravity within a species, 10 % (Wood Handbook,
# FPL-GTR-190, 2010, ch. 5, table of coefficients of variation; from memory).
_GRAVITY_VARIATION = 0.10
# Range of the published table of equilibrium moisture content, 30 to 270 °F (Wood Handbook,
# FPL-GTR-190, 2010, Table 4-2; the upper end from memory).
_COLDEST_F, _HOTTEST_F = 30.0, 270.0


def check_moisture(percent: float, what: str = "moisture content") -> float:
    """The moisture content itself if it is one.

    Raises
    ------
    InputError
        It is below 0 % or above 250 %, or no number.
    """
    # NaN compares as false with everything, so the test is for what is right.
    if not 0.0 <= percent <= _WETTEST_PERCENT:
        raise InputError(
            f"The {what} {percent:g} % cannot be: it lies between 0 % (oven-dry) and "
            f"{_WETTEST_PERCENT:g} %."
        )
    return float(percent)


def parse_moisture(text: str, *, what: str = "moisture content") -> float:
    """Moisture content in per cent from text: ``12``, ``12%``, or ``green``.

    Green wood is above fibre saturation, where size no longer depends on moisture; ``green``
    gives fibre saturation (30 %), at which shrinking begins.

    Raises
    ------
    InputError
        The text is none of these, or the number no moisture content.
    """
    plain = text.strip().lower()
    if plain == "green":
        return FIBRE_SATURATION_PERCENT
    try:
        number = float(plain.removesuffix("%").strip())
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise InputError(f"{text.strip()[:40]!r} is no {what}. Write it as 12 or 12%.")
    return check_moisture(number, what)


def moisture_percent(wet_g: float, dry_g: float) -> float:
    """Moisture content 100·(wet − dry)/dry, in per cent of the oven-dry weight.

    ``dry_g``: weight after drying at 103 ± 2 °C until it no longer changes (ASTM D4442, from
    memory); both in grams, or in any one unit.

    Raises
    ------
    InputError
        A weight is not above 0, the dry weight exceeds the wet one, or the result is above 250 %.

    Examples
    --------
    >>> moisture_percent(150.0, 120.0)
    25.0
    """
    _check_weight(wet_g, "weight")
    _check_weight(dry_g, "oven-dry weight")
    if dry_g > wet_g:
        raise InputError(
            f"The oven-dry weight {dry_g:g} g is above the wet weight {wet_g:g} g: "
            "they may have changed places."
        )
    return check_moisture(100.0 * (wet_g - dry_g) / dry_g, "moisture content from these weights")


def dry_weight_from_moisture(weight_g: float, percent: float) -> float:
    """Oven-dry weight of a piece that weighs ``weight_g`` at a known moisture content.

    Raises
    ------
    InputError
        The weight is not above 0, or the moisture content cannot be.
    """
    _check_weight(weight_g, "weight")
    return weight_g / (1.0 + check_moisture(percent) / 100.0)


def dry_weight_from_volume(wood: Wood, green_volume_mm3: float) -> Estimate:
    """Oven-dry weight in grams from the green volume in mm³ and the species' specific gravity.

    Specific gravity green is oven-dry mass over green volume, relative to water (1 g/cm³). The
    90 % interval is ± 1.645 · 10 %: the coefficient of variation of specific gravity within a
    species (Wood Handbook, ch. 5, from memory).

    Raises
    ------
    InputError
        The volume is not above 0, or the wood has no specific gravity.
    """
    if not (math.isfinite(green_volume_mm3) and green_volume_mm3 > 0):
        raise InputError(f"A volume of {green_volume_mm3:g} mm³ cannot be: give one above 0.")
    dry_g = wood.number("gravity_green") * green_volume_mm3 / 1000.0
    half = NORMAL_90 * _GRAVITY_VARIATION * dry_g
    return Estimate(dry_g, dry_g - half, dry_g + half)


def present_moisture(now_g: float, dry_g: float | Estimate) -> Estimate:
    """Moisture content now, in per cent, from the weight now and the oven-dry weight.

    ``dry_g`` is a number where it is known (from an oven test of this piece), or an `Estimate`
    from the volume; its interval is carried through. An end of the interval that would be below
    0 % is given as 0 %.

    Raises
    ------
    InputError
        A weight is not above 0, or the piece is lighter than it could be at any moisture.
    """
    if not isinstance(dry_g, Estimate):
        dry_g = Estimate(dry_g, dry_g, dry_g)
    _check_weight(now_g, "weight")
    if dry_g.low > now_g:
        raise InputError(
            f"The piece weighs {now_g:g} g, less than its oven-dry weight of at least "
            f"{dry_g.low:.4g} g: check the weights, the sizes and the wood."
        )
    percent = [100.0 * (now_g - dry) / dry for dry in (dry_g.value, dry_g.high, dry_g.low)]
    value, low, high = (max(0.0, p) for p in percent)
    check_moisture(low, "moisture content from this weight")
    return Estimate(value, low, high)


def equilibrium_moisture_percent(temperature_c: float, humidity_percent: float) -> float:
    """Moisture content that wood comes to in air of a temperature (°C) and relative humidity (%).

    With ``h`` the humidity as a share, ``T`` in °C:

    M = 1800/W · [Kh/(1 − Kh) + (K₁Kh + 2K₁K₂K²h²)/(1 + K₁Kh + K₁K₂K²h²)],
    W = 349 + 1.29T + 0.0135T², K = 0.805 + 0.000736T − 0.00000273T²,
    K₁ = 6.27 − 0.00938T − 0.000303T², K₂ = 1.91 + 0.0407T − 0.000293T².

    Species, stress and whether the wood comes from the wet or the dry side are left out: take
    ± 1 % moisture content with it (Glass, Zelinka and Johnson, FPL-GTR-229, 2014, warn of the
    historic data).

    Raises
    ------
    InputError
        The temperature lies outside −1.1 to 132.2 °C, or the humidity outside 0 to 100 %.

    Source
    ------
    Wood Handbook, FPL-GTR-190, 2010, equation 4-5; it agrees with the cells of Table 4-2 that
    were read to 0.06 % moisture content. The printed table covers humidities from 5 to 95 %.
    """
    _check_air((temperature_c * 9.0 / 5.0) + 32.0, humidity_percent)
    t = temperature_c
    return _two_hydrates(
        humidity_percent / 100.0,
        w=349.0 + 1.29 * t + 0.0135 * t**2,
        k=0.805 + 0.000736 * t - 0.00000273 * t**2,
        k1=6.27 - 0.00938 * t - 0.000303 * t**2,
        k2=1.91 + 0.0407 * t - 0.000293 * t**2,
    )


def equilibrium_moisture_f(temperature_f: float, humidity_percent: float) -> float:
    """The same for a temperature in °F, with the handbook's own coefficients for °F.

    W = 330 + 0.452T + 0.00415T², K = 0.791 + 0.000463T − 0.000000844T²,
    K₁ = 6.34 + 0.000775T − 0.0000935T², K₂ = 1.09 + 0.0284T − 0.0000904T² (from memory; they
    agree with the cells of Table 4-2 that were read, as the set for °C does). Rounded
    coefficients let the two sets differ by a few hundredths of a per cent.

    Raises
    ------
    InputError
        The temperature lies outside 30 to 270 °F, or the humidity outside 0 to 100 %.
    """
    _check_air(temperature_f, humidity_percent)
    t = temperature_f
    return _two_hydrates(
        humidity_percent / 100.0,
        w=330.0 + 0.452 * t + 0.00415 * t**2,
        k=0.791 + 0.000463 * t - 0.000000844 * t**2,
        k1=6.34 + 0.000775 * t - 0.0000935 * t**2,
        k2=1.09 + 0.0284 * t - 0.0000904 * t**2,
    )


def _two_hydrates(h: float, *, w: float, k: float, k1: float, k2: float) -> float:
    kh = k * h
    second = (k1 * kh + 2.0 * k1 * k2 * kh**2) / (1.0 + k1 * kh + k1 * k2 * kh**2)
    return 1800.0 / w * (kh / (1.0 - kh) + second)


def _check_air(temperature_f: float, humidity_percent: float) -> None:
    # A hair of slack, so that the ends of the range may be given in either unit.
    if not _COLDEST_F - 0.05 <= temperature_f <= _HOTTEST_F + 0.05:
        raise InputError(
            f"The published equation covers 30 to 270 °F (−1.1 to 132.2 °C), not "
            f"{temperature_f:.4g} °F ({(temperature_f - 32.0) * 5.0 / 9.0:.4g} °C)."
        )
    if not 0.0 <= humidity_percent <= 100.0:
        raise InputError(
            f"A relative humidity of {humidity_percent:g} % cannot be: it lies between 0 and 100 %."
        )


@dataclass(frozen=True, slots=True)
class HotBoxAdvice:
    """Whether a part may go into a hot box: "wait", "not sure" or "may go in", and why."""

    word: Literal["wait", "not sure", "may go in"]
    because: str


def hot_box_advice(moisture: Estimate) -> HotBoxAdvice:
    """Whether a part with this moisture content (with its interval) may be dried hard.

    Common practice, no source: riven parts are air-dried below fibre saturation before any warm
    box or kiln, because a wet part dried hard shrinks outside while it is still swollen inside,
    and checks. Fibre saturation itself lies between 25 and 30 % for most woods (Teesdale, 1942),
    so that a part between the two may be on either side.
    """
    rule = "common practice, no source: air-dry below fibre saturation (25 to 30 %) first"
    now = f"at {moisture.value:.0f} %"
    if moisture.low >= FIBRE_SATURATION_PERCENT:
        return HotBoxAdvice(
            "wait", f"{now} it is still above fibre saturation and would check ({rule})"
        )
    if moisture.high < _LOWEST_FIBRE_SATURATION:
        return HotBoxAdvice("may go in", f"{now} it is below fibre saturation ({rule})")
    return HotBoxAdvice(
        "not sure",
        f"{now} ({moisture.low:.0f} to {moisture.high:.0f} %) it may still be "
        f"above fibre saturation: let it air-dry below {_LOWEST_FIBRE_SATURATION:.0f} % ({rule})",
    )


def _check_weight(weight_g: float, what: str) -> None:
    if not (math.isfinite(weight_g) and weight_g > 0):
        raise InputError(f"The {what} {weight_g:g} g cannot be: give one above 0.")
