"""Run every case through the real command line and print what each cost.

``python -m tests.hostile [--only WORD] [--keep FILE]``. A case passes where the exit code is right,
each bad thing is told in one line, nothing but ``out`` was written to, the good blank beside the
bad one was measured, no photograph took more than 2 s over the start of the program, and the
memory stayed within its bound. Exit code 1 if any did not.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.hostile.cases import GOOD, Case, all_cases, fresh
from tests.hostile.folders import good_blank
from tests.hostile.pictures import all_pictures
from tests.hostile.run import Ran, can_be_held, measured, run_command

MOST_SECONDS = 2.0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.hostile", description=__doc__)
    parser.add_argument("--only", help="Cases whose name holds this.")
    parser.add_argument("--after", help="Cases after the one of this name.")
    parser.add_argument("--keep", type=Path, help="Write the table to this file as well.")
    chosen = parser.parse_args()
    # Python's own walking and deleting of folders call themselves for each that lies in another.
    sys.setrecursionlimit(20_000)
    lines: list[str] = []

    def tell(line: str) -> None:
        print(line, flush=True)
        lines.append(line)

    failed = count = 0
    with tempfile.TemporaryDirectory(prefix="hostile-") as folder:
        root = Path(folder)
        root.chmod(0o755)
        plain = _baselines(root / "case")
        tell(f"start-up: {plain['text']:.2f} s; with the good blank scanned: {plain['scan']:.2f} s")
        tell(f"{'case':44} {'s over':>7} {'MB':>5} {'exit':>4}  what was said")
        for case in all_cases(list(all_pictures())):
            if chosen.after:
                chosen.after = None if case.name == chosen.after else chosen.after
                continue
            if chosen.only and chosen.only not in case.name:
                continue
            if case.held and not can_be_held():
                tell(f"{case.name[:44]:44} left out: root reads all, and there is no setpriv")
                continue
            count += 1
            place = fresh(root / "case")
            expected = case.make(place)
            ran = run_command(list(case.args), place, held=case.held)
            over = ran.seconds - plain[case.kind]
            wrong = faults(case, ran, expected, over, place)
            failed += bool(wrong)
            said = ran.lines[-1] if ran.lines else (ran.out.strip().splitlines() or [""])[-1]
            tell(
                f"{case.name[:44]:44} {over:7.2f} {ran.peak_mb:5.0f} {ran.code!s:>4}  {said[:150]}"
            )
            for line in wrong:
                tell(f"    FAILED: {line}")
    tell(f"{count} cases, {failed} failed")
    if chosen.keep:
        chosen.keep.write_text("\n".join(lines) + "\n")
    return 1 if failed else 0


def faults(case: Case, ran: Ran, expected: int | None, over: float, place: Path) -> list[str]:
    """What is wrong with how a case ended; empty where all is well."""
    found = []
    if ran.code not in case.codes:
        found.append(f"exit code {ran.code}, not one of {sorted(case.codes)}")
    if expected is not None and ran.code != 0 and len(ran.lines) != expected:
        found.append(f"{len(ran.lines)} lines, not {expected}: {ran.lines[:3]}")
    if ran.code == 0 and ran.lines:
        found.append(f"complains though all is well: {ran.lines[0]}")
    whole = ran.out + ran.err
    for word in ("Traceback", "ault in the program", "Warning", "libpng", "warning"):
        if word in whole:
            found.append(f"{word}: {whole[whole.index(word) :][:200]!r}")
    if any(not c.isprintable() for c in whole if c != "\n"):
        found.append("a control character reached the terminal")
    if ran.touched:
        found.append(f"written outside its place: {ran.touched[:3]}")
    if case.good and GOOD not in measured(place / "out" / "r.json"):
        found.append("the good blank was not measured")
    if over > MOST_SECONDS * case.pictures:
        found.append(f"{over:.1f} s for {case.pictures} photographs or files")
    if ran.peak_mb > case.most_mb:
        found.append(f"{ran.peak_mb:.0f} MB, more than {case.most_mb:.0f}")
    return found


def _baselines(root: Path) -> dict[str, float]:
    """Seconds of a command with nothing to do, and of a scan of the good blank alone."""
    place = fresh(root)
    good_blank(place / "in" / GOOD)
    scan = ["scan", "../in", "--json", "r.json", "--workers", "1"]
    runs = {"text": ["woods"], "scan": scan}
    return {
        name: min(run_command(args, place).seconds for _ in range(3)) for name, args in runs.items()
    }


if __name__ == "__main__":
    sys.exit(main())
