"""Drying and joints in words: what the command line, a report and the stock record say."""

from __future__ import annotations

import datetime
import math

from grainscan.workshop.drying_curve import DryingFit, Reach
from grainscan.workshop.joints import JointForecast, RoundJoint
from grainscan.workshop.leave_green import DryForecast, GreenPlan
from grainscan.workshop.moisture import FIBRE_SATURATION_PERCENT
from grainscan.workshop.spread import Estimate
from grainscan.workshop.units import Units, inch_words, length_words

__all__ = [
    "BOX_CAUTION",
    "DRY_CAUTION",
    "JOINT_CAUTION",
    "forecast_lines",
    "joint_lines",
    "plan_lines",
    "reach_lines",
]

DRY_CAUTION = (
    "Tables give the mean of a species, a photograph shows no inside, and an edge tool cuts its "
    "user too: dry a trial piece of the same log and measure it before shaving the rest."
)
JOINT_CAUTION = (
    "A joint that fits is not a graded structural joint: for ladders, handles, bats and parts of "
    "buildings the standard in force, local code and licensed practice decide. "
    "Try the fit in offcuts of the same stock."
)
BOX_CAUTION = (
    "A hot box can set shavings and wood on fire: keep the heat guarded and off the wood, and do "
    "not leave it alone (common practice, no source)."
)


def plan_lines(plan: GreenPlan, units: Units = "mm") -> tuple[str, ...]:
    """The size to leave green, one sentence a line; the first is the answer."""
    now, later = _state(plan.from_percent), _at(plan.to_percent)
    added = "nothing added for final sizing"
    if plan.allowance_mm:
        added = f"{length_words(plan.allowance_mm, units)} of it for final sizing"
    wanted = length_words(plan.dry_mm, units) if units == "in" else f"{plan.dry_mm:g} mm"
    dries = plan.round_dries_to
    sides = _times(plan.width.value, plan.height.value, units)
    return (
        f"Leave {sides} {now} for a {wanted} dry tenon {later} "
        f"(across face A × across face B; {added}).",
        f"Pieces differ: 90 % interval {_span(plan.width, units)} × {_span(plan.height, units)}; "
        "leave the upper ends to be nearly sure.",
        f"Shaved or turned round, leave {_short(plan.round.value, units)} "
        f"({_span(plan.round, units)}): it becomes an oval of "
        f"{_times(dries.short_mm, dries.long_mm, units)}, the long way at "
        f"{dries.long_direction_deg:.0f}° from face A's edge.",
        "To become truly round it must now be an oval of "
        f"{_times(plan.oval.long_mm, plan.oval.short_mm, units)}, the long way at "
        f"{plan.oval.long_direction_deg:.0f}°.",
        *_grounds(plan),
    )


def forecast_lines(forecast: DryForecast, units: Units = "mm") -> tuple[str, ...]:
    """What a section will be, one sentence a line; the first is the answer."""
    now, later = _state(forecast.from_percent), _at(forecast.to_percent)
    skew = forecast.skew_deg
    return (
        f"A section of {_times(forecast.width_mm, forecast.height_mm, units)} {now} becomes "
        f"{_times(forecast.width.value, forecast.height.value, units)} {later} "
        "(across face A × across face B).",
        f"Pieces differ: 90 % interval {_span(forecast.width, units)} × "
        f"{_span(forecast.height, units)}.",
        f"Its corners bottom left and top right go from 90° to {90 + skew.value:.1f}° "
        f"({90 + skew.low:.1f}° to {90 + skew.high:.1f}°); its faces bow by "
        f"{forecast.section.bow_mm:.2f} mm at most.",
        *_grounds(forecast),
    )


def joint_lines(joint: RoundJoint, forecast: JointForecast, units: Units = "mm") -> tuple[str, ...]:
    """A joint at assembly and in service, one sentence a line, warnings last."""
    lines = [
        f"At assembly: tenon {length_words(joint.tenon_mm, units)} of {joint.tenon_wood.name} at "
        f"{joint.tenon_percent:g} %, mortise {length_words(joint.mortise_mm, units)} in "
        f"{joint.post_wood.name} at {joint.post_percent:g} %; "
        f"{_fit_words(forecast.at_assembly_mm)}."
    ]
    for season in forecast.in_service:
        lines.append(
            f"At {season.percent:g} %: the tenon would measure {season.tenon_tangential_mm:.2f} mm "
            f"along its rings and {season.tenon_radial_mm:.2f} mm across them, the mortise "
            f"{season.mortise_along_mm:.2f} mm along the post's fibres and "
            f"{season.mortise_across_mm:.2f} mm across."
        )
        lines.append(
            f"  Interference {_signed(season.along)} along the post's fibres, "
            f"{_signed(season.across)} across; {_signed(season.on_tangential)} along the tenon's "
            f"rings, {_signed(season.on_radial)} across them."
        )
    lines.append(forecast.turn_because)
    lines.extend(f"Warning: {warning}" for warning in forecast.warnings)
    lines.append(f"Intervals of 90 % from the {forecast.spread}.")
    return tuple(lines)


