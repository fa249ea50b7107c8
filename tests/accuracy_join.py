"""How near three overlapping photographs of a long face come to one whole picture of it.

``python -m tests.accuracy_join --count 16`` renders blanks 700 mm long on a plain background, one
face of each in one picture and in three that overlap by a third, measures it both ways and prints
by how much the fibre angles differ, and how far either is from the truth. ``--keep FOLDER`` leaves
the pictures there (and finds them again without rendering). Light, place of the camera and noise
are other in every picture, so that the texture's own scatter is in the figures.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

LENGTH_MM = 700.0
PARTS = ((-0.02, 0.42), (0.29, 0.71), (0.58, 1.02))
MOST_DEG = 0.3
WIDTH_PX, HEIGHT_PX = 4000, 3000
"""A phone's usual twelve megapixels: smaller pictures show too little of a face of this length."""


@dataclass(frozen=True)
class Both:
    """Errors of one face's angle, degrees, from the whole picture and from three; or why not."""

    seed: int
    whole_deg: float
    joined_deg: float
    whole_said: str = ""
    joined_said: str = ""


def pictures(folder: Path, seed: int) -> tuple[list[Path], dict]:
    """The whole picture and the three parts as files, rendered if they are not there; the truth."""
    place = folder / f"{seed}"
    files = [place / f"{name}.jpg" for name in ("whole", "1", "2", "3")]
    truth = place / "truth.json"
    if not truth.exists():
        _render(place, files, truth, seed)
    return files, json.loads(truth.read_text())


def _render(place: Path, files: list[Path], truth: Path, seed: int) -> None:
    from PIL import Image

    from tests.render import render_blank
    from tests.render.spec import replace, suite_case

    blank, how = suite_case(seed, "clean")
    blank = replace(blank, length_mm=LENGTH_MM)
    shot = _shot(seed)
    place.mkdir(parents=True, exist_ok=True)
    for number, (file, part) in enumerate(zip(files, (None, *PARTS), strict=True)):
        # A camera's place is drawn from the seed: another one for every picture, the same wood.
        taken = replace(how, shots=(shot,), part=part, width_px=WIDTH_PX, height_px=HEIGHT_PX)
        made = render_blank(blank, taken, 10 * seed + number)
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0xA405] = round(how.focal_35mm)
        picture = Image.fromarray(getattr(made, shot))
        picture.save(file, quality=how.jpeg_quality, exif=exif)
    truth.write_text(
        json.dumps(
            {
                "angle_deg": made.truth["faces"][shot[-1]]["mean_angle_deg"],
                "width_mm": blank.width_mm if shot == "face_a" else blank.height_mm,
            }
        )
    )


def _shot(seed: int) -> str:
    return "face_a" if seed % 2 == 0 else "face_b"


def measured(folder: Path, seed: int) -> Both:
    """Both readings of one face."""
    from grainscan.by_hand import ByHand
    from grainscan.errors import BlankNotFoundError
    from grainscan.results import BlankRecord, FaceScan
    from grainscan.scan import PhotoSource, measure_side

    files, truth = pictures(folder, seed)
    whole, *parts = (PhotoSource(file, file.name) for file in files)
    first = PhotoSource(parts[0].content, parts[0].name, tuple(parts[1:]))
    sizes = {"length_mm": LENGTH_MM, "width_mm": truth["width_mm"]}
    errors, said = [], []
    for source in (whole, first):
        try:
            scan = measure_side(BlankRecord(blank=f"{seed}", **sizes), "face_a", source, ByHand())
        except BlankNotFoundError as error:
            errors.append(np.nan)
            said.append(str(error).split(":")[0])
            continue
        assert isinstance(scan, FaceScan)
        read = scan.angle_deg is not None
        errors.append(scan.angle_deg - truth["angle_deg"] if read else np.nan)
        said.append("" if read else "not read")
    return Both(seed, *errors, *said)


def table(both: list[Both]) -> str:
    """What is printed."""
    whole, joined = (np.array([getattr(b, k) for b in both]) for k in ("whole_deg", "joined_deg"))
    refused = sum("joined" in b.joined_said or "picture" in b.joined_said for b in both)
    lines = [f"{len(both)} faces of {LENGTH_MM:g} mm; {refused} were said not to join"]
    for what, values in (
        ("whole against the truth", whole),
        ("joined against the truth", joined),
        ("joined against whole", whole - joined),
    ):
        apart = np.abs(values[np.isfinite(values)])
        lines.append(
            f"{what:25} (deg): {len(apart)} read, median {np.median(apart):.2f}, greatest "
            f"{apart.max():.2f}, within {MOST_DEG}: {np.sum(apart <= MOST_DEG)}"
        )
    return "\n".join(lines)


def main() -> None:
    """Render, measure, print."""
    import cv2

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=16)
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    both = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(given.seed, given.seed + given.count):
            one = measured(given.keep or Path(scratch), seed)
            both.append(one)
            print(
                f"{seed}: whole {one.whole_said or f'{one.whole_deg:+.2f}'}, "
                f"joined {one.joined_said or f'{one.joined_deg:+.2f}'}",
                flush=True,
            )
    print(table(both))


if __name__ == "__main__":
    main()
