"""One frame's work: read the render, put it under water, write the result. Three stages that can overlap."""

from __future__ import annotations

import os
import resource
import socket
import sys
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from halocline._typing import F32
from halocline._version import __version__
from halocline.batch.deep import DeepWork, finished_flat, of_samples
from halocline.batch.deep_floating import undrawn
from halocline.batch.deep_steps import deep_steps, deep_steps_alone, refuse_deep, refuse_flat_layers
from halocline.batch.element import as_covering, as_layer, for_element, refuse_of_scene
from halocline.batch.frame_files import load_files
from halocline.batch.layers import GAMUT, LayerPlan, plan_layers, wanted_of
from halocline.batch.origin import FileDigest, Origin, cameras_around, digest_file, origin_of
from halocline.batch.parts import refuse_parts_of_deep, with_parts
from halocline.batch.task import FrameTask, input_spec_of
from halocline.compute.threads import at_most
from halocline.files.unchanged import BeforeReading, read_still
from halocline.graph.engine import Evaluation, ReadyGraph, evaluate
from halocline.graph.graph import Graph
from halocline.graph.parts import reads_of
from halocline.graph.planes import is_pass
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.colour import space_attributes
from halocline.imaging.deep import Samples
from halocline.imaging.frame import Frame
from halocline.imaging.gamut import Delivery
from halocline.imaging.input_spec import FAR_DEPTH, NEAR_COVERAGE, SECOND_SURFACE
from halocline.imaging.load import Loaded, Template, View
from halocline.imaging.motion import MOTION_PASS
from halocline.imaging.picture_statistics import count_below_zero
from halocline.imaging.save import DeepByRows, DeepRowsWritten, FileForm, Picture, PictureByRows, save
from halocline.imaging.survey import planes_there
from halocline.late_dataclass import dataclass
from halocline.operators.shared.water_shade import shade_of_steps, unseen_casters
from halocline.presets.build import make_shot, outside_view, rig_of
from halocline.presets.misplaced import misplaced
from halocline.presets.preset import Look, Preset
from halocline.rgb import RGBSpace, space_named

# A channel that is lower than this share of the largest, below 0, is told of: less is rounding.
ROUNDING_SHARE = np.float32(0.005)
# Before the name of a layer among a picture's own planes.
_LAYER = "layer/"
_CLAMPED = (
    "some values are beyond what half floats hold (65504) and were cut to that; the record counts them, and "
    'output.data_type = "float" keeps them'
)


@dataclass(frozen=True)
class FrameInputs:
    """What was read for a task."""

    task: FrameTask
    origin: Origin
    loaded: Loaded
    tracks: Mapping[str, CameraTrack]
    began: float
    seconds: float
    before: BeforeReading


@dataclass(frozen=True)
class FrameResult:
    """A rendered frame, not yet written. Of the inputs it keeps no planes, only what file and record need.

    A picture that is made by rows is computed as it is written, and keeps the planes that it is made of.
    """

    task: FrameTask
    origin: Origin
    template: Template
    delivery: Delivery
    pictures: Mapping[str, Picture]
    by_rows: Mapping[str, PictureByRows | DeepByRows]
    counts: Mapping[str, int]
    warnings: tuple[str, ...]
    began: float
    seconds: Mapping[str, float]


@dataclass(frozen=True)
class FrameRecord:
    """What is to be told of a finished frame.

    Attributes
    ----------
    frame, out
        Which frame, and where it is.
    origin, output
        What it was made from; size and digest of the file.
    host, process
        Which machine, and which of its processes, made it.
    began
        When reading began, seconds of that machine's clock since 1970.
    seconds
        Time spent reading, rendering and writing.
    clamped_values
        Values too large for half floats, cut to the largest.
    below_zero
        Share of the pixels, 0 to 1, of which a channel is below 0 by more than rounding: colours that the
        space that is written cannot hold.
    counts
        Bad pixels found in the input, by kind.
    warnings
        What a person should know.
    peak_memory_bytes
        The most memory that the process had used by then.
    """

    frame: int
    out: Path
    origin: Origin
    output: FileDigest
    host: str
    process: int
    began: float
    seconds: Mapping[str, float]
    clamped_values: int
    below_zero: float
    counts: Mapping[str, int]
    warnings: tuple[str, ...]
    peak_memory_bytes: int


