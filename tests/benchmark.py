"""How fast blanks are scanned beside opening their photographs: ``python -m tests.benchmark``.

Renders two blanks as photographs of twelve megapixels (once, into ``--keep FOLDER``; they stay
there) and prints a table in Markdown, the figure aimed at beside each measured one. The pictures
are drawn without noise and then taken through a phone's camera (`phone_camera.py`: colour filter,
photon noise, demosaicing, sharpening; JPEG quality 95, 4:2:0): that doubles the files to 2.4 to
2.8 MB, the lower end of what phones write for twelve megapixels, since the bench is plain. Decoding
is `cv2.imdecode` in colour, on one thread, from bytes in memory. Times are
medians of several runs in one process with one thread each, CPU time unless said otherwise: other
work on the machine disturbs that less than wall time. Peak memory and start-up are those of
processes of their own. Linux only: memory is read as the kernel counts it.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

SEEDS = (9101, 9102)
SIDES = ("face-a", "face-b", "end")
_SIDES_DRAWN = ("face_a", "face_b", "end")
# Widths of pictures from 2 to 48 megapixels, 4:3.
WIDTHS_PX = (1633, 2828, 4000, 5657, 8000)

PEAK = """
import sys
from grainscan import scan_blank
scan_blank(sys.argv[1])
for line in open("/proc/self/status"):
    if line.startswith("VmHWM:"):
        print(int(line.split()[1]) / 1024)
"""
# Not getrusage's ru_maxrss: across exec that keeps the peak of the process that started this one.

# A fixed piece of work, counting within the processor's own caches: neither memory nor files.
COMPUTING = """
import time
start = time.perf_counter()
total = 0
for number in range(20_000_000):
    total += number
print(time.perf_counter() - start)
"""


@dataclass(frozen=True)
class Line:
    """One line of the table; ``met`` is None where nothing is aimed at."""

    what: str
    figure: str
    aim: str = ""
    met: bool | None = None


def photographed(folder: Path, seed: int) -> Path:
    """The folder of one rendered blank, rendered if it is not there."""
    import numpy as np

    from tests.phone_camera import JPEG_QUALITY, through_a_phone
    from tests.render import render_blank, write_blank
    from tests.render.spec import suite_case

    place = folder / f"phone-{seed}"
    done = list(place.glob("*/truth.json"))
    if done:
        return done[0].parent
    blank, photo = suite_case(seed, "clean")
    large = replace(
        photo,
        width_px=4000,
        height_px=3000,
        end_width_px=4000,
        end_height_px=3000,
        noise=0.0,
        sharpen=0.0,
        jpeg_quality=JPEG_QUALITY,
    )
    drawn = render_blank(blank, large, seed)
    rng = np.random.default_rng(seed)
    taken = {side: through_a_phone(getattr(drawn, side), rng) for side in _SIDES_DRAWN}
    return write_blank(place / blank.name, replace(drawn, **taken))


def resized(blank: Path, place: Path, width_px: int) -> Path:
    """The same blank with its photographs enlarged or reduced."""
    from PIL import Image

    from tests.phone_camera import JPEG_QUALITY

    place.mkdir(parents=True, exist_ok=True)
    (place / "blank.toml").write_bytes((blank / "blank.toml").read_bytes())
    for side in SIDES:
        target = place / f"{side}.jpg"
        if target.exists():
            continue
        with Image.open(blank / f"{side}.jpg") as image:
            size = (width_px, round(image.height * width_px / image.width))
            image.resize(size, Image.Resampling.BICUBIC).save(target, quality=JPEG_QUALITY)
    return place


def timed(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median CPU and wall seconds; one run before them warms up."""
    work()
    cpu, wall = [], []
    for _ in range(repeats):
        start = time.process_time(), time.perf_counter()
        work()
        cpu.append(time.process_time() - start[0])
        wall.append(time.perf_counter() - start[1])
    return statistics.median(cpu), statistics.median(wall)


def _decode(blank: Path, sides: tuple[str, ...] = SIDES) -> None:
    import cv2
    import numpy as np

    for side in sides:
        content = np.frombuffer((blank / f"{side}.jpg").read_bytes(), np.uint8)
        assert cv2.imdecode(content, cv2.IMREAD_COLOR) is not None


