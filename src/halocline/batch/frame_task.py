"""One frame's work: read the render, put it under water, write the result. Three stages that can overlap."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from halocline._version import __version__
from halocline.errors import HaloclineError
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import Graph
from halocline.imaging.camera import Camera
from halocline.imaging.camera_metadata import CameraStatement
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.depth import DepthSpec
from halocline.imaging.load import InputSpec, Loaded, View, load
from halocline.imaging.save import Picture, save
from halocline.imaging.survey import cameras_in, planes_in
from halocline.presets.build import make_shot
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
    """

    frame: int
    beauty: Path
    depth: Path | None
    out: Path
    neighbours: Mapping[int, Path] = field(default_factory=dict)
    references: tuple[InputFiles, ...] = ()
    depth_spec: DepthSpec | None = None


@dataclass(frozen=True)
class FrameInputs:
    """What was read for a task."""

    task: FrameTask
    loaded: Loaded
    tracks: Mapping[str, CameraTrack]
    seconds: float


@dataclass(frozen=True)
class FrameResult:
    """A rendered frame, not yet written."""

    inputs: FrameInputs
    pictures: Mapping[str, Picture]
    seconds: float


@dataclass(frozen=True)
class FrameRecord:
    """What is to be told of a finished frame.

    Attributes
    ----------
    frame, out
        Which frame, and where it is.
    seconds
        Time spent reading, rendering and writing.
    bytes
        Size of the file.
    clamped_values
        Values too large for half floats, cut to the largest.
    counts
        Bad pixels found in the input, by kind.
    warnings
        What a person should know.
    """

    frame: int
    out: Path
    seconds: Mapping[str, float]
    bytes: int
    clamped_values: int
    counts: Mapping[str, int]
    warnings: tuple[str, ...]


def read_inputs(task: FrameTask, preset: Preset) -> FrameInputs:
    """Read a task's files.

    Raises
    ------
    HaloclineError
        Of the imaging room; it names file and frame.
    """
    started = time.perf_counter()
    look = preset.at(task.frame)
    spec = input_spec(look)
    if task.depth_spec is not None:
        spec = replace(spec, depth=task.depth_spec)
    files = [task.beauty] if task.depth is None else [task.beauty, task.depth]
    needed, useful = planes_read(look.graph)
    wanted = sorted(needed | planes_in(files, spec, useful))
    loaded = load(task.beauty, spec, depth_path=task.depth, wanted=wanted)
    tracks = {view.name: _track(task, view, spec) for view in loaded.views}
    return FrameInputs(task, loaded, tracks, time.perf_counter() - started)


def render(inputs: FrameInputs, preset: Preset, how: Evaluation) -> FrameResult:
    """Put each view of a frame under water.

    Raises
    ------
    HaloclineError
        Of the graph or an operator; it names the step.
    """
    started = time.perf_counter()
    pictures = {view.name: _rendered(view, inputs, preset, how) for view in inputs.loaded.views}
    return FrameResult(inputs, pictures, time.perf_counter() - started)


def write_result(result: FrameResult, preset: Preset, *, overwrite: bool) -> FrameRecord:
    """Write a frame, whole or not at all.

    Raises
    ------
    WriteError
        Where the file exists and may not be overwritten, or cannot be written.
    """
    started = time.perf_counter()
    task, loaded = result.inputs.task, result.inputs.loaded
    output = preset.at(task.frame).output
    written = save(
        task.out,
        loaded.template,
        result.pictures,
        attributes=record_attributes(preset, task.frame),
        carry="all" if "*" in output.carry else output.carry,
        overwrite=overwrite,
    )
    seconds = {
        "read": result.inputs.seconds,
        "render": result.seconds,
        "write": time.perf_counter() - started,
    }
    counts: dict[str, int] = {}
    for view in loaded.views:
        for kind, count in view.counts.items():
            counts[kind] = counts.get(kind, 0) + count
    return FrameRecord(
        task.frame, written.path, seconds, written.bytes, written.clamped_values, counts, loaded.warnings
    )


def record_attributes(preset: Preset, frame: int) -> dict[str, Any]:
    """Return the attributes that every output frame carries: enough to make it again."""
    return {
        "halocline:version": __version__,
        "halocline:frame": frame,
        "halocline:presetName": preset.name,
        "halocline:presetDigest": preset.digest,
        "halocline:preset": preset.resolved_text,
    }


def planes_read(graph: Graph) -> tuple[frozenset[str], frozenset[str]]:
    """Return the planes beyond colour and range that a graph must have, and those it would use."""
    uses = [step.operator.planes() for step in graph.steps]
    needed = _render_passes(name for use in uses for name in use.reads)
    return needed, _render_passes(name for use in uses for name in use.optional) - needed


def _render_passes(names: Iterable[str]) -> frozenset[str]:
    """Keep the names that only a render can supply; all others are made on the way."""
    plain = (name.rpartition("/")[2] for name in names)
    return frozenset(name for name in plain if name in ("normal", "position") or name.startswith("matte."))


def input_spec(look: Look) -> InputSpec:
    """Return how to read the render, from a preset's ``[input]``, ``[camera]`` and ``[colour]``."""
    section, camera = look.input, look.camera
    unit = metres_per_scene_unit(section.scene_unit)
    return InputSpec(
        beauty=section.layer or "",
        depth_channel=section.depth_channel,
        normal=section.normal_layer,
        position=section.position_layer,
        depth=DepthSpec(
            kind=section.depth_kind,
            unit_m=unit,
            # The section's clipping range is in metres, the pass's in scene units.
            near=None if section.near is None else section.near / unit,
            far=None if section.far is None else section.far / unit,
            edges=section.depth_edges,
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
    )


def _track(task: FrameTask, view: View, spec: InputSpec) -> CameraTrack:
    cameras: dict[int, Camera] = {task.frame: view.camera}
    for frame, path in task.neighbours.items():
        try:
            found = cameras_in(path, spec)
        except HaloclineError:
            # A neighbour may be missing or damaged; this frame must not fail for it.
            continue
        if view.name in found:
            cameras[frame] = found[view.name]
    return CameraTrack(cameras)


def _rendered(view: View, inputs: FrameInputs, preset: Preset, how: Evaluation) -> Picture:
    task = inputs.task
    look = preset.at(task.frame)
    shot = make_shot(
        preset,
        task.frame,
        inputs.tracks[view.name],
        space=view.space,
        display_window=view.frame.display_window,
        data_window=view.frame.data_window,
    )
    names: Iterable[str] = ("rgb", "alpha", *look.output.layers)
    made = evaluate(look.graph, view.frame, shot, wanted=names, how=how)
    layers = {name: made[name] for name in look.output.layers}
    return Picture(made["rgb"], made["alpha"], layers=layers)
