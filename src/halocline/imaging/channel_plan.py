"""Which channels of a file become which planes, decided from headers alone, before any pixel is read."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import field, replace
from pathlib import Path
from typing import TypeVar

from halocline.errors import ChannelError, DepthError, FrameError
from halocline.imaging.channels import Channel, ViewChannels, layer_of, light_of, pass_of, views_of
from halocline.imaging.channels import Path as LayerPath
from halocline.imaging.depth import POSITIONS
from halocline.imaging.exr import Header, Part
from halocline.imaging.frame import Window
from halocline.imaging.id_mattes import IdMatte, find_id_matte, names_told
from halocline.imaging.input_spec import SECOND_SURFACE, InputSpec
from halocline.imaging.passes import (
    DEPTH_KEY,
    NORMAL_LAYERS,
    POSITION_LAYERS,
    Beauty,
    beauty_of,
    depth_of,
    stated_depth,
    vector_of,
)
from halocline.late_dataclass import dataclass

T = TypeVar("T")


@dataclass(frozen=True)
class ChannelPlace:
    """Where a channel stands: the index of its part, and its full name there."""

    part: int
    name: str


@dataclass(frozen=True)
class BeautyChannels:
    """Where a view's beauty stands in its file, for writing it back; ``layer`` is its logical name."""

    view: str
    colours: tuple[ChannelPlace, ChannelPlace, ChannelPlace]
    alpha: ChannelPlace | None
    layer: str

    @property
    def part(self) -> int:
        """The part whose metadata describes the picture."""
        return self.colours[0].part

    @property
    def places(self) -> list[ChannelPlace]:
        """All of its channels."""
        return [*self.colours, *([] if self.alpha is None else [self.alpha])]


@dataclass(frozen=True)
class ChannelPlan:
    """Which channels become which plane of one view, and from which file.

    Attributes
    ----------
    view, beauty
        Name of the view; where its picture stands.
    part
        The part that describes the picture: its windows and metadata, with what other parts of the view add.
    planes
        File and channels by plane name.
    depth_name
        The depth channel's logical name; empty where depth is not read.
    ids
        Those planes that are mattes by name: what becomes of their channels.
    warnings
        What was guessed.
    """

    view: str
    beauty: BeautyChannels
    part: Part
    planes: Mapping[str, tuple[Path, list[Channel]]]
    depth_name: str
    warnings: tuple[str, ...]
    ids: Mapping[str, IdMatte] = field(default_factory=dict)


def plan_channels(
    header: Header,
    spec: InputSpec,
    *,
    depth_header: Header | None = None,
    pass_headers: Mapping[str, Header] | None = None,
    wanted: Collection[str] = (),
    with_range: bool = True,
) -> list[ChannelPlan]:
    """Decide what is read of each view.

    Parameters
    ----------
    header
        Of the beauty's file.
    spec
        What a person says of the input.
    depth_header
        Of the file that holds depth and positions, where that is another.
    pass_headers
        Of files that hold one pass each, by its name.
    wanted
        Further planes to read.
    with_range
        Whether depth is wanted.

    Returns
    -------
    list[ChannelPlan]
        One a view, in the file's order.

    Raises
    ------
    ChannelError
        Where the beauty or a wanted plane is missing or ambiguous.
    DepthError
        ``E-DEPTH-MISSING`` where there is no depth, ``E-DEPTH-VIEW`` where not every view has its own.
    FrameError
        ``E-FRAME-MISMATCH`` where what belongs together does not have one display window.
    """
    plans = []
    for view in views_of(header):
        beauty = beauty_of(view, spec.beauty)
        depth_view = view if depth_header is None else _view_in(view, depth_header, "depth")
        own = {name: _view_in(view, each, f"pass {name}") for name, each in (pass_headers or {}).items()}
        plans.append(_Planner(view, depth_view, own, beauty, spec).plan(wanted, with_range=with_range))
    _check_windows(plans)
    return plans


def find_vector(
    view: ViewChannels, spec: InputSpec, name: str, beauty: LayerPath | None
) -> list[Channel] | None:
    """Return the channels of ``normal`` or ``position``, or None. Raises as `passes.vector_of`."""
    stated = spec.normal if name == "normal" else spec.position
    usual = NORMAL_LAYERS if name == "normal" else POSITION_LAYERS
    return vector_of(view, usual, beauty, stated=stated, key=f"input.{name}_layer")


