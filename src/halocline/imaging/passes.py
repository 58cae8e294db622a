"""Which channels are the picture, its alpha, its depth, its normals and positions.

The place where a channel stands decides, never its bare name. The picture is one layer's red, green and blue
with that layer's own alpha: the layer the user names, or the one that is called as pictures are, or the only
one that is no data pass. What belongs to the picture is looked for near it: in its own layer, below it,
beside it, above it, and at last wherever the file has only one. What belongs to another picture is never
taken.
"""

from __future__ import annotations

from collections.abc import Iterable

from halocline.errors import ChannelError
from halocline.imaging.channels import Channel, Path, ViewChannels, colour_layers, layer_named
from halocline.imaging.id_mattes import coded_layers, is_rank_of
from halocline.imaging.names import (
    ALPHA_NAMES,
    beauty_rank,
    is_depth,
    is_mist,
    is_some_depth,
    is_utility,
    words,
)
from halocline.late_dataclass import dataclass

NORMAL_LAYERS = ("n", "normal", "normals", "worldnormal", "world_normal")
POSITION_LAYERS = ("p", "position", "worldposition", "world_position", "pworld", "point")
LAYER_KEY, DEPTH_KEY = "input.layer", "input.depth_channel"
# Attribute of the frames that are written: the layer their picture is in, where its name does not say so.
WRITTEN_LAYER = "halocline:beautyLayer"

_VECTORS = (("x", "y", "z"), ("r", "g", "b"))
# Components that a pass of one value has, the likeliest first.
_SINGLE = ("z", "v", "y", "depth", "d", "r", "x")
_EYES = frozenset({"left", "right"})


@dataclass(frozen=True)
class Beauty:
    """The picture: the pieces of its layer, its channels, and what a person should know of the choice."""

    path: Path
    colours: list[Channel]
    alpha: Channel | None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Candidate:
    """A depth channel: the layer it belongs to, its own name, and how plainly that says depth (0 is best)."""

    channel: Channel
    owner: Path
    name: str
    plainness: int


# ---- The picture


def beauty_of(view: ViewChannels, layer: str = "") -> Beauty:
    """Return the channels of the picture.

    Parameters
    ----------
    view
        Where to look.
    layer
        The layer that the user names, or empty.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-MISSING`` where there is none, ``E-CHANNEL-AMBIGUOUS`` where several layers might be.
    """
    layers = colour_layers(view)
    path, warnings = _stated_layer(view, layer, layers) if layer else _usual_layer(view, layers)
    colours = view.colours(path)
    assert colours is not None
    alpha, told = _alpha_of(view, path)
    return Beauty(path, colours, alpha, (*warnings, *told))


def _stated_layer(view: ViewChannels, layer: str, layers: list[Path]) -> tuple[Path, tuple[str, ...]]:
    found = layer_named(view, layer, layers)
    if len(found) > 1:
        raise view.ambiguous(
            f'several layers may be the beauty\'s "{layer}"', LAYER_KEY, [_text(path) for path in found]
        )
    if not found:
        raise view.missing(
            f"no R, G and B for the beauty in layer '{layer}' ({LAYER_KEY})",
            layer,
            fix=_layers_there(layers),
        )
    return found[0], ()


def _usual_layer(view: ViewChannels, layers: list[Path]) -> tuple[Path, tuple[str, ...]]:
    written = _written_here(view, layers)
    if written is not None:
        return written, ()
    known = sorted(
        (rank, len(path), path) for path in layers if (rank := beauty_rank(_last(path))) is not None
    )
    if known:
        best = [path for rank, depth, path in known if (rank, depth) == known[0][:2]]
        if len(best) > 1:
            raise view.ambiguous(
                "several layers are called as the beauty usually is",
                LAYER_KEY,
                [_text(path) for path in best],
            )
        others = [_text(path) for _, _, path in known[1:]]
        if not others:
            return best[0], ()
        choices = " or ".join(f'{LAYER_KEY} = "{name}"' for name in others)
        return best[0], (
            f"the beauty was taken from {_layer_text(best[0])}, though {_list(others)} may be it too; "
            f"for that set {choices}",
        )
    free = [path for path in layers if not _is_data(view, path)]
    top = min(free, key=len, default=())
    if len(free) > 1 and all(path[: len(top)] == top for path in free):
        # All others are layers within this one: it is to them what bare names are to a file.
        return top, (
            f"the beauty was taken from {_layer_text(top)}, which all other layers are within; if that is "
            f'wrong, set {LAYER_KEY} = "LAYER"',
        )
    if len(free) > 1:
        raise view.ambiguous(
            "several layers have R, G and B, and none is named as the beauty usually is",
            LAYER_KEY,
            [_text(path) for path in free],
        )
    if not free:
        raise _no_beauty(view, layers)
    return free[0], (
        f"the beauty was taken from {_layer_text(free[0])}, the only layer with R, G and B that is no data "
        f'pass; if that is wrong, set {LAYER_KEY} = "LAYER"',
    )


