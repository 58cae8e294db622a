"""`halocline inspect`: what a render delivers."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from halocline.imaging.report import inspect as inspect_files

EXAMPLES = "Examples:  halocline inspect shot.####.exr   |   halocline inspect frame.1001.exr --json"


def inspect(
    source: Annotated[str, typer.Argument(metavar="FILE_OR_SEQUENCE", help="EXR file or frame pattern.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Report channels, windows, camera and depth, and warn of what does not fit together."""
    report = inspect_files(source)
    typer.echo(json.dumps(report.to_dict(), indent=2, ensure_ascii=False) if as_json else report.text())
