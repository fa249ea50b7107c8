"""Growth-rate rules and orientation classes against their published limits."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import InputError
from grainscan.judge import growth
from grainscan.measure.end import orientation_of
from grainscan.results import EndScan, PhotoQuality, RingBoundary, RingSeries


def series(places, *, bark=1.0, direction=90.0, pith=(2.0, 3.0), latewood=()):
    return RingSeries(
        boundaries=tuple(RingBoundary(at, 0.95) for at in places),
        anatomy="softwood",
        anatomy_confidence=1.0,
        bark_direction_deg=direction,
        bark_confidence=bark,
        curvature=0.4,
        curvature_low=0.3,
        curvature_high=0.5,
        pith_distance_low=pith[0],
        pith_distance_high=pith[1],
        rings_low=len(places),
        rings_high=len(places),
        latewood_shares=tuple(latewood),
    )


def end_with(ring_direction, rings=None):
    return EndScan(
        photo="end",
        outline_px=((0, 0), (1, 0), (1, 1), (0, 1)),
        width_mm=25.0,
        height_mm=25.0,
        ring_direction_deg=ring_direction,
        ring_direction_low_deg=ring_direction,
        ring_direction_high_deg=ring_direction,
        orientation=None,
        rings=None,
        mean_ring_mm=None,
        rings_per_inch=None,
        latewood_share=None,
        boundaries_along_a=(),
        boundaries_along_b=(),
        pith=None,
        photo_quality=PhotoQuality(True),
        ring_series=rings,
    )


# Limits: US Navy manual MO-312 (4 rings with 1/2 latewood); ASTM D245 classes, from memory.
@pytest.mark.parametrize(
    ("rings", "latewood", "begins"),
    [
        # Four rings, with half and with less latewood.
        (3.99, 0.6, "4.0 rings per inch: below"),
        (4.0, 0.6, "dense"),
        (4.01, 0.6, "dense"),
        (3.99, 0.2, "4.0 rings per inch: below"),
        (4.0, 0.2, "medium"),
        (4.01, 0.2, "medium"),
        # Half of latewood, at four rings.
        (4.0, 0.49, "medium"),
        (4.0, 0.5, "dense"),
        (4.0, 0.51, "dense"),
        # Five rings with a third of latewood.
        (4.99, 0.34, "medium"),
        (5.0, 0.34, "close"),
        (5.01, 0.34, "close"),
        (5.5, 0.33, "medium"),
        (5.5, 1 / 3, "close"),
        # Six rings, with and without a third of latewood.
        (5.99, 0.34, "close"),
        (6.0, 0.34, "dense"),
        (6.01, 0.34, "dense"),
        (6.0, 0.33, "close"),
        (6.0, 1 / 3, "dense"),
        (5.99, None, "medium"),
        (6.0, None, "close"),
        (6.01, None, "close"),
        # Thirty rings.
        (29.9, 0.1, "close"),
        (30.0, 0.1, "close"),
        (30.1, 0.1, "medium"),
    ],
)
def test_softwood_limits(rings, latewood, begins):
    (note,) = growth.growth_notes("softwood", rings, latewood)
    assert note.text.startswith(begins)
    assert note.group == "softwoods"


# Record, The Mechanical Properties of Wood, 1914, quoting Forest Service Bulletin 80.
@pytest.mark.parametrize(
    ("rings", "verdict", "part"),
    [
        (4.9, "doubtful", "faster than first-class"),
        (5.0, "good", "shock resistance (5 to 14)"),
        (5.1, "good", "shock resistance (5 to 14)"),
        (13.9, "good", "shock resistance (5 to 14)"),
        (14.0, "good", "shock resistance (5 to 14)"),
        (14.1, "good", "14 to 20"),
        (19.9, "good", "14 to 20"),
        (20.0, "good", "14 to 20"),
        (20.1, "doubtful", "slower than first-class"),
        (37.9, "doubtful", "slower than first-class"),
        (38.0, "doubtful", "slower than first-class"),
        (38.1, "doubtful", "over 38"),
    ],
)
def test_hickory_limits(rings, verdict, part):
    general, note = growth.growth_notes("ring-porous", rings, 0.6, "shagbark hickory")
    assert "reverse of softwoods" in general.text
    assert note.verdict == verdict
    assert part in note.text
    assert "Bulletin 80" in note.source


# Record 1914: Douglas-fir weak under 8, best 12–16, at its floor over 24.
@pytest.mark.parametrize(
    ("rings", "part"),
    [
        (7.9, "weak"),
        (8.0, "between"),
        (8.1, "between"),
        (11.9, "between"),
        (12.0, "best range"),
        (12.1, "best range"),
        (15.9, "best range"),
        (16.0, "best range"),
        (16.1, "between"),
        (23.9, "between"),
        (24.0, "between"),
        (24.1, "floor"),
    ],
)
def test_douglas_fir_limits(rings, part):
    assert part in growth.growth_notes("softwood", rings, None, "Douglas-fir")[1].text


def test_hickory_rule_is_for_hickory_alone():
    assert len(growth.growth_notes("ring-porous", 10.0, 0.6, "white ash")) == 1


def test_diffuse_porous_woods_have_no_rule():
    (note,) = growth.growth_notes("diffuse-porous", 10.0, None)
    assert note.verdict == "no rule"


def test_unknown_anatomy_is_refused():
    with pytest.raises(InputError, match="no anatomy"):
        growth.growth_notes("palm", 10.0, None)


@pytest.mark.parametrize(
    ("scheme", "angle", "expected"),
    [
        ("architectural", 29.9, "flat"),
        ("architectural", 30.0, "rift"),
        ("architectural", 30.1, "rift"),
        ("architectural", 59.9, "rift"),
        ("architectural", 60.0, "quartered"),
        ("architectural", 60.1, "quartered"),
        ("two-class", 44.9, "flat"),
        ("two-class", 45.0, "quartered"),
        ("two-class", 45.1, "quartered"),
        ("supplier", 44.9, "flat"),
        ("supplier", 45.0, "rift"),
        ("supplier", 45.1, "rift"),
        ("supplier", 74.9, "rift"),
        ("supplier", 75.0, "quartered"),
        ("supplier", 75.1, "quartered"),
    ],
)
def test_orientation_limits(scheme, angle, expected):
    assert growth.orientation_class(angle, scheme) == expected
    assert growth.orientation_class(-angle, scheme) == expected


@given(st.floats(-89.99, 90.0))
def test_measuring_and_judging_use_the_same_scheme(angle):
    assert orientation_of(angle) == growth.orientation_class(angle)


def test_unknown_scheme_is_refused():
    with pytest.raises(InputError, match="scheme"):
        growth.orientation_class(10.0, "nobody's")


# On the end photograph face A is on top and face B on the left.
@pytest.mark.parametrize(
    ("direction", "face"), [(90, "A"), (0, "opposite B"), (180, "B"), (-90, "opposite A")]
)
def test_bark_face(direction, face):
    faces = growth.faces_by_rings(end_with(0.0, series([0, 0.1], direction=direction)))
    assert faces.bark == face


def test_faces_say_nothing_of_the_bark_when_it_is_unknown():
    faces = growth.faces_by_rings(end_with(85.0, series([0, 0.1], bark=0.6)))
    assert faces.radial == ("A", "opposite A")
    assert faces.bark is None


def test_juvenile_wood_by_ring_number():
    near = growth.juvenile_note(end_with(0.0, series([-0.4, -0.3, -0.2], pith=(0.9, 1.1))))
    assert near is not None
    assert "ring 5 to 7" in near.text
    far = growth.juvenile_note(end_with(0.0, series([-0.4, -0.3, -0.2], pith=(2.0, 3.0))))
    assert far is None
    perhaps = growth.juvenile_note(end_with(0.0, series([-0.4, -0.3, -0.2], pith=(1.0, 4.0))))
    assert perhaps is not None
    assert "perhaps" in perhaps.text


@pytest.mark.parametrize(
    ("angle", "radial"),
    [
        (29.9, ("B", "opposite B")),
        (30.0, ()),
        (30.1, ()),
        (59.9, ()),
        (60.0, ("A", "opposite A")),
        (60.1, ("A", "opposite A")),
    ],
)
def test_radial_faces_at_their_limits(angle, radial):
    assert growth.faces_by_rings(end_with(angle)).radial == radial
    assert growth.faces_by_rings(end_with(-angle)).radial == radial


# Juvenile: the first 15 rings. Rings of 0.125 widths, the innermost boundary on the centre.
@pytest.mark.parametrize(("ring", "warned"), [(14.9, True), (15.0, False), (15.1, False)])
def test_juvenile_wood_at_its_limit(ring, warned):
    near = ring * 0.125
    note = growth.juvenile_note(end_with(0.0, series([0.0, 0.125, 0.25], pith=(near, near + 1))))
    assert (note is not None) == warned


def test_widths_as_csv_oldest_first_with_units():
    text = growth.ring_widths_csv(series([-0.2, 0.0, 0.3], latewood=(0.4, None)), width_mm=20.0)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["ring"] for row in rows] == ["1", "2"]
    assert [float(row["width_mm"]) for row in rows] == pytest.approx([4.0, 6.0])
    assert [row["latewood_share"] for row in rows] == ["0.400", ""]
    assert {row["order_sure"] for row in rows} == {"yes"}


@given(st.lists(st.floats(0.01, 1.0), min_size=4, max_size=30))
def test_runs_bound_every_run(widths):
    places = [0.0]
    for width in widths:
        places.append(places[-1] + width)
    found = growth.slowest_and_fastest(series(places))
    assert found is not None
    slow, fast = found
    assert slow.mean_width <= fast.mean_width
    assert slow.mean_width >= min(widths) - 1e-9
    assert fast.mean_width <= max(widths) + 1e-9


def test_trend_of_evenly_growing_widths():
    # Widths 1, 2, 3, 4, 5 grow by 1 a ring over a mean of 3.
    trend = growth.ring_width_trend(series([0, 1, 3, 6, 10, 15]))
    assert trend == pytest.approx(1 / 3)
    assert growth.ring_width_trend(series([0, 1, 3, 6, 10, 15], bark=0.5)) is None
