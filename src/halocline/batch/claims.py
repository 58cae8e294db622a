"""Claims on frames, so that two jobs on one range do not make the same frame twice.

A claim is a hidden file beside the frame, made in a way that only one can succeed, and removed when the frame
is done. The claim of a job that died is taken over: at once where its process stood in this machine's own
table of processes and is gone, and otherwise when its job has given no sign of life for ten minutes (so it is
with other machines, and with this one after it was started anew). A claim only saves work; that a frame is
never half written does not rest on it.
"""

from __future__ import annotations

import errno
import json
import os
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from types import TracebackType

from halocline.errors import WriteError
from halocline.files.lock import never, take_lock
from halocline.files.names import hidden_beside
from halocline.files.process import Process, this_process
from halocline.files.regular import open_regular, read_regular
from halocline.files.whole import CLOCK_NAME, GIVEN_UP_SECONDS, age_seconds, name_once
from halocline.late_dataclass import dataclass

SIGN_OF_LIFE_SECONDS = 60.0
# Tokens of the jobs that run in this process now.
_JOBS_HERE: set[str] = set()
_LOCK_NAME = ".halocline-claims.lock"
_LARGEST_CLAIM_BYTES = 1 << 16
# Between seeing a claim and reading it, its job may let go; more often than this is no accident.
_TRIES = 5


@dataclass(frozen=True)
class Holder(Process):
    """Who holds a claim: a process, and which of the jobs that it ran or runs (``token``)."""

    token: str

    def __str__(self) -> str:
        return super().__str__() if self.process else "another job (its claim cannot be read)"


# Holds what is no claim of ours, or not yet or no longer readable.
UNKNOWN = Holder("", "", "", "", 0, "", "")


class Claims:
    """The claims of one job; a context that gives all of them back at its end.

    Parameters
    ----------
    hurried
        Whether there is no time to wait for another process's lock.
    """

    def __init__(self, hurried: Callable[[], bool] = never) -> None:
        self.me = Holder(**asdict(this_process()), token=uuid.uuid4().hex)
        self._hurried = hurried
        self._held: set[Path] = set()
        self._over = threading.Event()
        self._pulse = threading.Thread(target=self._beat, name="claims", daemon=True)

    def __enter__(self) -> Claims:
        _JOBS_HERE.add(self.me.token)
        self._pulse.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._pulse.join()
        for path in list(self._held):
            self._remove(path)
        _JOBS_HERE.discard(self.me.token)

    def take(self, out: Path) -> Holder | None:
        """Claim a frame. Returns nothing on success, otherwise who has it.

        Raises
        ------
        WriteError
            ``E-WRITE-OPEN`` where the folder cannot be written to, or something that is no file has the
            claim's name.
        """
        path = claim_path(out)
        try:
            return self._taken(path)
        except OSError as error:
            raise WriteError(
                f"no claim can be put beside it ({path.name}): {error.strerror or error}",
                code="E-WRITE-OPEN",
                where=str(out),
                fix="Check the folder, its permissions and free space.",
            ) from error

    def give_back(self, out: Path) -> None:
        """Let go of a frame."""
        path = claim_path(out)
        if path in self._held:
            self._remove(path)

    def clear_dead(self, folder: Path) -> None:
        """Remove what dead jobs left in a folder. Raises OSError where that is not allowed."""
        # With what follows the name, also the claims that were not yet whole when their job died.
        for path in folder.glob(".*.claim*"):
            holder = _read(path)
            if holder is not None and self._is_gone(holder, path):
                self._remove_dead(path, holder)
        # Whoever is asking the time just now takes its claim for fresh, and loses nothing.
        for probe in folder.glob(f"{CLOCK_NAME}.*"):
            probe.unlink(missing_ok=True)

    def _taken(self, path: Path) -> Holder | None:
        holder: Holder | None = UNKNOWN
        for _ in range(_TRIES):
            if self._made(path):
                return None
            holder = _read(path)
            if holder == self.me:
                # Put there for us, whatever the file system said of it.
                self._held.add(path)
                return None
            if holder is None:
                continue
            if not self._is_gone(holder, path):
                return holder
            self._remove_dead(path, holder)
        return holder or UNKNOWN

    def _made(self, path: Path) -> bool:
        # Written whole under another name first: a claim must never be seen empty.
        own = path.with_name(f"{path.name}.{uuid.uuid4().hex[:12]}")
        try:
            with os.fdopen(open_regular(own, os.O_WRONLY | os.O_CREAT | os.O_EXCL), "wb") as file:
                file.write(json.dumps(asdict(self.me)).encode())
            name_once(own, path)
        except FileExistsError:
            return False
        finally:
            with suppress(OSError):
                own.unlink(missing_ok=True)
        self._held.add(path)
        return True

    def _remove_dead(self, path: Path, gone: Holder) -> None:
        """Remove a dead job's claim: one at a time, and only that of the holder that was seen dead."""
        with self._alone(path.parent):
            # A claim that is no longer there needs no removing; whoever comes now may have it.
            if _read(path) == gone and self._is_gone(gone, path):
                path.unlink(missing_ok=True)

    def _is_gone(self, holder: Holder, path: Path) -> bool:
        if (holder.table, holder.process, holder.born) == (self.me.table, self.me.process, self.me.born):
            # A job of this very process that is over left it, where its folder was lost for a while.
            return holder.token not in _JOBS_HERE
        gone = holder.is_gone()
        # A sign of life from far ahead was given before the clock was set back: who lives gives another.
        return abs(age_seconds(path)) > GIVEN_UP_SECONDS if gone is None else gone

    def _remove(self, path: Path) -> None:
        self._held.discard(path)
        # A folder that is lost takes its claims with it.
        with suppress(OSError):
            # Whoever took this job for dead has the claim now.
            if _read(path) == self.me:
                path.unlink()

    def _beat(self) -> None:
        while not self._over.wait(SIGN_OF_LIFE_SECONDS):
            for path in list(self._held):
                with suppress(OSError):
                    os.utime(path, follow_symlinks=False)

    @contextmanager
    def _alone(self, folder: Path) -> Iterator[None]:
        handle = open_regular(folder / _LOCK_NAME, os.O_RDWR | os.O_CREAT)
        try:
            take_lock(handle, hurried=self._hurried)
            yield
        finally:
            os.close(handle)


def claim_path(out: Path) -> Path:
    """Return the claim's file; hidden, and of no pattern for frames."""
    return hidden_beside(out, "claim")


def _read(path: Path) -> Holder | None:
    """Return who holds a claim, or nothing where there is none.

    Raises
    ------
    OSError
        Where something else than a file has its name, or the folder is lost.
    """
    try:
        told = json.loads(read_regular(path, _LARGEST_CLAIM_BYTES, follow=False))
        holder = Holder(**told)
    except FileNotFoundError:
        return None
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EFBIG):
            return UNKNOWN
        raise
    except (ValueError, TypeError, RecursionError):
        return UNKNOWN
    texts = (holder.host, holder.machine, holder.boot, holder.space, holder.born, holder.token)
    known = all(isinstance(text, str) for text in texts) and type(holder.process) is int
    return holder if known else UNKNOWN
