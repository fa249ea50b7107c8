"""Drawn square sections whose rings are exact circles: a truth that needs no renderer."""

import numpy as np

SIDE = 480


def section_grid(side=SIDE):
    """Section coordinates (widths from the centre, y up) of each pixel's centre."""
    step = (np.arange(side) + 0.5) / side - 0.5
    return np.meshgrid(step, -step)


def ring_coordinate(pith, side=SIDE):
    x, y = section_grid(side)
    return np.hypot(x - pith[0], y - pith[1])


def softwood(boundaries, pith, side=SIDE, seed=0):
    """Tone (side, side) float, 0 to 1: earlywood darkening to latewood, sharp at each boundary.

    ``boundaries``: increasing distances from the pith.
    """
    r = ring_coordinate(pith, side)
    ring = np.clip(np.searchsorted(boundaries, r, side="right") - 1, 0, len(boundaries) - 2)
    width = np.diff(boundaries)[ring]
    phase = np.clip((r - boundaries[ring]) / width, 0, 1)
    tone = 0.75 - 0.35 / (1 + np.exp(-(phase - 0.7) / 0.06))
    return tone + np.random.default_rng(seed).normal(0, 0.03, tone.shape)


def ring_porous(boundaries, pith, side=SIDE, seed=0, pore=0.005):
    """Even wood with one to three rows of dark pores on the bark side of each boundary."""
    rng = np.random.default_rng(seed)
    x, y = section_grid(side)
    tone = np.full(x.shape, 0.7) + rng.normal(0, 0.02, x.shape)
    for boundary in boundaries:
        for row in range(2):
            radius = boundary + pore * (1.1 + 2.2 * row)
            turn = np.arange(0, 2 * np.pi, 2.9 * pore / radius) + rng.uniform(0, 1)
            for a in turn + rng.normal(0, 0.2 * pore / radius, len(turn)):
                px, py = pith[0] + radius * np.cos(a), pith[1] + radius * np.sin(a)
                if abs(px) < 0.52 and abs(py) < 0.52:
                    column, line = (px + 0.5) * side - 0.5, (0.5 - py) * side - 0.5
                    reach = int(pore * side) + 2
                    rows = slice(max(int(line) - reach, 0), max(int(line) + reach + 1, 0))
                    columns = slice(max(int(column) - reach, 0), max(int(column) + reach + 1, 0))
                    inside = np.hypot(x[rows, columns] - px, y[rows, columns] - py) < pore
                    tone[rows, columns][inside] = 0.3
    return tone


def diffuse_porous(boundaries, pith, side=SIDE, seed=0):
    """Fine dark pores everywhere and a thin darker line that ends at each boundary."""
    rng = np.random.default_rng(seed)
    r = ring_coordinate(pith, side)
    tone = 0.7 + rng.normal(0, 0.02, r.shape) - 0.12 * (rng.random(r.shape) < 0.06)
    for boundary in boundaries:
        tone -= 0.15 * np.exp(-(((r - boundary + 0.003) / 0.003) ** 2))
    return tone


def even_rings(mean, spread, seed, low=0.02, high=4.0):
    """Boundaries at distances from the pith with widths that vary by ``spread`` (log)."""
    rng = np.random.default_rng(seed)
    widths = mean * np.exp(rng.normal(0, spread, int((high - low) / mean * 1.5)))
    return low + np.concatenate([[0.0], np.cumsum(widths)])


def photograph(tone, *, turn_deg=0.0, background=(60, 70, 110), size=(1000, 800), fill=0.6):
    """The section on a plain ground: (M, N, 3) uint8, and its corners (4, 2)."""
    import cv2

    side = tone.shape[0]
    wood = np.clip(tone[..., None] * np.array([255, 215, 165]), 0, 255).astype(np.float32)
    half = fill * size[1] / 2
    turn = np.radians(turn_deg)
    square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = square @ rotation.T + np.array(size) / 2
    source = np.array(
        [[-0.5, -0.5], [side - 0.5, -0.5], [side - 0.5, side - 0.5], [-0.5, side - 0.5]]
    )
    warp = cv2.getPerspectiveTransform(source.astype(np.float32), corners.astype(np.float32))
    flat = np.broadcast_to(np.array(background, np.float32), (size[1], size[0], 3)).copy()
    over = cv2.warpPerspective(wood, warp, size, flags=cv2.INTER_LINEAR)
    alpha = cv2.warpPerspective(np.ones((side, side), np.float32), warp, size)[..., None]
    picture = flat * (1 - alpha) + over
    picture += np.random.default_rng(5).normal(0, 2.0, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8), corners
