"""From the photographs of a blank to its measurement and its sorted result."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from grainscan.by_hand import ByHand, check_corners
from grainscan.errors import BlankNotFoundError, GrainscanError, InputError, PhotoError
from grainscan.judge.limits import limit_for_part
from grainscan.judge.sorting import judge_blank
from grainscan.photo.folder import BlankPhotos, read_blank_folder
from grainscan.photo.reading import Photo, read_photo
from grainscan.processes import cores
from grainscan.results import (
    BlankMeasurement,
    BlankRecord,
    BlankResult,
    EndScan,
    FaceScan,
    Limit,
)
from grainscan.wording import sentence

__all__ = [
    "MeasureSide",
    "OnStep",
    "PhotoSource",
    "Side",
    "load_opencv",
    "measure_blank",
    "measure_photo",
    "measure_side",
    "measure_sources",
    "scan_blank",
    "scan_photos",
]

# Parts of one face are in memory together; a pole of 6 m in parts of 1 m takes nine.
_MOST_PARTS = 12
_MOST_MEGAPIXELS_JOINED = 150.0

OnStep = Callable[[int, int, str], None]
Side = Literal["face_a", "face_b", "end"]
_CALLED: dict[Side, str] = {"face_a": "face A", "face_b": "face B", "end": "end"}
_SIDES = tuple(_CALLED)


@dataclass(frozen=True, slots=True)
class PhotoSource:
    """Where one photograph comes from: a file or its content, and how to call it.

    ``more``: further photographs of the same long face, which overlap, on to its right end.
    """

    content: Path | bytes
    name: str
    more: tuple[PhotoSource, ...] = ()


MeasureSide = Callable[[BlankRecord, Side, PhotoSource, ByHand], FaceScan | EndScan]


def scan_blank(
    folder: Path | str, *, limit: Limit | None = None, on_step: OnStep | None = None
) -> BlankResult:
    """Measure the blank in a folder, its photographs together on all cores, and sort it.

    Parameters
    ----------
    folder
        Holds the photographs ``face-a``, ``face-b`` and ``end``, and ``blank.toml`` if there
        is one.
    limit
        Steepest slope allowed; by default the limit of the part named in ``blank.toml``.
    on_step
        Called with (steps done, steps in all, what is done next).

    Returns
    -------
    BlankResult
        A photograph that cannot be used leaves its place None, with a line in the
        measurement's ``notes``; the answer is then **check** at best.

    Raises
    ------
    GrainscanError
        The folder has no photographs, its record is wrong, or OpenCV cannot be loaded.

    Examples
    --------
    >>> result = scan_blank("sample_images/ash-rung-straight")  # doctest: +SKIP
    >>> result.sort  # doctest: +SKIP
    'keep'
    """
    photos = read_blank_folder(Path(folder))
    return scan_photos(photos, limit=limit, on_step=on_step, at_once=cores())


def scan_photos(
    photos: BlankPhotos,
    *,
    limit: Limit | None = None,
    on_step: OnStep | None = None,
    at_once: int = 1,
) -> BlankResult:
    """As `scan_blank`, for photographs found already; ``at_once`` of them are measured together."""
    measurement = measure_blank(photos, on_step=on_step, at_once=at_once)
    return judge_blank(measurement, limit or limit_for_part(photos.record.part))


def measure_blank(
    photos: BlankPhotos, *, on_step: OnStep | None = None, at_once: int = 1
) -> BlankMeasurement:
    """Measure the photographs of one blank, ``at_once`` of them together; nothing is sorted.

    A photograph that cannot be read, or in which no blank is found, leaves its place None
    with a line in ``notes``. ``failures`` holds one line per problem with a file or, if the
    files are good but no face could be measured, one that says why. Where the photographs are
    not ``usable`` nothing is measured.
    """
    if not photos.usable:
        return _nothing_measured(photos.record, photos.problems)
    return measure_sources(
        photos.record,
        face_a=_source(photos.face_a, photos.more_a),
        face_b=_source(photos.face_b, photos.more_b),
        end=_source(photos.end),
        problems=photos.problems,
        by_hand=photos.by_hand,
        on_step=on_step,
        at_once=at_once,
    )


def measure_sources(
    record: BlankRecord,
    *,
    face_a: PhotoSource | None = None,
    face_b: PhotoSource | None = None,
    end: PhotoSource | None = None,
    problems: tuple[str, ...] = (),
    by_hand: ByHand | None = None,
    on_step: OnStep | None = None,
    measure: MeasureSide | None = None,
    at_once: int = 1,
) -> BlankMeasurement:
    """Measure a blank from its record and its photographs, each a file or its content.

    ``problems`` are lines known already (two files for one side, say); they are kept as
    failures. ``measure`` stands in for `measure_side`, for a caller that remembers sides it has
    measured before. ``by_hand``: what a person put right. ``at_once``: so many photographs are
    measured together, in threads; with 1 only one at a time is in memory.
    """
    load_opencv()
    from grainscan.measure.blank import combine

    job = _Job(record, by_hand or ByHand(), measure or measure_side)
    sides = _each_side(job, {"face_a": face_a, "face_b": face_b, "end": end}, on_step, at_once)
    notes, failures = list(problems), list(problems)
    for side, source in (("face_a", face_a), ("face_b", face_b)):
        if source is None and not problems:
            notes.append(f"no photograph of face {side[-1].upper()}")
        notes += sides[side].notes
        failures += sides[side].failures
    scan_a, scan_b, scan_end = (sides[side].scan for side in _SIDES)
    if scan_a is None and scan_b is None and not failures:
        failures.append(_no_face(notes))
    notes += sides["end"].notes
    failures += sides["end"].failures
    assert not isinstance(scan_a, EndScan)
    assert not isinstance(scan_b, EndScan)
    assert not isinstance(scan_end, FaceScan)
    measurement = combine(record, scan_a, scan_b, scan_end, tuple(notes))
    return dataclasses.replace(measurement, failures=tuple(failures))


def measure_side(
    record: BlankRecord, side: Side, source: PhotoSource, by_hand: ByHand
) -> FaceScan | EndScan:
    """Measure the photograph of one side.

    Raises
    ------
    PhotoError
        The file is no photograph that can be used.
    BlankNotFoundError
        No blank is found in it.
    InputError
        Corners set by hand are no outline in it.
    """
    if source.more and side != "end":
        return _joined_face(record, side, source)
    photo = read_photo(source.content, name=source.name)
    return measure_photo(record, side, photo, by_hand)


def measure_photo(
    record: BlankRecord, side: Side, photo: Photo, by_hand: ByHand
) -> FaceScan | EndScan:
    """As `measure_side`, for a photograph that is read already."""
    return _end(record, photo, by_hand) if side == "end" else _face(record, side, photo, by_hand)


def _face(
    record: BlankRecord, side: Literal["face_a", "face_b"], photo: Photo, by_hand: ByHand
) -> FaceScan:
    from grainscan.measure.face import measure_face

    known: dict[str, Any] = {}
    placed = by_hand.outline(side)
    if placed is not None:
        from grainscan.measure.by_hand import face_outline_by_hand
        from grainscan.measure.snap import snap_outline

        corners = check_corners(placed, size=_size(photo), is_face=True)
        known["outline"] = (
            snap_outline(photo.pixels, corners)
            if by_hand.snap
            else face_outline_by_hand(corners, _size(photo))
        )
    return measure_face(
        photo.pixels,
        photo=photo.name,
        face="a" if side == "face_a" else "b",
        focal_35mm=photo.focal_35mm,
        jpeg_grid=photo.jpeg_grid,
        length_mm=record.length_mm,
        width_mm=record.width_mm if side == "face_a" else record.height_mm,
        thickness_mm=record.height_mm if side == "face_a" else record.width_mm,
        card_check_mm=record.card_check_mm,
        card_on_bench=record.card_on_bench,
        **known,
    )


def _joined_face(
    record: BlankRecord, side: Literal["face_a", "face_b"], source: PhotoSource
) -> FaceScan:
    from grainscan.measure.face import measure_face
    from grainscan.measure.join import join_parts

    photos = _read_parts((source, *source.more))
    joined = join_parts(
        [photo.pixels for photo in photos], focal_35mm=[photo.focal_35mm for photo in photos]
    )
    scan = measure_face(
        joined.pixels,
        photo=" + ".join(photo.name for photo in photos),
        face="a" if side == "face_a" else "b",
        length_mm=record.length_mm,
        width_mm=record.width_mm if side == "face_a" else record.height_mm,
        outline=joined.outline,
    )
    said = f"joined from {len(photos)} photographs; pixels are those of the joined picture"
    # The bend from part to part is not known.
    return dataclasses.replace(scan, sweep_mm=None, notes=(*scan.notes, said))


def _read_parts(sources: tuple[PhotoSource, ...]) -> list[Photo]:
    """All parts of a long face, which must be in memory together."""
    if len(sources) > _MOST_PARTS:
        raise PhotoError(
            f"{sources[0].name}: {len(sources)} photographs of one face are more than "
            f"{_MOST_PARTS}. Photograph larger parts of it."
        )
    photos: list[Photo] = []
    megapixels = 0.0
    for source in sources:
        photos.append(read_photo(source.content, name=source.name))
        megapixels += photos[-1].pixels.shape[0] * photos[-1].pixels.shape[1] / 1e6
        if megapixels > _MOST_MEGAPIXELS_JOINED:
            raise PhotoError(
                f"{source.name}: the photographs of this face have more than "
                f"{_MOST_MEGAPIXELS_JOINED:.0f} megapixels together. Save them smaller."
            )
    return photos


def _end(record: BlankRecord, photo: Photo, by_hand: ByHand) -> EndScan:
    from grainscan.measure.end import measure_end

    known: dict[str, Any] = {}
    if by_hand.end is not None:
        from grainscan.measure.by_hand import end_outline_by_hand

        corners = check_corners(by_hand.end, size=_size(photo), is_face=False)
        known["outline"] = end_outline_by_hand(corners)
    scan = measure_end(
        photo.pixels,
        photo=photo.name,
        width_mm=record.width_mm,
        height_mm=record.height_mm,
        species=record.species,
        **known,
    )
    if not (by_hand.rings_added or by_hand.rings_removed):
        return scan
    from grainscan.measure.by_hand import rings_by_hand

    return rings_by_hand(scan, by_hand)


def _size(photo: Photo) -> tuple[int, int]:
    return photo.pixels.shape[1], photo.pixels.shape[0]


def load_opencv() -> None:
    """Load OpenCV, or say in one line which system package is missing.

    Raises
    ------
    GrainscanError
        OpenCV is not installed, or lacks a library of the system.
    """
    try:
        import cv2  # noqa: F401
    except ImportError as error:
        if "cannot open shared object file" in str(error) or "lib" in str(error):
            raise GrainscanError(
                "OpenCV cannot load for lack of a system library "
                f"({sentence(str(error)).rstrip('.')}). On Debian or Ubuntu: "
                "apt-get install libgl1 libglib2.0-0"
            ) from error
        raise GrainscanError(
            f"OpenCV cannot be loaded ({sentence(str(error)).rstrip('.')}). "
            "Install it with: python -m pip install opencv-python"
        ) from error


@dataclass(frozen=True, slots=True)
class _Job:
    """What all sides of one blank are measured with."""

    record: BlankRecord
    by_hand: ByHand
    measure: MeasureSide


@dataclass(frozen=True, slots=True)
class _Measured:
    """One side, or None where it could not be measured, and what is said about its photograph."""

    scan: FaceScan | EndScan | None = None
    notes: tuple[str, ...] = ()
    failures: tuple[str, ...] = ()


def _each_side(
    job: _Job, sources: dict[Side, PhotoSource | None], on_step: OnStep | None, at_once: int
) -> dict[str, _Measured]:
    """Each side as `_measured`; ``on_step`` is called in this thread."""
    step = on_step or _no_step
    if at_once <= 1:
        found: dict[str, _Measured] = {}
        for done, side in enumerate(_SIDES):
            step(done, len(_SIDES), _CALLED[side])
            found[side] = _measured(job, side, sources[side])
    else:
        found = _together(job, sources, step, at_once)
    step(len(_SIDES), len(_SIDES), "done")
    return found


def _together(
    job: _Job, sources: dict[Side, PhotoSource | None], step: OnStep, at_once: int
) -> dict[str, _Measured]:
    from concurrent.futures import ThreadPoolExecutor, as_completed

    with ThreadPoolExecutor(min(at_once, len(_SIDES))) as threads:
        sides = {threads.submit(_measured, job, side, sources[side]): side for side in _SIDES}
        step(0, len(_SIDES), ", ".join(_CALLED.values()))
        under_way = dict(_CALLED)
        for future in as_completed(sides):
            del under_way[sides[future]]
            if under_way:
                step(len(_SIDES) - len(under_way), len(_SIDES), ", ".join(under_way.values()))
        return {side: future.result() for future, side in sides.items()}


def _measured(job: _Job, side: Side, source: PhotoSource | None) -> _Measured:
    if source is None:
        return _Measured()
    try:
        return _Measured(job.measure(job.record, side, source, job.by_hand))
    except PhotoError as error:
        return _Measured(notes=(str(error),), failures=(str(error),))
    except (BlankNotFoundError, InputError) as error:
        text = str(error)
        named = text if text.startswith(source.name) else f"{source.name}: {text}"
        return _Measured(notes=(named,))


def _no_face(notes: list[str]) -> str:
    """The one line for a blank of which no face could be measured."""
    if not notes:
        return "No face could be measured."
    return f"No face could be measured: {sentence('; '.join(notes))}"


def _nothing_measured(record: BlankRecord, problems: tuple[str, ...]) -> BlankMeasurement:
    return BlankMeasurement(
        record=record,
        face_a=None,
        face_b=None,
        end=None,
        slope=None,
        fibre=(),
        ring_fibre_agreement_deg=None,
        spiral_deg=None,
        notes=problems,
        failures=problems,
    )


def _source(path: Path | None, more: tuple[Path, ...] = ()) -> PhotoSource | None:
    others = tuple(PhotoSource(other, other.name) for other in more)
    return None if path is None else PhotoSource(path, path.name, others)


def _no_step(_done: int, _total: int, _text: str) -> None:
    return None
