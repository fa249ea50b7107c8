"""The workshop commands: what is typed, what comes out, one line for nonsense."""

import dataclasses
import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from grainscan.commands.dry import dry
from grainscan.commands.joint import joint
from grainscan.commands.moisture import moisture
from grainscan.commands.scan import scan
from grainscan.commands.stock import stock
from grainscan.commands.woods import woods
from grainscan.judge.sorting import judge_blank
from grainscan.results import EndScan, Limit, RingSeries
from grainscan.workshop.dried_shapes import green_size
from grainscan.workshop.dry_words import BOX_CAUTION, DRY_CAUTION, JOINT_CAUTION, plan_lines
from grainscan.workshop.leave_green import green_plan
from grainscan.workshop.ring_position import MeasuredRings, rings_from_end, rings_in_section
from grainscan.workshop.shrinkage import wood_ratios
from grainscan.workshop.spread import Estimate
from grainscan.workshop.woods import read_woods
from tests.hand_made import end, measurement, slope


def run(command, *args):
    return CliRunner().invoke(command, [str(arg) for arg in args])


def lines(done):
    assert done.exit_code == 0, done.output
    assert done.stderr == ""
    return done.stdout.splitlines()


def refused(done):
    """One line on the standard error, exit code 2, nothing on the standard output."""
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    (line,) = done.stderr.strip().splitlines()
    return line


TENON = ("--species", "white ash", "--tenon", "14mm", "--to", "6")


def result_file(tmp_path, *blanks):
    """A result file as grainscan scan writes it; each blank a name and changes of its end."""
    data = []
    for name, changes in blanks:
        result = judge_blank(measurement(slope(1.4, 1.1, 1.8), name=name), Limit(20, "test"))
        one = result.to_dict()
        one["end"] = None if changes is None else one["end"] | changes
        data.append(one)
    path = tmp_path / "result.json"
    path.write_text(json.dumps(data))
    return path


def test_the_size_to_leave_is_computed():
    first, second, *rest = lines(run(dry, *TENON, "--rings", "12"))
    k = wood_ratios(read_woods().find("white ash"), 30, 6)
    size = green_size(14, rings_in_section(12).rings, k)
    assert first.startswith(
        f"Leave {size.width_mm:.1f} × {size.height_mm:.1f} mm green for a 14 mm dry tenon at 6 %"
    )
    assert "90 % interval" in second
    text = "\n".join(rest)
    assert f"leave {size.round_mm:.1f} mm" in text
    assert "an oval of 14.0 × 14.3 mm, the long way at -78°" in text
    assert "Fraxinus americana" in text
    assert "Table 4-3" in text
    assert "15 %" in text
    assert rest[-1] == DRY_CAUTION


def test_rings_from_a_scan(tmp_path):
    path = result_file(tmp_path, ("rung-1", {}), ("rung-2", {"ring_direction_deg": 50.0}))
    by_hand = lines(run(dry, *TENON, "--rings", "12"))
    scanned = lines(run(dry, *TENON, "--scan", path, "--blank", "rung-1"))
    # The same size; the scan's own interval of the direction makes the size's a little wider.
    assert scanned[0] == by_hand[0]
    assert scanned[2:3] != lines(run(dry, *TENON, "--scan", path, "--blank", "rung-2"))[2:3]
    assert "rings at 12°" in "\n".join(scanned)
    line = refused(run(dry, *TENON, "--scan", path))
    assert "2 blanks" in line
    assert "rung-1 or rung-2" in line
    assert "no blank 'rung-3'" in refused(run(dry, *TENON, "--scan", path, "--blank", "rung-3"))


def test_a_scan_with_a_pith_needs_a_width_or_says_so(tmp_path):
    path = result_file(tmp_path, ("r", {"pith": [0.4, -1.9], "width_mm": None}))
    text = "\n".join(lines(run(dry, *TENON, "--scan", path)))
    assert "taken as straight" in text
    text = "\n".join(lines(run(dry, *TENON, "--scan", path, "--width", "1in")))
    assert "curved about the pith" in text
    scaled = result_file(tmp_path, ("r", {"pith": [0.4, -1.9], "width_mm": 25.4}))
    assert "\n".join(lines(run(dry, *TENON, "--scan", scaled))) == text


