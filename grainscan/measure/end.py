"""Measure the marked end: outline, rings, pith."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.rings_anatomy import (
    AnatomyFound,
    Profiles,
    profiles,
    rank_anatomies,
    species_anatomy,
)
from grainscan.measure.rings_bend import bend_evidence
from grainscan.measure.rings_boundaries import (
    BoundaryRows,
    bark_side,
    find_boundaries,
    latewood_shares,
    ring_rows,
)
from grainscan.measure.rings_chain import unseen_chances
from grainscan.measure.rings_direction import (
    RAYS_SHARE,
    STACK_PX,
    FamilySpread,
    RingFamily,
    RingSearch,
    describe,
    family_spread,
    search_rings,
    stack_of,
)
from grainscan.measure.rings_geometry import ArcFamily, ring_direction_deg
from grainscan.measure.rings_lines import search_lines
from grainscan.measure.rings_outline import EndOutline, find_end_outline
from grainscan.measure.rings_series import SURE, crossings, ring_numbers
from grainscan.measure.rings_straighten import Straightened, ring_turn, straighten
from grainscan.measure.rings_view import EndView, fine_texture, ring_texture, square_on_view
from grainscan.results import EndScan, Orientation, PhotoQuality, PointPx, RingBoundary, RingSeries

__all__ = ["measure_end", "orientation_of"]

Array = npt.NDArray[np.float64]

Z90 = 1.645
"""Half width of a 90 % interval in standard errors (normal law)."""

OUTLINE_ERROR_DEG = 0.15
"""What corners placed to a fifth of a percent of the section leave in its edges' direction."""

LEAST_SECTION_PX = 250
"""Common practice, no source: below this pores and thin lines merge."""

LEAST_READABLE_PX = 60
"""On a smaller end no rings are read: a ring needs about six pixels, and fewer than ten rings
of that size are noise as likely as wood."""

LEAST_CONFIDENCE = 0.5
"""Share of the worst side of the outline that must stand clear of its surroundings."""

WEAK = 6.0
"""A typical boundary's log-likelihood ratio below which thin lines are looked for apart."""

FEW = 5
"""So few boundaries leave the rings' waves between them to torn fibres; lines show them better."""

LEAST_STRENGTH = 1.5
"""A typical boundary's log-likelihood ratio below which the rings count as not seen."""

TOO_CLOSE = math.log(19.0)
"""Two readings across each other leave the question open where one of them is not at least 95 %
sure: a 90 % interval round the likelier would leave the other out."""

MOST_CLEARER = 2.0
"""As much (nats, odds of 7 to 1) may clearer lines speak for a reading against one across it:
where both are lines, rays may be as clear as rings. Our own choice."""

SAME_RINGS_DEG = 30.0
"""Readings that differ by less follow the same rings, one better than the other."""

LEAST_ARC_DEG = 20.0
"""Arc that the section must span, seen from the pith, for the pith's place to be stated."""


@dataclass(frozen=True, slots=True)
class _Rings:
    """What was read of the rings, before it is put into the result."""

    bark_rad: float
    family: RingFamily
    spread: FamilySpread
    straight: Straightened
    anatomy: AnatomyFound
    outwards: int
    bark_confidence: float
    found: BoundaryRows
    latewood: tuple[float | None, ...]
    likeness: float

    @property
    def direction_deg(self) -> float:
        return ring_direction_deg(self.bark_rad)

    @property
    def half_width_deg(self) -> float:
        return min(Z90 * math.degrees(self.spread.direction_rad), 90.0)


