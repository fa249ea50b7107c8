"""The command group: a table of names, each command's file loaded when it is called for."""

from __future__ import annotations

import importlib

import click

__all__ = ["COMMANDS", "main_group"]

# Name on the command line: module and function. To add a command, add its file to this
# folder and one line here.
COMMANDS = {
    "board": "grainscan.commands.board:board",
    "book": "grainscan.commands.book:book",
    "card": "grainscan.commands.card:card",
    "dry": "grainscan.commands.dry:dry",
    "fit": "grainscan.commands.fit:fit",
    "joint": "grainscan.commands.joint:joint",
    "label": "grainscan.commands.label:label",
    "log-end": "grainscan.commands.log_end:log_end",
    "moisture": "grainscan.commands.moisture:moisture",
    "plan": "grainscan.commands.plan:plan",
    "report": "grainscan.commands.report:report",
    "rings": "grainscan.commands.rings:rings",
    "scan": "grainscan.commands.scan:scan",
    "shave": "grainscan.commands.shave:shave",
    "sort": "grainscan.commands.sort:sort",
    "square": "grainscan.commands.square:square",
    "stock": "grainscan.commands.stock:stock",
    "woods": "grainscan.commands.woods:woods",
}


class LazyGroup(click.Group):
    """A group whose commands are imported one by one, when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, function = COMMANDS[cmd_name].partition(":")
        command = getattr(importlib.import_module(module), function)
        assert isinstance(command, click.Command)
        return command


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="grainscan", message="%(prog)s %(version)s")
def main_group() -> None:
    """Measure slope of grain and growth rings of riven blanks from photographs, and sort them."""
