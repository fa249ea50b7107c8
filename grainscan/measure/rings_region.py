"""The rough region of the end in its photograph, by colour, texture and sharpness.

What the picture's border shows is background, what its middle shows is wood; a graph cut draws
the line between (C. Rother et al., "GrabCut", ACM Trans. Graphics 23, 2004).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from grainscan.errors import BlankNotFoundError
from grainscan.measure.medians import median

__all__ = ["lab_colours", "rough_quad", "wood_region"]

FloatArray = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

LEAST_SEED_PX = 40
"""Pixels of wood and of background that the graph cut's five-part colour models need at least."""

ROUGH_SIDE_PX = 200
"""Longest side of the reduced picture on which the region is cut; enough for a rough quad."""


def lab_colours(picture: npt.NDArray[np.uint8]) -> FloatArray:
    """CIE L*a*b*, (M, N, 3) float32: equal steps look about equally different."""
    import cv2

    return np.asarray(
        cv2.cvtColor(picture.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB), np.float32
    )


def rough_quad(work: npt.NDArray[np.uint8]) -> tuple[Points, FloatArray]:
    """Rotated rectangle round the wood, from a graph cut at low resolution; and its mask."""
    import cv2

    region, factor = _region(work)
    contour = max(
        cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=cv2.contourArea
    )
    box = np.asarray(cv2.boxPoints(cv2.minAreaRect(contour)), dtype=np.float64)
    return _ordered((box + 0.5) * factor - 0.5), _enlarged(region, work)


def wood_region(work: npt.NDArray[np.uint8]) -> FloatArray:
    """Where the piece in the middle of a picture is, (M, N) float32, 0 to 1.

    Raises :class:`BlankNotFoundError` where nothing, or more than one piece, stands out.
    """
    return _enlarged(_region(work)[0], work)


def _enlarged(region: npt.NDArray[np.uint8], work: npt.NDArray[np.uint8]) -> FloatArray:
    import cv2

    size = work.shape[1::-1]
    wood = cv2.resize(region.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(wood, np.float32)


def _region(work: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.uint8], float]:
    """The piece in the middle on a reduced copy (mask of 0 and 1), and the reduction."""
    import cv2

    factor = max(work.shape[:2]) / ROUGH_SIDE_PX
    size = (max(round(work.shape[1] / factor), 1), max(round(work.shape[0] / factor), 1))
    small = cv2.resize(work, size, interpolation=cv2.INTER_AREA)
    mask = _grab(np.asarray(cv2.medianBlur(small, 3), np.uint8), _sharpness(work, size))
    count, labels, stats, centres = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        raise BlankNotFoundError(
            "no end of a blank stands out in the middle of this photograph: photograph the end "
            "squarely, filling about half the picture, on a plain background of another colour"
        )
    middle = np.array([mask.shape[1], mask.shape[0]]) / 2
    areas = stats[1:, cv2.CC_STAT_AREA].astype(float)
    away = np.hypot(*(centres[1:] - middle).T) / np.hypot(*middle)
    main = 1 + int(np.argmax(areas * np.exp(-((away / 0.5) ** 2))))
    _refuse_two(areas, main, mask.size)
    return (labels == main).astype(np.uint8), factor


def _refuse_two(areas: npt.NDArray[np.float64], main: int, picture_area: int) -> None:
    largest = areas[main - 1]
    others = np.delete(areas, main - 1)
    if others.size and others.max() > 0.35 * largest:
        raise BlankNotFoundError(
            "more than one piece stands out in this photograph: photograph one end alone"
        )
    if largest < 0.01 * picture_area:
        raise BlankNotFoundError(
            "the end is too small in this photograph: move closer until it fills about half of it"
        )


