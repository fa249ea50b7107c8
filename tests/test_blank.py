"""The blank in space, against cases worked by hand and against drawn truths."""

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from grainscan.measure.blank import combine, slope_interval_deg
from grainscan.results import (
    BlankRecord,
    FaceScan,
    FibreDirection,
    RingSeries,
    SlopeInSpace,
    Station,
)
from tests.hand_made import end, face

RECORD = BlankRecord(blank="ash-07")


def with_angles(angles_deg, *, spread_deg=0.3, stripe_deg=None, stripe_sigma=0.05) -> FaceScan:
    stations = tuple(
        Station((k + 0.5) / len(angles_deg), a, a - spread_deg, a + spread_deg)
        for k, a in enumerate(angles_deg)
    )
    mean = float(np.mean(angles_deg))
    return dataclasses.replace(
        face(angle_deg=mean, spread_deg=spread_deg),
        stations=stations,
        ring_stripe_deg=stripe_deg,
        ring_stripe_sigma_deg=None if stripe_deg is None else stripe_sigma,
        length_over_width=12.0,
    )


def level(angle_deg, **how):
    return with_angles([angle_deg] * 21, **how)


def an_end(direction_deg, bark_deg=None):
    """An end whose rings run at ``direction_deg``, with the bark towards ``bark_deg``."""
    series = None
    if bark_deg is not None:
        series = RingSeries((), "softwood", 0.9, bark_deg, 0.95, 0.1, 0.0, 0.2, 3.0, 9.0, 4, 6)
    return dataclasses.replace(end(), ring_direction_deg=direction_deg, ring_series=series)


def deg(tangent):
    return math.degrees(math.atan(tangent))


# --- the interval of the slope


@pytest.mark.parametrize("true_over_sigma", [0.0, 0.2, 1.0, 4.0, 12.0])
@pytest.mark.parametrize("aside_deg", [0.0, 55.0])
def test_the_interval_covers_the_true_slope_nine_times_in_ten(true_over_sigma, aside_deg):
    sigma_deg, count = 0.5, 300
    rng = np.random.default_rng([int(10 * true_over_sigma), int(aside_deg)])
    size = true_over_sigma * math.radians(sigma_deg)
    truth = deg(size)
    turn = math.radians(aside_deg)
    tangents = size * np.array([math.cos(turn), math.sin(turn)])
    seen = np.degrees(np.arctan(tangents + math.radians(sigma_deg) * rng.normal(size=(count, 2))))
    limits = [slope_interval_deg(a, sigma_deg, b, sigma_deg) for a, b in seen]
    inside = np.mean([low - 1e-3 <= truth <= high + 1e-3 for low, high in limits])
    # Four standard deviations of the drawing below 0.9. Near zero slope no lower tail is lost.
    assert inside > 0.9 - 4 * math.sqrt(0.09 / count)
    if true_over_sigma >= 4.0:
        assert inside < 0.9 + 4 * math.sqrt(0.09 / count)


def test_unlike_uncertainties_are_covered_too():
    sigma = np.array([0.3, 1.0])
    rng = np.random.default_rng(5)
    for a, b in ((0.0, 4.0), (4.0, 0.0), (2.0, 2.0)):
        truth = deg(math.hypot(math.tan(math.radians(a)), math.tan(math.radians(b))))
        seen = np.array([a, b]) + sigma * rng.normal(size=(250, 2))
        limits = [slope_interval_deg(x, sigma[0], y, sigma[1]) for x, y in seen]
        inside = np.mean([low <= truth <= high for low, high in limits])
        assert 0.8 < inside < 0.97, (a, b)


@pytest.mark.parametrize("sigma_deg", [0.1, 0.5, 1.5])
@pytest.mark.parametrize("share", [0.0, 1e-3, 0.05, 0.2, 0.32, 0.5, 1.0, 3.0])
def test_the_upper_end_never_falls_below_what_was_measured(share, sigma_deg):
    angle = share * sigma_deg
    low, high = slope_interval_deg(angle, sigma_deg, 0.0, sigma_deg)
    assert 0.0 <= low <= angle + 1e-9
    assert high >= angle
    # Nothing measured does not mean nothing there: the scatter itself bounds the slope.
    assert high > 0.5 * sigma_deg


def test_far_from_zero_the_interval_is_the_normal_one():
    low, high = slope_interval_deg(5.0, 0.2, 0.0, 0.2)
    assert (high - low) / 2 == pytest.approx(stats.norm.ppf(0.95) * 0.2, rel=0.03)
    assert (high + low) / 2 == pytest.approx(5.0, abs=0.02)


def test_the_interval_knows_no_sign_and_no_order():
    expected = slope_interval_deg(1.2, 0.3, 0.7, 0.4)
    for angles in ((-1.2, 0.3, 0.7, 0.4), (1.2, 0.3, -0.7, 0.4), (0.7, 0.4, 1.2, 0.3)):
        assert slope_interval_deg(*angles) == pytest.approx(expected)
    wider = slope_interval_deg(1.2, 0.6, 0.7, 0.8)
    assert wider[0] < expected[0]
    assert wider[1] > expected[1]