def measure_end(
    pixels: npt.NDArray[np.uint8],
    *,
    photo: str,
    width_mm: float | None,
    height_mm: float | None,
    species: str | None,
    outline: EndOutline | None = None,
) -> EndScan:
    """Everything the photograph of the end shows.

    ``pixels`` (M, N, 3) uint8 RGB, upright, face A on top; ``width_mm`` and ``height_mm``: the
    section's width (face A's) and height (face B's) where known; ``species``: common name,
    used for the anatomy; ``outline``: the end's corners where they are known already (set by
    hand), otherwise they are looked for. Where the rings cannot be told, ring fields are None
    and ``notes`` says why. Raises :class:`grainscan.errors.BlankNotFoundError` when no end is
    found.
    """
    aspect = height_mm / width_mm if width_mm and height_mm else None
    outline = outline or find_end_outline(pixels, aspect=aspect)
    view = square_on_view(pixels, outline.corners_px, aspect=aspect)
    rings = _too_small(outline) or _read_rings(view, species)
    quality = _quality(view, outline)
    corners = _corners(outline)
    if isinstance(rings, str):
        return _without_rings(photo, corners, width_mm, height_mm, quality, rings)
    return _with_rings(photo, corners, width_mm, height_mm, quality, view, rings)


def _too_small(outline: EndOutline) -> str | None:
    """Why a section of so few pixels cannot show rings, or None."""
    side = float(_sides(outline).min())
    if side >= LEAST_READABLE_PX:
        return None
    return f"the rings cannot be told on an end of {side:.0f} px: move closer"


def _sides(outline: EndOutline) -> Array:
    return np.asarray(np.hypot(*(np.roll(outline.corners_px, -1, axis=0) - outline.corners_px).T))


def orientation_of(direction_deg: float) -> Orientation:
    """Class of face A by the angle between the rings and that face.

    0–30° flat, 30–60° rift, 60–90° quartered: the architectural woodwork scheme, as quoted by
    practitioners (the standard itself was not read).
    """
    angle = abs(direction_deg)
    if angle < 30.0:
        return "flat"
    return "rift" if angle < 60.0 else "quartered"


def _corners(outline: EndOutline) -> tuple[PointPx, PointPx, PointPx, PointPx]:
    a, b, c, d = ((float(x), float(y)) for x, y in outline.corners_px)
    return a, b, c, d


def _read_rings(view: EndView, species: str | None) -> _Rings | str:
    """The rings, or the reason why they cannot be told."""
    texture, usable = ring_texture(view)
    search = search_rings(texture, usable, view.aspect)
    if isinstance(search, str):
        return search
    trials = [_follow(view, search, usable, family, species) for family in search.families]
    if _doubtful(trials):
        trials = _with_lines(view, texture, usable, species, trials)
    trials = sorted(trials, key=lambda trial: -trial.likeness)
    return _unseen(trials) or _widened(trials)


def _doubtful(trials: list[_Rings]) -> bool:
    """Whether the best reading is weak or straight, has too few rings to follow their waves by,
    or another is too close to it.
    """
    best = max(trials, key=lambda trial: trial.likeness)
    sure = int((best.found.confidence > SURE).sum())
    weak = best.found.strength < WEAK
    # Straight lines may be a tool's or torn fibres.
    straight = bend_evidence(best.family.arcs.curvature, best.spread.curvature) <= 0.0
    ranked = sorted(trials, key=lambda trial: -trial.likeness)
    return weak or straight or sure < FEW or _unseen(ranked) is not None


def _with_lines(
    view: EndView,
    texture: npt.NDArray[np.float32],
    usable: npt.NDArray[np.bool_],
    species: str | None,
    trials: list[_Rings],
) -> list[_Rings]:
    """The readings, and those of families that thin lines follow, compared on even terms.

    Half of what counts is how much of the texture a family explains, half how much of the
    lines: torn fibres fill the one, rays the other.
    """
    known = [trial.family for trial in trials]
    found = search_lines(texture, usable, view.aspect, known)
    if found is None:
        return trials
    assert found.guide is not None
    lines = stack_of(found.guide, found.inner, view.aspect, STACK_PX)
    fine = stack_of(*fine_texture(texture, usable), view.aspect, STACK_PX)
    every = trials + [_follow(view, found, usable, family, species) for family in found.families]
    return [
        dataclasses.replace(
            trial,
            likeness=_likeness(
                trial.found,
                trial.anatomy,
                describe(lines, trial.family.arcs).joint,
                describe(fine, trial.family.arcs).joint,
                bend_evidence(trial.family.arcs.curvature, trial.spread.curvature),
            ),
        )
        for trial in every
    ]


