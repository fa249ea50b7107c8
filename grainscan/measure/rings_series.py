"""Numbers that follow from the traced ring boundaries, and boundaries changed by hand.

One place computes them, so that an edited end and a measured one can never differ in method.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from grainscan.errors import InputError
from grainscan.measure.rings_geometry import ArcFamily
from grainscan.results import EndScan, PointPx, RingBoundary, RingSeries

__all__ = [
    "MM_PER_INCH",
    "RingNumbers",
    "crossings",
    "ring_numbers",
    "with_boundaries",
]

MM_PER_INCH = 25.4
SURE = 0.5
"""A boundary counts when it is likelier one than not."""


@dataclass(frozen=True, slots=True)
class RingNumbers:
    """Count and widths along the line through the centre at right angles to the rings."""

    rings: int
    mean_ring_mm: float | None
    rings_per_inch: float | None
    latewood_share: float | None
    along_a: tuple[float, ...]
    along_b: tuple[float, ...]
    lines_px: tuple[tuple[PointPx, ...], ...]


def ring_numbers(
    crossing: Sequence[RingBoundary],
    others: Sequence[RingBoundary],
    latewood_shares: Sequence[float | None],
    width_mm: float | None,
) -> RingNumbers:
    """Numbers of an end from its boundaries.

    ``crossing``: boundaries on the line through the centre, in order; ``others``: those that
    show only in a corner. ``width_mm``: width of face A's edge, the scale; without it the
    millimetre figures are None.
    """
    every = sorted([*crossing, *others], key=lambda boundary: boundary.at)
    mean_mm = None
    if width_mm is not None and len(crossing) >= 2:
        mean_mm = (crossing[-1].at - crossing[0].at) / (len(crossing) - 1) * width_mm
    widths = [b.at - a.at for a, b in itertools.pairwise(crossing)]
    known = [
        (share, width)
        for share, width in zip(latewood_shares, widths, strict=False)
        if share is not None
    ]
    # Shares are averaged by ring width: the latewood's share of the wood, not of the rings.
    total = sum(width for _, width in known)
    latewood = sum(share * width for share, width in known) / total if total > 0 else None
    return RingNumbers(
        sum(boundary.times for boundary in crossing),
        mean_mm,
        None if mean_mm is None else MM_PER_INCH / mean_mm,
        latewood,
        tuple(sorted(v for boundary in every for v in boundary.along_a)),
        tuple(sorted(v for boundary in every for v in boundary.along_b)),
        tuple(boundary.line_px for boundary in every if len(boundary.line_px) >= 2),
    )


def crossings(
    x: Sequence[float], y: Sequence[float], aspect: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Where a traced curve crosses the centre lines: (along_a, along_b).

    ``x``, ``y``: the curve in section widths from the centre, y up; ``aspect``: height over
    width. Shares from the left, and from the top; only crossings inside the section.
    """
    px, py = np.asarray(x, np.float64), np.asarray(y, np.float64)
    along_a = [v + 0.5 for v in _zeros(py, px) if abs(v) <= 0.5]
    along_b = [0.5 - v / aspect for v in _zeros(px, py) if abs(v) <= aspect / 2]
    return tuple(sorted(along_a)), tuple(sorted(along_b))


def _zeros(level: np.ndarray, value: np.ndarray) -> list[float]:
    """Values at the zeros of ``level`` along a polyline."""
    change = np.flatnonzero((level[:-1] <= 0) != (level[1:] <= 0))
    part = level[change] / (level[change] - level[change + 1])
    return [float(v) for v in value[change] + part * (value[change + 1] - value[change])]


