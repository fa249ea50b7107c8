"""How often the shaving direction is right, on rendered blanks whose fibres are known.

    python -m tests.accuracy_shaving [--count 40] [--seed 7000] [--scene clean] [FOLDER]

With FOLDER, the rendered blanks in it (with their ``truth.json``) are used, else blanks are
rendered for the occasion. For every place on faces A and B the recommended direction is compared
with the true rise of the fibres on the blank's axis to that face. Nothing is tuned on these
seeds.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from grainscan.batch import Job, scan_many
from grainscan.photo.folder import find_blanks
from grainscan.workshop.shaving import PRACTICAL_ONE_IN, shaving_of
from tests.render import random_blank, random_photo, render_blank, write_blank

STEEP = 1.0 / PRACTICAL_ONE_IN


def rendered(folder, count, seed, scene):
    for k in range(seed, seed + count):
        photo = random_photo(k, scene, shots=("face_a", "face_b"))
        write_blank(folder / f"blank-{k}", render_blank(random_blank(k), photo, k))


def true_rise(truth, face, at):
    """Tangent of the true rise to a face at shares of the length: fx/fz for A, fy/fz for B."""
    fibre = np.array(truth["fibre"]["f"])
    row = 0 if face == "A" else 1
    return np.interp(at, truth["fibre"]["at"], fibre[:, row] / fibre[:, 2])


def outcomes(folder):
    """(steep or flat, what was recommended against the truth, truth within the interval)."""
    found = []
    blanks = find_blanks([folder])
    results = scan_many([Job(photos) for photos in blanks])
    for photos, result in zip(blanks, results, strict=True):
        truth = json.loads((photos.folder / "truth.json").read_text("utf-8"))
        shaving = shaving_of(result.measurement)
        for failure in result.measurement.failures:
            print(f"{photos.name}: not measured: {failure}")
        for face in shaving.faces:
            if face.face not in ("A", "B"):
                continue  # the opposite faces mirror these
            for cut in face.cuts:
                rise = float(true_rise(truth, face.face, cut.at))
                found.append((abs(rise) > STEEP, verdict(cut, rise), inside(cut, rise)))
    return found


def verdict(cut, rise):
    if cut.direction in ("either way", "not known"):
        return cut.direction
    return "right" if (cut.direction == "left to right") == (rise > 0) else "wrong"


def inside(cut, rise):
    if cut.low_deg is None:
        return None
    return cut.low_deg <= math.degrees(math.atan(rise)) <= cut.high_deg


def report(found):
    lines = []
    for is_steep, name in (
        (True, f"true rise steeper than 1 in {PRACTICAL_ONE_IN:g}"),
        (False, f"true rise flatter than 1 in {PRACTICAL_ONE_IN:g}"),
    ):
        words = Counter(word for steep, word, _ in found if steep == is_steep)
        total = sum(words.values())
        if total == 0:
            lines.append(f"{name}: no places")
            continue
        shares = ", ".join(
            f"{word} {100 * words[word] / total:.1f} %"
            for word in ("right", "wrong", "either way", "not known")
        )
        lines.append(f"{name}: {total} places: {shares}")
    held = [known for _, _, known in found if known is not None]
    if held:
        lines.append(f"true rise within its 90 % interval: {100 * sum(held) / len(held):.1f} %")
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--scene", default="clean")
    args = parser.parse_args()
    if args.folder is not None:
        print(report(outcomes(args.folder)))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rendered(folder, args.count, args.seed, args.scene)
        print(f"{args.count} blanks, scene {args.scene}, seeds from {args.seed}")
        print(report(outcomes(folder)))


if __name__ == "__main__":
    main()
