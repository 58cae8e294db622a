"""What a sequence's depth pass holds, decided once: a kind that changed between frames would be a jump in
the water.

The first readable frame of the sequence on disk stands for all, whichever range is rendered.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace

from halocline.batch.frame_files import load_still_files
from halocline.batch.frame_task import FrameInputs, ReadAhead
from halocline.batch.task import FrameTask, InputFiles, input_spec, input_spec_of
from halocline.errors import HaloclineError
from halocline.imaging.depth import DepthSpec
from halocline.imaging.load import Loaded
from halocline.imaging.survey import planes_there
from halocline.presets.preset import Preset

logger = logging.getLogger(__name__)


def settle_depth(tasks: Sequence[FrameTask], preset: Preset) -> list[FrameTask]:
    """Return tasks that know what their depth pass holds.

    Parameters
    ----------
    tasks
        From `halocline.batch.plan_tasks.plan_tasks`.
    preset
        Its ``[input]`` may state the kind and the edges; what it leaves open is inferred.
    """
    return _settled(tasks, preset, {})


def settle_by_first(
    tasks: Sequence[FrameTask], preset: Preset, read: Callable[[FrameTask], FrameInputs]
) -> tuple[list[FrameTask], ReadAhead | None]:
    """Return the same for who makes the frames in this process: a frame that is read for it is made next.

    Parameters
    ----------
    tasks, preset
        As `settle_depth` takes them.
    read
        Reads a frame that is to stand for the sequence.

    Returns
    -------
    tuple[list[FrameTask], ReadAhead | None]
        The tasks, and the first frame, where it is the one that stands for the sequence and can be read.
    """
    first = tasks[0] if tasks else None
    if first is None or not _is_open(preset) or first.depth_spec is not None:
        return settle_depth(tasks, preset), None
    if not (first.references and first.reads(first.references[0])):
        return settle_depth(tasks, preset), None
    try:
        inputs = read(first)
    except Exception:
        # Another frame may stand for all; whatever is wrong with this one befalls it when its turn comes.
        return settle_depth(tasks, preset), None
    found = inputs.loaded.views[0].depth_spec
    return _settled(tasks, preset, {first.references: found}), ReadAhead(inputs)


def _is_open(preset: Preset) -> bool:
    """Tell whether a look leaves anything of the depth pass to be inferred."""
    section = preset.at(0).input
    return "auto" in (section.depth_kind, section.depth_edges)


def _settled(
    tasks: Sequence[FrameTask], preset: Preset, found: dict[tuple[InputFiles, ...], DepthSpec | None]
) -> list[FrameTask]:
    if not _is_open(preset):
        return [replace(task, depth_spec=input_spec_of(task, preset).depth) for task in tasks]
    settled = []
    for task in tasks:
        if task.depth_spec is not None:
            settled.append(task)
            continue
        if task.references not in found:
            found[task.references] = _inferred(task.references, preset)
        settled.append(replace(task, depth_spec=found[task.references]))
    return settled


def _inferred(references: tuple[InputFiles, ...], preset: Preset) -> DepthSpec | None:
    for files in references:
        try:
            loaded = _loaded(files, preset)
        except HaloclineError as error:
            logger.info("not taken to judge the depth by: %s", error)
            continue
        return loaded.views[0].depth_spec
    # None can be read; each frame will say so itself.
    return None


def _loaded(files: InputFiles, preset: Preset) -> Loaded:
    spec = input_spec(preset, files.frame)
    # World positions, where the render has them, settle the kind for sure.
    wanted = planes_there(files.by_role, spec, ("position",))
    # Only the depth is judged: no edge need be taken apart, no glow found.
    plain = replace(spec, separate_edges=False, keep_glows=False)
    return load_still_files(files, plain, wanted)
