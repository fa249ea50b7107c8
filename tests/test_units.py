"""Lengths as typed and as printed."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import InputError
from grainscan.workshop.units import (
    Sixtyfourths,
    inch_words,
    length_words,
    parse_length_mm,
    parse_section_mm,
    typed_units,
)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("11", 11.0), ("11mm", 11.0), (" 11 MM ", 11.0), ("1.1cm", 11.0), ("0.5 m", 500.0),
        (".5in", 12.7), ('7/16"', 11.1125), ("7/16 in", 11.1125), ("7/16in", 11.1125),
        ("1 3/8 in", 34.925), ("1-3/8 inch", 34.925), ("1 3/8″", 34.925), ("1⅜ in", 34.925),
        ("⅜ in", 9.525), ("½in", 12.7), ("3/8”", 9.525), ("3/8''", 9.525), ("2 inches", 50.8),
        ("5⁄8 in", 15.875), ("10/5 mm", 2.0),
    ],
)  # fmt: skip
def test_each_way_to_write_a_length(text, mm):
    assert parse_length_mm(text) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    ["", "mm", "ten", "0", "0mm", "-3mm", "1/0 in", "0/4 in", "7/16", "1 3/8", "nan", "inf", "1e3",
     "3 ft", "1,5", "1.5.2", "5 6 mm", "1/2/3 in", "1.5/2 in", "50001", "9" * 400, "٣", "1\n2",
     "x"],
)  # fmt: skip
def test_nonsense_is_one_line(text):
    with pytest.raises(InputError) as caught:
        parse_length_mm(text, what="tenon")
    assert len(str(caught.value).splitlines()) == 1


@given(st.text(max_size=14))
def test_any_text_is_a_length_or_one_line(text):
    try:
        found = parse_length_mm(text)
    except InputError:
        return
    assert 0.0 < found <= 50_000.0


@given(st.integers(0, 40), st.integers(0, 63), st.sampled_from(["in", '"', " inches"]))
def test_sixtyfourths_come_back_whole(whole, count, unit):
    size = whole + Fraction(count, 64)
    if size == 0:
        return
    printed = inch_words(float(size) * 25.4)
    assert "about" not in printed
    assert parse_length_mm(printed.removesuffix(" in") + unit) == pytest.approx(
        float(size) * 25.4, abs=1e-9
    )


@given(st.floats(0.01, 2000.0))
def test_the_nearest_sixtyfourth_is_within_half_a_step(mm):
    near = Sixtyfourths.nearest(mm)
    assert abs(near.over_in) <= 1 / 128 + 1e-12
    assert near.count / 64 + near.over_in == pytest.approx(mm / 25.4, abs=1e-12)


@pytest.mark.parametrize(
    ("mm", "words"),
    [(11.1125, "7/16 in"), (25.4, "1 in"), (34.925, "1 3/8 in"),
     (14.7, "about 37/64 in (0.579 in)"), (0.1, "about 0 in (0.004 in)"),
     (12.71, "1/2 in"), (12.72, "about 1/2 in (0.501 in)")],
)  # fmt: skip
def test_a_fraction_that_is_not_exact_shows_the_true_size(mm, words):
    assert inch_words(mm) == words
    assert length_words(mm, "in") == words
    assert length_words(mm) == f"{mm:.2f} mm"


def test_a_negative_length_keeps_its_sign():
    assert Sixtyfourths.nearest(-34.925).words == "-1 3/8 in"


@pytest.mark.parametrize(
    ("text", "sizes"),
    [("25 x 26 mm", (25, 26)), ("25x26", (25, 26)), ("1in × 7/8 in", (25.4, 22.225)),
     ('1 x 7/8"', (25.4, 22.225)), ("25", (25, 25)), ("2.5cm x 26mm", (25, 26))],
)  # fmt: skip
def test_sections(text, sizes):
    assert parse_section_mm(text) == pytest.approx(sizes)


@pytest.mark.parametrize("text", ["", "x", "25 x", "x 25", "1x2x3", "25 x 0", "25 by 26"])
def test_sections_that_are_none(text):
    with pytest.raises(InputError):
        parse_section_mm(text)


def test_units_as_typed():
    assert typed_units("5/8in") == typed_units('1 1/4"') == typed_units("½ inch") == "in"
    assert typed_units("14mm") == typed_units("14") == "mm"
