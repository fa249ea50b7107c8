"""The renderer is the ruler the measuring code is held against: is the ruler straight?

Nothing here uses grainscan. Truth is checked against integration in space, formulas of solid
geometry, OpenCV's own projection, and the pixels of the pictures.
"""

import ast
import json
import math
import random
import tomllib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.render import (
    BlankSpec,
    Knot,
    PhotoSpec,
    random_blank,
    random_photo,
    render_blank,
    write_blank,
)
from tests.render.body import Body
from tests.render.camera import LAYS, aim
from tests.render.lens import early_blur, late_blur_px
from tests.render.log import Log
from tests.render.spec import MARKS, SCENES, suite_case

SMALL = PhotoSpec(
    width_px=1500,
    height_px=1000,
    end_width_px=800,
    end_height_px=600,
    background="dark cloth",
    noise=0.003,
    blur_px=0.6,
    sharpen=0.0,
)
STRAIGHT = BlankSpec(
    seed=5,
    name="t",
    species="white ash",
    kind="ring-porous",
    made="sawn",
    part="chair rung",
    width_mm=40,
    height_mm=36,
    length_mm=200,
    pith_distance_mm=90,
    pith_azimuth_deg=-120,
    wander_deg=0.1,
)


def grey(picture):
    return picture.astype(float).mean(axis=2)


def sample(picture, points):
    """Bilinear brightness at pixel positions (…, 2)."""
    at = np.asarray(points, np.float32)
    flat = at.reshape(1, -1, 2)
    got = cv2.remap(grey(picture).astype(np.float32), flat[..., 0], flat[..., 1], cv2.INTER_LINEAR)
    return got.reshape(at.shape[:-1])


def face_map(rendered, shot):
    """From (share along, share across from the upper edge) to pixels, from the truth alone."""
    photo = rendered.truth["photos"][shot]
    top, bottom = np.array(photo["top_edge_px"]), np.array(photo["bottom_edge_px"])
    at = np.linspace(0, 1, len(top))

    def to_px(along, across):
        upper = np.stack([np.interp(along, at, top[:, k]) for k in range(2)], axis=-1)
        lower = np.stack([np.interp(along, at, bottom[:, k]) for k in range(2)], axis=-1)
        return upper + np.asarray(across)[..., None] * (lower - upper)

    return to_px


# ---- the log


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("made", ["riven", "sawn"])
def test_a_fibre_followed_through_space_keeps_its_place_in_the_tree(seed, made):
    spec = random_blank(
        seed, made=made, spiral_deg=4.0, knots=(Knot(at=0.6, radius_mm=5.0, offset_mm=9.0),)
    )
    log = Log(spec)
    line = log.fibre_line(start=(3.0, -2.0), steps=400)
    u, v, _ = log.material(line)
    assert np.ptp(u) < 2e-3
    assert np.ptp(v) < 2e-3
    assert np.ptp(log.ring_radius(line)) < 2e-3


@pytest.mark.parametrize("seed", range(6))
def test_fibres_lie_in_the_ring_surface(seed):
    spec = random_blank(seed)
    log = Log(spec)
    rng = np.random.default_rng(seed)
    points = rng.uniform(-0.5, 0.5, (200, 3)) * [spec.height_mm, spec.width_mm, spec.length_mm]
    f, n = log.fibre(points), log.ring_normal(points)
    assert np.abs((f * n).sum(axis=1)).max() < 1e-7
    assert (f[:, 2] > 0).all()
    outward = log.ring_radius(points + 0.01 * n) - log.ring_radius(points)
    assert (outward > 0).all()


