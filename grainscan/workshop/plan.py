"""A plan: which blank becomes which part of a cut list, and what to split next.

The quality of a part in a place is the cautious share of straight-grained strength it keeps
(`grainscan.workshop.part_strength`), 0 to 1, plus a tenth of the share of the blank's wood that
it uses, so that of two blanks that serve alike the smaller one is taken (a tenth is our own
choice).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from grainscan.results import BlankMeasurement, SortWord
from grainscan.workshop.assign import Offer, assign
from grainscan.workshop.cutlist import CutList, Want
from grainscan.workshop.fit import NoFit, fit_part, places_along
from grainscan.workshop.keep_clear import AvoidZone
from grainscan.workshop.laid import LaidPart, judge_placement, solid_for
from grainscan.workshop.layout import Placement
from grainscan.workshop.part_strength import part_strength
from grainscan.workshop.parts import Part, volume_mm3
from grainscan.workshop.solid import BlankSolid, NotKnown
from grainscan.workshop.through import fibres_through

__all__ = ["Plan", "PlanRules", "PlannedBlank", "Shortage", "UnusedBlank", "plan_parts"]

_WASTE_WEIGHT = 0.1


@dataclass(frozen=True, slots=True)
class PlanRules:
    """How parts are laid and which count.

    ``along_fibres``: lay each part along the fibres, and straight only where it does not fit so;
    False lays all of them straight. ``allowance_mm``: wood left on every side. ``trim_mm``: cut
    off either end for checks. ``gap_mm``: lost between two parts of one blank. ``also_check``:
    parts sorted *check* count too.
    """

    along_fibres: bool = True
    allowance_mm: float = 1.0
    trim_mm: float = 6.0
    gap_mm: float = 5.0
    also_check: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class PlannedBlank:
    """A blank and its parts, from left to right."""

    measurement: BlankMeasurement
    parts: tuple[LaidPart, ...]


@dataclass(frozen=True, slots=True)
class Shortage:
    """Parts that no blank could be found for, and the blank to split for each.

    ``width_mm`` × ``height_mm`` × ``length_mm``: the part, the allowance all round, half the bend
    it may have, and the ends to cut off; the section rounded up to full 5 mm.
    """

    part: Part
    wanted: int
    found: int
    spares_missing: int
    width_mm: float
    height_mm: float
    length_mm: float

    @property
    def missing(self) -> int:
        return max(self.wanted - self.found, 0)


@dataclass(frozen=True, slots=True)
class UnusedBlank:
    """A blank that became nothing, and why; ``sort`` is that of the part it could have been.

    ``measurement`` is the blank's, ``tried`` the place of that part or of the one that fits
    nearest, in ``solid``; both None where nothing could be laid at all.
    """

    blank: str
    reason: str
    sort: SortWord | None = None
    measurement: BlankMeasurement | None = field(default=None, compare=False)
    solid: BlankSolid | None = field(default=None, compare=False)
    tried: Placement | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """The whole plan; ``used`` in the order of the blanks given."""

    cut_list: CutList
    rules: PlanRules
    used: tuple[PlannedBlank, ...]
    shortages: tuple[Shortage, ...]
    unused: tuple[UnusedBlank, ...]

    def found(self, part: Part) -> int:
        """How many of a part the plan yields, spares among them."""
        return sum(laid.placement.part is part for blank in self.used for laid in blank.parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """A placement offered for a part, with its sort."""

    placement: Placement
    sort: SortWord
    because: str
    quality: float


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """All that was tried in one blank: places and refusals, by the part's place in the list."""

    measurement: BlankMeasurement
    solid: BlankSolid | NotKnown
    places: tuple[tuple[_Place, ...], ...] = ()
    refusals: tuple[NoFit | None, ...] = ()


def plan_parts(
    measurements: Sequence[BlankMeasurement],
    cut_list: CutList,
    rules: PlanRules | None = None,
    *,
    avoid: Mapping[str, Sequence[AvoidZone]] | None = None,
) -> Plan:
    """Assign measured blanks to the parts of a cut list.

    ``avoid``: zones to keep clear of (knots, say), by the blank's name.

    Every part taken meets its limit: its whole interval of slope is within it (*keep*), or with
    ``also_check`` does not lie wholly beyond it. The assignment is exact over the places offered:
    one best place for each part of a blank, and for parts short enough for two of them a place
    every 5 mm (see `grainscan.workshop.assign`).
    """
    rules = rules or PlanRules()
    zones = avoid or {}
    tried = [
        _try_blank(m, cut_list.wants, rules, zones.get(m.record.blank, ())) for m in measurements
    ]
    offers, places = _offers(tried, rules)
    numbers = [want.number for want in cut_list.wants]
    taken = assign(offers, numbers, gap_mm=rules.gap_mm)
    used = []
    for i, blank in enumerate(tried):
        own = sorted((k for k in taken if offers[k].blank == i), key=lambda k: offers[k].start_mm)
        if own and isinstance(blank.solid, BlankSolid):
            laid = tuple(_laid(blank.measurement, blank.solid, places[k]) for k in own)
            used.append(PlannedBlank(blank.measurement, laid))
    used_blanks = {offers[k].blank for k in taken}
    plan = Plan(
        cut_list=cut_list,
        rules=rules,
        used=tuple(used),
        shortages=(),
        unused=tuple(
            _unused(blank, cut_list, rules) for i, blank in enumerate(tried) if i not in used_blanks
        ),
    )
    return dataclasses.replace(plan, shortages=_shortages(plan))