def _follow(
    view: EndView,
    search: RingSearch,
    usable: npt.NDArray[np.bool_],
    family: RingFamily,
    species: str | None,
) -> _Rings:
    """Boundaries along one candidate family."""
    spread = family_spread(search.fine, search.inner, view.aspect, family.arcs)
    straight = straighten(search.texture, usable, view, family.arcs, search.guide)
    turn = ring_turn(straight)
    error = math.hypot(spread.direction_rad, turn.turn_error_rad, math.radians(OUTLINE_ERROR_DEG))
    spread = FamilySpread(error, math.hypot(spread.curvature, turn.curvature_error))
    averages = profiles(straight)
    usual = ring_rows(averages)
    best: tuple[float, AnatomyFound, int, float, BoundaryRows] | None = None
    for anatomy in _anatomies(averages, usual, species):
        outwards, sure = bark_side(
            averages, anatomy.anatomy, family.arcs.curvature, spread.curvature
        )
        found = find_boundaries(averages, anatomy.anatomy, outwards, usual)
        evidence = found.strength + math.log(anatomy.confidence)
        if best is None or evidence > best[0]:
            best = (evidence, anatomy, outwards, sure, found)
        # A second anatomy is tried only where the family itself is beyond doubt: among doubtful
        # families it would only give the wrong ones another chance.
        if found.strength >= WEAK or family.share < RAYS_SHARE:
            break
    assert best is not None
    _, anatomy, outwards, sure, found = best
    bark_rad = family.arcs.bark_rad + turn.turn_rad
    latewood = latewood_shares(averages, found, anatomy.anatomy, outwards)
    return _Rings(
        bark_rad,
        family,
        spread,
        straight,
        anatomy,
        outwards,
        sure,
        found,
        latewood,
        _likeness(
            found,
            anatomy,
            family.joint,
            family.joint,
            bend_evidence(family.arcs.curvature, spread.curvature),
        ),
    )


def _likeness(
    found: BoundaryRows,
    anatomy: AnatomyFound,
    first_joint: float,
    second_joint: float,
    bend: float,
) -> float:
    """How much a reading looks like rings, in nats.

    A typical boundary's evidence, how even the widths are, how much of what is seen the arcs
    and the radii of one pith explain together (rings and rays share their pith), how they are
    bent, and rows of pores: neither rays nor tools leave those.
    """
    seen = 2.5 * math.log(max(first_joint, 1e-3)) + 2.5 * math.log(max(second_joint, 1e-3))
    rows = anatomy.confidence if anatomy.anatomy == "ring-porous" else 0.0
    return _pattern(found) + found.evenness + seen + bend + 4.0 * max(2.0 * rows - 1.0, 0.0)


def _pattern(found: BoundaryRows) -> float:
    """How clearly there are lines at all: two or three are less of a pattern than many."""
    sure = float((found.confidence > SURE).sum())
    return found.strength * sure / (sure + 1.0)


def _anatomies(averages: Profiles, usual: float, species: str | None) -> list[AnatomyFound]:
    """The anatomies to try, likeliest first; the species' own alone where it is known."""
    known = species_anatomy(species)
    if known is not None:
        return [AnatomyFound(known, 0.99, f"{species} is {known}")]
    likely = rank_anatomies(averages, usual)
    return [anatomy for anatomy in likely if anatomy.confidence > 0.02]