def test_an_end_scan_and_its_json_tell_the_same():
    scan = end(direction_deg=33.0)
    assert rings_from_end(scan) == rings_from_end(scan.to_dict())
    assert rings_from_end(scan).low_deg == 31.0
    curved = dataclasses.replace(scan, width_mm=20.0, pith=(-1.5, 2.5), ring_series=series())
    assert rings_from_end(curved) == rings_from_end(curved.to_dict())


def series(low=2.0, high=4.0):
    return RingSeries((), "ring-porous", 0.9, 90.0, 0.95, 0.3, 0.25, 0.5, low, high, 4, 6)


def curved_end(low, high, pith=(0.0, 3.0)) -> EndScan:
    return dataclasses.replace(
        end(direction_deg=0.0), width_mm=20.0, pith=pith, ring_series=series(low, high)
    )


def test_the_doubt_of_the_pith_goes_into_the_curve():
    """Distances in section widths of 20 mm; curvature is one over the distance."""
    found = rings_from_end(curved_end(2.0, 4.0))
    assert found.rings.curve_per_mm == pytest.approx(1 / 60)
    assert found.curve_low_per_mm == pytest.approx(1 / 80)
    assert found.curve_high_per_mm == pytest.approx(1 / 40)
    assert rings_from_end(curved_end(2.0, None)).curve_low_per_mm == 0.0
    side_unknown = rings_from_end(curved_end(2.0, 4.0, pith=None))
    assert side_unknown.curve_high_per_mm == pytest.approx(1 / 40)
    assert side_unknown.curve_low_per_mm == pytest.approx(-1 / 40)
    assert rings_from_end(curved_end(None, None)).curve_high_per_mm is None


def test_the_wood_is_told_by_the_scan(tmp_path):
    path = result_file(tmp_path, ("rung-1", {}))
    (data,) = json.loads(path.read_text())
    path.write_text(json.dumps([data | {"species": "white ash"}]))
    by_scan = run(dry, *TENON[2:], "--scan", path)
    assert lines(by_scan) == lines(run(dry, *TENON, "--scan", path))
    oak = lines(run(dry, *TENON[2:], "--scan", path, "--species", "white oak"))
    assert "Quercus alba" in "\n".join(oak)
    path.write_text(json.dumps([data]))
    assert "--species" in refused(run(dry, *TENON[2:], "--scan", path))


@pytest.mark.parametrize(
    ("content", "hint"),
    [
        ("", "no result file"),
        ("[]", "no result file"),
        ("[{}]", "schema 1"),
        ('{"schema": 2}', "schema 1"),
        ('[{"schema": 1, "blank": "a", "end": null}]', "no photograph of the end"),
        ('[{"schema": 1, "blank": "a", "end": {"ring_direction_deg": null}}]', "could not tell"),
        ('[{"schema": 1, "blank": "a", "end": {"ring_direction_deg": "x"}}]', "damaged"),
        ('[{"schema": 1, "blank": "a", "end": {"ring_direction_deg": 1, "pith": [1]}}]', "damaged"),
        ('[{"schema": 1, "blank": "a", "end": {"ring_direction_deg": 1, "pith": 3}}]', "damaged"),
        ("[" * 100_000, "no result file"),
        ("\udcff", "no result file"),
    ],
)
def test_a_wrong_result_file_is_one_line(tmp_path, content, hint):
    path = tmp_path / "result.json"
    path.write_bytes(content.encode("utf-8", "surrogateescape"))
    assert hint in refused(run(dry, *TENON, "--scan", path))


def test_inches_in_inches_out():
    text = "\n".join(
        lines(run(dry, "--species", "white oak", "--tenon", "5/8in", "--to", "6%", "--rings", "30",
                  "--allowance", "1/32 in"))
    )  # fmt: skip
    assert "for a 5/8 in dry tenon" in text
    assert re.search(r"Leave about \d+/64 in \(0\.\d{3} in\)", text)
    assert "1/32 in of it for final sizing" in text
    text = "\n".join(lines(run(dry, *TENON, "--rings", "30", "--units", "in")))
    assert "about 35/64 in (0.551 in)" in text


def test_what_a_section_dries_to():
    text = lines(
        run(dry, "--species", "ash", "--section", "30 x 30 mm", "--to", "0", "--rings", "0")
    )
    # Oven-dry, rings along face A: 7.8 % less in width, 4.9 % less in height, and still square.
    assert f"becomes {30 * 0.922:.1f} × {30 * 0.951:.1f} mm at 0 %" in text[0]
    assert "go from 90° to 90.0°" in text[2]
    assert text[-1] == DRY_CAUTION


