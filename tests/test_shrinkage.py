"""Shrinkage: the handbook's formulas, limits, laws, and a finite-element solution."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from grainscan.errors import InputError
from grainscan.workshop.dried_shapes import dried_round, dried_section, green_size
from grainscan.workshop.ring_position import Rings, rings_in_section
from grainscan.workshop.shrinkage import (
    Ratios,
    change_by_coefficient,
    change_coefficient,
    gradients,
    move_points,
    moved_rings,
    shrinkage_percent,
    size_ratio,
    wood_ratios,
)
from grainscan.workshop.woods import read_woods

ASH = wood_ratios(read_woods().find("white ash"), 30, 6)

angles = st.floats(-90, 90)
percents = st.floats(0, 60)
ratios = st.builds(Ratios, st.floats(0.8, 1.2), st.floats(0.8, 1.2))
sizes = st.floats(1, 200)


@st.composite
def rings(draw, *, curved=None):
    """Straight rings, or a pith one to thirty section diagonals (of up to 200 mm) away."""
    direction = draw(angles)
    if not (draw(st.booleans()) if curved is None else curved):
        return Rings(direction)
    far = draw(st.floats(1.0, 30.0)) * 290.0 * draw(st.sampled_from([-1, 1]))
    across = math.radians(direction + 90)
    return Rings(direction, (far * math.cos(across), far * math.sin(across)))


def test_white_fir_in_the_handbook():
    """Wood Handbook, 2010, ch. 13: a flat-grained white fir board of 232 mm (9.15 in) from 8 to
    11 % gains 1.7 mm (0.067 in). The results and C_R = 0.00112 were read; C_T = 0.00245 and the
    two moistures are from memory.
    """
    gain = change_by_coefficient(232, 0.00245, 8, 11)
    assert round(gain, 1) == 1.7
    assert round(232 + gain, 1) == 233.7
    assert round(9.15 + change_by_coefficient(9.15, 0.00245, 8, 11), 3) == 9.217
    # Table 4-3, white fir: radial 3.3, tangential 7.0.
    assert f"{change_coefficient(7.0):.5f}" == "0.00245"
    assert f"{change_coefficient(3.3):.5f}" == "0.00112"


def test_an_oak_part_from_green_to_six_per_cent():
    """A 0.625 in part of white oak loses 0.053 in tangentially (8.4 %) and 0.028 in radially."""
    oak = wood_ratios(read_woods().find("white oak"), 30, 6)
    assert round(0.625 * (1 - oak.tangential), 3) == pytest.approx(0.0525, abs=0.0006)
    assert round(0.625 * (1 - oak.radial), 3) == 0.028
    assert 100 * (1 - oak.tangential) == pytest.approx(8.4, abs=1e-9)


@given(st.floats(0.5, 25), st.floats(0, 30), st.floats(0, 30))
def test_the_ratio_is_the_handbooks_equation(total, before, after):
    """ΔD = D·(M_F − M_I)/(3000/S − 30 + M_I) (Wood Handbook, 2010, equation 13-3, from memory)."""
    change = (after - before) / (3000 / total - 30 + before)
    assert size_ratio(total, before, after) - 1 == pytest.approx(change, abs=1e-12)


@given(st.floats(0.5, 25), st.floats(6, 14))
def test_the_coefficient_is_the_slope_of_the_ratio(total, at):
    step = 1e-4
    slope = (size_ratio(total, at, at + step) - size_ratio(total, at, at - step)) / (2 * step)
    assert change_coefficient(total, at) == pytest.approx(slope, rel=1e-6)


def test_ends_of_the_shrinkage_law():
    assert shrinkage_percent(7.8, 0) == pytest.approx(7.8)
    assert shrinkage_percent(7.8, 15) == pytest.approx(3.9)
    assert shrinkage_percent(7.8, 30) == shrinkage_percent(7.8, 90) == 0
    assert size_ratio(7.8, 80, 35) == 1


@pytest.mark.parametrize("moisture", [5.9, 14.1, -1, 300, float("nan")])
def test_coefficients_hold_from_six_to_fourteen(moisture):
    with pytest.raises(InputError):
        change_by_coefficient(100, 0.002, 10, moisture)


@given(angles, sizes, sizes)
def test_nothing_changes_without_a_change_of_moisture(direction, width, height):
    same = wood_ratios(read_woods().find("white ash"), 12, 12)
    section = dried_section(width, height, Rings(direction), same)
    assert (section.width_mm, section.height_mm) == pytest.approx((width, height), rel=1e-12)
    assert section.skew_deg == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("direction", [0.0, 90.0])
def test_pure_tangential_and_pure_radial(direction):
    section = dried_section(100, 50, Rings(direction), Ratios(0.96, 0.92))
    wide, high = (0.92, 0.96) if direction == 0 else (0.96, 0.92)
    assert section.width_mm == pytest.approx(100 * wide, rel=1e-12)
    assert section.height_mm == pytest.approx(50 * high, rel=1e-12)
    assert section.skew_deg == pytest.approx(0, abs=1e-9)
    assert section.bow_mm == pytest.approx(0, abs=1e-9)


@given(st.floats(0.8, 1.2), rings(), st.floats(5, 100))
def test_even_shrinkage_keeps_a_square_square(ratio, placed, side):
    section = dried_section(side, side, placed, Ratios(ratio, ratio))
    assert section.width_mm == pytest.approx(side * ratio, rel=1e-9)
    assert section.height_mm == pytest.approx(side * ratio, rel=1e-9)
    assert section.skew_deg == pytest.approx(0, abs=1e-7)
    assert section.bow_mm == pytest.approx(0, abs=1e-8)
    oval = dried_round(side, placed, Ratios(ratio, ratio))
    assert (oval.long_mm, oval.short_mm) == pytest.approx((side * ratio,) * 2, rel=1e-9)


@given(angles, st.floats(0, 0.1), st.floats(0, 0.1))
def test_strain_transformation_to_first_order(direction, radial, tangential):
    """S_x = S_T cos²β + S_R sin²β and a skew of (S_T − S_R) sin 2β (MacLean, FPL R1473, 1945,
    treats the subject; the form is the usual transformation of strain).
    """
    section = dried_section(1, 1, Rings(direction), Ratios(1 - radial, 1 - tangential))
    beta = math.radians(direction)
    across = tangential * math.cos(beta) ** 2 + radial * math.sin(beta) ** 2
    second_order = 2 * (radial - tangential) ** 2 + 1e-12
    assert 1 - section.width_mm == pytest.approx(across, abs=second_order)
    skew = (tangential - radial) * math.sin(2 * beta)
    third = abs(radial - tangential) * (radial + tangential) * 2 + 1e-12
    assert math.radians(section.skew_deg) == pytest.approx(skew, abs=third)


def test_a_square_at_45_degrees_is_a_rhomb_exactly():
    """Its diagonals lie along and across the rings: tan(corner/2) is the ratio of the two."""
    section = dried_section(30, 30, Rings(45), Ratios(0.96, 0.92))
    corner = 2 * math.atan2(0.96, 0.92)
    assert section.skew_deg == pytest.approx(math.degrees(corner) - 90, abs=1e-10)


@given(rings(), ratios, sizes, sizes)
def test_turning_a_section_over_swaps_its_sides(placed, k, width, height):
    """A quarter turn of the picture: width and height change places and the skew its sign."""
    one = dried_section(width, height, placed, k)
    turned = Rings(
        rings_in_section(placed.direction_deg + 90).rings.direction_deg,
        None if placed.pith_mm is None else (-placed.pith_mm[1], placed.pith_mm[0]),
    )
    other = dried_section(height, width, turned, k)
    assert other.width_mm == pytest.approx(one.height_mm, rel=1e-9)
    assert other.height_mm == pytest.approx(one.width_mm, rel=1e-9)
    assert other.skew_deg == pytest.approx(-one.skew_deg, abs=1e-8)


@given(rings(), ratios, sizes, st.floats(0.1, 10))
def test_scale(placed, k, side, scale):
    larger = Rings(
        placed.direction_deg,
        None if placed.pith_mm is None else tuple(scale * c for c in placed.pith_mm),
    )
    one, two = (
        dried_section(side, side, placed, k),
        dried_section(scale * side, scale * side, larger, k),
    )
    assert two.width_mm == pytest.approx(scale * one.width_mm, rel=1e-9)
    assert two.skew_deg == pytest.approx(one.skew_deg, abs=1e-8)
    assert two.bow_mm == pytest.approx(scale * one.bow_mm, abs=1e-9 * scale * side)


@given(rings(), percents, percents, st.lists(st.tuples(st.floats(-100, 100), st.floats(-100, 100))))
def test_green_to_dry_to_green(placed, wet, dry, points):
    """Back to the micrometre's thousandth: 1e-9 of the size."""
    wood = read_woods().find("American beech")
    there, back = wood_ratios(wood, wet, dry), wood_ratios(wood, dry, wet)
    before = np.array(points).reshape(-1, 2)
    after = move_points(before, placed, there)
    again = move_points(after, moved_rings(placed, there), back)
    assert np.allclose(again, before, rtol=0, atol=1e-7)  # 1e-9 of 100 mm
    assert there.back.radial == pytest.approx(back.radial, rel=1e-12)
    assert there.back.tangential == pytest.approx(back.tangential, rel=1e-12)


