"""Stopping in an orderly way when the system or a person asks for it.

A signal may come at any instant. Where stopping would tear something (a record half written, a claim not
given back) it only leaves word; the long waits, marked by `StopRequest.breakable`, it ends at once.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

# What schedulers and people send to end a job; all leave time to do it well.
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


# A signal is often delivered twice (to the group and by a wrapper); one that comes later means: at once.
IMPATIENT_SECONDS = 2.0


class Interrupted(BaseException):
    """The job is to stop. No mistake: nothing that catches errors of a frame may catch it."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number

    @property
    def exit_status(self) -> int:
        """The status that shells expect after a signal: 130 for an interrupt, 143 for a termination."""
        return 128 + self.number


class StopRequest:
    """Whether, and by which signal, stopping was asked for."""

    def __init__(self) -> None:
        self.number: int | None = None
        self._asked_at = 0.0
        self._breakable = False

    def check(self) -> None:
        """Stop here, if it was asked for.

        Raises
        ------
        Interrupted
        """
        if self.number is not None:
            raise Interrupted(self.number)

    def asked(self) -> bool:
        """Return whether stopping was asked for."""
        return self.number is not None

    @contextmanager
    def breakable(self) -> Iterator[None]:
        """Let a signal end what is done inside, by `Interrupted`, wherever it is."""
        self._breakable = True
        try:
            self.check()
            yield
        finally:
            self._breakable = False

    def ask(self, number: int, _frame: FrameType | None = None) -> None:
        """Ask for the stop; this is the signal handler. Who asks again after a while will not wait."""
        now = time.monotonic()
        if self.number is None:
            self.number, self._asked_at = number, now
        elif now - self._asked_at > IMPATIENT_SECONDS:
            os._exit(128 + number)
        if self._breakable:
            self._breakable = False
            raise Interrupted(self.number)


@contextmanager
def catching_signals() -> Iterator[StopRequest]:
    """Turn signals into a request while inside. Outside the main thread signals go where they went before."""
    request = StopRequest()
    if threading.current_thread() is not threading.main_thread():
        yield request
        return
    before = {number: signal.signal(number, request.ask) for number in SIGNALS}
    try:
        yield request
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
