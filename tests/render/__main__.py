"""``python -m tests.render OUT_DIR --count 40 --seed 1000 --scene clean``: a suite of blanks."""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.render import render_blank, write_blank
from tests.render.spec import SUITES, suite_case


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.render", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--scene", choices=SUITES, default="clean")
    given = parser.parse_args()
    for seed in range(given.seed, given.seed + given.count):
        rendered = render_blank(*suite_case(seed, given.scene), seed)
        print(write_blank(given.folder / rendered.spec.name, rendered))


if __name__ == "__main__":
    main()
