"""The check for known vulnerabilities: found, not found, and not to be asked are told apart."""

import importlib.util
import subprocess
from pathlib import Path

import pytest

CHECKS = Path(__file__).parent.parent / ".ci"
WELL = {"name": "click", "version": "8.1", "vulns": []}
SKIPPED = {"name": "rich", "version": "13.7", "skip_reason": "not found"}


def of_pillow(**more):
    found = {"id": "X-1", "aliases": ["Y-2"], "fix_versions": ["10.3"], **more}
    return {"name": "pillow", "version": "10.0", "vulns": [found]}


@pytest.fixture
def audit():
    spec = importlib.util.spec_from_file_location("audit", CHECKS / "audit.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("answers", "code", "said"),
    [
        ([WELL, SKIPPED], 0, "0 (1 of 2 packages asked about)"),
        ([SKIPPED, SKIPPED], 0, "could not be asked (it knows none of the 2 packages)"),
        ([WELL, of_pillow()], 1, "pillow 10.0: X-1, not in 10.3"),
        ([of_pillow(fix_versions=[])], 0, "X-1, in every release there is"),
        ([{"unknown": "form"}], 0, "could not be asked"),
    ],
)
def test_what_is_found_decides(audit, monkeypatch, capsys, answers, code, said):
    monkeypatch.setattr(audit, "ask", lambda _folder: answers)
    assert audit.main() == code
    assert said in capsys.readouterr().out


def test_what_was_looked_at_is_passed_over(audit, monkeypatch, capsys):
    monkeypatch.setattr(audit, "ask", lambda _folder: [of_pillow()])
    monkeypatch.setitem(audit.PASSED_OVER, "Y-2", "no such file is read")
    assert audit.main() == 0
    assert "passed over: no such file is read" in capsys.readouterr().out


def test_no_service_is_one_line(audit, monkeypatch, capsys):
    def no_service(_folder):
        raise subprocess.SubprocessError("no name\nresolved")

    monkeypatch.setattr(audit, "ask", no_service)
    assert audit.main() == 0
    assert len(capsys.readouterr().out.splitlines()) == 1


def test_the_kept_versions_are_those_of_what_is_asked_for():
    import re
    import tomllib

    lines = (CHECKS / "versions.txt").read_text().splitlines()
    kept = {line.split("==")[0].lower().replace("_", "-") for line in lines if "==" in line}
    project = tomllib.loads((CHECKS.parent / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    names = {re.split(r"[^\w.-]", one)[0].lower().replace("_", "-") for one in wanted}
    assert names <= kept
    assert all("://" not in line for line in lines)