def _written_here(view: ViewChannels, layers: list[Path]) -> Path | None:
    """Return the layer that a frame written by Halocline says its picture is in."""
    for channel in view.channels:
        said = channel.part.value(WRITTEN_LAYER)
        if isinstance(said, str):
            path = tuple(said.split(".")) if said else ()
            return path if path in layers else None
    return None


def _no_beauty(view: ViewChannels, layers: list[Path]) -> ChannelError:
    if any("y" in components for path, components in view.layers.items() if beauty_rank(_last(path)) == 0):
        message = "no R, G and B for the beauty: the picture is luminance (Y) alone, or luminance and chroma"
        return view.missing(message, fix="Render or convert it to R, G and B.")
    if layers:
        return view.missing(
            "no beauty: all layers with R, G and B are data passes by their names", fix=_layers_there(layers)
        )
    return view.missing("no R, G and B for the beauty")


def _layers_there(layers: list[Path]) -> str:
    named = [f'{LAYER_KEY} = "{_text(path)}"' for path in layers if path]
    return f"If one of them is the beauty, set {' or '.join(named)}." if named else ""


def _alpha_of(view: ViewChannels, path: Path) -> tuple[Channel | None, tuple[str, ...]]:
    """Return the picture's own alpha, or else the only alpha beside it that is no other picture's."""
    own = view.layers[path]
    for name in ALPHA_NAMES:
        if name in own:
            return own[name], ()
    found = [channel for layer in view.layers if (channel := _lone_alpha(view, layer, path)) is not None]
    if len(found) != 1:
        return None, ()
    return found[0], (
        f"the beauty's layer has no alpha: {found[0].logical} was taken, which stands by itself",
    )


def _lone_alpha(view: ViewChannels, layer: Path, beauty: Path) -> Channel | None:
    """Return the alpha of a layer that has no picture and lies above the beauty's, or beside it."""
    components = view.layers[layer]
    called_so = bool(layer) and _last(layer).lower() in ALPHA_NAMES
    if called_so:
        names = [*ALPHA_NAMES, "y", "v", "r", "x", "z"]
        owner = layer[:-1]
    else:
        names, owner = list(ALPHA_NAMES), layer
        if view.colours(layer) is not None or (layer and is_utility(_last(layer))):
            return None
    if owner != beauty[: len(owner)]:
        return None
    return next((components[name] for name in names if name in components), None)


# ---- What belongs to it


def depth_of(view: ViewChannels, beauty: Path | None) -> Channel | None:
    """Return the depth channel that goes with the picture, or None where there is none.

    Parameters
    ----------
    view
        Where to look.
    beauty
        The layer of the picture.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-AMBIGUOUS`` where several go with it equally well.
    """
    candidates = _depth_candidates(view)
    near = [(rank, each) for each in candidates if (rank := _nearness(view, each.owner, beauty)) is not None]
    plain = [(rank, each) for rank, each in near if not is_mist(each.name)] or near
    if not plain:
        return None
    # In the picture's own layer, a bare name comes before a layer below it.
    orders = [(rank, rank == 0 and each.owner != each.channel.path, each.plainness) for rank, each in plain]
    best = [each for order, (_, each) in zip(orders, plain, strict=True) if order == min(orders)]
    if len(best) > 1:
        raise view.ambiguous(
            "several depth channels go with the beauty equally well",
            DEPTH_KEY,
            [each.channel.logical for each in best],
        )
    return best[0].channel


def stated_depth(view: ViewChannels, name: str, beauty: Path | None) -> Channel:
    """Return the depth channel that the user names; of several, the one that goes with the picture.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-MISSING`` or ``E-CHANNEL-AMBIGUOUS``.
    """
    found = view.named(name)
    if len(found) > 1:
        ranked = [(rank, each) for each in found if (rank := _nearness(view, each.path, beauty)) is not None]
        best = min((rank for rank, _ in ranked), default=0)
        found = [each for rank, each in ranked if rank == best] or found
    return found[0] if len(found) == 1 else view.need(name, "depth", DEPTH_KEY)


def depth_names(view: ViewChannels) -> list[str]:
    """Return the logical names of all channels that are called as depth is."""
    return [each.channel.logical for each in _depth_candidates(view)]


def is_depth_channel(view: ViewChannels, channel: Channel) -> bool:
    """Tell whether a channel is a depth pass by its name, whatever the name of its part or layer."""
    return any(each.channel == channel for each in _depth_candidates(view))


