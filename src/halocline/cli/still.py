"""Single frames for the eye: read, put under water, turned into display pixels; nothing is written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32
from halocline.batch.frame_task import FrameInputs, read_inputs
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.task import FrameTask
from halocline.errors import GraphError, ReadError
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph
from halocline.graph.shot import Shot
from halocline.imaging.colour import display_pixels
from halocline.imaging.frame import Window
from halocline.imaging.load import load_beauty
from halocline.imaging.sequence import find_sequence
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset
from halocline.review.contact_sheet import U8
from halocline.rgb import RGBSpace


@dataclass(frozen=True)
class Viewing:
    """How pictures are shown: a display and a view of the colour configuration; its first ones by default."""

    display: str | None = None
    view: str | None = None

    def pixels(self, rgb: F32, space: RGBSpace) -> U8:
        """Return display pixels of scene-linear colour."""
        return display_pixels(rgb, space, view=self.view, display=self.display)


@dataclass(frozen=True)
class Still:
    """One frame read for a preset, ready to be put under water again and again."""

    inputs: FrameInputs
    view: str

    @classmethod
    def read(cls, task: FrameTask, preset: Preset) -> Still:
        """Read a frame's first view."""
        inputs = read_inputs(task, preset)
        return cls(inputs, inputs.loaded.views[0].name)

    @property
    def space(self) -> RGBSpace:
        """Colour space of the frame."""
        return self.inputs.loaded.views[0].space

    @property
    def clean(self) -> F32:
        """The render as it came, what the camera sees of it."""
        frame = self.inputs.loaded.views[0].frame
        return _seen(frame.plane("rgb"), frame.data_window, frame.display_window)

    def shot(self, preset: Preset) -> Shot:
        """Return the frame's surroundings under a preset."""
        found = self.inputs.loaded.views[0]
        return make_shot(
            preset,
            self.inputs.task.frame,
            self.inputs.tracks[self.view],
            space=found.space,
            display_window=found.frame.display_window,
            data_window=found.frame.data_window,
            surfaces=found.frame,
        )

    def planes(
        self, preset: Preset, names: tuple[str, ...] = ("rgb",), step: str | None = None
    ) -> dict[str, F32]:
        """Return planes of the frame under a preset, what the camera sees of them.

        Parameters
        ----------
        preset
            The look.
        names
            Planes wanted.
        step
            Stop after this step; at the end where not given.
        """
        found = self.inputs.loaded.views[0]
        graph = preset.at(self.inputs.task.frame).graph
        shot = self.shot(preset)
        made = evaluate(
            graph if step is None else up_to(graph, step), found.frame, shot, wanted=names, how=Evaluation()
        )
        return {
            name: _seen(plane, found.frame.data_window, found.frame.display_window)
            for name, plane in made.items()
        }


def up_to(graph: Graph, step: str) -> Graph:
    """Return the part of a graph that makes one step's picture."""
    by_name = {each.name: each for each in graph.steps}
    needed: set[str] = set()
    pending = [step]
    while pending:
        name = pending.pop()
        if name == SOURCE or name in needed:
            continue
        if name not in by_name:
            raise GraphError(
                f'there is no step "{name}"',
                code="E-GRAPH-INPUT",
                mend=f"Steps here: {', '.join(by_name)}.",
            )
        needed.add(name)
        pending.extend(by_name[name].inputs.values())
    return Graph([each for each in graph.steps if each.name in needed], step)


def tasks_of(beauty: str, *, depth: str | None = None, frames: str | None = None) -> list[FrameTask]:
    """Return the tasks of frames that are looked at and not written."""
    # The plan wants an output; nothing is made there.
    return plan_tasks(beauty, depth=depth, out=str(Path("preview")), frames=frames, overwrite=True)


def finished_pixels(path: Path, viewing: Viewing) -> U8:
    """Return a finished EXR frame as display pixels, what the camera sees of it."""
    found = load_beauty(path).views[0]
    frame = found.frame
    return viewing.pixels(_seen(frame.plane("rgb"), frame.data_window, frame.display_window), found.space)


def reference_pixels(path: Path) -> U8:
    """Return a reference still as it is: a display picture's own pixels.

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where it cannot be read.
    """
    if path.suffix.lower() == ".exr":
        return finished_pixels(path, Viewing())
    picture = oiio.ImageBuf(str(path))
    pixels = picture.get_pixels("uint8") if picture.initialized else None
    if pixels is None or picture.has_error:
        raise ReadError(
            "the reference cannot be opened as a picture",
            code="E-READ-OPEN",
            where=str(path),
            mend="Check the path and the kind of file.",
        )
    found = np.asarray(pixels, np.uint8)
    return np.repeat(found, 3, axis=2) if found.shape[2] < 3 else np.ascontiguousarray(found[..., :3])


def chosen_frames(beauty: str, frames: str | None, most: int | None = None) -> list[tuple[int, Path]]:
    """Return frame numbers and files of a sequence, thinned evenly to at most so many."""
    found = find_sequence(beauty, frames)
    listed = [(frame, found.path(frame)) for frame in found.frames]
    if most is None or len(listed) <= most:
        return listed
    return [listed[round(at)] for at in np.linspace(0, len(listed) - 1, most)]


def _seen(plane: F32, data: Window, display: Window) -> F32:
    """Return what lies in the display window; outside the data there is nothing, black."""
    if data == display:
        return plane
    out = np.zeros((*plane.shape[:-2], *display.shape), np.float32)
    top, left = max(data.y, display.y), max(data.x, display.x)
    bottom, right = min(data.y_end, display.y_end), min(data.x_end, display.x_end)
    if top < bottom and left < right:
        inner = Window(left, top, right - left, bottom - top)
        out[(..., *display.slices_of(inner))] = plane[(..., *data.slices_of(inner))]
    return out
