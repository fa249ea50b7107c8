"""Things people leave on wood: pencil, saw and drawknife marks, stains, a roughly cut end.

Each mark is a factor on the surface's brightness as a function of place on the face: ``z`` along
it and ``c`` across it, in mm (on the end, the two directions of the section).
"""

from __future__ import annotations

import math

import cv2
import numpy as np

F = np.float32


class Marks:
    """The marks of one photographed face, drawn once from the photograph's own generator."""

    def __init__(self, names, length_mm: float, width_mm: float, rng: np.random.Generator) -> None:
        self.length, self.width = length_mm, width_mm
        self.grain = cv2.GaussianBlur(rng.standard_normal((512, 512), dtype=F), (0, 0), 1.5)
        self.grain /= self.grain.std()
        self.makers = [
            (getattr(self, "_" + name.replace("-", "_")), self._draws(name, rng)) for name in names
        ]

    def _draws(self, name, rng):
        draws = {
            "share": float(rng.uniform(0.12, 0.88)),
            "turn": float(rng.normal(0, 1)),
            "size": float(rng.uniform(0, 1)),
            "strength": float(rng.uniform(0.7, 1.2)),
            "phase": float(rng.uniform(0, 50)),
        }
        if name == "drawknife":
            draws["facets"] = rng.uniform(-1, 1, (40, 4)).astype(F)
        if name == "stain":
            draws["blobs"] = rng.uniform(0, 1, (6, 4))
        return draws

    def factor(self, z, c):
        total = np.ones_like(z)
        for maker, draws in self.makers:
            total *= maker(z, c, draws)
        return total

    def _noise(self, p, q):
        return cv2.remap(self.grain, np.mod(p, F(511)), np.mod(q, F(511)), cv2.INTER_LINEAR)

    def _line(self, distance, along, half_mm, strength):
        wander = F(0.08) * np.sin(along * F(0.31)) + F(0.05) * np.sin(along * F(1.1))
        inside = np.clip((F(half_mm) - np.abs(distance + wander)) / F(0.12) + F(0.5), 0, 1)
        tooth = np.clip(F(0.75) + F(0.25) * self._noise(along * F(5), distance * F(9)), 0.2, 1)
        return F(1) - F(0.55 * strength) * inside * tooth

    def _pencil_across(self, z, c, d):
        at = (d["share"] - 0.5) * self.length
        return self._line(
            z - F(at) - c * F(0.03 * d["turn"]), c, 0.3 + 0.15 * d["size"], d["strength"]
        )

    def _pencil_along(self, z, c, d):
        slope = math.tan(math.radians(0.5 * d["turn"]))
        return self._line(
            c - F((d["share"] - 0.5) * 0.8 * self.width) - z * F(slope),
            z,
            0.28 + 0.12 * d["size"],
            d["strength"],
        )

    def _saw(self, z, c, d):
        pitch = 1.4 + 2.6 * d["size"]
        lean = math.tan(math.radians(9 * d["turn"]))
        t = (z + c * F(lean) + c * c * F(0.0015)) * F(2 * math.pi / pitch) + F(d["phase"])
        t = t + F(0.7) * np.sin(z * F(0.21) + F(d["phase"]))
        deep = F(0.6) + F(0.4) * np.sin(z * F(0.043) + F(3 * d["phase"]))
        return F(1) + F(0.055 * d["strength"]) * deep * (np.sin(t) + F(0.35) * np.sin(F(2) * t))

    def _drawknife(self, z, c, d):
        total = np.ones_like(z)
        for place, slope, end, tone in d["facets"]:
            middle = F(place * 0.6 * self.width) + z * F(0.05 * slope)
            start = F(end * 0.6 * self.length)
            stop = start + F(self.length * (0.25 + 0.2 * abs(float(tone))))
            half = F(self.width * 0.14)
            across = np.clip((half - np.abs(c - middle)) / F(0.25), 0, 1)
            along = np.clip((z - start) / F(2), 0, 1) * np.clip((stop - z) / F(10), 0, 1)
            total += F(0.08) * tone * across * along
        return total

    def _stain(self, z, c, d):
        total = np.ones_like(z)
        for p, q, size, tone in d["blobs"]:
            dz = z - F((p - 0.5) * self.length)
            dc = c - F((q - 0.5) * self.width)
            radius = F(4 + 18 * size) * (
                F(1) + F(0.10) * self._noise(z * F(1.2) + F(40 * p), c * F(1.2))
            )
            total *= F(1) - F(0.10 + 0.22 * tone) * np.clip(
                (radius - np.sqrt(dz * dz * F(0.4) + dc * dc)) / F(6), 0, 1
            )
        return total


class RoughEnd:
    """An end left from the saw: kerf lines, torn fibres, dulled pores."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.turn = float(rng.uniform(0, math.pi))
        self.pitch = float(rng.uniform(0.7, 1.6))
        self.depth = float(rng.uniform(0.05, 0.11))
        self.fuzz = cv2.GaussianBlur(rng.standard_normal((512, 512), dtype=F), (0, 0), 1.2)
        self.fuzz /= self.fuzz.std()
        self.phase = rng.uniform(0, 6.28, 4)

    def factor(self, p, q):
        c, s = F(math.cos(self.turn)), F(math.sin(self.turn))
        along, across = c * p + s * q, c * q - s * p
        across = across + F(0.25) * np.sin(along * F(0.22) + F(self.phase[0]))
        t = across * F(2 * math.pi / self.pitch)
        kerf = np.sin(t + F(self.phase[1])) + F(0.6) * np.sin(t * F(0.43) + F(self.phase[2]))
        torn = cv2.remap(
            self.fuzz,
            np.mod(along * F(5), F(511)),
            np.mod(across * F(11), F(511)),
            cv2.INTER_LINEAR,
        )
        return F(1) + F(self.depth) * kerf * (F(0.7) + F(0.3) * torn) + F(0.07) * torn
