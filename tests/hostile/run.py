"""Run one command in a process of its own and see what it cost, said and touched."""

from __future__ import annotations

import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
# Root reads every file; without its capabilities it is held by their permissions like all others.
HELD = ["setpriv", "--bounding-set=-all", "--inh-caps=-all"]
# A command that takes more than this has failed its case; it must not fill the machine either.
_GIVE_UP_S = 90.0
_MOST_ADDRESSES = 12_000_000_000


@dataclass(frozen=True)
class Ran:
    """``code`` is None where the command was stopped for taking too long.

    ``seconds`` are those of the processor, of the command and its processes: they do not depend on
    what else the machine does. ``peak_mb``: greatest memory of the command's own process.
    """

    code: int | None
    seconds: float
    peak_mb: float
    out: str
    err: str
    touched: tuple[str, ...]

    @property
    def lines(self) -> list[str]:
        """What was said on the standard error, without click's reminder of the usage."""
        return [
            line
            for line in self.err.splitlines()
            if line.strip() and not line.startswith(("Usage: ", "Try 'grainscan"))
        ]


def can_be_held() -> bool:
    """Whether permissions of files can be made to count for a command."""
    return os.geteuid() != 0 or shutil.which(HELD[0]) is not None


def run_command(args: list[str], place: Path, *, held: bool = False) -> Ran:
    """Run ``grainscan`` with files in ``place``; it may write into ``place / "out"`` only.

    ``held``: the permissions of files count, even for root.
    """
    before_all = HELD if held and os.geteuid() == 0 else []
    for name in ("in", "out", "home", "tmp"):
        (place / name).mkdir(exist_ok=True)
    before = _state(place)
    environment = {
        "PATH": os.environ["PATH"],
        "PYTHONPATH": str(ROOT),
        "PYTHONDONTWRITEBYTECODE": "1",
        "HOME": str(place / "home"),
        "TMPDIR": str(place / "tmp"),
        "GRAINSCAN_BOOK": str(place / "out" / "book.sqlite"),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "COLUMNS": "100",
    }
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = subprocess.Popen(
            [*before_all, sys.executable, "-m", "grainscan", *args],
            cwd=place / "out",
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            start_new_session=True,
            preexec_fn=_bounded,  # noqa: PLW1509  (there is one thread)
        )
        code, used, peak_mb = _waited(process)
        out.seek(0)
        err.seek(0)
        said, complained = (file.read().decode("utf-8", "replace") for file in (out, err))
    after = _state(place)
    paths = before.keys() | after.keys()
    touched = tuple(sorted(path for path in paths if before.get(path) != after.get(path)))
    return Ran(code, used.ru_utime + used.ru_stime, peak_mb, said, complained, touched)


def measured(path: Path) -> set[str]:
    """Names of the blanks in a result file of whose faces at least one was measured."""
    if not path.exists():
        return set()
    results = json.loads(path.read_text())
    return {r["blank"] for r in results if r["faces"]["a"] or r["faces"]["b"]}


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_ADDRESSES, _MOST_ADDRESSES))


def _waited(process: subprocess.Popen[bytes]) -> tuple[int | None, resource.struct_rusage, float]:
    give_up = time.monotonic() + _GIVE_UP_S
    peak_mb = 0.0
    while True:
        # Not what wait4 tells of memory: that begins with the memory of this process.
        peak_mb = max(peak_mb, _peak_mb(process.pid))
        done, status, used = os.wait4(process.pid, os.WNOHANG)
        if done:
            process.returncode = os.waitstatus_to_exitcode(status)
            return process.returncode, used, peak_mb
        if time.monotonic() > give_up:
            os.killpg(process.pid, signal.SIGKILL)
            _, _, used = os.wait4(process.pid, 0)
            process.returncode = -9
            return None, used, peak_mb
        time.sleep(0.005)


def _peak_mb(pid: int) -> float:
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0.0
    found = re.search(r"VmHWM:\s+(\d+) kB", text)
    return int(found[1]) / 1024 if found else 0.0


def _state(place: Path) -> dict[str, tuple[int, int, int]]:
    """What lies in the places that a command may not write to."""
    found: dict[str, tuple[int, int, int]] = {}
    for name in ("in", "home", "tmp"):
        for folder, folders, files in os.walk(place / name):
            for entry in (*folders, *files):
                path = os.path.join(folder, entry)  # noqa: PTH118  (thousands, any bytes)
                try:
                    info = os.lstat(path)
                except OSError:
                    continue
                found[path] = (info.st_mode, info.st_size, info.st_mtime_ns)
    return found
