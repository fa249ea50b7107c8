"""Knots and swirls: found where they are, not where they are not, and what follows from them."""

import dataclasses

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grainscan.judge.sorting import judge_blank
from grainscan.measure.blank import combine
from grainscan.measure.edge_spots import dark_edge
from grainscan.measure.fibres import FibreAngles
from grainscan.measure.knots import away_from, find_local_trouble
from grainscan.measure.swirls import AT_EDGES, likeliest_swirl
from grainscan.results import BlankRecord, FaceScan, Limit, LocalTrouble, Station
from grainscan.shown.overlays import backdrop_of, draw_picture
from grainscan.shown.page.layers import face_layers
from grainscan.stock.as_json import from_json, to_json
from grainscan.workshop.keep_clear import trouble_zones
from tests.hand_made import face, measurement, slope

ROWS, COLUMNS = 96, 1400


def streaks(seed, *, knots=(), dark=0.45, stain=False, level=150.0):
    """A face of streaks that part round ``knots``: (x, y, radius) in pixels, y from the top.

    The stream function of potential flow round a post, t (1 − r² / d²), drawn out along the face;
    inside the post a smooth dark disc. With ``stain`` the disc is dark and the streaks go through.
    """
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((3 * ROWS, COLUMNS), dtype=np.float32)
    fine = cv2.GaussianBlur(noise, (0, 0), 30.0, sigmaY=1.0)
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    source, factor = y + ROWS, np.ones_like(y)
    for at_x, at_y, radius in knots:
        t, z = y - at_y, (x - at_x) / 1.5
        d2 = t * t + z * z
        if not stain:
            held = np.maximum(d2, radius**2)
            source = source - t * radius**2 / held * np.exp(-held / (4.0 * radius) ** 2)
        inside = np.clip(radius + 1.0 - np.hypot(t, x - at_x), 0.0, 1.0)
        factor *= 1.0 - dark * inside
    texture = cv2.remap(fine, x, source.astype(np.float32), cv2.INTER_CUBIC)
    texture *= 6.0 / texture.std()
    if not stain:
        texture *= factor >= 0.99
    grain = rng.standard_normal((ROWS, COLUMNS), dtype=np.float32)
    return np.clip((level + texture) * factor + grain, 0, 255).astype(np.float32)


KNOT = (600, 38, 28)


@pytest.fixture(scope="module")
def knotty():
    return streaks(3, knots=[KNOT])


@given(st.integers(0, 10**6))
@settings(max_examples=8, deadline=None)
def test_straight_streaks_hold_no_trouble_or_say_how_rarely_they_look_so(seed):
    for trouble in find_local_trouble(streaks(seed)):
        assert trouble.false_alarm > 1e-4


def test_few_straight_faces_are_flagged():
    flagged = [seed for seed in range(16) if find_local_trouble(streaks(seed))]
    assert len(flagged) <= 2  # 1 in 50 at most is expected


def test_a_knot_is_found_where_it_is(knotty):
    (trouble,) = find_local_trouble(knotty)
    assert trouble.what == "knot"
    assert trouble.at == pytest.approx(600 / COLUMNS, abs=0.2 * ROWS / COLUMNS)
    assert trouble.offset == pytest.approx(0.5 - 38 / ROWS, abs=0.12)
    assert trouble.radius == pytest.approx(28 / ROWS, rel=0.3)
    assert trouble.start < trouble.at < trouble.stop
    assert trouble.false_alarm <= 1e-4


@pytest.mark.parametrize("way", ["left and right", "up and down", "both"])
def test_a_mirrored_face_has_the_knot_mirrored(knotty, way):
    (trouble,) = find_local_trouble(knotty)
    turned = knotty[:, ::-1] if way != "up and down" else knotty
    turned = turned[::-1] if way != "left and right" else turned
    (mirrored,) = find_local_trouble(np.ascontiguousarray(turned))
    at = trouble.at if way == "up and down" else 1.0 - trouble.at
    offset = trouble.offset if way == "left and right" else -trouble.offset
    assert mirrored.what == trouble.what
    assert mirrored.at == pytest.approx(at, abs=0.01)
    assert mirrored.offset == pytest.approx(offset, abs=0.06)
    assert mirrored.radius == pytest.approx(trouble.radius, rel=0.2)


