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

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.jpeg_noise import GridNoise, noise_along_rows
from grainscan.measure.medians import median, medians

__all__ = ["DirectionEvidence", "block_directions"]

FloatArray = npt.NDArray[np.float32]
FloatArray64 = npt.NDArray[np.float64]

SLOPE_RANGE_DEG = 20.0
"""Directions considered: within this angle of the blank's own axis."""

SLOPE_STEP_DEG = 0.1
TAIL = 2.0
"""Half the denominator degrees of freedom of the F law: smaller bounds single bins harder."""

COLUMNS_PER_BIN = 4
"""Columns of the spectrum per bin of a block. Two hold the power without loss, but not its
logarithm: with two, peaks are drawn to whole columns by up to 0.1°."""

LENGTH_FROM_EVERY = 3
"""The streaks' length is chosen on every third block."""

MOST_POWER = 1e8
"""Power over noise beyond which a bin says no more."""

MOST_SIGNAL = 10.0**3.2
"""Most power of a line over noise. The highest side lobe of a Hann window lies 32 dB under the
line's crest (Harris, Proceedings of the IEEE 66, 1978, table I; from memory): what is fainter than
that beside a clearer line is its own leakage, and is no less than noise."""

FACTORS = 4
"""Bins multiplied before a logarithm is taken: their product stays within single precision."""

ROWS_AT_ONCE = 8
"""Spectral rows of much the same fineness whose lines count as equally wide a band of columns."""

HANN_BANDWIDTH = 1.5
"""Equivalent noise bandwidth of the Hann window in bins (Harris, Proc. IEEE 66, 1978)."""

STEEP_FROM = 0.6
"""Noise is read in the spectrum where |kx| > STEEP_FROM · ky (directions beyond 31°)."""


