"""`halocline sheet`: a sequence at a glance, before and after, in difference, in layers and in motion."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halocline.batch.first_look import look_first
from halocline.batch.still import Still
from halocline.cli.examples import examples
from halocline.cli.options import (
    DisplayOption,
    OverwriteOption,
    PassOption,
    ViewOption,
    WidthOption,
    passes_given,
)
from halocline.cli.output import say
from halocline.cli.shot import say_first
from halocline.cli.still import Viewing, chosen_frames, finished_pixels, frames_to_show, reference_pixels
from halocline.cli.wedge import png_bytes, write_sheet
from halocline.errors import SequenceError
from halocline.files.whole import write_whole
from halocline.imaging.sequence import find_sequence
from halocline.presets.preset import Preset, load_preset
from halocline.review.animation import CAUTION, animated, smaller
from halocline.review.compare import difference, film_strip, layer_pixels, slit_through_time
from halocline.review.contact_sheet import U8, SheetTile

EXAMPLES = examples(
    "halocline sheet 'wet/shot.####.exr' --against 'clean.####.exr' --out sheet.png",
    "halocline sheet 'wet/shot.####.exr' --reference dive.jpg --motion --out sheet.html",
    "halocline sheet clean.1001.exr --preset look.toml --steps --out steps.html",
)
FRAMES_IN_MOTION = 48


def sheet(
    beauty: Annotated[
        str, typer.Argument(metavar="FRAMES", help="Finished EXR frames (or clean, with --preset).")
    ],
    clean: Annotated[
        str | None,
        typer.Option("--against", help="The same frames to compare with: clean, or another version."),
    ] = None,
    reference: Annotated[
        Path | None, typer.Option("--reference", help="A still to hold them against.")
    ] = None,
    preset: Annotated[
        str | None, typer.Option("--preset", help="FRAMES are clean: put them under this preset's water.")
    ] = None,
    depth: Annotated[
        str | None, typer.Option("--depth", help="With --preset: depth pass, where apart.")
    ] = None,
    passes: PassOption = None,
    steps: Annotated[
        bool, typer.Option("--steps", help="With --preset: the picture after each step.")
    ] = False,
    layers: Annotated[
        list[str] | None,
        typer.Option("--layer", help="With --preset: show this plane too; may be given again."),
    ] = None,
    motion: Annotated[
        bool,
        typer.Option("--motion", help="Add a strip of frames, a slit through time, and a preview (HTML)."),
    ] = False,
    frames: Annotated[
        str | None, typer.Option("--frames", metavar="RANGE", help="Frames of the pattern.")
    ] = None,
    settings: Annotated[
        list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="With --preset: set one key.")
    ] = None,
    display: DisplayOption = None,
    view: ViewOption = None,
    width: WidthOption = 480,
    out: Annotated[Path, typer.Option("--out", help="Sheet to write: .png, or .html for one page.")] = Path(
        "sheet.png"
    ),
    preview: Annotated[
        Path | None,
        typer.Option("--preview", help="Animated .webp or .png to write, or a folder for frames."),
    ] = None,
    fps: Annotated[float, typer.Option(min=1.0, max=120.0, help="Rate of the preview.")] = 24.0,
    overwrite: OverwriteOption = False,
) -> None:
    """Write a sheet of first, middle and last frame: before, after and their difference, layers, motion."""
    viewing = Viewing(display, view)
    look = None if preset is None else load_preset(preset, settings or ())
    listed = chosen_frames(beauty, frames)
    tasks = {} if look is None else frames_to_show(beauty, depth, passes_given(passes), frames)
    rows: list[list[SheetTile]] = [[], [], []]
    more: list[SheetTile] = []
    for number in sorted({0, len(listed) // 2, len(listed) - 1}):
        frame, path = listed[number]
        if look is None:
            wet = finished_pixels(path, viewing)
            dry = None if clean is None else finished_pixels(find_sequence(clean).path(frame), viewing)
        else:
            seen = look_first([tasks[frame]], look)
            if number == 0:
                say_first(seen, writing=False)
            still = Still.read(seen.tasks[0], look)
            wet, dry, beside = _developed(still, look, tuple(layers or ()), viewing)
            more += beside + (_step_tiles(still, look, viewing) if steps and number == 0 else [])
        for row, tiles in zip(rows, _before_after(frame, dry, wet), strict=True):
            row.extend(tiles)
    if reference is not None:
        rows[1].append(SheetTile(reference_pixels(reference), f"reference: {reference.name}"))
    rows = [[*rows[0], *rows[1], *rows[2]]] if len(listed) == 1 else [row for row in rows if row]
    rows += [more[start : start + 4] for start in range(0, len(more), 4)]
    notes: tuple[str, ...] = ()
    moving = None
    if motion or preview is not None:
        running = _running(beauty, frames, look is not None, viewing)
        if motion:
            rows += [
                [SheetTile(film_strip(running[:: max(1, len(running) // 12)][:12]), "frames in order")],
                [SheetTile(slit_through_time(running), "the middle line of each frame, time running down")],
            ]
            if out.suffix.lower() in (".html", ".htm"):
                moving, notes = animated(running, frames_per_second=fps), (CAUTION,)
        if preview is not None:
            _write_preview(running, preview, fps, overwrite)
            say(f"{preview}  ({CAUTION})")
    title = f"{beauty}" + ("" if look is None else f" under {look.name}")
    write_sheet(rows, out, title=title, width=width, overwrite=overwrite, notes=notes, preview=moving)
    say(str(out))


def _running(beauty: str, frames: str | None, clean: bool, viewing: Viewing) -> list[U8]:
    """Return a sequence's frames, small, in order."""
    if clean:
        raise SequenceError(
            "motion is judged on finished frames",
            code="E-SEQUENCE-PREVIEW",
            fix="Run halocline apply first, then halocline sheet on what it wrote, without --preset.",
        )
    listed = chosen_frames(beauty, frames, most=None)
    if len(listed) < 2:
        raise SequenceError(
            "there is only one frame",
            code="E-SEQUENCE-PREVIEW",
            fix="Give a pattern of several frames (wet.####.exr), or leave --motion and --preview out.",
        )
    # Consecutive frames: every other one would hide a flicker.
    return [smaller(finished_pixels(path, viewing), 960) for _, path in listed[:FRAMES_IN_MOTION]]


