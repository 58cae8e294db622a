"""`halocline versions`: two versions of a shot on one page, and what differs between them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from halocline._typing import F32
from halocline.batch.first_look import look_first
from halocline.batch.still import Still, seen
from halocline.batch.task import FrameTask
from halocline.cli.examples import examples
from halocline.cli.options import (
    DisplayOption,
    FramesOption,
    OverwriteOption,
    PassOption,
    ViewOption,
    WidthOption,
    passes_given,
)
from halocline.cli.output import say
from halocline.cli.shot import say_first
from halocline.cli.still import Viewing, frames_to_show
from halocline.errors import HaloclineError, SequenceError
from halocline.files.whole import write_whole
from halocline.imaging.load import load_beauty
from halocline.imaging.sequence import find_sequence
from halocline.late_dataclass import dataclass
from halocline.presets.difference import differences
from halocline.presets.preset import Preset, load_preset, preset_from_text
from halocline.review.versions_page import VersionPair, versions_page
from halocline.rgb import RGBSpace

EXAMPLES = examples(
    "halocline versions 'v001/shot.####.exr' 'v002/shot.####.exr' --out versions.html",
    "halocline versions look-v001.toml look-v002.toml --on 'clean.####.exr' --frames 1001,1024",
)


@dataclass
class Version:
    """Frames that are finished, or a preset that clean ones are put under.

    Attributes
    ----------
    name
        As it was asked for.
    files
        Finished frames by number.
    look, tasks
        A preset, and the clean frames by number that it is put on; None and nothing of finished ones.
    found
        The preset that finished frames say they were made with; None before one is read, or where they
        say none that can be read.
    """

    name: str
    files: Mapping[int, Path]
    look: Preset | None
    tasks: Mapping[int, FrameTask]
    found: Preset | None = None

    def frame(self, number: int) -> tuple[F32, RGBSpace]:
        """Return a frame's colour, what the camera sees of it."""
        if self.look is not None:
            first = look_first([self.tasks[number]], self.look)
            say_first(first, writing=False)
            still = Still.read(first.tasks[0], self.look)
            self.found = self.look
            return still.planes(self.look)["rgb"], still.space
        view = load_beauty(self.files[number]).views[0]
        frame = view.frame
        self.found = self.found or _preset_within(frame.metadata.get("halocline:preset"))
        return seen(frame.plane("rgb"), frame.data_window, frame.display_window), view.space


def versions(
    first: Annotated[str, typer.Argument(metavar="FIRST", help="Finished frames, or a preset with --on.")],
    second: Annotated[str, typer.Argument(metavar="SECOND", help="The other version, likewise.")],
    clean: Annotated[
        str | None, typer.Option("--on", metavar="FRAMES", help="Clean frames to put presets on.")
    ] = None,
    depth: Annotated[str | None, typer.Option("--depth", help="With --on: depth pass, where apart.")] = None,
    passes: PassOption = None,
    frames: FramesOption = None,
    display: DisplayOption = None,
    view: ViewOption = None,
    width: WidthOption = 480,
    out: Annotated[Path, typer.Option("--out", help="Page to write.")] = Path("versions.html"),
    overwrite: OverwriteOption = False,
) -> None:
    """Write a page of two versions: a wipe, side by side, their difference, and which keys differ.

    First, middle and last frame that both have, or those of --frames.
    """
    own = {} if clean is None else frames_to_show(clean, depth, passes_given(passes), frames)
    pair = [_version(name, own, frames) for name in (first, second)]
    shared = sorted({*pair[0].files, *pair[0].tasks} & {*pair[1].files, *pair[1].tasks})
    if not shared:
        raise SequenceError(
            f"{first} and {second} have no frame in common",
            code="E-SEQUENCE-VERSIONS",
            fix="Give two versions of the same frames, or name some that both have: --frames 1001-1024.",
        )
    if frames is None:
        shared = [shared[at] for at in sorted({0, len(shared) // 2, len(shared) - 1})]
    viewing = Viewing(display, view)
    shown = [_pair(number, pair[0], pair[1], viewing) for number in shared]
    changes = _changes(pair[0], pair[1], shared[0])
    page = versions_page(shown, names=_short(first, second), changes=changes, tile_width=width)
    write_whole(out, page.encode(), overwrite=overwrite, make_folder=True)
    for each in shown:
        say(f"frame {each.frame}: {each.told()}")
    for change in changes:
        say(change)
    say(str(out))


def _version(name: str, clean: Mapping[int, FrameTask], frames: str | None) -> Version:
    """Return a version by its name: frames by their ending, else a preset."""
    if name.lower().endswith(".exr"):
        found = find_sequence(name, frames)
        return Version(name, {number: found.path(number) for number in found.frames}, None, {})
    if not clean:
        raise SequenceError(
            f"{name} is a preset, and there are no frames to put under it",
            code="E-SEQUENCE-VERSIONS",
            fix="Give clean frames as well: --on 'clean.####.exr'.",
        )
    return Version(name, {}, load_preset(name), clean)


def _preset_within(text: object) -> Preset | None:
    """Return the preset that a finished frame holds; None where it holds none that can be read."""
    if not isinstance(text, str):
        return None
    try:
        return preset_from_text(text)
    except HaloclineError:
        return None


def _pair(number: int, first: Version, second: Version, viewing: Viewing) -> VersionPair:
    (one, space), (two, other) = first.frame(number), second.frame(number)
    if one.shape != two.shape:
        sizes = " and ".join(f"{rgb.shape[2]} x {rgb.shape[1]}" for rgb in (one, two))
        raise SequenceError(
            f"the versions are of different sizes: {sizes}",
            code="E-SEQUENCE-VERSIONS",
            where=f"frame {number}",
            fix="Compare frames of one size: render both versions from the same clean frames.",
        )
    same = space == other and np.array_equal(one, two, equal_nan=True)
    return VersionPair(number, viewing.pixels(one, space), viewing.pixels(two, other), same)


def _changes(first: Version, second: Version, frame: int) -> list[str]:
    """Return what differs between the presets, or why that is not known."""
    if first.found is None or second.found is None:
        silent = " and ".join(version.name for version in (first, second) if version.found is None)
        return [f"{silent}: no preset that can be read stands in the frames; keys are not compared."]
    lines = differences(first.found, second.found, frame=frame)
    return lines or [f"The presets come to the same on frame {frame}."]


def _short(first: str, second: str) -> tuple[str, str]:
    """Return names that tell the two apart: the last parts of their paths, from where they differ."""
    one, two = Path(first).parts, Path(second).parts
    shared = 0
    while shared < min(len(one), len(two)) - 1 and one[shared] == two[shared]:
        shared += 1
    return "/".join(one[shared:]), "/".join(two[shared:])