def read_inputs(
    task: FrameTask, preset: Preset, *, judged: bool = False, settling: bool = False
) -> FrameInputs:
    """Read a task's files.

    Parameters
    ----------
    task, preset
        The frame and the look.
    judged
        Whether the picture is looked at too, as `halocline.imaging.load.load` takes it.
    settling
        Whether its depth is to stand for other frames' (always where it is judged): world positions are read
        too, where the render has them, which settle the kind.

    Returns
    -------
    FrameInputs
        What was read.

    Raises
    ------
    HaloclineError
        Of the imaging room; it names file and frame. ``E-READ-CHANGED`` where a file changed meanwhile.
    """
    began, started = time.time(), time.perf_counter()
    spec = input_spec_of(task, preset)
    needed, useful = planes_of_look(preset.at(task.frame))
    if judged or settling:
        useful |= {"position"} - needed

    def read(before: BeforeReading) -> FrameInputs:
        # Both what is on record and the frame's motion come of one reading of each camera.
        around = cameras_around(task, preset)
        # Where a file changed since, its digest would vouch for bytes that were not rendered.
        origin = origin_of(task, preset, around)
        wanted = needed | planes_there(task.by_role, spec, useful)
        loaded = load_files(task, spec, wanted, judged=judged)
        tracks = {view.name: _track(task, view, around) for view in loaded.views}
        # Of bytes that were read before all else: where they are there at the end, they were all the time.
        digests = {path: origin.inputs[role].sha256 for role, path in task.by_role.items()}
        before.know(digests)
        loaded.template.before.know(digests)
        return FrameInputs(task, origin, loaded, tracks, began, time.perf_counter() - started, before)

    return read_still(task.files, read)


class ReadAhead:
    """A frame that was read before its turn; it is handed over once, and only to who would read the same.

    Parameters
    ----------
    inputs
        As `read_inputs` gives them.
    """

    def __init__(self, inputs: FrameInputs) -> None:
        self._inputs: FrameInputs | None = inputs

    def take(self, task: FrameTask, preset: Preset) -> FrameInputs | None:
        """Return the frame for its task, None where it is another, or its files have changed since."""
        inputs, self._inputs = self._inputs, None
        if inputs is None or task.held_from is not None or inputs.before.changed():
            return None
        if (task.frame, task.by_role) != (inputs.task.frame, inputs.task.by_role):
            return None
        needed, useful = planes_of_look(preset.at(task.frame))
        # World positions may have been read for judging alone.
        unused = {"position"} - needed - useful
        views = [
            replace(view, frame=replace(view.frame, planes=_without(view.frame.planes, unused)))
            for view in inputs.loaded.views
        ]
        origin = replace(inputs.origin, depth={} if task.depth_spec is None else asdict(task.depth_spec))
        return replace(inputs, task=task, origin=origin, loaded=replace(inputs.loaded, views=tuple(views)))


def _without(planes: Mapping[str, F32], names: Collection[str]) -> dict[str, F32]:
    return {name: plane for name, plane in planes.items() if name not in names}


def render(inputs: FrameInputs, preset: Preset, how: Evaluation) -> FrameResult:
    """Put each view of a frame under water.

    Raises
    ------
    HaloclineError
        Of the graph or an operator; it names the step.
    """
    started = time.perf_counter()
    loaded = inputs.loaded
    pictures, warnings = {}, dict.fromkeys(loaded.warnings)
    for view in loaded.views:
        pictures[view.name], told = _rendered(view, inputs, preset, how)
        warnings |= dict.fromkeys(told)
    return FrameResult(
        task=inputs.task,
        origin=inputs.origin,
        template=loaded.template,
        delivery=delivery_of(preset.at(inputs.task.frame), loaded.views[0].space),
        pictures={view: made for view, made in pictures.items() if isinstance(made, Picture)},
        by_rows={view: made for view, made in pictures.items() if not isinstance(made, Picture)},
        counts=_total([view.counts for view in loaded.views]),
        warnings=tuple(warnings),
        began=inputs.began,
        seconds={"read": inputs.seconds, "render": time.perf_counter() - started},
    )


