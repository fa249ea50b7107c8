"""Stretches of a blank whose slope of grain is beyond the limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grainscan.results import BlankMeasurement, FaceScan, Limit

__all__ = ["SteepStretch", "slopes_along", "steep_stretches"]


@dataclass(frozen=True, slots=True)
class SteepStretch:
    """From ``start`` to ``stop``, steepest at ``at`` (shares of the length); its slope there."""

    start: float
    stop: float
    at: float
    angle_deg: float


def slopes_along(
    measurement: BlankMeasurement, face: FaceScan | None = None
) -> list[tuple[float, float]]:
    """Slope of grain at each place as (share of the length, degrees).

    In space where both faces were read, else of ``face`` alone, or of the one face there is.
    """
    if measurement.fibre:
        return [
            (d.at, math.degrees(math.atan2(math.hypot(d.f[0], d.f[1]), d.f[2])))
            for d in measurement.fibre
        ]
    face = face or measurement.face_a or measurement.face_b
    if face is None:
        return []
    return [(s.at, abs(s.angle_deg)) for s in face.stations if s.angle_deg is not None]


def steep_stretches(
    measurement: BlankMeasurement, limit: Limit, face: FaceScan | None = None
) -> tuple[SteepStretch, ...]:
    """The stretches beyond the limit; neighbouring places are taken together."""
    slopes = slopes_along(measurement, face)
    if len(slopes) < 2:
        return ()
    half = (slopes[-1][0] - slopes[0][0]) / (len(slopes) - 1) / 2.0
    stretches: list[SteepStretch] = []
    run: list[tuple[float, float]] = []
    for at, angle in [*slopes, (math.inf, -1.0)]:
        if angle > limit.angle_deg:
            run.append((at, angle))
        elif run:
            steepest = max(run, key=lambda place: place[1])
            start, stop = max(run[0][0] - half, 0.0), min(run[-1][0] + half, 1.0)
            stretches.append(SteepStretch(start, stop, *steepest))
            run = []
    return tuple(stretches)
