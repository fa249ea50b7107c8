#!/usr/bin/env python3
"""Ask whether the installed versions have known vulnerabilities: ``.venv/bin/python .ci/audit.py``.

Asked is pip-audit, installed into an environment of its own. Exit code 1 if a version with a known
vulnerability is installed and a release without it exists. Where the service cannot be asked, one
line says so and the exit code is 0: that tells nothing about the program.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import venv
from pathlib import Path
from typing import Any

MOST_SECONDS = 180.0
# Identifier of a vulnerability that does not touch this program, and why. Each is looked at again
# whenever its package gets a new version.
PASSED_OVER: dict[str, str] = {}


def main() -> int:
    """Print what is known; the exit code is described above."""
    try:
        with tempfile.TemporaryDirectory() as folder:
            answers = ask(Path(folder))
        asked = [answer for answer in answers if "skip_reason" not in answer]
        found = [line for answer in asked for line in told(answer)]
    except (OSError, ValueError, KeyError, TypeError, subprocess.SubprocessError) as error:
        return could_not_ask(str(error))
    if not asked:
        return could_not_ask(f"it knows none of the {len(answers)} packages")
    for line, _ in found:
        print(line)
    share = f"{len(asked)} of {len(answers)} packages"
    print(f"known vulnerabilities: {len(found)} ({share} asked about)")
    return 1 if any(bad for _, bad in found) else 0


def told(answer: dict[str, Any]) -> list[tuple[str, bool]]:
    """A line for each vulnerability of a package, and whether a newer release would end it."""
    lines = []
    for found in answer["vulns"]:
        names = {found["id"], *found.get("aliases", [])}
        passed_over = [PASSED_OVER[name] for name in names if name in PASSED_OVER]
        fixed = ", ".join(found.get("fix_versions", []))
        end = f"not in {fixed}" if fixed else "in every release there is"
        said = f"passed over: {passed_over[0]}" if passed_over else end
        bad = bool(fixed) and not passed_over
        lines.append((f"{answer['name']} {answer['version']}: {found['id']}, {said}", bad))
    return lines


def ask(folder: Path) -> list[dict[str, Any]]:
    """What pip-audit answers about each version installed beside this Python."""
    frozen = run([sys.executable, "-m", "pip", "freeze", "--exclude-editable"])
    wanted = folder / "versions.txt"
    versions = [line for line in frozen.splitlines() if re.match(r"[A-Za-z0-9._-]+==", line)]
    wanted.write_text("\n".join(versions) + "\n")
    venv.create(folder / "venv", with_pip=True)
    python = folder / "venv" / ("Scripts" if sys.platform == "win32" else "bin") / "python"
    run([str(python), "-m", "pip", "install", "--quiet", "pip-audit>=2.7"])
    options = ["--no-deps", "--disable-pip", "--format", "json", "--progress-spinner", "off"]
    text = run([str(python), "-m", "pip_audit", "-r", str(wanted), *options], codes={0, 1})
    answers: list[dict[str, Any]] = json.loads(text)["dependencies"]
    return answers


def run(command: list[str], codes: frozenset[int] | set[int] = frozenset({0})) -> str:
    """The standard output of a command; raises SubprocessError where it failed."""
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=MOST_SECONDS, check=False
    )
    if done.returncode not in codes:
        last = (done.stderr.strip().splitlines() or ["no word"])[-1]
        raise subprocess.SubprocessError(last)
    return done.stdout


def could_not_ask(why: str) -> int:
    """Say in one line that nothing was learnt."""
    line = " ".join(why.split())
    print(f"known vulnerabilities: the service could not be asked ({line[:160]}); going on")
    return 0


if __name__ == "__main__":
    sys.exit(main())