def _scan_side(blank: Path, name: str) -> None:
    from grainscan import read_blank_folder
    from grainscan.by_hand import ByHand
    from grainscan.scan import PhotoSource, measure_side

    side = {"face-a": "face_a", "face-b": "face_b", "end": "end"}[name]
    source = PhotoSource(blank / f"{name}.jpg", f"{name}.jpg")
    measure_side(read_blank_folder(blank).record, side, source, ByHand())  # type: ignore[arg-type]


def _scan_on(cores: int, blank: Path) -> None:
    from grainscan import read_blank_folder
    from grainscan.scan import scan_photos

    scan_photos(read_blank_folder(blank), at_once=cores)


def against_decoding(blank: Path, repeats: int) -> Iterator[Line]:
    from grainscan.processes import cores

    for name, sides in (("a face", ("face-a",)), ("an end", ("end",)), ("a whole blank", SIDES)):
        decode = timed(lambda sides=sides: _decode(blank, sides), repeats)
        if len(sides) == 1:
            scan = timed(lambda sides=sides: _scan_side(blank, sides[0]), repeats)
        else:
            scan = timed(lambda: _scan_on(1, blank), repeats)
        files = "JPEG" if len(sides) == 1 else "three JPEGs"
        size = sum((blank / f"{side}.jpg").stat().st_size for side in sides) / 1e6
        yield Line(f"decoding the {files} of {name} ({size:.1f} MB, OpenCV)", _seconds(*decode))
        ratio = scan[0] / decode[0]
        bar = name != "an end"
        yield Line(f"scanning {name}", _seconds(*scan))
        yield Line(
            f"scanning {name} / decoding it",
            f"{ratio:.1f} ×",
            "≤ 4 ×" if bar else "",
            ratio <= 4.0 if bar else None,
        )
    together = timed(lambda: _scan_on(cores(), blank), repeats)[1]
    yield Line("scanning a whole blank, its sides together (wall)", f"{together:.2f} s")
    yield Line("the same / decoding its JPEGs one by one (wall)", f"{together / decode[1]:.1f} ×")


def against_structure_tensor(blank: Path, repeats: int) -> Iterator[Line]:
    """scikit-image's tensor with its orientation, at full picture resolution and on our view."""
    from grainscan.measure.fibres import fibre_angles
    from grainscan.measure.outline import find_face
    from grainscan.measure.proportions import seen_length_over_width
    from grainscan.measure.squareon import square_on
    from grainscan.photo.reading import read_photo
    from tests.accuracy import structure_tensor_deg

    pixels = read_photo(blank / "face-a.jpg").pixels
    outline = find_face(pixels)
    ratio = seen_length_over_width(outline, pixels.shape)
    view = square_on(pixels, outline, length_over_width=ratio).grey
    grey = pixels.mean(axis=2)
    theirs = timed(lambda: structure_tensor_deg(grey), 1)
    face = timed(lambda: _scan_side(blank, "face-a"), repeats)
    ratio = theirs[0] / face[0]
    yield Line("scikit-image's structure tensor, whole picture", _seconds(*theirs))
    yield Line("the same / scanning a face", f"{ratio:.1f} ×", "≥ 8 ×", ratio >= 8.0)
    size = f"{view.shape[1]} × {view.shape[0]} px"
    theirs = timed(lambda: structure_tensor_deg(view), repeats)
    yield Line(f"scikit-image's structure tensor, square-on view ({size})", _seconds(*theirs))
    yield Line("our fibre angles, same view", _seconds(*timed(lambda: fibre_angles(view), repeats)))


def memory(blank: Path, large: Path) -> Iterator[Line]:
    for name, folder, most in (("12", blank, 450), ("48", large, 1200)):
        command = [sys.executable, "-c", PEAK, str(folder)]
        peak = float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        what = f"peak memory, a blank of three photographs of {name} megapixels"
        yield Line(what, f"{peak:.0f} MB", f"≤ {most} MB", peak <= most)