# --- fibres and slope


def test_fibre_and_slope_by_hand():
    # tan a = 0.03 = −fy/fz and tan b = 0.04 = fx/fz, so f ∝ (0.04, −0.03, 1) and tan θ = 0.05.
    found = combine(RECORD, level(deg(0.03)), level(deg(0.04)), None)
    size = math.sqrt(0.04**2 + 0.03**2 + 1)
    assert len(found.fibre) == 21
    for direction in found.fibre:
        assert direction.f == pytest.approx((0.04 / size, -0.03 / size, 1 / size))
    assert found.slope.angle_deg == pytest.approx(deg(0.05))
    assert found.slope.one_in == pytest.approx(20.0)
    assert found.slope.low_deg < deg(0.05) < found.slope.high_deg
    assert not found.slope.lower_bound_only


@pytest.mark.parametrize(
    ("a_deg", "b_deg", "signs"),
    [(3, 0, (0, -1)), (-3, 0, (0, 1)), (0, 3, (1, 0)), (0, -3, (-1, 0)), (-2, -2, (-1, 1))],
)
def test_signs_of_the_fibre(a_deg, b_deg, signs):
    f = combine(RECORD, level(a_deg), level(b_deg), None).fibre[0].f
    assert tuple(np.sign(np.round(f[:2], 12))) == signs
    assert f[2] > 0
    assert math.hypot(*f) == pytest.approx(1.0)


def test_the_steepest_place():
    a, b = [1.0] * 21, [0.0] * 21
    a[4], b[4] = 3.0, 4.0
    found = combine(RECORD, with_angles(a), with_angles(b), None)
    assert found.slope.steepest.at == pytest.approx(4.5 / 21)
    expected = deg(math.hypot(math.tan(math.radians(3)), math.tan(math.radians(4))))
    assert found.slope.steepest.angle_deg == pytest.approx(expected)


# --- rings


SIGN_OF_OUR_HAND = -1.0
"""Our spiral turns about the normal towards the bark; the code counts the other hand positive:
seen from the bark with the marked end up, fibres that lean to the right."""


def consistent(direction_deg, spiral_deg, nz):
    """Face angles, stripes, bark side of a blank whose fibres lie exactly in its ring surface.

    Ring normal n ∝ (cos φ, sin φ, nz) towards the bark. Fibres: the length projected into the
    ring surface, turned by the spiral angle about n.
    """
    phi = math.radians(direction_deg)
    n = np.array([math.cos(phi), math.sin(phi), nz])
    n /= np.linalg.norm(n)
    along = np.array([0.0, 0.0, 1.0]) - n[2] * n
    along /= np.linalg.norm(along)
    turn = math.radians(spiral_deg)
    around = np.cross(n, along)
    f = math.cos(turn) * along + math.sin(turn) * around
    # Towards the bark, seen on the end (right is −y, up is x).
    return n, f, math.degrees(math.atan2(n[0], -n[1]))


@pytest.mark.parametrize("direction_deg", [-65.0, -30.0, 12.0, 45.0, 80.0])
@pytest.mark.parametrize(("spiral_deg", "nz"), [(0.0, 0.03), (2.5, 0.0), (-1.5, -0.04)])
def test_fibres_in_the_ring_surface_agree(direction_deg, spiral_deg, nz):
    n, f, bark = consistent(direction_deg, spiral_deg, nz)
    assert abs(f @ n) < 1e-12
    # tan a = −fy/fz, tan b = fx/fz; the stripe runs along (0, −nz, ny) on A, (−nz, 0, nx) on B.
    a = level(deg(-f[1] / f[2]), stripe_deg=deg(n[2] / n[1]))
    b = level(deg(f[0] / f[2]), stripe_deg=deg(-n[2] / n[0]))
    found = combine(RECORD, a, b, an_end(direction_deg, bark))
    assert found.ring_fibre_agreement_deg == pytest.approx(0.0, abs=1e-6)
    # Which hand counts as positive is the code's to say; one hand has one sign everywhere.
    assert found.spiral_deg == pytest.approx(SIGN_OF_OUR_HAND * spiral_deg, abs=0.01)


@pytest.mark.parametrize("off_deg", [1.0, -2.0])
def test_fibres_out_of_the_ring_surface_are_told(off_deg):
    # Rings parallel to face A's edge (flat): normal is x. Fibres leave them by tan b = fx/fz.
    found = combine(RECORD, level(0.0), level(off_deg, stripe_deg=0.0), an_end(0.0, 90.0))
    assert found.ring_fibre_agreement_deg == pytest.approx(abs(off_deg))


