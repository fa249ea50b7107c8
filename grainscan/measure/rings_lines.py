"""Thin lines picked out of a rough end: long, narrow, whatever lies between them.

Torn fibres and saw scratches are short or broad; a ring's terminal line is narrow and goes on. A
filter more than ten times as long as it is wide, in each of sixty directions, measured against
what it answers anywhere on the same end, tells the two apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from grainscan.measure.rings_direction import (
    ANGLE_STEP_DEG,
    STACK_PX,
    RingFamily,
    RingSearch,
    candidates_of,
    crossed,
    describe,
    family_score,
    refine,
    stack_of,
    well_apart,
)
from grainscan.measure.rings_view import ARRIS_SHARE

__all__ = ["line_picture", "search_lines"]

FloatArray = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

LINES_PX = 320
"""Longest side of the copy on which lines are sought: a line of a fifth of a millimetre on a
40 mm section is about two pixels wide."""

STEP_DEG = 3.0
"""Less than the angle (width over length) that the filter lets through."""

LENGTH_SHARE = 0.05
"""Length (Gaussian) over which a line is summed, as a share of the longest side: longer than torn
fibres are. Rings of a third of the section's width as radius bend away from it by about their
line's width."""

WIDTH_PX = 1.2
"""Width (Gaussian) of a line on the reduced copy."""

CLEAR = 3.5
"""Answers this many times their usual size count as lines: by chance (normal law) one place in
two thousand does in any one direction."""

MOST = 8.0
"""A line this clear speaks as loud as a clearer one: a check is no better a ring."""


def line_picture(
    texture: FloatArray, usable: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """How clearly a line runs through each place, and which way.

    ``texture`` (M, N) float32 and ``usable`` (M, N) bool from
    :func:`grainscan.measure.rings_view.ring_texture`. Returns, on a copy at most ``LINES_PX``
    long: the clearness above ``CLEAR``, 0 where there is no line; the direction of the line's
    normal in degrees, counter-clockwise from the right, in [0, 180); and where it was looked for.
    """
    import cv2
    from scipy import fft

    longest = max(texture.shape)
    size = (
        round(texture.shape[1] * LINES_PX / longest),
        round(texture.shape[0] * LINES_PX / longest),
    )
    small = cv2.resize(texture, size, interpolation=cv2.INTER_AREA)
    inner = cv2.resize(usable.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.9
    # Arrises draw straight lines along the sides.
    rim = round(ARRIS_SHARE * LINES_PX)
    inner[:rim], inner[-rim:], inner[:, :rim], inner[:, -rim:] = False, False, False, False
    margin = 24
    padded = np.pad(small, margin).astype(np.float32)
    shape = [fft.next_fast_len(n, real=True) for n in padded.shape]
    spectrum = fft.rfft2(padded, shape)
    down = 2 * np.pi * fft.fftfreq(shape[0])[:, None]
    right = 2 * np.pi * fft.rfftfreq(shape[1])[None, :]
    clear = np.zeros(small.shape, np.float32)
    normal = np.zeros(small.shape, np.float32)
    if not inner.any():
        return clear, normal, inner
    for degrees in np.arange(0.0, 180.0, STEP_DEG):
        # Image rows count downwards.
        c, s = np.cos(np.radians(degrees)), -np.sin(np.radians(degrees))
        across, along = right * c + down * s, down * c - right * s
        narrow = (across * WIDTH_PX) ** 2 * np.exp(-0.5 * (across * WIDTH_PX) ** 2)
        kernel = narrow * np.exp(-0.5 * (along * LENGTH_SHARE * LINES_PX) ** 2)
        answer = fft.irfft2((spectrum * kernel).astype(np.complex64), shape)
        size_of = np.abs(answer[margin:-margin, margin:-margin][: small.shape[0], : small.shape[1]])
        # In units of a standard deviation of what is usual in this direction.
        size_of = 0.6745 * size_of / (np.median(size_of[inner]) + 1e-9)
        better = size_of > clear
        clear[better], normal[better] = size_of[better], degrees
    clear = np.where(inner, np.minimum(clear, MOST) - CLEAR, 0.0)
    return np.maximum(clear, 0.0).astype(np.float32), normal, inner


VOTING_BLOCKS = 9
"""Parts of the section's width within which lines vote together on their direction."""

VOTE_SPREAD_DEG = 5.0
"""How far a line's direction may be off: half the step between directions, and rings' waves."""

LEAST_PLACES = 50
"""Fewer places with a line than this are no more than one short scratch."""


def search_lines(
    texture: FloatArray,
    usable: npt.NDArray[np.bool_],
    aspect: float,
    known: Sequence[RingFamily] = (),
    at_most: int = 4,
) -> RingSearch | None:
    """Families of arcs that the thin lines of a rough end follow, best first; None without any.

    The texture's families say where its power lies, and torn fibres have most of it; lines that
    go on speak here alone. ``known``: families that are described by the lines as well.
    """
    import cv2

    clear, normal, inner = line_picture(texture, usable)
    if np.count_nonzero(clear) < LEAST_PLACES:
        return None
    stack = stack_of(clear, inner, aspect, STACK_PX)
    score, angles = family_score(*_votes(clear, normal, aspect))
    starts = candidates_of(score, angles, at_most)
    near = [refine(stack, start, np.radians(2.0), 0.12, np.radians(0.2)) for start in starts]
    near += crossed(stack, near[0]) + [family.arcs for family in known]
    families = well_apart([describe(stack, arcs) for arcs in near], 6.0)[:at_most]
    size = texture.shape[1::-1]
    full = np.asarray(cv2.resize(clear, size, interpolation=cv2.INTER_LINEAR), np.float32)
    seen = cv2.resize(inner.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    return RingSearch(tuple(families), texture, full, seen, None, full)


def _votes(clear: FloatArray, normal: FloatArray, aspect: float) -> tuple[Array, Array]:
    """Clearness of lines by direction (T) in blocks (B, T), and the blocks' centres (B, 2)."""
    rows, columns = np.nonzero(clear)
    across = VOTING_BLOCKS
    down = max(2, round(across * aspect))
    block = columns * across // clear.shape[1] + across * (rows * down // clear.shape[0])
    turns = round(180.0 / ANGLE_STEP_DEG)
    place = block * turns + (normal[rows, columns] / ANGLE_STEP_DEG).astype(np.intp)
    table = np.bincount(place, clear[rows, columns], across * down * turns)
    table = table.reshape(across * down, turns)
    from scipy.ndimage import gaussian_filter1d

    table = gaussian_filter1d(table, VOTE_SPREAD_DEG / ANGLE_STEP_DEG, axis=1, mode="wrap")
    x = (np.arange(across) + 0.5) / across - 0.5
    y = aspect * (0.5 - (np.arange(down) + 0.5) / down)
    centres = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return np.asarray(table / table.sum(), np.float64), centres
