"""How many knots could be found at all, beside how many are.

``python -m tests.accuracy_knots_bound FOLDER`` takes the pictures that ``tests.accuracy_knots
--keep FOLDER`` has rendered. For every knot within or beside a face it takes as matched filters
the true field of turns, and the true disc for the cells' darkness, which the renderer knows: of
all detectors that sum up what is measured, none does better on the same white noise than one that
knows the field (wood's noise is not white, so a better one is not ruled out). Each filter is held
against every straight face of the folder, where it may lie anywhere. A knot counts as seen if no
more than a given share of the straight faces answers as strongly; where both filters have a say,
each gets half of that share. A share below one in the number of straight faces cannot be told
from none, and is left out. Darkness in the rows that are left out at the edges
is not in the filter. What grainscan finds stands beside it, at its own rate of false flags.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.accuracy_knots import GROUPS, LEAST_RADIUS, STRAIGHT_SCENES, group_of, look_at, view_of

REACH_CELLS = 14
SHARES = (0.002, 0.005, 0.01, 0.02)


def true_fields(seed: int, face: str, count: int) -> tuple[np.ndarray, np.ndarray]:
    """What the knot does to each cell (8, count): sine of twice the turn, and 1 within its disc."""
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
    disc = log.knot_distance(points) < 1.0
    turned[disc] = 0.0
    return np.sin(2.0 * np.radians(turned)).T, disc.T.astype(np.float64)


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


def _measured(place: Path, letter: str) -> tuple[tuple[np.ndarray, ...], ...] | None:
    """The cells' turns (two textures) and their darkness, or None where the face is not found."""
    from grainscan.measure.turns import local_turns

    view = view_of(place, letter)
    turns = None if view is None else local_turns(view.grey)
    return None if turns is None else ((turns.quiet, turns.every), (turns.dark,))


def chance_of(
    measured: tuple[tuple[np.ndarray, ...], ...],
    fields: tuple[np.ndarray, ...],
    first: int,
    straight: list[tuple[tuple[np.ndarray, ...], ...]],
) -> float:
    """Share of straight faces that answer as strongly as the knot at column ``first`` does."""
    chances = []
    for number, whole in enumerate(fields):
        field = whole[:, first : first + 2 * REACH_CELLS]
        if not field.any():
            continue
        field = field / np.abs(field).sum()
        here = answer(measured[number], field, first)
        long = [m[number] for m in straight if m[number][0].shape[1] > 2 * field.shape[1]]
        chances.append(float(np.mean([answer(m, field) >= here for m in long])))
    return min(1.0, len(chances) * min(chances, default=1.0))


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.accuracy_knots_bound", description=__doc__
    )
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    straight = []
    for scene in STRAIGHT_SCENES:
        for truth in sorted((folder / scene).glob("seed-*/*/truth.json")):
            straight += [m for m in (_measured(truth.parent, f) for f in "ab") if m is not None]
    if len(straight) < 1.0 / max(SHARES):
        parser.error(
            f"{len(straight)} straight faces say nothing of so few: render those scenes too"
        )
    # Of each knot: whether it is found, and the filters' chance.
    rows: dict[str, list[tuple[bool, float]]] = {group: [] for group in GROUPS}
    for truth in sorted((folder / "knots").glob("seed-*/*/truth.json")):
        seed = int(truth.parent.parent.name.removeprefix("seed-"))
        wanted = look_at(seed, "knots", folder).wanted
        for letter, knots in json.loads(truth.read_text())["trouble"].items():
            measured = _measured(truth.parent, letter)
            if measured is None or letter not in wanted:
                continue
            count = measured[0][0].shape[1]
            fields = true_fields(seed, letter, count)
            for knot in (k for k in knots if k["radius"] >= LEAST_RADIUS):
                first = max(0, int(knot["at"] * count) - REACH_CELLS)
                chance = chance_of(measured, fields, first, straight)
                rows[group_of(knot)].append((wanted[letter].found, chance))
    for line in table(rows, len(straight)):
        print(line)


def table(rows: dict[str, list[tuple[bool, float]]], straight: int) -> list[str]:
    """Figure got and bound side by side: knots found, seen by the filters, and missed but seen."""
    lines = [f"{straight} straight faces"]
    for group, those in rows.items():
        found = sum(f for f, _ in those)
        missed = [c for f, c in those if not f]
        lines.append(f"knots {GROUPS[group]}: {found} of {len(those)} found")
        for share in (s for s in SHARES if s * straight >= 1.0):
            seen = sum(c <= share for _, c in those)
            left = sum(c <= share for c in missed)
            lines.append(
                f"  filters that know the field, false flags {share:.1%} of faces: {seen} of "
                f"{len(those)} seen; {left} of the {len(missed)} missed ones"
            )
    return lines


if __name__ == "__main__":
    main()
