"""How near three overlapping photographs of a long face come to one whole picture of it.

``python -m tests.accuracy_join --count 16`` renders blanks 700 mm long on a plain background, one
face of each in two whole pictures and in three that overlap by a third, measures it from the one,
the other and the three, and prints by how much the fibre angles differ, and how far they are from
the truth. ``--megapixels 48`` makes the whole pictures as a phone's finest setting does; the parts
stay at twelve. ``--keep FOLDER`` leaves the pictures there (and finds them again without
rendering). Light, place of the camera and noise are other in every picture, so that the texture's
own scatter is in the figures: how far two whole pictures differ is what no joining can undercut.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from grainscan.scan import PhotoSource

LENGTH_MM = 700.0
PARTS = ((-0.02, 0.42), (0.29, 0.71), (0.58, 1.02))
MOST_DEG = 0.3
MOST_HALF_WIDTH_DEG = 0.5
"""A face whose 90 % interval is wider than this to either side is not told to 0.3 degrees by
anything: such faces are counted apart."""

SIZES = {12: (4000, 3000, 1.0), 48: (8000, 6000, 1.5)}
"""Width and height, pixels, of a phone's usual pictures and of its finest ones, whose smaller
pixels are that many times as blurred and noisy (common practice, no source). Smaller pictures show
too little of a face of this length."""


@dataclass(frozen=True)
class Reading:
    """Error of one face's angle and the half width of its 90 % interval, degrees; or why not."""

    error_deg: float
    half_width_deg: float
    said: str = ""

    def __str__(self) -> str:
        return self.said or f"{self.error_deg:+.2f} ± {self.half_width_deg:.2f}"


@dataclass(frozen=True)
class Face:
    """One face read from a whole picture, from another one and from three."""

    seed: int
    whole: Reading
    again: Reading
    joined: Reading


def pictures(folder: Path, seed: int, megapixels: int = 12) -> tuple[list[Path], dict]:
    """Two whole pictures and three parts as files, rendered if they are not there; the truth."""
    place = folder / f"{seed}-{megapixels}"
    files = [place / f"{name}.jpg" for name in ("whole", "again", "1", "2", "3")]
    truth = place / "truth.json"
    if not truth.exists():
        _render(place, files, truth, seed, megapixels)
    return files, json.loads(truth.read_text())


def _render(place: Path, files: list[Path], truth: Path, seed: int, megapixels: int) -> None:
    from PIL import Image

    from tests.render import render_blank
    from tests.render.spec import replace, suite_case

    blank, how = suite_case(seed, "clean")
    blank = replace(blank, length_mm=LENGTH_MM)
    shot = _shot(seed)
    place.mkdir(parents=True, exist_ok=True)
    for number, (file, part) in enumerate(zip(files, (None, None, *PARTS), strict=True)):
        width_px, height_px, rougher = SIZES[megapixels if part is None else 12]
        taken = replace(
            how,
            shots=(shot,),
            part=part,
            width_px=width_px,
            height_px=height_px,
            blur_px=how.blur_px * rougher,
            noise=how.noise * rougher,
        )
        # A camera's place is drawn from the seed: another one for every picture, the same wood.
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


def measured(folder: Path, seed: int, megapixels: int) -> Face:
    """All readings of one face."""
    from grainscan.scan import PhotoSource

    files, truth = pictures(folder, seed, megapixels)
    whole, again, *parts = (PhotoSource(file, file.name) for file in files)
    first = PhotoSource(parts[0].content, parts[0].name, tuple(parts[1:]))
    return Face(seed, *(_read(source, truth) for source in (whole, again, first)))


def _read(source: PhotoSource, truth: dict) -> Reading:
    from grainscan.by_hand import ByHand
    from grainscan.errors import BlankNotFoundError
    from grainscan.results import BlankRecord, FaceScan
    from grainscan.scan import measure_side

    record = BlankRecord(blank="long", length_mm=LENGTH_MM, width_mm=truth["width_mm"])
    try:
        scan = measure_side(record, "face_a", source, ByHand())
    except BlankNotFoundError as error:
        return Reading(np.nan, np.nan, str(error).split(":")[0])
    assert isinstance(scan, FaceScan)
    if scan.angle_deg is None or scan.high_deg is None:
        return Reading(np.nan, np.nan, "not read")
    return Reading(scan.angle_deg - truth["angle_deg"], scan.high_deg - scan.angle_deg)


def table(faces: list[Face]) -> str:
    """What is printed."""
    errors = {
        name: np.array([getattr(face, name).error_deg for face in faces])
        for name in ("whole", "again", "joined")
    }
    told = np.array(
        [
            max(face.whole.half_width_deg, face.joined.half_width_deg) <= MOST_HALF_WIDTH_DEG
            for face in faces
        ]
    )
    refused = sum("joined" in f.joined.said or "picture" in f.joined.said for f in faces)
    apart = errors["joined"] - errors["whole"]
    lines = [f"{len(faces)} faces of {LENGTH_MM:g} mm; {refused} were said not to join"]
    for what, values in (
        ("whole against the truth", errors["whole"]),
        ("joined against the truth", errors["joined"]),
        ("whole against another whole", errors["again"] - errors["whole"]),
        ("joined against whole", apart),
        (f"of faces told to ±{MOST_HALF_WIDTH_DEG}", apart[told]),
    ):
        off = np.abs(values[np.isfinite(values)])
        lines.append(
            f"{what:28} (deg): {len(off)} read, median {np.median(off):.2f}, greatest "
            f"{off.max():.2f}, within {MOST_DEG}: {np.sum(off <= MOST_DEG)}"
        )
    return "\n".join(lines)


def main() -> None:
    """Render, measure, print."""
    import cv2

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=16)
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--megapixels", type=int, choices=tuple(SIZES), default=12)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    faces = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(given.seed, given.seed + given.count):
            one = measured(given.keep or Path(scratch), seed, given.megapixels)
            faces.append(one)
            print(f"{seed}: whole {one.whole}, again {one.again}, joined {one.joined}", flush=True)
    print(table(faces))


if __name__ == "__main__":
    main()
