"""Where a face's look gives way to the bench's, on made boards whose edges are known."""

import numpy as np
import pytest

from grainscan.measure.regions import LEAST_END_GAIN, LEAST_GAIN, end_odds, region_odds
from grainscan.measure.sides import Curve
from tests.test_corners import BOTTOM, LEFT, RIGHT, TOP, laid, outline

PLACES_PX = 3.5
"""What an edge's place is uncertain by: the spread of the means, and rings beside it."""


def level(row):
    return Curve([row - 0.5 - 449.5], domain=[0.0, 1.0])


@pytest.mark.parametrize("crosswise", [True, False])
@pytest.mark.parametrize("laid_at", [BOTTOM - 28, BOTTOM, BOTTOM + 22])
def test_the_odds_are_greatest_at_the_true_edge_wherever_it_was_laid(laid_at, crosswise):
    picture = laid(crosswise=crosswise)
    odds = region_odds(picture, *outline(TOP - 0.5, laid_at - 0.5))
    course = odds.best(1, level(TOP))(odds.share)
    assert course == pytest.approx(np.full(len(course), level(BOTTOM)(0.5)), abs=PLACES_PX)
    gain = odds.at(1, course) - odds.at(1, level(laid_at)(odds.share))
    assert (gain > LEAST_GAIN) == (laid_at != BOTTOM)


def test_a_shadow_beside_the_face_is_bench():
    # Half the light falls on a strip of the bench as wide as the board is: 0.5 ** (1 / 2.2).
    picture = laid().astype(float)
    strip = slice(BOTTOM, BOTTOM + (BOTTOM - TOP))
    picture[strip, LEFT - 40 : RIGHT + 40] *= 0.73
    odds = region_odds(np.uint8(np.round(picture)), *outline(TOP - 0.5, BOTTOM - 0.5))
    course = odds.best(1, level(TOP))(odds.share)
    assert course == pytest.approx(np.full(len(course), level(BOTTOM)(0.5)), abs=PLACES_PX)


@pytest.mark.parametrize("side", [0, 1])
def test_an_end_is_where_the_bench_begins(side):
    picture = laid()
    rough, found = outline(TOP - 0.5, BOTTOM - 0.5)
    odds = end_odds(picture, rough, found, side)
    assert odds.best == pytest.approx(float(side), abs=0.015)
    outwards = -1.0 if side == 0 else 1.0
    for off in (-0.08, 0.08):
        assert odds.at(odds.best) - odds.at(side + outwards * off) > LEAST_END_GAIN
    assert odds.at(odds.best) - odds.at(float(side)) < LEAST_END_GAIN


def test_beyond_the_picture_there_is_no_face():
    # The same board all over: nothing but the picture's border ends it.
    picture = np.tile(laid()[TOP:BOTTOM, LEFT:RIGHT], (12, 2, 1))[:900, :1600]
    rough, found = outline(TOP - 0.5, BOTTOM - 0.5)
    odds = end_odds(picture, rough, found, 1)
    border = (1599.0 - LEFT) / (RIGHT - LEFT)
    assert odds.best <= border
