"""`halocline report`: what a manifest comes to."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from halocline.batch.manifest import read_manifest
from halocline.batch.report import report_on
from halocline.cli.examples import examples
from halocline.cli.exit_status import SOME_FAILED
from halocline.plain_text import lines

EXAMPLES = examples("halocline report wet/", "halocline report wet/halocline-manifest.jsonl --json")


def report(
    manifest: Annotated[Path, typer.Argument(metavar="MANIFEST", help="Manifest, or its folder.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Sum up a manifest: frames made and failed, the slowest, totals, checks.

    The exit status is 1 where frames have failed.
    """
    found = report_on(read_manifest(manifest))
    typer.echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False) if as_json else lines(found.text()))
    if found.failed:
        raise typer.Exit(SOME_FAILED)
