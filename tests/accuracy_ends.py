"""How well ends are read: renders new ends, measures them, prints a table.

``python -m tests.accuracy_ends --count 60 --seed 1`` renders 60 ends of each anatomy and
condition. Nothing but the picture and the section's size is given to the measurement; the species
is not. ``--corners`` takes the outline from the truth, to judge the rings apart from it.
"""

from __future__ import annotations

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context

import numpy as np

KINDS = ("ring-porous", "diffuse-porous", "softwood")
CONDITIONS = ("clean", "rough", "checked")
TOLERANCE = 0.15  # of the mean ring width, at right angles to the rings
LEAST_SLANT = 0.15  # a centre line nearly along the rings cannot place their crossings


@dataclass
class EndOutcome:
    """One end measured against its truth; None where there is no answer."""

    kind: str
    condition: str
    seed: int
    error: str | None = None
    read: bool = False
    outline_percent: float = math.nan
    direction_error_deg: float = math.nan
    direction_covered: bool = False
    true_rings: int = 0
    rings: int = 0
    count_covered: bool = False
    curvature_covered: bool = False
    hits: int = 0
    found: int = 0
    true: int = 0
    anatomy_right: bool = False
    bark_stated: bool = False
    bark_right: bool = False
    arc_deg: float = 0.0
    pith_direction_error_deg: float = math.nan
    pith_distance_error: float = math.nan
    confidences: list[tuple[float, bool]] = field(default_factory=list)


def match(found: np.ndarray, true: np.ndarray, tolerance: float) -> np.ndarray:
    """Which of ``found`` (sorted) lie within ``tolerance`` of a place in ``true`` of their own."""
    taken = np.zeros(len(true), bool)
    right = np.zeros(len(found), bool)
    for i, place in enumerate(found):
        away = np.where(taken, np.inf, np.abs(true - place))
        if len(away) and away.min() <= tolerance:
            taken[int(away.argmin())] = True
            right[i] = True
    return right


def half_turn(angle_deg: float) -> float:
    """An angle between undirected lines, in (−90, 90]."""
    return -((-angle_deg + 90.0) % 180.0 - 90.0)


def measure_one(job: tuple[str, str, int, str, bool]) -> EndOutcome:
    """Render one end and measure it."""
    import cv2

    cv2.setNumThreads(1)
    from grainscan.errors import GrainscanError
    from grainscan.measure.end import measure_end
    from grainscan.measure.rings_outline import EndOutline
    from tests.render import random_blank, random_photo, render_blank

    kind, condition, seed, scene, corners = job
    blank = render_blank(
        random_blank(seed, kind),
        random_photo(seed, scene, shots=("end",), end_condition=condition),
        seed,
    )
    truth, outcome = blank.truth["end"], EndOutcome(kind, condition, seed)
    outline = np.array(blank.truth["photos"]["end"]["outline_px"])
    outcome.true_rings = truth["rings"]
    outcome.true = sum(len(truth["boundaries"][name]) for name in ("along_a", "along_b"))
    assert blank.end is not None
    try:
        end = measure_end(
            blank.end,
            photo="end",
            width_mm=truth["width_mm"],
            height_mm=truth["height_mm"],
            species=None,
            outline=EndOutline(outline, 1.0, 0.0) if corners else None,
        )
    except GrainscanError as error:
        outcome.error = str(error)
        return outcome
    side = float(np.hypot(*(outline[1] - outline[0])))
    away = np.hypot(*(np.array(end.outline_px) - outline).T)
    outcome.outline_percent = float(away.max() / side * 100.0)
    if end.ring_series is not None:
        _compare(end, truth, outcome)
    return outcome


