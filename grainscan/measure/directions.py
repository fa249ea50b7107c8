"""Which way the lines of a wood texture run: a likelihood over directions, block by block.

The texture of a face is modelled as many faint streaks along one direction plus noise. In the
two-dimensional spectrum of a block of the square-on view, streaks whose slope is ``t`` (rise
over run, up positive) put their power on the line ``kx = ky · t`` (rows count downwards), as
wide as the streaks are short; noise fills the whole plane. Each spectral bin follows an
exponential law about its expectation (Whittle's likelihood), so the log-likelihood ratio
"streaks of slope t" against "noise only" is a sum over bins. Three things make it robust:

* every bin of the spectrum is first divided by the noise level at its spatial frequency, read
  where no streak of interest can put power (steep directions), so a few strong broad bands do
  not outvote many faint fine streaks;
* the exponential law is replaced by its heavy-tailed relative (an F law with
  ``2·TAIL`` denominator degrees of freedom), which bounds the say of any single bin;
* power per row and streak length are estimated from the face itself.

Sources: P. Whittle, "Estimation and information in stationary time series", Arkiv för
Matematik 2, 1953; B. Jähne, *Digital Image Processing*, ch. 13 (orientation as a line through
the origin of the spectrum).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["DirectionEvidence", "block_directions"]

FloatArray = npt.NDArray[np.float32]

SLOPE_RANGE_DEG = 20.0
"""Directions considered: within this angle of the blank's own axis."""

SLOPE_STEP_DEG = 0.1
TAIL = 2.0
"""Half the denominator degrees of freedom of the F law: smaller bounds single bins harder."""

HANN_BANDWIDTH = 1.5
"""Equivalent noise bandwidth of the Hann window in bins (Harris, Proc. IEEE 66, 1978)."""

STEEP_FROM = 0.6
"""Noise is read in the spectrum where |kx| > STEEP_FROM · ky (directions beyond 31°)."""


LEAST_ROWS = 3
LEAST_STRIP_PX = 16
LEAST_NOISE = 1e-4
"""White noise, as a share of the texture's variance, that is always allowed for: no camera is
quieter, and an even picture holds nothing but the rounding of our own arithmetic."""
HELD_FROM_CYCLES = 0.22
"""Spatial frequency (cycles/px) beyond which the noise floor is not believed to fall. A quarter
of the sampling rate is about where colour-filter interpolation and JPEG tables begin to bite."""


@dataclass(frozen=True, slots=True)
class DirectionEvidence:
    """Log-likelihood ratio of each direction in each block along a face.

    ``slopes_deg`` (T,): the directions, degrees, positive counter-clockwise.
    ``log_ratio`` (B, T): per block, streaks along that direction against noise only, in nats.
    ``at`` (B,): block centres as shares of the length.
    ``signal`` (K,), ``row_cycles_per_px`` (K,): streak power over noise per spectral row.
    ``streak_length_px``: length over which a streak keeps its brightness.
    """

    slopes_deg: npt.NDArray[np.float64]
    log_ratio: npt.NDArray[np.float64]
    at: npt.NDArray[np.float64]
    signal: npt.NDArray[np.float64]
    row_cycles_per_px: npt.NDArray[np.float64]
    streak_length_px: float


def slope_grid_deg() -> npt.NDArray[np.float64]:
    count = round(2 * SLOPE_RANGE_DEG / SLOPE_STEP_DEG) + 1
    return np.linspace(-SLOPE_RANGE_DEG, SLOPE_RANGE_DEG, count)


