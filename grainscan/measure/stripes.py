"""Ring stripes of a face: long lines, where they run, and the texture without them.

Ring boundaries cross a face as lines that stay coherent over a large part of its length, while
vessels, rays and fibre sheen are streaks of some millimetres to a few centimetres. So stripes
are found by averaging along straight lines as long as a fifth of the face, in every direction
(a local Radon transform), and a smooth field of slopes is fitted to what stands clear. What then
survives averaging along that field is mostly stripe and can be taken out before the fibres are
measured: on a flat-sawn face the two run in different directions, and the stripes are the
stronger.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.medians import median

__all__ = ["AlongStripes", "Stripes", "even_textures", "find_stripes"]

FloatArray = npt.NDArray[np.float64]
Texture = npt.NDArray[np.float32]

MOST_ROWS = 128
"""Rows of the copy in which lines are looked for: ring bands are broader than a hundredth of a
face."""

STEEPEST_DEG = 20.0
STEP_DEG = 0.5
CLEAR_SIGMAS = 4.0
"""A line this many standard deviations above what random texture reaches counts as seen."""

LEAST_SHARE = 0.01
"""Share of the face that must lie on clear lines for a stripe direction to be reported."""

LINE_SHARE = 0.2
"""Length of the lines averaged over, as a share of the face's length."""

BEND_PENALTY = 1e-3 * np.diag([0.0, 1.0, 1.0, 1.0, 1.0])
MEAN_OF_FIELD = np.array([1.0, 0.0, 0.0, 1.0 / 3.0, 0.0])
"""The mean over the face of c · (1, y, x, x², x·y)."""

PARTS_ALONG, PARTS_ACROSS = 4, 3
PARTS = PARTS_ALONG * PARTS_ACROSS
LEAST_LEFT = 0.01
"""Share of the lines' weight that must lie outside any one part."""

PIECE, PIECE_STEP_DEG = 4, 2.0
"""Columns of that copy summed at once, and the step between the directions they are summed in: off
by at most 1°, a piece lies less than a tenth of a row beside its line."""

EVEN_SHIFT_PX = 0.2113
"""Linear interpolation at a share s between pixels leaves (1 − s)² + s² of white noise: two thirds
on average over a slanted line, but all of it on a level one. With this shift a level line, too,
keeps two thirds, and level lines are not favoured."""

REMOVED_OVER = 0.125
LEAST_REMOVED_PX = 250
"""Length over which the texture is averaged along the stripes to take them out: a share of the
face's length, but so long that a streak of ordinary fibres is not taken for a stripe."""

REDUCED_ALONG = 4
LEAST_QUIET = 0.1
"""Share of quiet wood along a stripe below which nothing is known of its contrast."""

MOST_UNEVEN = 3.0
"""Contrast along a stripe is believed within this factor of the face's own."""


@dataclass(frozen=True, slots=True)
class Stripes:
    """Slope field of the stripes of a face.

    ``coefficients`` (5,): slope in degrees = c · (1, y, x, x², x·y), with x and y from −1 to 1
    along and across the view (y downwards). ``mean_deg``: over the face, with its standard
    uncertainty ``sigma_deg``. ``share``: share of the face lying on clear lines that follow the
    field.
    """

    coefficients: FloatArray
    mean_deg: float
    sigma_deg: float
    share: float

    @property
    def change_deg(self) -> float:
        """Standard deviation of the slope over the face."""
        _, y, x, xx, xy = self.coefficients**2
        return float(np.sqrt(y / 3.0 + x / 3.0 + xx * 4.0 / 45.0 + xy / 9.0))


def find_stripes(texture: Texture) -> Stripes | None:
    """Find the stripes of a normalised texture (M, N), or None where no lines stand clear."""
    strength, slope_deg, sigma = _line_strength(texture)
    clear = np.abs(strength) > CLEAR_SIGMAS * sigma
    if clear.mean() < LEAST_SHARE:
        return None
    rows, columns = strength.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    basis = _basis(x[clear], y[clear])
    weight = (strength[clear].astype(np.float64) / sigma) ** 2
    slope = slope_deg[clear].astype(np.float64)
    coefficients, used = _robust_field(basis, slope, weight)
    sigma_deg = _sigma_of_mean(basis, slope, weight * used, coefficients, _place(x, y)[clear])
    mean = float(MEAN_OF_FIELD @ coefficients)
    return Stripes(coefficients, mean, sigma_deg, float(clear.mean() * (used > 0).mean()))


