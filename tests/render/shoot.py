"""Takes the photographs: places blank and camera, draws bench and blank, works out the truth."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

import cv2
import numpy as np

from tests.render import scene as scenes
from tests.render.body import Body
from tests.render.camera import LAYS, Camera, aim
from tests.render.card import lay_card
from tests.render.draw import Brush, Placed, draw_blank
from tests.render.lens import develop, early_blur
from tests.render.log import Log
from tests.render.spec import BlankSpec, PhotoSpec, random_blank
from tests.render.truth import blank_truth
from tests.render.wood import Wood

MAIN = {"face_a": "a", "face_b": "b", "end": "right"}


@dataclass(frozen=True)
class RenderedBlank:
    """Pictures (M, N, 3) uint8 RGB, None where not asked for, and what is true of them."""

    spec: BlankSpec
    photo: PhotoSpec
    face_a: np.ndarray | None
    face_b: np.ndarray | None
    end: np.ndarray | None
    truth: dict[str, Any]


def render_blank(spec: BlankSpec, photo: PhotoSpec, seed: int = 0) -> RenderedBlank:
    """The asked-for photographs of a blank and what is true of it; the same for the same seed."""
    if photo.end_condition == "checked" and not spec.checks:
        spec = replace(spec, checks=3)
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
            room = np.random.default_rng([spec.seed, seed, 30])  # the same bench and lamp
            placed = Placed(log, body, wood, LAYS[shot], np.zeros(3), MAIN[shot])
            pictures[shot], truth["photos"][shot] = _take(placed, photo, shot, rng, room)
    return RenderedBlank(spec, photo, **pictures, truth=truth)


def _take(
    placed: Placed, photo: PhotoSpec, shot: str, rng, room
) -> tuple[np.ndarray, dict[str, Any]]:
    is_end = shot == "end"
    camera, how = _place_camera(placed, photo, is_end, rng)
    light = _lamp(room)
    brush = Brush(placed, light, () if is_end else photo.marks, photo.end_condition, rng)
    blanks = [] if photo.content == "none" else [brush]
    if photo.content == "two":
        blanks.insert(0, _another(placed, light, is_end, rng))
    floor = _floor_out(placed, is_end)
    prints = [_slices(b.placed, floor) for b in blanks] if not is_end else []
    bench = scenes.bench(camera, floor, photo, placed, light, [s[0][0] for s in prints], room)
    for slices in prints:
        bench = scenes.cast_shadow(bench, slices, light)
    picture = scenes.look_at(bench, camera)
    if is_end:
        picture = cv2.GaussianBlur(picture, (0, 0), 6.0 * camera.width_px / 1600)
    else:
        picture = early_blur(picture)
    card = None
    if photo.card is not None and not is_end:
        out = floor if photo.card == "bench" else _face_out(placed)
        card = lay_card(picture, camera, out, prints[-1][0][0], photo.card_hidden, rng)
    for b in blanks:
        draw_blank(picture, camera, b, 2.0 * camera.width_px / 1600 if is_end else 0.0)
    truth = _photo_truth(placed, camera, how, photo, light, is_end)
    if card is not None:
        truth["card"] = card
    return develop(picture, photo, rng), truth


def _face_out(placed: Placed) -> float:
    """Height of the photographed face, at its middle."""
    return float(_corners(placed)[:, 2].mean())


def _corners(placed: Placed) -> np.ndarray:
    """The photographed face in the world: left-top, right-top, right-bottom, left-bottom."""
    if placed.main == "right":
        return placed.world(placed.body.end_corners())
    upper, lower = placed.body.face_edges(placed.main, np.array([0.0, 1.0]))
    return placed.world(np.array([upper[0], upper[1], lower[1], lower[0]]))


def _place_camera(placed, photo, is_end, rng) -> tuple[Camera, dict[str, float]]:
    """A camera that frames the photographed face as asked."""
    size = np.array(
        [photo.end_width_px, photo.end_height_px] if is_end else [photo.width_px, photo.height_px]
    )
    focal = photo.end_focal_35mm if is_end else photo.focal_35mm
    tilt = photo.tilt_max_deg * math.sqrt(rng.uniform(0.05, 1))
    if is_end:
        tilt = min(tilt, 8.0)
    azimuth, roll = rng.uniform(0, 360), rng.uniform(-1, 1) * photo.roll_max_deg
    k1 = rng.uniform(-1, 1) * photo.k1_max
    aside = rng.uniform(-0.5, 0.5, 2)
    # A blank cut off by the border: so much of its length lies outside, on one side.
    outside, border = rng.uniform(0.05, 0.4), rng.choice([-1.0, 1.0])
    corners = _corners(placed)
    if photo.part is not None and not is_end:
        upper, lower = placed.body.face_edges(placed.main, np.array(photo.part))
        corners = placed.world(np.array([upper[0], upper[1], lower[1], lower[0]]))
    target, distance = corners.mean(axis=0), 400.0
    for _ in range(14):
        camera = aim(int(size[0]), int(size[1]), focal, target, distance, tilt, azimuth, roll, k1)
        at = camera.pixels(corners)
        spread = at.max(axis=0) - at.min(axis=0)
        along = 1 if is_end else 0
        share = (photo.end_occupancy if is_end else photo.occupancy) * size[along]
        if photo.part is not None and not is_end:
            distance *= spread[0] / size[0]
        else:
            distance *= max(spread[along] / share, *(spread / (np.array([0.94, 0.90]) * size)))
        slack = np.maximum(size - spread - 0.04 * size[0], 0)
        goal = size / 2 + aside * slack * 0.5
        if photo.content == "cut":
            goal[0] = size[0] / 2 + border * (size[0] / 2 + (outside - 0.5) * spread[0])
        shift = (goal - (at.max(axis=0) + at.min(axis=0)) / 2) * distance / camera.focal_px
        target = target - (shift[0] * camera.axes[0] + shift[1] * camera.axes[1])
    how = {
        "tilt_deg": tilt,
        "tilt_azimuth_deg": azimuth,
        "roll_deg": roll,
        "k1": k1,
        "distance_mm": distance,
        "focal_px": camera.focal_px,
        "focal_35mm": focal,
    }
    return camera, how


def _lamp(rng) -> np.ndarray:
    """Direction towards the lamp: right, up, out."""
    elevation, around = math.radians(rng.uniform(38, 65)), rng.uniform(0, 2 * math.pi)
    flat = math.cos(elevation)
    return np.array([flat * math.cos(around), flat * math.sin(around), math.sin(elevation)])


def _floor_out(placed: Placed, is_end: bool) -> float:
    """Where the bench is; behind an end photographed squarely, something out of focus."""
    out = placed.world(placed.long_edges(np.linspace(0, 1, 41)))[..., 2]
    return float(out.max()) - 90.0 if is_end else float(out.min())


def _slices(placed: Placed, floor: float) -> list[tuple[np.ndarray, float]]:
    """Outlines (N, 2) of the blank at eight heights above the bench, lowest first."""
    edges = placed.world(placed.long_edges(np.linspace(0, 1, 41)))
    by_height = edges[np.argsort(edges[..., 2].mean(axis=1))]
    low, high = by_height[:2], by_height[2:]
    if np.linalg.norm(low[0, 0] - high[0, 0]) > np.linalg.norm(low[0, 0] - high[1, 0]):
        high = high[::-1]
    slices = []
    for share in np.linspace(0, 1, 8):
        left, right = low + share * (high - low)
        ring = np.concatenate([left, right[::-1]])
        slices.append((ring[:, :2], max(0.0, float(ring[:, 2].mean() - floor))))
    return slices


def _another(placed: Placed, light, is_end, rng) -> Brush:
    """A second blank beside the first, of another tree but the same kind of wood."""
    spec = placed.body.spec
    other = random_blank(
        spec.seed + 5001,
        spec.kind,
        width_mm=spec.width_mm * 0.95,
        height_mm=spec.height_mm * 0.95,
        length_mm=spec.length_mm * 0.9,
    )
    log = Log(other)
    turn = math.radians(rng.uniform(-4, 4))
    c, s = math.cos(turn), math.sin(turn)
    lay = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ placed.lay
    gap = max(spec.width_mm, spec.height_mm) * rng.uniform(1.5, 2.2)
    gap = rng.choice([-1.0, 1.0]) * (gap + 0.5 * spec.length_mm * abs(s) * (not is_end))
    shift = np.array([gap, 0.0, 0.0]) if is_end else np.array([rng.uniform(-20, 20), gap, 0.0])
    second = Placed(log, Body(other, log), Wood(other, log), lay, shift, placed.main)
    depth = 2 if not is_end else None
    if depth is not None:  # both lie on the same bench
        drop = _floor_out(placed, False) - _floor_out(second, False)
        second = replace(second, shift=shift + np.array([0.0, 0.0, drop]))
    return Brush(second, light, (), "clean", rng)


def _photo_truth(placed, camera, how, photo, light, is_end) -> dict[str, Any]:
    none = photo.content == "none"
    truth: dict[str, Any] = {
        "outline_px": None if none else camera.pixels(_corners(placed)).tolist(),
        "size_px": [camera.width_px, camera.height_px],
        "camera": how,
        "light": light.tolist(),
        "content": photo.content,
    }
    if is_end or none:
        return truth
    upper, lower = placed.body.face_edges(placed.main, np.linspace(0, 1, 101))
    truth["top_edge_px"] = camera.pixels(placed.world(upper)).tolist()
    truth["bottom_edge_px"] = camera.pixels(placed.world(lower)).tolist()
    return truth
