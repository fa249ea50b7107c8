"""Moisture content: the handbook's equilibrium table, weights, the hot box."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import InputError
from grainscan.workshop.moisture import (
    dry_weight_from_moisture,
    dry_weight_from_volume,
    equilibrium_moisture_f,
    equilibrium_moisture_percent,
    hot_box_advice,
    moisture_percent,
    parse_moisture,
    present_moisture,
)
from grainscan.workshop.spread import Estimate
from grainscan.workshop.woods import read_woods

# Wood Handbook, FPL-GTR-190, 2010, Table 4-2, cells read in a page copy: °F, % relative
# humidity, % moisture content.
CELLS = [
    (30, 80, 16.5), (50, 50, 9.5), (70, 30, 6.2), (70, 50, 9.2), (70, 65, 12.0), (70, 80, 16.0),
    (90, 60, 10.5), (120, 35, 6.1), (140, 55, 8.4),
]  # fmt: skip
ROW_70_F = [1.3, 2.5, 3.5, 4.5, 5.4, 6.2, 6.9, 7.7, 8.5, 9.2, 10.1, 11.0, 12.0, 13.1, 14.4, 16.0,
            17.9, 20.5, 23.9]  # fmt: skip
CELLS += [(70, 5 * (k + 1), percent) for k, percent in enumerate(ROW_70_F)]


def celsius(fahrenheit):
    return (fahrenheit - 32) / 1.8


@pytest.mark.parametrize(("f", "humidity", "printed"), CELLS)
def test_the_table_of_equilibrium_moisture(f, humidity, printed):
    """Half a unit of the printed 0.1 %, and 0.015 % for the rounding of the coefficients."""
    assert equilibrium_moisture_percent(celsius(f), humidity) == pytest.approx(printed, abs=0.065)
    assert equilibrium_moisture_f(f, humidity) == pytest.approx(printed, abs=0.065)


@pytest.mark.parametrize(("humidity", "percent"), [(30, 6), (50, 9), (65, 12), (80, 16)])
def test_the_shop_rule(humidity, percent):
    """30, 50, 65, 80 % humidity give 6, 9, 12, 16 % (G. Wengert, answer to a trade question)."""
    assert equilibrium_moisture_percent(20, humidity) == pytest.approx(percent, abs=0.5)


@given(st.floats(-1.1, 120), st.floats(0, 100), st.floats(0.1, 20))
def test_damper_air_makes_wetter_wood_and_both_scales_agree(c, humidity, more):
    percent = equilibrium_moisture_percent(c, humidity)
    assert percent >= 0
    if humidity + more <= 100:
        assert equilibrium_moisture_percent(c, humidity + more) > percent
    # The coefficients for °F are the same ones rounded anew; they part only in very hot damp air.
    if c <= 60 and humidity <= 95:
        assert equilibrium_moisture_f(1.8 * c + 32, humidity) == pytest.approx(percent, abs=0.1)


def test_bone_dry_air_makes_bone_dry_wood():
    assert equilibrium_moisture_percent(20, 0) == 0


@pytest.mark.parametrize(
    ("c", "humidity"),
    [(-5, 50), (200, 50), (20, -1), (20, 101), (float("nan"), 50), (20, float("nan"))],
)  # fmt: skip
def test_air_that_cannot_be(c, humidity):
    with pytest.raises(InputError):
        equilibrium_moisture_percent(c, humidity)
    with pytest.raises(InputError):
        equilibrium_moisture_f(1.8 * c + 32, humidity)


def test_moisture_content_is_on_the_dry_weight():
    assert moisture_percent(150, 120) == 25
    assert moisture_percent(120, 120) == 0
    assert dry_weight_from_moisture(150, 25) == pytest.approx(120)


@pytest.mark.parametrize(
    ("wet", "dry", "hint"),
    [(100, 120, "changed places"), (0, 0, "above 0"), (-1, 1, "above 0"), (100, 0, "above 0"),
     (float("nan"), 1, "above 0"), (400, 100, "250 %")],
)  # fmt: skip
def test_weights_that_cannot_be(wet, dry, hint):
    with pytest.raises(InputError, match=hint):
        moisture_percent(wet, dry)


@given(st.floats(1, 1e4), st.floats(0, 250))
def test_dry_weight_and_back(dry_g, percent):
    wet_g = dry_g * (1 + percent / 100)
    assert dry_weight_from_moisture(wet_g, percent) == pytest.approx(dry_g, rel=1e-12)


@pytest.mark.parametrize(
    ("typed", "percent"), [("12", 12), (" 12 % ", 12), ("6.5%", 6.5), ("Green", 30), ("0", 0)]
)
def test_moisture_as_typed(typed, percent):
    assert parse_moisture(typed) == percent


@pytest.mark.parametrize("typed", ["", "wet", "-1", "251", "nan", "inf", "%", "12 g"])
def test_moisture_that_is_none(typed):
    with pytest.raises(InputError) as caught:
        parse_moisture(typed)
    assert len(str(caught.value).splitlines()) == 1


def test_dry_weight_from_the_green_volume():
    """White ash, specific gravity green 0.55: a litre of green wood holds 550 g of dry wood."""
    dry = dry_weight_from_volume(read_woods().find("white ash"), 1e6)
    assert dry.value == pytest.approx(550)
    # ± 1.645 · 10 % (Wood Handbook, ch. 5, from memory)
    assert (dry.low, dry.high) == pytest.approx(
        (550 * (1 - 0.16449), 550 * (1 + 0.16449)), abs=0.01
    )
    with pytest.raises(InputError):
        dry_weight_from_volume(read_woods().find("white ash"), 0)


def test_moisture_now_carries_the_interval_of_the_dry_weight():
    sure = present_moisture(660, 550)
    assert (sure.low, sure.value, sure.high) == pytest.approx((20, 20, 20))
    wide = present_moisture(660, Estimate(550, 500, 600))
    assert (wide.low, wide.value, wide.high) == pytest.approx((10, 20, 32))
    # Lighter than the likeliest dry weight, yet possible: the value is not below oven-dry.
    assert present_moisture(540, Estimate(550, 500, 600)).value == 0
    with pytest.raises(InputError, match="less than its oven-dry weight"):
        present_moisture(499, Estimate(550, 500, 600))


@pytest.mark.parametrize(
    ("low", "value", "high", "word"),
    [(30, 40, 50, "wait"), (29, 40, 50, "not sure"), (10, 20, 24.9, "may go in"),
     (10, 20, 25, "not sure"), (27, 27, 27, "not sure"), (0, 5, 8, "may go in")],
)  # fmt: skip
def test_the_hot_box_waits_for_what_is_surely_below_fibre_saturation(low, value, high, word):
    advice = hot_box_advice(Estimate(value, low, high))
    assert advice.word == word
    assert "common practice, no source" in advice.because
