"""Planes of frames too large for the memory allowed: in files without a name, which the system writes out.

Each plane is a file of its own, in the folder that the frame is written to, whose name is taken away before
it holds anything: whatever is killed, nothing stays behind. Its space is reserved when the plane is made, so
that a disk that is full is an error there, and none can strike while the plane is filled.

The plane itself is the file, mapped into memory. What of it was touched counts as the process's memory until
it is let go, which loses nothing: the bytes are the system's to keep and to write out, and come back when
they are touched again. A thread looks every few milliseconds how much is there, and lets go of all where it
is more than `RESIDENT_BYTES`. Values are those of a plane in memory, to the bit.
"""

from __future__ import annotations

import mmap
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from threading import Event, Thread
from weakref import WeakSet

import numpy as np
from numpy.typing import DTypeLike

from halocline._typing import AnyArray
from halocline.errors import WriteError

# Arrays from this size on go to disk: smaller ones come in numbers, and do not tell.
LARGE_BYTES = 16 << 20
# What of all planes may be in the process's memory before it is let go.
RESIDENT_BYTES = 192 << 20
# A processor touches some 20 MB of new pages in this time.
_LOOK_SECONDS = 0.01
# File systems that are memory themselves, as mountinfo names them.
_IN_MEMORY = frozenset({"tmpfs", "ramfs", "devtmpfs"})


class PlanesOnDisk:
    """Planes whose bytes are in files without a name.

    Parameters
    ----------
    folder
        Where these files are.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._maps: WeakSet[mmap.mmap] = WeakSet()

    def empty(self, shape: tuple[int, ...], dtype: DTypeLike) -> AnyArray:
        """Return a plane of zeros.

        Parameters
        ----------
        shape, dtype
            As numpy takes them; at least one byte.

        Returns
        -------
        AnyArray
            The file lasts as long as it, or a view of it, does.

        Raises
        ------
        WriteError
            ``E-WRITE-OPEN`` where the disk has no room for it, or the folder holds no such files.
        """
        kind = np.dtype(dtype)
        count = int(np.prod(shape, dtype=np.int64))
        try:
            mapped = self._mapped(count * kind.itemsize)
        except OSError as error:
            raise WriteError(
                f"planes of the frame cannot be kept here while it is made: {error.strerror or error}",
                code="E-WRITE-OPEN",
                where=str(self._folder),
                fix="Make room on its disk, write to a folder on another, or allow more with --memory.",
            ) from error
        self._maps.add(mapped)
        return np.frombuffer(mapped, kind, count).reshape(shape)

    def _mapped(self, size: int) -> mmap.mmap:
        # Not buffered: nothing is written through the handle.
        with tempfile.TemporaryFile(dir=self._folder, buffering=0) as file:
            os.posix_fallocate(file.fileno(), 0, size)
            # It keeps a handle of its own.
            return mmap.mmap(file.fileno(), size)

    def let_go(self) -> None:
        """Give back what of the planes is in the process's memory; their values stay."""
        for mapped in list(self._maps):
            mapped.madvise(mmap.MADV_DONTNEED)

    def watch(self, ended: Event) -> None:
        """Let go whenever too much is there, until it is over."""
        before = _file_bytes()
        while not ended.wait(_LOOK_SECONDS):
            if _file_bytes() - before > RESIDENT_BYTES:
                self.let_go()


_here: ContextVar[PlanesOnDisk | None] = ContextVar("planes_on_disk", default=None)


@contextmanager
def planes_on_disk(folder: Path) -> Iterator[PlanesOnDisk]:
    """Keep the large planes that are made inside on disk.

    Parameters
    ----------
    folder
        Where their files are; nothing of them is ever seen there. One that is not there yet is not made: they
        are in that which will hold it.

    Yields
    ------
    PlanesOnDisk
        The planes.
    """
    planes, ended = PlanesOnDisk(_there(folder)), Event()
    watcher = Thread(target=planes.watch, args=(ended,), name="planes on disk", daemon=True)
    token = _here.set(planes)
    watcher.start()
    try:
        yield planes
    finally:
        _here.reset(token)
        ended.set()
        watcher.join()


