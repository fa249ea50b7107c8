"""Things lying about on a bench: shavings, tools, offcuts, a pencil, a rule, sawdust."""

from __future__ import annotations

import math

import cv2
import numpy as np

from tests.render.wood import linear

F = np.float32
STEEL = linear((150, 153, 156))
HANDLES = ((150, 96, 52), (112, 66, 38), (178, 60, 44), (60, 74, 92), (190, 160, 110))


def scatter(rgb, scale: float, taken, light, wood_rgb, rng: np.random.Generator) -> None:
    """Draw things over ``rgb`` (bench plane, linear, in place).

    ``taken``: outlines in pixels (N, 2) that solid things must keep clear of; shavings and dust
    may lie partly under a blank.
    """
    free = np.zeros(rgb.shape[:2], np.uint8)
    for outline in taken:
        cv2.fillPoly(free, [np.round(outline).astype(np.int32)], 1)
    pad = max(1, round(2 * scale))
    blocked = cv2.dilate(free, np.ones((2 * pad + 1, 2 * pad + 1), np.uint8))
    _dust(rgb, scale, wood_rgb, rng)
    for _ in range(int(rng.integers(3, 9))):
        _solid(rgb, scale, blocked, light, wood_rgb, rng)
    for _ in range(int(rng.integers(4, 16))):
        _shaving(rgb, scale, light, wood_rgb, rng)


def _dust(rgb, scale, wood_rgb, rng):
    h, w = rgb.shape[:2]
    for _ in range(int(rng.integers(60, 400))):
        x, y = int(rng.uniform(0, w)), int(rng.uniform(0, h))
        size = rng.uniform(0.2, 1.1) * scale
        axes = (max(1, int(size)), max(1, int(size * rng.uniform(0.2, 0.7))))
        tone = float(rng.uniform(0.7, 1.15))
        cv2.ellipse(
            rgb,
            (x, y),
            axes,
            float(rng.uniform(0, 180)),
            0,
            360,
            tuple(float(t) * tone for t in wood_rgb),
            -1,
            cv2.LINE_AA,
        )


def _solid(rgb, scale, blocked, light, wood_rgb, rng):
    """One bar-like thing, clear of the blank; it may run out of the picture."""
    h, w = rgb.shape[:2]
    for _ in range(20):
        kind = str(rng.choice(["chisel", "rule", "pencil", "offcut", "knife", "mallet"]))
        length, width = {
            "chisel": (210, 24),
            "rule": (320, 26),
            "pencil": (150, 7.5),
            "offcut": (rng.uniform(90, 400), rng.uniform(15, 50)),
            "knife": (230, 26),
            "mallet": (300, 30),
        }[kind]
        centre = np.array([rng.uniform(-0.05, 1.05) * w, rng.uniform(-0.05, 1.05) * h])
        turn = rng.uniform(0, math.pi) if rng.random() < 0.6 else rng.normal(0, 0.12)
        box = _bar(centre, turn, length * scale, 1.35 * width * scale)
        mask = np.zeros(blocked.shape, np.uint8)
        cv2.fillPoly(mask, [np.round(box).astype(np.int32)], 1)
        if not (mask & blocked).any():
            break
    else:
        return
    blocked |= mask
    _shade_under(rgb, box, light, 6.0 * scale)
    frame = _Frame(centre, turn, scale)
    {"chisel": _chisel, "rule": _rule, "pencil": _pencil, "knife": _knife, "mallet": _mallet}.get(
        kind, lambda *a: _offcut(*a, length, width, wood_rgb)
    )(rgb, frame, rng)


class _Frame:
    """Millimetres along and across a thing to bench pixels."""

    def __init__(self, centre, turn, scale):
        self.centre, self.scale = centre, scale
        self.along = np.array([math.cos(turn), math.sin(turn)])
        self.across = np.array([-self.along[1], self.along[0]])

    def px(self, points):
        points = np.asarray(points, float)
        return self.centre + self.scale * (points[:, :1] * self.along + points[:, 1:] * self.across)


def _bar(centre, turn, length, width):
    along = np.array([math.cos(turn), math.sin(turn)]) * length / 2
    across = np.array([-math.sin(turn), math.cos(turn)]) * width / 2
    return np.array(
        [
            centre - along - across,
            centre + along - across,
            centre + along + across,
            centre - along + across,
        ]
    )


def _fill(rgb, points, colour):
    cv2.fillPoly(
        rgb,
        [np.round(points * 16).astype(np.int32)],
        tuple(float(c) for c in colour),
        cv2.LINE_AA,
        4,
    )


def _rounded(rgb, frame, a, b, half, colour, bands=14):
    """A round bar from a to b along the thing: bands of shading across it."""
    for k in range(bands):
        lo, hi = (-1 + 2 * k / bands) * half, (-1 + 2 * (k + 1) / bands) * half + 0.1
        mid = (lo + hi) / (2 * half)
        tone = 0.55 + 0.6 * math.sqrt(max(0.0, 1 - (mid + 0.3) ** 2 * 0.55)) - 0.25 * mid
        _fill(rgb, frame.px([(a, lo), (b, lo), (b, hi), (a, hi)]), np.asarray(colour) * tone)


def _handle(rng):
    return linear(HANDLES[int(rng.integers(len(HANDLES)))])


def _chisel(rgb, frame, rng):
    _fill(rgb, frame.px([(-105, -6), (10, -6), (10, 6), (-105, 6)]), STEEL)
    _fill(rgb, frame.px([(-105, -6), (-92, -6), (-92, 6), (-105, 6)]), STEEL * 1.8)
    _rounded(rgb, frame, 10, 105, 12, _handle(rng))


