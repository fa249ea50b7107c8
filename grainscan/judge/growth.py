"""What the rings say about the wood: growth-rate rules, orientation class, juvenile wood.

Each rule names the group of species it holds for and where it comes from. A rule remembered and
not read again says "from memory". Rings per inch are counted along a radial line.
"""

from __future__ import annotations

import csv
import io
import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from grainscan.errors import InputError
from grainscan.results import EndScan, RingSeries

__all__ = [
    "ORIENTATION_SCHEMES",
    "FacesByRings",
    "GrowthNote",
    "OrientationScheme",
    "Run",
    "faces_by_rings",
    "growth_notes",
    "juvenile_note",
    "orientation_class",
    "ring_width_trend",
    "ring_widths_csv",
    "slowest_and_fastest",
]

MM_PER_INCH = 25.4
Verdict = Literal["good", "doubtful", "no rule"]

MO312 = 'US Navy inspection manual MO-312, "Growth increments"'
RECORD = "S. J. Record, The Mechanical Properties of Wood, 1914, rate of growth"
BULLETIN80 = (
    "S. J. Record, The Mechanical Properties of Wood, 1914, quoting US Forest Service "
    "Bulletin 80, pp. 48–50"
)
D245 = "ASTM D245, growth-rate classes; limits from memory"


@dataclass(frozen=True, slots=True)
class GrowthNote:
    """One published rule applied: the group it holds for, the finding and its source."""

    verdict: Verdict
    group: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class OrientationScheme:
    """Limits of the classes by the angle between the rings and the face, degrees.

    ``flat_below``: flat under this angle; ``quartered_from``: quartered from this angle on; rift
    between the two.
    """

    name: str
    flat_below: float
    quartered_from: float
    source: str


ORIENTATION_SCHEMES: Mapping[str, OrientationScheme] = MappingProxyType(
    {
        "architectural": OrientationScheme(
            "architectural woodwork, 0–30–60–90°",
            30.0,
            60.0,
            "architectural woodwork scheme, as quoted by practitioners; standard not read",
        ),
        "two-class": OrientationScheme(
            "flat or edge-grained, 45°",
            45.0,
            45.0,
            "US Navy manual MO-111, glossary (edge-grained 45–90°)",
        ),
        "supplier": OrientationScheme(
            "one hardwood supplier, 0–45–75–90°",
            45.0,
            75.0,
            "a hardwood supplier's red oak sheet",
        ),
    }
)


def orientation_class(
    ring_direction_deg: float, scheme: str = "architectural"
) -> Literal["flat", "rift", "quartered"]:
    """Class of face A from the rings' direction against it; face B swaps flat and quartered.

    ``ring_direction_deg``: as in :class:`grainscan.results.EndScan`. Raises
    :class:`InputError` for an unknown scheme.
    """
    if scheme not in ORIENTATION_SCHEMES:
        known = ", ".join(sorted(ORIENTATION_SCHEMES))
        raise InputError(f"there is no orientation scheme {scheme!r}; use one of {known}")
    limits = ORIENTATION_SCHEMES[scheme]
    angle = abs(ring_direction_deg)
    if angle < limits.flat_below:
        return "flat"
    return "quartered" if angle >= limits.quartered_from else "rift"


@dataclass(frozen=True, slots=True)
class FacesByRings:
    """Which faces are nearly radial, and which look to the bark and to the pith.

    Faces are "A", "B", "opposite A", "opposite B". ``radial`` holds the pair whose surface is
    within 30° of the rays, empty when the section is rift both ways. ``bark``, ``pith``: the face
    that looks most that way; None where the bark side is not known.
    """

    radial: tuple[str, ...]
    bark: str | None
    pith: str | None


LEAST_BARK_CONFIDENCE = 0.9


def faces_by_rings(end: EndScan) -> FacesByRings:
    """Radial faces, bark face and pith face of a section from its rings."""
    if end.ring_direction_deg is None:
        return FacesByRings((), None, None)
    angle = abs(end.ring_direction_deg)
    radial: tuple[str, ...] = ()
    if angle >= 60.0:
        radial = ("A", "opposite A")
    elif angle < 30.0:
        radial = ("B", "opposite B")
    series = end.ring_series
    if series is None or series.bark_confidence < LEAST_BARK_CONFIDENCE:
        return FacesByRings(radial, None, None)
    # On the end photograph face A is on top, B on the left; directions run from the right.
    around = ("opposite B", "A", "B", "opposite A")
    index = round(series.bark_direction_deg / 90.0) % 4
    return FacesByRings(radial, around[index], around[(index + 2) % 4])


