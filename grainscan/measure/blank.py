"""The blank in space, from what its two faces and its end show.

Fibre direction from the two faces' angles a, b: f ∝ (tan b, −tan a, 1). Ring normal from the
end's ring direction φ: (nx, ny) ∝ (cos φ, sin φ); nz from the ring stripes of a face: on face A
tan(stripe) = nz/ny, on face B tan(stripe) = −nz/nx. Fibres lie in the ring surface, so f · n = 0:
each face's angle is what its texture and these relations say together (`ring_surfaces.py`).
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt

from grainscan.measure.both_faces import with_trouble_of_both
from grainscan.measure.fibres import WIDEST_90_DEG
from grainscan.measure.ring_surfaces import (
    UNREAD_SIGMA,
    FaceTangents,
    apart_deg,
    bark_is_known,
    ring_relations,
    tan_deg,
    with_ring_relations,
)
from grainscan.results import (
    NORMAL_90,
    BlankMeasurement,
    BlankRecord,
    EndScan,
    FaceScan,
    FibreDirection,
    SlopeInSpace,
    Station,
    SteepestPlace,
    TextureReading,
)
from grainscan.wording import trouble_words

__all__ = ["combine", "slope_interval_deg"]

FloatArray = npt.NDArray[np.float64]


def combine(
    record: BlankRecord,
    face_a: FaceScan | None,
    face_b: FaceScan | None,
    end: EndScan | None,
    notes: tuple[str, ...] = (),
) -> BlankMeasurement:
    """Join what the photographs show into fibres, slope and ring surface of one blank."""
    face_a, face_b = with_trouble_of_both(face_a, face_b), with_trouble_of_both(face_b, face_a)
    seen = (face_a, face_b)
    texture = _texture_tangents(face_a, face_b)
    both = with_ring_relations(texture, seen, end)
    apart = 0.0
    if all(face is not None and _reading(face) is not None for face in seen):
        apart = apart_deg(texture, ring_relations(texture, seen, end))
    normal = _ring_normal(face_a, face_b, end)
    # Fibres and rings are compared by what the texture alone says of the fibres.
    agreement, spiral, ring_notes = _rings_against_fibres(_fibre(face_a, face_b), normal, end)
    face_a, notes_a = _by_all(face_a, both, 0)
    face_b, notes_b = _by_all(face_b, both, 1)
    slope, slope_notes = _slope(face_a, face_b, both, apart)
    fibre = _fibre(face_a, face_b)
    return BlankMeasurement(
        record=record,
        face_a=face_a,
        face_b=face_b,
        end=end,
        slope=slope,
        fibre=fibre,
        ring_fibre_agreement_deg=agreement,
        spiral_deg=spiral,
        notes=(
            *(*notes, *slope_notes, *notes_a, *notes_b),
            *(*ring_notes, *_trouble_notes(face_a, face_b)),
        ),
    )


def _reading(face: FaceScan) -> TextureReading | None:
    """What the texture says; of a face given by its angle alone, that angle."""
    if face.texture is not None or face.angle_deg is None:
        return face.texture
    return TextureReading(*_angle_and_sigma(face), face.stations)


def _texture_tangents(face_a: FaceScan | None, face_b: FaceScan | None) -> FaceTangents:
    mean, sigma = np.zeros(2), np.full(2, UNREAD_SIGMA)
    for number, face in enumerate((face_a, face_b)):
        reading = None if face is None else _reading(face)
        if reading is not None and math.radians(reading.sigma_deg) < UNREAD_SIGMA:
            mean[number], sigma[number] = (
                tan_deg(reading.angle_deg),
                math.radians(reading.sigma_deg),
            )
    return FaceTangents(mean, np.diag(sigma**2))


def _by_all(
    face: FaceScan | None, both: FaceTangents, number: int
) -> tuple[FaceScan | None, tuple[str, ...]]:
    """The face with the angle that texture and ring relations together say, and notes.

    A face whose texture says too little counts as read if the rings make up for it; one whose
    lines may as well be the rings' counts as unread.
    """
    if face is None:
        return None, ()
    angle, sigma = math.degrees(math.atan(float(both.mean[number]))), both.sigma_deg(number)
    half = NORMAL_90 * sigma
    by_itself = face.angle_deg is not None
    if 2.0 * half > WIDEST_90_DEG:
        return _left_unread(face, number) if by_itself else (face, ())
    reading = _reading(face)
    notes: tuple[str, ...] = ()
    if not by_itself:
        alone = "nothing"
        if reading is not None:
            alone = f"little (±{NORMAL_90 * reading.sigma_deg:.1f}°)"
        notes = (
            f"face {'AB'[number]}: its fibre lines alone say {alone}; the angle given rests mostly "
            "on the ring lines and the end",
        )
    read = dataclasses.replace(
        face,
        angle_deg=angle,
        low_deg=angle - half,
        high_deg=angle + half,
        stations=_stations(face, reading, angle, sigma),
    )
    return read, notes


def _left_unread(face: FaceScan, number: int) -> tuple[FaceScan, tuple[str, ...]]:
    stations = tuple(
        dataclasses.replace(s, angle_deg=None, low_deg=None, high_deg=None) for s in face.stations
    )
    unread = dataclasses.replace(
        face, angle_deg=None, low_deg=None, high_deg=None, stations=stations
    )
    said = f"face {'AB'[number]} is not read: what was seen may be the ring lines' direction"
    return unread, (said,)


def _stations(
    face: FaceScan, reading: TextureReading | None, angle: float, sigma: float
) -> tuple[Station, ...]:
    """Stations move along with the mean; how they differ from it is the texture's to say."""
    if reading is None:
        # How the ring lines change along the face stands in for what is not seen of the fibres.
        half = NORMAL_90 * math.hypot(sigma, face.ring_stripe_change_deg)
        return tuple(
            Station(s.at, angle, angle - half, angle + half, s.in_trouble) for s in face.stations
        )
    shift, less = angle - reading.angle_deg, sigma**2 - reading.sigma_deg**2
    return tuple(
        _moved(theirs, shift, less, sigma, was.in_trouble)
        for theirs, was in zip(reading.stations, face.stations, strict=True)
    )


