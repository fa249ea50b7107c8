"""How well fibre angles could be read at best: ``python -m tests.accuracy_bound FOLDER``.

Takes the pictures that ``tests.accuracy --scene SCENE --keep FOLDER`` has rendered. An estimator is
handed all that one can know of a picture but the angle: the true outline, the true course of the
fibres along the face but for one turn of the whole, and the true spectra. The same face is
photographed again and again by the renderer, with other fibres, vessels, rays, light, noise and
places of the camera, and the mean periodogram of those pictures, straightened along the true
course, is the spectrum. The turn is found by maximum likelihood (P. Whittle, *Estimation and
information in stationary time series*, Arkiv för Matematik 2, 1953), which for Gaussian textures no
other reading beats where the picture is large. Wood is not quite Gaussian, so a cleverer reading is
not ruled out.

Two such estimators: one knows where the rings lie as well (what the retaken pictures have in common
is taken away), the other only their statistics (they lie elsewhere in each picture). What grainscan
reads on the same faces, from the photographs alone, stands beside them.
"""

from __future__ import annotations

import argparse
import json
import re
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from grainscan.measure.outline import FaceOutline

SHOTS = {"a": "face_a", "b": "face_b"}
EDGE = 0.05
"""Share of the width left out along both edges: grainscan's."""

LONG = 2.0
"""Length of a block, in its widths."""

FINER = 4
"""Columns of the mean spectrum for each of a block's."""

LEAST_CYCLES = 2
"""Waves fewer across the width than these are light, not fibres."""

TURNS_DEG = np.arange(-6.0, 6.0001, 0.02)


@dataclass(frozen=True)
class Bound:
    """Errors (degrees) on one face: rings known, only their statistics known, grainscan's."""

    name: str
    rings_known_deg: float
    statistics_known_deg: float
    ours_deg: float | None
    half_width_deg: float | None


