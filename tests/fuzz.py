"""Give readers broken input for some minutes: ``python -m tests.fuzz --minutes 10``.

Each input is a seed (`tests.fuzz_seeds`) that was cut, spliced, overwritten or filled with numbers
and words that matter to its format. Input number n of a run depends on ``--seed`` and n alone. The
readers run in a process of their own, so that a crash in a decoder is found as well; the parent
says which input it was and goes on behind it. Findings are written to ``--keep``. Exit code 1 if
there were any.

With ``--guided`` and atheris installed, inputs are guided by the coverage of the Python code
instead, one target after the other.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

from tests.fuzz_seeds import as_files, seeds
from tests.fuzz_targets import TARGETS, check

_NUMBERS = (0, 1, 2, 3, 7, 8, 16, 127, 128, 255, 256, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF,
            0x80000000, 0xFFFFFFFF)  # fmt: skip
_WORDS = (
    b"nan", b"inf", b"-inf", b"1e999", b"-1", b"0", b"9" * 320, b"9" * 4400, b"true", b"null",
    b"[]", b"{}", b"[" * 200, b"{a=" * 200, b"a." * 150, b'"""', b"'''", b"\\u001b[31m",
    b"\x1b[31m", b"\0", b"\xff", b"\xef\xbb\xbf", b"\r", b"\n", b",", b"=", b".", b"1/0", b"1:0",
    b"0001-01-01",
    b"9999-12-31", b"2024-02-30", "\u202e".encode(), b"\xed\xa0\x80",
)  # fmt: skip
# Pictures take most of the time of an input; they also have most to break.
_SHARES = {"picture": 8}
# Of texts the first seed is a good one and the others are broken already.
_SHARE_OF_GOOD = 0.6
_MOST_MEMORY = 6_000_000_000
_GROWN_TOO_FAR_MB = 900


def mutated(chooser: random.Random, pool: list[bytes], *, texts: bool = True) -> bytes:
    """A seed with one to eight changes."""
    good = texts and chooser.random() < _SHARE_OF_GOOD
    content = bytearray(pool[0] if good else chooser.choice(pool))
    for _ in range(chooser.choice((1, 1, 2, 3, 5, 8))):
        _change(chooser, content, pool)
    return bytes(content[:2_000_000])


def _change(chooser: random.Random, content: bytearray, pool: list[bytes]) -> None:
    place = chooser.randrange(len(content) + 1)
    length = chooser.choice((1, 2, 4, 8, 30, 200))
    how = chooser.randrange(9)
    if how == 0 and place < len(content):
        content[place] ^= 1 << chooser.randrange(8)
    elif how == 1 and place < len(content):
        content[place] = chooser.randrange(256)
    elif how == 2:
        del content[place : place + length]
    elif how == 3:
        content[place:place] = content[place : place + length] * chooser.choice((1, 2, 50))
    elif how == 4:
        size = chooser.choice((1, 2, 4))
        number = chooser.choice(_NUMBERS) & (256**size - 1)
        order = chooser.choice(("big", "little"))
        content[place : place + size] = number.to_bytes(size, order)
    elif how == 5:
        content[place : place + chooser.choice((0, length))] = chooser.choice(_WORDS)
    elif how == 6:
        other = chooser.choice(pool)
        start = chooser.randrange(len(other) + 1)
        content[place : place + chooser.choice((0, length))] = other[start : start + length]
    elif how == 7:
        del content[place:]
    else:
        content[place : place + length] = chooser.randbytes(length)


def input_number(seed: int, number: int, pools: dict[str, list[bytes]]) -> tuple[str, bytes]:
    """Target and content of an input."""
    chooser = random.Random(f"{seed}-{number}")
    names = [name for name in pools for _ in range(_SHARES.get(name, 1))]
    target = chooser.choice(names)
    return target, mutated(chooser, pools[target], texts=target != "picture")


