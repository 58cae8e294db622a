"""What is known of the input before the first frame is made: everything to be told of it is told then, once.

The first readable frame of the sequence on disk stands for all, as it does for what the depth pass holds (see
`halocline.batch.sequence_depth`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path
from typing import Any

from halocline.batch.frame_files import load_still_files
from halocline.batch.frame_task import ReadAhead, planes_of_look, read_inputs
from halocline.batch.headers import look_at_headers
from halocline.batch.lamps_in_vain import lamps_in_vain
from halocline.batch.origins import origins_of_sequence
from halocline.batch.output_look import look_at_output, moments, uneven_samples
from halocline.batch.task import FrameTask, InputFiles, input_spec, input_spec_of
from halocline.errors import FrameError, HaloclineError, ReadError
from halocline.imaging.camera import Camera
from halocline.imaging.depth import DepthSpec
from halocline.imaging.exr import read_header
from halocline.imaging.frame import Frame
from halocline.imaging.load import Loaded, View, load_surfaces
from halocline.imaging.motion import MOTION_PASS
from halocline.imaging.save import carried_channels
from halocline.imaging.survey import cameras_in, not_read, planes_there
from halocline.late_dataclass import dataclass
from halocline.presets.build import motion_vectors
from halocline.presets.misplaced import misplaced
from halocline.presets.preset import Preset


@dataclass(frozen=True)
class FirstLook:
    """What one frame of the input tells of all.

    Attributes
    ----------
    tasks
        The tasks, which now know what their depth pass holds.
    file
        The frame that was looked at; None where none can be read.
    reads
        Channels that are read, by plane.
    warnings, doubts
        What a person should know; those of them that doubt the unit or the kind of what is read.
    output
        What a person should know of what will be written.
    uneven
        Those of them by which samples cannot be merged as if all were rendered together.
    sequence, views
        In what frames are unlike the others, by their headers; those of them that lack or add views.
    first
        The first task's frame, where it is the one that was looked at and was to be kept.
    unread
        Where none can be read: why not.
    """

    tasks: tuple[FrameTask, ...]
    file: Path | None = None
    reads: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    output: tuple[str, ...] = ()
    uneven: tuple[str, ...] = ()
    sequence: tuple[str, ...] = ()
    views: tuple[str, ...] = ()
    first: ReadAhead | None = None
    unread: HaloclineError | None = None

    @property
    def where(self) -> str:
        """The frame that was looked at, by its number where the tasks have it."""
        numbers = [task.frame for task in self.tasks if task.beauty == self.file and task.held_from is None]
        return f"frame {numbers[0]}" if numbers else str(self.file)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for a log; nothing where no frame can be read."""
        if self.file is None:
            return {}
        told = {key: list(getattr(self, key)) for key in ("warnings", "doubts", "output", "sequence")}
        return {"file": str(self.file), "reads": dict(self.reads), **told}

    def refuse_doubts(self) -> None:
        """Refuse input whose unit, kind or views are in doubt, and output that is not what was asked for.

        Raises
        ------
        FrameError
            ``E-INPUT-DOUBT``, ``E-OUTPUT-DOUBT``.
        """
        if self.doubts:
            raise FrameError(
                f"the input is in doubt, and --strict takes none: {'; '.join(self.doubts)}",
                code="E-INPUT-DOUBT",
                where=str(self.file),
                fix="Set the keys named, or leave --strict out to go on with the warnings.",
            )
        if self.views:
            raise FrameError(
                f"frames do not have the same views, and --strict takes none such: {'; '.join(self.views)}",
                code="E-INPUT-DOUBT",
                where=str(self.file),
                fix="Render those views anew, or leave the frames out with --frames, or leave --strict out.",
            )
        if self.uneven:
            raise FrameError(
                f"the output will not be what was asked for, and --strict takes none such: "
                f"{' '.join(self.uneven)}",
                code="E-OUTPUT-DOUBT",
                where="output.floating_samples",
                key=("output", "floating_samples"),
                fix="Do as it says, or leave --strict out to go on with the warning.",
            )


def look_first(tasks: Sequence[FrameTask], preset: Preset, *, keep: bool = False) -> FirstLook:
    """Look at the input of a shot before anything is made.

    Parameters
    ----------
    tasks
        From `halocline.batch.plan_tasks`, all of one sequence.
    preset
        The look.
    keep
        Whether this process will make the frames: the first is then read only once.

    Returns
    -------
    FirstLook
        The tasks with their depth settled, which channels are read, and warnings.

    Raises
    ------
    HaloclineError
        What would keep every frame from being made: where no frame that stands for the sequence can be put
        under water, the first one's reason; and where some frames lack channels that the others have. Frames
        that are damaged are left for the run to tell of.
    """
    references = tasks[0].references if tasks else ()
    if tasks:
        # What cannot be found keeps every frame from being made.
        origins_of_sequence(preset, tasks[0])
    problem: HaloclineError | None = None
    unread: ReadError | None = None
    for files in references:
        task = tasks[0] if keep and tasks[0].reads(files) else None
        try:
            inputs = None if task is None else read_inputs(task, preset, judged=True)
            loaded = _loaded(files, preset) if inputs is None else inputs.loaded
            _refuse_lacking(loaded, preset)
        except ReadError as error:
            unread = unread or error
            problem = problem if problem is not None or error.code != "E-READ-DEEP" else error
        except HaloclineError as error:
            problem = problem or error
        else:
            look, frames = preset.at(0), sorted(task.frame for task in tasks)
            uneven = uneven_samples(preset, frames)
            unlike = look_at_headers(tasks, input_spec(preset, files.frame), planes_of_look(look)[0])
            return replace(
                _told(tasks, files, loaded, preset),
                output=(
                    *look_at_output(preset, loaded, frames),
                    *_of_lamps(preset, loaded, tasks, frames),
                    *uneven,
                ),
                uneven=uneven,
                sequence=unlike.lines,
                views=unlike.views,
                first=None if inputs is None else ReadAhead(inputs),
            )
    if problem is not None:
        raise problem
    return FirstLook(tuple(tasks), unread=unread)


