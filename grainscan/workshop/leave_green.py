"""The size to leave green and what a blank will dry to, with intervals, for a known wood."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from grainscan.results import NORMAL_90
from grainscan.workshop.dried_shapes import (
    DriedRound,
    DriedSection,
    dried_round,
    dried_section,
    green_size,
)
from grainscan.workshop.moisture import FIBRE_SATURATION_PERCENT, check_moisture
from grainscan.workshop.ring_position import MeasuredRings, Rings
from grainscan.workshop.shrinkage import Ratios, size_ratio
from grainscan.workshop.spread import (
    SHRINKAGE_SPREAD,
    SHRINKAGE_VARIATION,
    Estimate,
    spread,
)
from grainscan.workshop.woods import Wood

__all__ = ["DryForecast", "GreenPlan", "dry_forecast", "green_plan"]

# No wood of the handbook shrinks by more than a fifth: a green piece is within 1.25 of the dry.
_GREEN_ROOM = 1.25
# How far outside the piece the pith is put, in its own reach, where its interval ends within it.
_PITH_CLEAR = 1.1


@dataclass(frozen=True, slots=True)
class GreenPlan:
    """What to leave at ``from_percent`` for a round of ``dry_mm`` at ``to_percent`` moisture.

    ``width``, ``height``: across face A and across face B, millimetres, with 90 % intervals.
    ``round``: diameter if it is shaved or turned round now. ``oval``: the shape that dries to a
    true round of the wanted size and allowance. ``round_dries_to``: what the round becomes; its
    shortest diameter is the wanted size. ``spread``: which spread the intervals hold.
    """

    wood: str
    botanical: str | None
    from_percent: float
    to_percent: float
    dry_mm: float
    allowance_mm: float
    rings: MeasuredRings
    ratios: Ratios
    width: Estimate
    height: Estimate
    round: Estimate
    oval: DriedRound
    round_dries_to: DriedRound
    round_dries_to_long: Estimate
    spread: str
    sources: tuple[str, ...]
    from_low_percent: float | None = None
    from_high_percent: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain lists, dicts, numbers, strings and None; units in the keys."""
        return _plain(self)


