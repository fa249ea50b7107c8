"""How many knots are found, and how often one is seen where there is none.

``python -m tests.accuracy_knots --count 60`` renders as many blanks with a knot, and as many of
straight wood in each of four scenes, with seeds from ``--seed`` on, and looks for knots and swirls
on both faces of each as a scan does. Beside a face, a knot whose middle is no more than its radius
from the edge shows a half disc; of one farther off only the fibres' swerve is there to be seen.
``--scene`` takes some scenes alone; ``--keep FOLDER`` leaves
the pictures there (and does not render again what is there); ``--each`` prints every miss.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

STRAIGHT_SCENES = ("clean", "clutter", "hard", "square")
LEAST_RADIUS = 0.25
"""A knot from a quarter of the face's width on must be found."""
CUT_SHARE = 0.1
"""A knot lies within a face that it cuts over this share of the width; otherwise beside it."""
GROUPS = {
    "within": "within a face",
    "half disc": "beside a face, their rim at its edge",
    "swerve": "beside a face, farther off",
}


@dataclass
class Wanted:
    """A knot that the truth has on a face, and how far off it was found."""

    group: str
    found: bool
    at_off_widths: float = np.nan
    offset_off_widths: float = np.nan
    radius_ratio: float = np.nan


@dataclass
class BlankOutcome:
    name: str
    wanted: dict[str, Wanted] = field(default_factory=dict)
    small_found: bool = False
    false_flags: list[str] = field(default_factory=list)
    unread: int = 0


def look_at(seed: int, scene: str, folder: Path) -> BlankOutcome:
    """Render (unless it is there) and look for knots on both faces."""
    from grainscan.measure.both_faces import told_by_the_other
    from grainscan.measure.knots import look_for_trouble

    place = rendered(folder / scene, seed, scene)
    truth = json.loads((place / "truth.json").read_text())
    outcome = BlankOutcome(f"{scene} {seed}")
    views = {letter: view_of(place, letter) for letter in "ab"}
    looked = {
        letter: ((), ()) if view is None else look_for_trouble(view.grey)
        for letter, view in views.items()
    }
    for letter, other in ("ab", "ba"):
        view = views[letter]
        if view is None:
            outcome.unread += 1
            continue
        found, faint = looked[letter]
        one_width = 1.0 / view.length_over_width
        found += told_by_the_other(found, faint, looked[other][0], one_width=one_width)
        known = truth.get("trouble", {}).get(letter, [])
        # Far round a knot its swirl may still be seen; that is neither wanted nor false.
        length = truth["spec"]["length_mm"]
        swirled = [(k["at"], 3.0 * k["radius_mm"] / length) for k in truth["knots"]]
        found = [
            t for t in found if known or not any(abs(t.at - at) < reach for at, reach in swirled)
        ]
        _compare(outcome, letter, found, known, view)
    return outcome


def view_of(place: Path, letter: str):
    """The square-on view of a face as a scan has it, or None where no face is found."""
    import cv2

    from grainscan.errors import GrainscanError
    from grainscan.measure.outline import find_face
    from grainscan.measure.proportions import seen_length_over_width
    from grainscan.measure.squareon import square_on
    from grainscan.photo.reading import read_photo

    cv2.setNumThreads(1)
    photo = read_photo(place / f"face-{letter}.jpg")
    try:
        outline = find_face(photo.pixels)
    except GrainscanError:
        return None
    ratio = seen_length_over_width(outline, photo.pixels.shape, focal_35mm=photo.focal_35mm)
    return square_on(photo.pixels, outline, length_over_width=ratio)


def group_of(knot: dict) -> str:
    if knot["cut_share"] >= CUT_SHARE:
        return "within"
    return "half disc" if knot["nearest_radii"] <= 1.0 else "swerve"


def rendered(folder: Path, seed: int, scene: str) -> Path:
    from tests.render import render_blank, write_blank
    from tests.render.spec import suite_case

    done = list(folder.glob(f"seed-{seed}/*/truth.json"))
    if done:
        return done[0].parent
    blank, photo = suite_case(seed, scene)
    rendered = render_blank(blank, replace(photo, shots=("face_a", "face_b")), seed)
    return write_blank(folder / f"seed-{seed}" / blank.name, rendered)


