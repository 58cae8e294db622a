"""`halocline farm`: jobs of many shots, here and on render managers."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from halocline.batch.events import Summary
from halocline.batch.first_look import look_first
from halocline.batch.headers import refuse_cut_off, refuse_lacking_passes
from halocline.batch.job_file import JobShot, collisions, read_job, read_what_is_right, refuse_collisions
from halocline.batch.means import Means
from halocline.batch.memory_budget import least_memory, parse_memory
from halocline.batch.nursery import Nursery
from halocline.batch.open_job import ShotNeeds, job_template
from halocline.batch.plan_tasks import ShotPlan
from halocline.cli.examples import examples
from halocline.cli.exit_status import NOTHING_POSSIBLE, SOME_FAILED
from halocline.cli.metrics import Metrics
from halocline.cli.options import (
    CheckOption,
    DryRunOption,
    LogOption,
    MemoryOption,
    MetricsOption,
    OverwriteOption,
    ProcessesOption,
    ResumeOption,
    SchedulerOption,
    StrictOption,
    ThreadsOption,
    from_the_root,
)
from halocline.cli.output import LogForm, error_record, json_line, say, say_error
from halocline.cli.shot import RunOptions, exit_status, review_shot, run_shot, say_first, show_plan
from halocline.compute.threads import at_most
from halocline.errors import HaloclineError, WriteError
from halocline.files.whole import write_whole
from halocline.plain_text import one_line
from halocline.presets.preset import Preset

app = typer.Typer(help="Jobs of many shots.", no_args_is_help=True, rich_markup_mode=None)

JobArgument = Annotated[Path, typer.Argument(metavar="JOB", help="Job file (TOML).")]
AllowOption = Annotated[
    list[Path] | None,
    typer.Option("--allow", metavar="FOLDER", help="Folder the job may use besides its own; repeatable."),
]


@app.command(
    epilog=examples(
        "halocline farm run night.toml",
        "halocline farm run night.toml --shot archway_010 --frames 1001-1010 --resume",
    )
)
def run(
    job: JobArgument,
    shots: Annotated[
        list[str] | None, typer.Option("--shot", metavar="NAME", help="Only this shot; may be given again.")
    ] = None,
    frames: Annotated[
        str | None, typer.Option("--frames", metavar="RANGE", help="Only these frames of each shot.")
    ] = None,
    allow: AllowOption = None,
    processes: ProcessesOption = None,
    threads: ThreadsOption = None,
    memory: MemoryOption = None,
    scheduler: SchedulerOption = None,
    overwrite: OverwriteOption = False,
    resume: ResumeOption = False,
    dry_run: DryRunOption = False,
    strict: StrictOption = False,
    checks: CheckOption = True,
    log: LogOption = LogForm.text,
    metrics: MetricsOption = None,
) -> None:
    """Run the shots of a job file, one after the other.

    A shot that cannot be begun is told of at once, and the others run. Exit status as for apply.
    """
    watched = None if metrics is None else Metrics(metrics)
    # Shots of one look share workers, and what those have made for it.
    nursery = Nursery(keeps=True)
    means = Means(processes, threads, None if memory is None else parse_memory(memory), scheduler, nursery)
    whole = read_job(job if scheduler is None else from_the_root(str(job)), allowed=allow or ())
    chosen = [whole.shot(name) for name in shots] if shots else list(whole.shots)
    planned, refused = _planned(chosen, frames, overwrite=overwrite or resume, log=log)
    refuse_collisions(plan for _, _, plan in planned)
    if dry_run:
        for shot, look, plan in planned:
            typer.echo(one_line(f"{shot.name}:"))
            try:
                show_plan(plan, look, resume=resume, strict=strict)
            except HaloclineError as error:
                refused += 1
                _tell_refused(shot, error, log)
        raise typer.Exit(SOME_FAILED if refused else 0)
    summaries: list[Summary] = []
    with closing(nursery):
        for shot, look, plan in planned:
            if log is LogForm.json:
                json_line(event="shot", shot=shot.name)
            else:
                say(f"shot {shot.name}")
            try:
                own = _means(means, shot)
                with at_most(own.threads):
                    options = RunOptions(own, overwrite, resume, checks, log, strict, watched, shot.name)
                    summary = run_shot(plan, look, options)
                summaries.append(summary)
            except HaloclineError as error:
                refused += 1
                _tell_refused(shot, error, log)
                continue
            if summaries[-1].interrupted is not None:
                break
    status = exit_status(summaries) if summaries else NOTHING_POSSIBLE
    raise typer.Exit(status or (SOME_FAILED if refused else 0))


@app.command(epilog=examples("halocline farm check night.toml"))
def check(job: JobArgument, allow: AllowOption = None) -> None:
    """Read a job file, its presets and its renders, and tell everything that is wrong; render nothing.

    Of every shot the headers of all frames are read, and one frame as a run would read it: channels, cameras,
    units, and passes that the look needs; and whether files are cut off. Doubts are told. The exit status is
    1 where a run would leave shots or frames out, and 2 where it would do nothing: no shot is left, the job
    file itself is wrong, or shots write over each other.
    """
    whole, mistakes = read_what_is_right(job, allowed=allow or ())
    if mistakes is not None:
        say_error(mistakes)
    planned, refused = _planned(list(whole.shots), None, overwrite=True, log=LogForm.text)
    clashes = collisions({shot.name: plan for shot, _, plan in planned})
    good = 0
    for shot, look, plan in planned:
        typer.echo(one_line(f"{shot.name}: {len(plan.tasks)} frames, {look.name} -> {shot.out}"))
        if shot.name in clashes:
            _tell_refused(shot, clashes[shot.name], LogForm.text)
        try:
            seen = look_first(plan.tasks, look)
            if seen.unread is not None:
                raise seen.unread
            say_first(seen, shot=shot.name)
            refuse_lacking_passes(plan.tasks, look)
            good += 1
            refuse_cut_off(plan.tasks)
        except HaloclineError as error:
            refused += 1
            _tell_refused(shot, error, LogForm.text)
    if mistakes is not None or clashes or not good:
        raise typer.Exit(NOTHING_POSSIBLE)
    if refused:
        raise typer.Exit(SOME_FAILED)


@app.command(epilog=examples("halocline farm template night.toml --out night.template.json --chunk 20"))
def template(
    job: JobArgument,
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write; the terminal where not given.")
    ] = None,
    chunk: Annotated[int, typer.Option("--chunk", min=1, help="Frames that one task makes.")] = 10,
    timeout: Annotated[
        int | None,
        typer.Option(
            "--timeout",
            min=1,
            metavar="SECONDS",
            help="Stop a task that takes longer; no limit if not given.",
        ),
    ] = None,
    allow: AllowOption = None,
    overwrite: OverwriteOption = False,
) -> None:
    """Write a job as a template of the Open Job Description standard, for render managers.

    A worker must have the memory that a shot's job file states, or that one frame of it takes by its header,
    and the processors that the job file states. Folders of renders and frames below the template's own are
    declared. With --chunk 1 it needs no extension of the standard; otherwise it needs TASK_CHUNKING.
    """
    whole = read_job(job, allowed=allow or ())
    made = job_template(
        whole,
        [_needs(shot) for shot in whole.shots],
        folder=Path() if out is None else out.parent,
        frames_a_task=chunk,
        seconds=timeout,
        allowed=allow or (),
    )
    text = json.dumps(made, indent=2, ensure_ascii=False)
    if out is None:
        typer.echo(text)
    else:
        _refuse_job_file(out, job)
        write_whole(out, f"{text}\n".encode(), overwrite=overwrite, make_folder=True)


@app.command(epilog=examples("halocline farm review night.toml --shot archway_010"))
def review(
    job: JobArgument,
    shots: Annotated[
        list[str] | None, typer.Option("--shot", metavar="NAME", help="Only this shot; may be given again.")
    ] = None,
    allow: AllowOption = None,
    log: LogOption = LogForm.text,
) -> None:
    """Check the finished frames of a job's shots, and put what is found on record beside them.

    The exit status is 1 where anything is found or a frame is missing.
    """
    whole = read_job(job, allowed=allow or ())
    chosen = [whole.shot(name) for name in shots] if shots else list(whole.shots)
    planned, refused = _planned(chosen, None, overwrite=True, log=log)
    refuse_collisions(plan for _, _, plan in planned)
    clean = not refused
    for shot, look, plan in planned:
        if log is LogForm.text:
            say(f"shot {shot.name}")
        complete = all(task.out.exists() for task in plan.tasks)
        clean = review_shot(plan, look, log).passes and complete and clean
    if not clean:
        raise typer.Exit(SOME_FAILED)


def _means(given: Means, shot: JobShot) -> Means:
    """Return what a shot may use: what the command line says holds over what the job file does."""
    return replace(
        given,
        processes=given.processes or shot.processes,
        threads=given.threads or shot.threads,
        memory_bytes=given.memory_bytes or shot.memory_bytes,
    )


def _refuse_job_file(out: Path, job: Path) -> None:
    if out.exists() and out.samefile(job):
        raise WriteError(
            "is the job file itself, which is never written over",
            code="E-WRITE-INPUT",
            where=str(out),
            fix=f"Give another name, such as --out {job.with_suffix('.template.json').name}.",
        )


def _needs(shot: JobShot) -> ShotNeeds:
    """Return what a render manager must know of a shot; its renders may still be to come."""
    plan = shot.plan(overwrite=True)
    memory = shot.memory_bytes or least_memory(plan.tasks, shot.load_preset())
    stated = shot.processes is not None or shot.threads is not None
    return ShotNeeds(
        sorted([*(task.frame for task in plan.tasks), *(each.frame for each in plan.skipped)]),
        memory,
        (shot.processes or 1) * (shot.threads or 1) if stated else None,
        [path.parent for path in dict.fromkeys(path for task in plan.tasks for path in task.files)],
        [task.out.parent for task in plan.tasks],
    )


def _planned(
    shots: list[JobShot], frames: str | None, *, overwrite: bool, log: LogForm
) -> tuple[list[tuple[JobShot, Preset, ShotPlan]], int]:
    """Plan shots; tell of those that cannot be begun, and count them."""
    planned, refused = [], 0
    for shot in shots:
        try:
            look = shot.load_preset()
            look.refuse_late_mistakes()
            planned.append((shot, look, shot.plan(frames=frames, overwrite=overwrite)))
        except HaloclineError as error:
            refused += 1
            _tell_refused(shot, error, log)
    return planned, refused


def _tell_refused(shot: JobShot, error: HaloclineError, log: LogForm) -> None:
    placed = error.located(f"shot {shot.name}")
    if log is LogForm.json:
        json_line(event="shot", shot=shot.name, status="refused", error=error_record(placed))
    else:
        say_error(placed)
