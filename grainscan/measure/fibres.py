"""Fibre angle along a square-on face, with its uncertainty."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.directions import DirectionEvidence, block_directions
from grainscan.measure.field import (
    PATHS,
    AngleMean,
    AnglePaths,
    angle_means,
    angle_paths,
    evidence_spread_factor,
)
from grainscan.measure.jpeg_noise import GridNoise
from grainscan.measure.stripes import AlongStripes, Stripes, even_textures, find_stripes
from grainscan.measure.texture import normalised_texture, quiet_texture

__all__ = ["FibreAngles", "fibre_angles"]

FloatArray = npt.NDArray[np.float64]

EDGE_SHARE = 0.05
"""Share of the width left out along each edge: chamfer, splinters and outline error live there."""

EDGE_PX = 3
"""Rows that a lens's blur and the outline's error reach farther in."""

STATIONS = 21
LEAST_HALF_PX = 64

FINE_OCTAVES = ((0.10, 0.16), (0.16, 0.25), (0.25, 0.40))
"""Fineness of lines read for fibres, cycles per pixel (lines 1 to 5 pixels wide). Broader ones are
shared with ring bands, which have least of the finest."""

CAMERA_FROM = 0.25
MOST_RISE = 2.0
"""Lines finer than this (cycles per pixel) may be what a camera or its coding made of noise. A lens
dims fine lines more than broad ones, so such lines are heard only if they are no more than so many
times as clear as the next broader ones. On sharp pictures with known fibres hardly any are clearer
than that and none three times as clear, on coarsely coded ones most are."""

COARSE_OCTAVES = ((0.045, 0.075), (0.075, 0.11))
"""Read where finer lines say little (a very close, a blurred or a noisy photograph)."""

COARSE_AS_ONE = ((COARSE_OCTAVES[0][0], COARSE_OCTAVES[-1][1]),)

FINE_ENOUGH_DEG = 0.5
"""Standard uncertainty below which fine lines alone are heeded."""

BROAD_SIGMA_DEG = 0.5
"""What broad lines are doubted by beyond their own scatter: ring bands too faint to be seen as
stripes may draw them. From trials with known fibres, as is the value above."""

LEAST_EVIDENCE = 20.0
"""Nats by which "smooth streaks" must beat "noise only": odds no accident reaches."""

WIDEST_90_DEG = 6.0
"""±3° still tells a straight face from one at 1 in 10 (5.7°), the loosest limit in use
(`judge/limits.toml`); with a wider interval the face counts as unread (common practice, no
source)."""

STRIPE_PULL = 0.15
"""Standard uncertainty left by ring stripes, as a share of the angle between them and the fibres
found: stripes too faint or too curved to be blanked out still draw the answer towards themselves.
From trials with known fibres, not from theory."""

OCTAVE_PULL = 0.4
"""The same left by what draws lines of one fineness only, as a share of the angle between the
finest and the broadest ones."""

ALIKE_BLOCKS = 1.5
"""Neighbouring blocks err alike: how many times more their mean scatters than if they did not. From
trials with known fibres, as is the share above."""

SINGLE_SIGMA_DEG = 1.0
"""Standard uncertainty where lines of one fineness in one strip are all there is, and nothing to
check them against. From trials with known fibres."""


@dataclass(frozen=True, slots=True)
class FibreAngles:
    """Fibre angle at stations along a face, degrees, from equally likely paths.

    ``at`` (S,), ``paths_deg`` (P, S): angle paths at the stations. ``mean_deg``,
    ``mean_sigma_deg``: the mean over the length and its standard uncertainty from the texture;
    ``common_sigma_deg``: the part of it that all stations share (it does not scatter in the paths).
    ``evidence``: nats in favour of directed texture. ``spread_factor``: overdispersion found.
    ``witnesses_deg``: the mean according to each half of the width and each octave alone.
    ``stripes``: the ring stripes; None where none were seen.
    """

    at: FloatArray
    paths_deg: FloatArray
    mean_deg: float
    mean_sigma_deg: float
    common_sigma_deg: float
    evidence: float
    spread_factor: float
    witnesses_deg: tuple[float, ...]
    stripes: Stripes | None

    @property
    def has_evidence(self) -> bool:
        return self.evidence >= LEAST_EVIDENCE

    @property
    def readable(self) -> bool:
        return self.has_evidence and 3.29 * self.mean_sigma_deg <= WIDEST_90_DEG


def fibre_angles(grey: npt.NDArray[np.float32], coded: GridNoise | None = None) -> FibreAngles:
    """Measure the fibre angle along a square-on view (M, N) float32, square pixels.

    ``coded``: noise that a photograph's coding left on it.
    """
    # The arrises are the longest lines of all; nothing may see them.
    margin = max(1, round(EDGE_SHARE * grey.shape[0]))
    grey = np.ascontiguousarray(grey[margin:-margin])
    stripes = find_stripes(_inner_texture(grey))
    along = None if stripes is None else AlongStripes(stripes, *grey.shape)
    fine = _read(grey, along, FINE_OCTAVES, coded, broad_px=4.0)
    if fine.has_evidence and fine.mean_sigma_deg <= FINE_ENOUGH_DEG:
        return fine
    # Broad lines are partly the rings'. They are heeded where fine ones leave more doubt than that.
    coarse = _read(grey, along, COARSE_OCTAVES, coded, broad_px=8.0)
    if not coarse.witnesses_deg:
        # A narrow face has too few broad lines for two octaves of them.
        coarse = _read(grey, along, COARSE_AS_ONE, coded, broad_px=8.0)
    if not coarse.has_evidence:
        return fine
    return _together(fine, coarse) if fine.has_evidence else coarse


def _inner_texture(grey: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Texture (M, N) in which long lines are looked for, nothing along either long edge.

    What a lens leaves of the arris is a line along the whole face, if a faint one: of all lines
    it would be the longest.
    """
    edge = min(EDGE_PX, grey.shape[0] // 8)
    inner = np.ascontiguousarray(grey[edge : grey.shape[0] - edge])
    texture = normalised_texture(inner, broad_px=max(2.0, grey.shape[0] / 10.0))
    return np.pad(texture, ((edge, edge), (0, 0)))


def _together(fine: FibreAngles, coarse: FibreAngles) -> FibreAngles:
    """The weighted mean of fine and broad lines; their distance is doubt as well."""
    fine_weight = fine.mean_sigma_deg**-2
    coarse_weight = 1.0 / (coarse.mean_sigma_deg**2 + BROAD_SIGMA_DEG**2)
    share = coarse_weight / (fine_weight + coarse_weight)
    apart = fine.mean_deg - coarse.mean_deg
    variance = 1.0 / (fine_weight + coarse_weight) + share * (1.0 - share) * apart**2
    count = min(len(fine.paths_deg), len(coarse.paths_deg))
    paths = (1.0 - share) * fine.paths_deg[:count] + share * coarse.paths_deg[:count]
    own = float(paths.mean(axis=1).var())
    return dataclasses.replace(
        fine,
        paths_deg=paths,
        mean_deg=(1.0 - share) * fine.mean_deg + share * coarse.mean_deg,
        mean_sigma_deg=float(np.sqrt(max(variance, own))),
        common_sigma_deg=float(np.sqrt(max(variance - own, 0.0))),
        evidence=fine.evidence + coarse.evidence,
        witnesses_deg=fine.witnesses_deg + coarse.witnesses_deg,
    )


def _read(
    grey: npt.NDArray[np.float32],
    along: AlongStripes | None,
    octaves: tuple[tuple[float, float], ...],
    coded: GridNoise | None,
    *,
    broad_px: float,
) -> FibreAngles:
    # Clipped hard: every pixel of fine texture has a say; ring edges have none.
    quiet = quiet_texture(grey, broad_px=broad_px, clip=2.0)
    if along is None:
        return _weighed([(1.0, _reading(quiet.blanked, octaves, coded))], None)
    stripes = along.stripes
    left_in, taken_out = even_textures(quiet.texture, quiet.weight, along)
    # With the stripes left in, they draw the angle to themselves; with them taken out, fibres that
    # run along them go too, and what is left leans away. Which of the two is nearer the truth is
    # not seen; the more of the face lies on stripes, the likelier it is the second.
    return _weighed(
        [
            (1.0 - stripes.share, _reading(left_in, octaves, coded)),
            (stripes.share, _reading(taken_out, octaves, coded)),
        ],
        stripes,
    )


def _weighed(readings: list[tuple[float, _Reading | None]], stripes: Stripes | None) -> FibreAngles:
    """One answer of one or two readings, each as likely as its share."""
    found = [(share, reading) for share, reading in readings if reading is not None]
    if not found:
        return _nothing(stripes)
    total = sum(share for share, _ in found)
    shares = np.array([share / total for share, _ in found])
    of = [reading for _, reading in found]
    counts = np.rint(shares * PATHS).astype(int)
    paths = np.concatenate([r.paths_deg[:count] for r, count in zip(of, counts, strict=True)])
    means = paths.mean(axis=1)
    mean = float(means.mean())
    # How far the two readings lie apart is in the scatter of the paths, which are of both.
    scatter = float(means.std())
    alike = math.sqrt(ALIKE_BLOCKS**2 - 1.0) * scatter
    disagreement = math.sqrt(shares @ [r.disagreement_deg**2 for r in of])
    pulled = OCTAVE_PULL * abs(float(shares @ [r.octave_step_deg for r in of]))
    drawn = STRIPE_PULL * abs(stripes.mean_deg - mean) if stripes is not None else 0.0
    common = math.hypot(alike, disagreement, pulled, drawn)
    return FibreAngles(
        at=_station_places(),
        paths_deg=paths,
        mean_deg=mean,
        mean_sigma_deg=math.hypot(scatter, common),
        common_sigma_deg=common,
        evidence=min(r.evidence for r in of),
        spread_factor=max(r.spread_factor for r in of),
        witnesses_deg=tuple(said for r in of for said in r.witnesses_deg),
        stripes=stripes,
    )


@dataclass(frozen=True, slots=True)
class _Reading:
    """What one texture says: paths (P, S) at the stations, and how far its witnesses differ.

    ``octave_step_deg``: the finest lines' mean angle less that of the broadest. Fibres show alike
    in all; ring stripes pull the broader ones, the pixel grid the finer ones.
    """

    paths_deg: FloatArray
    mean_deg: float
    disagreement_deg: float
    octave_step_deg: float
    evidence: float
    spread_factor: float
    witnesses_deg: tuple[float, ...]


def _reading(
    texture: npt.NDArray[np.float32],
    octaves: tuple[tuple[float, float], ...],
    coded: GridNoise | None,
) -> _Reading | None:
    witnesses, part, fineness = _witnesses(texture, octaves, coded)
    if not witnesses:
        return None
    evidence = np.stack([w.log_ratio for w in witnesses])
    slopes, at = witnesses[0].slopes_deg, witnesses[0].at
    paths, alone, spread = _heard(evidence, slopes, at)
    wood = ~_from_the_camera(alone, fineness, octaves)
    if not wood.any():
        return None
    if not wood.all():
        evidence, part, fineness = evidence[wood], part[wood], fineness[wood]
        paths, alone, spread = _heard(evidence, slopes, at)
    # Lines of one fineness may be lost in blur or noise; such a witness says nothing, neither for
    # nor against. Fibres run through the whole width, though: what only one half of it shows may be
    # a mark, and then the other's silence counts.
    telling = np.array([mean.evidence > 0.0 for mean in alone])
    if set(part[telling]) == set(part) and not telling.all():
        fineness = fineness[telling]
        paths, alone, spread = _heard(evidence[telling], slopes, at)
    at_stations = np.stack([np.interp(_station_places(), at, p) for p in paths.paths_deg])
    said = np.array([mean.mean_deg for mean in alone])
    scatter = np.array([mean.sigma_deg for mean in alone])
    return _Reading(
        paths_deg=at_stations,
        mean_deg=float(at_stations.mean()),
        disagreement_deg=_disagreement(said, scatter),
        octave_step_deg=float(
            said[fineness == fineness.max()].mean() - said[fineness == fineness.min()].mean()
        ),
        evidence=paths.evidence,
        spread_factor=spread,
        witnesses_deg=tuple(float(v) for v in said),
    )


def _from_the_camera(
    alone: list[AngleMean],
    fineness: npt.NDArray[np.intp],
    octaves: tuple[tuple[float, float], ...],
) -> npt.NDArray[np.bool_]:
    """Which witnesses (W,) are of lines so fine, and so clear, that they are the camera's."""
    evidence = np.array([max(mean.evidence, 0.0) for mean in alone])
    clear = [evidence[fineness == number].sum() for number in range(len(octaves))]
    rising = [
        low >= CAMERA_FROM and (number == 0 or clear[number] > MOST_RISE * clear[number - 1])
        for number, (low, _) in enumerate(octaves)
    ]
    return np.array([rising[number] for number in fineness], dtype=np.bool_)


def _heard(
    evidence: FloatArray, slopes: FloatArray, at: FloatArray
) -> tuple[AnglePaths, list[AngleMean], float]:
    """Paths by all witnesses' evidence (W, B, T), each one's mean, and the spread factor."""
    spread = evidence_spread_factor(evidence, slopes)
    together = angle_paths(evidence.sum(axis=0), slopes, at, spread_factor=spread)
    step = together.step_deg
    return together, angle_means(evidence, slopes, spread_factor=spread, step_deg=step), spread


def _station_places() -> FloatArray:
    return (np.arange(STATIONS) + 0.5) / STATIONS


def _disagreement(said_deg: FloatArray, sigma_deg: FloatArray) -> float:
    """Standard uncertainty of the mean of the witnesses from how far they lie apart.

    What pulls one octave (a ring band, the pixel grid) or one half of the width pulls it all
    along the face, so more blocks do not average it away; more witnesses do.
    """
    count = len(said_deg)
    if count < 2:
        return SINGLE_SIGMA_DEG
    weight = 1.0 / (sigma_deg**2 + 0.05**2)
    centre = float((weight * said_deg).sum() / weight.sum())
    variance = float((weight * (said_deg - centre) ** 2).sum() / weight.sum())
    return float(np.sqrt(variance / (count - 1)))


def _witnesses(
    texture: npt.NDArray[np.float32],
    octaves: tuple[tuple[float, float], ...],
    coded: GridNoise | None,
) -> tuple[list[DirectionEvidence], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Evidence of the upper and the lower half of the width, octave by octave, and of each one
    which half and which octave it is of.
    """
    rows = texture.shape[0]
    block_px = _block_px(*texture.shape)
    middle = rows // 2
    # A narrow face is not halved: too few spectral rows would be left in each half.
    parts = (texture[:middle], texture[middle:]) if middle >= LEAST_HALF_PX else (texture,)
    found, part, fineness = [], [], []
    for which, half in enumerate(parts):
        strip = np.ascontiguousarray(half)
        by_octave = block_directions(strip, block_px=block_px, octaves=octaves, coded=coded)
        for octave, seen in enumerate(by_octave):
            if seen is not None:
                found.append(seen)
                part.append(which)
                fineness.append(octave)
    return found, np.array(part, dtype=np.intp), np.array(fineness, dtype=np.intp)


def _block_px(rows: int, columns: int) -> int:
    """Block length: about a width, so that a block sees one direction; at least 12 a face."""
    return max(32, min(rows, 256, columns // 6) // 2 * 2)


def _nothing(stripes: Stripes | None) -> FibreAngles:
    """The face is too few pixels wide for any line to be resolved."""
    nothing = np.zeros((1, STATIONS))
    return FibreAngles(_station_places(), nothing, 0.0, 90.0, 90.0, float("-inf"), 1.0, (), stripes)
