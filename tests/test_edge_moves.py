"""A long edge moved to where the ends stop, or the face's look gives way: what is believed."""

import dataclasses

import numpy as np
import pytest

from grainscan.measure import edge_moves
from grainscan.measure.beams import change_across
from grainscan.measure.close_look import Look, Picture
from grainscan.measure.corners import ends_seen
from grainscan.measure.edge_moves import LEAST_BETTER, to_corners, to_regions
from grainscan.measure.edges import reduced
from grainscan.measure.look import seen
from grainscan.measure.refine import Curve
from tests.test_corners import BOTTOM, LEFT, RIGHT, TOP, laid, outline


def looked_at(picture, top, bottom):
    small, scale = reduced(picture, 640)
    look = seen(small, picture)
    rough, found = outline(top, bottom)
    taken = Picture(picture, 1.0, scale, look, change_across(look))
    return taken, Look(None, rough, found, ends_seen(picture, rough, found))


@pytest.mark.parametrize(("now", "then", "believed"), [(0, -24, False), (30, 0, True)])
def test_an_edge_is_not_moved_in_over_the_face_itself(monkeypatch, now, then, believed):
    picture = laid()
    taken, look = looked_at(picture, TOP, BOTTOM + now)
    moved, _ = outline(TOP, BOTTOM + then)
    monkeypatch.setattr(edge_moves, "moved_edges", lambda *_: iter([moved]))
    assert list(edge_moves._moves_within_bench(taken, look)) == ([moved] if believed else [])


@pytest.mark.parametrize(
    ("light", "vetoed"), [(1.0, False), (0.9, True), (1.1, True), ("rings", False)]
)
def test_an_edge_is_not_moved_out_over_what_is_in_another_light(light, vetoed):
    picture = laid().astype(float)
    beyond = slice(BOTTOM, BOTTOM + 24)
    strip = picture[BOTTOM - 30 : BOTTOM - 6, LEFT:RIGHT]
    if light == "rings":
        # Half of the length lighter, the other half darker: no side face.
        picture[beyond, LEFT:RIGHT] = (
            strip * np.where(np.arange(RIGHT - LEFT) < 500, 1.1, 0.9)[None, :, None]
        )
    else:
        picture[beyond, LEFT:RIGHT] = strip * light
    taken, look = looked_at(np.uint8(np.clip(picture, 0, 255)), TOP - 0.5, BOTTOM - 0.5)
    moved, _ = outline(TOP - 0.5, BOTTOM + 23.5)
    assert edge_moves._over_a_side_face(taken, look, moved) == vetoed
    # Inwards it may move.
    moved, _ = outline(TOP - 0.5, BOTTOM - 24.5)
    assert not edge_moves._over_a_side_face(taken, look, moved)


def bar_of(look, picture):
    """The look with the bar that its outline is."""
    edges = (
        edge_moves._small_points(look.rough, e, picture)
        for e in (look.found.top, look.found.bottom)
    )
    return dataclasses.replace(
        look, bar=edge_moves.bar_between(picture.look, picture.change, *edges)
    )


@pytest.mark.parametrize("clear", [0.5, 1.0])
def test_an_edge_on_a_ring_goes_to_where_the_surface_and_the_corners_say(clear):
    """However clear the ring is: the ends contradict it."""
    taken, look = looked_at(laid(), TOP - 0.5, BOTTOM - 16.5)
    look = bar_of(look, taken)
    found = dataclasses.replace(look.found, clear=(1.0, clear, 1.0, 1.0))
    answer = to_regions(taken, dataclasses.replace(look, found=found))
    assert answer.found.bottom(0.5) == pytest.approx(BOTTOM - 0.5 - 449.5, abs=3.5)


