"""What was found on a photograph, as layers of the page's picture."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from grainscan.by_hand import Knot
from grainscan.results import BlankResult, EndScan, FaceScan, LocalTrouble, PointPx
from grainscan.shown.fibre_lines import fibre_lines_px, on_face_px, trouble_ring_px
from grainscan.shown.page.picture import Layer, Shape, label, line
from grainscan.shown.page.texts import say
from grainscan.shown.steep import steep_stretches
from grainscan.wording import one_in_words
from grainscan.workshop.laid import LaidPart
from grainscan.workshop.shaving import FaceShaving, Stretch

__all__ = [
    "end_layers",
    "face_layers",
    "knot_layer",
    "outline_layer",
    "part_layer",
    "part_round",
    "place_on_face",
    "ring_layers",
    "shaving_layer",
]

Points = NDArray[np.float64]
_FIBRES_ACROSS = 6
_POINTS_KEPT = 60


def part_round(scan: FaceScan | EndScan) -> tuple[int, int, int, int]:
    """The part of the photograph to show: the outline with some room (left, top, right, bottom)."""
    points = np.array(scan.outline_px if isinstance(scan, EndScan) else _edge(scan))
    if isinstance(scan, EndScan):
        room_x = room_y = 0.28 * math.dist(scan.outline_px[0], scan.outline_px[1])
    else:
        height = math.dist(scan.outline_px[0], scan.outline_px[3])
        room_x, room_y = 0.4 * height, 0.55 * height
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return (
        int(left - room_x), int(top - room_y), int(right + room_x) + 1, int(bottom + room_y) + 1,
    )  # fmt: skip


def outline_layer(scan: FaceScan | EndScan) -> Layer:
    """The outline that was found or set."""
    edge = scan.outline_px if isinstance(scan, EndScan) else _edge(scan)
    return Layer("outline", say("picture.outline"), (line(edge, "edge", closed=True),))


def face_layers(face: FaceScan, result: BlankResult) -> list[Layer]:
    """Outline, fibre lines, stretches beyond the limit, knots and swirls of a face."""
    fibres = [line(_thinned(p), "fibre") for p in fibre_lines_px(face, across=_FIBRES_ACROSS)]
    steep: list[Shape] = []
    for stretch in steep_stretches(result.measurement, result.limit, face):
        u = np.linspace(stretch.start, stretch.stop, 30)
        for v in (-0.06, 1.06):
            steep.append(line(on_face_px(face, u, np.full_like(u, v)), "steep"))
        (at,) = on_face_px(face, np.array([stretch.at]), np.array([-0.3]))
        steep.append(
            label(say("picture.steep_at", slope=one_in_words(stretch.angle_deg)), at, "steep")
        )
    layers = [outline_layer(face), Layer("fibres", say("picture.fibres"), tuple(fibres))]
    if steep:
        layers.append(Layer("steep", say("picture.steep"), tuple(steep)))
    trouble = [shape for found in face.local_trouble for shape in _trouble_shapes(face, found)]
    if trouble:
        layers.append(Layer("trouble", say("picture.trouble"), tuple(trouble)))
    return layers


def _trouble_shapes(face: FaceScan, trouble: LocalTrouble) -> list[Shape]:
    """A ring round a knot or a swirl's middle, its stretch along both edges, its name."""
    u = np.linspace(trouble.start, trouble.stop, 30)
    (at,) = on_face_px(face, np.array([trouble.at]), np.array([1.25]))
    return [
        line(trouble_ring_px(face, trouble), "steep", closed=True),
        *(line(on_face_px(face, u, np.full_like(u, v)), "steep") for v in (-0.04, 1.04)),
        label(say("picture.knot" if trouble.what == "knot" else "picture.swirl"), at, "steep"),
    ]


def end_layers(end: EndScan) -> list[Layer]:
    """Outline, ring boundaries and ring direction of the end, and the names of its edges."""
    layers = ring_layers(end)
    corners = np.array(end.outline_px)
    centre = corners.mean(axis=0)
    if end.ring_direction_deg is not None:
        edge = corners[1] - corners[0]
        along = math.atan2(edge[1], edge[0]) - math.radians(end.ring_direction_deg)
        reach = 0.55 * float(np.linalg.norm(edge))
        tip = np.array([math.cos(along), math.sin(along)]) * reach
        words = say("picture.ring_direction", angle=f"{end.ring_direction_deg:.0f}")
        shapes = (line([centre - tip, centre + tip], "across"), label(words, centre + tip))
        layers.append(Layer("direction", say("picture.direction"), shapes))
    top, left = (corners[0] + corners[1]) / 2.0, (corners[0] + corners[3]) / 2.0
    names = (
        label(say("scan.face_a"), top + 0.14 * (top - centre)),
        label(say("scan.face_b"), left + 0.14 * (left - centre)),
    )
    layers.append(Layer("names", "", names))
    return layers


def ring_layers(end: EndScan) -> list[Layer]:
    """Outline and ring boundaries; those set by hand are dashed."""
    series = end.ring_series
    by_hand = {b.line_px for b in series.boundaries if b.by_hand} if series is not None else set()
    rings = [
        line(_thinned(np.array(p)), "hand" if p in by_hand else "ring")
        for p in end.boundary_lines_px
        if len(p) >= 2
    ]
    return [outline_layer(end), Layer("rings", say("picture.rings"), tuple(rings))]