def _try_blank(
    measurement: BlankMeasurement,
    wants: Sequence[Want],
    rules: PlanRules,
    avoid: Sequence[AvoidZone],
) -> _Tried:
    try:
        solid = solid_for(measurement, avoid=avoid, trim_mm=rules.trim_mm)
    except ValueError as error:
        solid = NotKnown(str(error))
    if isinstance(solid, NotKnown):
        return _Tried(measurement, solid)
    places: list[tuple[_Place, ...]] = []
    refusals: list[NoFit | None] = []
    for want in wants:
        found = _fit(solid, want.part, rules)
        if isinstance(found, NoFit):
            places.append(())
            refusals.append(found)
            continue
        room_for_two = 2 * want.part.length_mm + rules.gap_mm <= solid.length_mm
        several = (
            places_along(solid, found, allowance_mm=rules.allowance_mm) if room_for_two else ()
        )
        places.append(tuple(_place(measurement, solid, p) for p in (found, *several)))
        refusals.append(None)
    return _Tried(measurement, solid, tuple(places), tuple(refusals))


def _fit(solid: BlankSolid, part: Part, rules: PlanRules) -> Placement | NoFit:
    ways = (True, False) if rules.along_fibres else (False,)
    refusals = []
    for along_fibres in ways:
        found = fit_part(solid, part, along_fibres=along_fibres, allowance_mm=rules.allowance_mm)
        if not isinstance(found, NoFit):
            return found
        refusals.append(found)
    return min(refusals, key=lambda refusal: refusal.short_by_mm)


def _place(measurement: BlankMeasurement, solid: BlankSolid, placement: Placement) -> _Place:
    judged = judge_placement(measurement, solid, placement)
    blank = solid.width_mm * solid.height_mm * solid.length_mm
    use = volume_mm3(placement.part) / blank
    quality = part_strength(solid, placement).low + _WASTE_WEIGHT * use
    return _Place(placement, judged.sort, judged.because[0], quality)


def _offers(tried: Sequence[_Tried], rules: PlanRules) -> tuple[list[Offer], list[_Place]]:
    offers, places = [], []
    for i, blank in enumerate(tried):
        for w, of_part in enumerate(blank.places):
            for place in of_part:
                if place.sort == "keep" or (rules.also_check and place.sort == "check"):
                    z = place.placement.z_mm
                    offers.append(Offer(i, w, float(z[0]), float(z[-1]), place.quality))
                    places.append(place)
    return offers, places


def _laid(measurement: BlankMeasurement, solid: BlankSolid, place: _Place) -> LaidPart:
    return LaidPart(
        solid=solid,
        placement=place.placement,
        judged=judge_placement(measurement, solid, place.placement),
        strength=part_strength(solid, place.placement),
        through=fibres_through(solid, place.placement),
    )


def _shortages(plan: Plan) -> tuple[Shortage, ...]:
    shortages = []
    for want in plan.cut_list.wants:
        found = plan.found(want.part)
        total = want.number.count + want.number.spares
        if found >= total:
            continue
        width, depth = want.part.largest_mm
        room = 2 * plan.rules.allowance_mm
        if plan.rules.along_fibres:
            room += (want.part.most_bend_mm or 0.0) / 2.0
        shortages.append(
            Shortage(
                part=want.part,
                wanted=want.number.count,
                found=min(found, want.number.count),
                spares_missing=total - max(found, want.number.count),
                width_mm=_up_to_5(width + room),
                height_mm=_up_to_5(depth + room),
                length_mm=_up_to_5(want.part.length_mm + 2 * plan.rules.trim_mm),
            )
        )
    return tuple(shortages)


def _up_to_5(size_mm: float) -> float:
    return 5.0 * math.ceil(size_mm / 5.0)


def _unused(blank: _Tried, cut_list: CutList, rules: PlanRules) -> UnusedBlank:
    measurement = blank.measurement
    name = measurement.record.blank
    if isinstance(blank.solid, NotKnown):
        return UnusedBlank(name, blank.solid.reason, "check", measurement)

    def unused(reason: str, sort: SortWord | None, tried: Placement | None) -> UnusedBlank:
        solid = blank.solid if isinstance(blank.solid, BlankSolid) and tried else None
        return UnusedBlank(name, reason, sort, measurement, solid, tried)

    usable = [
        (want.part.name, place)
        for want, of_part in zip(cut_list.wants, blank.places, strict=True)
        for place in of_part[:1]
    ]
    allowed = ("keep", "check") if rules.also_check else ("keep",)
    for part, place in usable:
        if place.sort in allowed:
            reason = f"would make a {part}, but enough are found"
            return unused(reason, "keep", place.placement)
    for part, place in usable:
        reason = f"as {part}: {place.sort}. {place.because}"
        return unused(reason, place.sort, place.placement)
    # Nothing fits: the part that lacks least, in proportion to its size.
    refusals = [refusal for refusal in blank.refusals if refusal is not None]
    nearest = min(refusals, key=lambda r: r.short_by_mm / _size_asked(r))
    reason = f"no part fits; nearest is the {nearest.part.name}: {nearest.reason}"
    return unused(reason, None, nearest.closest)


def _size_asked(refusal: NoFit) -> float:
    if refusal.closest is None:
        return refusal.part.length_mm
    return float(np.mean(refusal.part.largest_mm))
