"""Claims on frames, so that two jobs on one range do not make the same frame twice.

A claim is a hidden file beside the frame, made in a way that only one can succeed, and removed when the frame
is done. The claim of a job that died is taken over: at once where it ran on this machine and is gone, and
elsewhere when its job has given no sign of life for ten minutes. A claim only saves work; that a frame is
never half written does not rest on it.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from types import TracebackType

from halocline.errors import WriteError

SIGN_OF_LIFE_SECONDS = 60.0
GIVEN_UP_SECONDS = 600.0
# Tokens of the jobs that run in this process now.
_JOBS_HERE: set[str] = set()
_LOCK_NAME = ".halocline-claims.lock"
_CLOCK_NAME = ".halocline-clock"


@dataclass(frozen=True)
class Holder:
    """Who holds a claim.

    Attributes
    ----------
    host, boot, space
        The machine, which of its starts, and which of its process name spaces (containers).
    process, born
        Process number, and when it began, since numbers are used again.
    token
        Distinguishes this job from all others.
    """

    host: str
    boot: str
    space: str
    process: int
    born: str
    token: str

    def __str__(self) -> str:
        return f"process {self.process} on {self.host}"


class Claims:
    """The claims of one job; a context that gives all of them back at its end."""

    def __init__(self) -> None:
        self.me = _myself()
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
            ``E-WRITE-OPEN`` where the folder cannot be written to.
        """
        path = claim_path(out)
        try:
            if self._made(path):
                return None
            holder = _read(path)
            if holder is not None and not self._is_gone(holder, path):
                return holder
            return self._take_over(path, holder)
        except OSError as error:
            raise WriteError(
                f"no claim can be put beside it: {error.strerror or error}",
                code="E-WRITE-OPEN",
                where=str(out),
                mend="Check the folder, its permissions and free space.",
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
            gone = _age_seconds(path) > GIVEN_UP_SECONDS if holder is None else self._is_gone(holder, path)
            if gone:
                self._remove_dead(path, holder)
        # Whoever is asking the time just now takes its claim for fresh, and loses nothing.
        for probe in folder.glob(f"{_CLOCK_NAME}.*"):
            probe.unlink(missing_ok=True)

    def _made(self, path: Path) -> bool:
        # Written whole under another name first: a claim must never be seen empty.
        own = path.with_name(f"{path.name}.{uuid.uuid4().hex[:12]}")
        try:
            own.write_text(json.dumps(asdict(self.me)), encoding="utf-8")
            try:
                path.hardlink_to(own)
            except FileExistsError:
                return False
            except OSError:
                # A file system without second names.
                with path.open("x", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(self.me)))
        except FileExistsError:
            return False
        finally:
            own.unlink(missing_ok=True)
        self._held.add(path)
        return True

    def _take_over(self, path: Path, gone: Holder | None) -> Holder | None:
        """Take the place of a dead job: one at a time, and only against the holder that was seen dead."""
        self._remove_dead(path, gone)
        if self._made(path):
            return None
        return _read(path) or gone

    def _remove_dead(self, path: Path, gone: Holder | None) -> None:
        with _alone(path.parent):
            # A claim that is no longer there needs no removing; whoever comes now may have it.
            if path.exists() and _read(path) == gone:
                path.unlink(missing_ok=True)

    def _is_gone(self, holder: Holder, path: Path) -> bool:
        if (holder.host, holder.space) == (self.me.host, self.me.space):
            if holder.boot != self.me.boot:
                return True
            if (holder.process, holder.born) == (self.me.process, self.me.born):
                # A job of this very process that is over left it, where its folder was lost for a while.
                return holder.token not in _JOBS_HERE
            return _born(holder.process) != holder.born
        return _age_seconds(path) > GIVEN_UP_SECONDS

    def _remove(self, path: Path) -> None:
        self._held.discard(path)
        # Whoever took this job for dead has the claim now.
        if _read(path) == self.me:
            # A folder that is lost takes its claims with it.
            with suppress(OSError):
                path.unlink()

    def _beat(self) -> None:
        while not self._over.wait(SIGN_OF_LIFE_SECONDS):
            for path in list(self._held):
                with suppress(OSError):
                    os.utime(path)


def claim_path(out: Path) -> Path:
    """Return the claim's file; hidden, and of no pattern for frames."""
    return out.with_name(f".{out.name[:200]}.claim")


def _myself() -> Holder:
    process = os.getpid()
    return Holder(
        host=socket.gethostname(),
        boot=_line("/proc/sys/kernel/random/boot_id"),
        space=_space(),
        process=process,
        born=_born(process),
        token=uuid.uuid4().hex,
    )


@cache
def _space() -> str:
    with suppress(OSError):
        return str(Path("/proc/self/ns/pid").readlink())
    return ""


def _born(process: int) -> str:
    """Return when a process began, or nothing where there is none (any more)."""
    stat = _line(f"/proc/{process}/stat")
    if stat:
        # The name, in brackets, may hold spaces; the start time is field 22 of all. Z is dead already.
        fields = stat.rpartition(")")[2].split()
        return "" if fields[0] == "Z" else fields[19]
    if Path("/proc/self/stat").exists():
        return ""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return ""
    except PermissionError:
        pass
    return "alive"


def _line(path: str) -> str:
    with suppress(OSError):
        return Path(path).read_text(encoding="utf-8", errors="replace").strip()
    return ""


def _read(path: Path) -> Holder | None:
    try:
        return Holder(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _age_seconds(path: Path) -> float:
    """Return how long ago a file was touched, by the clock of the file's own machine."""
    probe = path.with_name(f"{_CLOCK_NAME}.{uuid.uuid4().hex[:12]}")
    try:
        touched = path.stat().st_mtime
        probe.touch()
        return probe.stat().st_mtime - touched
    except OSError:
        return 0.0
    finally:
        probe.unlink(missing_ok=True)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    handle = os.open(folder / _LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