def knot_layer(face: FaceScan, letter: str, knots: Iterable[Knot]) -> list[Layer]:
    """Knots marked by hand on a face; none gives no layer."""
    shapes: list[Shape] = []
    turn = np.linspace(0.0, 2 * math.pi, 25)
    long = _length(face) / max(_height(face), 1.0)
    for knot in knots:
        if knot.face != letter:
            continue
        u = knot.at + knot.radius / long * np.cos(turn)
        circle = on_face_px(face, u, 0.5 + knot.radius * np.sin(turn))
        shapes.append(line(circle, "hand", closed=True))
        shapes.append(label(say("picture.knot"), circle.mean(axis=0)))
    return [Layer("knots", say("picture.knots"), tuple(shapes))] if shapes else []


def shaving_layer(face: FaceScan, shaving: FaceShaving) -> Layer:
    """Arrows the way a cut is clean, over each stretch, and lines where it turns over."""
    shapes: list[Shape] = []
    for stretch in shaving.stretches:
        shapes += _arrows(face, stretch)
    for turn in shaving.turns:
        ends = on_face_px(face, np.array([turn, turn]), np.array([-0.3, 1.3]))
        shapes += [line(ends, "across"), label(say("picture.turn"), ends[1])]
    return Layer("shaving", say("picture.shaving"), tuple(shapes))


def part_layer(face: FaceScan, letter: str, laid: LaidPart) -> Layer:
    """A part drawn in its place, with its axis, the shoulders of its tenons and the saw cuts."""
    solid, placement = laid.solid, laid.placement
    row = 1 if letter == "A" else 0
    at = placement.z_mm / solid.length_mm
    low, high = (np.interp(placement.z_mm, solid.z_mm, solid.walls_mm[2 * row + k]) for k in (0, 1))

    def across(position_mm: Points) -> Points:
        share = (position_mm - low) / (high - low)
        return np.asarray(share if letter == "A" else 1.0 - share)

    middle, half = placement.line_mm[row], placement.half_mm[row]
    sides = across(middle - half), across(middle + half)
    upper = on_face_px(face, at, np.minimum(*sides))
    lower = on_face_px(face, at, np.maximum(*sides))
    shapes = [
        line(_thinned(on_face_px(face, at, across(middle))), "axis"),
        line([*_thinned(upper), *_thinned(lower)[::-1]], "part", closed=True),
    ]
    for start, stop in placement.part.tenons:
        shoulder = stop if start + stop < placement.part.length_mm else start
        k = int(np.argmin(np.abs(placement.s_mm - shoulder)))
        shapes.append(line([upper[k], lower[k]], "part"))
    for k in (0, -1):
        for tick in ((-0.25, 0.0), (1.0, 1.25)):
            shapes.append(line(on_face_px(face, np.array([at[k]] * 2), np.array(tick)), "arrow"))
    (name_at,) = on_face_px(face, np.array([(at[0] + at[-1]) / 2]), np.array([-0.3]))
    shapes.append(label(placement.part.name, name_at))
    return Layer("part", say("picture.part"), tuple(shapes))


def place_on_face(face: FaceScan, point: PointPx) -> tuple[float, float]:
    """The place (u along, v across, both 0 to 1 inside) of a point of the photograph.

    From the nearest of a fine grid of places: a face is a narrow strip, and no closed form
    serves curved edges.
    """
    u = np.linspace(0.0, 1.0, 401)
    middle = on_face_px(face, u, np.full_like(u, 0.5))
    k = int(np.argmin(np.hypot(*(middle - np.array(point)).T)))
    v = np.linspace(-0.5, 1.5, 201)
    line_across = on_face_px(face, np.full_like(v, u[k]), v)
    j = int(np.argmin(np.hypot(*(line_across - np.array(point)).T)))
    return float(u[k]), float(v[j])


def _arrows(face: FaceScan, stretch: Stretch) -> list[Shape]:
    if stretch.direction == "not known":
        middle = np.array([(stretch.start + stretch.stop) / 2.0])
        return [label("?", on_face_px(face, middle, np.array([0.5]))[0])]
    style = "either" if stretch.direction == "either way" else "arrow"
    span = stretch.stop - stretch.start
    count = max(round(span / 0.16), 1)
    shapes: list[Shape] = []
    for k in range(count):
        start, stop = (stretch.start + span * (k + share) / count for share in (0.12, 0.88))
        points = on_face_px(face, np.linspace(start, stop, 8), np.full(8, 0.5))
        shapes.append(line(points, style))
        if stretch.direction != "right to left":
            shapes.append(line(_head(points[-2], points[-1], _height(face)), style))
        if stretch.direction != "left to right":
            shapes.append(line(_head(points[1], points[0], _height(face)), style))
    return shapes


def _head(before: Points, tip: Points, height: float) -> list[Points]:
    along = math.atan2(tip[1] - before[1], tip[0] - before[0])
    wings = [
        tip - 0.2 * height * np.array([math.cos(along + turn), math.sin(along + turn)])
        for turn in (0.55, -0.55)
    ]
    return [wings[0], tip, wings[1]]


def _edge(face: FaceScan) -> tuple[PointPx, ...]:
    return (*face.top_edge_px, *reversed(face.bottom_edge_px)) or face.outline_px


def _height(face: FaceScan) -> float:
    return math.dist(face.outline_px[0], face.outline_px[3])


def _length(face: FaceScan) -> float:
    return math.dist(face.outline_px[0], face.outline_px[1])


def _thinned(points: Points) -> Points:
    """Fewer points of a smooth line: the page draws straight pieces of some pixels anyway."""
    step = max(len(points) // _POINTS_KEPT, 1)
    return np.concatenate([points[:-1:step], points[-1:]])
