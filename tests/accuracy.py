"""How well whole blanks are measured: renders new ones, scans them, prints a table.

``python -m tests.accuracy --count 40 --seed 5000`` renders 40 blanks with seeds from 5000 on as
JPEG files with ``blank.toml``, scans each folder as a user would and compares with the truth.
``--compare`` also reads each face with scikit-image's structure tensor, handed the true outline,
and with our own, handed the same. ``--scene`` takes the renderer's scenes; ``--keep FOLDER`` leaves
the pictures there (and scans them again without rendering if they are there already); ``--each``
prints every blank.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

LIMIT_ONE_IN = 20.0


@dataclass
class FaceOutcome:
    name: str
    error_deg: float
    inside: bool
    width_deg: float
    station_error_deg: float
    stripes_off_deg: float


@dataclass
class Compared:
    """Errors (deg) on one square-on view made with the true outline; None where not told."""

    structure_tensor_deg: float
    ours_deg: float | None


@dataclass
class BlankOutcome:
    """One blank against its truth; lists hold what could be compared."""

    name: str
    faces: list[FaceOutcome] = field(default_factory=list)
    faces_taken: int = 0
    corner_percent: list[float] = field(default_factory=list)
    slope_error_deg: float = math.nan
    slope_inside: bool | None = None
    slope_over_limit: float = math.nan
    sort: str = ""
    ring_direction_error_deg: float = math.nan
    rings_off: int | None = None
    end_taken: bool = False
    compared: list[Compared] = field(default_factory=list)
    seconds: float = 0.0


def scan_one(folder: Path, seed: int, scene: str, *, compare: bool = False) -> BlankOutcome:
    """Render (unless the folder is there), scan and compare one blank."""
    import time

    import cv2

    from grainscan import parse_limit, scan_blank

    cv2.setNumThreads(1)
    place = _rendered(folder, seed, scene)
    truth = json.loads((place / "truth.json").read_text())
    start = time.perf_counter()
    result = scan_blank(place, limit=parse_limit(f"1:{LIMIT_ONE_IN:g}")).to_dict()
    outcome = BlankOutcome(place.name, seconds=time.perf_counter() - start)
    for letter in "ab":
        _compare_face(outcome, letter, result["faces"][letter], truth)
    _compare_slope(outcome, result, truth)
    _compare_end(outcome, result["end"], truth)
    if compare:
        outcome.compared = [_against_structure_tensor(place, letter, truth) for letter in "ab"]
    return outcome


def _against_structure_tensor(place: Path, letter: str, truth: dict) -> Compared:
    """Both on the view that the true corners give: what is compared is the reading alone."""
    import tomllib

    from grainscan.measure.by_hand import face_outline_by_hand
    from grainscan.measure.fibres import fibre_angles
    from grainscan.measure.jpeg_noise import grid_noise
    from grainscan.measure.squareon import square_on
    from grainscan.photo.reading import read_photo

    photo = read_photo(place / f"face-{letter}.jpg")
    pixels = photo.pixels
    record = tomllib.loads((place / "blank.toml").read_text())
    width_mm = record["width_mm" if letter == "a" else "height_mm"]
    corners = tuple((x, y) for x, y in truth["photos"][f"face_{letter}"]["outline_px"])
    outline = face_outline_by_hand(corners, (pixels.shape[1], pixels.shape[0]))
    grey = square_on(pixels, outline, length_over_width=record["length_mm"] / width_mm).grey
    true_deg = truth["faces"][letter]["mean_angle_deg"]
    assert photo.jpeg_grid is not None
    ours = fibre_angles(grey, grid_noise(pixels, outline, photo.jpeg_grid, grey.shape))
    off = (structure_tensor_deg(grey) - true_deg + 90.0) % 180.0 - 90.0
    return Compared(off, ours.mean_deg - true_deg if ours.readable else None)


def structure_tensor_deg(grey: np.ndarray, sigma_px: float = 2.0) -> float:
    """Direction of the lines of a view (M, N) by scikit-image's structure tensor, degrees.

    Up is positive: the mean of the doubled angle weighted by coherence (B. Jähne, *Digital Image
    Processing*, ch. 13). The 5 % along each long edge that ours leaves out are left out here too.
    """
    from skimage.feature import structure_tensor

    margin = max(1, round(0.05 * grey.shape[0]))
    rr, rc, cc = structure_tensor(grey[margin:-margin], sigma=sigma_px, order="rc")
    doubled = np.arctan2(2.0 * rc, rr - cc)
    coherence = np.hypot(2.0 * rc, rr - cc) / (rr + cc + 1e-9)
    return float(np.degrees(0.5 * np.angle(np.mean(coherence * np.exp(1j * doubled)))))


def _rendered(folder: Path, seed: int, scene: str) -> Path:
    from tests.render import render_blank, write_blank
    from tests.render.spec import suite_case

    done = list(folder.glob(f"seed-{seed}/*/truth.json"))
    if done:
        return done[0].parent
    blank, photo = suite_case(seed, scene)
    return write_blank(folder / f"seed-{seed}" / blank.name, render_blank(blank, photo, seed))


def _compare_face(outcome: BlankOutcome, letter: str, face: dict | None, truth: dict) -> None:
    true = truth["faces"][letter]
    outline = truth["photos"][f"face_{letter}"]["outline_px"]
    outcome.faces_taken += 1
    if face is None:
        return
    corners = np.array(outline)
    length = np.linalg.norm(corners[1] - corners[0])
    away = np.abs(np.array(face["outline_px"]) - corners).max()
    outcome.corner_percent.append(float(100 * away / length))
    if face["angle_deg"] is None:
        return
    error = face["angle_deg"] - true["mean_angle_deg"]
    at = [s["at"] for s in face["stations"]]
    measured = np.array([s["angle_deg"] for s in face["stations"]], dtype=float)
    stations = np.abs(measured - np.interp(at, true["at"], true["angle_deg"]))
    outcome.faces.append(
        FaceOutcome(
            name=f"{outcome.name} {letter}",
            error_deg=error,
            inside=face["low_deg"] <= true["mean_angle_deg"] <= face["high_deg"],
            width_deg=face["high_deg"] - face["low_deg"],
            station_error_deg=float(np.median(stations)),
            stripes_off_deg=true["ring_stripe_deg"] - true["mean_angle_deg"],
        )
    )


def _compare_slope(outcome: BlankOutcome, result: dict, truth: dict) -> None:
    true = truth["slope"]["angle_deg"]
    outcome.sort = result["sort"]
    outcome.slope_over_limit = true / math.degrees(math.atan(1.0 / LIMIT_ONE_IN))
    slope = result["slope"]
    if slope is None or slope["lower_bound_only"]:
        return
    outcome.slope_error_deg = slope["angle_deg"] - true
    outcome.slope_inside = slope["low_deg"] <= true <= slope["high_deg"]


def _compare_end(outcome: BlankOutcome, end: dict | None, truth: dict) -> None:
    outcome.end_taken = True
    if end is None or end["ring_direction_deg"] is None:
        return
    off = end["ring_direction_deg"] - truth["end"]["ring_direction_deg"]
    outcome.ring_direction_error_deg = (off + 90.0) % 180.0 - 90.0
    if end["rings"] is not None:
        outcome.rings_off = end["rings"] - truth["end"]["rings"]


def table(outcomes: list[BlankOutcome]) -> list[str]:
    """The lines of the summary."""
    faces = [f for o in outcomes for f in o.faces]
    errors = np.abs([f.error_deg for f in faces])
    taken = sum(o.faces_taken for o in outcomes)
    slopes = np.abs([o.slope_error_deg for o in outcomes if math.isfinite(o.slope_error_deg)])
    covered = [o.slope_inside for o in outcomes if o.slope_inside is not None]
    ends = [o for o in outcomes if math.isfinite(o.ring_direction_error_deg)]
    directions = np.abs([o.ring_direction_error_deg for o in ends])
    taken_ends = sum(o.end_taken for o in outcomes)
    counts = [abs(o.rings_off) <= 1 for o in outcomes if o.rings_off is not None]
    corners = [c for o in outcomes for c in o.corner_percent]
    wrong_keep = [o.name for o in outcomes if o.sort == "keep" and o.slope_over_limit > 1.3]
    wrong_aside = [o.name for o in outcomes if o.sort == "set aside" and o.slope_over_limit < 0.7]
    sorts = {word: sum(o.sort == word for o in outcomes) for word in ("keep", "check", "set aside")}
    return [
        f"blanks {len(outcomes)}, faces {taken}, read {len(faces)} ({len(faces) / taken:.0%})",
        _row("whole-face fibre angle, error (deg)", errors),
        _row(
            "fibre angle at a station, error (deg)", np.array([f.station_error_deg for f in faces])
        ),
        f"90 % intervals of faces that hold the truth: {np.mean([f.inside for f in faces]):.1%}, "
        f"median full width {np.median([f.width_deg for f in faces]):.2f} deg",
        _row("slope in space, error (deg)", slopes),
        f"90 % intervals of slopes that hold the truth: {np.mean(covered):.1%} of {len(covered)}",
        f"sorted at 1 in {LIMIT_ONE_IN:g}: {sorts}; steeper than 1.3 x the limit yet kept: "
        f"{wrong_keep or 'none'}; under 0.7 x yet set aside: {wrong_aside or 'none'}",
        _row("ring direction, error (deg)", directions),
        f"ring count within one: {np.sum(counts)} of {len(counts)} ends counted "
        f"({np.mean(counts):.1%}), {taken_ends - len(counts)} of {taken_ends} not counted",
        f"corners within 1.5 % of the length: {np.sum(np.array(corners) <= 1.5) / taken:.1%}"
        " of faces",
        f"seconds a blank, median: {np.median([o.seconds for o in outcomes]):.1f}",
        *_nearer_the_fibres(faces),
        *_comparison([c for o in outcomes for c in o.compared]),
    ]


def _nearer_the_fibres(faces: list[FaceOutcome]) -> list[str]:
    """Where ring stripes lie 3° and more off the fibres: which of the two the answer is nearer."""
    far = [f for f in faces if 3.0 <= abs(f.stripes_off_deg) <= 20.0]
    nearer = [abs(f.error_deg) < abs(f.error_deg - f.stripes_off_deg) for f in far]
    if not far:
        return ["ring stripes 3 to 20 deg off the fibres: on no face"]
    return [
        f"ring stripes 3 to 20 deg off the fibres: nearer the fibres on {sum(nearer)} of {len(far)}"
    ]


def _comparison(compared: list[Compared]) -> list[str]:
    if not compared:
        return []
    tensor = np.abs([c.structure_tensor_deg for c in compared])
    told = [c for c in compared if c.ours_deg is not None]
    ours = np.abs([c.ours_deg for c in told])
    same = np.abs([c.structure_tensor_deg for c in told])
    return [
        _row(f"scikit-image's structure tensor, true outline given, {len(tensor)} views", tensor),
        _row(f"  the same, on the {len(told)} views that ours tells", same),
        _row("  ours on those, the same outline given", ours),
    ]


def _row(what: str, errors: np.ndarray) -> str:
    if not len(errors):
        return f"{what}: nothing to compare"
    return (
        f"{what}: median {np.median(errors):.2f}, 95th percentile {np.percentile(errors, 95):.2f}"
    )


def run(
    count: int, seed: int, scene: str, folder: Path, workers: int, *, compare: bool = False
) -> list[BlankOutcome]:
    task: Callable[[int], BlankOutcome] = partial(
        _scan_seed, folder=folder, scene=scene, compare=compare
    )
    seeds = range(seed, seed + count)
    if workers == 1:
        return [task(s) for s in seeds]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(task, seeds))


def _scan_seed(seed: int, folder: Path, scene: str, compare: bool) -> BlankOutcome:
    return scan_one(folder, seed, scene, compare=compare)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--scene", default="clean")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--each", action="store_true")
    parser.add_argument("--compare", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        outcomes = run(
            given.count, given.seed, given.scene, folder, given.workers, compare=given.compare
        )
    if given.each:
        for outcome in outcomes:
            said = ", ".join(
                f"{f.name[-1]} {f.error_deg:+.2f}{'' if f.inside else ' out'}"
                for f in outcome.faces
            )
            print(
                f"{outcome.name}: {outcome.sort}; slope {outcome.slope_error_deg:+.2f}; {said}; "
                f"ring direction {outcome.ring_direction_error_deg:+.1f}, count {outcome.rings_off}"
            )
    print(f"scene {given.scene}, seeds {given.seed} to {given.seed + given.count - 1}")
    for line in table(outcomes):
        print(line)


if __name__ == "__main__":
    main()
