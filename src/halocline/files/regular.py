"""Opening files that somebody else may have put there: regular files only, never waiting, never too much.

A name may be a link to a person's own files, a pipe that nobody writes to, or a device that never ends. What
it is, is asked before it is opened, and once more of what was opened.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

_KINDS = {
    stat.S_IFDIR: "a folder",
    stat.S_IFIFO: "a named pipe",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFSOCK: "a socket",
    stat.S_IFLNK: "a link, and links are not followed here",
}
_BLOCK_BYTES = 1 << 20


def open_regular(path: str | os.PathLike[str], flags: int = os.O_RDONLY, *, follow: bool = False) -> int:
    """Open a regular file and return its descriptor.

    Parameters
    ----------
    path, flags
        As for ``os.open``; a file that is made gets the permissions of the process.
    follow
        Whether the name may be a link (to a regular file).

    Returns
    -------
    int
        The descriptor, to be closed by who called.

    Raises
    ------
    OSError
        As ``os.open``, and where the name is anything but a regular file; ``strerror`` says what it is.
    """
    try:
        _refuse_others(Path(path).stat(follow_symlinks=follow), path)
    except FileNotFoundError:
        if not flags & os.O_CREAT:
            raise
    # Not to wait for the other end of a pipe that was put there since.
    flags |= os.O_NONBLOCK | os.O_CLOEXEC | (0 if follow else os.O_NOFOLLOW)
    handle = os.open(path, flags, 0o666)
    try:
        _refuse_others(os.fstat(handle), path)
    except OSError:
        os.close(handle)
        raise
    return handle


def read_regular(path: str | os.PathLike[str], most: int, *, follow: bool = True) -> bytes:
    """Read a regular file of at most so many bytes.

    Parameters
    ----------
    path
        The file.
    most
        Bytes.
    follow
        Whether the name may be a link (to a regular file).

    Returns
    -------
    bytes
        All that it holds.

    Raises
    ------
    OSError
        As `open_regular`, and where the file is larger, however large it says it is.
    """
    content = bytearray()
    with os.fdopen(open_regular(path, follow=follow), "rb") as file:
        while len(content) <= most and (block := file.read(min(_BLOCK_BYTES, most + 1))):
            content += block
    if len(content) > most:
        raise OSError(errno.EFBIG, f"it is larger than {most} bytes", os.fspath(path))
    return bytes(content)


def read_text(path: str | os.PathLike[str], most: int) -> str:
    """Read a regular text file, UTF-8 with or without a mark at its beginning.

    Parameters
    ----------
    path
        The file.
    most
        Bytes.

    Returns
    -------
    str
        The text, without the mark.

    Raises
    ------
    OSError, UnicodeDecodeError
    """
    return read_regular(path, most).decode("utf-8-sig")


def is_regular(path: Path) -> bool:
    """Tell whether a name, or what it links to, is a regular file.

    Parameters
    ----------
    path
        The name.

    Returns
    -------
    bool
        Whether it is one; False too where nothing is there or it cannot be told.
    """
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except (OSError, ValueError):
        return False


def _refuse_others(found: os.stat_result, path: str | os.PathLike[str]) -> None:
    if not stat.S_ISREG(found.st_mode):
        kind = _KINDS.get(stat.S_IFMT(found.st_mode), "something else")
        raise OSError(errno.EINVAL, f"it is no regular file but {kind}", os.fspath(path))
