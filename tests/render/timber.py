"""A bench top of real boards: the same rendered wood as the blanks, laid as planks."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from tests.render.grid import fill
from tests.render.log import Log
from tests.render.plain import speckle
from tests.render.spec import BlankSpec, random_blank
from tests.render.wood import Wood

F = np.float32
STEP_PX = 8
BAND_ROWS = 32  # of coarse cells: keeps the working arrays in the cache


def planks(shape, scale: float, rng: np.random.Generator, like: BlankSpec | None) -> np.ndarray:
    """Linear RGB (M, N, 3) of planks; ``like`` asks for wood of the same species and tone."""
    width_mm = float(rng.uniform(70, 190))
    turn = float(rng.choice([0.0, math.pi / 2]) + rng.normal(0, 0.05))
    if like is None:
        base = random_blank(
            int(rng.integers(1 << 30)),
            str(rng.choice(["softwood", "diffuse-porous", "ring-porous"])),
        )
        tone, dirt = rng.uniform(0.32, 0.75), rng.uniform(0.05, 0.14)
    else:
        base = replace(random_blank(int(rng.integers(1 << 30)), like.kind), species=like.species)
        tone, dirt = rng.uniform(0.72, 1.0), rng.uniform(0.02, 0.06)
    rgb = _boards(shape, scale, width_mm, turn, base, rng)
    grime = 1 - F(dirt) * np.maximum(speckle(shape, scale, 120.0, rng), 0)
    grime -= F(dirt * 0.6) * np.maximum(speckle(shape, scale, 14.0, rng) - F(1.2), 0)
    warm = np.array([1.0, 0.97, 0.90], F) if like is None else np.ones(3, F)
    rgb *= (np.maximum(grime, F(0.3)) * F(tone))[..., None] * warm
    _scratches(rgb, scale, rng)
    return rgb


def _boards(shape, scale, width_mm, turn, base, rng):
    rows, cols = -(-shape[0] // STEP_PX), -(-shape[1] // STEP_PX)
    out = np.empty((rows * STEP_PX, cols * STEP_PX, 3), F)
    y = np.arange(rows + 1) * STEP_PX / scale
    x = np.arange(cols + 1) * STEP_PX / scale
    c, s = math.cos(turn), math.sin(turn)
    along = c * x[None, :] + s * y[:, None]
    across = c * y[:, None] - s * x[None, :]
    first = math.floor(across.min() / width_mm)
    last = math.floor(across.max() / width_mm)
    wood = None
    for k in range(first, last + 1):
        seed = int(rng.integers(1 << 30))
        spec = replace(
            base,
            seed=seed,
            width_mm=width_mm,
            height_mm=30.0,
            length_mm=900.0,
            pith_distance_mm=float(rng.uniform(40, 110)),
            knots=(),
            checks=0,
            pith_azimuth_deg=float(rng.uniform(-180, 180)),
            made="sawn",
            runout_a_deg=float(rng.normal(0, 1.5)),
            contrast=base.contrast * 0.9,
        )
        log = Log(spec)
        wood = Wood(spec, log, wood)
        _one_board(out, spec, log, wood, along, across - (k + 0.5) * width_mm, scale)
    return np.ascontiguousarray(out[: shape[0], : shape[1]])


def _one_board(out, spec, log, wood, along, across, scale):
    half = spec.width_mm / 2
    mid = float(along.mean())
    for r in range(0, along.shape[0] - 1, BAND_ROWS):
        rows = slice(r, min(r + BAND_ROWS, along.shape[0] - 1) + 1)
        near = np.flatnonzero((np.abs(across[rows]) < half + STEP_PX / scale).any(axis=0))
        if not len(near):
            continue
        cols = slice(max(0, near[0] - 1), min(near[-1] + 2, along.shape[1]))
        a, q = along[rows, cols] - mid, across[rows, cols]
        points = np.stack([np.full_like(a, spec.height_mm / 2), q, a], axis=-1)
        u, v, s = log.material(points)
        fine = [fill(m, STEP_PX) for m in (u, v, s, log.rho(u, v))]
        rgb = wood.albedo(*fine, 1 / scale)
        gap = np.clip((F(half) - np.abs(fill(q, STEP_PX))) * F(scale * 0.7), 0, 1)
        rgb *= (F(0.25) + F(0.75) * gap)[..., None]
        place = out[
            rows.start * STEP_PX : (rows.stop - 1) * STEP_PX,
            cols.start * STEP_PX : (cols.stop - 1) * STEP_PX,
        ]
        inside = np.abs(fill(q, STEP_PX)) <= half
        place[inside] = rgb[inside]


def _scratches(rgb, scale, rng):
    """Cuts and pencil strokes on an old bench."""
    mask = np.zeros(rgb.shape[:2], F)
    h, w = mask.shape
    for _ in range(int(rng.integers(4, 18))):
        x, y = rng.uniform(0, w), rng.uniform(0, h)
        turn, length = rng.uniform(0, math.pi), rng.uniform(15, 160) * scale
        end = (int(x + length * math.cos(turn)), int(y + length * math.sin(turn)))
        cv2.line(
            mask,
            (int(x), int(y)),
            end,
            float(rng.uniform(0.15, 0.5)),
            max(1, round(0.4 * scale)),
            cv2.LINE_AA,
        )
    rgb *= (1 - mask)[..., None]