@pytest.mark.parametrize("made", ["riven", "sawn"])
@pytest.mark.parametrize(("a", "b"), [(3.0, -1.0), (-3.0, 1.0), (0.0, 5.0)])
def test_the_runout_asked_for_is_the_runout_made(made, a, b):
    spec = random_blank(
        7,
        made=made,
        runout_a_deg=a,
        runout_b_deg=b,
        wind_deg=0.0,
        squareness_deg=0.0,
        width_taper=0.0,
        height_taper=0.0,
        pith_distance_mm=120.0,
        spiral_deg=0.5,
        wander_deg=0.2,
    )
    log = Log(spec)
    truth = render_blank(spec, PhotoSpec(shots=())).truth
    fibre = truth["fibre"]
    assert math.degrees(math.atan(fibre["mean_tan_a"])) == pytest.approx(a, abs=0.03)
    assert math.degrees(math.atan(fibre["mean_tan_b"])) == pytest.approx(b, abs=0.03)
    # Faces lie off the axis, where a twisting log leans a little otherwise.
    assert truth["faces"]["a"]["mean_angle_deg"] == pytest.approx(a, abs=0.35)
    assert truth["faces"]["b"]["mean_angle_deg"] == pytest.approx(b, abs=0.35)
    f = log.fibre(np.array([0.0, 0.0, 0.0]))
    if a:
        assert np.sign(-f[1]) == np.sign(a)
    if b:
        assert np.sign(f[0]) == np.sign(b)


def test_turning_the_runout_round_turns_the_truth_round():
    one = render_blank(replace(STRAIGHT, runout_a_deg=3, runout_b_deg=-2), PhotoSpec(shots=()))
    two = render_blank(replace(STRAIGHT, runout_a_deg=-3, runout_b_deg=2), PhotoSpec(shots=()))
    for face in "ab":
        first = one.truth["faces"][face]["mean_angle_deg"]
        assert first == pytest.approx(-two.truth["faces"][face]["mean_angle_deg"], abs=0.1)
        assert abs(first) > 1.5


def test_a_log_that_bends_bends_a_riven_blank_and_cuts_the_fibres_of_a_sawn_one():
    bent = replace(STRAIGHT, length_mm=500, log_bow_y_mm=9.0, wander_deg=0.01)
    riven = render_blank(replace(bent, made="riven"), PhotoSpec(shots=())).truth
    sawn = render_blank(bent, PhotoSpec(shots=())).truth
    assert riven["faces"]["a"]["sweep_mm"] == pytest.approx(9.0, abs=0.3)
    assert max(riven["slope"]["theta_deg"]) < 0.4
    assert sawn["faces"]["a"]["sweep_mm"] < 1e-6
    # A parabola of sagitta h over length L leaves its chord at 4h/L.
    assert sawn["slope"]["steepest"]["angle_deg"] == pytest.approx(
        math.degrees(math.atan(4 * 9.0 / 500)), abs=0.2
    )


def test_spiral_sign_is_that_of_the_fibres_seen_from_the_bark():
    # Pith below face A: face A shows the bark side, and its fibres climb to the right.
    spec = replace(
        STRAIGHT, pith_azimuth_deg=-90, spiral_deg=4.0, wander_deg=0.0, pith_distance_mm=120
    )
    truth = render_blank(spec, PhotoSpec(shots=())).truth
    assert truth["spiral_deg"] == pytest.approx(4.0, abs=0.2)
    log = Log(spec)
    log.axis_slope = np.zeros(2)  # the log's axis laid along the blank's
    f = log.fibre(np.array([0.0, 0.0, 0.0]))
    assert math.degrees(math.atan(-f[1] / f[2])) == pytest.approx(4.0, abs=0.2)


@pytest.mark.parametrize("azimuth", [-60.0, 40.0, 150.0])
def test_ring_stripes_follow_from_ring_and_fibre(azimuth):
    # f·n = 0 gives, on face A, tan(stripe) = tan a − tan b · nx/ny, and on face B
    # tan(stripe) = tan b − tan a · ny/nx.
    spec = replace(
        STRAIGHT,
        pith_azimuth_deg=azimuth,
        pith_distance_mm=2000,
        log_radius_mm=2100,
        width_mm=6,
        height_mm=6,
        runout_a_deg=1.0,
        runout_b_deg=2.5,
        wander_deg=0.0,
        taper_mm_per_m=0.0,
        ring_irregularity_mm=0.0,
    )
    truth = render_blank(spec, PhotoSpec(shots=())).truth
    n = Log(spec).ring_normal(np.array([0.0, 0.0, 0.0]))
    tan_a, tan_b = math.tan(math.radians(1.0)), math.tan(math.radians(2.5))
    on_a = math.degrees(math.atan(tan_a - tan_b * n[0] / n[1]))
    on_b = math.degrees(math.atan(tan_b - tan_a * n[1] / n[0]))
    assert truth["faces"]["a"]["ring_stripe_deg"] == pytest.approx(on_a, abs=0.05)
    assert truth["faces"]["b"]["ring_stripe_deg"] == pytest.approx(on_b, abs=0.05)
    assert abs(on_a - 1.0) > 0.8  # stripes and fibres differ