@dataclass(frozen=True, slots=True)
class DryForecast:
    """What a rectangular section of ``width_mm`` × ``height_mm`` will be at ``to_percent``.

    ``width``, ``height``: between the faces, millimetres; ``skew_deg``: how far the bottom-left
    and top-right corners open beyond 90°; each with its 90 % interval. ``section`` holds the
    outline and the bow of the faces.
    """

    wood: str
    botanical: str | None
    from_percent: float
    to_percent: float
    width_mm: float
    height_mm: float
    rings: MeasuredRings
    ratios: Ratios
    width: Estimate
    height: Estimate
    skew_deg: Estimate
    section: DriedSection
    spread: str
    sources: tuple[str, ...]
    from_low_percent: float | None = None
    from_high_percent: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain lists, dicts, numbers, strings and None; units in the keys."""
        return _plain(self)


def green_plan(
    wood: Wood,
    dry_mm: float,
    rings: MeasuredRings,
    *,
    to_percent: float,
    from_percent: float | Estimate = FIBRE_SATURATION_PERCENT,
    allowance_mm: float = 0.0,
) -> GreenPlan:
    """What to leave now for a round of ``dry_mm`` plus an allowance later.

    Parameters
    ----------
    wood
        Species with radial and tangential shrinkage.
    dry_mm
        Diameter wanted at ``to_percent`` moisture content.
    rings
        Where the section lies in the tree, with the interval of its ring direction.
    to_percent, from_percent
        Moisture content later and now, in per cent; anything above 30 % is green. The one now may
        be an estimate, whose interval is carried through.
    allowance_mm
        What is to be left for final sizing, on the diameter, at ``to_percent``.

    Returns
    -------
    The sizes to leave, each with a 90 % interval from the spread of shrinkage within a species
    (coefficient of variation 15 %, Wood Handbook, ch. 4, from memory), from the interval of the
    ring direction and, where they are known, from those of the rings' curvature and of the moisture
    content now. The interval tells where the size for this piece may lie, not where the tenon will
    lie: leave the upper end to be nearly sure.

    Raises
    ------
    InputError
        A number is out of range, a shrinkage is not known for the wood, or the pith lies within
        the piece.
    """
    reach_mm = _GREEN_ROOM * (dry_mm + allowance_mm) / 2.0
    rings = _pith_outside(rings, reach_mm)
    inputs = _Inputs.of(wood, rings, from_percent, to_percent)

    def compute(values: Sequence[float]) -> tuple[float, ...]:
        placed, ratios = inputs.at(values)
        left = green_size(dry_mm, placed, ratios, allowance_mm=allowance_mm)
        return left.width_mm, left.height_mm, left.round_mm

    size = green_size(dry_mm, rings.rings, inputs.ratios, allowance_mm=allowance_mm)

    def long_side(values: Sequence[float]) -> tuple[float, ...]:
        return (dried_round(size.round_mm, *inputs.at(values)).long_mm,)

    width, height, round_ = inputs.spread(compute)
    (long_mm,) = inputs.spread(long_side)
    return GreenPlan(
        wood=wood.name,
        botanical=wood.botanical,
        from_percent=inputs.now,
        to_percent=to_percent,
        dry_mm=dry_mm,
        allowance_mm=allowance_mm,
        rings=rings,
        ratios=inputs.ratios,
        width=width,
        height=height,
        round=round_,
        oval=size.oval,
        round_dries_to=dried_round(size.round_mm, rings.rings, inputs.ratios),
        round_dries_to_long=long_mm,
        spread=SHRINKAGE_SPREAD,
        sources=_sources(wood),
        from_low_percent=inputs.ends[4][0],
        from_high_percent=inputs.ends[4][1],
    )


def dry_forecast(
    wood: Wood,
    width_mm: float,
    height_mm: float,
    rings: MeasuredRings,
    *,
    to_percent: float,
    from_percent: float | Estimate = FIBRE_SATURATION_PERCENT,
) -> DryForecast:
    """What a rectangular section will be at another moisture content.

    Parameters and errors as in `green_plan`; ``width_mm`` is the width of face A and
    ``height_mm`` that of face B, both at ``from_percent``.
    """
    rings = _pith_outside(rings, math.hypot(width_mm, height_mm) / 2.0)
    inputs = _Inputs.of(wood, rings, from_percent, to_percent)

    def compute(values: Sequence[float]) -> tuple[float, ...]:
        later = dried_section(width_mm, height_mm, *inputs.at(values))
        return later.width_mm, later.height_mm, later.skew_deg

    width, height, skew = inputs.spread(compute)
    return DryForecast(
        wood=wood.name,
        botanical=wood.botanical,
        from_percent=inputs.now,
        to_percent=to_percent,
        width_mm=width_mm,
        height_mm=height_mm,
        rings=rings,
        ratios=inputs.ratios,
        width=width,
        height=height,
        skew_deg=skew,
        section=dried_section(width_mm, height_mm, rings.rings, inputs.ratios),
        spread=SHRINKAGE_SPREAD,
        sources=_sources(wood),
        from_low_percent=inputs.ends[4][0],
        from_high_percent=inputs.ends[4][1],
    )


@dataclass(frozen=True, slots=True)
class _Inputs:
    """Radial and tangential shrinkage, ring direction, curvature per mm, moisture content now,
    each with its 90 % interval.
    """

    values: tuple[float, float, float, float, float]
    ends: tuple[tuple[float, float], ...]
    rings: Rings
    to_percent: float

    @classmethod
    def of(
        cls, wood: Wood, rings: MeasuredRings, from_percent: float | Estimate, to_percent: float
    ) -> _Inputs:
        now = from_percent
        if not isinstance(now, Estimate):
            now = Estimate(now, now, now)
        # The upper end may be anything: above fibre saturation the size no longer changes.
        for percent in (now.value, now.low):
            check_moisture(percent, "moisture content now")
        check_moisture(to_percent, "moisture content wanted")
        totals = wood.number("radial_percent"), wood.number("tangential_percent")
        far = NORMAL_90 * SHRINKAGE_VARIATION
        ends = [(total * (1.0 - far), total * (1.0 + far)) for total in totals]
        curve = rings.rings.curve_per_mm
        bent = (rings.curve_low_per_mm, rings.curve_high_per_mm)
        return cls(
            (*totals, rings.rings.direction_deg, curve, now.value),
            (
                *ends,
                (rings.low_deg, rings.high_deg),
                (curve if bent[0] is None else bent[0], curve if bent[1] is None else bent[1]),
                (now.low, now.high),
            ),
            rings.rings,
            to_percent,
        )

    @property
    def now(self) -> float:
        return self.values[4]

    @property
    def ratios(self) -> Ratios:
        return self.at(self.values)[1]

    def at(self, values: Sequence[float]) -> tuple[Rings, Ratios]:
        """Rings turned to the given direction about the section's centre, and the ratios."""
        radial, tangential, direction_deg, curve_per_mm, now_percent = values
        turn_deg = direction_deg - self.rings.direction_deg
        placed = Rings(direction_deg, _turned(self.rings.pith_mm, turn_deg))
        # The very pith where the curvature is the measured one: 1 / (1 / x) is not always x.
        if curve_per_mm != self.rings.curve_per_mm:
            placed = placed.curved(curve_per_mm)
        span = now_percent, self.to_percent
        return placed, Ratios(size_ratio(radial, *span), size_ratio(tangential, *span))

    def spread(self, compute: Any) -> tuple[Estimate, ...]:
        return spread(compute, self.values, self.ends, together=[(0, 1)])


def _pith_outside(rings: MeasuredRings, reach_mm: float) -> MeasuredRings:
    """The rings with their curvature's interval cut where the pith would lie within the piece.

    ``reach_mm``: from the centre to the farthest point of the piece. With the pith inside no size
    can be told at all, so that this end of the interval has no answer; a note says so.
    """
    low, high = rings.curve_low_per_mm, rings.curve_high_per_mm
    if low is None or high is None or not reach_mm > 0:
        return rings
    most = max(1.0 / (_PITH_CLEAR * reach_mm), rings.rings.curve_per_mm)
    if -most <= low and high <= most:
        return rings
    note = (
        "The scan does not rule out that the pith lies within the piece, where no size can be "
        "told: look at the end, and split the pith away."
    )
    return replace(
        rings,
        curve_low_per_mm=max(low, -most),
        curve_high_per_mm=min(high, most),
        notes=(*rings.notes, note),
    )


def _turned(point: tuple[float, float] | None, angle_deg: float) -> tuple[float, float] | None:
    if point is None:
        return None
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return c * point[0] - s * point[1], s * point[0] + c * point[1]


def _sources(wood: Wood) -> tuple[str, ...]:
    both = [wood.value(key).words for key in ("radial_percent", "tangential_percent")]
    if both[0] == both[1]:
        return (f"radial and tangential shrinkage: {both[0]}",)
    return (f"radial shrinkage: {both[0]}", f"tangential shrinkage: {both[1]}")


def _plain(record: Any) -> dict[str, Any]:
    return {key: _listed(value) for key, value in asdict(record).items()}


def _listed(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_listed(part) for part in value]
    if isinstance(value, dict):
        return {key: _listed(part) for key, part in value.items()}
    return value
