"""Which way to shave: the rule's sense, turning end for end, intervals, faces to begin with."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.workshop.face_order import face_order
from grainscan.workshop.shaving import Cut, cut_for_rise, practical_limit_deg, shaving_of
from tests import accuracy_shaving as accuracy
from tests.bench_made import end_scan, measured

OTHER = {"left to right": "right to left", "right to left": "left to right"}


def faces_of(a_deg, b_deg, **rest):
    return {face.face: face for face in shaving_of(measured(a_deg, b_deg, **rest)).faces}


def directions(face):
    return [cut.direction for cut in face.cuts]


def test_a_hand_drawn_case():
    r"""Face A up, seen from the side that is face B; the marked end on the right.

            face A
        -----------------
         / / / / / / / /      the fibres climb to the right, so a cut from left to right on
        -----------------     face A lifts them out ahead of the edge: clean.

    On the photograph of B, x (out of face A) is up: the angle there is positive.
    """
    faces = faces_of([0.0] * 9, [4.0] * 9)
    assert set(directions(faces["A"])) == {"left to right"}
    assert set(directions(faces["opposite A"])) == {"right to left"}
    assert set(directions(faces["B"])) == {"either way"}


def test_the_other_pair_of_faces():
    """On the photograph of A, y (out of face B) is down: fibres that climb there fall from B."""
    faces = faces_of([4.0] * 9, [0.0] * 9)
    assert set(directions(faces["B"])) == {"right to left"}
    assert set(directions(faces["opposite B"])) == {"left to right"}


@given(
    a=st.lists(st.floats(-8, 8), min_size=3, max_size=9),
    b=st.data(),
)
def test_end_for_end_flips_every_arrow(a, b):
    """Turned end for end with face A up, old face B is opposite B, and each arrow turns round.

    The photograph of A turns by half a turn: angles stay and stations run backwards. The side
    that is now face B was opposite B; turned, its picture is that of old B upside down and seen
    from behind: the angle changes its sign.
    """
    b_deg = b.draw(st.lists(st.floats(-8, 8), min_size=len(a), max_size=len(a)))
    before = faces_of(a, b_deg)
    after = faces_of(a[::-1], [-angle for angle in b_deg[::-1]])
    for old, new in (
        ("A", "A"),
        ("opposite A", "opposite A"),
        ("B", "opposite B"),
        ("opposite B", "B"),
    ):
        expected = [OTHER.get(word, word) for word in directions(before[old])[::-1]]
        assert directions(after[new]) == expected


@given(low=st.floats(-10, 10), width=st.floats(0, 6))
def test_the_decision_follows_the_interval(low, width):
    high = low + width
    limit = practical_limit_deg()
    direction, first = cut_for_rise(low, high)
    if direction == "left to right":
        assert low > 0
        assert high > limit
    elif direction == "right to left":
        assert high < 0
        assert low < -limit
    elif direction == "not known":
        assert low < -limit
        assert high > limit
    else:
        assert low >= -limit or high <= limit
    # The hint is never a direction that tears if either end of the interval is true.
    if first == "left to right":
        assert low >= -limit
    if first == "right to left":
        assert high <= limit


@pytest.mark.parametrize(
    ("low", "high", "direction", "first"),
    [
        (0.5, 2.0, "left to right", None),
        (-2.0, -0.5, "right to left", None),
        (0.2, 0.9, "either way", None),  # 1 in 60 is 0.95 degrees
        (-0.9, 0.9, "either way", None),
        (-0.5, 1.5, "either way", "left to right"),
        (-1.5, 0.5, "either way", "right to left"),
        (-1.5, 1.5, "not known", None),
    ],
)
def test_decisions_one_by_one(low, high, direction, first):
    assert cut_for_rise(low, high) == (direction, first)


@given(low=st.floats(-10, 10), width=st.floats(0, 6))
def test_the_decision_is_mirrored_with_the_rise(low, width):
    direction, first = cut_for_rise(low, low + width)
    mirrored, first_mirrored = cut_for_rise(-(low + width), -low)
    assert mirrored == OTHER.get(direction, direction)
    assert first_mirrored == OTHER.get(first, first)


def test_the_practical_limit_is_one_in_sixty():
    assert math.tan(math.radians(practical_limit_deg())) == pytest.approx(1 / 60)


def test_a_turn_is_listed_where_the_rise_changes_its_sign():
    angles = [3.0 - 0.3 * k for k in range(21)]  # zero at station 10, the middle
    face = faces_of([0.0] * 21, angles)["A"]
    assert face.turns == (pytest.approx(0.5, abs=0.03),)
    words = [s.direction for s in face.stretches]
    assert words == ["left to right", "either way", "right to left"]
    assert face.stretches[0].start == 0.0
    assert face.stretches[-1].stop == 1.0


def test_stretches_cover_the_length_without_gaps():
    face = faces_of([0.0] * 21, [4 * math.sin(k) for k in range(21)])["A"]
    for before, after in zip(face.stretches[:-1], face.stretches[1:], strict=True):
        assert before.stop == after.start
        assert before.direction != after.direction
    assert (face.stretches[0].start, face.stretches[-1].stop) == (0.0, 1.0)


def test_one_direction_serves_throughout_where_nothing_speaks_for_the_other():
    def face_a(*b):
        return faces_of([0.0] * len(b), list(b))["A"]

    assert face_a(3.0, 3.0, 0.5, 3.0).throughout == "left to right"
    assert face_a(-3.0, -3.0, 0.0, -3.0).throughout == "right to left"
    assert face_a(3.0, 3.0, -3.0, 3.0).throughout is None
    assert face_a(0.0, 0.0, 0.0, 0.0).throughout is None
    unread = faces_of([0.0] * 4, [3.0, None, 3.0, 3.0])["A"]
    assert unread.throughout is None


def test_an_unread_station_is_not_known():
    face = faces_of([0.0] * 9, [4.0] * 4 + [None] + [4.0] * 4)["A"]
    assert directions(face)[4] == "not known"
    assert "not read" in face.stretches[1].reason


def test_one_photograph_gives_two_faces_and_says_which_are_missing():
    shaving = shaving_of(measured([4.0] * 9, [0.0] * 9, face_b=False))
    assert [face.face for face in shaving.faces] == ["B", "opposite B"]
    assert "photograph of face B" in shaving.notes[0]


@pytest.mark.parametrize(
    ("ring_deg", "spread_deg", "first"),
    [
        (85.0, 3.0, ("A", "opposite A")),  # rings stand across face A's edge
        (-85.0, 3.0, ("A", "opposite A")),
        (4.0, 3.0, ("B", "opposite B")),  # rings lie along face A's edge
        (50.0, 3.0, ("A", "opposite A")),
        (-40.0, 3.0, ("B", "opposite B")),
    ],
)
def test_radial_faces_first(ring_deg, spread_deg, first):
    end = end_scan(
        ring_direction_deg=ring_deg,
        ring_direction_low_deg=ring_deg - spread_deg,
        ring_direction_high_deg=ring_deg + spread_deg,
    )
    assert face_order(end).first == first


def test_an_unsure_ring_direction_is_not_called_radial():
    end = end_scan(
        ring_direction_deg=62.0, ring_direction_low_deg=40.0, ring_direction_high_deg=80.0
    )
    assert "not known well enough" in face_order(end).why
    assert face_order(None).first == ()


@pytest.mark.parametrize("sigma_deg", [0.15, 0.25, 0.35])
def test_the_rule_holds_where_intervals_are_honest(sigma_deg):
    """Readings scattered about the truth as their intervals say, true rises of all sizes.

    Steeper than 1 in 60 the direction must be right 97 times of 100, flatter the answer be
    "either way" at least half of the time.
    """
    rng = np.random.default_rng(60)
    truth = rng.uniform(-6, 6, 4000)
    flat = rng.uniform(-1, 1, 4000) * practical_limit_deg()
    for rises, wanted, share in ((truth, None, 0.97), (flat, "either way", 0.5)):
        read = rises + rng.normal(0, sigma_deg, rises.size)
        words = [cut_for_rise(r - 1.645 * sigma_deg, r + 1.645 * sigma_deg)[0] for r in read]
        good = [
            word == (wanted or ("left to right" if rise > 0 else "right to left"))
            for word, rise in zip(words, rises, strict=True)
            if wanted or abs(rise) > practical_limit_deg()
        ]
        assert np.mean(good) >= share


def test_the_accuracy_command_counts_as_it_says():
    """Face B shows x, so fx/fz is the rise to face A; one answer of each kind."""
    truth = {"fibre": {"at": [0.0, 1.0], "f": [[0.03, -0.05, 1.0], [0.03, -0.05, 1.0]]}}
    assert accuracy.true_rise(truth, "A", 0.5) == pytest.approx(0.03)
    assert accuracy.true_rise(truth, "B", 0.5) == pytest.approx(-0.05)
    seen = {"at": [0.0, 1.0], "angle_deg": [2.0, 2.0]}
    assert accuracy.seen_rise({"faces": {"b": seen}}, "A", 0.5) == pytest.approx(0.0349, abs=1e-4)
    assert accuracy.seen_rise({"faces": {"a": seen}}, "B", 0.5) == pytest.approx(-0.0349, abs=1e-4)
    (cut, *_) = faces_of([0.0] * 9, [4.0] * 9)["A"].cuts
    assert (accuracy.verdict(cut, 0.07), accuracy.verdict(cut, -0.07)) == ("right", "wrong")
    assert accuracy.inside(cut, math.tan(math.radians(4.1)))
    assert not accuracy.inside(cut, math.tan(math.radians(5.0)))
    tried = Cut(0.5, "either way", 1.0, -0.5, 2.5, "left to right")
    assert accuracy.verdict(tried, 0.07) == "first try right"
    assert accuracy.verdict(tried, -0.07) == "first try wrong"
    flat = Cut(0.5, "either way", 0.0, -0.5, 0.5)
    assert accuracy.verdict(flat, 0.07) == "either way"
    text = accuracy.report(
        [(cut, 0.07, 0.07), (cut, -0.07, 0.07), (tried, 0.07, 0.001), (flat, 0.07, 0.001)]
    )
    on_face, on_axis = text.split("true rise on the axis")
    assert "4 places: right 25.0 %, wrong 25.0 %, first try right 25.0 %" in on_face
    assert "agrees 50.0 %, disagrees 25.0 %; of the places with one direction 50.0 %" in on_face
    assert "2 places: right 100.0 %, wrong 0.0 %" in on_axis
    assert "2 places: either way 100.0 %" in on_axis
