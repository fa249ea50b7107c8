"""What a person put right by hand on a blank's photographs, before or after it was measured."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from grainscan.errors import InputError
from grainscan.results import PointPx

__all__ = ["ByHand", "Corners", "Knot", "check_corners", "correction_texts", "from_texts"]

Corners = tuple[PointPx, PointPx, PointPx, PointPx]
Side = Literal["face_a", "face_b", "end", "blank"]


@dataclass(frozen=True, slots=True)
class Knot:
    """A knot that a person saw on face "a" or "b".

    ``at``: share of the length from the left end; ``radius``: in widths of that face.
    """

    face: Literal["a", "b"]
    at: float
    radius: float


@dataclass(frozen=True, slots=True)
class ByHand:
    """Corrections by hand; nothing where nobody touched anything.

    ``face_a``, ``face_b``, ``end``: corners left-top, right-top, right-bottom, left-bottom in
    pixels of the upright photograph, None where they are looked for. ``rings_added``,
    ``rings_removed``: points (x, y) on the end's photograph through which a ring boundary runs,
    or at which one that was found is none. ``knots``: they change no angle; parts are laid clear
    of them. ``snap``: corners of a face are moved to the nearest edges
    (`grainscan.measure.snap.snap_outline`).
    """

    face_a: Corners | None = None
    face_b: Corners | None = None
    end: Corners | None = None
    rings_added: tuple[PointPx, ...] = ()
    rings_removed: tuple[PointPx, ...] = ()
    knots: tuple[Knot, ...] = ()
    snap: bool = False

    def outline(self, side: str) -> Corners | None:
        """Corners set on "face_a", "face_b" or "end"."""
        return {"face_a": self.face_a, "face_b": self.face_b, "end": self.end}[side]

    def with_outline(self, side: str, corners: Corners | None) -> ByHand:
        """The same with other corners on a side; what was said of its rings stays."""
        if side == "face_a":
            return dataclasses.replace(self, face_a=corners)
        if side == "face_b":
            return dataclasses.replace(self, face_b=corners)
        return dataclasses.replace(self, end=corners)

    def without(self, side: str) -> ByHand:
        """Nothing of what was put right on a side: another photograph has taken its place."""
        fresh = self.with_outline(side, None)
        if side == "end":
            return dataclasses.replace(fresh, rings_added=(), rings_removed=())
        knots = tuple(knot for knot in fresh.knots if knot.face != side[-1])
        return dataclasses.replace(fresh, knots=knots)


def check_corners(points: Sequence[PointPx], *, size: tuple[int, int], is_face: bool) -> Corners:
    """Four corners as clicked, in the order left-top, right-top, right-bottom, left-bottom.

    Parameters
    ----------
    points
        In any order, pixels of the upright photograph.
    size
        Width and height of the photograph in pixels.
    is_face
        A face lies with its length from left to right.

    Raises
    ------
    InputError
        They are not four, not the corners of a convex shape inside the picture, or those of a
        face that stands upright.
    """
    if len(points) != 4:
        raise InputError(f"{len(points)} corners are marked; mark all four.")
    if not all(math.isfinite(c) for point in points for c in point):
        raise InputError("A corner lies nowhere; mark it again.")
    width, height = size
    if not all(-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5 for x, y in points):
        raise InputError("A corner lies outside the photograph; move it inside.")
    by_side = sorted(points)
    left, right = sorted(by_side[:2], key=lambda p: p[1]), sorted(by_side[2:], key=lambda p: p[1])
    corners = (left[0], right[0], right[1], left[1])
    sides = [
        (b[0] - a[0], b[1] - a[1]) for a, b in zip(corners, (*corners[1:], corners[0]), strict=True)
    ]
    turns = [a[0] * b[1] - a[1] * b[0] for a, b in zip(sides, (*sides[1:], sides[0]), strict=True)]
    lengths = [math.hypot(*side) for side in sides]
    if min(lengths) < 10.0 or min(turns) <= 0.0:
        raise InputError("These four points are no outline: put one on each corner of the blank.")
    if is_face and lengths[0] + lengths[2] < lengths[1] + lengths[3]:
        raise InputError("The blank must lie with its length from left to right in the picture.")
    return corners


def correction_texts(by_hand: ByHand) -> tuple[tuple[Side, str, str], ...]:
    """Each correction as (side, what was done, its numbers as JSON), to be kept with a scan."""
    found: list[tuple[Side, str, str]] = []
    sides: tuple[tuple[Side, Corners | None], ...] = (
        ("face_a", by_hand.face_a),
        ("face_b", by_hand.face_b),
        ("end", by_hand.end),
    )
    for side, corners in sides:
        if corners is not None:
            rounded = [[round(x, 1), round(y, 1)] for x, y in corners]
            found.append((side, "outline", json.dumps(rounded)))
    for what, points in (
        ("ring boundary added", by_hand.rings_added),
        ("ring boundary removed", by_hand.rings_removed),
    ):
        found += [("end", what, json.dumps([round(x, 1), round(y, 1)])) for x, y in points]
    for knot in by_hand.knots:
        numbers = {"at": round(knot.at, 4), "radius_in_widths": round(knot.radius, 3)}
        found.append(("face_a" if knot.face == "a" else "face_b", "knot", json.dumps(numbers)))
    return tuple(found)


def from_texts(corrections: Iterable[tuple[str, str, str]]) -> ByHand:
    """Corrections from what `correction_texts` made of them; kinds that are not known are left out.

    Raises
    ------
    InputError
        The numbers of a correction are none.
    """
    found = ByHand()
    for side, what, detail in corrections:
        try:
            found = _with_text(found, side, what, json.loads(detail))
        except (TypeError, ValueError, KeyError, OverflowError, RecursionError) as error:
            # OverflowError: a whole number that is no float.
            raise InputError(f"A correction by hand ({what}) cannot be read.") from error
    return found


def _with_text(by_hand: ByHand, side: str, what: str, numbers: Any) -> ByHand:
    if what == "outline":
        a, b, c, d = ((_finite(x), _finite(y)) for x, y in numbers)
        return by_hand.with_outline(side, (a, b, c, d))
    if what == "knot":
        face: Literal["a", "b"] = "a" if side == "face_a" else "b"
        knot = Knot(face, _finite(numbers["at"]), _finite(numbers["radius_in_widths"]))
        return dataclasses.replace(by_hand, knots=(*by_hand.knots, knot))
    if what in ("ring boundary added", "ring boundary removed"):
        x, y = numbers
        point = (_finite(x), _finite(y))
        if what.endswith("added"):
            return dataclasses.replace(by_hand, rings_added=(*by_hand.rings_added, point))
        return dataclasses.replace(by_hand, rings_removed=(*by_hand.rings_removed, point))
    return by_hand


def _finite(number: Any) -> float:
    found = float(number)
    if not math.isfinite(found):
        raise ValueError("a number without end")
    return found
