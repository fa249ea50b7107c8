"""The blocks in which a JPEG was coded, as they lie in the upright picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BLOCK_PX", "JpegGrid", "jpeg_grid"]

BLOCK_PX = 8
"""Side of a block (ITU-T T.81, 1992, A.1.3)."""

Steps = dict[int, list[int]]


@dataclass(frozen=True, slots=True, eq=False)
class JpegGrid:
    """How brightness was coded.

    ``steps`` (8, 8) float64: by how much each coefficient of a block was rounded, grey levels, by
    frequency downwards and across. ``first_px``: x and y of the first whole block's corner.
    """

    steps: NDArray[np.float64]
    first_px: tuple[int, int]


def jpeg_grid(
    tables: Steps, size_px: tuple[int, int], orientation: object = None
) -> JpegGrid | None:
    """The grid from a JPEG's quantization tables, in natural order; None if there are none.

    ``size_px``: width and height as stored; ``orientation``: Exif 2.32, tag Orientation.
    Brightness comes first among the components and has the first table (JFIF 1.02).
    """
    if not tables or len(first := tables[min(tables)]) != BLOCK_PX * BLOCK_PX:
        return None
    steps = np.array(first, dtype=np.float64).reshape(BLOCK_PX, BLOCK_PX)
    width, height = size_px
    if orientation in (5, 6, 7, 8):
        steps, width, height = steps.T, height, width
    across = width % BLOCK_PX if orientation in (2, 3, 6, 7) else 0
    down = height % BLOCK_PX if orientation in (3, 4, 7, 8) else 0
    return JpegGrid(steps, (across, down))
