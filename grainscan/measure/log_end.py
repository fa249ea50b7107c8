"""A whole log's end from one photograph: wood's outline, pith, rings along several radii."""

from __future__ import annotations

import itertools
import math
import statistics
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from grainscan.errors import InputError
from grainscan.measure.log_end_outline import LogOutline, find_log_outline
from grainscan.measure.log_end_pith import LogRings, find_log_rings
from grainscan.measure.log_end_radii import RadiusRings, Strip, read_strip, rings_in_strip
from grainscan.measure.rings_anatomy import Anatomy, species_anatomy
from grainscan.results import PointPx

__all__ = ["LogEnd", "measure_log_end"]

Array = npt.NDArray[np.float64]

RADII = 8
"""Radii that are read, evenly round the pith."""

LEAST_STRENGTH = 0.5
"""Typical evidence (nats per boundary) under which a radius shows no rings."""

SURE_ANATOMY = 0.8

LEAST_RING_PX = 7.0
"""Rings closer than this on the photograph are missed here and there: a boundary is two or three
pixels wide, a phone's sharpening as many again. Their count is then bounded from below only."""

NARROWEST_PX = 4.0
"""A narrower ring has no light between its two boundaries: two pixels' width each."""

MOST_APART = 0.2
"""Counts of two radii of one tree that differ by more than this share do not count all rings."""

LEAST_AGREEMENT = 0.5
"""Share of blocks that must follow the rings; chance gives a sixth."""

MOST_ERROR = 0.08
"""A pith known no better than this (radii of the log, 90 %) is not stated."""


@dataclass(frozen=True, slots=True)
class LogEnd:
    """What a photograph of a log's end shows.

    ``wood_px``, ``bark_px`` (None for a peeled log): outlines on the photograph;
    ``centre_px``, ``radius_px``: circle of the wood under the bark; ``diameter_mm``: of that
    circle, where given. ``pith_px``: None, with a note, where the rings do not show it;
    ``pith_error``: radius of the circle that holds the pith with 90 % chance, as a share of the
    diameter. ``eccentricity``: distance of the pith from the circle's centre over its radius.
    ``radii``: rings along several radii; ``rings``: their middle count, with a 90 % interval
    from how far the radii agree (``rings_high`` None where rings are too fine to bound it);
    ``mean_ring_mm`` over all radii. ``edge_error``: how far the wood's edge may lie from
    ``wood_px`` (95 % of it), as a share of the diameter.
    """

    photo: str
    wood_px: tuple[PointPx, ...]
    bark_px: tuple[PointPx, ...] | None
    centre_px: PointPx
    radius_px: float
    diameter_mm: float | None
    pith_px: PointPx | None
    pith_error: float | None
    eccentricity: float | None
    anatomy: str | None
    anatomy_confidence: float
    radii: tuple[RadiusRings, ...]
    rings: int | None
    rings_low: int | None
    rings_high: int | None
    mean_ring_mm: float | None
    notes: tuple[str, ...] = ()
    edge_error: float = 0.0

    @property
    def mm_per_px(self) -> float | None:
        return None if self.diameter_mm is None else self.diameter_mm / (2 * self.radius_px)

    @property
    def edge_error_mm(self) -> float | None:
        return None if self.diameter_mm is None else self.edge_error * self.diameter_mm

    def outline_mm(self) -> list[tuple[float, float]]:
        """The wood's outline in millimetres from the pith, right and up.

        Raises :class:`InputError` where the scale or the pith is not known.
        """
        scale = self.mm_per_px
        if scale is None:
            raise InputError("give the log's diameter under the bark, so that sizes are known")
        if self.pith_px is None:
            raise InputError(
                "the pith is not known, so the log cannot be laid out: say where it is"
            )
        x0, y0 = self.pith_px
        return [((x - x0) * scale, (y0 - y) * scale) for x, y in self.wood_px]

    def ring_radius_mm(self, ring: int) -> float | None:
        """Largest distance from the pith of a ring (1 = innermost seen) over the radii, or None.

        A ring lies at one share of the growth all round; its middle share over the radii is not
        misled by a radius on which some were missed.
        """
        scale = self.mm_per_px
        shares = [r.shares[ring - 1] for r in self.radii if len(r.shares) >= ring >= 1]
        if scale is None or not shares:
            return None
        longest = max(r.length for r in self.radii)
        return statistics.median(shares) * longest * self.radius_px * scale

    def to_dict(self) -> dict[str, Any]:
        """Plain lists, dicts, numbers and None, for a JSON file."""

        def points(line: tuple[PointPx, ...] | None) -> list[list[float]] | None:
            return None if line is None else [[round(x, 2), round(y, 2)] for x, y in line]

        return {
            "photo": self.photo,
            "wood_px": points(self.wood_px),
            "bark_px": points(self.bark_px),
            "centre_px": [round(v, 2) for v in self.centre_px],
            "radius_px": round(self.radius_px, 2),
            "diameter_mm": self.diameter_mm,
            "edge_error": round(self.edge_error, 5),
            "pith_px": None if self.pith_px is None else [round(v, 2) for v in self.pith_px],
            "pith_error": None if self.pith_error is None else round(self.pith_error, 4),
            "eccentricity": None if self.eccentricity is None else round(self.eccentricity, 3),
            "anatomy": self.anatomy,
            "rings": self.rings,
            "rings_low": self.rings_low,
            "rings_high": self.rings_high,
            "mean_ring_mm": None if self.mean_ring_mm is None else round(self.mean_ring_mm, 3),
            "radii": [
                {
                    "direction_deg": round(r.direction_deg, 1),
                    "rings": r.rings,
                    "shares": [round(v, 4) for v in r.shares],
                    "confidence": [round(v, 3) for v in r.confidence],
                }
                for r in self.radii
            ],
            "notes": list(self.notes),
        }


