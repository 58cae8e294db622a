"""Which channels a file has: OpenEXR's naming conventions, views, layers and parts made one.

A channel's full name is ``layer.view.component``; the default view of a file is not spelt. In a file of
several parts, a part's name stands for a layer, and its ``view`` attribute for the view. Everything here
works on *logical* names: the part's name and the channel's joined, and the view taken out. ``Z`` in a part
``depth`` is ``depth.Z``, and so is ``depth.Z`` there; ``R`` in a part ``diffuse`` is ``diffuse.R`` and never
stands for the picture.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property

from halocline.errors import ChannelError, did_you_mean
from halocline.imaging.exr import Header, Part
from halocline.imaging.names import beauty_rank, is_utility, words
from halocline.late_dataclass import dataclass

Path = tuple[str, ...]

_COLOURS = (("r", "g", "b"), ("red", "green", "blue"))


@dataclass(frozen=True)
class Channel:
    """One channel of a file, by its full name in its part, and its logical name."""

    part: Part
    name: str
    logical: str

    @property
    def path(self) -> Path:
        """The pieces of the layer it is in; none for a bare name."""
        return tuple(self.logical.split(".")[:-1])

    @property
    def component(self) -> str:
        """The last piece of its name, in small letters."""
        return self.logical.rpartition(".")[2].lower()

    @property
    def told(self) -> str:
        """Its logical name for a list of what there is.

        Ids and masks in whole numbers are no colour and no depth unless stated: it says why one is not taken.
        """
        return f"{self.logical} (whole numbers)" if self.part.channels[self.name] == "uint" else self.logical


@dataclass(frozen=True)
class ViewChannels:
    """All channels that belong to one view of a file.

    Attributes
    ----------
    view, where
        Name of the view; the file.
    channels
        Without those of deep parts, where there are flat ones.
    """

    view: str
    where: str
    channels: tuple[Channel, ...]

    @cached_property
    def layers(self) -> Mapping[Path, Mapping[str, Channel]]:
        """Channels by component (in small letters) by the pieces of their layer."""
        found: dict[Path, dict[str, Channel]] = {}
        for channel in self.channels:
            found.setdefault(channel.path, {}).setdefault(channel.component, channel)
        return found

    def colours(self, path: Path) -> list[Channel] | None:
        """Return red, green and blue of a layer, or None where it does not have all three."""
        components = self.layers.get(path, {})
        for names in _COLOURS:
            if all(name in components for name in names):
                return [components[name] for name in names]
        return None

    def is_vector_component(self, channel: Channel) -> bool:
        """Tell whether a channel is one of X, Y, Z in its layer."""
        return is_vector_component(channel.component, self.layers[channel.path])

    def named(self, name: str) -> list[Channel]:
        """Return the channels that a name may mean.

        A whole logical name means that channel. Anything else means all whose name ends so: ``Z`` is
        ``depth.Z``, and ``N.Z`` only where no depth is called so. Case counts only where it must.
        """
        for fold in (str, str.lower):
            asked = fold(name)
            whole = [channel for channel in self.channels if fold(channel.logical) == asked]
            if whole:
                return whole[:1]
            ends = [
                channel
                for channel in self.channels
                if fold(channel.name) == asked or fold(channel.logical).endswith(f".{asked}")
            ]
            if ends:
                # A bare "Z" is never the third component of a vector.
                return [each for each in ends if "." in name or not self.is_vector_component(each)]
        return []

    def need(self, name: str, what: str, key: str) -> Channel:
        """Return the one channel that a name given by the user means.

        Parameters
        ----------
        name
            What the user wrote.
        what, key
            What it is for, and where it was written, for the message.

        Raises
        ------
        ChannelError
            ``E-CHANNEL-MISSING`` where there is none of that name, ``E-CHANNEL-AMBIGUOUS`` where there are
            several.
        """
        found = self.named(name)
        if not found:
            raise self.missing(f'no channel "{name}" for {what} ({key})', name)
        if len(found) > 1:
            raise self.ambiguous(
                f'"{name}" for {what} may mean several channels', key, [each.logical for each in found]
            )
        return found[0]

    def missing(self, message: str, name: str = "", *, fix: str = "") -> ChannelError:
        """Build the error that lists what there is."""
        names = [channel.logical for channel in self.channels]
        listed = [each.told for each in self.channels]
        return ChannelError(
            message,
            code="E-CHANNEL-MISSING",
            where=self.place,
            fix=f"It has: {', '.join(listed) or 'nothing'}.{did_you_mean(name, names) if name else ''}"
            + (f" {fix}" if fix else ""),
        )

    def ambiguous(self, message: str, key: str, names: Iterable[str]) -> ChannelError:
        """Build the error that lists what may be meant, with the key to type."""
        choices = " or ".join(f'{key} = "{name}"' for name in names)
        return ChannelError(
            message, code="E-CHANNEL-AMBIGUOUS", where=self.place, fix=f"Say which: {choices}."
        )

    @property
    def place(self) -> str:
        """The file, and the view where it has one."""
        return self.where + (f', view "{self.view}"' if self.view else "")


def views_of(header: Header) -> tuple[ViewChannels, ...]:
    """Sort a file's channels by view; one view without a name where the file has none."""
    names = view_names(header)
    flat = [part for part in header.parts if not part.deep]
    parts = flat or header.parts
    shared = _shared_ending(parts)
    prefixes = {part.index: _layer_of_part(part, (*names, shared), alone=len(parts) == 1) for part in parts}
    found = []
    for view in names:
        channels = [
            Channel(part, name, logical)
            for part in parts
            for name in part.channels
            if _view_of(part, names) in {"", view}
            and (logical := _logical(part, name, prefixes[part.index], view, names)) is not None
        ]
        found.append(ViewChannels(view, str(header.path), tuple(channels)))
    return tuple(found)


