"""Job files: many shots, each with its preset, renders and output, in one TOML file.

    format = 1
    title = "Fjord, night of the 12th"
    preset = "fjord-archway"                      # for shots that name none

    [shots.archway_010]
    beauty = "renders/010/beauty.####.exr"
    depth  = "renders/010/depth.####.exr"         # where it is not in the beauty's files
    passes = { arch = "mattes/010/arch.####.exr" }  # passes that have files of their own
    out    = "wet/010/"
    frames = "1001-1048"                          # all that are there where left out
    missing = "hold"                              # stop (default), skip, hold
    set    = ["water.secchi_depth=6"]
    layers = ["transmittance"]                    # besides the picture
    threads = 2                                   # also: processes, memory = "16G"

What a table ``[defaults]`` says holds for every shot that does not say otherwise.

Paths start from the job file's folder. A job file may come from a stranger: it reaches nothing outside its
own folder and the folders that the user names.
"""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field

from halocline.batch.memory_budget import parse_memory
from halocline.batch.plan_tasks import MissingFrames, ShotPlan, overwriting, plan_shot, refuse_inputs
from halocline.batch.task import FrameTask
from halocline.errors import HaloclineError, JobError, PresetError, did_you_mean
from halocline.files.regular import read_text
from halocline.imaging.sequence import parse_frames
from halocline.late_dataclass import dataclass
from halocline.presets.document import Document, beyond_64_bits, shipped_names
from halocline.presets.lines import KeyOrigin, KeyPath, key_lines
from halocline.presets.preset import Preset, load_preset
from halocline.presets.problems import validated
from halocline.quantities import Strict

FORMAT = 1
LARGEST_FILE_BYTES = 1 << 20
MOST_SHOTS = 5000
_DEEPEST_NEST = 6

_Text = Annotated[str, Field(min_length=1, max_length=4096)]
M = TypeVar("M", bound=Strict)
_Settings = Annotated[tuple[_Text, ...], Field(max_length=1000)]


class ShotDefaults(Strict):
    """What a shot, or all that do not say otherwise, may state.

    Attributes
    ----------
    preset
        Preset file, or name of a shipped one.
    frames
        Range of frames; all that are there where not given.
    missing
        What to do about frames that are not there: ``"stop"`` where not given.
    set
        Single keys of the preset, each ``"SECTION.KEY=VALUE"``; after the job's own.
    layers
        Layers to write besides the picture, as ``output.layers``.
    processes, threads
        Processes, and computing threads in each; from processors and memory where not given.
    memory
        Memory for all processes, such as ``"16G"``.
    """

    preset: _Text | None = None
    frames: _Text | None = None
    missing: Literal["stop", "skip", "hold"] | None = None
    set: _Settings = ()
    layers: Annotated[tuple[_Text, ...], Field(max_length=1000)] | None = None
    processes: Annotated[int, Field(ge=1, le=4096)] | None = None
    threads: Annotated[int, Field(ge=1, le=4096)] | None = None
    memory: _Text | None = None


class ShotSection(ShotDefaults):
    """One shot; see `ShotDefaults` for the rest.

    Attributes
    ----------
    beauty, depth
        Files or patterns; depth where it is not in the beauty's files.
    passes
        Files or patterns of passes that have files of their own, by name: ``normal``, ``position``, or the
        name of a matte, a light or any other pass.
    out
        Folder, pattern or file to write.
    """

    beauty: _Text
    out: _Text
    depth: _Text | None = None
    passes: dict[str, _Text] = Field(default_factory=dict, max_length=100)


class JobHead(Strict):
    """What a job file says besides its shots.

    Attributes
    ----------
    format
        1.
    title
        For people.
    preset, set
        For all shots; see `ShotDefaults`.
    defaults
        For all shots that do not say otherwise.
    """

    format: Annotated[int, Field(ge=FORMAT, le=FORMAT)]
    title: Annotated[str, Field(max_length=120)] = ""
    preset: _Text | None = None
    set: _Settings = ()
    defaults: ShotDefaults = ShotDefaults()

    def for_shot(self, shot: ShotSection) -> ShotSection:
        """Return a shot with what it does not say itself."""
        defaults = self.defaults
        given = {
            key: value
            for key in ShotDefaults.model_fields
            if (value := getattr(defaults, key)) is not None and getattr(shot, key) is None
        }
        if shot.preset is None and defaults.preset is None:
            given["preset"] = self.preset
        return shot.model_copy(update={**given, "set": (*self.set, *defaults.set, *shot.set)})