def _compare(outcome: BlankOutcome, letter: str, found, true: list[dict], view) -> None:
    one_width = 1.0 / view.length_over_width
    left = list(found)
    for knot in true:
        # The knot's own place belongs to it, also where the fibres there turn little.
        own = knot["radius"] * one_width
        first = min(knot["start"], knot["at"] - own) - one_width / 2
        last = max(knot["stop"], knot["at"] + own) + one_width / 2
        hits = [t for t in left if first <= t.at <= last]
        left = [t for t in left if t not in hits]
        if knot["radius"] < LEAST_RADIUS:
            outcome.small_found |= bool(hits)
            continue
        wanted = Wanted(group_of(knot), bool(hits))
        if hits:
            best = min(hits, key=lambda t: abs(t.at - knot["at"]))
            wanted.at_off_widths = abs(best.at - knot["at"]) / one_width
            wanted.offset_off_widths = abs(best.offset - knot["offset"])
            wanted.radius_ratio = best.radius / knot["radius"]
        outcome.wanted[letter] = wanted
    outcome.false_flags += [f"{letter} {t.what} at {t.at:.2f}" for t in left]


def table(scene: str, outcomes: list[BlankOutcome]) -> list[str]:
    """The lines of one scene's summary."""
    count = len(outcomes)
    flagged = [o for o in outcomes if o.false_flags]
    lines = [
        f"scene {scene}: {count} blanks, {sum(o.unread for o in outcomes)} faces not found; "
        f"flagged where there is nothing: {len(flagged)} blanks ({len(flagged) / count:.1%})"
    ]
    with_knots = [o for o in outcomes if o.wanted]
    if not with_knots:
        return lines
    wanted = [w for o in with_knots for w in o.wanted.values()]
    for group, words in GROUPS.items():
        these = [w for w in wanted if w.group == group]
        lines.append(f"  knots {words}, found there: {sum(w.found for w in these)} of {len(these)}")
    seen = [any(w.found for w in o.wanted.values()) or o.small_found for o in with_knots]
    lines.append(f"  blanks with a knot, flagged: {sum(seen)} of {len(seen)}")
    hits = [w for w in wanted if w.found and w.group == "within"]
    if hits:
        lines.append(
            "  those within, median error: place "
            f"{np.median([w.at_off_widths for w in hits]):.2f} widths, offset "
            f"{np.median([w.offset_off_widths for w in hits]):.2f} widths, radius "
            f"{np.median([w.radius_ratio for w in hits]):.2f} of the true"
        )
    return lines


def run(scene: str, count: int, seed: int, folder: Path, workers: int) -> list[BlankOutcome]:
    task = partial(look_at, scene=scene, folder=folder)
    seeds = range(seed, seed + count)
    if workers == 1:
        return [task(s) for s in seeds]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(task, seeds))


def boards() -> str:
    """How many strips of photographed boards without knots are flagged, straight or wavy."""
    import cv2

    from grainscan.measure.knots import find_local_trouble
    from tests.real_photographs import PHOTOGRAPHS, grey

    cv2.setNumThreads(1)
    strips = flagged = 0
    for photograph in PHOTOGRAPHS[:-1]:  # the last shows boards with knots
        board = grey(photograph)
        rows, columns = board.shape
        for high in sorted({max(34, columns // n) for n in (12, 9, 7)}):
            for first in range(0, rows - high + 1, high):
                strips += 1
                strip = np.ascontiguousarray(board[first : first + high])
                flagged += bool(find_local_trouble(strip))
    return f"strips of photographed boards, flagged: {flagged} of {strips}"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy_knots", description=__doc__)
    parser.add_argument("--count", type=int, default=60, help="blanks of each scene")
    parser.add_argument("--seed", type=int, default=9100)
    parser.add_argument("--scene", action="append", choices=("knots", *STRAIGHT_SCENES))
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--each", action="store_true")
    parser.add_argument("--boards", action="store_true", help="strips of photographs instead")
    given = parser.parse_args()
    if given.boards:
        print(boards())
        return
    with tempfile.TemporaryDirectory() as scratch:
        for scene in given.scene or ("knots", *STRAIGHT_SCENES):
            folder = given.keep or Path(scratch)
            outcomes = run(scene, given.count, given.seed, folder, given.workers)
            for line in table(scene, outcomes):
                print(line, flush=True)
            for outcome in outcomes if given.each else ():
                missed = [f for f, w in outcome.wanted.items() if not w.found]
                if missed or outcome.false_flags:
                    print(f"    {outcome.name}: missed {missed}, false {outcome.false_flags}")


if __name__ == "__main__":
    main()
