"""The values that pass from step to step: frozen, typed, and free of any measuring code.

Frames (right-handed; millimetres where a scale is known, else blank widths): ``z`` along the
length from the left end to the marked right end, ``x`` out of face A, ``y`` out of face B. On
the photograph of face A, z runs right and −y up; on face B, z runs right and +x up; on the
right-hand end, x runs up and −y right. Angles seen on a face are positive counter-clockwise
in the photograph: the fibres climb as the eye goes right. ``at`` is the share of the length
from the left end, 0 to 1. Pixel points are (x, y) with x right, y down and pixel centres at
integers, in the picture after its EXIF orientation is applied.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any, Literal

__all__ = [
    "NORMAL_90",
    "SCHEMA",
    "BlankMeasurement",
    "BlankRecord",
    "BlankResult",
    "EndScan",
    "FaceScan",
    "FibreDirection",
    "Limit",
    "LocalTrouble",
    "PhotoQuality",
    "PointPx",
    "RingBoundary",
    "RingSeries",
    "SlopeInSpace",
    "SortWord",
    "Station",
    "SteepestPlace",
    "StrengthShare",
    "TextureReading",
]

SCHEMA = 1

NORMAL_90 = 1.6448536269514722
"""Half width of a central 90 % interval in standard deviations of a normal law."""

PointPx = tuple[float, float]
SortWord = Literal["keep", "check", "set aside"]
Orientation = Literal["quartered", "rift", "flat"]


@dataclass(frozen=True, slots=True)
class BlankRecord:
    """What its owner wrote about a blank (``blank.toml``); nothing here is measured.

    ``width_mm`` is the width of face A, ``height_mm`` the width of face B (the section's
    height on the end photograph), ``length_mm`` the length. ``card_check_mm``: what the line of
    the reference card measures as printed. ``card_on_bench``: the card lay on the bench, not level
    with the photographed face.
    """

    blank: str
    species: str | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    length_mm: float | None = None
    part: str | None = None
    made: Literal["riven", "sawn"] | None = None
    text: str | None = None
    card_check_mm: float | None = None
    card_on_bench: bool = False


@dataclass(frozen=True, slots=True)
class PhotoQuality:
    """Whether a photograph is good enough; each note says what to do."""

    ok: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Station:
    """Fibre angle at one place along a face, against the blank's own edges there.

    ``angle_deg`` is None where the texture at that station cannot be read. ``in_trouble``: it
    lies in a knot's or a swirl's stretch and has no say in the face's angle.
    """

    at: float
    angle_deg: float | None
    low_deg: float | None
    high_deg: float | None
    in_trouble: bool = False


@dataclass(frozen=True, slots=True)
class LocalTrouble:
    """A knot, or a swirl of fibres round one that lies beside or under the face.

    ``at``: its middle; ``start``, ``stop``: the disturbed stretch (shares of the length).
    ``offset``: of its middle from the middle of the width, in widths, up in the photograph
    positive; ±0.5 where it lies at or beyond an edge. ``radius``: of the knot, in widths.
    ``false_alarm``: chance that a face without trouble shows as much anywhere, or beside the other
    face's if that told where to look. ``at_mm`` from the left end and ``radius_mm``: None where no
    scale is known.
    """

    what: Literal["knot", "swirl"]
    at: float
    start: float
    stop: float
    offset: float
    radius: float
    false_alarm: float
    at_mm: float | None = None
    radius_mm: float | None = None

    def to_dict(self) -> dict[str, Any]:
        return {
            "what": self.what,
            "at": _r(self.at, 4),
            "from": _r(self.start, 4),
            "to": _r(self.stop, 4),
            "offset_widths": _r(self.offset),
            "radius_widths": _r(self.radius),
            "at_mm": _r(self.at_mm, 1),
            "radius_mm": _r(self.radius_mm, 1),
            "false_alarm": _r(self.false_alarm, 6),
        }


@dataclass(frozen=True, slots=True)
class TextureReading:
    """What a face's fine texture says by itself, before ring lines and the end are heeded.

    ``angle_deg`` and its standard uncertainty ``sigma_deg``: the mean over the face; ``stations``:
    along it, each with its 90 % interval, however wide.
    """

    angle_deg: float
    sigma_deg: float
    stations: tuple[Station, ...]


@dataclass(frozen=True, slots=True)
class FaceScan:
    """What one face photograph shows.

    ``outline_px``: corners left-top, right-top, right-bottom, left-bottom. ``top_edge_px`` and
    ``bottom_edge_px``: the long edges as polylines from left to right, evenly spaced along
    the length (for drawing; not part of the JSON result). ``size_mm``: length and width by the
    reference card in the picture, None without one (a note says it). Angles carry 90 % intervals
    and are None, with a note, where the face cannot be read. ``local_trouble``: knots and swirls,
    from left to right; the face's angle is that of the wood away from them. ``texture``: None where
    the fine texture says nothing. ``ring_stripe_deg``: mean slope of the ring lines on the face,
    with its standard uncertainty ``ring_stripe_sigma_deg``; ``ring_stripe_change_deg``: how much
    it changes over the face (standard deviation). ``length_over_width``: of this face.
    ``faint_trouble``: too faint to be told by this face alone.
    """

    photo: str
    outline_px: tuple[PointPx, PointPx, PointPx, PointPx]
    angle_deg: float | None
    low_deg: float | None
    high_deg: float | None
    sweep_mm: float | None
    ring_stripe_deg: float | None
    stations: tuple[Station, ...]
    photo_quality: PhotoQuality
    top_edge_px: tuple[PointPx, ...] = ()
    bottom_edge_px: tuple[PointPx, ...] = ()
    notes: tuple[str, ...] = ()
    size_mm: tuple[float, float] | None = None
    local_trouble: tuple[LocalTrouble, ...] = ()
    texture: TextureReading | None = None
    ring_stripe_sigma_deg: float | None = None
    ring_stripe_change_deg: float = 0.0
    length_over_width: float | None = None
    faint_trouble: tuple[LocalTrouble, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {
            "photo": self.photo,
            "outline_px": [[_r(x, 2), _r(y, 2)] for x, y in self.outline_px],
            "angle_deg": _r(self.angle_deg),
            "low_deg": _r(self.low_deg),
            "high_deg": _r(self.high_deg),
            "sweep_mm": _r(self.sweep_mm, 2),
            "ring_stripe_deg": _r(self.ring_stripe_deg),
            "stations": [
                {
                    "at": _r(s.at, 4),
                    "angle_deg": _r(s.angle_deg),
                    "low_deg": _r(s.low_deg),
                    "high_deg": _r(s.high_deg),
                    "in_trouble": s.in_trouble,
                }
                for s in self.stations
            ],
            "local_trouble": [trouble.to_dict() for trouble in self.local_trouble],
            "photo_quality": {
                "ok": self.photo_quality.ok,
                "notes": list(self.photo_quality.notes),
            },
        }


@dataclass(frozen=True, slots=True)
class RingBoundary:
    """One traced ring boundary on the end.

    ``at``: where it crosses the line through the section's centre at right angles to the rings,
    in section widths from the centre, growing towards the bark (towards ``bark_direction_deg``
    of the series). ``confidence``: chance, 0 to 1, that it is a ring boundary at that place.
    ``along_a``, ``along_b``: its crossings with the centre lines, as in :class:`EndScan`.
    ``line_px``: the traced curve on the photograph. ``by_hand``: added by a person. ``times``:
    how often it crosses that line inside the section (twice where it runs round the pith).
    """

    at: float
    confidence: float
    along_a: tuple[float, ...] = ()
    along_b: tuple[float, ...] = ()
    line_px: tuple[PointPx, ...] = ()
    by_hand: bool = False
    times: int = 1


@dataclass(frozen=True, slots=True)
class RingSeries:
    """The rings of an end in order, oldest first (from the pith side to the bark side).

    ``boundaries``: those that cross the line through the centre; a ring lies between two of
    them. ``anatomy``: "ring-porous", "diffuse-porous" or "softwood", with its confidence.
    ``bark_direction_deg``: towards the bark at the centre, counter-clockwise from the right, in
    (−180, 180]; ``bark_confidence``: chance that the bark is on that side and not on the other
    (then the series runs from young to old). ``curvature`` of the rings at the centre, in
    1 / section widths, and its 90 % interval; negative values of the interval mean a pith on
    the other side. ``pith_distance_low``/``_high``: 90 % interval of the distance from the
    centre to the pith, in section widths; None where nothing bounds it. ``rings_low``,
    ``rings_high``: 90 % interval of the count. ``latewood_shares``: per ring, None where it
    cannot be told. ``notes``: doubts, each saying why.
    """

    boundaries: tuple[RingBoundary, ...]
    anatomy: str
    anatomy_confidence: float
    bark_direction_deg: float
    bark_confidence: float
    curvature: float
    curvature_low: float
    curvature_high: float
    pith_distance_low: float | None
    pith_distance_high: float | None
    rings_low: int
    rings_high: int
    latewood_shares: tuple[float | None, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def widths(self) -> tuple[float, ...]:
        """Ring widths in section widths, oldest first."""
        at = [boundary.at for boundary in self.boundaries]
        return tuple(b - a for a, b in itertools.pairwise(at))


@dataclass(frozen=True, slots=True)
class EndScan:
    """What the photograph of the marked end shows.

    ``ring_direction_deg``: direction of the rings' trace at the centre of the section,
    counter-clockwise from face A's edge, in (−90, 90]; with its 90 % interval.
    ``boundaries_along_a``: crossings of ring boundaries with the centre line parallel to face
    A's edge, as shares 0 to 1 from the left; ``boundaries_along_b``: with the centre line
    parallel to face B's edge, from the top. ``rings``: ring boundaries along the line through
    the centre at right angles to the rings. ``pith``: position in section widths from the
    section's centre (right, up), None where the rings are too straight to tell.
    ``boundary_lines_px``: each traced boundary as a polyline on the photograph (for drawing).
    """

    photo: str
    outline_px: tuple[PointPx, PointPx, PointPx, PointPx]
    width_mm: float | None
    height_mm: float | None
    ring_direction_deg: float | None
    ring_direction_low_deg: float | None
    ring_direction_high_deg: float | None
    orientation: Orientation | None
    rings: int | None
    mean_ring_mm: float | None
    rings_per_inch: float | None
    latewood_share: float | None
    boundaries_along_a: tuple[float, ...]
    boundaries_along_b: tuple[float, ...]
    pith: tuple[float, float] | None
    photo_quality: PhotoQuality
    boundary_lines_px: tuple[tuple[PointPx, ...], ...] = ()
    notes: tuple[str, ...] = ()
    ring_series: RingSeries | None = None

    def to_dict(self) -> dict[str, Any]:
        return {
            "photo": self.photo,
            "outline_px": [[_r(x, 2), _r(y, 2)] for x, y in self.outline_px],
            "width_mm": _r(self.width_mm, 2),
            "height_mm": _r(self.height_mm, 2),
            "ring_direction_deg": _r(self.ring_direction_deg),
            "ring_direction_low_deg": _r(self.ring_direction_low_deg),
            "ring_direction_high_deg": _r(self.ring_direction_high_deg),
            "orientation": self.orientation,
            "rings": self.rings,
            "mean_ring_mm": _r(self.mean_ring_mm),
            "rings_per_inch": _r(self.rings_per_inch, 2),
            "latewood_share": _r(self.latewood_share),
            "boundaries": {
                "along_a": [_r(v, 4) for v in self.boundaries_along_a],
                "along_b": [_r(v, 4) for v in self.boundaries_along_b],
            },
            "pith": None if self.pith is None else [_r(v) for v in self.pith],
            "pith_distance_low": None
            if self.ring_series is None
            else _r(self.ring_series.pith_distance_low),
            "pith_distance_high": None
            if self.ring_series is None
            else _r(self.ring_series.pith_distance_high),
            "photo_quality": {
                "ok": self.photo_quality.ok,
                "notes": list(self.photo_quality.notes),
            },
        }


@dataclass(frozen=True, slots=True)
class SteepestPlace:
    """The station with the steepest slope; ``low_deg``: lower end of its own 90 % interval."""

    at: float
    angle_deg: float
    low_deg: float | None = None


@dataclass(frozen=True, slots=True)
class SlopeInSpace:
    """General slope of grain in space, tan θ = √(tan² a + tan² b), with its 90 % interval.

    With one face only it is that face's angle and a lower bound: ``lower_bound_only``, and
    ``high_deg`` is None because nothing bounds the slope from above.
    """

    angle_deg: float
    low_deg: float
    high_deg: float | None
    steepest: SteepestPlace
    lower_bound_only: bool

    @property
    def one_in(self) -> float | None:
        """N of "1 in N"; None for a slope that rounds to nothing (N above 9999)."""
        tangent = math.tan(math.radians(self.angle_deg))
        return 1.0 / tangent if tangent > 1e-4 else None

    def to_dict(self) -> dict[str, Any]:
        return {
            "angle_deg": _r(self.angle_deg),
            "low_deg": _r(self.low_deg),
            "high_deg": _r(self.high_deg),
            "one_in": _r(self.one_in, 1),
            "steepest": {
                "at": _r(self.steepest.at, 4),
                "angle_deg": _r(self.steepest.angle_deg),
            },
            "lower_bound_only": self.lower_bound_only,
        }


@dataclass(frozen=True, slots=True)
class FibreDirection:
    """Unit fibre direction (fx, fy, fz), fz > 0, at a place along the blank."""

    at: float
    f: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class BlankMeasurement:
    """Everything the photographs of one blank show; no limit and no judgement in it.

    ``failures``: one line per photograph that could not be used because its file is bad, and
    one if no face at all could be measured; each is in ``notes`` too.
    """

    record: BlankRecord
    face_a: FaceScan | None
    face_b: FaceScan | None
    end: EndScan | None
    slope: SlopeInSpace | None
    fibre: tuple[FibreDirection, ...]
    ring_fibre_agreement_deg: float | None
    spiral_deg: float | None
    notes: tuple[str, ...] = ()
    failures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Limit:
    """Steepest slope of grain allowed, as N of "1 in N", and where the number comes from."""

    one_in: float
    source: str

    @property
    def angle_deg(self) -> float:
        return math.degrees(math.atan(1.0 / self.one_in))


@dataclass(frozen=True, slots=True)
class StrengthShare:
    """Shares (0 to 1) of straight-grained clear strength kept at the measured slope."""

    bending: float
    impact: float
    compression: float
    source: str


@dataclass(frozen=True, slots=True)
class BlankResult:
    """A measured blank, judged against a limit."""

    measurement: BlankMeasurement
    limit: Limit
    strength: StrengthShare | None
    sort: SortWord
    because: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of schema 1: plain lists, dicts, numbers, strings and None."""
        m = self.measurement
        return {
            "schema": SCHEMA,
            "blank": m.record.blank,
            "sort": self.sort,
            "because": list(self.because),
            "limit": {"one_in": _r(self.limit.one_in, 2), "source": self.limit.source},
            "slope": None if m.slope is None else m.slope.to_dict(),
            "strength": None
            if self.strength is None
            else {
                "bending": _r(self.strength.bending),
                "impact": _r(self.strength.impact),
                "compression": _r(self.strength.compression),
                "source": self.strength.source,
            },
            "faces": {
                "a": None if m.face_a is None else m.face_a.to_dict(),
                "b": None if m.face_b is None else m.face_b.to_dict(),
            },
            "end": None if m.end is None else m.end.to_dict(),
            "fibre": [{"at": _r(d.at, 4), "f": [_r(c, 5) for c in d.f]} for d in m.fibre],
            "ring_fibre_agreement_deg": _r(m.ring_fibre_agreement_deg),
            "spiral_deg": _r(m.spiral_deg),
            "notes": list(m.notes),
            "species": m.record.species,
        }


def _r(value: float | None, digits: int = 3) -> float | None:
    """Round for the JSON file; a non-finite number is a defect and is refused."""
    if value is None:
        return None
    if not math.isfinite(value):
        raise ValueError(f"a result holds {value!r}; missing knowledge must be None with a note")
    return round(float(value), digits)
