"""The record of a folder of frames: JSON Lines, one record a frame, appended as the frames are finished.

Several jobs, on several machines, may append to one manifest. A record is one line, written in one piece
under a lock and forced to the disk; where a machine dies in the middle of a line, that line alone is lost,
and readers pass over it. A later record of a frame stands for the earlier ones.

========== ==========================================================================================
kind       what it tells
========== ==========================================================================================
job        a run began: preset (name, digest, whole resolved text), versions, frames, policy, machine
frame      a frame was made, failed, or was left out
checks     what the checks of the finished sequence found
========== ==========================================================================================
"""

from __future__ import annotations

import json
import os
import platform
import socket
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from halocline._version import __version__
from halocline.batch.events import Attempt, FrameFailed
from halocline.batch.frame_task import FrameRecord
from halocline.errors import CollectedError, HaloclineError, JobError, ReadError
from halocline.files.lock import never, take_lock
from halocline.files.regular import open_regular

MANIFEST_NAME = "halocline-manifest.jsonl"
FORMAT = 1
# No record is larger; a line beyond it is no record of ours and is not read into memory.
LARGEST_LINE_BYTES = 4 << 20

Record = dict[str, Any]


class Manifest:
    """The manifest of one folder.

    Parameters
    ----------
    folder
        The folder that holds the frames; the manifest is in it.
    hurried
        Whether there is no time to wait for another job's lock; asked while waiting.
    """

    def __init__(self, folder: str | Path, hurried: Callable[[], bool] = never) -> None:
        self.folder = Path(folder)
        self._hurried = hurried
        self.path = self.folder / MANIFEST_NAME
        self._read_to = 0

    def append(self, kind: str, **fields: Any) -> None:
        """Add a record, whole, and force it to the disk.

        Raises
        ------
        JobError
            ``E-JOB-MANIFEST`` where it cannot be written, is no regular file, or another process keeps it
            locked; the manifest is as it was.
        """
        head = {"kind": kind, "format": FORMAT, "time": datetime.now(UTC).isoformat(timespec="milliseconds")}
        line = json_bytes({**head, **fields})
        try:
            with self._locked() as handle:
                _append_line(handle, line)
        except OSError as error:
            raise self._refused("the record cannot be added", error) from error

    def news(self) -> dict[str, Record]:
        """Read what was appended since the last look; return the frames' records among it by file name.

        Nothing of them is kept here: a night's records are many.

        Raises
        ------
        JobError
            ``E-JOB-MANIFEST`` where it cannot be read, or is no regular file.
        """
        found: dict[str, Record] = {}
        try:
            with os.fdopen(open_regular(self.path), "rb") as file:
                file.seek(self._read_to)
                for record, end in _records(file):
                    self._read_to = end
                    if (
                        record is not None
                        and record.get("kind") == "frame"
                        and isinstance(record.get("out"), str)
                    ):
                        found[record["out"]] = record
        except FileNotFoundError:
            return found
        except OSError as error:
            raise self._refused("the records cannot be read", error) from error
        return found

    @contextmanager
    def _locked(self) -> Iterator[int]:
        handle = open_regular(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND)
        try:
            # Some network file systems have no locks; a line in one write is what is left there.
            take_lock(handle, hurried=self._hurried)
            yield handle
        finally:
            os.close(handle)

    def _refused(self, what: str, error: OSError) -> JobError:
        return JobError(
            f"{what}: {error.strerror or error}",
            code="E-JOB-MANIFEST",
            where=str(self.path),
            fix="End that process, or wait for it, then add --resume."
            if isinstance(error, TimeoutError)
            else "Check the folder, its permissions and free space, then add --resume.",
        )


def read_manifest(path: str | Path) -> list[Record]:
    """Read all whole records of a manifest, or of the manifest in a folder.

    Parameters
    ----------
    path
        A manifest, or the folder that has one.

    Returns
    -------
    list[Record]
        Records in the order in which they were written; a line that was cut short is passed over.

    Raises
    ------
    ReadError
        ``E-READ-OPEN`` where it is not there or holds no record.
    """
    path = Path(path)
    path = path / MANIFEST_NAME if path.is_dir() else path
    try:
        with os.fdopen(open_regular(path, follow=True), "rb") as file:
            records = [record for record, _ in _records(file) if record is not None and "kind" in record]
    except OSError as error:
        raise ReadError(
            f"cannot be read: {error.strerror or error}",
            code="E-READ-OPEN",
            where=str(path),
            fix=f"Give a manifest ({MANIFEST_NAME}) or the folder that holds it.",
        ) from error
    if not records:
        raise ReadError(
            "holds no record",
            code="E-READ-OPEN",
            where=str(path),
            fix=f"Give a manifest that halocline apply wrote ({MANIFEST_NAME}).",
        )
    return records


