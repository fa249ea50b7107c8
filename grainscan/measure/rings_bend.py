"""Whether a family of lines is bent as rings are, or straight as rays and tool marks are."""

from __future__ import annotations

import numpy as np

__all__ = ["bend_evidence"]

FARTHEST = 10.0
"""Distance (section widths) within which a blank's pith lies: a blank of an inch split anywhere
from a log of half a metre. Common practice, no source."""

MOST = 3.0
"""Evidence beyond this (nats, odds of 20 to 1) is not believed: the family of arcs is a model."""

NODES = 64


def bend_evidence(curvature: float, error: float) -> float:
    """Log-likelihood ratio of rings against straight lines, in nats, at most ``MOST`` either way.

    ``curvature``, ``error``: measured, without a sign, and its standard error, 1 / section widths.
    Rings are bent by the pith's distance, any place of the log's disc being as likely as another;
    rays are the radii of the rings, and tools go straight.
    """
    distance = FARTHEST * np.sqrt((np.arange(NODES) + 0.5) / NODES)
    spread = max(error, 1e-3)
    # The measured curvature has no sign: an error past nought counts as bent the other way.
    bent = np.concatenate([1.0 / distance, -1.0 / distance])
    rings = np.logaddexp.reduce(-0.5 * ((curvature - bent) / spread) ** 2) - np.log(len(bent))
    straight = -0.5 * (curvature / spread) ** 2
    return float(np.clip(rings - straight, -MOST, MOST))
