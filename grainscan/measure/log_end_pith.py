"""The pith of a whole log's end, from the directions of the rings all over it.

Rings are nested, nearly round lines whose centres move from the pith to the middle of the log:
the ring that passes at share q of the growth has its centre at ``pith + q · drift``. Each block
of the picture shows the direction of the rings in it (structure tensor; B. Jähne, *Digital Image
Processing*, ch. 13); pith and drift are those whose rings agree with the blocks best, blocks
that show rays, checks or saw marks given little weight (least squares with a bounded loss).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["LogRings", "find_log_rings", "share_and_normal"]

Array = npt.NDArray[np.float64]
FloatArray = npt.NDArray[np.float32]

WORK_RADIUS_PX = 330.0
"""Radius of the log on the reduced picture: a 2 mm ring of a 300 mm log has 4 pixels."""

BLOCK_PX = 14
ROUGH = 0.35
"""Direction error (sine) beyond which a block counts little."""

SECTORS = 12
Z90 = 1.645


@dataclass(frozen=True, slots=True)
class LogRings:
    """``pith`` (x right, y up) and ``drift`` in radii of the log from its circle's centre;
    ``error``: radius of the circle round ``pith`` that holds the true one with 90 % chance, in
    the same unit; ``agreement``: share of the blocks with a clear direction whose direction is
    within 15° of the rings' (chance alone gives 1/6); ``blocks``: how many there were.
    """

    pith: tuple[float, float]
    drift: tuple[float, float]
    error: float
    agreement: float
    blocks: int


def share_and_normal(x: Array, y: Array, model: Array) -> tuple[Array, Array]:
    """Share of growth q and the ring normal's direction (radians) at points, for a model.

    ``x``, ``y``: radii of the log from its circle's centre, y up; ``model``: pith x, y and drift
    x, y. ``|p − pith − q · drift| = q``: the outermost ring is the circle itself.
    """
    a, b = x - model[0], y - model[1]
    dx, dy = model[2], model[3]
    # (1 − |d|²) q² + 2 (a·d) q − |a|² = 0
    one = 1.0 - (dx * dx + dy * dy)
    dot = a * dx + b * dy
    q = (-dot + np.sqrt(dot * dot + one * (a * a + b * b))) / one
    return q, np.arctan2(b - q * dy, a - q * dx)


def find_log_rings(
    pixels: npt.NDArray[np.uint8], wood_px: Array, centre_px: tuple[float, float], radius_px: float
) -> LogRings:
    """Pith and drift of the rings.

    ``pixels`` (M, N, 3) uint8 RGB; ``wood_px`` (K, 2), ``centre_px``, ``radius_px``: the wood's
    outline and its circle on it.
    """
    x, y, angle, weight = _blocks(pixels, wood_px, centre_px, radius_px)
    used = np.ones(len(x), bool)
    model = _fit(x, y, angle, weight, None)
    fits = []
    sector = ((np.arctan2(y, x) + np.pi) / (2 * np.pi) * SECTORS).astype(int) % SECTORS
    for k in range(SECTORS):
        used = sector != k
        fits.append(_fit(x[used], y[used], angle[used], weight[used], model)[:2])
    # Jackknife over sectors: neighbouring blocks share checks, stains and waves.
    spread = np.array(fits) - np.mean(fits, axis=0)
    variance = (SECTORS - 1) / SECTORS * (spread**2).sum(axis=0)
    _, normal = share_and_normal(x, y, model)
    apart = np.abs(np.sin(angle - normal))
    agreement = float(np.mean(apart < np.sin(np.radians(15.0)))) if len(x) else 0.0
    # 90 % of a round normal law in the plane lies within 2.146 standard deviations (Rayleigh).
    error = 2.146 * float(np.sqrt(variance.mean()))
    return LogRings(
        (float(model[0]), float(model[1])),
        (float(model[2]), float(model[3])),
        error,
        agreement,
        len(x),
    )


def _fit(x: Array, y: Array, angle: Array, weight: Array, start: Array | None) -> Array:
    from scipy.optimize import least_squares

    def misfit(model: Array) -> Array:
        _, normal = share_and_normal(x, y, model)
        return np.asarray(weight * np.sin(angle - normal))

    starts = [start] if start is not None else _starts(misfit)
    best: tuple[float, Array] | None = None
    for first in starts:
        found = least_squares(
            misfit,
            first,
            loss="cauchy",
            f_scale=ROUGH,
            bounds=([-0.9, -0.9, -0.6, -0.6], [0.9, 0.9, 0.6, 0.6]),
            max_nfev=40,
        )
        if best is None or found.cost < best[0]:
            best = (float(found.cost), np.asarray(found.x, np.float64))
    assert best is not None
    return best[1]


def _starts(misfit: object) -> list[Array]:
    """The three best of a grid of piths, each with the drift back to the middle."""
    assert callable(misfit)
    grid = [
        np.array([a, b, -a * 0.9, -b * 0.9])
        for a in np.linspace(-0.5, 0.5, 9)
        for b in np.linspace(-0.5, 0.5, 9)
    ]
    cost = [float(np.log1p((misfit(model) / ROUGH) ** 2).sum()) for model in grid]
    return [grid[i] for i in np.argsort(cost)[:3]]


def _blocks(
    pixels: npt.NDArray[np.uint8], wood_px: Array, centre_px: tuple[float, float], radius_px: float
) -> tuple[Array, Array, Array, Array]:
    """Places (radii from the centre, y up), normals' directions (radians, mod π) and weights of
    the blocks inside the wood.
    """
    import cv2

    factor = max(1.0, radius_px / WORK_RADIUS_PX)
    low = np.maximum(np.floor(wood_px.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(wood_px.max(axis=0)).astype(int) + 1, pixels.shape[1::-1])
    crop = pixels[low[1] : high[1], low[0] : high[0]]
    size = (round(crop.shape[1] / factor), round(crop.shape[0] / factor))
    small = cv2.resize(crop, size, interpolation=cv2.INTER_AREA) if factor > 1 else crop
    scale = np.array([crop.shape[1] / small.shape[1], crop.shape[0] / small.shape[0]])
    inside = np.zeros(small.shape[:2], np.uint8)
    line = (wood_px - low + 0.5) / scale - 0.5
    cv2.fillPoly(inside, [np.rint(line).astype(np.int32)], 1)
    radius = radius_px / float(scale.mean())
    inner = cv2.erode(inside, np.ones((3, 3), np.uint8), iterations=max(3, round(0.03 * radius)))
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    log = cv2.GaussianBlur(np.log(grey + 5.0), (0, 0), 1.2)
    level = log - cv2.GaussianBlur(log, (0, 0), 0.05 * radius)
    # A line far darker than the wood (a check, a stain's edge) must not speak for its block.
    size_of = 1.4826 * float(np.median(np.abs(level[inner > 0]))) + 1e-6
    level = np.clip(level, -3 * size_of, 3 * size_of)
    gx = cv2.Scharr(level, cv2.CV_32F, 1, 0)
    gy = -cv2.Scharr(level, cv2.CV_32F, 0, 1)
    held = inner.astype(np.float32)
    sums = []
    for part in (gx * gx - gy * gy, 2 * gx * gy, gx * gx + gy * gy, np.ones_like(gx)):
        sums.append(cv2.blur(part * held, (BLOCK_PX, BLOCK_PX)))
    at = np.s_[BLOCK_PX // 2 :: BLOCK_PX // 2, BLOCK_PX // 2 :: BLOCK_PX // 2]
    c, s, power, cover = (part[at].astype(np.float64) for part in sums)
    rows, columns = np.mgrid[: small.shape[0], : small.shape[1]]
    rows, columns = rows[at], columns[at]
    coherence = np.hypot(c, s) / (power + 1e-12)
    good = (cover > 0.7) & (coherence > 0.12)
    cx, cy = (np.array(centre_px) - low + 0.5) / scale - 0.5
    x = (columns[good] - cx) / radius
    y = (cy - rows[good]) / radius
    return x, y, 0.5 * np.arctan2(s, c)[good], coherence[good]
