"""The same photographs give the same JSON, byte for byte, however they are scanned."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.hostile.folders import good_blank

ROOT = Path(__file__).parent.parent
# Workers, and what differs between two machines or two runs. In processes of a batch OpenCV has
# one thread each.
RUNS = (
    (1, {"PYTHONHASHSEED": "1", "OPENCV_FOR_THREADS_NUM": "2", "OMP_NUM_THREADS": "2",
         "OPENBLAS_NUM_THREADS": "2"}),
    (2, {"PYTHONHASHSEED": "2", "OPENCV_FOR_THREADS_NUM": "1"}),
)  # fmt: skip


@pytest.fixture(scope="module")
def blanks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("blanks")
    good_blank(folder / "ash-1", ("face-a", "end"))
    good_blank(folder / "ash-2", ("face-a",))
    (folder / "ash-2" / "end.jpg").write_bytes(b"shopping list")
    return folder


def test_workers_threads_and_hash_seeds_change_no_byte(blanks, tmp_path):
    written = []
    started = []
    for workers, more in RUNS:
        out = tmp_path / f"{workers}.json"
        command = [sys.executable, "-m", "grainscan", "scan", str(blanks), "--json", str(out)]
        environment = {**os.environ, "PYTHONPATH": str(ROOT), **more}
        process = subprocess.Popen(
            [*command, "--workers", str(workers)],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append((out, process))
    for out, process in started:
        table, line = process.communicate(timeout=200)
        written.append((out.read_bytes(), table, line))
    first, other = written
    assert first == other
    # One blank was measured and the other failed: both kinds of answer were compared.
    assert b'"angle_deg"' in first[0]
    assert first[2].startswith("ash-2: end.jpg: this is no")
