"""The blank as a solid with a fibre field, ready for laying parts into it.

The blank's own frame is straightened: z runs along its axis (the middle line between its edges,
bent as the wood is bent), x out of face A and y out of face B. What the field says:

- the fibres' direction depends on z alone and is the same all over a section. Photographs show
  the surface of two faces and nothing of the inside; a swirl or a knot breaks this;
- between the places where fibres were read, the tangents fx/fz and fy/fz are interpolated
  linearly, and beyond the outermost ones they are held;
- angles are small: lengths along a fibre and along the axis are taken as equal. At a slope of
  1 in 10 that is 0.5 % of a length or a diameter, at 1 in 20 it is 0.12 %.

The section is a rectangle with its sides along x and y. Its width along the length is what the
photographs of the faces show, scaled so that the middle width is the recorded one; a taper and
a camera that is not level look alike in one photograph and both count as taper.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.results import BlankMeasurement, FaceScan, PointPx
from grainscan.workshop.field_errors import FieldErrors, field_errors
from grainscan.workshop.keep_clear import AvoidZone, Core, juvenile_core, trouble_zones

__all__ = ["BlankSolid", "NotKnown", "solid_of"]

FloatArray = npt.NDArray[np.float64]

NODES = 201
"""Places along the length at which the solid is described."""

_SWEEP_DEGREE = 4
# A bend without an inflection needs degree 2, an S-bend 3; splinters and nicks need more.

_GAP_STATIONS = 2.5
# Fibres unread over more than this many station spacings: not interpolated but unknown.


@dataclass(frozen=True, slots=True)
class NotKnown:
    """No answer, and why; false when tested."""

    reason: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, slots=True, eq=False)
class BlankSolid:
    """A blank with its wood and its fibres, at ``NODES`` places along its axis.

    Attributes
    ----------
    z_mm
        (N,) from 0 at the left end to the length.
    walls_mm
        (4, N): lowest x, highest x, lowest y, highest y of the wood, from the axis.
    axis_mm
        (2, N): bend of the axis, x and y from the straight line between its ends.
    slope
        (2, N): tangents fx/fz and fy/fz of the fibres against the axis.
    errors
        What is uncertain in ``slope``.
    unread
        Stretches (from, to) in mm over which no fibres were read.
    avoid
        Zones to keep clear of.
    core
        The juvenile core, where it reaches into the section.
    notes
        What was taken from the pictures for lack of a record.
    """

    name: str
    z_mm: FloatArray
    walls_mm: FloatArray
    axis_mm: FloatArray
    slope: FloatArray
    errors: FieldErrors
    unread: tuple[tuple[float, float], ...] = ()
    avoid: tuple[AvoidZone, ...] = ()
    core: Core | None = None
    notes: tuple[str, ...] = ()

    @property
    def length_mm(self) -> float:
        return float(self.z_mm[-1])

    @property
    def width_mm(self) -> float:
        """Middle width of face A."""
        return float(np.median(self.walls_mm[3] - self.walls_mm[2]))

    @property
    def height_mm(self) -> float:
        """Middle width of face B."""
        return float(np.median(self.walls_mm[1] - self.walls_mm[0]))

    @property
    def drift_mm(self) -> FloatArray:
        """(2, N): how far a fibre has gone from the axis since the left end."""
        return _integral(self.slope, self.z_mm)


def solid_of(
    measurement: BlankMeasurement, *, avoid: Sequence[AvoidZone] = ()
) -> BlankSolid | NotKnown:
    """The blank of a measurement as a solid.

    Returns
    -------
    BlankSolid or NotKnown
        `NotKnown` where the fibres in space or the size of the blank are not known; the reason
        says what to do.

    Notes
    -----
    Knots and swirls found on the faces join ``avoid``.

    A missing width, height or length is taken from the pictures' proportions where one other
    size is known, and said so in ``notes``.
    """
    a, b = measurement.face_a, measurement.face_b
    if a is None or b is None or len(measurement.fibre) < 2 or not (_is_read(a) and _is_read(b)):
        return NotKnown(_no_fibres(measurement))
    size = _size(measurement, a, b)
    if isinstance(size, NotKnown):
        return size
    (height, width, length), notes = size
    z = np.linspace(0.0, length, NODES)
    at = z / length
    # Face B shows x (up in the picture) and the height; face A shows −y (up) and the width.
    axis_x, along_x = _edges(b, length, at)
    axis_y, along_y = _edges(a, length, at)
    half_x, half_y = height * along_x / 2.0, width * along_y / 2.0
    read = np.array([d.at for d in measurement.fibre])
    tangents = np.array([[d.f[0] / d.f[2], d.f[1] / d.f[2]] for d in measurement.fibre])
    return BlankSolid(
        name=measurement.record.blank,
        z_mm=_frozen(z),
        walls_mm=_frozen(np.stack([-half_x, half_x, -half_y, half_y])),
        axis_mm=_frozen(np.stack([axis_x, -axis_y])),
        slope=_frozen(np.stack([np.interp(at, read, tangents[:, k]) for k in (0, 1)])),
        errors=field_errors(b, a, at),
        unread=_unread(read, len(a.stations), length),
        avoid=(*avoid, *trouble_zones(measurement)),
        core=juvenile_core(measurement.end, width, height),
        notes=tuple(notes),
    )


def _is_read(face: FaceScan) -> bool:
    stations = [s for s in face.stations if s.low_deg is not None and s.high_deg is not None]
    return face.low_deg is not None and face.high_deg is not None and len(stations) >= 2


def _no_fibres(measurement: BlankMeasurement) -> str:
    if measurement.failures:
        return measurement.failures[0]
    for letter, face in (("A", measurement.face_a), ("B", measurement.face_b)):
        if face is None:
            return (
                f"The fibres in space are not known without face {letter}: take a photograph of it."
            )
        if face.angle_deg is None:
            return (
                f"The fibres on face {letter} cannot be read, so their direction in space is not "
                "known: take that photograph again."
            )
    return "The fibres in space are not known: take sharper photographs of both faces."


def _size(
    measurement: BlankMeasurement, a: FaceScan, b: FaceScan
) -> tuple[tuple[float, float, float], list[str]] | NotKnown:
    """Height, width and length in mm, with notes on what came from proportions."""
    record, end = measurement.record, measurement.end
    width = record.width_mm or (end.width_mm if end else None)
    height = record.height_mm or (end.height_mm if end else None)
    length = record.length_mm
    ratio_a, ratio_b = _length_over_width(a), _length_over_width(b)
    notes = []
    if length is None and (width is not None or height is not None):
        length = width * ratio_a if width is not None else (height or 0.0) * ratio_b
        notes.append(f"length {length:.0f} mm taken from the picture's proportions: measure it")
    if length is None:
        return NotKnown(
            "The size of the blank is not known: write width_mm, height_mm and length_mm in its "
            "blank.toml or give them on the command line."
        )
    if width is None:
        width = length / ratio_a
        notes.append(f"width {width:.1f} mm taken from the picture's proportions: measure it")
    if height is None:
        height = length / ratio_b
        notes.append(f"height {height:.1f} mm taken from the picture's proportions: measure it")
    return (height, width, length), notes


def _length_over_width(face: FaceScan) -> float:
    top, bottom = _edge_points(face)
    middle = (top + bottom) / 2.0
    length = float(np.linalg.norm(np.diff(middle, axis=0), axis=1).sum())
    return length / float(np.median(np.linalg.norm(bottom - top, axis=1)))


def _edges(face: FaceScan, length_mm: float, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Bend of the middle line upwards in the picture, in mm, and the width over its median."""
    top, bottom = _edge_points(face)
    middle = (top + bottom) / 2.0
    chord = middle[-1] - middle[0]
    chord_px = float(np.linalg.norm(chord))
    up = np.array([chord[1], -chord[0]]) / chord_px
    share = np.linspace(0.0, 1.0, len(middle))
    bend = (middle - middle[0]) @ up * (length_mm / chord_px)
    if len(middle) > 2 * _SWEEP_DEGREE:
        bend = np.polynomial.Polynomial.fit(share, bend, _SWEEP_DEGREE)(share)
    bend = bend - (bend[0] + share * (bend[-1] - bend[0]))
    width = np.linalg.norm(bottom - top, axis=1)
    return np.interp(at, share, bend), np.interp(at, share, width / np.median(width))


