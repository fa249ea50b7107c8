"""A whole log's end, sawn across and photographed squarely, with its truth.

Rings are nested circles whose centres move from the pith to the middle of the bark as the tree
grows old, a little out of round: a ring at share q of the growth lies at
``pith + q (middle − pith) + q R(θ) (cos θ, sin θ)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import SimpleNamespace

import cv2
import numpy as np

from tests.render.lens import develop
from tests.render.marks import RoughEnd
from tests.render.plain import plain_picture
from tests.render.spec import random_blank, random_photo
from tests.render.timber import planks
from tests.render.wood import Wood, linear

F = np.float32


@dataclass(frozen=True)
class RenderedLogEnd:
    """``picture`` (M, N, 3) uint8 RGB. Pixels in the picture's frame: ``pith_px`` (2,),
    ``wood_px`` (K, 2) the wood's outline under the bark; ``diameter_mm``, ``px_per_mm`` mean;
    ``rings``: ring boundaries on every radius between pith and bark, the last under the bark
    not counted, and ``shares`` of the radius at which they lie; ``offset_mm``: the middle from
    the pith."""

    picture: np.ndarray
    pith_px: np.ndarray
    wood_px: np.ndarray
    diameter_mm: float
    px_per_mm: float
    rings: int
    offset_mm: np.ndarray
    kind: str
    shares: tuple[float, ...]


def render_log_end(
    seed: int,
    kind: str,
    condition: str = "clean",
    *,
    size_px: tuple[int, int] = (1600, 1200),
    scene: str = "plain",
) -> RenderedLogEnd:
    """A log's end drawn from ``seed``; ``scene``: "plain" or "planks" behind it."""
    rng = np.random.default_rng([seed, 71])
    radius = float(rng.uniform(75, 190))
    scale = float(rng.uniform(0.33, 0.43)) * size_px[1] / radius
    offset = radius * rng.uniform(0.0, 0.22) * _way(rng.uniform(0, 2 * math.pi))
    terms = [(n, rng.normal(0, 0.02) / n**0.5, rng.uniform(0, 6.28)) for n in (2, 3, 4, 5)]
    centre = np.array(size_px) / 2 + rng.uniform(-0.03, 0.03, 2) * size_px[1]
    centre = centre - offset * np.array([1, -1]) * scale  # the middle of the log in the middle
    tilt = _tilt(rng)
    u, v, q = _growth(size_px, scale, centre, tilt, offset, radius, terms)
    bounds = _boundaries(radius, rng)
    spec = random_blank(seed, kind, pith_distance_mm=0.5 * radius, checks=0)
    wood = Wood(spec, SimpleNamespace(boundaries_mm=np.append(bounds, radius + 40)))
    rough = RoughEnd(rng) if condition == "rough" else None
    heart = rng.uniform(0.5, 0.85) if rng.random() < 0.6 else 0.0
    pores = 0.55 if rough else 1.0
    rgb = wood.albedo(
        u, v, np.zeros_like(u), q * F(radius), 1 / scale, end_grain=True, pore_share=pores
    )
    edge = np.clip((F(heart) - q) / F(0.01) + F(0.5), 0, 1) if heart else np.zeros_like(q)
    rgb *= F(1) - edge[..., None] * np.array([0.14, 0.2, 0.26], F)
    if rough is not None:
        rgb *= rough.factor(u, v)[..., None]
    r = np.hypot(u, v)
    rgb *= (F(1) - F(0.45) * np.exp(-((r / F(rng.uniform(0.8, 2.2))) ** 2)))[..., None]
    if condition == "checked":
        for _ in range(int(rng.integers(2, 6))):
            rgb *= (F(1) - F(0.85) * _check(u, v, r, radius, 1 / scale, rng))[..., None]
    bark = _bark(size_px, q, radius, rng)
    thick = 1 + rng.uniform(3, 12) / radius
    fissures = 1 + F(0.012) * cv2.GaussianBlur(rng.standard_normal(q.shape, dtype=F), (0, 0), 6) * 8
    covered = np.clip((F(thick) * fissures - q) * F(radius * scale / 2), 0, 1)
    inside = np.clip((F(1) - q) * F(radius * scale / 2) + F(0.5), 0, 1)
    behind = _behind(scene, q.shape, scale, rng, wood)
    behind = cv2.GaussianBlur(behind, (0, 0), 3.0)
    picture = behind + covered[..., None] * (bark - behind)
    picture += inside[..., None] * (rgb - picture)
    photo = random_photo(seed, "clean")
    turn = np.linspace(0, 2 * math.pi, 361)[:-1]
    rim = offset + _radius(turn, radius, terms)[:, None] * np.stack(
        [np.cos(turn), np.sin(turn)], axis=1
    )
    to_px = np.linalg.inv(tilt)
    return RenderedLogEnd(
        develop(picture.astype(F), photo, rng),
        centre + (to_px @ np.zeros(2)) * scale,
        centre + (rim @ to_px.T) * np.array([1, -1]) * scale,
        2 * radius,
        scale,
        len(bounds) - 2,
        offset,
        kind,
        tuple(float(b) / radius for b in bounds[1:-1]),
    )


