"""A round tenon in a round mortise: how tight it is at assembly and later, and how to turn it.

Two directions matter, both at right angles to the tenon's length: along the fibres of the
mortised part (the post) and across them.

- *The tenon* is a round at its own moisture content. It swells to an oval with diameters k_t·d
  along its rings and k_r·d across them (k the ratios of sizes of `grainscan.workshop.shrinkage`);
  between parallel jaws that close along a direction at the angle a from its rings it measures
  d·√(k_t² cos²a + k_r² sin²a).
- *The mortise* is a round hole in the post at the post's moisture content. A hole changes as the
  wood that filled it would: along the fibres not at all (longitudinal shrinkage, 0.1 to 0.2 %
  from green to oven-dry, is left out), across them by the post's ratio in that direction.
- *Interference* in a direction is the tenon's free size less the mortise's free size: what has to
  be pressed away. Below zero there is a gap.

How to turn the tenon follows from what each direction can bear. Across the fibres the tenon acts
as a wedge that pulls the post apart at right angles to its grain, where wood is weakest; along
the fibres it presses on end grain, which hardly gives. So the larger swelling, which is along the
tenon's rings, belongs along the post's fibres. `least_wedging_turn` finds that turn by
computation from both swellings and does not assume it.

Warnings. Splitting and crushing are judged by the elastic shrink fit of a disc in a hole of a
large plate of equal stiffness E: an interference δ on the diameter d gives the pressure
p = E·δ/(2d), and a hoop tension of the same size at the hole's edge. Wood is orthotropic and
creeps, so this is an order of magnitude, on the careful side: sound joints are known to bear
more. It is made with values of white ash at 12 % (Wood Handbook, FPL-GTR-190, 2010, Tables 5-1
and 5-3; from memory): E_L 12.0 GPa, E_T/E_L 0.080, tension across the grain 6.5 MPa, compression
across the grain at the proportional limit 8.0 MPa.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from grainscan.errors import InputError
from grainscan.results import NORMAL_90
from grainscan.workshop.moisture import FIBRE_SATURATION_PERCENT, check_moisture
from grainscan.workshop.shrinkage import Ratios, size_ratio, wood_ratios
from grainscan.workshop.spread import (
    SHRINKAGE_SPREAD,
    SHRINKAGE_VARIATION,
    Estimate,
    spread,
)
from grainscan.workshop.woods import Wood

__all__ = [
    "CRUSH_SHARE",
    "SPLIT_SHARE",
    "JointAtMoisture",
    "JointForecast",
    "RoundJoint",
    "joint_forecast",
    "least_wedging_turn",
    "tenon_for_fit",
]

_LARGEST_MM = 50_000.0
# White ash at 12 %, from memory (see the head of this module), in MPa.
_ACROSS_STIFFNESS = 0.080 * 12_000.0
_TENSION_ACROSS, _COMPRESSION_ACROSS = 6.5, 8.0
# Interference over diameter at which the hoop tension reaches the tension strength across the
# grain: p = E δ/(2d) = σ.
SPLIT_SHARE = 2.0 * _TENSION_ACROSS / _ACROSS_STIFFNESS
# The end grain of the post hardly gives, so along its fibres the tenon alone is squeezed, by
# δ/d; beyond this it does not spring back whole.
CRUSH_SHARE = _COMPRESSION_ACROSS / _ACROSS_STIFFNESS
# Common practice, no source: mortised parts are air-dry, 10 to 18 %.
_POST_DRIEST, _POST_WETTEST = 10.0, 18.0


@dataclass(frozen=True, slots=True)
class RoundJoint:
    """A tenon and its mortise as they are put together.

    ``tenon_mm`` at ``tenon_percent`` moisture content, ``mortise_mm`` at ``post_percent``.
    ``turn_deg``: angle between the tenon's rings, seen on its end, and the fibres of the post;
    0 means the rings run along the post's fibres. ``bore_deg``: angle between the mortise's axis
    and the post's rings, seen on the post's end; 90 means bored across the rings, from bark to
    pith.
    """

    tenon_wood: Wood
    post_wood: Wood
    tenon_mm: float
    mortise_mm: float
    tenon_percent: float
    post_percent: float
    turn_deg: float = 0.0
    bore_deg: float = 90.0


@dataclass(frozen=True, slots=True)
class JointAtMoisture:
    """The joint with both parts at one moisture content; millimetres, free sizes.

    ``along``, ``across``: interference along and across the post's fibres, with 90 % intervals.
    ``on_tangential``, ``on_radial``: interference along and across the tenon's own rings.
    ``least``: the least interference over all directions.
    """

    percent: float
    tenon_tangential_mm: float
    tenon_radial_mm: float
    mortise_along_mm: float
    mortise_across_mm: float
    along: Estimate
    across: Estimate
    on_tangential: Estimate
    on_radial: Estimate
    least: Estimate


@dataclass(frozen=True, slots=True)
class JointForecast:
    """A joint at assembly and in service.

    ``at_assembly_mm``: tenon less mortise when they are put together. ``best_turn_deg``: the turn
    at which the tenon wedges the post least; None if no turn is better than another.
    ``best_across_mm``, ``worst_across_mm``: interference across the post's fibres at the best and
    the worst turn, at the first of the moistures in service. ``warnings``: each with its ground.
    """

    at_assembly_mm: float
    turn_deg: float
    in_service: tuple[JointAtMoisture, ...]
    best_turn_deg: float | None
    best_across_mm: float
    worst_across_mm: float
    turn_because: str
    warnings: tuple[str, ...]
    spread: str

    def to_dict(self) -> dict[str, Any]:
        """Plain lists, dicts, numbers, strings and None; units in the keys."""
        found = asdict(self)
        found["in_service"] = list(found["in_service"])
        found["warnings"] = list(found["warnings"])
        return found


def joint_forecast(joint: RoundJoint, service_percents: Sequence[float]) -> JointForecast:
    """How the joint is at assembly and when both parts have come to each moisture in service.

    Parameters
    ----------
    joint
        Sizes, moistures and turn at assembly.
    service_percents
        Moisture contents in the room, per cent: one, or the driest and the dampest season. The
        turn is judged at the first.

    Returns
    -------
    Interferences with 90 % intervals from the spread of shrinkage within the two species; the
    two parts are taken as independent of each other.

    Raises
    ------
    InputError
        A size or moisture content cannot be, or a shrinkage is not known for a wood.
    """
    _check_joint(joint)
    if not service_percents:
        raise InputError("Give at least one moisture content in service.")
    for percent in service_percents:
        check_moisture(percent, "moisture content in service")
    seasons = tuple(_at(joint, percent) for percent in service_percents)
    best = least_wedging_turn(joint, service_percents[0])
    worst_across = max(_across(joint, service_percents[0], float(turn)) for turn in range(91))
    best_across = _across(joint, service_percents[0], joint.turn_deg if best is None else best)
    return JointForecast(
        at_assembly_mm=joint.tenon_mm - joint.mortise_mm,
        turn_deg=joint.turn_deg,
        in_service=seasons,
        best_turn_deg=best,
        best_across_mm=best_across,
        worst_across_mm=worst_across,
        turn_because=_turn_words(best, best_across, worst_across),
        warnings=_warnings(joint, seasons),
        spread=SHRINKAGE_SPREAD,
    )


def least_wedging_turn(joint: RoundJoint, service_percent: float) -> float | None:
    """Turn of the tenon's rings from the post's fibres that wedges the post least.

    Tried degree by degree from 0 to 90: the least interference across the fibres, and among turns
    that press nothing the one with the smallest gap. None where every turn gives the same (to a
    billionth of the joint's size), as with wood that swells alike both ways.
    """
    across = [_across(joint, service_percent, float(turn)) for turn in range(91)]
    if max(across) - min(across) < 1e-9 * joint.tenon_mm:
        return None
    return float(min(range(91), key=lambda turn: (max(0.0, across[turn]), -across[turn])))


def tenon_for_fit(joint: RoundJoint, service_percent: float, across_mm: float) -> float:
    """Diameter of the tenon, at its own moisture, for an interference across the post in service.

    From d·√(k_t² cos²a + k_r² sin²a) = mortise in service + ``across_mm``, with a the angle
    between the tenon's rings and the direction across the post. ``joint.tenon_mm`` is not used.

    Raises
    ------
    InputError
        A number cannot be, or no tenon gives such a fit.
    """
    _check_joint(joint)
    if not abs(across_mm) < joint.mortise_mm:
        raise InputError(f"An interference of {across_mm:g} mm cannot be in this mortise.")
    tenon, post = _all_ratios(joint, service_percent)
    wanted = joint.mortise_mm * _across_ratio(post, joint.bore_deg) + across_mm
    return wanted / _jaw_ratio(tenon, 90.0 - joint.turn_deg)


def _at(joint: RoundJoint, percent: float) -> JointAtMoisture:
    totals = [
        wood.number(key)
        for wood in (joint.tenon_wood, joint.post_wood)
        for key in ("radial_percent", "tangential_percent")
    ]
    far = NORMAL_90 * SHRINKAGE_VARIATION

    def compute(values: Sequence[float]) -> tuple[float, ...]:
        tenon = _ratios(values[:2], joint.tenon_percent, percent)
        post = _ratios(values[2:], joint.post_percent, percent)
        angles = (0.0, 90.0, turn, turn + 90.0)
        sizes = [_interference(joint, tenon, post, angle) for angle in angles]
        return (*sizes, _least(joint, tenon, post))

    turn = joint.turn_deg
    along, across, on_tangential, on_radial, least = spread(
        compute,
        totals,
        [(total * (1.0 - far), total * (1.0 + far)) for total in totals],
        together=[(0, 1), (2, 3)],
    )
    tenon, post = _all_ratios(joint, percent)
    return JointAtMoisture(
        percent=percent,
        tenon_tangential_mm=joint.tenon_mm * tenon.tangential,
        tenon_radial_mm=joint.tenon_mm * tenon.radial,
        mortise_along_mm=joint.mortise_mm,
        mortise_across_mm=joint.mortise_mm * _across_ratio(post, joint.bore_deg),
        along=along,
        across=across,
        on_tangential=on_tangential,
        on_radial=on_radial,
        least=least,
    )


def _ratios(totals: Sequence[float], before: float, after: float) -> Ratios:
    return Ratios(size_ratio(totals[0], before, after), size_ratio(totals[1], before, after))


def _all_ratios(joint: RoundJoint, percent: float) -> tuple[Ratios, Ratios]:
    return (
        wood_ratios(joint.tenon_wood, joint.tenon_percent, percent),
        wood_ratios(joint.post_wood, joint.post_percent, percent),
    )


def _jaw_ratio(ratios: Ratios, from_rings_deg: float) -> float:
    """Size between jaws closing at an angle from the rings, over the round's diameter."""
    a = math.radians(from_rings_deg)
    return math.hypot(ratios.tangential * math.cos(a), ratios.radial * math.sin(a))


def _across_ratio(post: Ratios, bore_deg: float) -> float:
    """Width of the mortise across the post's fibres, after over before.

    The mortise is bored at ``bore_deg`` to the rings, so its width lies at 90° to that; its two
    walls stay parallel to the axis, and their distance is area over length (as for a section).
    """
    a = math.radians(bore_deg)
    length = math.hypot(post.tangential * math.cos(a), post.radial * math.sin(a))
    return post.radial * post.tangential / length


def _interference(joint: RoundJoint, tenon: Ratios, post: Ratios, angle_deg: float) -> float:
    """Tenon less mortise between jaws at an angle from the post's fibres."""
    a = math.radians(angle_deg)
    hole = math.hypot(math.cos(a), _across_ratio(post, joint.bore_deg) * math.sin(a))
    size = _jaw_ratio(tenon, angle_deg - joint.turn_deg)
    return joint.tenon_mm * size - joint.mortise_mm * hole


def _least(joint: RoundJoint, tenon: Ratios, post: Ratios) -> float:
    return min(_interference(joint, tenon, post, float(angle)) for angle in range(180))


def _across(joint: RoundJoint, percent: float, turn_deg: float) -> float:
    tenon, post = _all_ratios(joint, percent)
    hole = joint.mortise_mm * _across_ratio(post, joint.bore_deg)
    return joint.tenon_mm * _jaw_ratio(tenon, 90.0 - turn_deg) - hole


def _turn_words(best: float | None, best_mm: float, worst_mm: float) -> str:
    if best is None:
        return "The tenon changes alike in all directions: no turn is better than another."
    way = {0.0: "along", 90.0: "across"}.get(best)
    turned = f"rings {way} the post's fibres" if way else f"rings {best:.0f}° off the post's fibres"
    if worst_mm <= 0.0:
        return (
            f"No turn wedges the post apart: the tenon does not fill its mortise across the "
            f"fibres. With its {turned} the gap there is smallest, {-best_mm:.2f} mm."
        )
    return (
        f"Turn the tenon with its {turned}: across the fibres, where it wedges the post apart, "
        f"the interference is then {best_mm:+.2f} mm instead of up to {worst_mm:+.2f} mm; along "
        "them it presses on end grain, which hardly gives."
    )


def _warnings(joint: RoundJoint, seasons: Sequence[JointAtMoisture]) -> tuple[str, ...]:
    """What to look out for, each once, for the season in which it is worst."""
    found = _assembly_warnings(joint)
    size = joint.tenon_mm
    tightest = max(seasons, key=lambda season: season.across.high)
    if tightest.across.high > SPLIT_SHARE * size:
        found.append(
            f"At {tightest.percent:g} % watch the post for splits: across its grain the tenon may "
            f"be up to {tightest.across.high:.2f} mm over the mortise, and an elastic estimate "
            f"reaches the strength across the grain at {SPLIT_SHARE * size:.2f} mm (values of ash, "
            "from memory; creep, which it leaves out, lets a joint bear more)."
        )
    swollen = max(seasons, key=lambda season: season.along.high)
    if swollen.along.high > CRUSH_SHARE * size:
        found.append(
            f"At {swollen.percent:g} % the tenon may be squeezed on the end grain by up to "
            f"{swollen.along.high:.2f} mm; beyond about {CRUSH_SHARE * size:.2f} mm it does not "
            "spring back whole, and is slack in the next dry season (values of ash, from memory)."
        )
    slackest = min(seasons, key=lambda season: season.least.low)
    if slackest.least.low < 0.0:
        sure = "there is" if slackest.least.high < 0.0 else "there may be"
        found.append(
            f"At {slackest.percent:g} % {sure} a gap of up to {-slackest.least.low:.2f} mm: the "
            "joint may work loose (gap computed; that it loosens is common practice, no source)."
        )
    return tuple(found)


def _assembly_warnings(joint: RoundJoint) -> list[str]:
    found = []
    if joint.tenon_percent >= joint.post_percent:
        found.append(
            f"The tenon ({joint.tenon_percent:g} %) is no drier than the post "
            f"({joint.post_percent:g} %): it will not swell tight (common practice, no source: "
            "a bone-dry tenon in a less dry mortise)."
        )
    if joint.post_percent >= FIBRE_SATURATION_PERCENT:
        found.append(
            "The post is green: it will shrink onto the dry tenon across its grain and may check "
            "there (common practice, no source: let it come to 10 to 18 % first)."
        )
    elif not _POST_DRIEST <= joint.post_percent <= _POST_WETTEST:
        found.append(
            f"The post is at {joint.post_percent:g} %; usual is {_POST_DRIEST:g} to "
            f"{_POST_WETTEST:g} % (common practice, no source)."
        )
    return found


def _check_joint(joint: RoundJoint) -> None:
    for size, what in ((joint.tenon_mm, "tenon"), (joint.mortise_mm, "mortise")):
        # NaN compares as false with everything, so the test is for what is right.
        if not 0.0 < size <= _LARGEST_MM:
            raise InputError(f"A {what} of {size:g} mm cannot be: give a size above 0.")
    check_moisture(joint.tenon_percent, "moisture content of the tenon")
    check_moisture(joint.post_percent, "moisture content of the post")
    for angle, what in ((joint.turn_deg, "turn"), (joint.bore_deg, "bore")):
        if not math.isfinite(angle):
            raise InputError(f"A {what} of {angle:g}° cannot be.")
