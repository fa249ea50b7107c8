"""How many of the knots beside a face could be found by their swerve at all.

``python -m tests.accuracy_knots_bound FOLDER`` takes the pictures that ``tests.accuracy_knots
--keep FOLDER`` has rendered. For every knot beside a face it takes the true field of turns, which
the renderer knows, as a matched filter: of all detectors that sum up the measured turns, none does
better on the same noise than one that knows the field. The filter is held against every straight
face of the folder, where it may lie anywhere. A knot counts as seen if no more than a given share
of the straight faces answers as strongly. What only darkness at the edge tells is left out.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.accuracy_knots import LEAST_RADIUS, STRAIGHT_SCENES, group_of, view_of

REACH_CELLS = 14
SHARES = (0.002, 0.005, 0.01, 0.02)


def true_turns(seed: int, face: str, count: int) -> np.ndarray:
    """Sine of twice the turn that the knot gives each cell (8, count); 0 within the knot."""
    from grainscan.measure.fibres import EDGE_SHARE
    from grainscan.measure.turns import CELLS_ACROSS
    from tests.render.body import Body
    from tests.render.knots import angle_deg
    from tests.render.log import Log
    from tests.render.spec import suite_case

    blank, _ = suite_case(seed, "knots")
    log = Log(blank)
    upper, lower = Body(blank, log).face_edges(face, (np.arange(count) + 0.5) / count)
    rows = (np.arange(CELLS_ACROSS) + 0.5) / CELLS_ACROSS
    across = (0.5 - rows) * (1.0 - 2.0 * EDGE_SHARE)
    points = (upper + lower)[:, None] / 2 + across[:, None] * (upper - lower)[:, None]
    up = (upper - lower) / np.linalg.norm(upper - lower, axis=1)[:, None]
    clear = Log(replace(blank, knots=()))
    turned = angle_deg(log.fibre(points), up) - angle_deg(clear.fibre(points), up)
    turned[log.knot_distance(points) < 1.0] = 0.0
    return np.sin(2.0 * np.radians(turned)).T


def answer(turns: tuple[np.ndarray, ...], field: np.ndarray, at: int | None = None) -> float:
    """The filter's answer at a column (or wherever it is strongest) against its usual most.

    As in `grainscan.measure.swirls`: both textures must show it, the scatter is the face's own.
    """
    from grainscan.measure.swirls import LEAST_TURN, USUAL_MOST

    sums = [
        sum(np.correlate(t, f, "valid") for t, f in zip(turn, field, strict=True)) for turn in turns
    ]
    sums = [s - np.median(s) for s in sums]
    if at is None:
        usual = [np.percentile(np.abs(s), USUAL_MOST) + LEAST_TURN for s in sums]
        at = int(
            np.argmax(np.prod([np.maximum(s / u, 0) for s, u in zip(sums, usual, strict=True)], 0))
        )
    here = slice(max(0, at - 3), at + 4)
    far = np.abs(np.arange(len(sums[0])) - at) > field.shape[1] / 2
    strengths = [
        np.maximum(s[here], 0) / (np.percentile(np.abs(s[far]), USUAL_MOST) + LEAST_TURN)
        for s in sums
    ]
    return float(np.sqrt(np.prod(strengths, axis=0)).max())


def _turns(place: Path, letter: str) -> tuple[np.ndarray, ...] | None:
    from grainscan.measure.turns import local_turns

    view = view_of(place, letter)
    turns = None if view is None else local_turns(view.grey)
    return None if turns is None else (turns.quiet, turns.every)


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.accuracy_knots_bound", description=__doc__
    )
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    straight = []
    for scene in STRAIGHT_SCENES:
        for truth in sorted((folder / scene).glob("seed-*/*/truth.json")):
            straight += [t for t in (_turns(truth.parent, f) for f in "ab") if t is not None]
    chances: dict[str, list[float]] = {"half disc": [], "swerve": []}
    for truth in sorted((folder / "knots").glob("seed-*/*/truth.json")):
        seed = int(truth.parent.parent.name.removeprefix("seed-"))
        for letter, knots in json.loads(truth.read_text())["trouble"].items():
            for knot in knots:
                if knot["radius"] < LEAST_RADIUS or group_of(knot) not in chances:
                    continue
                turns = _turns(truth.parent, letter)
                if turns is None:
                    continue
                count = turns[0].shape[1]
                first = max(0, int(knot["at"] * count) - REACH_CELLS)
                field = true_turns(seed, letter, count)[:, first : first + 2 * REACH_CELLS]
                field /= np.abs(field).sum()
                here = answer(turns, field, first)
                others = [answer(t, field) for t in straight if t[0].shape[1] > 2 * field.shape[1]]
                chances[group_of(knot)].append(float(np.mean(np.array(others) >= here)))
    print(f"{len(straight)} straight faces")
    for group, those in chances.items():
        seen = ", ".join(f"{sum(c <= s for c in those)} at {s:.1%}" for s in SHARES)
        print(f"{group}: {len(those)} knots; seen by the filter that knows their field: {seen}")


if __name__ == "__main__":
    main()
