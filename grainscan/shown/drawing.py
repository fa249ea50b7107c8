"""Drawing on a photograph: cased lines, labels and the caption strip.

Everything is told apart by shape and words as well as by colour, and every line has a casing
of the opposite lightness, so that it is seen on pale maple and on dark walnut alike.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from grainscan.results import SortWord

__all__ = [
    "BLUE",
    "DARK",
    "PALE",
    "RUST",
    "Backdrop",
    "Canvas",
    "backdrop",
    "jpeg_bytes",
    "with_caption",
]

Colour = tuple[int, int, int]
Points = NDArray[np.float64] | Sequence[tuple[float, float]]

# Blue and rust differ for every kind of colour vision, and in lightness.
DARK: Colour = (22, 26, 30)
PALE: Colour = (250, 249, 245)
BLUE: Colour = (16, 84, 168)
RUST: Colour = (180, 58, 12)

# Lines are drawn this many times larger and reduced, for smooth edges.
_FINER = 3


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """A reduced part of a photograph to draw on.

    ``pixels``: (M, N, 3) uint8. A point (x, y) of the photograph lies on it at
    ``(x − origin + 0.5) · scale − 0.5``, pixel centres at integers in both.
    """

    pixels: NDArray[np.uint8]
    origin: tuple[int, int]
    scale: tuple[float, float]


def backdrop(pixels: NDArray[np.uint8], box: tuple[int, int, int, int], *, wide: int) -> Backdrop:
    """The part ``box`` (left, top, right, bottom) of a photograph, brought to ``wide`` pixels.

    A small part is enlarged three times at most.
    """
    left, top, right, bottom = box
    part = Image.fromarray(np.ascontiguousarray(pixels[top:bottom, left:right]))
    scale = min(wide / part.width, 3.0)
    size = (max(round(part.width * scale), 1), max(round(part.height * scale), 1))
    reduced = part.resize(size, Image.Resampling.LANCZOS, reducing_gap=3.0)
    return Backdrop(
        pixels=np.array(reduced, dtype=np.uint8),
        origin=(left, top),
        scale=(size[0] / part.width, size[1] / part.height),
    )


class Canvas:
    """A drawing over a backdrop; points are given in the photograph's pixels.

    Widths of lines and letters are in units, of which the picture is ``units_across`` wide.
    """

    def __init__(self, behind: Backdrop, *, units_across: float) -> None:
        self._picture = Image.fromarray(behind.pixels)
        self._scale, self._origin = behind.scale, behind.origin
        size = self._picture.size
        self._layer = Image.new("RGBA", (size[0] * _FINER, size[1] * _FINER), (0, 0, 0, 0))
        self._draw = ImageDraw.Draw(self._layer)
        self.unit = max(size[0] / units_across, 0.8)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in drawn pixels."""
        return self._picture.size

    def drawn(self, points: Points) -> list[tuple[float, float]]:
        """Photograph points in drawn pixels (pixel centres at integers in both)."""
        sx, sy = self._scale
        left, top = self._origin
        return [
            ((float(x) - left + 0.5) * sx - 0.5, (float(y) - top + 0.5) * sy - 0.5)
            for x, y in points
        ]

    def line(
        self,
        points: Points,
        colour: Colour,
        casing: Colour,
        *,
        width: float = 2.0,
        closed: bool = False,
        is_drawn: bool = False,
    ) -> None:
        """A line with its casing; ``width`` in units."""
        placed = list(points) if is_drawn else self.drawn(points)
        fine = [((x + 0.5) * _FINER, (y + 0.5) * _FINER) for x, y in placed]
        if closed:
            fine.append(fine[0])
        thick = width * self.unit * _FINER
        for extra, shade in ((1.6 * self.unit * _FINER, casing), (0.0, colour)):
            self._draw.line(fine, (*shade, 255), round(thick + extra), joint="curve")

    def dashed(self, points: Points, colour: Colour, casing: Colour, *, width: float) -> None:
        """A straight dashed line between two drawn points."""
        (x0, y0), (x1, y1) = points
        count = max(int(math.hypot(x1 - x0, y1 - y0) / (14 * self.unit)), 1)
        for k in range(0, count, 2):
            a, b = k / count, (k + 1) / count
            dash = [(x0 + (x1 - x0) * s, y0 + (y1 - y0) * s) for s in (a, b)]
            self.line(dash, colour, casing, width=width, is_drawn=True)

    def triangle(self, at: tuple[float, float], down: bool, colour: Colour, casing: Colour) -> None:
        """A small pointer whose tip is at a drawn point."""
        x, y = (at[0] + 0.5) * _FINER, (at[1] + 0.5) * _FINER
        half, tall = 6.0 * self.unit * _FINER, 11.0 * self.unit * _FINER
        away = -tall if down else tall
        shape = [(x, y), (x - half, y + away), (x + half, y + away)]
        self._draw.polygon(shape, (*colour, 255), (*casing, 255), round(1.4 * self.unit * _FINER))

    def label(self, text: str, centre: tuple[float, float], colour: Colour = DARK) -> None:
        """Words on a plate, kept inside the picture; ``centre`` in drawn pixels."""
        font = _font(round(17 * self.unit * _FINER))
        pad = 5 * self.unit * _FINER
        box = font.getbbox(text)
        width, height = box[2] - box[0] + 2 * pad, box[3] - box[1] + 2 * pad
        x = min(max(centre[0] * _FINER - width / 2, 0), self._layer.width - width)
        y = min(max(centre[1] * _FINER - height / 2, 0), self._layer.height - height)
        self._draw.rounded_rectangle((x, y, x + width, y + height), 3 * self.unit, (*colour, 255))
        self._draw.text((x + pad - box[0], y + pad - box[1]), text, (*PALE, 255), font)

    def finished(self) -> NDArray[np.uint8]:
        """The picture as drawn, (M, N, 3) uint8."""
        picture = self._picture.convert("RGBA")
        picture.alpha_composite(self._layer.resize(self._picture.size, Image.Resampling.BOX))
        return np.array(picture.convert("RGB"), dtype=np.uint8)


