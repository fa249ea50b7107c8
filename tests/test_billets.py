"""Blanks split from a log: hand counts, and the laws that no layout may break."""

import itertools
import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.errors import InputError
from grainscan.workshop.billets import layout_billets


def circle(radius, pith=(0.0, 0.0), points=2880):
    """Outline points of a round log, from its pith; circumscribed, so that the circle is inside."""
    turn = np.linspace(-math.pi, math.pi, points + 1)[:-1]
    far = radius / math.cos(math.pi / points)
    return np.stack([far * np.cos(turn) - pith[0], far * np.sin(turn) - pith[1]], axis=1)


def test_eighths_of_a_round_log_by_hand():
    """R = 100, blank 30 × 30, core 20, eighths (β = 45°, tan 22.5° = 0.4142).

    Tier 1: inner side at √(100² − 15²) − 30 = 68.87. Halved once, β/2 = 11.25°, tan = 0.1989:
    68.87 · 0.1989 = 13.70 < 15, so it stays whole: 1 blank.
    Tier 2: √(68.87² − 15²) − 30 = 37.22; 37.22 · 0.4142 = 15.42 ≥ 15: 1 blank.
    Tier 3: √(37.22² − 15²) − 30 = 4.06 < 20: none. 8 · 2 = 16.
    """
    found = layout_billets(circle(100), 30, 30, core_mm=20, wedges=8, first_split_deg=0)
    assert found.count == 16
    inner = [tier[0] for tier in found.tiers[0]]
    assert inner == pytest.approx([68.87, 37.22], abs=0.02)


def test_halved_tiers_by_hand():
    """R = 150, blank 25 × 40 (40 along the ray), core 30, eighths.

    Tier 1: √(150² − 12.5²) − 40 = 109.48; halved once 109.48 · 0.1989 = 21.78 ≥ 12.5, twice
    (tan 5.625° = 0.0985) 10.78 < 12.5: 2 blanks.
    Tier 2: √(109.48² − 12.5²) − 40 = 68.76; halved once 13.68 ≥ 12.5: 2 blanks.
    Tier 3: √(68.76² − 12.5²) − 40 = 27.62 < 30: none. 8 · 4 = 32.
    """
    found = layout_billets(circle(150), 25, 40, core_mm=30, wedges=8, first_split_deg=0)
    assert found.count == 32
    assert [tier[2] for tier in found.tiers[0]] == [2, 2]


def test_quarters_clear_of_sapwood_by_hand():
    """R = 90, sapwood 10 (so 80), blank 36 × 20 with 2 left on every side (40 × 24), quarters.

    Tier 1: √(80² − 20²) − 24 = 53.46; whole (tan 45° = 1) fits, halved 53.46 · 0.4142 = 22.14
    ≥ 20 fits, again 10.6 < 20: 2 blanks.
    Tier 2: √(53.46² − 20²) − 24 = 25.58; whole 25.58 ≥ 20 fits, halved 10.6 < 20: 1 blank.
    Tier 3: √(25.58² − 20²) − 24 < 0: none. 4 · 3 = 12.
    """
    found = layout_billets(
        circle(90), 36, 20, allowance_mm=2, sapwood_mm=10, wedges=4, first_split_deg=0
    )
    assert found.count == 12


def test_the_best_first_split_is_at_least_as_good_as_any_named_one():
    free = layout_billets(circle(100), 30, 30, core_mm=20)
    for wedges in (2, 4, 8, 16, 32):
        named = layout_billets(circle(100), 30, 30, core_mm=20, wedges=wedges, first_split_deg=0)
        assert free.count >= named.count


def corners_of(billet):
    return np.array(billet.corners_mm)


def apart(one, two):
    """Whether two convex pieces share no inner point (separating axis)."""
    for piece in (one, two):
        for a, b in zip(piece, np.roll(piece, -1, axis=0), strict=True):
            normal = np.array([a[1] - b[1], b[0] - a[0]])
            p, q = one @ normal, two @ normal
            length = np.hypot(*normal)
            if p.max() <= q.min() + 1e-6 * length or q.max() <= p.min() + 1e-6 * length:
                return True
    return False


@settings(max_examples=12, deadline=None)
@given(
    st.floats(60, 160),
    st.floats(0, 0.3),
    st.floats(0, 6.28),
    st.floats(20, 45),
    st.floats(20, 45),
    st.floats(0, 30),
    st.floats(0, 20),
    st.floats(0, 2),
    st.sampled_from([2, 4, 8, 16]),
)
def test_blanks_never_overlap_and_never_leave_the_wood(
    radius, share, turn, width, height, core, sap, edge, wedges
):
    pith = radius * share * np.array([math.cos(turn), math.sin(turn)])
    oval = circle(radius, pith) * np.array([1.0, 0.9])
    found = layout_billets(
        oval,
        width,
        height,
        core_mm=core,
        sapwood_mm=sap,
        edge_mm=edge,
        wedges=wedges,
        first_split_deg=10,
    )
    middle = -pith * np.array([1.0, 0.9])
    pieces = [corners_of(billet) for billet in found.billets]
    line = oval.astype(np.float32)[:, None]
    for one, two in itertools.combinations(pieces, 2):
        assert apart(one, two)
    for piece in pieces:
        away = (piece - middle) / np.array([1.0, 0.9])
        assert np.hypot(*away.T).max() <= radius + 1e-3
        part = np.linspace(0, 1, 21)[:, None]
        rim = np.concatenate(
            [a + part * (b - a) for a, b in zip(piece, np.roll(piece, -1, axis=0), strict=True)]
        )
        assert np.hypot(*rim.T).min() >= core - 1e-6
        inside = [cv2.pointPolygonTest(line, (float(x), float(y)), True) for x, y in rim]
        assert min(inside) >= sap + edge - 1e-3


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"width_mm": 0.0}, "section"),
        ({"wedges": 3}, "halving"),
        ({"core_mm": -1.0}, "0 mm or more"),
        ({"edge_mm": -0.1}, "0 mm or more"),
        ({"outline_mm": circle(50) + 80}, "inside"),
        ({"outline_mm": [(0.0, 1.0)]}, "three points"),
    ],
)
def test_what_makes_no_sense_is_refused(change, words):
    settings_ = {"outline_mm": circle(50), "width_mm": 20.0, "height_mm": 20.0} | change
    with pytest.raises(InputError, match=words):
        layout_billets(**settings_)


def test_a_thin_log_gives_nothing():
    assert layout_billets(circle(15), 25, 25).count == 0
