"""Where in the photograph the blank lies, roughly: what differs from the background.

Works on a small copy. The background's colour is modelled as a smooth surface (light falls off
across a bench) plus its own scatter, both fitted robustly from the picture's margins outwards;
what is too far from it to be background is foreground.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["background_distance", "foreground_pieces", "reduced", "thresholds"]

FloatArray = npt.NDArray[np.float32]
ByteArray = npt.NDArray[np.uint8]

SMALL_WIDTH_PX = 640
MARGIN = 0.06
SHADOW_DEPTH = float(np.log(0.25))


def reduced(pixels: ByteArray, width_px: int) -> tuple[ByteArray, float]:
    """A smaller copy and its scale (small = scale · full). Area reduction does not alias."""
    import cv2

    scale = min(1.0, width_px / max(pixels.shape[:2]))
    if scale == 1.0:
        return pixels, 1.0
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)), scale


def background_distance(small: ByteArray, *, shadows_are_background: bool) -> FloatArray:
    """Distance of every pixel from the background's own colour there, in its own scatter.

    ``small`` (M, N, 3) uint8 RGB. Returns (M, N) float32: Mahalanobis distances in CIELAB, or,
    where ``shadows_are_background``, in chromaticity and in lightness above the background's
    (a cast shadow darkens the bench and leaves its hue; wood darker than the bench and of its hue
    cannot be told from a shadow then).
    """
    import cv2

    rgb = small.astype(np.float32) / np.float32(255.0)
    colours = _shadow_free(rgb) if shadows_are_background else cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    lab = np.asarray(cv2.GaussianBlur(colours, (0, 0), 1.0), dtype=np.float32)
    rows, columns = lab.shape[:2]
    basis = _surface_basis(rows, columns)
    samples = lab.reshape(-1, 3)
    use = _margin(rows, columns).ravel()
    distance = np.zeros(rows * columns, np.float32)
    for _ in range(4):
        coefficients = _robust_surface(basis[use], samples[use])
        residual = samples - basis @ coefficients
        if shadows_are_background:
            # As dark as a quarter of the light still counts as the background's own shadow.
            darker = np.clip(residual[:, 0], SHADOW_DEPTH, 0.0)
            residual = residual - np.stack([darker, 0 * darker, 0 * darker], axis=1)
        floor = 0.02 if shadows_are_background else 0.5
        distance = _mahalanobis(residual, residual[use], floor=floor)
        # Pixels that fit join the background, wherever they are; the margin may hold wood.
        use = distance < 3.0
        if use.sum() < 0.05 * use.size:
            use = _margin(rows, columns).ravel()
            break
    return np.asarray(distance.reshape(rows, columns), dtype=np.float32)


def thresholds(distance: FloatArray) -> list[float]:
    """Distances at which foreground may begin, lowest first.

    No single threshold suits a blotchy cloth and a plain card; the caller keeps the one whose
    piece looks most like a blank. The lowest is what even background reaches once in ten
    thousand pixels (3 degrees of freedom), the highest is half the strongest contrast.
    """
    lowest, highest = 4.6, max(5.0, 0.5 * float(np.percentile(distance, 99.5)))
    return [float(t) for t in np.geomspace(lowest, max(highest, 1.1 * lowest), 7)]


def foreground_pieces(distance: FloatArray, threshold: float) -> list[npt.NDArray[np.bool_]]:
    """Connected pieces of foreground large enough to be a blank, largest first."""
    import cv2

    mask = np.asarray(distance > threshold, dtype=np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel))
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    smallest = 0.005 * mask.size
    order = sorted(range(1, count), key=lambda i: -int(stats[i, cv2.CC_STAT_AREA]))
    return [labels == i for i in order if stats[i, cv2.CC_STAT_AREA] >= smallest]


def _surface_basis(rows: int, columns: int) -> FloatArray:
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j].astype(np.float32)
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)


def _margin(rows: int, columns: int) -> npt.NDArray[np.bool_]:
    width = max(2, round(MARGIN * min(rows, columns)))
    margin = np.ones((rows, columns), bool)
    margin[width:-width, width:-width] = False
    return margin


def _robust_surface(basis: FloatArray, samples: FloatArray) -> FloatArray:
    """Least squares, reweighted by Tukey's biweight on the residuals."""
    step = max(1, len(basis) // 20000)
    basis, samples = basis[::step], samples[::step]
    weight = np.ones(len(basis), np.float32)
    coefficients = np.zeros((basis.shape[1], 3), np.float32)
    for _ in range(5):
        weighted = basis * weight[:, None]
        coefficients = np.linalg.lstsq(weighted.T @ basis, weighted.T @ samples, rcond=None)[0]
        residual = np.linalg.norm(samples - basis @ coefficients, axis=1)
        scale = 1.4826 * np.median(residual) + 1e-3
        weight = np.clip(1 - (residual / (4.685 * scale)) ** 2, 0, 1) ** 2
    return np.asarray(coefficients, dtype=np.float32)


def _shadow_free(rgb: FloatArray) -> FloatArray:
    """Log lightness and two log colour ratios of linear light: shade moves the first only."""
    light = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    # A floor of half a per cent of full light: below it a camera records no hue.
    logs = np.log(light + 0.005)
    red, green, blue = logs[..., 0], logs[..., 1], logs[..., 2]
    return np.stack([(red + green + blue) / 3.0, red - green, blue - green], axis=-1).astype(
        np.float32
    )


def _mahalanobis(residual: FloatArray, background: FloatArray, *, floor: float) -> FloatArray:
    centre = np.median(background, axis=0)
    off = background - centre
    inside = np.linalg.norm(off, axis=1) <= 2.5 * np.median(np.linalg.norm(off, axis=1)) + 1e-3
    # A floor (half a lightness step, or 2 % of light): no camera is more even than that.
    covariance = np.cov(off[inside].T) + floor**2 * np.eye(3)
    off_all = residual - centre
    solved = np.linalg.solve(covariance, off_all.T).T
    return np.asarray(np.sqrt(np.maximum((off_all * solved).sum(1), 0)), dtype=np.float32)
