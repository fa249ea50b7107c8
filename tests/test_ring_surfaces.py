"""What ring lines and the end say of the faces' fibres, on logs whose geometry is exact.

A log is rings about a straight pith with the fibres along it, so every place has a known ring
normal; nothing here comes from the code under test.
"""

import dataclasses
import math

import numpy as np
import pytest

from grainscan.measure.blank import combine
from grainscan.measure.ring_surfaces import FaceTangents, ring_relations, with_ring_relations
from grainscan.results import BlankRecord, RingSeries, TextureReading
from tests.hand_made import end, face

LENGTH = 14.0
RECORD = BlankRecord("ash-07")


def deg(tangent):
    return math.degrees(math.atan(tangent))


def log(a, b, pith):
    """Lines on both faces (mean and change, degrees) and the end of a blank one width square.

    ``a``, ``b``: tangents of the fibres on the faces; ``pith`` (2,): at the marked end, from the
    centre of the section, in widths (x out of face A, y out of face B).
    """
    f = np.array([b, -a, 1.0])
    pith = np.asarray(pith, float)
    across, back = np.meshgrid(np.linspace(-0.5, 0.5, 21), np.linspace(0.0, LENGTH, 41))
    lines = []
    for number in (0, 1):
        x = np.full_like(across, 0.5) if number == 0 else across
        y = across if number == 0 else np.full_like(across, 0.5)
        # From the point of the pith's line at the same height along the blank.
        to_x, to_y = x + f[0] * back - pith[0], y + f[1] * back - pith[1]
        nz = -(to_x * f[0] + to_y * f[1])
        slope = np.arctan2(nz, to_y) if number == 0 else np.arctan2(-nz, to_x)
        # Directions of lines: 180° is no turn, so the doubled angle is averaged.
        doubled = np.exp(2j * slope).mean()
        change = math.sqrt(-2.0 * math.log(min(1.0, abs(doubled)))) / 2.0
        lines.append((math.degrees(np.angle(doubled)) / 2.0, math.degrees(change)))
    far = float(np.hypot(*pith))
    bark = math.degrees(math.atan2(-pith[0], pith[1]))
    direction = (math.degrees(math.atan2(-pith[1], -pith[0])) + 90.0) % 180.0 - 90.0
    k = 1.0 / far
    series = RingSeries((), "softwood", 0.9, bark, 0.99, k, 0.9 * k, 1.1 * k, far, far, 4, 6)
    seen = dataclasses.replace(
        end(direction_deg=direction), ring_direction_deg=direction, ring_series=series
    )
    return lines, seen


def a_face(lines, *, angle=0.0, sigma_deg=0.5, read=True):
    made = dataclasses.replace(
        face(angle_deg=deg(angle), spread_deg=1.645 * sigma_deg),
        ring_stripe_deg=lines[0],
        ring_stripe_sigma_deg=0.05,
        ring_stripe_change_deg=lines[1],
        length_over_width=LENGTH,
    )
    reading = TextureReading(deg(angle), sigma_deg, made.stations)
    if read:
        return dataclasses.replace(made, texture=reading)
    unread = tuple(
        dataclasses.replace(s, angle_deg=None, low_deg=None, high_deg=None) for s in made.stations
    )
    return dataclasses.replace(
        made, angle_deg=None, low_deg=None, high_deg=None, stations=unread, texture=reading
    )


def tangents(a, b, sigma_a_deg, sigma_b_deg):
    sigma = np.radians([sigma_a_deg, sigma_b_deg])
    return FaceTangents(np.array([a, b]), np.diag(sigma**2))


@pytest.mark.parametrize("pith", [(0.3, -4.0), (-1.0, 3.0), (1.5, 2.5), (-2.0, -2.5)])
@pytest.mark.parametrize(("a", "b"), [(0.03, 0.02), (-0.05, 0.04), (0.0, -0.06)])
def test_the_relation_holds_in_the_log(pith, a, b):
    lines, seen = log(a, b, pith)
    faces = (a_face(lines[0]), a_face(lines[1]))
    found = ring_relations(tangents(a, b, 0.1, 0.1), faces, seen)
    assert found
    for relation in found:
        own, other = (a, b) if relation.face == 0 else (b, a)
        off = own - relation.line - relation.ratio * other
        assert abs(off) <= 2.0 * math.sqrt(relation.variance(tangents(a, b, 0.1, 0.1)))
        if abs(relation.ratio) < 1.0:
            assert abs(math.degrees(off)) < 0.3


