"""Smooth quantities are worked out at every fourth pixel and filled in linearly between."""

from __future__ import annotations

import numpy as np

CELL_PX = 4


def fill(nodes: np.ndarray, per_cell: int | tuple[int, int]) -> np.ndarray:
    """Bilinear values between ``nodes`` (R + 1, C + 1) at the centres of the samples of each
    cell, ``per_cell`` of them (down, right; one number: as many each way), float32:
    (R · down, C · right)."""
    down, right = per_cell if isinstance(per_cell, tuple) else (per_cell, per_cell)
    # The base is taken off first, so that float32 steps stay small against the differences.
    nodes = nodes.astype(np.float32)
    a, b = nodes[:, :-1, None], nodes[:, 1:, None]
    wide = (a + _middles(right) * (b - a)).reshape(nodes.shape[0], -1)
    a, b = wide[:-1, None, :], wide[1:, None, :]
    return (a + _middles(down)[:, None] * (b - a)).reshape(-1, wide.shape[1])


def _middles(count: int) -> np.ndarray:
    return ((np.arange(count) + 0.5) / count).astype(np.float32)


def node_positions(start: int, cells: int) -> np.ndarray:
    """Pixel coordinates of the cell corners; pixel centres are at integers."""
    return start - 0.5 + CELL_PX * np.arange(cells + 1)
