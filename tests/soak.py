"""Many scans in one process: does memory grow, does a file stay open?

``python -m tests.soak --count 2000`` scans small blanks, good and faulty ones in turn (damaged,
unreadable and empty photographs, wrong records, no blank to be seen), judges them, and every so
often draws pictures. After a warm-up memory must stay flat within 5 % and the number of open
descriptors and threads the same. Exit code 1 if not. Linux only: it reads /proc.
"""

from __future__ import annotations

import argparse
import gc
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

from tests.hostile.folders import good_blank
from tests.hostile.pictures import SIDES, encoded, good, many_scans, side

MOST_GROWTH = 0.05
# The width at which a face of the sample is still read; a scan then takes part of a second.
SMALL_PX = 640


def blanks(root: Path) -> list[Path]:
    """Folders to scan in turn; every other one can be measured."""
    whole, small = root / "whole", root / "small"
    good_blank(whole, SIDES)
    small.mkdir()
    face = side("face-a")
    face = face.resize((SMALL_PX, round(face.height * SMALL_PX / face.width)))
    (small / "face-a.jpg").write_bytes(encoded(face, "JPEG", quality=90))
    return [whole, *(folder for bad in _faulty(root) for folder in (small, bad))]


def _faulty(root: Path) -> list[Path]:
    made = []
    noise = np.random.default_rng(1).integers(0, 256, (500, 700, 3), dtype=np.uint8)
    faulty = {
        "cut": good()[:20_000],
        "png-cut": good(kind="PNG")[:200_000],
        "heic-cut": good(kind="HEIF")[:20_000],
        "tiff-cut": encoded(side("face-a"), "TIFF", compression="tiff_lzw")[:300_000],
        "webp-cut": good(kind="WEBP")[:20_000],
        "empty": b"",
        "text": b"shopping list",
        "noise": encoded(Image.fromarray(noise), "JPEG"),
        "grey": encoded(Image.new("RGB", (700, 500), (120, 120, 120)), "JPEG"),
        "scans": many_scans(Image.new("L", (300, 200)), 200),
        "heic": good(kind="HEIF"),
    }
    for name, content in faulty.items():
        folder = root / name
        folder.mkdir()
        (folder / "face-b.jpg").write_bytes(content)
        made.append(folder)
    for name, record in (("wrong", b"width_mm = nan"), ("no-toml", b"[" * 5000)):
        good_blank(root / name)
        (root / name / "blank.toml").write_bytes(record)
        made.append(root / name)
    return made


def memory_mb() -> float:
    """Memory of this process that lies in the machine's."""
    fields = Path("/proc/self/statm").read_text().split()
    return int(fields[1]) * 4096 / 1e6


def descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def threads() -> int:
    return len(list(Path("/proc/self/task").iterdir()))


def soak(folders: list[Path], count: int, tell: Callable[[str], None]) -> bool:
    """Scan ``count`` times; whether memory and descriptors stayed as they were."""
    from grainscan.batch import Job, run_job
    from grainscan.photo.folder import find_blanks

    every = max(count // 20, len(folders))
    seen: list[tuple[float, int, int]] = []
    began = time.monotonic()
    failed = 0
    tell(f"{'scans':>6} {'MB':>7} {'open':>5} {'threads':>7} {'failed':>6} {'minutes':>7}")
    with tempfile.TemporaryDirectory() as pictures:
        for number in range(1, count + 1):
            (photos,) = find_blanks([folders[number % len(folders)]])
            place = (Path(pictures), "soak") if number % 29 == 0 else None
            # One after another and together, by turns of all folders.
            at_once = 1 + 2 * (number // len(folders) % 2)
            result = run_job(Job(photos, None, place), at_once=at_once)
            result.to_dict()
            failed += bool(result.measurement.failures)
            assert "fault in the program" not in " ".join(result.measurement.failures), result
            if number % every == 0:
                gc.collect()
                seen.append((memory_mb(), descriptors(), threads()))
                minutes = (time.monotonic() - began) / 60
                mb, handles, lines = seen[-1]
                tell(f"{number:6} {mb:7.1f} {handles:5} {lines:7} {failed:6} {minutes:7.1f}")
    # The first quarter warms up: libraries are loaded, caches and the allocator's pools fill.
    steady = seen[len(seen) // 4 :]
    third = max(len(steady) // 3, 1)
    first, last = (
        statistics.median(s[0] for s in part) for part in (steady[:third], steady[-third:])
    )
    growth = last / first - 1
    leaked = steady[-1][1] - steady[0][1]
    tell(f"after the warm-up: memory {growth:+.1%}, open descriptors {leaked:+}")
    return abs(growth) <= MOST_GROWTH and leaked == 0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        folders = blanks(Path(folder))
        flat = soak(folders, chosen.count, lambda line: print(line, flush=True))
    return 0 if flat else 1


if __name__ == "__main__":
    sys.exit(main())