def _compare(end, truth, outcome: EndOutcome) -> None:
    series = end.ring_series
    outcome.read = True
    error = half_turn(truth["ring_direction_deg"] - end.ring_direction_deg)
    outcome.direction_error_deg = abs(error)
    outcome.direction_covered = (
        end.ring_direction_low_deg <= end.ring_direction_deg + error <= end.ring_direction_high_deg
    )
    outcome.rings = end.rings
    outcome.count_covered = series.rings_low <= truth["rings"] <= series.rings_high
    outcome.anatomy_right = series.anatomy == outcome.kind
    bark = truth["bark_direction_deg"]
    off = abs((series.bark_direction_deg - bark + 180.0) % 360.0 - 180.0)
    outcome.bark_stated = series.bark_confidence >= 0.9
    outcome.bark_right = off < 90.0
    distance = math.hypot(*truth["pith"])
    curvature = 1.0 / distance if off < 90.0 else -1.0 / distance
    outcome.curvature_covered = series.curvature_low <= curvature <= series.curvature_high
    sides = {"along_a": truth["width_mm"], "along_b": truth["height_mm"]}
    slant = {
        "along_a": abs(math.cos(math.radians(bark))),
        "along_b": abs(math.sin(math.radians(bark))),
    }
    for name, length in sides.items():
        places = [
            (place * length, boundary.confidence)
            for boundary in series.boundaries
            for place in getattr(boundary, name)
        ]
        every = np.array(sorted(getattr(end, f"boundaries_{name}"))) * length
        tolerance = TOLERANCE * truth["mean_ring_mm"] / max(slant[name], LEAST_SLANT)
        true = np.array(truth["boundaries"][name]) * length
        right = match(every, true, tolerance)
        outcome.hits += int(right.sum())
        outcome.found += len(every)
        for place, confidence in places:
            known = right[np.argmin(np.abs(every - place))]
            outcome.confidences.append((confidence, bool(known)))
    outcome.arc_deg = math.degrees(min(1.0, truth["height_mm"] / truth["width_mm"]) / distance)
    if end.pith is not None:
        turn = math.degrees(
            math.atan2(end.pith[1], end.pith[0]) - math.atan2(truth["pith"][1], truth["pith"][0])
        )
        outcome.pith_direction_error_deg = abs((turn + 180.0) % 360.0 - 180.0)
        outcome.pith_distance_error = abs(math.hypot(*end.pith) / distance - 1.0)


def run(
    count: int, seed: int, scene: str = "clean", corners: bool = False, processes: int = 2
) -> list[EndOutcome]:
    """``count`` ends of every anatomy and condition, each with a seed of its own."""
    jobs = [
        (kind, condition, seed * 100_003 + i * 9 + k * 3 + c, scene, corners)
        for i in range(count)
        for k, kind in enumerate(KINDS)
        for c, condition in enumerate(CONDITIONS)
    ]
    if processes == 1:
        return [measure_one(job) for job in jobs]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return list(pool.map(measure_one, jobs, chunksize=4))


def f1(outcomes: list[EndOutcome]) -> float:
    hits, found, true = (sum(getattr(o, n) for o in outcomes) for n in ("hits", "found", "true"))
    return 2.0 * hits / max(found + true, 1)


def count_right(outcome: EndOutcome) -> bool:
    return outcome.read and abs(outcome.rings - outcome.true_rings) <= max(
        1.0, 0.03 * outcome.true_rings
    )


def right_when_sure(outcomes: list[EndOutcome], sure: float = 0.9) -> tuple[int, float]:
    """How many boundaries were given at least ``sure``, and the share of them that is right."""
    right = [ok for o in outcomes for confidence, ok in o.confidences if confidence >= sure]
    return len(right), float(np.mean(right)) if right else math.nan