@pytest.mark.parametrize("factor", [0.7, 1.5])
def test_the_size_of_the_picture_does_not_matter(knotty, factor):
    size = (round(COLUMNS * factor), round(ROWS * factor))
    scaled = cv2.resize(knotty, size, interpolation=cv2.INTER_AREA)
    (trouble,), (other,) = find_local_trouble(knotty), find_local_trouble(scaled)
    assert other.what == trouble.what
    assert other.at == pytest.approx(trouble.at, abs=0.01)
    assert other.radius == pytest.approx(trouble.radius, rel=0.25)


@pytest.mark.parametrize(("gain", "lift"), [(0.6, 10.0), (1.3, -20.0)])
def test_light_and_contrast_do_not_matter(knotty, gain, lift):
    (trouble,) = find_local_trouble((knotty * gain + lift).astype(np.float32))
    assert trouble.what == "knot"
    assert trouble.at == pytest.approx(600 / COLUMNS, abs=0.02)


@pytest.mark.parametrize(("y", "side"), [(-40, 1), (ROWS + 40, -1)])
def test_a_knot_beyond_the_edge_shows_as_a_swirl_at_that_edge(y, side):
    (trouble,) = find_local_trouble(streaks(5, knots=[(800, y, 34)]))
    assert trouble.what == "swirl"
    assert trouble.at == pytest.approx(800 / COLUMNS, abs=0.5 * ROWS / COLUMNS)
    assert side * trouble.offset > 0.2


@pytest.mark.parametrize(("y", "side"), [(-18, 1), (ROWS + 18, -1)])
def test_a_half_disc_at_an_edge_is_a_knot(y, side):
    # Ten pixels of it reach into the face; the fibres go straight on beside it.
    (trouble,) = find_local_trouble(streaks(10, knots=[(700, y, 28)], dark=0.6, stain=True))
    assert trouble.what == "knot"
    assert trouble.at == pytest.approx(700 / COLUMNS, abs=0.1 * ROWS / COLUMNS)
    assert side * trouble.offset > 0.45
    assert trouble.radius == pytest.approx(np.sqrt(28**2 - 18**2) / ROWS, rel=0.3)


def test_wane_along_an_edge_is_no_knot():
    grey = streaks(11)
    rng = np.random.default_rng(11)
    depth = cv2.GaussianBlur(rng.standard_normal((1, COLUMNS)), (0, 0), 25.0, borderType=2)
    depth = 5.0 * depth / depth.std()
    grey[np.arange(ROWS)[:, None] < depth] *= 0.4
    assert find_local_trouble(grey) == ()


def test_a_dark_band_that_leaves_over_the_edge_is_no_knot():
    grey = streaks(12)
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    # A fifth of the width broad: along the face at first, then out over its upper edge.
    middle = np.minimum(45.0, (900.0 - x) / 8.0)
    grey *= 1.0 - 0.35 * np.clip(10.0 - np.abs(y - middle), 0.0, 1.0)
    assert find_local_trouble(grey) == ()


def noisy_turns(seed, count=160):
    rng = np.random.default_rng(seed)
    return rng.normal(0.0, 0.08, (2, 8, count))


def swirled(turns, column=80, size=0.15):
    """Turned up before a column and down after it, in the upper rows, as beside a knot."""
    turns = turns.copy()
    turns[..., :3, column - 9 : column - 3] += size
    turns[..., :3, column + 3 : column + 9] -= size
    return turns


def chance_of_swirl(textures):
    every = np.ones(textures[0].shape[1], dtype=bool)
    found = likeliest_swirl(tuple(textures), every, every, rows=AT_EDGES)
    return (1.0, None) if found is None else (found[1] * np.exp(found[0].log_chance), found[0])


def test_a_swerve_at_one_edge_is_found_there():
    chance, swirl = chance_of_swirl(swirled(noisy_turns(1)))
    assert chance < 0.01
    assert swirl.column == pytest.approx(80, abs=2)
    assert sum(swirl.rows) <= 4


def test_a_swirl_must_show_in_the_quiet_wood_and_in_all_lines():
    textures = noisy_turns(2)
    both, _ = chance_of_swirl(swirled(textures))
    one, _ = chance_of_swirl([textures[0], swirled(textures, size=0.3)[1]])
    assert both < 0.01 < 0.1 < one


