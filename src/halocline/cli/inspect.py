"""`halocline inspect`: what a render delivers."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Annotated

import typer

from halocline.batch.frame_task import planes_of_look
from halocline.batch.task import input_spec
from halocline.cli.examples import examples
from halocline.cli.exit_status import SOME_FAILED
from halocline.cli.options import DepthOption, PassOption, SetOption, passes_given
from halocline.imaging.report import inspect as inspect_files
from halocline.imaging.sequence import find_sequence
from halocline.presets.misplaced import misplaced
from halocline.presets.preset import load_preset, preset_from_text
from halocline.presets.sections import FORMAT
from halocline.units import metres_per_scene_unit

EXAMPLES = examples(
    "halocline inspect 'clean.####.exr'",
    "halocline inspect 'clean.####.exr' --depth 'depth.####.exr' --unit cm",
    "halocline inspect clean.1001.exr --preset look.toml --set input.depth_unit=cm",
    "halocline inspect clean.1001.exr --json",
)


def inspect(
    source: Annotated[str, typer.Argument(metavar="FILE_OR_SEQUENCE", help="EXR file or frame pattern.")],
    depth: DepthOption = None,
    passes: PassOption = None,
    preset: Annotated[
        str | None,
        typer.Option("--preset", help="Look at what this preset reads, as it says; file or shipped name."),
    ] = None,
    settings: SetOption = None,
    frames: Annotated[
        str | None, typer.Option("--frames", metavar="RANGE", help="Frames; the first is looked at.")
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option("--unit", help="Length of one unit of the scene: cm, ft, or metres as a number."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Report what is read as what, windows, camera, depth and values, and warn of what does not fit.

    Of a sequence, the first frame is read and the others are counted. The exit status is 1 where that frame
    cannot be put under water as it is; the report says why.
    """
    overrides = settings or ()
    look = load_preset(preset, overrides) if preset else preset_from_text(f"format = {FORMAT}", overrides)
    frame = find_sequence(source, frames).first_there()
    spec = input_spec(look, frame)
    if unit is not None:
        spec = replace(spec, depth=replace(spec.depth, unit_m=metres_per_scene_unit(unit)))
    needed, useful = planes_of_look(look.at(0))
    report = inspect_files(
        source,
        spec,
        depth_path=depth,
        pass_paths=passes_given(passes),
        frames=frames,
        wanted=sorted(needed),
        useful=sorted(useful),
        # Without a preset nothing is known of where the scene lies in the water.
        told_of=lambda view: misplaced(look.at(frame).place, view.camera, view.frame) if preset else (),
    )
    typer.echo(
        json.dumps(report.to_dict(), indent=2, ensure_ascii=False) if as_json else "\n".join(report.lines())
    )
    if report.problems:
        raise typer.Exit(SOME_FAILED)
