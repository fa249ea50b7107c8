"""An end moved along the length: where a line, the long edges and the surface say it is."""

import dataclasses

import numpy as np
import pytest

from grainscan.errors import BlankNotFoundError
from grainscan.measure import end_moves
from grainscan.measure.edge_runs import edge_runs
from grainscan.measure.end_lines import CLEAR_WORTH, USUAL_LEAN_DEG, end_lines
from grainscan.measure.end_moves import to_ends
from grainscan.measure.refine import Curve
from grainscan.measure.regions import LEAST_END_GAIN, EndOdds
from tests.test_corners import BOTTOM, LEFT, RIGHT, TOP, laid
from tests.test_edge_moves import looked_at


def near(lines, share):
    """The greatest odds about a place."""
    return float(lines.odds[np.abs(lines.share - share) <= 0.006].max())


@pytest.mark.parametrize("side", [0, 1])
def test_the_lines_of_an_end_are_clearest_at_the_end(side):
    picture = laid(crosswise=False)
    _, look = looked_at(picture, TOP, BOTTOM)
    for off in (-0.05, 0.0, 0.05):
        moved = Curve([float(side) + off], domain=[0.0, 1.0])
        found = dataclasses.replace(look.found, **{("left", "right")[side]: moved})
        lines = end_lines(picture, look.rough, found, side)
        best = lines.share[int(np.argmax(lines.odds))]
        assert best == pytest.approx(side, abs=0.006)
        assert near(lines, float(side)) > CLEAR_WORTH
        assert near(lines, side + 0.04) < 0.5 * CLEAR_WORTH


def test_an_end_that_leans_where_the_other_does_not_is_less_likely():
    """Ends are cut about square, and perspective makes both lean to opposite sides."""
    picture = laid(crosswise=False)
    _, look = looked_at(picture, TOP, BOTTOM)
    length, width = look.rough.length, look.rough.width

    def odds(left_deg, right_deg):
        left, right = (
            Curve([at, np.tan(np.radians(deg)) * width / length / 2.0], domain=[0.0, 1.0])
            for at, deg in ((0.0, left_deg), (1.0, right_deg))
        )
        found = dataclasses.replace(look.found, left=left, right=right)
        lines = end_lines(picture, look.rough, found, 1)
        return near(lines, 1.0), lines

    square, lines = odds(0.0, 0.0)
    assert np.array_equal(lines.odds, lines.own_odds)
    # The square line is there all the same.
    leaning, lines = odds(0.0, 12.0)
    assert leaning == pytest.approx(square, abs=0.2)
    own = lines.own_odds[np.abs(lines.share - 1.0) <= 0.006].max()
    assert own < square - np.log1p((12.0 / USUAL_LEAN_DEG) ** 2)
    # Where the other end leans to the other side no odds are lost.
    _, lines = odds(-12.0, 12.0)
    mirrored = lines.own_odds[np.abs(lines.share - 1.0) <= 0.006].max()
    assert mirrored == pytest.approx(own + np.log1p((12.0 / USUAL_LEAN_DEG) ** 2), abs=0.05)


def test_a_line_that_goes_on_beyond_the_long_edges_is_no_end():
    picture = laid().copy()
    picture[:, RIGHT + 80 :] //= 2
    _, look = looked_at(picture, TOP, BOTTOM)
    lines = end_lines(picture, look.rough, look.found, 1)
    assert near(lines, 1.0 + 80.0 / (RIGHT - LEFT)) < 0.3 * CLEAR_WORTH
    assert near(lines, 1.0) > CLEAR_WORTH


BEYOND = 60.0 / (RIGHT - LEFT)


def running(gain):
    """Long edges, or a surface, that speak by a gain for the true right end against one beyond."""
    return EndOdds(np.array([0.7, 1.0, 1.0 + BEYOND, 1.3]), np.array([0.0, gain, 0.0, 0.0]))


