"""Origins that a preset states or that have been found, as places in the world."""

from __future__ import annotations

import numpy as np

from halocline._typing import F64
from halocline.graph.origins import KnownOrigin
from halocline.imaging.camera import Camera
from halocline.presets.sections import OriginSection, PlaceSection


def known_origin(section: OriginSection, place: PlaceSection) -> KnownOrigin | None:
    """Return an origin as a place in the world; None where it has to be found first.

    Parameters
    ----------
    section
        What the preset says of it.
    place
        Which way is up, and which ahead where the origin has no view of its own.

    Returns
    -------
    KnownOrigin | None
        The place.
    """
    up = axis_named(place.up)
    if section.follows:
        return None
    if (found := section.found) is not None:
        axes = np.array([found.right, found.above, found.ahead])
        return KnownOrigin(np.array(found.position), axes, up, found.unit_m, found.frame)
    if section.position is None or section.floor == "found" or section.unit == "range":
        return None
    ahead = axis_named(place.ahead)
    position = np.array(section.position)
    if section.floor is not None:
        position = on_height(position, section.floor, up)
    return KnownOrigin(position, np.stack([np.cross(ahead, up), up, ahead]), up)


def origin_on_lens(section: OriginSection, place: PlaceSection, camera: Camera) -> KnownOrigin:
    """Return where an origin that follows the lens is.

    Parameters
    ----------
    section, place
        As `known_origin` takes them.
    camera
        The lens.

    Returns
    -------
    KnownOrigin
        The place, with the camera's own axes.
    """
    up, position = axis_named(place.up), camera.position_m
    if isinstance(section.floor, float):
        position = on_height(position, section.floor, up)
    return KnownOrigin(position, lens_axes(camera), up, way=_way(section, up))


def _way(section: OriginSection, up: F64) -> tuple[KnownOrigin, ...]:
    """Return where an origin that follows the lens was, frame by frame."""
    rows = np.array(section.way).reshape(-1, 13)
    places = rows[:, 1:4]
    if isinstance(section.floor, float):
        places = np.array([on_height(place, section.floor, up) for place in places]).reshape(-1, 3)
    return tuple(
        KnownOrigin(place, row[4:].reshape(3, 3), up, frame=round(float(row[0])))
        for place, row in zip(places, rows, strict=True)
    )


def lens_axes(camera: Camera) -> F64:
    """Return right, above and ahead of a camera as it looks, unit, as rows, ``(3, 3)``.

    Parameters
    ----------
    camera
        The camera.

    Returns
    -------
    F64
        World.
    """
    axes: F64 = camera.rotation.T * np.array([[1.0], [1.0], [-1.0]])
    return axes


def on_height(position_m: F64, height_m: float, up: F64) -> F64:
    """Return a place moved straight up or down to a height.

    Parameters
    ----------
    position_m
        World metres, ``(3,)``.
    height_m
        Height along ``up``, metres.
    up
        Unit, world, ``(3,)``.

    Returns
    -------
    F64
        World metres, ``(3,)``.
    """
    moved: F64 = position_m + (height_m - float(position_m @ up)) * up
    return moved


def axis_named(name: str) -> F64:
    """Return an axis of the world by its name, such as ``-z``.

    Parameters
    ----------
    name
        Sign and letter.

    Returns
    -------
    F64
        Unit, ``(3,)``.
    """
    axis = np.zeros(3)
    axis["xyz".index(name[1])] = 1.0 if name[0] == "+" else -1.0
    return axis
