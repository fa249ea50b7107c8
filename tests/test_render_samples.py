"""The sample folder holds what its maker says, and says plainly that it is rendered."""

import json
import tomllib
from dataclasses import asdict, replace

import pytest
from PIL import Image

from tests.make_samples import FOLDER, SAID, _samples

SPECS = {spec.name: spec for spec, _ in _samples()}
PARTS = {
    "chair rung",
    "chair slat",
    "chair post",
    "rake tine",
    "rake handle",
    "hammer handle",
    "lath",
    "bending blank",
}


def test_the_folder_holds_every_sample_and_stays_small():
    assert {p.name for p in FOLDER.iterdir() if p.is_dir()} == set(SPECS)
    assert len(SPECS) >= 8
    assert sum(p.stat().st_size for p in FOLDER.rglob("*") if p.is_file()) < 15_000_000


@pytest.mark.parametrize("name", sorted(SPECS))
def test_a_sample_is_the_one_described(name):
    spec = replace(SPECS[name], notes=SAID + SPECS[name].notes)
    truth = json.loads((FOLDER / name / "truth.json").read_text(encoding="utf-8"))
    assert truth["spec"] == json.loads(json.dumps(asdict(spec)))
    record = tomllib.loads((FOLDER / name / "blank.toml").read_text(encoding="utf-8"))
    assert record["part"] in PARTS
    assert record["species"] == spec.species
    assert "not a photograph" in record["notes"]
    assert "invented" in record["notes"]
    for shot, file in (("face_a", "face-a.jpg"), ("face_b", "face-b.jpg"), ("end", "end.jpg")):
        with Image.open(FOLDER / name / file) as picture:
            assert list(picture.size) == truth["photos"][shot]["size_px"]
            assert picture.getexif()[0x0131] == "rendered picture, not a photograph"  # Software


def test_the_readme_says_the_pictures_are_rendered_and_names_each_folder():
    said = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert "rendered pictures, not photographs" in said
    assert "invented" in said
    for name in SPECS:
        assert f"`{name}`" in said