def test_swelling_is_said_as_swelling():
    text = "\n".join(lines(run(dry, *TENON[:4], "--from", "6", "--to", "12", "--rings", "0")))
    assert "at 6 % for a 14 mm dry tenon at 12 %" in text
    assert "% more along the rings" in text


def test_results_as_json(tmp_path):
    path = tmp_path / "plan.json"
    lines(run(dry, *TENON, "--rings", "12", "--json", path))
    data = json.loads(path.read_text("ascii"))
    assert data["dry_mm"] == 14
    assert data["width"]["low"] < data["width"]["value"] < data["width"]["high"]
    assert "folder that exists" in refused(
        run(dry, *TENON, "--rings", "12", "--json", tmp_path / "none" / "plan.json")
    )


def test_a_wood_file_of_ones_own(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text('[wood."field maple"]\nradial_percent = 4.0\n')
    line = refused(
        run(dry, "--species", "field maple", "--tenon", "14", "--to", "6", "--rings", "0",
            "--woods", path)
    )  # fmt: skip
    assert "tangential shrinkage is known for field maple" in line
    path.write_text('[wood."field maple"]\nradial_percent = 4.0\ntangential_percent = 8.0\n')
    text = "\n".join(
        lines(run(dry, "--species", "field maple", "--tenon", "14", "--to", "6", "--rings", "0",
                  "--woods", path))
    )  # fmt: skip
    assert "given by the user in own.toml" in text


@pytest.mark.parametrize(
    ("args", "hint"),
    [
        (("--rings", "12", "--to", "6", "--tenon", "14"), "--species"),
        (("--rings", "12", "--species", "ash", "--tenon", "14"), "--to"),
        (("--rings", "12", "--species", "ash", "--to", "6"), "--tenon"),
        ((*TENON, "--rings", "12", "--section", "3 x 3"), "either"),
        (TENON, "direction of the growth rings"),
        ((*TENON, "--rings", "east"), "ring direction"),
        ((*TENON, "--rings", "nan"), "ring direction"),
        ((*TENON, "--rings", "12", "--from", "-1"), "0 % (oven-dry) and 250 %"),
        ((*TENON, "--rings", "12", "--from", "260"), "0 % (oven-dry) and 250 %"),
        ((*TENON[:4], "--rings", "12", "--to", "251"), "0 % (oven-dry) and 250 %"),
        ((*TENON[:4], "--rings", "12", "--to", "dry"), "12%"),
        (("--species", "balsa", *TENON[2:], "--rings", "12"), "Known are"),
        (("--species", "oak", *TENON[2:], "--rings", "12"), "white oak or northern red oak"),
        ((*TENON[:2], "--tenon", "0 mm", "--to", "6", "--rings", "12"), "above 0"),
        ((*TENON[:2], "--tenon", "7/16", "--to", "6", "--rings", "12"), "needs its unit"),
        ((*TENON, "--rings", "12", "--allowance", "-1"), "allowance"),
        ((*TENON, "--rings", "12", "--write-down"), "--write-down belongs"),
        ((*TENON, "--scan", "x.json", "--blank", "a", "--write-down"), "--write-down belongs"),
        ((*TENON, "--rings", "12", "--pith", "1,-3"), "section's width"),
        ((*TENON, "--rings", "12", "--pith", "1;3", "--width", "25"), "right,up"),
        ((*TENON, "--rings", "0", "--pith", "3,0", "--width", "25"), "contradict"),
        ((*TENON, "--rings", "0", "--pith", "0,-0.2", "--width", "25"), "pith lies within"),
        ((*TENON, "--rings", "0", "--scan", "x.json"), "either by --scan or by hand"),
        ((*TENON, "--scan", "no such.json"), "cannot be read"),
        ((*TENON, "--rings", "12", "--woods", "no such.toml"), "cannot be read"),
        (("--species", "ash", "--section", "3 x 3", "--to", "6", "--rings", "0", "--allowance",
          "1"), "belongs to --tenon"),
    ],
)  # fmt: skip
def test_nonsense_is_one_line(args, hint):
    assert hint in refused(run(dry, *args))


JOINT = ("--tenon-species", "ash", "--post-species", "sugar maple", "--mortise", "16mm",
         "--tenon-at", "5", "--post-at", "14")  # fmt: skip


def test_a_joint(tmp_path):
    path = tmp_path / "joint.json"
    text = lines(
        run(joint, *JOINT, "--tenon", "16mm", "--service", "8", "--service", "12", "--json", path)
    )
    assert "same size" in text[0]
    assert sum(line.startswith("At 8 %: the tenon would measure") for line in text) == 1
    assert any("Turn the tenon with its rings along the post's fibres" in line for line in text)
    assert any(line.startswith("Warning: ") for line in text)
    assert text[-1] == JOINT_CAUTION
    data = json.loads(path.read_text("ascii"))
    assert data["tenon_mm"] == 16
    assert f"{data['in_service'][0]['across']['value']:+.2f} mm" in "\n".join(text)


def test_a_tenon_for_a_wanted_interference():
    text = lines(run(joint, *JOINT, "--tight", "0.2mm", "--service", "8"))
    assert any("+0.20 mm" in line and "across" in line for line in text)
    assert "of play" in text[0]
    assert lines(run(joint, *JOINT, "--tight", "0", "--service", "8"))


@pytest.mark.parametrize(
    ("args", "hint"),
    [
        (("--mortise", "16"), "both woods"),
        (JOINT[:4], "--mortise"),
        ((*JOINT[:6], "--tenon", "16"), "--tenon-at"),
        ((*JOINT, "--tenon", "16"), "--service"),
        ((*JOINT, "--tenon", "16", "--tight", "1", "--service", "8"), "either"),
        ((*JOINT, "--tenon", "0", "--service", "8"), "above 0"),
        ((*JOINT, "--tenon", "16", "--service", "300"), "250 %"),
        ((*JOINT, "--tenon", "16", "--service", "8", "--turn", "x"), "turn"),
        ((*JOINT, "--tight", "17mm", "--service", "8"), "cannot be in this mortise"),
    ],
)
def test_nonsense_about_joints_is_one_line(args, hint):
    assert hint in refused(run(joint, *args))


def test_moisture_of_the_air():
    """9.2 % at 70 °F and 50 % (Wood Handbook, 2010, Table 4-2)."""
    (line,) = lines(run(moisture, "air", "--temperature", "70F", "--humidity", "50"))
    assert "9.2 %" in line
    assert lines(run(moisture, "air", "--temperature", "21.1 °C", "--humidity", "50%")) == [line]


def test_moisture_by_weight():
    text = lines(run(moisture, "weight", "--now", "150", "--dry", "120"))
    assert text[0] == "It is at 25.0 %."
    assert "not sure" in text[1]
    assert text[-1] == BOX_CAUTION
    text = lines(
        run(moisture, "weight", "--now", "120", "--green", "160", "--green-at", "60")
    )  # oven-dry 100 g
    assert text[0] == "It is at 20.0 %."
    assert "may go in" in text[1]
    text = lines(
        run(moisture, "weight", "--now", "330", "--species", "ash", "--section", "30x30",
            "--length", "500")
    )  # fmt: skip
    # 450 cm³ of specific gravity 0.55: 247.5 g of dry wood, 33.3 % now.
    assert text[0].startswith("It is at 33.3 % (")


def weighing_file(tmp_path):
    path = tmp_path / "rung.csv"
    path.write_text(
        "date,grams\n2026-03-01,768\n2026-03-08,731\n2026-03-15,705\n2026-03-22,688\n"
        "2026-03-29,677\n2026-04-05,669\n"
    )
    return path


def test_the_date(tmp_path):
    text = lines(
        run(moisture, "curve", weighing_file(tmp_path), "--until", "10", "--dry", "600",
            "--temperature", "18C", "--humidity", "45")
    )  # fmt: skip
    assert re.search(
        r"reaches 10 % about 2026-\d\d-\d\d \(90 % interval 2026-\d\d-\d\d to 2026-\d\d-\d\d\)",
        text[1],
    )
    low, high = re.findall(r"2026-\d\d-\d\d", text[1])[1:]
    assert "2026-04-05" < low <= high
    assert "change of weather" in "\n".join(text)
    assert text[-1] == BOX_CAUTION
    text = lines(
        run(
            moisture,
            "curve",
            weighing_file(tmp_path),
            "--until",
            "5",
            "--dry",
            "600",
            "--room",
            "9",
        )
    )
    assert "never comes to 5 %" in "\n".join(text)
    text = lines(run(moisture, "curve", weighing_file(tmp_path), "--until", "12", "--room", "9"))
    assert "without its oven-dry weight" in "\n".join(text)


@pytest.mark.parametrize(
    ("args", "hint"),
    [
        (("air", "--temperature", "20C"), "--humidity"),
        (("air", "--temperature", "20", "--humidity", "50"), "needs its unit"),
        (("air", "--temperature", "warmC", "--humidity", "50"), "temperature"),
        (("air", "--temperature", "20C", "--humidity", "120"), "between 0 and 100"),
        (("air", "--temperature", "900C", "--humidity", "20"), "30 to 270"),
        (("weight", "--dry", "100"), "--now"),
        (("weight", "--now", "100"), "Give one of"),
        (("weight", "--now", "100", "--dry", "120"), "changed places"),
        (("weight", "--now", "100", "--green", "120"), "--green-at"),
        (("weight", "--now", "x", "--dry", "120"), "weight in grams"),
        (("weight", "--now", "100", "--species", "ash"), "--section and --length"),
        (("weight", "--now", "100", "--dry", "1", "--green", "120"), "Give one of"),
        (("curve", "no such.csv", "--until", "10", "--dry", "600"), "cannot be read"),
        (("curve", "no such.csv"), "--until"),
        (("curve", "x", "--until", "10", "--room", "9", "--humidity", "50"), "either --room"),
        (("curve", "x", "--until", "10", "--humidity", "50"), "both --temperature"),
        (("curve", "x", "--until", "300"), "250 %"),
    ],
)
def test_nonsense_about_moisture_is_one_line(args, hint):
    assert hint in refused(run(moisture, *args))


def test_the_list_of_woods():
    text = lines(run(woods))
    assert len(text) == len(read_woods().woods)
    text = "\n".join(lines(run(woods, "ash")))
    assert "tangential shrinkage 7.8 (tangential_percent): Wood Handbook" in text
    assert "from memory" in text
    assert "Known are" in refused(run(woods, "balsa"))


@pytest.mark.parametrize("command", [dry, joint, moisture, woods])
def test_help(command):
    assert "Usage:" in run(command, "--help").stdout


def test_the_sample_rung_from_photograph_to_green_size(tmp_path):
    """The whole way: scan a sample blank, then size a tenon by its measured ring direction."""
    path = tmp_path / "rung.json"
    sample = Path(__file__).parent.parent / "sample_images" / "ash-rung-straight"
    done = run(scan, sample, "--json", path, "--workers", "1")
    assert done.exit_code == 0, done.output
    (result,) = json.loads(path.read_text("ascii"))
    seen = rings_from_end(result["end"])
    k = wood_ratios(read_woods().find("white ash"), 30, 6)
    size = green_size(14, seen.rings, k)
    first, *rest = lines(run(dry, *TENON, "--scan", path))
    assert first.startswith(
        f"Leave {size.width_mm:.1f} × {size.height_mm:.1f} mm green for a 14 mm"
    )
    assert f"rings at {seen.rings.direction_deg:.0f}° from face A's edge" in "\n".join(rest)


def test_the_weighings_of_the_stock_book(tmp_path):
    from grainscan.stock.blanks import save_blank
    from grainscan.stock.life import add_weighing
    from grainscan.stock.records import Blank, Weighing
    from grainscan.stock.store import open_book

    path = tmp_path / "book.sqlite"
    book = open_book(path)
    save_blank(book, Blank(code="ash-26-001"))
    save_blank(book, Blank(code="ash-26-002"))
    add_weighing(book, "ash-26-001", Weighing("2026-02-01", moisture_percent=40.0))
    for line in weighing_file(tmp_path).read_text().splitlines()[1:]:
        on, grams = line.split(",")
        add_weighing(book, "ash-26-001", Weighing(on, mass_g=float(grams)))
    common = ("--until", "10", "--dry", "600", "--room", "8")
    from_file = lines(run(moisture, "curve", weighing_file(tmp_path), *common))
    from_book = ("--blank", "ash-26-001", "--book", path)
    assert lines(run(moisture, "curve", *from_book, *common)) == from_file
    none = ("--blank", "ash-26-002", "--book", path)
    assert "no mass of ash-26-002" in refused(run(moisture, "curve", *none, *common))
    assert "either a file" in refused(run(moisture, "curve", *common))


@pytest.fixture
def booked(tmp_path):
    """A book with a scanned ash blank of 25 × 25 × 400 mm, and one that was never scanned."""
    from grainscan.stock.blanks import save_blank
    from grainscan.stock.records import Blank
    from grainscan.stock.scans import keep_scan
    from grainscan.stock.store import open_book

    book = open_book(tmp_path / "book.sqlite")
    keep_scan(book, measurement(slope(1.4, 1.1, 1.8), name="ash-1"), Limit(20, "test"), {})
    sides = {"width_mm": 25.0, "height_mm": 25.0, "length_mm": 400.0}
    save_blank(book, Blank(code="ash-1", species="white ash", **sides))
    save_blank(book, Blank(code="ash-2", species="white ash"))
    return book


def of_book(book, code="ash-1"):
    return (*TENON[2:], "--blank", code, "--book", book.path)


def test_the_book_tells_wood_rings_and_moisture(booked):
    from grainscan.stock.life import add_weighing
    from grainscan.stock.records import Weighing

    scanned = MeasuredRings(rings_in_section(12.0).rings, 10.0, 14.0)
    ash = read_woods().find("white ash")

    def expected(now):
        return list(plan_lines(green_plan(ash, 14, scanned, to_percent=6, from_percent=now)))

    assert lines(run(dry, *of_book(booked)))[:-1] == expected(30.0)
    # Its mass: oven-dry it would weigh 0.55 g/cm³ of its 250 cm³, ± 16.4 %.
    add_weighing(booked, "ash-1", Weighing("2026-03-01", mass_g=165.0))
    *by_mass, said, caution = lines(run(dry, *of_book(booked)))
    dry_g = 0.55 * 250.0
    ends = [100 * (165.0 / (dry_g * (1 + sign * 1.6448536 * 0.1)) - 1) for sign in (1, -1)]
    assert by_mass[-2].startswith(
        f"The moisture content now is in the interval too: {ends[0]:.0f} to {ends[1]:.0f} %"
    )
    assert "Moisture now: 20 %" in said
    assert caution == DRY_CAUTION
    value = Estimate(100 * (165.0 / dry_g - 1), *ends)
    assert by_mass == expected(value)
    # What was written down says more than a mass, and what is typed more than the book.
    add_weighing(booked, "ash-1", Weighing("2026-03-01", moisture_percent=12.0))
    assert lines(run(dry, *of_book(booked)))[:-2] == expected(12.0)
    assert lines(run(dry, *of_book(booked), "--from", "25"))[:-1] == expected(25.0)


def test_a_size_is_kept_on_the_stock_record(booked, tmp_path):
    from grainscan.stock.green_sizes import green_sizes_of
    from grainscan.stock.remove import remove_blank

    path = tmp_path / "plan.json"
    said = lines(run(dry, *of_book(booked), "--write-down", "--json", path))
    assert said[-1] == "ash-1: written down."
    (kept,) = green_sizes_of(booked, "ash-1")
    assert list(plan_lines(kept.plan)) == said[:-2]
    assert kept.plan.to_dict() == json.loads(path.read_text("ascii"))
    shown = tmp_path / "kept.json"
    story = lines(run(stock, "show", "ash-1", "--book", booked.path, "--green-json", shown))
    assert f"{kept.planned_at[:10]} {said[0]}" in story
    (record,) = json.loads(shown.read_text("utf-8"))
    assert record.pop("planned_at") == kept.planned_at
    assert record.pop("who") is None
    assert record == kept.plan.to_dict()
    lines(run(dry, *of_book(booked), "--allowance", "1mm", "--write-down"))
    assert [one.plan.allowance_mm for one in green_sizes_of(booked, "ash-1")] == [0.0, 1.0]
    remove_blank(booked, "ash-1", really=True)


def test_what_the_book_does_not_know_is_one_line(booked):
    from grainscan.stock.life import add_weighing
    from grainscan.stock.records import Weighing

    assert "no scanned end of ash-2" in refused(run(dry, *of_book(booked, "ash-2")))
    assert "no blank 'ash-3'" in refused(run(dry, *of_book(booked, "ash-3")))
    add_weighing(booked, "ash-2", Weighing("2026-03-01", mass_g=165.0))
    by_hand = (*of_book(booked, "ash-2"), "--rings", "12")
    assert "does not know its width" in refused(run(dry, *by_hand))
    assert lines(run(dry, *by_hand, "--from", "green"))
    add_weighing(booked, "ash-1", Weighing("2026-03-01", mass_g=60.0))
    assert "less than its oven-dry weight" in refused(run(dry, *of_book(booked)))