def view_names(header: Header) -> tuple[str, ...]:
    """Return the names of a file's views, the default view first.

    Parameters
    ----------
    header
        Of the file.

    Returns
    -------
    tuple[str, ...]
        One without a name where the file has none.
    """
    for part in header.parts:
        listed = part.value("multiView")
        if isinstance(listed, str) and listed:
            return (listed,)
        if isinstance(listed, tuple) and listed:
            return tuple(dict.fromkeys(str(name) for name in listed))
    names = dict.fromkeys(part.view for part in header.parts if part.view)
    return tuple(names) or ("",)


def is_vector_component(name: str, components: Iterable[str]) -> bool:
    """Tell whether a component is one of X, Y, Z among those of its layer, all in small letters."""
    return name in {"x", "y", "z"} and {"x", "y", "z"} <= set(components)


def colour_layers(view: ViewChannels) -> list[Path]:
    """Return the layers that have red, green and blue as light has them: not as whole numbers."""
    found = []
    for path in view.layers:
        colours = view.colours(path)
        if colours is not None and all(each.part.channels[each.name] != "uint" for each in colours):
            found.append(path)
    return found


def layer_named(view: ViewChannels, name: str, among: Iterable[Path]) -> list[Path]:
    """Return the layers that a name may mean: the whole name, or else all that end so; case if it must."""
    among = list(among)
    for fold in (str, str.lower):
        asked = tuple(fold(name).split("."))
        folded = [(path, tuple(fold(piece) for piece in path)) for path in among]
        whole = [path for path, pieces in folded if pieces == asked]
        ends = [path for path, pieces in folded if pieces[-len(asked) :] == asked]
        if whole or ends:
            return whole or ends
    # A file of one part has no layer by the part's name, but a person may use it.
    alone = {channel.part.name for channel in view.channels}
    return [()] if alone == {name} and () in among else []


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
        ``E-CHANNEL-MISSING`` where the layer is not there, ``E-CHANNEL-AMBIGUOUS`` where several are.
    """
    layer = lights.get(name, name)
    found = layer_named(view, layer, colour_layers(view))
    if not found:
        raise view.missing(
            f'no {layer}.R, {layer}.G and {layer}.B for the light "{name}"',
            f"{layer}.R",
            fix=f'Say which layer it is: input.lights = {{ {name} = "LAYER" }}.',
        )
    if len(found) > 1:
        raise view.ambiguous(
            f'several layers may be the light "{name}"',
            f"input.lights.{name}",
            [".".join(path) for path in found],
        )
    colours = view.colours(found[0])
    assert colours is not None
    return colours


def _logical(part: Part, name: str, layer: Path, view: str, views: Sequence[str]) -> str | None:
    """Return the channel's logical name, or None where it belongs to another view."""
    pieces = name.split(".")
    if not _view_of(part, views) and len(views) > 1:
        # "layer.view.component" is the standard's order; some write the view first.
        spelt = next((place for place in (len(pieces) - 2, 0) if place >= 0 and pieces[place] in views), None)
        if spelt is None or spelt == len(pieces) - 1:
            if view != views[0]:
                return None
        elif pieces[spelt] != view:
            return None
        else:
            del pieces[spelt]
    return ".".join(_joined(layer, tuple(pieces), alone=len(part.channels) == 1))


