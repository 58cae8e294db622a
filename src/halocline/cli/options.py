"""Options and arguments that several commands take, each stated once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from halocline.cli.output import LogForm
from halocline.errors import JobError

PresetArgument = Annotated[
    str, typer.Argument(metavar="PRESET", help="Preset file, or name of a shipped one.")
]
SetOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Set one key of the preset; may be given again."),
]
OutOption = Annotated[str, typer.Option("--out", help="Folder, file or frame pattern to write.")]
DepthOption = Annotated[
    str | None, typer.Option("--depth", help="Depth pass, where it is not in the frames' own files.")
]
PassOption = Annotated[
    list[str] | None,
    typer.Option(
        "--pass",
        metavar="NAME=FRAMES",
        help="Files of a pass that has its own: a matte, normal, position ...; may be given again.",
    ),
]
FramesOption = Annotated[
    str | None, typer.Option("--frames", metavar="RANGE", help="Frames, such as 1001-1100x2.")
]
ThreadsOption = Annotated[
    int | None,
    typer.Option("--threads", min=1, help="Computing threads in each process; from the cores if not given."),
]
ProcessesOption = Annotated[
    int | None,
    typer.Option("--processes", min=1, help="Processes; from cores and memory if not given."),
]
MemoryOption = Annotated[
    str | None,
    typer.Option("--memory", metavar="AMOUNT", help="Memory for all processes, as 16G; 0.8 of the free."),
]
SchedulerOption = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="Use the machines of this dask scheduler."),
]
OverwriteOption = Annotated[bool, typer.Option("--overwrite", help="Replace files that are there.")]
ResumeOption = Annotated[
    bool, typer.Option("--resume", help="Make only frames that are missing, damaged or out of date.")
]
DryRunOption = Annotated[bool, typer.Option("--dry-run", help="Show what would be done; do nothing.")]
CheckOption = Annotated[
    bool, typer.Option("--check/--no-check", help="Look over the finished frames (see: halocline check).")
]
StrictOption = Annotated[
    bool,
    typer.Option("--strict", help="Refuse input whose unit or kind is in doubt, before the first frame."),
]
LogOption = Annotated[LogForm, typer.Option("--log", help="How to tell progress.")]
MetricsOption = Annotated[
    Path | None,
    typer.Option(
        "--metrics", metavar="FILE", help="Keep a Prometheus text file up to date with how far it is."
    ),
]
DisplayOption = Annotated[str | None, typer.Option("--display", help="Display of the colour configuration.")]
ViewOption = Annotated[str | None, typer.Option("--view", help="View of the display.")]
WidthOption = Annotated[int, typer.Option("--width", min=120, max=1920, help="Pixels across each picture.")]


def from_the_root(text: str) -> str:
    """Return a file, folder or pattern from the root: others' commands were begun in other folders."""
    return text if Path(text).is_absolute() else f"{Path.cwd()}/{text}"


def passes_given(texts: list[str] | None) -> dict[str, str]:
    """Return the patterns that ``--pass NAME=FRAMES`` gives, by name.

    Raises
    ------
    JobError
        ``E-JOB-PASS`` where one is not of that form, or two are of one name.
    """
    found: dict[str, str] = {}
    for text in texts or ():
        name, sign, pattern = text.partition("=")
        if not (name and sign and pattern) or name in found:
            raise JobError(
                f"--pass {text}: {'given twice' if name in found else 'not of the form NAME=FRAMES'}",
                code="E-JOB-PASS",
                fix="Write each pass once, as --pass arch=mattes/arch.####.exr.",
            )
        found[name] = pattern
    return found