def _widened(trials: list[_Rings]) -> _Rings:
    """The likeliest reading, its errors those of all readings of the same rings together.

    Each counts by its likeness; the square of how far it lies from the likeliest adds to the
    variance by that share (law of total variance, about the value that is stated).
    """
    best = trials[0]
    same = [trial for trial in trials if _apart_deg(best, trial) <= SAME_RINGS_DEG and _seen(trial)]
    share = np.exp([trial.likeness - best.likeness for trial in same])
    share /= share.sum()
    away = np.radians([_apart_deg(best, trial) for trial in same])
    turned = [1.0 if math.cos(t.bark_rad - best.bark_rad) > 0 else -1.0 for t in same]
    bent = [sign * t.family.arcs.curvature for sign, t in zip(turned, same, strict=True)]
    more = np.array(bent) - best.family.arcs.curvature
    spread = FamilySpread(
        math.hypot(best.spread.direction_rad, math.sqrt(float(share @ away**2))),
        math.hypot(best.spread.curvature, math.sqrt(float(share @ more**2))),
    )
    return dataclasses.replace(best, spread=spread)


def _unseen(trials: list[_Rings]) -> str | None:
    """Why the best of several readings (best first) is no answer, or None."""
    found = trials[0].found
    if not _seen(trials[0]):
        return (
            "the rings cannot be told on this end: plane or sand it, wet it, and photograph it "
            "closer in even light"
        )
    for other in trials[1:]:
        clearer = max(_pattern(found) - _pattern(other.found) - MOST_CLEARER, 0.0)
        close = trials[0].likeness - other.likeness - clearer < TOO_CLOSE
        across = _apart_deg(trials[0], other) > SAME_RINGS_DEG
        if across and close and _seen(other):
            return (
                "rings and rays (or tool marks) cannot be told apart on this end: plane or sand "
                "it, wet it, and photograph it again"
            )
    return None


def _seen(trial: _Rings) -> bool:
    """Whether there are lines to be seen along a reading's arcs."""
    found = trial.found
    return int((found.confidence > SURE).sum()) >= 2 and found.strength >= LEAST_STRENGTH


def _apart_deg(one: _Rings, two: _Rings) -> float:
    return abs((two.direction_deg - one.direction_deg + 90.0) % 180.0 - 90.0)


def _quality(view: EndView, outline: EndOutline) -> PhotoQuality:
    notes = []
    sides = _sides(outline)
    if sides.min() < LEAST_SECTION_PX:
        notes.append(
            f"move closer: the end is {sides.min():.0f} px wide, {LEAST_SECTION_PX} are needed"
        )
    if outline.confidence < LEAST_CONFIDENCE:
        notes.append(
            "the end's outline is unsure: photograph it on a plain background of another colour"
        )
    grey = view.colour.mean(axis=2)
    burnt, black = float(np.mean(grey > 250)), float(np.mean(grey < 8))
    if burnt > 0.1:
        notes.append(f"{burnt:.0%} of the end is burnt out: less light, or turn it from the glare")
    if black > 0.1:
        notes.append(f"{black:.0%} of the end is black: more light")
    return PhotoQuality(ok=not notes, notes=tuple(notes))


def _without_rings(
    photo: str,
    corners: tuple[PointPx, PointPx, PointPx, PointPx],
    width_mm: float | None,
    height_mm: float | None,
    quality: PhotoQuality,
    reason: str,
) -> EndScan:
    return EndScan(
        photo=photo,
        outline_px=corners,
        width_mm=width_mm,
        height_mm=height_mm,
        ring_direction_deg=None,
        ring_direction_low_deg=None,
        ring_direction_high_deg=None,
        orientation=None,
        rings=None,
        mean_ring_mm=None,
        rings_per_inch=None,
        latewood_share=None,
        boundaries_along_a=(),
        boundaries_along_b=(),
        pith=None,
        photo_quality=PhotoQuality(False, (*quality.notes, reason)),
        notes=(reason,),
    )


