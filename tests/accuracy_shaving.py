"""How often the shaving direction is right, on rendered blanks whose fibres are known.

    python -m tests.accuracy_shaving [--count 40] [--seed 7000] [--scene clean] [FOLDER]

With FOLDER, the rendered blanks in it (with their ``truth.json``) are used, else blanks are
rendered for the occasion. For every place on faces A and B the recommended direction is compared
with the true rise of the fibres to that face, which is told twice: on the neighbouring face, where
it is seen, and on the blank's axis, half-way across the face that is cut. Nothing is tuned on
these seeds.

*Right* and *wrong* are recommendations of one direction. *Either way* may come with a direction
to try first where the rise cannot be told from none; "first try" says how often that is right. A
recommendation agrees with the truth where the direction or the first try is right, disagrees where
either is wrong, and otherwise names no direction.
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
    """Tangent of the true rise to a face on the axis: fx/fz for A, fy/fz for B."""
    fibre = np.array(truth["fibre"]["f"])
    row = 0 if face == "A" else 1
    return float(np.interp(at, truth["fibre"]["at"], fibre[:, row] / fibre[:, 2]))


def seen_rise(truth, face, at):
    """The same on the neighbouring face: tan b for A, −tan a for B."""
    other, sign = ("b", 1.0) if face == "A" else ("a", -1.0)
    seen = truth["faces"][other]
    return sign * math.tan(math.radians(float(np.interp(at, seen["at"], seen["angle_deg"]))))


def outcomes(folder):
    """(cut, rise on the neighbouring face, rise on the axis) for every place on faces A and B."""
    found = []
    blanks = find_blanks([folder])
    results = scan_many([Job(photos) for photos in blanks])
    for photos, result in zip(blanks, results, strict=True):
        truth = json.loads((photos.folder / "truth.json").read_text("utf-8"))
        shaving = shaving_of(result.measurement)
        for failure in result.measurement.failures:
            print(f"{photos.name}: not measured: {failure}")
        faces = [
            face for face in shaving.faces if face.face in ("A", "B")
        ]  # the others mirror them
        for letter in {"A", "B"} - {face.face for face in faces}:
            print(f"{photos.name}: no recommendation for face {letter}, its neighbour is not read")
        for face in faces:
            for cut in face.cuts:
                at = (truth, face.face, cut.at)
                found.append((cut, seen_rise(*at), true_rise(*at)))
    return found


def verdict(cut, rise):
    """Right or wrong of a direction; "first try right" or "wrong" of one to try; else the word."""
    direction, before = cut.direction, ""
    if direction == "either way" and cut.try_first is not None:
        direction, before = cut.try_first, "first try "
    if direction in ("either way", "not known"):
        return direction
    return before + ("right" if (direction == "left to right") == (rise > 0) else "wrong")


def inside(cut, rise):
    if cut.low_deg is None:
        return None
    return cut.low_deg <= math.degrees(math.atan(rise)) <= cut.high_deg


def report(found):
    lines = []
    for which, where in ((1, "on the neighbouring face"), (2, "on the axis")):
        pairs = [(row[0], row[which]) for row in found]
        lines.append(f"true rise {where}")
        steep = [verdict(cut, rise) for cut, rise in pairs if abs(rise) > STEEP]
        flat = [verdict(cut, rise) for cut, rise in pairs if abs(rise) <= STEEP]
        lines += [_steep_line(steep), _flat_line(flat)]
        held = [known for known in (inside(*pair) for pair in pairs) if known is not None]
        if held:
            lines.append(f"  within its 90 % interval: {_share(sum(held), len(held))}")
    return "\n".join(lines)


def _steep_line(words):
    count, total = Counter(words), len(words)
    name = f"  steeper than 1 in {PRACTICAL_ONE_IN:g}: {total} places"
    if not total:
        return name
    agrees = count["right"] + count["first try right"]
    against = count["wrong"] + count["first try wrong"]
    return (
        f"{name}: right {_share(count['right'], total)}, wrong {_share(count['wrong'], total)}, "
        f"first try right {_share(count['first try right'], total)}, "
        f"first try wrong {_share(count['first try wrong'], total)}, "
        f"either way {_share(count['either way'], total)}, "
        f"not known {_share(count['not known'], total)}\n"
        f"    agrees {_share(agrees, total)}, disagrees {_share(against, total)}; of the places "
        f"with one direction {_share(count['right'], count['right'] + count['wrong'])} right"
    )


def _flat_line(words):
    count, total = Counter(words), len(words)
    name = f"  flatter than 1 in {PRACTICAL_ONE_IN:g}: {total} places"
    if not total:
        return name
    either = total - count["right"] - count["wrong"] - count["not known"]
    return (
        f"{name}: either way {_share(either, total)}, one direction "
        f"{_share(count['right'] + count['wrong'], total)}, "
        f"not known {_share(count['not known'], total)}"
    )


def _share(part, whole):
    return f"{100 * part / whole:.1f} %" if whole else "none"


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