def _knife(rgb, frame, rng):
    _fill(rgb, frame.px([(-115, 9), (5, 9), (5, -9), (-70, -9)]), STEEL * 0.8)
    _fill(rgb, frame.px([(-115, 9), (5, 9), (5, 4), (-108, 5)]), STEEL * 1.7)
    _rounded(rgb, frame, 5, 115, 12, _handle(rng))


def _mallet(rgb, frame, rng):
    _rounded(rgb, frame, -40, 150, 12, _handle(rng))
    _rounded(rgb, frame, -150, -40, 20, linear((176, 140, 96)))


def _pencil(rgb, frame, rng):
    colour = linear(((214, 168, 40), (40, 70, 140), (180, 40, 36))[int(rng.integers(3))])
    _rounded(rgb, frame, -60, 75, 3.6, colour, 6)
    _fill(rgb, frame.px([(-60, -3.6), (-60, 3.6), (-75, 0)]), linear((222, 190, 140)))
    _fill(rgb, frame.px([(-71, -1), (-71, 1), (-75, 0)]), linear((50, 50, 54)))


def _rule(rgb, frame, rng):
    _fill(rgb, frame.px([(-160, -13), (160, -13), (160, 13), (-160, 13)]), STEEL * 1.25)
    for k in range(-155, 156):
        depth = 8 if k % 10 == 0 else 5.5 if k % 5 == 0 else 3.5
        a, b = frame.px([(k, -13), (k, -13 + depth)])
        cv2.line(
            rgb,
            tuple(int(v) for v in a),
            tuple(int(v) for v in b),
            (0.04, 0.04, 0.04),
            max(1, round(0.18 * frame.scale)),
            cv2.LINE_AA,
        )


def _offcut(rgb, frame, rng, length, width, wood_rgb):
    """A piece of wood of much the same colour, with streaks of its own."""
    a, b = length / 2, width / 2
    tone = rng.uniform(0.75, 1.1)
    _fill(rgb, frame.px([(-a, -b), (a, -b), (a, b), (-a, b)]), wood_rgb * tone)
    lean = math.tan(math.radians(rng.normal(0, 3)))
    for _ in range(int(rng.integers(12, 40))):
        q, start = rng.uniform(-b, b), rng.uniform(-a, a)
        stop = min(a, start + rng.uniform(10, 90))
        ends = [(start, q), (stop, q + lean * (stop - start))]
        if abs(ends[1][1]) < b:
            p0, p1 = frame.px(ends)
            cv2.line(
                rgb,
                tuple(int(v) for v in p0),
                tuple(int(v) for v in p1),
                tuple(float(c) * tone * rng.uniform(0.72, 0.95) for c in wood_rgb),
                max(1, round(0.4 * frame.scale)),
                cv2.LINE_AA,
            )


def _shade_under(rgb, outline, light, reach):
    """A soft shadow away from the lamp (bench pixels: y runs down)."""
    away = np.array([-light[0], light[1]]) / light[2] * reach
    corners = np.concatenate([outline, outline + away])
    hull = cv2.convexHull(corners.astype(np.float32))[:, 0]
    low = np.maximum(np.floor(hull.min(axis=0) - 3 * reach).astype(int), 0)
    high = np.minimum(np.ceil(hull.max(axis=0) + 3 * reach).astype(int), rgb.shape[1::-1])
    if (high <= low).any():
        return
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), F)
    cv2.fillPoly(mask, [np.round((hull - low) * 16).astype(np.int32)], 0.5, cv2.LINE_AA, 4)
    mask = cv2.GaussianBlur(mask, (0, 0), max(0.8, 0.35 * reach))
    rgb[low[1] : high[1], low[0] : high[0]] *= 1 - mask[..., None]


def _shaving(rgb, scale, light, wood_rgb, rng):
    """A curl: a ribbon along a spiral, bright where it faces the lamp, dark inside."""
    h, w = rgb.shape[:2]
    centre = np.array([rng.uniform(0, w), rng.uniform(0, h)])
    width = rng.uniform(4, 14) * scale
    turns, radius = rng.uniform(0.4, 2.2), rng.uniform(6, 20) * scale
    squash, turn = rng.uniform(0.35, 0.9), rng.uniform(0, 2 * math.pi)
    t = np.linspace(0, turns * 2 * math.pi, 90)
    r = radius * (1 - 0.28 * t / (2 * math.pi))
    r = np.maximum(r, 0.25 * radius)
    spiral = np.stack([r * np.cos(t), squash * r * np.sin(t) + 0.35 * width * t / (2 * math.pi)], 1)
    rot = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    line = centre + spiral @ rot.T
    side = rot @ np.array([0.25, 1.0]) * width
    both = np.concatenate([line, line + side])
    _shade_under(rgb, both[:: max(1, len(both) // 30)], light, 4.0 * scale)
    tone = rng.uniform(0.8, 1.1)
    for k in range(len(line) - 1):
        quad = np.array([line[k], line[k + 1], line[k + 1] + side, line[k] + side])
        facing = 0.5 + 0.5 * math.cos(t[k] + turn)
        shade = tone * (0.45 + 0.62 * facing)
        _fill(rgb, quad, wood_rgb * shade)
        if k % 9 == 0:  # a hint of fibres along the ribbon
            a, b = quad[0] + 0.4 * side, quad[1] + 0.4 * side
            cv2.line(
                rgb,
                tuple(int(v) for v in a),
                tuple(int(v) for v in b),
                tuple(float(c) * shade * 0.8 for c in wood_rgb),
                1,
                cv2.LINE_AA,
            )
