"""What is to be rendered: one frame's files, and how they are to be read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from halocline.imaging.camera_metadata import CameraStatement
from halocline.imaging.depth import DepthSpec
from halocline.imaging.input_spec import InputSpec
from halocline.presets.preset import Look, Preset
from halocline.units import metres_per_scene_unit


@dataclass(frozen=True)
class InputFiles:
    """Files of one frame; depth is `None` where it is in the beauty's file."""

    beauty: Path
    depth: Path | None


@dataclass(frozen=True)
class FrameTask:
    """What to render.

    Attributes
    ----------
    frame
        Frame number.
    beauty, depth, out
        Files; depth is `None` where it is in the beauty's file.
    neighbours
        Files of the frames just before and after, by frame number, where there are any: their cameras tell
        how the lens moves.
    references
        The first frames of the whole sequence on disk; what the depth pass holds is judged by them.
    depth_spec
        What the depth pass holds, once that is settled; judged by this frame alone where not given.
    held_from
        Where this frame's own render is missing: the frame whose files stand in for it.
    replace
        Whether a file under ``out`` may be replaced.
    """

    frame: int
    beauty: Path
    depth: Path | None
    out: Path
    neighbours: Mapping[int, Path] = field(default_factory=dict)
    references: tuple[InputFiles, ...] = ()
    depth_spec: DepthSpec | None = None
    held_from: int | None = None
    replace: bool = False

    @property
    def files(self) -> list[Path]:
        """The files whose pixels are read."""
        return [self.beauty] if self.depth is None else [self.beauty, self.depth]


def input_spec_of(task: FrameTask, preset: Preset) -> InputSpec:
    """Return how a task's files are read: as the preset says, with the depth pass as settled.

    Parameters
    ----------
    task
        The frame.
    preset
        The look.

    Returns
    -------
    InputSpec
        What is stated about the input.
    """
    spec = input_spec(preset.at(task.frame))
    return spec if task.depth_spec is None else replace(spec, depth=task.depth_spec)


def input_spec(look: Look) -> InputSpec:
    """Return how to read the render, from a preset's ``[input]``, ``[camera]`` and ``[colour]``.

    Parameters
    ----------
    look
        The settings of a frame.

    Returns
    -------
    InputSpec
        What is stated about the input.
    """
    section, camera = look.input, look.camera
    unit = metres_per_scene_unit(section.scene_unit)
    return InputSpec(
        beauty=section.layer or "",
        depth_channel=section.depth_channel,
        normal=section.normal_layer,
        position=section.position_layer,
        lights=section.lights,
        mattes=section.passes,
        passes=section.passes,
        depth=DepthSpec(
            kind=section.depth_kind,
            unit_m=unit,
            # The section's clipping range is in metres, the pass's in scene units.
            near=None if section.near is None else section.near / unit,
            far=None if section.far is None else section.far / unit,
            edges=section.depth_edges,
            pass_unit_m=None if section.depth_unit is None else metres_per_scene_unit(section.depth_unit),
        ),
        camera=CameraStatement(
            focal_length_mm=camera.focal_length_mm,
            film_width_mm=camera.film_width_mm if camera.focal_length_mm is not None else None,
            hfov_deg=camera.horizontal_view,
            override=camera.replace,
        ),
        colour_space=look.colour.working_space,
        premultiplied=section.premultiplied,
        repair=section.bad_pixels,
        keep_glows=section.keep_glows,
        separate_edges=section.separate_edges,
        fit_surfaces=any("fitted_normal" in step.operator.planes().optional for step in look.graph.steps),
    )
