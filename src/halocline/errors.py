"""The one family of errors that Halocline raises.

    HaloclineError
    +-- UnitError          a length, angle or time that cannot be read
    +-- WaterError         a water that is not to be had, or is physically impossible
    +-- BandError          a spectral fit that cannot be made
    +-- PhysicsError       a quantity outside the range its equation holds for
    +-- FrameError         planes, windows or metadata that do not belong together
    |   +-- ChannelError   a channel that is missing or ambiguous
    |   +-- DepthError     a depth pass that cannot be turned into range
    |   +-- CameraError    a camera that is missing or impossible
    |   +-- ColourError    a colour space that is not known
    +-- FileError          a file that cannot be read or written
    |   +-- ReadError
    |   +-- WriteError
    |   +-- SequenceError  a frame pattern or range that names no frames
    +-- GraphError         operators that cannot be joined
    +-- CollectedError     several mistakes told at once
        +-- PresetError    a preset that is not valid
        +-- JobError       a batch that cannot start or did not complete

Every message says what is wrong, where, and how to fix it. The parts are kept as attributes too, so that
a log for machines need not take a sentence apart, and ``code`` is stable from version to version.
"""

from __future__ import annotations

from collections.abc import Sequence

from halocline.plain_text import one_line


class HaloclineError(Exception):
    """Base of the family.

    Parameters
    ----------
    message
        What is wrong, in one sentence.
    code
        Stable identifier, ``E-ROOM-WHAT``.
    where
        File, frame, channel or preset line the message is about.
    fix
        What the user can do about it.
    key
        Path of the preset's or job file's key that is at fault, rows of arrays counted from 0; empty where
        there is none.
    file, line
        The file that states it and the line there, as far as they are known; ``where`` tells both in words.
    """

    def __init__(
        self,
        message: str,
        *,
        code: str,
        where: str | None = None,
        fix: str | None = None,
        key: tuple[str, ...] = (),
        file: str | None = None,
        line: int | None = None,
    ) -> None:
        super().__init__(message, code, where, fix)
        self.message = message
        self.code = code
        self.where = where
        self.fix = fix
        self.key = key
        self.file = file
        self.line = line

    def __reduce__(self) -> tuple[object, ...]:
        # Errors cross process boundaries in batches; the default would lose the keyword-only parts.
        return (_rebuild, (type(self), self.__dict__))

    def __str__(self) -> str:
        # Places and messages quote names and values from anywhere.
        place = f"{one_line(self.where)}: " if self.where else ""
        fix = f"\n  {one_line(self.fix)}" if self.fix else ""
        return f"{self.code}  {place}{one_line(self.message)}{fix}"

    def located(
        self,
        where: str,
        *,
        key: tuple[str, ...] | None = None,
        file: str | None = None,
        line: int | None = None,
    ) -> HaloclineError:
        """Return the same error with a place put before the one it has (outermost first).

        Parameters
        ----------
        where
            The place, such as a file's name.
        key, file, line
            The same place as data, where it is one of a preset or a job file; else the error keeps its own.

        Returns
        -------
        A new error of the same kind.
        """
        place = f"{where}, {self.where}" if self.where else where
        told = {} if key is None else {"key": key, "file": file, "line": line}
        return _rebuild(type(self), {**self.__dict__, "where": place, **told})


def _rebuild(kind: type[HaloclineError], state: dict[str, object]) -> HaloclineError:
    error = kind.__new__(kind)
    error.__dict__.update(state)
    error.args = tuple(state[name] for name in ("message", "code", "where", "fix"))
    return error


class UnitError(HaloclineError):
    """A length, angle or time that cannot be read."""


class WaterError(HaloclineError):
    """A water that is not to be had, or is physically impossible."""


class BandError(HaloclineError):
    """A spectral fit that cannot be made."""


class PhysicsError(HaloclineError):
    """A quantity outside the range its equation holds for."""


class FrameError(HaloclineError):
    """Planes, windows or metadata that do not belong together."""


class ChannelError(FrameError):
    """A channel that is missing or ambiguous."""


class DepthError(FrameError):
    """A depth pass that cannot be turned into range."""


class CameraError(FrameError):
    """A camera that is missing or impossible."""


class ColourError(FrameError):
    """A colour space that is not known."""


class FileError(HaloclineError):
    """A file that cannot be read or written."""


class ReadError(FileError):
    """A file that cannot be read."""


class WriteError(FileError):
    """A file that cannot be written."""


class SequenceError(FileError):
    """A frame pattern or range that names no frames."""


class GraphError(HaloclineError):
    """Operators that cannot be joined."""


class CollectedError(HaloclineError):
    """Several mistakes told at once. ``problems`` holds one error for each; it may be empty."""

    def __init__(
        self,
        message: str,
        *,
        code: str,
        where: str | None = None,
        fix: str | None = None,
        key: tuple[str, ...] = (),
        file: str | None = None,
        line: int | None = None,
        problems: Sequence[HaloclineError] = (),
    ) -> None:
        super().__init__(message, code=code, where=where, fix=fix, key=key, file=file, line=line)
        self.problems = tuple(problems)

    def __str__(self) -> str:
        if not self.problems:
            return super().__str__()
        return "\n".join(str(problem) for problem in self.problems)

    def located(
        self,
        where: str,
        *,
        key: tuple[str, ...] | None = None,
        file: str | None = None,
        line: int | None = None,
    ) -> HaloclineError:
        """Return the same error, and each of its problems, with a place put before the one it has."""
        placed = super().located(where, key=key, file=file, line=line)
        problems = tuple(problem.located(where) for problem in self.problems)
        return _rebuild(type(self), {**placed.__dict__, "problems": problems})


class PresetError(CollectedError):
    """A preset that is not valid."""


class JobError(CollectedError):
    """A batch that cannot start or did not complete."""


def did_you_mean(word: str, known: Sequence[str]) -> str:
    """Return ``' Did you mean "x"?'`` for the nearest known word, or nothing where none is near.

    Parameters
    ----------
    word
        What was written.
    known
        What could have been meant.

    Returns
    -------
    str
        A sentence that begins with a space, or nothing.
    """
    # difflib is only needed once something has gone wrong.
    from difflib import get_close_matches  # noqa: PLC0415

    near = get_close_matches(word, known, n=1)
    return f' Did you mean "{near[0]}"?' if near else ""
