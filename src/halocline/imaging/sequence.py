"""Frame sequences on disk: patterns, ranges, and which frames are there.

Patterns as the trade writes them, in the last piece of the path: ``name.####.exr`` or ``name.@@@@.exr`` (one
sign a digit), ``name.%04d.exr``, with a range in front of the digits if wanted, as in
``name.1001-1100x2####.exr``. The fileseq package reads ranges and patterns.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable
from dataclasses import replace
from functools import reduce
from itertools import pairwise
from pathlib import Path

from halocline.compute.on_demand import OnDemand
from halocline.errors import SequenceError
from halocline.late_dataclass import dataclass

# It makes a parser of its grammar when it is imported; one file needs none.
fileseq = OnDemand("fileseq")
told = OnDemand("fileseq.exceptions")

# A hundred hours at 24 frames a second is 8.6 million; no shot has a million frames.
MAX_FRAMES = 1_000_000

_TOKEN = re.compile(r"#+|@+|%(?:0?\d+)?d")
# The last number of a name, before its ending, with the letters right before it.
_NUMBER_IN_NAME = re.compile(r"([^\W\d_]*)(?<!\d)(\d{1,18})(?=\.[^.]+$)")
# Numbers that count something else (common practice, no source): "shot_v012.exr" is no frame 12.
_NO_FRAMES = frozenset(
    ("v", "ver", "version", "r", "rev", "take", "t", "shot", "sh", "scene", "sc", "seq", "cam", "camera")
)


@dataclass(frozen=True)
class Sequence:
    """Files of one name, numbered by frame; or one file.

    Attributes
    ----------
    folder
        Where the files are.
    prefix, digits, suffix
        Name before and after the frame number, and its least number of digits; 0 for a single file, whose
        name the prefix is.
    frames
        Frame numbers in the order asked for.
    """

    folder: Path
    prefix: str
    digits: int
    suffix: str
    frames: tuple[int, ...] = ()

    @property
    def pattern(self) -> str:
        """The path with a sign for each digit."""
        return str(self.folder / f"{self.prefix}{'#' * self.digits}{self.suffix}")

    @property
    def is_numbered(self) -> bool:
        """Whether the files carry frame numbers."""
        return self.digits > 0

    def path(self, frame: int) -> Path:
        """Return the file of a frame."""
        number = f"{frame:0{self.digits + (frame < 0)}d}" if self.is_numbered else ""
        return self.folder / f"{self.prefix}{number}{self.suffix}"

    def missing(self) -> tuple[int, ...]:
        """Return the frames whose files are not there."""
        if not self.is_numbered:
            return () if self.path(0).exists() else self.frames
        there = set(_frames_there(self))
        return tuple(frame for frame in self.frames if frame not in there)

    def first_there(self) -> int:
        """Return the first frame asked for whose file is there; the first of all where none is."""
        missing = set(self.missing())
        return next((frame for frame in self.frames if frame not in missing), self.frames[0])

    def gaps(self) -> tuple[int, ...]:
        """Return the frames left out between the first and the last, at the step the others have."""
        if len(self.frames) < 2:
            return ()
        ordered = sorted(self.frames)
        steps = [after - before for before, after in pairwise(ordered)]
        step = reduce(math.gcd, steps)
        return tuple(sorted(set(range(ordered[0], ordered[-1] + 1, step)) - set(ordered)))

    def with_frames(self, frames: Iterable[int]) -> Sequence:
        """Return the sequence of the same files with other frames."""
        return replace(self, frames=tuple(frames))


def parse_frames(text: str) -> tuple[int, ...]:
    """Read a frame range: ``1001-1100``, ``1001-1100x2``, ``1,3,5-7``.

    Parameters
    ----------
    text
        The range.

    Returns
    -------
    tuple[int, ...]
        Frame numbers in the order asked for.

    Raises
    ------
    SequenceError
        ``E-SEQUENCE-RANGE`` where it is none, has no frames, too many, or fractions of frames.
    """
    try:
        frames = fileseq.FrameSet(text)
        if len(frames) > MAX_FRAMES:
            raise told.MaxSizeException(f"{len(frames)} frames are more than {MAX_FRAMES}")
        numbers = tuple(number for number in frames if isinstance(number, int))
    except (told.FileSeqException, told.MaxSizeException, ValueError, ArithmeticError) as error:
        too_many = isinstance(error, told.MaxSizeException)
        reason = str(error).splitlines()[0] if too_many else "it is none"
        raise _bad_range(text, reason) from error
    if not numbers or len(numbers) != len(frames):
        raise _bad_range(text, "it holds no frames" if not frames else "frames are whole numbers")
    return numbers


def frame_text(frames: Iterable[int]) -> str:
    """Return frames as a short range.

    Parameters
    ----------
    frames
        Frame numbers.

    Returns
    -------
    str
        A range that `parse_frames` reads.

    Examples
    --------
    >>> frame_text([1001, 1002, 1003, 1010])
    '1001-1003,1010'
    """
    numbers = list(frames)
    return str(numbers[0] if len(numbers) == 1 else fileseq.framesToFrameRange(numbers))


def find_sequence(text: str | Path, frames: str | None = None) -> Sequence:
    """Find the files that a pattern, or the name of one file, stands for.

    Parameters
    ----------
    text
        A pattern, or a file.
    frames
        Range of frames; without one (here or in the pattern) all that are there.

    Returns
    -------
    Sequence
        The files, frames in the order asked for.

    Raises
    ------
    SequenceError
        ``E-SEQUENCE-RANGE``, ``E-SEQUENCE-PATTERN``, or ``E-SEQUENCE-EMPTY`` where no file is there.
    """
    sequence = parse_pattern(text)
    if not sequence.is_numbered:
        return _single(sequence, frames)
    if frames is not None:
        sequence = sequence.with_frames(parse_frames(frames))
    there = _frames_there(sequence)
    if not sequence.frames:
        sequence = sequence.with_frames(sorted(there))
    if not set(sequence.frames) & set(there):
        raise SequenceError(
            "no file of this sequence is there" if not there else "none of the frames asked for is there",
            code="E-SEQUENCE-EMPTY",
            where=sequence.pattern,
            fix=f"Frames there: {frame_text(sorted(there))}." if there else "Check folder, name and digits.",
        )
    return sequence


def parse_pattern(text: str | Path) -> Sequence:
    """Read a pattern (or a plain file name) without looking at the disk; frames only where it has a range.

    Parameters
    ----------
    text
        The pattern.

    Returns
    -------
    Sequence
        The names; whether the files are there is not known.

    Raises
    ------
    SequenceError
        ``E-SEQUENCE-PATTERN`` where it has several places for the number, or none of a known kind.
    """
    path = Path(text)
    name = path.name
    tokens = list(_TOKEN.finditer(name))
    if not tokens:
        return Sequence(path.parent, name, 0, "")
    if len(tokens) > 1 or not path.name:
        raise SequenceError(
            f"{len(tokens)} places for the frame number",
            code="E-SEQUENCE-PATTERN",
            where=str(text),
            fix="Have one run of # or @ (a sign for each digit), or one %04d.",
        )
    token = tokens[0]
    # fileseq knows numbers only right before the ending; give it one, and keep the true rest of the name.
    try:
        found = fileseq.FileSequence(f"{name[: token.end()]}.exr", pad_style=fileseq.PAD_STYLE_HASH1)
    except (told.FileSeqException, ValueError, ArithmeticError) as error:
        # Digits before the sign are a range to it, however many there are.
        raise SequenceError(
            "the digits of its name are no frame numbers",
            code="E-SEQUENCE-PATTERN",
            where=str(text),
            fix="Write the frame number as #### or %04d, after a full stop.",
        ) from error
    frames = parse_frames(found.frameRange()) if found.frameSet() else ()
    return Sequence(path.parent, found.basename(), found.zfill(), name[token.end() :], frames)


def output_sequence(text: str | Path, source: Sequence) -> Sequence:
    """Return where the frames of a sequence are written.

    Parameters
    ----------
    text
        A pattern; a folder (one that is there, or a path that ends in a slash), where the source's names are
        kept; or one file, for a source of one frame.
    source
        The input sequence.

    Returns
    -------
    Sequence
        The same frames under other names.

    Raises
    ------
    SequenceError
        ``E-SEQUENCE-PATTERN`` where many frames would go to one file.
    """
    path = Path(text)
    if str(text).endswith(("/", "\\")) or path.is_dir():
        return replace(source, folder=path)
    sequence = parse_pattern(text)
    if not sequence.is_numbered and len(source.frames) > 1:
        raise SequenceError(
            f"{len(source.frames)} frames cannot go to one file",
            code="E-SEQUENCE-PATTERN",
            where=str(text),
            fix="Give a folder (with a slash at its end), or a pattern such as wet.####.exr.",
        )
    return sequence.with_frames(source.frames)


def _single(sequence: Sequence, frames: str | None) -> Sequence:
    path = sequence.path(0)
    if path.is_dir():
        raise SequenceError(
            "is a folder",
            code="E-SEQUENCE-PATTERN",
            where=str(path),
            fix=f"Give a file in it, or a pattern such as {path / 'name.####.exr'}.",
        )
    if not path.exists():
        raise SequenceError(
            "is not there",
            code="E-SEQUENCE-EMPTY",
            where=str(path),
            fix="Check the path; for a sequence give a pattern such as name.####.exr.",
        )
    found = _NUMBER_IN_NAME.search(path.name)
    if found is not None and found[1].lower() in _NO_FRAMES:
        found = None
    number = int(found[2]) if found else 1
    if frames is not None and parse_frames(frames) != (number,):
        start, end = found.span(2) if found else (len(path.stem), len(path.stem))
        digits = "#" * (end - start or 4)
        raise SequenceError(
            f"is one file (frame {number}), but frames {frames} are asked for",
            code="E-SEQUENCE-PATTERN",
            where=str(path),
            fix=f"Give a pattern such as {path.name[:start]}{digits}{path.name[end:]}.",
        )
    return sequence.with_frames((number,))


def _frames_there(sequence: Sequence) -> list[int]:
    """List the frames whose files are in the folder; one look at the folder, whatever the range."""
    # Names too long for the file system are not there either (Path.is_dir raises).
    if not os.path.isdir(sequence.folder):  # noqa: PTH112
        return []
    frames = []
    for entry in sequence.folder.iterdir():
        name = entry.name
        if not (name.startswith(sequence.prefix) and name.endswith(sequence.suffix)):
            continue
        number = name[len(sequence.prefix) : len(name) - len(sequence.suffix) or None]
        if re.fullmatch(r"-?\d{1,18}", number, re.ASCII) and sequence.path(int(number)).name == name:
            frames.append(int(number))
    return frames


def _bad_range(text: str, reason: str) -> SequenceError:
    return SequenceError(
        f'"{text}" is no range of frames: {reason}',
        code="E-SEQUENCE-RANGE",
        fix="Write frames as 1001-1100, 1001-1100x2 or 1,3,5-7.",
    )
