"""General slope of grain against an axis over a stretch of a blank, with its interval."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from grainscan.results import NORMAL_90, SlopeInSpace, SteepestPlace
from grainscan.workshop.solid import BlankSolid

__all__ = ["slope_over"]

FloatArray = npt.NDArray[np.float64]

_DRAWS, _SEED = 4000, 20
# Quantiles to about 1 % of the interval; the seed is fixed so that an answer can be repeated.


def slope_over(solid: BlankSolid, z_mm: FloatArray, slope: FloatArray) -> SlopeInSpace:
    """Slope of grain over a stretch.

    Parameters
    ----------
    z_mm
        (N,) places along the blank, in order, at least two.
    slope
        (2, N) tangents of the fibres there against the axis that matters, in x and y.

    Returns
    -------
    SlopeInSpace
        The mean tangents' slope, with the uncertainty of that mean from the field's correlated
        errors. Steepest is the steepest place of the field as measured, and the lower end of
        its own interval.
    """
    along = np.gradient(z_mm)
    along = along / along.sum()
    mean = slope @ along
    sigma = np.array(solid.errors.of_mean(_weights(solid.z_mm, z_mm, along)))
    # What is known of the true mean is normal about the measured one. (An interval from the
    # law of the *measured* slope would not do: along the fibres that is 0 by construction.)
    rng = np.random.default_rng(_SEED)
    tangents = np.linalg.norm(mean + sigma * rng.standard_normal((_DRAWS, 2)), axis=1)
    low, high = (_angle_deg(float(q)) for q in np.quantile(tangents, (0.05, 0.95)))
    angle = _angle_deg(float(np.hypot(mean[0], mean[1])))
    steep = np.hypot(slope[0], slope[1])
    k = int(np.argmax(steep))
    return SlopeInSpace(
        angle_deg=angle,
        low_deg=min(low, angle),
        high_deg=max(high, angle),
        steepest=SteepestPlace(
            at=float(z_mm[k]) / solid.length_mm,
            angle_deg=_angle_deg(float(steep[k])),
            low_deg=_angle_deg(max(float(steep[k]) - _uncertainty(solid, z_mm[k], slope[:, k]), 0)),
        ),
        lower_bound_only=False,
    )


def _uncertainty(solid: BlankSolid, z_mm: float, slope: FloatArray) -> float:
    """Half the 90 % interval of a tangent at a place, in the direction of its own slope."""
    sigma = np.array([np.interp(z_mm, solid.z_mm, row) for row in solid.errors.sigma])
    length = float(np.hypot(slope[0], slope[1]))
    towards = slope / length if length > 0 else np.full(2, math.sqrt(0.5))
    return NORMAL_90 * float(np.linalg.norm(towards * sigma))


def _angle_deg(tangent: float) -> float:
    return math.degrees(math.atan(tangent))


def _weights(z: FloatArray, places: FloatArray, along: FloatArray) -> FloatArray:
    """Weights of the solid's places in the mean over others, by linear interpolation."""
    right = np.clip(np.searchsorted(z, places), 1, len(z) - 1)
    share = (places - z[right - 1]) / (z[right] - z[right - 1])
    weights = np.zeros_like(z)
    np.add.at(weights, right - 1, along * (1.0 - share))
    np.add.at(weights, right, along * share)
    return weights