def write_result(result: FrameResult, preset: Preset) -> FrameRecord:
    """Write a frame, whole or not at all.

    Raises
    ------
    WriteError
        Where the file exists and may not be replaced, or cannot be written.
    """
    started = time.perf_counter()
    task = result.task
    look = preset.at(task.frame)
    output = look.output
    written = save(
        task.out,
        result.template,
        {**result.pictures, **result.by_rows},
        attributes={**_space_attributes(look, result.delivery), **record_attributes(preset, task)},
        carry="all" if "*" in output.carry else output.carry,
        form=FileForm(output.compression, output.data_type),
        numbers=must_be_numbers(look, result.counts),
        overwrite=task.replace,
    )
    made = digest_file(written.path)
    return FrameRecord(
        frame=task.frame,
        out=written.path,
        origin=result.origin,
        output=made,
        host=socket.gethostname(),
        process=os.getpid(),
        began=result.began,
        seconds={**result.seconds, "write": time.perf_counter() - started},
        clamped_values=written.clamped_values,
        below_zero=_below_zero((*result.pictures.values(), *result.by_rows.values())),
        counts=result.counts,
        warnings=(*result.warnings, *([_CLAMPED] if written.clamped_values else [])),
        peak_memory_bytes=peak_memory_bytes(),
    )


def _count_below_zero(rgb: F32) -> int:
    red, green, blue = (np.ascontiguousarray(plane).reshape(-1) for plane in rgb)
    return count_below_zero(red, green, blue, ROUNDING_SHARE)


def _below_zero(pictures: Iterable[Picture | PictureByRows | DeepByRows]) -> float:
    """Return the same of pictures that were written; those made by rows have counted them."""
    below = pixels = 0
    for picture in pictures:
        if isinstance(picture, Picture):
            below, pixels = below + _count_below_zero(picture.rgb), pixels + picture.alpha.size
        else:
            assert isinstance(picture.rows, DeliveredRows | DeliveredDeep)
            below += picture.rows.below_zero
            pixels += picture.shape[0] * picture.shape[1]
    return below / max(1, pixels)


def record_attributes(preset: Preset, task: FrameTask) -> dict[str, Any]:
    """Return the attributes that every output frame carries: enough to make it again."""
    held = {} if task.held_from is None else {"halocline:heldFrom": task.held_from}
    return {
        "halocline:version": __version__,
        "halocline:frame": task.frame,
        "halocline:presetName": preset.name,
        "halocline:presetDigest": preset.digest,
        "halocline:preset": preset.resolved_text,
        **held,
    }


def delivery_of(look: Look, working: RGBSpace) -> Delivery:
    """Return how a look's colours go into files."""
    output = look.output
    written = working if output.colour_space is None else space_named(output.colour_space)
    return Delivery(working, written, output.gamut_compression or "none")


def _space_attributes(look: Look, delivery: Delivery) -> dict[str, Any]:
    """Return what a file says of its colours, where that is other than what its render says."""
    told = {"halocline:gamutCompression": delivery.choice} if delivery.compresses else {}
    colour = look.colour
    stated = any((colour.working_space, colour.input_space, look.output.colour_space))
    return {**told, **(space_attributes(delivery.written) if stated else {})}


def planes_read(graph: Graph) -> tuple[frozenset[str], frozenset[str]]:
    """Return the planes beyond colour and range that a graph must have, and those it would use.

    Parameters
    ----------
    graph
        What is done to a frame.

    Returns
    -------
    tuple[frozenset[str], frozenset[str]]
        Names of planes that must be there, and of those that are used where they are.
    """
    uses = [step.acting.planes() for step in graph.steps]
    needed = _render_passes(name for use in uses for name in use.reads)
    return needed, _render_passes(name for use in uses for name in use.optional) - needed


