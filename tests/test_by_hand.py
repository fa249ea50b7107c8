"""Corrections by hand: corners in any order, outlines, ring boundaries where a person pointed."""

import itertools
import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.by_hand import ByHand, Knot, check_corners, correction_texts, from_texts
from grainscan.errors import InputError
from grainscan.measure.by_hand import (
    end_outline_by_hand,
    face_outline_by_hand,
    nearest_boundary,
    rings_by_hand,
)
from grainscan.measure.rings_series import with_boundaries
from tests import hand_made

FACE = ((100.0, 200.0), (1900.0, 210.0), (1902.0, 410.0), (102.0, 400.0))
SIZE = (2000, 1000)


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
def test_corners_clicked_in_any_order(order):
    assert check_corners([FACE[k] for k in order], size=SIZE, is_face=True) == FACE


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (FACE[:3], "mark all four"),
        ((FACE[0], FACE[0], *FACE[2:]), "no outline"),
        (((100.0, 200.0), (1900.0, 200.0), (1902.0, 410.0), (1500.0, 205.0)), "no outline"),
        ((*FACE[:3], (math.nan, 400.0)), "nowhere"),
        ((*FACE[:3], (-40.0, 400.0)), "outside"),
        (((900.0, 10.0), (1000.0, 10.0), (1000.0, 990.0), (900.0, 990.0)), "left to right"),
    ],
)
def test_what_is_no_outline_is_one_line(points, said):
    with pytest.raises(InputError, match=said):
        check_corners(points, size=SIZE, is_face=True)


def test_an_end_may_stand_upright():
    corners = ((900.0, 10.0), (1000.0, 10.0), (1000.0, 990.0), (900.0, 990.0))
    assert check_corners(corners, size=SIZE, is_face=False) == corners


@given(st.floats(-20, 20), st.floats(100, 300), st.floats(1200, 1700))
def test_the_outline_by_hand_is_the_rectangle_that_was_set(turn_deg, wide, long):
    """A turned rectangle: its edges' direction, length and width come back."""
    a = math.radians(turn_deg)
    along, across = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    centre = np.array([1000.0, 500.0])
    shares = ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
    corners = tuple(tuple(centre + u * long * along + v * wide * across) for u, v in shares)
    outline = face_outline_by_hand(corners, (3000, 2000))
    edge = outline.top_edge_px[-1] - outline.top_edge_px[0]
    assert math.degrees(math.atan2(edge[1], edge[0])) == pytest.approx(turn_deg, abs=1e-6)
    assert np.linalg.norm(outline.bottom_edge_px[50] - outline.top_edge_px[50]) == pytest.approx(
        wide
    )
    # Two ends an edge, the mean of two edges: the errors of placing them cancel to one.
    assert outline.angle_sigma_deg == pytest.approx(math.degrees(0.01 * wide / long))


def ringed_end():
    """A square end with rings parallel to face A's edge, ten pixels to a hundredth of the side."""
    from grainscan.results import RingBoundary, RingSeries

    side, low = 200.0, 50.0
    places = (-0.3, -0.1, 0.1, 0.3)
    boundaries = tuple(
        RingBoundary(
            at=at,
            confidence=0.9,
            line_px=((low, low + side * (0.5 - at)), (low + side, low + side * (0.5 - at))),
        )
        for at in places
    )
    series = RingSeries(
        boundaries=boundaries, anatomy="ring-porous", anatomy_confidence=0.9,
        bark_direction_deg=90.0, bark_confidence=0.9, curvature=0.0, curvature_low=0.0,
        curvature_high=0.1, pith_distance_low=None, pith_distance_high=None, rings_low=4,
        rings_high=4, latewood_shares=(0.5, 0.5, 0.5),
    )  # fmt: skip
    import dataclasses

    return dataclasses.replace(
        hand_made.end(side=200),
        ring_series=series,
        rings=4,
        boundary_lines_px=tuple(b.line_px for b in boundaries),
    )


@given(st.floats(-0.28, 0.28).filter(lambda at: abs(abs(at) - 0.1) > 0.01), st.floats(60, 240))
def test_a_boundary_is_added_where_it_was_pointed_at(at, x):
    """The new boundary passes through the point, and everything else is as with_boundaries says."""
    end = ringed_end()
    point = (x, 50.0 + 200.0 * (0.5 - at))
    changed = rings_by_hand(end, ByHand(rings_added=(point,)))
    (new,) = [b for b in changed.ring_series.boundaries if b.by_hand]
    assert new.at == pytest.approx(at, abs=1e-4)
    assert min(abs(y - point[1]) for _, y in new.line_px) < 0.1
    assert changed.rings == with_boundaries(end, add=[at]).rings == 5


def test_the_boundary_pointed_at_is_removed():
    end = ringed_end()
    point = (120.0, 50.0 + 200.0 * (0.5 - 0.1) + 4.0)
    assert nearest_boundary(end.ring_series.boundaries, point) == 2
    changed = rings_by_hand(end, ByHand(rings_removed=(point,)))
    assert [b.at for b in changed.ring_series.boundaries] == [-0.3, -0.1, 0.3]
    assert changed.rings == 3


def test_what_cannot_be_done_is_said():
    end = ringed_end()
    beside = rings_by_hand(end, ByHand(rings_added=((400.0, 400.0),)))
    assert beside.rings == 4
    assert "outside the section" in beside.notes[-1]
    bare = hand_made.end()
    unread = rings_by_hand(bare, ByHand(rings_added=((100.0, 100.0),)))
    assert "no rings were read" in unread.notes[-1]


def test_an_end_by_hand_is_vouched_for():
    outline = end_outline_by_hand(((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0)))
    assert outline.confidence == 1.0


def test_every_correction_is_told():
    by_hand = ByHand(
        face_a=FACE,
        rings_added=((1.0, 2.0),),
        rings_removed=((3.0, 4.0),),
        knots=(Knot("b", 0.25, 0.1),),
    )
    told = [(side, what, json.loads(detail)) for side, what, detail in correction_texts(by_hand)]
    assert told == [
        ("face_a", "outline", [list(point) for point in FACE]),
        ("end", "ring boundary added", [1.0, 2.0]),
        ("end", "ring boundary removed", [3.0, 4.0]),
        ("face_b", "knot", {"at": 0.25, "radius_in_widths": 0.1}),
    ]
    assert from_texts(correction_texts(by_hand)) == by_hand
    assert from_texts([("end", "pith", "[0, 1]")]) == ByHand()
    with pytest.raises(InputError, match="cannot be read"):
        from_texts([("face_a", "outline", "[[1, 2]]")])
    assert by_hand.without("face_b").knots == ()
    assert by_hand.without("end").rings_added == ()
    assert by_hand.without("face_a").outline("face_a") is None