def _way(turn):
    return np.array([math.cos(turn), math.sin(turn)])


def _tilt(rng):
    """Seen a little aslant, a plane is shortened along one direction (up to 6°)."""
    t, a = math.radians(rng.uniform(0, 6)), rng.uniform(0, math.pi)
    c = np.outer(_way(a), _way(a))
    return np.eye(2) + (1 / math.cos(t) - 1) * c


def _radius(turn, radius, terms):
    return radius * (1 + sum(a * np.cos(n * turn + p) for n, a, p in terms))


def _growth(size_px, scale, centre, tilt, offset, radius, terms):
    """Millimetres from the pith (u right, v up) and share of growth at every pixel."""
    y, x = np.mgrid[: size_px[1], : size_px[0]].astype(F)
    px, py = (x - F(centre[0])) / F(scale), (F(centre[1]) - y) / F(scale)
    u = F(tilt[0, 0]) * px + F(tilt[0, 1]) * py
    v = F(tilt[1, 0]) * px + F(tilt[1, 1]) * py
    q = np.hypot(u, v) / F(radius)
    for _ in range(12):
        a, b = u - q * F(offset[0]), v - q * F(offset[1])
        far = _radius(np.arctan2(b, a), radius, terms).astype(F)
        # Young rings are rounder than old ones.
        far = F(radius) + np.minimum(q, 1.2) * (far - F(radius))
        q = np.hypot(a, b) / far
    return u, v, q.astype(F)


def _boundaries(radius, rng):
    mean, spread = rng.uniform(1.6, 4.0), rng.uniform(0.15, 0.35)
    radii, state = [0.0, mean * 0.6], rng.normal(0, spread)
    while radii[-1] < radius - 0.4 * mean:
        state = 0.6 * state + rng.normal(0, spread * 0.8)
        radii.append(radii[-1] + mean * math.exp(state - spread**2 / 2))
    bounds = np.array(radii[:-1])
    return np.append(bounds, radius)


def _check(u, v, r, radius, pixel_mm, rng):
    """A radial crack from near the pith or from the bark inwards."""
    theta, wide = rng.uniform(0, 2 * math.pi), rng.uniform(0.4, 2.0)
    low, high = (0.0, rng.uniform(0.3, 0.9)) if rng.random() < 0.5 else (rng.uniform(0.4, 0.8), 1.1)
    away = np.arctan2(v, u) - F(theta) + F(0.03) * np.sin(r * F(0.15))
    away = (away + F(math.pi)) % F(2 * math.pi) - F(math.pi)
    along = np.clip((r / F(radius) - F(low)) / F(high - low), 0, 1)
    half = F(wide / 2) * np.sqrt(F(4) * along * (F(1) - along))
    return np.clip((half - np.abs(away) * r) / F(pixel_mm) + F(0.5), 0, 1) * (half > 0)


def _bark(size_px, q, radius, rng):
    colour = linear(np.array([86, 68, 52]) + rng.normal(0, 10, 3))
    noise = cv2.GaussianBlur(rng.standard_normal(q.shape, dtype=F), (0, 0), 2.0) * F(5)
    return colour * np.clip(F(1) + F(0.25) * noise, 0.3, 1.8)[..., None]


def _behind(scene, shape, scale, rng, wood):
    middling = 0.75 * wood.light + 0.25 * wood.dark
    if scene == "plain":
        return plain_picture(shape, scale, rng, middling)
    return planks(shape, scale, rng, None)[: shape[0], : shape[1]]
