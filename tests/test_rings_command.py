"""The rings command: words, edited boundaries, CSV."""

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from grainscan.commands.rings import rings
from tests import drawn_ends


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("rings") / "pine-01"
    place.mkdir()
    bounds = drawn_ends.even_rings(0.085, 0.2, 11)
    picture, _ = drawn_ends.photograph(drawn_ends.softwood(bounds, (0.7, -1.5), side=700))
    Image.fromarray(picture).save(place / "end.png")
    (place / "blank.toml").write_text('species = "pine"\nwidth_mm = 25\nheight_mm = 25\n', "utf-8")
    return place


def test_words_and_csv(folder, tmp_path):
    done = CliRunner().invoke(rings, [str(folder), "--list", "--csv", str(tmp_path)])
    assert done.exit_code == 0, done.output
    for word in ("rings:", "rings per inch", "pith:", "softwoods:", "[", "boundary 1:"):
        assert word in done.output
    lines = (tmp_path / "pine-01-rings.csv").read_text("utf-8").splitlines()
    assert lines[0].startswith("ring,width_mm")
    widths = [float(line.split(",")[1]) for line in lines[1:]]
    assert np.mean(widths) == pytest.approx(0.085 * 25, rel=0.15)


def count(output):
    return int(output.split("rings: ")[1].split(" ")[0])


def test_edits_change_the_numbers(folder):
    whole = CliRunner().invoke(rings, [str(folder)])
    fewer = CliRunner().invoke(rings, [str(folder), "--remove", "2", "--remove", "3"])
    assert count(fewer.output) == count(whole.output) - 2
    more = CliRunner().invoke(rings, [str(folder), "--add", "0.6"])
    assert count(more.output) == count(whole.output) + 1
    wrong = CliRunner().invoke(rings, [str(folder), "--remove", "99"])
    assert wrong.exit_code == 2
    assert "number 99" in wrong.output


def test_a_blank_without_an_end_is_a_line_and_exit_code_1(tmp_path):
    place = tmp_path / "x"
    place.mkdir()
    Image.fromarray(np.zeros((80, 80, 3), np.uint8)).save(place / "face-a.png")
    done = CliRunner().invoke(rings, [str(place)])
    assert done.exit_code == 1
    assert "no photograph of its end" in done.output
