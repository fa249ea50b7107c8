"""Fibres lie in the ring surfaces: what ring lines and the end say of the faces' fibre angles.

With f ∝ (tan b, −tan a, 1) and the ring normal n, f · n = 0. Where a ring surface meets face A its
line has the slope nz/ny, on face B −nz/nx. So at any place

    on face A   tan a = tan(line on A) + (nx/ny) · tan b
    on face B   tan b = tan(line on B) + (ny/nx) · tan a

Neither needs to know the spiral or the log's taper. nx/ny follows from the end photograph: rings
are arcs round a pith that runs along with the fibres, so it is known for the middle of a face and
the middle of the length too. On a radial face it is near zero, and its ring lines are its fibres'
direction however faint the fibres are; on a flat face it is large and nothing is learnt.

All is in tangents of small angles, uncertainties likewise.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.results import NORMAL_90, EndScan, FaceScan

__all__ = [
    "FaceTangents",
    "RingRelation",
    "apart_deg",
    "bark_is_known",
    "ring_relations",
    "with_ring_relations",
]

FloatArray = npt.NDArray[np.float64]

BARK_KNOWN = 0.9
"""Confidence of the bark's side from which an end is heeded. Without it the sign of the rings'
curvature is not known, and an end so hard to read may be misread altogether."""

LEAST_LINE_SIGMA = math.radians(0.2)
"""Standard uncertainty of a face's ring lines that no scatter shows: outline, lens, wavy rings."""

UNEVEN_SHARE = 1.0 / 3.0
"""Ring lines are seen on a part of the face only. Their mean is that of the whole face to within
this share of how much they change over it. From trials with known fibres."""

STEEPEST_LINES_DEG = 15.0
MOST_RATIO = 5.0
"""Beyond either a face is so nearly flat that its ring lines say nothing about its fibres."""

MISLED = 0.1
"""Chance that what was taken for ring lines is something else, and then says nothing."""

MISLED_SIGMA = math.radians(5.0)
UNREAD_SIGMA = math.radians(10.0)
"""Before anything is seen: a blank whose fibres leave it faster is firewood, and looks it."""

CONTRADICTION_SIGMAS = 2.5
"""Beyond this many standard uncertainties faces and end contradict each other (1 in 80)."""


@dataclass(frozen=True, slots=True)
class FaceTangents:
    """Mean fibre slopes of faces A and B, (2,), and their covariance (2, 2)."""

    mean: FloatArray
    covariance: FloatArray

    def sigma_deg(self, face: int) -> float:
        return math.degrees(math.sqrt(self.covariance[face, face]))


@dataclass(frozen=True, slots=True)
class RingRelation:
    """tan(face) = line + ratio · tan(other face). ``face``: 0 for A, 1 for B.

    ``line_sigma``: of the line's slope; ``ratio_sigma``: of the ratio, over the face and its doubt.
    """

    face: int
    line: float
    line_sigma: float
    ratio: float
    ratio_sigma: float

    @property
    def row(self) -> FloatArray:
        row = np.zeros(2)
        row[self.face], row[1 - self.face] = 1.0, -self.ratio
        return row

    def variance(self, of: FaceTangents) -> float:
        other = 1 - self.face
        square = float(of.mean[other] ** 2 + of.covariance[other, other])
        return self.line_sigma**2 + self.ratio_sigma**2 * square


def with_ring_relations(
    texture: FaceTangents, faces: tuple[FaceScan | None, FaceScan | None], end: EndScan | None
) -> FaceTangents:
    """The faces' fibre slopes by their texture and by the ring relations together.

    Each relation may be about something else than rings with a small chance: the answer is the mean
    over all cases, each as likely as it makes what was seen (a mixture of normal laws).
    """
    found = texture
    for _ in range(2):
        # The pith runs along with the fibres, so the ratios hang a little on the answer.
        found = _mixture(texture, ring_relations(found, faces, end), found)
    return found


def _mixture(
    texture: FaceTangents, relations: list[RingRelation], around: FaceTangents
) -> FaceTangents:
    cases = []
    for misled in itertools.product((False, True), repeat=len(relations)):
        mean, covariance, log_chance = texture.mean, texture.covariance, 0.0
        for relation, wrong in zip(relations, misled, strict=True):
            row, variance = relation.row, relation.variance(around)
            log_chance += math.log(MISLED if wrong else 1.0 - MISLED)
            variance += MISLED_SIGMA**2 if wrong else 0.0
            total = float(row @ covariance @ row) + variance
            off = relation.line - float(row @ mean)
            log_chance -= 0.5 * (off**2 / total + math.log(total))
            gain = covariance @ row / total
            mean = mean + gain * off
            covariance = covariance - np.outer(gain, row @ covariance)
        cases.append((log_chance, mean, covariance))
    chance = np.exp(np.array([c[0] for c in cases]) - max(c[0] for c in cases))
    chance /= chance.sum()
    mean = np.sum([p * m for p, (_, m, _) in zip(chance, cases, strict=True)], axis=0)
    spread = [c + np.outer(m - mean, m - mean) for _, m, c in cases]
    return FaceTangents(mean, np.tensordot(chance, np.array(spread), axes=1))


