"""Takes the photographs: casts rays at the solid, lays the wood on it, adds lens and sensor."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np

from tests.render import scene as scenes
from tests.render.body import Body
from tests.render.camera import LAYS, Camera, aim
from tests.render.grid import CELL_PX, fill, node_positions
from tests.render.log import Log
from tests.render.spec import BlankSpec, PhotoSpec
from tests.render.truth import blank_truth
from tests.render.wood import Wood

F = np.float32
SUB = 2  # samples per pixel each way
TILE_ROWS, TILE_COLS = 24, 48  # cells
MAIN = {"face_a": "a", "face_b": "b", "end": "right"}
NORMALS = {
    "a": (1, 0, 0), "a_under": (-1, 0, 0), "b": (0, 1, 0), "b_under": (0, -1, 0),
    "right": (0, 0, 1), "left": (0, 0, -1),
}
BESIDE = {
    "a": ("b", "b_under", "right", "left"), "a_under": ("b", "b_under", "right", "left"),
    "b": ("a", "a_under", "right", "left"), "b_under": ("a", "a_under", "right", "left"),
    "right": ("a", "a_under", "b", "b_under"), "left": ("a", "a_under", "b", "b_under"),
}


@dataclass(frozen=True)
class RenderedBlank:
    spec: BlankSpec
    photo: PhotoSpec
    face_a: np.ndarray | None
    face_b: np.ndarray | None
    end: np.ndarray | None
    truth: dict[str, Any]


def render_blank(spec: BlankSpec, photo: PhotoSpec, seed: int = 0) -> RenderedBlank:
    """The asked-for photographs of a blank and what is true of it."""
    log = Log(spec)
    body = Body(spec, log)
    wood = Wood(spec, log)
    truth = blank_truth(spec, log, body, wood)
    truth["photo_spec"] = asdict(photo)
    truth["seed"] = seed
    truth["photos"] = {}
    pictures: dict[str, np.ndarray | None] = {"face_a": None, "face_b": None, "end": None}
    for k, shot in enumerate(pictures):
        if shot in photo.shots:
            rng = np.random.default_rng([spec.seed, seed, 31 + k])
            pictures[shot], truth["photos"][shot] = _Shot(spec, photo, log, body, wood, shot, rng
                                                          ).take()
    return RenderedBlank(spec, photo, **pictures, truth=truth)


class _Shot:
    def __init__(self, spec, photo, log, body, wood, shot, rng) -> None:
        self.spec, self.photo, self.log, self.body, self.wood = spec, photo, log, body, wood
        self.shot, self.rng = shot, rng
        self.lay = LAYS[shot]
        self.is_end = shot == "end"
        self.main = MAIN[shot]
        self.camera = self._place_camera()
        elevation, around = math.radians(rng.uniform(38, 65)), rng.uniform(0, 2 * math.pi)
        self.light = np.array([math.cos(elevation) * math.cos(around),
                               math.cos(elevation) * math.sin(around), math.sin(elevation)])
        self.edge_noise = _EdgeNoise(spec, rng)

    # ---- camera

    def corners(self) -> np.ndarray:
        """The photographed face's corners in the world: left-top, right-top, right-bottom,
        left-bottom."""
        if self.is_end:
            return self.body.end_corners() @ self.lay.T
        upper, lower = self.body.face_edges(self.main, np.array([0.0, 1.0]))
        return np.array([upper[0], upper[1], lower[1], lower[0]]) @ self.lay.T

    def _place_camera(self) -> Camera:
        photo, rng = self.photo, self.rng
        width, height = ((photo.end_width_px, photo.end_height_px) if self.is_end
                         else (photo.width_px, photo.height_px))
        focal = photo.end_focal_35mm if self.is_end else photo.focal_35mm
        tilt = photo.tilt_max_deg * math.sqrt(rng.uniform(0.05, 1))
        if self.is_end:
            tilt = min(tilt, 8.0)
        azimuth = rng.uniform(0, 360)
        roll = rng.uniform(-1, 1) * photo.roll_max_deg
        k1 = rng.uniform(-1, 1) * photo.k1_max
        corners = self.corners()
        aside = rng.uniform(-0.5, 0.5, 2)
        distance = 400.0
        share = photo.end_occupancy if self.is_end else photo.occupancy
        target = corners.mean(axis=0)
        for _ in range(12):
            camera = aim(width, height, focal, target, distance, tilt, azimuth, roll, k1)
            at = camera.pixels(corners)
            spread = at.max(axis=0) - at.min(axis=0)
            limit = np.array([0.94 * width, 0.90 * height])
            want = share * (height if self.is_end else width)
            ratio = max((spread[1] if self.is_end else spread[0]) / want, *(spread / limit))
            distance *= ratio
            slack = np.maximum(np.array([width, height]) - spread - 0.04 * width, 0)
            goal = np.array([width, height]) / 2 + aside * slack * 0.5
            shift = goal - (at.max(axis=0) + at.min(axis=0)) / 2
            mm = distance / camera.focal_px
            target = target - (shift[0] * mm * camera.axes[0] + shift[1] * mm * camera.axes[1])
        self.placed = {"tilt_deg": tilt, "tilt_azimuth_deg": azimuth, "roll_deg": roll,
                       "distance_mm": distance, "k1": k1, "focal_px": camera.focal_px,
                       "focal_35mm": focal}
        return camera

    # ---- the picture

    def take(self) -> tuple[np.ndarray, dict[str, Any]]:
        wood_rgb = 0.7 * self.wood.light + 0.3 * self.wood.dark
        bench_out = self._bench_out()
        bench = scenes.plain_bench(self.camera, bench_out, self.rng, wood_rgb,
                                   self.photo.background)
        if not self.is_end:
            bench = scenes.cast_shadow(bench, self._outline_slices(bench_out), self.light)
        picture = scenes.look_at(bench, self.camera)
        if self.is_end:
            picture = cv2.GaussianBlur(picture, (0, 0), 7.0)
        for face in self._visible():
            self._draw_face(face, picture)
        picture = self._lens_and_sensor(picture)
        return picture, self._photo_truth()

    def _bench_out(self) -> float:
        at = np.linspace(0, 1, 41)
        edges = np.concatenate([self.body.edge(p, q, at) for p in (1, -1) for q in (1, -1)])
        world = edges @ self.lay.T
        return float(world[:, 2].min()) if not self.is_end else float(world[:, 2].max()) - 90.0

    def _outline_slices(self, bench_out):
        at = np.linspace(0, 1, 41)
        top = {"a": ((1, -1), (1, 1)), "b": ((1, 1), (-1, 1))}[self.main]
        low = {"a": ((-1, -1), (-1, 1)), "b": ((1, -1), (-1, -1))}[self.main]
        upper = [self.body.edge(p, q, at) @ self.lay.T for p, q in top]
        under = [self.body.edge(p, q, at) @ self.lay.T for p, q in low]
        slices = []
        for share in np.linspace(0, 1, 8):
            left, right = (under[k] + share * (upper[k] - under[k]) for k in range(2))
            ring = np.concatenate([left, right[::-1]])
            slices.append((ring[:, :2], float(ring[:, 2].mean() - bench_out)))
        return slices

    def _visible(self) -> list[str]:
        """Faces turned towards the camera, the photographed one last."""
        eye = self.camera.position @ self.lay
        faces = [f for f in NORMALS if f != self.main and self.body.level(f, eye) > 0.5]
        return [*faces, self.main]

    def _draw_face(self, face: str, picture: np.ndarray) -> None:
        box = self._box(face)
        if box is None:
            return
        x0, y0, cols, rows = box
        for r in range(0, rows, TILE_ROWS):
            for c in range(0, cols, TILE_COLS):
                self._draw_tile(face, picture, x0 + c * CELL_PX, y0 + r * CELL_PX,
                                min(TILE_COLS, cols - c), min(TILE_ROWS, rows - r))

    def _box(self, face):
        at = np.linspace(0, 1, 21)
        edges = np.concatenate([self.body.edge(p, q, at) for p in (1, -1) for q in (1, -1)])
        edges = edges[np.abs(self.body.level(face, edges)) < 1e-3]
        px = self.camera.pixels(edges @ self.lay.T)
        size = np.array([self.camera.width_px, self.camera.height_px])
        low = np.clip(np.floor(px.min(axis=0)) - 8, 0, size)
        high = np.clip(np.ceil(px.max(axis=0)) + 8, 0, size)
        if (high <= low).any():
            return None
        cells = np.ceil((high - low) / CELL_PX).astype(int)
        return int(low[0]), int(low[1]), int(cells[0]), int(cells[1])

    def _draw_tile(self, face, picture, x0, y0, cols, rows) -> None:
        x, y = np.meshgrid(node_positions(x0, cols), node_positions(y0, rows))
        rays = self.camera.rays(x, y) @ self.lay
        eye = self.camera.position @ self.lay
        points = self._hit(face, eye, rays)
        margins = {f: self.body.level(f, points) for f in BESIDE[face]}
        if (np.max(list(margins.values()), axis=0) > 1.5).all():
            return
        u, v, s = self.log.material(points)
        rho = self.log.rho(u, v)
        m = CELL_PX * SUB
        fine = [fill(a, m) for a in (u, v, s, rho, points[..., 2])]
        coverage, arris = self._coverage(face, {f: fill(a, m) for f, a in margins.items()},
                                         fine[4])
        if not coverage.any():
            return
        pixel_mm = float(np.linalg.norm(points[0, 0] - points[-1, -1])
                         / np.hypot(cols, rows) / m)
        rgb = self.wood.albedo(*fine[:4], pixel_mm, end_grain=face in ("right", "left"))
        rgb *= (self._shade(face) * arris)[..., None]
        rgb *= coverage[..., None]
        rgb = cv2.resize(rgb, (cols * CELL_PX, rows * CELL_PX), interpolation=cv2.INTER_AREA)
        alpha = cv2.resize(coverage, (cols * CELL_PX, rows * CELL_PX),
                           interpolation=cv2.INTER_AREA)
        place = picture[y0 : y0 + rows * CELL_PX, x0 : x0 + cols * CELL_PX]
        h, w = place.shape[:2]
        place *= 1 - alpha[:h, :w, None]
        place += rgb[:h, :w]

    def _hit(self, face, eye, rays):
        """Where rays meet a face: a few secant steps on its level function."""
        t0 = np.full(rays.shape[:-1], self.placed["distance_mm"] * 0.98)
        t1 = t0 * 1.03
        g0 = self.body.level(face, eye + t0[..., None] * rays)
        for _ in range(4):
            g1 = self.body.level(face, eye + t1[..., None] * rays)
            bend = g1 - g0
            bend = np.where(np.abs(bend) < 1e-12, 1e-12, bend)
            t2 = np.clip(t1 - g1 * (t1 - t0) / bend, 1.0, 20.0 * self.placed["distance_mm"])
            t0, g0, t1 = t1, g1, t2
        return eye + t1[..., None] * rays

    def _coverage(self, face, margins, z):
        inside = np.full(z.shape, -1e3, F)
        near = np.full(z.shape, 1e3, F)
        for other, margin in margins.items():
            if face == self.main:
                edge = margin + self.edge_noise.at(face, other, z)
                if other not in ("right", "left"):
                    near = np.minimum(near, -edge)
            else:
                # Sides reach a little under the photographed face's ragged edge.
                edge = margin - F(0.7 if other == self.main else 0.0)
            inside = np.maximum(inside, edge)
        arris = F(self.spec.arris_mm)
        worn = F(1) - F(0.22) * np.exp(-np.square(np.maximum(near, 0) / arris))
        return (inside <= 0).astype(F), worn

    def _shade(self, face) -> float:
        normal = self.lay @ np.array(NORMALS[face], dtype=float)
        up = self.light[2]
        return F(0.42 + 0.58 * max(0.0, float(normal @ self.light)) / up)

    def _lens_and_sensor(self, picture: np.ndarray) -> np.ndarray:
        photo, rng = self.photo, self.rng
        h, w = picture.shape[:2]
        y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j].astype(F)
        turn = rng.uniform(0, 2 * math.pi)
        light = 1 + F(photo.light_gradient) * (F(math.cos(turn)) * x + F(math.sin(turn)) * y)
        light *= 1 - F(photo.vignette) * (x * x + y * y) / 2
        cast = 1 + rng.normal(0, 0.03, 3)
        level = 0.80 * photo.exposure / max(0.35, float(np.percentile(picture[::8, ::8], 99)))
        picture *= (light * F(level))[..., None] * cast.astype(F)
        picture = cv2.GaussianBlur(picture, (0, 0), photo.blur_px)
        sigma = photo.noise
        noise = rng.standard_normal(picture.shape, dtype=F)
        picture += noise * F(sigma) * np.sqrt(np.maximum(picture, F(0)) + F(0.02))
        out = np.clip(picture, 0, 1)
        out = np.power(out, F(1 / 2.2))
        if photo.sharpen:
            soft = cv2.GaussianBlur(out, (0, 0), 1.2)
            out += F(photo.sharpen) * (out - soft)
        return np.clip(out * F(255) + F(0.5), 0, 255).astype(np.uint8)

    # ---- what is true of this picture

    def _photo_truth(self) -> dict[str, Any]:
        camera = self.camera
        truth = {
            "outline_px": camera.pixels(self.corners()).tolist(),
            "size_px": [camera.width_px, camera.height_px],
            "camera": self.placed,
        }
        if not self.is_end:
            at = np.linspace(0, 1, 101)
            upper, lower = self.body.face_edges(self.main, at)
            truth["top_edge_px"] = camera.pixels(upper @ self.lay.T).tolist()
            truth["bottom_edge_px"] = camera.pixels(lower @ self.lay.T).tolist()
        return truth


class _EdgeNoise:
    """Ragged long edges and slightly rough ends: offsets in mm as functions of z."""

    STEP = 0.1

    def __init__(self, spec: BlankSpec, rng) -> None:
        n = int(spec.length_mm * 1.3 / self.STEP)
        self.start = -spec.length_mm * 0.65
        self.tables = {}
        for name in ("a", "a_under", "b", "b_under", "right", "left"):
            rough = cv2.GaussianBlur(rng.standard_normal((1, n), dtype=F), (0, 0), 14.0)
            slow = cv2.GaussianBlur(rng.standard_normal((1, n), dtype=F), (0, 0), 80.0)
            both = rough / rough.std() * 0.5 + slow / slow.std() * 0.8
            self.tables[name] = (both[0] * spec.edge_roughness_mm).astype(F)

    def at(self, face, other, z):
        if other in ("right", "left"):
            return F(0)
        table = self.tables[other]
        index = np.clip((z - F(self.start)) * F(1 / self.STEP), 0, len(table) - 1)
        return np.take(table, index.astype(np.int32))