def growth_notes(
    anatomy: str,
    rings_per_inch: float,
    latewood_share: float | None,
    species: str | None = None,
) -> tuple[GrowthNote, ...]:
    """The published growth-rate rules that hold for this wood, applied.

    ``anatomy``: "ring-porous", "diffuse-porous" or "softwood"; ``latewood_share``: 0 to 1 where
    known. Raises :class:`InputError` for an unknown anatomy.
    """
    name = (species or "").lower()
    if anatomy == "softwood":
        notes = [_softwood(rings_per_inch, latewood_share)]
        if "douglas" in name:
            notes.append(_douglas_fir(rings_per_inch))
        return tuple(notes)
    if anatomy == "ring-porous":
        notes = [_ring_porous(rings_per_inch)]
        if "hickory" in name or "pecan" in name:
            notes.append(_hickory(rings_per_inch))
        return tuple(notes)
    if anatomy == "diffuse-porous":
        return (
            GrowthNote(
                "no rule",
                "diffuse-porous woods",
                "no general rule ties ring width to strength in diffuse-porous woods",
                "from memory",
            ),
        )
    raise InputError(f"there is no anatomy called {anatomy!r}")


def _softwood(rings: float, latewood: float | None) -> GrowthNote:
    group = "softwoods"
    if rings >= 4 and latewood is not None and latewood >= 1 / 2:
        text = f"dense: {rings:.1f} rings per inch (≥ 4) with {latewood:.0%} latewood (≥ 1/2)"
        return GrowthNote("good", group, text, MO312)
    if rings >= 6 and latewood is not None and latewood >= 1 / 3:
        text = f"dense: {rings:.1f} rings per inch (≥ 6) with {latewood:.0%} latewood (≥ 1/3)"
        return GrowthNote("good", group, text, D245)
    if 6 <= rings <= 30 or (rings >= 5 and latewood is not None and latewood >= 1 / 3):
        text = f"close grain: {rings:.1f} rings per inch (6 to 30, or 5 with ≥ 1/3 latewood)"
        return GrowthNote("good", group, text, D245)
    if rings >= 4:
        kind = "more than 30" if rings > 30 else "at least 4"
        text = f"medium grain: {rings:.1f} rings per inch ({kind})"
        return GrowthNote("doubtful", group, text, D245)
    text = f"{rings:.1f} rings per inch: below the 4 of medium grain; fast, light growth"
    return GrowthNote("doubtful", group, text, D245)


def _douglas_fir(rings: float) -> GrowthNote:
    group = "Douglas-fir"
    if rings < 8:
        return GrowthNote("doubtful", group, f"{rings:.1f} rings per inch: relatively weak", RECORD)
    if 12 <= rings <= 16:
        return GrowthNote("good", group, f"{rings:.1f} rings per inch: the best range", RECORD)
    if rings > 24:
        text = f"{rings:.1f} rings per inch: over 24, where strength has fallen to its floor"
        return GrowthNote("doubtful", group, text, RECORD)
    text = f"{rings:.1f} rings per inch: between the weak and the best range (12 to 16)"
    return GrowthNote("good", group, text, RECORD)


def _ring_porous(rings: float) -> GrowthNote:
    return GrowthNote(
        "no rule",
        "ring-porous hardwoods",
        f"rings of {MM_PER_INCH / rings:.1f} mm: within limits wider rings are heavier, harder and "
        "stronger here, the reverse of softwoods; no fixed limit is published",
        RECORD,
    )


def _hickory(rings: float) -> GrowthNote:
    group = "hickory"
    if rings < 5:
        text = f"{rings:.1f} rings per inch: faster than first-class stock (5 to 20)"
        return GrowthNote("doubtful", group, text, BULLETIN80)
    if rings <= 14:
        text = f"{rings:.1f} rings per inch: highest shock resistance (5 to 14)"
        return GrowthNote("good", group, text, BULLETIN80)
    if rings <= 20:
        text = f"{rings:.1f} rings per inch: first-class stock, highest bending strength (14 to 20)"
        return GrowthNote("good", group, text, BULLETIN80)
    if rings <= 38:
        text = f"{rings:.1f} rings per inch: slower than first-class stock (5 to 20)"
        return GrowthNote("doubtful", group, text, BULLETIN80)
    text = f"{rings:.1f} rings per inch: over 38, where shock resistance falls fast"
    return GrowthNote("doubtful", group, text, BULLETIN80)


