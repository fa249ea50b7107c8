"""Where along a blank a part sits best, along the fibres or straight.

**Objective.** Minimise  J = steepest − λ · spare / size,  where ``steepest`` is the largest tangent
of the fibres against the part's axis over its length, ``spare`` the wood at the tightest place,
``size`` the part's largest width, and λ = 0.001. So slope decides; spare wood breaks ties: a whole
width of it weighs as much as a slope of 1 in 1000, which no photograph tells.

**Constraints.** At least ``allowance_mm`` of wood on every side at every place; clear of every
zone to avoid, of the juvenile core and of stretches where no fibres were read; a part laid along
the fibres bent no more than its kind allows.

**Variables.** The start along the blank, the part's axis in x and y, its tilt in x and y where it
is straight, end for end, and its turn about its own axis (square to the faces; where it does not
fit so, in steps of 15°).

Along the fibres the slope is nothing by construction, so the best place is the one with the
most spare wood (`fit_fibres`); straight, each start is a linear programme (`fit_straight`). The
start is found on a grid and refined by bounded scalar minimisation.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.workshop.fit_fibres import FibrePlaces, best_start, fibre_places
from grainscan.workshop.fit_straight import StraightLine, StraightStarts
from grainscan.workshop.layout import SIDES, Placement, Way, free_stretches, place_part
from grainscan.workshop.parts import Part, PartSamples, sample_part
from grainscan.workshop.solid import BlankSolid

__all__ = ["SPARE_WEIGHT", "NoFit", "cost_of", "fit_part", "places_along", "ways_to_lie"]

FloatArray = npt.NDArray[np.float64]

SPARE_WEIGHT = 1e-3
"""λ of the objective."""

_STARTS_STRAIGHT = 24
_FINEST_MM = 0.05
# Nobody marks a cut finer.


@dataclass(frozen=True, slots=True)
class NoFit:
    """The part does not fit; false when tested.

    ``short_by_mm``: missing length, missing wood at the tightest place of the best try, or bend
    beyond what the part allows, as ``reason`` says. ``closest`` is that try, None where the
    blank is too short.
    """

    part: Part
    reason: str
    short_by_mm: float
    closest: Placement | None

    def __bool__(self) -> bool:
        return False


def fit_part(
    solid: BlankSolid, part: Part, *, along_fibres: bool = True, allowance_mm: float = 1.0
) -> Placement | NoFit:
    """The best place of a part in a blank.

    Parameters
    ----------
    along_fibres
        True: the part's axis is a fibre line. False: it is straight.
    allowance_mm
        Wood to leave on every side.

    Returns
    -------
    Placement or NoFit
        `NoFit` says what is missing and by how much.

    Raises
    ------
    ValueError
        The allowance is below 0.
    """
    if allowance_mm < 0:
        raise ValueError("an allowance is 0 or more")
    stretches = free_stretches(solid, part.length_mm)
    if not stretches:
        return _too_short(solid, part)
    samples = sample_part(part)
    search = _along_fibres if along_fibres else _straight
    tries: list[Placement] = []
    for ways in ways_to_lie(solid, part, along_fibres=along_fibres):
        for stretch in stretches:
            tries += search(solid, part, samples, ways, stretch, allowance_mm)
        fitting = [t for t in tries if _fits(t, allowance_mm)]
        if fitting:
            return min(fitting, key=cost_of)
    return _no_fit(tries, allowance_mm)


def places_along(
    solid: BlankSolid, like: Placement, *, allowance_mm: float, step_mm: float = 5.0
) -> tuple[Placement, ...]:
    """Places every ``step_mm`` along a blank for a part lying as ``like`` does.

    At each start the axis with the most wood (along the fibres) or the smallest slope
    (straight); starts where the part does not fit are left out.
    """
    part, way, samples = like.part, like.way, sample_part(like.part)
    starts = [
        start
        for low, high in free_stretches(solid, part.length_mm)
        for start in np.arange(low, high + 1e-9, step_mm)
    ]
    if not starts:
        return ()
    found: list[Placement] = []
    if way.along_fibres:
        places = fibre_places(solid, part, samples, way, np.array(starts))
        found = [_placed(solid, part, way, samples, places, k) for k in range(len(starts))]
    else:
        programme = StraightStarts(solid, part, samples, way, SPARE_WEIGHT)
        lines = [programme.line(float(start), allowance_mm) for start in starts]
        found = [_on_line(solid, part, way, samples, line) for line in lines if line is not None]
    return tuple(placement for placement in found if _fits(placement, allowance_mm))


def cost_of(placement: Placement) -> float:
    """The objective J of a placement: lower is better."""
    size = placement.part.largest_mm[0]
    return placement.steepest[0] - SPARE_WEIGHT * placement.spare_mm / size


def ways_to_lie(solid: BlankSolid, part: Part, *, along_fibres: bool) -> Iterator[list[Way]]:
    """Ways to lay a part: square to the faces first, then turned for parts that are not round."""
    ends = (False,) if part.is_same_reversed else (False, True)
    sides = SIDES if solid.core is not None else (None,)
    same_both_ways = part.width_mm == part.depth_mm
    square = (0.0,) if same_both_ways else (0.0, 90.0)
    turned = tuple(float(t) for t in np.arange(15.0, 180.0, 15.0) if t != 90.0)
    for turns in (square, turned):
        if turns is turned and same_both_ways and part.shape == "round":
            return
        yield [
            Way(along_fibres, end, turn, side) for turn in turns for end in ends for side in sides
        ]


def _along_fibres(
    solid: BlankSolid,
    part: Part,
    samples: PartSamples,
    ways: list[Way],
    stretch: tuple[float, float],
    _allowance_mm: float,
) -> list[Placement]:
    return [
        _placed(solid, part, way, samples, best_start(solid, part, samples, way, stretch), 0)
        for way in ways
    ]


def _straight(
    solid: BlankSolid,
    part: Part,
    samples: PartSamples,
    ways: list[Way],
    stretch: tuple[float, float],
    allowance_mm: float,
) -> list[Placement]:
    starts = np.unique(np.linspace(*stretch, _STARTS_STRAIGHT))
    programmes = [(way, StraightStarts(solid, part, samples, way, SPARE_WEIGHT)) for way in ways]
    bounds = [
        (programme.lower_bound(float(start)), k, way, programme)
        for way, programme in programmes
        for k, start in enumerate(starts)
    ]
    best: tuple[StraightLine, int, Way, StraightStarts] | None = None
    # The most promising first; a start whose bound is no better than what was found is left out.
    for (least, most_spare), k, way, programme in sorted(bounds, key=lambda b: b[0][0]):
        if most_spare < allowance_mm or (best is not None and least >= best[0].cost):
            continue
        found = programme.line(float(starts[k]), allowance_mm)
        if found is not None and (best is None or found.cost < best[0].cost):
            best = (found, k, way, programme)
    if best is not None:
        line, k, way, programme = best
        line = _refined(programme, line, starts, k, allowance_mm)
        return [_on_line(solid, part, way, samples, line)]
    roomiest: tuple[StraightLine, Way] | None = None
    for (_, most_spare), k, way, programme in sorted(bounds, key=lambda b: -b[0][1]):
        if roomiest is not None and most_spare <= roomiest[0].spare_mm:
            break
        line = programme.roomiest(float(starts[k]))
        if roomiest is None or line.spare_mm > roomiest[0].spare_mm:
            roomiest = (line, way)
    assert roomiest is not None
    line, way = roomiest
    return [_on_line(solid, part, way, samples, line)]


def _placed(
    solid: BlankSolid, part: Part, way: Way, samples: PartSamples, places: FibrePlaces, k: int
) -> Placement:
    x, y = places.centre_mm[:, k]
    return place_part(
        solid,
        part,
        way,
        start_mm=float(places.start_mm[k]),
        centre_mm=(float(x), float(y)),
        samples=samples,
    )


def _on_line(
    solid: BlankSolid, part: Part, way: Way, samples: PartSamples, line: StraightLine
) -> Placement:
    return place_part(
        solid,
        part,
        way,
        start_mm=line.start_mm,
        centre_mm=line.centre_mm,
        tilt=line.tilt,
        samples=samples,
    )


def _refined(
    programme: StraightStarts, line: StraightLine, starts: FloatArray, k: int, allowance_mm: float
) -> StraightLine:
    """The best start between the grid's neighbours of a start."""
    from scipy.optimize import minimize_scalar

    low, high = starts[max(k - 1, 0)], starts[min(k + 1, len(starts) - 1)]
    if high - low < _FINEST_MM:
        return line
    seen = {line.start_mm: line}

    def cost(start: float) -> float:
        found = programme.line(float(start), allowance_mm)
        if found is None:
            return 1.0  # steeper than any fibre: where the part does not fit
        seen[found.start_mm] = found
        return found.cost

    minimize_scalar(cost, bounds=(low, high), method="bounded", options={"xatol": _FINEST_MM})
    return min(seen.values(), key=lambda found: found.cost)


