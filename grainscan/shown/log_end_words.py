"""A log's end and its blanks in words."""

from __future__ import annotations

import csv
import io
import itertools
from collections import Counter

from grainscan.measure.log_end import LogEnd
from grainscan.workshop.billets import BilletLayout

__all__ = ["SPLIT_CAUTION", "billets_csv", "layout_words", "log_end_words", "radii_csv"]

SPLIT_CAUTION = (
    "Wedges, froe and maul: eye protection, hands out of the split, the log held fast. A "
    "photograph cannot see inside: knots, rot and twist show only when the log is opened."
)


def log_end_words(end: LogEnd) -> str:
    """What was found, a line each."""
    lines = [end.photo]
    if end.diameter_mm is not None:
        bark = "peeled or bark not told apart" if end.bark_px is None else "under the bark"
        lines.append(f"diameter: {end.diameter_mm:.0f} mm ({bark})")
    if end.pith_px is not None and end.pith_error is not None and end.eccentricity is not None:
        lines.append(
            f"pith: at pixel {end.pith_px[0]:.0f}, {end.pith_px[1]:.0f} "
            f"(90 %: within {end.pith_error:.1%} of the diameter), "
            f"{end.eccentricity:.0%} of the radius off the middle"
        )
    if end.rings is not None:
        per_radius = ", ".join(str(radius.rings) for radius in end.radii)
        upper = "or more" if end.rings_high is None else f"to {end.rings_high}"
        lines.append(
            f"rings: {end.rings} (90 %: {end.rings_low} {upper}); along "
            f"{len(end.radii)} radii: {per_radius}"
        )
        lines.append(f"anatomy: {end.anatomy} (chance {end.anatomy_confidence:.0%})")
    if end.mean_ring_mm is not None:
        lines.append(
            f"mean ring: {end.mean_ring_mm:.1f} mm, {25.4 / end.mean_ring_mm:.1f} rings per inch"
        )
    return "\n".join([lines[0], *(f"  {line}" for line in (*lines[1:], *end.notes))])


def layout_words(layout: BilletLayout) -> str:
    """The splits and how many blanks each wedge gives."""
    if not layout.count:
        return "  no blank of that section can be split from this log"
    names = {2: "halves", 4: "quarters", 8: "eighths"}
    name = names.get(layout.wedges, f"{layout.wedges} wedges")
    lines = [
        f"blanks: {layout.count}, each split as {layout.width_mm:.0f} × {layout.height_mm:.0f} mm "
        "(along the rings × along the rays)",
        f"split into {name} first, one split at {layout.first_split_deg:.0f}° "
        "(counter-clockwise from the right), through the pith",
    ]
    alike = Counter(tuple((round(a), round(b), n) for a, b, n in tiers) for tiers in layout.tiers)
    for tiers, count in alike.items():
        what = "; ".join(
            f"{n} from the tier between {a} and {b} mm from the pith" for a, b, n in tiers
        )
        lines.append(f"{count} × {what or 'nothing'}")
    return "\n".join(f"  {line}" for line in lines)


def radii_csv(end: LogEnd) -> str:
    """Ring widths along every radius, oldest first, units in the header."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    unit = "width_log_radii" if end.diameter_mm is None else "width_mm"
    scale = 1.0 if end.diameter_mm is None else end.diameter_mm / 2
    writer.writerow(["direction_deg", "ring", unit, "confidence"])
    for radius in end.radii:
        both = zip(
            itertools.pairwise(radius.shares), itertools.pairwise(radius.confidence), strict=True
        )
        for i, ((a, b), confidence) in enumerate(both):
            width = (b - a) * radius.length * scale
            writer.writerow(
                [f"{radius.direction_deg:.1f}", i + 1, f"{width:.4f}", f"{min(confidence):.3f}"]
            )
    return out.getvalue()


def billets_csv(layout: BilletLayout) -> str:
    """The blanks, one a row, units in the header."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["blank", "wedge", "tier", "direction_deg", "inner_side_from_pith_mm"])
    for b in layout.billets:
        writer.writerow([b.number, b.wedge, b.tier, f"{b.direction_deg:.1f}", f"{b.inner_mm:.1f}"])
    return out.getvalue()
