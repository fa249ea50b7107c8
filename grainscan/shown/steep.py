"""Stretches of a blank whose slope of grain is beyond the limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grainscan.results import NORMAL_90, BlankMeasurement, FaceScan, Limit, Station

__all__ = ["SlopeBand", "SteepStretch", "slope_bands", "slopes_along", "steep_stretches"]


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


@dataclass(frozen=True, slots=True)
class SlopeBand:
    """Slope at one place (share of the length) with its 90 % interval, in degrees."""

    at: float
    angle_deg: float
    low_deg: float
    high_deg: float


def slope_bands(measurement: BlankMeasurement) -> tuple[SlopeBand, ...]:
    """The slope along the length with intervals: in space from both faces, else of the one.

    Stations that were not read on each face are left out.
    """
    faces = [f for f in (measurement.face_a, measurement.face_b) if f is not None]
    read = [f for f in faces if any(s.angle_deg is not None for s in f.stations)]
    if len(read) == 1:
        return tuple(band for s in read[0].stations if (band := _of_one(s)) is not None)
    if len(read) == 2:
        pairs = zip(read[0].stations, read[1].stations, strict=True)
        return tuple(band for a, b in pairs if (band := _of_both(a, b)) is not None)
    return ()


def _of_one(station: Station) -> SlopeBand | None:
    angle, low, high = station.angle_deg, station.low_deg, station.high_deg
    if angle is None or low is None or high is None:
        return None
    least = 0.0 if low <= 0.0 <= high else min(abs(low), abs(high))
    return SlopeBand(station.at, abs(angle), least, max(abs(low), abs(high)))


def _of_both(a: Station, b: Station) -> SlopeBand | None:
    one, other = _of_one(a), _of_one(b)
    if one is None or other is None or a.angle_deg is None or b.angle_deg is None:
        return None
    from grainscan.measure.blank import slope_interval_deg

    low, high = slope_interval_deg(a.angle_deg, _sigma(a), b.angle_deg, _sigma(b))
    tangents = (math.tan(math.radians(s)) for s in (a.angle_deg, b.angle_deg))
    angle = math.degrees(math.atan(math.hypot(*tangents)))
    return SlopeBand(a.at, angle, min(low, angle), max(high, angle))


def _sigma(station: Station) -> float:
    if station.low_deg is None or station.high_deg is None:
        raise ValueError("a station that was not read has no interval")
    return (station.high_deg - station.low_deg) / (2.0 * NORMAL_90)
