"""Cut lists, exact assignment against brute force, plans and what is short."""

import itertools

import numpy as np
import pytest

from grainscan.errors import RecordError
from grainscan.workshop.assign import Offer, Wanted, assign
from grainscan.workshop.cutlist import SHIPPED, CutList, Want, read_cut_list, shipped_cut_list
from grainscan.workshop.keep_clear import AvoidZone
from grainscan.workshop.parts import shipped_parts
from grainscan.workshop.plan import PlanRules, plan_parts
from tests.bench_made import measured, part

CASES = 200
GAP = 5.0


def score(offers, wanted, taken):
    """(wanted parts, spares, quality) of a choice, or None if it is not allowed."""
    counts = [sum(offers[i].wanted == w for i in taken) for w in range(len(wanted))]
    if any(c > n.count + n.spares for c, n in zip(counts, wanted, strict=True)):
        return None
    for i, j in itertools.combinations(taken, 2):
        a, b = sorted((offers[i], offers[j]), key=lambda o: o.start_mm)
        if a.blank == b.blank and b.start_mm < a.stop_mm + GAP - 1e-9:
            return None
    needed = sum(min(c, n.count) for c, n in zip(counts, wanted, strict=True))
    return needed, sum(counts), sum(offers[i].quality for i in taken)


def brute(offers, wanted):
    best = (0, 0, 0.0)
    for size in range(len(offers) + 1):
        for taken in itertools.combinations(range(len(offers)), size):
            found = score(offers, wanted, taken)
            if found is not None and found > best:
                best = found
    return best


def random_problem(rng, several):
    wanted = [
        Wanted(int(rng.integers(1, 3)), int(rng.integers(0, 2))) for _ in range(rng.integers(1, 4))
    ]
    offers = []
    for _ in range(rng.integers(1, 10)):
        start = float(rng.integers(0, 40) * 5) if several else float(rng.integers(0, 5))
        long = float(rng.integers(8, 24) * 5) if several else 90.0
        offers.append(
            Offer(
                blank=int(rng.integers(0, 3)),
                wanted=int(rng.integers(0, len(wanted))),
                start_mm=start,
                stop_mm=start + long,
                quality=float(rng.uniform(0, 1.1)),
            )
        )
    return offers, wanted


@pytest.mark.parametrize("several", [False, True], ids=["one a blank", "several a blank"])
def test_assignment_against_every_possible_choice(several):
    rng = np.random.default_rng(600 + several)
    for _ in range(CASES):
        offers, wanted = random_problem(rng, several)
        taken = assign(offers, wanted, gap_mm=GAP)
        found = score(offers, wanted, taken)
        assert found is not None, "the choice breaks a rule"
        assert found == pytest.approx(brute(offers, wanted), abs=1e-6)


def test_both_methods_agree_where_both_apply():
    """The same problem, once beside a long blank for another part that makes it integer."""
    rng = np.random.default_rng(7)
    for _ in range(40):
        offers, wanted = random_problem(rng, several=False)
        other = len(wanted)
        far = [Offer(99, other, 0.0, 50.0, 0.5), Offer(99, other, 200.0, 250.0, 0.5)]
        linear = assign(offers, wanted, gap_mm=GAP)
        integer = assign([*offers, *far], [*wanted, Wanted(2)], gap_mm=GAP)
        assert set(integer) >= {len(offers), len(offers) + 1}
        kept = [i for i in integer if i < len(offers)]
        assert score(offers, wanted, kept) == pytest.approx(score(offers, wanted, linear))


def test_offers_that_make_no_sense_are_refused():
    assert assign([], [Wanted(1)]) == ()
    with pytest.raises(ValueError, match="quality"):
        assign([Offer(0, 0, 0, 1, -1.0)], [Wanted(1)])
    with pytest.raises(ValueError, match="not wanted"):
        assign([Offer(0, 3, 0, 1, 1.0)], [Wanted(1)])


def test_a_wanted_part_comes_before_quality_and_spares():
    offers = [Offer(0, 0, 0, 90, 1.0), Offer(0, 1, 0, 90, 0.1), Offer(1, 0, 0, 90, 0.2)]
    assert assign(offers, [Wanted(1, 5), Wanted(1)]) == (1, 2)


def test_shipped_cut_lists_name_shipped_parts():
    parts = shipped_parts()
    assert {"chair"} <= set(SHIPPED)
    for name in SHIPPED:
        assert shipped_cut_list(name, parts).wants
    chair = shipped_cut_list("chair", parts)
    assert {want.part.name for want in chair.wants} == {
        "chair back post", "chair front post", "chair rung", "chair slat",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('name = "x"', "want is missing"),
        ('name = "x"\nwant = []', "no part is wanted"),
        ('name = "x"\n[[want]]\npart = "broom"\ncount = 1', "no part 'broom'"),
        ('name = "x"\n[[want]]\npart = "chair rung"\ncount = 0', "must lie in 1"),
        ('name = "x"\n[[want]]\npart = "chair rung"\ncount = 1.5', "whole number"),
        ('name = "x"\n[[want]]\npart = "chair rung"\ncount = true', "must be a number"),
        ('[[want]]\npart = "chair rung"\ncount = 1', "name is missing"),
        (
            'name = "x"\n[[want]]\npart = "chair rung"\ncount = 1\n'
            '[[want]]\npart = "Chair Rung"\ncount = 1',
            "wanted twice",
        ),
    ],
)
def test_wrong_cut_lists_are_named(tmp_path, text, says):
    path = tmp_path / "list.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError) as error:
        read_cut_list(path, shipped_parts())
    assert says in str(error.value)
    assert "list.toml" in str(error.value)


