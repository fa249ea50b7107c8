"""Fibre-true blanks from a sawn board: saw lines along the measured fibres.

A sawn board's edges rarely follow the fibres. Face A shows by how much they leave its edges across
the width (fy/fz), face B, its edge, by how much through the thickness (fx/fz). Saw lines run along
the mean fibre direction on face A, and in a second cut through the thickness the work is tilted by
the fibres' rise seen on the edge.

**Across the width.** Lines at a tangent a leave a blank of width w and length l room between the
edges of a board of width W where its upper side starts, at the left end of a run of length L, at c
from the top edge with −a(L − R) ≤ c ≤ W − w − aR, if that upper end is not below 0; then R of the
strip's length lies on the board (a ≥ 0; else mirrored). n blanks one saw cut k apart need
R = n·l + (n − 1)·k. Strips lie w + k apart, so the number of blanks is the sum over n of the strips
in the n-th interval; the best position of the first strip has some strip at the lower end of some
interval, so trying those is exact. For a run of one blank's length this is
floor((W − l|a| + k)/(w + k)).

**Through the thickness.** A blank of thickness t takes t + l·|fx/fz|, so floor((T − l|fx/fz| + k)/
(t + k)) lie one above the other. Where there is room for the blank but not for the whole tilt, one
blank is tilted by what room there is and keeps the rest of the slope.

Two ways are tried: cut across into lengths and then along the fibres of each length, or along
the mean fibres of the whole board first and then to length; the one with more blanks is taken,
the first if they yield alike, because it follows the fibres more closely. Sections are square to
the blank's length to within the cosine of the slope.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grainscan.results import BlankMeasurement, SlopeInSpace
from grainscan.workshop.part_slope import slope_over
from grainscan.workshop.solid import BlankSolid, NotKnown, solid_of

__all__ = ["BoardPlan", "SawLine", "SawnBlank", "Wish", "lay_board", "strips"]

_SLACK = 1e-9
# Sizes that fit exactly must not fail by rounding.


@dataclass(frozen=True, slots=True)
class Wish:
    """The blanks wanted: width along face A, thickness along its edge, length; and the saw cut."""

    width_mm: float
    thickness_mm: float
    length_mm: float
    kerf_mm: float = 2.0

    def __post_init__(self) -> None:
        sizes = (self.width_mm, self.thickness_mm, self.length_mm)
        if min(sizes) <= 0 or self.kerf_mm < 0:
            raise ValueError("sizes are above 0 and a saw cut is not below 0")


@dataclass(frozen=True, slots=True)
class SawLine:
    """A straight saw line on face A, to be marked with a ruler at both ends.

    From ``start_mm`` to ``stop_mm`` along the board; the offsets are distances from the edge that
    lies on top in the photograph of face A. The cut is on the side away from the blank.
    """

    start_mm: float
    stop_mm: float
    offset_start_mm: float
    offset_stop_mm: float


@dataclass(frozen=True, slots=True)
class SawnBlank:
    """One place on face A, and how many blanks lie there one above the other.

    ``offset_*_mm``: distance of its upper side from the top edge at its two ends. ``rise_mm``: how
    much the fibres rise to face A over its length; ``tilt_mm``: how much of that its sides follow,
    less where the thickness has no room for it. ``slope``: what is left against its sides.
    """

    start_mm: float
    stop_mm: float
    offset_start_mm: float
    offset_stop_mm: float
    layers: int
    rise_mm: float
    tilt_mm: float
    slope: SlopeInSpace


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """How a board is sawn; ``count`` blanks in all, which may be none."""

    board: str
    length_mm: float
    width_mm: float
    thickness_mm: float
    wish: Wish
    across_first: bool
    crosscuts_mm: tuple[float, ...]
    lines: tuple[SawLine, ...]
    blanks: tuple[SawnBlank, ...]
    notes: tuple[str, ...]

    @property
    def count(self) -> int:
        return sum(blank.layers for blank in self.blanks)


def lay_board(measurement: BlankMeasurement, wish: Wish) -> BoardPlan | NotKnown:
    """Lay saw lines for blanks of one size on a measured board.

    Parameters
    ----------
    measurement
        The board: face A is its wide face, face B its edge.

    Returns
    -------
    BoardPlan or NotKnown
        `NotKnown` where the fibres or the size of the board are not known.
    """
    solid = solid_of(measurement)
    if isinstance(solid, NotKnown):
        return solid
    across = _plan(solid, wish, _lengths(solid, wish), across_first=True)
    along = _plan(solid, wish, [(0.0, solid.length_mm)], across_first=False)
    return along if along.count > across.count else across


def strips(
    run_mm: float, board_mm: float, tangent: float, wish: Wish
) -> tuple[tuple[float, int], ...]:
    """Strips across a board and how many blanks each holds.

    Parameters
    ----------
    run_mm, board_mm
        Length and width of the piece that is ripped.
    tangent
        Of the saw lines, 0 or more: they sink by it from left to right.

    Returns
    -------
    tuple
        (distance of the strip's upper side from the top edge at the left end, number of
        blanks), from top to bottom; the number of blanks is the greatest possible.
    """
    intervals = []
    count = 1
    while (needed := count * wish.length_mm + (count - 1) * wish.kerf_mm) <= run_mm + _SLACK:
        low, high = -tangent * (run_mm - needed), board_mm - wish.width_mm - tangent * needed
        # Below 0 a strip starts where it passes the top edge and sinks as far all the same.
        if high >= -_SLACK:
            intervals.append((low, high))
        count += 1
    pitch = wish.width_mm + wish.kerf_mm
    best: dict[float, int] = {}
    for low, _ in intervals:
        first = low % pitch
        holds: dict[float, int] = {}
        for a, b in intervals:
            k = math.ceil((a - first) / pitch - _SLACK)
            while first + k * pitch <= b + _SLACK:
                holds[first + k * pitch] = holds.get(first + k * pitch, 0) + 1
                k += 1
        if sum(holds.values()) > sum(best.values()):
            best = holds
    return tuple(sorted(best.items()))


def _lengths(solid: BlankSolid, wish: Wish) -> list[tuple[float, float]]:
    """As many lengths as the board has, the rest shared between its two ends."""
    step = wish.length_mm + wish.kerf_mm
    count = int((solid.length_mm + wish.kerf_mm) / step + _SLACK)
    rest = solid.length_mm - count * wish.length_mm - max(count - 1, 0) * wish.kerf_mm
    starts = [rest / 2.0 + k * step for k in range(count)]
    return [(start, start + wish.length_mm) for start in starts]


def _plan(
    solid: BlankSolid, wish: Wish, runs: list[tuple[float, float]], *, across_first: bool
) -> BoardPlan:
    width = float((solid.walls_mm[3] - solid.walls_mm[2]).min())
    thickness = float((solid.walls_mm[1] - solid.walls_mm[0]).min())
    blanks: list[SawnBlank] = []
    lines: list[SawLine] = []
    for start, stop in runs:
        tangent = _mean_tangent(solid, 1, start, stop)
        found = strips(stop - start, width, abs(tangent), wish)
        rows = [
            _strip_blanks(solid, wish, (start, stop), width, thickness, tangent, offset, count)
            for offset, count in found
        ]
        rows = [row for row in rows if row]
        blanks += [blank for row in rows for blank in row]
        lines += _saw_lines(rows, tangent, wish)
    cuts = {round(c, 3) for b in blanks for c in (b.start_mm, b.stop_mm)} if across_first else set()
    return BoardPlan(
        board=solid.name,
        length_mm=solid.length_mm,
        width_mm=width,
        thickness_mm=thickness,
        wish=wish,
        across_first=across_first,
        crosscuts_mm=tuple(sorted(cuts)),
        lines=tuple(lines),
        blanks=tuple(blanks),
        notes=(*solid.notes, *_notes(wish, blanks, solid.length_mm, width, thickness)),
    )


def _mean_tangent(solid: BlankSolid, k: int, start: float, stop: float) -> float:
    drift = solid.drift_mm[k]
    ends = np.interp([start, stop], solid.z_mm, drift)
    return float(ends[1] - ends[0]) / (stop - start)


def _strip_blanks(
    solid: BlankSolid,
    wish: Wish,
    run: tuple[float, float],
    width: float,
    thickness: float,
    tangent: float,
    offset: float,
    count: int,
) -> list[SawnBlank]:
    """The blanks of one strip, set together at the left end of its room."""
    size = abs(tangent)
    # The strip is on the board from where its upper side passes the top edge.
    first = run[0] + (max(-offset, 0.0) / size if size > 0 else 0.0)
    blanks = []
    for k in range(count):
        start = first + k * (wish.length_mm + wish.kerf_mm)
        stop = start + wish.length_mm
        ends = [offset + size * (z - run[0]) for z in (start, stop)]
        if tangent < 0:  # the strips were laid in the mirrored board
            ends = [width - wish.width_mm - end for end in ends]
        blank = _sawn(solid, wish, (start, stop), (ends[0], ends[1]), thickness, tangent)
        if blank is not None:
            blanks.append(blank)
    return blanks


def _sawn(
    solid: BlankSolid,
    wish: Wish,
    along: tuple[float, float],
    offsets: tuple[float, float],
    thickness: float,
    tangent: float,
) -> SawnBlank | None:
    rise = _mean_tangent(solid, 0, *along) * wish.length_mm
    spare = thickness - wish.thickness_mm
    if spare < -_SLACK:
        return None
    layers = max(_side_by_side(thickness - abs(rise), wish), 1)
    tilt = math.copysign(min(abs(rise), max(spare, 0.0)), rise)
    z = np.linspace(*along, 61)
    against = np.array([[tilt / wish.length_mm], [tangent]])
    field = np.stack([np.interp(z, solid.z_mm, row) for row in solid.slope]) - against
    return SawnBlank(
        start_mm=along[0],
        stop_mm=along[1],
        offset_start_mm=offsets[0],
        offset_stop_mm=offsets[1],
        layers=layers,
        rise_mm=rise,
        tilt_mm=tilt,
        slope=slope_over(solid, z, field),
    )


def _side_by_side(room_mm: float, wish: Wish) -> int:
    return max(int((room_mm + wish.kerf_mm) / (wish.thickness_mm + wish.kerf_mm) + _SLACK), 0)


def _saw_lines(rows: list[list[SawnBlank]], tangent: float, wish: Wish) -> list[SawLine]:
    """The upper side of every strip, and its lower side where no strip follows a saw cut below."""
    lines = []
    uppers = [(row[0].start_mm, row[-1].stop_mm, row[0].offset_start_mm) for row in rows]
    at_left = sorted(offset - tangent * start for start, _, offset in uppers)
    for start, stop, offset in uppers:
        for side in (0.0, wish.width_mm):
            below = offset - tangent * start + wish.width_mm + wish.kerf_mm
            if side and any(abs(below - other) < 1e-6 for other in at_left):
                continue
            left = offset + side
            lines.append(SawLine(start, stop, left, left + tangent * (stop - start)))
    return sorted(lines, key=lambda line: (line.start_mm, line.offset_start_mm))


def _notes(
    wish: Wish, blanks: list[SawnBlank], length: float, width: float, thickness: float
) -> list[str]:
    if not blanks:
        size = f"{wish.width_mm:g} × {wish.thickness_mm:g} × {wish.length_mm:g} mm"
        board = f"{width:.0f} × {thickness:.0f} × {length:.0f} mm"
        return [f"no blank of {size} can be laid along the fibres in a board of {board}"]
    if any(abs(blank.tilt_mm) < abs(blank.rise_mm) - _SLACK for blank in blanks):
        return [
            "the thickness has no room for the whole rise of the fibres on the edge: those blanks "
            "keep the rest of the slope"
        ]
    return []