@given(rings(), st.floats(5, 100), st.floats(0, 3), st.floats(0, 29), st.floats(0, 30))
def test_the_green_round_dries_to_the_wanted_size_at_its_smallest(
    placed, dry, allowance, to, before
):
    k = wood_ratios(read_woods().find("white oak"), before, to)
    green = green_size(dry, placed, k, allowance_mm=allowance)
    assert dried_round(green.round_mm, placed, k).short_mm == pytest.approx(
        dry + allowance, rel=1e-9
    )


@given(rings(), st.floats(5, 100), st.floats(0, 29))
def test_the_green_section_just_holds_the_dry_round(placed, dry, to):
    """The dry round, moved back, touches all four sides of the green section and stays inside."""
    k = wood_ratios(read_woods().find("white oak"), 30, to)
    green = green_size(dry, placed, k)
    turn = np.linspace(0, 2 * np.pi, 3600, endpoint=False)
    circle = np.column_stack([np.cos(turn), np.sin(turn)]) * dry / 2
    moved = move_points(circle, moved_rings(placed, k), k.back)
    assert np.ptp(moved[:, 0]) == pytest.approx(green.width_mm, rel=1e-6)
    assert np.ptp(moved[:, 1]) == pytest.approx(green.height_mm, rel=1e-6)
    if placed.pith_mm is None:
        dried = dried_section(green.width_mm, green.height_mm, placed, k)
        assert (dried.width_mm, dried.height_mm) == pytest.approx((dry, dry), rel=1e-9)
        assert np.hypot(*moved.T).max() * 2 == pytest.approx(green.oval.long_mm, rel=1e-6)
        assert np.hypot(*moved.T).min() * 2 == pytest.approx(green.oval.short_mm, rel=1e-6)


