"""What the command prints: plain lines for a log file, colour and a bar for a person, JSON for machines."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from halocline.batch.frame_task import FrameRecord
from halocline.batch.run import Event, FrameDone
from halocline.errors import HaloclineError, PresetError


class LogForm(StrEnum):
    """How progress is told."""

    text = "text"
    json = "json"


def console() -> Console:
    """Return standard error, where everything but results goes."""
    return Console(stderr=True, highlight=False, soft_wrap=True)


def say_error(error: HaloclineError) -> None:
    """Print an error, whole."""
    console().print(f"error: {error}", style="red", markup=False)


def say_warnings(warnings: tuple[str, ...], told: set[str], where: str) -> None:
    """Print each warning that has not been printed before."""
    for warning in warnings:
        if warning not in told:
            told.add(warning)
            console().print(f"warning: {where}: {warning}", style="yellow", markup=False)


def json_line(**fields: Any) -> None:
    """Print one record of the machine-readable log."""
    sys.stdout.write(json.dumps(fields, ensure_ascii=False) + "\n")
    sys.stdout.flush()


def error_record(error: HaloclineError) -> dict[str, Any]:
    """Return an error's parts for the machine-readable log."""
    problems = error.problems if isinstance(error, PresetError) else ()
    return {
        "code": error.code,
        "message": error.message,
        "where": error.where,
        "mend": error.mend,
        **({"problems": [error_record(problem) for problem in problems]} if problems else {}),
    }


class Teller:
    """Tells the progress of a run in one of the forms."""

    def __init__(self, form: LogForm, total: int) -> None:
        self.form = form
        self.total = total
        self.count = 0
        self.told: set[str] = set()
        self._bar: Progress | None = None
        self._task: Any = None

    @contextmanager
    def running(self) -> Iterator[Teller]:
        """Show a bar while frames are made, where a person is watching."""
        screen = console()
        if self.form is LogForm.json or not screen.is_terminal:
            yield self
            return
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
            self._tell_machine(event)
        else:
            self._tell_person(event)

    def _tell_machine(self, event: Event) -> None:
        if isinstance(event, FrameDone):
            json_line(event="frame", status="done", **_record_fields(event.record))
        else:
            json_line(event="frame", status="failed", frame=event.task.frame, error=error_record(event.error))

    def _tell_person(self, event: Event) -> None:
        if not isinstance(event, FrameDone):
            say_error(event.error)
            return
        record = event.record
        say_warnings(record.warnings, self.told, f"frame {record.frame}")
        seconds = sum(record.seconds.values())
        line = f"[{self.count}/{self.total}] frame {record.frame}  {record.out}  {seconds:.2f} s"
        if self._bar is None:
            console().print(line, markup=False)


def _record_fields(record: FrameRecord) -> dict[str, Any]:
    return {
        "frame": record.frame,
        "out": str(record.out),
        "seconds": {stage: round(value, 4) for stage, value in record.seconds.items()},
        "bytes": record.bytes,
        "clamped_values": record.clamped_values,
        "bad_pixels": dict(record.counts),
        "warnings": list(record.warnings),
    }
