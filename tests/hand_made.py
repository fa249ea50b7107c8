"""Results made by hand: no picture behind them, so that judging and showing can be tested."""

import math

from grainscan.results import (
    BlankMeasurement,
    BlankRecord,
    EndScan,
    FaceScan,
    FibreDirection,
    PhotoQuality,
    SlopeInSpace,
    Station,
    SteepestPlace,
)

STATIONS = 21
GOOD = PhotoQuality(ok=True)


def face(
    *,
    photo="face-a.jpg",
    angle_deg=1.0,
    spread_deg=0.4,
    quality=GOOD,
    size=(1000, 300),
    margin=40,
    notes=(),
):
    """A straight face in a picture of ``size``, its fibres at one angle."""
    width, height = size
    top, bottom = float(height // 3), float(2 * height // 3)
    left, right = float(margin), float(width - margin)
    xs = [left + (right - left) * k / 40 for k in range(41)]
    known = angle_deg is not None
    low = angle_deg - spread_deg if known else None
    high = angle_deg + spread_deg if known else None
    return FaceScan(
        photo=photo,
        outline_px=((left, top), (right, top), (right, bottom), (left, bottom)),
        angle_deg=angle_deg,
        low_deg=low,
        high_deg=high,
        sweep_mm=None,
        ring_stripe_deg=None,
        stations=tuple(
            Station(at=(k + 0.5) / STATIONS, angle_deg=angle_deg, low_deg=low, high_deg=high)
            for k in range(STATIONS)
        ),
        photo_quality=quality,
        top_edge_px=tuple((x, top) for x in xs),
        bottom_edge_px=tuple((x, bottom) for x in xs),
        notes=tuple(notes),
    )


def end(*, photo="end.jpg", direction_deg=12.0, quality=GOOD, side=200):
    """A square end with five straight ring boundaries parallel to face A's edge."""
    low, high = 50.0, 50.0 + side
    lines = tuple(
        ((low, low + side * (k + 1) / 6), (high, low + side * (k + 1) / 6)) for k in range(5)
    )
    return EndScan(
        photo=photo,
        outline_px=((low, low), (high, low), (high, high), (low, high)),
        width_mm=None,
        height_mm=None,
        ring_direction_deg=direction_deg,
        ring_direction_low_deg=direction_deg - 2,
        ring_direction_high_deg=direction_deg + 2,
        orientation="flat",
        rings=5,
        mean_ring_mm=None,
        rings_per_inch=None,
        latewood_share=0.6,
        boundaries_along_a=(),
        boundaries_along_b=tuple((k + 1) / 6 for k in range(5)),
        pith=None,
        photo_quality=quality,
        boundary_lines_px=lines,
    )


def slope(angle_deg, low_deg, high_deg, *, steepest_deg=None, at=0.62):
    """A slope in space; with ``high_deg`` None a lower bound from one face."""
    steepest_deg = angle_deg if steepest_deg is None else steepest_deg
    return SlopeInSpace(
        angle_deg=angle_deg,
        low_deg=low_deg,
        high_deg=high_deg,
        steepest=SteepestPlace(at=at, angle_deg=steepest_deg),
        lower_bound_only=high_deg is None,
    )


def measurement(
    of_slope=None, *, name="ash-07", part=None, face_a="made", face_b="made", of_end="made", **rest
):
    """A measured blank; a photograph given as None is missing."""
    return BlankMeasurement(
        record=BlankRecord(blank=name, part=part),
        face_a=face() if face_a == "made" else face_a,
        face_b=face(photo="face-b.jpg", angle_deg=0.5) if face_b == "made" else face_b,
        end=end() if of_end == "made" else of_end,
        slope=of_slope,
        fibre=tuple(
            FibreDirection(at=(k + 0.5) / STATIONS, f=unit(0.01, -0.02, 1.0))
            for k in range(STATIONS)
        ),
        ring_fibre_agreement_deg=None,
        spiral_deg=None,
        **rest,
    )


def unit(x, y, z):
    length = math.sqrt(x * x + y * y + z * z)
    return (x / length, y / length, z / length)