def json_bytes(fields: Mapping[str, Any]) -> bytes:
    """Return a record as one line of JSON, UTF-8; bytes of file names that are no text as escapes."""
    try:
        return json.dumps(fields, ensure_ascii=False, allow_nan=False, default=str).encode()
    except UnicodeEncodeError:
        return json.dumps(fields, allow_nan=False, default=str).encode()


def done_fields(record: FrameRecord) -> Record:
    """Return a finished frame's part of its record.

    Parameters
    ----------
    record
        What became of a frame that is written.

    Returns
    -------
    Record
        Plain text, numbers and lists, ready for JSON.
    """
    return {
        "frame": record.frame,
        "status": "done",
        "out": record.out.name,
        "origin": record.origin.to_dict(),
        "output": {"bytes": record.output.bytes, "sha256": record.output.sha256},
        "began": round(record.began, 3),
        "seconds": {stage: round(value, 4) for stage, value in record.seconds.items()},
        "peak_memory_bytes": record.peak_memory_bytes,
        "clamped_values": record.clamped_values,
        "below_zero": round(record.below_zero, 6),
        "bad_pixels": dict(record.counts),
        "warnings": list(record.warnings),
        "host": record.host,
        "process": record.process,
    }


def failed_fields(failure: FrameFailed) -> Record:
    """Return a failed frame's part of its record.

    Parameters
    ----------
    failure
        What became of a frame that could not be made.

    Returns
    -------
    Record
        Plain text, numbers and lists, ready for JSON.
    """
    task = failure.task
    return {
        "frame": task.frame,
        "status": "failed",
        "out": task.out.name,
        "inputs": [str(path) for path in task.files],
        "error": error_fields(failure.error),
        **attempt_fields(failure.attempt),
    }


def attempt_fields(attempt: Attempt) -> Record:
    """Return where work on a frame was done, and what it took, as parts of a record.

    Parameters
    ----------
    attempt
        The work.

    Returns
    -------
    Record
        Plain text and numbers, ready for JSON, named as those of a finished frame are.
    """
    return {
        "host": attempt.host,
        "process": attempt.process,
        "seconds": {stage: round(value, 4) for stage, value in attempt.seconds.items()},
        "peak_memory_bytes": attempt.peak_memory_bytes,
    }


def error_fields(error: HaloclineError) -> Record:
    """Return an error's parts for a machine-readable record.

    Parameters
    ----------
    error
        The error.

    Returns
    -------
    Record
        Plain text and lists, ready for JSON.
    """
    problems = error.problems if isinstance(error, CollectedError) else ()
    return {
        "code": error.code,
        "message": error.message,
        "where": error.where,
        "fix": error.fix,
        **({"key": list(error.key), "file": error.file, "line": error.line} if error.key else {}),
        **({"problems": [error_fields(problem) for problem in problems]} if problems else {}),
    }


@cache
def versions() -> Mapping[str, str]:
    """Return the versions that pixels depend on."""
    found = {"halocline": __version__, "python": platform.python_version()}
    for name in ("numpy", "scipy", "numba", "OpenImageIO", "opencv-python-headless"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


@cache
def _host() -> str:
    return socket.gethostname()


def machine() -> Record:
    """Return where a record was written."""
    return {"host": _host(), "process": os.getpid()}


def _append_line(handle: int, line: bytes) -> None:
    size = os.fstat(handle).st_size
    # After a line that was cut short, begin a new one.
    torn = size > 0 and os.pread(handle, 1, size - 1) != b"\n"
    whole = (b"\n" if torn else b"") + line + b"\n"
    try:
        if os.write(handle, whole) != len(whole):
            raise OSError(28, "No space left on device")
        os.fsync(handle)
    except OSError:
        with suppress(OSError):
            os.ftruncate(handle, size)
        raise


def _records(file: Any) -> Iterator[tuple[Record | None, int]]:
    """Yield each whole line's record, or nothing where it is none, and where the line ends."""
    while line := file.readline(LARGEST_LINE_BYTES):
        if not line.endswith(b"\n"):
            # Cut short by a death, or being written at this moment: not read, and looked at again next time.
            if len(line) < LARGEST_LINE_BYTES:
                return
            continue
        try:
            record = json.loads(line)
        except (ValueError, RecursionError):
            record = None
        yield (record if isinstance(record, dict) else None), file.tell()
