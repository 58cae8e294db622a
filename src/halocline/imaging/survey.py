"""What a file's header alone tells of each view: its camera, and which optional planes it could give."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from itertools import chain
from pathlib import Path

from halocline.errors import ChannelError
from halocline.imaging.camera import Camera
from halocline.imaging.camera_metadata import find_camera
from halocline.imaging.channel_plan import describing_part, find_vector, pass_file_of
from halocline.imaging.channels import Path as LayerPath
from halocline.imaging.channels import ViewChannels, layer_of, views_of
from halocline.imaging.exr import Header, read_header
from halocline.imaging.id_mattes import find_id_matte, id_layers
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.passes import beauty_of


def cameras_in(path: str | Path, spec: InputSpec) -> dict[str, Camera]:
    """Return the camera of each view of a file, by view name, without reading pixels.

    Parameters
    ----------
    path
        The file.
    spec
        What is stated about the input.

    Returns
    -------
    dict[str, Camera]
        Cameras by view name; "" where the file has no views.

    Raises
    ------
    ReadError, ChannelError, CameraError
        Where the file cannot be read, its beauty is not known, or its camera is impossible.
    """
    header = read_header(path)
    return {
        view.view: find_camera(
            describing_part(
                header,
                beauty_of(view, spec.beauty).colours[0].part,
                any_view=spec.camera_of(view.view).eye is not None,
            ),
            view=view.view,
            statement=spec.camera_of(view.view),
            unit_m=spec.depth.unit_m,
        ).camera
        for view in views_of(header)
        if view.channels
    }


def not_read(header: Header) -> tuple[str, ...]:
    """Tell what a file holds that is neither read nor written.

    Parameters
    ----------
    header
        From `halocline.imaging.exr.read_header`.

    Returns
    -------
    tuple[str, ...]
        A sentence for each.
    """
    told = []
    if any(part.has_preview for part in header.parts):
        told.append("the file's preview picture shows the render as it came: it is not written")
    deep = [part.name or f"number {part.index}" for part in header.parts if part.deep]
    if deep and len(deep) < len(header.parts):
        told.append(f"deep parts beside flat ones are neither read nor written: {', '.join(deep)}")
    return tuple(told)


def planes_in(paths: Iterable[str | Path], spec: InputSpec, names: Iterable[str]) -> frozenset[str]:
    """Return those of some optional planes that every view has in at least one of the files.

    Parameters
    ----------
    paths
        The beauty's file, then others of the same frame.
    spec
        What is stated about the input.
    names
        Names of planes.

    Returns
    -------
    frozenset[str]
        Those of ``names`` that are there.

    Raises
    ------
    ReadError
        Where a file cannot be read.
    """
    asked = frozenset(names)
    return planes_of((read_header(path) for path in paths), spec, asked) if asked else asked


def planes_there(files: Mapping[str, Path], spec: InputSpec, names: Iterable[str]) -> frozenset[str]:
    """Return those of some optional planes that a frame's files have, passes of their own among them.

    Parameters
    ----------
    files
        By what they hold: ``beauty``, ``depth``, ``pass NAME``.
    spec
        What is stated about the input.
    names
        Names of planes.

    Returns
    -------
    frozenset[str]
        Those of ``names`` that are there.

    Raises
    ------
    ReadError
        Where a file cannot be read.
    """
    asked = frozenset(names)
    own = {role.removeprefix("pass "): path for role, path in files.items() if role.startswith("pass ")}
    # A file of its own says that the pass is there; reading it says whether it is right.
    given = frozenset(name for name in asked if pass_file_of(name, own) is not None)
    return given | planes_in(
        (files[role] for role in ("beauty", "depth") if role in files), spec, asked - given
    )


def mattes_there(files: Mapping[str, Path], spec: InputSpec) -> tuple[str, ...]:
    """Return the names of the mattes that a frame has: its channels, files of their own, and its ids' things.

    Parameters
    ----------
    files
        By what they hold: ``beauty``, ``depth``, ``pass NAME``.
    spec
        What is stated about the input.

    Returns
    -------
    tuple[str, ...]
        Sorted; each is read as the plane ``matte.NAME``. A thing that several sets of ids know is named with
        each of them, ``SET:THING``.

    Raises
    ------
    ReadError
        Where a file cannot be read.
    """
    named, things = set(spec.mattes), set[str]()
    for role, path in files.items():
        views = views_of(read_header(path))
        if not role.startswith("pass "):
            named.update(chain.from_iterable(map(_channels_as_mattes, views)))
            # Of thousands of things each is known by its manifest; none need be looked for.
            things |= set.intersection(*map(_things, views)) if views else set()
        elif all(len(view.channels) == 1 for view in views):
            named.add(role.removeprefix("pass ").removeprefix("matte."))
    there = planes_there(files, spec, [f"matte.{name}" for name in named])
    return tuple(sorted(things | {name for name in named if f"matte.{name}" in there}))


def _channels_as_mattes(view: ViewChannels) -> Iterable[str]:
    """Yield the names of mattes that are a channel each."""
    for channel in view.channels:
        before, matte, name = channel.logical.rpartition("matte.")
        if matte and name and (not before or before.endswith(".")):
            yield name


def _things(view: ViewChannels) -> set[str]:
    """Return the names of things that a view has ids of, with their set where several know one."""
    layers = id_layers(view)
    known = Counter(thing for layer in layers for thing in layer.names)
    return {
        f"{layer.name}:{thing}" if known[thing] > 1 else thing for layer in layers for thing in layer.names
    }


def planes_of(headers: Iterable[Header], spec: InputSpec, names: Iterable[str]) -> frozenset[str]:
    """Return those of some optional planes that every view has in at least one of what headers describe.

    Parameters
    ----------
    headers
        Of the beauty's file, then of others of the same frame.
    spec
        What is stated about the input.
    names
        Names of planes.

    Returns
    -------
    frozenset[str]
        Those of ``names`` that are there.
    """
    asked = frozenset(names)
    found: dict[str, set[str]] = {}
    beauties: dict[str, LayerPath | None] = {}
    for header in headers:
        for view in views_of(header):
            # The first file is the beauty's; what goes with it is looked for in the others too.
            beauty = beauties.setdefault(view.view, _beauty_layer(view, spec))
            here = {name for name in asked if _has(view, spec, name, beauty)}
            found.setdefault(view.view, set()).update(here)
    return asked.intersection(*found.values()) if found else frozenset()


def _has(view: ViewChannels, spec: InputSpec, name: str, beauty: LayerPath | None) -> bool:
    if name in {"normal", "position"}:
        try:
            return find_vector(view, spec, name, beauty) is not None
        except ChannelError:
            # Several: reading it will say so.
            return True
    kind, _, own = name.partition(".")
    if kind == "pass":
        return (
            bool(view.named(spec.passes.get(own, own)))
            or layer_of(view, spec.passes.get(own, own)) is not None
        )
    stated = spec.mattes.get(own, name) if kind == "matte" else spec.channel_of(name)
    if kind == "matte" and not view.named(stated):
        return find_id_matte(view, spec.mattes.get(own, own), "") is not None
    return bool(view.named(stated))


def _beauty_layer(view: ViewChannels, spec: InputSpec) -> LayerPath | None:
    """Return the layer of the picture; None in a file of depth alone."""
    try:
        return beauty_of(view, spec.beauty).path
    except ChannelError:
        return None
