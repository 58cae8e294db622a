"""Which channel is what: OpenEXR's naming conventions, views, and layers.

A channel's full name is ``layer.view.component``; the default view of a file is not spelt. In a file of
several parts, a part's name stands for a layer, and its ``view`` attribute for the view. Everything here
works on *logical* names, with the view taken out: ``R``, ``N.X``, ``depth.Z``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from halocline.errors import ChannelError, did_you_mean
from halocline.imaging.exr import Header, Part

BEAUTY_LAYERS = ("rgba", "rgb", "beauty", "combined", "composite", "c", "ci", "main")
DEPTH_NAMES = (
    "z",
    "depth.z",
    "depth.v",
    "depth.y",
    "depth.r",
    "depth",
    "zdepth.z",
    "zdepth",
    "range",
    "range.y",
    "range.z",
    "distance",
    "distance.y",
    "distance.z",
)
NORMAL_LAYERS = ("n", "normal", "normals", "worldnormal", "world_normal")
POSITION_LAYERS = ("p", "position", "worldposition", "world_position", "pworld", "point")
_COMPONENTS = (("x", "y", "z"), ("r", "g", "b"))


@dataclass(frozen=True)
class Channel:
    """One channel of a file, by its full name in its part, and its logical name."""

    part: Part
    name: str
    logical: str


@dataclass(frozen=True)
class ViewChannels:
    """All channels that belong to one view of a file."""

    view: str
    where: str
    channels: tuple[Channel, ...]

    def find(self, name: str) -> Channel | None:
        """Return the channel of that full or logical name; case counts only where it must."""
        for channel in self.channels:
            if name in {channel.name, channel.logical}:
                return channel
        for channel in self.channels:
            if name.lower() in {channel.name.lower(), channel.logical.lower()}:
                return channel
        return None

    def need(self, name: str, what: str) -> Channel:
        """Return a channel named by the user.

        Raises
        ------
        ChannelError
            ``E-CHANNEL-MISSING`` where there is none of that name.
        """
        found = self.find(name)
        if found is None:
            raise self.missing(f'no channel "{name}" for {what}', name)
        return found

    def missing(self, message: str, name: str = "") -> ChannelError:
        """Build the error that lists what there is."""
        names = [channel.logical for channel in self.channels]
        view = f', view "{self.view}"' if self.view else ""
        return ChannelError(
            message,
            code="E-CHANNEL-MISSING",
            where=self.where + view,
            mend=f"It has: {', '.join(names) or 'nothing'}.{did_you_mean(name, names) if name else ''}",
        )


def views_of(header: Header) -> tuple[ViewChannels, ...]:
    """Sort a file's channels by view; one view without a name where the file has none."""
    names = view_names(header)
    default = names[0]
    found = []
    for view in names:
        channels = [
            Channel(part, name, logical)
            for part in header.parts
            for name in part.channels
            if (logical := _logical(part, name, view, default, names)) is not None
        ]
        found.append(ViewChannels(view, str(header.path), tuple(channels)))
    return tuple(found)


def view_names(header: Header) -> tuple[str, ...]:
    """Return the names of a file's views, the default view first."""
    for part in header.parts:
        listed = part.value("multiView")
        if isinstance(listed, str) and listed:
            return (listed,)
        if isinstance(listed, tuple) and listed:
            return tuple(dict.fromkeys(str(name) for name in listed))
    names = dict.fromkeys(part.view for part in header.parts if part.view)
    return tuple(names) or ("",)


def beauty_of(view: ViewChannels, layer: str = "") -> tuple[list[Channel], Channel | None]:
    """Return the red, green and blue channels of the beauty, and its alpha where it has one.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-MISSING`` where there is no beauty, ``E-CHANNEL-AMBIGUOUS`` where several layers might be.
    """
    prefix = f"{layer}." if layer else _beauty_prefix(view)
    colours = [view.find(f"{prefix}{component}") for component in "RGB"]
    if not all(colours):
        raise view.missing(f"no R, G and B for the beauty{f' in layer {layer!r}' if layer else ''}", layer)
    found = [channel for channel in colours if channel is not None]
    return found, _alpha_of(view, prefix, found[0])


