"""What can be known of the output folder before the first frame: that it takes frames, and how many fit.

Raised before anything is rendered, since a night on a folder that takes no file is a night lost. How much the
frames will need is only an estimate, so too little room is told and not refused.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from halocline.batch.memory_budget import gibibytes
from halocline.batch.task import FrameTask
from halocline.errors import WriteError
from halocline.files.whole import temporary_beside

# A disk block: a quota or a full disk refuses it where it takes an empty file.
_PROBE_BYTES = 4096


def refuse_folders(tasks: Iterable[FrameTask]) -> None:
    """Write and remove a small file in each folder that the tasks write to, under a name as long as theirs.

    Raises
    ------
    WriteError
        ``E-WRITE-FOLDER`` where a folder takes no file, or has no room for a frame's name.
    """
    longest: dict[Path, FrameTask] = {}
    for task in tasks:
        known = longest.get(task.out.parent)
        if known is None or _bytes(task.out) > _bytes(known.out):
            longest[task.out.parent] = task
    for folder, task in longest.items():
        limit = _longest_name(folder)
        if _bytes(task.out) > limit:
            raise WriteError(
                f"the name {task.out.name} has {_bytes(task.out)} bytes, and this folder takes {limit}",
                code="E-WRITE-FOLDER",
                where=str(folder),
                fix="Give a shorter pattern with --out, such as wet/shot.####.exr.",
            )
        _try(folder, task)


def space_warnings(tasks: Iterable[FrameTask]) -> list[str]:
    """Tell of disks that will hardly hold the frames: taken to be as large as the renders they come from.

    Parameters
    ----------
    tasks
        The job's frames.

    Returns
    -------
    list[str]
        A sentence for each disk.
    """
    wanted: dict[int, int] = {}
    folders: dict[int, Path] = {}
    for task in tasks:
        folder = _nearest(task.out.parent)
        with suppress(OSError):
            disk = folder.stat().st_dev
            folders.setdefault(disk, folder)
            # A frame that is replaced makes room for the new one, but only when that is whole.
            old = task.out.stat().st_size if task.out.exists() else 0
            wanted[disk] = wanted.get(disk, 0) + max(task.beauty.stat().st_size - old, 0)
    told = []
    for disk, folder in folders.items():
        with suppress(OSError):
            free = shutil.disk_usage(folder).free
            if wanted.get(disk, 0) > free:
                told.append(
                    f"{folder}: {gibibytes(free)} are free, and the frames will need about "
                    f"{gibibytes(wanted[disk])} (as much as their renders)"
                )
    return told


def _try(folder: Path, task: FrameTask) -> None:
    probe = temporary_beside(task.out)
    try:
        handle = os.open(probe, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        try:
            if os.write(handle, bytes(_PROBE_BYTES)) != _PROBE_BYTES:
                raise OSError(28, "No space left on device")
        finally:
            os.close(handle)
    except OSError as error:
        raise WriteError(
            f"this folder takes no file: {error.strerror or error}",
            code="E-WRITE-FOLDER",
            where=str(folder),
            fix="Check its permissions and free space, or give another folder with --out.",
        ) from error
    finally:
        with suppress(OSError):
            probe.unlink(missing_ok=True)


def _nearest(folder: Path) -> Path:
    """Return the folder, or the nearest one above it that is there."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return folder


def _longest_name(folder: Path) -> int:
    try:
        return os.pathconf(folder, "PC_NAME_MAX")
    except (OSError, ValueError):
        return 255


def _bytes(path: Path) -> int:
    return len(os.fsencode(path.name))