def with_boundaries(
    end: EndScan, *, add: Iterable[float] = (), remove: Iterable[int] = ()
) -> EndScan:
    """The end with boundaries added or removed by hand; every number follows.

    ``add``: places on the line through the centre at right angles to the rings, in section
    widths from the centre, growing towards the bark (as ``RingBoundary.at``). ``remove``:
    positions in ``end.ring_series.boundaries``. An added boundary runs along the rings' arc and
    has confidence 1. Latewood shares of rings that changed become unknown. Raises
    :class:`InputError` when the end has no rings to edit, a place is outside the section or
    already taken, or a position does not exist.
    """
    series = end.ring_series
    if series is None:
        raise InputError("no rings were read on this end, so there is nothing to edit")
    unwanted = set(remove)
    wrong = [i for i in unwanted if not 0 <= i < len(series.boundaries)]
    if wrong:
        raise InputError(f"there is no ring boundary number {wrong[0] + 1} on this end")
    kept = [b for i, b in enumerate(series.boundaries) if i not in unwanted]
    added = [_by_hand(end, series, place, kept) for place in add]
    boundaries = tuple(sorted([*kept, *added], key=lambda boundary: boundary.at))
    shares = _shares_after(series, boundaries)
    corner_lines = [
        line
        for line in end.boundary_lines_px
        if line not in {boundary.line_px for boundary in series.boundaries}
    ]
    numbers = ring_numbers(boundaries, (), shares, end.width_mm)
    dropped = [b for i, b in enumerate(series.boundaries) if i in unwanted]
    changed = dataclasses.replace(
        series,
        boundaries=boundaries,
        latewood_shares=shares,
        rings_low=max(0, series.rings_low + len(added) - len(dropped)),
        rings_high=max(0, series.rings_high + len(added) - len(dropped)),
    )
    return dataclasses.replace(
        end,
        rings=numbers.rings,
        mean_ring_mm=numbers.mean_ring_mm,
        rings_per_inch=numbers.rings_per_inch,
        latewood_share=numbers.latewood_share,
        boundaries_along_a=_edited(end.boundaries_along_a, "along_a", added, dropped),
        boundaries_along_b=_edited(end.boundaries_along_b, "along_b", added, dropped),
        boundary_lines_px=(*numbers.lines_px, *corner_lines),
        ring_series=changed,
    )


def _edited(
    places: tuple[float, ...], name: str, added: list[RingBoundary], dropped: list[RingBoundary]
) -> tuple[float, ...]:
    gone = {v for boundary in dropped for v in getattr(boundary, name)}
    more = [v for boundary in added for v in getattr(boundary, name)]
    return tuple(sorted([v for v in places if v not in gone] + more))


def _by_hand(
    end: EndScan, series: RingSeries, place: float, kept: list[RingBoundary]
) -> RingBoundary:
    arcs = ArcFamily(math.radians(series.bark_direction_deg), series.curvature)
    aspect = _aspect(end)
    x0, y0 = (float(v) for v in arcs.point(place, 0.0))
    if abs(x0) > 0.5 or abs(y0) > aspect / 2:
        raise InputError("the new ring boundary lies outside the section")
    if any(abs(boundary.at - place) < 1e-6 for boundary in kept):
        raise InputError("there is already a ring boundary at that place")
    reach = math.hypot(1.0, aspect)
    x, y = arcs.point(place, np.linspace(-reach, reach, 161))
    inside = (np.abs(x) <= 0.5) & (np.abs(y) <= aspect / 2)
    along_a, along_b = crossings(x[inside].tolist(), y[inside].tolist(), aspect)
    line = _to_photo(end, x[inside], y[inside], aspect)
    return RingBoundary(float(place), 1.0, along_a, along_b, line, by_hand=True)


def _aspect(end: EndScan) -> float:
    if end.width_mm is not None and end.height_mm is not None:
        return end.height_mm / end.width_mm
    corners = np.array(end.outline_px)
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return float((sides[1] + sides[3]) / (sides[0] + sides[2]))


def _to_photo(end: EndScan, x: np.ndarray, y: np.ndarray, aspect: float) -> tuple[PointPx, ...]:
    """Section points on the photograph, by the four corners' homography."""
    import cv2

    h = aspect / 2
    section = np.array([[-0.5, h], [0.5, h], [0.5, -h], [-0.5, -h]], np.float32)
    transform = cv2.getPerspectiveTransform(section, np.array(end.outline_px, np.float32))
    full = np.column_stack([x, y, np.ones_like(x)]) @ np.asarray(transform, np.float64).T
    return tuple((float(a / c), float(b / c)) for a, b, c in full)


def _shares_after(
    series: RingSeries, boundaries: tuple[RingBoundary, ...]
) -> tuple[float | None, ...]:
    """Latewood shares of the rings that are still bounded by the same two boundaries."""
    before = {
        (a.at, b.at): share
        for a, b, share in zip(
            series.boundaries, series.boundaries[1:], series.latewood_shares, strict=False
        )
    }
    return tuple(before.get((a.at, b.at)) for a, b in itertools.pairwise(boundaries))