def _grab(small: npt.NDArray[np.uint8], sharp: FloatArray) -> npt.NDArray[np.uint8]:
    """Mask (0/1) of the wood: graph cut seeded by the border (not wood) and the middle."""
    import cv2

    height, width = small.shape[:2]
    lab = lab_colours(small)
    border = np.zeros((height, width), bool)
    rim = max(2, round(0.03 * min(height, width)))
    border[:rim], border[-rim:], border[:, :rim], border[:, -rim:] = True, True, True, True
    rows, columns = np.mgrid[:height, :width]
    reach = np.hypot((columns - width / 2) / width, (rows - height / 2) / width)
    middle = reach < 0.09
    ratio = _log_density(lab, lab[middle]) - _log_density(lab, lab[border])
    ratio += _sharp_ratio(sharp, middle, border)
    likelier = np.asarray(cv2.GaussianBlur(ratio.astype(np.float32), (0, 0), 2.0))
    mask = np.where(likelier > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    mask[middle] = cv2.GC_PR_FGD
    mask[border] = cv2.GC_BGD
    mask[reach < 0.03] = cv2.GC_FGD
    front = (mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)
    known = (int(front.sum()), int((~front).sum()))
    if min(known) < LEAST_SEED_PX:
        raise BlankNotFoundError(
            "no end of a blank can be told in this photograph: photograph the end squarely, "
            "filling about half the picture, on a plain background of another colour"
        )
    cv2.setRNGSeed(0)
    # The rectangle is not used when the cut starts from a mask.
    back, front = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(small, mask, (0, 0, 1, 1), back, front, 4, cv2.GC_INIT_WITH_MASK)
    wood = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    closed = cv2.morphologyEx(wood, cv2.MORPH_CLOSE, kernel)
    return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, kernel), np.uint8)


def _sharpness(work: npt.NDArray[np.uint8], size: tuple[int, int]) -> FloatArray:
    """Log of the finest detail's strength, on the reduced picture: the end is in focus, what
    lies behind it less so.
    """
    import cv2

    grey = cv2.cvtColor(work, cv2.COLOR_RGB2GRAY).astype(np.float32)
    detail = np.abs(grey - cv2.GaussianBlur(grey, (0, 0), 1.5))
    local = cv2.resize(detail.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(np.log(cv2.GaussianBlur(local, (0, 0), 2.0) + 0.3), np.float32)


def _sharp_ratio(
    sharp: FloatArray, middle: npt.NDArray[np.bool_], border: npt.NDArray[np.bool_]
) -> FloatArray:
    """Log-likelihood ratio of the middle's sharpness against the border's (normal laws)."""
    one, two = sharp[middle], sharp[border]
    a, b = median(one), median(two)
    u = max(1.4826 * median(np.abs(one - a)), 0.25)
    v = max(1.4826 * median(np.abs(two - b)), 0.25)
    ratio = 0.5 * ((sharp - b) / v) ** 2 - 0.5 * ((sharp - a) / u) ** 2 + np.log(v / u)
    return np.asarray(np.clip(ratio, -3.0, 3.0), np.float32)


def _log_density(lab: FloatArray, sample: FloatArray) -> FloatArray:
    """Log of a smoothed colour histogram of ``sample``, looked up for each pixel of ``lab``."""
    from scipy.ndimage import gaussian_filter

    edges = [np.linspace(0, 100, 26), np.linspace(-50, 50, 26), np.linspace(-50, 70, 31)]
    counts, _ = np.histogramdd(sample.reshape(-1, 3), bins=edges)
    density = gaussian_filter(counts, 1.0) / max(counts.sum(), 1.0) + 1e-6
    index = tuple(
        np.clip(np.digitize(lab[..., c], edges[c]) - 1, 0, len(edges[c]) - 2) for c in range(3)
    )
    return np.asarray(np.log(density[index]), np.float32)


def _ordered(box: Points) -> Points:
    """Corners as left-top, right-top, right-bottom, left-bottom for turns below 45°."""
    centre = box.mean(axis=0)
    angles = np.arctan2(box[:, 1] - centre[1], box[:, 0] - centre[0])
    ring = box[np.argsort(angles)]
    start = int(np.argmin(ring[:, 0] + ring[:, 1]))
    best, tilt = ring, np.inf
    for shift in (start - 1, start, start + 1):
        turned = np.roll(ring, -shift, axis=0)
        top = turned[1] - turned[0]
        now = abs(np.arctan2(top[1], top[0]))
        if now < tilt:
            best, tilt = turned, now
    return best
