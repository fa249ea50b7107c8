"""How a part is bent in use: the bending moment along it, its largest value being 1.

Beam formulae of standard statics (for example S. Timoshenko, *Strength of Materials*, part I,
chapters on simple, overhanging and built-in beams), for a beam of one stiffness along its
length. Only the shape of the moment matters here: no load is ever stated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["LOAD_KINDS", "Load", "LoadKind", "moment"]

FloatArray = npt.NDArray[np.float64]
LoadKind = Literal["joined at both ends", "resting on both ends", "overhanging", "bent evenly"]
LOAD_KINDS: tuple[LoadKind, ...] = (
    "joined at both ends",
    "resting on both ends",
    "overhanging",
    "bent evenly",
)


@dataclass(frozen=True, slots=True)
class Load:
    """How a part is loaded.

    ``joined at both ends``: a load at the middle; the joints are neither hinges nor rigid, so
    at each place the larger of the hinged beam's and the built-in beam's moment counts.
    ``resting on both ends``: an even load over the whole length.
    ``overhanging``: supported at the start and at ``held_mm``, loaded at ``load_mm`` (a handle in
    its eye, a tine in its head); with ``held_mm`` 0 it is built in at the start.
    ``bent evenly``: the same moment everywhere, as round a bending form.
    """

    kind: LoadKind
    held_mm: float = 0.0
    load_mm: float = 0.0


def moment(load: Load, s_mm: FloatArray, length_mm: float) -> FloatArray:
    """Bending moment (N,) at places ``s_mm`` along a part, its largest possible value being 1.

    With u = s/L: hinged, load at the middle: M = 2 min(u, 1 − u), in units of P L/4. Built in,
    load at the middle: |M| = P L/8 at both ends and the middle, linear between with a zero at
    L/4. Even load q: M = 4 u (1 − u), in units of q L²/8. Overhanging: P (p − h) s/h up to the
    support h, P (p − s) from there to the load p, nothing beyond.
    """
    u = s_mm / length_mm
    if load.kind == "bent evenly":
        return np.ones_like(u)
    if load.kind == "resting on both ends":
        return np.asarray(4.0 * u * (1.0 - u))
    if load.kind == "joined at both ends":
        nearer = np.minimum(u, 1.0 - u)
        hinged, built_in = 2.0 * nearer, np.abs(0.5 - 2.0 * nearer)
        return np.asarray(np.maximum(hinged, built_in))
    held, at = load.held_mm, load.load_mm
    before = s_mm / held if held > 0 else np.zeros_like(s_mm)
    after = np.clip((at - s_mm) / (at - held), 0.0, 1.0)
    return np.asarray(np.where(s_mm < held, before, after))
