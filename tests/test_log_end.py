"""Whole log ends: rendered with their truth, and drawn circles that need no renderer."""

import dataclasses
import json
import math

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from grainscan.commands.log_end import log_end
from grainscan.errors import BlankNotFoundError, InputError
from grainscan.measure.log_end import measure_log_end
from grainscan.measure.log_end_outline import closed_path, fit_circle
from grainscan.measure.log_end_pith import share_and_normal
from grainscan.shown.log_end_picture import draw_log_end
from grainscan.shown.log_end_words import billets_csv, radii_csv
from grainscan.workshop.billets import layout_billets
from tests.render.log_ends import render_log_end

DIAMETER = 240.0


def drawn_log(pith=(60.0, -35.0), radius=250.0, size=(640, 640), ring=14.0, seed=0):
    """Rings whose centres move from the pith to the middle; pixels, y down, pith from the middle.

    Returns the picture and the number of boundaries strictly inside the bark.
    """
    y, x = np.mgrid[: size[1], : size[0]].astype(float)
    x, y = x - size[0] / 2, y - size[1] / 2
    a, b = x - pith[0], y - pith[1]
    q = np.hypot(a, b) / radius
    for _ in range(40):
        q = np.hypot(a + q * pith[0], b + q * pith[1]) / radius
    phase = (q * radius / ring) % 1.0
    tone = 0.75 - 0.35 / (1 + np.exp(-(phase - 0.7) / 0.06))
    tone += np.random.default_rng(seed).normal(0, 0.02, tone.shape)
    wood = np.clip(tone[..., None] * np.array([250, 215, 165]), 0, 255)
    bark = np.broadcast_to(np.array([70, 55, 40]), wood.shape)
    ground = np.broadcast_to(np.array([120, 140, 170]), wood.shape)
    out = np.where((q < 1)[..., None], wood, np.where((q < 1.06)[..., None], bark, ground))
    return out.astype(np.uint8), math.ceil(radius / ring) - 1


@pytest.fixture(scope="module")
def drawn():
    picture, rings = drawn_log()
    return picture, rings, measure_log_end(picture, photo="log.png", diameter_mm=DIAMETER)


def test_drawn_log_is_read_as_drawn(drawn):
    _, rings, end = drawn
    assert end.centre_px == pytest.approx((320, 320), abs=1.5)
    assert end.radius_px == pytest.approx(250, abs=2)
    off = math.dist(end.pith_px, (380, 285))
    assert off < 0.02 * 500
    assert off / 500 <= end.pith_error + 0.002
    assert end.eccentricity == pytest.approx(math.hypot(60, 35) / 250, abs=0.02)
    assert end.bark_px is not None
    assert end.rings_low <= rings <= end.rings_high
    assert abs(end.rings - rings) <= 2
    assert end.mean_ring_mm == pytest.approx(14 / 250 * DIAMETER / 2, rel=0.06)


def test_half_a_turn_turns_the_pith(drawn):
    picture, _, end = drawn
    turned = measure_log_end(np.ascontiguousarray(picture[::-1, ::-1]), photo="x")
    assert turned.pith_px == pytest.approx(
        (639 - end.pith_px[0], 639 - end.pith_px[1]), abs=0.01 * 500
    )
    assert turned.mean_ring_mm is None
    assert any("diameter" in note for note in turned.notes)


def test_a_pith_set_by_hand_is_taken(drawn):
    picture, _, _ = drawn
    end = measure_log_end(picture, photo="x", diameter_mm=DIAMETER, pith_px=(380, 285))
    assert end.pith_px == pytest.approx((380, 285))
    with pytest.raises(InputError, match="on the log"):
        measure_log_end(picture, photo="x", pith_px=(3, 3))


def test_growth_share_is_one_on_the_circle_and_nought_at_the_pith():
    model = np.array([0.3, -0.2, -0.3, 0.2])
    turn = np.linspace(0, 6, 9)
    share, normal = share_and_normal(np.cos(turn), np.sin(turn), model)
    assert share == pytest.approx(np.ones(9))
    assert np.sin(normal - turn) == pytest.approx(np.zeros(9), abs=1e-9)
    share, _ = share_and_normal(np.array([0.3]), np.array([-0.2]), model)
    assert share[0] == pytest.approx(0.0)


