"""`halocline apply`: clean renders in, wet frames out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated

import typer

from halocline.batch.layers import ALL
from halocline.batch.means import Means
from halocline.batch.memory_budget import parse_memory
from halocline.batch.plan_tasks import MissingFrames, plan_shot
from halocline.cli.examples import examples
from halocline.cli.metrics import Metrics
from halocline.cli.options import (
    CheckOption,
    DepthOption,
    DryRunOption,
    FramesOption,
    LogOption,
    MemoryOption,
    MetricsOption,
    OutOption,
    OverwriteOption,
    PassOption,
    PresetArgument,
    ProcessesOption,
    ResumeOption,
    SchedulerOption,
    SetOption,
    StrictOption,
    ThreadsOption,
    from_the_root,
    passes_given,
)
from halocline.cli.output import LogForm
from halocline.cli.shot import RunOptions, exit_status, run_shot, show_plan
from halocline.compute.threads import at_most
from halocline.presets.preset import load_preset

EXAMPLES = examples(
    "halocline apply jerlov-1c 'clean.####.exr' --out wet/",
    "halocline apply look.toml beauty.%04d.exr --depth depth.%04d.exr --out 'wet/shot.####.exr' "
    "--frames 1001-1100x2 --set light.sun_elevation=20",
    "halocline apply look.toml 'clean.####.exr' --pass 'arch=mattes/arch.####.exr' --out wet/",
    "halocline apply look.toml 'clean.####.exr' --out wet/ --resume --processes 4 --memory 16G",
)


def apply(
    preset: PresetArgument,
    beauty: Annotated[str, typer.Argument(metavar="BEAUTY", help="EXR file or frame pattern.")],
    out: OutOption,
    depth: DepthOption = None,
    passes: PassOption = None,
    frames: FramesOption = None,
    settings: SetOption = None,
    layers: Annotated[
        str | None,
        typer.Option(
            "--layers",
            metavar="NAMES",
            help="Separable layers to write too: all, or names such as veil,particles,transmittance.",
        ),
    ] = None,
    compression: Annotated[
        str | None,
        typer.Option("--compression", metavar="NAME", help="zip, piz, dwaa:45 ...; as it came."),
    ] = None,
    data_type: Annotated[
        str | None,
        typer.Option("--data-type", metavar="TYPE", help="half or float; as it came."),
    ] = None,
    colour_space: Annotated[
        str | None,
        typer.Option("--colour-space", metavar="NAME", help="Space to write, such as ACEScg; as it came."),
    ] = None,
    gamut: Annotated[
        str | None,
        typer.Option(
            "--gamut-compression",
            metavar="HOW",
            help="Colours that the written space cannot hold: none, full or reference (ACES).",
        ),
    ] = None,
    element: Annotated[
        bool,
        typer.Option(
            "--element",
            help="The renders are an element of finished frames: write a layer to lay over them.",
        ),
    ] = False,
    deep: Annotated[
        bool, typer.Option("--deep", help="Write deep renders deep, each sample with the water before it.")
    ] = False,
    floating_samples: Annotated[
        bool,
        typer.Option(
            "--floating-samples",
            help="With --deep: particles, bubbles and turbid bodies as samples of their own.",
        ),
    ] = False,
    missing: Annotated[
        MissingFrames, typer.Option("--missing", help="What to do about frames that are not there.")
    ] = MissingFrames.stop,
    processes: ProcessesOption = None,
    threads: ThreadsOption = None,
    memory: MemoryOption = None,
    scheduler: SchedulerOption = None,
    overwrite: OverwriteOption = False,
    resume: ResumeOption = False,
    dry_run: DryRunOption = False,
    strict: StrictOption = False,
    check: CheckOption = True,
    log: LogOption = LogForm.text,
    metrics: MetricsOption = None,
) -> None:
    """Put clean renders under water: scene-linear EXR and depth in, EXR out.

    Exit status: 0 every frame asked for is there; 1 some are not; 2 nothing could be done; 3 another job is
    still making some; 130 (or 128 + the
    signal) interrupted. A record of every frame is kept beside the frames, in halocline-manifest.jsonl.
    """
    output = {
        "compression": compression,
        "data_type": data_type,
        "colour_space": colour_space,
        "gamut_compression": gamut,
        "element": True if element else None,
        "deep": True if deep else None,
        "floating_samples": True if floating_samples else None,
    }
    look = load_preset(preset, [*(settings or ()), *_layer_setting(layers), *_output_settings(output)])
    beside = passes_given(passes)
    if scheduler is not None:
        beauty, out = from_the_root(beauty), from_the_root(out)
        depth = None if depth is None else from_the_root(depth)
        beside = {name: from_the_root(pattern) for name, pattern in beside.items()}
    plan = plan_shot(
        beauty,
        depth=depth,
        passes=beside,
        out=out,
        frames=frames,
        overwrite=overwrite or resume,
        missing=missing,
    )
    if dry_run:
        show_plan(plan, look, resume=resume, strict=strict)
        return
    means = Means(processes, threads, None if memory is None else parse_memory(memory), scheduler)
    watched = None if metrics is None else Metrics(metrics)
    with at_most(threads):
        summary = run_shot(plan, look, RunOptions(means, overwrite, resume, check, log, strict, watched))
    if status := exit_status([summary]):
        raise typer.Exit(status)


def _layer_setting(layers: str | None) -> list[str]:
    """Return the setting that asks for layers by name; ``all`` are all that add up to the picture."""
    if layers is None:
        return []
    names = [name.strip() for name in layers.split(",") if name.strip()]
    return [f"output.layers={json.dumps([ALL if name == 'all' else name for name in names])}"]


def _output_settings(given: Mapping[str, str | bool | None]) -> list[str]:
    """Return the settings that options for what is written stand for."""
    return [f"output.{key}={json.dumps(value)}" for key, value in given.items() if value is not None]