def planes_of_look(look: Look) -> tuple[frozenset[str], frozenset[str]]:
    """Return the planes beyond colour and range that a look must have, and those it would use, parts and all.

    Parameters
    ----------
    look
        The look on a frame.

    Returns
    -------
    tuple[frozenset[str], frozenset[str]]
        As `planes_read`.
    """
    read = [planes_read(graph) for graph in look.graphs]
    useful = frozenset[str]().union(*(may for _, may in read))
    needed = _render_passes(reads_of(look.places)).union(*(must for must, _ in read))
    if not look.output.element:
        # What a render tells of edges is the loader's. An element is one surface in each pixel.
        useful |= SECOND_SURFACE
    # What is stated and not there is a mistake; without a statement a step does without.
    needed |= useful & _stated_passes(look)
    return needed, useful - needed


def _stated_passes(look: Look) -> frozenset[str]:
    """Return the planes of which a look says where the render has them."""
    stated = look.input
    layers = {
        "normal": stated.normal_layer,
        "position": stated.position_layer,
        FAR_DEPTH: stated.far_depth_channel,
        NEAR_COVERAGE: stated.near_coverage_channel,
    }
    return frozenset(
        [
            *(name for name, layer in layers.items() if layer is not None),
            *(f"{family}.{name}" for family in ("matte", "pass") for name in stated.passes),
            *(f"light.{name}" for name in stated.lights),
            *([f"pass.{MOTION_PASS}"] if stated.motion is not None else []),
        ]
    )


def peak_memory_bytes() -> int:
    """Return the most memory that this process has used so far."""
    # Linux's ru_maxrss of a fresh program is that of the process that started it, if that was larger.
    with suppress(OSError, StopIteration):
        lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
        return int(next(line for line in lines if line.startswith("VmHWM:")).split()[1]) * 1024
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # Linux counts kibibytes, macOS bytes.
    return used if sys.platform == "darwin" else used * 1024


def _render_passes(names: Iterable[str]) -> frozenset[str]:
    """Keep the names that only a render can supply; all others are made on the way."""
    plain = (name.rpartition("/")[2] for name in names)
    return frozenset(name for name in plain if is_pass(name))


def must_be_numbers(look: Look, counts: Mapping[str, int]) -> bool:
    """Return whether each value of a frame must be a number, by what was counted as its render was read.

    What a render has none of, or no longer, a look makes by a fault alone.
    """
    return look.input.bad_pixels != "report" or not (counts.get("nan") or counts.get("infinite"))


def _total(counts: Iterable[Mapping[str, int]]) -> dict[str, int]:
    total: dict[str, int] = {}
    for view in counts:
        for kind, count in view.items():
            total[kind] = total.get(kind, 0) + count
    return total


def _track(task: FrameTask, view: View, around: Mapping[float, Mapping[str, Camera] | None]) -> CameraTrack:
    # A neighbour may be missing or damaged; this frame must not fail for it.
    known = {moment: found[view.name] for moment, found in around.items() if found and view.name in found}
    return CameraTrack({task.frame: view.camera, **known})


def _rendered(
    view: View, inputs: FrameInputs, preset: Preset, how: Evaluation
) -> tuple[Picture | PictureByRows | DeepByRows, tuple[str, ...]]:
    """Return a view's picture, and what its steps have to tell."""
    task = inputs.task
    rig = rig_of(inputs.tracks, preset.at(task.frame), task.frame)
    preset = preset.with_lens(rig or inputs.tracks[view.name].at(task.frame))
    look = preset.at(task.frame)
    element = look.output.element
    frame = as_covering(view.frame) if element else view.frame
    sun_depth = dict(task.passes).get("sun_depth")
    shot = make_shot(
        preset,
        task.frame,
        inputs.tracks[view.name],
        space=view.space,
        display_window=view.frame.display_window,
        data_window=view.frame.data_window,
        surfaces=frame,
        sun_depth=sun_depth,
        rig=rig,
    )
    if sun_depth is not None:
        # It was read just now.
        inputs.before.refuse_changed([sun_depth])
    shade = shade_of_steps(look.graph, shot)
    astray = misplaced(look.place, shot.camera, frame)
    unseen = (*astray, *unseen_casters(shade), *outside_view(look, shot))
    if view.deep is not None or look.output.deep:
        picture, told = _rendered_deep(view, shot, look, how)
        return picture, (*told, *unseen)
    work = _FlatWork(look, delivery_of(look, shot.space), how)
    if how.by_rows and not (element or look.parts):
        rows = work.by_rows(shot, frame)
        return PictureByRows(frame.data_window.shape, rows), (*work.told, *unseen)
    made = with_parts(look, shot, frame, how, work.made)
    with at_most(how.threads):
        picture = work.delivered(made)
        if element:
            picture = as_layer(picture, view.frame.plane("alpha"), work.guides)
    return picture, (*work.told, *unseen)


