"""How a face was photographed: its finest detail, and a shadow's edge across it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["finest_detail_px", "shadow_across"]

Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

LEAST_ROWS = 24
ABOVE_FLOOR = 4.0
"""Power over the noise floor by which a wavelength shows: two scatters of a spectrum averaged over
a few dozen columns (power of noise scatters by itself over the root of their number)."""

SHADOW_RATIO = 1.35
"""Step of light that is a shadow's edge and no uneven lamp: a lamp's fall-off changes by a few per
cent over the tenth of a length in which the step is looked for."""

SHADOW_REACH = 0.05


def finest_detail_px(grey: Float32Array) -> float:
    """Width of the finest detail across a square-on face (M, N) float32, in pixels.

    Half the shortest wavelength across the fibres that stands out of the noise: two pixels or
    so in a sharp photograph, more in a soft one. The blur of a lens out of focus, of a hand that
    moved and of strong JPEG all take the short wavelengths. Infinite where nothing stands out.
    """
    rows = grey.shape[0]
    if rows < LEAST_ROWS:
        return float("inf")
    trim = rows // 10
    columns = np.asarray(grey[trim : rows - trim, :: max(1, grey.shape[1] // 256)], np.float64)
    columns = columns - columns.mean(axis=0)
    window = np.hanning(len(columns))[:, None]
    power = np.mean(np.abs(np.fft.rfft(columns * window, axis=0)) ** 2, axis=1)
    frequency = np.fft.rfftfreq(len(columns))
    # A little is added for rounding to whole levels (variance 1/12), which no floor can be under.
    floor = float(np.median(power[frequency > 0.42])) + float(np.sum(window**2)) / 12.0
    shown = frequency[(power > ABOVE_FLOOR * floor) & (frequency > 0)]
    return float("inf") if not len(shown) else 0.5 / float(shown.max())


def shadow_across(grey: Float32Array) -> float | None:
    """Share of the length at which a shadow's edge crosses a face (M, N) float32, or None."""
    light = np.log(np.median(grey, axis=0) + 2.0).astype(np.float64)
    reach = max(4, round(SHADOW_REACH * len(light)))
    if len(light) < 5 * reach:
        return None
    sums = np.concatenate([[0.0], np.cumsum(light)])
    means = (sums[reach:] - sums[:-reach]) / reach
    step = np.abs(means[2 * reach :] - means[: -2 * reach])
    # Of a stain or a knot the light comes back; of a shadow's edge both sides keep their own.
    k = int(np.argmax(step))
    middle = k + 3 * reach // 2
    before, after = np.median(light[: max(1, k + reach)]), np.median(light[k + 2 * reach :])
    lasting = abs(float(after - before))
    if step[k] < np.log(SHADOW_RATIO) or lasting < 0.5 * np.log(SHADOW_RATIO):
        return None
    return middle / len(light)
