"""Entry point: ``grainscan`` and ``python -m grainscan``."""

from __future__ import annotations

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line; errors meant for the user become one line and exit code 1."""
    from grainscan.commands.group import main_group
    from grainscan.errors import GrainscanError

    for stream in (sys.stdout, sys.stderr):
        # A terminal without ° or – shows a question mark instead of stopping.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        main_group(prog_name="grainscan")
    except GrainscanError as error:
        print(f"grainscan: {error}", file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main()
