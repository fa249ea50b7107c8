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

__all__ = [
    "Anatomy",
    "AnatomyFound",
    "Profiles",
    "profiles",
    "rank_anatomies",
    "species_anatomy",
]

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
    ``variance``: of the texture over the whole section.
    """

    tone: Array
    pores: Array
    support: Array
    used: npt.NDArray[np.bool_]
    sector_tone: Array
    sector_pores: Array
    sector_support: Array
    variance: float


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
        tone.append(_held(flat[:, low:high], part))
        pores.append(_held(spots[:, low:high], part))
    sector_support = np.array(support, np.float64)
    total = sector_support.sum(axis=0)
    return Profiles(
        _held(flat, weight),
        _held(spots, weight),
        total,
        total >= 6,
        np.array(tone),
        np.array(pores),
        sector_support,
        float((flat**2 * weight).sum() / max(float(weight.sum()), 1.0)),
    )


def _held(values: npt.NDArray[np.float32], weight: npt.NDArray[np.float32]) -> Array:
    """Weighted mean per row; rows outside the section repeat the nearest one inside.

    Otherwise the section's own rim would be the sharpest edge of all.
    """
    count = weight.sum(axis=1)
    inside = np.flatnonzero(count >= 3)
    if inside.size == 0:
        return np.zeros(len(count))
    mean = (values * weight).sum(axis=1)[inside] / count[inside]
    return np.asarray(np.interp(np.arange(len(count)), inside, mean), np.float64)


def _sector_edges(weight: npt.NDArray[np.float32]) -> npt.NDArray[np.intp]:
    share = np.cumsum(weight.sum(axis=0))
    inner = np.searchsorted(share, np.linspace(0, share[-1], SECTORS + 1))
    inner[0], inner[-1] = 0, weight.shape[1]
    return np.asarray(inner)


def _step_share(found: Profiles, ring_rows: float) -> float:
    """How much of the profile's local range lasts beyond its sharpest edges, 0 to 1.

    At the edge of a band the tone is different on the two sides; at a thin line it is not.
    """
    from scipy.ndimage import gaussian_filter1d, maximum_filter1d

    tone = gaussian_filter1d(found.tone, 1.0)
    slope = gaussian_filter1d(found.tone, 1.5, order=1)
    slope[found.support <= 0.25 * found.support.max()] = 0.0
    reach = int(np.clip(0.2 * ring_rows, 6, 30))
    shares = [0.0]
    for sign in (1.0, -1.0):
        edge = sign * slope
        peaks = np.flatnonzero(
            (edge >= maximum_filter1d(edge, max(5, int(0.5 * ring_rows))))
            & (edge > 0.3 * np.quantile(edge, 0.99))
        )
        peaks = peaks[(peaks > reach) & (peaks < len(tone) - reach - 1)]
        lasting = [
            sign
            * (tone[p + 3 : p + reach + 1].mean() - tone[p - reach : p - 2].mean())
            / max(float(np.ptp(tone[p - reach : p + reach + 1])), 1e-6)
            for p in peaks
        ]
        if lasting:
            shares.append(float(np.median(lasting)))
    return max(shares)


def rank_anatomies(found: Profiles, ring_rows: float) -> list[AnatomyFound]:
    """Anatomies from the averages along the rings, likeliest first, with their chances.

    ``ring_rows``: rough ring width in rows.
    """
    from scipy.ndimage import gaussian_filter1d

    well = found.support > 0.25 * found.support.max()
    tone = gaussian_filter1d(found.tone, 1.5)[well]
    pores = gaussian_filter1d(found.pores, 1.5)[well]
    dark = tone <= np.quantile(tone, 0.2)
    light = tone >= np.quantile(tone, 0.5)
    # A band made of dots has power along the ring where it is dark, and little where it is light.
    more = float(pores[dark].mean() - pores[light].mean())
    times = math.log((pores[dark].mean() + 0.01) / (pores[light].mean() + 0.01))
    dotted = 5.0 * times + 20.0 * more - 3.5
    # A latewood band explains much of what is seen at all, and is a step; a thin line is not.
    explained = float(tone.var()) / max(found.variance, 1e-6)
    solid = 8.0 * (explained - 0.5) + 6.0 * (_step_share(found, ring_rows) - 0.5)
    ring_porous = 1.0 / (1.0 + math.exp(-np.clip(dotted, -6.0, 6.0)))
    softwood = (1.0 - ring_porous) / (1.0 + math.exp(-np.clip(solid, -6.0, 6.0)))
    chances: dict[Anatomy, float] = {
        "ring-porous": ring_porous,
        "softwood": softwood,
        "diffuse-porous": 1.0 - ring_porous - softwood,
    }
    because = {
        "ring-porous": "the dark bands are rows of pores",
        "softwood": "the dark bands are dark all along the ring",
        "diffuse-porous": "no rows of pores and no dark bands, only thin lines between rings",
    }
    order = sorted(chances, key=lambda name: -chances[name])
    return [AnatomyFound(name, chances[name], because[name]) for name in order]
