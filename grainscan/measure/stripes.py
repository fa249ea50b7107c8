"""Broad stripes of a face (ring bands, long lines): their direction, and the texture without them.

Ring boundaries cross a face as lines that stay coherent over the whole length, while vessels,
rays and fibre sheen are streaks of some millimetres to a few centimetres. What survives averaging
along the stripes over half the face is therefore stripe and not fibre, and is taken out before the
fibres are measured: on a flat-sawn face the two run in different directions, and the stripes
are the stronger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.directions import block_directions
from grainscan.measure.field import angle_paths
from grainscan.measure.texture import normalised_texture

__all__ = ["Stripes", "stripe_directions", "without_stripes"]

FloatArray = npt.NDArray[np.float64]

LEAST_STRIPE_EVIDENCE = 20.0
STRONG_BINS_DECIDE = 1e4
"""Tail of the evidence law: practically the exponential law itself, without bound."""


@dataclass(frozen=True, slots=True)
class Stripes:
    """Direction of the broad stripes along a face.

    ``angle_deg`` (N,): per column of the view. ``mean_deg``, ``sigma_deg``: over the length.
    ``evidence``: nats in favour of stripes against none.
    """

    angle_deg: FloatArray
    mean_deg: float
    sigma_deg: float
    evidence: float

    @property
    def seen(self) -> bool:
        return self.evidence >= LEAST_STRIPE_EVIDENCE and self.sigma_deg < 1.5


def stripe_directions(grey: npt.NDArray[np.float32]) -> Stripes:
    """Direction of the broad stripes of a square-on view (M, N) float32."""
    rows, columns = grey.shape
    texture = normalised_texture(grey, broad_px=rows / 3.0)
    margin = max(1, round(0.04 * rows))
    block = max(64, columns // 2 // 2 * 2)
    evidence = block_directions(
        texture[margin:-margin],
        block_px=block,
        rows_from=2.5,
        rows_to_cycles=min(0.2, 25.0 / rows),
        tail=STRONG_BINS_DECIDE,
        streak_length_px=float(block),
    )
    paths = angle_paths(evidence.log_ratio, evidence.slopes_deg, evidence.at, spread_factor=1.0)
    centre = paths.paths_deg.mean(axis=0)
    along = np.interp(np.linspace(0, 1, columns), paths.at, centre)
    means = paths.paths_deg.mean(axis=1)
    return Stripes(along, float(means.mean()), float(means.std()), paths.evidence)


def without_stripes(texture: npt.NDArray[np.float32], stripes: Stripes) -> npt.NDArray[np.float32]:
    """The texture (M, N) less its running mean along the stripes over half the face."""
    import cv2

    rows, columns = texture.shape
    rise = np.cumsum(np.tan(np.radians(stripes.angle_deg)))
    rise = (rise - rise[columns // 2]).astype(np.float32)
    pad = int(np.ceil(np.abs(rise).max())) + 2
    x = np.arange(columns, dtype=np.float32)[None, :]
    # Stripes that climb to the right are levelled by moving later columns down.
    source = np.arange(-pad, rows + pad, dtype=np.float32)[:, None] - rise[None, :]
    inside = ((source >= 0) & (source <= rows - 1)).astype(np.float32)
    x_full = np.broadcast_to(x, source.shape).copy()
    level = cv2.remap(texture, x_full, source, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    window = (max(3, columns // 2) | 1, 1)
    total = cv2.blur(level * inside, window, borderType=cv2.BORDER_CONSTANT)
    share = cv2.blur(inside, window, borderType=cv2.BORDER_CONSTANT)
    mean = total / np.maximum(share, 1e-3)
    back = np.arange(rows, dtype=np.float32)[:, None] + rise[None, :] + pad
    stripe = cv2.remap(mean, np.broadcast_to(x, back.shape).copy(), back, cv2.INTER_CUBIC)
    return np.asarray(texture - stripe, dtype=np.float32)
