"""The camera's matrix from the focal length that the photograph tells."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["USUAL_FOCAL_35MM", "camera_matrix"]

FULL_FRAME_DIAGONAL_MM = 43.27
"""Diagonal of 36 mm × 24 mm, the frame that FocalLengthIn35mmFilm refers to (Exif 2.32)."""

USUAL_FOCAL_35MM = 24.0
"""Taken where the photograph does not tell: the shortest of a phone's usual main cameras (common
practice, no source). A tilt is judged too small, never too large, if the camera's is longer."""


def camera_matrix(shape: tuple[int, ...], focal_35mm: float) -> npt.NDArray[np.float64]:
    """Camera matrix (3, 3) in pixels of a picture of ``shape`` (M, N, …) taken in full.

    ``focal_35mm``: focal length for the 35 mm format in mm. The axis is taken to meet the
    picture's middle and pixels to be square.
    """
    height, width = shape[:2]
    focal = focal_35mm * float(np.hypot(width, height)) / FULL_FRAME_DIAGONAL_MM
    return np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