@pytest.mark.parametrize("direction", [-80.0, -45.0, 0.0, 12.0, 45.0, 90.0])
def test_the_oval_lies_across_the_rings(direction):
    oval = dried_round(20, Rings(direction), ASH)
    assert (oval.long_mm, oval.short_mm) == pytest.approx((20 * ASH.radial, 20 * ASH.tangential))
    assert math.cos(math.radians(oval.long_direction_deg - direction)) == pytest.approx(
        0, abs=1e-12
    )
    assert oval.short_direction_deg == direction
    assert -90 < oval.long_direction_deg <= 90


@given(angles)
def test_far_pith_is_straight_rings(direction):
    across = math.radians(direction + 90)
    far = 1e6
    curved = Rings(direction, (far * math.cos(across), far * math.sin(across)))
    one, two = dried_section(25, 25, curved, ASH), dried_section(25, 25, Rings(direction), ASH)
    assert one.width_mm == pytest.approx(two.width_mm, rel=1e-7)
    assert one.skew_deg == pytest.approx(two.skew_deg, abs=1e-4)
    assert one.bow_mm == pytest.approx(0, abs=1e-3)


@given(rings(curved=True), ratios, st.floats(5, 200))
def test_every_element_has_its_own_shrinkage(placed, k, side):
    """The mean gradient by quadrature is the boundary's; the area is k_r k_t of what it was; and
    the stretches at any point are k_r and k_t, whatever the directions.
    """
    section = dried_section(side, side, placed, k)
    outline = np.array(section.outline_mm)
    rolled = np.roll(outline, -1, axis=0)
    # The sides are curved and the outline a polygon: what it cuts off is third order in the bend.
    area = 0.5 * np.sum(outline[:, 0] * rolled[:, 1] - outline[:, 1] * rolled[:, 0])
    assert area == pytest.approx(side**2 * k.radial * k.tangential, rel=1e-4)
    points = np.random.default_rng(1).uniform(-side / 2, side / 2, (20, 2))
    stretches = np.linalg.svd(gradients(points, placed, k), compute_uv=False)
    assert np.allclose(stretches, sorted((k.radial, k.tangential), reverse=True), atol=1e-9)


