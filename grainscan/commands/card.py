"""``grainscan card``: a reference card to print."""

from __future__ import annotations

from pathlib import Path

import click

from grainscan.commands.say import say

__all__ = ["card"]


@click.command(no_args_is_help=True)
@click.argument("out", type=click.Path(path_type=Path), metavar="OUT.pdf")
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Size of the sheet it is printed on.",
)
def card(out: Path, paper: str) -> None:
    """Write a reference card to lay beside the blank, as a PDF at true size.

    In the picture it gives millimetres, the plane it lies in, and the colours' balance; part of it
    may be hidden. Print it at 100 %, and measure the line under it.
    """
    from grainscan.photo.card import CHECK_MM, write_card

    write_card(out, paper="letter" if paper == "letter" else "a4")
    say(f"{out}: print it at 100 %; the line under the board must measure {CHECK_MM:.0f} mm.")
