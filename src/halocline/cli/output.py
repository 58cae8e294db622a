"""What the command prints: plain lines for a log file, colour and a bar for a person, JSON for machines."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from halocline.errors import HaloclineError
from halocline.plain_text import lines, one_line

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    # At run time they are imported where progress is told: other commands need no batch.
    from halocline.batch.events import Event


class LogForm(StrEnum):
    """How progress is told."""

    text = "text"
    json = "json"


# What asks for colours where nobody is seen to watch.
_COLOURS_ASKED = ("FORCE_COLOR", "TTY_COMPATIBLE")


def console() -> Console | None:
    """Return standard error for a person who watches; None for a file or another program, without colours."""
    if not sys.stderr.isatty() and not any(os.environ.get(name) for name in _COLOURS_ASKED):
        return None
    # It takes longer to import than `halocline --help` in all.
    from rich.console import Console  # noqa: PLC0415

    return Console(stderr=True, highlight=False, soft_wrap=True, emoji=False)


def say(line: str, *, style: str | None = None) -> None:
    """Print a line for a person on standard error, where everything but results goes."""
    say_lines(one_line(line), style=style)


def say_lines(text: str, *, style: str | None = None) -> None:
    """Print lines for a person: what they quote cannot steer the terminal any more."""
    screen = console()
    if screen is None:
        sys.stderr.write(text + "\n")
        sys.stderr.flush()
    else:
        screen.print(text, style=style, markup=False)


def say_error(error: HaloclineError) -> None:
    """Print an error, whole."""
    say_lines(f"error: {lines(str(error))}", style="red")


def say_warning(warning: str) -> None:
    """Print a warning."""
    say(f"warning: {warning}", style="yellow")


def say_warnings(warnings: tuple[str, ...], told: set[str], where: str) -> None:
    """Print each warning that has not been printed before."""
    for warning in warnings:
        if warning not in told:
            told.add(warning)
            say_warning(f"{where}: {warning}")


def json_line(**fields: Any) -> None:
    """Print one record of the machine-readable log, with the time."""
    fields = {**fields, "time": datetime.now(UTC).isoformat(timespec="milliseconds")}
    # Escapes, where a terminal or a name that is no text is concerned; JSON reads them as the same.
    text = json.dumps(fields, ensure_ascii=False, default=str)
    safe = one_line(text) == text
    sys.stdout.write((text if safe else json.dumps(fields, default=str)) + "\n")
    sys.stdout.flush()


def error_record(error: HaloclineError) -> dict[str, Any]:
    """Return an error's parts for the machine-readable log."""
    from halocline.batch.manifest import error_fields  # noqa: PLC0415

    return error_fields(error)


class Teller:
    """Tells the progress of a run in one of the forms."""

    def __init__(self, form: LogForm, total: int, *, told: Iterable[str] = ()) -> None:
        self.form = form
        self.total = total
        self.count = 0
        # What was told before the first frame need not be told of each.
        self.told: set[str] = set(told)
        self._bar: Progress | None = None
        self._task: Any = None

    @contextmanager
    def running(self) -> Iterator[Teller]:
        """Show a bar while frames are made, where a person is watching."""
        screen = console()
        if self.form is LogForm.json or screen is None or not screen.is_terminal:
            yield self
            return
        from rich.progress import (  # noqa: PLC0415
            BarColumn,
            MofNCompleteColumn,
            Progress,
            TextColumn,
            TimeRemainingColumn,
        )

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=screen, transient=True) as self._bar:
            self._task = self._bar.add_task("frames", total=self.total)
            yield self

    def tell(self, event: Event) -> None:
        """Tell the outcome of one frame."""
        self.count += 1
        if self._bar is not None:
            self._bar.advance(self._task)
        if self.form is LogForm.json:
            json_line(event="frame", **_fields(event))
        else:
            self._tell_person(event)

    def _tell_person(self, event: Event) -> None:
        from halocline.batch.events import (  # noqa: PLC0415
            FrameDone,
            FrameElsewhere,
            FrameFailed,
            FrameKept,
            FrameSkipped,
        )

        head = f"[{self.count}/{self.total}] frame"
        match event:
            case FrameFailed():
                say_error(event.error)
            case FrameDone():
                record = event.record
                say_warnings(record.warnings, self.told, f"frame {record.frame}")
                if self._bar is None:
                    say(f"{head} {record.frame}  {record.out}  {sum(record.seconds.values()):.2f} s")
            case FrameKept():
                if self._bar is None:
                    say(f"{head} {event.task.frame}  {event.task.out}  kept: {event.reason}")
            case FrameElsewhere():
                say(f"{head} {event.task.frame}  {event.task.out}  is being made by {event.holder}")
            case FrameSkipped():
                say(f"{head} {event.frame}  left out: {event.where} is not there")


def _fields(event: Event) -> dict[str, Any]:
    from halocline.batch.events import (  # noqa: PLC0415
        Attempt,
        FrameDone,
        FrameElsewhere,
        FrameFailed,
        FrameKept,
        FrameSkipped,
    )
    from halocline.batch.manifest import attempt_fields, done_fields, failed_fields  # noqa: PLC0415

    # Of what nobody works on, it is told who found it so.
    here = attempt_fields(Attempt.here())
    match event:
        case FrameDone():
            return {**done_fields(event.record), "out": str(event.record.out)}
        case FrameFailed():
            return {**failed_fields(event), "out": str(event.task.out)}
        case FrameKept():
            return {
                "frame": event.task.frame,
                "status": "kept",
                "out": str(event.task.out),
                "reason": event.reason,
                **here,
            }
        case FrameElsewhere():
            return {
                "frame": event.task.frame,
                "status": "elsewhere",
                "out": str(event.task.out),
                "holder": event.holder,
                **here,
            }
        case FrameSkipped():
            return {
                "frame": event.frame,
                "status": "skipped",
                "out": str(event.out),
                "missing": event.where,
                **here,
            }
