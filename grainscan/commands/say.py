"""What the commands print: one way out, through which no control character goes.

Names of folders and texts of records come from outside; an escape code in one of them would be
obeyed by the terminal.
"""

from __future__ import annotations

import click

from grainscan.wording import printable

__all__ = ["say"]


def say(text: str, *, err: bool = False) -> None:
    """Print the text and a line break to the standard output, or to the standard error."""
    click.echo(printable(text), err=err)
