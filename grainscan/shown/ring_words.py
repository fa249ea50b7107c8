"""The rings of a blank's end in words."""

from __future__ import annotations

from grainscan.judge.growth import (
    GrowthNote,
    faces_by_rings,
    growth_notes,
    juvenile_note,
    orientation_class,
    ring_width_trend,
    slowest_and_fastest,
)
from grainscan.results import EndScan

__all__ = ["ring_words"]

RUN = 3


def ring_words(end: EndScan, species: str | None) -> str:
    """Count, widths, direction, faces, pith and growth-rate rules, a line each."""
    series = end.ring_series
    if series is None or end.ring_direction_deg is None or end.rings is None:
        return "  not known: " + "; ".join(end.notes)
    lines = [
        f"rings: {end.rings} (90 %: {series.rings_low} to {series.rings_high}), "
        f"{series.anatomy} (chance {series.anatomy_confidence:.0%})",
        _direction(end),
        *_widths(end),
        *_pith(end),
    ]
    notes: list[GrowthNote] = []
    if end.rings_per_inch is not None and len(series.widths) > 0:
        notes += growth_notes(series.anatomy, end.rings_per_inch, end.latewood_share, species)
    young = juvenile_note(end)
    notes += [] if young is None else [young]
    lines += [f"{note.group}: {note.text} [{note.source}]" for note in notes]
    return "\n".join(f"  {line}" for line in (*lines, *end.notes))


def _direction(end: EndScan) -> str:
    assert end.ring_direction_deg is not None
    faces = faces_by_rings(end)
    radial = " and ".join(faces.radial) or "none (rift both ways)"
    text = (
        f"direction: {end.ring_direction_deg:.1f}° against face A "
        f"({end.ring_direction_low_deg:.1f} to {end.ring_direction_high_deg:.1f}); face A is "
        f"{orientation_class(end.ring_direction_deg)}; radial faces: {radial}"
    )
    if faces.bark is not None:
        text += f"; bark side: {faces.bark}, pith side: {faces.pith}"
    return text


def _widths(end: EndScan) -> list[str]:
    series = end.ring_series
    assert series is not None
    lines = []
    if end.mean_ring_mm is not None and end.rings_per_inch is not None:
        latewood = (
            "" if end.latewood_share is None else f", latewood {end.latewood_share:.0%} of the wood"
        )
        lines.append(
            f"mean ring: {end.mean_ring_mm:.2f} mm, {end.rings_per_inch:.1f} rings per inch"
            f"{latewood}"
        )
    runs = slowest_and_fastest(series, RUN)
    if runs is not None and end.width_mm is not None:
        slow, fast = runs
        lines.append(
            f"slowest {RUN} rings: {slow.first} to {slow.last}, "
            f"{slow.mean_width * end.width_mm:.2f} mm; fastest: {fast.first} to {fast.last}, "
            f"{fast.mean_width * end.width_mm:.2f} mm"
        )
    trend = ring_width_trend(series)
    if trend is not None:
        lines.append(f"trend: {trend:+.1%} of the mean width a ring, towards the bark")
    return lines


def _pith(end: EndScan) -> list[str]:
    series = end.ring_series
    assert series is not None
    if series.pith_distance_low is None:
        return ["pith: too far to tell"]
    low, high = series.pith_distance_low, series.pith_distance_high
    scale, unit = (1.0, "section widths") if end.width_mm is None else (end.width_mm, "mm")
    upper = "" if high is None else f" to {high * scale:.0f}"
    more = " or more" if high is None else ""
    shown = f"{low * scale:.0f}{upper} {unit}{more}"
    if end.pith is not None:
        x, y = end.pith
        far = (x * x + y * y) ** 0.5 * scale
        return [f"pith: {far:.0f} {unit} from the centre (90 %: {shown})"]
    return [f"pith: {shown} from the centre (90 %)"]
