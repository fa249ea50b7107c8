"""Where one square-on part of a long face lies on the part left of it.

Ring stripes run along a face and look alike all along it: what tells a place are pores and the
short streaks of fibres in the quiet wood between. Both parts' edges were found in their own
pictures, and one may have been taken where a side face begins; so what is looked for is an affine
map: from blocks of texture that are found again, else from matched features, whatever their size.
Either is only believed if blocks all over the overlap, upper and lower half of the width by
themselves, then agree on one map.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from grainscan.measure.lines import robust_line
from grainscan.measure.texture import quiet_texture

__all__ = ["fine_texture", "lay_over"]

ByteArray = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
Texture = npt.NDArray[np.float32]

BROAD_PX, CLIP = 4.0, 2.0
"""As the texture in which fibres are read."""

MOST_FEATURES = 5000
LEAST_CONTRAST, MOST_EDGE = 0.01, 20.0
"""Features of wood are faint, and long along the fibres."""

UNLIKE_NEXT = 0.85
"""A feature counts whose best match is so much nearer than the next best (D. Lowe, "Distinctive
image features from scale-invariant keypoints", 2004, §7.1, allows 0.8; what is wrong among them is
left to the fit)."""

MOST_OFF_PX = 3.0
LEAST_FEATURES = 12

MOST_SCALE = 1.65
MOST_SHEAR = 0.2
MOST_TURN = 0.03
"""Two parts from about the same distance, of which one may show a side face as well."""

SEARCHED = 9
BLOCKS = 7
LEAST_AGREEING = 4
LEAST_SIGMAS = 4.5
"""Correlation of a block with its place, over the scatter of its correlation with other places."""

MOST_OFF = 0.06
"""Disagreement of the blocks' places, in widths of the face."""