# ---- the camera


@pytest.mark.parametrize("k1", [0.0, 0.03, -0.03])
def test_projection_agrees_with_opencv(k1):
    camera = aim(1500, 1000, 26, np.array([10.0, -5.0, 3.0]), 500.0, 22.0, 130.0, 3.0, k1)
    rng = np.random.default_rng(3)
    points = rng.uniform(-1, 1, (40, 3)) * [180, 90, 20]
    rotation, _ = cv2.Rodrigues(camera.axes)
    shift = -camera.axes @ camera.position
    cx, cy = camera.centre
    matrix = np.array([[camera.focal_px, 0, cx], [0, camera.focal_px, cy], [0, 0, 1.0]])
    # OpenCV's k1 acts on the radius over the focal length, ours over the half diagonal.
    factor = k1 * (camera.focal_px / camera.half_diagonal) ** 2
    expected, _ = cv2.projectPoints(points, rotation, shift, matrix, np.array([factor, 0, 0, 0.0]))
    got = camera.pixels(points)
    assert np.abs(got - expected[:, 0]).max() < 1e-6
    rays = camera.rays(got[:, 0], got[:, 1])
    t = ((points - camera.position) * rays).sum(1) / (rays * rays).sum(1)
    assert np.abs(camera.position + t[:, None] * rays - points).max() < 0.02


def test_lays_are_rotations_and_show_the_faces_as_agreed():
    for lay in LAYS.values():
        assert np.linalg.det(lay) == pytest.approx(1.0)
        assert lay @ lay.T == pytest.approx(np.eye(3))
    x, y, z = np.eye(3)
    assert LAYS["face_a"] @ z == pytest.approx([1, 0, 0])  # z to the right
    assert LAYS["face_a"] @ -y == pytest.approx([0, 1, 0])  # −y up
    assert LAYS["face_a"] @ x == pytest.approx([0, 0, 1])  # face A towards the camera
    assert LAYS["face_b"] @ z == pytest.approx([1, 0, 0])
    assert LAYS["face_b"] @ x == pytest.approx([0, 1, 0])
    assert LAYS["face_b"] @ y == pytest.approx([0, 0, 1])
    assert LAYS["end"] @ -y == pytest.approx([1, 0, 0])
    assert LAYS["end"] @ x == pytest.approx([0, 1, 0])
    assert LAYS["end"] @ z == pytest.approx([0, 0, 1])


def test_a_level_camera_sees_the_face_at_its_scale():
    photo = replace(SMALL, tilt_max_deg=0.0, roll_max_deg=0.0, shots=("face_a",))
    truth = render_blank(STRAIGHT, photo).truth["photos"]["face_a"]
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = truth["outline_px"]
    scale = truth["camera"]["focal_px"] / truth["camera"]["distance_mm"]  # aimed at the face
    assert x1 - x0 == pytest.approx(200 * scale, rel=1e-4)
    assert y3 - y0 == pytest.approx(40 * scale, rel=1e-4)
    assert (y0, y2, x0, x2) == pytest.approx((y1, y3, x3, x1), abs=0.05)
    assert (x1 - x0) / 1500 == pytest.approx(SMALL.occupancy, abs=0.01)


# ---- the pictures


RUNOUT = replace(
    STRAIGHT,
    runout_a_deg=4.0,
    runout_b_deg=-0.5,
    width_mm=44,
    height_mm=40,
    squareness_deg=0.0,
    vessel_length_mm=20,
    mean_ring_mm=40.0,
)
# On a face whose fibres also dive into it, streaks are no longer than their thickness over the
# tangent of the dive; so each face is tried with its own slope, the other's being small. Rings
# are wide, that ring stripes may not stand in for fibres.
RUNOUTS = {"face_a": RUNOUT, "face_b": replace(RUNOUT, runout_a_deg=0.5, runout_b_deg=-4.0)}


@pytest.fixture(scope="module")
def runouts():
    return {
        shot: render_blank(spec, replace(SMALL, noise=0.0, shots=(shot, "end")), 1)
        for shot, spec in RUNOUTS.items()
    }


