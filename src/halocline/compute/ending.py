"""How a program ends: as soon as all is done and told.

At its end Python looks through all objects once more and takes every module apart, and libraries count what
is left. Of a house as large as this one that is a tenth of a second: an eighth of a small frame's whole time.
The system takes a process's memory back at once.
"""

from __future__ import annotations

import atexit
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import NoReturn


@contextmanager
def ending_at_once() -> Iterator[None]:
    """End the process with the status that the block leaves with, and take nothing apart.

    Threads are waited for before, and whoever has asked in the block to be called at the end is called. Not
    cut short is the end of a program that fails with an exception, that leaves with a text, that cannot
    write all that it told, or in which somebody had asked before the block to be called: a tool that counts
    which lines were run.

    It is the last thing that a program does: another status that it asks for after the block is not heard.

    Yields
    ------
    None
        The block is the program.
    """
    ending = _Ending()
    # Who asks first is called last.
    if not atexit._ncallbacks():
        atexit.register(ending.leave)
    try:
        yield
    except SystemExit as left:
        ending.status = 0 if left.code is None else left.code
        raise
    ending.status = 0


def leave(status: int) -> NoReturn:
    """End the process now, with all told that was said.

    Parameters
    ----------
    status
        Exit status.

    Raises
    ------
    OSError
        Where what was said cannot be written.
    """
    for stream in (sys.stdout, sys.stderr):
        # Python has none where the process was given none, and a closed one has nothing left to tell.
        if stream is not None and not stream.closed:
            stream.flush()
    os._exit(status)


class _Ending:
    """The end of a program, once its status is known."""

    def __init__(self) -> None:
        self.status: int | str | None = None

    def leave(self) -> None:
        if isinstance(self.status, int):
            # Python says it in its own way, with a status of its own.
            with suppress(OSError):
                leave(self.status)
