"""The reference card in a photograph: millimetres, the plane it lies in, the colours' balance.

A scale is true in the card's own plane. The photographed face lies higher by the blank's thickness
unless the card was laid level with it; with the camera's focal length known, that height is
allowed for by the card's own pose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.errors import InputError
from grainscan.measure.camera import camera_matrix
from grainscan.measure.edges import reduced
from grainscan.photo.card import BOARD_MM, CHECK_MM, GREY_BOX_MM, aruco_board

__all__ = ["CardView", "balanced", "find_card", "print_scale"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

SEARCH_WIDTH_PX = 1600
MIDDLE_WINDOW_PX = 13
"""OpenCV's marker detector tells dark from light within windows of 3, 13 and 23 pixels."""

LEAST_CORNERS = 6
"""Four corners fix a plane; two more show whether they agree."""

MOST_RMS_PX = 1.0
"""Corners that fit one plane worse than this are not one flat card."""

MOST_MISPRINT = 0.1
PAPER_OVER_GREY = 1.3
"""Paper beside the patch is at least this much brighter, in sRGB values; where it is not, something
lies over both."""


@dataclass(frozen=True, slots=True)
class CardView:
    """A card found in a photograph.

    ``to_mm`` (3, 3): from pixels of the photograph to millimetres in the card's plane.
    ``pose`` (3, 4): rotation and place of the card before the camera, None where the focal length
    is unknown; ``camera`` (3, 3) likewise. ``rms_px``: how well the corners fit one plane.
    ``corners``: how many were seen. ``scale``: printed size over true size. ``gains`` (3,):
    factors that make the grey patch grey, None where it is hidden.
    """

    to_mm: FloatArray
    camera: FloatArray | None
    pose: FloatArray | None
    rms_px: float
    corners: int
    scale: float
    gains: tuple[float, float, float] | None

    def plane_mm(self, points_px: FloatArray, *, height_mm: float = 0.0) -> FloatArray:
        """Points (N, 2) of the photograph in millimetres, (N, 2), in the plane ``height_mm`` above
        the card (towards the camera).

        Raises :class:`InputError` if a height is given and the camera's focal length is unknown.
        """
        points = np.asarray(points_px, dtype=np.float64)
        homogeneous = np.column_stack([points, np.ones(len(points))])
        if height_mm == 0.0:
            mapped = homogeneous @ self.to_mm.T
            return np.asarray(mapped[:, :2] / mapped[:, 2:])
        if self.pose is None or self.camera is None:
            raise InputError(
                "The photograph does not tell its focal length: lay the card level with the face."
            )
        # A ray from the camera, in the card's frame: x right, y down, z away from the camera.
        rotation, place = self.pose[:, :3], self.pose[:, 3]
        rays = homogeneous @ np.linalg.inv(self.camera).T @ rotation
        eye = -rotation.T @ place
        share = (-height_mm - eye[2]) / rays[:, 2]
        return np.asarray((eye + share[:, None] * rays)[:, :2])

    @property
    def distance_mm(self) -> float | None:
        """Height of the camera above the card's plane."""
        if self.pose is None:
            return None
        return abs(float((self.pose[:, :3].T @ self.pose[:, 3])[2]))


def print_scale(check_mm: float | None) -> float:
    """Printed size over true size, from what the card's line measures.

    Raises :class:`InputError` if the measure cannot be right.
    """
    if check_mm is None:
        return 1.0
    scale = check_mm / CHECK_MM
    if not abs(scale - 1.0) <= MOST_MISPRINT:
        raise InputError(
            f"The card's line of {CHECK_MM:.0f} mm cannot measure {check_mm:g} mm: "
            "measure it again, or print the card at 100 %."
        )
    return scale


def find_card(
    pixels: ByteArray,
    *,
    focal_35mm: float | None = None,
    check_mm: float | None = None,
    smaller: tuple[ByteArray, float] | None = None,
) -> CardView | None:
    """The reference card in a photograph (M, N, 3) uint8 RGB; None if there is none.

    ``focal_35mm``: focal length for the 35 mm format, as the camera wrote it. ``check_mm``: what
    the card's line measures. ``smaller``: a reduced copy and its scale, if there is one.

    Raises :class:`InputError` for an impossible ``check_mm``.
    """
    import cv2

    scale = print_scale(check_mm)
    seen = _corners(pixels, *(smaller or reduced(pixels, SEARCH_WIDTH_PX)))
    if seen is None:
        return None
    points, board_mm = seen[0], seen[1] * scale
    matrix, inside = cv2.findHomography(board_mm, points, cv2.RANSAC, 2.0)
    if matrix is None or inside.sum() < LEAST_CORNERS:
        return None
    good = inside.ravel().astype(bool)
    points, board_mm = points[good], board_mm[good]
    back = cv2.perspectiveTransform(board_mm[None], matrix)[0]
    rms = float(np.sqrt(np.mean(np.sum((back - points) ** 2, axis=1))))
    if rms > MOST_RMS_PX * max(1.0, max(pixels.shape[:2]) / 3000.0):
        return None
    camera = None if focal_35mm is None else camera_matrix(pixels.shape, focal_35mm)
    pose = None if camera is None else _pose(board_mm, points, camera)
    if camera is not None and pose is not None:
        # With the camera known six numbers fix the plane instead of eight: steadier far out.
        matrix = camera @ pose[:, [0, 1, 3]]
    to_mm = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    gains = _gains(pixels, np.asarray(matrix, dtype=np.float64), scale)
    return CardView(to_mm, camera, pose, rms, len(points), scale, gains)


