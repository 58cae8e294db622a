"""What a manifest comes to: how many frames, which failed and why, where the time went, what was checked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from statistics import median
from typing import Any

from halocline.batch.manifest import Record
from halocline.batch.memory_budget import gibibytes
from halocline.imaging.sequence import frame_text
from halocline.late_dataclass import dataclass

_SLOWEST = 5


@dataclass(frozen=True)
class FailedFrame:
    """A frame that is not there, and why."""

    frame: int
    code: str
    message: str


@dataclass(frozen=True)
class ManifestReport:
    """A manifest in short. The latest record of each frame counts.

    Attributes
    ----------
    jobs
        Runs that were begun.
    done, failed, skipped, held
        Frames made, failed, left out for want of input, and made from another frame's render.
    seconds
        Total by stage; stages overlap, so their sum is more than the time that passed.
    median_seconds, slowest
        Seconds of a typical frame; frame and seconds of the slowest, the slowest first.
    bytes, peak_memory_bytes
        Size of all frames; the most memory that one process used.
    bad_pixels
        Totals by kind.
    warnings
        Each warning once, with the number of frames that had it.
    versions, presets, hosts
        What the frames come from. More than one version or preset deserves a question.
    checks
        The latest checks of the finished sequence, if there were any.
    """

    jobs: int
    done: tuple[int, ...]
    failed: tuple[FailedFrame, ...]
    skipped: tuple[int, ...]
    held: tuple[int, ...]
    seconds: dict[str, float]
    median_seconds: float
    slowest: tuple[tuple[int, float], ...]
    bytes: int
    peak_memory_bytes: int
    bad_pixels: dict[str, int]
    warnings: dict[str, int]
    versions: tuple[str, ...]
    presets: tuple[str, ...]
    hosts: tuple[str, ...]
    checks: Record | None

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)

    def text(self) -> str:
        """Return the report for a person."""
        total = sum(self.seconds.values())
        shares = ", ".join(f"{stage} {share:.0f} s" for stage, share in self.seconds.items())
        lines = [
            f"frames    {len(self.done)} made{_listed(self.done)}",
            *([f"          {len(self.failed)} failed"] if self.failed else []),
            *([f"          {len(self.skipped)} left out{_listed(self.skipped)}"] if self.skipped else []),
            *([f"          {len(self.held)} held from others{_listed(self.held)}"] if self.held else []),
            *(f"failed    {each.frame}: {each.code}  {each.message}" for each in self.failed),
            f"time      {total:.0f} s of work ({shares}); a frame takes {self.median_seconds:.2f} s (median)",
            *(f"slowest   {frame}: {seconds:.2f} s" for frame, seconds in self.slowest),
            f"size      {gibibytes(self.bytes)}",
            f"memory    {gibibytes(self.peak_memory_bytes)} at most in one process",
            *(
                f"pixels    {count} {kind.replace('_', ' ')}"
                for kind, count in self.bad_pixels.items()
                if count
            ),
            *(f"warning   {warning} ({count} frames)" for warning, count in self.warnings.items()),
            f"preset    {', '.join(self.presets) or 'unknown'}",
            f"version   {', '.join(self.versions) or 'unknown'}",
            f"machines  {', '.join(self.hosts) or 'unknown'}; {self.jobs} runs",
        ]
        if len(self.presets) > 1:
            lines.append(
                "warning   frames from different presets stand side by side: --resume renews those that the "
                "last one changes"
            )
        if self.checks is not None:
            lines += [f"check     {line}" for line in self.checks.get("lines", [])]
        return "\n".join(lines)


def report_on(records: Sequence[Record]) -> ManifestReport:
    """Sum up the records of a manifest; what is malformed in them is passed over.

    Parameters
    ----------
    records
        From `halocline.batch.manifest.read_manifest`.

    Returns
    -------
    ManifestReport
        Counts, times and what went wrong, of the last attempt at each frame.
    """
    frames: dict[str, Record] = {}
    for record in records:
        if record.get("kind") == "frame" and isinstance(record.get("frame"), int):
            frames[str(record.get("out", record["frame"]))] = record
    latest = sorted(frames.values(), key=lambda record: record["frame"])
    done = [record for record in latest if record.get("status") == "done"]
    times = {record["frame"]: _seconds(record) for record in done}
    totals = {
        stage: sum(time.get(stage, 0.0) for time in times.values()) for stage in ("read", "render", "write")
    }
    whole = {frame: sum(time.values()) for frame, time in times.items()}
    slowest = sorted(whole.items(), key=lambda item: -item[1])[:_SLOWEST]
    used = [_table(record, "origin").get("whole_preset") for record in done]
    names = {
        _table(record, "preset").get("digest"): _table(record, "preset").get("name")
        for record in records
        if record.get("kind") == "job"
    }
    return ManifestReport(
        jobs=sum(record.get("kind") == "job" for record in records),
        done=_numbers(done),
        failed=tuple(_failed(record) for record in latest if record.get("status") == "failed"),
        skipped=_numbers(record for record in latest if record.get("status") == "skipped"),
        held=_numbers(record for record in done if record.get("held_from") is not None),
        seconds=totals,
        median_seconds=median(whole.values()) if whole else 0.0,
        slowest=tuple(slowest),
        bytes=sum(_whole(_table(record, "output").get("bytes")) for record in done),
        peak_memory_bytes=max((_whole(record.get("peak_memory_bytes")) for record in done), default=0),
        bad_pixels=_summed(done),
        warnings=_warnings(done),
        versions=_once(_table(record, "origin").get("version") for record in done),
        presets=_once(f"{names.get(digest, '?')} ({str(digest)[:12]})" for digest in used if digest),
        hosts=_once(record.get("host") for record in done),
        checks=next((record for record in reversed(records) if record.get("kind") == "checks"), None),
    )


def _listed(frames: Sequence[int]) -> str:
    return f": {frame_text(frames)}" if frames else ""


def _numbers(records: Any) -> tuple[int, ...]:
    return tuple(sorted({record["frame"] for record in records}))


def _table(record: Record, key: str) -> Record:
    found = record.get(key)
    return found if isinstance(found, dict) else {}


def _whole(value: Any) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else 0


def _seconds(record: Record) -> dict[str, float]:
    return {
        str(stage): float(value)
        for stage, value in _table(record, "seconds").items()
        if isinstance(value, int | float) and math.isfinite(value)
    }


def _failed(record: Record) -> FailedFrame:
    error = _table(record, "error")
    return FailedFrame(record["frame"], str(error.get("code")), str(error.get("message")))


def _summed(records: Sequence[Record]) -> dict[str, int]:
    total: dict[str, int] = {}
    for record in records:
        for kind, count in _table(record, "bad_pixels").items():
            total[kind] = total.get(kind, 0) + _whole(count)
        if clamped := _whole(record.get("clamped_values")):
            total["clamped_values"] = total.get("clamped_values", 0) + clamped
    return total


def _warnings(records: Sequence[Record]) -> dict[str, int]:
    counted: dict[str, int] = {}
    for record in records:
        found = record.get("warnings")
        for warning in found if isinstance(found, list) else ():
            counted[str(warning)] = counted.get(str(warning), 0) + 1
    return counted


def _once(values: Any) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(value) for value in values if value))
