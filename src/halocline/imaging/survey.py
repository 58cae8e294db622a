"""What a file's header alone tells of each view: its camera, and which optional planes it could give."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from halocline.imaging.camera import Camera
from halocline.imaging.camera_metadata import find_camera
from halocline.imaging.channels import NORMAL_LAYERS, POSITION_LAYERS, ViewChannels, vector_of, views_of
from halocline.imaging.exr import read_header
from halocline.imaging.load import InputSpec


def cameras_in(path: str | Path, spec: InputSpec) -> dict[str, Camera]:
    """Return the camera of each view of a file, by view name, without reading pixels.

    Raises
    ------
    ReadError, CameraError
        Where the file cannot be read or its camera is impossible.
    """
    return {
        view.view: find_camera(
            view.channels[0].part,
            view=view.view,
            statement=spec.cameras.get(view.view, spec.camera),
            unit_m=spec.depth.unit_m,
        ).camera
        for view in views_of(read_header(path))
        if view.channels
    }


def planes_in(paths: Iterable[str | Path], spec: InputSpec, names: Iterable[str]) -> frozenset[str]:
    """Return those of some optional planes that every view has in at least one of the files.

    Raises
    ------
    ReadError
        Where a file cannot be read.
    """
    asked = frozenset(names)
    if not asked:
        return asked
    found: dict[str, set[str]] = {}
    for path in paths:
        for view in views_of(read_header(path)):
            found.setdefault(view.view, set()).update(name for name in asked if _has(view, spec, name))
    return asked.intersection(*found.values()) if found else frozenset()


@dataclass(frozen=True)
class _Vector:
    """Where a vector plane is looked for."""

    stated: str | None
    usual: tuple[str, ...]


def _has(view: ViewChannels, spec: InputSpec, name: str) -> bool:
    vectors = {
        "normal": _Vector(spec.normal, tuple(NORMAL_LAYERS)),
        "position": _Vector(spec.position, tuple(POSITION_LAYERS)),
    }
    if name in vectors:
        layer = vectors[name]
        return vector_of(view, [layer.stated] if layer.stated else layer.usual) is not None
    if name.startswith("matte."):
        return view.find(spec.mattes.get(name.removeprefix("matte."), name)) is not None
    return view.find(spec.channels.get(name, name)) is not None
