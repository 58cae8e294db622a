"""A deep picture read for a frame: its samples made sound and tidy, and the picture flat for all the rest.

Where the samples are too many to hold, they are read again when they are needed, and what is held of them is
how many each pixel has.

A frame with a deep beauty has flat planes as any other (of each pixel, what is seen of all its samples, and
the range of the one that is seen most of), and beside them the samples, which water is put before one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.errors import ChannelError, DepthError
from halocline.files.unchanged import BeforeReading
from halocline.imaging.camera import Camera
from halocline.imaging.channel_plan import ChannelPlan
from halocline.imaging.colour import FoundSpace, to_working
from halocline.imaging.deep import Samples, flattened, over, tidied
from halocline.imaging.deep_file import read_deep, rows_together
from halocline.imaging.depth import ENDLESS, DepthSpec
from halocline.imaging.exr import Part
from halocline.imaging.frame import Window
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.repair import BadPixels, repair
from halocline.late_dataclass import dataclass

# Kinds of depth that grow evenly with distance, as deep samples must to be cut and merged.
DEEP_KINDS = ("planar", "range", "negative_planar")


# Of more samples than this (24 bytes each) none is held: they are read again, some rows at a time.
HELD_SAMPLES = 1 << 24


@dataclass(frozen=True)
class DeepRows:
    """Some rows of a deep picture.

    Attributes
    ----------
    samples
        Tidy, colours in the working space.
    metres
        Range of a pixel for one unit of depth, ``(rows, columns)``.
    """

    samples: Samples
    metres: F32

    def range_m(self, samples: Samples) -> F32:
        """Return the range in the middle of samples of the same pixels, ``(n,)``; inf is endlessly far."""
        middle = 0.5 * samples.front + 0.5 * samples.back
        return middle * self.metres.ravel()[samples.pixels]

    def length_m(self, samples: Samples) -> F32:
        """Return how long the slabs among samples are along the ray, metres, ``(n,)``; 0 for points."""
        finite = np.isfinite(samples.back)
        length = np.subtract(samples.back, samples.front, out=np.zeros_like(samples.back), where=finite)
        return length * self.metres.ravel()[samples.pixels]


@dataclass(frozen=True)
class SamplesInFile:
    """Samples that are too many to hold, and are read again.

    Attributes
    ----------
    counts
        Samples of each pixel when tidy, ``(rows, columns)``.
    slabs
        How many of all have a length.
    read
        Returns the samples of the rows from and to (not included).
    before
        The file before it was first read.
    """

    counts: NDArray[np.int32]
    slabs: int
    read: Callable[[int, int], Samples]
    before: BeforeReading

    def rows(self, start: int, stop: int) -> Samples:
        """Return the samples of some rows."""
        # Other counts would end in an error of arrays, before anything is written.
        found = self.read(start, stop)
        self.before.refuse_changed()
        return found


@dataclass(frozen=True)
class DeepPicture:
    """What of a deep picture goes through the water.

    Attributes
    ----------
    samples
        Tidy, colours in the working space; in memory, or to be read again.
    metres
        Range of a pixel for one unit of depth, ``(rows, columns)``.
    together
        Rows that are stored together: it is quicker to take them together.
    """

    samples: Samples | SamplesInFile
    metres: F32
    together: int = 1

    def rows(self, start: int, stop: int) -> DeepRows:
        """Return the rows from and to (not included).

        Raises
        ------
        ReadError
            Where they are read again and cannot be; ``E-READ-CHANGED`` where the file is another by now.
        """
        return DeepRows(self.samples.rows(start, stop), self.metres[start:stop])


@dataclass(frozen=True)
class ReadSamples:
    """A view's samples as they were read and mended, and the picture flat.

    Attributes
    ----------
    samples
        Tidy, colours as the file has them but premultiplied.
    together
        As `DeepPicture.together`.
    planes
        The flat picture by plane name.
    counts
        Numbers for the record.
    bad
        How many had colours that are no light.
    warnings
        What was wrong with them.
    """

    samples: Samples | SamplesInFile
    together: int
    planes: Mapping[str, F32]
    counts: Mapping[str, int]
    bad: BadPixels
    warnings: tuple[str, ...]


def deep_planes(plan: ChannelPlan) -> frozenset[str]:
    """Return the names of a plan's planes that are read from its deep beauty; none where that is flat.

    Parameters
    ----------
    plan
        What is read of a view.

    Returns
    -------
    frozenset[str]
        Names.
    """
    if not plan.part.deep:
        return frozenset()
    return frozenset(
        name for name, (_, channels) in plan.planes.items() if all(each.part.deep for each in channels)
    )


def read_samples(
    path: Path, plan: ChannelPlan, window: Window, spec: InputSpec, before: BeforeReading, *, depth: bool
) -> ReadSamples:
    """Read a view's samples.

    Parameters
    ----------
    path
        The beauty's file.
    plan
        What is read of the view.
    window
        Window of the frame, the data window or more.
    spec
        What is stated about the input.
    before
        The file before any of it was read.
    depth
        Whether the flat picture's depth is wanted.

    Returns
    -------
    ReadSamples
        The samples, and the picture flat.

    Raises
    ------
    ReadError, ChannelError
        As `halocline.imaging.deep_file.read_deep`.
    DepthError
        ``E-DEEP-DEPTH`` where depth is not the samples' own Z.
    """
    reader = _Reader.of(path, plan, window)
    raw, size = [], 0
    for start, stop in reader.bands():
        raw.append(reader.rows(start, stop))
        size += raw[-1].size
        if size > HELD_SAMPLES:
            raw.clear()
            return _read_again(reader, spec, before, depth=depth)
    sign = _sign(each.front for each in raw)
    held, flat, found = [], [], []
    # Turned round, so that each can be let go of when it has been looked at.
    raw.reverse()
    while raw:
        samples, trouble = _mended(raw.pop(), spec, sign)
        held.append(samples)
        flat.append(_flat(samples, sign, depth=depth))
        found.append(trouble)
    return _told(found, Samples.joined(held), reader.together, flat)


def _read_again(reader: _Reader, spec: InputSpec, before: BeforeReading, *, depth: bool) -> ReadSamples:
    """Return what is to be known of samples of which some rows are held at a time."""
    sign = _sign(reader.fronts())

    def mended(start: int, stop: int) -> Samples:
        return _mended(reader.rows(start, stop), spec, sign)[0]

    counts, slabs, flat, found = [], 0, [], []
    for start, stop in reader.bands():
        samples, trouble = _mended(reader.rows(start, stop), spec, sign)
        counts.append(samples.counts.astype(np.int32))
        slabs += samples.slabs
        flat.append(_flat(samples, sign, depth=depth))
        found.append(trouble)
    return _told(found, SamplesInFile(np.concatenate(counts), slabs, mended, before), reader.together, flat)


def _told(
    parts: Sequence[_Found],
    samples: Samples | SamplesInFile,
    together: int,
    flat: Sequence[Mapping[str, F32]],
) -> ReadSamples:
    """Return all rows' samples with what is to be told of them."""
    size = sum(part.size for part in parts)
    told = [
        f"{count} of {size} deep samples have {what}"
        for what in _TROUBLES
        if (count := sum(part.wrong[what] for part in parts))
    ]
    if size == 0:
        told.append("the deep picture holds no sample: all of it is open water")
    bad = BadPixels(*(sum(numbers) for numbers in zip(*(vars(p.bad).values() for p in parts), strict=True)))
    if bad.any():
        done = next(part.done for part in parts if part.bad.any())
        told.append(
            f"bad deep samples: {bad.nan} not a number, {bad.infinite} infinite, {bad.negative} "
            f"negative; {done} (input.bad_pixels)"
        )
    tidied_to = sum(part.tidied_to for part in parts) if any(part.tidied for part in parts) else 0
    planes = {name: np.concatenate([each[name] for each in flat], axis=-2) for name in flat[0]}
    return ReadSamples(
        samples, together, planes, {"samples": size, "samples_tidied": tidied_to}, bad, tuple(told)
    )