JUVENILE_RINGS = 15
"""Rings from the pith taken as juvenile: "first 15 years" (G. Wengert, trade Q&A, 2018); the Wood
Handbook gives 5 to 20 rings (FPL-GTR-190, 2010, ch. 5, from memory)."""

JUVENILE_SOURCE = (
    "first 15 years: G. Wengert, trade Q&A, 2018; 5 to 20 rings: Wood Handbook, FPL-GTR-190, "
    "2010, ch. 5, from memory"
)


def juvenile_note(end: EndScan) -> GrowthNote | None:
    """Warning where part of the section lies within the first rings from the pith, or None.

    The innermost wood's ring number is its distance from the pith over the mean ring width. With
    an open interval of that distance the note says that it is possible, not that it is so.
    """
    series = end.ring_series
    if series is None or len(series.widths) < 1:
        return None
    mean = statistics.fmean(series.widths)
    first = series.boundaries[0].at
    if series.pith_distance_low is None:
        return None
    nearest = (series.pith_distance_low + first) / mean
    farthest = (
        None if series.pith_distance_high is None else (series.pith_distance_high + first) / mean
    )
    if nearest >= JUVENILE_RINGS:
        return None
    sure = farthest is not None and farthest < JUVENILE_RINGS
    until = "more" if farthest is None else f"{max(farthest, 0):.0f}"
    text = (
        f"the pith-side edge is about ring {max(nearest, 0):.0f} to {until} from the pith: "
        + ("juvenile wood" if sure else "perhaps juvenile wood")
        + f" (within the first {JUVENILE_RINGS} rings): lower strength, more shrinkage along the "
        "length, warp"
    )
    return GrowthNote("doubtful", "all species", text, JUVENILE_SOURCE)


@dataclass(frozen=True, slots=True)
class Run:
    """A run of neighbouring rings: ``first`` and ``last`` ring (1 = oldest), and mean width."""

    first: int
    last: int
    mean_width: float


def slowest_and_fastest(series: RingSeries, length: int = 3) -> tuple[Run, Run] | None:
    """The runs of ``length`` neighbouring rings with the narrowest and the widest mean.

    Widths in section widths. None with fewer rings than that.
    """
    widths = series.widths
    if len(widths) < length:
        return None
    runs = [
        Run(i + 1, i + length, statistics.fmean(widths[i : i + length]))
        for i in range(len(widths) - length + 1)
    ]
    return min(runs, key=lambda run: run.mean_width), max(runs, key=lambda run: run.mean_width)


def ring_width_trend(series: RingSeries) -> float | None:
    """Change of ring width per ring over the mean width, by Theil and Sen's median of slopes.

    Negative: growth slowed towards the bark. None with fewer than four rings, or when the bark
    side is not known. Sources: H. Theil, 1950; P. K. Sen, J. Am. Stat. Assoc. 63, 1968.
    """
    widths = series.widths
    if len(widths) < 4 or series.bark_confidence < LEAST_BARK_CONFIDENCE:
        return None
    slopes = [
        (widths[j] - widths[i]) / (j - i)
        for i in range(len(widths))
        for j in range(i + 1, len(widths))
    ]
    return statistics.median(slopes) / statistics.fmean(widths)


def ring_widths_csv(series: RingSeries, width_mm: float | None = None) -> str:
    """Ring widths as CSV text, oldest first, units in the header.

    Columns: ring (1 = oldest on the section), width (mm with ``width_mm``, the section's width;
    else section widths), latewood share (empty where unknown), the lower confidence of the ring's
    two boundaries, and whether the order is sure (the bark side known; else it may be reversed).
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    unit = "width_section_widths" if width_mm is None else "width_mm"
    writer.writerow(["ring", unit, "latewood_share", "confidence", "order_sure"])
    sure = "yes" if series.bark_confidence >= LEAST_BARK_CONFIDENCE else "no"
    scale = 1.0 if width_mm is None else width_mm
    for i, width in enumerate(series.widths):
        share = series.latewood_shares[i] if i < len(series.latewood_shares) else None
        confidence = min(series.boundaries[i].confidence, series.boundaries[i + 1].confidence)
        shown = "" if share is None else f"{share:.3f}"
        writer.writerow([i + 1, f"{width * scale:.4f}", shown, f"{confidence:.3f}", sure])
    return out.getvalue()
