"""One folder on disk for what took long to make and would come out the same again.

Fits of bands, tables of light, compiled loops, noise: each *kind* has a folder of its own in it, and each
entry is named by the digest of its key. A key holds everything that the value depends on, a version of the
method included, so that nothing old is ever taken for something new.

The folder is a convenience and nothing else. Whatever goes wrong with it (no space, no right to write, a
damaged entry, a folder that somebody deletes meanwhile), values are made anew and the job goes on:

- written under a temporary name and renamed, so that no other process, on this machine or another, ever
  sees half an entry; who comes second writes the same again;
- every file carries a digest of its content; what does not fit it counts as not there;
- once there is more than `most_bytes`, entries that have not been asked for longest go; that is looked for
  now and then, so there may be some percent more for a while; what is kept in passing has a part of that;
- no symbolic link inside the folder is followed, and `clear` takes away only what bears this module's names.

Where it is: the environment variable HALOCLINE_CACHE; else where the platform keeps such things
(``$XDG_CACHE_HOME`` or ``~/.cache``, ``~/Library/Caches``, ``%LOCALAPPDATA%``), in a folder ``halocline``
that is the user's own. HALOCLINE_CACHE=off keeps nothing. HALOCLINE_CACHE_MIB is how much may be kept.
A team may share one on a file server: entries are read by whoever can read the files, and written by whoever
can write to the folder, which is made for its user alone and must be opened to others by hand.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import stat
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryFile

from halocline.errors import WriteError
from halocline.files.whole import UNFINISHED, write_whole
from halocline.late_dataclass import dataclass

PLACE_VARIABLE = "HALOCLINE_CACHE"
SIZE_VARIABLE = "HALOCLINE_CACHE_MIB"
OFF = "off"
DEFAULT_MIB = 2048
# An entry is marked as used at most this often: a mark is a write.
MARK_SECONDS = 3600.0
# All entries are looked through for what is too much at most this often, unless this process alone has
# written so much of what may be kept since it last did: thousands of files take longer than a small frame.
TRIM_SECONDS = 3600.0
TRIM_SHARE = 1.0 / 64.0
# A temporary file this old belongs to a process that was ended.
ABANDONED_SECONDS = 3600.0

# Of what is kept in passing: the share of all that one kind may take, and what one process writes.
PASSING_SHARE = 0.25
PASSING_BYTES = 96 << 20

_SUFFIX = ".kept"
_DIGEST_BYTES = 32
_ALIGNED = 16
# Of what is kept, and of what is kept in passing.
_HEADER, _PASSING_HEADER = b"halocline kept 1\n", b"halocline kept 2\n"
_KIND = re.compile(r"[a-z][a-z-]*")
_FILE = re.compile(rf"[0-9a-f]{{64}}{re.escape(_SUFFIX)}")
_FOLDER = re.compile(r"[0-9a-f]{64}")
_LEFTOVER = re.compile(rf"\..*\.{UNFINISHED}")
_NO_LINKS = getattr(os, "O_NOFOLLOW", 0)
_BINARY = getattr(os, "O_BINARY", 0)
_TRIMMED_NAME = ".looked-through"
# Tells programs that make backups to leave the folder out: https://bford.info/cachedir/, read from memory.
_TAG_NAME = "CACHEDIR.TAG"
_TAG = b"Signature: 8a477f597d28d172789f06886806bc55\n# Kept by halocline; safe to delete.\n"


@dataclass(frozen=True)
class Held:
    """What is kept of one kind.

    Attributes
    ----------
    kind
        Which.
    entries
        How many.
    size
        Bytes of all of them.
    """

    kind: str
    entries: int
    size: int


@dataclass(frozen=True)
class _Entry:
    """One file, or one folder of files, that is kept or taken away as a whole."""

    path: Path
    size: int
    used: float
    is_leftover: bool = False


def place() -> Path | None:
    """Return the folder, there or not yet; None where nothing is to be kept.

    Returns
    -------
    Path | None
        The folder, or None.
    """
    stated = os.environ.get(PLACE_VARIABLE, "")
    if stated:
        return None if stated == OFF else Path(stated).absolute()
    try:
        return _users_own() / "halocline"
    except RuntimeError:
        # A user without a home.
        return None


def most_bytes() -> int:
    """Return how much is kept at most; what the variable says is left aside where it is no number.

    Returns
    -------
    int
        Bytes, 0 or more.
    """
    stated = os.environ.get(SIZE_VARIABLE, "")
    mib = int(stated) if stated.isascii() and stated.isdigit() else DEFAULT_MIB
    return mib << 20


def kept(kind: str, key: bytes | str, make: Callable[[], bytes]) -> bytes:
    """Return the value of a key: from disk where it is there and whole, else made, and kept if that works.

    Parameters
    ----------
    kind
        What sort of thing it is, in small letters and hyphens: the name of a folder.
    key
        Everything that the value depends on. Keys of different kinds do not meet.
    make
        Makes the value. What it raises is passed on, and nothing is kept.

    Returns
    -------
    bytes
        The value's bytes.

    Notes
    -----
    The digest tells damage, not forgery: parse what comes back as strictly as a file from a stranger, and
    never keep what is run or unpickled this way.
    """
    root = place()
    if root is None:
        return make()
    path = root / _checked(kind) / (_name(kind, key) + _SUFFIX)
    found = _read(path)
    if found is not None:
        _mark_used(path)
        return bytes(found)
    value = make()
    _write(root, path, value)
    return value


def kept_in_passing(kind: str, key: bytes | str, make: Callable[[], bytes]) -> bytes | memoryview:
    """As `kept`, for what is large and wanted again only where somebody makes the same frame again.

    Such a kind takes `PASSING_SHARE` of what may be kept, so that it pushes out nothing but its own, and a
    process writes `PASSING_BYTES` of it: one that makes a thousand frames makes each once.

    Parameters
    ----------
    kind, key, make
        See `kept`.

    Returns
    -------
    bytes | memoryview
        The value's bytes, as they were made; from disk the caller's own to change, aligned for any number.
    """
    root = place()
    if root is None:
        return make()
    path = root / _checked(kind) / (_name(kind, key) + _SUFFIX)
    found = _read(path, _PASSING_HEADER)
    if found is not None:
        _mark_used(path)
        return found
    value = make()
    most = int(PASSING_SHARE * most_bytes())
    if len(value) <= min(most, PASSING_BYTES - _Written.in_passing):
        _Written.in_passing += len(value)
        _write(root, path, value, _PASSING_HEADER)
        with suppress(OSError):
            _trim_to(list(_entries(path.parent)), most)
    return value


@lru_cache(maxsize=8)
def package_mark(package: str = "") -> str:
    """Return what changes whenever a package does, for keys of values that much of it goes into.

    Made of the name, size and time of every file: enough to tell states of one installation apart, and much
    faster than reading them all.

    Parameters
    ----------
    package
        Its name; this one where not given. It is not imported.

    Returns
    -------
    str
        Hexadecimal.
    """
    spec = find_spec(package) if package else None
    home = Path(__file__).parents[1] if spec is None else Path(str(spec.origin)).parent
    found = hashlib.blake2b(str(home).encode(), digest_size=16)
    for path in sorted(home.rglob("*" if package else "*.py")):
        if path.suffix != ".pyc" and path.is_file():
            about = path.stat()
            found.update(f"{path.relative_to(home)} {about.st_size} {about.st_mtime_ns}\n".encode())
    return found.hexdigest()


def folder(kind: str, key: bytes | str) -> Path | None:
    """Return a folder of one's own for a key, made if need be; None where there can be none.

    It is for libraries that keep files of their own, such as compiled code, which will be *run*: so it is
    only given where it belongs to this user and no other can write to it. Its files go all together, and can
    go at any time: whoever writes there must stand an OSError.
    """
    root = place()
    if root is None:
        return None
    path = root / _checked(kind) / _name(kind, key)
    try:
        _make_folders(root, path, 0o755)
        if not all(_is_ours_alone(step) for step in (root, path.parent, path)):
            return None
    except OSError:
        return None
    if _mark_used(path):
        _trim_where_due(root, 0)
    return path


def why_not_kept(size: int) -> str | None:
    """Try to keep something, and tell why that cannot be.

    Parameters
    ----------
    size
        Of how many bytes.

    Returns
    -------
    str | None
        The system's words; None where it can be, or nothing is to be kept.
    """
    root = place()
    if root is None:
        return None
    try:
        _make_folders(root, root, 0o755)
        with TemporaryFile(dir=root) as file:
            file.write(bytes(size))
            file.flush()
    except OSError as error:
        return error.strerror or str(error)
    return None


def contents() -> list[Held]:
    """Return what is kept, by kind.

    Returns
    -------
    list[Held]
        One entry a kind; none where the folder is not there.
    """
    root = place()
    held = []
    for kind in _kinds(root):
        entries = [entry for entry in _entries(kind) if not entry.is_leftover]
        if entries:
            held.append(Held(kind.name, len(entries), sum(entry.size for entry in entries)))
    return held


def clear() -> Held:
    """Take away all that is kept, and return how much that was. Other files in the folder stay.

    Returns
    -------
    Held
        Number and bytes of what is gone.
    """
    entries, size = 0, 0
    for kind in _kinds(place()):
        for entry in _entries(kind):
            if _take_away(entry):
                entries += not entry.is_leftover
                size += entry.size
        with suppress(OSError):
            # Only goes where it is empty.
            kind.rmdir()
    return Held("", entries, size)


def forget(kind: str, unused_seconds: float) -> None:
    """Take away the entries of a kind that have not been asked for so long."""
    root = place()
    if root is None:
        return
    folder_ = root / _checked(kind)
    if folder_ in _kinds(root):
        for entry in _entries(folder_):
            if time.time() - entry.used > unused_seconds:
                _take_away(entry)


def _users_own() -> Path:
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA", "")
        return Path(local) if local else Path.home() / "AppData" / "Local"
    # The XDG base directory specification: relative paths are to be left aside.
    stated = Path(os.environ.get("XDG_CACHE_HOME", ""))
    return stated if stated.is_absolute() else Path.home() / ".cache"


def _checked(kind: str) -> str:
    if not _KIND.fullmatch(kind):
        raise ValueError(f"{kind!r} is no name of a kind: small letters and hyphens")
    return kind


def _name(kind: str, key: bytes | str) -> str:
    data = key.encode() if isinstance(key, str) else key
    return hashlib.blake2b(kind.encode() + b"\0" + data, digest_size=_DIGEST_BYTES).hexdigest()


def _beginning(value: bytes | memoryview, header: bytes) -> bytes:
    """Return what stands before a value in its file: the header, and a digest of the value.

    What is kept in passing is large: many processors have instructions for its digest.
    """
    if header == _PASSING_HEADER:
        return header + hashlib.sha256(value).digest()
    return header + hashlib.blake2b(value, digest_size=_DIGEST_BYTES).digest()


def _read(path: Path, header: bytes = _HEADER) -> memoryview | None:
    """Return what a file holds; None where it is not there, no plain file, or not whole."""
    start = len(header) + _DIGEST_BYTES
    # The value begins where any number may.
    before = -start % _ALIGNED
    try:
        if path.parent.is_symlink():
            return None
        with os.fdopen(os.open(path, os.O_RDONLY | _NO_LINKS | _BINARY), "rb", buffering=0) as stream:
            about = os.fstat(stream.fileno())
            if not stat.S_ISREG(about.st_mode):
                return None
            data = memoryview(bytearray(before + about.st_size))[before:]
            if stream.readinto(data) != len(data):
                return None
    except OSError:
        return None
    value = data[start:]
    return value if data[:start] == _beginning(value, header) else None


def _write(root: Path, path: Path, value: bytes, header: bytes = _HEADER) -> None:
    """Keep a value, or leave everything as it was where that fails."""
    if len(value) > most_bytes():
        return
    try:
        _make_folders(root, path.parent, 0o777)
        if path.parent.is_symlink():
            return
        write_whole(path, _beginning(value, header) + value, overwrite=True, durable=False)
    except (OSError, WriteError):
        return
    _trim_where_due(root, len(value))


def _make_folders(root: Path, path: Path, mode: int) -> None:
    """Make a folder and those between it and the root; only the user may write to a root that is new."""
    if path.is_dir():
        return
    if not root.is_dir():
        root.mkdir(mode=0o755 if os.environ.get(PLACE_VARIABLE) else 0o700, parents=True, exist_ok=True)
        with suppress(OSError):
            (root / _TAG_NAME).write_bytes(_TAG)
    for step in (*reversed(path.relative_to(root).parents), path):
        (root / step).mkdir(mode=mode, exist_ok=True)


def _is_ours_alone(path: Path) -> bool:
    """Whether a folder is no link, belongs to this user, and no one else may write to it."""
    found = path.lstat()
    if not stat.S_ISDIR(found.st_mode):
        return False
    if not hasattr(os, "geteuid"):
        return True
    return found.st_uid == os.geteuid() and not found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def _mark_used(path: Path) -> bool:
    """Note that an entry was asked for; return whether that was due."""
    with suppress(OSError):
        if time.time() - path.lstat().st_mtime > MARK_SECONDS:
            os.utime(path, follow_symlinks=False)
            return True
    return False


class _Written:
    """Bytes that this process has written since it last looked through all entries, and ever in passing."""

    since = 0
    in_passing = 0


def _trim_where_due(root: Path, written: int) -> None:
    """Take away what is too much, where nobody has looked for long or much has been written since."""
    _Written.since += written
    mark = root / _TRIMMED_NAME
    with suppress(OSError):
        if _Written.since <= TRIM_SHARE * most_bytes() and time.time() - mark.stat().st_mtime < TRIM_SECONDS:
            return
    _Written.since = 0
    with suppress(OSError):
        mark.touch()
    _trim(root)


def _trim(root: Path) -> None:
    """Take away what has not been asked for longest, until the rest is no more than may be kept."""
    _trim_to([entry for kind in _kinds(root) for entry in _entries(kind)], most_bytes())


def _trim_to(entries: list[_Entry], most: int) -> None:
    for entry in entries:
        if entry.is_leftover and time.time() - entry.used > ABANDONED_SECONDS:
            _take_away(entry)
    entries = [entry for entry in entries if not entry.is_leftover]
    too_much = sum(entry.size for entry in entries) - most
    for entry in sorted(entries, key=lambda entry: (entry.used, entry.path.name)):
        if too_much <= 0:
            return
        if _take_away(entry):
            too_much -= entry.size


def _kinds(root: Path | None) -> list[Path]:
    """Return the folders of kinds that are there."""
    if root is None:
        return []
    with suppress(OSError), os.scandir(root) as found:
        named = [entry for entry in found if _KIND.fullmatch(entry.name)]
        return sorted(Path(entry.path) for entry in named if entry.is_dir(follow_symlinks=False))
    return []


def _entries(kind: Path) -> Iterator[_Entry]:
    """Yield what a kind's folder holds that bears this module's names; links are left alone."""
    with suppress(OSError), os.scandir(kind) as found:
        for item in found:
            with suppress(OSError):
                about = item.stat(follow_symlinks=False)
                path = Path(item.path)
                if stat.S_ISREG(about.st_mode) and _FILE.fullmatch(item.name):
                    yield _Entry(path, about.st_size, about.st_mtime)
                elif stat.S_ISREG(about.st_mode) and _LEFTOVER.fullmatch(item.name):
                    yield _Entry(path, about.st_size, about.st_mtime, is_leftover=True)
                elif stat.S_ISDIR(about.st_mode) and _FOLDER.fullmatch(item.name):
                    yield _folder_entry(path, about.st_mtime)


def _folder_entry(path: Path, used: float) -> _Entry:
    """Return a folder as one entry, as new as the newest in it."""
    size = 0
    for place_, _, names in os.walk(path, followlinks=False):
        for name in names:
            with suppress(OSError):
                about = (Path(place_) / name).lstat()
                size += about.st_size
                used = max(used, about.st_mtime)
    return _Entry(path, size, used)


def _take_away(entry: _Entry) -> bool:
    """Delete an entry; a folder is put out of the way first, so that no one finds half of it."""
    try:
        if not _FOLDER.fullmatch(entry.path.name):
            entry.path.unlink()
            return True
        # It bears a name of ours still: what a crash leaves of it is trimmed as any other entry.
        aside = entry.path.with_name(hashlib.sha256(uuid.uuid4().bytes).hexdigest())
        entry.path.rename(aside)
    except OSError:
        return False
    shutil.rmtree(aside, ignore_errors=True)
    return True