def balanced(pixels: ByteArray, card: CardView) -> ByteArray:
    """The photograph with its colours balanced so that the card's patch is grey."""
    if card.gains is None:
        return pixels
    levels = np.arange(256, dtype=np.float64)
    table = np.stack([np.clip(levels * gain, 0, 255) for gain in card.gains], axis=-1)
    channels = [np.round(table[:, k]).astype(np.uint8)[pixels[..., k]] for k in range(3)]
    return np.stack(channels, axis=-1)


def _corners(
    pixels: ByteArray, small: ByteArray, scale: float
) -> tuple[FloatArray, FloatArray] | None:
    """Corners seen, (K, 2) pixels of the photograph, and where they lie on the board, (K, 2)."""
    import cv2

    board = aruco_board()
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.uint8)
    if not _any_marker(grey):
        return None
    options = cv2.aruco.CharucoParameters()
    # Its own check gives up the whole board for one marker cut by what hides the rest; corners
    # that fit no plane with the others are left out afterwards.
    options.checkMarkers = False
    detector = cv2.aruco.CharucoDetector(board, options)
    found, ids, _, _ = detector.detectBoard(grey)
    if ids is None or len(ids) < LEAST_CORNERS:
        return None
    points = np.asarray(found, dtype=np.float64).reshape(-1, 2)
    points = (points + 0.5) / scale - 0.5
    full = cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2GRAY)
    # A saddle is looked for within half a square, else its neighbours' edges come in.
    spacing = np.sort(np.linalg.norm(points[:, None] - points[None], axis=2), axis=1)[:, 1]
    window = int(np.clip(0.3 * np.median(spacing), 3, 12))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.005)
    start = points.astype(np.float32).reshape(-1, 1, 2)
    fine = cv2.cornerSubPix(full, start, (window, window), (-1, -1), criteria).reshape(-1, 2)
    places = np.asarray(board.getChessboardCorners(), dtype=np.float64)[np.ravel(ids), :2]
    return fine.astype(np.float64), places


def _any_marker(grey: ByteArray) -> bool:
    """Whether a marker is seen at one of the detector's own three scales of brightness.

    Each square of a chessboard may be a marker, and all are compared with one another: at all
    scales together that takes seconds.
    """
    import cv2

    options = cv2.aruco.DetectorParameters()
    options.adaptiveThreshWinSizeMin = options.adaptiveThreshWinSizeMax = MIDDLE_WINDOW_PX
    detector = cv2.aruco.ArucoDetector(aruco_board().getDictionary(), options)
    return detector.detectMarkers(grey)[1] is not None


def _pose(board_mm: FloatArray, points: FloatArray, camera: FloatArray) -> FloatArray | None:
    """Of the two poses a plane allows, the one that fits better, made best in pixels."""
    import cv2

    flat = np.column_stack([board_mm, np.zeros(len(board_mm))])
    done, turns, places, _ = cv2.solvePnPGeneric(
        flat, points, camera, None, flags=cv2.SOLVEPNP_IPPE
    )
    if not done:
        return None
    turn, place = cv2.solvePnPRefineLM(flat, points, camera, None, turns[0], places[0])
    return np.column_stack([cv2.Rodrigues(turn)[0], np.ravel(place)])


def _gains(pixels: ByteArray, to_px: FloatArray, scale: float) -> tuple[float, float, float] | None:
    """Factors for red and blue that make the middle of the grey patch grey; green keeps its own."""
    import cv2

    left, top, right, bottom = np.array(GREY_BOX_MM) * scale
    x = np.linspace(left + 0.2 * (right - left), right - 0.2 * (right - left), 12)
    y = np.linspace(top + 0.25 * (bottom - top), bottom - 0.25 * (bottom - top), 5)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(1, -1, 2)
    at = np.round(cv2.perspectiveTransform(places, to_px)[0]).astype(int)
    height, width = pixels.shape[:2]
    if (at < 0).any() or (at[:, 0] >= width).any() or (at[:, 1] >= height).any():
        return None
    colours = pixels[at[:, 1], at[:, 0]].astype(np.float64)
    middle = np.median(colours, axis=0)
    gap = np.stack(np.meshgrid(x, [BOARD_MM[1] * scale + 3.0 * scale]), axis=-1).reshape(1, -1, 2)
    paper_at = np.round(cv2.perspectiveTransform(gap, to_px)[0]).astype(int)
    paper_at = np.clip(paper_at, 0, [width - 1, height - 1])
    paper = np.median(pixels[paper_at[:, 1], paper_at[:, 0]].astype(np.float64), axis=0)
    if paper.mean() < PAPER_OVER_GREY * middle.mean():
        return None
    # Something lies over the patch, or it is burnt out or in the dark.
    uneven = np.median(np.abs(colours - middle)) > 12.0
    tinted = middle.max() > 1.6 * max(middle.min(), 1.0)
    if uneven or tinted or middle.max() > 245.0 or middle.min() < 10.0:
        return None
    return float(middle[1] / middle[0]), 1.0, float(middle[1] / middle[2])
