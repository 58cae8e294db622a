"""What a process does with memory that is free, or may be.

Memory that one frame sets free is what the next one needs: the C library is told to keep it. By default it
hands large pieces back to the system at once and asks for them anew, and the system clears every page of
them: measured on a full look at UHD, a third of all processor time.

Python looks for rings of objects that hold each other and nobody else. Importing makes some hundred thousand
objects that stay to the end, and it looks through them again and again, and twice more when the process ends.
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import os
import sys

# Parameters of mallopt, from glibc's malloc.h, with the names that its environment variable has for them.
# Large pieces come from one arena for all threads: only the main one keeps them.
_SETTINGS = ((-8, "arena_max", 1), (-4, "mmap_max", 0), (-1, "trim_threshold", 2**31 - 1))
_VARIABLE = "GLIBC_TUNABLES"


def keep_freed_memory() -> bool:
    """Tell the C library to keep freed memory, here and in programs started from here.

    Threads that have asked for memory before keep arenas of their own: call it before libraries start any.
    What a process has used at most then stays its own until it ends. Only GNU's C library has this to set.

    Returns
    -------
    bool
        Whether it understood. Settings of the user's own in the environment are left alone.
    """
    if not sys.platform.startswith("linux") or "glibc.malloc" in os.environ.get(_VARIABLE, ""):
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        return False
    own = [f"glibc.malloc.{name}={value}" for _, name, value in _SETTINGS]
    others = [os.environ[_VARIABLE]] if os.environ.get(_VARIABLE) else []
    os.environ[_VARIABLE] = ":".join(others + own)
    return all(mallopt(parameter, value) for parameter, _, value in _SETTINGS)


def hold_rings() -> None:
    """Look for no rings of objects until `let_go_of_rings` is called, and only once at the end."""
    gc.disable()
    atexit.register(_end)


def _end() -> None:
    """Leave to the interpreter the one look that it takes in any case: libraries tell of what stays."""
    gc.unfreeze()
    gc.disable()


def let_go_of_rings() -> None:
    """Look for rings from now on, where `hold_rings` was called: among what is made from now on."""
    if not gc.isenabled():
        gc.freeze()
        gc.enable()
