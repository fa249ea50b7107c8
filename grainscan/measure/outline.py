"""The outline of the photographed face: two long edges as smooth curves, two ends, four corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.edges import EdgeTrace, smooth_curve, trace_step, unrolled
from grainscan.measure.silhouette import background_distance, foreground_pieces, reduced

__all__ = ["FaceOutline", "find_face"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

WORK_WIDTH_PX = 1600
EDGE_POINTS = 400
DRAWN_POINTS = 101


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
    rough = _rough_outline(foreground_pieces(background_distance(small)))
    work, work_scale = reduced(pixels, WORK_WIDTH_PX)
    lab = cv2.cvtColor(np.float32(work) / 255.0, cv2.COLOR_RGB2LAB)
    return _refined(lab, _rescaled(rough, work_scale / small_scale), work_scale)


def _rough_outline(pieces: list[npt.NDArray[np.bool_]]) -> _Rough:
    roughs = [r for r in (_rough_from_piece(p) for p in pieces[:4]) if r is not None]
    if not roughs:
        raise BlankNotFoundError(
            "no blank found: lay it left to right on a plain background of another colour, "
            "both ends in the picture"
        )
    lengths = [r.right - r.left for r in roughs]
    if len(roughs) > 1 and lengths[1] > 0.6 * lengths[0]:
        raise BlankNotFoundError("more than one blank in the picture: photograph one at a time")
    return roughs[0]


def _rough_from_piece(piece: npt.NDArray[np.bool_]) -> _Rough | None:
    """Turned frame and rough edges of a piece, or None if it is not long, level and filled."""
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
    return rough


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
    share = np.linspace(0.01, 0.99, EDGE_POINTS)
    top, top_trace, top_scatter = _long_edge(lab, rough, share, rough.top, inwards=1.0)
    bottom, bottom_trace, bottom_scatter = _long_edge(lab, rough, share, rough.bottom, inwards=-1.0)
    length = rough.right - rough.left
    left, left_trace = _end(lab, rough, top, bottom, 0.0)
    right, right_trace = _end(lab, rough, top, bottom, 1.0)
    edges = []
    for curve, across in ((top, 0.0), (bottom, 1.0)):
        along = np.linspace(left(across), right(across), DRAWN_POINTS)
        edges.append((rough.points(along, curve(along)) + 0.5) / work_scale - 0.5)
    corners = np.array([edges[0][0], edges[0][-1], edges[1][-1], edges[1][0]])
    traces = (top_trace, bottom_trace, left_trace, right_trace)
    shape = np.array(lab.shape[1::-1]) / work_scale
    margin = 0.004 * shape[0]
    outside = (corners < margin).any() or (corners > shape - 1 - margin).any()
    sigma = _direction_sigma((top_scatter, bottom_scatter), length)
    return FaceOutline(corners, edges[0], edges[1], sigma, _confidence(traces), bool(outside))


def _long_edge(
    lab: npt.NDArray[np.float32],
    rough: _Rough,
    share: FloatArray,
    start: np.polynomial.Chebyshev,
    *,
    inwards: float,
) -> tuple[np.polynomial.Chebyshev, EdgeTrace, float]:
    reach = max(6.0, 0.12 * rough.width)
    offsets = np.arange(-reach, reach + 0.25, 0.5)
    normals = np.repeat(rough.across[None, :] * inwards, len(share), axis=0)
    band = unrolled(lab, rough.points(share, start(share)), normals, offsets)
    trace = trace_step(_towards_inside(band), offsets)
    curve, scatter = smooth_curve(
        share, start(share) + inwards * trace.offset_px, np.maximum(trace.step, 0.0)
    )
    return curve, trace, scatter


def _end(
    lab: npt.NDArray[np.float32],
    rough: _Rough,
    top: np.polynomial.Chebyshev,
    bottom: np.polynomial.Chebyshev,
    end: float,
) -> tuple[np.polynomial.Chebyshev, EdgeTrace]:
    """The end as a line: share of the length as a function of the share across."""
    across = np.linspace(0.08, 0.92, 80)
    inside = 0.02 if end == 0.0 else 0.98
    v = top(inside) + across * (bottom(inside) - top(inside))
    points = rough.points(np.full(len(v), end), v)
    inwards = 1.0 if end == 0.0 else -1.0
    reach = max(8.0, 0.35 * rough.width)
    offsets = np.arange(-reach, reach + 0.25, 0.5)
    normals = np.repeat(rough.along[None, :] * inwards, len(v), axis=0)
    band = unrolled(lab, points, normals, offsets)
    trace = trace_step(_towards_inside(band), offsets)
    length = rough.right - rough.left
    line, _ = smooth_curve(
        across, end + inwards * trace.offset_px / length, np.maximum(trace.step, 0.0), most_bends=1
    )
    return line, trace


def _towards_inside(band: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Project colours on the difference between inside and outside: background 0, wood 1."""
    third = band.shape[0] // 3
    outside = np.median(band[:third].reshape(-1, 3), axis=0)
    inside = np.median(band[-third:].reshape(-1, 3), axis=0)
    difference = inside - outside
    power = float(difference @ difference)
    if power < 1e-6:
        return np.zeros(band.shape[:2], np.float32)
    return np.asarray((band - outside) @ (difference / power), dtype=np.float32)


def _direction_sigma(scatter_px: tuple[float, float], length_px: float) -> float:
    """Standard uncertainty of the mean direction of the two edges, degrees.

    A least squares line through N independent points of scatter s over a length L has a slope
    uncertainty of s·√12 / (L·√N). One point in ten counts as independent, because a torn edge
    errs together over a stretch.
    """
    independent = EDGE_POINTS / 10.0
    mean_scatter = np.hypot(*scatter_px) / 2.0
    return float(np.degrees(mean_scatter * np.sqrt(12.0 / independent) / length_px))


def _confidence(traces: tuple[EdgeTrace, ...]) -> float:
    """Share of the outline where the step stands clear of its surroundings, worst side counts."""
    clear = [float(np.mean(t.step > 3.0 * t.noise)) if t.noise > 0 else 0.0 for t in traces]
    return min(clear)
