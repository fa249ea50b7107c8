"""A bar looked at closely: its four sides followed, and where its ends are seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.bars import Bar
from grainscan.measure.corners import EndSeen, ends_seen
from grainscan.measure.refine import Refined, refined
from grainscan.measure.sides import Curve, Rough

__all__ = ["END_REACH_PX", "Look", "Picture", "followed", "rough_of"]

ByteArray = npt.NDArray[np.uint8]
Float32Array = npt.NDArray[np.float32]

EDGE_REACH_PX = 3.0
END_REACH_PX = 5.0
"""How far off the rough ends may lie, in pixels of the small picture: END_PX and one more."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A photograph's copies: ``work`` at ``work_scale``, and ``small_scale`` times as large as that
    its ``look`` (colours and texture) and the ``change`` of it downwards.
    """

    work: ByteArray
    work_scale: float
    small_scale: float
    look: Float32Array
    change: Float32Array


@dataclass(frozen=True, slots=True)
class Look:
    """A bar looked at closely: its sides as followed, and where the ends are seen.

    ``end_doubted``: the face's look gives way to the bench's elsewhere, where no end stands clear.
    """

    bar: Bar
    rough: Rough
    found: Refined
    seen: tuple[EndSeen, EndSeen]
    end_doubted: bool = False


def followed(picture: Picture, bar: Bar, rough: Rough, end_reach_px: float = END_REACH_PX) -> Look:
    found = refined(
        picture.work,
        rough,
        edge_reach_px=EDGE_REACH_PX / picture.small_scale,
        end_reach_px=end_reach_px / picture.small_scale,
    )
    return Look(bar, rough, found, ends_seen(picture.work, rough, found))


def rough_of(bar: Bar, scale: float) -> Rough:
    """The bar in its own turned frame, in pixels of the picture that is 1/scale as large."""
    x = np.linspace(bar.left, bar.right, 60)
    top, bottom = (np.stack([x, rows], axis=1) for rows in bar.edges(x))
    # Pixel centres at integers: the corner of a reduced picture's first pixel stays in place.
    top, bottom = ((edge + 0.5) / scale - 0.5 for edge in (top, bottom))
    middle = (top + bottom) / 2.0
    along = (middle[-1] - middle[0]) / np.linalg.norm(middle[-1] - middle[0])
    across = np.array([-along[1], along[0]])
    origin = middle.mean(axis=0)
    u = (middle - origin) @ along
    left, right = float(u[0]), float(u[-1])
    curves = []
    for edge in (top, bottom):
        share = ((edge - origin) @ along - left) / (right - left)
        curves.append(Curve.fit(share, (edge - origin) @ across, 4, domain=[0.0, 1.0]))
    return Rough(origin, along, across, left, right, curves[0], curves[1])
