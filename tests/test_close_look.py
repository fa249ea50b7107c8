"""Which moves of an outline's sides are believed, and when an end or an edge is doubted."""

import dataclasses

import cv2
import numpy as np
import pytest

from grainscan.errors import BlankNotFoundError
from grainscan.measure import close_look
from grainscan.measure.beams import change_across
from grainscan.measure.close_look import Look, Picture, to_ends
from grainscan.measure.corners import ends_seen
from grainscan.measure.edge_runs import edge_runs
from grainscan.measure.edges import reduced
from grainscan.measure.end_lines import EndLines, end_lines
from grainscan.measure.look import seen
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
from grainscan.measure.regions import LEAST_END_GAIN, EndOdds
from tests.accuracy_outlines import direction_deg
from tests.test_corners import BOTTOM, LEFT, RIGHT, TOP, laid, outline
from tests.test_outline import board, lay, photograph


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
    monkeypatch.setattr(close_look, "moved_edges", lambda *_: iter([moved]))
    assert list(close_look._moves_within_bench(taken, look)) == ([moved] if believed else [])


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
    assert close_look._over_a_side_face(taken, look, moved) == vetoed
    # Inwards it may move.
    moved, _ = outline(TOP - 0.5, BOTTOM - 24.5)
    assert not close_look._over_a_side_face(taken, look, moved)


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


def nowhere(*_):
    """No place is more like an end than another."""
    return EndLines(np.linspace(-0.2, 1.2, 701), np.zeros(701))


@pytest.mark.parametrize("side", [0, 1])
def test_the_lines_of_an_end_are_clearest_at_the_end(side):
    picture = laid(crosswise=False)
    _, look = looked_at(picture, TOP, BOTTOM)
    for off in (-0.05, 0.0, 0.05):
        moved = Curve([float(side) + off], domain=[0.0, 1.0])
        found = dataclasses.replace(look.found, **{("left", "right")[side]: moved})
        lines = end_lines(picture, look.rough, found, side)
        best = lines.share[int(np.argmax(lines.clear))]
        assert best == pytest.approx(side, abs=0.006)
        assert lines.near(float(side), 0.006) > 1.0
        assert lines.near(side + 0.04, 0.006) < 0.5


def test_a_line_that_goes_on_beyond_the_long_edges_is_no_end():
    picture = laid().copy()
    picture[:, RIGHT + 80 :] //= 2
    _, look = looked_at(picture, TOP, BOTTOM)
    lines = end_lines(picture, look.rough, look.found, 1)
    assert lines.near(1.0 + 80.0 / (RIGHT - LEFT), 0.006) < 0.3
    assert lines.near(1.0, 0.006) > 1.0


BEYOND = 60.0 / (RIGHT - LEFT)


def running(gain):
    """Long edges, or a surface, that speak by a gain for the true right end against one beyond."""
    return EndOdds(np.array([0.7, 1.0, 1.0 + BEYOND, 1.3]), np.array([0.0, gain, 0.0, 0.0]))


@pytest.mark.parametrize(
    ("edges", "surface", "goes"),
    [
        (-9.0, -9.0, False),
        (4.0, -9.0, True),
        (9.0, -9.0, True),
        (-9.0, -4.0, False),
        (-9.0, -2.0, True),
        (-9.0, 4.0, True),
    ],
)
def test_an_end_goes_where_its_line_and_the_long_edges_or_the_surface_say(
    monkeypatch, edges, surface, goes
):
    picture = laid(crosswise=False)
    taken, look = looked_at(picture, TOP, BOTTOM)
    beyond = Curve([1.0 + BEYOND], domain=[0.0, 1.0])
    wrong = dataclasses.replace(look, found=dataclasses.replace(look.found, right=beyond))
    monkeypatch.setattr(close_look, "edge_runs", lambda *_: running(edges))
    monkeypatch.setattr(close_look, "end_odds", lambda *_: running(surface))
    answer = close_look._to_clearer_end(taken, wrong, 1)
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
    answer = close_look._to_clearer_end(taken, wrong, 0)
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

    def faint(_picture, _bar, rough):
        if lost:
            raise BlankNotFoundError("the long edges run together")
        found = dataclasses.replace(look.found, clear=(1.0, 1.0, 1.0, 0.1))
        return dataclasses.replace(wrong, rough=rough, found=found)

    monkeypatch.setattr(close_look, "followed", faint)
    monkeypatch.setattr(close_look, "end_lines", nowhere)
    monkeypatch.setattr(close_look, "edge_runs", lambda *_: running(0.0))
    answer = to_ends(taken, wrong)
    assert answer.end_doubted
    assert answer.found is wrong.found


def test_of_two_ends_the_clearer_one_needs_less_of_a_gain(monkeypatch):
    """All as in the picture, but for how clear the end looks at the one place and at the other."""
    picture = laid()
    taken, look = looked_at(picture, TOP, BOTTOM)
    gains = {"little": 0.5 * (close_look.LEAST_CLEARER_GAIN + LEAST_END_GAIN), "much": 99.0}

    def moved(now, there, gain):
        odds = EndOdds(np.array([0.9, 1.0]), np.array([gains[gain], 0.0]))
        none = EndOdds(np.array([0.1, 0.0]), np.array([0.0, 0.0]))
        monkeypatch.setattr(close_look, "end_odds", lambda *given: odds if given[3] else none)
        clear = (1.0, 1.0, 1.0)
        here, other = (
            dataclasses.replace(look, found=dataclasses.replace(look.found, clear=(*clear, share)))
            for share in (now, there)
        )
        monkeypatch.setattr(close_look, "followed", lambda *_: other)
        answer = to_ends(taken, here)
        return answer.found is other.found, answer.end_doubted

    assert moved(0.2, 0.9, "little") == (True, False)
    assert moved(0.9, 0.9, "little") == (False, False)
    assert moved(0.9, 0.9, "much") == (True, False)
    assert moved(0.9, 0.2, "much") == (False, True)
    assert moved(0.9, 0.2, "little") == (False, False)


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
