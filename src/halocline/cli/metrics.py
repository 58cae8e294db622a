"""How far a run is, in a text file that Prometheus reads (its node exporter's textfile collector does).

The file is written anew, whole, after every frame; the client library is optional.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from halocline.cli.output import say_warning
from halocline.errors import JobError

if TYPE_CHECKING:
    # At run time they are imported where progress is told: other commands need no batch.
    from halocline.batch.events import Event

# Kinds of events, as the log for machines names them.
STATUSES = ("done", "kept", "failed", "elsewhere", "skipped")


class Metrics:
    """The file, and what is in it.

    Parameters
    ----------
    path
        The file, whose folder is there.

    Raises
    ------
    JobError
        ``E-JOB-METRICS`` where the client library is not installed, or the file cannot be written.
    """

    def __init__(self, path: Path) -> None:
        try:
            import prometheus_client as client  # noqa: PLC0415 - an optional package
        except ImportError as error:
            raise JobError(
                "the Prometheus client library is not installed",
                code="E-JOB-METRICS",
                where="--metrics",
                fix='Install it: pip install "halocline[metrics]".',
            ) from error
        self._path = path
        self._write: Any = client.write_to_textfile
        self._registry = client.CollectorRegistry()

        def gauge(name: str, meaning: str, *labels: str) -> Any:
            return client.Gauge(f"halocline_{name}", meaning, ("shot", *labels), registry=self._registry)

        def counter(name: str, meaning: str, *labels: str) -> Any:
            return client.Counter(f"halocline_{name}", meaning, ("shot", *labels), registry=self._registry)

        self._wanted = gauge("frames_wanted", "Frames of the shot.")
        self._frames = counter("frames", "Frames by what became of them.", "status")
        self._seconds = counter("frame_seconds", "Seconds spent on finished frames.", "stage")
        self._memory = gauge("peak_memory_bytes", "Largest memory of a process that made frames.")
        self._latest = gauge("latest_frame_time_seconds", "When something became of a frame, since 1970.")
        self._largest: dict[str, int] = {}
        self._told = False
        try:
            self._write(str(path), self._registry)
        except OSError as error:
            raise JobError(
                f"cannot be written ({error.strerror})",
                code="E-JOB-METRICS",
                where=str(path),
                fix="Give a file in a folder that is there and can be written to.",
            ) from error

    def begin(self, shot: str, frames: int) -> None:
        """Note that a shot of so many frames begins."""
        self._wanted.labels(shot).set(frames)
        for status in STATUSES:
            self._frames.labels(shot, status)
        self._save()

    def tell(self, shot: str, event: Event) -> None:
        """Note what became of a frame."""
        from halocline.batch.events import FrameDone, status_of  # noqa: PLC0415

        self._frames.labels(shot, status_of(event)).inc()
        self._latest.labels(shot).set_to_current_time()
        if isinstance(event, FrameDone):
            for stage, seconds in event.record.seconds.items():
                self._seconds.labels(shot, stage).inc(seconds)
            self._largest[shot] = max(self._largest.get(shot, 0), event.record.peak_memory_bytes)
            self._memory.labels(shot).set(self._largest[shot])
        self._save()

    def _save(self) -> None:
        """Write the file; where that fails, frames are worth more, and a person is told once."""
        try:
            self._write(str(self._path), self._registry)
        except OSError as error:
            if not self._told:
                say_warning(f"--metrics {self._path}: cannot be written ({error.strerror}); the job goes on")
            self._told = True