@pytest.mark.parametrize(("least", "asked"), [(LEAST_BETTER, False), (-1.0, True)])
def test_a_clear_edge_is_asked_for_only_where_the_ends_contradict_it(monkeypatch, least, asked):
    taken, look = looked_at(laid(), TOP - 0.5, BOTTOM - 0.5)
    sides = []
    monkeypatch.setattr(edge_moves, "LEAST_BETTER", least)
    monkeypatch.setattr(edge_moves, "_to_region", lambda _, of, side, __: sides.append(side) or of)
    assert to_regions(taken, look) is look
    assert sorted(sides) == ([0, 1] if asked else [])


@pytest.mark.parametrize(("gain", "taken_up"), [(1.2, True), (0.8, False)])
def test_what_the_surface_says_must_outweigh_the_corners_twice(monkeypatch, gain, taken_up):
    taken, look = looked_at(laid(), TOP - 0.5, BOTTOM - 16.5)
    look = bar_of(look, taken)
    worse = 2.0 * edge_moves.LEAST_GAIN * gain

    class Odds:
        share = np.linspace(0.02, 0.98, 9)

        def best(self, side, other):
            return Curve([BOTTOM - 0.5 - 449.5], domain=[0.0, 1.0])

        def at(self, side, across):
            return worse if across[0] > BOTTOM - 10 - 449.5 else 0.0

    monkeypatch.setattr(edge_moves, "shortfall", lambda seen, found: 0.0)
    answer = edge_moves._to_region(taken, look, 1, Odds())
    # The ring stands clear: it is worth as much again.
    assert (answer is not look) == taken_up
    far = {True: edge_moves.LEAST_GAIN * 0.3, False: 0.0}
    monkeypatch.setattr(
        edge_moves, "shortfall", lambda seen, found: far[bool(found.bottom(0.5) > 20.0)]
    )
    assert edge_moves._to_region(taken, look, 1, Odds()) is look


@pytest.mark.parametrize(
    ("slant", "corners_gain", "taken_up"),
    [(0.0, 99.0, True), (0.0, 1.0, False), (14.0, 99.0, False)],
)
def test_ends_and_surface_move_an_edge_that_is_not_seen(slant, corners_gain, taken_up):
    """Not if that makes the face taper more than they usually do."""
    taken, look = looked_at(laid(), TOP - 0.5, BOTTOM - 16.5)
    line = Curve.fit([0.0, 1.0], [BOTTOM - 450.0, BOTTOM - 450.0 - slant], 1, domain=[0.0, 1.0])
    other = dataclasses.replace(look, found=dataclasses.replace(look.found, bottom=line))
    if not slant and corners_gain < 2.0:
        # The surface speaks for it still; without it the corners' gain is too little.
        look, other = other, look
    assert edge_moves._explains_more(taken, look, other, corners_gain) == taken_up


def test_what_lies_beyond_an_edge_far_inside_the_face_is_not_learnt_as_the_bench(monkeypatch):
    """The odds of the outline at hand speak against the move, those of the moved one for it."""
    taken, look = looked_at(laid(), TOP, BOTTOM - 40)
    moved, _ = outline(TOP, BOTTOM)

    def believed(*said):
        answers = iter(said)
        monkeypatch.setattr(edge_moves, "region_odds", lambda *_: None)
        monkeypatch.setattr(edge_moves, "_lost", lambda *_: next(answers))
        monkeypatch.setattr(edge_moves, "moved_edges", lambda *_: iter([moved]))
        return list(edge_moves._moves_within_bench(taken, look)) == [moved]

    least = edge_moves.LEAST_GAIN
    assert believed(0.9 * least)
    assert believed(3.0 * least, -2.5 * least)
    assert not believed(3.0 * least, -1.5 * least)


def test_an_edge_on_a_ring_goes_to_where_the_ends_stop():
    taken, look = looked_at(laid(), TOP - 0.5, BOTTOM - 16.5)
    answer = to_corners(taken, bar_of(look, taken))
    half = np.array([0.5])
    row = answer.rough.points(half, answer.found.bottom(half))[0, 1]
    assert row == pytest.approx(BOTTOM - 0.5, abs=1.5)
