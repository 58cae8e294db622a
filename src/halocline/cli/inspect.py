"""`halocline inspect`: what a render delivers."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Annotated

import typer

from halocline.cli.examples import examples
from halocline.cli.exit_status import SOME_FAILED
from halocline.cli.options import DepthOption
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.report import inspect as inspect_files
from halocline.units import metres_per_scene_unit

EXAMPLES = examples(
    "halocline inspect 'clean.####.exr'",
    "halocline inspect 'clean.####.exr' --depth 'depth.####.exr' --unit cm",
    "halocline inspect clean.1001.exr --json",
)


def inspect(
    source: Annotated[str, typer.Argument(metavar="FILE_OR_SEQUENCE", help="EXR file or frame pattern.")],
    depth: DepthOption = None,
    frames: Annotated[
        str | None, typer.Option("--frames", metavar="RANGE", help="Frames; the first is looked at.")
    ] = None,
    unit: Annotated[
        str, typer.Option("--unit", help="Length of one unit of the scene: cm, ft, or metres as a number.")
    ] = "m",
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Report channels, windows, camera and depth, and warn of what does not fit together.

    Of a sequence, the first frame is read and the others are counted. The exit status is 1 where that frame
    cannot be put under water as it is; the report says why.
    """
    plain = InputSpec()
    spec = replace(plain, depth=replace(plain.depth, unit_m=metres_per_scene_unit(unit)))
    report = inspect_files(source, spec, depth_path=depth, frames=frames)
    typer.echo(
        json.dumps(report.to_dict(), indent=2, ensure_ascii=False) if as_json else "\n".join(report.lines())
    )
    if report.problems:
        raise typer.Exit(SOME_FAILED)