def _fits(placement: Placement, allowance_mm: float) -> bool:
    # The solver's tolerance, a thousandth of a shaving.
    return placement.spare_mm >= allowance_mm - 1e-4 and _excess_bend(placement) <= 0


def _excess_bend(placement: Placement) -> float:
    most = placement.part.most_bend_mm
    return -np.inf if most is None else placement.bend_mm - most


def _too_short(solid: BlankSolid, part: Part) -> NoFit:
    missing = part.length_mm - solid.length_mm
    if missing > 0:
        return NoFit(part, f"the blank is {missing:.0f} mm too short", missing, None)
    longest = _longest_clear(solid)
    missing = part.length_mm - longest
    reason = (
        f"the longest stretch clear of what must be avoided is {longest:.0f} mm, "
        f"{missing:.0f} mm too short"
    )
    return NoFit(part, reason, missing, None)


def _longest_clear(solid: BlankSolid) -> float:
    closed = [
        (zone.start * solid.length_mm, zone.stop * solid.length_mm)
        for zone in solid.avoid
        if zone.face is None
    ]
    reached, longest = 0.0, 0.0
    for a, b in [*sorted([*closed, *solid.unread]), (solid.length_mm, solid.length_mm)]:
        longest, reached = max(longest, a - reached), max(reached, b)
    return longest


def _no_fit(tries: list[Placement], allowance_mm: float) -> NoFit:
    wide_enough = [t for t in tries if t.spare_mm >= allowance_mm]
    if wide_enough:
        closest = min(wide_enough, key=lambda t: t.bend_mm)
        excess = _excess_bend(closest)
        reason = (
            f"along the fibres it would bend {closest.bend_mm:.1f} mm, {excess:.1f} mm more than "
            f"a {closest.part.name} may"
        )
        return NoFit(closest.part, reason, excess, closest)
    closest = max(tries, key=lambda t: t.spare_mm)
    missing = allowance_mm - closest.spare_mm
    reason = (
        f"at its best place {missing:.1f} mm of wood are missing towards "
        f"{face_words(closest)}, {closest.tightest_mm:.0f} mm from the left end "
        f"({allowance_mm:g} mm to be left on every side)"
    )
    return NoFit(closest.part, reason, missing, closest)


def face_words(placement: Placement) -> str:
    """Where the tightest place is, such as ``face A`` or ``the face opposite B``."""
    face = placement.tightest_face
    return f"face {face}" if len(face) == 1 else f"the face {face}"
