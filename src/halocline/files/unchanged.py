"""Files that must stay as they are while they are read: half of one picture and half of another is none.

Something else may still be writing a render, or write it anew, while it is read. What tells of that is the
file's number, its size, and the times at which its content and anything else of it last changed: the last of
them nobody can set back, as copying tools do with the other. But it also changes with permissions, and where
a backup gives the file one name more: where it alone is another, and a digest of what was read is known, the
content decides.
"""

from __future__ import annotations

import hashlib
import logging
import os
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import field
from pathlib import Path
from typing import TypeVar

from halocline.errors import HaloclineError, ReadError
from halocline.files.regular import open_regular
from halocline.late_dataclass import dataclass

logger = logging.getLogger(__name__)

T = TypeVar("T")
Stamp = tuple[int, int, int, int]

# Who writes a frame is mostly done with it soon.
_TRIES = 3
_PAUSE_SECONDS = 0.2
_BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class BeforeReading:
    """Files as they were before they were read.

    Attributes
    ----------
    stamps
        What tells that a file was changed, by file; None where it is not there. Later ones, where only they
        changed and no content.
    digests
        Of what was read since, by file, where they are known.
    """

    stamps: dict[Path, Stamp | None]
    digests: dict[Path, str] = field(default_factory=dict)

    @classmethod
    def of(cls, paths: Iterable[Path]) -> BeforeReading:
        """Return files as they are now."""
        return cls({path: stamp_of(path) for path in paths})

    def know(self, digests: Mapping[Path, str]) -> None:
        """Take digests of the files, made since, by which content can be told from all else of a file."""
        self.digests.update({path: digest for path, digest in digests.items() if path in self.stamps})

    def changed(self, among: Iterable[Path] | None = None) -> list[Path]:
        """Return the files that are others by now; all are asked for where not given which."""
        return [path for path in (self.stamps if among is None else among) if not self._rests(path)]

    def refuse_changed(self, among: Iterable[Path] | None = None) -> None:
        """Refuse what was read since, where a file is another by now.

        Parameters
        ----------
        among
            The files that are asked for, all where not given.

        Raises
        ------
        ReadError
            ``E-READ-CHANGED``.
        """
        changed = self.changed(among)
        if changed:
            raise ReadError(
                "changed while it was read",
                code="E-READ-CHANGED",
                where=" or ".join(map(str, changed)),
                fix="Something is still writing it; run again when it is done.",
            )

    def _rests(self, path: Path) -> bool:
        before, now = self.stamps[path], stamp_of(path)
        if now == before:
            return True
        digest = self.digests.get(path)
        if before is None or now is None or digest is None or now[:-1] != before[:-1]:
            return False
        try:
            same = digest_of(path)[1] == digest
        except OSError:
            return False
        if same:
            # What changes from here on is told by what it is now.
            self.stamps[path] = now
        return same


def digest_of(path: str | os.PathLike[str]) -> tuple[int, str]:
    """Return how many bytes a file has, and their SHA-256 in hexadecimal digits.

    Parameters
    ----------
    path
        A regular file, or a link to one.

    Returns
    -------
    tuple[int, str]
        Bytes, and 64 digits.

    Raises
    ------
    OSError
        Where it cannot be read.
    """
    digest, size = hashlib.sha256(), 0
    with os.fdopen(open_regular(path, follow=True), "rb") as file:
        while block := file.read(_BLOCK_BYTES):
            digest.update(block)
            size += len(block)
    return size, digest.hexdigest()


def stamp_of(path: str | os.PathLike[str]) -> Stamp | None:
    """Return what tells that a file was changed.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Stamp | None
        Its number, size and times; None where it is not there, or cannot be asked for: whoever reads it says
        that better.
    """
    try:
        found = Path(path).stat()
    except (OSError, ValueError):
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def read_still(paths: Iterable[Path], read: Callable[[BeforeReading], T]) -> T:
    """Read files; once more, and again, where they changed meanwhile.

    Parameters
    ----------
    paths
        The files.
    read
        Reads them; is given how they were before.

    Returns
    -------
    T
        What was read, all of it of files that stayed as they were.

    Raises
    ------
    ReadError
        ``E-READ-CHANGED`` where they changed each time, also where that made them unreadable. HaloclineError
        of ``read``, where they did not.
    """
    files = list(paths)
    for _ in range(_TRIES - 1):
        try:
            return _read_once(files, read)
        except ReadError as error:
            if error.code != "E-READ-CHANGED":
                raise
            logger.info("read again: %s", error)
        time.sleep(_PAUSE_SECONDS)
    return _read_once(files, read)


def _read_once(files: list[Path], read: Callable[[BeforeReading], T]) -> T:
    before = BeforeReading.of(files)
    try:
        found = read(before)
    except HaloclineError:
        # What is half written is not damaged.
        before.refuse_changed()
        raise
    before.refuse_changed()
    return found