def run(seed: int, first: int, until: float, only: str | None, keep: Path, tell: int) -> None:
    """Try inputs one after the other until the time is up; the last number stands in ``tell``."""
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
    pools = {name: pool for name, pool in seeds().items() if only in (None, name)}
    counts: Counter[str] = Counter()
    number, peak = first, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    while time.monotonic() < until:
        os.pwrite(tell, number.to_bytes(8, "big"), 0)
        target, content = input_number(seed, number, pools)
        try:
            taken = check(target, content)
            counts[f"{target} taken" if taken else f"{target} refused"] += 1
        except Exception:
            said = traceback.format_exc()
            counts[f"{target} FINDING"] += 1
            keep_finding(keep, target, number, content, said)
        now = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        if now - peak > _GROWN_TOO_FAR_MB * 1024:
            counts[f"{target} FINDING"] += 1
            keep_finding(keep, target, number, content, f"memory grew by {(now - peak) >> 10} MB")
        peak = max(peak, now)
        number += 1
    for name in sorted(counts):
        print(f"  {name}: {counts[name]}")
    os.pwrite(tell, (number - first).to_bytes(8, "big"), 8)
    sys.exit(1 if any("FINDING" in name for name in counts) else 0)


def keep_finding(keep: Path, target: str, number: int, content: bytes, said: str) -> None:
    keep.mkdir(parents=True, exist_ok=True)
    (keep / f"{target}-{number}").write_bytes(content)
    print(
        f"FINDING {target} input {number} ({len(content)} bytes): {said.strip()[-900:]}", flush=True
    )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=sorted(TARGETS))
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "fuzz-findings")
    parser.add_argument("--guided", action="store_true", help="Let atheris choose the inputs.")
    parser.add_argument("--again", type=Path, help="Give this file to the target --only again.")
    chosen = parser.parse_args()
    if chosen.again is not None:
        print(check(chosen.only, chosen.again.read_bytes()))
        return 0
    if chosen.guided:
        return guided(
            [chosen.only] if chosen.only else sorted(TARGETS), chosen.minutes, chosen.keep
        )
    return unguided(chosen)


def unguided(chosen: argparse.Namespace) -> int:
    until = time.monotonic() + 60 * chosen.minutes
    first, failed = 0, False
    context = multiprocessing.get_context("fork")
    while time.monotonic() < until:
        with tempfile.TemporaryFile() as told:
            arguments = (chosen.seed, first, until, chosen.only, chosen.keep, told.fileno())
            process = context.Process(target=run, args=arguments)
            process.start()
            process.join()
            number = int.from_bytes(os.pread(told.fileno(), 8, 0), "big")
        failed |= process.exitcode != 0
        if process.exitcode in (0, 1):
            print(f"{number + 1} inputs in {chosen.minutes:g} minutes, seed {chosen.seed}")
            break
        pools = {name: pool for name, pool in seeds().items() if chosen.only in (None, name)}
        target, content = input_number(chosen.seed, number, pools)
        keep_finding(chosen.keep, target, number, content, f"process ended: {process.exitcode}")
        first = number + 1
    return 1 if failed else 0


_GUIDED = """
import atheris, sys
with atheris.instrument_imports(include=["grainscan", "PIL", "pillow_heif", "tomllib", "json"]):
    from tests.fuzz_targets import TARGETS, check
    import PIL.JpegImagePlugin, PIL.PngImagePlugin, PIL.TiffImagePlugin, PIL.WebPImagePlugin
name = sys.argv.pop(1)
atheris.Setup(sys.argv, lambda content: (check(name, content), None)[1])
atheris.Fuzz()
"""


def guided(targets: list[str], minutes: float, keep: Path) -> int:
    """Each target in a process of its own, for its share of the time."""
    failed = False
    for target in targets:
        with tempfile.TemporaryDirectory(prefix="fuzz-seeds-") as folder:
            as_files(Path(folder), seeds()[target])
            keep.mkdir(parents=True, exist_ok=True)
            seconds = max(round(60 * minutes / len(targets)), 5)
            command = [sys.executable, "-c", _GUIDED, target, f"-max_total_time={seconds}",
                       "-timeout=10", "-rss_limit_mb=4000", f"-artifact_prefix={keep}/{target}-",
                       "-print_final_stats=1", "-verbosity=0", "-max_len=60000",
                       folder]  # fmt: skip
            done = subprocess.run(command, capture_output=True, text=True, check=False)
        text = done.stdout + done.stderr
        units = [line.split()[-1] for line in text.splitlines() if "number_of_executed" in line]
        print(f"  {target}: {units[0] if units else 'no'} inputs, exit code {done.returncode}")
        if done.returncode:
            print(text[-3000:])
            failed = True
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
