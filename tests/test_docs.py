"""What the documentation promises is what there is."""

import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from grainscan.commands.group import COMMANDS, main_group
from grainscan.judge.limits import known_parts, limit_for_part
from grainscan.judge.sorting import judge_blank
from grainscan.judge.strength import shares
from grainscan.results import Limit
from tests.hand_made import measurement, slope

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")


def marked_command(mark):
    found = re.findall(rf"^<!-- {mark} -->\n```sh\n(.+)\n```$", README, re.MULTILINE)
    assert len(found) == 1, f"README must have one {mark}, on one line"
    return found[0]


def code_blocks(language):
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def commands_in_readme():
    lines = [line for block in code_blocks("sh") for line in block.splitlines()]
    return [line for line in lines if line.startswith("grainscan ")]


def table_rows(heading):
    """The rows of the first table after a heading, without its head."""
    after = README.split(f"{heading}\n", 1)[1]
    lines = re.search(r"(?:^\|.*\n)+", after, re.MULTILINE)[0].splitlines()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def test_the_checks_run_readmes_own_test_command():
    printed = subprocess.run(
        ["bash", str(ROOT / ".ci" / "run"), "--print-test-command"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert printed == marked_command("test command") + "\n"
    assert "pytest" in printed


def test_set_up_commands_stand_alone():
    """Each makes its environment and installs, so that neither needs the other before it."""
    for mark in ("first command", "test command"):
        steps = marked_command(mark).split(" && ")
        assert steps[0] == "python3 -m venv .venv"
        assert steps[1].startswith(".venv/bin/pip install -e")
    assert marked_command("first command").endswith(".venv/bin/grainscan scan sample_images")


@pytest.mark.parametrize("line", commands_in_readme())
def test_commands_in_readme_are_understood(line):
    _, command, *args = shlex.split(line)
    context = click.Context(main_group, info_name="grainscan")
    found = main_group.get_command(context, command)
    assert found is not None
    found.make_context(command, args, parent=context)  # raises for an unknown option


def test_readme_names_the_commands_there_are():
    named = set(re.findall(r"`grainscan ([a-z][a-z-]*)[` ]", README))
    assert named == set(COMMANDS)


def test_every_option_of_scan_that_a_user_needs_is_shown():
    text = " ".join(commands_in_readme())
    context = click.Context(main_group)
    for option in main_group.get_command(context, "scan").params:
        if isinstance(option, click.Option):
            assert option.opts[0] in text


def test_limits_in_readme_are_the_limits():
    rows = {row[0]: row[1:] for row in table_rows("### Limits")}
    other = rows.pop("any other")
    assert other[0] == f"1 in {limit_for_part(None).one_in:g}"
    assert set(rows) == set(known_parts())
    for part, (limit, source) in rows.items():
        assert limit == f"1 in {limit_for_part(part).one_in:g}"
        assert source.split(",")[0] in limit_for_part(part).source


def test_strength_in_readme_is_the_formulas():
    for row in table_rows("### Strength kept"):
        found = shares(Limit(float(row[0].removeprefix("1 in ")), "").angle_deg)
        for cell, share in zip(
            (row[1], row[3], row[5]),
            (found.bending, found.impact, found.compression),
            strict=True,
        ):
            assert float(cell) == pytest.approx(100 * share, abs=0.051)


def test_json_keys_in_readme_are_the_keys():
    result = judge_blank(measurement(slope(1.4, 1.1, 1.8)), Limit(20, "test")).to_dict()
    named = set(
        re.findall(r"`([a-z_]+)`", " ".join(r[0] for r in table_rows("## The JSON result")))
    )
    assert named | {"faces"} == set(result)
    section = README.split("## The JSON result", 1)[1].split("## ", 1)[0]
    for part in (result["slope"], result["faces"]["a"], result["end"]):
        for key in set(part) - {"low_deg", "high_deg", "angle_deg"}:
            if not key.startswith("ring_direction_"):
                assert key in section, key


def test_the_record_in_readme_is_a_record():
    from grainscan.photo.record import check_record

    (block,) = code_blocks("toml")
    assert check_record(tomllib.loads(block), blank="x", place="README").made == "riven"


def test_the_snippet_in_readme_runs():
    (snippet,) = code_blocks("python")
    done = subprocess.run(
        [sys.executable, "-c", snippet], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[0] in {"keep", "check", "set"}


def test_links_and_pictures_are_there():
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / target).exists(), target


def test_the_accuracy_table_is_marked():
    assert README.count("<!-- accuracy -->") == README.count("<!-- end of accuracy -->") == 1
    assert "python -m tests.accuracy" in README


def test_developers_page_names_places_that_exist():
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    for place in re.findall(r"`((?:grainscan|tests)/[\w/.]*)`", text):
        assert (ROOT / place).exists(), place


def test_top_level_of_the_repository():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if tracked.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "grainscan", "app.py", "tests",
        "sample_images",
    }  # fmt: skip