def test_a_swirl_must_turn_back():
    textures = noisy_turns(3)
    textures[..., :3, 71:77] += 0.3
    assert chance_of_swirl(textures)[0] > 0.1


def test_noise_holds_no_swirl_more_often_than_is_said():
    chances = [chance_of_swirl(noisy_turns(100 + seed))[0] for seed in range(40)]
    assert sum(chance < 0.1 for chance in chances) <= 8  # 4 are expected at most


def test_edges_look_dark_by_chance_no_more_often_than_is_said():
    rng = np.random.default_rng(13)
    count = 120
    every = np.ones(count, dtype=bool)
    dark = 0
    for _ in range(200):
        # The heaviest tail that is allowed for: Student's law with five degrees of freedom.
        cells = np.exp(-0.05 * rng.standard_t(5, (2, count)))
        grey = np.full((64, 15 * count), 150.0, dtype=np.float32)
        grey[:6] *= np.repeat(cells[0], 15)
        grey[-6:] *= np.repeat(cells[1], 15)
        spot = dark_edge(grey, every)
        dark += spot is not None and spot.log_chance < np.log(0.1)
    assert 1 <= dark <= 24  # 20 are expected at most


def test_two_knots_are_two():
    found = find_local_trouble(streaks(6, knots=[(350, 40, 26), (1000, 60, 30)]))
    assert [t.what for t in found] == ["knot", "knot"]
    assert [t.at for t in found] == pytest.approx([0.25, 1000 / COLUMNS], abs=0.02)


def test_lines_that_go_on_through_a_dark_spot_are_a_stain():
    spots = [(400, 50, 26), (900, 30, 20)]
    assert find_local_trouble(streaks(7, knots=spots, stain=True)) == ()


def test_ring_tips_over_straight_fibres_are_no_swirl():
    grey = streaks(8)
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    for tip in range(-200, COLUMNS, 230):
        # A parabola with its tip at mid-width, opening to the right, four pixels broad.
        line = np.abs((y - ROWS / 2) ** 2 / 4.0 + tip - x) / np.hypot(1.0, (y - ROWS / 2) / 2.0)
        grey *= 1.0 - 0.25 * np.clip(2.5 - line, 0.0, 1.0)
    assert find_local_trouble(grey) == ()


def test_pencil_and_saw_marks_are_no_swirl():
    grey = streaks(9)
    x = np.arange(COLUMNS, dtype=np.float32)
    y = np.arange(ROWS, dtype=np.float32)[:, None]
    grey = grey + 4.0 * np.sin((x + 0.15 * y) * 2 * np.pi / 9.0)
    grey[:, 500:504] *= 0.5
    grey[40:43] *= 0.6
    assert find_local_trouble(grey.astype(np.float32)) == ()


def test_too_small_or_empty_faces_say_nothing():
    assert find_local_trouble(np.full((20, 300), 128.0, np.float32)) == ()
    assert find_local_trouble(np.full((96, 1400), 128.0, np.float32)) == ()
    assert find_local_trouble(np.full((96, 200), 128.0, np.float32)) == ()


# ---- what follows


def angles(paths):
    count = paths.shape[1]
    at = (np.arange(count) + 0.5) / count
    return FibreAngles(
        at=at,
        paths_deg=paths,
        mean_deg=float(paths.mean()),
        mean_sigma_deg=0.2,
        common_sigma_deg=0.1,
        evidence=99.0,
        spread_factor=1.0,
        witnesses_deg=(0.0, 0.0),
        stripes=None,
    )


def test_the_mean_is_taken_away_from_trouble(knotty):
    found = find_local_trouble(knotty)
    paths = np.ones((5, 21))
    at = (np.arange(21) + 0.5) / 21
    inside = np.abs(at - found[0].at) < 0.05
    paths[:, inside] = 9.0
    clear, marked = away_from(angles(paths), found, one_width=ROWS / COLUMNS)
    assert marked[inside].all()
    assert not marked.all()
    assert clear.mean_deg == pytest.approx(1.0)
    same, none = away_from(angles(paths), (), one_width=ROWS / COLUMNS)
    assert same.mean_deg == pytest.approx(paths.mean())
    assert not none.any()


