"""The section laid out along its rings: rows follow the rings, columns the rays.

A family of arcs brings the rings nearly straight; what is left, their own slow waviness, is
followed from block to block along the arcs by matching each block's profile with its
neighbours', and taken out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.rings_geometry import ArcFamily
from grainscan.measure.rings_view import EndView

__all__ = ["RingTurn", "Straightened", "ring_turn", "straighten"]

FloatArray = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

BLOCKS = (16, 28)
"""Blocks along the arcs in the first pass and in the second, which starts from the first: waves
shorter than about a tenth of the section are not followed."""

STEP_SHIFT_PX = (6, 3)
"""Largest change of the shift between neighbouring blocks, in rows, per pass."""

MATCH_SHARE = (0.045, 0.03)
"""Profiles are matched over a Gaussian window of this share of the section, per pass."""

STAY = 0.12
"""Likeness (0 to 1) that the largest change of shift must bring to be preferred to none."""


@dataclass(frozen=True, slots=True)
class Straightened:
    """Texture along the rings.

    ``flat`` (S, T) float32: rows are the ring coordinate (towards the bark), columns the length
    along the arcs; ``weight`` (S, T): 1 inside the section, 0 outside. ``s``, ``t``: coordinates
    of rows and columns in section widths. ``shift`` (S, T) float32: the ring coordinate of a
    flat pixel is ``s + shift`` on its arc family. ``arcs``: that family.
    """

    arcs: ArcFamily
    flat: FloatArray
    weight: FloatArray
    s: Array
    t: Array
    shift: FloatArray

    @property
    def row_width(self) -> float:
        """Height of one row in section widths."""
        return float(self.s[1] - self.s[0])

    def path(self, s: float) -> tuple[Array, Array]:
        """Section points (x, y) along the ring that lies at ``s`` after flattening."""
        rows = (s - self.s[0]) / self.row_width
        low = int(np.clip(np.floor(rows), 0, len(self.s) - 2))
        part = float(np.clip(rows - low, 0.0, 1.0))
        shift = self.shift[low] * (1 - part) + self.shift[low + 1] * part
        return self.arcs.point(s + shift, self.t)


def straighten(
    texture: FloatArray,
    usable: npt.NDArray[np.bool_],
    view: EndView,
    arcs: ArcFamily,
    guide: FloatArray | None = None,
) -> Straightened:
    """Lay the texture out along the arcs and take out the rings' waviness.

    ``texture`` (M, N) float32 and ``usable`` (M, N) bool from
    :func:`grainscan.measure.rings_view.ring_texture`; ``guide`` (M, N) float32: what the rings'
    waves are followed in, the texture itself without it.
    """
    followed = texture if guide is None else guide
    s, t = _axes(view, arcs)
    shift = np.zeros((len(s), len(t)), np.float32)
    for blocks, most, share in zip(BLOCKS, STEP_SHIFT_PX, MATCH_SHARE, strict=True):
        flat, weight = _sample(followed, usable, view, arcs, s[:, None] + shift, t[None, :])
        lag = _lags(flat, weight, blocks, most, share)
        shift = _added(shift, lag, float(s[1] - s[0]))
    flat, weight = _sample(texture, usable, view, arcs, s[:, None] + shift, t[None, :])
    return Straightened(arcs, flat, weight, s, t, shift)


def _added(shift: FloatArray, lag: FloatArray, row_width: float) -> FloatArray:
    """The shift after another pass: that pass's rows are rows of the flattened picture."""
    import cv2

    rows, columns = shift.shape
    column, row = np.meshgrid(
        np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32)
    )
    before = cv2.remap(shift, column, row + lag, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(before + lag * row_width, np.float32)


def _axes(view: EndView, arcs: ArcFamily) -> tuple[Array, Array]:
    # A grid, not the outline alone: with the pith inside, the least s is inside too.
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, 41), np.linspace(-0.5, 0.5, 41) * view.aspect)
    s, t = arcs.ring_coordinate(x, y), arcs.along(x, y)
    step = 1.0 / view.px_per_width
    return np.arange(s.min(), s.max(), step), np.arange(t.min(), t.max(), 2 * step)


