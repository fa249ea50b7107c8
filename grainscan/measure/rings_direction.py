"""Which way the rings run and how much they curve.

Two steps. Block spectra say, for each block of the section, how much power runs in each
direction beyond what its own texture has in all directions; a family of arcs predicts one
direction per block, and the families that gather most are candidates. Each candidate is then
refined by stacking: the texture is averaged along the family's arcs and the variance of that
profile is maximised (a Radon transform along arcs; the semblance of M. T. Taner and F. Koehler,
Geophysics 34, 1969).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.rings_geometry import ArcFamily, ring_direction_deg
from grainscan.measure.rings_marks import notched, regular_spike
from grainscan.measure.rings_view import FINE_SHARE, fine_texture

__all__ = [
    "RAYS_SHARE",
    "FamilySpread",
    "RingFamily",
    "family_spread",
    "find_families",
    "stack_profile",
]

FloatArray = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

SPECTRUM_PX = 288
"""Longest side of the picture whose blocks are transformed."""

STACK_PX = 192
"""Longest side of the picture that is stacked along arcs."""

COARSE_PX = 96
"""Longest side of the picture for the full search over directions and curvatures."""

ANGLE_STEP_DEG = 2.0
CURVATURES = np.concatenate([[0.0], np.geomspace(0.06, 6.0, 18)])
"""Candidate curvatures, 1 / section widths: from a pith inside the section to straight rings."""

LEAST_GAIN = 3.0
"""A family must hold this many times the variance that stacking noise would."""

RAYS_SHARE = 0.35
"""Rays, torn fibres and tool marks seldom hold more than this part of an end's texture; a family
that holds more is followed alone, unless another comes near it."""

CAP = 12.0
"""Whitened power above this is cut: one strong line in one block must not decide."""


@dataclass(frozen=True, slots=True)
class RingFamily:
    """A candidate family of arcs and how strongly the texture follows it.

    ``share``: part of the texture's variance that the stacked profile holds, 0 to 1.
    ``gain``: that share against what stacking pure noise would hold (1 = nothing there).
    ``joint``: that share and the share that lies along the arcs' radii, as rays do.
    """

    arcs: ArcFamily
    share: float
    gain: float
    joint: float


@dataclass(frozen=True, slots=True)
class Stack:
    """Pixels of the reduced texture, ready for stacking; ``squared`` distances from the centre
    and the values' sum of squares (``power``) are kept, as every trial needs them.
    """

    x: Array
    y: Array
    value: Array
    step: float
    squared: Array
    power: float


def find_families(
    texture: FloatArray, usable: npt.NDArray[np.bool_], aspect: float, *, at_most: int = 3
) -> list[RingFamily]:
    """Candidate families of arcs, strongest first; directions at least 12° apart.

    ``texture`` (M, N) float32 and ``usable`` (M, N) from
    :func:`grainscan.measure.rings_view.ring_texture`; ``aspect`` height over width.
    """
    # Fine rings show in the block spectra, which need no exact direction; few wide rings show
    # in the coarse stack, which sees the whole section at once.
    score, angles = family_score(*_block_powers(texture, usable, aspect))
    coarse = stack_of(texture, usable, aspect, COARSE_PX)
    starts = candidates_of(score, angles, at_most) + _coarse_candidates(coarse, at_most)
    fine = stack_of(texture, usable, aspect, STACK_PX)
    near = [refine(coarse, start, np.radians(4.0), 0.24, np.radians(0.5)) for start in starts]
    near += crossed(coarse, max(near, key=lambda arcs: _share(coarse, arcs)))
    families = [describe(fine, refine(fine, arcs, np.radians(0.8), 0.05)) for arcs in near]
    return well_apart(families)[:at_most]


def well_apart(families: list[RingFamily], least_deg: float = 12.0) -> list[RingFamily]:
    """The families by how much they explain, without near copies of a better one."""
    kept: list[RingFamily] = []
    for family in sorted(families, key=lambda family: -family.joint):
        if all(_apart_deg(family.arcs, other.arcs) > least_deg for other in kept):
            kept.append(family)
    return kept


def crossed(stack: Stack, arcs: ArcFamily) -> list[ArcFamily]:
    """Families at right angles to one, in case that one is the rays: the best for each side.

    Strong rays outshine faint rings. The rings are then the arcs that have the rays as radii:
    what counts is how much arcs and radii of one pith explain together.
    """
    found = []
    for quarter in (0.5 * np.pi, -0.5 * np.pi):
        starts = [ArcFamily(arcs.bark_rad + quarter, k) for k in (0.1, 0.4, 0.8, 1.4)]
        start = max(starts, key=lambda trial: _joint(stack, trial))
        found.append(refine(stack, start, np.radians(4.0), 0.2, np.radians(0.5), objective=_joint))
    return found


def _joint(stack: Stack, arcs: ArcFamily) -> float:
    """Variance held by the profile across the arcs plus that by the one across their radii."""
    return _share(stack, arcs) + _fan_share(stack, arcs)


def _fan_share(stack: Stack, arcs: ArcFamily) -> float:
    """Part of the texture's variance that lies along the radii (rays), above chance."""
    t = arcs.along(stack.x, stack.y)
    index = np.floor(t / stack.step).astype(np.intp)
    index -= index.min()
    count = np.bincount(index)
    total = np.bincount(index, stack.value)
    held = float((total**2 / np.maximum(count, 1)).sum() / stack.power)
    return held - np.count_nonzero(count) / len(stack.value)