def measure_log_end(
    pixels: npt.NDArray[np.uint8],
    *,
    photo: str,
    diameter_mm: float | None = None,
    species: str | None = None,
    pith_px: PointPx | None = None,
) -> LogEnd:
    """Everything the photograph of a log's end shows.

    ``pixels`` (M, N, 3) uint8 RGB; ``diameter_mm``: mean diameter of the wood under the bark;
    ``species``: common name, for the anatomy; ``pith_px``: where a person set the pith. Raises
    :class:`grainscan.errors.BlankNotFoundError` when no log's end is found, and
    :class:`InputError` for a pith outside the wood or a diameter of nothing.
    """
    if diameter_mm is not None and not (diameter_mm > 0 and math.isfinite(diameter_mm)):
        raise InputError("give the log's diameter in mm, above 0")
    outline = find_log_outline(pixels)
    rings = find_log_rings(pixels, outline.wood_px, outline.centre_px, outline.radius_px)
    notes: list[str] = []
    error: float | None = rings.error
    if pith_px is not None:
        rings, error = _by_hand(rings, outline, pith_px), 0.0
    elif rings.error > MOST_ERROR or rings.agreement < LEAST_AGREEMENT:
        notes.append(
            "the pith cannot be told: plane or sand the end, wet it, and photograph it again, or "
            "set the pith by hand"
        )
        return _end(photo, outline, diameter_mm, None, None, None, (), notes)
    edge = _edge(outline, rings)
    strips = [
        read_strip(pixels, outline.centre_px, outline.radius_px, rings, edge, turn)
        for turn in np.arange(RADII) * 2 * np.pi / RADII
    ]
    anatomy = _anatomy(strips, species)
    radii = tuple(
        found
        for strip in strips
        if (found := rings_in_strip(strip, anatomy[0], _length(strip, rings, edge))).strength
        > LEAST_STRENGTH
    )
    if anatomy[1] < SURE_ANATOMY:
        notes.append(f"taken as {anatomy[0]}, but not surely: give the species")
    if len(radii) < RADII // 2:
        notes.append("too few radii show rings to count them: sand the end and wet it")
        radii = ()
    return _end(photo, outline, diameter_mm, rings, error, anatomy, radii, notes)


def _by_hand(rings: LogRings, outline: LogOutline, pith_px: PointPx) -> LogRings:
    import cv2

    line = outline.wood_px.astype(np.float32)[:, None]
    if cv2.pointPolygonTest(line, (float(pith_px[0]), float(pith_px[1])), False) <= 0:
        raise InputError("the pith must lie on the log's end")
    x = (pith_px[0] - outline.centre_px[0]) / outline.radius_px
    y = (outline.centre_px[1] - pith_px[1]) / outline.radius_px
    return LogRings((x, y), (-x, -y), 0.0, rings.agreement, rings.blocks)


def _edge(outline: LogOutline, rings: LogRings) -> Array:
    """The wood's edge as distances from the outermost ring's centre, by even directions."""
    points = (outline.wood_px - np.array(outline.centre_px)) / outline.radius_px
    x = points[:, 0] - rings.pith[0] - rings.drift[0]
    y = -points[:, 1] - rings.pith[1] - rings.drift[1]
    turn = np.arctan2(y, x) % (2 * np.pi)
    order = np.argsort(turn)
    even = np.linspace(0, 2 * np.pi, 361)[:-1]
    return np.asarray(
        np.interp(even, turn[order], np.hypot(x, y)[order], period=2 * np.pi), np.float64
    )


def _length(strip: Strip, rings: LogRings, edge: Array) -> float:
    around = np.linspace(0, 2 * np.pi, len(edge) + 1)
    far = float(np.interp(strip.direction_rad % (2 * np.pi), around, np.append(edge, edge[0])))
    c, d = math.cos(strip.direction_rad), math.sin(strip.direction_rad)
    return math.hypot(rings.drift[0] + far * c, rings.drift[1] + far * d)


