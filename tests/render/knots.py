"""Blanks with a knot: where it is put, and what is true of it on each face."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from tests.render.body import Body
from tests.render.log import Log
from tests.render.spec import BlankSpec, Knot, PhotoSpec, suite_case

LYINGS = ("within", "beside", "grown over")
NORMALS = {"a": np.array([1.0, 0.0]), "b": np.array([0.0, 1.0])}
REACH = 1.5  # a knot whose axis is this many radii off the face still lies beside it


def knot_case(seed: int) -> tuple[BlankSpec, PhotoSpec]:
    """A blank with one knot and how it is photographed.

    Half of the knots are cut by a face; the others lie beside its edge, or under it where the
    branch died and was grown over. The radius is a quarter to half a width of that face.
    """
    rng = np.random.default_rng([seed, 4])
    scene = str(rng.choice(["clean", "clutter", "hard", "square"], p=[0.55, 0.15, 0.15, 0.15]))
    blank, photo = suite_case(seed, scene)
    lying = str(rng.choice(LYINGS, p=[0.5, 0.25, 0.25]))
    face = str(rng.choice(["a", "b"]))
    if lying != "within":
        # The branch comes more or less squarely out of the face, which is on the bark side.
        out = math.degrees(math.atan2(*NORMALS[face][::-1])) + rng.normal(0, 20)
        blank = replace(blank, pith_azimuth_deg=_azimuth_deg(out))
    width = blank.width_mm if face == "a" else blank.height_mm
    radius = width * float(rng.uniform(0.25, 0.5))
    if lying == "beside":
        aside = 0.5 + float(rng.uniform(0.3, 1.3)) * radius / width
        across = aside * float(rng.choice([-1, 1]))
    else:
        across = float(rng.uniform(-0.45, 0.45))
    depth = float(rng.uniform(-0.3, 0.4)) * radius if lying == "grown over" else None
    at, bark = float(rng.uniform(0.12, 0.88)), bool(rng.random() < 0.3)
    return with_knot(blank, face, at, across, radius, under_mm=depth, bark=bark), photo


def _azimuth_deg(out_deg: float) -> float:
    """Where the pith lies in the end photograph if "out" has this direction from x towards y."""
    out = np.array([math.cos(math.radians(out_deg)), math.sin(math.radians(out_deg))])
    # On the end photograph right is −y and up is x; the pith lies against "out".
    return math.degrees(math.atan2(-out[0], out[1]))


def with_knot(
    blank: BlankSpec,
    face: str,
    at: float,
    across: float,
    radius_mm: float,
    *,
    under_mm: float | None = None,
    bark: bool = False,
) -> BlankSpec:
    """The blank with a knot whose axis passes through a point of the face's plane.

    ``at``: share of the length; ``across``: widths from the middle, up in the photograph.
    ``under_mm``: the branch ended so far under that point.
    """
    log = Log(replace(blank, knots=()))
    body = Body(blank, log)
    upper, lower = (edge[0] for edge in body.face_edges(face, np.array([at])))
    point = (upper + lower) / 2 + across * (upper - lower)
    p, q, s = (float(v) for v in log._log_frame(point))
    ex, ey = log._knot_direction()
    ended = None if under_mm is None else float(ex * p + ey * q) - under_mm
    offset = float(-ey * p + ex * q)
    knot = Knot(s / blank.length_mm + 0.5, radius_mm, offset, ended, bark)
    return replace(blank, knots=(knot,))


def face_trouble(log: Log, body: Body, face: str) -> list[dict[str, Any]]:
    """Each knot within or beside a face: place, size, and how far it turns the fibres there.

    ``offset`` is in widths from the middle, up in the photograph; ``start`` and ``stop``: where
    the fibres on the face are turned by 5° or more.
    """
    found = []
    at = np.linspace(0, 1, 801)
    share = np.linspace(-0.5, 0.5, 25)
    upper, lower = body.face_edges(face, at)
    points = (upper + lower)[:, None] / 2 + share[:, None] * (upper - lower)[:, None]
    width = float(np.linalg.norm(upper - lower, axis=1).mean())
    up = (upper - lower) / np.linalg.norm(upper - lower, axis=1)[:, None]
    clear = Log(replace(body.spec, knots=()))
    for knot in body.spec.knots:
        alone = Log(replace(body.spec, knots=(knot,)))
        distance = alone.knot_distance(points)
        turned = angle_deg(alone.fibre(points), up) - angle_deg(clear.fibre(points), up)
        turned = np.where(distance < 1.0, 0.0, np.abs(turned))
        steep = np.flatnonzero((turned > 5.0).any(axis=1) | (distance < 1.0).any(axis=1))
        near = np.unravel_index(int(np.argmin(distance)), distance.shape)
        if not len(steep) or distance[near] > REACH:
            continue
        cut = distance < 1.0
        where = np.argwhere(cut).mean(axis=0) if cut.any() else np.array(near)
        found.append(
            {
                "at": float(np.interp(where[0], np.arange(len(at)), at)),
                "offset": float(np.interp(where[1], np.arange(len(share)), share)),
                "radius": knot.radius_mm / width,
                "radius_mm": knot.radius_mm,
                "start": float(at[steep[0]]),
                "stop": float(at[steep[-1]]),
                "cut_share": float(cut.any(axis=0).mean()),
                "nearest_radii": float(distance[near]),
                "turned_deg": float(np.percentile(turned[steep], 90)),
            }
        )
    return found


def angle_deg(f: np.ndarray, up: np.ndarray) -> np.ndarray:
    return np.degrees(np.arctan2((f * up[:, None]).sum(-1), f[..., 2]))
