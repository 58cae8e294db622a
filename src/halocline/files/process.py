"""Which process on which machine: told apart even where machines are copies of one another.

Host names and machine identities are copied with an image, and process name spaces have the same number on
every machine. What no copy shares is the identity that a kernel draws at each start. Only where all of them
agree can the process table here say whether a process is alive.
"""

from __future__ import annotations

import hashlib
import os
import socket
from contextlib import suppress
from functools import cache
from pathlib import Path

from halocline.late_dataclass import dataclass

_MACHINE_FILES = ("/etc/machine-id", "/var/lib/dbus/machine-id")


@dataclass(frozen=True)
class Process:
    """A process.

    Attributes
    ----------
    host
        Name of its machine, for people.
    machine, boot, space
        Digest of the machine's identity, which of its starts, and which process name space (container).
    process, born
        Process number, and when it began, since numbers are used again.
    """

    host: str
    machine: str
    boot: str
    space: str
    process: int
    born: str

    def __str__(self) -> str:
        return f"process {self.process} on {self.host}"

    @property
    def table(self) -> str:
        """The table of processes that it stands in: 8 hexadecimal digits."""
        told = "\0".join((self.host, self.machine, self.boot, self.space))
        return hashlib.blake2b(told.encode("utf-8", "surrogateescape"), digest_size=4).hexdigest()

    def is_gone(self) -> bool | None:
        """Tell whether it has ended; nothing where that cannot be told from here."""
        here = this_process()
        if not self.boot or self.table != here.table:
            return None
        return born(self.process) != self.born


def this_process() -> Process:
    """Return the process that runs this.

    Returns
    -------
    Process
        Known apart from any other, also from one that later has its number.
    """
    number = os.getpid()
    return Process(*_machine(), process=number, born=born(number))


def born(process: int) -> str:
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
    except (ProcessLookupError, OverflowError):
        return ""
    except PermissionError:
        pass
    return "alive"


def named(process: int) -> str:
    """Return a process's number with its program's name, where that is known."""
    name = _line(f"/proc/{process}/comm")
    return f"process {process} ({name})" if name else f"process {process}"


@cache
def _machine() -> tuple[str, str, str, str]:
    identity = next((line for line in map(_line, _MACHINE_FILES) if line), "")
    # The identity itself is confidential (machine-id(5)); a digest tells machines apart as well.
    machine = hashlib.blake2b(identity.encode(), digest_size=8, person=b"halocline").hexdigest()
    space = ""
    with suppress(OSError):
        space = str(Path("/proc/self/ns/pid").readlink())
    return socket.gethostname(), machine, _line("/proc/sys/kernel/random/boot_id"), space


def _line(path: str) -> str:
    with suppress(OSError):
        return Path(path).read_text(encoding="utf-8", errors="replace").strip()
    return ""
