"""The headers of all frames, read before the first is made: one that is unlike the others is named then.

Only headers are read, several at once, since a shared folder answers slowly; pixels may still be damaged, and
a frame whose header is makes no difference here: the run tells of it, and makes the others.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from halocline.batch.frame_task import planes_of_look
from halocline.batch.task import FrameTask, input_spec
from halocline.compute.threads import allowed
from halocline.errors import ChannelError, DepthError, HaloclineError, ReadError
from halocline.graph.planes import key_of
from halocline.imaging.channel_plan import plan_channels
from halocline.imaging.channels import view_names
from halocline.imaging.exr import Header, Part, read_header
from halocline.imaging.exr_attributes import is_cut_off
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.sequence import frame_text
from halocline.late_dataclass import dataclass
from halocline.presets.preset import Preset

# Files opened at once: they are waited for, not worked on.
_AT_ONCE = 8
_LONGEST = 60


def _window_text(part: Part) -> str:
    window = part.display_window
    return f"{window.width} x {window.height} at {window.x},{window.y}"


def _space_text(part: Part) -> str:
    numbers = part.chromaticities or ()
    return " ".join([part.colour_space or "", *(f"{number:.4g}" for number in numbers)]).strip() or "none"


# Of what a header says, that which should be the same in all frames of a shot. The data window need not be.
_TRAITS: Mapping[str, Callable[[Part], Any]] = {
    "channels": lambda part: " ".join(part.channels),
    "pixel types": lambda part: " ".join(part.channels.values()),
    "display window": _window_text,
    "pixel aspect": lambda part: f"{part.pixel_aspect:g}",
    "compression": lambda part: part.compression,
    "colour space": _space_text,
}
# By what the files hold.
Headers = Mapping[str, Header]


@dataclass(frozen=True)
class Unlike:
    """In what frames are unlike most of their sequence, in words.

    Attributes
    ----------
    views
        Which frames lack views that the others have, or have other ones: their pictures lack an eye.
    traits
        What else differs, of frames with the same views.
    cut_off
        Which frames have files that end before their pixels do.
    """

    views: tuple[str, ...] = ()
    traits: tuple[str, ...] = ()
    cut_off: tuple[str, ...] = ()

    @property
    def lines(self) -> tuple[str, ...]:
        """All of it."""
        return (*self.views, *self.traits, *self.cut_off)


def look_at_headers(tasks: Iterable[FrameTask], spec: InputSpec, wanted: Collection[str]) -> Unlike:
    """Return in what frames differ from most of them.

    Parameters
    ----------
    tasks
        Frames of one sequence.
    spec
        How they are read.
    wanted
        Planes that every frame must have, beside picture and depth.

    Raises
    ------
    ChannelError, DepthError
        Where some frames lack channels that are read, and others have them; the frames are named.
    """
    read = {task.frame: task for task in tasks if task.held_from is None}
    with ThreadPoolExecutor(min(_AT_ONCE, allowed())) as threads:
        found = dict(zip(read, threads.map(_headers, read.values()), strict=True))
    known = {frame: headers for frame, headers in found.items() if headers}
    _refuse_lacking(known, spec, wanted)
    views: list[str] = []
    traits: list[str] = []
    for role in dict.fromkeys(role for headers in known.values() for role in headers):
        of_role = {frame: headers[role] for frame, headers in known.items() if role in headers}
        told, alike = _views(of_role, role)
        views += told
        traits += _differences(alike, role)
    cut = _cut_off(read.values())
    told_cut = (f"{_frames(list(cut))}: cut off, and will not be made",) if cut else ()
    return Unlike(tuple(views), tuple(traits), told_cut)


def refuse_lacking_passes(tasks: Iterable[FrameTask], preset: Preset) -> None:
    """Refuse frames that lack a matte or another pass that a look reads, by their headers.

    Parameters
    ----------
    tasks
        Frames of one sequence.
    preset
        The look.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-MISSING`` with every pass that is not there, and the frames.
    HaloclineError
        Where a header cannot be read, or the picture or its depth are not there.
    """
    lacking: dict[str, tuple[list[int], HaloclineError]] = {}
    keys: dict[str, str] = {}
    for task in tasks:
        spec, needed = input_spec(preset, task.frame), planes_of_look(preset.at(task.frame))[0]
        headers = {role: read_header(path) for role, path in task.by_role.items()}
        _plan(headers, spec, ())
        for name in sorted(needed):
            try:
                _plan(headers, spec, (name,))
            except ChannelError as error:
                lacking.setdefault(name, ([], error))[0].append(task.frame)
                keys[name] = spec.key_of(name) or key_of(name) or name
    if lacking:
        told = "; ".join(
            f"{_frames(frames)}: {keys[name]}: {error.message}" for name, (frames, error) in lacking.items()
        )
        first = next(iter(lacking.values()))[1]
        raise ChannelError(
            f"the render lacks what {preset.name} reads: {told}",
            code="E-CHANNEL-MISSING",
            where=first.where,
            fix=f"{first.fix or ''} Give a pass that has files of its own with --pass NAME=FRAMES.".strip(),
        )


def refuse_cut_off(tasks: Iterable[FrameTask]) -> None:
    """Refuse frames whose files end before their pixels do, as far as tables of contents tell that.

    Parameters
    ----------
    tasks
        Frames of one sequence.

    Raises
    ------
    ReadError
        ``E-READ-PIXELS`` with all such frames.
    """
    found = _cut_off(tasks)
    if found:
        raise ReadError(
            f"{_frames(list(found))}: cut off, the last pixels are not there",
            code="E-READ-PIXELS",
            where=str(next(iter(found.values()))),
            fix="Render or copy them again, or leave them out with --frames.",
        )


def _cut_off(tasks: Iterable[FrameTask]) -> dict[int, Path]:
    """Return which frames have a file that ends before its pixels do, with the first such."""
    files = [(task.frame, path) for task in tasks for path in reversed(task.files)]
    with ThreadPoolExecutor(min(_AT_ONCE, allowed())) as threads:
        ended = threads.map(is_cut_off, [path for _, path in files])
        return {frame: path for (frame, path), cut in zip(files, ended, strict=True) if cut}


def _plan(headers: Headers, spec: InputSpec, wanted: Collection[str]) -> None:
    """Look for what is read in the headers of a frame. Raises as `plan_channels`."""
    own = {role.removeprefix("pass "): each for role, each in headers.items() if role.startswith("pass ")}
    plan_channels(headers["beauty"], spec, depth_header=headers.get("depth"), pass_headers=own, wanted=wanted)


def _headers(task: FrameTask) -> Headers:
    try:
        return {role: read_header(path) for role, path in task.by_role.items()}
    except HaloclineError:
        return {}


def _refuse_lacking(known: Mapping[int, Headers], spec: InputSpec, wanted: Collection[str]) -> None:
    """Look for what is read once in every layout of channels that the frames have."""
    layouts: dict[Any, list[int]] = {}
    for frame, headers in known.items():
        layout = tuple(
            (role, part.name, part.view, *part.channels)
            for role, each in headers.items()
            for part in each.parts
        )
        layouts.setdefault(layout, []).append(frame)
    if len(layouts) < 2:
        return
    for frames in layouts.values():
        headers = known[frames[0]]
        try:
            _plan(headers, spec, wanted)
        except (ChannelError, DepthError) as error:
            raise type(error)(
                f"{_frames(frames)}, unlike the others: {error.message}",
                code=error.code,
                where=error.where,
                fix=f"{error.fix} Or leave {'it' if len(frames) == 1 else 'them'} out with --frames.",
            ) from error


def _views(headers: Mapping[int, Header], what: str) -> tuple[list[str], Mapping[int, Header]]:
    """Return which frames have other views than most, in words, and the headers of those that do not."""
    groups: dict[frozenset[str], list[int]] = {}
    for frame, header in sorted(headers.items()):
        groups.setdefault(frozenset(view_names(header)), []).append(frame)
    usual, *others = sorted(groups, key=lambda views: -len(groups[views]))
    told = []
    for views in others:
        lacks, more = _named(usual - views), _named(views - usual)
        parts = [*([f"lacks {lacks}"] if lacks else []), *([f"has {more}"] if more else [])]
        told.append(f"{_frames(groups[views])}: the {what} {' and '.join(parts)}, unlike the others")
    return told, {frame: headers[frame] for frame in groups[usual]}


def _named(views: Collection[str]) -> str:
    """Return names of views in words; a picture that is of no view in particular has none."""
    names = ", ".join(f'"{view}"' for view in sorted(views) if view)
    return f"the view{'s' if len(views) > 1 else ''} {names}" if names else ""


def _differences(headers: Mapping[int, Header], what: str) -> Iterable[str]:
    for trait, told in _TRAITS.items():
        groups: dict[tuple[str, ...], list[int]] = {}
        for frame, header in sorted(headers.items()):
            groups.setdefault(tuple(told(part) for part in header.parts), []).append(frame)
        usual, *others = sorted(groups, key=lambda value: -len(groups[value])) if groups else [()]
        for value in others:
            yield (
                f"{_frames(groups[value])}: {trait} of the {what} {_shortened(value, usual)}, in the others "
                f"{_shortened(usual, value)}"
            )


def _shortened(value: Sequence[str], other: Sequence[str]) -> str:
    """Return what a header says, without what another says too where that makes it long."""
    text = "; ".join(dict.fromkeys(value))
    if len(text) <= _LONGEST:
        return text or "none"
    words = set(" ".join(other).split())
    return " ".join(word for word in text.split() if word not in words)[:_LONGEST] or "the same but for order"


def _frames(frames: Sequence[int]) -> str:
    return f"frame{'s' if len(frames) > 1 else ''} {frame_text(sorted(frames))}"
