"""The renderer's knots: put where they are asked for, truly described; one of them found."""

from dataclasses import replace

import numpy as np
import pytest

from grainscan.measure.face import measure_face
from tests.render import PhotoSpec, random_blank, render_blank
from tests.render.body import Body
from tests.render.knots import face_trouble, with_knot
from tests.render.log import Log
from tests.render.spec import suite_case

PLAIN = random_blank(
    41,
    "ring-porous",
    "riven",
    width_mm=30.0,
    height_mm=28.0,
    length_mm=360.0,
    pith_azimuth_deg=-95.0,
    pith_distance_mm=90.0,
)


def trouble(blank, face):
    log = Log(blank)
    return face_trouble(log, Body(blank, log), face)


@pytest.mark.parametrize("across", [0.0, 0.35])
def test_a_knot_is_where_it_is_put(across):
    (told,) = trouble(with_knot(PLAIN, "a", 0.4, across, 9.0), "a")
    assert told["at"] == pytest.approx(0.4, abs=0.01)
    assert told["radius"] == pytest.approx(9.0 / 30.0, rel=0.05)
    if across == 0.0:
        assert told["offset"] == pytest.approx(0.0, abs=0.03)
    assert told["start"] < 0.4 - 9.0 / 360.0 < 0.4 + 9.0 / 360.0 < told["stop"]


def test_beside_the_face_only_the_swirl_shows():
    (told,) = trouble(with_knot(PLAIN, "a", 0.6, 0.5 + 1.2 * 9.0 / 30.0, 9.0), "a")
    assert told["cut_share"] == 0.0
    assert told["offset"] == pytest.approx(0.5)
    assert told["turned_deg"] > 3.0


def test_a_branch_that_was_grown_over_is_not_cut_by_the_face():
    open_ = with_knot(PLAIN, "a", 0.5, 0.0, 9.0)
    under = with_knot(PLAIN, "a", 0.5, 0.0, 9.0, under_mm=6.0)
    (seen,), (hidden,) = trouble(open_, "a"), trouble(under, "a")
    assert seen["cut_share"] > 0.4
    assert hidden["cut_share"] == 0.0
    assert 3.0 < hidden["turned_deg"] < seen["turned_deg"]


def test_the_log_lies_as_it_lay_without_the_knot():
    knotty = with_knot(PLAIN, "a", 0.5, 0.1, 9.0)
    assert np.array_equal(Log(knotty).axis_slope, Log(PLAIN).axis_slope)
    far = np.array([[2.0, 3.0, -170.0], [0.0, -4.0, 160.0]])
    assert Log(knotty).fibre(far) == pytest.approx(Log(PLAIN).fibre(far), abs=2e-3)
    at = np.linspace(0, 1, 5)
    edges = [Body(b, Log(b)).edge(1, 1, at) for b in (knotty, PLAIN)]
    assert edges[0] == pytest.approx(edges[1])


def test_the_suite_has_one_knot_to_a_blank_from_a_quarter_width_on():
    for seed in range(3):
        blank, _ = suite_case(seed, "knots")
        (knot,) = blank.knots
        assert knot.radius_mm >= 0.25 * min(blank.width_mm, blank.height_mm)
        assert trouble(blank, "a") + trouble(blank, "b")


def test_a_rendered_knot_is_found_and_left_out_of_the_angle():
    blank = with_knot(PLAIN, "a", 0.45, 0.05, 9.0)
    photo = PhotoSpec(width_px=1500, height_px=1000, shots=("face_a",), background="card")
    picture = render_blank(blank, replace(photo, noise=0.004), 7).face_a
    scan = measure_face(picture, photo="a.jpg", face="a", length_mm=360.0, width_mm=30.0)
    (found,) = scan.local_trouble
    assert found.what == "knot"
    assert found.at == pytest.approx(0.45, abs=0.03)
    assert found.at_mm == pytest.approx(0.45 * 360, abs=11.0)
    assert found.radius_mm == pytest.approx(9.0, rel=0.35)
    inside = [s.at for s in scan.stations if s.in_trouble]
    assert min(inside) < 0.45 < max(inside)
    assert 4 <= len(inside) <= 12
