"""`halocline apply`: clean renders in, wet frames out."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from halocline.batch.layers import ALL
from halocline.batch.makers import Means
from halocline.batch.memory_budget import parse_memory
from halocline.batch.plan_tasks import MissingFrames, plan_shot
from halocline.cli.examples import examples
from halocline.cli.output import LogForm
from halocline.cli.shot import RunOptions, exit_status, run_shot, show_plan
from halocline.presets.preset import load_preset

EXAMPLES = examples(
    "halocline apply jerlov-1c 'clean.####.exr' --out wet/",
    "halocline apply look.toml beauty.%04d.exr --depth depth.%04d.exr --out 'wet/shot.####.exr' "
    "--frames 1001-1100x2 --set light.sun_elevation=20",
    "halocline apply look.toml 'clean.####.exr' --out wet/ --resume --processes 4 --memory 16G",
)

ThreadsOption = Annotated[
    int | None,
    typer.Option("--threads", min=1, help="Computing threads in each process; from the cores if not given."),
]
ProcessesOption = Annotated[
    int | None,
    typer.Option("--processes", min=1, help="Processes; from cores and memory if not given."),
]
MemoryOption = Annotated[
    str | None,
    typer.Option("--memory", metavar="AMOUNT", help="Memory for all processes, as 16G; 0.8 of the free."),
]
SchedulerOption = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="Use the machines of this dask scheduler."),
]
OverwriteOption = Annotated[bool, typer.Option("--overwrite", help="Replace frames that are there.")]
ResumeOption = Annotated[
    bool, typer.Option("--resume", help="Make only frames that are missing, damaged or out of date.")
]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Show what would be done; do nothing.")]
CheckOption = Annotated[
    bool, typer.Option("--check/--no-check", help="Look over the finished frames (see: halocline check).")
]
LogOption = Annotated[LogForm, typer.Option("--log", help="How to tell progress.")]


def apply(
    preset: Annotated[str, typer.Argument(metavar="PRESET", help="Preset file, or name of a shipped one.")],
    beauty: Annotated[str, typer.Argument(metavar="BEAUTY", help="EXR file or frame pattern.")],
    out: Annotated[str, typer.Option("--out", help="Folder, file or frame pattern to write.")],
    depth: Annotated[
        str | None, typer.Option("--depth", help="Depth pass, where it is not in the beauty's files.")
    ] = None,
    frames: Annotated[
        str | None, typer.Option("--frames", metavar="RANGE", help="Frames, such as 1001-1100x2.")
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="Set one key of the preset; may be given again."),
    ] = None,
    layers: Annotated[
        str | None,
        typer.Option(
            "--layers",
            metavar="NAMES",
            help="Separable layers to write too: all, or names such as veil,particles,transmittance.",
        ),
    ] = None,
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
    check: CheckOption = True,
    log: LogOption = LogForm.text,
) -> None:
    """Put clean renders under water: scene-linear EXR and depth in, EXR out.

    Exit status: 0 every frame asked for is there; 1 some are not; 2 nothing could be done; 130 (or 128 + the
    signal) interrupted. A record of every frame is kept beside the frames, in halocline-manifest.jsonl.
    """
    look = load_preset(preset, [*(settings or ()), *_layer_setting(layers)])
    plan = plan_shot(
        beauty, depth=depth, out=out, frames=frames, overwrite=overwrite or resume, missing=missing
    )
    if dry_run:
        show_plan(plan, look, resume=resume)
        return
    means = Means(processes, threads, None if memory is None else parse_memory(memory), scheduler)
    summary = run_shot(plan, look, RunOptions(means, overwrite, resume, check, log))
    if status := exit_status([summary]):
        raise typer.Exit(status)


def _layer_setting(layers: str | None) -> list[str]:
    """Return the setting that asks for layers by name; ``all`` are all that add up to the picture."""
    if layers is None:
        return []
    names = [name.strip() for name in layers.split(",") if name.strip()]
    return [f"output.layers={json.dumps([ALL if name == 'all' else name for name in names])}"]