def test_circle_through_points_of_a_circle():
    turn = np.linspace(0, 5, 40)
    points = np.stack([3 + 7 * np.cos(turn), -2 + 7 * np.sin(turn)], axis=1)
    assert fit_circle(points) == (pytest.approx((3, -2)), pytest.approx(7))


def test_closed_path_follows_a_ridge_round():
    turn = np.arange(360) * math.pi / 180
    ridge = np.rint(50 + 10 * np.sin(turn)).astype(int)
    score = np.zeros((100, 360), np.float32)
    score[ridge, np.arange(360)] = 10
    assert (closed_path(score) == ridge).all()


def test_no_log_and_a_cut_off_log_are_refused(drawn):
    rng = np.random.default_rng(1)
    noise = np.clip(120 + rng.normal(0, 3, (500, 600, 3)), 0, 255).astype(np.uint8)
    with pytest.raises(BlankNotFoundError):
        measure_log_end(noise, photo="x")
    with pytest.raises(BlankNotFoundError):
        measure_log_end(np.ascontiguousarray(drawn[0][:, 150:]), photo="x")


def test_an_even_disc_has_no_pith():
    y, x = np.mgrid[:600, :600]
    inside = np.hypot(x - 300, y - 300) < 220
    picture = np.where(inside[..., None], [220, 190, 150], [90, 110, 140]).astype(float)
    picture += np.random.default_rng(2).normal(0, 4, picture.shape)
    end = measure_log_end(np.clip(picture, 0, 255).astype(np.uint8), photo="x")
    assert end.pith_px is None
    assert end.rings is None
    assert "pith" in end.notes[0]
    with pytest.raises(InputError):
        end.outline_mm()


@pytest.mark.parametrize("kind", ["ring-porous", "softwood"])
def test_rendered_log(kind):
    log = render_log_end(901, kind, size_px=(1100, 825))
    end = measure_log_end(log.picture, photo="x", diameter_mm=log.diameter_mm, species=None)
    line = log.wood_px.astype(np.float32)[:, None]
    away = np.array([cv2.pointPolygonTest(line, point, True) for point in end.wood_px])
    assert np.mean(np.abs(away) <= 2 * end.radius_px * end.edge_error) >= 0.95
    assert 2 * end.radius_px * end.edge_error < 1.5
    assert math.dist(end.pith_px, log.pith_px) < 0.02 * log.diameter_mm * log.px_per_mm
    assert end.rings_low <= log.rings <= (end.rings_high or math.inf)


def test_pictures_and_lists(drawn):
    picture, _, end = drawn
    layout = layout_billets(end.outline_mm(), 30, 30, core_mm=20, wedges=8)
    assert draw_log_end(picture, end, layout).shape == draw_log_end(picture, end).shape
    assert (draw_log_end(picture, end, layout) != draw_log_end(picture, end)).any()
    rows = billets_csv(layout).splitlines()
    assert len(rows) == layout.count + 1
    widths = [float(line.split(",")[2]) for line in radii_csv(end).splitlines()[1:]]
    assert np.mean(widths) == pytest.approx(end.mean_ring_mm, rel=1e-3)
    assert "width_mm" in radii_csv(end).splitlines()[0]
    without = dataclasses.replace(end, diameter_mm=None)
    assert "width_log_radii" in radii_csv(without).splitlines()[0]
    json.dumps(end.to_dict(), allow_nan=False)


def test_command(drawn, tmp_path):
    Image.fromarray(drawn[0]).save(tmp_path / "log.png")
    files = [tmp_path / name for name in ("out.jpg", "rings.csv", "blanks.csv", "log.json")]
    done = CliRunner().invoke(
        log_end,
        [str(tmp_path / "log.png"), "--diameter", "240", "--section", "30 x 30 mm"]
        + ["--clear-rings", "3", "--wedges", "8"]
        + [
            f"--{n}={f}"
            for n, f in zip(("picture", "csv", "billets-csv", "json"), files, strict=True)
        ],
    )
    assert done.exit_code == 0, done.output
    assert "eighths" in done.output
    assert "eye protection" in done.output
    assert all(file.stat().st_size > 0 for file in files)
    none = CliRunner().invoke(log_end, [str(tmp_path / "log.png"), "--section", "30 x 30"])
    assert none.exit_code == 2
    assert "--diameter" in none.output
