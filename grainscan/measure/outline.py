"""The outline of the photographed face: two long edges as smooth curves, two ends, four corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.edges import EdgeTrace, smooth_curve, trace_step, unrolled
from grainscan.measure.silhouette import (
    background_distance,
    foreground_pieces,
    reduced,
    thresholds,
)

__all__ = ["FaceOutline", "find_face"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

WORK_WIDTH_PX = 1600
EDGE_POINTS = 400
DRAWN_POINTS = 101
LEAST_FILL = 0.8
"""Share of its smooth outline that a blank's silhouette fills at least; a rectangle's is 1."""


@dataclass(frozen=True, slots=True)
class FaceOutline:
    """Where a face lies in its photograph (pixels of the full picture, x right, y down).

    ``corners_px`` (4, 2): left-top, right-top, right-bottom, left-bottom.
    ``top_edge_px``, ``bottom_edge_px`` (101, 2): the long edges from left to right.
    ``angle_sigma_deg``: standard uncertainty of the edges' mean direction.
    ``confidence``: 0 to 1. ``touches_border``: the outline reaches the picture's border.
    """

    corners_px: FloatArray
    top_edge_px: FloatArray
    bottom_edge_px: FloatArray
    angle_sigma_deg: float
    confidence: float
    touches_border: bool


@dataclass(frozen=True, slots=True)
class _Rough:
    """A first guess in a turned frame: ``along`` and ``across`` are unit vectors (x, y)."""

    origin: FloatArray
    along: FloatArray
    across: FloatArray
    left: float
    right: float
    top: np.polynomial.Chebyshev
    bottom: np.polynomial.Chebyshev

    @property
    def width(self) -> float:
        share = np.linspace(0.1, 0.9, 9)
        return float(np.median(self.bottom(share) - self.top(share)))

    def points(self, share: FloatArray, across: FloatArray) -> FloatArray:
        distance = self.left + share * (self.right - self.left)
        return self.origin + distance[:, None] * self.along + across[:, None] * self.across


def find_face(pixels: ByteArray) -> FaceOutline:
    """Find the face of a blank lying left to right in a photograph (M, N, 3) uint8 RGB.

    Raises :class:`BlankNotFoundError` if nothing in the picture looks like one blank.
    """
    import cv2

    small, small_scale = reduced(pixels, 640)
    rough = _rough_outline(small)
    work, work_scale = reduced(pixels, WORK_WIDTH_PX)
    rgb = work.astype(np.float32) / np.float32(255.0)
    lab = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB), dtype=np.float32)
    return _refined(lab, _rescaled(rough, work_scale / small_scale), work_scale)


def _rough_outline(small: ByteArray) -> _Rough:
    # Wood is first looked for as what no shadow can explain, then as whatever is different.
    for shadows_are_background in (True, False):
        distance = background_distance(small, shadows_are_background=shadows_are_background)
        trials = []
        for threshold in thresholds(distance):
            pieces = foreground_pieces(distance, threshold)
            found = [r for r in (_rough_from_piece(p) for p in pieces[:4]) if r is not None]
            if found:
                trials.append((max(fill for _, fill in found), [r for r, _ in found]))
        if not trials:
            continue
        fill, roughs = max(trials, key=lambda trial: trial[0])
        lengths = [r.right - r.left for r in roughs]
        if len(roughs) > 1 and min(lengths[:2]) > 0.6 * max(lengths[:2]):
            raise BlankNotFoundError("more than one blank in the picture: photograph one at a time")
        if fill > LEAST_FILL:
            return roughs[0]
    raise BlankNotFoundError(
        "no blank found: lay it left to right on a plain background of another colour, "
        "both ends in the picture"
    )


def _rough_from_piece(piece: npt.NDArray[np.bool_]) -> tuple[_Rough, float] | None:
    """Turned frame and rough edges of a piece, and how well it fills its smooth outline.

    None if it is not long and level. Blotches and shadows that hang on a blank leave gaps
    between it and the smooth outline round both.
    """
    y, x = np.nonzero(piece)
    points = np.stack([x, y], axis=1).astype(np.float64)
    origin = points.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((points - origin).T))
    along = vectors[:, 1] * np.sign(vectors[0, 1])
    if abs(along[1]) > np.sin(np.radians(25.0)):
        return None
    across = np.array([-along[1], along[0]])
    u, v = (points - origin) @ along, (points - origin) @ across
    left, right = np.percentile(u, [0.3, 99.7])
    if right - left < 0.3 * piece.shape[1]:
        return None
    share = (u - left) / (right - left)
    bins = 60
    index = np.clip((share * bins).astype(int), 0, bins - 1)
    centres, low, high = [], [], []
    for i in range(bins):
        inside = v[index == i]
        if len(inside) >= 3:
            centres.append((i + 0.5) / bins)
            low.append(inside.min() - 0.5)
            high.append(inside.max() + 0.5)
    if len(centres) < 0.8 * bins:
        return None
    c, one = np.array(centres), np.ones(len(centres))
    top, _ = smooth_curve(c, np.array(low), one, most_bends=6)
    bottom, _ = smooth_curve(c, np.array(high), one, most_bends=6)
    rough = _Rough(origin, along, across, float(left), float(right), top, bottom)
    if rough.width < 4 or (right - left) < 1.8 * rough.width:
        return None
    inside = (v > top(share)) & (v < bottom(share))
    enclosed = float(np.mean(bottom(c) - top(c))) * (right - left)
    return rough, float(inside.sum() ** 2 / (enclosed * len(v)))


def _rescaled(rough: _Rough, factor: float) -> _Rough:
    # Pixel centres at integers: the corner of a reduced picture's first pixel stays in place.
    origin = (rough.origin + 0.5) * factor - 0.5
    return _Rough(
        origin,
        rough.along,
        rough.across,
        rough.left * factor,
        rough.right * factor,
        rough.top * factor,
        rough.bottom * factor,
    )


def _refined(lab: npt.NDArray[np.float32], rough: _Rough, work_scale: float) -> FaceOutline:
    wood = _wood_colour(lab, rough)
    top, bottom = rough.top, rough.bottom
    left, right = _level_end(0.0), _level_end(1.0)
    # First far and coarse (the rough edge may lie in a shadow), then near and fine.
    for outwards, inwards, sigma_px in ((0.2, 0.35, 2.5), (0.06, 0.06, 1.2)):
        reach = (outwards * rough.width, inwards * rough.width)
        if sigma_px < 2.0:
            top = _without_side_face(lab, rough, top, 1.0, wood)
            bottom = _without_side_face(lab, rough, bottom, -1.0, wood)
        top_step = _long_edge(lab, rough, top, 1.0, wood, reach, sigma_px)
        bottom_step = _long_edge(lab, rough, bottom, -1.0, wood, reach, sigma_px)
        top, bottom = top_step.curve, bottom_step.curve
        left_step = _end(lab, rough, (top, bottom), left, 1.0, wood, reach, sigma_px)
        right_step = _end(lab, rough, (top, bottom), right, -1.0, wood, reach, sigma_px)
        left, right = left_step.curve, right_step.curve
    share = np.linspace(0.0, 1.0, 21)
    if (bottom(share) - top(share)).min() < 0.3 * rough.width:
        raise BlankNotFoundError(
            "the long edges of the blank could not be followed: a plain background of another "
            "colour, without hard shadows, makes them clear"
        )
    edges = []
    for curve, across in ((top, 0.0), (bottom, 1.0)):
        along = np.linspace(left(across), right(across), DRAWN_POINTS)
        edges.append((rough.points(along, curve(along)) + 0.5) / work_scale - 0.5)
    corners = np.array([edges[0][0], edges[0][-1], edges[1][-1], edges[1][0]])
    shape = np.array(lab.shape[1::-1]) / work_scale
    margin = 0.004 * shape[0]
    outside = (corners < margin).any() or (corners > shape - 1 - margin).any()
    length = rough.right - rough.left
    sigma = _direction_sigma((top_step.scatter_px, bottom_step.scatter_px), length)
    clear = min(s.clear for s in (top_step, bottom_step, left_step, right_step))
    return FaceOutline(corners, edges[0], edges[1], sigma, clear, bool(outside))


@dataclass(frozen=True, slots=True)
class _Side:
    """One side found: its curve, the scatter of its points, and how much of it stands clear."""

    curve: np.polynomial.Chebyshev
    scatter_px: float
    clear: float


def _level_end(at: float) -> np.polynomial.Chebyshev:
    return np.polynomial.Chebyshev([at], domain=[0.0, 1.0])


def _wood_colour(lab: npt.NDArray[np.float32], rough: _Rough) -> npt.NDArray[np.float32]:
    """Median colour of the face's middle."""
    share = np.linspace(0.1, 0.9, 100)
    middle = (rough.top(share) + rough.bottom(share)) / 2.0
    offsets = np.linspace(-0.25, 0.25, 15) * rough.width
    normals = np.repeat(rough.across[None, :], len(share), axis=0)
    band = unrolled(lab, rough.points(share, middle), normals, offsets)
    return np.asarray(np.median(band.reshape(-1, 3), axis=0), dtype=np.float32)


