"""``grainscan woods``: the woods at hand, and where each value comes from."""

from __future__ import annotations

from pathlib import Path

import click

from grainscan.commands.in_book import typed_wrongly
from grainscan.commands.say import say

__all__ = ["woods"]


@click.command()
@click.argument("name", required=False)
@click.option(
    "--woods", "file", type=click.Path(path_type=Path), help="A file with woods of your own."
)
def woods(name: str | None, file: Path | None) -> None:
    """List the woods, or the values of the wood NAME with the source of each."""
    from grainscan.workshop.woods import NUMBERS, read_woods

    with typed_wrongly():
        known = read_woods(file)
        if name is None:
            for wood in known.woods:
                also = f", also {', '.join(wood.also)}" if wood.also else ""
                say(f"{wood.name} ({wood.botanical or 'no botanical name'}){also}")
            return
        wood = known.find(name)
    say(f"{wood.name} ({wood.botanical or 'no botanical name'})")
    if wood.anatomy is not None:
        say(f"  {wood.anatomy}: {wood.anatomy_source}")
    for key, value in wood.values:
        say(f"  {NUMBERS[key][0]} {value.value:g} ({key}): {value.words}")
