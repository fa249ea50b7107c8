"""What wood looks like at a point of the log: rings, vessels, rays and fibres.

Everything is a function of the material coordinates (u, v, s) and of ρ, so a streak is a body in
the tree and any cut through it, at whatever angle, shows where that body meets the cut. Pieces of
wood (vessels, rays) come from hashed cells: each cell holds one, at a place, size and height
drawn from its own hash. Fibre sheen is baked noise, fine across and long along s.

All arrays are float32; colours are linear RGB, 0 to 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from tests.render.log import Log
from tests.render.spec import BlankSpec

F = np.float32
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Look:
    """Colours (sRGB, 0 to 255) and sizes (mm) of a wood's parts."""

    light: Colour
    dark: Colour
    pore: Colour
    ray: Colour
    ring_shape: str
    latewood_tone: float  # share of the way from light to dark
    pore_radius_mm: float
    pore_cell_mm: float
    late_pore_radius_mm: float
    ray_half_mm: float
    ray_height_mm: float
    ray_spacing_mm: float
    ray_strength: float
    sheen: float


LOOKS: dict[str, Look] = {
    "white ash": Look(
        (227, 209, 182),
        (191, 163, 127),
        (141, 111, 82),
        (233, 216, 192),
        "ring-porous",
        0.45,
        0.12,
        0.33,
        0.030,
        0.02,
        0.5,
        0.35,
        0.25,
        0.050,
    ),
    "white oak": Look(
        (208, 181, 148),
        (170, 136, 101),
        (100, 77, 54),
        (218, 195, 159),
        "ring-porous",
        0.55,
        0.14,
        0.36,
        0.025,
        0.13,
        18.0,
        3.2,
        0.85,
        0.050,
    ),
    "red oak": Look(
        (208, 177, 148),
        (170, 132, 104),
        (111, 78, 60),
        (190, 152, 124),
        "ring-porous",
        0.50,
        0.15,
        0.38,
        0.030,
        0.10,
        12.0,
        2.8,
        0.75,
        0.050,
    ),
    "sugar maple": Look(
        (231, 215, 192),
        (199, 173, 143),
        (192, 167, 139),
        (200, 169, 138),
        "diffuse-porous",
        0.75,
        0.032,
        0.14,
        0.032,
        0.030,
        0.8,
        0.45,
        0.45,
        0.045,
    ),
    "beech": Look(
        (217, 189, 161),
        (184, 150, 120),
        (175, 143, 115),
        (157, 118, 90),
        "diffuse-porous",
        0.6,
        0.030,
        0.12,
        0.030,
        0.040,
        2.2,
        0.62,
        0.65,
        0.045,
    ),
    "yellow birch": Look(
        (224, 203, 173),
        (193, 163, 129),
        (171, 141, 108),
        (207, 181, 148),
        "diffuse-porous",
        0.5,
        0.050,
        0.22,
        0.050,
        0.020,
        0.5,
        0.4,
        0.25,
        0.055,
    ),
    "pine": Look(
        (236, 216, 177),
        (188, 144, 96),
        (143, 100, 62),
        (236, 216, 177),
        "softwood",
        0.95,
        0.08,
        2.4,
        0.0,
        0.015,
        0.3,
        0.4,
        0.15,
        0.050,
    ),
    "spruce": Look(
        (237, 224, 196),
        (200, 169, 128),
        (163, 126, 86),
        (237, 224, 196),
        "softwood",
        0.8,
        0.06,
        3.5,
        0.0,
        0.015,
        0.3,
        0.4,
        0.12,
        0.050,
    ),
}


def linear(rgb) -> np.ndarray:
    """sRGB 0–255 to linear 0–1 (IEC 61966-2-1)."""
    c = np.asarray(rgb, dtype=np.float64) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4).astype(F)


def hashed(i, j, seed: int):
    """Thirty-two well-mixed bits per pair of whole numbers (arrays of int32)."""
    h = i.view(np.uint32) * np.uint32(0x9E3779B1)
    h ^= j.view(np.uint32) * np.uint32(0x85EBCA77) + np.uint32(seed & 0xFFFFFFFF)
    h ^= h >> np.uint32(15)
    h *= np.uint32(0x2C1B3C6D)
    h ^= h >> np.uint32(12)
    h *= np.uint32(0x297A2D39)
    h ^= h >> np.uint32(15)
    return h


