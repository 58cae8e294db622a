"""Single frames for the eye: read once, put under water again and again; nothing is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from halocline._typing import F32
from halocline.batch.deep import wet_flat
from halocline.batch.frame_task import FrameInputs, delivery_of, read_inputs
from halocline.batch.origins import origins_of_sequence
from halocline.batch.parts import named_planes, refuse_parts_of_deep
from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.sequence_depth import settle_depth
from halocline.batch.task import FrameTask
from halocline.batch.thinned import Blocks
from halocline.errors import GraphError
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph
from halocline.graph.operator import Operator
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass
from halocline.presets.build import make_shot, rig_of, scatters_forward
from halocline.presets.preset import Preset
from halocline.presets.sections import SECTIONS
from halocline.rgb import RGBSpace


@dataclass(frozen=True)
class Still:
    """One frame read for a preset, ready to be put under water again and again.

    Attributes
    ----------
    inputs
        What was read.
    view
        Name of the view; "" where the file has none.
    draft
        Whether a first look will do, see `halocline.graph.shot.Shot`.
    block
        Pixels of the file along each side of one of these.
    """

    inputs: FrameInputs
    view: str
    draft: bool = False
    block: int = 1

    @classmethod
    def read(cls, task: FrameTask, preset: Preset) -> Still:
        """Read a frame's first view, its depth judged as the whole sequence's is."""
        inputs = read_inputs(settle_depth([task], preset)[0], preset)
        return cls(inputs, inputs.loaded.views[0].name)

    def reduced(self, step: int) -> Still:
        """Return the same frame with every so many-th pixel, for a first look; the camera sees the same.

        Each stands for the block around it, counted from the upper left of the display window: drawn
        ``block`` times as large, the picture lies where the frame does. A last block of less than a half is
        left out.
        """
        found = self.inputs.loaded.views[0]
        blocks = Blocks.of(found.frame, step)
        frame = blocks.frame(found.frame)
        track = self.inputs.tracks[self.view]
        cameras = {number: blocks.camera(camera) for number, camera in track.cameras.items()}
        # Of a deep picture the flat one is looked at.
        loaded = replace(self.inputs.loaded, views=(replace(found, frame=frame, deep=None),))
        tracks = {self.view: CameraTrack(cameras)}
        return Still(replace(self.inputs, loaded=loaded, tracks=tracks), self.view, draft=True, block=step)

    @property
    def space(self) -> RGBSpace:
        """Colour space of the frame."""
        return self.inputs.loaded.views[0].space

    @property
    def clean(self) -> F32:
        """The render as it came, what the camera sees of it."""
        frame = self.inputs.loaded.views[0].frame
        return seen(frame.plane("rgb"), frame.data_window, frame.display_window)

    def placed(self, preset: Preset) -> Preset:
        """Return a look with its origins found, those that follow the lens where it is on the frame."""
        return origins_of_sequence(preset, self.inputs.task).with_lens(self.lens(preset))

    def lens(self, preset: Preset) -> Camera:
        """Return the frame's camera; the middle of both eyes of a stereo picture, which a story is for."""
        frame, tracks = self.inputs.task.frame, self.inputs.tracks
        return rig_of(tracks, preset.at(frame), frame) or tracks[self.view].at(frame)

    def shot(self, preset: Preset) -> Shot:
        """Return the frame's surroundings under a preset."""
        found, frame = self.inputs.loaded.views[0], self.inputs.task.frame
        made = make_shot(
            self.placed(preset),
            frame,
            self.inputs.tracks[self.view],
            space=found.space,
            display_window=found.frame.display_window,
            data_window=found.frame.data_window,
            surfaces=found.frame,
            rig=rig_of(self.inputs.tracks, preset.at(frame), frame),
        )
        if not self.draft:
            return made
        return replace(made, draft=True, lamps=tuple(lamp.for_a_draft() for lamp in made.lamps))

    def surroundings(self, preset: Preset) -> tuple[object, ...] | None:
        """Return what the frame's surroundings follow from under a preset: where it is the same, so are they.

        Returns
        -------
        tuple[object, ...] | None
            Its sections, what its water is fitted to, and of its steps what light and water know of. None
            where places of the picture take part, which are found anew.
        """
        placed = self.placed(preset)
        look = placed.at(self.inputs.task.frame)
        if look.origins:
            return None
        sections = [getattr(look, name) for name in SECTIONS]
        standing = [
            (step.name, step.operator.parameters, step.limits)
            for step in look.graph.steps
            if type(step.operator).stands_in_light is not Operator.stands_in_light
        ]
        # What is drawn is hidden by bodies of the steps before it.
        order = [(step.name, dict(step.inputs)) for step in look.graph.steps] if standing else []
        # The water is fitted once for all frames, to what it is on the first.
        first = placed.at(0)
        water = (first.water, first.bands, placed.document.folder)
        return (*sections, *water, scatters_forward(look), standing, order)

    def planes(
        self,
        preset: Preset,
        names: tuple[str, ...] = ("rgb",),
        step: str | None = None,
        how: Evaluation | None = None,
        shot: Shot | None = None,
    ) -> dict[str, F32]:
        """Return planes of the frame under a preset, what the camera sees of them, in the working space.

        A finished picture has the gamut compression that its file would have.

        Parameters
        ----------
        preset
            The look.
        names
            Planes wanted.
        step
            Stop after this step of the whole picture's look; at the end, with its parts, where not given.
        how
            As `halocline.graph.engine.evaluate` takes it.
        shot
            The frame's surroundings under the preset, where they are there already; see `surroundings`.
        """
        how = how or Evaluation()
        found = self.inputs.loaded.views[0]
        preset = self.placed(preset)
        look = preset.at(self.inputs.task.frame)
        graph = look.graph
        shot = shot or self.shot(preset)
        if found.deep is not None and step is None and {"rgb", "alpha"}.issuperset(names):
            refuse_parts_of_deep(look)
            wet, _ = wet_flat(found, graph, shot, how)
            made = {name: wet[name] for name in names}
        elif step is None:
            made, _ = named_planes(look, shot, found.frame, how, names)
        else:
            made = evaluate(up_to(graph, step), found.frame, shot, wanted=names, how=how)
        if step is None and "rgb" in made:
            made["rgb"] = delivery_of(look, self.space).shown(made["rgb"])
        return {
            name: seen(plane, found.frame.data_window, found.frame.display_window)
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
                fix=f"Steps here: {', '.join(by_name)}.",
            )
        needed.add(name)
        pending.extend(by_name[name].inputs.values())
    return Graph([each for each in graph.steps if each.name in needed], step)


