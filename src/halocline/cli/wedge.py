"""`halocline wedge`: one frame under a row or grid of settings."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import cv2
import typer

from halocline.batch.first_look import look_first
from halocline.batch.frame_task import planes_of_look
from halocline.batch.still import Still, tasks_of
from halocline.cli.examples import examples
from halocline.cli.options import (
    DisplayOption,
    OverwriteOption,
    PassOption,
    PresetArgument,
    ViewOption,
    WidthOption,
    passes_given,
)
from halocline.cli.output import say
from halocline.cli.shot import say_first
from halocline.cli.still import Viewing, reference_pixels
from halocline.errors import HaloclineError
from halocline.files.whole import write_whole
from halocline.imaging.camera_track import CameraTrack
from halocline.presets.build import story_report
from halocline.presets.preset import Preset, load_preset
from halocline.review.contact_sheet import U8, SheetTile, contact_sheet
from halocline.review.page import sheet_page
from halocline.review.wedge import parse_axis
from halocline.review.wedge import wedge as wedge_of

EXAMPLES = examples(
    "halocline wedge jerlov-1c clean.1001.exr water.visibility=4,8,16 light.sun_elevation=15:75:3",
    "halocline wedge look.toml 'shot.####.exr' --frame 1040 story.silhouette_contrast=0.05,0.1 --out w.html",
)

OutOption = Annotated[Path, typer.Option("--out", help="Sheet to write: .png, or .html for one page.")]


def wedge(
    preset: PresetArgument,
    beauty: Annotated[str, typer.Argument(metavar="FRAME", help="EXR file, or a pattern with --frame.")],
    axes: Annotated[
        list[str],
        typer.Argument(metavar="KEY=V1,V2... [KEY=FROM:TO:COUNT]", help="One key across, a second down."),
    ],
    depth: Annotated[str | None, typer.Option("--depth", help="Depth pass, where it is apart.")] = None,
    passes: PassOption = None,
    frame: Annotated[str | None, typer.Option("--frame", help="Frame of a pattern.")] = None,
    settings: Annotated[
        list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Set one key for all pictures.")
    ] = None,
    reference: Annotated[
        Path | None, typer.Option("--reference", help="A still to hold the pictures against.")
    ] = None,
    display: DisplayOption = None,
    view: ViewOption = None,
    width: WidthOption = 480,
    out: OutOption = Path("wedge.png"),
    overwrite: OverwriteOption = False,
) -> None:
    """Write a labelled sheet of one frame under one or two keys' values."""
    task = tasks_of(beauty, depth=depth, passes=passes_given(passes), frames=frame)[0]
    say_first(look_first([task], load_preset(preset, settings or ())), writing=False)
    viewing = Viewing(display, view)
    kept: dict[str, Still] = {}

    def make(changes: list[str]) -> tuple[U8, str]:
        look = load_preset(preset, [*(settings or ()), *changes])
        # One reading serves all settings that read the frame alike.
        key = look.at(task.frame).input.model_dump_json() + str(sorted(_passes(look, task.frame)))
        if key not in kept:
            kept[key] = Still.read(task, look)
        still = kept[key]
        return viewing.pixels(still.planes(look)["rgb"], still.space), _remark(look, still)

    rows = wedge_of([parse_axis(axis) for axis in axes], make)
    if reference is not None:
        rows.append([SheetTile(reference_pixels(reference), f"reference: {reference.name}")])
    title = f"{preset}, frame {task.frame}"
    write_sheet(rows, out, title=title, width=width, overwrite=overwrite)
    say(str(out))


def write_sheet(
    rows: list[list[SheetTile]],
    out: Path,
    *,
    title: str,
    width: int,
    overwrite: bool,
    notes: tuple[str, ...] = (),
    preview: bytes | None = None,
) -> None:
    """Write a sheet as a page or a PNG, by the file's ending."""
    if out.suffix.lower() in (".html", ".htm"):
        page = sheet_page(rows, title=title, notes=notes, tile_width=width, preview=preview)
        write_whole(out, page.encode(), overwrite=overwrite, make_folder=True)
        return
    heading = "\n".join((title, *notes))
    sheet = contact_sheet(rows, title=heading, tile_width=width)
    write_whole(out, png_bytes(sheet), overwrite=overwrite, make_folder=True)


def png_bytes(pixels: U8) -> bytes:
    """Return display pixels as a PNG file."""
    _, encoded = cv2.imencode(".png", pixels[..., ::-1])
    return bytes(encoded.tobytes())


def _passes(look: Preset, frame: int) -> set[str]:
    needed, useful = planes_of_look(look.at(frame))
    return {*needed, *useful}


def _remark(look: Preset, still: Still) -> str:
    """Return what the water of a setting shows, in a few words."""
    try:
        frame = still.inputs.task.frame
        story = story_report(look, frame, still.space, track=CameraTrack({frame: still.lens(look)}))
    except HaloclineError as error:
        return error.message
    if story.subject_range_m is None:
        return f"black object gone at {story.sighting_range_m:.3g} m"
    return (
        f"real water leaves {story.physical_contrast:.1g} of contrast at {story.subject_range_m:.3g} m, "
        f"here {story.wanted_contrast:.2g}"
    )