NOISE_RINGS = 24
LEAST_IN_RING = 4
"""Rings about the spectrum's origin in which the noise is read, and how many bins one needs."""

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
    strip: FloatArray,
    *,
    block_px: int,
    octaves: tuple[tuple[float, float], ...],
    coded: GridNoise | None = None,
) -> list[DirectionEvidence | None]:
    """Direction likelihood per block of a square-on strip, for each octave of fineness.

    ``strip`` (M, N) float32: quiet texture, length along the columns (see
    :func:`grainscan.measure.texture.quiet_texture`). ``block_px``: block length; blocks
    overlap by half. ``octaves``: from–to in cycles per pixel across the strip. An octave with
    fewer than three spectral rows gives None. ``coded``: noise along the picture's rows.
    """
    if strip.shape[0] < LEAST_STRIP_PX:
        return [None] * len(octaves)
    spectra, rows, columns = _block_spectra(strip, block_px, max(to for _, to in octaves))
    if len(rows) < LEAST_ROWS:
        return [None] * len(octaves)
    least = LEAST_NOISE * float(np.prod([np.sum(w**2) for w in _windows(len(strip), block_px)]))
    one_per_bin = _every(COLUMNS_PER_BIN, columns)
    power = _power(spectra[..., one_per_bin])
    noise_at = _noise_level(power, rows, columns[one_per_bin])
    most = rows[-1] * np.tan(np.radians(SLOPE_RANGE_DEG)) * 1.15 + 8.0 / block_px
    near = np.argsort(columns)
    near = near[np.abs(columns[near]) <= most]
    near_columns = columns[near]
    noise = np.maximum(noise_at(np.hypot(rows[:, None], near_columns)), least).astype(np.float32)
    if coded is not None:
        level = noise_at(np.hypot(rows[:, None], columns[one_per_bin])).astype(np.float32)
        over = power / level[:, None]
        noise *= noise_along_rows(over, rows, columns[one_per_bin], near_columns, coded)
    # Blocks come last so that what is done to a run of columns of all blocks runs through memory
    # in order.
    whitened = np.ascontiguousarray(
        (_power(spectra[..., near]) / noise[:, None]).transpose(0, 2, 1), dtype=np.float32
    )
    at = (np.arange(spectra.shape[1]) * (block_px // 2) + block_px / 2) / strip.shape[1]
    found: list[DirectionEvidence | None] = []
    for low, high in octaves:
        octave = (rows >= low) & (rows < high)
        if octave.sum() < LEAST_ROWS:
            found.append(None)
            continue
        log_ratio, signal, length = _fit(whitened[octave], rows[octave], near_columns, block_px)
        found.append(
            DirectionEvidence(slope_grid_deg(), log_ratio, at, signal, rows[octave], length)
        )
    return found


def _block_spectra(
    strip: FloatArray, block_px: int, finest: float
) -> tuple[npt.NDArray[np.complex64], FloatArray64, FloatArray64]:
    """Spectra (K, B, L) of half-overlapping blocks; rows ky > 0, columns kx from zero up, then the
    negative ones.

    ``finest``: rows are given up to this frequency.
    """
    from scipy import fft

    least = 3.0 / strip.shape[0]
    prediction_error = _prediction_error_filter(strip)
    strip = _filtered_down(strip, prediction_error)
    across, along = _windows(strip.shape[0], block_px)
    tall = fft.next_fast_len(strip.shape[0], real=True)
    rows = np.fft.rfftfreq(tall)
    used = (rows >= least) & (rows <= finest)
    rows = rows[used]
    # Down the columns the window is the same for all blocks, so they share one transform.
    down = fft.rfft(strip * across[:, None], tall, axis=0)[used]
    turns = np.exp(-2j * np.pi * rows[:, None] * np.arange(len(prediction_error)))
    down /= np.abs(turns @ prediction_error)[:, None].astype(np.float32)
    blocks = np.lib.stride_tricks.sliding_window_view(down, block_px, axis=1)
    spectra = fft.fft(
        blocks[:, :: block_px // 2] * along, COLUMNS_PER_BIN * fft.next_fast_len(block_px), axis=2
    )
    columns = np.fft.fftfreq(spectra.shape[2])
    return (
        np.asarray(spectra, dtype=np.complex64),
        np.asarray(rows, dtype=np.float64),
        np.asarray(columns, dtype=np.float64),
    )


def _power(spectra: npt.NDArray[np.complex64]) -> FloatArray:
    power = spectra.real**2
    power += spectra.imag**2
    return np.asarray(power, dtype=np.float32)


def _every(nth: int, columns: FloatArray64) -> slice:
    """Every so many columns, zero among them."""
    return slice(int(np.argmin(np.abs(columns))) % nth, None, nth)


def _windows(height: int, block_px: int) -> tuple[FloatArray, FloatArray]:
    """Hann windows across (height,) and along (block_px,) a block."""
    across = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(1, height + 1) / (height + 1))
    along = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(block_px) / block_px)
    return across.astype(np.float32), along.astype(np.float32)


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
    # Every fourth column: the filter need not be exact, for its response is divided out again.
    centred = strip[:, ::4] - strip.mean()
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
    power: FloatArray, rows: FloatArray64, columns: FloatArray64
) -> Callable[[FloatArray64], FloatArray64]:
    """Expected noise power at a distance from the spectrum's origin (cycles/px).

    ``power`` (K, B, L): spectra of the blocks.

    Sensor noise, lens blur and texture without direction are alike in all directions, so their
    power depends on the distance from the spectrum's origin only. It is read in steep
    directions and carried round to the shallow ones. A level taken per row would leave a hump
    about kx = 0, which draws slopes to zero.
    """
    radius = np.hypot(rows[:, None], columns[None, :])
    steep = np.abs(columns[None, :]) > STEEP_FROM * rows[:, None]
    # Of a small block there are too few steep columns for as many rings.
    rings = int(np.clip(np.count_nonzero(steep) // LEAST_IN_RING // 2, 1, NOISE_RINGS))
    edges = np.linspace(rows[0], 0.5, rings + 1)
    ring = np.where(steep, np.digitize(radius, edges), 0)
    centres, levels = [], []
    by_block = power.transpose(0, 2, 1)
    for i in range(1, len(edges)):
        inside = ring == i
        if np.count_nonzero(inside) >= LEAST_IN_RING:
            centres.append((edges[i - 1] + edges[i]) / 2.0)
            # The median resists marks at other angles; an exponential law's mean is median/ln 2.
            levels.append(np.log(median(by_block[inside]) / np.log(2.0) + 1e-30))
    # A sensor's own noise is white. Where the floor falls beyond mid frequencies, the camera has
    # smoothed or compressed, and what is left there follows its pixel grid and not the wood:
    # the floor is not followed down.
    held = float(np.exp(np.interp(HELD_FROM_CYCLES, centres, levels)))

    def level(distance: FloatArray64) -> FloatArray64:
        found = np.exp(np.interp(distance, centres, levels))
        return np.asarray(np.where(distance > HELD_FROM_CYCLES, np.maximum(found, held), found))

    return level


def _fit(
    whitened: FloatArray, rows: FloatArray64, columns: FloatArray64, block_px: int
) -> tuple[FloatArray64, FloatArray64, float]:
    """Estimate streak power per row and streak length, then the log-ratio of each direction.

    ``whitened`` (K, L, B). The estimates need no more than two columns per bin and every second
    slope, the length no more than some of the blocks; where a peak lies needs all of them.
    """
    slopes = np.tan(np.radians(slope_grid_deg()))
    trial_slopes = slopes[::2]
    some = _every(COLUMNS_PER_BIN // 2, columns)
    few, few_columns = np.ascontiguousarray(whitened[:, some]), columns[some]
    signal = np.full(len(rows), 2.0)
    length = block_px / 3.0
    for _ in range(2):
        trial = _log_ratio(few, rows, few_columns, signal, length, block_px, trial_slopes)
        path = _smoothed_peak(trial)
        signal = _signal_along(few, rows, few_columns, trial_slopes[path], length, block_px)
    over = np.maximum(signal / MOST_SIGNAL, 1.0)
    signal = signal / over
    whitened = np.asarray(whitened / over[:, None, None], dtype=np.float32)
    few = np.ascontiguousarray(whitened[:, some])
    fewest = np.ascontiguousarray(few[..., :: min(LENGTH_FROM_EVERY, few.shape[2])])
    trials = []
    for part in (10.0, 5.0, 2.5, 1.25):
        length = block_px / part
        trial = _log_ratio(fewest, rows, few_columns, signal, length, block_px, trial_slopes)
        trials.append((float(trial.max(axis=1).sum()), length))
    length = max(trials)[1]
    return _log_ratio(whitened, rows, columns, signal, length, block_px, slopes), signal, length


def _line_width(rows: FloatArray64, length: float, block_px: int) -> FloatArray64:
    """Half width in kx (cycles/px) of the streaks' line: window, streak length, dispersion."""
    dispersion = np.tan(np.radians(0.5))
    own = (0.72 / block_px) ** 2 + (1 / (2 * np.pi * length)) ** 2
    return np.asarray(np.sqrt(own + (rows * dispersion) ** 2))


def _log_ratio(
    whitened: FloatArray,
    rows: FloatArray64,
    columns: FloatArray64,
    signal: FloatArray64,
    length: float,
    block_px: int,
    slopes: FloatArray64,
) -> FloatArray64:
    """Log-ratio (B, T) of each slope in each block of ``whitened`` (K, L, B)."""
    step = columns[1] - columns[0]
    zero = int(np.argmin(np.abs(columns)))
    total = np.zeros((len(slopes), whitened.shape[2]))
    heard = np.flatnonzero(signal > 0.02)
    for some in np.array_split(heard, max(1, len(heard) // ROWS_AT_ONCE)):
        if not len(some):
            continue
        width = _line_width(rows[some], length, block_px)[:, None]
        reach = int(np.ceil(4.0 * width.max() / step))
        offsets = np.arange(-reach, reach + 1)
        expected = 1.0 + signal[some, None] / (1.0 + (offsets * step / width) ** 2) ** 1.5
        most = int(np.ceil(rows[some].max() * abs(slopes[-1]) / step)) + 1
        lowest, highest = max(zero - most, reach), min(zero + most, len(columns) - reach - 1)
        gain = _gain(whitened[some, lowest - reach : highest + reach + 1], expected)
        # Rows count downwards: streaks that climb to the right (t > 0) lie at kx = +ky t.
        total += _between(gain, rows[some, None] * slopes / step + zero - lowest)
    # Columns lie closer than bins; the Hann window correlates neighbours; blocks overlap by
    # half (their Hann-weighted overlap correlation, squared, is 1/36 in power, so it is ignored).
    return np.asarray(total.T * (step * block_px / HANN_BANDWIDTH), order="C")


def _gain(seen: FloatArray, expected: FloatArray64) -> FloatArray:
    """Log-ratio (K, C, B) of a line against noise alone about each column of ``seen``.

    ``seen`` (K, C + O - 1, B); ``expected`` (K, O): power over noise across the line. Under the F
    law a bin w counts (TAIL + 1) · (log(1 + w/TAIL) − log(1 + w/(TAIL·e))) − log e. Logarithms are
    taken of products.
    """
    wide = expected.shape[1]
    count = seen.shape[1] - wide + 1
    tailed = np.minimum(seen, np.float32(MOST_POWER)) + np.float32(TAIL)
    noise_only = np.zeros((len(seen), seen.shape[1] + 1, seen.shape[2]))
    np.cumsum(np.log(tailed), axis=1, out=noise_only[:, 1:], dtype=np.float64)
    gain = (noise_only[:, wide:] - noise_only[:, :count]).astype(np.float32)
    more = (TAIL * (expected - 1.0)).astype(np.float32)[..., None, None]
    product, factor = np.empty_like(gain), np.empty_like(gain)
    for first in range(0, wide, FACTORS):
        np.add(tailed[:, first : first + count], more[:, first], out=product)
        for offset in range(first + 1, min(first + FACTORS, wide)):
            np.add(tailed[:, offset : offset + count], more[:, offset], out=factor)
            product *= factor
        gain -= np.log(product, out=product)
    # log(1 + w/(T e)) = log(T e + w) − log T − log e, and the noise's own − log T cancels.
    gain *= np.float32(TAIL + 1.0)
    gain += (TAIL * np.log(expected).sum(axis=1)).astype(np.float32)[:, None, None]
    return gain


def _between(values: FloatArray, position: FloatArray64) -> FloatArray:
    """Sum over rows of Catmull-Rom values (T, B) at fractional columns (K, T) of ``values``
    (K, C, B).

    Linear interpolation would favour whole columns, and every row has one at slope zero: the
    sum over rows would be drawn to zero.
    """
    from scipy.sparse import csr_array

    rows, count, blocks = values.shape
    position = np.clip(position, 1.0, count - 2.001)
    whole = position.astype(np.int32)
    x = (position - whole).astype(np.float32)
    weights = (
        x * (-0.5 + x * (1.0 - 0.5 * x)),
        1.0 + x * x * (-2.5 + 1.5 * x),
        x * (0.5 + x * (2.0 - 1.5 * x)),
        x * x * (-0.5 + 0.5 * x),
    )
    # One row per slope: four columns of each spectral row.
    whole += np.arange(rows, dtype=np.int32)[:, None] * count
    column = whole.T[..., None] + np.arange(-1, 3, dtype=np.int32)
    weight = np.ascontiguousarray(np.stack(weights, axis=-1).transpose(1, 0, 2))
    ends = np.arange(position.shape[1] + 1, dtype=np.int32) * (4 * rows)
    shape = (position.shape[1], rows * count)
    picked = csr_array((weight.ravel(), column.ravel(), ends), shape=shape)
    return np.asarray(picked @ values.reshape(rows * count, blocks), dtype=np.float32)


def _smoothed_peak(log_ratio: npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    """Index of the likeliest direction per block, neighbours lending a hand."""
    from scipy.ndimage import gaussian_filter1d

    smooth = gaussian_filter1d(log_ratio, 2.0, axis=0, mode="nearest")
    return np.asarray(np.argmax(smooth, axis=1), dtype=np.intp)


def _signal_along(
    whitened: FloatArray,
    rows: FloatArray64,
    columns: FloatArray64,
    slopes: FloatArray64,
    length: float,
    block_px: int,
) -> FloatArray64:
    """Streak power over noise at the line's crest, per spectral row (K,), smoothed over rows."""
    from scipy.ndimage import median_filter, uniform_filter1d

    step = columns[1] - columns[0]
    zero = int(np.argmin(np.abs(columns)))
    centre = np.rint(rows[:, None] * slopes / step).astype(int) + zero
    centre = np.clip(centre, 1, len(columns) - 2)
    row, block = np.arange(len(rows))[:, None], np.arange(whitened.shape[2])
    # The median resists blocks where a mark or a check takes the row over.
    values = [medians(whitened[row, centre + d, block], 1) for d in (-1, 0, 1)]
    crest = np.maximum(np.mean(values, axis=0, dtype=np.float64) / np.log(2.0) - 1.0, 0.0)
    smooth = uniform_filter1d(median_filter(crest, 5, mode="nearest"), 5, mode="nearest")
    return np.asarray(smooth, dtype=np.float64)