def with_caption(
    picture: NDArray[np.uint8], sort: SortWord | None, title: str, text: str
) -> NDArray[np.uint8]:
    """The picture with a strip below it: the word's shape if there is one, a title, and text."""
    strip = np.array(_caption(picture.shape[1], sort, title, text), dtype=np.uint8)
    return np.concatenate([picture, strip], axis=0)


def jpeg_bytes(picture: NDArray[np.uint8]) -> bytes:
    """A picture as a JPEG file's content."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=88, optimize=True)
    return out.getvalue()


def _caption(width: int, sort: SortWord | None, title: str, text: str) -> Image.Image:
    size = min(max(width / 52.0, 13.0), 24.0)
    big, small = _font(round(size * 1.25)), _font(round(size))
    per_line = max(int((width - 5 * size) / (0.5 * size)), 20)
    lines = textwrap.wrap(text, per_line)
    height = round(size * (2.9 + 1.35 * len(lines)))
    strip = Image.new("RGB", (width * _FINER, height * _FINER), DARK)
    if sort is not None:
        _sort_mark(ImageDraw.Draw(strip), sort, size * _FINER)
    strip = strip.resize((width, height), Image.Resampling.BOX)
    draw = ImageDraw.Draw(strip)
    draw.text((3.4 * size, 0.7 * size), title, PALE, big)
    for k, line in enumerate(lines):
        draw.text((3.4 * size, size * (2.35 + 1.35 * k)), line, PALE, small)
    return strip


def _sort_mark(draw: ImageDraw.ImageDraw, sort: SortWord, size: float) -> None:
    """Keep: a disc with a tick. Check: a triangle. Set aside: a square with a cross."""
    x, y, r = 1.8 * size, 1.6 * size, 0.95 * size
    thick = round(0.22 * size)
    if sort == "keep":
        draw.ellipse((x - r, y - r, x + r, y + r), PALE)
        tick = [(x - 0.5 * r, y), (x - 0.1 * r, y + 0.42 * r), (x + 0.5 * r, y - 0.42 * r)]
        draw.line(tick, DARK, thick, joint="curve")
    elif sort == "check":
        draw.polygon([(x, y - r), (x + 1.1 * r, y + 0.85 * r), (x - 1.1 * r, y + 0.85 * r)], PALE)
        draw.line([(x, y - 0.35 * r), (x, y + 0.28 * r)], DARK, thick)
        draw.line([(x, y + 0.46 * r), (x, y + 0.68 * r)], DARK, thick)
    else:
        draw.rectangle((x - r, y - r, x + r, y + r), PALE)
        for sign in (-1, 1):
            ends = [(x - 0.5 * r, y - 0.5 * sign * r), (x + 0.5 * r, y + 0.5 * sign * r)]
            draw.line(ends, DARK, thick)


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size)
    assert isinstance(font, ImageFont.FreeTypeFont), "Pillow was built without FreeType"
    return font
