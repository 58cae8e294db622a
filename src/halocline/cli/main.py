"""The `halocline` command."""

from __future__ import annotations

import sys
import warnings
from typing import Annotated, Any

import typer

from halocline._version import __version__
from halocline.cli.commands import CommandsOnDemand
from halocline.cli.exit_status import INTERRUPTED, NOTHING_POSSIBLE
from halocline.compute.ending import ending_at_once
from halocline.compute.memory import hold_rings, keep_freed_memory
from halocline.errors import HaloclineError

app = typer.Typer(
    name="halocline",
    cls=CommandsOnDemand,
    help="Make clean CG renders look as if they were photographed under water.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"halocline {__version__}")
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Make clean CG renders look as if they were photographed under water."""


def run(arguments: list[str] | None = None) -> Any:
    """Run the command line and leave with its exit status.

    0: everything asked for is done. 1: some frames failed. 2: nothing could be done. 130: interrupted.
    """
    # Before numpy and others are imported, which start threads.
    keep_freed_memory()
    # Until the command that is called is imported.
    hold_rings()
    # Which optional packages colour-science would like is told by it on import, and no business of a user's.
    warnings.filterwarnings("ignore", message=".*related API features are not available.*")
    try:
        app(arguments, prog_name="halocline")
    except HaloclineError as error:
        # What prints errors also prints progress, and knows the whole of a batch: not needed for help.
        from halocline.cli.output import say_error  # noqa: PLC0415

        say_error(error)
        sys.exit(NOTHING_POSSIBLE)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)


def main() -> None:
    """Be the command line as a program: as `run`, and end as soon as all is done and told.

    Who goes on with something else when the command is done calls `run`.
    """
    with ending_at_once():
        run()


if __name__ == "__main__":
    main()
