"""A long blank in several overlapping photographs, joined along its length.

Each photograph's part of the face is seen square-on; parts are then laid over one another by
what both show (`join_place.py`). Where that shows one part's edge outside its neighbour's, a side
face was taken for part of the face there, which a part that runs out of its picture hardly tells
by itself; the edge is moved in. Where no place is found there is no joined picture.

What remains uncorrected: the proportions of each part are read from its own picture (see
`proportions`), so that without the blank's length and width tan(angle) is off by the same share as
they are; the bend of the axis from part to part is not known, so the whole has no sweep.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.join_place import lay_over
from grainscan.measure.lines import arc_length
from grainscan.measure.outline import DRAWN_POINTS, FaceOutline, find_face
from grainscan.measure.proportions import seen_length_over_width
from grainscan.measure.squareon import straight_grid

__all__ = ["JoinedFace", "find_part", "join_parts"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

PAD_PX = 0.06
PAD_COLOUR = (40, 60, 190)
"""No wood and no bench has it: beyond an open end the picture is taken to go on in this."""

MOST_APART = 0.02
"""Share of the width by which edges of the same wood in two pictures may lie apart without one of
them being wrong (no source)."""


@dataclass(frozen=True, slots=True)
class JoinedFace:
    """A face put together from its parts.

    ``pixels`` (M, N, 3) uint8 RGB: square-on, edge to edge with a little beyond. ``outline``:
    where the face lies in it. ``overlaps``: share of the width of each overlap's length over the
    face's width.
    """

    pixels: ByteArray
    outline: FaceOutline
    overlaps: tuple[float, ...]


def find_part(pixels: ByteArray, *, open_left: bool, open_right: bool) -> FaceOutline:
    """The face of a blank that runs out of the picture at its open ends, cut off square there.

    Raises :class:`BlankNotFoundError` as `find_face`.
    """
    import cv2

    pad = round(PAD_PX * pixels.shape[1])
    padded = cv2.copyMakeBorder(
        np.ascontiguousarray(pixels),
        0,
        0,
        pad if open_left else 0,
        pad if open_right else 0,
        cv2.BORDER_CONSTANT,
        value=PAD_COLOUR,
    )
    found = find_face(np.asarray(padded, dtype=np.uint8))
    shift = np.array([pad if open_left else 0.0, 0.0])
    top, bottom = found.top_edge_px - shift, found.bottom_edge_px - shift
    reaches = (
        not open_left or max(top[0, 0], bottom[0, 0]) < 0.02 * pixels.shape[1],
        not open_right or min(top[-1, 0], bottom[-1, 0]) > 0.98 * pixels.shape[1] - 1,
    )
    if not all(reaches):
        raise BlankNotFoundError(
            "the blank ends inside a picture in which it should run on: name the pictures in "
            "their order from the left end to the right end"
        )
    top, bottom = _cut_square(top, bottom, open_left, open_right)
    corners = np.array([top[0], top[-1], bottom[-1], bottom[0]])
    return dataclasses.replace(found, corners_px=corners, top_edge_px=top, bottom_edge_px=bottom)


def join_parts(
    pictures: Sequence[ByteArray], *, focal_35mm: Sequence[float | None] | None = None
) -> JoinedFace:
    """Join photographs (M, N, 3) uint8 RGB of one face, in order from left to right.

    ``focal_35mm``: of each, the focal length for the 35 mm format, None where it is not told.

    Raises :class:`BlankNotFoundError` if the face is not found in one of them, or neighbours
    cannot be laid over one another.
    """
    last = len(pictures) - 1
    outlines = []
    for k, pixels in enumerate(pictures):
        try:
            outlines.append(find_part(pixels, open_left=k > 0, open_right=k < last))
        except BlankNotFoundError as error:
            raise BlankNotFoundError(f"picture {k + 1} of {last + 1}: {error}") from error
    focals = focal_35mm or [None] * len(pictures)
    strips, places = _laid_over(pictures, outlines, focals)
    inner = _inner_edges(outlines, strips, places)
    if inner is not None:
        outlines = inner
        strips, places = _laid_over(pictures, outlines, focals)
    whole = strips.parts[0]
    overlaps = []
    # Places on a part, on the whole so far: only along the length, across each has its own edges.
    along = np.array([1.0, 0.0, 0.0])
    for part, place in zip(strips.parts[1:], places, strict=True):
        along = along[0] * place[0] + (0.0, along[1], along[2])
        overlaps.append((whole.shape[1] - along[2]) / strips.rows)
        whole = _joined(whole, part, along, strips.margin)
    turns = [np.degrees(place[1, 0]) for place in places]
    sigma = max(outline.angle_sigma_deg for outline in outlines)
    outline = _level_outline(
        whole.shape,
        strips.margin,
        # Of two references that differ either may be the wrong one.
        float(np.hypot(sigma, np.linalg.norm(turns) / np.sqrt(2.0 * len(turns)))),
        min(outline.confidence for outline in outlines),
    )
    return JoinedFace(whole, outline, tuple(float(o) for o in overlaps))


@dataclass(frozen=True, slots=True)
class _Strips:
    """All parts square-on: ``parts`` (M, N, 3), ``rows`` of the face, ``margin`` rows beside it."""

    parts: tuple[ByteArray, ...]
    rows: int
    margin: int

    def face(self, number: int) -> Float32Array:
        """The face of one part, grey (M, N)."""
        import cv2

        inner = self.parts[number][self.margin : self.margin + self.rows]
        return cv2.cvtColor(inner, cv2.COLOR_RGB2GRAY).astype(np.float32)


def _laid_over(
    pictures: Sequence[ByteArray],
    outlines: Sequence[FaceOutline],
    focals: Sequence[float | None],
) -> tuple[_Strips, list[FloatArray]]:
    """The parts square-on, and of each but the first its map to its left neighbour's face.

    Raises :class:`BlankNotFoundError` where two parts cannot be laid over one another.
    """
    rows = round(float(np.median([outline.width_px for outline in outlines])))
    strips = _Strips(
        tuple(
            _straight(pixels, outline, rows, focal)
            for pixels, outline, focal in zip(pictures, outlines, focals, strict=True)
        ),
        rows,
        _margin(rows),
    )
    faces = [strips.face(k) for k in range(len(pictures))]
    places = []
    for k, (left, right) in enumerate(itertools.pairwise(faces), start=1):
        place = lay_over(left, right)
        if place is None:
            raise BlankNotFoundError(
                f"pictures {k} and {k + 1} could not be joined: photograph again so that each "
                "shows a third of what its neighbour shows, from the same distance"
            )
        places.append(place)
    return strips, places


def _inner_edges(
    outlines: Sequence[FaceOutline], strips: _Strips, places: Sequence[FloatArray]
) -> list[FaceOutline] | None:
    """Outlines with edges moved in where a neighbour's edge of the same wood lies farther in.

    None where none does. The picture's own edges are the arris or the silhouette beyond a side
    face that is seen as well; nothing makes an edge be found too far in.
    """
    inward: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for k, place in enumerate(places):
        left_columns, right_columns = (strips.parts[n].shape[1] for n in (k, k + 1))
        # The middle of the overlap, on either part.
        on_left = (max(0.0, place[0, 2]) + left_columns - 1) / 2.0
        on_right = (on_left - place[0, 2]) / place[0, 0]
        for edge, row, sign in ((0, 0.0, 1.0), (1, strips.rows - 1.0, -1.0)):
            there = float(place[1] @ (on_right, row, 1.0))
            share = sign * (there - row) / strips.rows
            if share > MOST_APART:
                inward.setdefault((k, edge), []).append((on_left / left_columns, share))
            elif -share / place[1, 1] > MOST_APART:
                at = (on_right / right_columns, -share / place[1, 1])
                inward.setdefault((k + 1, edge), []).append(at)
    if not inward:
        return None
    return [
        _moved_in(outline, inward.get((k, 0), []), inward.get((k, 1), []))
        for k, outline in enumerate(outlines)
    ]


def _moved_in(
    outline: FaceOutline, top: list[tuple[float, float]], bottom: list[tuple[float, float]]
) -> FaceOutline:
    """The outline with its edges moved in by shares of the width, known at some shares of the
    length and straight in between.
    """
    upper, lower = outline.top_edge_px, outline.bottom_edge_px
    across = lower - upper
    at = np.linspace(0.0, 1.0, len(upper))
    doubt_deg = [outline.angle_sigma_deg]
    moved = []
    for edge, known, sign in ((upper, top, 1.0), (lower, bottom, -1.0)):
        if not known:
            moved.append(edge)
            continue
        share = np.interp(at, *np.array(sorted(known)).T)
        moved.append(edge + sign * share[:, None] * across)
        if len(known) == 1:
            # Seen at one end only: at the other the side face may be half as broad again or half.
            slant = share[0] / 2.0 * outline.width_px / arc_length(edge)
            doubt_deg.append(float(np.degrees(slant)) / 2.0)
    corners = np.array([moved[0][0], moved[0][-1], moved[1][-1], moved[1][0]])
    return dataclasses.replace(
        outline,
        corners_px=corners,
        top_edge_px=moved[0],
        bottom_edge_px=moved[1],
        angle_sigma_deg=float(np.linalg.norm(doubt_deg)),
    )


def _cut_square(
    top: FloatArray, bottom: FloatArray, open_left: bool, open_right: bool
) -> tuple[FloatArray, FloatArray]:
    """Both edges from cut to cut, the cuts at right angles to the axis and inside the picture."""
    middle = (top + bottom) / 2.0
    fifth = len(middle) // 5
    limits = []
    for side, open_end in ((0, open_left), (-1, open_right)):
        inner = middle[fifth] if side == 0 else middle[-1 - fifth]
        along = (inner - middle[side]) * (1.0 if side == 0 else -1.0)
        along /= np.linalg.norm(along)
        limits.append((side, open_end, along))
    cut = []
    for edge in (top, bottom):
        share = np.linspace(0.0, 1.0, len(edge))
        ends = [0.0, 1.0]
        for side, open_end, along in limits:
            if not open_end:
                continue
            both = np.array([top[side] @ along, bottom[side] @ along])
            wanted = both.max() + 2.0 if side == 0 else both.min() - 2.0
            ends[0 if side == 0 else 1] = float(np.interp(wanted, edge @ along, share))
        at = np.linspace(ends[0], ends[1], DRAWN_POINTS)
        cut.append(np.stack([np.interp(at, share, edge[:, k]) for k in (0, 1)], axis=1))
    return cut[0], cut[1]


def _margin(rows: int) -> int:
    return max(4, round(0.08 * rows))


def _straight(
    pixels: ByteArray, outline: FaceOutline, rows: int, focal_35mm: float | None
) -> ByteArray:
    """The part square-on in colour, with a margin above and below."""
    import cv2

    ratio = seen_length_over_width(outline, pixels.shape, focal_35mm=focal_35mm, ends_seen=False)
    columns = round(rows * ratio)
    grid = straight_grid(outline, rows, columns, margin_rows=_margin(rows))
    return np.asarray(
        cv2.remap(
            np.ascontiguousarray(pixels),
            grid[..., 0].astype(np.float32),
            grid[..., 1].astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        dtype=np.uint8,
    )


def _joined(left: ByteArray, right: ByteArray, along: FloatArray, margin: int) -> ByteArray:
    """Both in one picture: the right one from the middle of the overlap on, faded in.

    ``along`` (3,): the column of the whole is along · (column, row of the face, 1) of the part.
    """
    import cv2

    rows, columns = right.shape[:2]
    start = int(along[2])
    width = start + round(along[0] * (columns - 1) + min(0.0, along[1] * rows))
    if width <= left.shape[1]:
        return left
    move = np.array([[along[0], along[1], along[2] - start - along[1] * margin], [0.0, 1.0, 0.0]])
    size = (width - start, rows)
    right = np.asarray(
        cv2.warpAffine(right, move, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE),
        dtype=np.uint8,
    )
    seam = (start + left.shape[1]) // 2
    fade = max(2, min(rows // 4, (left.shape[1] - start) // 4))
    whole = np.zeros((rows, width, 3), np.float32)
    weight = np.clip((np.arange(width) - seam) / fade + 0.5, 0.0, 1.0).astype(np.float32)
    whole[:, : left.shape[1]] = left * (1.0 - weight[: left.shape[1]])[None, :, None]
    whole[:, start:] += right * weight[start:][None, :, None]
    return np.clip(np.round(whole), 0, 255).astype(np.uint8)


def _level_outline(
    shape: tuple[int, ...], margin: int, sigma_deg: float, confidence: float
) -> FaceOutline:
    x = np.linspace(0.0, shape[1] - 1.0, DRAWN_POINTS)
    top = np.stack([x, np.full_like(x, margin)], axis=1)
    bottom = np.stack([x, np.full_like(x, shape[0] - 1.0 - margin)], axis=1)
    corners = np.array([top[0], top[-1], bottom[-1], bottom[0]])
    return FaceOutline(corners, top, bottom, sigma_deg, confidence, False)
