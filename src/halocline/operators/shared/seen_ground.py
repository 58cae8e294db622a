"""The floor of a frame: what its picture shows that faces up, as heights over a level grid."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame
from halocline.physics.floating.ground import Ground, cell_for, ground_below

sparse = OnDemand("scipy.sparse")
csgraph = OnDemand("scipy.sparse.csgraph")

# Pixels that are looked at, at most; and how much of one a surface must cover to tell of the floor.
MOST_PIXELS, _COVERED = 400_000, 0.5
# Neighbours are of one surface where each is so little out of the other's plane, over their distance; and
# what has less than this share of the widest surface's pixels is a thing.
_ASIDE, _OF_WIDEST = 0.15, 0.1


def seen_ground(
    shot: Shot, *, thinnest_m: float, reach_m: float, steepest_deg: float, pixels: int = MOST_PIXELS
) -> Ground | None:
    """Return the floor that a frame shows; None where it shows none, as far as so many pixels tell.

    Parameters
    ----------
    shot
        The frame, with what it shows.
    thinnest_m
        The thinnest layer that is to lie on it, metres.
    reach_m
        How far from the lens it is wanted, metres.
    steepest_deg
        How steep it may be, degrees.
    pixels
        How many are looked at, at most.

    Returns
    -------
    Ground | None
        The same whatever part of the picture is made.
    """
    frame = shot.surfaces
    if frame is None:
        return None
    up, lens = shot.path.up, shot.camera.position_m
    cosine = math.cos(math.radians(steepest_deg))
    points = _facing_up(frame, shot.camera, up, reach_m, cosine, pixels)
    cell = cell_for(thinnest_m, reach_m)
    return ground_below(points, up, lens, reach_m=reach_m, cell_m=cell, steepest_deg=steepest_deg)


def _facing_up(frame: Frame, camera: Camera, up: F64, reach_m: float, cosine: float, pixels: int) -> F64:
    """Return places of wide surfaces that face up at least so much, ``(n, 3)``: each told by three pixels."""
    window = frame.data_window
    every = max(1, math.ceil(math.sqrt(window.width * window.height / pixels)))
    rows, columns = (np.arange(0, size - 1, every) for size in window.shape)
    corner, sound = _places(frame, camera, rows, columns, reach_m)
    below, sound_below = _places(frame, camera, rows + 1, columns, reach_m)
    beside, sound_beside = _places(frame, camera, rows, columns + 1, reach_m)
    sound &= sound_below & sound_beside
    normal = np.cross(below - corner, beside - corner, axis=0)
    normal /= np.maximum(np.sqrt((normal * normal).sum(axis=0)), 1e-30)
    facing = sound & (np.einsum("i,irc->rc", up, normal) >= cosine)
    return np.asarray(corner[:, _wide(facing, corner, normal)].T)


def _wide(facing: NDArray[np.bool_], places: F64, normal: F64) -> NDArray[np.bool_]:
    """Return which pixels are of wide surfaces: a floor is one, the top of a chain's link is none."""
    rows, columns = facing.shape
    number = np.arange(facing.size).reshape(facing.shape)
    ends: list[tuple[NDArray[np.intp], NDArray[np.intp]]] = []
    for one, other in (
        ((slice(0, rows - 1), slice(None)), (slice(1, rows), slice(None))),
        ((slice(None), slice(0, columns - 1)), (slice(None), slice(1, columns))),
    ):
        step = places[(slice(None), *other)] - places[(slice(None), *one)]
        length = np.sqrt((step * step).sum(axis=0))
        # Of one surface, if each lies in the other's plane.
        aside = [np.abs((normal[(slice(None), *at)] * step).sum(axis=0)) for at in (one, other)]
        joined = facing[one] & facing[other] & (np.maximum(*aside) <= _ASIDE * length)
        ends.append((number[one][joined], number[other][joined]))
    first, second = (np.concatenate(each) for each in zip(*ends, strict=True))
    links = sparse.coo_matrix(
        (np.ones(first.size, np.int8), (first, second)), shape=(facing.size, facing.size)
    )
    _, label = csgraph.connected_components(links, directed=False)
    size = np.bincount(label[facing.ravel()], minlength=int(label.max()) + 1)
    wide = size[label].reshape(facing.shape) >= _OF_WIDEST * size.max(initial=1)
    return np.asarray(facing & wide)


def _places(
    frame: Frame, camera: Camera, rows: NDArray[np.intp], columns: NDArray[np.intp], reach_m: float
) -> tuple[F64, NDArray[np.bool_]]:
    """Return world places of pixels, ``(3, rows, columns)``, and which of them show something near enough."""
    window, own = frame.data_window, np.ix_(rows, columns)
    range_m = frame.plane("range")[own].astype(np.float64)
    sound = (range_m <= reach_m) & (frame.plane("alpha")[own] >= _COVERED)
    x, y = (np.asarray(at + 0.5, np.float64) for at in (columns + window.x, rows + window.y))
    world = np.einsum("ij,jrc->irc", camera.rotation, camera.rays(x, y))
    lens = camera.position_m[:, None, None]
    return lens + world * np.where(sound, range_m, 0.0), sound
