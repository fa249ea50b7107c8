"""Solids and measurements made by hand for the tests of what follows at the bench."""

import math

import numpy as np

from grainscan.judge.limits import parse_limit
from grainscan.results import (
    BlankMeasurement,
    BlankRecord,
    FaceScan,
    FibreDirection,
    PhotoQuality,
    SlopeInSpace,
    Station,
    SteepestPlace,
)
from grainscan.workshop.field_errors import FieldErrors
from grainscan.workshop.loads import Load
from grainscan.workshop.parts import Part
from grainscan.workshop.solid import BlankSolid

STATIONS = 21


def solid(
    *,
    length=500.0,
    width=30.0,
    height=28.0,
    tan_x=0.0,
    tan_y=0.0,
    bend_x=0.0,
    bend_y=0.0,
    taper=0.0,
    sigma=0.0,
    **rest,
):
    """A blank; the tangents are numbers or functions of the share of the length.

    ``bend_x``, ``bend_y``: height of a parabolic bend. ``taper``: share of the section lost from
    the left end to the right.
    """
    z = np.linspace(0.0, length, 201)
    at = z / length
    tangents = np.stack(
        [np.array([t(a) if callable(t) else t for a in at], dtype=float) for t in (tan_x, tan_y)]
    )
    size = 1.0 - taper * (at - 0.5)
    bow = 4.0 * at * (1.0 - at)
    root = np.full((201, 1), sigma)
    return BlankSolid(
        name="made",
        z_mm=z,
        walls_mm=np.stack(
            [-height / 2 * size, height / 2 * size, -width / 2 * size, width / 2 * size]
        ),
        axis_mm=np.stack([bend_x * bow, bend_y * bow]),
        slope=tangents,
        errors=FieldErrors(root, root),
        **rest,
    )


def part(
    *,
    shape="round",
    profile=((0.0, 16.0, 16.0), (300.0, 16.0, 16.0)),
    tenons=(),
    limit="1:20",
    load=None,
    strength="bending",
    most_bend_mm=None,
    name="rod",
):
    """A part from (place, width, depth) stations; by default a rod of 16 mm, 300 mm long."""
    at, width, depth = zip(*profile, strict=True)
    return Part(
        name=name,
        shape=shape,
        at_mm=at,
        width_mm=width,
        depth_mm=depth,
        tenons=tuple(tenons),
        limit=parse_limit(limit),
        load=load or Load("bent evenly"),
        strength=strength,
        most_bend_mm=most_bend_mm,
        source="made for a test",
    )


def face(angles_deg, *, spread_deg=0.3, mean_spread_deg=0.2, photo="face-a.jpg", bend_px=0.0):
    """A face 1000 × 60 pixels with these station angles (None: not read)."""
    count = len(angles_deg)
    share = np.linspace(0.0, 1.0, 101)
    xs, dip = 100.0 + 1000.0 * share, bend_px * 4.0 * share * (1.0 - share)
    known = [a for a in angles_deg if a is not None]
    mean = sum(known) / len(known) if known else None
    return FaceScan(
        photo=photo,
        outline_px=((100.0, 200.0), (1100.0, 200.0), (1100.0, 260.0), (100.0, 260.0)),
        angle_deg=mean,
        low_deg=None if mean is None else mean - mean_spread_deg,
        high_deg=None if mean is None else mean + mean_spread_deg,
        sweep_mm=None,
        ring_stripe_deg=None,
        stations=tuple(
            Station(
                (k + 0.5) / count,
                a,
                None if a is None else a - spread_deg,
                None if a is None else a + spread_deg,
            )
            for k, a in enumerate(angles_deg)
        ),
        photo_quality=PhotoQuality(ok=True),
        top_edge_px=tuple(zip(xs, 200.0 - dip, strict=True)),
        bottom_edge_px=tuple(zip(xs, 260.0 - dip, strict=True)),
    )


def measured(a_deg, b_deg, *, end=None, name="ash-07", part_name=None, face_b=True, **sizes):
    """A measurement from station angles on faces A and B, 30 × 30 × 500 mm unless given."""
    record = {"width_mm": 30.0, "height_mm": 30.0, "length_mm": 500.0, **sizes}
    rest = {k: record.pop(k) for k in ("spread_deg", "mean_spread_deg") if k in record}
    a = face(a_deg, **rest)
    b = face(b_deg, photo="face-b.jpg", **rest) if face_b else None
    fibre, slope = (), None
    if b is not None:
        fibre = tuple(
            FibreDirection(s.at, unit(tan(t.angle_deg), -tan(s.angle_deg), 1.0))
            for s, t in zip(a.stations, b.stations, strict=True)
            if s.angle_deg is not None and t.angle_deg is not None
        )
        slope = space_slope(a, b)
    return BlankMeasurement(
        record=BlankRecord(blank=name, part=part_name, **record),
        face_a=a,
        face_b=b,
        end=end,
        slope=slope,
        fibre=fibre,
        ring_fibre_agreement_deg=None,
        spiral_deg=None,
    )


def space_slope(a, b):
    if a.angle_deg is None or b.angle_deg is None:
        return None
    angle = math.degrees(math.atan(math.hypot(tan(a.angle_deg), tan(b.angle_deg))))
    half = a.high_deg - a.angle_deg
    return SlopeInSpace(
        angle, max(angle - half, 0.0), angle + half, SteepestPlace(0.5, angle), False
    )


def end_scan(**values):
    """The end of `tests.hand_made` with other values."""
    import dataclasses

    from tests.hand_made import end

    return dataclasses.replace(end(), **values)


def tan(angle_deg):
    return math.tan(math.radians(angle_deg))


def unit(x, y, z):
    size = math.sqrt(x * x + y * y + z * z)
    return (x / size, y / size, z / size)