class AlongStripes:
    """Running means of pictures of one shape (M, N) along the curves of one field of stripes."""

    def __init__(self, stripes: Stripes, rows: int, columns: int) -> None:
        self.stripes = stripes
        # What is averaged over hundreds of pixels along may be reduced along by four first.
        self._shape = (rows, columns)
        reduced = max(2, columns // REDUCED_ALONG)
        step = columns / reduced
        here = np.asarray((np.arange(reduced) + 0.5) * step - 0.5, np.float64)
        some = _some_columns(columns)
        curves = _curves(stripes, rows, some)
        number = np.arange(len(curves), dtype=np.float32)
        middle = np.arange(rows)
        # Which curve passes through a pixel: found on some columns, straight in between.
        through = np.stack([np.interp(middle, c, number) for c in curves.T], axis=1)
        rows_of = _between_columns(curves, some, here)
        self._curves = _places(rows_of)
        self._through = _places(_between_columns(np.asarray(through, np.float32), some, here))
        inside = (rows_of >= 0) & (rows_of <= rows - 1)
        self._inside = inside.astype(np.float32)
        run_px = min(max(REMOVED_OVER * columns, LEAST_REMOVED_PX), columns / 2.0)
        self._window = (max(3, round(run_px / step)) | 1, 1)
        self._share = np.maximum(self._sum(self._inside), 1e-3)

    def mean(self, picture: Texture) -> Texture:
        """The mean of ``picture`` (M, N) along the stripe through each place of a copy that is
        reduced along the length, (M, R).
        """
        import cv2

        reduced = (self._inside.shape[1], self._shape[0])
        small = np.asarray(cv2.resize(picture, reduced, interpolation=cv2.INTER_AREA), np.float32)
        level = _follow(small, self._curves, cv2.INTER_CUBIC)
        level *= self._inside
        mean = self._sum(level)
        mean /= self._share
        return _follow(mean, self._through, cv2.INTER_LINEAR)

    def widened(self, mean: Texture) -> Texture:
        """What is known on the reduced copy (M, R), at every pixel (M, N)."""
        import cv2

        wide = cv2.resize(mean, self._shape[::-1], interpolation=cv2.INTER_LINEAR)
        return np.asarray(wide, np.float32)

    def _sum(self, level: Texture) -> Texture:
        import cv2

        return np.asarray(cv2.blur(level, self._window, borderType=cv2.BORDER_CONSTANT), np.float32)


def even_textures(
    texture: Texture, weight: Texture, along: AlongStripes
) -> tuple[Texture, Texture]:
    """The quiet texture (M, N) with the stripes' contrast made even: stripes left in, taken out.

    ``weight`` (M, N): 0 on strong lines, about 1 in quiet wood. Where the fibres' contrast
    follows the rings (fainter in earlywood, say), every streak of fibres is cut into pieces along
    the rings, and the product's spectrum has ridges between the two directions (the modulation
    theorem). Dividing by the contrast along each stripe undoes that.
    """
    quiet = np.maximum(along.mean(weight), np.float32(LEAST_QUIET))
    blanked = texture * weight
    out = along.widened(np.asarray(along.mean(blanked) / quiet, np.float32))
    np.subtract(texture, out, out=out)
    left_in = _even(texture, blanked, quiet, along)
    return left_in, _even(out, out * weight, quiet, along)


def _even(texture: Texture, blanked: Texture, quiet: Texture, along: AlongStripes) -> Texture:
    """``blanked`` (the texture times its weight) over its contrast along the stripes."""
    contrast = np.sqrt(np.maximum(along.mean(texture * blanked) / quiet, np.float32(1e-3)))
    typical = median(contrast[::2, ::2])
    # Far from what is typical it is no wood's contrast but a line's remains, or an empty place.
    least, most = typical / MOST_UNEVEN, typical * MOST_UNEVEN
    even = 1.0 / np.clip(contrast, least, most)
    return np.asarray(blanked * along.widened(even.astype(np.float32)), dtype=np.float32)


def _line_strength(texture: Texture) -> tuple[Texture, Texture, float]:
    """Per pixel of a reduced copy: strongest line mean, its slope, the noise.

    Lines are within 20° of the length, so the copy may be short along it without losing them.
    Sums over long lines are made of sums over short pieces, which many directions share (Götz and
    Druckmüller, "A fast digital Radon transform", Pattern Recognition 29, 1996).
    """
    import cv2

    rows = min(MOST_ROWS, texture.shape[0])
    pieces = max(12, texture.shape[1] // (6 * PIECE))
    columns = pieces * PIECE
    # A step of one column of the copy, in rows of the copy, at a slope of 45°.
    step = (texture.shape[1] / columns) * (rows / texture.shape[0])
    small = np.asarray(
        cv2.resize(texture, (columns, rows), interpolation=cv2.INTER_AREA), np.float32
    )
    # Two boxes in a row (a triangle) average over 1.5 times as many samples as one.
    window = (max(3, round(LINE_SHARE * pieces / 1.5)) | 1, 1)
    strongest, strength = (np.zeros((rows, pieces), np.float32) for _ in range(2))
    slope = np.zeros_like(strongest)
    shorts: dict[float, Texture] = {}
    typical = []
    for angle in np.arange(-STEEPEST_DEG, STEEPEST_DEG + STEP_DEG / 2, STEP_DEG):
        near = PIECE_STEP_DEG * round(angle / PIECE_STEP_DEG)
        if near not in shorts:
            shorts = {near: _piece_means(small, np.tan(np.radians(near)) * step)}
        drop = np.tan(np.radians(angle)) * step * PIECE
        pad = int(np.ceil(abs(drop) * pieces / 2)) + 2
        shift = pad + EVEN_SHIFT_PX - drop * (pieces - 1) / 2
        turn = np.array([[1, 0, 0], [drop, 1, shift]], np.float32)
        # Outside the face is nothing: lines cut short at a corner are weaker, never stronger.
        level = cv2.warpAffine(shorts[near], turn, (pieces, rows + 2 * pad), flags=cv2.INTER_LINEAR)
        level = _twice_blurred(np.asarray(level, np.float32), window)
        back = cv2.warpAffine(
            level, turn, (pieces, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        here = np.abs(back)
        typical.append(median(here[::2, ::2]))
        stronger = cv2.compare(here, strength, cv2.CMP_GT)
        strength = np.maximum(here, strength)
        cv2.copyTo(back, stronger, strongest)
        cv2.copyTo(np.full_like(slope, angle), stronger, slope)
    noise = 1.4826 * float(np.median(typical)) + 1e-9
    return strongest, slope, noise


def _piece_means(picture: Texture, drop: float) -> Texture:
    """Means over :data:`PIECE` columns along lines that fall ``drop`` rows a column."""
    import cv2

    rows, pieces = picture.shape[0], picture.shape[1] // PIECE
    total = np.zeros((rows, pieces), np.float32)
    for column in range(PIECE):
        shift = drop * (column - (PIECE - 1) / 2) + EVEN_SHIFT_PX
        move = np.array([[1, 0, 0], [0, 1, shift]], np.float32)
        part = np.ascontiguousarray(picture[:, column::PIECE])
        total += cv2.warpAffine(part, move, (pieces, rows), flags=cv2.INTER_LINEAR)
    return np.asarray(total / PIECE, np.float32)


def _twice_blurred(picture: Texture, window: tuple[int, int]) -> Texture:
    import cv2

    border = cv2.BORDER_CONSTANT
    once = cv2.blur(picture, window, borderType=border)
    return np.asarray(cv2.blur(once, window, borderType=border), dtype=np.float32)


def _basis(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.stack([np.ones_like(x), y, x, x * x, x * y], axis=-1)


def _robust_field(
    basis: FloatArray, slope_deg: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Slope field by reweighted least squares, from the strongest direction outwards.

    Returns the coefficients and the share (0 to 1) of its weight that each line has kept.
    """
    edges = np.arange(-STEEPEST_DEG - 0.25, STEEPEST_DEG + 0.5, 0.5)
    histogram, _ = np.histogram(slope_deg, bins=edges, weights=weight)
    histogram = np.convolve(histogram, [1, 2, 3, 2, 1], "same")
    start = float(edges[int(np.argmax(histogram))] + 0.25)
    coefficients = np.array([start, 0.0, 0.0, 0.0, 0.0])
    scale = 2.0
    used = np.ones(len(slope_deg))
    for _ in range(12):
        residual = slope_deg - basis @ coefficients
        used = np.clip(1.0 - (residual / (3.0 * scale)) ** 2, 0.0, 1.0) ** 2
        total = weight * used
        normal = (basis * total[:, None]).T @ basis + total.sum() * BEND_PENALTY
        coefficients = np.linalg.solve(normal, (basis * total[:, None]).T @ slope_deg)
        inliers = np.abs(residual[used > 0])
        scale = float(np.clip(1.4826 * np.median(inliers), 0.5, 2.0)) if inliers.size else 2.0
    return coefficients, used


def _place(x: FloatArray, y: FloatArray) -> npt.NDArray[np.intp]:
    """Number of the part of the face, :data:`PARTS` in all, at places from −1 to 1."""
    along = np.clip((x + 1.0) / 2.0 * PARTS_ALONG, 0, PARTS_ALONG - 1).astype(np.intp)
    across = np.clip((y + 1.0) / 2.0 * PARTS_ACROSS, 0, PARTS_ACROSS - 1).astype(np.intp)
    return across * PARTS_ALONG + along


def _sigma_of_mean(
    basis: FloatArray,
    slope_deg: FloatArray,
    weight: FloatArray,
    coefficients: FloatArray,
    part: npt.NDArray[np.intp],
) -> float:
    """Standard uncertainty of the field's mean by leaving out one part of the face after another.

    Neighbouring pixels lie on the same lines, so their number says nothing; parts do (grouped
    jackknife; Efron and Tibshirani, *An Introduction to the Bootstrap*, 1993, ch. 11).
    """
    weighted = basis * weight[:, None]
    normal, moment = [], []
    for number in range(PARTS):
        here = part == number
        normal.append(weighted[here].T @ basis[here])
        moment.append(weighted[here].T @ slope_deg[here])
    all_normal = np.sum(normal, axis=0)
    penalty = weight.sum() * BEND_PENALTY
    all_moment = np.sum(moment, axis=0)
    alone = max(n[0, 0] for n in normal)
    if alone > (1.0 - LEAST_LEFT) * all_normal[0, 0]:
        # Lines in one part only: nothing is left to check them by.
        return STEEPEST_DEG
    means = [
        MEAN_OF_FIELD @ np.linalg.solve(all_normal - n + penalty, all_moment - m)
        for n, m in zip(normal, moment, strict=True)
        if n[0, 0] > 0.0
    ]
    off = np.array(means) - float(MEAN_OF_FIELD @ coefficients)
    return float(np.sqrt((off**2).sum() * (len(off) - 1) / len(off)))


def _curves(stripes: Stripes, rows: int, some: FloatArray) -> Texture:
    """Row of each stripe curve (K, S) in some columns; curves start a row apart in the middle."""
    columns = int(some[-1]) + 1
    middle = len(some) // 2
    c = stripes.coefficients
    y, x = np.mgrid[-1:1:9j, -1:1:33j]
    steepest = np.tan(np.radians(np.abs(_basis(x, y) @ c).max()))
    # A curve that starts farther out does not reach the view.
    reach = int(min(0.4 * columns, 4.0 * rows, 1.05 * steepest * columns / 2.0 + 2.0))
    curves = np.empty((rows + 2 * reach, len(some)), np.float32)
    curves[:, middle] = np.arange(-reach, rows + reach)

    def fall(column: float, row: FloatArray) -> FloatArray:
        # Outside the view the field is held at its border value.
        y = 2.0 * np.minimum(np.maximum(row, 0.0), rows - 1) / (rows - 1) - 1.0
        x = 2.0 * column / (columns - 1) - 1.0
        angle = c[0] + c[1] * y + x * (c[2] + c[3] * x + c[4] * y)
        return np.asarray(np.tan(np.radians(angle)))

    for order in (range(middle + 1, len(some)), range(middle - 1, -1, -1)):
        row = curves[:, middle].astype(np.float64)
        before = some[middle]
        for i in order:
            step = some[i] - before
            # Midpoint rule: the slope half a step on.
            half = row - fall(before, row) * step / 2.0
            row = row - fall(before + step / 2.0, half) * step
            curves[:, i] = row
            before = some[i]
    crosses = ((curves >= 0) & (curves <= rows - 1)).any(axis=1)
    return curves[crosses]


def _some_columns(columns: int) -> FloatArray:
    """About every eighth column, both ends among them."""
    return np.asarray(np.unique(np.rint(np.linspace(0, columns - 1, max(2, columns // 8)))))


def _between_columns(values: Texture, some: FloatArray, here: FloatArray) -> Texture:
    """Values (K, S) known at some columns, at others, straight in between: (K, len(here))."""
    left = np.clip(np.searchsorted(some, here, side="right") - 1, 0, len(some) - 2)
    share = ((here - some[left]) / (some[left + 1] - some[left])).astype(np.float32)
    return np.asarray(values[:, left] * (1 - share) + values[:, left + 1] * share, np.float32)


def _places(row: Texture) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]]:
    """The given row (K, N) of each column, as OpenCV's remap takes it fastest."""
    import cv2

    column = np.broadcast_to(np.arange(row.shape[1], dtype=np.float32), row.shape).copy()
    whole, between = cv2.convertMaps(column, row, cv2.CV_16SC2)
    return np.asarray(whole, np.int16), np.asarray(between, np.uint16)


def _follow(
    picture: Texture, at: tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]], how: int
) -> Texture:
    """The picture (M, N) at places (K, N)."""
    import cv2

    return np.asarray(cv2.remap(picture, *at, how, borderMode=cv2.BORDER_REPLICATE))
