"""How well the outline of a face is found: renders pictures of four kinds of scene, prints a table.

``python -m tests.accuracy_outlines`` renders 60 pictures of each kind with seeds from 7000 on and
compares the outline with the truth. An outline is right if all four corners lie within 1.5 % of the
face's length of the true ones and both long edges run within 0.25° of the true ones. A wrong
outline counts as owned up to if no blank was found or the outline is reported unsure (below the
least confidence, or reaching the picture's border). ``--keep FOLDER`` leaves the pictures there
(and finds them again without rendering); ``--each`` prints every picture that is not both right and
sure.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from PIL import Image

SCENES = ("clean", "clutter", "wood-on-wood", "tilt")
WANTED = {"clean": 0.98, "clutter": 0.93, "wood-on-wood": 0.85, "tilt": 0.95}
TITLES = {"clean": "plain", "tilt": "tilt, uneven light"}
MOST_CORNER = 0.015
MOST_EDGE_DEG = 0.25
INNER = np.linspace(0.03, 0.97, 95)


@dataclass(frozen=True)
class Outcome:
    """One picture: the worst corner as a share of the length, the worse long edge's direction."""

    scene: str
    seed: int
    shot: str
    said: str
    corner: float
    edge_deg: float
    confidence: float
    seconds: float

    @property
    def right(self) -> bool:
        return self.corner <= MOST_CORNER and self.edge_deg <= MOST_EDGE_DEG

    @property
    def sure(self) -> bool:
        return self.said == ""


def pictured(folder: Path, scene: str, seed: int) -> tuple[np.ndarray, dict, str]:
    """The picture (from the folder if it is there), its truth, and which face it shows."""
    from tests.render import render_blank
    from tests.render.spec import replace, suite_case

    shot = "face_a" if seed % 2 == 0 else "face_b"
    photo, truth = (folder / f"{scene}-{seed}.{ending}" for ending in ("jpg", "json"))
    if not truth.exists():
        blank, how = suite_case(seed, scene)
        made = render_blank(blank, replace(how, shots=(shot,)), seed)
        Image.fromarray(getattr(made, shot)).save(photo, quality=how.jpeg_quality, subsampling=2)
        truth.write_text(json.dumps(made.truth["photos"][shot]))
    return np.asarray(Image.open(photo)), json.loads(truth.read_text()), shot


def outlined(seed: int, scene: str, folder: Path) -> Outcome:
    """Render one picture, find the outline and compare it with the truth."""
    import cv2

    from grainscan.errors import BlankNotFoundError
    from grainscan.measure.outline import LEAST_CONFIDENCE, find_face

    cv2.setNumThreads(1)
    pixels, truth, shot = pictured(folder, scene, seed)
    start = time.process_time()
    try:
        found = find_face(pixels)
    except BlankNotFoundError as error:
        seconds = time.process_time() - start
        return Outcome(scene, seed, shot, f"not found: {error}", np.inf, np.inf, 0.0, seconds)
    seconds = time.process_time() - start
    said = ""
    if found.touches_border:
        said = "reaches the border"
    elif found.confidence < LEAST_CONFIDENCE:
        said = "unsure"
    corners = np.array(truth["outline_px"])
    length = float(np.linalg.norm(corners[1] - corners[0]))
    away = np.linalg.norm(found.corners_px - corners, axis=1).max() / length
    edges = ((found.top_edge_px, "top_edge_px"), (found.bottom_edge_px, "bottom_edge_px"))
    turned = max(abs(direction_deg(e) - direction_deg(np.array(truth[t]))) for e, t in edges)
    return Outcome(scene, seed, shot, said, float(away), turned, found.confidence, seconds)


def direction_deg(edge: np.ndarray) -> float:
    """Least squares direction of an edge over the middle 94 % of its length."""
    x, y = edge[:, 0], edge[:, 1]
    at = x[0] + INNER * (x[-1] - x[0])
    return float(np.degrees(np.arctan(np.polyfit(at, np.interp(at, x, y), 1)[0])))


def table(outcomes: list[Outcome]) -> list[str]:
    """One line a kind of scene, and one for the failures of all."""
    head = (
        f"{'scene':20}{'pictures':>9}{'right':>8}{'wanted':>8}{'right, sure':>13}"
        f"{'wrong':>7}{'owned up':>10}{'corner 95 %':>13}{'edge 95 %':>11}{'CPU s':>7}"
    )
    lines = [head]
    for scene in dict.fromkeys(o.scene for o in outcomes):
        of = [o for o in outcomes if o.scene == scene]
        wrong = [o for o in of if not o.right]
        found = [o for o in of if np.isfinite(o.corner)]
        corner = f"{100 * np.percentile([o.corner for o in found], 95):.2f} %" if found else ""
        edge = f"{np.percentile([o.edge_deg for o in found], 95):.2f} deg" if found else ""
        lines.append(
            f"{TITLES.get(scene, scene):20}{len(of):9}{_share([o.right for o in of]):>8}"
            f"{WANTED.get(scene, 0):8.0%}{_share([o.right and o.sure for o in of]):>13}"
            f"{len(wrong):7}{sum(not o.sure for o in wrong):10}{corner:>13}{edge:>11}"
            f"{np.median([o.seconds for o in of]):7.2f}"
        )
    wrong = [o for o in outcomes if not o.right]
    owned = sum(not o.sure for o in wrong)
    share = "" if not wrong else f" ({owned / len(wrong):.0%}; wanted 90%)"
    lines.append(
        f"wrong outlines {len(wrong)} of {len(outcomes)}; "
        f"reported as not found or unsure {owned}{share}"
    )
    return lines


def _share(yes: list[bool]) -> str:
    return f"{np.mean(yes):.1%}"


def run(
    count: int, seed: int, scenes: tuple[str, ...], folder: Path, workers: int
) -> list[Outcome]:
    seeds = range(seed, seed + count)
    tasks = [partial(outlined, scene=scene, folder=folder) for scene in scenes]
    if workers == 1:
        return [task(s) for task in tasks for s in seeds]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return [outcome for task in tasks for outcome in pool.map(task, seeds)]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy_outlines", description=__doc__)
    parser.add_argument("--count", type=int, default=60, help="pictures of each kind of scene")
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--scene", action="append", help="this kind of scene only")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--each", action="store_true")
    given = parser.parse_args()
    scenes = tuple(given.scene or SCENES)
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        outcomes = run(given.count, given.seed, scenes, folder, given.workers)
    if given.each:
        for o in outcomes:
            if not (o.right and o.sure):
                print(
                    f"{o.scene} {o.seed} {o.shot}: corner {100 * o.corner:.2f} %, edge "
                    f"{o.edge_deg:.2f} deg, confidence {o.confidence:.2f}; {o.said or 'SURE'}"
                )
    print(f"seeds {given.seed} to {given.seed + given.count - 1}")
    for line in table(outcomes):
        print(line)


if __name__ == "__main__":
    main()