def _sample(
    texture: FloatArray,
    usable: npt.NDArray[np.bool_],
    view: EndView,
    arcs: ArcFamily,
    s: npt.NDArray[np.floating],
    t: npt.NDArray[np.floating],
) -> tuple[FloatArray, FloatArray]:
    import cv2

    x, y = arcs.point(s, t)
    u = ((x + 0.5) * texture.shape[1] - 0.5).astype(np.float32)
    v = ((0.5 - y / view.aspect) * texture.shape[0] - 0.5).astype(np.float32)
    flat = cv2.remap(texture, u, v, cv2.INTER_LINEAR)
    weight = cv2.remap(usable.astype(np.float32), u, v, cv2.INTER_LINEAR)
    return np.asarray(flat, np.float32), (weight > 0.99).astype(np.float32)


def _lags(flat: FloatArray, weight: FloatArray, blocks: int, most: int, share: float) -> FloatArray:
    """Rows by which each pixel's ring lies further out than its row, (S, T) float32."""
    import cv2

    rows, columns = flat.shape
    edges = np.linspace(0, columns, blocks + 1).astype(int)
    profile = np.zeros((blocks, rows), np.float32)
    support = np.zeros((blocks, rows), np.float32)
    for c in range(blocks):
        part = np.s_[:, edges[c] : edges[c + 1]]
        support[c] = weight[part].mean(axis=1)
        profile[c] = (flat[part] * weight[part]).mean(axis=1) / np.maximum(support[c], 1e-3)
    profile = np.asarray(cv2.GaussianBlur(profile, (0, 0), sigmaX=1.5, sigmaY=0.01), np.float32)
    support = np.where(support > 0.3, support, 0.0).astype(np.float32)
    middle = int(np.argmax(support.sum(axis=1) * np.hanning(blocks + 2)[1:-1]))
    lag = np.zeros((blocks, rows), np.float32)
    for way in (1, -1):
        _follow(profile, support, lag, middle, way, most, share * rows)
    lag = np.asarray(cv2.GaussianBlur(lag, (0, 0), sigmaX=0.02 * rows, sigmaY=0.7), np.float32)
    lag -= lag[middle]
    full = cv2.resize(lag.T, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, np.float32)


def _follow(
    profile: FloatArray,
    support: FloatArray,
    lag: FloatArray,
    middle: int,
    way: int,
    most: int,
    sigma: float,
) -> None:
    """Fill ``lag`` block by block from the middle outwards."""
    rows = np.arange(profile.shape[1], dtype=np.float32)
    memory = profile[middle] * support[middle]
    memory_weight = support[middle].copy()
    # The memory fades over about a fifth of the section: profiles change slowly along a ring.
    fade = np.exp(-5.0 / len(profile))
    block = middle + way
    while 0 <= block < len(profile):
        start = lag[block - way]
        reference = memory / np.maximum(memory_weight, 1e-3)
        change = _best_change(
            profile[block], support[block], reference, memory_weight, rows + start, most, sigma
        )
        lag[block] = start + change
        moved = np.interp(rows + lag[block], rows, profile[block])
        held = np.interp(rows + lag[block], rows, support[block])
        memory = fade * memory + moved * held
        memory_weight = fade * memory_weight + held
        block += way


