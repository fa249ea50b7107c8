"""When an outline is doubted, and what is made of an edge that leaves the other."""

import dataclasses

import cv2
import numpy as np
import pytest

from grainscan.measure import close_look
from grainscan.measure.outline import (
    DOUBTED,
    LEAST_CONFIDENCE,
    NO_CORNER,
    _left_by_doubt,
    find_face,
)
from grainscan.measure.refine import (
    CLEAR_ENOUGH,
    SAME_EDGE_PX,
    UNEVEN,
    Curve,
    _even_width,
    _stays,
    _winding,
)
from tests.accuracy_outlines import direction_deg
from tests.test_corners import BOTTOM, TOP, laid
from tests.test_edge_moves import looked_at
from tests.test_outline import board, lay, photograph


@pytest.mark.parametrize(("off", "sure"), [(0, True), (1, True), (-30, False), (30, False)])
def test_an_outline_is_doubted_whose_ends_contradict_its_corners(off, sure):
    _, look = looked_at(laid(), TOP, BOTTOM + off)
    assert _left_by_doubt(look, True) == (1.0 if sure else DOUBTED)


@pytest.mark.parametrize("side", [0, 1])
def test_an_outline_is_less_sure_where_neither_end_stops_at_a_long_edge(side):
    _, look = looked_at(laid(), TOP, BOTTOM)
    left, right = look.seen
    stops = (side != 0, side != 1)
    one = dataclasses.replace(look, seen=(dataclasses.replace(left, stops=stops), right))
    assert _left_by_doubt(one, True) == 1.0
    neither = [dataclasses.replace(end, stops=stops) for end in look.seen]
    assert _left_by_doubt(dataclasses.replace(look, seen=tuple(neither)), True) == NO_CORNER


def curve(values):
    return Curve.fit(np.linspace(0.0, 1.0, len(values)), values, 8, domain=[0.0, 1.0])


def test_an_edge_that_leaves_the_other_is_put_back_beside_it():
    share = np.linspace(0.0, 1.0, 101)
    bend = 20.0 * share * (1.0 - share)
    bulge = 12.0 * np.exp(-(((share - 0.15) / 0.12) ** 2))
    top, bottom = curve(bend), curve(bend + 80.0 + 6.0 * share)
    assert _winding(bottom - top) < 0.1
    lost = curve(bend + 80.0 + 6.0 * share + bulge)
    assert _winding(lost - top) > UNEVEN * 1000.0
    for upside_down in (False, True):
        pair = (-lost, -top) if upside_down else (top, lost)
        one, two = _even_width(*pair)
        kept, mended = (two, -one) if upside_down else (one, two)
        assert kept is pair[1 if upside_down else 0]
        # What is left of the bulge turns the edge by half as much at most.
        turned = [abs(np.polyfit(share, of(share) - bottom(share), 1)[0]) for of in (mended, lost)]
        assert turned[0] < 0.5 * turned[1]


@pytest.mark.parametrize(("spread", "enough"), [(0.01, True), (0.08, False)])
def test_how_much_of_an_edge_stays(spread, enough):
    share = np.linspace(0.0, 1.0, 401)
    bulge = 12.0 * np.exp(-(((share - 0.4) / spread) ** 2))
    top = curve(np.zeros(401))
    lost = Curve.fit(share, 80.0 + bulge, 80, domain=[0.0, 1.0])
    stays = _stays((top, lost), _even_width(top, lost))
    away = np.mean(bulge > SAME_EDGE_PX)
    assert stays == pytest.approx(1.0 - away, abs=0.02)
    assert (stays > CLEAR_ENOUGH) == enough


def test_an_uneven_outline_is_doubted(monkeypatch):
    picture = photograph(lay(board(), 100, 240, 1100, 340))
    assert find_face(picture).confidence > LEAST_CONFIDENCE
    found = close_look.refined

    def uneven(*given, **named):
        return dataclasses.replace(found(*given, **named), uneven=True)

    monkeypatch.setattr(close_look, "refined", uneven)
    assert find_face(picture).confidence < LEAST_CONFIDENCE


@pytest.mark.parametrize(("last", "sure"), [(150, True), (520, False)])
def test_an_outline_that_follows_a_side_face_along_a_part_of_an_edge(last, sure):
    """A short bulge is taken out; of a long one nobody knows which part is the face's edge."""
    picture = lay(board(), 100, 240, 1100, 340)
    plain = find_face(photograph(picture))
    bump = np.array([[103, 339], [108, 346], [last - 40, 346], [last, 339]])
    cv2.fillPoly(picture, [bump], (190, 155, 114))
    found = find_face(photograph(picture))
    assert plain.confidence > LEAST_CONFIDENCE
    assert (found.confidence > LEAST_CONFIDENCE) == sure
    turned = [abs(direction_deg(of.bottom_edge_px)) for of in (plain, found)]
    assert turned[0] < 0.05
    assert (turned[1] < 0.05) == sure


@pytest.mark.parametrize(
    ("left", "right", "level", "sure"),
    [(0, 9, True, False), (0, 9, False, False), (5, 5, True, True), (0, 2, True, True)],
)
def test_an_outline_is_doubted_whose_edge_the_ends_turn_to_make_it_even(left, right, level, sure):
    """The bottom edge lies so many pixels too low at either end: 9 of them turn it by 0.46°."""
    _, look = looked_at(laid(), TOP, BOTTOM)
    off = Curve.fit([0.0, 1.0], [left, right], 1, domain=[0.0, 1.0])
    found = dataclasses.replace(look.found, bottom=look.found.bottom + off)
    assert _left_by_doubt(dataclasses.replace(look, found=found), level) == (
        1.0 if sure else DOUBTED
    )