def look_at_lamps(tasks: Sequence[FrameTask], preset: Preset) -> tuple[str, ...]:
    """Return which lamps light nothing in view, or far too much, or stand within things.

    The first frame that can be read tells, and those in the middle and at the end.

    Parameters
    ----------
    tasks
        From `halocline.batch.plan_tasks`, all of one sequence.
    preset
        The look.

    Returns
    -------
    tuple[str, ...]
        A sentence for each.
    """
    frames = sorted(task.frame for task in tasks)
    if not any(preset.at(frame).light.lamps for frame in moments(preset, frames)):
        return ()
    for files in tasks[0].references:
        try:
            loaded = _loaded(files, preset)
        except HaloclineError:
            # What keeps a frame from being read is told by others.
            continue
        return _of_lamps(preset, loaded, tasks, frames)
    return ()


def _loaded(files: InputFiles, preset: Preset) -> Loaded:
    look = preset.at(0)
    # Of its edges nothing is to be told.
    spec = replace(input_spec(preset, files.frame), separate_edges=False)
    needed, useful = planes_of_look(look)
    # World positions, where the render has them, settle what the depth pass holds.
    wanted = needed | planes_there(files.by_role, spec, {*useful, "position"})
    return load_still_files(files, spec, wanted, judged=True)


def _of_lamps(
    preset: Preset, loaded: Loaded, tasks: Sequence[FrameTask], frames: Sequence[int]
) -> tuple[str, ...]:
    """Tell of lamps that light nothing in view, or far too much, or stand within things."""
    view, found = loaded.views[0], origins_of_sequence(preset, tasks[0])
    at = moments(found, frames)
    if not any(found.at(frame).light.lamps for frame in at):
        return ()
    others = _depth_later(tasks, preset, view.depth_spec)
    return lamps_in_vain(found, view.frame, view.camera, view.space, at, others)


def _depth_later(
    tasks: Sequence[FrameTask], preset: Preset, settled: DepthSpec | None
) -> dict[int, tuple[Frame, Camera]]:
    """Return what is seen in the middle and at the end of a shot, by frame, where that can be read."""
    found: dict[int, tuple[Frame, Camera]] = {}
    ordered = sorted(tasks, key=lambda task: task.frame)
    for task in (ordered[len(ordered) // 2], ordered[-1]):
        if task is ordered[0] or task.held_from is not None or task.frame in found:
            continue
        spec = input_spec_of(replace(task, depth_spec=settled), preset)
        try:
            view = load_surfaces(task.beauty, spec, depth_path=task.depth).views[0]
        except HaloclineError:
            # What keeps it from being read is told when it is made.
            continue
        found[task.frame] = view.frame, view.camera
    return found


def _refuse_lacking(loaded: Loaded, preset: Preset) -> None:
    """Refuse planes to carry that no file has, which keep every frame from being made."""
    carry = preset.at(0).output.carry
    carried_channels(loaded.template, "all" if "*" in carry else carry)


def _of_vectors(preset: Preset, loaded: Loaded) -> tuple[str, ...]:
    """Tell of motion vectors that are there and of whose numbers nothing is stated."""
    look, plane = preset.at(0), f"pass.{MOTION_PASS}"
    if (
        look.input.motion is not None
        or plane not in loaded.views[0].passes
        or plane in planes_of_look(look)[0]
    ):
        return ()
    return (
        "motion vectors are given, but what their numbers are is not stated, so nothing is blurred by them: "
        'set input.motion.layer, as in input.motion.layer = "motion" (with unit, points and up where they '
        "differ), or leave the pass out",
    )


def _misread_vectors(tasks: Sequence[FrameTask], files: InputFiles, view: View, preset: Preset) -> list[str]:
    """Tell of motion vectors that do not go as the cameras of this frame and the next say."""
    stated = motion_vectors(preset.at(files.frame))
    own = next((task for task in tasks if task.reads(files)), None)
    after = None if own is None else own.neighbours.get(files.frame + 1)
    if stated is None or after is None or f"pass.{MOTION_PASS}" not in view.frame.planes:
        return []
    try:
        later = cameras_in(after, input_spec(preset, files.frame + 1)).get(view.name)
    except HaloclineError:
        # It is not the frame that is looked at.
        return []
    verdict = None if later is None else stated.judged_of(view.frame, view.camera, later)
    return [verdict.text] if verdict is not None and verdict.doubted else []


def _told(tasks: Sequence[FrameTask], files: InputFiles, loaded: Loaded, preset: Preset) -> FirstLook:
    first, file = loaded.views[0], files.beauty
    settled: DepthSpec | None = first.depth_spec
    # A wrong unit shows in things that stand in the air.
    astray = misplaced(preset.at(files.frame).place, first.camera, first.frame)
    amiss = (*astray, *_misread_vectors(tasks, files, first, preset))
    return FirstLook(
        tuple(replace(task, depth_spec=settled) for task in tasks),
        file,
        first.passes,
        (*not_read(read_header(file)), *loaded.warnings, *amiss, *_of_vectors(preset, loaded)),
        (*loaded.doubts, *amiss),
    )
