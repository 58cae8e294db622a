"""Writing files so that a name never holds anything but a whole file, and never over another unless asked.

A file is written under a hidden temporary name in its own folder, forced to the disk, and only then given
its name. The temporary name says which process made it, so that what a killed process left can be told from
what a living one is writing.
"""

from __future__ import annotations

import errno
import logging
import os
import stat
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path

from halocline.errors import WriteError
from halocline.files.names import hidden_beside, name_digest
from halocline.files.process import Process, this_process

logger = logging.getLogger(__name__)

UNFINISHED = "unfinished"
# What has not been touched for so long, and whose maker cannot be asked, is given up.
GIVEN_UP_SECONDS = 600.0
CLOCK_NAME = ".halocline-clock"
# What file systems answer that cannot force a file to the disk; any other answer means lost data.
_NO_SYNC = frozenset({errno.EINVAL, errno.EOPNOTSUPP, errno.ENOSYS, errno.EROFS})
_CHECK_FOLDER = "Check the folder, its permissions and free space."


def write_whole(
    path: Path, data: bytes, *, overwrite: bool = False, make_folder: bool = False, durable: bool = True
) -> None:
    """Write a file, whole or not at all.

    Parameters
    ----------
    path, data
        Where, and what.
    overwrite, make_folder, durable
        As `whole_file`.

    Raises
    ------
    WriteError
        As `whole_file`.
    """
    with whole_file(path, overwrite=overwrite, make_folder=make_folder, durable=durable) as temporary:
        with os.fdopen(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666), "wb") as file:
            file.write(data)
        if overwrite:
            _keep_permissions(path, temporary)


@contextmanager
def whole_file(
    path: Path, *, overwrite: bool = False, make_folder: bool = False, durable: bool = True
) -> Iterator[Path]:
    """Yield a temporary name to write to; give the file its own name when the block ends without an error.

    Where the name is a link, the link is replaced and what it leads to is left alone. Where nothing may be
    overwritten, another process that takes the name at the same moment keeps it; only on file systems
    without second names (hard links) there is a moment between the last look and the naming.

    Parameters
    ----------
    path
        The file.
    overwrite
        Whether a file that is there may be replaced.
    make_folder
        Whether a folder that is not there is made.
    durable
        Whether it is forced to the disk before it has its name. What can be made again, and tells damage by
        itself, need not wait for that.

    Yields
    ------
    Path
        The temporary name, in the file's folder.

    Raises
    ------
    WriteError
        ``E-WRITE-EXISTS`` where it is there and may not be replaced, ``E-WRITE-OPEN`` where it cannot be
        written.
    """
    if not overwrite:
        refuse_existing(path)
    temporary = temporary_beside(path)
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        if durable:
            _sync(temporary)
        _publish(temporary, path, overwrite)
        if durable:
            _sync_folder(path.parent)
    except OSError as error:
        raise WriteError(
            f"cannot be written: {error.strerror or error}",
            code="E-WRITE-OPEN",
            where=str(path),
            fix=_CHECK_FOLDER,
        ) from error
    finally:
        with suppress(OSError):
            temporary.unlink()


def refuse_existing(path: Path) -> None:
    """Refuse a name that something has, be it a link to nowhere.

    Raises
    ------
    WriteError
        ``E-WRITE-EXISTS``.
    """
    if os.path.lexists(path):
        raise WriteError(
            "is already there",
            code="E-WRITE-EXISTS",
            where=str(path),
            fix="Add --overwrite to write over it, or give another name.",
        )


def name_once(temporary: Path, path: Path) -> None:
    """Give a file its name only if nothing has it, even where another process writes it at this moment.

    Parameters
    ----------
    temporary
        The file as it is named now.
    path
        The name to give it, on the same file system.

    Raises
    ------
    FileExistsError
        Where something has the name. OSError where it cannot be given.
    """
    try:
        path.hardlink_to(temporary)
    except OSError as error:
        # Some network file systems make the link and say that it was there.
        if _same(temporary, path):
            return
        if isinstance(error, FileExistsError | FileNotFoundError):
            raise
        # A file system without second names; there a look before naming is all there is.
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, "is already there", os.fspath(path)) from error
        temporary.replace(path)


def temporary_beside(path: Path) -> Path:
    """Return a temporary name for a file that this process writes; no pattern for frames takes it in.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Path
        A hidden name in the same folder, another one at each call.
    """
    me = this_process()
    return hidden_beside(path, f"{me.table}-{me.process}-{me.born}-{uuid.uuid4().hex[:8]}", UNFINISHED)


def remove_leftovers(path: Path) -> None:
    """Remove what processes that are gone left of a file; what a living one may be writing stays.

    Parameters
    ----------
    path
        The file, which need not be there.

    Raises
    ------
    OSError
        Where the folder cannot be read or written.
    """
    inside, end = f".{name_digest(path.name)}.", f".{UNFINISHED}"
    with os.scandir(path.parent) as entries:
        found = [entry.name for entry in entries if entry.name.endswith(end) and inside in entry.name]
    for name in found:
        leftover = path.with_name(name)
        if _is_left(leftover):
            leftover.unlink(missing_ok=True)


def age_seconds(path: Path) -> float:
    """Return how long ago a file was touched, by the clock of the file's own machine.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    float
        Seconds; 0 where it cannot be told.
    """
    probe = path.with_name(f"{CLOCK_NAME}.{uuid.uuid4().hex[:12]}")
    try:
        touched = path.lstat().st_mtime
        os.close(os.open(probe, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
        return probe.stat().st_mtime - touched
    except OSError:
        return 0.0
    finally:
        with suppress(OSError):
            probe.unlink(missing_ok=True)


def _is_left(leftover: Path) -> bool:
    table, _, rest = leftover.name.split(".")[-2].partition("-")
    number, _, rest = rest.partition("-")
    me = this_process()
    if table == me.table and me.boot and number.isdecimal():
        maker = Process(me.host, me.machine, me.boot, me.space, int(number), rest.rpartition("-")[0])
        return bool(maker.is_gone())
    return age_seconds(leftover) > GIVEN_UP_SECONDS


def _publish(temporary: Path, path: Path, overwrite: bool) -> None:
    """Give the file its name."""
    try:
        if overwrite:
            temporary.replace(path)
        else:
            name_once(temporary, path)
    except FileExistsError:
        refuse_existing(path)
        raise


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_SYNC:
            raise
    finally:
        os.close(handle)


def _sync_folder(folder: Path) -> None:
    """Force a folder to the disk. The file is in place: where this fails, nothing is lost but surety."""
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        _tell_unsynced(str(folder), error.strerror or str(error))


# Each folder is told of once; of very many, a second time.
@lru_cache(maxsize=1024)
def _tell_unsynced(folder: str, reason: str) -> None:
    logger.warning(
        "%s: this folder cannot be forced to the disk (%s); frames are whole, but the newest may be missing "
        "after a loss of power",
        folder,
        reason,
    )


def _same(first: Path, second: Path) -> bool:
    with suppress(OSError):
        return os.path.samestat(first.lstat(), second.lstat())
    return False


def _keep_permissions(old: Path, new: Path) -> None:
    with suppress(OSError):
        found = old.lstat()
        if stat.S_ISREG(found.st_mode):
            new.chmod(stat.S_IMODE(found.st_mode))