def test_the_pith_runs_along_with_the_fibres():
    """Of fibres that leave by 1 in 17, the rings turn by many degrees over the length."""
    lines, seen = log(0.0, -0.06, (0.3, -4.0))
    faces = (a_face(lines[0]), a_face(lines[1]))
    along = next(
        r for r in ring_relations(tangents(0.0, -0.06, 0.1, 0.1), faces, seen) if not r.face
    )
    level = next(r for r in ring_relations(tangents(0.0, 0.0, 0.1, 0.1), faces, seen) if not r.face)
    off_along = along.line - along.ratio * 0.06
    off_level = level.line - level.ratio * 0.06
    assert abs(off_along) < abs(off_level) / 3.0


def test_a_radial_face_is_told_by_its_ring_lines():
    a, b = 0.05, 0.02
    lines, seen = log(a, b, (0.0, -5.0))
    # Face A's texture is off by its doubt; rings stand across it.
    weak = tangents(a - math.radians(2.0), b, 2.0, 0.3)
    told = with_ring_relations(weak, (a_face(lines[0]), a_face(lines[1])), seen)
    assert abs(deg(told.mean[0]) - deg(a)) < 0.4
    assert told.sigma_deg(0) < 0.9


def test_a_flat_face_learns_nothing_of_its_own_lines():
    a, b = 0.05, 0.02
    _, seen = log(a, b, (-5.0, 0.0))
    weak = tangents(a - math.radians(2.0), b, 2.0, 0.3)
    told = with_ring_relations(weak, (a_face((5.0, 1.0)), None), seen)
    assert told.mean[0] == pytest.approx(weak.mean[0], abs=1e-3)
    assert told.sigma_deg(0) == pytest.approx(2.0, rel=0.02)


def test_lines_that_are_no_rings_do_not_pull():
    a, b = 0.01, 0.0
    _, seen = log(a, b, (0.0, -5.0))
    sure = tangents(a, b, 0.3, 0.3)
    pulled = with_ring_relations(sure, (a_face((8.0, 0.0)), None), seen)
    assert abs(deg(pulled.mean[0]) - deg(a)) < 0.1
    # Where the texture is as unsure as that, both answers stay open.
    unsure = tangents(a, b, 2.5, 0.3)
    open_ = with_ring_relations(unsure, (a_face((8.0, 0.0)), None), seen)
    assert open_.sigma_deg(0) > 2.0


def test_intervals_hold_the_truth():
    """Texture and lines scatter by what they claim; one in ten lines is something else."""
    rng = np.random.default_rng(4)
    inside, narrower = [], []
    for _ in range(150):
        a, b = rng.normal(0.0, 0.04, 2)
        turn, far = rng.uniform(-math.pi, math.pi), rng.uniform(2.5, 8.0)
        lines, seen = log(a, b, (far * math.cos(turn), far * math.sin(turn)))
        sigma = rng.uniform(0.3, 2.5, 2)
        off = np.radians(sigma) * rng.normal(size=2)
        texture = tangents(a + off[0], b + off[1], *sigma)
        wrong = 5.0 * (rng.random(2) < 0.1)
        off = np.hypot(0.2, wrong) * rng.normal(size=2)
        drawn = [(mean + o, change) for (mean, change), o in zip(lines, off, strict=True)]
        told = with_ring_relations(texture, (a_face(drawn[0]), a_face(drawn[1])), seen)
        for number, true in enumerate((a, b)):
            error = abs(deg(told.mean[number]) - deg(true))
            inside.append(error <= 1.645 * told.sigma_deg(number))
            narrower.append(told.sigma_deg(number) / sigma[number])
    # Four standard deviations of the drawing below 0.9.
    assert np.mean(inside) > 0.9 - 4 * math.sqrt(0.09 / len(inside))
    assert np.median(narrower) < 0.75


def test_a_face_read_by_the_rings_says_so():
    a, b = 0.04, 0.01
    lines, seen = log(a, b, (0.0, -5.0))
    hardly = a_face(lines[0], angle=a + 0.03, sigma_deg=3.0, read=False)
    found = combine(RECORD, hardly, a_face(lines[1], angle=b), seen)
    assert found.face_a.angle_deg == pytest.approx(deg(a), abs=0.5)
    assert found.face_a.low_deg <= deg(a) <= found.face_a.high_deg
    assert any("rests mostly on the ring lines" in note for note in found.notes)
    assert all(s.angle_deg is not None for s in found.face_a.stations)
    assert not found.slope.lower_bound_only
    # Without the end nothing makes up for the texture.
    alone = combine(RECORD, hardly, a_face(lines[1], angle=b), None)
    assert alone.face_a.angle_deg is None
    assert alone.slope.lower_bound_only


