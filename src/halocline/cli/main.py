"""The `halocline` command."""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer

from halocline._version import __version__
from halocline.cli import apply, check, demo, farm, inspect, match, plot, preset, remove, report, sheet, wedge
from halocline.cli.exit_status import INTERRUPTED, NOTHING_POSSIBLE
from halocline.cli.output import say_error
from halocline.errors import HaloclineError

app = typer.Typer(
    name="halocline",
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


app.command("apply", epilog=apply.EXAMPLES)(apply.apply)
app.command("inspect", epilog=inspect.EXAMPLES)(inspect.inspect)
app.command("check", epilog=check.EXAMPLES)(check.check)
app.command("report", epilog=report.EXAMPLES)(report.report)
app.add_typer(farm.app, name="farm")
app.command("match", epilog=match.EXAMPLES)(match.match)
app.command("remove", epilog=remove.EXAMPLES)(remove.remove)
app.command("wedge", epilog=wedge.EXAMPLES)(wedge.wedge)
app.command("sheet", epilog=sheet.EXAMPLES)(sheet.sheet)
app.command("plot", epilog=plot.EXAMPLES)(plot.plot)
app.add_typer(preset.app, name="preset")
app.command("demo", epilog=demo.EXAMPLES)(demo.demo)


def run(arguments: list[str] | None = None) -> Any:
    """Run the command line and leave with its exit status.

    0: everything asked for is done. 1: some frames failed. 2: nothing could be done. 130: interrupted.
    """
    try:
        app(arguments)
    except HaloclineError as error:
        say_error(error)
        sys.exit(NOTHING_POSSIBLE)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)


if __name__ == "__main__":
    run()
