"""Who makes the frames of a job: this process, several, or a cluster."""

from __future__ import annotations

from collections.abc import Sequence

from halocline.batch.memory_budget import size_job
from halocline.batch.nursery import Nursery
from halocline.batch.pipeline import Pipeline
from halocline.batch.run import FrameMaker
from halocline.batch.task import FrameTask
from halocline.batch.workers import Workers
from halocline.compute.memory import touch_ahead
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset


@dataclass(frozen=True)
class Means:
    """What a job may use.

    Attributes
    ----------
    processes, threads
        Processes, and computing threads in each; from cores and memory where not given.
    memory_bytes
        Memory for all of them; a share of what is free where not given.
    scheduler
        Address of a dask scheduler, whose machines are used instead.
    nursery
        Where worker processes come from, which begins to load the look at once; the job has one of its own
        where not given.
    """

    processes: int | None = None
    threads: int | None = None
    memory_bytes: int | None = None
    scheduler: str | None = None
    nursery: Nursery | None = None


def choose_maker(tasks: Sequence[FrameTask], preset: Preset, means: Means) -> tuple[FrameMaker, str]:
    """Return a maker for a job, and what it is in words.

    Parameters
    ----------
    tasks
        The job's frames.
    preset
        The look.
    means
        What the user allows.

    Returns
    -------
    tuple[Maker, str]
        Who makes the frames, and a line to tell the user.

    Raises
    ------
    JobError
        ``E-JOB-MEMORY`` where the memory allowed is too little for one frame.
    """
    if means.scheduler is not None:
        # Few jobs go to a cluster, and what waits for one takes long to import.
        from halocline.batch.distributed import Cluster  # noqa: PLC0415

        return Cluster(preset, means.scheduler, means.threads or 1), f"cluster of {means.scheduler}"
    sizing = size_job(
        tasks,
        preset,
        processes=means.processes,
        threads=means.threads,
        memory_bytes=means.memory_bytes,
        held_bytes=0 if means.nursery is None else means.nursery.staying_bytes(),
    )
    if sizing.processes == 1:
        if means.nursery is not None:
            means.nursery.let_go()
        # While the first frame is read, one processor has time.
        touch_ahead(sizing.surely_used)
        maker: FrameMaker = Pipeline(preset, sizing.evaluation, sizing.overlapped, sizing.budget_bytes)
        return maker, str(sizing)
    crew = Workers(
        preset,
        sizing.evaluation,
        sizing.processes,
        overlapped=sizing.overlapped,
        budget_bytes=sizing.budget_bytes,
        process_bytes=sizing.process_bytes,
        surely_used=sizing.surely_used,
        nursery=means.nursery,
    )
    if means.nursery is not None:
        means.nursery.prepare(crew.settings, crew.at_first)
    return crew, str(sizing)