def cut_list(*wants):
    return CutList("test", tuple(Want(p, Wanted(count, spares)) for p, count, spares in wants))


ROD = part(profile=((0, 16, 16), (300, 16, 16)), name="rod")
PEG = part(profile=((0, 10, 10), (90, 10, 10)), name="peg")


def blank(name, a_deg=0.5, b_deg=0.5, **sizes):
    return measured([a_deg] * 21, [b_deg] * 21, name=name, **sizes)


def test_the_smaller_of_two_blanks_that_serve_alike_is_taken():
    plan = plan_parts([blank("fat", width_mm=50.0), blank("slim")], cut_list((ROD, 1, 0)))
    assert [used.measurement.record.blank for used in plan.used] == ["slim"]
    (unused,) = plan.unused
    assert (unused.blank, unused.sort) == ("fat", "keep")
    assert plan.shortages == ()


def test_a_long_blank_yields_several_parts_that_do_not_overlap():
    plan = plan_parts([blank("long")], cut_list((PEG, 9, 0)))
    (used,) = plan.used
    spans = [(laid.placement.z_mm[0], laid.placement.z_mm[-1]) for laid in used.parts]
    # 500 mm less 6 mm at either end: five pegs of 90 mm with 5 mm between them.
    assert len(spans) == 5
    for (_, stop), (start, _) in itertools.pairwise(spans):
        assert start >= stop + 5.0 - 1e-6
    assert spans[0][0] >= 6.0 - 1e-6
    assert spans[-1][1] <= 494.0 + 1e-6
    (short,) = plan.shortages
    assert (short.found, short.missing) == (5, 4)


def test_every_part_meets_its_limit():
    """At 1 in 8, straight in narrow wood is beyond 1 in 20; along the fibres it is not."""
    steep = blank("steep", a_deg=7.0, width_mm=60.0, height_mm=22.0)
    wanted = cut_list((ROD, 1, 0))
    along = plan_parts([steep], wanted)
    assert along.used[0].parts[0].judged.sort == "keep"
    narrow = blank("narrow", a_deg=7.0, width_mm=20.0, height_mm=22.0)
    straight = plan_parts([narrow], wanted, PlanRules(along_fibres=False))
    assert straight.used == ()
    assert straight.unused[0].sort == "set aside"
    assert "beyond the limit" in straight.unused[0].reason


def test_parts_sorted_check_count_only_where_asked():
    unsure = blank("unsure", mean_spread_deg=4.0, spread_deg=4.0, width_mm=40.0, height_mm=40.0)
    wanted = cut_list((ROD, 1, 0))
    assert plan_parts([unsure], wanted).unused[0].sort == "check"
    used = plan_parts([unsure], wanted, PlanRules(also_check=True)).used
    assert used[0].parts[0].judged.sort == "check"


def test_what_to_split_next():
    plan = plan_parts([blank("short", length_mm=200.0)], cut_list((ROD, 2, 1), (PEG, 1, 0)))
    (short,) = plan.shortages
    assert (short.part.name, short.missing, short.spares_missing) == ("rod", 2, 1)
    # 16 mm and 1 mm all round, up to the next 5 mm; 300 mm and 6 mm at either end likewise.
    assert (short.width_mm, short.height_mm, short.length_mm) == (20.0, 20.0, 315.0)


def test_blanks_that_cannot_be_used_say_why():
    no_b = measured([0.5] * 9, [0.5] * 9, name="one face", face_b=False)
    thin = blank("thin", a_deg=0.0, width_mm=14.0)
    tiny = blank("tiny", length_mm=10.0)
    plan = plan_parts([no_b, thin, tiny], cut_list((ROD, 1, 0)))
    reasons = {unused.blank: unused.reason for unused in plan.unused}
    assert "face B" in reasons["one face"]
    assert "2.0 mm of wood are missing" in reasons["thin"]
    assert "leaves nothing" in reasons["tiny"]


def test_zones_to_avoid_go_by_the_blanks_name():
    knot = AvoidZone(0.45, 0.55, "knot")
    wanted = cut_list((ROD, 1, 0))
    plan = plan_parts([blank("knotty"), blank("clear", width_mm=50.0)], wanted, avoid={
        "knotty": [knot],
    })  # fmt: skip
    assert [used.measurement.record.blank for used in plan.used] == ["clear"]
    assert "219 mm" in plan.unused[0].reason  # 6 to 225 mm of 500 are clear