def carried(rendered, shot, turned_deg, lag_mm=6.0):
    """How alike the face's brightness is at both ends of short steps along the true fibre, each
    turned by ``turned_deg``: correlation of brightness freed of its broad changes across."""
    spec = rendered.spec
    log = Log(spec)
    width = spec.width_mm if shot == "face_a" else spec.height_mm
    to_px = face_map(rendered, shot)
    along = np.linspace(-0.4, 0.4, 60) * spec.length_mm
    across = np.linspace(-0.38, 0.38, 300) * width  # upwards in the photograph
    z, up = np.meshgrid(along, across, indexing="ij")
    if shot == "face_a":
        points = np.stack([np.full_like(z, spec.height_mm / 2), -up, z], axis=-1)
        f = log.fibre(points)
        rise = -f[..., 1] / f[..., 2]
    else:
        points = np.stack([up, np.full_like(z, spec.width_mm / 2), z], axis=-1)
        f = log.fibre(points)
        rise = f[..., 0] / f[..., 2]
    slope = np.tan(np.arctan(rise) + math.radians(turned_deg))

    def bright(zz, uu):
        values = sample(getattr(rendered, shot), to_px(zz / spec.length_mm + 0.5, 0.5 - uu / width))
        broad = cv2.GaussianBlur(values.astype(np.float32), (0, 0), sigmaX=4, sigmaY=0.01)
        return (values - broad).ravel()

    return np.corrcoef(bright(z, up), bright(z + lag_mm, up + slope * lag_mm))[0, 1]


@pytest.mark.parametrize("shot", ["face_a", "face_b"])
def test_streaks_in_the_picture_run_along_the_true_fibre(runouts, shot):
    rendered = runouts[shot]
    turns = np.array([-8.0, -3.0, -1.5, 0.0, 1.5, 3.0, 8.0])
    alike = np.array([carried(rendered, shot, t) for t in turns])
    assert int(np.argmax(alike)) == 3, alike
    assert alike[3] > 0.2
    assert alike[3] > 3 * max(alike[1], alike[5]), alike
    # Nor does the same slope with the other sign fit.
    mean = rendered.truth["faces"][shot[-1]]["mean_angle_deg"]
    assert abs(mean) > 3.5
    assert carried(rendered, shot, -2 * mean) < 0.3 * alike[3]


def streak_direction_deg(patch, low, high):
    """Counter-clockwise from the pixel rows: the least-squares line through the origin of the
    windowed power spectrum, frequencies down the picture from ``low`` to ``high`` cycles/px."""
    window = np.hanning(patch.shape[0])[:, None] * np.hanning(patch.shape[1])
    power = np.abs(np.fft.fft2((patch - patch.mean()) * window)) ** 2
    down = np.fft.fftfreq(patch.shape[0])[:, None]
    right = np.fft.fftfreq(patch.shape[1])[None, :]
    # Wide enough for what folds back: a wave of 0.75 cycles/px at 3° shows at 0.25 and −9°.
    wedge = np.abs(right) < np.abs(down) * math.tan(math.radians(12))
    power = power * (wedge & (np.abs(down) > low) & (np.abs(down) < high))
    # A streak climbing to the right by t has its power at right = t · down (rows count downwards).
    return math.degrees(math.atan((power * right * down).sum() / (power * down * down).sum()))


@pytest.mark.parametrize("seed", [0, 37])  # rolls of about −2.6° and 2.7°
@pytest.mark.parametrize(
    ("species", "kind"), [("white ash", "ring-porous"), ("sugar maple", "diffuse-porous")]
)
def test_fine_streaks_are_not_pulled_towards_the_pixel_rows(species, kind, seed):
    spec = replace(
        STRAIGHT,
        species=species,
        kind=kind,
        width_mm=70,
        length_mm=300,
        wander_deg=0.0,
        taper_mm_per_m=0.0,
    )
    photo = replace(SMALL, height_px=500, noise=0.0, shots=("face_a",))
    rendered = render_blank(spec, replace(photo, tilt_max_deg=0.0, roll_max_deg=3.0), seed)
    truth = rendered.truth["photos"]["face_a"]
    assert 2.5 < abs(truth["camera"]["roll_deg"]) < 3.0
    to_px = face_map(rendered, "face_a")
    step = to_px(0.6, 0.5) - to_px(0.4, 0.5)
    axis_deg = math.degrees(math.atan2(-step[1], step[0]))
    true_deg = axis_deg + rendered.truth["faces"]["a"]["mean_angle_deg"]
    x, y = np.round(to_px(0.5, 0.5)).astype(int)
    patch = grey(rendered.face_a)[y - 96 : y + 96, x - 500 : x + 500]
    assert streak_direction_deg(patch, 0.2, 0.3) == pytest.approx(true_deg, abs=0.2)


