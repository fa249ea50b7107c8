"""Fibre angle along a square-on face, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.directions import block_directions
from grainscan.measure.field import angle_paths, evidence_spread_factor
from grainscan.measure.stripes import Stripes, stripe_directions, without_stripes
from grainscan.measure.texture import normalised_texture

__all__ = ["FibreAngles", "fibre_angles"]

FloatArray = npt.NDArray[np.float64]

EDGE_SHARE = 0.05
"""Share of the width left out along each edge: chamfer, splinters and outline error live there."""

STATIONS = 21
LEAST_EVIDENCE = 20.0
"""Nats by which "smooth streaks" must beat "noise only": odds no accident reaches."""

WIDEST_90_DEG = 8.0
"""A 90 % interval wider than this sorts nothing; the face counts as unreadable."""


@dataclass(frozen=True, slots=True)
class FibreAngles:
    """Fibre angle at stations along a face, degrees, from equally likely paths.

    ``at`` (S,), ``paths_deg`` (P, S): angle paths at the stations. ``mean_deg``,
    ``mean_sigma_deg``: the mean over the length and its standard uncertainty from the texture.
    ``evidence``: nats in favour of directed texture. ``spread_factor``: overdispersion found.
    ``stripes``: the broad stripes, which were taken out first.
    """

    at: FloatArray
    paths_deg: FloatArray
    mean_deg: float
    mean_sigma_deg: float
    evidence: float
    spread_factor: float
    stripes: Stripes

    @property
    def readable(self) -> bool:
        return self.evidence >= LEAST_EVIDENCE and 3.29 * self.mean_sigma_deg <= WIDEST_90_DEG


def fibre_angles(grey: npt.NDArray[np.float32]) -> FibreAngles:
    """Measure the fibre angle along a square-on view (M, N) float32, square pixels."""
    rows, columns = grey.shape
    margin = max(1, round(EDGE_SHARE * rows))
    stripes = stripe_directions(grey)
    texture = normalised_texture(grey, broad_px=max(2.0, rows / 10.0))
    if stripes.seen:
        texture = without_stripes(texture, stripes)
    texture = texture[margin:-margin]
    block = _block_px(rows, columns)
    bands = [block_directions(band, block_px=block) for band in _bands(texture)]
    evidence = np.stack([b.log_ratio for b in bands])
    slopes, at = bands[0].slopes_deg, bands[0].at
    spread = evidence_spread_factor(evidence, slopes)
    paths = angle_paths(evidence.sum(axis=0), slopes, at, spread_factor=spread)
    stations = np.linspace(0.0, 1.0, STATIONS + 1)[:-1] + 0.5 / STATIONS
    at_stations = np.stack([np.interp(stations, at, p) for p in paths.paths_deg])
    means = at_stations.mean(axis=1)
    return FibreAngles(
        stations,
        at_stations,
        float(means.mean()),
        float(means.std()),
        paths.evidence,
        spread,
        stripes,
    )


def _block_px(rows: int, columns: int) -> int:
    """Block length: about a width, so that a block sees one direction; at least 12 a face."""
    return max(32, min(rows, 256, columns // 6) // 2 * 2)


def _bands(texture: npt.NDArray[np.float32]) -> list[npt.NDArray[np.float32]]:
    """Two bands across the face, top and bottom: independent witnesses of the same fibres."""
    middle = texture.shape[0] // 2
    return [np.ascontiguousarray(texture[:middle]), np.ascontiguousarray(texture[middle:])]