def _best_change(
    profile: FloatArray,
    support: FloatArray,
    reference: FloatArray,
    reference_weight: FloatArray,
    place: FloatArray,
    most: int,
    sigma: float,
) -> FloatArray:
    """Change of shift per row that makes the block's profile most like the reference."""
    import cv2

    changes = np.arange(-most, most + 1)
    rows = np.arange(len(place), dtype=np.float32)
    where = place[None, :] + changes[:, None]
    moved = np.interp(where, rows, profile).astype(np.float32)
    weight = np.interp(where, rows, support).astype(np.float32) * np.minimum(reference_weight, 1.0)
    stacked = np.concatenate(
        [moved * reference * weight, moved**2 * weight, reference**2 * weight]
    ).astype(np.float32)
    smooth = cv2.GaussianBlur(stacked, (0, 0), sigmaX=sigma, sigmaY=0.01)
    both, one, two = np.split(smooth, 3)
    likeness = both / np.sqrt(one * two + 1e-4)
    # Staying with the neighbour's shift is the likelier the smaller the change: waves are slow.
    likeness -= STAY * (changes[:, None].astype(np.float32) / most) ** 2
    best = np.clip(likeness.argmax(axis=0), 1, len(changes) - 2)
    index = np.arange(len(place))
    a, b, c = likeness[best - 1, index], likeness[best, index], likeness[best + 1, index]
    bend = np.minimum(a - 2 * b + c, -1e-9)
    fine = np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
    result = (changes[best] + fine).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(result[None, :], (0, 0), sigmaX=sigma / 2)[0])


@dataclass(frozen=True, slots=True)
class RingTurn:
    """What the rings' waves add to their arcs at the section's centre.

    ``turn_rad``: turn of the rings there, counter-clockwise, beyond the arcs' own direction;
    ``turn_error_rad``, ``curvature_error`` (1 / section widths): standard errors that the waves
    leave in the direction and in the arcs' curvature.
    """

    turn_rad: float
    turn_error_rad: float
    curvature_error: float


TURN_WINDOW = 0.14
"""Half length (section widths) over which the rings' direction at the centre is taken."""


def ring_turn(straight: Straightened) -> RingTurn:
    """The rings' own direction at the centre, and how uncertain waves make it.

    The slope of the waviness over a window round the centre. Its error: how much slopes of
    neighbouring windows differ, over the root of two. Waves longer than the section cannot be
    told from curvature; they are taken to be as steep as those that can be seen.
    """
    near = np.abs(straight.s) < 0.05
    inside = straight.weight[near].mean(axis=0) > 0.5
    t = straight.t[inside]
    if len(t) < 12 or not near.any():
        return RingTurn(0.0, np.radians(10.0), 1.0)
    shift = straight.shift[near][:, inside].mean(axis=0).astype(np.float64)
    window = np.abs(t) < TURN_WINDOW
    turn = float(np.polyfit(t[window], shift[window], 1)[0]) if window.sum() > 5 else 0.0
    step = t[1] - t[0]
    half = max(3, round(TURN_WINDOW / step))
    slopes = np.array(
        [
            np.polyfit(t[i : i + half], shift[i : i + half], 1)[0]
            for i in range(0, len(t) - half, half)
        ]
    )
    if len(slopes) < 2:
        return RingTurn(_turn(turn), np.radians(5.0), 1.0)
    change = float(np.sqrt(np.mean(np.diff(slopes) ** 2)))
    # A wave of 1.7 section lengths, the middle of the octave and a half above the section. The
    # arcs were fitted to the same waves: they took the slopes' mean and their even change along
    # the rings with them, two of the slopes' degrees of freedom.
    free = max(len(slopes) - 2, 1)
    steep = float(np.sqrt(np.sum((slopes - slopes.mean()) ** 2) / free))
    extent = float(t[-1] - t[0])
    few = _few_values(len(slopes) - 1)
    longer = _few_values(free) * steep * 2.0 * np.pi / (1.7 * extent)
    return RingTurn(_turn(turn), few * 0.7 * change, longer)


def _few_values(free: int) -> float:
    """By how much a 90 % interval is wider when its standard error has few degrees of freedom.

    Student's law over the normal one (Biometrika 6, 1908).
    """
    from scipy.special import ndtri, stdtrit

    return float(stdtrit(free, 0.95) / ndtri(0.95))


def _turn(slope: float) -> float:
    # s of a ring grows by the slope along t (counter-clockwise), so the ring turns to the bark.
    return float(np.arctan(-slope))
