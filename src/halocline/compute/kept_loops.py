"""Compiled loops on disk: where the compiler keeps what it made, and when that is taken again.

Imported only where a loop is compiled: the compiler's own modules take long to import.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numba
from numba.core.caching import CompileResultCacheImpl, FunctionCache, _CacheLocator
from numba.core.runtime.nrt import rtsys

from halocline.compute import disk_cache

KIND = "compiled-loops"
# Code of sources that nobody has run for so long is of versions that are gone.
FORGOTTEN_SECONDS = 30.0 * 24.0 * 3600.0


class _Place(_CacheLocator):
    """A folder for one module's loops, by the digest of their sources."""

    def __init__(self, folder: str, digest: str, line: int) -> None:
        self._folder, self._digest, self._line = folder, digest, line

    def get_cache_path(self) -> str:
        return self._folder

    def ensure_cache_path(self) -> None:
        """The folder is there, and only this user can write to it."""

    def get_source_stamp(self) -> str:
        return self._digest

    def get_disambiguator(self) -> str:
        return str(self._line)


def keep(made: Any, loop: Callable[..., Any], digest: str) -> None:
    """Let a compiled function load its code from disk, and keep it there, where there is a folder for it.

    Parameters
    ----------
    made
        The compiler's function.
    loop
        What it was made from.
    digest
        Of all its sources.
    """
    key = f"{loop.__module__}\0{numba.__version__}\0{digest}"
    folder = disk_cache.folder(KIND, key)
    if folder is None:
        return
    if not any(folder.iterdir()):
        # Something was changed: what it replaces is of no use to anybody, but perhaps to another checkout.
        disk_cache.forget(KIND, FORGOTTEN_SECONDS)
    place = _Place(str(folder), digest, loop.__code__.co_firstlineno)

    class Placed(CompileResultCacheImpl):
        """Files of this loop alone, in its place."""

        def __init__(self, function: Callable[..., Any]) -> None:
            # Not the base's own: it would look for a place beside the module.
            self._lineno = function.__code__.co_firstlineno
            self._locator = place
            base: Any = self.get_filename_base
            self._filename_base = base(function.__qualname__, getattr(sys, "abiflags", ""))

    class Kept(FunctionCache):
        _impl_class = Placed

        def load_overload(self, sig: Any, target_context: Any) -> Any:
            """Load compiled code without all that compiling would need.

            The base's own first imports every module that tells how Python is compiled: twice the time of
            everything else. Code that is compiled needs only what takes arrays in and out; where none is
            kept, the compiler imports the rest itself.
            """
            rtsys.initialize(target_context)
            guard: Any = self._guard_against_spurious_io_errors
            load: Any = self._load_overload
            with guard():
                return load(sig, target_context)

    cache: Any = Kept
    made._cache = cache(loop)