def tasks_of(
    beauty: str,
    *,
    depth: str | None = None,
    passes: Mapping[str, str] | None = None,
    frames: str | None = None,
) -> list[FrameTask]:
    """Return the tasks of frames that are looked at and not written.

    Parameters
    ----------
    beauty
        A file or pattern.
    depth
        The same for depth, where that is apart.
    passes
        The same for passes that have files of their own, by name.
    frames
        Range of frames.

    Returns
    -------
    list[FrameTask]
        One task a frame; its output is never made.
    """
    # The plan wants an output; nothing is made there.
    return plan_tasks(
        beauty, depth=depth, passes=passes, out=str(Path("preview")), frames=frames, overwrite=True
    )


def seen(plane: F32, data: Window, display: Window) -> F32:
    """Return what lies in the display window; outside the data there is nothing, black.

    Parameters
    ----------
    plane
        ``(..., rows, columns)`` over the data window.
    data, display
        The windows.

    Returns
    -------
    F32
        ``(..., rows, columns)`` over the display window; the plane itself where they are one.
    """
    if data == display:
        return plane
    out = np.zeros((*plane.shape[:-2], *display.shape), np.float32)
    top, left = max(data.y, display.y), max(data.x, display.x)
    bottom, right = min(data.y_end, display.y_end), min(data.x_end, display.x_end)
    if top < bottom and left < right:
        inner = Window(left, top, right - left, bottom - top)
        out[(..., *display.slices_of(inner))] = plane[(..., *data.slices_of(inner))]
    return out
