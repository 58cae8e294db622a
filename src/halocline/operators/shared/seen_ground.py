"""The floor of a frame: what its picture shows that faces up, as heights over a level grid."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F64
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame
from halocline.physics.floating.ground import Ground, cell_for, ground_below

# Pixels that are looked at, at most; and how much of one a surface must cover to tell of the floor.
_MOST_PIXELS, _COVERED = 400_000, 0.5


def seen_ground(shot: Shot, *, thinnest_m: float, reach_m: float, steepest_deg: float) -> Ground | None:
    """Return the floor that a frame shows; None where it shows none.

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

    Returns
    -------
    Ground | None
        The same whatever part of the picture is made.
    """
    frame = shot.surfaces
    if frame is None:
        return None
    up, lens = shot.path.up, shot.camera.position_m
    points = _facing_up(frame, shot.camera, up, reach_m, math.cos(math.radians(steepest_deg)))
    cell = cell_for(thinnest_m, reach_m)
    return ground_below(points, up, lens, reach_m=reach_m, cell_m=cell, steepest_deg=steepest_deg)


def _facing_up(frame: Frame, camera: Camera, up: F64, reach_m: float, cosine: float) -> F64:
    """Return places of the picture that face up at least so much, ``(n, 3)``: each told by three pixels."""
    window = frame.data_window
    every = max(1, math.ceil(math.sqrt(window.width * window.height / _MOST_PIXELS)))
    rows, columns = (np.arange(0, size - 1, every) for size in window.shape)
    corner, sound = _places(frame, camera, rows, columns, reach_m)
    below, sound_below = _places(frame, camera, rows + 1, columns, reach_m)
    beside, sound_beside = _places(frame, camera, rows, columns + 1, reach_m)
    sound &= sound_below & sound_beside
    corner, below, beside = (places[:, sound].T for places in (corner, below, beside))
    normal = np.cross(below - corner, beside - corner)
    facing = normal @ up >= cosine * np.sqrt((normal * normal).sum(axis=1))
    return np.asarray(corner[facing])


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
