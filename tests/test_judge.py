"""Strength shares against published values, and the sorting words."""

import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.judge.sorting import judge_blank
from grainscan.judge.strength import PROPERTIES, SOURCE, share_kept, shares, slope_keeping
from grainscan.results import Limit, PhotoQuality
from grainscan.wording import figure_words
from tests.hand_made import end, face, measurement, slope

LIMIT = Limit(one_in=20, source="test")  # 2.86°

# N/P = q/(sinⁿθ + q cosⁿθ) in per cent at slopes 1 in N, worked out apart from this package
# with the parameters of Wood Handbook, FPL-GTR-190, 2010, ch. 5: bending q 0.10 n 1.5, impact
# q 0.05 n 1.5, compression q 0.10 n 2.5; to one decimal.
WORKED = {
    25: (92.7, 86.3, 99.9),
    20: (90.1, 81.9, 99.8),
    15: (85.6, 74.6, 99.4),
    12: (81.0, 67.9, 98.9),
    10: (76.5, 61.7, 98.1),
    8: (70.2, 53.7, 96.6),
    6: (60.7, 43.2, 92.9),
    5: (54.4, 36.9, 89.1),
}

# Wood Handbook, FPL-GTR-190, 2010, Table 5-12, from memory, and the largest difference known
# between it and the curve: 4.5 (bending), 8.7 (impact), 3.9 (compression) points.
TABLE_5_12_FROM_MEMORY = {
    25: (96, 95, 100),
    20: (93, 90, 100),
    15: (89, 81, 100),
    10: (81, 62, 99),
    5: (55, 36, 93),
}


def angle_of(one_in):
    return Limit(one_in, "").angle_deg


@pytest.mark.parametrize(("one_in", "percent"), WORKED.items())
def test_shares_are_the_worked_values(one_in, percent):
    found = shares(angle_of(one_in))
    assert 100 * found.bending == pytest.approx(percent[0], abs=0.051)
    assert 100 * found.impact == pytest.approx(percent[1], abs=0.051)
    assert 100 * found.compression == pytest.approx(percent[2], abs=0.051)
    assert found.source == SOURCE


@pytest.mark.parametrize(("one_in", "percent"), TABLE_5_12_FROM_MEMORY.items())
def test_curve_stays_near_the_remembered_table(one_in, percent):
    found = shares(angle_of(one_in))
    assert abs(100 * found.bending - percent[0]) < 4.6
    assert abs(100 * found.impact - percent[1]) < 8.8
    assert abs(100 * found.compression - percent[2]) < 4.0


def test_fifteen_degrees_about_halves_bending():
    """Kretschmann, Wood Handbook 2010, as cited in Forest Products Journal 68(4):459."""
    assert share_kept(15.0, "bending") == pytest.approx(0.5, abs=0.08)


@pytest.mark.parametrize("kind", PROPERTIES)
def test_ends_of_the_curve(kind):
    assert share_kept(0.0, kind) == 1.0
    assert share_kept(90.0, kind) == pytest.approx(PROPERTIES[kind].q)
    for wrong in (-0.1, 90.1, float("nan")):
        with pytest.raises(ValueError, match="between 0 and 90"):
            share_kept(wrong, kind)


@pytest.mark.parametrize("kind", PROPERTIES)
@given(a=st.floats(0, 45), b=st.floats(0, 45))
def test_steeper_is_never_stronger(kind, a, b):
    if a > b:
        a, b = b, a
    assert 0 < share_kept(b, kind) <= share_kept(a, kind) + 1e-12 <= 1 + 1e-12


@pytest.mark.parametrize("kind", PROPERTIES)
@given(percent=st.floats(30, 99))
def test_inverse(kind, percent):
    assert 100 * share_kept(slope_keeping(percent, kind), kind) == pytest.approx(percent, abs=1e-6)


def test_keep():
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8)), LIMIT)
    assert result.sort == "keep"
    assert "1 in 41, 1.4° (90 % interval 1.1° to 1.8°)" in result.because[0]
    assert "within the limit of 1 in 20 (2.9°)" in result.because[0]
    assert result.strength == shares(1.4)


def test_set_aside():
    result = judge_blank(measurement(slope(5.0, 4.0, 6.0)), LIMIT)
    assert result.sort == "set aside"
    assert "whole interval is beyond" in result.because[0]


def test_check_where_the_interval_straddles_says_what_to_do():
    result = judge_blank(measurement(slope(2.8, 2.2, 3.4)), LIMIT)
    assert result.sort == "check"
    assert "straddles" in result.because[0]
    assert "Take sharper photographs" in result.because[0]


@given(low=st.floats(0, 20), first=st.floats(0, 5), second=st.floats(0, 5), one_in=st.floats(2, 60))
def test_the_word_follows_the_interval(low, first, second, one_in):
    limit = Limit(one_in, "test")
    high = low + first + second
    result = judge_blank(measurement(slope(low + first, low, high)), limit)
    if high <= limit.angle_deg:
        assert result.sort == "keep"
    elif low > limit.angle_deg:
        assert result.sort == "set aside"
    else:
        assert result.sort == "check"


