"""`halocline check`: finished sequences looked at."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Annotated

import typer

from halocline.batch.manifest import MANIFEST_NAME, Manifest
from halocline.cli.examples import examples
from halocline.cli.exit_status import SOME_FAILED
from halocline.cli.output import say_warning
from halocline.errors import JobError
from halocline.imaging.sequence import parse_pattern
from halocline.plain_text import one_line
from halocline.review.checked_frame import CheckOptions
from halocline.review.checks import check_sequence
from halocline.review.flash import Display

EXAMPLES = examples(
    "halocline check 'wet/shot.####.exr'", "halocline check 'wet/shot.####.exr' --fps 25 --json"
)


def check(
    source: Annotated[str, typer.Argument(metavar="SEQUENCE", help="Frame pattern, or an EXR file.")],
    frames: Annotated[
        str | None, typer.Option("--frames", metavar="RANGE", help="Frames, such as 1001-1100.")
    ] = None,
    fps: Annotated[
        float | None, typer.Option("--fps", min=1.0, max=1000.0, help="Frames a second; else the files'.")
    ] = None,
    display: Annotated[str | None, typer.Option("--display", help="Display of the colour setup.")] = None,
    view: Annotated[str | None, typer.Option("--view", help="View of the colour setup.")] = None,
    peak: Annotated[
        float, typer.Option("--peak", min=1.0, help="White of the display, cd/m2, for the flash check.")
    ] = 200.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Look for bad pixels, flicker, odd metadata, missing frames and unsafe flashes.

    The flash check follows ITU-R BT.1702 and W3C WCAG 2.3.1 on the pictures as a display shows them. It is a
    pre-check: it does not replace a certified test. The exit status is 1 where anything is found.
    """
    options = CheckOptions(fps=fps, display=display, view=view, screen=Display(peak_cd=peak))
    expected, left_out = ((), ()) if frames is not None else _on_record(source)
    report = check_sequence(source, frames=frames, options=options, expected=expected, left_out=left_out)
    if as_json:
        typer.echo(json.dumps(report.to_dict(), indent=2, ensure_ascii=False))
    else:
        typer.echo("\n".join(map(one_line, report.lines())))
    if not report.passes:
        raise typer.Exit(SOME_FAILED)


def _on_record(source: str) -> tuple[Sequence[int], Sequence[int]]:
    """Return the frames that a manifest beside a sequence has as made or failed, and as left out."""
    sequence = parse_pattern(source)
    if not sequence.is_numbered or sequence.frames or not (sequence.folder / MANIFEST_NAME).exists():
        return (), ()
    try:
        frames = Manifest(sequence.folder).news().values()
    except JobError as error:
        say_warning(f"{error.where}: {error.message}")
        return (), ()
    ordered: list[int] = []
    skipped: list[int] = []
    for record in frames:
        frame = record.get("frame")
        if type(frame) is int and sequence.path(frame).name == record["out"]:
            (skipped if record.get("status") == "skipped" else ordered).append(frame)
    return ordered, skipped
