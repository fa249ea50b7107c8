"""Which way to cut on each face, along its length, and which face to shave first.

A cut is clean where the fibres rise to the surface ahead of the edge: a split that runs ahead of
the tool then comes out of the surface; where they fall ahead of it the split dives and tears
(geometry; the standard figure is B. Hoadley, *Understanding Wood*, Fig. 9.9). With f the fibres'
direction towards the right end, they rise to face A where fx > 0, which is seen on face B
(tan b = fx/fz), and to face B where fy > 0, seen on face A (tan a = −fy/fz). On the opposite faces
the directions reverse. All four faces are looked at with the marked end on the right.

**The decision** for each station comes from the 90 % interval [low, high] of the rise and from the
practical limit r = 1 in 60, below which cutting against the fibres does not tear: a split
that follows them goes 0.5 mm deep, a shaving's thickness, only after 30 mm, which is longer than
the sole of a spokeshave that holds it down (common practice, no source).

- low ≥ −r and high ≤ r: **either way**, too flat to matter;
- low > 0: **left to right**; high < 0: **right to left**;
- low < −r and high > r: **not known**, for either direction may tear;
- what is left holds 0 and reaches beyond r on one side: the direction cannot be told from zero. The
  answer is **either way**, with the direction to try first, which is the one that is within the
  practical limit even if the interval's other end is true.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from grainscan.results import BlankMeasurement, FaceScan, Station
from grainscan.workshop.face_order import FaceOrder, face_order
from grainscan.workshop.keep_clear import Face

__all__ = [
    "FACES",
    "PRACTICAL_ONE_IN",
    "Cut",
    "FaceShaving",
    "Shaving",
    "Stretch",
    "cut_for_rise",
    "shaving_of",
]

Direction = Literal["left to right", "right to left", "either way", "not known"]

FACES: tuple[Face, ...] = ("A", "B", "opposite A", "opposite B")

PRACTICAL_ONE_IN = 60.0
"""Flatter than this, either direction cuts cleanly; the reason is at the head of this file."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Direction of a clean cut at one place.

    ``rise_deg``: fibres' rise to this face towards the right end, with its 90 % interval; None
    where not read. ``try_first``: the direction to try where it cannot be told from zero.
    """

    at: float
    direction: Direction
    rise_deg: float | None
    low_deg: float | None
    high_deg: float | None
    try_first: Direction | None = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Neighbouring places of one direction, from ``start`` to ``stop`` (shares of the length).

    ``rise_deg`` is the mean over the places read, None if none was.
    """

    start: float
    stop: float
    direction: Direction
    rise_deg: float | None
    try_first: Direction | None
    reason: str


@dataclass(frozen=True, slots=True)
class FaceShaving:
    """One face: its cuts, the stretches they form, and where the direction turns over.

    ``turns``: places (shares of the length) between a stretch cut one way and the next cut the
    other way, in whatever lies between them.
    """

    face: Face
    cuts: tuple[Cut, ...]
    stretches: tuple[Stretch, ...]
    turns: tuple[float, ...]

    @property
    def throughout(self) -> Direction | None:
        """The one direction that is right or to be tried first wherever it matters; None if none.

        At least one stretch asks for it, none for the other, and no place is unknown.
        """
        asked = {stretch.direction for stretch in self.stretches} - {"either way"}
        tried = {cut.try_first for cut in self.cuts if cut.try_first is not None}
        if len(asked) != 1 or "not known" in asked or not tried <= asked:
            return None
        return next(iter(asked))


@dataclass(frozen=True, slots=True)
class Shaving:
    """All four faces of a blank; a face whose neighbour was not read is missing."""

    blank: str
    faces: tuple[FaceShaving, ...]
    order: FaceOrder
    notes: tuple[str, ...] = ()


def shaving_of(measurement: BlankMeasurement) -> Shaving:
    """Directions of clean cuts on all four faces, and the face to begin with.

    Faces A and opposite A need the photograph of face B, the others that of face A; without it
    they are missing, with a line in ``notes`` that says so.
    """
    rises: dict[Face, tuple[Cut, ...]] = {}
    notes: list[str] = []
    # The fibres' rise towards a face is the angle seen on its neighbour, or minus that angle.
    for shown_on, letter, to_same, to_opposite, sign in (
        (measurement.face_b, "B", "A", "opposite A", 1.0),
        (measurement.face_a, "A", "B", "opposite B", -1.0),
    ):
        if shown_on is None or shown_on.angle_deg is None:
            notes.append(
                f"Which way to cut on face {to_same} and its opposite is seen on face {letter}: "
                f"take a sharp photograph of face {letter}."
            )
            continue
        rises[_face(to_same)] = _cuts(shown_on, sign)
        rises[_face(to_opposite)] = _cuts(shown_on, -sign)
    faces = tuple(_face_shaving(face, rises[face]) for face in FACES if face in rises)
    order = face_order(measurement.end)
    return Shaving(measurement.record.blank, faces, order, tuple(notes))


