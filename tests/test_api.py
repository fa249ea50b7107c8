"""The public names, and scanning a blank from Python."""

import dataclasses
import doctest
import importlib
import json
import pkgutil

import numpy as np
import pytest
from PIL import Image

import grainscan
from grainscan.errors import GrainscanError, InputError, RecordError
from tests.fake_measuring import FakeMeasuring

PUBLIC = [
    "BlankMeasurement", "BlankNotFoundError", "BlankPhotos", "BlankRecord", "BlankResult",
    "EndScan", "FaceScan", "FibreDirection", "GrainscanError", "InputError", "Limit",
    "LocalTrouble", "Photo",
    "PhotoError", "PhotoQuality", "RecordError", "SlopeInSpace", "Station", "SteepestPlace",
    "StrengthShare", "find_blanks", "judge_blank", "limit_for_part", "limit_keeping_strength",
    "measure_blank", "parse_limit", "read_blank_folder", "read_photo", "scan_blank",
]  # fmt: skip


def test_public_names():
    assert grainscan.__all__ == PUBLIC
    assert set(PUBLIC) <= set(dir(grainscan))
    for name in PUBLIC:
        assert getattr(grainscan, name).__doc__ is not None
    with pytest.raises(AttributeError, match="no attribute 'magic'"):
        _ = grainscan.magic


def test_public_names_come_from_where_the_type_checker_sees_them():
    for name in PUBLIC:
        thing = getattr(grainscan, name)
        assert thing.__module__ == f"grainscan.{grainscan._WHERE[name]}"


def test_no_public_name_is_a_subpackage_too():
    """Importing a submodule sets it as an attribute, which would hide such a name."""
    submodules = {module.name for module in pkgutil.iter_modules(grainscan.__path__)}
    assert not submodules & set(PUBLIC)


def test_errors_are_one_tree():
    for name in PUBLIC:
        if name.endswith("Error"):
            assert issubclass(getattr(grainscan, name), GrainscanError)


@pytest.mark.parametrize("module", ["judge.strength", "judge.limits", "scan", "wording"])
def test_examples_in_docstrings(module):
    done = doctest.testmod(importlib.import_module(f"grainscan.{module}"))
    assert done.failed == 0


@pytest.fixture
def folder(tmp_path):
    for role in ("face-a", "face-b", "end"):
        Image.fromarray(np.full((300, 900, 3), 150, np.uint8)).save(tmp_path / f"{role}.png")
    (tmp_path / "blank.toml").write_text('part = "ladder rail"\n')
    return tmp_path


def test_scan_blank(folder, monkeypatch):
    FakeMeasuring(angle_a_deg=3.0, angle_b_deg=2.0, spread_deg=0.2).install(monkeypatch)
    steps = []
    result = grainscan.scan_blank(folder, on_step=lambda *step: steps.append(step))
    assert result.sort == "keep"
    assert result.limit.one_in == 12
    assert grainscan.scan_blank(str(folder), limit=grainscan.parse_limit("1:20")).sort != "keep"
    assert [done for done, _, _ in steps] == [0, 1, 2, 3]
    assert {total for _, total, _ in steps} == {3}
    json.dumps(result.to_dict(), allow_nan=False)
    with pytest.raises(dataclasses.FrozenInstanceError):
        result.sort = "set aside"


def test_scan_blank_raises_for_the_folder_and_not_for_a_photograph(folder, monkeypatch):
    FakeMeasuring().install(monkeypatch)
    with pytest.raises(InputError, match="no such folder"):
        grainscan.scan_blank(folder / "missing")
    (folder / "face-b.png").write_text("text")
    result = grainscan.scan_blank(folder)
    assert result.sort == "check"
    assert result.measurement.face_b is None
    (failure,) = result.measurement.failures
    assert failure.startswith("face-b.png: ")
    assert failure in result.to_dict()["notes"]
    (folder / "blank.toml").write_text("colour = 1")
    with pytest.raises(RecordError, match="colour"):
        grainscan.scan_blank(folder)


def test_no_face_at_all_is_one_failure(folder, monkeypatch):
    FakeMeasuring(not_found=("face-a.png", "face-b.png")).install(monkeypatch)
    measurement = grainscan.measure_blank(grainscan.read_blank_folder(folder))
    (failure,) = measurement.failures
    assert failure.startswith("No face could be measured: face-a.png: no blank can be told")
    assert "face-b.png" in failure
    assert measurement.end is not None


def test_measure_and_judge_apart(folder, monkeypatch):
    fake = FakeMeasuring().install(monkeypatch)
    measurement = grainscan.measure_blank(grainscan.read_blank_folder(folder))
    count = len(fake.calls)
    words = {
        grainscan.judge_blank(measurement, grainscan.Limit(n, "test")).sort for n in (5, 56, 100)
    }
    assert words == {"keep", "check", "set aside"}
    assert len(fake.calls) == count