def _coarse_candidates(stack: Stack, at_most: int) -> list[ArcFamily]:
    """Best families of a full search at low resolution, well apart in direction."""
    trials = [
        (_share(stack, ArcFamily(angle, curvature)), ArcFamily(angle, curvature))
        for angle in np.radians(np.arange(0.0, 360.0, 5.0))
        for curvature in (0.0, 0.2, 0.45, 0.75, 1.1, 1.6, 2.4, 4.0, 7.0)
        if curvature > 0 or angle < np.pi
    ]
    trials.sort(key=lambda trial: -trial[0])
    chosen: list[ArcFamily] = []
    for _, family in trials:
        if all(_apart_deg(family, other) > 20.0 for other in chosen):
            chosen.append(family)
        if len(chosen) == at_most:
            break
    return chosen


def _apart_deg(one: ArcFamily, two: ArcFamily) -> float:
    turn = np.degrees(one.bark_rad - two.bark_rad)
    return float(abs((turn + 90.0) % 180.0 - 90.0))


def _block_powers(
    texture: FloatArray, usable: npt.NDArray[np.bool_], aspect: float
) -> tuple[Array, Array]:
    """Power by direction in every block (B, T), and the blocks' centres (B, 2)."""
    import cv2

    factor = max(texture.shape) / SPECTRUM_PX
    size = (round(texture.shape[1] / factor), round(texture.shape[0] / factor))
    small = cv2.resize(texture, size, interpolation=cv2.INTER_AREA) if factor > 1 else texture
    weight = cv2.resize(usable.astype(np.float32), small.shape[1::-1], interpolation=cv2.INTER_AREA)
    block = min(96, *small.shape)
    rows = _starts(small.shape[0], block)
    columns = _starts(small.shape[1], block)
    energy, centres = [], []
    for row in rows:
        for column in columns:
            part = np.s_[row : row + block, column : column + block]
            energy.append(_direction_power(small[part] * weight[part]))
            centres.append(
                (
                    (column + block / 2) / small.shape[1] - 0.5,
                    aspect * (0.5 - (row + block / 2) / small.shape[0]),
                )
            )
    return np.array(energy), np.array(centres)


def family_score(table: Array, place: Array) -> tuple[Array, Array]:
    """Score of every (direction, curvature): (A, K), and the directions in radians (A,).

    ``table`` (B, T): what each of B places says for normals at T even directions over 180°;
    ``place`` (B, 2): where they are, section coordinates.
    """
    angles = np.radians(np.arange(0.0, 360.0, ANGLE_STEP_DEG))
    # Direction to the bark at every place, for every direction and curvature at the centre.
    down = np.sin(angles)[:, None, None] + CURVATURES[None, :, None] * place[:, 1]
    across = np.cos(angles)[:, None, None] + CURVATURES[None, :, None] * place[:, 0]
    index = np.degrees(np.arctan2(down, across)) / ANGLE_STEP_DEG
    return _wrapped(table, index).mean(axis=2), angles


