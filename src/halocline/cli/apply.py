"""`halocline apply`: clean renders in, wet frames out."""

from __future__ import annotations

from typing import Annotated

import typer

from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.run import run_frames
from halocline.cli.exit_status import SOME_FAILED
from halocline.cli.output import LogForm, Teller, console, json_line
from halocline.graph.engine import Evaluation
from halocline.presets.preset import load_preset

EXAMPLES = (
    "Examples:  halocline apply jerlov-1c clean.####.exr --out wet/   |   "
    "halocline apply look.toml beauty.%04d.exr --depth depth.%04d.exr --out wet/shot.####.exr "
    "--frames 1001-1100x2 --set light.sun_elevation=20"
)


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
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Threads; one for each processor if not given.")
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace frames that are there.")] = False,
    log: Annotated[LogForm, typer.Option("--log", help="How to tell progress.")] = LogForm.text,
) -> None:
    """Put clean renders under water: scene-linear EXR and depth in, EXR out.

    The exit status is 0 only if every frame asked for is complete.
    """
    look = load_preset(preset, settings or ())
    tasks = plan_tasks(beauty, depth=depth, out=out, frames=frames, overwrite=overwrite)
    if log is LogForm.json:
        json_line(event="start", preset=look.name, digest=look.digest, frames=len(tasks))
    else:
        fit = look.bands.worst_delta_e
        console().print(f"{look.name}: {look.water.name}, band fit CIEDE2000 {fit:.2f}", markup=False)
        for caveat in look.water.caveats:
            console().print(f"warning: water: {caveat}", style="yellow", markup=False)
    with Teller(log, len(tasks)).running() as teller:
        summary = run_frames(tasks, look, how=Evaluation(threads), overwrite=overwrite, report=teller.tell)
    failed = [failure.task.frame for failure in summary.failed]
    if log is LogForm.json:
        json_line(event="end", done=len(summary.done), failed=failed)
    else:
        console().print(f"{len(summary.done)} of {len(tasks)} frames written.", markup=False)
        if failed:
            console().print(f"failed: {', '.join(map(str, failed))}", style="red", markup=False)
    if not summary.complete:
        raise typer.Exit(SOME_FAILED)
