"""Smooth quantities are worked out at every fourth pixel and filled in linearly between."""

from __future__ import annotations

import numpy as np

CELL_PX = 4


def fill(nodes: np.ndarray, per_cell: int) -> np.ndarray:
    """Bilinear values between ``nodes`` (R + 1, C + 1) at the centres of ``per_cell``² samples
    of each cell: (R·per_cell, C·per_cell), float32."""
    w = ((np.arange(per_cell) + 0.5) / per_cell).astype(np.float32)
    # The base is taken off first, so that float32 steps stay small against the differences.
    nodes = nodes.astype(np.float32)
    a, b = nodes[:, :-1, None], nodes[:, 1:, None]
    wide = (a + w * (b - a)).reshape(nodes.shape[0], -1)
    a, b = wide[:-1, None, :], wide[1:, None, :]
    return (a + w[:, None] * (b - a)).reshape(-1, wide.shape[1])


def node_positions(start: int, cells: int) -> np.ndarray:
    """Pixel coordinates of the cell corners; pixel centres are at integers."""
    return start - 0.5 + CELL_PX * np.arange(cells + 1)