def _joined(layer: Path, pieces: Path, *, alone: bool) -> Path:
    """Put a part's name before a channel's, leaving out what both say: ``N`` and ``N.X`` are ``N.X``.

    A channel alone in its part may give it its own name: ``Z`` in a part ``Z`` is ``Z``.
    """
    small = tuple(piece.lower() for piece in layer)
    for overlap in range(min(len(layer), len(pieces) if alone else len(pieces) - 1), 0, -1):
        if small[-overlap:] == tuple(piece.lower() for piece in pieces[:overlap]):
            return (*layer[:-overlap], *pieces)
    return (*layer, *pieces)


def _layer_of_part(part: Part, views: Sequence[str], *, alone: bool) -> Path:
    """Return the layer that a part's name stands for, without the view in it."""
    own = {part.view.lower()} if part.view else {view.lower() for view in views if view}
    pieces = tuple(
        stripped
        for piece in part.name.split(".")
        if piece.lower() not in own and (stripped := _without_view(piece, own))
    )
    if alone and not (len(pieces) == 1 and all(is_utility(word) for word in words(pieces[0]))):
        # The name of the only part tells nothing apart; writers put the shot's name there.
        return ()
    return pieces


def _view_of(part: Part, views: Sequence[str]) -> str:
    """Return the view that a part is of, empty where it does not say: its attribute, or its name's ending."""
    ending = part.name.rpartition(".")[2]
    return part.view or (ending if len(views) > 1 and ending in views and ending != part.name else "")


def _shared_ending(parts: Sequence[Part]) -> str:
    """Return the last piece of all parts' names where it is one and the same, after a name of a picture.

    Parts are called ``layer.view`` by OpenEXR's convention for views; without the attribute, what all end in
    tells none apart: ``rgba.main`` and ``depth.main`` are a picture and its depth. ``hero.main`` and
    ``set.main`` are two pictures still.
    """
    named = [part.name.rpartition(".") for part in parts]
    endings = {ending if layer else "" for layer, _, ending in named}
    usual = any(beauty_rank(layer.rpartition(".")[2]) is not None for layer, _, _ in named if layer)
    return endings.pop() if len(parts) > 1 and len(endings) == 1 and usual else ""


def _without_view(piece: str, views: set[str]) -> str:
    """Take a view out of a part's name, where it had to be added to make the name the only one."""
    for view in views:
        for sign in "_- ":
            if piece.lower().endswith(f"{sign}{view}"):
                return piece[: -len(view) - 1]
            if piece.lower().startswith(f"{view}{sign}"):
                return piece[len(view) + 1 :]
    return piece


# Components of a layer in the order in which an operator gets them: colour with alpha, vectors, pairs.
_COMPONENT_ORDERS = ("rgba", "rgb", "xyz", "uv", "xy", "rg")


def pass_of(view: ViewChannels, stated: str, name: str, key: str) -> list[Channel]:
    """Return the channels of any pass: one channel, or all of a layer.

    Parameters
    ----------
    view
        Where to look.
    stated
        Channel or layer that holds it.
    name, key
        Of the pass, and where it is stated, for the message.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-MISSING`` where there is no such channel or layer, ``E-CHANNEL-AMBIGUOUS`` where there
        are several.
    """
    layer = layer_of(view, stated)
    whole = [channel for channel in view.channels if stated in (channel.name, channel.logical)]
    if layer is not None and not whole:
        return layer
    return [view.need(stated, f'the pass "{name}"', key)]


def layer_of(view: ViewChannels, name: str) -> list[Channel] | None:
    """Return a layer's channels, in the order of a colour, vector or pair; those of no layer for no name."""
    components = view.layers.get(tuple(name.split(".")) if name else ())
    if components is None:
        return None
    for order in _COMPONENT_ORDERS:
        if set(order) == set(components):
            return [components[component] for component in order]
    return [components[component] for component in sorted(components)]