@pytest.mark.parametrize(
    ("edges", "surface", "goes"),
    # The line itself is worth some fifteen; the surface counts half.
    [
        (-9.0, -9.0, False),
        (0.0, -20.0, False),
        (0.0, 0.0, True),
        (9.0, -9.0, True),
        (-9.0, 14.0, True),
        (-20.0, 4.0, False),
    ],
)
def test_an_end_goes_where_its_line_the_long_edges_and_the_surface_say(
    monkeypatch, edges, surface, goes
):
    picture = laid(crosswise=False)
    taken, look = looked_at(picture, TOP, BOTTOM)
    beyond = Curve([1.0 + BEYOND], domain=[0.0, 1.0])
    wrong = dataclasses.replace(look, found=dataclasses.replace(look.found, right=beyond))
    monkeypatch.setattr(end_moves, "edge_runs", lambda *_: running(edges))
    monkeypatch.setattr(end_moves, "end_odds", lambda *_: running(surface))
    answer = end_moves._to_likelier_end(taken, wrong, 1)
    assert (answer is not wrong) == goes
    if goes:
        assert float(answer.found.right(0.5)) == pytest.approx(1.0, abs=0.005)


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("off", [-0.12, 0.0, 0.06])
def test_the_long_edges_run_on_to_the_end_wherever_it_was_laid(side, off):
    picture = laid(crosswise=False)
    _, look = looked_at(picture, TOP, BOTTOM)
    moved = Curve([side + (off if side == 1 else -off)], domain=[0.0, 1.0])
    found = dataclasses.replace(look.found, **{("left", "right")[side]: moved})
    runs = edge_runs(picture, look.rough, found, side)
    assert runs.best == pytest.approx(side, abs=0.02)
    # Twelve pixels of two edges say up to two.
    assert 30 < runs.at(float(side)) - runs.at(abs(side - 0.25)) < 2.0 * 250.0 / 12.0 + 2.0


def test_where_a_stain_ends_is_no_end_of_the_face():
    picture = laid(crosswise=False).astype(float)
    stained = slice(LEFT, LEFT + 150)
    picture[TOP:BOTTOM, stained] *= [0.72, 0.70, 0.68]
    taken, look = looked_at(np.uint8(picture), TOP, BOTTOM)
    at_stain = Curve([150.0 / (RIGHT - LEFT)], domain=[0.0, 1.0])
    wrong = dataclasses.replace(look, found=dataclasses.replace(look.found, left=at_stain))
    answer = end_moves._to_likelier_end(taken, wrong, 0)
    rough, found = answer.rough, answer.found
    left_px = rough.left + float(found.left(0.5)) * rough.length + rough.origin[0]
    assert left_px == pytest.approx(LEFT - 0.5, abs=4.0)


@pytest.mark.parametrize("lost", [False, True])
def test_an_end_is_doubted_where_the_surface_ends_elsewhere(monkeypatch, lost):
    picture = laid()
    taken, look = looked_at(picture, TOP, BOTTOM)
    assert not to_ends(taken, look).end_doubted
    beyond = Curve([1.0 + 60.0 / (RIGHT - LEFT)], domain=[0.0, 1.0])
    wrong = dataclasses.replace(look, found=dataclasses.replace(look.found, right=beyond))

    def faint(_picture, _bar, rough, _reach):
        if lost:
            raise BlankNotFoundError("the long edges run together")
        found = dataclasses.replace(look.found, clear=(1.0, 1.0, 1.0, 0.1))
        return dataclasses.replace(wrong, rough=rough, found=found)

    monkeypatch.setattr(end_moves, "followed", faint)
    monkeypatch.setattr(end_moves, "_to_likelier_end", lambda _, at, side: at)
    answer = to_ends(taken, wrong)
    assert answer.end_doubted
    assert answer.found is wrong.found


def test_of_two_ends_the_clearer_one_needs_less_of_a_gain(monkeypatch):
    """All as in the picture, but for how clear the end looks at the one place and at the other."""
    picture = laid()
    taken, look = looked_at(picture, TOP, BOTTOM)
    gains = {"little": 0.5 * (end_moves.LEAST_CLEARER_GAIN + LEAST_END_GAIN), "much": 99.0}

    def moved(now, there, gain):
        odds = EndOdds(np.array([0.9, 1.0]), np.array([gains[gain], 0.0]))
        none = EndOdds(np.array([0.1, 0.0]), np.array([0.0, 0.0]))
        monkeypatch.setattr(end_moves, "end_odds", lambda *given: odds if given[3] else none)
        clear = (1.0, 1.0, 1.0)
        here, other = (
            dataclasses.replace(look, found=dataclasses.replace(look.found, clear=(*clear, share)))
            for share in (now, there)
        )
        monkeypatch.setattr(end_moves, "followed", lambda *_: other)
        monkeypatch.setattr(end_moves, "_to_likelier_end", lambda _, at, side: at)
        answer = to_ends(taken, here)
        return answer.found is other.found, answer.end_doubted

    assert moved(0.2, 0.9, "little") == (True, False)
    assert moved(0.9, 0.9, "little") == (False, False)
    assert moved(0.9, 0.9, "much") == (True, False)
    assert moved(0.9, 0.2, "much") == (False, True)
    assert moved(0.9, 0.2, "little") == (False, False)
