"""What follows for the bench, in plain text for a fixed-width font."""

from __future__ import annotations

import contextlib
import textwrap
from collections.abc import Iterable, Iterator
from contextvars import ContextVar
from typing import Literal

from grainscan.results import SlopeInSpace
from grainscan.wording import angle_words, one_in_words, sentence, slope_words
from grainscan.workshop.board import BoardPlan
from grainscan.workshop.fit import NoFit, face_words
from grainscan.workshop.laid import LaidPart
from grainscan.workshop.part_strength import CAUTION, PartStrength
from grainscan.workshop.parts import Part
from grainscan.workshop.plan import Plan, Shortage
from grainscan.workshop.shaving import FaceShaving, Shaving, Stretch
from grainscan.workshop.square import SquareCheck
from grainscan.workshop.through import ThroughSection
from grainscan.workshop.units import Sixtyfourths

__all__ = [
    "TOOL_CAUTION",
    "board_words",
    "faces_in_order",
    "fit_words",
    "part_list_words",
    "plan_words",
    "shaving_words",
    "size_words",
    "square_words",
    "stretch_cells",
    "unbroken",
]

Units = Literal["mm", "in"]

TOOL_CAUTION = (
    "Sharp tools: clamp the work, keep both hands behind the edge, and believe the wood before "
    "the arrow: if a light cut tears, turn round. A photograph cannot see inside."
)
_width: ContextVar[int] = ContextVar("width of a line", default=96)
"""Letters on a line; a page that breaks lines itself sets it, for as long as it asks."""


def size_words(size_mm: float, units: Units = "mm", digits: int = 0) -> str:
    """A size in whole millimetres (or with ``digits``), or in inches to 1/64."""
    if units == "in":
        return Sixtyfourths.nearest(size_mm).words
    return f"{size_mm:.{digits}f} mm"


def shaving_words(shaving: Shaving, units: Units = "mm", length_mm: float | None = None) -> str:
    """Which way to cut on each face; places in per cent of the length, and lengths if known."""
    lines = [f"{shaving.blank}: which way to cut, the marked end on the right"]
    lines += _wrapped(shaving.order.why)
    for face in faces_in_order(shaving):
        whole = f": {face.throughout} serves throughout" if face.throughout else ""
        lines.append(f"  face {face.face}{whole}")
        lines += [f"    {_stretch_words(s, units, length_mm)}" for s in face.stretches]
        for turn in face.turns:
            place = _place(turn, units, length_mm)
            lines.append(f"    the direction turns over at {place}")
    lines += [line for note in shaving.notes for line in _wrapped(note)]
    return "\n".join(lines)


def fit_words(
    laid: LaidPart | NoFit, other: LaidPart | NoFit | None = None, units: Units = "mm"
) -> str:
    """A part in its best place, and beside it what the other way of laying it would give."""
    if isinstance(laid, NoFit):
        lines = [f"  {laid.part.name}: does not fit. {sentence(_capital(laid.reason))}"]
        if isinstance(other, LaidPart):
            lines += _wrapped(f"Laid {_way(other)} it fits: {_headline(other)}.", "    ")
        return "\n".join(lines)
    lines = [f"  {laid.placement.part.name}, {_way(laid)}: {laid.judged.sort}"]
    lines += _wrapped(f"Against its own axis: {laid.judged.because[0]}", "    ")
    lines += [f"    {line}" for line in _place_lines(laid, units)]
    lines += [f"    {line}" for line in _worth_lines(laid, units)]
    if isinstance(other, LaidPart):
        lines += _wrapped(f"For comparison, laid {_way(other)}: {_headline(other)}.", "    ")
    elif isinstance(other, NoFit):
        way = "straight" if laid.placement.way.along_fibres else "along the fibres"
        lines += _wrapped(f"Laid {way} it does not fit: {sentence(other.reason)}", "    ")
    return "\n".join(lines)


