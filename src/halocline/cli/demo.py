"""`halocline demo`: the main job on the demo sequence, in several waters, with a sheet to look at."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halocline.batch.loops_of_looks import loops_of
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.run import run_frames
from halocline.cli.examples import examples
from halocline.cli.output import LogForm, Teller, say
from halocline.cli.shot import exit_status
from halocline.compute.ahead import compiling_ahead
from halocline.errors import SequenceError
from halocline.graph.engine import Evaluation
from halocline.imaging.colour import display_pixels, write_png
from halocline.imaging.load import load_beauty
from halocline.imaging.sequence import find_sequence
from halocline.presets.build import story_report
from halocline.presets.preset import Preset, load_preset
from halocline.review.contact_sheet import U8, SheetTile, contact_sheet
from halocline.rgb import LINEAR_REC709

EXAMPLES = examples("halocline demo", "halocline demo --out wet --threads 2")
LOOKS = ("jerlov-1b", "jerlov-1c", "ocean-archway", "fjord-archway", "estuary-archway")
FOLDER = "demo_frames"
FRAMES = "arch.####.exr"


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write to.")] = Path("demo_out"),
    frames: Annotated[
        Path | None, typer.Option("--frames-folder", help="Folder of the demo frames, if elsewhere.")
    ] = None,
    threads: Annotated[int | None, typer.Option("--threads", min=1, help="Threads.")] = None,
) -> None:
    """Put the demo sequence under water in several waters and write a contact sheet.

    Writes a folder of EXR frames for each look, and contact_sheet.png, which shows them beside the clean
    render. Frames of an earlier demo are replaced. In a clone of the repository the demo has 24 frames,
    elsewhere the first three of them at half size, which come with Halocline.
    """
    clean = str(_demo_folder(frames) / FRAMES)
    looks = [load_preset(name) for name in LOOKS]
    summaries = []
    for look in looks:
        tasks = plan_tasks(clean, out=str(out / look.name), overwrite=True)
        say(f"{look.name}: {look.title}")
        with compiling_ahead(loops_of(look)), Teller(LogForm.text, len(tasks)).running() as teller:
            summaries.append(
                run_frames(tasks, look, how=Evaluation(threads), overwrite=True, report=teller.tell)
            )
        if summaries[-1].interrupted is not None:
            break
    if status := exit_status(summaries):
        raise typer.Exit(status)
    sheet = out / "contact_sheet.png"
    write_png(sheet, _sheet(clean, looks, out), overwrite=True)
    typer.echo(str(sheet))


def _demo_folder(stated: Path | None) -> Path:
    # Installed from a clone, all frames are beside the source; three small ones are in the package.
    package = Path(__file__).parents[1]
    places = [Path(FOLDER), package.parents[1] / FOLDER, package / FOLDER] if stated is None else [stated]
    for place in places:
        if any(place.glob(FRAMES.replace("####", "*"))):
            return place
    raise SequenceError(
        f"there are no demo frames in {', '.join(map(str, places))}",
        code="E-SEQUENCE-DEMO",
        fix="Leave --frames-folder out for the frames that come with Halocline, or name their folder.",
    )


def _sheet(clean: str, looks: list[Preset], out: Path) -> U8:
    source = find_sequence(clean)
    shown = (source.frames[0], source.frames[len(source.frames) // 2], source.frames[-1])
    rows = [[_tile(source.path(frame), f"clean render, frame {frame}") for frame in shown]]
    for look in looks:
        files = find_sequence(str(out / look.name / FRAMES))
        rows.append([_tile(files.path(frame), _label(look, frame)) for frame in shown])
    return contact_sheet(rows, title="Before and after: the drowned archway", tile_width=640)


def _tile(path: Path, label: str) -> SheetTile:
    view = load_beauty(path).views[0]
    return SheetTile(display_pixels(view.frame.plane("rgb"), view.space), label)


def _label(look: Preset, frame: int) -> str:
    story = story_report(look, frame, LINEAR_REC709)
    lines = [
        f"{look.name}, frame {frame}",
        look.title,
        f"{look.water.name}: hides a small black object at {story.sighting_range_m:.2g} m",
    ]
    if story.subject_range_m is not None:
        lines.append(f"story: {story.wanted_contrast:.0%} contrast at {story.subject_range_m:.3g} m")
    return "\n".join(lines)
