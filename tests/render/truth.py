"""What is true of a rendered blank, worked out from the log and the solid alone (no pixels).

Angles and signs: fibre angle on face A tan a = −fy/fz, on face B tan b = fx/fz, each against the
mean direction of that face's two long edges at the station; positive = counter-clockwise in the
photograph. Ring boundaries are the outer edges of latewood.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from tests.render.body import Body
from tests.render.knots import face_trouble
from tests.render.log import Log
from tests.render.spec import BlankSpec
from tests.render.wood import Wood

STATIONS = 41
ACROSS = 9


def _unit(v):
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def face_frame(body: Body, face: str, at: np.ndarray):
    """Along, up (in the photograph) and outward unit vectors of a face at stations, (N, 3) each."""
    step = 1e-4
    lo, hi = np.clip(at - step, 0, 1), np.clip(at + step, 0, 1)
    tops, bottoms = body.face_edges(face, lo), body.face_edges(face, hi)
    along = _unit(_unit(bottoms[0] - tops[0]) + _unit(bottoms[1] - tops[1]))
    upper, lower = body.face_edges(face, at)
    up = upper - lower
    up = _unit(up - (up * along).sum(-1, keepdims=True) * along)
    return along, up, np.cross(along, up)


def face_points(body: Body, face: str, at: np.ndarray, across: int = ACROSS) -> np.ndarray:
    """Points (N, across, 3) on a face, away from its very edges."""
    upper, lower = body.face_edges(face, at)
    share = (np.arange(across) + 0.5) / across
    return upper[:, None, :] + share[None, :, None] * (lower - upper)[:, None, :]


def face_truth(log: Log, body: Body, face: str, stations: int = STATIONS) -> dict[str, Any]:
    at = np.linspace(0, 1, stations)
    along, up, _ = face_frame(body, face, at)
    points = face_points(body, face, at)
    f = log.fibre(points)
    slope = (f * up[:, None]).sum(-1) / (f * along[:, None]).sum(-1)
    angle = np.degrees(np.arctan(slope))
    n = log.ring_normal(points)
    # The stripe is where the ring surface meets the face: at right angles to the normal's share.
    stripe = np.arctan2(-(n * along[:, None]).sum(-1), (n * up[:, None]).sum(-1))
    doubled = np.exp(2j * stripe).mean()
    upper, lower = body.face_edges(face, np.linspace(0, 1, 101))
    middle = (upper + lower) / 2
    chord = _unit(middle[-1] - middle[0])
    mean_up = _unit(up.mean(axis=0))
    mean_up = _unit(mean_up - mean_up.dot(chord) * chord)
    bend = (middle - middle[0]) @ mean_up
    far = int(np.argmax(np.abs(bend)))
    return {
        "at": at.tolist(),
        "angle_deg": angle.mean(axis=1).tolist(),
        "angle_spread_deg": angle.std(axis=1).tolist(),
        "mean_angle_deg": float(angle.mean()),
        "mean_tan": float(slope.mean()),
        "ring_stripe_deg": float(np.degrees(np.angle(doubled)) / 2),
        "ring_stripe_concentration": float(abs(doubled)),
        "sweep_mm": float(abs(bend[far])),
        "sweep_up_mm": float(bend[far]),
        "edge_wedge_deg": float(body_wedge_deg(upper, lower, mean_up, chord)),
    }


def body_wedge_deg(upper, lower, up, along) -> float:
    """Angle between the two long edges' chords (the face tapers)."""
    a, b = upper[-1] - upper[0], lower[-1] - lower[0]
    return math.degrees(math.atan2(a @ up, a @ along) - math.atan2(b @ up, b @ along))


def axis_truth(log: Log, body: Body, stations: int = STATIONS) -> dict[str, Any]:
    """Fibre on the blank's axis, in the blank's own turning frame (x out of face A)."""
    at = np.linspace(0, 1, stations)
    z = (at - 0.5) * body.spec.length_mm
    points = body.place(np.zeros_like(z), np.zeros_like(z), z)
    f = log.fibre(points)
    n = log.ring_normal(points)
    along_a, up_a, _ = face_frame(body, "a", at)
    along_b, up_b, _ = face_frame(body, "b", at)
    along = _unit(along_a + along_b)
    fy = -(f * up_a).sum(-1)
    fx = (f * up_b).sum(-1)
    local = _unit(np.stack([fx, fy, (f * along).sum(-1)], axis=1))
    tan_a, tan_b = -local[:, 1] / local[:, 2], local[:, 0] / local[:, 2]
    tangential = _unit(np.cross(n, np.broadcast_to([0.0, 0.0, 1.0], n.shape)))
    lean_t = np.degrees(np.arctan((local * tangential).sum(-1) / local[:, 2]))
    radial = _unit(n - n[:, 2:3] * np.array([0.0, 0.0, 1.0]))
    lean_r = np.degrees(np.arctan((local * radial).sum(-1) / local[:, 2]))
    return {
        "at": at.tolist(),
        "f": local.tolist(),
        "mean_tan_a": float(tan_a.mean()),
        "mean_tan_b": float(tan_b.mean()),
        "tangential_lean_deg": float(lean_t.mean()),
        "radial_lean_deg": float(lean_r.mean()),
        "largest_fibre_dot_ring_normal": float(np.abs((f * n).sum(-1)).max()),
    }


