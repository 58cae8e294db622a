"""Loops over pixels, rays and particles, compiled when first called.

Numpy makes one pass over memory for each operation. Where a step has many operations an element, or scatters
to places that depend on data, one compiled loop makes one pass in all. Such a loop is plain Python between
numbers and arrays, and gives the same bits on any thread:

- arithmetic stays as written (no reordered sums, no fused multiply and add), so float32 in is float32 out;
- it lets go of the interpreter's lock, and makes no threads of its own: who calls it splits the work.

What is compiled is kept on disk (`halocline.compute.disk_cache`), under a digest of the module's source, of
all modules of its package that it imports, directly or not, and of the compiler's version: a change anywhere
in what a loop calls or takes a constant from compiles it anew. The compiler itself keeps apart the code of
different processors. Where nothing can be written, each process compiles anew.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from functools import update_wrapper
from typing import Any, Generic, ParamSpec, TypeVar

from halocline.compute.machine_code import EndedBadlyError, KeptCode

P = ParamSpec("P")
R = TypeVar("R")


class _Keeping:
    """Whether compiled loops are kept on disk: they are until that fails, for lack of space or a folder."""

    lock = threading.Lock()
    on_disk = True


class Compiled(Generic[P, R]):
    """A loop that is compiled for the types of its arguments when it is first called with them.

    Compiled loops can call each other, also those of other modules.
    """

    def __init__(self, loop: Callable[P, R]) -> None:
        update_wrapper(self, loop)
        self.loop = loop
        self._kept = KeptCode(loop)
        self._made: Any = None
        self._made_on_disk = True

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run the loop."""
        run = None if kwargs or not _Keeping.on_disk else self._kept.ready(args)
        if run is not None:
            # An error of its own is told by the compiler's function, which knows it by name.
            with suppress(EndedBadlyError):
                at_once: R = run(*args)
                return at_once
        try:
            result: R = self._dispatcher()(*args, **kwargs)
        except OSError:
            # Loops neither read nor write: what failed is keeping the compiled code, which is not needed.
            _Keeping.on_disk = False
            result = self._dispatcher()(*args, **kwargs)
        return result

    @property
    def _numba_type_(self) -> Any:
        """What stands for this loop inside another that is being compiled."""
        return self._dispatcher()._numba_type_

    def _dispatcher(self) -> Any:
        if self._made is None or self._made_on_disk != _Keeping.on_disk:
            with _Keeping.lock:
                if self._made is None or self._made_on_disk != _Keeping.on_disk:
                    on_disk = _Keeping.on_disk
                    self._made = _make(self.loop, on_disk=on_disk)
                    self._made_on_disk = on_disk
        return self._made


def compiled(loop: Callable[P, R]) -> Compiled[P, R]:
    """Compile a loop when it is first called (a decorator); see this module for what it may rely on.

    Parameters
    ----------
    loop
        Plain Python between numbers and arrays.

    Returns
    -------
    Compiled[P, R]
        Called like the loop.
    """
    return Compiled(loop)


def _make(loop: Callable[..., Any], *, on_disk: bool) -> Any:
    # Importing the compiler takes longer than most commands that never need it.
    from numba import njit  # noqa: PLC0415

    made = njit(loop, nogil=True, error_model="numpy")
    if on_disk:
        from halocline.compute.kept_loops import keep_made  # noqa: PLC0415

        keep_made(made, loop)
    return made
