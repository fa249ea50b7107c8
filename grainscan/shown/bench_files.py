"""Pictures for the bench, drawn on a blank's photographs and written to files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from grainscan.photo.folder import BlankPhotos
from grainscan.photo.reading import read_photo
from grainscan.results import BlankMeasurement, FaceScan, SortWord
from grainscan.shown.bench_drawings import (
    board_picture,
    parts_picture,
    shaving_picture,
    square_picture,
    stacked,
)
from grainscan.shown.drawing import Backdrop, jpeg_bytes, with_caption
from grainscan.shown.files import write_whole
from grainscan.shown.overlays import backdrop_of
from grainscan.wording import sentence
from grainscan.workshop.board import BoardPlan
from grainscan.workshop.laid import LaidPart
from grainscan.workshop.plan import UnusedBlank
from grainscan.workshop.shaving import FACES, Shaving
from grainscan.workshop.square import SquareCheck

__all__ = ["write_board", "write_left_over", "write_parts", "write_shaving", "write_square"]

Picture = NDArray[np.uint8]
Draw = Callable[[Backdrop, FaceScan, str], Picture | None]


def write_shaving(
    photos: BlankPhotos, measurement: BlankMeasurement, shaving: Shaving, sort: SortWord, path: Path
) -> bool:
    """Arrows on both photographed faces; False where there is nothing to draw on."""
    faces = {face.face: face for face in shaving.faces}

    def draw(behind: Backdrop, scan: FaceScan, letter: str) -> Picture | None:
        for face in faces.values():
            if face.face == letter:
                return shaving_picture(behind, scan, face)
        return None

    poor = [
        f"Face {letter}: {scan.photo_quality.notes[0]}."
        for letter, scan in (("A", measurement.face_a), ("B", measurement.face_b))
        if scan is not None and not scan.photo_quality.ok and scan.photo_quality.notes
    ]
    whole = [
        f"Face {letter}: {faces[letter].throughout} serves throughout."
        for letter in FACES[:2]
        if letter in faces and faces[letter].throughout
    ]
    text = " ".join(
        [shaving.order.why, *whole, "On the opposite faces the directions reverse.", *poor]
    )
    title = f"{sort}: {shaving.blank}, which way to cut"
    return _write(photos, measurement, draw, sort, title, text, path)


def write_parts(photos: BlankPhotos, laid: Sequence[LaidPart], path: Path) -> bool:
    """Parts in their places on both photographed faces."""
    first = laid[0]
    measurement = first.judged.measurement

    def draw(behind: Backdrop, scan: FaceScan, letter: str) -> Picture | None:
        placements = [part.placement for part in laid]
        return parts_picture(behind, scan, letter, first.solid, placements)

    names = ", ".join(part.placement.part.name for part in laid)
    words: list[SortWord] = ["set aside", "check", "keep"]
    worst = min((part.judged.sort for part in laid), key=words.index)
    title = f"{worst}: {measurement.record.blank} as {names}"
    return _write(photos, measurement, draw, worst, title, _part_text(first), path)


def write_left_over(photos: BlankPhotos, unused: UnusedBlank, path: Path) -> bool:
    """The part that a blank nearly made, in its place, with the reason; False where there is none.

    A part that sticks out of the blank is drawn sticking out, its worst place marked.
    """
    measurement, solid, tried = unused.measurement, unused.solid, unused.tried
    if measurement is None or solid is None or tried is None:
        return False

    def draw(behind: Backdrop, scan: FaceScan, letter: str) -> Picture | None:
        return parts_picture(behind, scan, letter, solid, [tried])

    word = f"{unused.sort}: " if unused.sort else ""
    title = f"{word}{unused.blank} is left over"
    return _write(photos, measurement, draw, unused.sort, title, sentence(unused.reason), path)


def write_square(photos: BlankPhotos, check: SquareCheck, path: Path) -> bool:
    """Fibres from the corners over both photographed faces."""
    judged = check.judged

    def draw(behind: Backdrop, scan: FaceScan, letter: str) -> Picture | None:
        return square_picture(behind, scan, letter, check)

    title = f"{judged.sort}: {check.solid.name}, squared"
    text = f"{check.through * 100:.0f} % of the fibres run through. {judged.because[0]}"
    return _write(photos, judged.measurement, draw, judged.sort, title, text, path)


def write_board(plan: BoardPlan, path: Path) -> bool:
    """The board at scale with its saw lines."""
    write_whole(path, jpeg_bytes(board_picture(plan)))
    return True


def _write(
    photos: BlankPhotos,
    measurement: BlankMeasurement,
    draw: Draw,
    sort: SortWord | None,
    title: str,
    text: str,
    path: Path,
) -> bool:
    """Both faces below one another with a caption, photographs read one after the other."""
    pictures = []
    for photo, scan, letter in (
        (photos.face_a, measurement.face_a, "A"),
        (photos.face_b, measurement.face_b, "B"),
    ):
        if photo is None or scan is None:
            continue
        picture = draw(backdrop_of(read_photo(photo).pixels, scan), scan, letter)
        if picture is not None:
            pictures.append(picture)
    if not pictures:
        return False
    write_whole(path, jpeg_bytes(with_caption(stacked(pictures), sort, title, text)))
    return True


def _part_text(laid: LaidPart) -> str:
    left, right = laid.placement.cut_off_mm
    way = "along the fibres" if laid.placement.way.along_fibres else "straight"
    return (
        f"Laid {way}: cut off {left:.0f} mm left and {right:.0f} mm right; spare wood "
        f"{laid.placement.spare_mm:.1f} mm at the tightest place. Against its own axis: "
        f"{laid.judged.because[0]}"
    )