def slope_truth(a: dict[str, Any], b: dict[str, Any]) -> dict[str, Any]:
    tan_a, tan_b = a["mean_tan"], b["mean_tan"]
    tangents = np.hypot(np.tan(np.radians(a["angle_deg"])), np.tan(np.radians(b["angle_deg"])))
    worst = int(np.argmax(tangents))
    total = math.hypot(tan_a, tan_b)
    return {
        "angle_deg": math.degrees(math.atan(total)),
        "one_in": 1 / total if total > 1e-4 else None,
        "mean_tan_a": tan_a,
        "mean_tan_b": tan_b,
        "at": a["at"],
        "theta_deg": np.degrees(np.arctan(tangents)).tolist(),
        "steepest": {
            "at": a["at"][worst],
            "angle_deg": math.degrees(math.atan(float(tangents[worst]))),
        },
    }


def _crossings(log: Log, points: np.ndarray) -> np.ndarray:
    """Shares of the line ``points`` (N, 3) at which ring boundaries cross it."""
    rho = log.ring_radius(points)
    share = np.linspace(0, 1, len(points))
    found = []
    for boundary in log.boundaries_mm[1:]:
        d = rho - boundary
        for k in np.flatnonzero(np.sign(d[:-1]) * np.sign(d[1:]) < 0):
            found.append(share[k] + (share[k + 1] - share[k]) * d[k] / (d[k] - d[k + 1]))
    return np.sort(np.array(found))


def end_truth(log: Log, body: Body, wood: Wood) -> dict[str, Any]:
    corners = body.end_corners()
    left_top, right_top, right_bottom, left_bottom = corners
    centre = corners.mean(axis=0)
    right = _unit(right_top - left_top)
    out = _unit(np.cross(right, left_top - left_bottom))
    up = np.cross(out, right)
    n = log.ring_normal(centre)
    direction = math.degrees(math.atan2(-(n @ right), n @ up))
    direction = -((-direction + 90) % 180 - 90)
    t = np.linspace(0, 1, 4001)[:, None]
    middle_left, middle_right = (left_top + left_bottom) / 2, (right_top + right_bottom) / 2
    middle_top, middle_bottom = (left_top + right_top) / 2, (left_bottom + right_bottom) / 2
    along_a = _crossings(log, middle_left + t * (middle_right - middle_left))
    along_b = _crossings(log, middle_top + t * (middle_bottom - middle_top))
    across = _unit(n @ right * right + n @ up * up)
    reach = _reach(centre, across, corners, right, up)
    line = centre + (reach[0] + t * (reach[1] - reach[0])) * across
    marks = _crossings(log, line) * (reach[1] - reach[0])
    widths = np.diff(marks)
    width = (
        float(np.linalg.norm(right_top - left_top) + np.linalg.norm(right_bottom - left_bottom)) / 2
    )
    height = (
        float(np.linalg.norm(left_top - left_bottom) + np.linalg.norm(right_top - right_bottom)) / 2
    )
    mean = float(widths.mean()) if len(widths) else _local_ring_mm(log, centre)
    pith = _pith(log, centre)
    share = _latewood_share(log, wood, line)
    return {
        "width_mm": width,
        "height_mm": height,
        "ring_direction_deg": direction,
        "rings": len(marks),
        "mean_ring_mm": mean,
        "rings_per_inch": 25.4 / mean,
        "latewood_share": share,
        "boundaries": {"along_a": along_a.tolist(), "along_b": along_b.tolist()},
        "pith": [float((pith - centre) @ right / width), float((pith - centre) @ up / width)],
        "bark_direction_deg": math.degrees(math.atan2(n @ up, n @ right)),
        "ring_radius_mm": float(log.ring_radius(centre)),
    }


