"""The blank as a solid: an axis, a section that may taper, wind and lean, two sawn ends."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from tests.render.log import Log
from tests.render.spec import BlankSpec

FACES = ("a", "b", "a_under", "b_under", "right", "left")


class Body:
    """A blank cut or riven from a `Log`; all six faces are level sets of smooth functions.

    Section coordinates at a station: ``p`` out of face A, ``q`` out of face B.
    """

    def __init__(self, spec: BlankSpec, log: Log) -> None:
        self.spec = spec
        self.log = log
        self.axis_x, self.axis_y = self._axis()
        self.shear = math.tan(math.radians(spec.squareness_deg))
        self.cut = (
            math.tan(math.radians(spec.end_cut_a_deg)),
            math.tan(math.radians(spec.end_cut_b_deg)),
        )

    def _axis(self) -> tuple[np.ndarray, np.ndarray]:
        """Cubics (highest power first) of z for the axis; zero for a sawn blank."""
        if self.spec.made != "riven":
            return np.zeros(1), np.zeros(1)
        spec = self.spec
        # Split along the wood's general run: the axis does not follow a swirl.
        clear = Log(replace(spec, knots=())) if spec.knots else self.log
        line = clear.fibre_line()
        z = line[:, 2]
        half = spec.length_mm / 2
        cubics = []
        for k in range(2):
            curve = np.polyfit(z, line[:, k], 3)
            ends = np.polyval(curve, [-half, half])
            curve[-2] -= (ends[1] - ends[0]) / spec.length_mm
            curve[-1] -= ends.mean()
            cubics.append(curve)
        return cubics[0], cubics[1]

    def centre(self, z):
        return np.polyval(self.axis_x, z), np.polyval(self.axis_y, z)

    def half_sizes(self, z):
        share = z / self.spec.length_mm
        return (
            self.spec.height_mm / 2 * (1 + self.spec.height_taper * share),
            self.spec.width_mm / 2 * (1 + self.spec.width_taper * share),
        )

    def section(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(p, q) of points (…, 3)."""
        z = points[..., 2]
        cx, cy = self.centre(z)
        x, y = points[..., 0] - cx, points[..., 1] - cy
        turn = math.radians(self.spec.wind_deg) * z / self.spec.length_mm
        c, s = np.cos(turn), np.sin(turn)
        p, q = c * x + s * y, c * y - s * x
        return p, q - self.shear * p

    def place(self, p, q, z) -> np.ndarray:
        """Points (…, 3) from section coordinates."""
        p, q, z = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (p, q, z)))
        q = q + self.shear * p
        turn = math.radians(self.spec.wind_deg) * z / self.spec.length_mm
        c, s = np.cos(turn), np.sin(turn)
        cx, cy = self.centre(z)
        return np.stack([cx + c * p - s * q, cy + s * p + c * q, z], axis=-1)

    def level(self, face: str, points: np.ndarray) -> np.ndarray:
        """Signed distance-like function of a face: 0 on it, negative inside the blank."""
        z = points[..., 2]
        half = self.spec.length_mm / 2
        if face == "right":
            return z + self.cut[0] * points[..., 0] + self.cut[1] * points[..., 1] - half
        if face == "left":
            return -z - half
        p, q = self.section(points)
        hp, hq = self.half_sizes(z)
        return {"a": p - hp, "a_under": -p - hp, "b": q - hq, "b_under": -q - hq}[face]

    def edge(self, sign_p: int, sign_q: int, at) -> np.ndarray:
        """The long edge with the given signs of p and q, at shares (N,) of the length: (N, 3)."""
        at = np.asarray(at, dtype=float)
        half = self.spec.length_mm / 2
        right = np.full(at.shape, half)
        for _ in range(4):
            hp, hq = self.half_sizes(right)
            end = self.place(sign_p * hp, sign_q * hq, right)
            right = half - self.cut[0] * end[..., 0] - self.cut[1] * end[..., 1]
        z = -half + at * (right + half)
        hp, hq = self.half_sizes(z)
        return self.place(sign_p * hp, sign_q * hq, z)

    def face_edges(self, face: str, at) -> tuple[np.ndarray, np.ndarray]:
        """Upper and lower long edge of face ``a`` or ``b`` as its photograph shows them."""
        if face == "a":
            return self.edge(1, -1, at), self.edge(1, 1, at)
        return self.edge(1, 1, at), self.edge(-1, 1, at)

    def end_corners(self) -> np.ndarray:
        """Corners of the right-hand end: left-top, right-top, right-bottom, left-bottom (4, 3)."""
        signs = ((1, 1), (1, -1), (-1, -1), (-1, 1))
        return np.array([self.edge(p, q, np.array([1.0]))[0] for p, q in signs])
