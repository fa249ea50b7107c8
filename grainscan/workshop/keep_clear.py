"""What a part must keep clear of: knots, checks, other trouble, and the juvenile core."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from grainscan.results import BlankMeasurement, EndScan

__all__ = [
    "JUVENILE_RINGS",
    "AvoidZone",
    "Core",
    "Face",
    "juvenile_core",
    "knot_zone",
    "trim_zones",
    "trouble_zones",
]

Face = Literal["A", "B", "opposite A", "opposite B"]

JUVENILE_RINGS = 15
"""Rings from the pith counted as juvenile wood: "first 15 years", G. Wengert, trade questions and
answers, 2018. The Wood Handbook (FPL-GTR-190, 2010, ch. 5; from memory) gives 5 to 20 rings."""

_KNOT_RADII = 2.0
# The fibres run round a knot for about its radius on either side: common practice, no source.


@dataclass(frozen=True, slots=True)
class AvoidZone:
    """A stretch from ``start`` to ``stop`` (shares of the length) that a part must keep clear of.

    With ``face`` and ``depth_mm`` the trouble reaches that deep below that face and a part may
    pass under it; otherwise the whole section is out of bounds.
    """

    start: float
    stop: float
    reason: str
    face: Face | None = None
    depth_mm: float | None = None

    def __post_init__(self) -> None:
        if not (0.0 <= self.start < self.stop <= 1.0):
            raise ValueError("a zone to avoid runs from a lower to a higher share, within 0 to 1")
        if (self.face is None) != (self.depth_mm is None):
            raise ValueError("a zone below a face has both the face and a depth")


@dataclass(frozen=True, slots=True)
class Core:
    """The juvenile core: a cylinder along the blank round (``x_mm``, ``y_mm``)."""

    x_mm: float
    y_mm: float
    radius_mm: float


def knot_zone(
    at: float, radius_mm: float, length_mm: float, *, face: Face | None = None
) -> AvoidZone:
    """The zone round a knot: twice its radius either side, through the whole section.

    How deep a knot goes is not seen in a photograph, so the face it shows on does not help; it
    is named in the reason only.

    Raises
    ------
    ValueError
        The radius or the length is not above 0, or the knot lies off the blank.
    """
    if not (radius_mm > 0 and length_mm > 0):
        raise ValueError("a knot has a radius and a blank a length above 0")
    half = _KNOT_RADII * radius_mm / length_mm
    reason = "knot" if face is None else f"knot on face {face}"
    return AvoidZone(max(at - half, 0.0), min(at + half, 1.0), reason)


def trouble_zones(measurement: BlankMeasurement) -> tuple[AvoidZone, ...]:
    """The stretches of the knots and swirls that were found on the faces, whole section."""
    return tuple(
        AvoidZone(trouble.start, trouble.stop, f"{trouble.what} on face {letter}")
        for letter, face in (("A", measurement.face_a), ("B", measurement.face_b))
        if face is not None
        for trouble in face.local_trouble
    )


def trim_zones(trim_mm: float, length_mm: float) -> tuple[AvoidZone, ...]:
    """Both ends, cut off for the checks that open there while a blank dries.

    Raises
    ------
    ValueError
        The two ends leave nothing.
    """
    if trim_mm <= 0:
        return ()
    share = trim_mm / length_mm
    if share >= 0.5:
        raise ValueError(
            f"cutting {trim_mm:g} mm off both ends of {length_mm:.0f} mm leaves nothing"
        )
    reason = "end, cut off for checks"
    return AvoidZone(0.0, share, reason), AvoidZone(1.0 - share, 1.0, reason)


def juvenile_core(end: EndScan | None, width_mm: float, height_mm: float) -> Core | None:
    """The juvenile core where it reaches into the section, from the pith and the mean ring width.

    The first `JUVENILE_RINGS` rings are taken to be as wide as the mean ring; rings near the
    pith are often wider. The pith of the marked end is taken to run along the blank's axis.

    Returns
    -------
    Core or None
        None where the core stays outside the section, and where the end photograph tells
        neither pith nor ring width (the rings are then too straight for a pith close by).
    """
    if end is None or end.pith is None or end.mean_ring_mm is None:
        return None
    # The end's right is −y and its up is x, both in widths of face A.
    x, y = end.pith[1] * width_mm, -end.pith[0] * width_mm
    radius = JUVENILE_RINGS * end.mean_ring_mm
    outside_x = max(abs(x) - height_mm / 2.0, 0.0)
    outside_y = max(abs(y) - width_mm / 2.0, 0.0)
    return Core(x, y, radius) if math.hypot(outside_x, outside_y) < radius else None
