"""Running many frames: what is still good is kept, each frame is claimed, made, recorded, and told of.

This module decides and keeps the books; making frames is the work of a *maker*: the pipeline of this
process, several processes, or a cluster.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from halocline.batch.claims import Claims
from halocline.batch.events import (
    Attempt,
    Event,
    FrameDone,
    FrameElsewhere,
    FrameFailed,
    FrameKept,
    FrameSkipped,
    Outcome,
    Summary,
    as_halocline_error,
)
from halocline.batch.manifest import (
    Manifest,
    Record,
    attempt_fields,
    done_fields,
    failed_fields,
    machine,
    versions,
)
from halocline.batch.origins import origins_of_sequence
from halocline.batch.output_folder import refuse_folders
from halocline.batch.pipeline import Pipeline
from halocline.batch.plan_tasks import make_folders
from halocline.batch.resume import Action, Verdict, judge, judge_all
from halocline.batch.sequence_depth import settle_by_first, settle_depth
from halocline.batch.signals import Interrupted, StopRequest, catching_signals
from halocline.batch.task import FrameTask
from halocline.errors import HaloclineError, JobError, WriteError
from halocline.files.lock import never
from halocline.files.regular import open_regular
from halocline.files.whole import remove_leftovers
from halocline.graph.engine import Evaluation
from halocline.imaging.sequence import frame_text
from halocline.presets.preset import Preset


class FrameMaker(Protocol):
    """Something that makes frames."""

    def outcomes(self, tasks: Iterable[FrameTask], stop: StopRequest) -> Generator[Outcome, None, None]:
        """Make frames, asking for each task only when it can be begun.

        Raises
        ------
        Interrupted
            Where stopping was asked for.
        """
        ...


def run_frames(
    tasks: Iterable[FrameTask],
    preset: Preset,
    *,
    maker: FrameMaker | None = None,
    how: Evaluation | None = None,
    overwrite: bool = False,
    resume: bool = False,
    skipped: Iterable[FrameSkipped] = (),
    report: Callable[[Event], None] | None = None,
) -> Summary:
    """Make the frames of a plan. A frame that fails is told of and the rest go on.

    Parameters
    ----------
    tasks
        From `halocline.batch.plan_tasks.plan_tasks`.
    preset
        The look.
    maker
        Who makes the frames; this process where not given.
    how
        Threads and tiles, where this process makes them.
    overwrite
        Whether files that are there may be replaced.
    resume
        Make only the frames that are missing, damaged or out of date.
    skipped
        Frames that the plan leaves out since they have no input; they are put on record.
    report
        Called with what became of each frame, in the order in which it is known.

    Returns
    -------
    Summary
        How many frames were made, kept, failed and left out.

    Raises
    ------
    WriteError
        ``E-WRITE-FOLDER`` where an output folder cannot be made, or takes no file.
    """
    with catching_signals() as stop:
        maker = maker or Pipeline(preset, how or Evaluation())
        if isinstance(maker, Pipeline) and maker.reads_ahead(preset) and not resume:
            settled, first = settle_by_first(list(tasks), preset, maker.read_first)
            maker = replace(maker, first=first)
        else:
            settled = settle_depth(list(tasks), preset)
        planned = [replace(task, replace=task.replace or overwrite) for task in settled]
        preset = origins_of_sequence(preset, planned[0]) if planned else preset
        make_folders(planned)
        refuse_folders(planned)
        books = _Books(planned, preset, report or (lambda _event: None), stop)
        try:
            books.open(resume=resume, overwrite=overwrite)
            for left_out in skipped:
                books.leave_out(left_out)
            to_make = books.judged(stop) if resume else planned
            with Claims(stop.asked) as claims:
                for folder in books.folders if resume else ():
                    # Tidying is no reason to fail.
                    with suppress(OSError):
                        claims.clear_dead(folder)
                run = _Run(books, claims, to_make, preset)
                run.through(maker, stop)
            books.look_again()
        except Interrupted as interrupted:
            books.summary.interrupted = interrupted.number
        books.close()
        return books.summary


def judge_plan(tasks: Iterable[FrameTask], preset: Preset, *, resume: bool) -> list[Verdict]:
    """Tell what `run_frames` would do with each frame, without doing it.

    Parameters
    ----------
    tasks
        From `halocline.batch.plan_tasks.plan_tasks`.
    preset
        The look.
    resume
        Whether frames that are whole and up to date would be kept.

    Returns
    -------
    list[Verdict]
        What would be done with each frame, and why.
    """
    planned = settle_depth(list(tasks), preset)
    preset = origins_of_sequence(preset, planned[0]) if planned else preset
    if not resume:
        return [
            Verdict(task, Action.render, "replaces a file" if task.out.exists() else "not there")
            for task in planned
        ]
    known = {folder: manifest.news() for folder, manifest in _manifests(planned).items()}
    return judge_all(planned, known, preset)


def _manifests(tasks: Sequence[FrameTask], hurried: Callable[[], bool] = never) -> dict[str, Manifest]:
    return {
        str(folder): Manifest(folder, hurried) for folder in dict.fromkeys(task.out.parent for task in tasks)
    }


class _Books:
    """The manifests and the summary of one run: everything that is known of a frame passes through here."""

    def __init__(
        self,
        tasks: Sequence[FrameTask],
        preset: Preset,
        report: Callable[[Event], None],
        stop: StopRequest,
    ) -> None:
        self.tasks = tasks
        self.stop = stop
        self.preset = preset
        self.report = report
        self.summary = Summary()
        self.manifests = _manifests(tasks, stop.asked)
        self.settled: set[Path] = set()
        # What was on record before this run; and what others add, of frames that it has not come to.
        self._before: dict[str, dict[str, Record]] = {}
        self._others: dict[str, dict[str, Record]] = {folder: {} for folder in self.manifests}

    def open(self, *, resume: bool, overwrite: bool) -> None:
        """Note the beginning of the run in each folder's manifest."""
        for folder, manifest in self.manifests.items():
            before = manifest.news()
            if resume:
                self._before[folder] = before
            frames = [task.frame for task in self.tasks if str(task.out.parent) == folder]
            self._append(
                manifest,
                "job",
                preset={
                    "name": self.preset.name,
                    "digest": self.preset.digest,
                    "text": self.preset.resolved_text,
                },
                versions=dict(versions()),
                frames=frame_text(sorted(frames)),
                held={task.frame: task.held_from for task in self.tasks if task.held_from is not None},
                settings={"resume": resume, "overwrite": overwrite},
                **machine(),
            )

    def _append(self, manifest: Manifest, kind: str, **fields: Any) -> None:
        """Add a record; where another process keeps the manifest locked, a signal ends the wait."""
        try:
            manifest.append(kind, **fields)
        except JobError:
            self.stop.check()
            raise

    def judged(self, stop: StopRequest) -> list[FrameTask]:
        """Return the frames that must be made; tell of the others."""
        with stop.breakable():
            verdicts = judge_all(self.tasks, self._before, self.preset)
        # A night's records are many.
        self._before = {}
        to_make = []
        for verdict in verdicts:
            if verdict.action is Action.keep:
                self.tell(FrameKept(verdict.task, verdict.reason, verdict.bytes))
            elif verdict.action is Action.refuse:
                self.tell(FrameFailed(verdict.task, _foreign(verdict)))
            else:
                to_make.append(verdict.task)
        return to_make

    def made_meanwhile(self, task: FrameTask) -> Record | None:
        """Return another job's record of a frame that has come since the run began, of many or one."""
        folder = str(task.out.parent)
        others = self._others[folder]
        for name, record in self.manifests[folder].news().items():
            if task.out.parent / name not in self.settled:
                others[name] = record
        return others.pop(task.out.name, None)

    @property
    def folders(self) -> list[Path]:
        """The folders that are written to."""
        return [manifest.folder for manifest in self.manifests.values()]

    def manifest_of(self, task: FrameTask) -> Manifest:
        """Return the manifest that a frame is recorded in."""
        return self.manifests[str(task.out.parent)]

    def record(self, outcome: Outcome) -> None:
        """Record what became of a frame, then tell of it: nothing counts as done before it is on record."""
        manifest = self.manifest_of(outcome.task)
        try:
            if isinstance(outcome, FrameDone):
                manifest.append("frame", **done_fields(outcome.record), held_from=outcome.task.held_from)
            else:
                manifest.append("frame", **failed_fields(outcome))
        except JobError as error:
            if isinstance(outcome, FrameDone):
                outcome = FrameFailed(outcome.task, as_halocline_error(error, outcome.task))
        self.tell(outcome)

    def leave_out(self, event: FrameSkipped) -> None:
        """Record a frame that has no input."""
        manifest = self.manifests.get(str(event.out.parent))
        if manifest is not None:
            self._append(
                manifest,
                "frame",
                frame=event.frame,
                status="skipped",
                out=event.out.name,
                missing=event.where,
                **attempt_fields(Attempt.here()),
            )
        self.tell(event)

    def tell(self, event: Event) -> None:
        """Count an event and pass it on."""
        if not isinstance(event, FrameSkipped):
            self.settled.add(event.task.out)
        self.summary.add(event)
        self.report(event)

    def look_again(self) -> None:
        """Tell of frames that were made or found good, and that somebody has taken away or changed since."""
        tasks = {task.out: task for task in self.tasks}
        written = {record.out: record.output.bytes for record in self.summary.done}
        kept = {event.task.out: event.bytes for event in self.summary.kept}
        lost = {path for path, size in (kept | written).items() if not _there(path, size)}
        self.summary.done = [record for record in self.summary.done if record.out not in lost]
        self.summary.kept = [event for event in self.summary.kept if event.task.out not in lost]
        for path in sorted(lost):
            self.tell(FrameFailed(tasks[path], _lost(tasks[path])))

    def close(self) -> None:
        """Note which frames were not begun, or were dropped."""
        self.summary.not_begun = [task.frame for task in self.tasks if task.out not in self.settled]


