"""The commands by name, each imported when it is called: help should not wait for the whole house."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup

from halocline.compute.memory import let_go_of_rings
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class CommandPlace:
    """Where a command lives, and what the list of commands says of it.

    A module holds either one function of the command's name, with EXAMPLES, or an ``app`` of subcommands.
    """

    summary: str
    module: str

    def load(self, name: str) -> Any:
        """Import the command and build it."""
        module = import_module(self.module)
        let_go_of_rings()
        if hasattr(module, "app"):
            return typer.main.get_group(module.app)
        function: Callable[..., None] = getattr(module, name)
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(name, epilog=module.EXAMPLES)(function)
        return typer.main.get_command(alone)


COMMANDS = {
    "apply": CommandPlace("Put clean renders under water.", "halocline.cli.apply"),
    "inspect": CommandPlace("Report what a render delivers, and what does not fit.", "halocline.cli.inspect"),
    "check": CommandPlace("Look for bad pixels, flicker and unsafe flashes.", "halocline.cli.check"),
    "follow": CommandPlace("Follow a matte: where it is, where it touches.", "halocline.cli.follow"),
    "report": CommandPlace("Sum up the record of a run.", "halocline.cli.report"),
    "match": CommandPlace("Find the water of a picture, or of a dive log.", "halocline.cli.match"),
    "port": CommandPlace("Measure a housing's port from photographs of a board.", "halocline.cli.port"),
    "remove": CommandPlace("Take a preset's water out of frames.", "halocline.cli.remove"),
    "wedge": CommandPlace("Write a sheet of one frame under a range of settings.", "halocline.cli.wedge"),
    "sheet": CommandPlace("Write a sheet of a sequence, before and after.", "halocline.cli.sheet"),
    "versions": CommandPlace("Show two versions of a shot on one page.", "halocline.cli.versions"),
    "tune": CommandPlace("Turn a preset by eye, on a page in the browser.", "halocline.cli.tune"),
    "plot": CommandPlace("Plot what the water of a preset does to light.", "halocline.cli.plot"),
    "demo": CommandPlace("Put the demo sequence under several waters.", "halocline.cli.demo"),
    "farm": CommandPlace("Run jobs of many shots, here and on render managers.", "halocline.cli.farm"),
    "cache": CommandPlace("Show, fill or empty what is kept on disk.", "halocline.cli.cache"),
    "preset": CommandPlace("Check, show and list presets.", "halocline.cli.preset"),
}


class CommandsOnDemand(TyperGroup):
    """A group that knows its commands by name and summary, and imports one when it is called."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        # What suggests a name for a misspelt one reads the keys of this.
        self.commands = dict.fromkeys(COMMANDS)  # type: ignore[assignment]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002 - the group's own signature
        """Return a command by its name, None where there is none."""
        place = COMMANDS.get(cmd_name)
        return None if place is None else place.load(cmd_name)

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 - the group's own signature
        """Write the list of commands, importing none of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, place.summary) for name, place in COMMANDS.items()])