def _write_preview(running: list[U8], preview: Path, fps: float, overwrite: bool) -> None:
    kind = preview.suffix.lower().lstrip(".")
    if kind in ("webp", "png"):
        write_whole(
            preview,
            animated(running, frames_per_second=fps, kind=kind),
            overwrite=overwrite,
            make_folder=True,
        )
        return
    for number, pixels in enumerate(running, start=1):
        write_whole(
            preview / f"preview.{number:04d}.png",
            png_bytes(smaller(pixels, 640)),
            overwrite=overwrite,
            make_folder=True,
        )


def _before_after(frame: int, dry: U8 | None, wet: U8) -> list[list[SheetTile]]:
    """Return what a frame adds to the rows of before, after and difference."""
    after = [SheetTile(wet, f"frame {frame}, after")]
    if dry is None:
        return [[], after, []]
    changed = SheetTile(difference(dry, wet, gain=1.0), f"frame {frame}, after minus before, around mid-grey")
    return [[SheetTile(dry, f"frame {frame}, before")], after, [changed]]


def _developed(
    still: Still, look: Preset, layers: tuple[str, ...], viewing: Viewing
) -> tuple[U8, U8 | None, list[SheetTile]]:
    """Return a frame after and before, and its layers."""
    planes = still.planes(look, ("rgb", *layers))
    tiles = []
    for name in layers:
        pixels, scale = layer_pixels(planes[name])
        tiles.append(SheetTile(pixels, f"frame {still.inputs.task.frame}, {name}\n{scale}"))
    return viewing.pixels(planes["rgb"], still.space), viewing.pixels(still.clean, still.space), tiles


def _step_tiles(still: Still, look: Preset, viewing: Viewing) -> list[SheetTile]:
    """Return the picture after each step."""
    return [
        SheetTile(
            viewing.pixels(still.planes(look, step=step.name)["rgb"], still.space), f"after {step.name}"
        )
        for step in look.at(still.inputs.task.frame).graph.steps
    ]