def _with_rings(
    photo: str,
    corners: tuple[PointPx, PointPx, PointPx, PointPx],
    width_mm: float | None,
    height_mm: float | None,
    quality: PhotoQuality,
    view: EndView,
    rings: _Rings,
) -> EndScan:
    crossing, others, latewood = _trace(view, rings)
    numbers = ring_numbers(crossing, others, latewood, width_mm)
    arcs = rings.straight.arcs if rings.outwards > 0 else _turned(rings.straight.arcs)
    notes = _notes(rings, width_mm)
    series = _series(rings, crossing, latewood, notes, view.aspect)
    return EndScan(
        photo=photo,
        outline_px=corners,
        width_mm=width_mm,
        height_mm=height_mm,
        ring_direction_deg=rings.direction_deg,
        ring_direction_low_deg=rings.direction_deg - rings.half_width_deg,
        ring_direction_high_deg=rings.direction_deg + rings.half_width_deg,
        orientation=orientation_of(rings.direction_deg),
        rings=numbers.rings,
        mean_ring_mm=numbers.mean_ring_mm,
        rings_per_inch=numbers.rings_per_inch,
        latewood_share=numbers.latewood_share,
        boundaries_along_a=numbers.along_a,
        boundaries_along_b=numbers.along_b,
        pith=_pith(arcs, series, view.aspect),
        photo_quality=quality,
        boundary_lines_px=numbers.lines_px,
        notes=notes,
        ring_series=series,
    )


def _turned(arcs: ArcFamily) -> ArcFamily:
    """Bark and pith sides swapped; arcs bent the other way by the profile are nearly straight."""
    return ArcFamily(arcs.bark_rad + math.pi, 0.0)


def _trace(
    view: EndView, rings: _Rings
) -> tuple[list[RingBoundary], list[RingBoundary], tuple[float | None, ...]]:
    """Boundaries on the line through the centre, those in corners only, and latewood shares.

    In order from pith to bark. Only boundaries likelier real than not.
    """
    straight, found = rings.straight, rings.found
    crossing, others, shares = [], [], []
    order = range(len(found.rows)) if rings.outwards > 0 else range(len(found.rows) - 1, -1, -1)
    for i in order:
        if found.confidence[i] < SURE:
            continue
        s = float(np.interp(found.rows[i], np.arange(len(straight.s)), straight.s))
        boundary = _boundary(view, rings, s, float(found.confidence[i]))
        if boundary.times:
            crossing.append(boundary)
            shares.append(rings.latewood[i])
        else:
            others.append(boundary)
    # A share belongs to the ring that ends at its boundary: the first boundary ends none.
    return crossing, others, tuple(shares[1:])