def _bits(h, shift: int, count: int):
    """``count`` bits from ``shift`` as float32 in [0, 1)."""
    mask = np.uint32((1 << count) - 1)
    return ((h >> np.uint32(shift)) & mask).astype(F) * F(1 / (1 << count))


def _floor(x):
    whole = np.floor(x)
    return whole, whole.astype(np.int32)


class Noise:
    """Smooth noise over (u, v) that fades into other noise along s: a stack of tiles."""

    TILE = 256
    SLICES = 16

    def __init__(self, rng: np.random.Generator, blur: float = 1.0) -> None:
        n = self.TILE
        tiles = rng.standard_normal((self.SLICES, n, n), dtype=F)
        pad = 8
        rows = []
        for tile in tiles:
            wide = np.pad(tile, pad, mode="wrap")
            smooth = cv2.GaussianBlur(wide, (0, 0), blur)[pad:-pad, pad:-pad]
            rows.append(np.pad(smooth / smooth.std(), ((0, 2), (0, 2)), mode="wrap"))
        self.atlas = np.ascontiguousarray(np.concatenate(rows, axis=0))
        phase = cv2.GaussianBlur(
            np.pad(rng.standard_normal((n, n), dtype=F), pad, mode="wrap"), (0, 0), 2.0
        )[pad:-pad, pad:-pad]
        self.phase = np.ascontiguousarray(
            np.pad(phase / phase.std(), ((0, 2), (0, 2)), mode="wrap") * F(1.5)
        )

    def at(self, u, v, s):
        """Noise of unit spread at tile coordinates (u, v), slice coordinate s; 2-D arrays."""
        n = self.TILE
        x = np.mod(u, F(n))
        y = np.mod(v, F(n))
        t = s + cv2.remap(self.phase, x, y, cv2.INTER_LINEAR)
        whole = np.floor(t)
        w = t - whole
        k = np.mod(whole, F(self.SLICES))
        first = cv2.remap(self.atlas, x, y + k * F(n + 2), cv2.INTER_LINEAR)
        k = np.mod(k + F(1), F(self.SLICES))
        second = cv2.remap(self.atlas, x, y + k * F(n + 2), cv2.INTER_LINEAR)
        mixed = first + w * (second - first)
        return mixed / np.sqrt(F(1) - F(2) * w * (F(1) - w))


