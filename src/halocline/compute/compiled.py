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

from halocline.compute.ahead import Wanted, made_ahead
from halocline.compute.machine_code import EndedBadlyError, KeptCode, Kind, MadeCode

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
        self._code = KeptCode(loop, self._compiled, self._made_ahead)
        self._functions: dict[tuple[bool, bool], Any] = {}

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run the loop."""
        ready = None if kwargs else self._code.ready(args)
        if ready is not None:
            run, numbers = ready
            # An error of its own is told by the compiler's function, which knows it by name.
            with suppress(EndedBadlyError):
                at_once: R = run(numbers)
                return at_once
        try:
            result: R = self._function(inner=False)(*args, **kwargs)
        except OSError:
            # Loops neither read nor write: what failed is keeping the compiled code, which is not needed.
            _Keeping.on_disk = False
            result = self._function(inner=False)(*args, **kwargs)
        return result

    def keep(self, kinds: tuple[Kind, ...]) -> bool:
        """Have machine code on disk for arguments of these kinds (see `halocline.compute.machine_code`).

        Returns
        -------
        bool
            False where it was made but could not be kept.
        """
        return self._code.keep(kinds)

    @property
    def kinds(self) -> list[tuple[Kind, ...]]:
        """What it was called with so far in this process."""
        return self._code.kinds

    @property
    def _numba_type_(self) -> Any:
        """What stands for this loop inside another that is being compiled."""
        return self._function(inner=True)._numba_type_

    def _compiled(self, kinds: tuple[Kind, ...]) -> MadeCode | None:
        # Importing the compiler takes longer than most commands that never need it.
        from halocline.compute.kept_loops import code_of  # noqa: PLC0415

        try:
            return code_of(self.loop, kinds)
        except Exception:
            # The compiler's own function tells by name what is wrong.
            return None

    def _made_ahead(self, kinds: tuple[Kind, ...]) -> bool:
        return made_ahead(Wanted(self.loop.__module__, self.loop.__qualname__, kinds))

    def _function(self, *, inner: bool) -> Any:
        """Return the compiler's own function: for other loops, or for what runs no machine code."""
        key = inner, _Keeping.on_disk
        if key not in self._functions:
            from halocline.compute.kept_loops import function_of  # noqa: PLC0415

            with _Keeping.lock:
                if key not in self._functions:
                    self._functions[key] = function_of(self.loop, inner=inner, on_disk=key[1])
        return self._functions[key]


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
