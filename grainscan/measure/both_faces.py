"""A knot that one face shows, looked for at the same length of the other.

A branch runs from the pith outwards through the blank: what one face shows is seldom far from
the other. Where to look is then known, and less is enough: a chance that holds for the whole
length is so much smaller for a part of it.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from grainscan.measure.knots import FALSE_ALARM, LEAST_CHANCE, enough_clear, in_trouble
from grainscan.results import FaceScan, LocalTrouble

__all__ = ["told_by_the_other", "with_trouble_of_both"]

NEAR_WIDTHS = 0.5
"""A place on the other face is the same if it is this near along the length, in widths: a branch
leans little between two faces."""

SURELY = 0.999
"""A chance of 1 says nothing of how many places would show as much; this much says seven."""


def told_by_the_other(
    found: tuple[LocalTrouble, ...],
    faint: tuple[LocalTrouble, ...],
    other: tuple[LocalTrouble, ...],
    *,
    one_width: float,
) -> tuple[LocalTrouble, ...]:
    """Of a face's ``faint`` trouble what is enough beside the ``other`` face's.

    ``found``: what the face shows by itself. ``one_width``: of the face, as a share of its length.
    """
    near = NEAR_WIDTHS * one_width
    told: list[LocalTrouble] = []
    for there in other:
        if in_trouble(np.array([there.at]), (*found, *told), one_width=one_width).any():
            continue
        here = [t for t in faint if abs(t.at - there.at) <= near]
        if not here:
            continue
        likeliest = min(here, key=lambda t: t.false_alarm)
        # As many places as would show as much on the whole face (Poisson), on this stretch of it.
        places = -math.log1p(-min(likeliest.false_alarm, SURELY)) * 2.0 * near
        chance = max(-math.expm1(-places), LEAST_CHANCE)
        if chance <= FALSE_ALARM:
            told.append(dataclasses.replace(likeliest, false_alarm=chance))
    return tuple(told)


def with_trouble_of_both(face: FaceScan | None, other: FaceScan | None) -> FaceScan | None:
    """The face with trouble that the other one told where to look for, its angle away from it."""
    if face is None or other is None or not face.length_over_width:
        return face
    one_width = 1.0 / face.length_over_width
    told = told_by_the_other(
        face.local_trouble, face.faint_trouble, other.local_trouble, one_width=one_width
    )
    if not told:
        return face
    inside = in_trouble(np.array([s.at for s in face.stations]), told, one_width=one_width)
    stations = tuple(
        dataclasses.replace(s, in_trouble=s.in_trouble or bool(here))
        for s, here in zip(face.stations, inside, strict=True)
    )
    trouble = tuple(sorted((*face.local_trouble, *told), key=lambda t: t.at))
    return _away(dataclasses.replace(face, stations=stations, local_trouble=trouble))


def _away(face: FaceScan) -> FaceScan:
    """The face's mean angle without the stations in trouble (see `knots.away_from`)."""
    inside = np.array([s.in_trouble for s in face.stations])
    texture = face.texture
    if texture is None or not enough_clear(inside):
        return face
    angles = np.array([s.angle_deg for s in texture.stations], dtype=np.float64)
    moved = float(angles[~inside].mean()) - texture.angle_deg
    if face.angle_deg is not None and face.low_deg is not None and face.high_deg is not None:
        face = dataclasses.replace(
            face,
            angle_deg=face.angle_deg + moved,
            low_deg=face.low_deg + moved,
            high_deg=face.high_deg + moved,
        )
    away = dataclasses.replace(texture, angle_deg=texture.angle_deg + moved)
    return dataclasses.replace(face, texture=away)
