"""The log: where each point of the blank lies in the tree, and which way its fibres run.

A fibre is a curve of constant (u, v), the position it had in the straight, untwisted, untapered
log; s runs along the log. The map from the blank to (u, v, s) is written down in closed form
(`Log.material`), so the fibre direction is ∇u × ∇v without any approximation beyond the step of
the finite difference. Rings are level sets of ρ(u, v): every fibre lies in a ring surface.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.render.spec import BlankSpec, Knot

TABLE_STEP_MM = 0.01
KNOT_STRETCH = 1.8  # the disturbed zone round a knot is longer than wide
KNOT_SWEEP = 0.8  # how far rings are drawn out along a branch, in its radii


@dataclass(frozen=True)
class Waves:
    """A sum of sines along one coordinate or over the plane: amplitude, wave vector, phase."""

    terms: tuple[tuple[float, float, float, float], ...]  # amplitude, k1, k2, phase

    def at(self, p, q=0.0):
        total = 0.0
        for amplitude, k1, k2, phase in self.terms:
            total = total + amplitude * np.sin(k1 * p + k2 * q + phase)
        return total


def _swing(rng: np.random.Generator, angle_deg: float, wavelength: float) -> Waves:
    """A displacement along s whose slope swings by about ``angle_deg`` (root mean square)."""
    terms = []
    shares = rng.dirichlet([2.0, 2.0, 2.0])
    for share in shares:
        length = wavelength * rng.uniform(0.7, 1.5)
        k = 2 * math.pi / length
        slope = math.radians(angle_deg) * math.sqrt(2.0 * share)
        terms.append((float(slope / k), float(k), 0.0, float(rng.uniform(0, 2 * math.pi))))
    return Waves(tuple(terms))


class Log:
    """The tree the blank was taken from, placed in the blank's frame."""

    def __init__(self, spec: BlankSpec) -> None:
        self.spec = spec
        rng = np.random.default_rng([spec.seed, 11])
        azimuth = math.radians(spec.pith_azimuth_deg)
        # On the end photo right is −y and up is x.
        self.pith = np.array(
            [spec.pith_distance_mm * math.sin(azimuth), -spec.pith_distance_mm * math.cos(azimuth)]
        )
        self.swing_x = _swing(rng, spec.wander_deg / math.sqrt(2), spec.wander_wavelength_mm)
        self.swing_y = _swing(rng, spec.wander_deg / math.sqrt(2), spec.wander_wavelength_mm)
        self.turn_waves = Waves(
            tuple(
                (
                    float(a),
                    float(2 * math.pi / rng.uniform(150, 500)),
                    float(rng.uniform(-0.03, 0.03)),
                    float(rng.uniform(0, 2 * math.pi)),
                )
                for a in rng.uniform(0.0, 0.25, 3) * spec.wander_deg
            )
        )
        irregular = []
        for _ in range(5):
            length, turn = rng.uniform(14, 70), rng.uniform(0, 2 * math.pi)
            k = 2 * math.pi / length
            irregular.append(
                (
                    float(spec.ring_irregularity_mm * length / 45 * rng.uniform(0.2, 0.8)),
                    float(k * math.cos(turn)),
                    float(k * math.sin(turn)),
                    float(rng.uniform(0, 2 * math.pi)),
                )
            )
        self.irregular = Waves(tuple(irregular))
        self.boundaries_mm = _ring_boundaries(spec, rng)
        self.axis_slope = np.zeros(2)
        # The log is placed by its general run; a knot's swirl turns no log.
        self.knots: tuple[Knot, ...] = ()
        self._aim()
        self.knots = spec.knots

    # ---- placing the log so that the mean fibre direction is the one asked for

    def _aim(self) -> None:
        spec = self.spec
        want = np.array(
            [math.tan(math.radians(spec.runout_b_deg)), -math.tan(math.radians(spec.runout_a_deg))]
        )
        for _ in range(5):
            line = self.fibre_line(steps=14) if spec.made == "riven" else self._straight_line()
            f = self.fibre(line)
            mean = np.array([np.mean(f[:, 0] / f[:, 2]), np.mean(f[:, 1] / f[:, 2])])
            self.axis_slope = self.axis_slope + (want - mean)

    def _straight_line(self) -> np.ndarray:
        z = np.linspace(-0.5, 0.5, 81) * self.spec.length_mm
        return np.stack([np.zeros_like(z), np.zeros_like(z), z], axis=1)

    def fibre_line(self, start=(0.0, 0.0), steps: int = 40) -> np.ndarray:
        """The fibre through ``start`` at mid-length, (2·steps + 1, 3), by Runge-Kutta in z."""
        half = self.spec.length_mm / 2
        sides = []
        for sign in (-1.0, 1.0):
            h = sign * half / steps
            p = np.array([start[0], start[1], 0.0])
            points = []
            for _ in range(steps):
                k1 = self._rise(p)
                k2 = self._rise(p + 0.5 * h * k1)
                k3 = self._rise(p + 0.5 * h * k2)
                k4 = self._rise(p + h * k3)
                p = p + h * (k1 + 2 * k2 + 2 * k3 + k4) / 6
                points.append(p)
            sides.append(points)
        return np.array([*sides[0][::-1], [start[0], start[1], 0.0], *sides[1]])

    def _rise(self, p: np.ndarray) -> np.ndarray:
        f = self.fibre(p)
        return f / f[2]

    # ---- the map

    def material(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(u, v, s) of points (…, 3) in the blank's frame."""
        spec = self.spec
        p, q, s = self._log_frame(points)
        for knot in self.knots:
            p, q = self._around(knot, p, q, s)
        along = s / (spec.length_mm / 2)
        p = p - self.swing_x.at(s) - spec.log_bow_x_mm * (1 - along**2)
        q = q - self.swing_y.at(s) - spec.log_bow_y_mm * (1 - along**2)
        shrink = 1 - spec.taper_mm_per_m / 2000 * s / spec.log_radius_mm
        p, q = p / shrink, q / shrink
        r = np.hypot(p, q)
        turn = self._turn(r, s)
        c, d = np.cos(turn), np.sin(turn)
        return c * p + d * q, c * q - d * p, s

    def _log_frame(self, points):
        """Cross and axial distances from the pith's place at mid-length."""
        first, second, axis = self._axes()
        x = points[..., 0] - self.pith[0]
        y = points[..., 1] - self.pith[1]
        z = points[..., 2]
        p = first[0] * x + first[1] * y + first[2] * z
        q = second[0] * x + second[1] * y + second[2] * z
        s = axis[0] * x + axis[1] * y + axis[2] * z
        return p, q, s

    def _axes(self) -> np.ndarray:
        """The log's two cross directions and its axis (rows), in the blank's frame."""
        tx, ty = self.axis_slope
        a, b, c = np.array([tx, ty, 1.0]) / math.sqrt(1 + tx * tx + ty * ty)
        # The rotation that turns z onto the log's axis by the shortest way.
        return np.array(
            [
                [c + b * b / (1 + c), -a * b / (1 + c), -a],
                [-a * b / (1 + c), c + a * a / (1 + c), -b],
                [a, b, c],
            ]
        )

    def from_log_frame(self, local: np.ndarray) -> np.ndarray:
        """Points of the blank's frame from cross and axial distances in the log (no bending)."""
        points = local @ self._axes()
        return points + np.array([self.pith[0], self.pith[1], 0.0])

    def _turn(self, r, s):
        """Angle (rad) by which the fibres at radius r have wound round the pith at height s."""
        spec = self.spec
        reach = np.sqrt(r * r + 20.0**2)
        angle = spec.spiral_deg + spec.spiral_change_deg * (r - spec.pith_distance_mm) / 50
        # Positive leans the fibres counter-clockwise as seen from outside the bark, z right.
        lean = -np.tan(np.radians(angle)) * s
        wobble = 0.0
        for a, k, kr, phase in self.turn_waves.terms:
            wobble = wobble + math.radians(a) / k * np.sin(k * s + kr * r + phase)
        return (lean + wobble) / reach

    def _around(self, knot, p, q, s):
        """Fibres part round a knot like a stream round a post (potential flow), and on all its
        sides are swept outwards along the branch, as the rings are."""
        ex, ey = self._knot_direction()
        t, z, out = self._from_axis(knot, p, q, s)
        z = z / KNOT_STRETCH
        r2 = knot.radius_mm**2
        flat2 = t * t + z * z
        # Smoothly held at the knot's own edge: inside it is not this wood but the branch's.
        d2 = np.cbrt(flat2**3 + r2**3)
        beyond = np.maximum(out, 0.0) / (1.5 * knot.radius_mm)
        healed = np.exp(-(beyond**2))
        move = -t * r2 / d2 * np.exp(-d2 / (25 * r2)) * healed
        swept = KNOT_SWEEP * knot.radius_mm * np.exp(-flat2 / (2.0 * r2)) * healed
        return p - ey * move - ex * swept, q + ex * move - ey * swept

    def _from_axis(self, knot, p, q, s):
        """Across and along from a knot's axis, and how far beyond the branch's end (mm)."""
        ex, ey = self._knot_direction()
        across = -ey * p + ex * q - knot.offset_mm
        along = s - (knot.at - 0.5) * self.spec.length_mm
        end = np.inf if knot.ended_mm is None else knot.ended_mm
        return across, along, ex * p + ey * q - end

    def knot_distance(self, points: np.ndarray) -> np.ndarray:
        """Distance from the nearest knot's axis in units of its radius (inf without knots)."""
        best = np.full(points.shape[:-1], np.inf)
        p, q, s = self._log_frame(points)
        for knot in self.spec.knots:
            t, z, out = self._from_axis(knot, p, q, s)
            # A dead branch ends rounded.
            over = np.maximum(out + 0.5 * knot.radius_mm, 0.0)
            best = np.minimum(best, np.sqrt(t * t + (z / 1.15) ** 2 + over**2) / knot.radius_mm)
        return best

    def _knot_direction(self) -> tuple[float, float]:
        """From the pith to the blank: the way every knot's axis runs."""
        norm = math.hypot(*self.pith)
        return -self.pith[0] / norm, -self.pith[1] / norm

    def rho(self, u, v):
        """Ring coordinate in mm: radius plus the rings' own irregularity."""
        return np.hypot(u, v) + self.irregular.at(u, v)

    def ring_radius(self, points: np.ndarray) -> np.ndarray:
        u, v, _ = self.material(points)
        return self.rho(u, v)

    def fibre(self, points: np.ndarray, step: float = 1e-3) -> np.ndarray:
        """Unit fibre direction, fz > 0, at points (…, 3)."""
        gu, gv, _ = self._gradients(points, step)
        f = np.cross(gu, gv)
        f /= np.linalg.norm(f, axis=-1, keepdims=True)
        return f * np.sign(f[..., 2:3])

    def ring_normal(self, points: np.ndarray, step: float = 1e-3) -> np.ndarray:
        """Unit normal of the ring surface, from pith to bark."""
        _, _, gr = self._gradients(points, step)
        return gr / np.linalg.norm(gr, axis=-1, keepdims=True)

    def _gradients(self, points, step):
        points = np.asarray(points, dtype=float)
        gu, gv, gr = (np.empty(points.shape) for _ in range(3))
        for axis in range(3):
            d = np.zeros(3)
            d[axis] = step
            u1, v1, _ = self.material(points + d)
            u0, v0, _ = self.material(points - d)
            gu[..., axis] = (u1 - u0) / (2 * step)
            gv[..., axis] = (v1 - v0) / (2 * step)
            gr[..., axis] = (self.rho(u1, v1) - self.rho(u0, v0)) / (2 * step)
        return gu, gv, gr


def _ring_boundaries(spec: BlankSpec, rng: np.random.Generator) -> np.ndarray:
    """Radii of the ring boundaries: log-normal widths that remember last year's."""
    reach = spec.pith_distance_mm + math.hypot(spec.width_mm, spec.height_mm) + 40
    spread = math.sqrt(math.log(1 + spec.ring_variation**2))
    state = rng.normal(0, spread)
    radii = [0.0, 0.5 * spec.mean_ring_mm]
    while radii[-1] < reach:
        state = 0.6 * state + rng.normal(0, spread * math.sqrt(1 - 0.6**2))
        radii.append(radii[-1] + spec.mean_ring_mm * math.exp(state - spread**2 / 2))
    return np.array(radii)