@pytest.mark.parametrize("blur_px", [0.8, 1.2, 2.0])
@pytest.mark.parametrize("samples", [(4, 2), (2, 2), (1, 1)])
def test_early_and_late_blur_together_are_the_blur_asked_for(blur_px, samples):
    size = 40
    fine = np.zeros((size * samples[0], size * samples[1]), np.float32)
    fine[fine.shape[0] // 2, fine.shape[1] // 2] = 1.0
    pixels = cv2.resize(early_blur(fine, samples), (size, size), interpolation=cv2.INTER_AREA)
    late = late_blur_px(PhotoSpec(blur_px=blur_px))
    spot = cv2.GaussianBlur(pixels.astype(float), (0, 0), late)
    at = np.arange(size)
    for axis, count in enumerate(samples):
        share = spot.sum(axis=1 - axis) / spot.sum()
        spread = share @ (at - share @ at) ** 2
        # The pixel's own area adds 1/12, less what lies within one sample; the place of the spot
        # within its pixel moves the spread a little.
        area = (1 - 1 / count**2) / 12
        assert spread == pytest.approx(blur_px**2 + area, abs=0.08)


def test_a_blur_below_the_early_part_leaves_none_for_later():
    assert late_blur_px(PhotoSpec(blur_px=0.3)) == 0.0
    picture = render_blank(
        STRAIGHT, replace(SMALL, blur_px=0.3, width_px=450, height_px=300)
    ).face_a
    assert picture.std() > 4


@pytest.mark.parametrize("shot", ["face_a", "face_b", "end"])
def test_the_true_outline_is_where_wood_meets_background(runouts, shot):
    runout = runouts["face_a" if shot == "end" else shot]
    photo = runout.truth["photos"][shot]
    corners = np.array(photo["outline_px"])
    centre = corners.mean(axis=0)
    picture = getattr(runout, shot)
    for p, q in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = p + np.linspace(0.1, 0.9, 120)[:, None] * (q - p)
        normal = np.array([(q - p)[1], -(q - p)[0]]) / np.linalg.norm(q - p)
        normal *= np.sign((along.mean(axis=0) - centre) @ normal)
        steps = np.arange(-6, 6.01, 0.25)
        profile = sample(picture, along[:, None] + steps[:, None] * normal).mean(axis=0)
        drop = -np.gradient(profile, steps)
        at = steps[int(np.argmax(drop))]
        assert abs(at) < 1.0, (shot, at)


def test_the_true_edges_of_a_curved_blank_follow_its_curve():
    bent = replace(STRAIGHT, made="riven", length_mm=400, log_bow_y_mm=12.0)
    photo = replace(SMALL, shots=("face_a",), noise=0.0)
    rendered = render_blank(bent, photo, 3)
    assert rendered.truth["faces"]["a"]["sweep_mm"] > 10
    to_px = face_map(rendered, "face_a")
    along = np.linspace(0.03, 0.97, 300)
    out = np.linspace(-0.25, 0.25, 81)  # in face widths, over each edge
    for edge, sign in ((0.0, -1.0), (1.0, 1.0)):
        a, o = np.meshgrid(along, edge + sign * out, indexing="ij")
        bright = sample(rendered.face_a, to_px(a, o))
        at = out[np.argmin(np.gradient(bright, axis=1), axis=1)]
        width_px = np.linalg.norm(to_px(0.5, 0.0) - to_px(0.5, 1.0))
        assert np.abs(np.median(at)) * width_px < 1.0
        assert np.quantile(np.abs(at), 0.9) * width_px < 2.0


@pytest.mark.parametrize(("species", "sign"), [("pine", 1.0), ("white ash", -1.0)])
@pytest.mark.parametrize("azimuth", [-155.0, 70.0])
def test_true_ring_boundaries_lie_where_the_wood_changes(species, sign, azimuth):
    kind = "softwood" if species == "pine" else "ring-porous"
    spec = replace(
        STRAIGHT,
        species=species,
        kind=kind,
        pith_azimuth_deg=azimuth,
        mean_ring_mm=3.5,
        ring_variation=0.15,
    )
    rendered = render_blank(spec, replace(SMALL, shots=("end",), noise=0.0), 2)
    corners = np.array(rendered.truth["photos"]["end"]["outline_px"])
    flat = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    to_px = cv2.getPerspectiveTransform(flat, corners.astype(np.float32))
    end = rendered.truth["end"]
    radial = math.radians(end["bark_direction_deg"])
    # Bark direction in shares of the section: right, and down.
    step = np.array([math.cos(radial) / end["width_mm"], -math.sin(radial) / end["height_mm"]])
    steps = []
    for name, other in (("along_a", 0), ("along_b", 1)):
        for share in end["boundaries"][name]:
            middle = np.array([share, 0.5] if other == 0 else [0.5, share])
            # Means over short arcs of ring, at right angles to the step.
            side = np.array(
                [
                    -step[1] * end["height_mm"] / end["width_mm"],
                    step[0] * end["width_mm"] / end["height_mm"],
                ]
            )
            arc = middle + np.linspace(-1.0, 1.0, 21)[:, None] * side
            depth = np.linspace(0.15, 0.45, 5)[:, None]
            outer, inner = (
                (arc[:, None] + s * step * depth).astype(np.float32).reshape(1, -1, 2)
                for s in (1.0, -1.0)
            )
            both = np.concatenate([outer, inner])
            if both.min() < 0.02 or both.max() > 0.98:
                continue  # at the section's border
            bright = sample(rendered.end, cv2.perspectiveTransform(both, to_px)).mean(axis=1)
            steps.append(sign * (bright[0] - bright[1]))
    steps = np.array(steps)
    assert len(steps) >= 8
    assert (steps > 0).mean() > 0.9, steps
    assert np.median(steps) > 8


def test_the_true_ring_count_agrees_with_the_boundaries_on_a_quartered_section():
    spec = replace(STRAIGHT, pith_azimuth_deg=180.0, pith_distance_mm=200, log_radius_mm=240)
    end = render_blank(spec, PhotoSpec(shots=())).truth["end"]
    assert abs(abs(end["ring_direction_deg"]) - 90) < 3
    assert abs(end["rings"] - len(end["boundaries"]["along_a"])) <= 1
    assert end["pith"][0] == pytest.approx(-200 / 40, abs=0.1)
    assert end["mean_ring_mm"] == pytest.approx(
        40 * np.diff(end["boundaries"]["along_a"]).mean(), rel=0.08
    )


def test_every_scene_and_mark_renders():
    photo = {"width_px": 450, "height_px": 300, "end_width_px": 320, "end_height_px": 240}
    for k, name in enumerate(SCENES):
        spec, how = suite_case(200 + k, name)
        rendered = render_blank(spec, replace(how, **photo, marks=MARKS), k)
        for picture in (rendered.face_a, rendered.face_b, rendered.end):
            assert picture.dtype == np.uint8
            assert picture.std() > 4
        assert rendered.face_a.shape == (300, 450, 3)
        assert rendered.end.shape == (240, 320, 3)


def test_scenes_without_a_whole_blank():
    small = replace(SMALL, width_px=600, height_px=400, shots=("face_a",))
    none = render_blank(STRAIGHT, replace(small, content="none"))
    assert none.truth["photos"]["face_a"]["outline_px"] is None
    assert grey(none.face_a).max() < 120  # dark cloth and nothing on it
    cut = render_blank(STRAIGHT, replace(small, content="cut"))
    xs = np.array(cut.truth["photos"]["face_a"]["outline_px"])[:, 0]
    assert xs.min() < -5 or xs.max() > 604
    one = render_blank(STRAIGHT, small)
    two = render_blank(STRAIGHT, replace(small, content="two"))
    assert (grey(two.face_a) > 120).sum() > 1.3 * (grey(one.face_a) > 120).sum()


def test_a_knot_turns_the_fibres_and_is_told():
    knot = Knot(at=0.5, radius_mm=5.0, offset_mm=0.0)
    spec = replace(STRAIGHT, pith_azimuth_deg=-90, knots=(knot,))
    truth = render_blank(spec, PhotoSpec(shots=())).truth
    assert truth["knots"][0]["radius_mm"] == 5.0
    assert truth["knots"][0]["face"] == "a"
    assert truth["knots"][0]["at"] == pytest.approx(0.5, abs=0.02)
    log = Log(spec)
    beside = log.fibre(np.array([[18.0, 6.0, -6.0], [18.0, 6.0, 6.0]]))
    # Upstream the fibres swing away from the knot, downstream back towards it.
    assert beside[0, 1] > 0.1
    assert beside[1, 1] < -0.1


# ---- habits


def test_the_same_seed_gives_the_same_picture_and_global_random_state_is_left_alone():
    photo = replace(SMALL, width_px=600, height_px=400, shots=("face_a",))
    numpy_before = np.random.get_state()[1].copy()  # noqa: NPY002 the state to be left alone
    python_before = random.getstate()
    first = render_blank(random_blank(11), photo, 4)
    again = render_blank(random_blank(11), photo, 4)
    other = render_blank(random_blank(12), photo, 4)
    assert np.array_equal(first.face_a, again.face_a)
    assert first.truth == again.truth
    assert not np.array_equal(first.face_a, other.face_a)
    assert np.array_equal(np.random.get_state()[1], numpy_before)  # noqa: NPY002
    assert random.getstate() == python_before


def test_shots_do_not_depend_on_which_others_are_taken():
    photo = replace(SMALL, width_px=600, height_px=400)
    alone = render_blank(STRAIGHT, replace(photo, shots=("face_b",)), 4)
    all_three = render_blank(STRAIGHT, photo, 4)
    assert np.array_equal(alone.face_b, all_three.face_b)
    assert alone.face_a is None


def test_a_written_blank_holds_what_was_rendered(tmp_path):
    spec = replace(STRAIGHT, notes='split "green"')
    rendered = render_blank(spec, replace(SMALL, width_px=600, height_px=400), 4)
    folder = write_blank(tmp_path / "one", rendered)
    names = {p.name for p in folder.iterdir()}
    assert names == {"end.jpg", "face-a.jpg", "face-b.jpg", "truth.json", "blank.toml"}
    record = tomllib.loads((folder / "blank.toml").read_text(encoding="utf-8"))
    assert record["species"] == "white ash"
    assert record["made"] == "sawn"
    assert record["notes"] == 'split "green"'
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert truth == json.loads(json.dumps(rendered.truth))
    with Image.open(folder / "face-a.jpg") as picture:
        assert picture.size == (600, 400)
        assert picture.getexif().get_ifd(0x8769)[0xA405] == 26  # FocalLengthIn35mmFilm
        close = np.abs(np.asarray(picture).astype(int) - rendered.face_a)
    assert close.mean() < 4


def test_truth_holds_plain_finite_numbers():
    def walk(value):
        if isinstance(value, dict):
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list | tuple):
            for inner in value:
                walk(inner)
        elif isinstance(value, float):
            assert math.isfinite(value)
        else:
            assert value is None or type(value) in (int, str, bool), type(value)

    for seed in range(300, 306):
        walk(render_blank(random_blank(seed), random_photo(seed, shots=())).truth)


def test_the_blank_is_closed_at_its_corners():
    body = Body(random_blank(9, made="riven"), Log(random_blank(9, made="riven")))
    corners = body.end_corners()
    assert np.abs(body.level("right", corners)).max() < 1e-6
    assert np.abs(body.level("a", corners[:2])).max() < 1e-9
    assert np.abs(body.level("b", corners[[0, 3]])).max() < 1e-9
    p, q = body.section(body.place(3.0, -4.0, 50.0))
    assert (float(p), float(q)) == pytest.approx((3.0, -4.0))


def test_the_renderer_imports_nothing_of_the_package_it_checks():
    sources = [
        *Path(__file__).parent.joinpath("render").glob("*.py"),
        Path(__file__).parent / "make_samples.py",
    ]
    assert len(sources) > 8
    for source in sources:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not any(n.split(".")[0] == "grainscan" for n in names), source