def depth_of(view: ViewChannels) -> Channel | None:
    """Return the depth channel by its usual names, or None."""
    by_name = {channel.logical.lower(): channel for channel in reversed(view.channels)}
    for name in DEPTH_NAMES:
        if name in by_name and not is_vector_component(by_name[name]):
            return by_name[name]
    # Layers within layers ("viewlayer.depth.Z"), or parts whose names say nothing ("part1.Z").
    ends = sorted(name for name in by_name if name.endswith(".z") and not is_vector_component(by_name[name]))
    said = [name for name in ends if "depth" in name]
    return by_name[(said or ends)[0]] if ends else None


def vector_of(view: ViewChannels, layers: Iterable[str]) -> list[Channel] | None:
    """Return the three channels of the first of these layers that is there (X Y Z or R G B), or None."""
    by_name = {channel.logical.lower(): channel for channel in reversed(view.channels)}
    for layer in layers:
        for components in _COMPONENTS:
            found = [by_name.get(f"{layer.lower()}.{component}") for component in components]
            if all(found):
                return [channel for channel in found if channel is not None]
    return None


def light_of(view: ViewChannels, lights: Mapping[str, str], name: str) -> list[Channel]:
    """Return the red, green and blue channels of a light layer.

    Parameters
    ----------
    view
        Where to look.
    lights
        Layers by the name of a light, where they are not called as the light.
    name
        Of the light.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-MISSING`` where the layer is not there.
    """
    layer = lights.get(name, name)
    found = [view.find(f"{layer}.{component}") for component in "RGB"]
    if not all(found):
        raise view.missing(f'no {layer}.R, {layer}.G and {layer}.B for the light "{name}"', f"{layer}.R")
    return [channel for channel in found if channel is not None]


def _logical(part: Part, name: str, view: str, default: str, views: Sequence[str]) -> str | None:
    """Return the channel's name without its view, or None where it belongs to another view."""
    pieces = name.split(".")
    if part.view and part.view != view:
        return None
    if not part.view and len(views) > 1:
        spelt = pieces[-2] if len(pieces) > 1 else ""
        if spelt in views:
            if spelt != view:
                return None
            del pieces[-2]
        elif view != default:
            return None
    layer = _layer_of_part(part, views)
    logical = ".".join(pieces)
    # In a part of its own, "depth" with the channel "Z", or "N" with "X", "Y", "Z", the part is the layer.
    if layer and layer.lower() not in BEAUTY_LAYERS and len(pieces) == 1 and logical.lower() != layer.lower():
        return f"{layer}.{logical}"
    return logical


def _layer_of_part(part: Part, views: Sequence[str]) -> str:
    pieces = [piece for piece in part.name.split(".") if piece not in views]
    return ".".join(pieces)


def is_vector_component(channel: Channel) -> bool:
    """Tell whether a channel "Z" is the third component of a vector, as in a part X, Y, Z."""
    stem = channel.name[:-1]
    letter = channel.name[-1]
    return letter in "zZ" and all(
        any(stem + other in channel.part.channels for other in (low, low.upper())) for low in "xy"
    )


def _beauty_prefix(view: ViewChannels) -> str:
    logical = {channel.logical.lower() for channel in view.channels}
    layers = [
        channel.logical[:-1]
        for channel in view.channels
        if channel.logical[-1:] in {"R", "r"}
        and {channel.logical[:-1].lower() + component for component in "gb"} <= logical
    ]
    known = [layer for layer in layers if layer[:-1].lower() in {"", *BEAUTY_LAYERS}]
    if known:
        return min(known, key=len)
    if len(layers) > 1:
        raise ChannelError(
            "several layers have R, G and B, and none is named as the beauty usually is",
            code="E-CHANNEL-AMBIGUOUS",
            where=view.where,
            mend=f"Name the beauty's layer: {', '.join(layer[:-1] for layer in layers)}.",
        )
    return layers[0] if layers else ""


def _alpha_of(view: ViewChannels, prefix: str, red: Channel) -> Channel | None:
    own = view.find(f"{prefix}A")
    if own is not None or not prefix:
        return own
    shared = view.find("A")
    return shared if shared is not None and shared.part is red.part else None