@given(angle=st.floats(0, 20), spread=st.floats(0, 3), a=st.floats(2, 60), b=st.floats(2, 60))
def test_a_looser_limit_never_sorts_worse(angle, spread, a, b):
    order = ["keep", "check", "set aside"]
    measured = measurement(slope(angle, max(angle - spread, 0.0), angle + spread))
    strict, loose = max(a, b), min(a, b)
    words = [judge_blank(measured, Limit(n, "test")).sort for n in (loose, strict)]
    assert order.index(words[0]) <= order.index(words[1])


def test_a_steep_stretch_turns_keep_into_check():
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8, steepest_deg=4.0, at=0.62)), LIMIT)
    assert result.sort == "check"
    assert "62 % of the length from the left end, slopes 1 in 14" in result.because[0]


def test_one_face_is_never_kept():
    alone = measurement(slope(0.2, 0.0, None), face_b=None)
    result = judge_blank(alone, LIMIT)
    assert result.sort == "check"
    assert result.because[0].startswith("Take a photograph of face B")
    assert result.strength is None


def test_words_of_a_lower_bound():
    assert figure_words(slope(4.0, 3.0, None)) == "at least 1 in 14, 4.0°"
    assert figure_words(slope(0.0, 0.0, None)) == "at least 0.0°"
    assert figure_words(slope(0.0, 0.0, 0.3)) == "flatter than 1 in 999, 0.0°"


def test_one_face_can_be_set_aside():
    result = judge_blank(measurement(slope(6.0, 5.0, None), face_a=None), LIMIT)
    assert result.sort == "set aside"
    assert "at least 1 in 9.5" in result.because[0]


def test_a_face_that_cannot_be_read_is_asked_for_again():
    unread = face(photo="face-b.jpg", angle_deg=None)
    result = judge_blank(measurement(slope(0.2, 0.0, None), face_b=unread), LIMIT)
    assert result.sort == "check"
    assert result.because[0].startswith("Take the photograph of face B again")


@pytest.mark.parametrize("angles", [(0.5, 0.3, 0.8), (9.0, 8.0, 10.0)])
def test_a_poor_photograph_is_check_whatever_the_slope(angles):
    poor = face(quality=PhotoQuality(ok=False, notes=("Move closer: the blank is 60 px wide.",)))
    result = judge_blank(measurement(slope(*angles), face_a=poor), LIMIT)
    assert result.sort == "check"
    assert result.because[0] == "Photograph of face A: Move closer: the blank is 60 px wide."


def test_one_good_face_beyond_the_limit_sets_aside_whatever_the_other_photograph():
    poor = face(quality=PhotoQuality(ok=False, notes=("Too dark.",)), angle_deg=None)
    steep = face(angle_deg=-6.0, spread_deg=0.5)
    result = judge_blank(measurement(slope(6.0, 5.5, None), face_a=steep, face_b=poor), LIMIT)
    assert result.sort == "set aside"
    assert "Photograph of face B: Too dark." in result.because


def test_a_poor_end_does_not_change_the_slope():
    poor = end(quality=PhotoQuality(ok=False, notes=("Too dark.",)))
    assert judge_blank(measurement(slope(0.5, 0.3, 0.8), of_end=poor), LIMIT).sort == "keep"


def test_no_slope_is_check_with_the_reasons():
    nothing = measurement(
        None,
        face_a=None,
        face_b=face(angle_deg=None, notes=("no texture to read.",)),
        notes=("face-a.jpg: the file is empty.",),
        failures=("face-a.jpg: the file is empty.",),
    )
    result = judge_blank(nothing, LIMIT)
    assert result.sort == "check"
    assert result.because == ("face-a.jpg: the file is empty.", "Face B: no texture to read.")
    bare = judge_blank(measurement(None, face_a=None, face_b=None, of_end=None), LIMIT)
    assert bare.because == (
        "The slope of grain cannot be told. Take photographs of face A and face B.",
    )


def test_a_failed_photograph_is_never_kept():
    failed = measurement(slope(0.5, 0.3, 0.8), of_end=None, failures=("end.jpg: damaged.",))
    result = judge_blank(failed, LIMIT)
    assert result.sort == "check"
    assert result.because[0] == "end.jpg: damaged."
    beyond = dataclasses.replace(failed, slope=slope(9.0, 8.0, 10.0))
    assert judge_blank(beyond, LIMIT).sort == "set aside"


def test_the_result_becomes_plain_json():
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8)), LIMIT)
    data = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert data["schema"] == 1
    assert data["sort"] == "keep"
    assert data["slope"]["one_in"] == pytest.approx(40.9, abs=0.05)
    assert set(data) == {
        "schema", "blank", "sort", "because", "limit", "slope", "strength", "faces", "end",
        "fibre", "ring_fibre_agreement_deg", "spiral_deg", "notes", "species",
    }  # fmt: skip
    assert len(data["faces"]["a"]["stations"]) >= 15