def _anatomy(strips: list[Strip], species: str | None) -> tuple[Anatomy, float]:
    """The anatomy that all radii together speak for."""
    known = species_anatomy(species)
    if known is not None:
        return known, 0.99
    total: dict[Anatomy, float] = {}
    for strip in strips:
        for found in strip.anatomies:
            gain = math.log(max(found.confidence, 1e-3)) / len(strips)
            total[found.anatomy] = total.get(found.anatomy, 0.0) + gain
    best = max(total, key=lambda name: total[name])
    return best, math.exp(total[best]) / sum(math.exp(v) for v in total.values())


def _end(
    photo: str,
    outline: LogOutline,
    diameter_mm: float | None,
    rings: LogRings | None,
    error: float | None,
    anatomy: tuple[Anatomy, float] | None,
    radii: tuple[RadiusRings, ...],
    notes: list[str],
) -> LogEnd:
    def line(points: Array | None) -> tuple[PointPx, ...] | None:
        return None if points is None else tuple((float(x), float(y)) for x, y in points)

    pith = eccentricity = None
    if rings is not None:
        x, y = rings.pith
        pith = (
            outline.centre_px[0] + x * outline.radius_px,
            outline.centre_px[1] - y * outline.radius_px,
        )
        eccentricity = math.hypot(x, y)
    count, low, high = _count(radii)
    if high is not None:
        high += math.ceil(_too_narrow(radii, outline.radius_px))
    ring_px = _usual_ring_px(radii, outline.radius_px)
    if ring_px is not None and ring_px < LEAST_RING_PX:
        high = None
        notes.append(
            f"the rings are only {ring_px:.0f} pixels wide and some may be missed: use the phone's "
            "largest picture and fill it with the log's end"
        )
    if count is not None and _disagree(radii, count):
        high = None
        notes.append(
            "the radii count differently, so rings are missed on some: sand the end and wet it"
        )
    mean = None
    if diameter_mm is not None and radii:
        widths = [
            (b - a) * r.length * diameter_mm / 2
            for r in radii
            for a, b in itertools.pairwise(r.shares)
        ]
        mean = statistics.fmean(widths) if widths else None
    elif diameter_mm is None:
        notes.append("no sizes in millimetres: give the log's diameter under the bark")
    return LogEnd(
        photo,
        line(outline.wood_px) or (),
        line(outline.outer_px),
        outline.centre_px,
        outline.radius_px,
        diameter_mm,
        pith,
        None if error is None else error / 2,
        eccentricity,
        None if anatomy is None else anatomy[0],
        0.0 if anatomy is None else anatomy[1],
        radii,
        count,
        low,
        high,
        mean,
        tuple(notes),
        outline.edge_error_px / (2 * outline.radius_px),
    )


def _usual_ring_px(radii: tuple[RadiusRings, ...], radius_px: float) -> float | None:
    widths = [
        (b - a) * r.length * radius_px for r in radii for a, b in itertools.pairwise(r.shares)
    ]
    return statistics.median(widths) if widths else None


def _disagree(radii: tuple[RadiusRings, ...], middle: int) -> bool:
    """Whether radii that cross the same rings count so differently that many must be missed."""
    far = [abs(radius.rings - middle) > MOST_APART * middle for radius in radii]
    return sum(far) > len(radii) / 4


def _too_narrow(radii: tuple[RadiusRings, ...], radius_px: float) -> float:
    """How many rings may be too narrow to be seen, at most (95 %).

    Ring widths are log-normal; of those that are seen the wider half tells their middle and
    spread, and the law how many more lie below what the photograph resolves (Poisson's spread).
    """
    from scipy.special import ndtr

    most = []
    for radius in radii:
        widths = np.diff(radius.shares) * radius.length * radius_px
        if len(widths) < 8:
            continue
        middle, wide = np.quantile(np.log(widths), (0.5, 0.84))
        share = float(ndtr((math.log(NARROWEST_PX) - middle) / max(float(wide - middle), 0.1)))
        unseen = share * len(widths) / (1.0 - min(share, 0.5))
        most.append(unseen + 1.645 * math.sqrt(unseen))
    return statistics.median(most) if most else 0.0


def _count(radii: tuple[RadiusRings, ...]) -> tuple[int | None, int | None, int | None]:
    """The middle count and its 90 % interval: the radii count the same rings of one tree."""
    if not radii:
        return None, None, None
    counts = sorted(r.rings for r in radii)
    middle = round(statistics.median(counts))
    # Standard error of a median of a normal law, from the median absolute deviation.
    apart = 1.4826 * statistics.median(abs(c - middle) for c in counts)
    half = 1.645 * 1.2533 * apart / math.sqrt(len(counts))
    low = min(middle, statistics.median(r.rings_low for r in radii))
    high = max(middle, statistics.median(r.rings_high for r in radii))
    return middle, math.floor(min(low, middle - half)), math.ceil(max(high, middle + half))
