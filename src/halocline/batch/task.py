"""What is to be rendered: one frame's files, and how they are to be read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field, replace
from pathlib import Path

import numpy as np

from halocline.imaging.camera import turned_axes
from halocline.imaging.camera_file import CameraFile
from halocline.imaging.camera_metadata import CameraStatement, Eye, frozen_rows
from halocline.imaging.depth import DepthSpec
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.motion import MOTION_PASS
from halocline.late_dataclass import dataclass
from halocline.presets.build import level_axes, motion_vectors
from halocline.presets.preset import Look, Preset
from halocline.units import metres_per_scene_unit


@dataclass(frozen=True)
class InputFiles:
    """Files of one frame, and its number; depth is `None` where the beauty's file has it, passes by name."""

    beauty: Path
    depth: Path | None
    frame: int
    passes: tuple[tuple[str, Path], ...] = ()

    @property
    def by_role(self) -> dict[str, Path]:
        """The files by what they hold: ``beauty``, ``depth``, ``pass NAME``."""
        depth = {} if self.depth is None else {"depth": self.depth}
        return {"beauty": self.beauty, **depth, **{f"pass {name}": path for name, path in self.passes}}

    def from_the_root(self) -> InputFiles:
        """Return the same files, named from the root."""
        return replace(
            self,
            beauty=self.beauty.absolute(),
            depth=None if self.depth is None else self.depth.absolute(),
            passes=tuple((name, path.absolute()) for name, path in self.passes),
        )


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
    passes
        Files of passes that have one of their own, by name.
    patterns
        Names of the whole sequence's files, by what they hold: other frames of it are found by them.
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
    passes: tuple[tuple[str, Path], ...] = ()
    patterns: tuple[tuple[str, str], ...] = ()
    replace: bool = False

    @property
    def by_role(self) -> dict[str, Path]:
        """The files whose pixels are read, by what they hold: ``beauty``, ``depth``, ``pass NAME``."""
        return InputFiles(self.beauty, self.depth, self.frame, self.passes).by_role

    @property
    def files(self) -> list[Path]:
        """The files whose pixels are read."""
        return list(self.by_role.values())

    def from_the_root(self) -> FrameTask:
        """Return the same with every file named from the root: others' processes began in other folders."""
        own = InputFiles(self.beauty, self.depth, self.frame, self.passes).from_the_root()
        return replace(
            self,
            beauty=own.beauty,
            depth=own.depth,
            passes=own.passes,
            out=self.out.absolute(),
            neighbours={frame: path.absolute() for frame, path in self.neighbours.items()},
            references=tuple(files.from_the_root() for files in self.references),
            patterns=tuple((what, str(Path(pattern).absolute())) for what, pattern in self.patterns),
        )

    def reads(self, files: InputFiles) -> bool:
        """Tell whether these are the frame's own files, and none stand in for them."""
        own = InputFiles(self.beauty, self.depth, self.frame, self.passes)
        return own == files and self.held_from is None


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

    Raises
    ------
    CameraError
        As `input_spec`.
    """
    # A picture that stands in for another has the camera it was taken by.
    spec = input_spec(preset, task.frame if task.held_from is None else task.held_from)
    return spec if task.depth_spec is None else replace(spec, depth=task.depth_spec)


def input_spec(preset: Preset, frame: float) -> InputSpec:
    """Return how to read the render, from a preset's ``[input]``, ``[camera]`` and ``[colour]``.

    Parameters
    ----------
    preset
        The look.
    frame
        Frame number, whole or between: the camera may move.

    Returns
    -------
    InputSpec
        What is stated about the input.

    Raises
    ------
    CameraError
        ``E-CAMERA-TRACK`` where the file of cameras that the preset names does not reach there.
    """
    look = preset.at(frame)
    section = look.input
    unit = metres_per_scene_unit(section.scene_unit)
    motion = motion_vectors(look)
    passes = section.passes if motion is None else {**section.passes, MOTION_PASS: motion.layer}
    camera, cameras = _eyes(look, *_cameras(look, frame, unit))
    return InputSpec(
        beauty=section.layer or "",
        depth_channel=section.depth_channel,
        far_depth=section.far_depth_channel,
        near_coverage=section.near_coverage_channel,
        normal=section.normal_layer,
        position=section.position_layer,
        lights=section.lights,
        mattes=section.passes,
        passes=passes,
        motion=motion,
        depth=DepthSpec(
            kind=section.depth_kind,
            unit_m=unit,
            # The section's clipping range is in metres, the pass's in scene units.
            near=None if section.near is None else section.near / unit,
            far=None if section.far is None else section.far / unit,
            edges=section.depth_edges,
            pass_unit_m=None if section.depth_unit is None else metres_per_scene_unit(section.depth_unit),
        ),
        camera=camera,
        cameras=cameras,
        colour_space=look.colour.working_space,
        input_space=look.colour.input_space,
        premultiplied=section.premultiplied,
        repair=section.bad_pixels,
        keep_glows=section.keep_glows,
        # An element is one surface in each pixel: the other is in the frame that it is laid over.
        separate_edges=section.separate_edges and not look.output.element,
        fit_surfaces=any(
            "fitted_normal" in step.operator.planes().optional
            for graph in look.graphs
            for step in graph.steps
        ),
    )


def camera_moments(task: FrameTask, preset: Preset) -> dict[float, Path]:
    """Return the moments by which a frame's motion is known beside its own, with the file that tells of each.

    Parameters
    ----------
    task
        The frame.
    preset
        The look.

    Returns
    -------
    dict[float, Path]
        Files by frame number, whole or between; nothing for a picture that stands in for another.
    """
    look = preset.at(task.frame)
    moments = {float(frame): path for frame, path in task.neighbours.items()}
    file = camera_file(look)
    if file is None or task.held_from is not None:
        return moments
    return {**dict.fromkeys(file.around(task.frame), task.beauty), **moments}


def camera_file(look: Look) -> CameraFile | None:
    """Return the cameras by frame that a look names; None where it names none."""
    named = look.camera.track
    if named is None:
        return None
    return named.cameras(
        frozen_rows(level_axes(look.place)),
        metres_per_scene_unit(look.input.scene_unit),
        look.sequence.frames_per_second,
        look.place.up,
    )


def _cameras(look: Look, frame: float, unit_m: float) -> tuple[CameraStatement, dict[str, CameraStatement]]:
    """Return the camera for any view, and those of views that the preset tells apart."""
    keys = _keys_of(look, unit_m)
    file = camera_file(look)
    if file is None:
        return keys, {}
    by_view = {view: _filled(file.at(frame, view), keys, look.camera.film_width_mm) for view in file.moments}
    # A view that the file does not know is refused when its camera is looked for.
    return next(iter(by_view.values())), by_view


def _eyes(
    look: Look, camera: CameraStatement, cameras: dict[str, CameraStatement]
) -> tuple[CameraStatement, dict[str, CameraStatement]]:
    """Return the cameras of both eyes, where the preset states how far apart they are."""
    views = look.views
    if views.interaxial is None:
        return camera, cameras
    eyes = {side: Eye(shift, views.convergence, views.replace) for side, shift in views.shifts().items()}
    named = {views.left: eyes["left"], views.right: eyes["right"]}
    both = {name: replace(cameras.get(name, camera), eye=eye) for name, eye in named.items()}
    alone = camera if views.eye is None else replace(camera, eye=eyes[views.eye])
    return alone, {**cameras, **both}


def _keys_of(look: Look, unit_m: float) -> CameraStatement:
    camera = look.camera
    level = level_axes(look.place)
    matrix = np.eye(4)
    matrix[:3, :3] = turned_axes(
        level, pan_deg=camera.pan or 0.0, tilt_deg=camera.tilt or 0.0, roll_deg=camera.roll or 0.0
    )
    matrix[:3, 3] = np.array(camera.position or (0.0, 0.0, 0.0)) / unit_m
    return CameraStatement(
        focal_length_mm=camera.focal_length_mm,
        film_width_mm=camera.film_width_mm if camera.focal_length_mm is not None else None,
        film_height_mm=camera.film_height_mm,
        film_offset_mm=camera.film_offset_mm,
        squeeze=camera.squeeze,
        overscan=camera.overscan,
        hfov_deg=camera.horizontal_view,
        camera_to_world=frozen_rows(matrix) if camera.placed else None,
        level=frozen_rows(level),
        keyed=camera.placed,
        latlong=camera.projection == "latlong",
        latlong_pixels=camera.latlong_pixels,
        override=camera.replace,
    )


def _filled(stated: CameraStatement, keys: CameraStatement, film_width_mm: float) -> CameraStatement:
    """Return what a file of cameras states, with the preset's keys where it says nothing."""
    # What only the keys say is False in a file's statement.
    own = {name: value for name, value in vars(stated).items() if value is not None and value is not False}
    if stated.camera_to_world is not None:
        own["keyed"] = False
    if stated.override:
        # The one lens puts away the other.
        other = "hfov_deg" if stated.hfov_deg is None else "focal_length_mm"
        own = {"film_width_mm": film_width_mm, **own, other: None}
    else:
        own["override"] = keys.override
    return replace(keys, **own)
