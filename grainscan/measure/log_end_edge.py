"""The wood's edge on a log's end, placed to a part of a pixel on the photograph itself.

A lens spreads an edge by mixing light, and halves of light are not halves of L*: between pale wood
and dark bark an edge read in L*a*b* lies outside the true one. It is found there, where pale and
dark wood count alike, and placed in linear light (the sRGB curve of IEC 61966-2-1). A phone bends
its tones beyond that curve, so the distance between the two readings is the edge's error.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from grainscan.measure.rings_region import lab_colours

__all__ = ["placed_edge"]

FloatArray = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]

STEP = 0.15
"""Distance between samples along a radius, in pixels of the copy the line was found on."""

REACH = 1.7
"""How far the edge is looked for: the found line's own steps are 0.8 such pixels wide."""

BLUR = 0.7
"""Gaussian width over which the change of colour is taken."""

NEAR = 0.6
"""How far linear light may place the edge from where L*a*b* shows it."""

BESIDE = 3
"""Directions either side that are averaged, half a step of the line apart: pores and the pixels'
own noise weigh little, and no log bends within two degrees."""


def placed_edge(
    pixels: npt.NDArray[np.uint8], line_px: Array, middle_px: Array, unit_px: float
) -> tuple[Array, float]:
    """An edge found on a reduced copy, placed on the photograph; and how far it may be off.

    ``pixels`` (M, N, 3) uint8 RGB; ``line_px`` (K, 2): a closed line round ``middle_px`` (2,) in
    even directions; ``unit_px``: size of the reduced copy's pixel. Returns the line (K, 2) and, in
    pixels, the distance that 95 % of its points keep between the two readings.
    """
    away = line_px - middle_px
    turn = np.arctan2(-away[:, 1], away[:, 0])
    far = _evened(np.hypot(*away.T))
    reach = np.arange(-(REACH + 3 * BLUR), REACH + 3 * BLUR, STEP)
    lab = _change(pixels, middle_px, far, turn, reach * unit_px, lab_colours)
    light = _change(pixels, middle_px, far, turn, reach * unit_px, _linear_light)
    seen = _highest(lab, reach, np.zeros(len(far)), REACH)
    placed = _highest(light, reach, seen, NEAR)
    radius = far + placed * unit_px
    line = middle_px + np.stack([radius * np.cos(turn), -radius * np.sin(turn)], axis=1)
    return line, float(np.quantile(np.abs(seen - placed), 0.95)) * unit_px


def _linear_light(colours: npt.NDArray[np.uint8]) -> FloatArray:
    tone = colours.astype(np.float32) / np.float32(255.0)
    bent = ((tone + np.float32(0.055)) / np.float32(1.055)) ** np.float32(2.4)
    return np.asarray(np.where(tone <= 0.04045, tone / np.float32(12.92), bent), np.float32)


def _evened(far: Array) -> Array:
    """The line without the steps of the rows it was found in (mean over seven directions)."""
    wide = np.concatenate([far[-3:], far, far[:3]])
    return np.asarray(np.convolve(wide, np.full(7, 1 / 7), "valid"))


def _change(
    pixels: npt.NDArray[np.uint8],
    middle: Array,
    far: Array,
    turn: Array,
    reach_px: Array,
    colours_of: Callable[[npt.NDArray[np.uint8]], FloatArray],
) -> FloatArray:
    """Size of the colour change along the radii, (reach, direction)."""
    import cv2

    count = len(far)
    total = np.zeros((len(reach_px), count, 3), np.float32)
    for part in 0.5 * np.arange(-BESIDE, BESIDE + 1):
        way = turn + part * 2 * np.pi / count
        there = np.interp(np.arange(count) + part, np.arange(count), far, period=count)
        x = middle[0] + (there + reach_px[:, None]) * np.cos(way)
        y = middle[1] - (there + reach_px[:, None]) * np.sin(way)
        seen = cv2.remap(
            pixels,
            x.astype(np.float32),
            y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        total += colours_of(np.asarray(seen, np.uint8))
    smooth = cv2.GaussianBlur(total, (0, 0), sigmaX=0.01, sigmaY=BLUR / STEP)
    change = np.gradient(np.asarray(smooth, np.float32), axis=0)
    return np.asarray(np.sqrt((change**2).sum(axis=2)), np.float32)


def _highest(change: FloatArray, reach: Array, about: Array, within: float) -> Array:
    """Where each column is highest within a distance of a place, between samples."""
    allowed = np.abs(reach[:, None] - about[None, :]) <= within
    best = np.where(allowed, change, -1.0).argmax(axis=0).clip(1, len(reach) - 2)
    column = np.arange(change.shape[1])
    a, b, c = (change[best + k, column].astype(np.float64) for k in (-1, 0, 1))
    bend = np.minimum(a - 2 * b + c, -1e-9)
    return np.asarray(reach[best] + np.clip(0.5 * (a - c) / bend, -0.5, 0.5) * STEP)
