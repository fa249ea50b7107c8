"""Trouble too faint for one face, told by the other."""

import dataclasses

import pytest

from grainscan.measure.blank import combine
from grainscan.measure.both_faces import told_by_the_other, with_trouble_of_both
from grainscan.measure.knots import FALSE_ALARM, LEAST_CHANCE, look_for_trouble
from grainscan.results import BlankRecord, LocalTrouble, TextureReading
from tests.hand_made import face
from tests.test_knots import streaks

ONE_WIDTH = 1.0 / 15.0


def trouble(at, chance=0.3, what="knot"):
    return LocalTrouble(what, at, at - 0.02, at + 0.02, 0.1, 0.3, chance)


def told(faint, other, found=()):
    return told_by_the_other(found, faint, other, one_width=ONE_WIDTH)


def test_where_the_other_face_has_a_knot_less_is_enough():
    (found,) = told((trouble(0.41), trouble(0.42, 0.5)), (trouble(0.4, 1e-5),))
    assert found.at == 0.41
    # Of a fifteenth of the places, a chance of three in ten for all of them: 1 - 0.7^(1/15).
    assert found.false_alarm == pytest.approx(1.0 - 0.7**ONE_WIDTH)
    assert told((trouble(0.41, 1e-9),), (trouble(0.4),))[0].false_alarm == LEAST_CHANCE


@pytest.mark.parametrize(
    ("faint", "other", "found"),
    [
        ((trouble(0.45),), (trouble(0.4),), ()),
        ((trouble(0.41, 1.0),), (trouble(0.4),), ()),
        ((trouble(0.41),), (), ()),
        ((trouble(0.41),), (trouble(0.4),), (trouble(0.37, 0.01),)),
    ],
    ids=["elsewhere", "too faint", "no knot on the other", "found already"],
)
def test_nothing_is_told(faint, other, found):
    assert told(faint, other, found) == ()


def test_the_stations_at_it_are_left_out_of_the_face_s_angle():
    plain = face(angle_deg=1.0)
    swirled = tuple(
        dataclasses.replace(s, angle_deg=8.0) if abs(s.at - 0.41) < 0.05 else s
        for s in plain.stations
    )
    mean = sum(s.angle_deg for s in swirled) / len(swirled)
    shown = dataclasses.replace(
        plain,
        angle_deg=mean,
        low_deg=mean - 0.4,
        high_deg=mean + 0.4,
        texture=TextureReading(mean, 0.25, swirled),
        length_over_width=15.0,
        faint_trouble=(trouble(0.41),),
    )
    other = dataclasses.replace(face(), local_trouble=(trouble(0.4, 1e-4),))
    found = with_trouble_of_both(shown, other)
    assert [t.at for t in found.local_trouble] == [0.41]
    assert found.texture.angle_deg == pytest.approx(1.0)
    assert (found.low_deg, found.angle_deg, found.high_deg) == pytest.approx((0.6, 1.0, 1.4))
    assert any(s.in_trouble for s in found.stations)
    assert all(abs(s.at - 0.41) < 0.1 for s in found.stations if s.in_trouble)
    both = combine(BlankRecord(blank="made"), shown, other, None)
    assert [t.at for t in both.face_a.local_trouble] == [0.41]
    assert with_trouble_of_both(shown, face()) is shown
    assert with_trouble_of_both(shown, None) is shown


def test_what_is_too_faint_is_handed_on_likeliest_first():
    found, faint = look_for_trouble(streaks(3))
    assert found == ()
    chances = [t.false_alarm for t in faint]
    assert chances == sorted(chances)
    assert all(FALSE_ALARM < chance <= 1.0 for chance in chances)
