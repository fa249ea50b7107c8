"""The printed reference card, laid beside the blank: on the bench or level with the face."""

from __future__ import annotations

import cv2
import numpy as np

from tests.render.camera import Camera
from tests.render.grid import CELL_PX, fill, node_positions
from tests.render.wood import linear

PX_PER_MM = 10
SQUARES, SQUARE_MM, MARKER_MM = (13, 5), 16.0, 12.0
QUIET_MM = 6.0
PATCH_MM = (0.0, 86.0, 64.0, 100.0)  # left, top, right, bottom from the board's corner
PATCH_GREY = 119
GAP_MM = 14.0
PAPER_WHITE = 0.82  # reflectance of office paper
INK_BLACK = 0.045  # of toner


def lay_card(picture, camera: Camera, out_mm: float, footprint, hidden: float, rng) -> dict:
    """Draw the card over ``picture`` (linear RGB, in place) in the plane ``out_mm``.

    ``footprint``: outline (N, 2) of the blank in the world; the card lies clear of it, on the
    side that leaves more of it in the picture. ``hidden``: share of its length under a cloth.
    """
    grey = _card_grey()
    tone = INK_BLACK + (PAPER_WHITE - INK_BLACK) * linear(np.repeat(grey[..., None], 3, axis=2))
    scale = float(PX_PER_MM)
    width, height = grey.shape[1] / scale, grey.shape[0] / scale
    low, high = footprint.min(axis=0), footprint.max(axis=0)
    turn = np.radians(rng.uniform(-4, 4))
    along = np.array([np.cos(turn), np.sin(turn)])
    down = np.array([np.sin(turn), -np.cos(turn)])
    reach = GAP_MM + height / 2 + abs(np.sin(turn)) * width / 2
    centre_x = (low[0] + high[0]) / 2 + rng.uniform(-0.5, 0.5) * max(0.0, high[0] - low[0] - width)
    centres = [np.array([centre_x, high[1] + reach]), np.array([centre_x, low[1] - reach])]
    middle = np.array(camera.centre)
    seen = [camera.pixels(np.array([[*c, out_mm]]))[0] for c in centres]
    centre = centres[int(np.argmin([abs(p[1] - middle[1]) for p in seen]))]
    corner = centre - along * width / 2 - down * height / 2
    if hidden:
        edge = round(hidden * tone.shape[1])
        cloth = linear(np.array((70, 62, 58)))
        tone[:, :edge] = cloth
    _paste(picture, camera, out_mm, tone, scale, corner, along, down)
    corners = [corner, corner + along * width, corner + along * width + down * height]
    return {"corners_px": camera.pixels(np.array([[*c, out_mm] for c in corners])).tolist()}


def _card_grey() -> np.ndarray:
    """The printed sheet, (M, N) uint8 sRGB, drawn by OpenCV alone."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    board = cv2.aruco.CharucoBoard(SQUARES, SQUARE_MM, MARKER_MM, dictionary)
    size = [round(n * SQUARE_MM * PX_PER_MM) for n in SQUARES]
    drawn = board.generateImage(size, marginSize=0)
    left, top, right, bottom = (round((v + QUIET_MM) * PX_PER_MM) for v in PATCH_MM)
    quiet = round(QUIET_MM * PX_PER_MM)
    card = np.full((bottom + quiet, size[0] + 2 * quiet), 255, np.uint8)
    card[quiet : quiet + size[1], quiet : quiet + size[0]] = drawn
    card[top:bottom, left:right] = PATCH_GREY
    return card


def _paste(picture, camera, out_mm, tone, scale, corner, along, down) -> None:
    rows, cols = -(-camera.height_px // CELL_PX), -(-camera.width_px // CELL_PX)
    x, y = np.meshgrid(node_positions(0, cols), node_positions(0, rows))
    rays = camera.rays(x, y)
    t = (out_mm - camera.position[2]) / np.minimum(rays[..., 2], -0.05)
    at = (camera.position + t[..., None] * rays)[..., :2] - corner
    # Pixel centres at integers: the corner of the card is the corner of its first pixel.
    u = fill((at @ along) * scale - 0.5, CELL_PX)[: camera.height_px, : camera.width_px]
    v = fill((at @ down) * scale - 0.5, CELL_PX)[: camera.height_px, : camera.width_px]
    per_px = scale * float(np.linalg.norm(at[0, 0] - at[0, -1])) / camera.width_px
    soft = cv2.GaussianBlur(tone.astype(np.float32), (0, 0), max(0.4, 0.4 * per_px))
    drawn = cv2.remap(soft, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    height, width = tone.shape[:2]
    inside = (u > -0.5) & (u < width - 0.5) & (v > -0.5) & (v < height - 0.5)
    cover = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 0.5)[..., None]
    picture *= 1 - cover
    picture += cover * drawn