def describing_part(header: Header, part: Part, *, any_view: bool = False) -> Part:
    """Return a part with the metadata that it lacks and other parts of its view have.

    Many writers describe the picture in the first part alone. With ``any_view``, parts of other views count
    too, after those of its own.
    """
    added = {
        name: entry
        for own in ((False, True) if any_view else (True,))
        for other in reversed(header.parts)
        if (other.view in {"", part.view}) is own
        for name, entry in other.attributes.items()
    }
    return replace(part, attributes={**added, **part.attributes})


def common_window(plans: Iterable[ChannelPlan]) -> Window:
    """Return the union of all windows of what is read."""
    plans = list(plans)
    window = plans[0].part.display_window
    for plan in plans:
        for _, channels in plan.planes.values():
            for channel in channels:
                window = window.union(channel.part.data_window)
    return window


class _Planner:
    """Finds the planes of one view."""

    def __init__(
        self,
        view: ViewChannels,
        depth_view: ViewChannels,
        pass_views: Mapping[str, ViewChannels],
        beauty: Beauty,
        spec: InputSpec,
    ) -> None:
        self.view = view
        self.depth_view = depth_view
        self.pass_views = pass_views
        self.ids: dict[str, IdMatte] = {}
        self.beauty = beauty
        self.spec = spec

    def plan(self, wanted: Collection[str], *, with_range: bool) -> ChannelPlan:
        view, beauty = self.view, self.beauty
        planes: dict[str, tuple[ViewChannels, list[Channel]]] = {"rgb": (view, beauty.colours)}
        if beauty.alpha is not None:
            planes["alpha"] = (view, [beauty.alpha])
        if with_range:
            planes["depth"] = (self.depth_view, self._depth())
        for name in dict.fromkeys([*wanted, *self.spec.channels]):
            planes[name] = self._optional(name)
        red = beauty.colours[0]
        return ChannelPlan(
            view.view,
            _beauty_channels(view.view, beauty),
            red.part,
            {name: (Path(source.where), channels) for name, (source, channels) in planes.items()},
            planes["depth"][1][0].logical if with_range else "",
            beauty.warnings,
            self.ids,
        )

    def _depth(self) -> list[Channel]:
        """Return the channel of depth, or three of world position."""
        view, spec, beauty = self.depth_view, self.spec, self.beauty.path
        if spec.depth_channel is not None:
            return [stated_depth(view, spec.depth_channel, beauty)]
        if spec.depth.kind in POSITIONS:
            position = find_vector(view, spec, "position", beauty)
            if position is None:
                raise view.missing(
                    "no world positions (X, Y, Z in a layer such as P) to take depth from",
                    fix='Say which layer it is: input.position_layer = "LAYER".',
                )
            return position
        depth = depth_of(view, beauty)
        if depth is not None:
            return [depth]
        position = find_vector(view, spec, "position", beauty)
        if position is not None and spec.depth.kind == "auto":
            return position
        if len(view.channels) == 1:
            return [view.channels[0]]
        raise _no_depth(view)

    def _optional(self, name: str) -> tuple[ViewChannels, list[Channel]]:
        """Find a wanted plane, in its own file, or else in the beauty's or the depth's."""
        own = pass_file_of(name, self.pass_views)
        if own is not None:
            return own, self._alone_in(own, name)
        problem: ChannelError | None = None
        for source in (self.view, self.depth_view):
            try:
                return source, self._named_plane(source, name, self.beauty.path)
            except ChannelError as error:
                problem = problem or error
        assert problem is not None
        raise problem

    def _alone_in(self, view: ViewChannels, name: str) -> list[Channel]:
        """Find a plane in a file of its own: by its names, or else all that is there."""
        try:
            return self._named_plane(view, name, None)
        except ChannelError as error:
            if error.code != "E-CHANNEL-MISSING":
                raise
            kind = name.partition(".")[0]
            found: list[Channel] | None
            if kind == "matte" or name in SECOND_SURFACE:
                found = list(view.channels) if len(view.channels) == 1 else None
            else:
                layers = list(view.layers)
                found = layer_of(view, ".".join(layers[0])) if len(layers) == 1 else None
                found = found[:3] if found and kind != "pass" else found
            if found is None or (kind not in {"matte", "pass", *SECOND_SURFACE} and len(found) != 3):
                raise
            return found

    def _named_plane(self, view: ViewChannels, name: str, beauty: LayerPath | None) -> list[Channel]:
        spec = self.spec
        if name in {"normal", "position"}:
            found = find_vector(view, spec, name, beauty)
            if found is None:
                stated = spec.normal if name == "normal" else spec.position
                usual = NORMAL_LAYERS if name == "normal" else POSITION_LAYERS
                raise view.missing(
                    f"no X, Y, Z for the {name} in {stated or ' or '.join(usual)}",
                    fix=f'Say which layer it is: input.{name}_layer = "LAYER".',
                )
            return found
        kind, _, own = name.partition(".")
        if kind == "pass" and own:
            return pass_of(view, spec.passes.get(own, own), own, spec.key_of(name))
        if kind == "light" and own:
            return light_of(view, spec.lights, own)
        if kind == "matte" and own:
            return self._matte(view, name, own)
        key = spec.key_of(name) or "the channel it is in"
        return [view.need(spec.channel_of(name), f'plane "{name}"', key)]

    def _matte(self, view: ViewChannels, name: str, own: str) -> list[Channel]:
        """Find a matte: a channel, or the ids of things by their names."""
        stated, key = self.spec.mattes.get(own, name), f"input.passes.{own}"
        if not view.named(stated):
            matte = find_id_matte(view, self.spec.mattes.get(own, own), key)
            if matte is not None:
                self.ids[name] = matte
                return list(matte.channels)
            if told := names_told(view, self.spec.mattes.get(own, own)):
                raise view.missing(f'no channel "{stated}" and no id of that name ({key})', fix=told)
        return [view.need(stated, f'matte "{own}"', key)]


