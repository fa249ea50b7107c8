"""One face photograph: outline, square-on view, fibre angles, quality."""

from __future__ import annotations

import dataclasses
from typing import Literal

import numpy as np
import numpy.typing as npt

from grainscan.measure.card import balanced, find_card
from grainscan.measure.edges import reduced
from grainscan.measure.fibres import FibreAngles, fibre_angles
from grainscan.measure.jpeg_noise import grid_noise
from grainscan.measure.knots import away_from, look_for_trouble
from grainscan.measure.outline import WORK_WIDTH_PX, FaceOutline, find_face
from grainscan.measure.proportions import Proportions, proportions
from grainscan.measure.quality import face_quality
from grainscan.measure.scale import size_by_card
from grainscan.measure.squareon import SquareOn, square_on
from grainscan.photo.jpeg_grid import JpegGrid
from grainscan.results import (
    NORMAL_90,
    FaceScan,
    LocalTrouble,
    PhotoQuality,
    PointPx,
    Station,
    TextureReading,
)

__all__ = ["measure_face"]

SYSTEMATIC_SIGMA_DEG = 0.1
"""Standard uncertainty of what no texture can show: lens and perspective left over in the
square-on view (see squareon.py)."""


def measure_face(
    pixels: npt.NDArray[np.uint8],
    *,
    photo: str,
    face: Literal["a", "b"],
    focal_35mm: float | None = None,
    jpeg_grid: JpegGrid | None = None,
    length_mm: float | None = None,
    width_mm: float | None = None,
    outline: FaceOutline | None = None,
    thickness_mm: float | None = None,
    card_check_mm: float | None = None,
    card_on_bench: bool = False,
) -> FaceScan:
    """Measure a face from its photograph (M, N, 3) uint8 RGB, upright.

    ``jpeg_grid``: how the photograph was coded, if it is a JPEG as it came from the camera.
    ``width_mm`` is the width of this very face; ``outline``: where it lies if that is known
    (set by hand), otherwise it is looked for. ``thickness_mm``: of the blank under this face;
    with ``card_check_mm`` and ``card_on_bench`` (see `BlankRecord`) for a reference card in the
    picture. Raises :class:`BlankNotFoundError`.
    """
    smaller = reduced(pixels, WORK_WIDTH_PX)
    card = find_card(pixels, focal_35mm=focal_35mm, check_mm=card_check_mm, smaller=smaller)
    if card is not None:
        pixels = balanced(pixels, card)
        smaller = (balanced(smaller[0], card), smaller[1])
    outline = outline or find_face(pixels, smaller=smaller)
    size: tuple[float, float] | None = None
    said: tuple[str, ...] = ()
    if card is not None:
        size, said = size_by_card(
            outline,
            card,
            thickness_mm=thickness_mm,
            on_bench=card_on_bench,
            width_mm=width_mm,
            checked=card_check_mm is not None,
        )
    known = length_mm / width_mm if length_mm and width_mm else None
    if known is None and size is not None:
        known = size[0] / size[1]
    shares = proportions(outline, pixels.shape, focal_35mm=focal_35mm, written=known)
    view = square_on(pixels, outline, length_over_width=shares.length_over_width)
    found, faint = look_for_trouble(view.grey)
    one_width = 1.0 / view.length_over_width
    coded = None if jpeg_grid is None else grid_noise(pixels, outline, jpeg_grid, view.grey.shape)
    angles, in_trouble = away_from(fibre_angles(view.grey, coded), found, one_width=one_width)
    width = width_mm or (size and size[1])
    quality = face_quality(view.grey, outline, angles, pixels.shape[1])
    scan = _face_scan(photo, outline, view, angles, width, shares, quality)
    length = length_mm or (size and size[0]) or (width and width * view.length_over_width)
    return dataclasses.replace(
        scan,
        size_mm=size,
        notes=(*scan.notes, *said),
        stations=tuple(
            dataclasses.replace(station, in_trouble=bool(inside))
            for station, inside in zip(scan.stations, in_trouble, strict=True)
        ),
        local_trouble=tuple(_in_mm(trouble, length, width) for trouble in found),
        faint_trouble=tuple(_in_mm(trouble, length, width) for trouble in faint),
    )


def _in_mm(trouble: LocalTrouble, length_mm: float | None, width_mm: float | None) -> LocalTrouble:
    return dataclasses.replace(
        trouble,
        at_mm=None if length_mm is None else trouble.at * length_mm,
        radius_mm=None if width_mm is None else trouble.radius * width_mm,
    )


def _face_scan(
    photo: str,
    outline: FaceOutline,
    view: SquareOn,
    angles: FibreAngles,
    width_mm: float | None,
    shares: Proportions,
    quality: PhotoQuality,
) -> FaceScan:
    texture = _texture(outline, angles, shares.relative_sigma)
    if shares.note is not None:
        quality = PhotoQuality(ok=False, notes=(*quality.notes, shares.note))
    read = texture if angles.readable else None
    stripes = angles.stripes
    return FaceScan(
        photo=photo,
        outline_px=_corners(outline),
        angle_deg=None if read is None else read.angle_deg,
        low_deg=None if read is None else read.angle_deg - NORMAL_90 * read.sigma_deg,
        high_deg=None if read is None else read.angle_deg + NORMAL_90 * read.sigma_deg,
        sweep_mm=None if width_mm is None else abs(view.sweep_px) * width_mm / view.grey.shape[0],
        ring_stripe_deg=None if stripes is None else stripes.mean_deg,
        stations=read.stations if read else tuple(_unread(at) for at in angles.at),
        photo_quality=quality,
        top_edge_px=_points(outline.top_edge_px),
        bottom_edge_px=_points(outline.bottom_edge_px),
        texture=texture,
        ring_stripe_sigma_deg=None if stripes is None else stripes.sigma_deg,
        ring_stripe_change_deg=0.0 if stripes is None else stripes.change_deg,
        length_over_width=view.length_over_width,
    )


def _texture(
    outline: FaceOutline, angles: FibreAngles, scale_sigma: float
) -> TextureReading | None:
    """``scale_sigma``: relative standard uncertainty of the angles' tangents."""
    if not angles.has_evidence:
        return None
    # d(angle) = sin(angle) cos(angle) · d(tan)/tan, in degrees.
    by_scale = abs(np.degrees(np.sin(2.0 * np.radians(angles.mean_deg)) / 2.0)) * scale_sigma
    shared = float(np.linalg.norm([outline.angle_sigma_deg, SYSTEMATIC_SIGMA_DEG, by_scale]))
    centre = angles.paths_deg.mean(axis=0)
    spread = np.hypot(angles.paths_deg.std(axis=0), np.hypot(shared, angles.common_sigma_deg))
    stations = tuple(
        Station(float(at), float(c), float(c - NORMAL_90 * s), float(c + NORMAL_90 * s))
        for at, c, s in zip(angles.at, centre, spread, strict=True)
    )
    return TextureReading(angles.mean_deg, float(np.hypot(angles.mean_sigma_deg, shared)), stations)


def _unread(at: float) -> Station:
    return Station(float(at), None, None, None)


def _points(edge: npt.NDArray[np.float64]) -> tuple[PointPx, ...]:
    return tuple((float(x), float(y)) for x, y in edge)


def _corners(outline: FaceOutline) -> tuple[PointPx, PointPx, PointPx, PointPx]:
    a, b, c, d = _points(outline.corners_px)
    return a, b, c, d