def _wrapped(table: Array, index: Array) -> Array:
    """Linear look-up in a table (B, T) periodic in T, at fractional places (…, B)."""
    count = table.shape[1]
    low = np.floor(index).astype(int)
    part = index - low
    rows = np.arange(len(table))
    return np.asarray(table[rows, low % count] * (1 - part) + table[rows, (low + 1) % count] * part)


def _starts(length: int, block: int) -> list[int]:
    count = max(1, round((length - block) / (block / 2)) + 1)
    return [round(v) for v in np.linspace(0, length - block, count)]


def _direction_power(block: FloatArray) -> Array:
    """Power by direction of the brightness change, per 2° over 180°, whitened by frequency.

    1 on average; a family of lines whose normals point at an angle raises it there.
    """
    import cv2

    side = block.shape[0]
    window = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    padded = 2 * cv2.getOptimalDFTSize(side)
    spectrum = np.fft.fftshift(np.abs(np.fft.fft2(block * window, (padded, padded))) ** 2)
    radius = np.arange(3.0, 0.36 * side) * padded / side
    angle = np.radians(np.arange(0.0, 180.0, ANGLE_STEP_DEG))
    # Image rows count downwards: a normal at angle θ (y up) lies at (cos θ, −sin θ).
    x = padded / 2 + radius[:, None] * np.cos(angle)
    y = padded / 2 - radius[:, None] * np.sin(angle)
    polar = cv2.remap(
        spectrum.astype(np.float32),
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
    )
    whitened = polar / (polar.mean(axis=1, keepdims=True) + 1e-12)
    return np.asarray(np.minimum(whitened, CAP).mean(axis=0), np.float64)


def candidates_of(score: Array, angles: Array, at_most: int) -> list[ArcFamily]:
    """The best (direction, curvature) of each well separated direction (mod 180°)."""
    best_curvature = score.argmax(axis=1)
    best = score.max(axis=1)
    chosen: list[ArcFamily] = []
    for i in np.argsort(best)[::-1]:
        family = ArcFamily(float(angles[i]), float(CURVATURES[best_curvature[i]]))
        if all(_apart_deg(family, other) > 20.0 for other in chosen):
            chosen.append(family)
        if len(chosen) == at_most:
            break
    return chosen