class DeliveredRows:
    """Rows of a picture as they are written, and how many of their pixels are below zero, by first row.

    Parameters
    ----------
    make
        Returns the picture over the rows from and to (not included).
    """

    def __init__(self, make: Callable[[int, int], Picture]) -> None:
        self._make = make
        self.below: dict[int, int] = {}

    @property
    def below_zero(self) -> int:
        """How many pixels of all that was written."""
        return sum(self.below.values())

    def __call__(self, start: int, stop: int) -> Picture:
        """Return the picture over some rows."""
        picture = self._make(start, stop)
        # The first row is also asked for alone, to see what there is; what is written then comes after it.
        self.below[start] = _count_below_zero(picture.rgb)
        return picture


class _FlatWork:
    """Planes of a flat picture and of its layers, look by look, and what is to be told of them.

    Parameters
    ----------
    look
        The look of the whole picture.
    delivery
        How its colours are written.
    how
        Threads and tiles.
    """

    def __init__(self, look: Look, delivery: Delivery, how: Evaluation) -> None:
        self.look, self.delivery, self.how = look, delivery, how
        self.told: dict[str, None] = {}
        self.plans: list[LayerPlan] = []

    @property
    def guides(self) -> frozenset[str]:
        """Names of layers that are no part of the light."""
        return frozenset(name for plan in self.plans for name in plan.guides)

    def made(self, look: Look, shot: Shot, frame: Frame) -> dict[str, F32]:
        """Return colour, alpha and layers, these as ``layer/NAME``, under one look."""
        plan = self._planned(look, shot)
        made = evaluate(plan.graph, frame, shot, wanted=("rgb", "alpha", *plan.planes), how=self.how)
        return self._with_layers(plan, made, shot)

    def by_rows(self, shot: Shot, frame: Frame) -> DeliveredRows:
        """Return rows of the picture and its layers as they are written, made when asked for."""
        plan = self._planned(self.look, shot)
        wanted = ("rgb", "alpha", *plan.planes)
        ready = ReadyGraph(plan.graph, shot, frame.planes, wanted=wanted, how=self.how).rows_of(frame)

        def rows(start: int, stop: int) -> Picture:
            made = self._with_layers(plan, ready.planes(start, stop), shot)
            with at_most(self.how.threads):
                return self.delivered(made)

        return DeliveredRows(rows)

    def _planned(self, look: Look, shot: Shot) -> LayerPlan:
        output = self.look.output
        graph, told = for_element(look.graph, shot) if output.element else (look.graph, ())
        wanted = wanted_of(graph, self.look.graphs, output.layers)
        plan = plan_layers(graph, wanted, compressed=self.delivery.compresses)
        self.told |= dict.fromkeys((*told, *graph.warnings(shot)))
        self.plans.append(plan)
        return plan

    def _with_layers(self, plan: LayerPlan, made: Mapping[str, F32], shot: Shot) -> dict[str, F32]:
        with at_most(self.how.threads):
            layers = {f"{_LAYER}{name}": plane for name, plane in plan.finished(made, shot).items()}
        return {"rgb": made["rgb"], "alpha": made["alpha"], **layers}

    def delivered(self, made: Mapping[str, F32]) -> Picture:
        """Return the picture and its layers in the space that is written."""
        layers = {name.removeprefix(_LAYER): made[name] for name in made if name.startswith(_LAYER)}
        return _delivered(made, layers, self.plans, self.delivery, self.look)