def here() -> PlanesOnDisk | None:
    """Return where large planes are made now; None for memory."""
    return _here.get()


def make_there(planes: PlanesOnDisk | None) -> None:
    """Make large planes of this thread where another makes its own, as `here` told it."""
    _here.set(planes)


def empty_plane(shape: tuple[int, ...], dtype: DTypeLike = np.float32) -> AnyArray:
    """Return an array to be filled, as `numpy.empty`: on disk where it is large and planes are kept there.

    Parameters
    ----------
    shape, dtype
        As numpy takes them.

    Returns
    -------
    AnyArray
        Contiguous.

    Raises
    ------
    WriteError
        ``E-WRITE-OPEN``, as `PlanesOnDisk.empty`.

    Examples
    --------
    >>> empty_plane((2, 3)).shape
    (2, 3)
    """
    planes = _here.get()
    size = int(np.prod(shape, dtype=np.int64)) * np.dtype(dtype).itemsize
    if planes is None or size < LARGE_BYTES:
        return np.empty(shape, dtype)
    return planes.empty(shape, dtype)


def filled_plane(shape: tuple[int, ...], value: float, dtype: DTypeLike = np.float32) -> AnyArray:
    """Return an array of one value, as `numpy.full`, kept as `empty_plane` keeps one.

    Parameters
    ----------
    shape, value, dtype
        As numpy takes them.

    Returns
    -------
    AnyArray
        Contiguous.

    Raises
    ------
    WriteError
        ``E-WRITE-OPEN``, as `PlanesOnDisk.empty`.

    Examples
    --------
    >>> filled_plane((3,), 2.0).tolist()
    [2.0, 2.0, 2.0]
    """
    plane = empty_plane(shape, dtype)
    plane[...] = value
    return plane


def copied_plane(plane: AnyArray) -> AnyArray:
    """Return a copy of an array, kept as `empty_plane` keeps one.

    Parameters
    ----------
    plane
        An array.

    Returns
    -------
    AnyArray
        Its shape and type; contiguous.

    Raises
    ------
    WriteError
        ``E-WRITE-OPEN``, as `PlanesOnDisk.empty`.

    Examples
    --------
    >>> copied_plane(np.arange(3)).tolist()
    [0, 1, 2]
    """
    copy = empty_plane(plane.shape, plane.dtype)
    copy[...] = plane
    return copy


def room_on_disk(folder: Path, root: Path = Path("/")) -> int:
    """Return how many bytes of planes a folder's disk has room for.

    Parameters
    ----------
    folder
        A folder, which need not be there yet: then that which will hold it.
    root
        Where ``proc`` is; for tests.

    Returns
    -------
    int
        Bytes; 0 where its disk is memory itself, and where this system reserves no space or cannot tell.
    """
    if not hasattr(os, "posix_fallocate") or not hasattr(mmap, "MADV_DONTNEED"):
        return 0
    place = _there(folder)
    found = os.statvfs(place)
    return 0 if _in_memory(place, root) else found.f_bavail * found.f_frsize


def _there(folder: Path) -> Path:
    """Return a folder, or that which will hold it."""
    return next(place for place in (folder, *folder.absolute().parents) if place.is_dir())


def _in_memory(folder: Path, root: Path) -> bool:
    """Tell whether a folder's file system is memory."""
    number = folder.stat().st_dev
    own = f"{os.major(number)}:{os.minor(number)}"
    with suppress(OSError):
        # Fields by proc(5): the third is the device; the file system's type comes after " - ".
        for line in (root / "proc/self/mountinfo").read_text(errors="replace").splitlines():
            mount, _, system = line.partition(" - ")
            if mount.split()[2] == own:
                return system.split()[0] in _IN_MEMORY
    return False


def _file_bytes() -> int:
    """Return how much of files is in the process's memory; very much where the system does not tell."""
    with suppress(OSError, ValueError, IndexError):
        # By proc(5): resident pages of shared mappings.
        return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[2]) * mmap.PAGESIZE
    return 1 << 62
