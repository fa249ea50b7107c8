"""Entry point: ``grainscan`` and ``python -m grainscan``."""

from __future__ import annotations

import contextlib
import io
import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line; errors meant for the user become one line.

    Exit codes: 0 all is well, 1 something failed, 2 wrong usage, 130 stopped by Ctrl-C.
    """
    import click

    from grainscan.commands.group import main_group
    from grainscan.errors import GrainscanError
    from grainscan.wording import printable

    for stream in (sys.stdout, sys.stderr):
        # A terminal without ° or – shows a question mark instead of stopping.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        sys.exit(main_group(prog_name="grainscan", standalone_mode=False))
    except click.ClickException as error:
        text = io.StringIO()
        with contextlib.redirect_stderr(text):
            error.show()
        print(printable(text.getvalue()), end="", file=sys.stderr)
        sys.exit(error.exit_code)
    except click.Abort:
        print("Stopped.", file=sys.stderr)
        sys.exit(130)
    except GrainscanError as error:
        print(f"grainscan: {printable(str(error))}", file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main()
