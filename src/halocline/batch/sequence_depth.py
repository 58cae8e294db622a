"""What a sequence's depth pass holds, decided once: a kind that changed between frames would be a jump in
the water.

The first readable frame of the sequence on disk stands for all, whichever range is rendered.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace

from halocline.batch.task import FrameTask, InputFiles, input_spec, input_spec_of
from halocline.errors import HaloclineError
from halocline.imaging.depth import DepthSpec
from halocline.imaging.load import load
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
    section = preset.at(0).input
    if "auto" not in (section.depth_kind, section.depth_edges):
        return [replace(task, depth_spec=input_spec_of(task, preset).depth) for task in tasks]
    found: dict[tuple[InputFiles, ...], DepthSpec | None] = {}
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
            spec = input_spec(preset, files.frame)
            # World positions, where the render has them, settle the kind for sure.
            wanted = planes_there(files.by_role, spec, ("position",))
            # Only the depth is judged: no edge need be taken apart, no glow found.
            plain = replace(spec, separate_edges=False, keep_glows=False)
            loaded = load(
                files.beauty,
                plain,
                depth_path=files.depth,
                pass_paths=dict(files.passes),
                wanted=wanted,
            )
        except HaloclineError as error:
            logger.info("not taken to judge the depth by: %s", error)
            continue
        return loaded.views[0].depth_spec
    # None can be read; each frame will say so itself.
    return None