@dataclass(frozen=True)
class _Reader:
    """Samples of a view as a file has them, over the window of the frame.

    Attributes
    ----------
    path, part
        The file and its part.
    window
        Of the frame.
    names
        Channels by plane name.
    front, back
        Channels of depth; the second is None where all samples are points.
    together
        As `halocline.imaging.deep_file.rows_together`.
    """

    path: Path
    part: Part
    window: Window
    names: Mapping[str, Sequence[str]]
    front: str
    back: str | None
    together: int

    @classmethod
    def of(cls, path: Path, plan: ChannelPlan, window: Window) -> _Reader:
        part = plan.planes["rgb"][1][0].part
        front, back = _depth_channels(path, plan, part)
        names = {name: [each.name for each in plan.planes[name][1]] for name in deep_planes(plan) - {"depth"}}
        _refuse_other_parts(path, plan, part)
        if "alpha" not in names:
            # It is missed when it is read.
            names["alpha"] = ["A"]
        return cls(path, part, window, names, front, back, rows_together(path, part))

    def bands(self) -> Iterator[tuple[int, int]]:
        """Yield rows of the window from and to (not included), whole tiles where it has tiles."""
        first = (self.part.data_window.y - self.window.y) % self.together
        edges = [0, *range(first or self.together, self.window.height, self.together), self.window.height]
        yield from pairwise(edges)

    def _inside(self, start: int, stop: int) -> tuple[int, int]:
        """Return the rows of the data window among some of the window."""
        above = self.part.data_window.y - self.window.y
        height = self.part.data_window.height
        return min(max(0, start - above), height), min(max(0, stop - above), height)

    def rows(self, start: int, stop: int) -> Samples:
        """Return the samples of rows of the window as they are."""
        channels = [*dict.fromkeys(channel for each in self.names.values() for channel in each), self.front]
        channels += [] if self.back is None else [self.back]
        counts = np.zeros((stop - start, self.window.width), np.intp)
        inside = self._inside(start, stop)
        blocks = list(read_deep(self.path, self.part, channels, inside)) if inside[0] < inside[1] else []
        none = np.zeros(0, np.float32)
        values = {name: np.concatenate([none, *(each[name] for _, each in blocks)]) for name in channels}
        if blocks:
            data = self.part.data_window
            top = data.y + inside[0] - self.window.y - start
            left = data.x - self.window.x
            counts[top : top + inside[1] - inside[0], left : left + data.width] = np.concatenate(
                [own for own, _ in blocks]
            )
        passes = {
            name: values[own[0]] if len(own) == 1 else np.stack([values[each] for each in own])
            for name, own in self.names.items()
            if name not in ("rgb", "alpha")
        }
        near = values[self.front]
        return Samples(
            counts,
            np.stack([values[each] for each in self.names["rgb"]]),
            values[self.names["alpha"][0]],
            near,
            near if self.back is None else values[self.back],
            passes,
        )

    def fronts(self) -> Iterator[F32]:
        """Yield where samples begin, some rows at a time."""
        for _, values in read_deep(self.path, self.part, [self.front]):
            yield values[self.front]