class Wood:
    """The texture of one log; `albedo` is evaluated at points of its cut surfaces."""

    STEP = 0.01  # mm of ρ per entry of the ring tables

    def __init__(self, spec: BlankSpec, log: Log, like: Wood | None = None) -> None:
        """``like``: wood whose baked noise is used again, as for the boards of one bench."""
        self.spec = spec
        self.look = LOOKS[spec.species]
        rng = np.random.default_rng([spec.seed, 21])
        self.fine = like.fine if like else Noise(rng, 1.0)
        self.coarse = like.coarse if like else Noise(rng, 1.6)
        self.seed = int(rng.integers(1 << 31))
        self.turns = rng.uniform(0, 2 * math.pi, 6)
        tint = rng.normal(0, 0.012, 3) + rng.normal(0, 0.05)
        self.light = linear(self.look.light) * (1 + tint.astype(F))
        self.dark = linear(self.look.dark) * (1 + tint.astype(F))
        self.pore = linear(self.look.pore)
        self.ray = linear(self.look.ray)
        self.tone, self.pore_radius, self.late_share = _ring_tables(
            log.boundaries_mm, self.look, self.STEP, rng
        )
        self.centre_radius = spec.pith_distance_mm
        self.check_lines = _check_lines(spec, rng)

    def _table(self, table, rho):
        index = np.clip(rho * F(1 / self.STEP), 0, len(table) - 1).astype(np.int32)
        return np.take(table, index)

    def relief(self, u, v, s):
        """Unit-spread ridges a few fibres wide, as a split surface shows under a low lamp."""
        return self.coarse.at(u * F(1 / 0.8) + F(77), v * F(1 / 0.8), s * F(1 / 45.0))

    def add_knots(self, rgb, distance, u, v) -> None:
        """Darken where ``distance`` (in knot radii) is inside a knot."""
        patch = self.coarse.at(u * F(1 / 0.5), v * F(1 / 0.5), np.zeros_like(u))
        distance = distance + F(0.035) * patch
        core = np.clip((F(1) - distance) / F(0.06), 0, 1)
        halo = np.exp(-np.maximum(distance - F(1), 0) * F(2.2)) * F(0.30)
        rings = F(0.62) + F(0.10) * np.sin(distance * F(14)) + F(0.30) * distance * distance
        rim = np.exp(-np.square((distance - F(1)) / F(0.09))) * F(0.55)
        pith = np.exp(-np.square(distance / F(0.13))) * F(0.5)
        if any(knot.bark for knot in self.spec.knots):
            rim = np.maximum(rim, F(0.85) * np.exp(-np.square((distance - F(1)) / F(0.13))))
        wood = self.dark * np.array([0.42, 0.34, 0.28], F)
        mix = np.clip(core * rings + halo * (F(1) - core), 0, 1)
        rgb += mix[..., None] * (wood - rgb)
        rgb *= ((F(1) - rim) * (F(1) - pith) * (F(1) + F(0.05) * patch * core))[..., None]

    def albedo(self, u, v, s, rho, pixel_mm: float, end_grain: bool = False, pore_share=1.0):
        """Linear RGB (M, N, 3) at 2-D float32 arrays of material coordinates.

        ``pixel_mm`` is the sampling distance: edges of small things are softened to it.
        """
        look, spec = self.look, self.spec
        r = np.maximum(np.sqrt(u * u + v * v), F(0.5))
        ur, vr = u / r, v / r
        contrast = F(spec.contrast)
        tone = self._table(self.tone, rho) * contrast
        scale = 0.07
        sheen = self.fine.at(u * F(1 / scale), v * F(1 / scale), s * F(1 / 9.0))
        broad = self.coarse.at(u * F(1 / 0.33), v * F(1 / 0.33), s * F(1 / 35.0))
        slow = self.coarse.at(u * F(1 / 3.1) + F(9), v * F(1 / 3.1), s * F(1 / 220.0))
        shade = F(1) + contrast * (F(look.sheen) * sheen + F(0.030) * broad + F(0.022) * slow)
        tone = tone + F(0.05) * broad
        rgb = self.light + (tone * shade)[..., None] * (self.dark - self.light)
        rgb *= shade[..., None]
        rays = self._rays(u, v, s, r, pixel_mm)
        strength = F(look.ray_strength * spec.contrast * (0.7 if end_grain else 1.0))
        rgb += (np.minimum(rays * strength, F(1)))[..., None] * (self.ray - rgb)
        pores = self._pores(u, v, s, rho, ur, vr, pixel_mm)
        depth = F((0.85 if end_grain else 0.62) * pore_share)
        rgb += (pores * depth * np.minimum(contrast, F(1.15)))[..., None] * (self.pore - rgb)
        for line in self.check_lines:
            open_ = self._check(line, u, v, s, r, pixel_mm)
            rgb *= (F(1) - F(0.85) * open_)[..., None]
        if end_grain:
            rgb *= np.array([0.80, 0.76, 0.70], F)
        return rgb

    def _pores(self, u, v, s, rho, ur, vr, pixel_mm):
        look = self.look
        layers = 2 if look.ring_shape == "ring-porous" else 1
        total = np.zeros_like(u)
        for k in range(layers):
            total = np.maximum(
                total, self._pore_layer(u, v, s, rho, ur, vr, pixel_mm, self.turns[k], 100 + k)
            )
        return total

    def _pore_layer(self, u, v, s, rho, ur, vr, pixel_mm, turn, salt):
        cell = self.look.pore_cell_mm
        c, d = F(math.cos(turn)), F(math.sin(turn))
        x = (c * u + d * v) * F(1 / cell)
        y = (c * v - d * u) * F(1 / cell)
        x0, i = _floor(x)
        odd = (i & 1).astype(F) * F(0.5)
        y = y + odd
        y0, j = _floor(y)
        h = hashed(i, j, self.seed + salt)
        dx = (x - x0 - F(0.5) - (_bits(h, 0, 8) - F(0.5)) * F(0.4)) * F(cell)
        dy = (y - y0 - F(0.5) - (_bits(h, 8, 8) - F(0.5)) * F(0.4)) * F(cell)
        # Each vessel meanders a little about the run of the fibres.
        way = F(2 * math.pi) * _bits(h, 12, 8)
        swing = F(0.10 * cell) * np.sin(s * (F(0.22) + F(0.2) * _bits(h, 20, 6)) + way)
        dx = dx + swing * np.cos(way)
        dy = dy + swing * np.sin(way)
        # ρ at the vessel's centre decides its size: vessels are round, not cut by the ring.
        offset = (c * dx - d * dy) * ur + (d * dx + c * dy) * vr
        radius = self._table(self.pore_radius, rho - offset)
        radius *= F(0.72) + F(0.36) * _bits(h, 16, 8)
        length = F(self.spec.vessel_length_mm) * (F(0.6) + F(1.1) * _bits(h, 24, 8))
        t = s / length + _bits(h, 4, 10) * F(64)
        t0, n = _floor(t)
        h2 = hashed(h.view(np.int32), n, salt)
        here = (_bits(h2, 0, 8) < F(0.86)).astype(F)
        ends = np.minimum(np.minimum(t - t0, F(1) - t + t0) * length * F(1 / 1.2), F(1))
        radius *= here * np.sqrt(ends)
        soft = F(max(0.02, 0.8 * pixel_mm))
        distance = np.sqrt(dx * dx + dy * dy)
        inside = np.clip((radius - distance) / soft + F(0.5), 0, 1)
        # A vessel much thinner than a sample darkens it by its share only.
        return inside * np.minimum(radius * F(2) / soft, F(1))

    def _rays(self, u, v, s, r, pixel_mm):
        look = self.look
        theta = np.arctan2(v, u)
        # Rays wave a little on their way out, neighbours alike but not all together.
        side = theta * F(self.centre_radius)
        bend = F(0.12) * np.sin(r * F(0.45) + side * F(0.7) + s * F(0.011))
        bend += F(0.04) * np.sin(r * F(1.7) + side * F(1.9))
        total = np.zeros_like(u)
        for k in range(2):
            count = max(8, round(2 * math.pi * self.centre_radius / (2 * look.ray_spacing_mm)))
            t = (theta + bend / (r + F(10))) * F(count / (2 * math.pi)) + F(0.5 * k)
            t0, i = _floor(t)
            h = hashed(i, np.full_like(i, k), self.seed + 300)
            along = s * F(1 / look.ray_height_mm) + _bits(h, 0, 10) * F(64)
            # Rays stand in rows one above the other, each shifted and of its own height.
            a0, n = _floor(along)
            h2 = hashed(h.view(np.int32), n, 7)
            side = (t - t0 - F(0.5) - (_bits(h2, 0, 8) - F(0.5)) * F(0.7)) * (
                r * F(2 * math.pi / count)
            )
            w = along - a0
            lens = F(4) * w * (F(1) - w)
            grown = (r > _bits(h2, 8, 8) * F(self.centre_radius * 0.9)).astype(F)
            half = F(look.ray_half_mm) * np.sqrt(np.maximum(lens, F(0))) * grown
            half *= F(0.5) + _bits(h2, 16, 8)
            half *= (_bits(h2, 24, 8) < F(0.8)).astype(F)
            soft = F(max(0.02, 0.8 * pixel_mm))
            inside = np.clip((half - np.abs(side)) / soft + F(0.5), 0, 1)
            total = np.maximum(total, inside * np.minimum(half * F(2) / soft, F(1)))
        return total

    def _check(self, line, u, v, s, r, pixel_mm):
        """A drying crack: a radial slit along the fibres, closing with depth from the end."""
        theta0, r0, r1, width, depth = line
        turn = np.arctan2(v, u) - F(theta0) + F(0.06) / r * np.sin(r * F(1.1) + F(theta0 * 50))
        turn = (turn + F(math.pi)) % F(2 * math.pi) - F(math.pi)
        along = np.clip((r - F(r0)) / F(r1 - r0), 0, 1)
        deep = np.clip(F(1) - (F(self.spec.length_mm / 2) - s) / F(depth), 0, 1)
        half = F(width / 2) * np.sqrt(F(4) * along * (F(1) - along)) * deep
        soft = F(max(0.03, 0.8 * pixel_mm))
        return np.clip((half - np.abs(turn) * r) / soft + F(0.5), 0, 1) * (half > 0)


