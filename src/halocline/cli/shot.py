"""Running one shot from the command line: shared by `apply` and the farm's jobs."""

from __future__ import annotations

from contextlib import ExitStack, closing, nullcontext
from dataclasses import replace

import typer

from halocline.batch.events import Event, Summary
from halocline.batch.first_look import FirstLook, look_first
from halocline.batch.loops_of_looks import loops_of
from halocline.batch.manifest import Manifest
from halocline.batch.means import Means, choose_maker
from halocline.batch.nursery import Nursery
from halocline.batch.origins import origins_of_sequence
from halocline.batch.output_folder import space_warnings
from halocline.batch.output_look import BELOW_ZERO
from halocline.batch.pipeline import Pipeline
from halocline.batch.plan_tasks import ShotPlan
from halocline.batch.run import judge_plan, run_frames
from halocline.cli.exit_status import ALL_DONE, NOTHING_POSSIBLE, OTHERS_AT_WORK, SOME_FAILED
from halocline.cli.metrics import Metrics
from halocline.cli.output import LogForm, Teller, json_line, say, say_lines, say_warning
from halocline.compute import disk_cache
from halocline.compute.ahead import compiling_ahead
from halocline.compute.machine_code import is_kept
from halocline.compute.planes_on_disk import planes_on_disk
from halocline.imaging.sequence import frame_text
from halocline.late_dataclass import dataclass
from halocline.plain_text import one_line
from halocline.presets.preset import Preset
from halocline.presets.remarks import renamed_keys
from halocline.review.checked_frame import CheckOptions
from halocline.review.checks import CheckReport, check_sequence

# A smaller share of pixels below 0 is not worth a word.
_TOLD_SHARE = 0.005
# As much as the machine code of a large loop.
_A_LOOP_BYTES = 1 << 18


@dataclass(frozen=True)
class RunOptions:
    """How a shot is run, and how that is told."""

    means: Means
    overwrite: bool = False
    resume: bool = False
    check: bool = True
    log: LogForm = LogForm.text
    strict: bool = False
    metrics: Metrics | None = None
    shot: str = ""


def run_shot(plan: ShotPlan, look: Preset, options: RunOptions) -> Summary:
    """Make a shot's frames, telling of the input first, and then of each.

    Raises
    ------
    HaloclineError
        Where the input tells before the first frame that none can be made, or is in doubt and ``strict``.
    """
    with ExitStack() as held:
        means = options.means
        if means.scheduler is None:
            held.enter_context(compiling_ahead(loops_of(look)))
        if means.nursery is None:
            means = replace(means, nursery=held.enter_context(closing(Nursery())))
        return _run(plan, look, replace(options, means=means))


def _compiled_in_vain(look: Preset) -> list[str]:
    """Tell where each process has to compile loops anew: it looks as if nothing went on."""
    wanted = loops_of(look)
    # They are made in this order: where one has no room, the last has none.
    if not wanted or (is_kept(*wanted[0]) and is_kept(*wanted[-1])):
        return []
    why = disk_cache.why_not_kept(_A_LOOP_BYTES)
    if why is None:
        return []
    return [
        f"compiled loops cannot be kept in {disk_cache.place()}: {why}; compiling them anew each time may "
        f"take minutes. Make room there, or name another folder in {disk_cache.PLACE_VARIABLE}."
    ]


def _run(plan: ShotPlan, look: Preset, options: RunOptions) -> Summary:
    # Who computes is told where things are.
    look = origins_of_sequence(look, plan.tasks[0]) if plan.tasks else look
    # Worker processes get ready meanwhile.
    maker, description = choose_maker(plan.tasks, look, options.means)
    on_disk = isinstance(maker, Pipeline) and maker.how.on_disk
    with planes_on_disk(plan.tasks[0].out.parent) if on_disk else nullcontext():
        # Planes are let go of by whoever makes them: the frame is read again.
        seen = look_first(plan.tasks, look, keep=isinstance(maker, Pipeline) and not on_disk)
    if isinstance(maker, Pipeline):
        maker = replace(maker, first=seen.first)
    told = (
        *(str(remark) for remark in renamed_keys(look.document)),
        *space_warnings(seen.tasks),
        *_compiled_in_vain(look),
    )
    total = len(plan.tasks) + len(plan.skipped)
    if options.log is LogForm.json:
        json_line(
            event="start",
            preset=look.name,
            digest=look.digest,
            frames=total,
            means=description,
            input=seen.to_dict(),
            warnings=told,
        )
    else:
        fit = look.bands.worst_delta_e
        say(f"{look.name}: {look.water.name}, band fit CIEDE2000 {fit:.2f}")
        # What is doubtful of a water that ships is the same on every run: `preset show` tells it.
        for caveat in look.water.caveats if look.at(0).water.table else ():
            say_warning(f"water: {caveat}")
        say(description)
        say_first(seen)
        for warning in told:
            say_warning(warning)
    if options.strict:
        seen.refuse_doubts()
    metrics, shot = options.metrics, options.shot or look.name

    def tell(event: Event) -> None:
        teller.tell(event)
        if metrics is not None:
            metrics.tell(shot, event)

    if metrics is not None:
        metrics.begin(shot, total)
    with Teller(options.log, total, told=seen.warnings).running() as teller:
        summary = run_frames(
            seen.tasks,
            look,
            maker=maker,
            overwrite=options.overwrite,
            resume=options.resume,
            skipped=plan.skipped,
            report=tell,
        )
    if options.log is LogForm.json:
        json_line(event="end", **_counts(summary))
    else:
        _say_summary(summary, total)
        if look.at(0).output.gamut_compression is None:
            _say_below_zero(summary, told=any(BELOW_ZERO in line for line in seen.output))
    if options.check and summary.interrupted is None and (summary.done or summary.kept):
        review_shot(plan, look, options.log)
    return summary