def apart_deg(texture: FaceTangents, relations: list[RingRelation]) -> float:
    """By how much both faces' texture and the end disagree beyond their doubt, degrees; else 0.

    A relation may fail on a sound blank, when other lines were taken for rings; where all that
    there are fail, something was misread and nothing tells what.
    """
    least = math.inf
    for relation in relations:
        row = relation.row
        off = abs(float(row @ texture.mean) - relation.line)
        doubt = math.sqrt(float(row @ texture.covariance @ row) + relation.variance(texture))
        if off <= CONTRADICTION_SIGMAS * doubt:
            return 0.0
        # A relation that hangs on the other face more than on this one shows that one's error.
        least = min(least, off / max(1.0, abs(relation.ratio)))
    return math.degrees(math.atan(least)) if math.isfinite(least) else 0.0


def ring_relations(
    around: FaceTangents, faces: tuple[FaceScan | None, FaceScan | None], end: EndScan | None
) -> list[RingRelation]:
    """The relations that hold, for fibres that run about like ``around``."""
    rings = None if end is None else _rings_at_end(end)
    if rings is None:
        return []
    length, height = _size_in_widths(faces)
    drift = np.array([around.mean[1], -around.mean[0]]) * length
    relations = []
    for number, face in enumerate(faces):
        if face is None or face.ring_stripe_deg is None or face.ring_stripe_sigma_deg is None:
            continue
        if abs(face.ring_stripe_deg) > STEEPEST_LINES_DEG:
            continue
        ratio, ratio_sigma = _ratio(rings, number, height, drift)
        if abs(ratio) > MOST_RATIO:
            continue
        own = math.radians(face.ring_stripe_sigma_deg)
        uneven = UNEVEN_SHARE * math.radians(face.ring_stripe_change_deg)
        relations.append(
            RingRelation(
                face=number,
                line=math.tan(math.radians(face.ring_stripe_deg)),
                line_sigma=math.hypot(LEAST_LINE_SIGMA, own, uneven),
                ratio=ratio,
                ratio_sigma=ratio_sigma,
            )
        )
    return relations


@dataclass(frozen=True, slots=True)
class _RingsAtEnd:
    """Rings about the centre of the marked end: normal's direction (rad), curvature (1/widths)."""

    direction: float
    direction_sigma: float
    curvature: float
    curvature_sigma: float


def bark_is_known(end: EndScan) -> bool:
    """Whether the end tells on which side the bark was, and so which way its rings are curved."""
    return end.ring_series is not None and end.ring_series.bark_confidence >= BARK_KNOWN


def _rings_at_end(end: EndScan) -> _RingsAtEnd | None:
    low, high = end.ring_direction_low_deg, end.ring_direction_high_deg
    series = end.ring_series
    if low is None or high is None or series is None or not bark_is_known(end):
        return None
    # Towards the bark on the end photograph, whose right is −y and whose up is x.
    bark = math.radians(series.bark_direction_deg)
    return _RingsAtEnd(
        direction=math.atan2(-math.cos(bark), math.sin(bark)),
        direction_sigma=math.radians((high - low) / (2 * NORMAL_90)),
        curvature=series.curvature,
        curvature_sigma=(series.curvature_high - series.curvature_low) / (2 * NORMAL_90),
    )


def _size_in_widths(faces: tuple[FaceScan | None, FaceScan | None]) -> tuple[float, float]:
    """Length and height of the blank in widths of face A."""
    of_a, of_b = (None if f is None else f.length_over_width for f in faces)
    length = of_a or of_b or 0.0
    return length, length / of_b if of_b else 1.0


def _ratio(rings: _RingsAtEnd, face: int, height: float, drift: FloatArray) -> tuple[float, float]:
    """nx/ny in the middle of face A (ny/nx of face B), and its uncertainty.

    ``drift`` (2,): how far the fibres, and the pith with them, move over the length in x and y,
    widths. The ratio's scatter over the face counts as doubt: where on the face ring lines and
    fibres were seen best is not known.
    """
    across, back = np.meshgrid([-0.4, -0.2, 0.0, 0.2, 0.4], [0.1, 0.3, 0.5, 0.7, 0.9])

    def ratio(turn: float = 0.0, bend: float = 0.0) -> FloatArray:
        if face == 0:
            x, y = np.full_like(across, height / 2.0), across
        else:
            x, y = across * height, np.full_like(across, 0.5)
        x, y = x + drift[0] * back, y + drift[1] * back
        nx, ny = math.cos(rings.direction + turn), math.sin(rings.direction + turn)
        curvature = rings.curvature + bend
        # From the pith, at −n / curvature, to the place; as a vector of about unit length.
        to_x, to_y = nx + curvature * x, ny + curvature * y
        return np.asarray(to_x / to_y if face == 0 else to_y / to_x)

    middle = tuple(s // 2 for s in across.shape)
    here = ratio()
    turned = (ratio(turn=rings.direction_sigma) - ratio(turn=-rings.direction_sigma))[middle] / 2
    bent = (ratio(bend=rings.curvature_sigma) - ratio(bend=-rings.curvature_sigma))[middle] / 2
    return float(here[middle]), math.hypot(float(turned), float(bent), float(here.std()))