def _ring_tables(boundaries, look: Look, step: float, rng):
    """Tone, vessel radius per 0.01 mm of ρ, and each ring's share of latewood."""
    rho = np.arange(0, boundaries[-1], step)
    ring = np.clip(np.searchsorted(boundaries, rho, side="right") - 1, 0, len(boundaries) - 2)
    width = np.diff(boundaries)[ring]
    d = rho - boundaries[ring]
    phase = d / width
    vary = rng.normal(0, 1, len(boundaries) - 1)
    if look.ring_shape == "ring-porous":
        early_mm = np.minimum(0.45 + 0.15 * np.diff(boundaries), 0.62 * np.diff(boundaries))
        early_mm = early_mm * (1 + 0.1 * np.clip(vary, -2, 2))
        late = np.clip((d - early_mm[ring]) / np.maximum(width - early_mm[ring], 1e-3), 0, 1)
        is_late = d > early_mm[ring]
        tone = np.where(is_late, look.latewood_tone * (0.35 + 0.65 * late**1.5), 0.30 * (1 - phase))
        radius = np.where(
            is_late,
            np.where(late < 0.25, look.late_pore_radius_mm * 1.6, look.late_pore_radius_mm),
            look.pore_radius_mm * (1 - 0.35 * d / early_mm[ring]),
        )
        share = 1 - early_mm / np.diff(boundaries)
    elif look.ring_shape == "diffuse-porous":
        terminal = np.clip(1 - (width - d) / 0.22, 0, 1)
        tone = 0.10 * phase + look.latewood_tone * terminal**0.7
        radius = look.pore_radius_mm * (1 - 0.5 * phase**3)
        share = np.full(len(boundaries) - 1, np.nan)
    else:
        knee = np.clip(0.68 + 0.07 * vary, 0.45, 0.85)[ring]
        rise = np.clip((phase - knee + 0.16) / (1 - knee + 0.05), 0, 1)
        tone = look.latewood_tone * (0.06 * phase + 0.94 * rise**1.3)
        drop = np.clip((width - d) / 0.06, 0, 1)  # the outer edge is sharp, not a step
        tone = tone * drop
        radius = np.where((phase > 0.45) & (phase < 0.9), look.pore_radius_mm, 0.0)
        share = 1 - np.clip(0.68 + 0.07 * vary, 0.45, 0.85)
    tone = tone * (1 + 0.12 * np.clip(vary, -2, 2))[ring]
    tone = np.minimum(tone, 1.05)
    return tone.astype(F), radius.astype(F), share


def _check_lines(spec: BlankSpec, rng):
    lines = []
    size = math.hypot(spec.width_mm, spec.height_mm) / 2
    for _ in range(spec.checks):
        centre = spec.pith_distance_mm + rng.uniform(-0.7, 0.7) * size
        reach = rng.uniform(0.3, 0.8) * size
        # Material angle of the blank's centre as seen from the pith.
        at = math.radians(spec.pith_azimuth_deg)
        middle = math.atan2(math.cos(at), -math.sin(at))
        theta = middle + rng.uniform(-0.7, 0.7) * size / max(spec.pith_distance_mm, size)
        lines.append(
            (
                theta,
                max(1.0, centre - reach),
                centre + reach,
                0.05 + 0.4 * rng.beta(1.2, 2.5),
                rng.uniform(6, 40),
            )
        )
    return lines
