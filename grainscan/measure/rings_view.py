"""A square-on view of the end, and the picture of its texture that the ring search reads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import median

__all__ = [
    "FINE_SHARE",
    "EndView",
    "fine_texture",
    "ring_texture",
    "square_on_view",
]

FloatArray = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

VIEW_PX = 640
"""Longest side of the view: a 0.5 mm ring on a 25 mm section still has 12 pixels."""

TREND_SHARE = 0.12
"""Brightness is levelled with a Gaussian of this share of the section's longest side."""

FINE_SHARE = 0.03
"""Half width (Gaussian, share of the section) below which detail counts as fine: ring edges and
pore rows are, stains and uneven light are not."""

ARRIS_SHARE = 0.025
"""Width of the rim that arrises and splinters may take up, as a share of the longest side."""

RIM_SHARE = 0.008
"""Pixels this close to the sides (share of the longest side) are left out: bevels, splinters."""


@dataclass(frozen=True, slots=True)
class EndView:
    """Square-on view of the end.

    ``colour`` (M, N, 3) float32 0–255 RGB; ``aspect`` height over width; ``to_photo`` (3, 3)
    maps view pixels (x, y, 1) to pixels of the photograph; ``magnification``: view pixels per
    photograph pixel (above 1 the photograph is coarser than the view).
    """

    colour: FloatArray
    aspect: float
    to_photo: Array
    magnification: float

    @property
    def px_per_width(self) -> float:
        return float(self.colour.shape[1])

    def section_to_photo(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Array:
        """Photograph pixels (N, 2) of section points (widths from the centre, y up)."""
        u = (np.asarray(x, np.float64) + 0.5) * self.colour.shape[1] - 0.5
        v = (0.5 - np.asarray(y, np.float64) / self.aspect) * self.colour.shape[0] - 0.5
        full = np.stack([u, v, np.ones_like(u)], axis=-1) @ self.to_photo.T
        return np.asarray(full[..., :2] / full[..., 2:])


def square_on_view(
    pixels: npt.NDArray[np.uint8], corners_px: Array, *, aspect: float | None = None
) -> EndView:
    """The end seen squarely, face A on top.

    ``pixels`` (M, N, 3) uint8; ``corners_px`` (4, 2); ``aspect``: height over width where known,
    otherwise taken from the quadrilateral's mean sides.
    """
    import cv2

    sides = np.hypot(*(np.roll(corners_px, -1, axis=0) - corners_px).T)
    across, up = (sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2
    ratio = float(aspect if aspect is not None else up / across)
    longest = VIEW_PX if ratio <= 1 else VIEW_PX / ratio
    size = (round(longest), round(longest * ratio))
    # Area reduction first, so that the warp (about 1 : 1) cannot alias fine texture.
    low = np.maximum(np.floor(corners_px.min(axis=0)).astype(int) - 4, 0)
    high = np.minimum(np.ceil(corners_px.max(axis=0)).astype(int) + 5, pixels.shape[1::-1])
    crop = pixels[low[1] : high[1], low[0] : high[0]]
    shrink = min(1.0, 1.2 * max(size[0] / across, size[1] / up))
    small = (max(2, round(crop.shape[1] * shrink)), max(2, round(crop.shape[0] * shrink)))
    scale = np.array([small[0] / crop.shape[1], small[1] / crop.shape[0]])
    if shrink < 1:
        crop = np.asarray(cv2.resize(crop, small, interpolation=cv2.INTER_AREA), np.uint8)
    target = (corners_px - low + 0.5) * scale - 0.5
    w, h = size
    frame = np.array([[-0.5, -0.5], [w - 0.5, -0.5], [w - 0.5, h - 0.5], [-0.5, h - 0.5]])
    to_crop = cv2.getPerspectiveTransform(frame.astype(np.float32), target.astype(np.float32))
    colour = cv2.warpPerspective(
        crop,
        to_crop,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)
    back = np.array(
        [
            [1 / scale[0], 0, 0.5 / scale[0] - 0.5 + low[0]],
            [0, 1 / scale[1], 0.5 / scale[1] - 0.5 + low[1]],
            [0, 0, 1],
        ]
    )
    return EndView(colour, ratio, back @ np.asarray(to_crop, np.float64), float(size[0] / across))


def ring_texture(view: EndView) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Levelled log brightness in units of its local spread, and where it can be trusted.

    Returns ``texture`` (M, N) float32, clipped to ±3, about zero mean, and ``usable`` (M, N)
    bool: False along the rim and inside open checks (far darker than anything round them).
    """
    import cv2

    rgb = view.colour
    grey = cv2.cvtColor(rgb / 255.0, cv2.COLOR_RGB2GRAY)
    log = np.log(np.maximum(grey, 0.0) + 0.02)
    longest = max(log.shape)
    sigma = TREND_SHARE * longest
    usable = np.ones(log.shape, bool)
    rim = max(2, round(RIM_SHARE * longest))
    usable[:rim], usable[-rim:], usable[:, :rim], usable[:, -rim:] = False, False, False, False
    level = _levelled(log, usable, sigma)
    spread = 1.4826 * median(np.abs(level[usable]))
    lost = (cv2.GaussianBlur(level, (0, 0), 1.0) < -6.0 * spread) & usable
    if lost.any():
        usable &= cv2.dilate(lost.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
        level = _levelled(log, usable, sigma)
    weight = usable.astype(np.float32)
    clipped = np.clip(level, -4 * spread, 4 * spread)
    power = _blur(clipped**2 * weight, sigma) / np.maximum(_blur(weight, sigma), 1e-3)
    texture = np.clip(level / np.sqrt(power + 1e-8), -3.0, 3.0) * weight
    return texture.astype(np.float32), usable


def fine_texture(
    texture: FloatArray, usable: npt.NDArray[np.bool_], share: float = FINE_SHARE
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Fine detail alone, evened out in strength: what tells the rings' direction best.

    ``texture``, ``usable``: from :func:`ring_texture`; ``share``: what counts as fine. Returns
    the detail (M, N) float32, clipped to ±3, and where to use it: farther from the sides,
    because arrises and splinters draw straight lines along them.
    """
    weight = usable.astype(np.float32)
    longest = max(texture.shape)
    detail = _levelled(texture, usable, share * longest)
    sigma = 2 * FINE_SHARE * longest
    power = _blur(detail**2, sigma) / np.maximum(_blur(weight, sigma), 1e-3)
    inner = usable.copy()
    rim = round(ARRIS_SHARE * longest)
    inner[:rim], inner[-rim:], inner[:, :rim], inner[:, -rim:] = False, False, False, False
    fine = np.clip(detail / np.sqrt(power + 1e-3), -3.0, 3.0) * inner
    return np.asarray(fine, np.float32), inner


def _levelled(log: FloatArray, usable: npt.NDArray[np.bool_], sigma: float) -> FloatArray:
    weight = usable.astype(np.float32)
    trend = _blur(log * weight, sigma) / np.maximum(_blur(weight, sigma), 1e-3)
    return np.asarray((log - trend) * weight, np.float32)


def _blur(values: FloatArray, sigma: float) -> FloatArray:
    """Wide Gaussian blur, done at a quarter of the resolution (it has nothing finer left)."""
    import cv2

    small = cv2.resize(values, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / 4, borderType=cv2.BORDER_REFLECT)
    return np.asarray(
        cv2.resize(small, values.shape[1::-1], interpolation=cv2.INTER_LINEAR), np.float32
    )
