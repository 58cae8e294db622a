"""Waiting for a lock on a file: with a limit, and with the holder's name where it runs out."""

from __future__ import annotations

import errno
import fcntl
import os
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from halocline.files.process import named

WAIT_SECONDS = 30.0
# Once stopping is asked for: long enough for a neighbour's line, short enough for a person.
HURRIED_SECONDS = 2.0
_POLL_SECONDS = 0.02
# What file systems without locks answer.
_NO_LOCKS = frozenset({errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL})


def never() -> bool:
    """Return False: nobody is in a hurry.

    Returns
    -------
    bool
        False.
    """
    return False


def take_lock(handle: int, *, hurried: Callable[[], bool] = never) -> None:
    """Lock an open file for this process alone; it is let go when the file is closed.

    Where the file system knows no locks, the file is not locked.

    Parameters
    ----------
    handle
        Descriptor.
    hurried
        Whether there is no time to wait for long; asked again and again.

    Raises
    ------
    TimeoutError
        Where another process keeps it; the message names the process.
    """
    began = time.monotonic()
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            waited = time.monotonic() - began
            if waited > (HURRIED_SECONDS if hurried() else WAIT_SECONDS):
                raise TimeoutError(
                    errno.ETIMEDOUT, f"{holder_of(handle)} keeps it locked, for more than {waited:.0f} s"
                ) from None
            time.sleep(_POLL_SECONDS)
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise
            return
        else:
            return


def holder_of(handle: int) -> str:
    """Return who holds the lock on an open file, as far as this machine's kernel knows."""
    found = os.fstat(handle)
    here = f"{os.major(found.st_dev):02x}:{os.minor(found.st_dev):02x}:{found.st_ino}"
    with suppress(OSError, ValueError):
        for line in Path("/proc/locks").read_text(encoding="ascii", errors="replace").splitlines():
            fields = line.split()
            # "1: FLOCK ADVISORY WRITE 1234 00:2f:5678 0 EOF"; who waits has an arrow in the second place.
            if len(fields) > 5 and fields[1] == "FLOCK" and fields[5] == here and int(fields[4]) > 0:
                return named(int(fields[4]))
    return "another process (of another machine or container)"