def plan_words(plan: Plan, units: Units = "mm") -> str:
    """The whole plan: what each blank becomes, what is short, what is left over."""
    lines = [f"{plan.cut_list.name}: {_summary(plan)}", ""]
    lines += ["What each blank becomes"]
    if not plan.used:
        lines.append("  no blank can be used for it")
    for blank in plan.used:
        lines.append(f"  {blank.measurement.record.blank}")
        for laid in blank.parts:
            lines += _plan_lines(laid, units)
    lines += ["", "Short, and what to split next"]
    lines += [f"  {_shortage_words(s, units)}" for s in plan.shortages] or ["  nothing"]
    if plan.shortages:
        lines += _wrapped(
            "Sizes are those of the shaved part with the wood to leave on it; leave more where "
            "green wood will shrink."
        )
    if plan.unused:
        lines += ["", "Blanks left over"]
        for unused in plan.unused:
            lines += _wrapped(f"{unused.blank}: {unused.reason}", "  ", hang="      ")
    return "\n".join([*lines, "", *_wrapped(CAUTION, "")])


def board_words(plan: BoardPlan, units: Units = "mm") -> str:
    """Saw lines of a board, with the offsets to mark."""
    wish = plan.wish
    size = " × ".join(
        size_words(v, units) for v in (wish.width_mm, wish.thickness_mm, wish.length_mm)
    )
    lines = [f"{plan.board}: {plan.count} blanks of {size}, {_scheme(plan)}"]
    lines += [line for note in plan.notes for line in _wrapped(note)]
    if plan.crosscuts_mm:
        places = ", ".join(size_words(c, units) for c in plan.crosscuts_mm)
        lines += _wrapped(f"cut across at, from the left end: {places}")
    if plan.lines:
        lines.append(
            "  saw lines on face A; distances from the edge that is on top in its photograph"
        )
        lines.append(f"    {'from':>12} {'to':>12} {'at its left':>14} {'at its right':>14}")
    for line in plan.lines:
        cells = (line.start_mm, line.stop_mm, line.offset_start_mm, line.offset_stop_mm)
        a, b, c, d = (size_words(v, units, digits=1) for v in cells)
        lines.append(f"    {a:>12} {b:>12} {c:>14} {d:>14}")
    for start, rise, tilt, slope in _tilts(plan):
        way = "rise to" if rise > 0 else "fall from"
        lines += _wrapped(
            f"from {size_words(start, units)}: on the edge the fibres {way} face A by "
            f"{size_words(abs(rise), units, digits=1)} over a blank; tilt the cut by "
            f"{size_words(abs(tilt), units, digits=1)}. Slope left: {slope_words(slope)}."
        )
    lines += _wrapped(TOOL_CAUTION, "")
    return "\n".join(lines)


def square_words(check: SquareCheck, units: Units = "mm") -> str:
    """A squared part, checked."""
    solid, judged = check.solid, check.judged
    lines = [f"{solid.name}: {judged.sort}"]
    lines += [line for reason in judged.because for line in _wrapped(reason)]
    lines += _wrapped(
        f"fibres that run through from end to end: {_share(check.through)} of its section "
        f"(90 % range {_share(check.through_low)} to {_share(check.through_high)})"
    )
    steepest = judged.measurement.slope.steepest if judged.measurement.slope else None
    if steepest is not None:
        place = _place(steepest.at, units, solid.length_mm)
        lines += _wrapped(
            f"steepest stretch: {one_in_words(steepest.angle_deg)} "
            f"({angle_words(steepest.angle_deg)}) at {place}"
        )
    x, y = check.corner_off_mm
    lines += _wrapped(
        "a fibre that starts at a corner of the left end is off that corner at the right end by "
        f"{size_words(abs(x), units, digits=1)} towards {_towards(x, 'A')} and "
        f"{size_words(abs(y), units, digits=1)} towards {_towards(y, 'B')}; farthest off anywhere: "
        f"{size_words(check.farthest_off_mm, units, digits=1)}"
    )
    if check.leaves is not None:
        face, after = check.leaves
        lines += _wrapped(
            f"the fibre through the middle of the left end leaves through face {face} after "
            f"{size_words(after, units)}"
        )
    else:
        lines += _wrapped("the fibre through the middle of the left end stays inside")
    return "\n".join([*lines, *(f"  {note}" for note in solid.notes), *_wrapped(CAUTION, "")])