def review_shot(plan: ShotPlan, look: Preset, log: LogForm) -> CheckReport:
    """Check a shot's finished frames, tell of what was found, and put it on record."""
    target = plan.target
    there = [task.frame for task in plan.tasks if task.out.exists()]
    frames = frame_text(sorted(there)) if target.is_numbered else None
    options = CheckOptions(fallback_fps=look.at(0).sequence.frames_per_second)
    report = check_sequence(
        target.pattern,
        frames=frames,
        options=options,
        expected=[task.frame for task in plan.tasks] if target.is_numbered else (),
        left_out=[each.frame for each in plan.skipped] if target.is_numbered else (),
    )
    Manifest(target.folder).append("checks", **report.to_dict())
    if log is LogForm.json:
        json_line(event="checks", **report.to_dict())
    else:
        for line in report.lines():
            say(f"check  {line}")
    return report


def show_plan(plan: ShotPlan, look: Preset, *, resume: bool, strict: bool = False) -> int:
    """Print what would be done with each frame, doing nothing; return how many would be made.

    Raises as `run_shot`.
    """
    seen = look_first(plan.tasks, look)
    say_first(seen)
    if strict:
        seen.refuse_doubts()
    verdicts = judge_plan(seen.tasks, look, resume=resume)
    for verdict in verdicts:
        task = verdict.task
        held = f" (frame {task.held_from} stands in)" if task.held_from is not None else ""
        typer.echo(one_line(f"{verdict.action.value:<7} {task.frame}  {task.out}  {verdict.reason}{held}"))
    for skipped in plan.skipped:
        typer.echo(one_line(f"skip    {skipped.frame}  {skipped.out}  {skipped.where} is not there"))
    return sum(verdict.action.value == "render" for verdict in verdicts)


def exit_status(summaries: list[Summary]) -> int:
    """Return the exit status of a run.

    0 all done, 1 some failed, 2 none could be made, 3 all but those that another job is making, 128 + signal.
    """
    interrupted = next((each.interrupted for each in summaries if each.interrupted is not None), None)
    if interrupted is not None:
        return 128 + interrupted
    if all(summary.complete for summary in summaries):
        return ALL_DONE
    if all(summary.complete or summary.awaits_others for summary in summaries):
        return OTHERS_AT_WORK
    good = any(summary.done or summary.kept or summary.elsewhere for summary in summaries)
    return SOME_FAILED if good else NOTHING_POSSIBLE


def say_first(seen: FirstLook, *, writing: bool = True, shot: str = "") -> None:
    """Tell a person what is read, and what to know about it, and about what is written where it is.

    Where several shots are told of in a row, each line says of which.
    """
    if not seen.reads:
        return
    of = f"{shot}, " if shot else ""
    named = {"rgb": "beauty", "alpha": "alpha", "depth": "depth"}
    known = {name: seen.reads.get(plane, ("none",)) for plane, name in named.items()}
    others = {plane: channels for plane, channels in seen.reads.items() if plane not in named}
    text = "; ".join(f"{name} {' '.join(channels)}" for name, channels in {**known, **others}.items())
    say(f"{shot}{': ' if shot else ''}reads {text}")
    for warning in seen.warnings:
        say_warning(f"{of}{seen.where}: {warning}")
    for warning in seen.sequence:
        say_warning(f"{of}sequence: {warning}")
    for warning in seen.output if writing else ():
        say_warning(f"{of}output: {warning}")


def _counts(summary: Summary) -> dict[str, object]:
    return {
        "done": len(summary.done),
        "kept": len(summary.kept),
        "failed": [failure.task.frame for failure in summary.failed],
        "elsewhere": [each.task.frame for each in summary.elsewhere],
        "skipped": [each.frame for each in summary.skipped],
        "not_begun": summary.not_begun,
        "interrupted": summary.interrupted,
        "below_zero": [record.frame for record in summary.done if record.below_zero >= _TOLD_SHARE],
    }


def _say_below_zero(summary: Summary, *, told: bool) -> None:
    """Tell how much of the finished frames the written space could not hold, and what to do unless told."""
    found = {record.frame: record.below_zero for record in summary.done if record.below_zero >= _TOLD_SHARE}
    if found:
        worst = max(found, key=lambda frame: found[frame])
        say_warning(
            f"output: of {len(summary.done)} frames {len(found)} have pixels below 0 in a channel, up to "
            f"{found[worst]:.0%} of them (frame {worst}){'' if told else f': {BELOW_ZERO}'}"
        )


def _say_summary(summary: Summary, total: int) -> None:
    kept = f", {len(summary.kept)} kept" if summary.kept else ""
    say(f"{len(summary.done)} of {total} frames written{kept}.")
    lists = {
        "failed": [failure.task.frame for failure in summary.failed],
        "being made by another job": [each.task.frame for each in summary.elsewhere],
        "left out, no input": [each.frame for each in summary.skipped],
        "interrupted before": summary.not_begun,
    }
    for what, frames in lists.items():
        if frames:
            say_lines(f"{what}: {frame_text(sorted(frames))}", style="red")