@given(rings(curved=True), ratios)
def test_strains_fit_together_along_any_path(placed, k):
    """Summing F dx in fine steps along two different paths comes to the same point (the strains
    are compatible), and to the point of the closed form.
    """
    end = np.array([60.0, -40.0])
    s, weight = np.polynomial.legendre.leggauss(40)
    s, weight = (s + 1) / 2, weight / 2
    straight = np.outer(s, end), np.tile(end, (40, 1))
    bent = (
        np.column_stack([s * end[0], s**2 * end[1] + 30 * s * (1 - s)]),
        np.column_stack([np.full(40, end[0]), 2 * s * end[1] + 30 * (1 - 2 * s)]),
    )
    for path, tangent in (straight, bent):
        step = np.einsum("nij,nj->ni", gradients(path, placed, k), tangent)
        assert np.allclose(weight @ step, move_points(end[None], placed, k)[0], rtol=0, atol=1e-7)


def test_the_quadrature_agrees_with_the_boundary():
    """By Gauss's theorem the mean gradient is the boundary integral of x′ nᵀ over the area. The
    pith is a tenth of a width outside the section, which is as hard as it gets.
    """
    width, height = 30.0, 20.0
    placed, k = Rings(0.0, (0.0, -12.0)), Ratios(0.95, 0.90)
    nodes, weight = np.polynomial.legendre.leggauss(400)
    mean = np.zeros((2, 2))
    for normal, along in (((1, 0), (0, 1)), ((-1, 0), (0, 1)), ((0, 1), (1, 0)), ((0, -1), (1, 0))):
        half = np.array([width, height]) / 2
        points = np.array(normal) * half + np.outer(nodes, np.array(along) * half)
        moved = move_points(points, placed, k)
        mean += np.outer(weight @ moved, normal) * (half @ np.array(along)) / (width * height)
    section = dried_section(width, height, placed, k)
    area = np.linalg.det(mean)
    assert section.width_mm == pytest.approx(width * area / np.hypot(*mean[:, 1]), rel=1e-8)
    assert section.height_mm == pytest.approx(height * area / np.hypot(*mean[:, 0]), rel=1e-8)
    # Symmetric about the line to the pith: no skew; the far face bows less than the near one.
    assert section.skew_deg == pytest.approx(0, abs=1e-9)
    assert section.bow_mm > 0.1