def fine_texture(grey: Texture) -> Texture:
    """Fine texture of quiet wood (M, N) that changes along the length."""
    import cv2

    quiet = quiet_texture(grey, broad_px=BROAD_PX, clip=CLIP).blanked
    window = (2 * (len(grey) // 3) + 1, 1)
    return np.asarray(quiet - cv2.blur(quiet, window), dtype=np.float32)


def lay_over(left: Texture, right: Texture) -> FloatArray | None:
    """The affine map (2, 3) from places on the right part's face (M, N) grey to the left one's.

    None where they cannot be laid over one another.
    """
    a, b = fine_texture(left), fine_texture(right)
    for guess in (_by_blocks, _by_features):
        found = guess(a, b)
        if found is not None:
            # The second time from nearer: blocks are found again where they should lie.
            for share in (0.25, 0.08):
                found = None if found is None else _agreed(a, b, found, share)
        if found is not None and _sound(found):
            return found
    return None


def _sound(found: FloatArray) -> bool:
    return bool(
        min(found[0, 0], found[1, 1]) >= 1.0 / MOST_SCALE
        and max(found[0, 0], found[1, 1]) <= MOST_SCALE
        and abs(found[0, 1]) <= MOST_SHEAR
        and abs(found[1, 0]) <= MOST_TURN
    )


def _by_features(a: Texture, b: Texture) -> FloatArray | None:
    """A map that many matched features agree on."""
    import cv2

    sift = cv2.SIFT.create(
        nfeatures=MOST_FEATURES, contrastThreshold=LEAST_CONTRAST, edgeThreshold=MOST_EDGE
    )
    (at_a, of_a), (at_b, of_b) = (sift.detectAndCompute(_as_bytes(t), None) for t in (a, b))
    if min(len(at_a), len(at_b)) < LEAST_FEATURES:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(of_b, of_a, k=2)
    clear = [first for first, second in pairs if first.distance < UNLIKE_NEXT * second.distance]
    if len(clear) < LEAST_FEATURES:
        return None
    there = np.array([at_b[m.queryIdx].pt for m in clear], np.float32)
    here = np.array([at_a[m.trainIdx].pt for m in clear], np.float32)
    # A place lies about as far from the upper edge in one part as in the other.
    alike = np.abs(there[:, 1] - here[:, 1]) < 0.4 * len(a)
    if alike.sum() < LEAST_FEATURES:
        return None
    found, inside = cv2.estimateAffine2D(
        there[alike], here[alike], ransacReprojThreshold=MOST_OFF_PX, maxIters=20000
    )
    if found is None or inside.sum() < LEAST_FEATURES or not _sound(found):
        return None
    return np.asarray(found, dtype=np.float64)


def _as_bytes(texture: Texture) -> ByteArray:
    return np.clip(np.round(128.0 + 60.0 * texture), 0, 255).astype(np.uint8)


def _by_blocks(a: Texture, b: Texture) -> FloatArray | None:
    """A map along the length by blocks near the left part's right end, looked for everywhere."""
    import cv2

    rows = len(a)
    half = max(8, rows // 3)
    trim = max(2, rows // 16)
    last = a.shape[1] - half - 1
    centres = np.linspace(max(half, last - 0.35 * a.shape[1]), last, SEARCHED)
    in_a, in_b = [], []
    for centre in np.round(centres).astype(int):
        block = a[trim:-trim, centre - half : centre + half]
        if block.shape[1] > b.shape[1]:
            continue
        match = cv2.matchTemplate(b, block, cv2.TM_CCOEFF_NORMED)
        _, value, _, (x, _) = cv2.minMaxLoc(match)
        if value > LEAST_SIGMAS * match.std():
            in_a.append(float(centre))
            in_b.append(float(x + half))
    place = _consistent(np.array(in_a), np.array(in_b), MOST_OFF * rows)
    return None if place is None else np.array([[place[0], 0.0, place[1]], [0.0, 1.0, 0.0]])


def _consistent(in_a: FloatArray, in_b: FloatArray, off: float) -> tuple[float, float] | None:
    """Scale and start on which most blocks agree; None where too few do."""
    best = np.zeros(len(in_a), dtype=bool)
    for i in range(len(in_a)):
        for j in range(i + 1, len(in_a)):
            scale = (in_a[j] - in_a[i]) / (in_b[j] - in_b[i]) if in_b[j] != in_b[i] else 0.0
            if not 1.0 / MOST_SCALE <= scale <= MOST_SCALE:
                continue
            agree = np.abs(in_a - in_a[i] - scale * (in_b - in_b[i])) < off
            best = agree if agree.sum() > best.sum() else best
    if best.sum() < LEAST_AGREEING:
        return None
    return robust_line(in_b[best], in_a[best])


def _agreed(a: Texture, b: Texture, near: FloatArray, share: float) -> FloatArray | None:
    """The map refined by blocks of both halves of the width, each allowed to lie off by so large
    a ``share`` of the width along and a third of that across; None where too few agree.
    """
    import cv2

    rows, columns = a.shape
    inside = _columns_inside(near, b.shape, columns)
    if inside is None:
        return None
    first, last = inside
    size = (columns - first, rows)
    moved = near.copy()
    moved[0, 2] -= first
    seen = np.asarray(cv2.warpAffine(b, moved, size, flags=cv2.INTER_LINEAR), np.float32)
    reach = max(4, round(share * rows))
    lift = max(2, reach // 3)
    half = max(rows // 3, round((last - first) / (2.5 * BLOCKS)))
    low, high = half + reach, last - first - half - reach
    if high <= low:
        return None
    here, there = [], []
    for upper in (0, rows // 2):
        block_rows = slice(upper + lift + 1, upper + rows // 2 - lift - 1)
        for centre in np.round(np.linspace(low, high, BLOCKS)).astype(int):
            block = seen[block_rows, centre - half : centre + half]
            field = a[upper + 1 : upper + rows // 2 - 1]
            field = field[:, first + centre - half - reach : first + centre + half + reach]
            if min(block.shape) < 4 or block.std() == 0.0:
                continue
            match = cv2.matchTemplate(np.ascontiguousarray(field), block, cv2.TM_CCOEFF_NORMED)
            _, value, _, (x, y) = cv2.minMaxLoc(match)
            if value > LEAST_SIGMAS / np.sqrt(_spots(block)):
                middle = (first + centre, (block_rows.start + block_rows.stop) / 2.0)
                there.append(middle)
                here.append((middle[0] + x - reach, middle[1] + y - lift))
    if len(here) < LEAST_AGREEING:
        return None
    change, agree = cv2.estimateAffine2D(
        np.array(there), np.array(here), ransacReprojThreshold=MOST_OFF * rows, maxIters=5000
    )
    if change is None or agree.sum() < LEAST_AGREEING:
        return None
    both = np.vstack([change, [0, 0, 1]]) @ np.vstack([near, [0, 0, 1]])
    return np.asarray(both[:2])


def _spots(block: Texture) -> float:
    """Number of independent places of a texture, by the area under its squared correlation."""
    power = np.abs(np.fft.fft2(block - block.mean())) ** 2
    return float(power.sum() ** 2 / (power**2).sum())


def _columns_inside(
    near: FloatArray, shape: tuple[int, ...], columns: int
) -> tuple[int, int] | None:
    """First and last column of the left part that the right one covers; None if there are few."""
    rows, width = shape
    ends = [near @ (x, y, 1.0) for x in (0.0, width - 1.0) for y in (0.0, rows - 1.0)]
    first = max(0, int(np.ceil(max(ends[0][0], ends[1][0]))))
    last = min(columns - 1, int(min(ends[2][0], ends[3][0])))
    return (first, last) if last - first > rows else None