def _boundary(view: EndView, rings: _Rings, s: float, confidence: float) -> RingBoundary:
    x, y = rings.straight.path(s)
    inside = (np.abs(x) <= 0.5) & (np.abs(y) <= view.aspect / 2)
    # The line through the centre, towards the bark side as the rows see it.
    c, d = math.cos(rings.bark_rad), math.sin(rings.bark_rad)
    across, along = x * c + y * d, y * c - x * d
    places = [v for v, seen in _met(along, across, inside) if seen]
    # The crossing on the pith's bark side; where the ring runs round the pith, there are two.
    at = max(places) if places else s
    along_a, along_b = crossings(x.tolist(), y.tolist(), view.aspect)
    x, y = x[inside], y[inside]
    thin = max(1, len(x) // 40)
    points = view.section_to_photo(x[::thin], y[::thin]) if len(x) else np.zeros((0, 2))
    line = tuple((float(u), float(v)) for u, v in points)
    return RingBoundary(at * rings.outwards, confidence, along_a, along_b, line, times=len(places))


def _met(along: Array, across: Array, inside: npt.NDArray[np.bool_]) -> list[tuple[float, bool]]:
    """Where a polyline crosses ``along`` = 0: the value of ``across`` and whether inside."""
    change = np.flatnonzero((along[:-1] <= 0) != (along[1:] <= 0))
    part = along[change] / (along[change] - along[change + 1])
    value = across[change] + part * (across[change + 1] - across[change])
    seen = inside[change] & inside[change + 1]
    return [(float(v), bool(ok)) for v, ok in zip(value, seen, strict=True)]


def _series(
    rings: _Rings,
    crossing: list[RingBoundary],
    latewood: tuple[float | None, ...],
    notes: tuple[str, ...],
    aspect: float,
) -> RingSeries:
    arcs = rings.straight.arcs
    curvature = arcs.curvature * rings.outwards
    half = Z90 * rings.spread.curvature
    low, high = curvature - half, curvature + half
    bark = math.degrees(rings.bark_rad) + (0.0 if rings.outwards > 0 else 180.0)
    rings_low, rings_high = _count_interval(rings, crossing, aspect)
    return RingSeries(
        boundaries=tuple(crossing),
        anatomy=rings.anatomy.anatomy,
        anatomy_confidence=rings.anatomy.confidence,
        bark_direction_deg=-((180.0 - bark) % 360.0 - 180.0),
        bark_confidence=rings.bark_confidence,
        curvature=max(curvature, 0.0),
        curvature_low=low,
        curvature_high=high,
        pith_distance_low=1.0 / high if high > 0 else None,
        pith_distance_high=1.0 / low if low > 0 else None,
        rings_low=rings_low,
        rings_high=rings_high,
        latewood_shares=latewood,
        notes=notes,
    )


def _count_interval(rings: _Rings, crossing: list[RingBoundary], aspect: float) -> tuple[int, int]:
    """90 % interval of the number of boundaries on the line through the centre.

    The chances of all counts that the peaks along the rings allow, and of as many more boundaries
    in the rim and the corners, where nothing could be seen, as rings of the usual width put there
    (Poisson's law).
    """
    chain = rings.found.chain
    assert chain is not None
    rows = np.arange(len(rings.straight.s))
    c, d = abs(math.cos(rings.bark_rad)), abs(math.sin(rings.bark_rad))
    reach = min(0.5 / max(c, 1e-6), 0.5 * aspect / max(d, 1e-6))
    low, high = (float(np.interp(v, rings.straight.s, rows)) for v in (-reach, reach))
    first, last = rings.found.looked_at
    seen = chain.count_chances_between(low, high)
    unseen = max(first - low, 0.0) + max(high - last, 0.0)
    hidden = unseen_chances(unseen / chain.width, 7)
    both = np.cumsum(np.convolve(seen, hidden))
    # A ring that runs round a pith inside the section is crossed twice.
    twice = sum(b.times for b in crossing) - len(crossing)
    counted = len(crossing)
    least = min(int(np.searchsorted(both, 0.05)), counted)
    most = max(int(np.searchsorted(both, 0.95)), counted)
    return least + twice, most + twice


def _pith(arcs: ArcFamily, series: RingSeries, aspect: float) -> tuple[float, float] | None:
    """The pith, where the section spans enough of the rings' arc and the interval is closed."""
    span = math.degrees(arcs.curvature * min(1.0, aspect))
    if span < LEAST_ARC_DEG or series.pith_distance_high is None or series.bark_confidence < 0.9:
        return None
    return arcs.pith


def _notes(rings: _Rings, width_mm: float | None) -> tuple[str, ...]:
    notes = []
    if width_mm is None:
        notes.append("no ring width in millimetres: give the section's width")
    if rings.bark_confidence < 0.9:
        notes.append(
            "the bark side is not certain: the rings are too straight and too even to tell it, and "
            "straight lines may be rays or tool marks"
        )
    if rings.anatomy.confidence < 0.8:
        notes.append(
            f"taken as {rings.anatomy.anatomy} ({rings.anatomy.because}), but not surely: "
            "give the species"
        )
    return tuple(notes)