def part_list_words(parts: Iterable[Part], units: Units = "mm") -> str:
    """The parts there are."""
    lines = []
    for part in parts:
        width, depth = part.largest_mm
        size = size_words(width, units)
        if part.width_mm != part.depth_mm:
            size += f" × {size_words(depth, units)}"
        lines.append(
            f"{part.name}: {part.shape}, up to {size}, {size_words(part.length_mm, units)} long; "
            f"limit {one_in_words(part.limit.angle_deg)}; sizes: {part.source}"
        )
    return "\n".join(lines)


def faces_in_order(shaving: Shaving) -> list[FaceShaving]:
    """The faces to shave first at the head."""
    first = [f for f in shaving.faces if f.face in shaving.order.first]
    return first + [f for f in shaving.faces if f not in first]


def stretch_cells(
    stretch: Stretch, units: Units = "mm", length_mm: float | None = None
) -> tuple[str, str, str]:
    """Where a stretch is, which way to cut it, and why."""
    span = f"{stretch.start * 100:.0f} % to {stretch.stop * 100:.0f} %"
    if length_mm is not None:
        a, b = (size_words(v * length_mm, units) for v in (stretch.start, stretch.stop))
        span += f" ({a} to {b})"
    is_steep = stretch.direction in ("left to right", "right to left")
    rise = f", {one_in_words(stretch.rise_deg)}" if is_steep and stretch.rise_deg else ""
    return span, stretch.direction, f"{stretch.reason}{rise}"


def _stretch_words(stretch: Stretch, units: Units, length_mm: float | None) -> str:
    arrow = {
        "left to right": "-->",
        "right to left": "<--",
        "either way": "<->",
        "not known": " ? ",
    }[stretch.direction]
    span, direction, reason = stretch_cells(stretch, units, length_mm)
    return f"{span:<14}  {arrow} {direction}: {reason}"


def _place(at: float, units: Units, length_mm: float | None) -> str:
    place = f"{at * 100:.0f} % of the length"
    return place if length_mm is None else f"{place} ({size_words(at * length_mm, units)})"


def _way(laid: LaidPart) -> str:
    return "along the fibres" if laid.placement.way.along_fibres else "straight"


def _headline(laid: LaidPart) -> str:
    slope = laid.judged.measurement.slope
    assert slope is not None
    through = laid.through.thinnest
    return (
        f"{laid.judged.sort}, slope {one_in_words(slope.angle_deg)}, steepest "
        f"{one_in_words(slope.steepest.angle_deg)}, {_share(through.middle)} of the fibres of the "
        f"thinnest section through, strength kept {_share(laid.strength.share)}"
    )


def _place_lines(laid: LaidPart, units: Units) -> list[str]:
    placement = laid.placement
    left, right = placement.cut_off_mm
    end = "right" if placement.way.reversed else "left"
    lines = [
        f"cut off {size_words(left, units)} at the left end and {size_words(right, units)} at the "
        "right end",
        f"spare wood at the tightest place: {size_words(placement.spare_mm, units, digits=1)} "
        f"towards {face_words(placement)}, {size_words(placement.tightest_mm, units)} from the "
        "left end",
    ]
    if not placement.part.is_same_reversed:
        lines.append(f"its start is at the {end} end")
    if placement.way.turn_deg:
        lines.append(f"turned {placement.way.turn_deg:g}° about its length")
    if placement.way.along_fibres:
        lines.append(f"the finished part bends {size_words(placement.bend_mm, units, digits=1)}")
    return lines