def _without_side_face(
    lab: npt.NDArray[np.float32],
    rough: _Rough,
    edge: np.polynomial.Chebyshev,
    inwards: float,
    wood: npt.NDArray[np.float32],
) -> np.polynomial.Chebyshev:
    """The edge moved in to the arris where the neighbouring side face shows beyond it.

    Side and face are the same wood in different light, and the side stays in its own light from
    the arris to the outline, while ring stripes of the face darken and lighten again. So, going
    in from the outline, the arris is where the lightness first reaches the face's own range; in
    eight stretches along the length, joined by a robust straight line (the side narrows to
    one end in perspective).
    """
    share = np.linspace(0.02, 0.98, EDGE_POINTS)
    offsets = np.arange(0.0, 0.7 * rough.width, 0.5)
    normals = np.repeat(rough.across[None, :] * inwards, len(share), axis=0)
    band = unrolled(lab, rough.points(share, edge(share)), normals, offsets)[..., 0]
    depths = []
    for stretch in np.array_split(band, 8, axis=1):
        profile = np.median(stretch, axis=1)
        inner = profile[len(profile) * 2 // 5 :]
        middle = float(np.median(inner))
        spread = max(1.5, 1.4826 * float(np.median(np.abs(inner - middle))))
        like_face = np.abs(profile - middle) < 3.0 * spread
        depths.append(float(offsets[int(np.argmax(like_face))]) if like_face.any() else 0.0)
    places = (np.arange(8) + 0.5) / 8
    slope, start, *_ = _line_through(np.array(depths), places)
    # An edge's own blur reaches a pixel or two; only a deeper band is a side face.
    if np.median(depths) < 2.5:
        return edge
    line = np.polynomial.Chebyshev.fit(
        [0.0, 1.0], [max(0.0, start), max(0.0, start + slope)], 1, domain=[0.0, 1.0]
    )
    return edge + inwards * line


def _line_through(values: FloatArray, places: FloatArray) -> tuple[float, ...]:
    from scipy.stats import theilslopes

    return tuple(float(v) for v in theilslopes(values, places))


def _long_edge(
    lab: npt.NDArray[np.float32],
    rough: _Rough,
    start: np.polynomial.Chebyshev,
    inwards: float,
    wood: npt.NDArray[np.float32],
    reach_px: tuple[float, float],
    sigma_px: float,
) -> _Side:
    share = np.linspace(0.01, 0.99, EDGE_POINTS)
    points = rough.points(share, start(share))
    normals = np.repeat(rough.across[None, :] * inwards, len(share), axis=0)
    trace = _step_towards(lab, points, normals, wood, reach_px, sigma_px)
    weight = np.maximum(trace.step, 0.0)
    curve, scatter = smooth_curve(share, start(share) + inwards * trace.offset_px, weight)
    return _Side(curve, scatter, _clear_share(trace))


def _end(
    lab: npt.NDArray[np.float32],
    rough: _Rough,
    edges: tuple[np.polynomial.Chebyshev, np.polynomial.Chebyshev],
    start: np.polynomial.Chebyshev,
    inwards: float,
    wood: npt.NDArray[np.float32],
    reach_px: tuple[float, float],
    sigma_px: float,
) -> _Side:
    """An end as a line: share of the length as a function of the share across."""
    across = np.linspace(0.08, 0.92, 80)
    along = start(across)
    inside = np.clip(along, 0.02, 0.98)
    v = edges[0](inside) + across * (edges[1](inside) - edges[0](inside))
    normals = np.repeat(rough.along[None, :] * inwards, len(v), axis=0)
    trace = _step_towards(lab, rough.points(along, v), normals, wood, reach_px, sigma_px)
    length = rough.right - rough.left
    target = along + inwards * trace.offset_px / length
    line, scatter = smooth_curve(across, target, np.maximum(trace.step, 0.0), most_bends=1)
    return _Side(line, scatter * length, _clear_share(trace))


def _step_towards(
    lab: npt.NDArray[np.float32],
    points: FloatArray,
    normals: FloatArray,
    wood: npt.NDArray[np.float32],
    reach_px: tuple[float, float],
    sigma_px: float,
) -> EdgeTrace:
    """Trace the step from background to wood; colours are projected on the line between them."""
    outwards, inwards = (max(r, 4.0 * sigma_px) for r in reach_px)
    offsets = np.arange(-outwards, inwards + 0.25, 0.5)
    band = unrolled(lab, points, normals, offsets)
    outside = np.median(band[: max(2, len(offsets) // 6)].reshape(-1, 3), axis=0)
    difference = wood - outside
    power = float(difference @ difference)
    level = (band - outside) @ (difference / power) if power > 1e-6 else np.zeros(band.shape[:2])
    return trace_step(np.asarray(level, dtype=np.float32), offsets, sigma_px=sigma_px)


def _clear_share(trace: EdgeTrace) -> float:
    return float(np.mean(trace.step > 3.0 * trace.noise)) if trace.noise > 0 else 0.0


def _direction_sigma(scatter_px: tuple[float, float], length_px: float) -> float:
    """Standard uncertainty of the mean direction of the two edges, degrees.

    A least squares line through N independent points of scatter s over a length L has a slope
    uncertainty of s·√12 / (L·√N). One point in ten counts as independent, because a torn edge
    errs together over a stretch.
    """
    independent = EDGE_POINTS / 10.0
    mean_scatter = np.hypot(*scatter_px) / 2.0
    return float(np.degrees(mean_scatter * np.sqrt(12.0 / independent) / length_px))