def _depth_channels(path: Path, plan: ChannelPlan, part: Part) -> tuple[str, str | None]:
    """Return the names of the samples' depths; the second is None where all are points."""
    source, channels = plan.planes.get("depth", (path, ()))
    if source != path or len(channels) > 1 or any(each.part.index != part.index for each in channels):
        raise DepthError(
            "is deep: each of its samples has its own depth, Z, and no other goes with it",
            code="E-DEEP-DEPTH",
            where=str(path),
            fix="Leave out --depth, input.depth_channel and input.depth_kind.",
        )
    stem = plan.planes["rgb"][1][0].name.rpartition(".")[0]
    front = channels[0].name if channels else f"{stem}.Z" if f"{stem}.Z" in part.channels else "Z"
    back = f"{front}Back"
    return front, back if back in part.channels else None


def _refuse_other_parts(path: Path, plan: ChannelPlan, part: Part) -> None:
    for name in deep_planes(plan):
        if name in plan.ids or any(each.part.index != part.index for each in plan.planes[name][1]):
            raise ChannelError(
                f'"{name}" cannot be read of deep samples'
                + (" by the names of things" if name in plan.ids else ": it is in another part than colour"),
                code="E-CHANNEL-MISSING",
                where=str(path),
                fix="Render it flat, and give it by --pass NAME=FILE; or leave out what asks for it.",
            )


def _sign(fronts: Iterable[F32]) -> float:
    """Return the sign of depth: -1 where all that is known of it is negative."""
    some = False
    for front in fronts:
        known = front[np.isfinite(front)]
        if (known >= 0.0).any():
            return 1.0
        some = some or bool(known.size)
    return -1.0 if some else 1.0


