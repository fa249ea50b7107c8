"""Pictures for the bench: shaving arrows, parts in place, saw lines, corners against fibres."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from grainscan.results import FaceScan
from grainscan.shown.drawing import BLUE, DARK, PALE, RUST, Backdrop, Canvas
from grainscan.shown.fibre_lines import fibre_lines_px, on_face_px
from grainscan.workshop.board import BoardPlan, SawnBlank
from grainscan.workshop.layout import Placement
from grainscan.workshop.shaving import FaceShaving, Stretch
from grainscan.workshop.solid import BlankSolid
from grainscan.workshop.square import SquareCheck

__all__ = ["board_picture", "parts_picture", "shaving_picture", "square_picture", "stacked"]

Picture = NDArray[np.uint8]
Float = NDArray[np.float64]
Drawn = tuple[float, float]

_UNITS_ACROSS = 900.0


def shaving_picture(behind: Backdrop, face: FaceScan, shaving: FaceShaving) -> Picture:
    """Arrows on a face: the direction of a clean cut over each stretch, and where it turns over.

    A double arrow means either way, a question mark not known, a dashed line across the face a
    turn. Returns (M, N, 3) uint8.
    """
    canvas = Canvas(behind, units_across=_UNITS_ACROSS)
    _outline(canvas, face)
    for stretch in shaving.stretches:
        _arrows(canvas, face, stretch)
    for turn in shaving.turns:
        ends = canvas.drawn(on_face_px(face, np.array([turn, turn]), np.array([-0.25, 1.25])))
        canvas.dashed(ends, PALE, RUST, width=3.0)
        canvas.label("turn round", (ends[0][0], ends[0][1] - 12.0 * canvas.unit), RUST)
    _name(canvas, face, f"face {shaving.face}")
    return canvas.finished()


def parts_picture(
    behind: Backdrop,
    face: FaceScan,
    letter: str,
    solid: BlankSolid,
    placements: Sequence[Placement],
) -> Picture:
    """Parts drawn in their places on a face, ``letter`` A or B, with the cuts across.

    Fibre lines are thin and blue, parts have a pale outline with a dark rim, their tenons are
    shaded off by cross lines, and the tightest place is marked.
    """
    canvas = Canvas(behind, units_across=_UNITS_ACROSS)
    for line in fibre_lines_px(face, across=4):
        canvas.line(line, BLUE, PALE, width=1.0)
    _outline(canvas, face)
    for placement in placements:
        _part(canvas, face, letter, solid, placement)
    _name(canvas, face, f"face {letter}")
    return canvas.finished()


def square_picture(behind: Backdrop, face: FaceScan, letter: str, check: SquareCheck) -> Picture:
    """The fibres that start at the corners and in the middle of the left end, over a face."""
    canvas = Canvas(behind, units_across=_UNITS_ACROSS)
    _outline(canvas, face)
    solid = check.solid
    drift = solid.drift_mm
    at = solid.z_mm / solid.length_mm
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        low, high = _walls(solid, letter)
        v = _across(low + share * (high - low)[0] + drift[_row(letter)], low, high, letter)
        points = on_face_px(face, at, v)
        inside = (v >= -0.02) & (v <= 1.02)
        canvas.line(points[: _first_out(inside)], BLUE, PALE, width=2.0)
    off = check.corner_off_mm[_row(letter)]
    canvas.label(f"{abs(off):.1f} mm off at this end", _above(canvas, face, 0.9))
    _name(canvas, face, f"face {letter}")
    return canvas.finished()


def board_picture(plan: BoardPlan, *, wide: int = 1900) -> Picture:
    """The board at scale: face A with saw lines and offsets, its edge with the tilt below.

    ``wide``: width of the picture in pixels. Returns (M, N, 3) uint8.
    """
    margin = 0.13 * wide
    scale = (wide - 2 * margin) / plan.length_mm
    gap = 0.06 * wide
    top = 0.06 * wide
    edge_top = top + plan.width_mm * scale + gap
    height = math.ceil(edge_top + plan.thickness_mm * scale + 0.05 * wide)
    paper = np.full((height, wide, 3), PALE, dtype=np.uint8)
    canvas = Canvas(Backdrop(paper, (0, 0), (1.0, 1.0)), units_across=1900.0)

    def at(z: float, down: float, start: float = top) -> Drawn:
        return margin + z * scale, start + down * scale

    _box(canvas, at(0, 0), at(plan.length_mm, plan.width_mm))
    _box(canvas, at(0, 0, edge_top), at(plan.length_mm, plan.thickness_mm, edge_top))
    for z in plan.crosscuts_mm:
        canvas.dashed([at(z, 0), at(z, plan.width_mm)], RUST, PALE, width=1.6)
    for line in plan.lines:
        ends = [
            at(line.start_mm, line.offset_start_mm),
            at(line.stop_mm, line.offset_stop_mm),
        ]
        canvas.line(ends, BLUE, PALE, width=1.8, is_drawn=True)
        for (x, y), offset, side in zip(
            ends, (line.offset_start_mm, line.offset_stop_mm), (1.0, -1.0), strict=True
        ):
            canvas.label(f"{offset:.1f}", (x + side * 24.0 * canvas.unit, y))
    for blank in plan.blanks:
        for layer in range(blank.layers):
            down = layer * (plan.wish.thickness_mm + plan.wish.kerf_mm)
            _tilted_side(canvas, plan, blank, down, at, edge_top)
    for number, blank in enumerate(plan.blanks, 1):
        middle = (blank.start_mm + blank.stop_mm) / 2.0
        down = (blank.offset_start_mm + blank.offset_stop_mm + plan.wish.width_mm) / 2.0
        layers = f" × {blank.layers}" if blank.layers > 1 else ""
        canvas.label(f"{number}{layers}", at(middle, down))
    canvas.label("face A", (margin + 40, top - 24))
    canvas.label("edge (face B)", (margin + 60, edge_top - 24))
    return canvas.finished()


def stacked(pictures: Sequence[Picture]) -> Picture:
    """Pictures below one another, all as wide as the widest, a pale strip between them."""
    wide = max(picture.shape[1] for picture in pictures)
    rows: list[Picture] = []
    for k, picture in enumerate(pictures):
        if k:
            rows.append(np.full((8, wide, 3), PALE, dtype=np.uint8))
        space = np.full((picture.shape[0], wide - picture.shape[1], 3), PALE, dtype=np.uint8)
        rows.append(np.concatenate([picture, space], axis=1))
    return np.concatenate(rows, axis=0)


def _outline(canvas: Canvas, face: FaceScan) -> None:
    outline = (*face.top_edge_px, *reversed(face.bottom_edge_px)) or face.outline_px
    canvas.line(outline, PALE, DARK, width=1.6, closed=True)


def _name(canvas: Canvas, face: FaceScan, name: str) -> None:
    canvas.label(name, _above(canvas, face, 0.08))


def _above(canvas: Canvas, face: FaceScan, at: float) -> Drawn:
    ((x, y),) = canvas.drawn(on_face_px(face, np.array([at]), np.array([0.0])))
    return x, y - 26.0 * canvas.unit


def _arrows(canvas: Canvas, face: FaceScan, stretch: Stretch) -> None:
    """Arrows of about an eighth of the length each along the middle of the face."""
    if stretch.direction == "not known":
        middle = np.array([(stretch.start + stretch.stop) / 2.0])
        ((x, y),) = canvas.drawn(on_face_px(face, middle, np.array([0.5])))
        canvas.label("?", (x, y))
        return
    span = stretch.stop - stretch.start
    count = max(round(span / 0.14), 1)
    for k in range(count):
        start = stretch.start + span * (k + 0.12) / count
        stop = stretch.start + span * (k + 0.88) / count
        line = canvas.drawn(on_face_px(face, np.linspace(start, stop, 8), np.full(8, 0.5)))
        is_either = stretch.direction == "either way"
        colour = DARK if is_either else RUST
        wide = 2.0 if is_either else 4.0
        canvas.line(line, colour, PALE, width=wide, is_drawn=True)
        if is_either or stretch.direction == "left to right":
            _head(canvas, line[-2], line[-1], colour, wide)
        if is_either or stretch.direction == "right to left":
            _head(canvas, line[1], line[0], colour, wide)


def _head(
    canvas: Canvas, before: Drawn, tip: Drawn, colour: tuple[int, int, int], wide: float
) -> None:
    along = math.atan2(tip[1] - before[1], tip[0] - before[0])
    size = (7.0 + 2.0 * wide) * canvas.unit
    wings = [
        (tip[0] - size * math.cos(along + turn), tip[1] - size * math.sin(along + turn))
        for turn in (0.5, -0.5)
    ]
    canvas.line([wings[0], tip, wings[1]], colour, PALE, width=wide, is_drawn=True)


def _part(
    canvas: Canvas, face: FaceScan, letter: str, solid: BlankSolid, placement: Placement
) -> None:
    row = _row(letter)
    at = placement.z_mm / solid.length_mm
    low, high = (np.interp(placement.z_mm, solid.z_mm, wall) for wall in _walls(solid, letter))
    line, half = placement.line_mm[row], placement.half_mm[row]
    sides = [_across(line + sign * half, low, high, letter) for sign in (-1.0, 1.0)]
    upper, lower = (on_face_px(face, at, v) for v in (np.minimum(*sides), np.maximum(*sides)))
    canvas.line(np.concatenate([upper, lower[::-1]]), PALE, DARK, width=2.6, closed=True)
    canvas.line(on_face_px(face, at, _across(line, low, high, letter)), RUST, PALE, width=1.4)
    for start, stop in placement.part.tenons:
        shoulder = stop if start + stop < placement.part.length_mm else start
        k = int(np.argmin(np.abs(placement.s_mm - shoulder)))
        canvas.line(np.stack([upper[k], lower[k]]), PALE, DARK, width=2.0)
    for k in (0, -1):
        for tick in ((-0.22, 0.0), (1.0, 1.22)):  # where to saw, beside the face
            ends = on_face_px(face, np.array([at[k]] * 2), np.array(tick))
            canvas.line(ends, RUST, PALE, width=2.6)
    k = int(np.argmin(np.abs(placement.z_mm - placement.tightest_mm)))
    # The top edge of photograph A is the side away from face B, that of photograph B is face A.
    tops, bottoms = (("opposite B",), ("B",)) if letter == "A" else (("A",), ("opposite A",))
    for faces, points, down in ((tops, upper, True), (bottoms, lower, False)):
        if placement.tightest_face in faces:
            canvas.triangle(canvas.drawn(points[k : k + 1])[0], down, RUST, PALE)
    canvas.label(placement.part.name, _above(canvas, face, float(at[0] + at[-1]) / 2.0))


def _row(letter: str) -> int:
    """Which of x and y is seen across a face: y on face A, x on face B."""
    return 1 if letter == "A" else 0


def _walls(solid: BlankSolid, letter: str) -> tuple[Float, Float]:
    k = 2 * _row(letter)
    return solid.walls_mm[k], solid.walls_mm[k + 1]


def _across(position_mm: Float, low: Float, high: Float, letter: str) -> Float:
    """Share of the face's width from its top edge: y runs down on face A, x up on face B."""
    share = (position_mm - low) / (high - low)
    return np.asarray(share if letter == "A" else 1.0 - share)


def _first_out(inside: NDArray[np.bool_]) -> int:
    out = np.flatnonzero(~inside)
    return max(int(out[0]), 2) if len(out) else len(inside)


def _box(canvas: Canvas, first: Drawn, second: Drawn) -> None:
    (x0, y0), (x1, y1) = first, second
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    canvas.line(corners, DARK, PALE, width=2.0, closed=True, is_drawn=True)


def _tilted_side(
    canvas: Canvas,
    plan: BoardPlan,
    blank: SawnBlank,
    down: float,
    at: Callable[[float, float, float], Drawn],
    edge_top: float,
) -> None:
    """A blank seen on the edge: face A above, rising fibres climb to the right."""
    thick, tilt = plan.wish.thickness_mm, blank.tilt_mm
    left, right = down + max(tilt, 0.0), down + max(-tilt, 0.0)
    corners = [
        at(blank.start_mm, left, edge_top),
        at(blank.stop_mm, right, edge_top),
        at(blank.stop_mm, right + thick, edge_top),
        at(blank.start_mm, left + thick, edge_top),
    ]
    canvas.line(corners, BLUE, PALE, width=1.8, closed=True, is_drawn=True)
