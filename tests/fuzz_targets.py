"""What every reader of outside data must hold to: a value or one line, soon, whatever the bytes.

Each target takes bytes and raises `FindingError` where a reader breaks that promise.
"""

from __future__ import annotations

import functools
import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from grainscan.errors import GrainscanError

MOST_SECONDS = 2.0


class FindingError(Exception):
    """A reader broke its promise; the text says how."""


@functools.cache
def _file(name: str) -> Path:
    return Path(tempfile.mkdtemp(prefix="fuzz-")) / name


def _given(content: bytes, name: str = "file") -> Path:
    path = _file(name)
    path.write_bytes(content)
    return path


def picture(content: bytes) -> None:
    from grainscan.photo.reading import read_photo

    photo = read_photo(content, name="x")
    shape = photo.pixels.shape
    if photo.pixels.dtype != "uint8" or len(shape) != 3 or shape[2] != 3 or min(shape[:2]) < 100:
        raise FindingError(f"a picture of {shape} {photo.pixels.dtype}")


def record(content: bytes) -> None:
    from grainscan.photo.record import read_corrections, read_record

    path = _given(content, "blank.toml")
    found = read_record(path, blank="x")
    read_corrections(path)
    for size in (found.width_mm, found.height_mm, found.length_mm):
        if size is not None and not 0 < size <= 50_000:
            raise FindingError(f"a size of {size}")


def parts(content: bytes) -> None:
    from grainscan.workshop.parts import read_parts, sample_part, volume_mm3

    for part in read_parts(_given(content)).values():
        sample_part(part)
        if not volume_mm3(part) >= 0:
            raise FindingError("a part without a volume")


def cut_list(content: bytes) -> None:
    from grainscan.workshop.cutlist import read_cut_list
    from grainscan.workshop.parts import shipped_parts

    read_cut_list(_given(content), shipped_parts())


def woods(content: bytes) -> None:
    from grainscan.workshop.woods import NUMBERS, read_woods

    for wood in read_woods(_given(content)).woods:
        for key, value in wood.values:
            low, high = NUMBERS[key][1:]
            if not low <= value.value <= high:
                raise FindingError(f"{key} of {value.value}")


def weighings(content: bytes) -> None:
    from grainscan.workshop.drying_curve import fit_drying
    from grainscan.workshop.weighings import days_and_weights, read_weighings

    found = read_weighings(_given(content))
    if len(found) < 40:
        fit_drying(*days_and_weights(found), room_percent=9.0, scale_step_g=1.0)


def results(content: bytes) -> None:
    from grainscan.workshop.leave_green import green_plan
    from grainscan.workshop.ring_position import rings_from_file
    from grainscan.workshop.woods import read_woods

    rings = rings_from_file(_given(content))
    plan = green_plan(read_woods().find("white ash"), 14.0, rings, to_percent=8.0)
    json.dumps(plan.to_dict(), allow_nan=False)


def table(content: bytes) -> None:
    from grainscan.stock.csv_files import blanks_from_csv

    blanks_from_csv(content)


def corrections(content: bytes) -> None:
    from grainscan.by_hand import from_texts

    text = content.decode("utf-8", "replace")
    for what in ("outline", "knot", "ring boundary added", "ring boundary removed"):
        try:
            from_texts([("face_a", what, text)])
        except GrainscanError as error:
            _one_line(error)


def kept_measurement(content: bytes) -> None:
    from grainscan.results import BlankMeasurement
    from grainscan.stock.as_json import from_json, to_json

    found = from_json(BlankMeasurement, content.decode("utf-8", "replace"))
    if from_json(BlankMeasurement, to_json(found)) != found:
        raise FindingError("a measurement that is not the same when read again")


def lengths(content: bytes) -> None:
    from grainscan.judge.limits import parse_limit
    from grainscan.workshop.moisture import parse_moisture
    from grainscan.workshop.units import parse_length_mm, parse_section_mm

    text = content.decode("utf-8", "replace")
    for read in (parse_length_mm, parse_section_mm, parse_limit, parse_moisture):
        try:
            read(text)
        except GrainscanError as error:
            _one_line(error)


TARGETS: dict[str, Callable[[bytes], None]] = {
    function.__name__: function
    for function in (
        picture, record, parts, cut_list, woods, weighings, results, table, corrections,
        kept_measurement, lengths,
    )
}  # fmt: skip


def check(target: str, content: bytes) -> bool:
    """Give the bytes to a target; whether they were taken.

    Raises FindingError, or whatever the reader raised that is not for users.
    """
    began = time.process_time()
    try:
        TARGETS[target](content)
        taken = True
    except GrainscanError as error:
        _one_line(error)
        taken = False
    if (seconds := time.process_time() - began) > MOST_SECONDS:
        raise FindingError(f"{seconds:.1f} s")
    return taken


def _one_line(error: GrainscanError) -> None:
    text = str(error)
    if not text or not text.isprintable() or len(text) > 700:
        raise FindingError(f"no one plain line: {text[:900]!r}")