def workers(blanks: list[Path], folder: Path, count: int) -> Iterator[Line]:
    """Wall time of one command, its own start and that of its processes in it, as for a user."""
    batch = [_copied(blanks[k % len(blanks)], folder / f"{k:02}") for k in range(count)]
    seconds = []
    for number in (1, 2):
        out = folder / "results.json"
        command = [sys.executable, "-m", "grainscan", "scan", *map(str, batch)]
        start = time.perf_counter()
        subprocess.run(
            [*command, "--workers", str(number), "--json", str(out)],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        seconds.append(time.perf_counter() - start)
        assert len(json.loads(out.read_text())) == count
    gain = seconds[0] / seconds[1]
    for number, taken in zip((1, 2), seconds, strict=True):
        yield Line(f"blanks a minute, workers: {number} (wall)", f"{60 * count / taken:.1f}")
    yield Line("2 workers / 1", f"{gain:.2f} ×", "≥ 1.8 ×", gain >= 1.8)
    possible = statistics.median(two_processes_over_one() for _ in range(3))
    yield Line("two processes that only count / one, same machine", f"{possible:.2f} ×")


def two_processes_over_one() -> float:
    """How much more work two processes do than one in the same time on this machine, with nothing
    of ours in them: the share of its cores that it lets two of them have.
    """
    (alone,) = _computing(1)
    return 2.0 * alone / max(_computing(2))


def _computing(processes: int) -> list[float]:
    """Seconds that each of so many processes at once takes for its work, without its start."""
    started = [
        subprocess.Popen([sys.executable, "-c", COMPUTING], stdout=subprocess.PIPE, text=True)
        for _ in range(processes)
    ]
    return [float(process.communicate()[0]) for process in started]


def _copied(blank: Path, place: Path) -> Path:
    place.mkdir(parents=True, exist_ok=True)
    for name in ("blank.toml", *(f"{side}.jpg" for side in SIDES)):
        shutil.copyfile(blank / name, place / name)
    return place


def start_up(repeats: int) -> Iterator[Line]:
    """The least of several: what other work adds is not the command's."""
    for name, words, most in (
        ("`grainscan --help`", ["-m", "grainscan", "--help"], 0.25),
        ("`import grainscan`, beyond Python's own start", ["-c", "import grainscan"], 0.15),
    ):
        taken = _least(words, repeats)
        if words[0] == "-c":
            taken -= _least(["-c", "pass"], repeats)
        yield Line(f"{name} (wall)", f"{taken:.2f} s", f"≤ {most} s", taken <= most)


def _least(words: list[str], repeats: int) -> float:
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
        seconds.append(time.perf_counter() - start)
    return min(seconds)


def growth(blank: Path, folder: Path) -> Iterator[Line]:
    """Slope of log cost over log pixels, a whole blank, by least squares."""
    import numpy as np

    costs = []
    for width in WIDTHS_PX:
        place = resized(blank, folder / f"phone-width-{width}", width)
        costs.append(timed(lambda place=place: _scan_on(1, place), 1)[0])
    pixels = [math.log(width * width * 0.75) for width in WIDTHS_PX]
    slope = float(np.polyfit(pixels, np.log(costs), 1)[0])
    said = ", ".join(f"{cost:.1f}" for cost in costs)
    what = "growth of a blank's cost, 2 to 48 megapixels (log-log slope)"
    yield Line(what, f"{slope:.2f} ({said} s)", "≤ 1.05", slope <= 1.05)


def _seconds(cpu: float, wall: float) -> str:
    return f"{cpu:.2f} s (wall {wall:.2f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", type=Path, default=Path(".cache/benchmark"))
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--batch", type=int, default=24, help="blanks in the batch")
    given = parser.parse_args()
    blanks = [photographed(given.keep, seed) for seed in SEEDS]

    import cv2

    cv2.setNumThreads(1)
    first = blanks[0]
    large = resized(first, given.keep / f"phone-width-{WIDTHS_PX[-1]}", WIDTHS_PX[-1])
    print(f"| one run, {os.cpu_count()} cores | measured | aimed at | met |\n|---|---|---|---|")
    for part in (
        lambda: against_decoding(first, given.repeats),
        lambda: against_structure_tensor(first, given.repeats),
        lambda: memory(first, large),
        lambda: start_up(max(5, given.repeats)),
        lambda: workers(blanks, given.keep / "batch", given.batch),
        lambda: growth(first, given.keep),
    ):
        for line in part():
            met = {True: "yes", False: "no", None: ""}[line.met]
            print(f"| {line.what} | {line.figure} | {line.aim} | {met} |", flush=True)


if __name__ == "__main__":
    main()
