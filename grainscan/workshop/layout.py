"""A part laid into a blank: where its axis runs, how much wood is round it, how the fibres lie.

Along the blank z counts from its left end. A part is laid either **along the fibres** (its axis
is a fibre line, so the made part curves with the wood) or **straight**. Its axis is given by its
distance from the blank's own axis; sections are taken square to the blank's length, which makes a
part thinner by 0.5 % at a slope of 1 in 10 and by 0.12 % at 1 in 20.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from grainscan.workshop.keep_clear import Face
from grainscan.workshop.part_sections import half_extents_mm
from grainscan.workshop.parts import Part, PartSamples, sample_part
from grainscan.workshop.solid import BlankSolid

__all__ = ["Placement", "Way", "free_stretches", "place_part", "walls_at"]

FloatArray = npt.NDArray[np.float64]
Side = Literal["x above", "x below", "y above", "y below"]

SIDES: tuple[Side, ...] = ("x above", "x below", "y above", "y below")
_FACES: tuple[Face, ...] = ("opposite A", "A", "opposite B", "B")
# In the order of the walls: lowest x, highest x, lowest y, highest y.


@dataclass(frozen=True, slots=True)
class Way:
    """How a part lies in a blank, apart from where.

    ``reversed``: its start is at the blank's right end. ``turn_deg``: about its own axis; at 0 its
    depth lies along x, out of face A. ``core_side``: the side of the juvenile core on which it
    stays, None where there is no core in the section.
    """

    along_fibres: bool
    reversed: bool
    turn_deg: float
    core_side: Side | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """A part in its place; arrays are (N,) or (2, N) for x and y, at places ``z_mm``.

    Attributes
    ----------
    z_mm
        Along the blank, from its left end.
    s_mm
        The same places along the part, from the part's start.
    line_mm
        The part's axis from the blank's axis, in the straightened frame.
    half_mm
        Half the room the part takes along x and y.
    slope
        Tangents of the fibres against the part's axis.
    spare_mm
        Wood between the part and the blank's faces at the tightest place, negative if it sticks
        out; ``tightest_mm`` along the blank, towards ``tightest_face``.
    bend_mm
        How far the finished part's axis bends from the straight line between its ends.
    """

    part: Part
    way: Way
    z_mm: FloatArray
    s_mm: FloatArray
    line_mm: FloatArray
    half_mm: FloatArray
    slope: FloatArray
    spare_mm: float
    tightest_mm: float
    tightest_face: Face
    bend_mm: float
    blank_length_mm: float

    @property
    def start_mm(self) -> float:
        return float(self.z_mm[0])

    @property
    def cut_off_mm(self) -> tuple[float, float]:
        """Lengths cut off at the blank's left and right end."""
        return float(self.z_mm[0]), self.blank_length_mm - float(self.z_mm[-1])

    @property
    def steepest(self) -> tuple[float, float]:
        """Steepest tangent of the fibres against the part's axis, and where along the blank."""
        tangents = np.hypot(self.slope[0], self.slope[1])
        k = int(np.argmax(tangents))
        return float(tangents[k]), float(self.z_mm[k])


def place_part(
    solid: BlankSolid,
    part: Part,
    way: Way,
    *,
    start_mm: float,
    centre_mm: tuple[float, float],
    tilt: tuple[float, float] = (0.0, 0.0),
    samples: PartSamples | None = None,
) -> Placement:
    """Lay a part into a blank.

    Parameters
    ----------
    start_mm
        Where the part begins along the blank.
    centre_mm
        x and y of its axis at the middle of its length: from the blank's axis if it is laid along
        the fibres, else from the straight line between the ends of the blank's axis.
    tilt
        Tangents of a straight part's axis against that straight line, in x and y.

    Raises
    ------
    ValueError
        The part reaches beyond the blank.
    """
    sampled = samples or sample_part(part)
    if start_mm < -1e-6 or start_mm + part.length_mm > solid.length_mm + 1e-6:
        raise ValueError("the part reaches beyond the blank's ends")
    s, half_x, half_y = _along(part, sampled, way)
    z = np.clip(start_mm + s, 0.0, solid.length_mm)
    middle = start_mm + part.length_mm / 2.0
    centre = np.array(centre_mm)[:, None]
    axis = _at(solid, solid.axis_mm, z)
    fibre = _at(solid, solid.slope, z)
    if way.along_fibres:
        drift = solid.drift_mm
        line = centre + _at(solid, drift, z) - _at(solid, drift, np.array([middle]))
        slope = np.zeros_like(fibre)
        bend = _bend_mm(z, line + axis)
    else:
        line = centre + np.array(tilt)[:, None] * (z - middle) - axis
        slope = fibre + _at(solid, axis_tangents(solid), z) - np.array(tilt)[:, None]
        bend = 0.0
    half = np.stack([half_x, half_y])
    spare = spare_along(walls_at(solid, z, way), line, half)
    wall, place = np.unravel_index(int(np.argmin(spare)), spare.shape)
    return Placement(
        part=part,
        way=way,
        z_mm=z,
        s_mm=part.length_mm - s if way.reversed else s,
        line_mm=line,
        half_mm=half,
        slope=slope,
        spare_mm=float(spare[wall, place]),
        tightest_mm=float(z[place]),
        tightest_face=_FACES[int(wall)],
        bend_mm=bend,
        blank_length_mm=solid.length_mm,
    )


