"""Pictures of what was found: outline, fibre lines, steep stretches, knots, ring boundaries."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from grainscan.photo.folder import BlankPhotos
from grainscan.photo.reading import read_photo
from grainscan.results import BlankResult, EndScan, FaceScan, LocalTrouble, PointPx
from grainscan.shown.drawing import (
    BLUE,
    DARK,
    PALE,
    RUST,
    Backdrop,
    Canvas,
    backdrop,
    jpeg_bytes,
    with_caption,
)
from grainscan.shown.fibre_lines import fibre_lines_px, on_face_px, trouble_ring_px
from grainscan.shown.files import write_whole
from grainscan.shown.steep import SteepStretch, steep_stretches
from grainscan.wording import angle_words, one_in_words

__all__ = ["backdrop_of", "captioned", "draw_picture", "words_for", "write_pictures"]

Picture = NDArray[np.uint8]


def backdrop_of(pixels: Picture, scan: FaceScan | EndScan) -> Backdrop:
    """The part of a photograph round a face or an end, reduced for drawing.

    ``pixels``: the photograph that was measured, (M, N, 3) uint8, upright. A face's backdrop
    is at most 1600 pixels wide, an end's 1000. Drawing again, for another limit, needs no
    more of the photograph than this.
    """
    if isinstance(scan, EndScan):
        side = math.dist(scan.outline_px[0], scan.outline_px[1])
        box = _box(pixels, scan.outline_px, margin=(0.35 * side, 0.35 * side))
        return backdrop(pixels, box, wide=1000)
    height = math.dist(scan.outline_px[0], scan.outline_px[3])
    box = _box(pixels, _outline(scan), margin=(0.5 * height, 0.9 * height))
    return backdrop(pixels, box, wide=1600)


def draw_picture(behind: Backdrop, scan: FaceScan | EndScan, result: BlankResult) -> Picture:
    """What was found on a face or an end, drawn on its backdrop.

    On a face: outline, fibre lines, stretches beyond the limit, knots and swirls. On an end:
    outline, ring boundaries, ring direction. Returns (M, N, 3) uint8.
    """
    if isinstance(scan, EndScan):
        return _end_picture(behind, scan)
    return _face_picture(behind, scan, result)


def captioned(picture: Picture, scan: FaceScan | EndScan, result: BlankResult) -> Picture:
    """A drawn picture with the answer in words below it, for a file that stands alone."""
    side = "end" if isinstance(scan, EndScan) else f"face {_letter(scan, result)}"
    title = f"{result.sort}: {result.measurement.record.blank}, {side}"
    return with_caption(picture, result.sort, title, f"{result.because[0]} {words_for(scan)}")


def words_for(scan: FaceScan | EndScan) -> str:
    """One sentence of what a face or an end shows."""
    return _end_words(scan) if isinstance(scan, EndScan) else _face_words(scan)


def _face_picture(behind: Backdrop, face: FaceScan, result: BlankResult) -> Picture:
    canvas = Canvas(behind, units_across=900)
    left_top, left_bottom = canvas.drawn((face.outline_px[0], face.outline_px[3]))
    # Lines stand apart by several of their own widths, so that the wood is seen between them.
    across = round(math.dist(left_top, left_bottom) / (18.0 * canvas.unit))
    for line in fibre_lines_px(face, across=min(max(across, 2), 6)):
        canvas.line(line, BLUE, PALE, width=1.5)
    canvas.line(_outline(face), PALE, DARK, width=1.6, closed=True)
    for stretch in steep_stretches(result.measurement, result.limit, face):
        _mark_steep(canvas, face, stretch)
    for trouble in face.local_trouble:
        _mark_trouble(canvas, face, trouble)
    return canvas.finished()


def _end_picture(behind: Backdrop, end: EndScan) -> Picture:
    canvas = Canvas(behind, units_across=700)
    for line in end.boundary_lines_px:
        if len(line) >= 2:
            canvas.line(line, BLUE, PALE, width=1.4)
    canvas.line(end.outline_px, PALE, DARK, width=1.6, closed=True)
    if end.ring_direction_deg is not None:
        _mark_ring_direction(canvas, end, end.ring_direction_deg)
    _name_edges(canvas, end)
    return canvas.finished()


def write_pictures(
    photos: BlankPhotos, result: BlankResult, *, folder: Path, start: str
) -> tuple[Path, ...]:
    """Draw and write ``START-face-a.jpg``, ``START-face-b.jpg`` and ``START-end.jpg``.

    A photograph that was not measured gives no picture. Returns the files written; raises
    GrainscanError if the folder cannot be written to.
    """
    m = result.measurement
    written: list[Path] = []
    parts: tuple[tuple[Path | None, tuple[Path, ...], FaceScan | EndScan | None, str], ...] = (
        (photos.face_a, photos.more_a, m.face_a, "face-a"),
        (photos.face_b, photos.more_b, m.face_b, "face-b"),
        (photos.end, (), m.end, "end"),
    )
    for path, more, scan, part in parts:
        if path is None or scan is None:
            continue
        behind = backdrop_of(_measured_pixels(path, more), scan)
        picture = captioned(draw_picture(behind, scan, result), scan, result)
        target = folder / f"{start}-{part}.jpg"
        write_whole(target, jpeg_bytes(picture))
        written.append(target)
    return tuple(written)


def _measured_pixels(path: Path, more: tuple[Path, ...]) -> Picture:
    """The picture that was measured: a photograph, or several joined."""
    if not more:
        return read_photo(path).pixels
    from grainscan.measure.join import join_parts

    photos = [read_photo(p) for p in (path, *more)]
    focals = [photo.focal_35mm for photo in photos]
    return join_parts([photo.pixels for photo in photos], focal_35mm=focals).pixels


def _outline(face: FaceScan) -> tuple[PointPx, ...]:
    return (*face.top_edge_px, *reversed(face.bottom_edge_px)) or face.outline_px


def _box(
    pixels: Picture, outline: Sequence[PointPx], *, margin: tuple[float, float]
) -> tuple[int, int, int, int]:
    """The part of the picture round an outline, with room at the sides and above and below."""
    points = np.array(outline)
    height, width = pixels.shape[:2]
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return (
        int(np.clip(left - margin[0], 0, width - 2)),
        int(np.clip(top - margin[1], 0, height - 2)),
        int(np.clip(right + margin[0], 2, width)),
        int(np.clip(bottom + margin[1], 2, height)),
    )


def _mark_steep(canvas: Canvas, face: FaceScan, stretch: SteepStretch) -> None:
    """A toothed bracket along both edges of a stretch beyond the limit, with its slope."""
    u = np.linspace(stretch.start, stretch.stop, 240)
    for v, down in ((0.0, True), (1.0, False)):
        edge = canvas.drawn(on_face_px(face, u, np.full_like(u, v)))
        off = -7.0 * canvas.unit if down else 7.0 * canvas.unit
        bracket = [(x, y + off) for x, y in edge]
        canvas.line(bracket, RUST, PALE, width=3.0, is_drawn=True)
        teeth = max(round((bracket[-1][0] - bracket[0][0]) / (40 * canvas.unit)), 1)
        for k in np.linspace(0, len(bracket) - 1, teeth + 1):
            x, y = bracket[round(k)]
            canvas.triangle((x, y - off * 0.6), down, RUST, PALE)
    ((x, y),) = canvas.drawn(on_face_px(face, np.array([stretch.at]), np.array([0.0])))
    text = f"steep: {one_in_words(stretch.angle_deg)}"
    canvas.label(text, (x, y - 34.0 * canvas.unit), RUST)


def _mark_trouble(canvas: Canvas, face: FaceScan, trouble: LocalTrouble) -> None:
    """A ring round a knot or the middle of a swirl, its stretch along both edges, its name."""
    canvas.line(trouble_ring_px(face, trouble), RUST, PALE, width=2.6, closed=True)
    u = np.linspace(trouble.start, trouble.stop, 40)
    for v in (-0.03, 1.03):
        canvas.line(on_face_px(face, u, np.full_like(u, v)), RUST, PALE, width=2.0)
    ((x, y),) = canvas.drawn(on_face_px(face, np.array([trouble.at]), np.array([1.0])))
    canvas.label(trouble.what, (x, y + 24.0 * canvas.unit), RUST)


def _mark_ring_direction(canvas: Canvas, end: EndScan, direction_deg: float) -> None:
    """A dashed line through the middle of the section along the rings, with its angle."""
    corners = np.array(canvas.drawn(end.outline_px))
    centre = corners.mean(axis=0)
    edge = corners[1] - corners[0]
    along = math.atan2(edge[1], edge[0]) - math.radians(direction_deg)
    reach = 0.62 * float(np.linalg.norm(edge))
    tip = np.array([math.cos(along), math.sin(along)]) * reach
    ends = [tuple((centre - tip).tolist()), tuple((centre + tip).tolist())]
    canvas.dashed(ends, PALE, DARK, width=2.6)
    # The names of faces A and B stand above and to the left; this goes below or to the right.
    outward = tip if tip[1] + 0.3 * tip[0] > 0 else -tip
    beyond = centre + outward * (1.0 + 26.0 * canvas.unit / reach)
    canvas.label(f"rings {direction_deg:.0f}°", (float(beyond[0]), float(beyond[1])))


def _name_edges(canvas: Canvas, end: EndScan) -> None:
    left_top, right_top, _, left_bottom = np.array(canvas.drawn(end.outline_px))
    gap = 20.0 * canvas.unit
    top, left = (left_top + right_top) / 2.0, (left_top + left_bottom) / 2.0
    canvas.label("face A", (float(top[0]), float(top[1]) - gap))
    canvas.label("face B", (float(left[0]) - 1.8 * gap, float(left[1])))


def _letter(face: FaceScan, result: BlankResult) -> str:
    return "A" if face is result.measurement.face_a else "B"


def _face_words(face: FaceScan) -> str:
    if face.angle_deg is None:
        return "The fibres cannot be read on this face."
    words = f"On this face the fibres {_climb(face.angle_deg)}"
    if face.low_deg is not None and face.high_deg is not None:
        words += f" (90 % interval {face.low_deg:.1f}° to {face.high_deg:.1f}°)"
    return words + "."


def _climb(angle_deg: float) -> str:
    if abs(angle_deg) < 0.05:
        return "run along the edges"
    way = "climb" if angle_deg > 0 else "fall"
    return f"{way} {angle_words(abs(angle_deg))} to the right"


def _end_words(end: EndScan) -> str:
    if end.ring_direction_deg is None:
        return "The ring direction cannot be read on this end."
    text = f"Rings run {end.ring_direction_deg:.1f}° from face A"
    if end.ring_direction_low_deg is not None and end.ring_direction_high_deg is not None:
        low, high = end.ring_direction_low_deg, end.ring_direction_high_deg
        text += f" (90 % interval {low:.1f}° to {high:.1f}°)"
    if end.orientation is not None:
        text += f", {end.orientation}"
    if end.rings is not None:
        text += f"; {end.rings} ring boundaries"
    if end.mean_ring_mm is not None:
        text += f", {end.mean_ring_mm:.1f} mm a ring"
    return text + "."