@dataclass(frozen=True)
class JobShot:
    """One shot of a job, its paths found and allowed.

    Attributes
    ----------
    name
        What the job calls it.
    preset, settings
        The look: a path or the name of a shipped preset, and keys that are set over it.
    beauty, depth
        Patterns of the input; no depth where it is in the beauty's files.
    passes
        Patterns of passes that have files of their own, by name.
    out
        Folder, pattern or file of the output.
    frames
        Range of frames; all that are there where not given.
    missing
        What to do about frames that are not there.
    folders
        Folders that the job may use.
    processes, threads, memory_bytes
        What the job file allows it; None where it says nothing.
    """

    name: str
    preset: str
    settings: tuple[str, ...]
    beauty: Path
    depth: Path | None
    passes: Mapping[str, Path]
    out: str
    frames: str | None
    missing: MissingFrames
    folders: tuple[str, ...]
    processes: int | None = None
    threads: int | None = None
    memory_bytes: int | None = None

    def load_preset(self) -> Preset:
        """Return the shot's look. Raises PresetError as `halocline.presets.preset.load_preset`."""
        return load_preset(self.preset, self.settings)

    def plan(self, *, frames: str | None = None, overwrite: bool = False) -> ShotPlan:
        """Plan the shot's frames, or a chunk of them.

        Raises
        ------
        JobError
            ``E-JOB-PATH`` where a file is a link to outside the folders that the job may use; others as
            `halocline.batch.plan_tasks.plan_shot`.
        """
        plan = plan_shot(
            self.beauty,
            depth=self.depth,
            passes=self.passes,
            out=self.out,
            frames=frames or self.frames,
            overwrite=overwrite,
            missing=self.missing,
        )
        for path in dict.fromkeys(path for task in plan.tasks for path in _files_of(task)):
            if not _inside(path, self.folders):
                raise JobError(
                    "is a link that leads outside the folders that this job may use",
                    code="E-JOB-PATH",
                    where=str(path),
                    fix="Put the file itself there, or name its folder on the command line: --allow FOLDER.",
                )
        return plan


@dataclass(frozen=True)
class Job:
    """A job file, checked."""

    path: Path
    title: str
    shots: tuple[JobShot, ...]

    def shot(self, name: str) -> JobShot:
        """Return a shot by name.

        Raises
        ------
        JobError
            ``E-JOB-SHOT``.
        """
        for shot in self.shots:
            if shot.name == name:
                return shot
        names = [shot.name for shot in self.shots]
        raise JobError(
            f'there is no shot "{name}"',
            code="E-JOB-SHOT",
            where=str(self.path),
            fix=f"Shots: {', '.join(names[:20])}.{did_you_mean(name, names)}",
        )


def read_job(path: str | Path, *, allowed: Iterable[str | Path] = ()) -> Job:
    """Read and check a job file.

    Parameters
    ----------
    path
        The file.
    allowed
        Folders that it may read from and write to, besides its own.

    Returns
    -------
    Job
        The job, checked; that its frames are there is not.

    Raises
    ------
    JobError
        ``E-JOB-FILE`` with every mistake of the file in ``problems``; ``E-JOB-READ`` where it is no TOML.
    """
    job, mistakes = read_what_is_right(path, allowed=allowed)
    if mistakes is not None:
        raise mistakes
    return job


def read_what_is_right(
    path: str | Path, *, allowed: Iterable[str | Path] = ()
) -> tuple[Job, JobError | None]:
    """Read a job file as far as it is right: its other shots can be looked at while somebody mends it.

    Parameters
    ----------
    path, allowed
        As for `read_job`.

    Returns
    -------
    tuple[Job, JobError | None]
        The job, and every mistake of the file. Where there is one, shots may lack keys that they state, and
        those are left out of which it is not known what they read or where they write.

    Raises
    ------
    JobError
        ``E-JOB-READ`` where it is no TOML.
    """
    path = Path(path)
    document = _document(path)
    tables = dict(document.tables)
    shots = tables.pop("shots", {})
    head, problems = _as_far_as_right(JobHead, tables, (), document)
    sections, wrong = _sections(shots, document)
    problems += wrong
    lacking = {problem.key for problem in wrong}
    found: list[JobShot] = []
    if head is not None:
        reach = _Reach(path, tuple(os.path.realpath(folder) for folder in (path.parent, *allowed)))
        for name, section in sections.items():
            shot, wrong = _shot(name, head.for_shot(section), reach, document)
            problems += wrong
            if shot is not None and not lacking & {("shots", name, "beauty"), ("shots", name, "out")}:
                found.append(shot)
    title = "" if head is None else head.title
    return Job(path, title or path.stem, tuple(found)), _invalid(path, problems) if problems else None