def reach_lines(fit: DryingFit, reach: Reach, first: datetime.date) -> tuple[str, ...]:
    """The fitted curve, the moisture now, and the date of the wanted moisture."""
    last = fit.days[-1]
    lines = [
        f"On {_date(first, last)} it is at {fit.moisture_percent(last):.1f} %; in the end the rest "
        f"of the way shrinks to 37 % in {fit.tau_days:.1f} days."
    ]
    low = None if reach.low_days is None else _date(first, math.floor(reach.low_days))
    high = None if reach.high_days is None else _date(first, math.ceil(reach.high_days))
    if reach.days is not None:
        lines.append(
            f"It reaches {reach.percent:g} % about {_date(first, reach.days)} (90 % interval "
            f"{low or 'before the first weighing'} to {high or 'open'})."
        )
    if reach.because:
        lines.append(reach.because)
    if reach.days is None and low:
        lines.append(f"It is not there before {low}.")
    lines.append(
        "Model: diffusion out of a square section into air that stays as it is; the weighings "
        f"scatter about it by {fit.scatter_g:.2g} g. A change of weather is not in the interval."
    )
    return tuple(lines)


def _grounds(found: GreenPlan | DryForecast) -> tuple[str, ...]:
    botanical = f" ({found.botanical})" if found.botanical else ""
    rings = found.rings.rings
    curve = "straight" if rings.pith_mm is None else "curved about the pith"
    return (
        f"{found.wood}{botanical}, {_state(found.from_percent)} to "
        f"{round(found.to_percent, 1):g} %: "
        f"{_change(found.ratios.tangential)} along the rings, {_change(found.ratios.radial)} "
        f"across them; rings at {rings.direction_deg:.0f}° from face A's edge, {curve}.",
        *found.rings.notes,
        *_now_words(found),
        f"Sources: {'; '.join(found.sources)}. Interval: {found.spread}.",
    )


def _now_words(found: GreenPlan | DryForecast) -> tuple[str, ...]:
    low, high = found.from_low_percent, found.from_high_percent
    if low is None or high is None or low == high or low >= FIBRE_SATURATION_PERCENT:
        return ()
    return (
        f"The moisture content now is in the interval too: {low:.0f} to {high:.0f} %; from "
        f"{FIBRE_SATURATION_PERCENT:g} % upwards the size no longer changes.",
    )


def _change(ratio: float) -> str:
    return f"{100.0 * abs(1.0 - ratio):.1f} % {'less' if ratio <= 1.0 else 'more'}"


def _state(percent: float) -> str:
    return "green" if percent >= FIBRE_SATURATION_PERCENT else _at(percent)


def _at(percent: float) -> str:
    return f"at {round(percent, 1):g} %"


def _short(length_mm: float, units: Units) -> str:
    return inch_words(length_mm) if units == "in" else f"{length_mm:.1f} mm"


def _times(first_mm: float, second_mm: float, units: Units) -> str:
    if units == "in":
        return f"{inch_words(first_mm)} × {inch_words(second_mm)}"
    return f"{first_mm:.1f} × {second_mm:.1f} mm"


def _span(estimate: Estimate, units: Units) -> str:
    if units == "in":
        return f"{estimate.low / 25.4:.3f} to {estimate.high / 25.4:.3f} in"
    return f"{estimate.low:.1f} to {estimate.high:.1f} mm"


def _signed(estimate: Estimate) -> str:
    return f"{estimate.value:+.2f} mm ({estimate.low:+.2f} to {estimate.high:+.2f})"


def _fit_words(over_mm: float) -> str:
    if over_mm > 0:
        return f"the tenon is {over_mm:.2f} mm over"
    return f"the tenon has {-over_mm:.2f} mm of play" if over_mm < 0 else "they are the same size"


def _date(first: datetime.date, days: float) -> str:
    try:
        return (first + datetime.timedelta(days=round(days))).isoformat()
    except OverflowError:
        return "a day beyond the calendar"
