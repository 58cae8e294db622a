"""`halocline follow`: where a matte's thing is on each frame, and where it touches the floor."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from halocline.batch.follow import Following
from halocline.batch.follow import follow as follow_matte
from halocline.cli.examples import examples
from halocline.cli.options import (
    DepthOption,
    FramesOption,
    OverwriteOption,
    PassOption,
    SetOption,
    passes_given,
)
from halocline.cli.output import say_warning
from halocline.files.whole import write_whole
from halocline.imaging.matte_track import MatteTrack
from halocline.imaging.sequence import frame_text
from halocline.presets.preset import load_preset, preset_from_text
from halocline.presets.sections import FORMAT
from halocline.units import metres

EXAMPLES = examples(
    "halocline follow 'clean.####.exr' --matte diver --out diver.json",
    "halocline follow 'clean.####.exr' --matte anchor --pass 'anchor=mattes/anchor.####.exr' --preset "
    "look.toml --floor '-3 m' --out anchor.json",
)


def follow(
    source: Annotated[str, typer.Argument(metavar="BEAUTY", help="EXR file or frame pattern.")],
    matte: Annotated[str, typer.Option("--matte", metavar="NAME", help="The matte of what is followed.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Track file to write, JSON.")],
    depth: DepthOption = None,
    passes: PassOption = None,
    preset: Annotated[
        str | None,
        typer.Option("--preset", help="How the render is read, and which way is up; file or shipped name."),
    ] = None,
    settings: SetOption = None,
    frames: FramesOption = None,
    skip_missing: Annotated[
        bool, typer.Option("--skip-missing", help="Go on over frames that are not there, straight.")
    ] = False,
    floor: Annotated[
        str | None,
        typer.Option(
            "--floor", metavar="HEIGHT", help="Height of the floor in the world; as seen if not given."
        ),
    ] = None,
    touch: Annotated[
        str, typer.Option("--touch", metavar="LENGTH", help="So near the floor it counts as touching.")
    ] = "5 cm",
    overwrite: OverwriteOption = False,
) -> None:
    """Follow a matte through a sequence, and keep where it was and where it touched the floor in a file.

    Steps of a preset take that file by name, as track_file: sediment that it kicks up, living light that it
    sets off, particles that it carries along.
    """
    overrides = settings or ()
    look = load_preset(preset, overrides) if preset else preset_from_text(f"format = {FORMAT}", overrides)
    track = follow_matte(
        look,
        Following(
            source,
            matte,
            depth,
            passes_given(passes),
            frames,
            skip_missing,
            None if floor is None else metres(floor),
            metres(touch),
        ),
    )
    write_whole(out, track.text().encode(), overwrite=overwrite, make_folder=True)
    typer.echo("\n".join([*_told(track), f"written: {out}"]))
    _warn(track)


def _told(track: MatteTrack) -> list[str]:
    """Return what was found, in lines."""
    seen = {frame: thing for frame, thing in track.things.items() if thing is not None}
    lines = [
        f'"{track.matte}" is seen on {len(seen)} of {len(track.things)} frames, about {track.radius_m:.2g} m '
        "in radius"
    ]
    heights = {frame: thing.height_m for frame, thing in seen.items() if not math.isnan(thing.height_m)}
    if heights:
        lowest = min(heights, key=lambda frame: heights[frame])
        lines.append(
            f"the lowest that is seen of it is {heights[lowest]:.2g} m above the floor, on frame {lowest}"
        )
    for run in track.touches():
        first, last = run[0], run[-1]
        way = sum(contact.speed_m_s for _, contact in run[1:]) / max(len(run) - 1, 1)
        place = ", ".join(f"{part:.3g}" for part in first[1].place_m)
        when = f"frames {first[0]} to {last[0]}" if len(run) > 1 else f"frame {first[0]}"
        lines.append(f"contact {first[1].number}: {when}, from ({place}), {way:.2g} m/s on average")
    if not any(True for _ in track.touches()):
        lines.append("it touches the floor on no frame")
    return lines


def _warn(track: MatteTrack) -> None:
    """Tell what a person should know before taking the track."""
    cut = [frame for frame, thing in track.things.items() if thing is not None and thing.cut]
    if cut:
        say_warning(
            f"the picture's edge cuts it on frames {frame_text(cut)}: its middle and radius are of a part"
        )
    blind = [
        frame for frame, thing in track.things.items() if thing is not None and math.isnan(thing.height_m)
    ]
    if blind:
        say_warning(
            f"no floor is seen around it on frames {frame_text(blind)}: its contacts need --floor HEIGHT"
        )