def walls_at(solid: BlankSolid, z: FloatArray, way: Way) -> FloatArray:
    """Walls (4, ...) of the wood that may be used at places ``z`` of any shape.

    Zones below a face and the juvenile core narrow them; zones through the whole section are
    left to `free_stretches`. A zone reaches half the spacing of the places further, so that
    none falls between two of them.
    """
    walls = np.stack([np.interp(z, solid.z_mm, wall) for wall in solid.walls_mm])
    half = float(np.diff(z, axis=-1).max(initial=0.0)) / 2.0
    for zone in solid.avoid:
        if zone.face is None or zone.depth_mm is None:
            continue
        start, stop = zone.start * solid.length_mm - half, zone.stop * solid.length_mm + half
        within = (z >= start) & (z <= stop)
        k = _FACES.index(zone.face)
        inward = zone.depth_mm if k in (0, 2) else -zone.depth_mm
        walls[k] = np.where(within, walls[k] + inward, walls[k])
    core = solid.core
    if core is not None and way.core_side is not None:
        centre, above = (core.x_mm, core.y_mm)[way.core_side[0] == "y"], "above" in way.core_side
        k = (0 if way.core_side[0] == "x" else 2) + (0 if above else 1)
        bound = centre + core.radius_mm if above else centre - core.radius_mm
        walls[k] = np.maximum(walls[k], bound) if above else np.minimum(walls[k], bound)
    return walls


def spare_along(walls: FloatArray, line: FloatArray, half: FloatArray) -> FloatArray:
    """Wood (4, N) between a part and each wall."""
    return np.stack(
        [
            line[0] - half[0] - walls[0],
            walls[1] - line[0] - half[0],
            line[1] - half[1] - walls[2],
            walls[3] - line[1] - half[1],
        ]
    )


def free_stretches(solid: BlankSolid, length_mm: float) -> list[tuple[float, float]]:
    """Stretches (from, to) of starts at which a part of that length is clear of all zones.

    Zones through the whole section and stretches where no fibres were read are kept clear of.
    """
    closed = [
        (zone.start * solid.length_mm, zone.stop * solid.length_mm)
        for zone in solid.avoid
        if zone.face is None
    ]
    free = []
    start = 0.0
    for a, b in sorted([*closed, *solid.unread]):
        if a - start >= length_mm:
            free.append((start, a - length_mm))
        start = max(start, b)
    if solid.length_mm - start >= length_mm:
        free.append((start, solid.length_mm - length_mm))
    return free


def axis_tangents(solid: BlankSolid) -> FloatArray:
    """Tangents (2, N) of the blank's bent axis against the straight line between its ends."""
    return np.asarray(np.gradient(solid.axis_mm, solid.z_mm, axis=1))


def _along(part: Part, samples: PartSamples, way: Way) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places from the part's left end in the blank, and half extents there."""
    half_x, half_y = half_extents_mm(part.shape, samples.width_mm, samples.depth_mm, way.turn_deg)
    if way.reversed:
        return part.length_mm - samples.s_mm[::-1], half_x[::-1], half_y[::-1]
    return samples.s_mm, half_x, half_y


def _at(solid: BlankSolid, values: FloatArray, z: FloatArray) -> FloatArray:
    return np.stack([np.interp(z, solid.z_mm, row) for row in values])


def _bend_mm(z: FloatArray, curve: FloatArray) -> float:
    share = (z - z[0]) / (z[-1] - z[0])
    chord = curve[:, :1] + share * (curve[:, -1:] - curve[:, :1])
    return float(np.hypot(*(curve - chord)).max())