def _moved(of: Station, shift: float, less: float, least: float, in_trouble: bool) -> Station:
    if of.angle_deg is None:
        return dataclasses.replace(of, in_trouble=in_trouble)
    angle, sigma = _angle_and_sigma(of)
    half = NORMAL_90 * math.sqrt(max(sigma**2 + less, least**2))
    angle += shift
    return Station(of.at, angle, angle - half, angle + half, in_trouble)


def _trouble_notes(face_a: FaceScan | None, face_b: FaceScan | None) -> tuple[str, ...]:
    """How slope was taken round knots and swirls, and how sure each of them is."""
    found = [
        (letter, trouble)
        for letter, face in (("A", face_a), ("B", face_b))
        if face is not None
        for trouble in face.local_trouble
    ]
    if not found:
        return ()
    rule = (
        "slope of grain is that of the wood away from knots and swirls (the rule of ASTM D245, "
        "§5.3, from memory); by its exception for pieces under 4 inches wide a local deviation "
        "counts too unless it belongs to a knot that the grade permits, so such a blank is at "
        "best to be checked"
    )
    return (
        rule,
        *(
            f"{trouble_words(t, letter)}: a face without any shows as much by chance in "
            f"{_one_of(t.false_alarm)}"
            for letter, t in found
        ),
    )


def _one_of(chance: float) -> str:
    return "fewer than 1 in 10000" if chance < 1e-4 else f"1 in {1.0 / chance:.0f}"


def slope_interval_deg(
    angle_a_deg: float,
    sigma_a_deg: float,
    angle_b_deg: float,
    sigma_b_deg: float,
    *,
    covariance: float = 0.0,
) -> tuple[float, float]:
    """90 % interval of the slope in space, degrees, from both faces' angles and uncertainties.

    ``covariance``: of tan a and tan b.

    The measured (tan a, tan b) scatter normally about the truth, so the measured slope over its
    uncertainty follows a noncentral chi law with two degrees of freedom. The lower end is the
    smallest true slope under which the measured one is not in its upper 5 % tail: 0 near zero
    slope, for a length cannot scatter below nothing. The upper end is the 95 % point of where
    the truth lies if every (tan a, tan b) was as likely beforehand; far from zero it is the
    same as the other tail's bound, and unlike that it never falls below the noise.
    """
    from scipy.special import chndtr, chndtrinc, chndtrix

    a, b = math.tan(math.radians(angle_a_deg)), math.tan(math.radians(angle_b_deg))
    sigma_a, sigma_b = math.radians(sigma_a_deg), math.radians(sigma_b_deg)
    mean = (sigma_a**2 + sigma_b**2) / 2.0
    # Uncertainty along the measured slope; near zero slope no direction is singled out.
    weight_a, weight_b = a * a + mean, b * b + mean
    along = weight_a * sigma_a**2 + weight_b * sigma_b**2 + 2.0 * a * b * covariance
    sigma = math.sqrt(along / (weight_a + weight_b))
    measured = (a * a + b * b) / sigma**2
    none = float(chndtr(measured, 2, 0.0))
    low = 0.0 if none <= 0.95 else math.sqrt(float(chndtrinc(measured, 2, 0.95)))
    high = math.sqrt(float(chndtrix(0.95, 2, measured)))
    return math.degrees(math.atan(low * sigma)), math.degrees(math.atan(high * sigma))