_NOWHERE = "no depth in front of the lens (Z is 0, of the other sign, or no number): endlessly far"
_BAD_BACK = "their back (ZBack) before their front (Z): taken as points"
_UNSOUND = "a coverage (A) outside 0 to 1, or none: held to that"
_TROUBLES = (_NOWHERE, _BAD_BACK, _UNSOUND)


@dataclass(frozen=True)
class _Found:
    """How many samples there are, and are when they are tidy; what was wrong with them."""

    size: int
    tidied: bool
    tidied_to: int
    wrong: Mapping[str, int]
    bad: BadPixels
    done: str


def _mended(raw: Samples, spec: InputSpec, sign: float) -> tuple[Samples, _Found]:
    """Return samples sound and tidy: depths in order, coverage within 0 to 1; and what was wrong."""
    front, back = np.float32(sign) * raw.front, np.float32(sign) * raw.back
    nowhere = ~(front > 0.0)
    far = nowhere | ~(front < ENDLESS)
    bad_back = ~far & ~(back >= front)
    front = np.where(far, np.float32(np.inf), front)
    back = np.where(far | bad_back, front, np.where(back < ENDLESS, back, front))
    unsound = ~((raw.alpha >= 0.0) & (raw.alpha <= 1.0))
    alpha = np.clip(np.nan_to_num(raw.alpha, nan=0.0, posinf=1.0, neginf=0.0), 0.0, 1.0)
    rgb = np.ascontiguousarray(raw.rgb)
    # What lies beside a sample in memory is no neighbour of it.
    policy = "clamp" if spec.repair == "inpaint" else spec.repair
    bad = repair(rgb[:, None], None, policy) if raw.size else BadPixels()
    if not spec.premultiplied:
        rgb *= alpha
    sound = replace(raw, rgb=rgb, alpha=alpha, front=front, back=back)
    samples = tidied(sound)
    masks = zip(_TROUBLES, (nowhere, bad_back, unsound), strict=True)
    return samples, _Found(
        raw.size,
        samples is not sound,
        samples.size,
        {what: int(np.count_nonzero(mask)) for what, mask in masks},
        bad,
        "left as they are" if policy == "report" else "clamped",
    )


def _lights(samples: Samples) -> list[F32]:
    """Return all that is light, ``(3, 1, n)`` each, of the same memory."""
    own = [plane for name, plane in samples.passes.items() if name.startswith("light.")]
    return [plane[:, None] for plane in (samples.rgb, *own)]


def _flat(samples: Samples, sign: float, *, depth: bool) -> dict[str, F32]:
    """Return the picture flat, by plane name."""
    flat = flattened(samples)
    planes = {"rgb": flat.rgb, "alpha": flat.alpha}
    if depth:
        middle = 0.5 * samples.front + 0.5 * samples.back
        planes["depth"] = flat.of_main(np.float32(sign) * middle, np.nan)
    for name, plane in samples.passes.items():
        planes[name] = over(samples, plane) if name.startswith("light.") else flat.of_main(plane, 0.0)
    return planes


def deep_picture(
    read: ReadSamples, spec: DepthSpec, camera: Camera, window: Window, space: FoundSpace
) -> DeepPicture:
    """Return what of a deep picture goes through the water.

    Parameters
    ----------
    read
        Its samples; colours of those in memory are converted in place.
    spec
        What their depth is.
    camera, window
        The camera, and the frame's window.
    space
        Of their colours, and the working space.

    Raises
    ------
    DepthError
        ``E-DEEP-DEPTH`` where depth is of a kind that does not grow evenly with distance.
    """
    if spec.kind not in DEEP_KINDS:
        raise DepthError(
            f"depth of kind {spec.kind} does not grow evenly with distance, as deep samples' must",
            code="E-DEEP-DEPTH",
            fix=f"Say what Z is: input.depth_kind = {' or '.join(map(repr, DEEP_KINDS))}.".replace("'", '"'),
        )
    unit = np.float32(spec.depth_unit_m)
    metres = np.full(window.shape, unit) if spec.kind == "range" else unit * camera.range_per_depth(window)

    def converted(samples: Samples) -> Samples:
        for colour in _lights(samples):
            to_working(colour, samples.alpha[None], space)
        return samples

    found = read.samples
    if isinstance(found, Samples):
        return DeepPicture(converted(found), metres, read.together)
    again = found.read
    return DeepPicture(
        replace(found, read=lambda start, stop: converted(again(start, stop))), metres, read.together
    )