def stack_of(
    texture: FloatArray, usable: npt.NDArray[np.bool_], aspect: float, longest: int
) -> Stack:
    import cv2

    factor = max(texture.shape) / longest
    size = (round(texture.shape[1] / factor), round(texture.shape[0] / factor))
    small = cv2.resize(texture, size, interpolation=cv2.INTER_AREA)
    weight = cv2.resize(usable.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    rows, columns = np.nonzero(weight > 0.9)
    x = (columns + 0.5) / size[0] - 0.5
    y = aspect * (0.5 - (rows + 0.5) / size[1])
    value = small[rows, columns].astype(np.float64)
    value -= value.mean()
    return Stack(x, y, value, 1.0 / size[0], x * x + y * y, float((value**2).sum()))


def stack_profile(stack: Stack, arcs: ArcFamily) -> tuple[Array, Array]:
    """Sum of the texture and number of pixels per step of the ring coordinate."""
    # ArcFamily.ring_coordinate with the squared distances at hand, in steps.
    double = 2.0 / stack.step
    s = stack.x * (double * np.cos(arcs.bark_rad))
    s += stack.y * (double * np.sin(arcs.bark_rad))
    k = arcs.curvature
    if k > 0.0:
        s += stack.squared * (k / stack.step)
        root = s * (k * stack.step)
        root += 1.0
        np.sqrt(np.maximum(root, 0.0, out=root), out=root)
        root += 1.0
        s /= root
    else:
        s *= 0.5
    s -= np.floor(s.min())
    index = s.astype(np.intp)
    count = np.bincount(index)
    return np.bincount(index, stack.value).astype(np.float64), count.astype(np.float64)


def _share(stack: Stack, arcs: ArcFamily) -> float:
    total, count = stack_profile(stack, arcs)
    return float((total**2 / np.maximum(count, 1)).sum() / stack.power)


def refine(
    stack: Stack,
    start: ArcFamily,
    turn: float,
    bend: float,
    finest: float = np.radians(0.08),
    objective: Callable[[Stack, ArcFamily], float] | None = None,
) -> ArcFamily:
    """Climb to the family whose stack holds most variance, from coarse to fine steps.

    Curvature may cross zero: then bark and pith change sides.
    """
    value_of = objective or _share
    angle, curvature = start.bark_rad, start.curvature
    best = value_of(stack, start)
    while turn > finest:
        moved = False
        for da, dk in ((turn, 0), (-turn, 0), (0, bend), (0, -bend)):
            value = value_of(stack, _signed(angle + da, curvature + dk))
            if value > best:
                best, moved = value, True
                angle, curvature = angle + da, curvature + dk
                break
        if not moved:
            turn, bend = turn / 2, bend / 2
    return _signed(angle, curvature)


def _signed(angle: float, curvature: float) -> ArcFamily:
    """A family from a curvature that may be negative (the pith on the other side)."""
    if curvature < 0:
        return ArcFamily(angle + np.pi, -curvature)
    return ArcFamily(angle, curvature)


def describe(stack: Stack, arcs: ArcFamily) -> RingFamily:
    share = _share(stack, arcs)
    count = stack_profile(stack, arcs)[1]
    noise = np.count_nonzero(count) / len(stack.value)
    return RingFamily(arcs, share, share / max(noise, 1e-9), share + _fan_share(stack, arcs))


@dataclass(frozen=True, slots=True)
class FamilySpread:
    """Standard errors of a family's direction (radians) and curvature (1 / section widths)."""

    direction_rad: float
    curvature: float


def family_spread(
    texture: FloatArray, usable: npt.NDArray[np.bool_], aspect: float, arcs: ArcFamily
) -> FamilySpread:
    """How far direction and curvature may be off, from how much parts of the section disagree.

    The section is cut into blocks; each pulls the estimate by its own gradient of the stacked
    variance. Their scatter through the inverse Hessian is the block bootstrap in closed form
    (the sandwich estimator of P. J. Huber, Proc. 5th Berkeley Symposium, 1967).
    """
    stack = stack_of(texture, usable, aspect, STACK_PX)
    turn, bend = 1.5 * stack.step, 6.0 * stack.step
    hessian = _hessian(stack, arcs, turn, bend)
    pull = _block_gradients(stack, arcs, turn, bend)
    scatter = np.cov(pull.T) * len(pull)
    try:
        inverse = np.linalg.inv(hessian)
    except np.linalg.LinAlgError:
        return FamilySpread(np.pi / 2, 2.0)
    covariance = inverse @ scatter @ inverse
    direction, curvature = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return FamilySpread(float(min(direction, np.pi / 2)), float(min(curvature, 2.0)))


def _moved(arcs: ArcFamily, turn: float, bend: float) -> ArcFamily:
    return _signed(arcs.bark_rad + turn, arcs.curvature + bend)


def _hessian(stack: Stack, arcs: ArcFamily, turn: float, bend: float) -> Array:
    """Second derivatives of the stacked sum of squares, by differences."""
    scale = stack.power

    def value(i: int, j: int) -> float:
        return _share(stack, _moved(arcs, i * turn, j * bend)) * scale

    middle = value(0, 0)
    aa = (value(1, 0) - 2 * middle + value(-1, 0)) / turn**2
    bb = (value(0, 1) - 2 * middle + value(0, -1)) / bend**2
    ab = (value(1, 1) - value(1, -1) - value(-1, 1) + value(-1, -1)) / (4 * turn * bend)
    return np.array([[aa, ab], [ab, bb]])


def _block_gradients(stack: Stack, arcs: ArcFamily, turn: float, bend: float) -> Array:
    """Each block's gradient of the stacked sum of squares, (blocks, 2)."""
    from scipy.ndimage import gaussian_filter1d

    s = arcs.ring_coordinate(stack.x, stack.y)
    index = np.floor(s / stack.step).astype(np.intp)
    low = index.min()
    total = np.bincount(index - low, stack.value)
    count = np.bincount(index - low)
    mean = gaussian_filter1d(total / np.maximum(count, 1), 1.0)
    centres = (np.arange(len(mean)) + low + 0.5) * stack.step

    def lagged(moved: ArcFamily, sign: float) -> Array:
        where = moved.ring_coordinate(stack.x, stack.y) * sign
        return np.asarray(np.interp(where, centres, mean), np.float64)

    parts = 5
    column = np.minimum(((stack.x + 0.5) * parts).astype(int), parts - 1)
    tall = max(stack.y.max() - stack.y.min(), 1e-6)
    row = np.minimum(((stack.y - stack.y.min()) / tall * parts).astype(int), parts - 1)
    block = row * parts + column
    gradients = []
    for da, dk, step in ((turn, 0.0, turn), (0.0, bend, bend)):
        forward, back = _moved(arcs, da, dk), _moved(arcs, -da, -dk)
        change = lagged(forward, _same_side(arcs, forward)) - lagged(back, _same_side(arcs, back))
        # The sum of squares is quadratic in the texture: twice the linear response.
        pull = 2.0 * stack.value * change / (2.0 * step)
        gradients.append(np.bincount(block, pull, parts * parts))
    return np.asarray(gradients, np.float64).T


def _same_side(one: ArcFamily, two: ArcFamily) -> float:
    """−1 when the second family's bark points the other way."""
    return 1.0 if np.cos(one.bark_rad - two.bark_rad) > 0 else -1.0


@dataclass(frozen=True, slots=True)
class RingSearch:
    """Candidate families for the rings, best first, and the texture they were found in.

    ``texture`` (M, N) float32: without saw marks where there were any; ``fine``, ``inner``: its
    fine detail and where that was used; ``saw_marks_deg``: the direction of the marks, None
    without; ``guide`` (M, N): where thin lines run, None where the texture itself is followed.
    """

    families: tuple[RingFamily, ...]
    texture: FloatArray
    fine: FloatArray
    inner: npt.NDArray[np.bool_]
    saw_marks_deg: float | None
    guide: FloatArray | None = None


def search_rings(
    texture: FloatArray,
    usable: npt.NDArray[np.bool_],
    aspect: float,
    fine_share: float = FINE_SHARE,
) -> RingSearch | str:
    """Candidate families for the rings, or the reason why none can be told.

    ``texture`` (M, N) float32 and ``usable`` (M, N) from
    :func:`grainscan.measure.rings_view.ring_texture`; ``fine_share``: what counts as fine detail
    (share of the section).
    """
    fine, inner = fine_texture(texture, usable, fine_share)
    families = find_families(fine, inner, aspect)
    marks = None
    spike = regular_spike(fine)
    if families and spike is not None and _along(families[0], spike.line_deg):
        without = notched(fine, inner, spike)
        others = find_families(without, inner, aspect)
        if others and others[0].gain > LEAST_GAIN and not _along(others[0], spike.line_deg, 12.0):
            families, marks = others, spike.line_deg
            texture, fine = notched(texture, usable, spike), without
    if all(family.gain < LEAST_GAIN for family in families):
        return (
            "no rings show on this end: plane or sand it, wet it, and photograph it closer in "
            "even light"
        )
    best = families[0]
    close = [
        family
        for family in families
        if family.gain > LEAST_GAIN and (family.joint > 0.6 * best.joint or best.share < RAYS_SHARE)
    ]
    return RingSearch(tuple(close), texture, fine, inner, marks)


def _along(family: RingFamily, line_deg: float, within_deg: float = 6.0) -> bool:
    apart = ring_direction_deg(family.arcs.bark_rad) - line_deg
    return abs((apart + 90.0) % 180.0 - 90.0) < within_deg