def _reach(centre, across, corners, right, up):
    """How far the line through the centre runs inside the section, both ways."""
    flat = np.stack([(corners - centre) @ right, (corners - centre) @ up], axis=1)
    d = np.array([across @ right, across @ up])
    hits = []
    for p, q in zip(flat, np.roll(flat, -1, axis=0), strict=True):
        e = q - p
        det = d[0] * -e[1] + d[1] * e[0]
        if abs(det) < 1e-12:
            continue
        t = (p[0] * -e[1] + p[1] * e[0]) / det
        k = (d[0] * p[1] - d[1] * p[0]) / det
        if -1e-9 <= k <= 1 + 1e-9:
            hits.append(t)
    return min(hits), max(hits)


def _local_ring_mm(log, centre):
    rho = float(log.ring_radius(centre))
    k = int(np.searchsorted(log.boundaries_mm, rho))
    return float(log.boundaries_mm[k] - log.boundaries_mm[k - 1])


def _pith(log, centre):
    """The pith in the plane z of the end's centre, by Newton's method on (u, v) = 0."""
    p = np.array([log.pith[0], log.pith[1], centre[2]])
    for _ in range(30):
        u, v, _ = log.material(p)
        gu, gv, _ = log._gradients(p, 1e-3)
        p[:2] -= np.linalg.solve(np.array([gu[:2], gv[:2]]), np.array([u, v]))
    return p


def _latewood_share(log, wood, line):
    """Mean latewood share of the rings the line passes through; None where woods have none."""
    rho = log.ring_radius(line)
    rings = np.unique(np.searchsorted(log.boundaries_mm, rho) - 1)
    shares = wood.late_share[np.clip(rings, 0, len(wood.late_share) - 1)]
    widths = np.diff(log.boundaries_mm)[np.clip(rings, 0, len(wood.late_share) - 1)]
    return None if np.isnan(shares).any() else float((shares * widths).sum() / widths.sum())


def spiral_deg(log: Log, body: Body) -> float:
    """Mean lean in the tangential plane against the log's own axis, seen from the bark."""
    z = np.linspace(-0.5, 0.5, STATIONS) * body.spec.length_mm
    points = body.place(np.zeros_like(z), np.zeros_like(z), z)
    f, n = log.fibre(points), log.ring_normal(points)
    axis = _unit(np.array([*log.axis_slope, 1.0]))
    tangential = _unit(np.cross(n, axis))
    return float(np.degrees(np.arctan((f * tangential).sum(-1) / (f @ axis))).mean())


def knots_truth(log: Log, body: Body) -> list[dict[str, Any]]:
    """Where each knot's axis leaves the blank through face A or B (or an unseen face)."""
    spec = body.spec
    out = -log.pith / np.linalg.norm(log.pith)
    found = []
    for knot in spec.knots:
        z = (knot.at - 0.5) * spec.length_mm
        start = log.pith + knot.offset_mm * np.array([-out[1], out[0]])
        reach = np.arange(0.0, 2 * np.linalg.norm(log.pith) + 100, 0.1)
        path = start + reach[:, None] * out
        points = log.from_log_frame(np.column_stack([path - log.pith, np.full(len(path), z)]))
        levels = np.array([body.level(f, points) for f in ("a", "b", "a_under", "b_under")])
        inside = np.flatnonzero((levels < 0).all(axis=0))
        through = ["a", "b", "a_under", "b_under"]
        for k in [inside[0], inside[-1]] if len(inside) else []:
            face = through[int(np.argmax(levels[:, k]))]
            found.append(
                {
                    "face": face,
                    "at": float(points[k, 2] / spec.length_mm + 0.5),
                    "p_mm": float(points[k, 0]),
                    "q_mm": float(points[k, 1]),
                    "radius_mm": knot.radius_mm,
                }
            )
    return sorted(found, key=lambda k: k["face"])


def blank_truth(spec: BlankSpec, log: Log, body: Body, wood: Wood) -> dict[str, Any]:
    """Everything that does not depend on the camera."""
    a, b = face_truth(log, body, "a"), face_truth(log, body, "b")
    return {
        "blank": spec.name,
        "species": spec.species,
        "species_kind": spec.kind,
        "made": spec.made,
        "faces": {"a": a, "b": b},
        "slope": slope_truth(a, b),
        "fibre": axis_truth(log, body),
        "end": end_truth(log, body, wood),
        "spiral_deg": spiral_deg(log, body),
        "knots": knots_truth(log, body),
        **({"trouble": {f: face_trouble(log, body, f) for f in "ab"}} if spec.knots else {}),
        "spec": asdict(spec),
    }
