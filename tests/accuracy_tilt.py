"""How far a tilted camera changes the fibre angle: the same faces rendered level and tilted.

``python -m tests.accuracy_tilt --count 40`` renders each face on a plain background twice with the
same wood, once from straight above and once from a camera tilted by up to 25° in any direction, and
prints by how much the angle read changes: with the blank's sizes written down, with the focal
length that the camera wrote into the file, and with neither. Other light and another distance come
with another place of the camera, so that the texture's own scatter is in the figures.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

MOST_TILT_DEG = 25.0
WAYS = ("sizes written down", "focal length told", "neither")


@dataclass(frozen=True)
class Change:
    """Of one face: the camera's tilt, the true angle, and the change of what was read (3,)."""

    tilt_deg: float
    truth_deg: float
    change_deg: tuple[float, ...]


def changed(seed: int) -> Change | None:
    """Render and measure one face twice; None where it is not read."""
    from grainscan.errors import BlankNotFoundError
    from tests.render import render_blank
    from tests.render.spec import replace, suite_case

    blank, how = suite_case(seed, "clean")
    shot = "face_a" if seed % 2 == 0 else "face_b"
    read = []
    for tilt in (0.0, MOST_TILT_DEG):
        made = render_blank(blank, replace(how, shots=(shot,), tilt_max_deg=tilt), seed)
        truth = made.truth
        try:
            read.append(_readings(getattr(made, shot), shot, blank, how.focal_35mm))
        except BlankNotFoundError:
            return None
    if not np.isfinite(read).all():
        return None
    change = np.subtract(read[1], read[0])
    return Change(
        truth["photos"][shot]["camera"]["tilt_deg"],
        truth["faces"][shot[-1]]["mean_angle_deg"],
        tuple(float(c) for c in change),
    )


def _readings(pixels: np.ndarray, shot: str, blank, focal_35mm: float) -> list[float]:
    from grainscan.measure.face import measure_face

    letter = shot[-1]
    sizes = {
        "length_mm": blank.length_mm,
        "width_mm": blank.width_mm if letter == "a" else blank.height_mm,
    }
    ways = ({"focal_35mm": focal_35mm, **sizes}, {"focal_35mm": focal_35mm}, {})
    scans = [measure_face(pixels, photo=shot, face=letter, **known) for known in ways]
    return [np.nan if scan.angle_deg is None else scan.angle_deg for scan in scans]


def table(changes: list[Change], count: int) -> str:
    """What is printed."""
    lines = [f"{len(changes)} of {count} faces read from both places, tilt up to 25 deg"]
    for way, values in zip(WAYS, np.abs([c.change_deg for c in changes]).T, strict=True):
        lines.append(
            f"{way:20}  change of the fibre angle (deg): median {np.median(values):.2f}, "
            f"95th percentile {np.percentile(values, 95):.2f}, "
            f"at most 0.3: {np.mean(values <= 0.3):.0%}"
        )
    return "\n".join(lines)


def main() -> None:
    """Render, measure, print."""
    import cv2

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--each", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    changes = []
    for seed in range(given.seed, given.seed + given.count):
        change = changed(seed)
        if change is None:
            continue
        changes.append(change)
        if given.each:
            shown = ", ".join(f"{c:+.2f}" for c in change.change_deg)
            print(f"{seed}: tilt {change.tilt_deg:.0f}, true {change.truth_deg:+.2f}: {shown}")
    print(table(changes, given.count))


if __name__ == "__main__":
    main()