def _rendered_deep(
    view: View, shot: Shot, look: Look, how: Evaluation
) -> tuple[Picture | DeepByRows, tuple[str, ...]]:
    """Return the picture of a deep view, flat or deep, and what its steps have to tell."""
    output = look.output
    refuse_parts_of_deep(look)
    refuse_deep(deep=view.deep is not None, asked=output.deep)
    alone = output.deep or output.element
    if output.element:
        refuse_of_scene(look.graph, shot)
    done_to = deep_steps_alone if alone else deep_steps
    steps = done_to(look.graph, shot if view.deep is None else of_samples(shot, view))
    bare = undrawn(steps.each, shot) if output.floating_samples else None
    if bare is not None and output.element:
        # What floats is in the frame's samples.
        steps, bare = replace(steps, each=bare.graph), None
    delivery = delivery_of(look, shot.space)
    if output.layers:
        refuse_flat_layers(steps)
    plan = plan_layers(steps.each, output.layers, compressed=delivery.compresses)
    work = DeepWork(view, plan, shot, how, open_water=not output.element, keep=output.deep, undrawn=bare)
    told = (*steps.told, *look.graph.warnings(shot))
    if output.deep:
        rows = DeliveredDeep(work, delivery, look)
        if not how.by_rows and bare is None:
            rows.make()
        return DeepByRows(view.frame.data_window.shape, rows), told
    wet = work.done()
    with at_most(how.threads):
        made = finished_flat(wet, steps, view, shot, how)
        return _delivered(made, plan.finished(made, shot), [plan], delivery, look), told


class DeliveredDeep:
    """Rows of a deep picture as they are written, and how many of its flat pixels are below zero.

    Parameters
    ----------
    work
        What makes them.
    delivery, look
        How colours are written, and the look.
    """

    def __init__(self, work: DeepWork, delivery: Delivery, look: Look) -> None:
        self._work, self._delivery, self._look = work, delivery, look
        self._made: list[DeepRowsWritten] | None = None
        self.below_zero = 0

    def make(self) -> None:
        """Make all of them before they are asked for."""
        self._made = list(self._rows())

    def __iter__(self) -> Iterator[DeepRowsWritten]:
        """Yield them from the first to the last."""
        return self._rows() if self._made is None else iter(self._made)

    def _rows(self) -> Iterator[DeepRowsWritten]:
        self.below_zero = 0
        for rows in self._work.rows():
            with at_most(self._work.how.threads):
                assert rows.samples is not None
                self.below_zero += _count_below_zero(self._delivery.picture(rows.planes["rgb"]))
                yield self._delivered(rows.samples)

    def _delivered(self, wet: Samples) -> DeepRowsWritten:
        """Return samples, and their layers, in the space that is written."""
        plan, shot = self._work.plan, self._work.shot
        # One row as wide as there are samples.
        made = {"rgb": wet.rgb, "alpha": wet.alpha, **wet.passes}
        row = {name: plane[..., None, :] for name, plane in made.items()}
        done = _delivered(row, plan.finished(row, shot), [plan], self._delivery, self._look)
        layers = {name: plane[..., 0, :] for name, plane in done.layers.items()}
        return DeepRowsWritten(replace(wet, rgb=done.rgb[:, 0], passes=layers), done.float_layers)


def _delivered(
    made: Mapping[str, F32],
    layers: dict[str, F32],
    plans: Sequence[LayerPlan],
    delivery: Delivery,
    look: Look,
) -> Picture:
    """Return a picture and its layers in the space that is written."""
    rgb = delivery.picture(made["rgb"])
    coloured = frozenset().union(*(plan.light for plan in plans))
    measured = frozenset().union(*(plan.measures for plan in plans))
    layers = {name: delivery.linear(plane) if name in coloured else plane for name, plane in layers.items()}
    if any(plan.gamut for plan in plans):
        layers[GAMUT] = rgb - delivery.linear(made["rgb"])
    measures = measured if look.output.guide_type == "float" else frozenset()
    light = layers.keys() - measured if look.output.data_type == "float" else frozenset()
    return Picture(rgb, made["alpha"], layers=layers, float_layers=measures | light)
