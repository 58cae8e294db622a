"""`halocline plot`: what a preset's water does, as plots."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import typer

from halocline._typing import F64
from halocline.batch.still import Still, tasks_of
from halocline.batch.task import FrameTask
from halocline.cli.examples import examples
from halocline.cli.options import (
    DisplayOption,
    OverwriteOption,
    PassOption,
    PresetArgument,
    ViewOption,
    passes_given,
)
from halocline.cli.output import say
from halocline.cli.still import Viewing
from halocline.errors import JobError
from halocline.files.whole import write_whole
from halocline.imaging.camera_track import CameraTrack
from halocline.physics.path.transport import LightPath
from halocline.presets.build import DEFAULT_CAMERA_DEPTH_M, in_space, light_path, story_report
from halocline.presets.preset import Preset, load_preset
from halocline.presets.water_choice import chosen_water
from halocline.review import plots
from halocline.review.contact_sheet import U8
from halocline.rgb import LINEAR_REC709

if TYPE_CHECKING:
    from matplotlib.figure import Figure
else:
    Figure = Any

EXAMPLES = examples(
    "halocline plot fjord-archway --out plots/",
    "halocline plot look.toml --what contrast --out contrast.png",
    "halocline plot look.toml --what steps --render clean.1001.exr --out steps.png",
)


class What(StrEnum):
    """What is plotted."""

    spectra = "spectra"
    colour = "colour"
    chart = "chart"
    contrast = "contrast"
    remap = "remap"
    veil = "veil"
    particles = "particles"
    steps = "steps"
    every = "all"


def plot(
    preset: PresetArgument,
    out: Annotated[Path, typer.Option("--out", help="PNG to write; a folder for all.")],
    what: Annotated[What, typer.Option("--what", help="Which plot.")] = What.every,
    render: Annotated[
        str | None, typer.Option("--render", help="A clean EXR frame, to plot what each step does to it.")
    ] = None,
    depth: Annotated[str | None, typer.Option("--depth", help="Its depth pass, where apart.")] = None,
    passes: PassOption = None,
    frame: Annotated[int, typer.Option("--frame", help="Frame number, for animated presets.")] = 1001,
    settings: Annotated[
        list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Set one key of the preset.")
    ] = None,
    display: DisplayOption = None,
    view: ViewOption = None,
    overwrite: OverwriteOption = False,
) -> None:
    """Plot spectra and bands, the colour of white and of a chart, contrast, the remap, the veil, steps."""
    look = load_preset(preset, settings or ())
    viewing = Viewing(display, view or "un-tone-mapped")
    shown = None if render is None else tasks_of(render, depth=depth, passes=passes_given(passes))[0]
    makers = _makers(look, frame, viewing, shown)
    if what is not What.every:
        if what not in makers:
            frameless = what is What.steps
            raise JobError(
                "what each step does is plotted of a frame" if frameless else "nothing floats in this water",
                code="E-PLOT-FRAME" if frameless else "E-PLOT-PARTICLES",
                fix="Add --render FRAME.exr."
                if frameless
                else "Give a preset with a step that lets something float: see halocline preset schema.",
            )
        write_figure(makers[what](), out, overwrite=overwrite)
        return
    for name, make in makers.items():
        write_figure(make(), out / f"{look.name}-{name}.png", overwrite=overwrite)


def write_figure(figure: Figure, path: Path, *, overwrite: bool) -> None:
    """Write a figure as PNG and say so."""
    write_whole(path, plots.figure_png(figure), overwrite=overwrite, make_folder=True)
    say(str(path))


def _makers(
    look: Preset, frame: int, viewing: Viewing, shown: FrameTask | None
) -> dict[What, Callable[[], Figure]]:
    path, bands = _path(look, frame), in_space(look.bands, LINEAR_REC709)
    still = None if shown is None else Still.read(shown, look)
    track = None if still is None else CameraTrack({frame: still.lens(look)})
    story = story_report(look, frame, LINEAR_REC709, track=track)
    farthest = max(2.5 * story.sighting_range_m, 1.3 * (story.subject_range_m or 0.0))

    def show(colours: F64) -> U8:
        return viewing.pixels(np.moveaxis(colours, -1, 0).astype(np.float32), LINEAR_REC709)

    def contrast() -> Figure:
        ranges = np.linspace(0.01, farthest, 200)
        return plots.contrast_figure(
            ranges,
            *story.contrasts(ranges),
            subject_m=story.subject_range_m,
            sighting_m=story.sighting_range_m,
            size_m=story.subject_size_m,
        )

    def chart() -> Figure:
        from halocline.matching.samples import chart_colours  # noqa: PLC0415 - slow to import

        shares = np.array([0.0, 0.1, 0.25, 0.5, 1.0]) * story.sighting_range_m
        return plots.chart_figure(bands, chart_colours(), show, ranges_m=shares.tolist())

    settings = look.at(frame)
    made: dict[What, Callable[[], Figure]] = {
        What.spectra: lambda: plots.spectra_figure(chosen_water(settings.water, look.document), bands),
        What.colour: lambda: plots.colour_figure(
            bands, show, longest_m=story.sighting_range_m, deepest_m=min(40.0, look.bands.depth_m)
        ),
        What.chart: chart,
        What.contrast: contrast,
        What.remap: lambda: plots.remap_figure(story.remap, longest_m=farthest),
        What.veil: lambda: plots.veil_figure(path, np.array([0.0, 0.0, -1.0])),
    }
    counts = _counts(look, frame)
    if counts:
        made[What.particles] = lambda: plots.bar_figure(
            list(counts),
            list(counts.values()),
            title=f"{look.name}: what floats in the water",
            unit="particles in a litre",
            logarithmic=True,
        )
    if still is not None:
        made[What.steps] = lambda: _steps_figure(look, still)
    return made


def _counts(look: Preset, frame: int) -> dict[str, float]:
    """Return what floats in a litre by kind, of every step that draws some."""
    counts: dict[str, float] = {}
    for step in look.at(frame).graph.steps:
        counts.update(step.operator.per_litre())
    return counts


def _path(look: Preset, frame: int) -> LightPath:
    settings = look.at(frame)
    stated = settings.place.camera_depth
    depth = DEFAULT_CAMERA_DEPTH_M if stated is None else stated
    return light_path(settings, in_space(look.bands, LINEAR_REC709), LINEAR_REC709, depth)


def _steps_figure(look: Preset, still: Still) -> Figure:
    """Return by how much each step changes the frame: root mean square of luminance, before any other."""
    frame = still.inputs.task.frame
    row = still.space.luminance_row.astype(np.float32)
    before = np.tensordot(row, still.clean, 1)
    names, changes = [], []
    for step in look.at(frame).graph.steps:
        after = np.tensordot(row, still.planes(look, step=step.name)["rgb"], 1)
        names.append(step.name)
        changes.append(float(np.sqrt(np.mean(np.square(after - before, dtype=np.float64)))))
        before = after
    title = f"{look.name}: what each step changes in frame {frame}"
    return plots.bar_figure(names, changes, title=title, unit="change of luminance, root mean square, linear")
