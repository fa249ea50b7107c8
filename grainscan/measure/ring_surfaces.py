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
    "tan_deg",
    "with_ring_relations",
]

FloatArray = npt.NDArray[np.float64]

BARK_KNOWN = 0.9
"""Confidence of the bark's side from which on the hand of a spiral is told."""

LEAST_LINE_SIGMA = math.radians(0.2)
"""Standard uncertainty of a face's ring lines that no scatter shows: outline, lens, wavy rings."""

UNEVEN_SHARE = 1.0 / 3.0
"""Ring lines are seen on a part of the face only. Their mean is that of the whole face to within
this share of how much they change over it. From trials with known fibres."""

STEEPEST_LINES_DEG = 10.0
MOST_CHANGE_DEG = 4.0
MOST_RATIO = 5.0
"""Beyond any of these a face is so nearly flat that its ring lines say nothing of its fibres."""

MISLED = 0.1
"""Chance that what was taken for ring lines is something else, and then says nothing."""

MISLED_SIGMA = math.radians(5.0)

LINES_READ = 0.003
"""Chance that a face's texture is the ring lines' and not the fibres'. From trials with known
fibres; it matters where both run alike: then either they do, or one was read for the other."""

UNREAD_SIGMA = math.radians(6.0)
"""Before anything is seen: nine blanks in ten that someone took for worth shaving have their fibres
within 1 in 6 of their faces (common practice, no source)."""

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


@dataclass(frozen=True, slots=True)
class _Case:
    """One way in which everything may have come about, and the log of its chance."""

    log_chance: float
    mean: FloatArray
    covariance: FloatArray


def with_ring_relations(
    texture: FaceTangents, faces: tuple[FaceScan | None, FaceScan | None], end: EndScan | None
) -> FaceTangents:
    """The faces' fibre slopes by their texture and by the ring relations together.

    A texture may be the ring lines' and not the fibres', and a relation about something else than
    rings, each with a small chance: the answer is drawn from all cases, each as likely as it
    makes what was seen (a mixture of normal laws).
    """
    if faces == (None, None):
        return texture
    readings = _reading_cases(texture, faces)
    found = texture
    for _ in range(2):
        # The pith runs along with the fibres, so the ratios hang a little on the answer.
        relations = ring_relations(found, faces, end)
        cases = [c for reading in readings for c in _relation_cases(reading, relations, found)]
        found = _told(cases)
    return found


def _reading_cases(
    texture: FaceTangents, faces: tuple[FaceScan | None, FaceScan | None]
) -> list[_Case]:
    """What the texture alone says if it is the fibres' on both faces, on either, or on none."""
    cases = []
    lines = [_lines(face) for face in faces]
    for wrong in itertools.product((False, True), repeat=2):
        mean, covariance = texture.mean.copy(), texture.covariance.copy()
        log_chance = 0.0
        for number, misread in enumerate(wrong):
            seen, variance = float(texture.mean[number]), float(texture.covariance[number, number])
            line = lines[number]
            if not misread:
                log_chance += math.log(1.0 - LINES_READ) + _log_normal(
                    seen, variance + UNREAD_SIGMA**2
                )
            elif line is None or variance >= UNREAD_SIGMA**2:
                log_chance = -math.inf
            else:
                log_chance += math.log(LINES_READ) + _log_normal(
                    seen - line[0], variance + line[1] ** 2
                )
                mean[number], covariance[number, number] = 0.0, UNREAD_SIGMA**2
        if math.isfinite(log_chance):
            cases.append(_Case(log_chance, mean, covariance))
    return cases


def _relation_cases(
    reading: _Case, relations: list[RingRelation], around: FaceTangents
) -> list[_Case]:
    """The reading with each relation holding or not."""
    cases = []
    for misled in itertools.product((False, True), repeat=len(relations)):
        mean, covariance, log_chance = reading.mean, reading.covariance, reading.log_chance
        for relation, wrong in zip(relations, misled, strict=True):
            row, variance = relation.row, relation.variance(around)
            log_chance += math.log(MISLED if wrong else 1.0 - MISLED)
            variance += MISLED_SIGMA**2 if wrong else 0.0
            total = float(row @ covariance @ row) + variance
            off = relation.line - float(row @ mean)
            log_chance += _log_normal(off, total)
            gain = covariance @ row / total
            mean = mean + gain * off
            covariance = covariance - np.outer(gain, row @ covariance)
        cases.append(_Case(log_chance, mean, covariance))
    return cases


