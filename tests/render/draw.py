"""Draws one blank into a picture: which faces the camera sees, and the wood on each of them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.render.body import Body
from tests.render.camera import Camera
from tests.render.grid import CELL_PX, fill, node_positions
from tests.render.lens import early_blur
from tests.render.log import Log
from tests.render.marks import Marks, RoughEnd
from tests.render.wood import Wood

F = np.float32
# Samples per pixel, down and right. Long faces lie along the picture's rows, and sheen and vessels
# are fine (0.07 to 0.15 mm) across the fibres alone: up to about one wave to the pixel there, as a
# pixel of a phone's picture of a whole blank is 0.1 to 0.4 mm. Six down give the same directions.
SAMPLES_LONG_FACE = (4, 2)
SAMPLES_END = (2, 2)
TILE_ROWS, TILE_COLS = 16, 48  # cells: the working arrays stay in the cache
MARGIN = 1  # cells drawn round a tile and cut off again, that the early blur meets no border
NORMALS = {
    "a": (1, 0, 0),
    "a_under": (-1, 0, 0),
    "b": (0, 1, 0),
    "b_under": (0, -1, 0),
    "right": (0, 0, 1),
    "left": (0, 0, -1),
}
ENDS = ("right", "left")
# The four neighbours of a face, as opposite pairs.
BESIDE = {
    "a": ("b", "b_under", "right", "left"),
    "a_under": ("b", "b_under", "right", "left"),
    "b": ("a", "a_under", "right", "left"),
    "b_under": ("a", "a_under", "right", "left"),
    "right": ("a", "a_under", "b", "b_under"),
    "left": ("a", "a_under", "b", "b_under"),
}


@dataclass(frozen=True)
class Placed:
    """A blank laid in the world: rows of ``lay`` are the world's axes in the blank's frame."""

    log: Log
    body: Body
    wood: Wood
    lay: np.ndarray
    shift: np.ndarray
    main: str  # the face turned up

    def world(self, points: np.ndarray) -> np.ndarray:
        return points @ self.lay.T + self.shift

    def long_edges(self, at: np.ndarray) -> np.ndarray:
        return np.stack([self.body.edge(p, q, at) for p in (1, -1) for q in (1, -1)])


class Brush:
    """Everything drawn at random about one blank in one photograph."""

    def __init__(self, placed: Placed, light: np.ndarray, marks, end_condition, rng) -> None:
        spec = placed.body.spec
        self.placed, self.light = placed, light
        self.edges = _EdgeNoise(spec, rng)
        width = spec.width_mm if placed.main == "a" else spec.height_mm
        self.marks = Marks(marks, spec.length_mm, width, rng) if placed.main not in ENDS else None
        rough = placed.main in ENDS and end_condition == "rough"
        self.rough_end = RoughEnd(rng) if rough else None
        self.relief = 0.06 if spec.made == "riven" else 0.008

    def shade(self, face: str) -> float:
        normal = self.placed.lay @ np.array(NORMALS[face], dtype=float)
        return 0.42 + 0.58 * max(0.0, float(normal @ self.light)) / float(self.light[2])


def draw_blank(picture: np.ndarray, camera: Camera, brush: Brush, soften_sides_px: float = 0.0):
    """Draw the blank over ``picture`` (linear RGB, in place); sides first, photographed face last.

    ``soften_sides_px``: blur of everything behind the photographed face (a near end stands before
    a blank that runs out of focus).
    """
    placed = brush.placed
    eye = (camera.position - placed.shift) @ placed.lay
    for face in NORMALS:
        if face != placed.main and placed.body.level(face, eye) > 0.5:
            _Face(picture, camera, brush, face).draw()
    if soften_sides_px:
        picture[:] = cv2.GaussianBlur(picture, (0, 0), soften_sides_px)
    _Face(picture, camera, brush, placed.main).draw()


class _Face:
    def __init__(self, picture, camera, brush, face) -> None:
        self.picture, self.camera, self.brush, self.face = picture, camera, brush, face
        self.placed = brush.placed
        self.body = brush.placed.body
        self.is_main = face == brush.placed.main
        self.eye = (camera.position - brush.placed.shift) @ brush.placed.lay
        self.samples = SAMPLES_END if face in ENDS else SAMPLES_LONG_FACE
        self.per_cell = (CELL_PX * self.samples[0], CELL_PX * self.samples[1])
        self.shade = F(brush.shade(face))
        # A notch in the photographed face's edge shows the side, seen at a shallow angle.
        depth = 0.2 + 1.7 * self.body.spec.edge_roughness_mm
        beside = self.body.level(face, self.eye) / self.body.level(brush.placed.main, self.eye)
        self.tuck = depth / min(1.0, max(0.02, float(beside)))
        # What stands over that face's plane must not peep out past its corners: seen from the
        # eye it lies farther out, by this much for each mm it stands over the plane.
        height = float(self.body.level(brush.placed.main, self.eye))
        reach = 0.5 * max(self.body.spec.length_mm, self.body.spec.width_mm)
        self.spread = (reach + float(np.linalg.norm(self.eye)) * 0.2) / height

    def draw(self) -> None:
        box = self._box()
        if box is None:
            return
        x0, y0, cols, rows = box
        for r in range(0, rows, TILE_ROWS):
            for c in range(0, cols, TILE_COLS):
                self._tile(
                    x0 + (c - MARGIN) * CELL_PX,
                    y0 + (r - MARGIN) * CELL_PX,
                    min(TILE_COLS, cols - c) + 2 * MARGIN,
                    min(TILE_ROWS, rows - r) + 2 * MARGIN,
                )

    def _box(self):
        edges = self.placed.long_edges(np.linspace(0, 1, 21)).reshape(-1, 3)
        edges = edges[np.abs(self.body.level(self.face, edges)) < 1e-3]
        px = self.camera.pixels(self.placed.world(edges))
        size = np.array([self.camera.width_px, self.camera.height_px])
        low = np.clip(np.floor(px.min(axis=0)) - 10, 0, size)
        high = np.clip(np.ceil(px.max(axis=0)) + 10, 0, size)
        if (high <= low).any():
            return None
        cells = np.ceil((high - low) / CELL_PX).astype(int)
        return int(low[0]), int(low[1]), int(cells[0]), int(cells[1])

    def _tile(self, x0, y0, cols, rows) -> None:
        x, y = np.meshgrid(node_positions(x0, cols), node_positions(y0, rows))
        points, off = self._hit(self.camera.rays(x, y) @ self.placed.lay)
        margins = {f: self.body.level(f, points) + off for f in BESIDE[self.face]}
        if (np.max(list(margins.values()), axis=0) > 2.0).all():
            return
        m = self.per_cell
        fine = {f: fill(a, m) for f, a in margins.items()}
        along, across = self._place_on_face(fine, fill(points[..., 2], m))
        coverage, worn = self._coverage(fine, along, across)
        if not coverage.any():
            return
        u, v, s = self.placed.log.material(points)
        rho = self.placed.log.rho(u, v)
        cell_mm = float(np.linalg.norm(points[0, 0] - points[-1, -1]) / np.hypot(cols, rows))
        step_mm = cell_mm / max(m)
        rgb = self._wood([fill(a, m) for a in (u, v, s, rho)], step_mm, along, across, points)
        rgb *= (worn * self.shade)[..., None]
        self._lay(rgb, coverage, x0, y0, cols, rows)

    def _wood(self, material, step_mm, along, across, points):
        brush, wood = self.brush, self.placed.wood
        end = self.face in ENDS
        dull = 0.55 if brush.rough_end and self.is_main else 1.0
        rgb = wood.albedo(*material, step_mm, end_grain=end, pore_share=dull)
        if self.placed.log.spec.knots:
            inside = self.placed.log.knot_distance(points)
            wood.add_knots(rgb, fill(inside, self.per_cell), material[0], material[1])
        factor = np.ones_like(along)
        if not end:
            factor += wood.relief(*material[:3]) * F(brush.relief)
        if self.is_main and brush.marks is not None:
            factor *= brush.marks.factor(along, across)
        if self.is_main and brush.rough_end is not None:
            factor *= brush.rough_end.factor(along, across)
        rgb *= factor[..., None]
        return rgb

    def _place_on_face(self, margins, z):
        """Coordinates on the face in mm: along and across it, 0 in the middle."""
        first, second, third, fourth = BESIDE[self.face]
        across = (margins[second] - margins[first]) * F(0.5)
        if self.face in ENDS:
            return (margins[fourth] - margins[third]) * F(0.5), across
        return z, across

    def _coverage(self, margins, along, across):
        """Samples on the face (1 or 0), and the brightness of its worn or splintery arrises."""
        inside = np.full(along.shape, -1e3, F)
        over = np.maximum(margins.get(self.placed.main, F(0)), F(0)) * F(self.spread)
        near = np.full(along.shape, 1e3, F)
        for k, (other, margin) in enumerate(margins.items()):
            if self.is_main:
                # A long edge is ragged along itself; an end's edge along that edge.
                place = along if k < 2 else across
                edge = margin + self.brush.edges.at(self.face, other, place)
                if self.face in ENDS or k < 2:
                    near = np.minimum(near, -edge)
            else:
                # Sides reach a little under the photographed face's ragged edge.
                edge = margin - F(self.tuck) if other == self.placed.main else margin + over
            inside = np.maximum(inside, edge)
        arris = F(self.body.spec.arris_mm)
        worn = F(1) - F(0.22) * np.exp(-np.square(np.maximum(near, 0) / arris))
        return (inside <= 0).astype(F), worn

    def _hit(self, rays):
        """Where rays meet the face, by secant steps on its level function; and a large margin
        where they do not meet it."""
        middle = self.placed.world(np.zeros(3))
        distance = float((middle - self.camera.position) @ self.camera.axes[2])
        t0 = np.full(rays.shape[:-1], distance * 0.98)
        t1 = t0 * 1.03
        g0 = self.body.level(self.face, self.eye + t0[..., None] * rays)
        for _ in range(5):
            g1 = self.body.level(self.face, self.eye + t1[..., None] * rays)
            bend = g1 - g0
            bend = np.where(np.abs(bend) < 1e-12, 1e-12, bend)
            t2 = np.clip(t1 - g1 * (t1 - t0) / bend, 1.0, 20.0 * distance)
            t0, g0, t1 = t1, g1, t2
        points = self.eye + t1[..., None] * rays
        return points, np.where(np.abs(self.body.level(self.face, points)) < 0.02, 0.0, 1e3)

    def _lay(self, rgb, coverage, x0, y0, cols, rows) -> None:
        rgb *= coverage[..., None]
        rgb, alpha = (self._pixels(a, cols, rows) for a in (rgb, coverage))
        x0, y0 = x0 + MARGIN * CELL_PX, y0 + MARGIN * CELL_PX
        place = self.picture[y0 : y0 + alpha.shape[0], x0 : x0 + alpha.shape[1]]
        h, w = place.shape[:2]
        place *= 1 - alpha[:h, :w, None]
        place += rgb[:h, :w]

    def _pixels(self, samples, cols, rows):
        """Samples as the sensor's pixels see them through the lens, the tile's margin cut off."""
        size = (cols * CELL_PX, rows * CELL_PX)
        pixels = cv2.resize(early_blur(samples, self.samples), size, interpolation=cv2.INTER_AREA)
        cut = MARGIN * CELL_PX
        return pixels[cut:-cut, cut:-cut]


class _EdgeNoise:
    """Ragged arrises: offsets in mm along each edge, fading towards the corners."""

    STEP = 0.1

    def __init__(self, spec, rng) -> None:
        n = int(max(spec.length_mm * 1.1, 200) / self.STEP)
        self.half = n * self.STEP / 2
        z = (np.arange(n) + 0.5) * self.STEP - self.half
        fade = np.clip((spec.length_mm / 2 - np.abs(z)) / 6.0, 0.15, 1)
        self.long, self.short = {}, {}
        for name in NORMALS:
            splinter = _rough(n, 16.0, rng)
            splinter = np.where(splinter > 0, 1.3, 0.5) * splinter
            both = 0.45 * (splinter - splinter.mean()) + 0.45 * _rough(n, 60.0, rng)
            both = np.clip(both, -1.6, 1.6) * fade
            self.long[name] = (both * spec.edge_roughness_mm).astype(F)
            chips = 0.015 + 0.05 * min(spec.edge_roughness_mm, 0.5)
            self.short[name] = (_rough(n, 3.0, rng) * chips).astype(F)

    def at(self, face, other, place):
        table = self.short if face in ENDS or other in ENDS else self.long
        index = np.clip((place + F(self.half)) * F(1 / self.STEP), 0, len(table[other]) - 1)
        return np.take(table[other], index.astype(np.int32))


def _rough(n, sigma, rng):
    noise = cv2.GaussianBlur(rng.standard_normal((1, n), dtype=F), (0, 0), sigma)[0]
    return noise / noise.std()