def test_one_stripe_is_enough_and_the_radial_face_is_believed():
    n, f, bark = consistent(20.0, 1.0, 0.02)
    a_deg, b_deg = deg(-f[1] / f[2]), deg(f[0] / f[2])
    stripe_b = deg(-n[2] / n[0])
    only_b = combine(RECORD, level(a_deg), level(b_deg, stripe_deg=stripe_b), an_end(20.0, bark))
    assert only_b.ring_fibre_agreement_deg == pytest.approx(0.0, abs=1e-6)
    # A wrong stripe on the flat face counts for little: its tilt is ny of the ring surface's.
    wrong = level(a_deg, stripe_deg=deg(n[2] / n[1]) + 2.0)
    both = combine(RECORD, wrong, level(b_deg, stripe_deg=stripe_b), an_end(20.0, bark))
    assert 0.0 < both.ring_fibre_agreement_deg < 0.2


def test_the_bark_decides_the_side_of_the_spiral():
    _, f, bark = consistent(12.0, 2.0, 0.0)
    a = level(deg(-f[1] / f[2]), stripe_deg=0.0)
    b = level(deg(f[0] / f[2]), stripe_deg=0.0)
    there = combine(RECORD, a, b, an_end(12.0, bark)).spiral_deg
    opposite = combine(RECORD, a, b, an_end(12.0, bark - 180.0)).spiral_deg
    assert there == pytest.approx(SIGN_OF_OUR_HAND * 2.0, abs=0.01)
    # The surface is the same; seen from the other side it leans the other way.
    assert opposite == pytest.approx(-there, abs=0.01)


def test_without_the_barks_side_the_spiral_has_no_hand():
    _, f, bark = consistent(12.0, 2.0, 0.0)
    a = level(deg(-f[1] / f[2]), stripe_deg=0.0)
    b = level(deg(f[0] / f[2]), stripe_deg=0.0)
    told = an_end(12.0, bark)
    unsure = dataclasses.replace(told.ring_series, bark_confidence=0.6)
    for seen in (an_end(12.0), dataclasses.replace(told, ring_series=unsure)):
        found = combine(RECORD, a, b, seen)
        assert found.spiral_deg is None
        assert any("hand of the spiral" in note for note in found.notes)
        assert found.ring_fibre_agreement_deg == pytest.approx(0.0, abs=0.01)


# --- missing photographs


def test_one_face_gives_a_lower_bound():
    for faces in ((level(2.0), None), (None, level(-2.0))):
        found = combine(RECORD, *faces, None)
        assert isinstance(found.slope, SlopeInSpace)
        assert found.slope.lower_bound_only
        assert found.slope.high_deg is None
        assert found.slope.angle_deg == pytest.approx(2.0)
        assert 0 < found.slope.low_deg <= 2.0
        assert found.fibre == ()
        assert found.ring_fibre_agreement_deg is None
        assert found.spiral_deg is None
        assert any("only one face" in note for note in found.notes)


def test_no_face_no_slope():
    unreadable = face(angle_deg=None)
    for faces in ((None, None), (unreadable, None), (unreadable, unreadable)):
        found = combine(RECORD, *faces, an_end(12.0), ("kept",))
        assert found.slope is None
        assert found.fibre == ()
        assert any("no face" in note for note in found.notes)
        assert found.notes[0] == "kept"


def test_an_unreadable_face_is_not_a_face_at_zero():
    found = combine(RECORD, level(2.0), face(angle_deg=None), None)
    assert found.slope.lower_bound_only
    assert found.fibre == ()


def test_without_end_or_stripes_rings_are_not_compared():
    no_end = combine(RECORD, level(1.0, stripe_deg=1.0), level(0.5), None)
    no_direction = combine(RECORD, level(1.0, stripe_deg=1.0), level(0.5), an_end(None))
    no_stripes = combine(RECORD, level(1.0), level(0.5), an_end(12.0))
    for found in (no_end, no_direction, no_stripes):
        assert found.ring_fibre_agreement_deg is None
        assert found.spiral_deg is None
        assert found.slope is not None
        assert any("ring" in note for note in found.notes)
    assert any("no end" in note for note in no_end.notes)
    assert all(isinstance(d, FibreDirection) for d in no_stripes.fibre)


def test_faces_and_end_that_contradict_each_other_widen_the_slope():
    """Face B reads 9° where the ring surface, seen twice, allows about 0°."""
    stripes = {"stripe_deg": 0.0}
    misread = combine(RECORD, level(0.0, **stripes), level(9.0, **stripes), an_end(0.0, 90.0))
    sound = combine(RECORD, level(0.0, **stripes), level(0.2, **stripes), an_end(0.0, 90.0))
    assert misread.slope.high_deg - misread.slope.low_deg > 10.0
    assert any("do not fit one direction" in note for note in misread.notes)
    assert sound.slope.high_deg - sound.slope.low_deg < 1.5
    assert not any("do not fit" in note for note in sound.notes)


def test_one_surface_that_fits_is_enough():
    """Rings are curved: face A's stripes may differ as long as face B's fit the fibres."""
    found = combine(
        RECORD, level(0.0, stripe_deg=6.0), level(0.3, stripe_deg=0.0), an_end(30.0, 120.0)
    )
    assert not any("do not fit" in note for note in found.notes)