def _slope(
    face_a: FaceScan | None, face_b: FaceScan | None, both: FaceTangents, apart: float
) -> tuple[SlopeInSpace | None, tuple[str, ...]]:
    seen = [f for f in (face_a, face_b) if f is not None and f.angle_deg is not None]
    if not seen:
        return None, ("no face could be read, so the slope of grain is not known",)
    steepest = _steepest(seen)
    if len(seen) == 1:
        angle, sigma = _angle_and_sigma(seen[0])
        low, _ = slope_interval_deg(angle, sigma, 0.0, sigma)
        only = SlopeInSpace(abs(angle), min(low, abs(angle)), None, steepest, True)
        return only, ("only one face could be read: the slope in space is at least this face's",)
    (a, sigma_a), (b, sigma_b) = (_angle_and_sigma(f) for f in seen)
    slope = math.degrees(math.atan(math.hypot(tan_deg(a), tan_deg(b))))
    notes: tuple[str, ...] = ()
    if apart > 0.0:
        sigma_a, sigma_b = math.hypot(sigma_a, apart), math.hypot(sigma_b, apart)
        notes = (
            f"the lines on the faces and the rings on the end do not fit one direction of fibres "
            f"({apart:.1f}° apart): one of them was misread, so the interval is wide",
        )
    covariance = float(both.covariance[0, 1])
    low, high = slope_interval_deg(a, sigma_a, b, sigma_b, covariance=covariance)
    return SlopeInSpace(slope, min(low, slope), max(high, slope), steepest, False), notes


def _angle_and_sigma(of: FaceScan | Station) -> tuple[float, float]:
    if of.angle_deg is None or of.low_deg is None or of.high_deg is None:
        raise ValueError("an unreadable face has no angle")
    return of.angle_deg, (of.high_deg - of.low_deg) / (2 * NORMAL_90)


def _steepest(faces: list[FaceScan]) -> SteepestPlace:
    at = [s.at for s in faces[0].stations]
    tangents = np.array([[tan_deg(s.angle_deg or 0.0) for s in f.stations] for f in faces])
    slopes = np.degrees(np.arctan(np.sqrt((tangents**2).sum(axis=0))))
    place = int(np.argmax(slopes))
    here = [_angle_and_sigma(face.stations[place]) for face in faces]
    (a, sigma_a), (b, sigma_b) = here if len(here) == 2 else (here[0], (0.0, here[0][1]))
    low, _ = slope_interval_deg(a, sigma_a, b, sigma_b)
    return SteepestPlace(at[place], float(slopes[place]), low)


def _fibre(face_a: FaceScan | None, face_b: FaceScan | None) -> tuple[FibreDirection, ...]:
    if face_a is None or face_b is None:
        return ()
    directions = []
    for a, b in zip(face_a.stations, face_b.stations, strict=True):
        if a.angle_deg is None or b.angle_deg is None:
            continue
        f = np.array([tan_deg(b.angle_deg), -tan_deg(a.angle_deg), 1.0])
        fx, fy, fz = (float(c) for c in f / np.linalg.norm(f))
        directions.append(FibreDirection(a.at, (fx, fy, fz)))
    return tuple(directions)


def _ring_normal(
    face_a: FaceScan | None, face_b: FaceScan | None, end: EndScan | None
) -> FloatArray | None:
    """Unit ring normal, pith to bark where the end tells, else x or y component positive."""
    if end is None or end.ring_direction_deg is None:
        return None
    direction = math.radians(end.ring_direction_deg)
    nx, ny = math.cos(direction), math.sin(direction)
    if end.ring_series is not None:
        # Towards the bark on the end photograph, whose right is −y and whose up is x.
        bark = math.radians(end.ring_series.bark_direction_deg)
        if math.sin(bark) * nx - math.cos(bark) * ny < 0:
            nx, ny = -nx, -ny
    total, weight = 0.0, 0.0
    if face_a is not None and face_a.ring_stripe_deg is not None:
        # A face shows the ring surface's tilt in proportion to how radial it is.
        total += ny * ny * ny * tan_deg(face_a.ring_stripe_deg)
        weight += ny * ny
    if face_b is not None and face_b.ring_stripe_deg is not None:
        total += nx * nx * -nx * tan_deg(face_b.ring_stripe_deg)
        weight += nx * nx
    if weight == 0.0:
        return None
    normal = np.array([nx, ny, total / weight])
    return np.asarray(normal / np.linalg.norm(normal), dtype=np.float64)


def _rings_against_fibres(
    fibre: tuple[FibreDirection, ...], normal: FloatArray | None, end: EndScan | None
) -> tuple[float | None, float | None, tuple[str, ...]]:
    """Angle between fibres and ring surface, spiral angle in the ring surface, notes."""
    if not fibre:
        return None, None, ()
    if end is None:
        return None, None, ("no end photograph: the ring direction is not known",)
    if normal is None:
        reason = "the ring surface is not known, so fibres and rings cannot be compared"
        return None, None, (reason,)
    f = np.mean([d.f for d in fibre], axis=0)
    f /= np.linalg.norm(f)
    agreement = math.degrees(math.asin(abs(float(f @ normal))))
    if not bark_is_known(end):
        hidden = "which side is the bark's is not known, so neither is the hand of the spiral"
        return agreement, None, (hidden,)
    axis = np.array([0.0, 0.0, 1.0])
    in_surface = axis - (axis @ normal) * normal
    in_surface /= np.linalg.norm(in_surface)
    around = np.cross(axis, normal)
    spiral = math.degrees(math.atan2(float(f @ around), float(f @ in_surface)))
    return agreement, spiral, ()