def _worth_lines(laid: LaidPart, units: Units) -> list[str]:
    through = laid.through
    lines = [_through_words(through.thinnest)]
    lines += [_through_words(tenon) for tenon in through.tenons]
    return [*lines, _strength_words(laid.strength, units)]


def _through_words(section: ThroughSection) -> str:
    # Where a part is thinner elsewhere, not even straight fibres would all run through.
    most = "" if section.most > 0.995 else f"; straight fibres would give {_share(section.most)}"
    return (
        f"fibres of the {section.where} that run through: {_share(section.middle)} "
        f"(90 % range {_share(section.low)} to {_share(section.high)}{most})"
    )


def _strength_words(strength: PartStrength, units: Units) -> str:
    kinds = {"bending": "bending", "impact": "impact bending", "compression": "compression"}
    return (
        f"{kinds[strength.kind]} strength kept against straight grain: {_share(strength.share)}, "
        f"at least {_share(strength.low)}; decided "
        f"{size_words(strength.critical_mm, units)} along the part"
    )


def _plan_lines(laid: LaidPart, units: Units) -> list[str]:
    placement = laid.placement
    start, stop = (size_words(float(z), units) for z in (placement.z_mm[0], placement.z_mm[-1]))
    slope: SlopeInSpace | None = laid.judged.measurement.slope
    assert slope is not None
    spare = size_words(placement.spare_mm, units, digits=1)
    through = laid.through.thinnest
    return [
        f"    {placement.part.name}: {laid.judged.sort}, {_way(laid)}, {start} to {stop}",
        f"      slope within {one_in_words(slope.high_deg or slope.angle_deg)} of its axis, limit "
        f"{one_in_words(placement.part.limit.angle_deg)}; spare wood {spare}; fibres through "
        f"{_share(through.middle)}; strength kept at least {_share(laid.strength.low)}",
    ]


def _summary(plan: Plan) -> str:
    cells = []
    for want in plan.cut_list.wants:
        found = plan.found(want.part)
        spares = f" and {want.number.spares} spare" if want.number.spares else ""
        cells.append(f"{want.part.name} {found} of {want.number.count}{spares}")
    return "; ".join(cells)


def _shortage_words(short: Shortage, units: Units) -> str:
    count = short.missing + short.spares_missing
    spare = f" ({short.spares_missing} of them spare)" if short.spares_missing else ""
    size = " × ".join(
        size_words(v, units) for v in (short.width_mm, short.height_mm, short.length_mm)
    )
    return f"{short.part.name}: {count} missing{spare}; split blanks of at least {size}"


def _scheme(plan: BoardPlan) -> str:
    if plan.across_first:
        return "cut across first, then along the fibres"
    return "along the fibres first, then to length"


def _tilts(plan: BoardPlan) -> list[tuple[float, float, float, SlopeInSpace]]:
    """One line for each length of the board: start, rise, tilt, steepest slope left."""
    by_start: dict[float, tuple[float, float, float, SlopeInSpace]] = {}
    for blank in plan.blanks:
        key = round(blank.start_mm, 1) if plan.across_first else round(blank.start_mm)
        by_start.setdefault(key, (blank.start_mm, blank.rise_mm, blank.tilt_mm, blank.slope))
    return [by_start[key] for key in sorted(by_start)]


def _towards(offset: float, face: str) -> str:
    return f"face {face}" if offset >= 0 else f"the face opposite {face}"


def _share(value: float) -> str:
    return f"{value * 100:.0f} %"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


@contextlib.contextmanager
def unbroken() -> Iterator[None]:
    """Within this each sentence stays on one line, for a page that breaks lines itself."""
    token = _width.set(100_000)
    try:
        yield
    finally:
        _width.reset(token)


def _wrapped(text: str, indent: str = "  ", hang: str | None = None) -> list[str]:
    return textwrap.wrap(
        sentence(text),
        _width.get(),
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_on_hyphens=False,
    )