def finite_elements(side, cells, placed, k):
    """Free shrinkage of an orthotropic square by finite elements, small strain, plane stress.

    Bilinear quadrilaterals, 2 × 2 Gauss points; stiffness along the rings 1, across them 1.6, in
    shear 0.5, Poisson's ratio 0.35, as is about right for hardwood. Returns the nodes, their
    displacements, and the largest stress at the Gauss points over that of the shrinkage if held.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.linalg import spsolve

    line = np.linspace(-side / 2, side / 2, cells + 1)
    nodes = np.array([(x, y) for y in line for x in line])
    law = np.linalg.inv(np.array([[1, -0.35, 0], [-0.35, 1 / 1.6, 0], [0, 0, 2]]))
    free = np.array([k.tangential - 1, k.radial - 1, 0.0])
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    gauss = corners / math.sqrt(3)
    size = side / cells
    pith = None if placed.pith_mm is None else np.array(placed.pith_mm)

    def strains(point, at):
        """Strain matrix at a Gauss point, in the axes of the rings there; and weight."""
        shape = np.array([c * (1 + point[::-1] * c[::-1]) for c in corners]) / 4 / (size / 2)
        if pith is None:
            a = math.radians(placed.direction_deg)
        else:
            out = at - pith
            a = math.atan2(out[1], out[0]) - math.pi / 2
        c, s = math.cos(a), math.sin(a)
        turn = np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s],
                         [-2 * c * s, 2 * c * s, c * c - s * s]])  # fmt: skip
        b = np.zeros((3, 8))
        b[0, 0::2] = b[2, 1::2] = shape[:, 0]
        b[1, 1::2] = b[2, 0::2] = shape[:, 1]
        return turn @ b

    rows, columns, values, force, kept = [], [], [], np.zeros(2 * len(nodes)), []
    for j in range(cells):
        for i in range(cells):
            first = j * (cells + 1) + i
            node = np.array([first, first + 1, first + cells + 2, first + cells + 1])
            freedom = np.column_stack([2 * node, 2 * node + 1]).ravel()
            middle = nodes[node].mean(axis=0)
            stiff = np.zeros((8, 8))
            for point in gauss:
                b = strains(point, middle + point * size / 2)
                stiff += b.T @ law @ b * (size / 2) ** 2
                force[freedom] += b.T @ law @ free * (size / 2) ** 2
                kept.append((b, freedom))
            rows.append(np.repeat(freedom, 8))
            columns.append(np.tile(freedom, 8))
            values.append(stiff.ravel())
    matrix = coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    ).tolil()
    # Hold one corner, and its neighbour in one direction: no turn, no shift, no force.
    for held in (0, 1, 3):
        matrix[held, :] = 0
        matrix[held, held] = 1
        force[held] = 0
    moved = spsolve(matrix.tocsr(), force)
    stress = max(np.abs(law @ (b @ moved[freedom] - free)).max() for b, freedom in kept)
    return nodes, moved.reshape(-1, 2), stress / np.abs(law @ free).max()


def without_shift_and_turn(nodes, moved):
    """Displacements less their best rigid part (small turns)."""
    turn = np.column_stack([-nodes[:, 1], nodes[:, 0]])
    rest = moved - moved.mean(axis=0)
    return rest - turn * np.sum(rest * turn) / np.sum(turn * turn)


SMALL = Ratios(1 - 4e-6, 1 - 9e-6)  # shrinkage so small that the linear solution is exact


def test_skew_of_a_section_at_45_degrees_by_finite_elements():
    nodes, moved, stress = finite_elements(20.0, 8, Rings(45), SMALL)
    assert stress < 1e-8
    exact = move_points(nodes, Rings(45), SMALL) - nodes
    assert np.allclose(
        without_shift_and_turn(nodes, moved), without_shift_and_turn(nodes, exact), atol=1e-11
    )
    corner, right, up = nodes[0] + moved[0], nodes[8] + moved[8], nodes[72] + moved[72]
    opening = math.acos(
        (right - corner) @ (up - corner)
        / np.linalg.norm(right - corner) / np.linalg.norm(up - corner)
    )  # fmt: skip
    skew = dried_section(20, 20, Rings(45), SMALL).skew_deg
    assert math.degrees(opening) - 90 == pytest.approx(skew, rel=1e-4)
    assert math.radians(skew) == pytest.approx(5e-6, rel=1e-4)


def test_curved_rings_by_finite_elements():
    """The closed form is the free shape: finite elements, which would show any stress that the
    strains need to fit together, come to it as the mesh gets finer, and the stress goes to zero.
    """
    placed = Rings(45.0, (20.0, -20.0))
    found = {}
    for cells in (16, 32):
        nodes, moved, stress = finite_elements(20.0, cells, placed, SMALL)
        exact = without_shift_and_turn(nodes, move_points(nodes, placed, SMALL) - nodes)
        error = np.abs(without_shift_and_turn(nodes, moved) - exact).max() / np.abs(exact).max()
        found[cells] = error, stress
    assert found[32][0] < 1e-3
    assert found[32][0] < found[16][0] / 2.5
    assert found[32][1] < 0.02
    assert found[32][1] < found[16][1] / 1.8


def test_pith_within_the_piece_is_refused():
    for call in (
        lambda r: dried_section(20, 20, r, ASH),
        lambda r: dried_round(20, r, ASH),
        lambda r: green_size(20, r, ASH),
    ):
        with pytest.raises(InputError, match="pith lies within"):
            call(Rings(0.0, (0.0, -9.0)))


@pytest.mark.parametrize("size", [0, -1, float("nan"), float("inf"), 1e9])
def test_sizes_that_cannot_be(size):
    for call in (
        lambda: dried_section(size, 20, Rings(0), ASH),
        lambda: dried_section(20, size, Rings(0), ASH),
        lambda: dried_round(size, Rings(0), ASH),
        lambda: green_size(size, Rings(0), ASH),
    ):
        with pytest.raises(InputError):
            call()
    with pytest.raises(InputError):
        green_size(20, Rings(0), ASH, allowance_mm=-1)


@given(angles, st.floats(0.1, 20), st.floats(1, 100))
def test_rings_from_numbers(direction, distance, width):
    across = math.radians(direction + 90)
    pith = distance * math.cos(across), distance * math.sin(across)
    placed = rings_in_section(direction, pith, width).rings
    assert math.hypot(*placed.pith_mm) == pytest.approx(distance * width)
    assert placed.pith_mm == pytest.approx((pith[0] * width, pith[1] * width), abs=1e-6)
    alone = rings_in_section(None, pith, width).rings
    assume(abs(direction) < 89.999)
    assert alone.direction_deg == pytest.approx(direction, abs=1e-6)


def test_a_pith_off_the_line_across_the_rings():
    seen = rings_in_section(0.0, (1.0, -3.0), 10.0)
    assert "18° off" in seen.notes[0]
    assert seen.rings.pith_mm == pytest.approx((0.0, -math.hypot(10, 30)))
    assert not rings_in_section(0.0, (0.2, -3.0), 10.0).notes
    with pytest.raises(InputError, match="contradict"):
        rings_in_section(0.0, (3.0, -1.0), 10.0)


@pytest.mark.parametrize(
    "given_numbers",
    [(None,), (float("nan"),), (0.0, (0.0, -2.0)), (0.0, (0.0, 0.0), 10.0),
     (0.0, (0.0, float("inf")), 10.0), (0.0, (0.0, -2.0), 0.0)],
)  # fmt: skip
def test_rings_that_cannot_be(given_numbers):
    with pytest.raises(InputError):
        rings_in_section(*given_numbers)
