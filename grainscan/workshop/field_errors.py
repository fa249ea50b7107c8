"""How far the fibre directions along a face may be wrong together.

A face scan gives a 90 % interval at each station and one of its mean. If the stations' errors
were independent, the mean would be known far better than any station; if they were one and the
same error (an edge laid wrongly), no better. The two intervals together tell which: errors of
stations a distance d apart (share of the length) are taken to correlate by exp(−d/ℓ), and ℓ is
the length at which the mean has the interval that was measured. From that follow the
uncertainty of any stretch and of where a fibre comes out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.results import NORMAL_90, FaceScan

__all__ = ["FieldErrors", "correlation_length", "field_errors"]

FloatArray = npt.NDArray[np.float64]

_SHORTEST, _LONGEST = 1e-3, 1e3
# In lengths of the blank: below, stations are independent; above, they err as one.


@dataclass(frozen=True, slots=True, eq=False)
class FieldErrors:
    """Standard errors of the tangents fx/fz and fy/fz.

    ``root_x`` (N, K) and ``root_y`` (N, K'): with k independent standard normal numbers, the
    errors at the N places are ``root @ k``; so ``root @ root.T`` is their covariance.
    """

    root_x: FloatArray
    root_y: FloatArray

    @property
    def sigma(self) -> FloatArray:
        """(2, N): standard error of each tangent at each place."""
        return np.stack([np.linalg.norm(self.root_x, axis=1), np.linalg.norm(self.root_y, axis=1)])

    def of_mean(self, weights: FloatArray) -> tuple[float, float]:
        """Standard errors of the weighted means of the two tangents; ``weights`` (N,) sum to 1."""
        return (
            float(np.linalg.norm(weights @ self.root_x)),
            float(np.linalg.norm(weights @ self.root_y)),
        )

    def draws(self, count: int, *, seed: int = 20) -> FloatArray:
        """(count, 2, N) equally likely error paths; the same seed gives the same paths."""
        rng = np.random.default_rng(seed)
        return np.stack(
            [
                rng.standard_normal((count, root.shape[1])) @ root.T
                for root in (self.root_x, self.root_y)
            ],
            axis=1,
        )


def field_errors(shows_x: FaceScan, shows_y: FaceScan, at: FloatArray) -> FieldErrors:
    """Errors of the field at places ``at`` (N,), shares of the length.

    ``shows_x`` is the face on which fx/fz is seen (face B), ``shows_y`` face A.

    Raises
    ------
    ValueError
        A face has fewer than two stations with an interval.
    """
    return FieldErrors(_root(shows_x, at), _root(shows_y, at))


def correlation_length(at: FloatArray, sigma: FloatArray, sigma_of_mean: float) -> float:
    """ℓ at which the mean of errors with covariance σᵢσⱼ exp(−|atᵢ − atⱼ|/ℓ) has ``sigma_of_mean``.

    ``at`` (K,), ``sigma`` (K,) > 0. The mean's error grows with ℓ; outside the range of the
    formula the nearest end is returned (0.001 for independent, 1000 for one common error).
    """
    from scipy.optimize import brentq

    distance = np.abs(at[:, None] - at[None, :])

    def excess(log_length: float) -> float:
        covariance = np.outer(sigma, sigma) * np.exp(-distance / np.exp(log_length))
        return float(np.sqrt(covariance.mean())) - sigma_of_mean

    low, high = float(np.log(_SHORTEST)), float(np.log(_LONGEST))
    if excess(low) >= 0:
        return _SHORTEST
    if excess(high) <= 0:
        return _LONGEST
    return float(np.exp(brentq(excess, low, high, xtol=1e-9)))


def _root(face: FaceScan, at: FloatArray) -> FloatArray:
    known = [
        (s.at, (s.high_deg - s.low_deg) / (2 * NORMAL_90), s.angle_deg)
        for s in face.stations
        if s.angle_deg is not None and s.low_deg is not None and s.high_deg is not None
    ]
    if len(known) < 2 or face.low_deg is None or face.high_deg is None:
        raise ValueError("a face with fewer than two stations with an interval has no errors")
    places, sigma_deg, angle_deg = (np.array(column) for column in zip(*known, strict=True))
    # An interval of no width would make the errors' correlation meaningless.
    sigma_deg = np.maximum(sigma_deg, 1e-6)
    mean_deg = (face.high_deg - face.low_deg) / (2 * NORMAL_90)
    length = correlation_length(places, sigma_deg, mean_deg)
    distance = np.abs(places[:, None] - places[None, :])
    covariance = np.outer(sigma_deg, sigma_deg) * np.exp(-distance / length)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    # d tan a = da / cos² a.
    to_tangent = np.radians(1.0) / np.cos(np.radians(angle_deg)) ** 2
    root = root * to_tangent[:, None]
    return np.stack([np.interp(at, places, column) for column in root.T], axis=1)