def test_stations_move_along_with_the_mean():
    a, b = 0.04, 0.01
    lines, seen = log(a, b, (0.0, -5.0))
    bent = a_face(lines[0], angle=a - 0.03, sigma_deg=1.5)
    stations = tuple(
        dataclasses.replace(s, angle_deg=s.angle_deg + k / 10.0)
        for k, s in enumerate(bent.texture.stations)
    )
    bent = dataclasses.replace(
        bent, stations=stations, texture=dataclasses.replace(bent.texture, stations=stations)
    )
    found = combine(RECORD, bent, a_face(lines[1], angle=b), seen).face_a
    shift = found.angle_deg - bent.angle_deg
    assert shift > 1.0
    for was, now in zip(stations, found.stations, strict=True):
        assert now.angle_deg - was.angle_deg == pytest.approx(shift)
        assert now.low_deg < now.angle_deg < now.high_deg


def test_a_steep_reading_along_the_ring_lines_is_not_believed():
    """A face that reads 17° just where its ring lines run, on a blank with no end photograph."""
    steep = tangents(math.tan(math.radians(17.0)), 0.0, 0.8, 0.3)
    along = with_ring_relations(steep, (a_face((17.2, 2.0)), a_face((0.5, 1.0))), None)
    assert along.sigma_deg(0) > 4.0
    aside = with_ring_relations(steep, (a_face((11.0, 1.0)), a_face((0.5, 1.0))), None)
    assert aside.sigma_deg(0) == pytest.approx(0.8, rel=0.05)
    # On a blank worth shaving it is the usual thing.
    usual = tangents(math.tan(math.radians(1.0)), 0.0, 0.5, 0.3)
    both = with_ring_relations(usual, (a_face((1.2, 0.5)), a_face((0.5, 1.0))), None)
    assert both.sigma_deg(0) < 0.65


def test_a_face_whose_lines_may_be_the_rings_is_left_unread():
    lines = (17.2, 2.0)
    misread = a_face(lines, angle=math.tan(math.radians(17.0)), sigma_deg=0.8)
    found = combine(RECORD, misread, a_face((0.5, 1.0)), None)
    assert found.face_a.angle_deg is None
    assert all(s.angle_deg is None for s in found.face_a.stations)
    assert found.slope.lower_bound_only
    assert any("may be the ring lines" in note for note in found.notes)


def test_a_radial_face_without_any_fibre_lines_is_read_by_its_rings():
    a, b = 0.04, 0.01
    lines, seen = log(a, b, (0.0, -6.0))
    blurred = dataclasses.replace(a_face(lines[0], read=False), texture=None)
    found = combine(RECORD, blurred, a_face(lines[1], angle=b), seen)
    assert found.face_a.low_deg <= deg(a) <= found.face_a.high_deg
    assert found.face_a.angle_deg == pytest.approx(deg(a), abs=0.6)
    assert any("say nothing" in note for note in found.notes)
    # Rings along the face say nothing, and so there is no answer.
    lines, seen = log(a, b, (-6.0, 0.0))
    blurred = dataclasses.replace(a_face((2.0, 3.0), read=False), texture=None)
    assert combine(RECORD, blurred, a_face(lines[1], angle=b), seen).face_a.angle_deg is None


def test_the_bark_side_counts_by_how_sure_it_is():
    """Half of either bark side is rings without a bend, known less well."""
    _, seen = log(0.05, 0.0, (0.5, -3.0))
    flat = tangents(0.0, 0.0, 5.0, 5.0)

    def ratio(confidence):
        series = dataclasses.replace(seen.ring_series, bark_confidence=confidence)
        told = dataclasses.replace(seen, ring_series=series)
        lines = (a_face((0.0, 0.0)), None)
        (relation,) = ring_relations(flat, lines, told)
        return relation.ratio, relation.ratio_sigma

    sure, half, other = ratio(1.0), ratio(0.5), ratio(0.0)
    straight = math.tan(math.radians(90.0 - seen.ring_direction_deg))
    assert abs(half[0] - straight) < 0.01 < abs(sure[0] - straight)
    assert min(sure[0], other[0]) < half[0] < max(sure[0], other[0])
    assert half[1] > sure[1]
