"""How well whole log ends are read: renders new ones, measures them, prints a table.

``python -m tests.accuracy_log_ends --count 5 --seed 1``: that many of each anatomy and condition.
Nothing but the picture and the diameter is given to the measurement; the species is not.
"""

from __future__ import annotations

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

KINDS = ("ring-porous", "diffuse-porous", "softwood")
CONDITIONS = ("clean", "rough", "checked")
TOLERANCE = 0.35  # of the mean ring width; rings are counted, their places lean with the camera


@dataclass
class LogOutcome:
    """One log's end against its truth; errors in per cent of the diameter, NaN where none."""

    kind: str
    condition: str
    seed: int
    error: str | None = None
    outline_percent: float = math.nan
    edge_held: float = math.nan
    pith_percent: float = math.nan
    pith_stated: bool = False
    pith_covered: bool = False
    true_rings: int = 0
    rings: int | None = None
    count_covered: bool = False
    bounded: bool = False
    hits: int = 0
    found: int = 0
    true: int = 0
    outside_mm: float = 0.0
    billets: int = 0


def measure_one(job: tuple[str, str, int]) -> LogOutcome:
    import cv2

    cv2.setNumThreads(1)
    from grainscan.errors import GrainscanError
    from grainscan.measure.log_end import measure_log_end
    from tests.render.log_ends import render_log_end

    kind, condition, seed = job
    scene = "planks" if seed % 3 == 0 else "plain"
    log = render_log_end(seed, kind, condition, scene=scene)
    outcome = LogOutcome(kind, condition, seed, true_rings=log.rings)
    try:
        end = measure_log_end(log.picture, photo="log", diameter_mm=log.diameter_mm)
    except GrainscanError as error:
        outcome.error = str(error)
        return outcome
    diameter = log.diameter_mm * log.px_per_mm
    line = log.wood_px.astype(np.float32)[:, None]
    away = np.abs([cv2.pointPolygonTest(line, point, True) for point in end.wood_px])
    outcome.outline_percent = float(away.max() / diameter * 100)
    outcome.edge_held = float(np.mean(away <= 2 * end.radius_px * end.edge_error))
    if end.pith_px is None:
        return outcome
    outcome.pith_stated = True
    off = float(np.hypot(*(np.array(end.pith_px) - log.pith_px))) / diameter
    outcome.pith_percent = off * 100
    outcome.pith_covered = off <= end.pith_error
    _compare(end, log, outcome)
    return outcome


def _compare(end, log, outcome: LogOutcome) -> None:
    from grainscan.workshop.billets import layout_billets

    if end.rings is not None:
        outcome.rings = end.rings
        high = math.inf if end.rings_high is None else end.rings_high
        outcome.count_covered = end.rings_low <= log.rings <= high
        outcome.bounded = end.rings_high is not None
        true = np.array(log.shares)
        for radius in end.radii:
            places = np.array(radius.shares)
            near = np.abs(places[:, None] - true[None]).min(axis=1) <= TOLERANCE / len(true)
            outcome.hits += int(near.sum())
            outcome.found += len(places)
            outcome.true += len(true)
    layout = layout_billets(
        end.outline_mm(), 25.0, 25.0, core_mm=20.0, allowance_mm=1.0, edge_mm=end.edge_error_mm
    )
    outcome.billets = layout.count
    for billet in layout.billets:
        outcome.outside_mm = max(outcome.outside_mm, _outside_mm(end, log, billet.corners_mm))


def _outside_mm(end, log, corners_mm) -> float:
    """How far the corner farthest out lies beyond the true wood, 0 inside."""
    import cv2

    scale = end.mm_per_px
    line = log.wood_px.astype(np.float32)[:, None]
    worst = 0.0
    for x, y in corners_mm:
        point = (float(end.pith_px[0] + x / scale), float(end.pith_px[1] - y / scale))
        worst = max(worst, -cv2.pointPolygonTest(line, point, True) * scale)
    return worst


def run(count: int, seed: int, processes: int = 2) -> list[LogOutcome]:
    jobs = [
        (kind, condition, seed * 100_003 + i * 9 + k * 3 + c)
        for i in range(count)
        for k, kind in enumerate(KINDS)
        for c, condition in enumerate(CONDITIONS)
    ]
    if processes == 1:
        return [measure_one(job) for job in jobs]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return list(pool.map(measure_one, jobs))


def table(outcomes: list[LogOutcome]) -> str:
    lines = [
        f"{'anatomy':<15}{'condition':<9}{'logs':>5}{'found':>6}{'pith stated':>12}"
        f"{'pith error, % of diameter':>27}{'covered':>9}{'rings F1':>9}{'count held (open)':>18}"
    ]
    for kind in KINDS:
        for condition in CONDITIONS:
            chosen = [o for o in outcomes if (o.kind, o.condition) == (kind, condition)]
            stated = [o for o in chosen if o.pith_stated]
            counted = [o for o in stated if o.rings is not None]
            errors = [o.pith_percent for o in stated] or [math.nan]
            hits, found, true = (
                sum(getattr(o, name) for o in counted) for name in ("hits", "found", "true")
            )
            lines.append(
                f"{kind:<15}{condition:<9}{len(chosen):>5}"
                f"{sum(o.error is None for o in chosen):>6}{len(stated):>12}"
                f"{f'median {np.median(errors):.2f}, most {np.max(errors):.2f}':>27}"
                f"{sum(o.pith_covered for o in stated):>9}"
                f"{2 * hits / max(found + true, 1):>9.2f}"
                f"{_covered(counted):>18}"
            )
    found = [o for o in outcomes if o.error is None]
    worst = max((o.outline_percent for o in found), default=math.nan)
    held = np.mean([o.edge_held for o in found]) if found else math.nan
    lines.append(
        f"wood's outline: farthest point off by {worst:.2f} % of the diameter at most; "
        f"{held:.1%} of it within its stated error (95 %)"
    )
    outside = max((o.outside_mm for o in found), default=math.nan)
    lines.append(
        f"blanks laid out: {sum(o.billets for o in found)}; the farthest corner outside the true "
        f"wood: {outside:.2f} mm"
    )
    return "\n".join(lines)


def _covered(counted: list[LogOutcome]) -> str:
    """How many intervals hold the count; those open above in brackets."""
    is_open = sum(not o.bounded for o in counted)
    return f"{sum(o.count_covered for o in counted)} of {len(counted)} ({is_open})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2, help="logs per anatomy and condition")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    outcomes = run(chosen.count, chosen.seed, chosen.processes)
    for o in outcomes:
        if o.error or o.pith_percent > 2.0:
            print(f"{o.seed} {o.kind} {o.condition}: pith {o.pith_percent:.1f} % {o.error or ''}")
    print(table(outcomes))


if __name__ == "__main__":
    main()