def levelled(pixels: np.ndarray, seen: dict, shape: tuple[int, int]) -> np.ndarray:
    """Logarithm of the face's light in the square-on view (``shape``) of the true outline, without
    what is left out along the edges, levelled.
    """
    import cv2

    from grainscan.measure.squareon import straight_grid

    grid = straight_grid(_true_outline(seen), *shape)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
    view = cv2.remap(grey, grid, None, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    margin = max(1, round(EDGE * shape[0]))
    light = np.log(np.maximum(view[margin:-margin], 1.0))
    return light - cv2.GaussianBlur(light, (0, 0), 0.25 * len(light))


def _true_outline(seen: dict) -> FaceOutline:
    from grainscan.measure.outline import FaceOutline

    corners, top, bottom = (
        np.array(seen[key]) for key in ("outline_px", "top_edge_px", "bottom_edge_px")
    )
    return FaceOutline(corners, top, bottom, 0.0, 1.0, touches_border=False)


def view_shape(seen: dict, ratio: float) -> tuple[int, int]:
    """Rows and columns of the view that has the photograph's own resolution along the face."""
    from grainscan.measure.lines import arc_length

    outline = _true_outline(seen)
    columns = round((arc_length(outline.top_edge_px) + arc_length(outline.bottom_edge_px)) / 2.0)
    return round(columns / ratio), columns


def blocks(view: np.ndarray, at: np.ndarray, angle_deg: np.ndarray, rows: int) -> np.ndarray:
    """Blocks of a view (M, N), each straightened along the true course, windowed: (B, M, L)."""
    import cv2

    height, width = view.shape
    long = int(LONG * height)
    slope = np.tan(np.radians(np.interp(np.arange(width) / width, at, angle_deg)))
    rise = np.cumsum(slope)
    window = np.outer(np.hanning(height + 2)[1:-1], np.hanning(long + 2)[1:-1])
    made = []
    for start in range(0, width - long + 1, max(1, long // 2)):
        columns = np.arange(start, start + long, dtype=np.float32)
        moved = rise[start : start + long] - rise[start + long // 2]
        y = (np.arange(height)[:, None] - moved[None, :]).astype(np.float32)
        x = np.broadcast_to(columns, y.shape).astype(np.float32)
        inside = (y >= 0) & (y <= height - 1)
        block = cv2.remap(
            view.astype(np.float32), x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
        made.append(block * inside * window)
    return np.array(made)[:, :rows]


def periodograms(made: np.ndarray, finer: int = 1) -> np.ndarray:
    """|F|² of blocks (B, M, L), frequencies along the length centred: (B, M // 2, finer · L)."""
    _, height, long = made.shape
    spectrum = np.fft.fft2(made, s=(height, finer * long))
    power = np.abs(np.fft.fftshift(spectrum, axes=2)) ** 2
    return power[:, LEAST_CYCLES : height // 2] / made[0].size


def turned(fine: np.ndarray, height: int, long: int, turn_deg: float) -> np.ndarray:
    """A spectrum (M // 2, FINER · L) at a block's own frequencies, its lines turned."""
    rows = np.arange(LEAST_CYCLES, LEAST_CYCLES + len(fine))
    # Streaks along y = -x·tan(turn) have their power at kx = ky·tan(turn) (y is down).
    shift = rows / height * np.tan(np.radians(turn_deg)) * FINER * long
    centre = FINER * long // 2
    columns = centre + FINER * (np.arange(long) - long // 2)
    at = np.clip(columns[None, :] - shift[:, None], 0, FINER * long - 1.001)
    low = at.astype(int)
    share = at - low
    row = np.arange(len(fine))[:, None]
    return (1.0 - share) * fine[row, low] + share * fine[row, low + 1]


def likeliest_deg(power: np.ndarray, fine: np.ndarray, rings: np.ndarray | float) -> float:
    """Turn of the fine texture with the greatest Whittle likelihood; power (B, M // 2, L)."""
    count, rows, long = power.shape
    height = 2 * (rows + LEAST_CYCLES)
    mean = power.mean(axis=0)
    odds = []
    for turn in TURNS_DEG:
        model = turned(fine, height, long, turn) + rings
        odds.append(-count * float(np.sum(np.log(model) + mean / model)))
    best = int(np.argmax(odds))
    if best in (0, len(odds) - 1):
        return float(TURNS_DEG[best])
    left, middle, right = odds[best - 1 : best + 2]
    step = 0.5 * (left - right) / (left - 2.0 * middle + right)
    return float(TURNS_DEG[best] + step * (TURNS_DEG[1] - TURNS_DEG[0]))


def coded(pixels: np.ndarray, quality: int) -> np.ndarray:
    import io

    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=quality, subsampling=2)
    return np.asarray(Image.open(file))


def bound_of(job: tuple[Path, str], scene: str, retakes: int) -> Bound:
    """Both estimators' errors, and ours, on one face of a rendered blank."""
    import cv2
    from PIL import Image

    from tests.render.shoot import retaken
    from tests.render.spec import suite_case

    cv2.setNumThreads(1)
    place, letter = job
    truth = json.loads((place / "truth.json").read_text())
    found = re.search(r"seed-(\d+)", str(place))
    assert found
    seed = int(found[1])
    blank, photo = suite_case(seed, scene)
    shot, face = SHOTS[letter], truth["faces"][letter]
    ratio = blank.length_mm / (blank.width_mm if letter == "a" else blank.height_mm)

    shape = view_shape(truth["photos"][shot], ratio)
    taken = np.asarray(Image.open(place / f"face-{letter}.jpg"))
    own = levelled(taken, truth["photos"][shot], shape)
    takes: dict[bool, list[np.ndarray]] = {}
    for rings in (False, True):
        again = [
            retaken(blank, photo, shot, 900_000 + 1000 * seed + k, rings=rings)
            for k in range(retakes)
        ]
        takes[rings] = [levelled(coded(p, photo.jpeg_quality), seen, shape) for p, seen in again]
    rows = len(own) - len(own) % 2
    cut = partial(blocks, at=np.array(face["at"]), angle_deg=np.array(face["angle_deg"]), rows=rows)
    common = np.mean(takes[False], axis=0)
    # Each is held against the mean of the others.
    apart = [(take - common) * retakes / (retakes - 1) for take in takes[False]]
    fine = np.mean([periodograms(cut(take), FINER).mean(axis=0) for take in apart], axis=0)
    whole = np.mean([periodograms(cut(take), FINER).mean(axis=0) for take in takes[True]], axis=0)
    height, long = rows, int(LONG * len(own))
    floor = 1e-3 * float(np.median(fine))
    ring_power = np.maximum(turned(whole, height, long, 0.0) - turned(fine, height, long, 0.0), 0.0)
    known = likeliest_deg(periodograms(cut(own - common)), fine + floor, 0.0)
    statistics = likeliest_deg(periodograms(cut(own)), fine + floor, ring_power)
    ours, half = _ours(place, letter, face["mean_angle_deg"])
    return Bound(f"{place.name} {letter}", known, statistics, ours, half)


def _ours(place: Path, letter: str, true_deg: float) -> tuple[float | None, float | None]:
    from grainscan import parse_limit, scan_blank

    face = scan_blank(place, limit=parse_limit("1:20")).to_dict()["faces"][letter]
    if face is None or face["angle_deg"] is None:
        return None, None
    return face["angle_deg"] - true_deg, (face["high_deg"] - face["low_deg"]) / 2.0


def line(name: str, errors: list[float], count: int) -> str:
    off = np.abs(errors)
    return (
        f"{name}: {len(off)} of {count} faces, median {np.median(off):.2f}, "
        f"95th percentile {np.percentile(off, 95):.2f}, most {off.max():.2f} deg"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--scene", required=True)
    parser.add_argument("--retakes", type=int, default=8)
    parser.add_argument("--most", type=int, default=None, help="blanks looked at")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--each", action="store_true")
    given = parser.parse_args()
    places = sorted(path.parent for path in given.folder.glob("seed-*/*/truth.json"))[: given.most]
    jobs = [(place, letter) for place in places for letter in "ab"]
    work = partial(bound_of, scene=given.scene, retakes=given.retakes)
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        bounds = []
        for bound in pool.map(work, jobs):
            bounds.append(bound)
            if given.each:
                print(bound, flush=True)
    count = len(bounds)
    print(line("rings known", [b.rings_known_deg for b in bounds], count))
    print(line("rings' statistics known", [b.statistics_known_deg for b in bounds], count))
    told = [b for b in bounds if b.ours_deg is not None]
    print(line("grainscan", [b.ours_deg for b in told if b.ours_deg is not None], count))
    of_told = [b.statistics_known_deg for b in told]
    print(line("statistics known, faces that grainscan tells", of_told, count))


if __name__ == "__main__":
    main()