def vector_of(
    view: ViewChannels, usual: Iterable[str], beauty: Path | None, *, stated: str | None = None, key: str = ""
) -> list[Channel] | None:
    """Return the three channels (X Y Z or R G B) of a vector pass that goes with the picture, or None.

    Parameters
    ----------
    view, beauty
        Where to look, and the picture's layer.
    usual
        Usual names of the layer, the likeliest first.
    stated, key
        The layer that the user names, and where.

    Raises
    ------
    ChannelError
        ``E-CHANNEL-AMBIGUOUS`` where several go with it equally well.
    """
    layers = [path for path in view.layers if path and _vector(view, path) is not None]
    if stated is not None:
        found = layer_named(view, stated, layers)
        ranked = {path: rank for path in found if (rank := _nearness(view, path[:-1], beauty)) is not None}
        nearest = [path for path in found if ranked.get(path) == min(ranked.values(), default=None)] or found
        return _only_vector(view, nearest, key)
    for name in usual:
        ranked = {
            path: rank
            for path in layers
            if path[-1].lower() == name and (rank := _nearness(view, path[:-1], beauty)) is not None
        }
        if ranked:
            return _only_vector(view, [p for p in ranked if ranked[p] == min(ranked.values())], key)
    return None


def _only_vector(view: ViewChannels, paths: list[Path], key: str) -> list[Channel] | None:
    if len(paths) > 1:
        raise view.ambiguous("several layers may be meant", key, [_text(path) for path in paths])
    return _vector(view, paths[0]) if paths else None


def _vector(view: ViewChannels, path: Path) -> list[Channel] | None:
    components = view.layers[path]
    for names in _VECTORS:
        if all(name in components for name in names):
            return [components[name] for name in names]
    return None


def _depth_candidates(view: ViewChannels) -> list[_Candidate]:
    found = []
    for path, components in view.layers.items():
        last = _last(path)
        named = is_depth(last) or is_some_depth(last) or is_mist(last) if path else False
        if named and (view.colours(path) is None or is_depth(last) or is_mist(last)):
            name = next((each for each in _SINGLE if each in components), None)
            name = next(iter(components)) if name is None and len(components) == 1 else name
            if name is not None and not view.is_vector_component(components[name]):
                found.append(_Candidate(components[name], path[:-1], last, 0 if is_depth(last) else 1))
                continue
        for channel in components.values():
            spelt = channel.logical.rpartition(".")[2]
            if view.is_vector_component(channel) or (path and is_utility(last) and not named):
                continue
            if is_depth(spelt) or is_some_depth(spelt) or is_mist(spelt):
                found.append(_Candidate(channel, path, spelt, 0 if is_depth(spelt) else 1))
    return [each for each in found if _is_measured(each.channel)]


def _is_measured(channel: Channel) -> bool:
    return channel.part.channels[channel.name] != "uint"


def _nearness(view: ViewChannels, owner: Path, beauty: Path | None) -> int | None:
    """Return how far a layer is from the picture's, 0 for its own; None where it is another picture's.

    Below it is 1, then each layer above it one more; after them come the layers below those, and the rest of
    the file.
    """
    if beauty is None or owner == beauty:
        return 0
    above = owner == beauty[: len(owner)]
    if _is_other_eye(view, owner, beauty, above=above):
        return None
    if above:
        # Beside a picture called "Fg.Combined" is what is directly in "Fg".
        return 1 + len(beauty) - len(owner)
    if _has_own_picture(view, owner, beauty):
        return None
    home = beauty[:-1] if beauty and beauty_rank(beauty[-1]) is not None else beauty
    if home == owner[: len(home)]:
        return 100
    # Two branches that both have names are two pictures: "Fg.Combined" and "Bg.Depth".
    return None if len(beauty) > 1 else 200


def _has_own_picture(view: ViewChannels, owner: Path, beauty: Path) -> bool:
    """Tell whether a layer, or one above it, has a picture other than the one in question."""
    branches = [owner[:length] for length in range(1, len(owner) + 1)]
    return any(
        path in branches or (path[:-1] in branches and beauty_rank(_last(path)) is not None)
        for path in colour_layers(view)
        if path and path != beauty and not _is_data(view, path)
    )


def _is_data(view: ViewChannels, path: Path) -> bool:
    """Tell whether a layer holds data rather than light, by its name or by the file's metadata."""
    if is_utility(_last(path)):
        return True
    # The metadata of mattes by name says which layers are coded: NAME, NAME00, NAME01, ...
    part = next(iter(view.layers[path].values())).part
    return any(is_rank_of(_text(path), name) for name in coded_layers(part).values())


def _is_other_eye(view: ViewChannels, owner: Path, beauty: Path, *, above: bool) -> bool:
    """Tell whether names say left and right where the file does not."""
    mine, its = (_EYES & {word for piece in path for word in words(piece)} for path in (beauty, owner))
    if its:
        return mine != its
    # Bare names beside one eye's are the other eye's, if they are a picture.
    return bool(mine) and above and view.colours(owner) is not None


def _last(path: Path) -> str:
    return path[-1] if path else ""


def _text(path: Path) -> str:
    return ".".join(path)


def _layer_text(path: Path) -> str:
    return f'the layer "{_text(path)}"' if path else "R, G, B without a layer"


def _list(names: list[str]) -> str:
    return " and ".join(f'"{name}"' for name in names)
