"""Saw marks: told from rings by their regularity, and taken out of the texture.

A saw leaves straight parallel marks at an even pitch; growth rings are never that even, because
years differ and rings curve. In the spectrum of the section an even pitch is one narrow spike,
while rings spread over a range of frequencies: when the spike is taken out, what is left still
runs along the rings if it was rings, and along something else if it was saw marks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Spike", "notched", "regular_spike"]

FloatArray = npt.NDArray[np.float32]

LEAST_CYCLES = 9.0
"""Fewer marks than this across the section cannot be told from rings by their regularity."""

MOST_CYCLES = 90.0

SPIKE_CYCLES = 2.0
"""Radius of a spike in cycles per section: the Hann window's main lobe."""

SPIKE_SHARE = 0.45
"""Part of the power round a spike (within a quarter of its frequency and 15°) that it must hold
to be worth a closer look."""

SPIKE_EXCESS = 8.0
"""A spike must hold this many times the power that its surroundings' level would put there."""


@dataclass(frozen=True, slots=True)
class Spike:
    """A narrow spike: cycles per picture width and height (image axes, y down)."""

    across: float
    down: float

    @property
    def line_deg(self) -> float:
        """Direction of its lines, counter-clockwise from the right, in (−90, 90]."""
        turned = np.degrees(np.arctan2(-self.down, self.across)) + 90.0
        wrapped = (turned + 90.0) % 180.0 - 90.0
        return float(90.0 if wrapped <= -90.0 else wrapped)


def regular_spike(texture: FloatArray) -> Spike | None:
    """The most outstanding narrow spike of a texture (M, N) float32, if any."""
    import cv2

    factor = max(texture.shape) / 320.0
    size = (round(texture.shape[1] / factor), round(texture.shape[0] / factor))
    small = cv2.resize(texture, size, interpolation=cv2.INTER_AREA)
    rows, columns = small.shape
    window = np.outer(np.hanning(rows), np.hanning(columns)).astype(np.float32)
    power = np.abs(np.fft.rfft2(small * window)) ** 2
    fy = np.fft.fftfreq(rows, 1.0 / rows)[:, None]
    fx = np.arange(power.shape[1])[None, :]
    radius = np.hypot(fx, fy * columns / rows)
    valid = (radius > LEAST_CYCLES) & (radius < min(MOST_CYCLES, 0.45 * columns))
    blob = cv2.blur(power, (3, 3), borderType=cv2.BORDER_REPLICATE)
    at = np.argmax(np.where(valid, blob * radius, 0.0))
    y, x = np.unravel_index(int(at), power.shape)
    centre = np.array([float(fx[0, x]), float(fy[y, 0])])
    distance = np.hypot(fx - centre[0], fy - centre[1])
    spike = distance <= SPIKE_CYCLES
    length = float(np.hypot(*centre))
    angle = np.degrees(np.arctan2(fy, fx) - np.arctan2(centre[1], centre[0]))
    apart = np.abs((angle + 90.0) % 180.0 - 90.0)
    near = (np.abs(np.hypot(fx, fy) - length) < max(0.25 * length, 5.0)) & (apart < 15.0)
    rest = near & (distance > 1.5 * SPIKE_CYCLES)
    inside = float(power[spike].sum())
    level = float(power[rest].mean()) if rest.any() else 0.0
    total = float(power[near | spike].sum())
    if inside < SPIKE_SHARE * total or inside < SPIKE_EXCESS * level * float(spike.sum()):
        return None
    fine = (power * spike)[..., None] * np.stack(np.broadcast_arrays(fx, fy), axis=-1)
    mean = fine.sum(axis=(0, 1)) / inside
    return Spike(float(mean[0]), float(mean[1]))


def notched(texture: FloatArray, usable: npt.NDArray[np.bool_], spike: Spike) -> FloatArray:
    """The texture (M, N) without the band round a spike and its first overtones."""
    from scipy import fft

    rows, columns = texture.shape
    # Mirrored margins keep the notch from ringing along the sides.
    margin = 48
    padded = np.pad(texture, margin, mode="reflect")
    spectrum = fft.rfft2(padded)
    stretch_y, stretch_x = padded.shape[0] / rows, padded.shape[1] / columns
    fy = fft.fftfreq(padded.shape[0], 1.0 / padded.shape[0])[:, None] / stretch_y
    fx = np.arange(spectrum.shape[1])[None, :] / stretch_x
    for overtone in (1, 2, 3):
        for sign in (1, -1):
            away = np.hypot(fx - sign * overtone * spike.across, fy - sign * overtone * spike.down)
            spectrum *= 1.0 - np.exp(-0.5 * (away / (1.3 * SPIKE_CYCLES)) ** 2)
    clean = fft.irfft2(spectrum, padded.shape)[margin:-margin, margin:-margin]
    return np.asarray(clean * usable, np.float32)