TROUBLE = LocalTrouble("knot", 0.4, 0.35, 0.46, 0.1, 0.25, 1e-5, 172.0, 6.5)
SWIRL = LocalTrouble("swirl", 0.7, 0.66, 0.74, 0.5, 0.3, 2e-3)


def troubled(*trouble, **made) -> FaceScan:
    return dataclasses.replace(face(**made), local_trouble=trouble)


@pytest.mark.parametrize(
    ("of_slope", "sort"), [(slope(1.0, 0.8, 1.2), "check"), (slope(5.0, 4.8, 5.2), "set aside")]
)
def test_a_knot_is_never_kept_and_always_said(of_slope, sort):
    blank = measurement(of_slope, face_a=troubled(TROUBLE), face_b=troubled(SWIRL))
    result = judge_blank(blank, Limit(20, "test"))
    assert result.sort == sort
    said = " ".join(result.because)
    assert "knot on face A, 40 % of the length from the left end (172 mm), about 13 mm" in said
    assert (
        "swirl of fibres on face B, 70 % of the length from the left end, over 66 to 74 %" in said
    )
    without = judge_blank(measurement(slope(1.0, 0.8, 1.2)), Limit(20, "test"))
    assert without.sort == "keep"


def test_the_rule_is_named_and_how_sure_it_is():
    blank = combine(BlankRecord("a"), troubled(TROUBLE, SWIRL), None, None)
    notes = " ".join(blank.notes)
    assert "ASTM D245, §5.3, from memory" in notes
    assert "fewer than 1 in 10000" in notes
    assert "1 in 500" in notes
    assert "D245" not in " ".join(combine(BlankRecord("a"), face(), None, None).notes)


def test_the_json_holds_place_and_size():
    blank = measurement(slope(1.0, 0.8, 1.2), face_a=troubled(TROUBLE))
    faces = judge_blank(blank, Limit(20, "test")).to_dict()["faces"]
    (said,) = faces["a"]["local_trouble"]
    assert said == {
        "what": "knot", "at": 0.4, "from": 0.35, "to": 0.46, "offset_widths": 0.1,
        "radius_widths": 0.25, "at_mm": 172.0, "radius_mm": 6.5, "false_alarm": 1e-5,
    }  # fmt: skip
    assert faces["b"]["local_trouble"] == []
    assert all(station["in_trouble"] is False for station in faces["a"]["stations"])


def test_a_book_keeps_trouble_and_reads_records_from_before():
    scan = troubled(TROUBLE)
    assert from_json(FaceScan, to_json(scan)) == scan
    before = to_json(face())
    for added in (',"local_trouble":[]', ',"faint_trouble":[]', ',"in_trouble":false'):
        before = before.replace(added, "")
    assert "trouble" not in before
    assert from_json(FaceScan, before) == face()
    assert Station(0.5, 1.0, 0.5, 1.5).in_trouble is False


def test_parts_are_laid_clear_of_what_was_found():
    zones = trouble_zones(measurement(face_a=troubled(TROUBLE), face_b=troubled(SWIRL)))
    assert [(z.start, z.stop, z.reason) for z in zones] == [
        (0.35, 0.46, "knot on face A"),
        (0.66, 0.74, "swirl on face B"),
    ]


def test_a_knot_is_drawn_on_the_picture_and_on_the_page():
    pixels = np.full((300, 1000, 3), 160, np.uint8)
    plain, marked = face(), troubled(TROUBLE)
    results = [
        judge_blank(measurement(slope(1.0, 0.8, 1.2), face_a=f), Limit(20, "test"))
        for f in (plain, marked)
    ]
    behind = backdrop_of(pixels, plain)
    pictures = [
        draw_picture(behind, f, r).astype(int)
        for f, r in zip((plain, marked), results, strict=True)
    ]
    changed = np.abs(pictures[0] - pictures[1]).max(axis=2) > 30
    columns = np.flatnonzero(changed.any(axis=0)) / changed.shape[1]
    # The outline runs from 40 to 960 of the picture's 1000 pixels.
    assert 0.3 < columns.min() < 0.4 < 0.45 < columns.max() < 0.55
    assert "trouble" in [layer.id for layer in face_layers(marked, results[1])]
    assert "trouble" not in [layer.id for layer in face_layers(plain, results[0])]