def _told(cases: list[_Case]) -> FaceTangents:
    """Medians of the mixture, and normal laws that reach as far as its central nine tenths.

    An unlikely case far away hardly moves either; mean and variance would be the worse for it.
    """
    log_chance = np.array([case.log_chance for case in cases])
    chance = np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    means = np.array([case.mean for case in cases])
    mean = chance @ means
    spread = [c.covariance + np.outer(c.mean - mean, c.mean - mean) for c in cases]
    covariance = np.tensordot(chance, np.array(spread), axes=1)
    middle, reach = np.zeros(2), np.zeros(2)
    for face in (0, 1):
        sigmas = np.sqrt([case.covariance[face, face] for case in cases])
        low, middle[face], high = _quantiles(chance, means[:, face], sigmas, (0.05, 0.5, 0.95))
        reach[face] = max(high - middle[face], middle[face] - low) / NORMAL_90
    scale = reach / np.sqrt(np.diag(covariance))
    return FaceTangents(middle, covariance * np.outer(scale, scale))


def _quantiles(
    chance: FloatArray, means: FloatArray, sigmas: FloatArray, shares: tuple[float, ...]
) -> list[float]:
    """Quantiles of a mixture of normal laws, by halving."""
    from scipy.special import ndtr

    found = []
    for share in shares:
        low, high = float((means - 9.0 * sigmas).min()), float((means + 9.0 * sigmas).max())
        for _ in range(50):
            half = (low + high) / 2.0
            below = float(chance @ ndtr((half - means) / sigmas)) < share
            low, high = (half, high) if below else (low, half)
        found.append((low + high) / 2.0)
    return found


def _log_normal(off: float, variance: float) -> float:
    return -0.5 * (off**2 / variance + math.log(2.0 * math.pi * variance))


def _lines(face: FaceScan | None) -> tuple[float, float] | None:
    """Mean slope of a face's ring lines and its standard uncertainty; None where none are seen."""
    if face is None or face.ring_stripe_deg is None or face.ring_stripe_sigma_deg is None:
        return None
    own = math.radians(face.ring_stripe_sigma_deg)
    uneven = UNEVEN_SHARE * math.radians(face.ring_stripe_change_deg)
    return tan_deg(face.ring_stripe_deg), math.hypot(LEAST_LINE_SIGMA, own, uneven)


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
        lines = _lines(face)
        if face is None or lines is None or face.ring_stripe_change_deg > MOST_CHANGE_DEG:
            continue
        if abs(lines[0]) > tan_deg(STEEPEST_LINES_DEG):
            continue
        ratio, ratio_sigma = _ratio(rings, number, height, drift)
        if abs(ratio) <= MOST_RATIO:
            relations.append(RingRelation(number, *lines, ratio, ratio_sigma))
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
    if low is None or high is None or series is None:
        return None
    # Towards the bark on the end photograph, whose right is −y and whose up is x.
    bark = math.radians(series.bark_direction_deg)
    own = (series.curvature_high - series.curvature_low) / (2 * NORMAL_90)
    # If the bark is on the other side, the curvature has the other sign: mean and scatter of both.
    told = series.bark_confidence
    either = 2.0 * math.sqrt(told * (1.0 - told)) * abs(series.curvature)
    return _RingsAtEnd(
        direction=math.atan2(-math.cos(bark), math.sin(bark)),
        direction_sigma=math.radians((high - low) / (2 * NORMAL_90)),
        curvature=(2.0 * told - 1.0) * series.curvature,
        curvature_sigma=math.hypot(own, either),
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


def tan_deg(angle_deg: float) -> float:
    """Tangent of an angle in degrees: rise over run."""
    return math.tan(math.radians(angle_deg))
