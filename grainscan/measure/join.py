"""A long blank in several overlapping photographs, joined along its length.

Each photograph's part of the face is seen square-on; parts are then laid over one another by
what both show (pores, rings, stains), first as a whole and then place by place. Where the places
do not agree there is no joined picture.

What remains uncorrected: the proportions of each part are read from its own picture (see
`proportions`), so that without the blank's length and width tan(angle) is off by the same share as
they are; the bend of the axis from part to part is not known, so the whole has no sweep.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.lines import robust_line
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

COARSE_ROWS = 64
SCALES = np.arange(0.94, 1.0601, 0.01)
BLOCKS = 7
LEAST_AGREEING = 4
LEAST_MATCH = 0.3
"""Correlation of a block with its place in the other part. Of two different places of the same
fine texture it scatters round 0 by one over the root of the number of independent spots, under 0.1
for a block of a hundred."""

MOST_OFF = 0.06
"""Disagreement of the blocks' places, in widths of the face."""


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
    rows = round(float(np.median([outline.width_px for outline in outlines])))
    focals = focal_35mm or [None] * len(pictures)
    parts = [
        _straight(pixels, outline, rows, focal)
        for pixels, outline, focal in zip(pictures, outlines, focals, strict=True)
    ]
    margin = _margin(rows)
    whole = parts[0]
    overlaps = []
    for k, part in enumerate(parts[1:], start=1):
        place = _place(whole, part, rows, margin)
        if place is None:
            raise BlankNotFoundError(
                f"pictures {k} and {k + 1} could not be joined: photograph again so that each "
                "shows a third of what its neighbour shows, from the same distance"
            )
        start, scale = place
        overlaps.append((whole.shape[1] - start) / rows)
        whole = _joined(whole, part, start, scale)
    sigma = float(np.max([outline.angle_sigma_deg for outline in outlines]))
    confidence = min(outline.confidence for outline in outlines)
    outline = _level_outline(whole.shape, margin, sigma, confidence)
    return JoinedFace(whole, outline, tuple(float(o) for o in overlaps))


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


def _fine(part: ByteArray, margin: int, rows: int, height: int) -> Float32Array:
    """Fine texture of the face alone, ``height`` rows: slow changes of light taken out."""
    import cv2

    grey = cv2.cvtColor(part, cv2.COLOR_RGB2GRAY)[margin : margin + rows].astype(np.float32)
    scale = height / rows
    size = (max(8, round(grey.shape[1] * scale)), height)
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    # Along the length only what is short counts: stripes that run through look alike everywhere.
    slow = cv2.blur(small, (2 * (height // 4) + 1, 1))
    fine = small - slow
    return np.asarray(fine / (fine.std() + 1e-6), dtype=np.float32)


def _place(left: ByteArray, right: ByteArray, rows: int, margin: int) -> tuple[int, float] | None:
    """Column of the left part at which the right one begins, and the right one's scale."""
    height = min(COARSE_ROWS, rows)
    a, b = (_fine(part, margin, rows, height) for part in (left, right))
    scale, start = _coarse(a, b)
    factor = rows / height
    return _agreed(
        _fine(left, margin, rows, rows), _fine(right, margin, rows, rows), start * factor, scale
    )


def _coarse(a: Float32Array, b: Float32Array) -> tuple[float, float]:
    """Scale of b and the column of a at which b begins, by the greatest correlation of all."""
    import cv2

    rows = len(a)
    best = (-np.inf, 1.0, 0.0)
    for scale in SCALES:
        size = (max(8, round(b.shape[1] * scale)), rows)
        scaled = np.asarray(cv2.resize(b, size, interpolation=cv2.INTER_LINEAR), np.float32)
        length = 1 << int(np.ceil(np.log2(a.shape[1] + scaled.shape[1])))
        spectrum = np.fft.rfft(a, length, axis=1) * np.conj(np.fft.rfft(scaled, length, axis=1))
        product = np.fft.irfft(spectrum.sum(axis=0), length)
        # Of all lags those count at which b begins inside a and reaches beyond its end.
        starts = np.arange(max(0, a.shape[1] - scaled.shape[1]), a.shape[1] - rows)
        if not len(starts):
            continue
        overlap = (a.shape[1] - starts) * rows
        # Of independent textures the sum scatters by the root of the spots it is over.
        score = product[starts] / np.sqrt(overlap)
        k = int(np.argmax(score))
        if score[k] > best[0]:
            best = (float(score[k]), float(scale), float(starts[k]))
    return best[1], best[2]


def _agreed(
    a: Float32Array, b: Float32Array, start: float, scale: float
) -> tuple[int, float] | None:
    """The place refined block by block; None where too few blocks agree."""
    import cv2

    rows = len(a)
    overlap = a.shape[1] - start
    half = max(rows // 2, round(overlap / (2.5 * BLOCKS)))
    reach = max(8, round(0.25 * rows))
    trim = max(2, rows // 20)
    centres = np.linspace(start + half + reach, a.shape[1] - half - 1, BLOCKS)
    in_a, in_b = [], []
    for centre in centres:
        there = (centre - start) / scale
        lo, hi = round(there - half - reach), round(there + half + reach)
        block = a[trim:-trim, round(centre - half) : round(centre + half)]
        if lo < 0 or hi > b.shape[1] or block.shape[1] < half:
            continue
        match = cv2.matchTemplate(b[:, lo:hi], block, cv2.TM_CCOEFF_NORMED)
        _, value, _, (x, _) = cv2.minMaxLoc(match)
        if value > LEAST_MATCH:
            in_a.append(round(centre - half))
            in_b.append(lo + x)
    if len(in_a) < LEAST_AGREEING:
        return None
    slope, shift = robust_line(np.array(in_b, float), np.array(in_a, float))
    off = np.abs(np.array(in_a) - (shift + slope * np.array(in_b)))
    if (off < MOST_OFF * rows).sum() < LEAST_AGREEING or not SCALES[0] <= slope <= SCALES[-1]:
        return None
    return round(float(shift)), float(slope)


def _joined(left: ByteArray, right: ByteArray, start: int, scale: float) -> ByteArray:
    """Both in one picture: the right one from the middle of the overlap on, faded in."""
    import cv2

    size = (round(right.shape[1] * scale), right.shape[0])
    right = np.asarray(cv2.resize(right, size, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
    width = start + right.shape[1]
    if width <= left.shape[1]:
        return left
    seam = (start + left.shape[1]) // 2
    fade = max(2, min(left.shape[0] // 4, (left.shape[1] - start) // 4))
    whole = np.zeros((left.shape[0], width, 3), np.float32)
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