def _edge_points(face: FaceScan) -> tuple[FloatArray, FloatArray]:
    if len(face.top_edge_px) >= 2 and len(face.top_edge_px) == len(face.bottom_edge_px):
        return _points(face.top_edge_px), _points(face.bottom_edge_px)
    left_top, right_top, right_bottom, left_bottom = face.outline_px
    return _points((left_top, right_top)), _points((left_bottom, right_bottom))


def _points(points: Sequence[PointPx]) -> FloatArray:
    return np.array(points, dtype=np.float64)


def _unread(read: FloatArray, stations: int, length_mm: float) -> tuple[tuple[float, float], ...]:
    """Stretches without fibres that are too long to interpolate or extrapolate over."""
    widest = _GAP_STATIONS / max(stations, 1)
    bounds = [(0.0, float(read[0])), *itertools.pairwise(read), (float(read[-1]), 1.0)]
    return tuple(
        (float(a) * length_mm, float(b) * length_mm) for a, b in bounds if b - a > widest + 1e-9
    )


def _integral(values: FloatArray, z: FloatArray) -> FloatArray:
    """Trapezoidal integral from the first place, along the last axis."""
    steps = np.diff(z) * (values[..., 1:] + values[..., :-1]) / 2.0
    start = np.zeros((*values.shape[:-1], 1))
    return np.concatenate([start, np.cumsum(steps, axis=-1)], axis=-1)


def _frozen(values: FloatArray) -> FloatArray:
    values = np.array(values, dtype=np.float64)
    values.flags.writeable = False
    return values