def block_directions(
    strip: FloatArray, *, block_px: int, octaves: tuple[tuple[float, float], ...]
) -> list[DirectionEvidence | None]:
    """Direction likelihood per block of a square-on strip, for each octave of fineness.

    ``strip`` (M, N) float32: quiet texture, length along the columns (see
    :func:`grainscan.measure.texture.quiet_texture`). ``block_px``: block length; blocks
    overlap by half. ``octaves``: from–to in cycles per pixel across the strip. An octave with
    fewer than three spectral rows gives None.
    """
    if strip.shape[0] < LEAST_STRIP_PX:
        return [None] * len(octaves)
    power, rows, columns = _block_spectra(strip, block_px)
    used = (rows >= 3.0 / strip.shape[0]) & (rows <= max(to for _, to in octaves))
    power, rows = power[:, used, :], rows[used]
    least = LEAST_NOISE * float(np.prod([np.sum(w**2) for w in _windows(len(strip), block_px)]))
    noise = np.maximum(_noise_level(power, rows, columns), least)[None].astype(np.float32)
    whitened: FloatArray = np.asarray(power / noise, dtype=np.float32)
    near = np.abs(columns) <= rows[-1] * np.tan(np.radians(SLOPE_RANGE_DEG)) * 1.15 + 8.0 / block_px
    whitened, columns = whitened[:, :, near], columns[near]
    at = (np.arange(len(power)) * (block_px // 2) + block_px / 2) / strip.shape[1]
    found: list[DirectionEvidence | None] = []
    for low, high in octaves:
        octave = (rows >= low) & (rows < high)
        if octave.sum() < LEAST_ROWS:
            found.append(None)
            continue
        log_ratio, signal, length = _fit(whitened[:, octave], rows[octave], columns, block_px)
        found.append(
            DirectionEvidence(slope_grid_deg(), log_ratio, at, signal, rows[octave], length)
        )
    return found


def _block_spectra(
    strip: FloatArray, block_px: int
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Power spectra (B, K, L) of half-overlapping blocks; rows ky > 0, columns kx sorted."""
    from scipy import fft, signal

    prediction_error = _prediction_error_filter(strip)
    strip = _filtered_down(strip, prediction_error)
    height = strip.shape[0]
    blocks = np.lib.stride_tricks.sliding_window_view(strip, block_px, axis=1)
    blocks = blocks[:, :: block_px // 2, :].transpose(1, 0, 2)
    across, along = _windows(height, block_px)
    padded = (fft.next_fast_len(height, real=True), 2 * fft.next_fast_len(block_px))
    windowed = blocks * across[None, :, None] * along[None, None, :]
    # Real transform along the rows' direction: only ky >= 0 is needed, all kx are.
    spectrum = fft.fft(fft.rfft(windowed, padded[0], axis=1), padded[1], axis=2)
    power = np.abs(spectrum).astype(np.float32) ** 2
    rows = np.fft.rfftfreq(padded[0])
    response = signal.freqz(prediction_error, worN=2 * np.pi * rows)[1]
    power /= (np.abs(response).astype(np.float32) ** 2)[None, :, None]
    columns = np.fft.fftfreq(padded[1])
    order = np.argsort(columns)
    return (
        np.asarray(power[:, :, order], dtype=np.float32),
        np.asarray(rows, dtype=np.float64),
        np.asarray(columns[order], dtype=np.float64),
    )


def _windows(height: int, block_px: int) -> tuple[FloatArray, FloatArray]:
    """Hann windows across (height,) and along (block_px,) a block."""
    from scipy.signal import windows

    across = windows.hann(height + 2)[1:-1].astype(np.float32)
    return across, windows.hann(block_px, sym=False).astype(np.float32)


def _prediction_error_filter(strip: FloatArray) -> FloatArray:
    """Filter down the columns after which the spectrum across the face is flat.

    Wood textures are "red": broad streaks are stronger than fine ones. In a windowed spectrum
    the strong rows leak into their finer neighbours at their own smaller tilt, which draws
    every measured slope towards zero. Filtering before the window and dividing by the
    filter's response after it ("prewhitening and postcolouring"; Percival and Walden, *Spectral
    Analysis for Physical Applications*, 1993, §9.10) removes the imbalance. One filter serves all
    columns, so directions are untouched. Coefficients by the Yule–Walker equations.
    """
    from scipy.linalg import solve_toeplitz

    rows = strip.shape[0]
    order = max(1, min(8, rows // 8))
    centred = strip - strip.mean()
    lags = [float(np.mean(centred[: rows - k] * centred[k:])) for k in range(order + 1)]
    # A thousandth of white noise keeps the equations solvable on perfectly smooth pictures.
    lags[0] = lags[0] * 1.001 + 1e-9
    prediction = solve_toeplitz(lags[:-1], lags[1:])
    return np.concatenate([[1.0], -prediction]).astype(np.float32)


def _filtered_down(strip: FloatArray, taps: FloatArray) -> FloatArray:
    """The strip after a causal filter down its columns, less the rows where it runs in."""
    import cv2

    last = len(taps) - 1
    filtered = cv2.filter2D(strip, cv2.CV_32F, taps[::-1].reshape(-1, 1), anchor=(0, last))
    return np.asarray(filtered[last:], dtype=np.float32)


def _noise_level(
    power: npt.NDArray[np.float32], rows: npt.NDArray[np.float64], columns: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Expected noise power (K, L) for every spectral bin.

    Sensor noise, lens blur and texture without direction are alike in all directions, so their
    power depends on the distance from the spectrum's origin only. It is read in steep
    directions and carried round to the shallow ones. A level taken per row would leave a hump
    about kx = 0, which draws slopes to zero.
    """
    radius = np.hypot(rows[:, None], columns[None, :])
    steep = np.abs(columns[None, :]) > STEEP_FROM * rows[:, None]
    edges = np.linspace(rows[0], 0.5, 25)
    ring = np.digitize(radius, edges)
    centres, levels = [], []
    for i in range(1, len(edges)):
        inside = steep & (ring == i)
        if inside.sum() >= 4:
            centres.append((edges[i - 1] + edges[i]) / 2.0)
            # The median resists marks at other angles; an exponential law's mean is median/ln 2.
            levels.append(np.log(np.median(power[:, inside]) / np.log(2.0) + 1e-30))
    # A sensor's own noise is white. Where the floor falls beyond mid frequencies, the camera has
    # smoothed or compressed, and what is left there follows its pixel grid and not the wood:
    # the floor is not followed down.
    held = float(np.exp(np.interp(HELD_FROM_CYCLES, centres, levels)))
    level = np.exp(np.interp(radius, centres, levels))
    return np.asarray(np.where(radius > HELD_FROM_CYCLES, np.maximum(level, held), level))


def _fit(
    whitened: npt.NDArray[np.float32],
    rows: npt.NDArray[np.float64],
    columns: npt.NDArray[np.float64],
    block_px: int,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], float]:
    """Estimate streak power per row and streak length, then the log-ratio of each direction."""
    slopes = np.tan(np.radians(slope_grid_deg()))
    signal = np.full(len(rows), 2.0)
    length = block_px / 3.0
    log_ratio = _log_ratio(whitened, rows, columns, signal, length, block_px, slopes)
    for lengths in ((length,), tuple(block_px / part for part in (10.0, 5.0, 2.5, 1.25))):
        path = _smoothed_peak(log_ratio)
        signal = _signal_along(whitened, rows, columns, slopes[path], length, block_px)
        trials = []
        for trial_length in lengths:
            trial = _log_ratio(whitened, rows, columns, signal, trial_length, block_px, slopes)
            trials.append((float(trial.max(axis=1).sum()), trial_length, trial))
        _, length, log_ratio = max(trials, key=lambda t: t[0])
    return log_ratio, signal, length


def _line_width(row: float, length: float, block_px: int) -> float:
    """Half width in kx (cycles/px) of the streaks' line: window, streak length, dispersion."""
    dispersion = np.tan(np.radians(0.5))
    return float(
        np.sqrt((0.72 / block_px) ** 2 + (1 / (2 * np.pi * length)) ** 2 + (row * dispersion) ** 2)
    )


def _log_ratio(
    whitened: npt.NDArray[np.float32],
    rows: npt.NDArray[np.float64],
    columns: npt.NDArray[np.float64],
    signal: npt.NDArray[np.float64],
    length: float,
    block_px: int,
    slopes: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    step = columns[1] - columns[0]
    zero = int(np.argmin(np.abs(columns)))
    total = np.zeros((whitened.shape[0], len(slopes)))
    # log(1 + x) in single precision moves log-ratios of hundreds by some 1e-5; log1p costs more.
    noise_only = np.float32(TAIL + 1) * np.log(1 + whitened / np.float32(TAIL))
    for i, row in enumerate(rows):
        if signal[i] <= 0.02:
            continue
        width = _line_width(row, length, block_px)
        reach = int(np.ceil(4.0 * width / step))
        offsets = np.arange(-reach, reach + 1)
        expected = 1.0 + signal[i] / (1.0 + (offsets * step / width) ** 2) ** 1.5
        lowest = zero - int(np.ceil(row * abs(slopes[-1]) / step)) - 1
        highest = zero + int(np.ceil(row * abs(slopes[-1]) / step)) + 1
        lowest, highest = max(lowest, reach), min(highest, len(columns) - reach - 1)
        centres = np.arange(lowest, highest + 1)
        gain = np.zeros((whitened.shape[0], len(centres)), np.float32)
        for offset, level in zip(offsets, expected, strict=True):
            part = slice(lowest + offset, highest + offset + 1)
            gain += noise_only[:, i, part]
            signal_too = np.log(1 + whitened[:, i, part] / np.float32(TAIL * level))
            gain -= np.float32(TAIL + 1) * signal_too
            gain -= np.float32(np.log(level))
        # Rows count downwards: streaks that climb to the right (t > 0) lie at kx = +ky t.
        total += _between(gain, row * slopes / step + zero - lowest)
    # Zero padding doubles the columns; the Hann window correlates neighbours; blocks overlap by
    # half (their Hann-weighted overlap correlation, squared, is 1/36 in power, so it is ignored).
    return total / (2.0 * HANN_BANDWIDTH)


def _between(
    values: npt.NDArray[np.float32], position: npt.NDArray[np.float64]
) -> npt.NDArray[np.float32]:
    """Catmull-Rom values at fractional columns.

    Linear interpolation would favour whole columns, and every row has one at slope zero: the
    sum over rows would be drawn to zero.
    """
    position = np.clip(position, 1.0, values.shape[1] - 2.001)
    whole = position.astype(int)
    x = (position - whole).astype(np.float32)
    weights = (
        x * (-0.5 + x * (1.0 - 0.5 * x)),
        1.0 + x * x * (-2.5 + 1.5 * x),
        x * (0.5 + x * (2.0 - 1.5 * x)),
        x * x * (-0.5 + 0.5 * x),
    )
    total = values[:, whole - 1] * weights[0]
    for shift in (0, 1, 2):
        total += values[:, whole + shift] * weights[shift + 1]
    return np.asarray(total, dtype=np.float32)


def _smoothed_peak(log_ratio: npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    """Index of the likeliest direction per block, neighbours lending a hand."""
    from scipy.ndimage import gaussian_filter1d

    smooth = gaussian_filter1d(log_ratio, 2.0, axis=0, mode="nearest")
    return np.asarray(np.argmax(smooth, axis=1), dtype=np.intp)


def _signal_along(
    whitened: npt.NDArray[np.float32],
    rows: npt.NDArray[np.float64],
    columns: npt.NDArray[np.float64],
    slopes: npt.NDArray[np.float64],
    length: float,
    block_px: int,
) -> npt.NDArray[np.float64]:
    """Streak power over noise at the line's crest, per spectral row (K,), smoothed over rows."""
    from scipy.ndimage import median_filter, uniform_filter1d

    step = columns[1] - columns[0]
    zero = int(np.argmin(np.abs(columns)))
    crest = np.empty(len(rows))
    blocks = np.arange(whitened.shape[0])
    for i, row in enumerate(rows):
        centre = np.rint(row * slopes / step).astype(int) + zero
        centre = np.clip(centre, 1, len(columns) - 2)
        # The median resists blocks where a mark or a check takes the row over.
        values = [np.median(whitened[blocks, i, centre + d]) for d in (-1, 0, 1)]
        crest[i] = max(np.mean(values) / np.log(2.0) - 1.0, 0.0)
    smooth = uniform_filter1d(median_filter(crest, 5, mode="nearest"), 5, mode="nearest")
    return np.asarray(smooth, dtype=np.float64)
