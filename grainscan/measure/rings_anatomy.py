"""Which of the three anatomies an end shows: ring-porous, diffuse-porous or softwood.

What tells them apart, seen along the rings: the dark band of a softwood (latewood) is dark all
along; the dark band of a ring-porous wood (earlywood) is a row of pores, dark and light in turn
along the ring; a diffuse-porous wood has pores everywhere and only a thin line at the boundary.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from grainscan.measure.rings_straighten import Straightened

__all__ = ["Anatomy", "AnatomyFound", "Profiles", "find_anatomy", "profiles", "species_anatomy"]

Anatomy = Literal["ring-porous", "diffuse-porous", "softwood"]
Array = npt.NDArray[np.float64]

PORE_SHARE = 0.013
"""Half width (Gaussian, share of the section) below which brightness along a ring is pores."""

SECTORS = 12

_WORDS: dict[Anatomy, tuple[str, ...]] = {
    "ring-porous": (
        "ash",
        "oak",
        "hickory",
        "pecan",
        "elm",
        "hackberry",
        "chestnut",
        "locust",
        "robinia",
        "mulberry",
        "sassafras",
        "catalpa",
        "osage",
    ),
    "diffuse-porous": (
        "maple",
        "sycamore",
        "birch",
        "beech",
        "cherry",
        "poplar",
        "tulip",
        "aspen",
        "alder",
        "basswood",
        "lime",
        "linden",
        "hornbeam",
        "sweetgum",
        "apple",
        "pear",
        "walnut",
        "willow",
    ),
    "softwood": (
        "pine",
        "spruce",
        "fir",
        "larch",
        "douglas",
        "cedar",
        "hemlock",
        "yew",
        "cypress",
        "redwood",
        "juniper",
    ),
}
"""Common names by anatomy, from the trade's usual lists (R. B. Hoadley, *Identifying Wood*,
1990, from memory). Walnut and cherry are semi-diffuse; their boundary is still a fine line."""


@dataclass(frozen=True, slots=True)
class AnatomyFound:
    """The anatomy, how sure (0 to 1), and the reason in words."""

    anatomy: Anatomy
    confidence: float
    because: str


@dataclass(frozen=True, slots=True)
class Profiles:
    """Averages along the rings, per row of the straightened end.

    ``tone`` (S,): brightness; ``pores`` (S,): power of dark spots along the ring; ``support``
    (S,): usable columns; ``used`` (S,) bool: enough of them; ``sector_tone``, ``sector_pores``
    and ``sector_support`` (C, S): the same for sectors of equal length along the rings.
    """

    tone: Array
    pores: Array
    support: Array
    used: npt.NDArray[np.bool_]
    sector_tone: Array
    sector_pores: Array
    sector_support: Array


def species_anatomy(species: str | None) -> Anatomy | None:
    """Anatomy of a species given by its common name; None when the name is not known."""
    if not species:
        return None
    words = species.lower().replace("-", " ").split()
    # The last word names the kind ("white oak"); "tulip poplar", "douglas fir" have two.
    for word in reversed(words):
        for anatomy, names in _WORDS.items():
            if word in names or word.rstrip("s") in names:
                return anatomy
    return None


def profiles(straight: Straightened) -> Profiles:
    """Brightness and pore power per row, whole and by sector."""
    import cv2

    flat, weight = straight.flat, straight.weight
    columns_per_width = 1.0 / float(straight.t[1] - straight.t[0])
    sigma = PORE_SHARE * columns_per_width
    local = cv2.GaussianBlur(flat * weight, (0, 0), sigmaX=sigma, sigmaY=0.01)
    held = cv2.GaussianBlur(weight, (0, 0), sigmaX=sigma, sigmaY=0.01)
    spots = np.minimum(flat - local / np.maximum(held, 1e-3), 0.0) ** 2
    # Sectors share out the columns that carry the section, not the empty corners.
    edges = _sector_edges(weight)
    tone, pores, support = [], [], []
    for low, high in itertools.pairwise(edges):
        part = weight[:, low:high]
        count = part.sum(axis=1)
        support.append(count)
        tone.append((flat[:, low:high] * part).sum(axis=1) / np.maximum(count, 1))
        pores.append((spots[:, low:high] * part).sum(axis=1) / np.maximum(count, 1))
    sector_support = np.array(support, np.float64)
    total = sector_support.sum(axis=0)
    safe = np.maximum(total, 1.0)
    sector_tone, sector_pores = np.array(tone, np.float64), np.array(pores, np.float64)
    return Profiles(
        (sector_tone * sector_support).sum(axis=0) / safe,
        (sector_pores * sector_support).sum(axis=0) / safe,
        total,
        total >= max(0.06 * total.max(), 8),
        sector_tone,
        sector_pores,
        sector_support,
    )


def _sector_edges(weight: npt.NDArray[np.float32]) -> npt.NDArray[np.intp]:
    share = np.cumsum(weight.sum(axis=0))
    inner = np.searchsorted(share, np.linspace(0, share[-1], SECTORS + 1))
    inner[0], inner[-1] = 0, weight.shape[1]
    return np.asarray(inner)


def find_anatomy(found: Profiles, ring_rows: float) -> AnatomyFound:
    """Anatomy from the averages along the rings; ``ring_rows``: usual ring width in rows."""
    from scipy.ndimage import gaussian_filter1d

    well = found.support > 0.25 * found.support.max()
    tone = gaussian_filter1d(found.tone, 1.5)[well]
    pores = gaussian_filter1d(found.pores, 1.5)[well]
    dark = tone <= np.quantile(tone, 0.2)
    light = tone >= np.quantile(tone, 0.5)
    contrast = float(tone[light].mean() - tone[dark].mean())
    rise = float(pores[dark].mean() - pores[light].mean())
    base = float(np.quantile(pores, 0.3)) + 0.02
    # A band made of dots: their power along the ring rivals the band's own contrast squared.
    dotted = rise / max(contrast**2, 1e-6)
    more = math.log(max(float(pores[dark].mean()), 1e-3) / base)
    solid = contrast
    width = _dark_width(tone, ring_rows)
    logits = {
        "ring-porous": 4.0 * min(dotted, 1.0) + 1.2 * more - 1.8,
        "softwood": 3.0 * (solid - 1.1) - 3.0 * dotted + 6.0 * (width - 0.15),
        "diffuse-porous": 2.5 * (0.9 - solid) + 5.0 * (0.18 - width) - 1.2 * more,
    }
    peak = max(logits.values())
    weights = {name: math.exp(value - peak) for name, value in logits.items()}
    best: Anatomy = max(("ring-porous", "softwood", "diffuse-porous"), key=weights.__getitem__)
    because = {
        "ring-porous": "the dark bands are rows of pores",
        "softwood": "the dark bands are dark all along the ring",
        "diffuse-porous": "pores everywhere, only a thin line between rings",
    }[best]
    return AnatomyFound(best, weights[best] / sum(weights.values()), because)


def _dark_width(tone: Array, ring_rows: float) -> float:
    """Half width of the profile's own likeness to itself, in ring widths."""
    level = tone - tone.mean()
    likeness = np.correlate(level, level, "full")[len(level) - 1 :]
    below = np.flatnonzero(likeness < 0.5 * likeness[0])
    return float(below[0] / max(ring_rows, 1.0)) if below.size else 1.0
