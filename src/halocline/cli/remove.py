"""`halocline remove`: water taken out of frames that were made with a preset, or matched by one."""

from __future__ import annotations

from typing import Annotated

import typer

from halocline.batch.means import Means
from halocline.batch.plan_tasks import plan_shot
from halocline.cli.examples import examples
from halocline.cli.options import (
    DepthOption,
    FramesOption,
    LogOption,
    OutOption,
    OverwriteOption,
    SetOption,
)
from halocline.cli.output import LogForm
from halocline.cli.shot import RunOptions, exit_status, run_shot
from halocline.matching.remove import removal_of
from halocline.presets.preset import load_preset

EXAMPLES = examples(
    "halocline remove jerlov-1c 'wet.####.exr' --depth 'clean.####.exr' --out dry/",
    "halocline remove matched.toml 'plate.####.exr' --depth 'range.####.exr' --out neutral/ --plate",
)


def remove(
    preset: Annotated[
        str, typer.Argument(metavar="PRESET", help="The water: what the frames were made with.")
    ],
    beauty: Annotated[str, typer.Argument(metavar="FRAMES", help="Wet EXR file or frame pattern.")],
    out: OutOption,
    depth: DepthOption = None,
    frames: FramesOption = None,
    settings: SetOption = None,
    noise: Annotated[
        float, typer.Option(min=1e-6, help="Noise of the frames, standard deviation, scene-linear.")
    ] = 0.002,
    plate: Annotated[
        bool, typer.Option("--plate", help="A plate: the preset's white reference was never put on it.")
    ] = False,
    overwrite: OverwriteOption = False,
    log: LogOption = LogForm.text,
) -> None:
    """Take a preset's water out of frames: attenuation, veiling light and downwelling, backwards.

    Where the water left less than the noise, the picture goes to grey instead of to amplified noise. Only the
    core steps are undone; particles, blur and refraction stay.
    """
    look = removal_of(load_preset(preset, settings or ()), noise=noise, rebalance=not plate)
    plan = plan_shot(beauty, depth=depth, out=out, frames=frames, overwrite=overwrite)
    summary = run_shot(plan, look, RunOptions(Means(), overwrite, resume=False, log=log))
    if status := exit_status([summary]):
        raise typer.Exit(status)