def pass_file_of(name: str, files: Mapping[str, T]) -> T | None:
    """Return what is given for the pass that a plane is read from, by the plane's name or its own part of it.

    Parameters
    ----------
    name
        Of a plane, such as ``matte.arch`` or ``normal``.
    files
        By ``matte.arch`` or ``arch``.

    Returns
    -------
    T | None
        What stands under that name, or None.
    """
    return files.get(name, files.get(name.partition(".")[2] or name))


def _beauty_channels(view: str, beauty: Beauty) -> BeautyChannels:
    red, green, blue = (ChannelPlace(each.part.index, each.name) for each in beauty.colours)
    alpha = beauty.alpha
    return BeautyChannels(
        view,
        (red, green, blue),
        None if alpha is None else ChannelPlace(alpha.part.index, alpha.name),
        ".".join(beauty.path),
    )


def _view_in(view: ViewChannels, header: Header, what: str) -> ViewChannels:
    """Return where a view's depth, or another pass, is looked for in a file of its own."""
    found = {other.view: other for other in views_of(header)}
    if view.view in found:
        return found[view.view]
    if not view.view and len(found) == 1:
        return next(iter(found.values()))
    raise DepthError(
        f'no view "{view.view}" in the file of the {what}',
        code="E-DEPTH-VIEW",
        where=str(header.path),
        fix=f"It has: {', '.join(name or '(no name)' for name in found)}. Each eye needs its own {what}.",
    )


def _no_depth(view: ViewChannels) -> DepthError:
    names = ", ".join(channel.told for channel in view.channels)
    return DepthError(
        "no depth that goes with the beauty: neither a channel with a usual name (Z, depth.Z) nor world "
        "positions",
        code="E-DEPTH-MISSING",
        where=view.place,
        fix=f'It has: {names or "nothing"}. Name the depth channel: {DEPTH_KEY} = "CHANNEL"; or give the '
        "file that has it: --depth FILE, or the shot's key depth in a job.",
    )


def _check_windows(plans: Iterable[ChannelPlan]) -> None:
    """Refuse planes whose display windows disagree."""
    first: Part | None = None
    for plan in plans:
        first = first or plan.part
        for path, channels in plan.planes.values():
            for part in (channel.part for channel in channels):
                if part.display_window != first.display_window:
                    raise _mismatch(path, part, first)


def _mismatch(path: Path, part: Part, first: Part) -> FrameError:
    def text(window: Window) -> str:
        return f"{window.width} x {window.height} at {window.x}, {window.y}"

    return FrameError(
        f"its display window is {text(part.display_window)}, the beauty's {text(first.display_window)}",
        code="E-FRAME-MISMATCH",
        where=f'{path}, part "{part.name}"' if part.name else str(path),
        fix="Beauty, depth and passes must be renders of one picture at one size.",
    )