def table(outcomes: list[EndOutcome]) -> str:
    lines = [
        f"{'anatomy':<15}{'condition':<9}{'ends':>5}{'read':>6}{'F1':>7}{'count':>7}"
        f"{'direction error':>17}{'covered':>9}{'anatomy':>9}{'bark':>11}{'outline':>9}",
        f"{'':<29}{'%':>6}{'':>7}{'right %':>8}{'median  95 %':>16}{'%':>9}{'right %':>9}"
        f"{'right %':>11}{'> 1 %':>9}",
    ]
    for kind in KINDS:
        for condition in CONDITIONS:
            chosen = [o for o in outcomes if o.kind == kind and o.condition == condition]
            if chosen:
                lines.append(_row(kind, condition, chosen))
    read = [o for o in outcomes if o.read]
    errors = [o.direction_error_deg for o in read] or [math.nan]
    lines.append(
        f"direction error, all {len(read)} ends read: median {np.median(errors):.2f}°, "
        f"95 % within {np.quantile(errors, 0.95):.1f}°"
    )
    number, right = right_when_sure(outcomes)
    lines.append(f"boundaries given ≥ 0.9: {number}, right {right:.1%}")
    lines.append(
        "90 % intervals that hold the truth: "
        f"direction {_mean(o.direction_covered for o in read):.0%}, "
        f"count {_mean(o.count_covered for o in read):.0%}, "
        f"curvature (pith distance) {_mean(o.curvature_covered for o in read):.0%}"
    )
    wide = [o for o in read if o.arc_deg >= 20.0]
    stated = [o for o in wide if not math.isnan(o.pith_distance_error)]
    near = [
        o for o in stated if o.pith_direction_error_deg <= 5.0 and o.pith_distance_error <= 0.15
    ]
    lines.append(
        f"ends spanning ≥ 20° of arc: {len(wide)}; pith stated on {len(stated)}, within 5° and "
        f"15 % on {len(near)}; its distance's interval holds it on "
        f"{sum(o.curvature_covered for o in wide)}"
    )
    less = [o for o in read if o.arc_deg < 20.0]
    lines.append(
        f"ends spanning less: {len(less)}; the interval of the pith's distance holds it on "
        f"{_mean(o.curvature_covered for o in less):.0%}"
    )
    gross = [o for o in read if o.direction_error_deg > 10.0]
    owned = sum(o.direction_covered for o in gross)
    lines.append(
        f"direction more than 10° off: {len(gross)} of {len(read)}, {owned} of them within the "
        f"stated interval; not read: {len(outcomes) - len(read)} of {len(outcomes)}"
    )
    lines.append(f"no end found: {sum(o.error is not None for o in outcomes)} of {len(outcomes)}")
    return "\n".join(lines)


def _mean(values) -> float:
    values = list(values)
    return float(np.mean(values)) if values else math.nan


def _row(kind: str, condition: str, chosen: list[EndOutcome]) -> str:
    read = [o for o in chosen if o.read]
    errors = [o.direction_error_deg for o in read] or [math.nan]
    stated = [o for o in read if o.bark_stated]
    return (
        f"{kind:<15}{condition:<9}{len(chosen):>5}{len(read) / len(chosen):>6.0%}"
        f"{f1(chosen):>7.3f}{_mean(count_right(o) for o in chosen):>7.0%} "
        f"{np.median(errors):>10.2f}°{np.quantile(errors, 0.95):>5.1f}°"
        f"{_mean(o.direction_covered for o in read):>8.0%}"
        f"{_mean(o.anatomy_right for o in read):>9.0%}"
        f"{_mean(o.bark_right for o in stated):>7.0%}/{len(stated):<3}"
        f"{sum(o.outline_percent > 1.0 for o in chosen):>9}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10, help="ends per anatomy and condition")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scene", default="clean")
    parser.add_argument("--corners", action="store_true", help="take the outline from the truth")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--list", action="store_true", help="also list the ends read wrongly")
    chosen = parser.parse_args()
    outcomes = run(chosen.count, chosen.seed, chosen.scene, chosen.corners, chosen.processes)
    if chosen.list:
        for o in outcomes:
            poor = o.hits * 2 < 0.85 * (o.found + o.true) or not count_right(o)
            if poor or o.direction_error_deg > 5.0 or o.outline_percent > 1.0:
                print(
                    f"{o.seed} {o.kind} {o.condition}: rings {o.rings}/{o.true_rings}, "
                    f"hits {o.hits} of {o.found}/{o.true}, "
                    f"direction {o.direction_error_deg:.1f}°, "
                    f"outline {o.outline_percent:.1f} % {o.error or ''}"
                )
    print(table(outcomes))


if __name__ == "__main__":
    main()