class _Run:
    """Frames on their way from plan to record."""

    def __init__(self, books: _Books, claims: Claims, tasks: Sequence[FrameTask], preset: Preset) -> None:
        self.books = books
        self.claims = claims
        self.tasks = tasks
        self.preset = preset

    def through(self, maker: FrameMaker, stop: StopRequest) -> None:
        with closing(maker.outcomes(self._claimed(stop), stop)) as outcomes:
            for outcome in outcomes:
                self.books.record(outcome)
                # An attempt that died on the way to this outcome may have left something.
                with suppress(OSError):
                    remove_leftovers(outcome.task.out)
                self.claims.give_back(outcome.task.out)

    def _claimed(self, stop: StopRequest) -> Iterator[FrameTask]:
        """Yield the frames that this job may make, each when it is asked for."""
        for task in self.tasks:
            stop.check()
            try:
                ready = self._claim(task)
            except (HaloclineError, OSError) as error:
                self.claims.give_back(task.out)
                self.books.record(FrameFailed(task, as_halocline_error(error, task)))
                continue
            if ready is not None:
                yield ready

    def _claim(self, task: FrameTask) -> FrameTask | None:
        holder = self.claims.take(task.out)
        if holder is not None:
            self.books.tell(FrameElsewhere(task, str(holder)))
            return None
        record = self.books.made_meanwhile(task)
        if record is not None:
            # Another job made it since this one was planned.
            verdict = judge(task, record, self.preset)
            if verdict.action is Action.keep:
                self.claims.give_back(task.out)
                reason = f"made meanwhile by {record.get('host', 'another job')}"
                self.books.tell(FrameKept(task, reason, verdict.bytes))
                return None
            task = verdict.task if task.replace else task
        if not task.replace and os.path.lexists(task.out):
            raise WriteError(
                "has appeared since the job was planned",
                code="E-WRITE-EXISTS",
                where=str(task.out),
                fix="Add --resume to go on with the job, or --overwrite to write over it.",
            )
        remove_leftovers(task.out)
        return task


def _there(path: Path, size: int | None) -> bool:
    """Tell whether a frame is there, and as large as it was written where that is known.

    Network file systems keep what they were told last for a while: what another machine wrote may be known
    here only once its folder is read and the file opened.
    """
    for first in (True, False):
        try:
            handle = open_regular(path, follow=True)
        except OSError:
            if first:
                with suppress(OSError):
                    list(path.parent.iterdir())
            continue
        try:
            return size is None or os.fstat(handle).st_size == size
        finally:
            os.close(handle)
    return False


def _lost(task: FrameTask) -> HaloclineError:
    return as_halocline_error(
        WriteError(
            "was taken away or changed by somebody else while the job went on",
            code="E-WRITE-LOST",
            where=str(task.out),
            fix="Look for who else writes there, then run it again with --resume.",
        ),
        task,
    )


def _foreign(verdict: Verdict) -> WriteError:
    return WriteError(
        verdict.reason,
        code="E-WRITE-EXISTS",
        where=str(verdict.task.out),
        fix="Move it away, give another folder with --out, or add --overwrite to write over it.",
    )
