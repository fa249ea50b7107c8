"""Fibre lines and rings round knots over a photographed face (for drawing only)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from grainscan.results import FaceScan, LocalTrouble

__all__ = ["fibre_lines_px", "on_face_px", "trouble_ring_px"]

Float = NDArray[np.float64]

_STEPS = 400
_LINES_ACROSS = 6


def fibre_lines_px(face: FaceScan, *, across: int = _LINES_ACROSS) -> tuple[Float, ...]:
    """Lines that follow the fibres over a face.

    A place on the face is (u, v): u the share of the length from the left end, v the share
    of the width from the top edge. There the edges' direction t and the direction w straight
    across turn into a fibre of angle a by R t = t + (dv/du) w, with R the turn by a; so

        dv/du = −(R t × t) / (R t × w),

    which is integrated along the middle of the face. The lines are copies of that curve
    shifted across, ended where they leave the face.

    Parameters
    ----------
    face
        Its edges as polylines and its stations; angles counter-clockwise in the picture.
    across
        Number of lines across the width.

    Returns
    -------
    tuple of (K, 2) float64 arrays
        Points (x, y) in pixels; K differs from line to line. Empty where no station was
        read; there are no lines beside stations that were not.
    """
    angles = _angles(face)
    if angles is None or len(face.top_edge_px) < 2:
        return ()
    u = np.linspace(0.0, 1.0, _STEPS)
    shift = _shift(face, u, angles)
    lines: list[Float] = []
    first = int(np.floor((0.0 - np.nanmax(shift)) * across)) - 1
    last = int(np.ceil((1.0 - np.nanmin(shift)) * across)) + 1
    for k in range(first, last + 1):
        v = (k + 0.5) / across + shift
        inside = np.isfinite(v) & (v > 0.01) & (v < 0.99)
        for run in _runs(inside):
            lines.append(on_face_px(face, u[run], v[run]))
    return tuple(line for line in lines if len(line) >= 2)


def on_face_px(face: FaceScan, u: Float, v: Float) -> Float:
    """Pixel points (K, 2) of places (u, v), each (K,), on a face."""
    top, bottom = _edges(face, np.asarray(u, dtype=np.float64))
    share = np.asarray(v, dtype=np.float64)[:, np.newaxis]
    return top * (1.0 - share) + bottom * share


def trouble_ring_px(face: FaceScan, trouble: LocalTrouble) -> Float:
    """A ring (24, 2) of a knot's size round its middle, or round the middle of a swirl."""
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    left_top, right_top, _, left_bottom = (np.array(p) for p in face.outline_px)
    long = float(np.linalg.norm(right_top - left_top) / np.linalg.norm(left_bottom - left_top))
    u = trouble.at + trouble.radius / long * np.cos(turn)
    v = 0.5 - trouble.offset + trouble.radius * np.sin(turn)
    return on_face_px(face, np.clip(u, 0.0, 1.0), np.clip(v, -0.1, 1.1))


def _angles(face: FaceScan) -> tuple[Float, Float] | None:
    """Places and angles in radians; an angle not known is NaN."""
    at = np.array([s.at for s in face.stations])
    deg = np.array([np.nan if s.angle_deg is None else s.angle_deg for s in face.stations])
    return None if not np.isfinite(deg).any() else (at, np.radians(deg.astype(np.float64)))


def _shift(face: FaceScan, u: Float, stations: tuple[Float, Float]) -> Float:
    """How far across, in widths, the fibre from the left end has gone at each u; NaN in gaps."""
    at, angles = stations
    known = np.isfinite(angles)
    nearest = np.abs(u[:, np.newaxis] - at[np.newaxis, :]).argmin(axis=1)
    angle = np.interp(u, at[known], angles[known])
    top, bottom = _edges(face, u)
    along = np.gradient((top + bottom) / 2.0, u, axis=0)
    across = bottom - top
    turned = np.stack(
        [
            along[:, 0] * np.cos(angle) + along[:, 1] * np.sin(angle),
            along[:, 1] * np.cos(angle) - along[:, 0] * np.sin(angle),
        ],
        axis=1,
    )
    rate = -_cross(turned, along) / _cross(turned, across)
    steps = np.diff(u) * (rate[1:] + rate[:-1]) / 2.0
    shift = np.concatenate([[0.0], np.cumsum(steps)])
    return np.where(known[nearest], shift, np.nan)


def _edges(face: FaceScan, u: Float) -> tuple[Float, Float]:
    return _along(face.top_edge_px, u), _along(face.bottom_edge_px, u)


def _along(edge: tuple[tuple[float, float], ...], u: Float) -> Float:
    points = np.array(edge, dtype=np.float64)
    at = np.linspace(0.0, 1.0, len(points))
    return np.stack([np.interp(u, at, points[:, 0]), np.interp(u, at, points[:, 1])], axis=1)


def _cross(a: Float, b: Float) -> Float:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], dtype=np.float64)


def _runs(mask: NDArray[np.bool_]) -> list[slice]:
    """The stretches where the mask is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
