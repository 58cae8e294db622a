"""What a process does with memory that is free, or may be.

Memory that one frame sets free is what the next one needs: the C library is told to keep it. By default it
hands large pieces back to the system at once and asks for them anew, and the system clears every page of
them: measured on a full look at UHD, a third of all processor time.

What a process needs for the first time the system has to provide in any case, page by page as each is
touched: at UHD that was 1 to 2 processor seconds of a job, while all processors were computing. It can be
asked for in large pieces beforehand (`touch_ahead`), beside what is read first, for less than half of that.
What the C library holds free was provided before, and is not asked for again: no one block of that size may
be among it, and the process would grow by as much. It is asked for in plain pages: 1.3 GB of them took .45
processor seconds each time, of huge ones .06 where the machine had some at hand, and up to 2.9 where it, or
its host, had to find them; frames were no faster on either.

Python looks for rings of objects that hold each other and nobody else. Importing makes some hundred thousand
objects that stay to the end, and it looks through them again and again, and twice more when the process ends.
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import os
import resource
import sys
from threading import Thread
from typing import ClassVar

# Parameters of mallopt, from glibc's malloc.h, with the names that its environment variable has for them.
# Large pieces come from one arena for all threads: only the main one keeps them.
_SETTINGS = ((-8, "arena_max", 1), (-4, "mmap_max", 0), (-1, "trim_threshold", 2**31 - 1))
_VARIABLE = "GLIBC_TUNABLES"
_OWN = ":".join(f"glibc.malloc.{name}={value}" for _, name, value in _SETTINGS)
# From the kernel's mman-common.h, since Linux 5.14: provide all pages of a range, as if each was written to.
_POPULATE_WRITE = 23
# Between pieces other threads may ask for memory too: they wait for one, some 6 milliseconds.
_PIECE_BYTES = 16 << 20
# Less is touched sooner than a thread is made for it.
LEAST_TOUCHED = 256 << 20


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
    others = [os.environ[_VARIABLE]] if os.environ.get(_VARIABLE) else []
    os.environ[_VARIABLE] = ":".join([*others, _OWN])
    return all(mallopt(parameter, value) for parameter, _, value in _SETTINGS)


def touch_ahead(size: int) -> Thread | None:
    """Begin to have so much memory provided by the system before anybody asks for it; nothing waits for that.

    It is handed to the C library, which gives it to whoever asks next. Only where freed memory is kept
    (`keep_freed_memory`), and no limit is set on what the process may ask for.

    Parameters
    ----------
    size
        Bytes, not more than will be needed. Those that are free already are not provided again, and of what
        is lacking less than `LEAST_TOUCHED` is left to be touched as it comes.

    Returns
    -------
    Thread | None
        What does it; None where nothing is done.
    """
    limits = (resource.getrlimit(kind)[0] for kind in (resource.RLIMIT_AS, resource.RLIMIT_DATA))
    if size < LEAST_TOUCHED or _OWN not in os.environ.get(_VARIABLE, ""):
        return None
    if any(limit != resource.RLIM_INFINITY for limit in limits):
        return None
    library = ctypes.CDLL(None)
    if not hasattr(library, "mallinfo2") or (lacking := size - _free_bytes(library)) < LEAST_TOUCHED:
        return None
    toucher = Thread(target=_touch, args=(library, lacking), name="touch ahead", daemon=True)
    toucher.start()
    return toucher


def _free_bytes(library: ctypes.CDLL) -> int:
    """Return what the C library holds free."""
    library.mallinfo2.restype = _MallocInformation
    return int(library.mallinfo2().fordblks)


class _MallocInformation(ctypes.Structure):
    """The C library's ``struct mallinfo2``, from glibc's malloc.h, since 2.33."""

    _fields_: ClassVar = [
        (name, ctypes.c_size_t)
        for name in (
            *("arena", "ordblks", "smblks", "hblks", "hblkhd"),
            *("usmblks", "fsmblks", "uordblks", "fordblks", "keepcost"),
        )
    ]


def _touch(library: ctypes.CDLL, size: int) -> None:
    library.malloc.argtypes, library.malloc.restype = [ctypes.c_size_t], ctypes.c_void_p
    library.free.argtypes = [ctypes.c_void_p]
    library.madvise.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int]
    block = library.malloc(size)
    if block is None:
        return
    # Whole pages of the block.
    page = resource.getpagesize()
    place, end = block + -block % page, (block + size) // page * page
    while place < end:
        piece = min(_PIECE_BYTES, end - place)
        if library.madvise(place, piece, _POPULATE_WRITE) != 0:
            # An older kernel, or no memory: whoever needs it will be told.
            break
        place += piece
    library.free(block)


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