def cut_for_rise(low_deg: float, high_deg: float) -> tuple[Direction, Direction | None]:
    """Direction of a clean cut, and the one to try first where the rise may be zero.

    ``low_deg`` to ``high_deg``: 90 % interval of the fibres' rise to the face towards the right.
    """
    limit = practical_limit_deg()
    if -limit <= low_deg and high_deg <= limit:
        return "either way", None
    if low_deg > 0:
        return "left to right", None
    if high_deg < 0:
        return "right to left", None
    if low_deg < -limit and high_deg > limit:
        return "not known", None
    return "either way", "left to right" if high_deg > limit else "right to left"


def practical_limit_deg() -> float:
    return math.degrees(math.atan(1.0 / PRACTICAL_ONE_IN))


def _face(name: str) -> Face:
    for face in FACES:
        if face == name:
            return face
    raise ValueError(f"no face {name!r}")


def _cuts(shown_on: FaceScan, sign: float) -> tuple[Cut, ...]:
    return tuple(_cut(station, sign) for station in shown_on.stations)


def _cut(station: Station, sign: float) -> Cut:
    angle, low, high = station.angle_deg, station.low_deg, station.high_deg
    if angle is None or low is None or high is None:
        return Cut(station.at, "not known", None, None, None)
    low, high = sorted((sign * low, sign * high))
    direction, try_first = cut_for_rise(low, high)
    return Cut(station.at, direction, sign * angle, low, high, try_first)


def _face_shaving(face: Face, cuts: tuple[Cut, ...]) -> FaceShaving:
    stretches = _stretches(cuts)
    return FaceShaving(face, cuts, stretches, _turns(stretches))


def _stretches(cuts: Sequence[Cut]) -> tuple[Stretch, ...]:
    """Neighbouring cuts with the same answer, each reaching half-way to the next."""
    groups: list[list[Cut]] = []
    for cut in cuts:
        same = groups and _answer(groups[-1][-1]) == _answer(cut)
        if same:
            groups[-1].append(cut)
        else:
            groups.append([cut])
    borders = [0.0]
    borders += [(before[-1].at + after[0].at) / 2.0 for before, after in itertools.pairwise(groups)]
    borders.append(1.0)
    return tuple(
        _stretch(group, start, stop)
        for group, start, stop in zip(groups, borders[:-1], borders[1:], strict=True)
    )


def _answer(cut: Cut) -> tuple[Direction, bool]:
    return cut.direction, cut.rise_deg is None


def _stretch(group: Sequence[Cut], start: float, stop: float) -> Stretch:
    rises = [cut.rise_deg for cut in group if cut.rise_deg is not None]
    hints = {cut.try_first for cut in group}
    # Flat places go with either hint; opposite hints are none.
    directions = hints - {None}
    hint = directions.pop() if len(directions) == 1 else None
    return Stretch(
        start=start,
        stop=stop,
        direction=group[0].direction,
        rise_deg=sum(rises) / len(rises) if rises else None,
        try_first=hint,
        reason=_reason(group[0], hint, is_flat=hints == {None}),
    )


def _reason(cut: Cut, hint: Direction | None, *, is_flat: bool) -> str:
    if cut.rise_deg is None:
        return "the fibres were not read here: try with a light cut"
    if cut.direction == "not known":
        return "the rise is not known well enough: try with a light cut"
    if cut.direction == "either way":
        if is_flat:
            return f"flatter than 1 in {PRACTICAL_ONE_IN:g}"
        first = "with a light cut" if hint is None else f"{hint} first"
        return f"the rise cannot be told from none; try {first}"
    way = "rise" if cut.direction == "left to right" else "fall"
    return f"the fibres {way} towards the right"


def _turns(stretches: Sequence[Stretch]) -> tuple[float, ...]:
    """Middles of what lies between two stretches cut in opposite directions."""
    decided = [s for s in stretches if s.direction in ("left to right", "right to left")]
    return tuple(
        (before.stop + after.start) / 2.0
        for before, after in itertools.pairwise(decided)
        if before.direction != after.direction
    )