def collisions(plans: Mapping[str, ShotPlan]) -> dict[str, HaloclineError]:
    """Return which shots would write over others, or over what any reads, each with the first such file.

    Parameters
    ----------
    plans
        The plan of each shot of a job, by its name.

    Returns
    -------
    dict[str, HaloclineError]
        By the shot's name, as `halocline.batch.plan_tasks.refuse_inputs` raises it.
    """
    shots = [name for name, plan in plans.items() for _ in plan.tasks]
    found: dict[str, HaloclineError] = {}
    for number, error in overwriting(task for plan in plans.values() for task in plan.tasks):
        found.setdefault(shots[number], error)
    return found


def refuse_collisions(plans: Iterable[ShotPlan]) -> None:
    """Refuse shots that would write over each other, or over what another reads.

    Parameters
    ----------
    plans
        The plans of all shots of a job.

    Raises
    ------
    WriteError, JobError
        As `halocline.batch.plan_tasks.refuse_inputs`.
    """
    refuse_inputs(task for plan in plans for task in plan.tasks)


def _document(path: Path) -> Document:
    try:
        text = read_text(path, LARGEST_FILE_BYTES)
        tables = tomllib.loads(text)
        if beyond_64_bits(tables) is not None:
            raise ValueError("a whole number is beyond 64 bits")
    except (OSError, ValueError, RecursionError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise JobError(
            f"the job file cannot be read: {reason or error}",
            code="E-JOB-READ",
            where=str(path),
            fix="A job file is TOML; see toml.io for the syntax.",
        ) from None
    if _depth(tables) > _DEEPEST_NEST:
        raise JobError(
            f"tables are nested more than {_DEEPEST_NEST} deep",
            code="E-JOB-READ",
            where=str(path),
            fix="Take brackets away: a job is [shots.NAME] and the keys below it.",
        )
    origins = {key: KeyOrigin(path.name, line) for key, line in key_lines(text).items()}
    return Document(path.name, tables, origins, path.parent)


def _depth(value: Any) -> int:
    children = value.values() if isinstance(value, dict) else value if isinstance(value, list) else None
    return 0 if children is None else 1 + max(map(_depth, children), default=0)


def _sections(shots: Any, document: Document) -> tuple[dict[str, ShotSection], list[HaloclineError]]:
    """Return the shots' tables by name, and every mistake in them."""
    if not isinstance(shots, dict) or not shots or len(shots) > MOST_SHOTS:
        return {}, [
            _mistake(
                f"a job has 1 to {MOST_SHOTS} shots, each a table [shots.NAME]",
                ("shots",),
                document,
                code="E-JOB-SHOT",
                fix="Add a table such as [shots.archway_010] with beauty and out.",
            )
        ]
    checked = {
        name: _as_far_as_right(ShotSection, table, ("shots", name), document, beauty=".", out=".")
        for name, table in shots.items()
    }
    problems = [problem for _, wrong in checked.values() for problem in wrong]
    return {name: section for name, (section, _) in checked.items() if section is not None}, problems


def _as_far_as_right(
    model: type[M], table: Any, path: KeyPath, document: Document, **lacking: str
) -> tuple[M | None, list[HaloclineError]]:
    """Return a table as its model, without the keys that do not fit it, and every mistake in it.

    Keys that it must have and that are ``lacking`` have the values given here then.
    """
    whole, problems = validated(model, table, path, document)
    if whole is not None or not isinstance(table, Mapping):
        return whole, problems
    wrong = {problem.key[len(path)] for problem in problems if len(problem.key) > len(path)}
    right = {**lacking, **{key: value for key, value in table.items() if key not in wrong}}
    return validated(model, right, path, document)[0], problems


def _mistake(message: str, path: KeyPath, document: Document, *, code: str, fix: str | None) -> JobError:
    """Return a mistake at a key of the job file, with its place in words and as data."""
    file, line = document.origin(path)
    return JobError(message, code=code, where=document.where(path), fix=fix, key=path, file=file, line=line)


@dataclass(frozen=True)
class _Reach:
    """The folders that a job file may use."""

    job: Path
    folders: tuple[str, ...]

    def path(self, text: str) -> Path:
        """Return a path of the job file; ValueError where it leads outside."""
        if "\0" in text:
            raise ValueError("a path cannot hold a null character")
        path = self.job.parent / text
        if not _inside(path, self.folders):
            raise ValueError(f"{text} lies outside the folders that this job may use")
        return path


def _inside(path: Path, folders: tuple[str, ...]) -> bool:
    """Tell whether a path, links followed, is in one of some folders, which have no links in their names."""
    return any(Path(os.path.realpath(path)).is_relative_to(folder) for folder in folders)


def _files_of(task: FrameTask) -> Iterator[Path]:
    """Yield every file that a task reads, and the folder that it writes to."""
    yield from (*task.files, *task.neighbours.values(), task.out.parent)
    for reference in task.references:
        yield from reference.by_role.values()


def _shot(
    name: str,
    section: ShotSection,
    reach: _Reach,
    document: Document,
) -> tuple[JobShot | None, list[HaloclineError]]:
    """Return a shot with its paths found, or nothing, and what is wrong with it."""
    problems: list[HaloclineError] = []

    def wrong(key: str, message: str, fix: str | None, code: str = "E-JOB-PATH") -> None:
        path = ("shots", name, *key.split(".", 1))
        problems.append(_mistake(f"{name}: {message}", path, document, code=code, fix=fix))

    paths: dict[str, Path] = {}
    stated = {key: getattr(section, key) for key in ("beauty", "depth", "out")}
    stated |= {f"passes.{key}": text for key, text in section.passes.items()}
    for key, text in stated.items():
        try:
            if text is not None:
                paths[key] = reach.path(text)
        except ValueError as error:
            wrong(key, str(error), "Move it, or name its folder on the command line: --allow FOLDER.")
    preset = section.preset
    if preset is None:
        wrong("preset", "no preset, neither here nor for the whole job", 'Add preset = "NAME".', "E-JOB-FILE")
    elif preset not in shipped_names():
        try:
            preset = str(reach.path(preset if preset.endswith(".toml") else f"{preset}.toml"))
        except ValueError as error:
            wrong("preset", str(error), "Put it beside the job file, or name its folder: --allow FOLDER.")
    frames = section.frames
    if frames is not None:
        try:
            parse_frames(frames)
        except HaloclineError as error:
            frames = None
            wrong("frames", error.message, error.fix, error.code)
    memory: int | None = None
    if section.memory is not None:
        try:
            memory = parse_memory(section.memory)
        except JobError as error:
            wrong("memory", error.message, error.fix, error.code)
    layers = () if section.layers is None else (f"output.layers={json.dumps(section.layers)}",)
    if preset is None or not {"beauty", "out"} <= paths.keys():
        return None, problems
    shot = JobShot(
        name=name,
        preset=preset,
        settings=(*section.set, *layers),
        beauty=paths["beauty"],
        depth=paths.get("depth"),
        passes={key.partition(".")[2]: path for key, path in paths.items() if key.startswith("passes.")},
        # A slash at the end says that it is a folder; a path would drop it.
        out=f"{paths['out']}/" if section.out.endswith("/") else str(paths["out"]),
        frames=frames,
        missing=MissingFrames(section.missing or "stop"),
        folders=reach.folders,
        processes=section.processes,
        threads=section.threads,
        memory_bytes=memory,
    )
    return shot, problems


def _invalid(path: Path, problems: Sequence[HaloclineError]) -> JobError:
    told = [_of_a_job(problem) if isinstance(problem, PresetError) else problem for problem in problems]
    count = f"{len(told)} mistakes" if len(told) > 1 else "1 mistake"
    return JobError(
        f"the job file has {count}",
        code="E-JOB-FILE",
        where=str(path),
        fix="Fix them, then run: halocline farm check",
        problems=told,
    )


def _of_a_job(problem: PresetError) -> JobError:
    """Return what the models say of a table as a mistake of the job file."""
    return JobError(
        problem.message,
        code="E-JOB-FILE",
        where=problem.where,
        fix=problem.fix,
        key=problem.key,
        file=problem.file,
        line=problem.line,
    )
