"""Whether positions lie where the camera sees their pixels: in the world, in the camera's own space, or not.

A position pass alone is turned into range by the lens's place: positions in another space, of another camera
or in other axes than the camera's give distances as good as any, and wrong. Each must lie on the ray of the
pixel that holds it, which nothing but the right space does.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.imaging.camera import Camera
from halocline.imaging.depth import ENDLESS
from halocline.imaging.depth_edges import COVERED
from halocline.imaging.frame import Window

Space = Literal["world", "camera", "neither", "unknown"]

_SAMPLES = 50_000
_LEAST_POINTS = 16
# Median distance of positions from their pixels, in widths of the picture. A lens's distortion that the
# camera does not tell of is a few hundredths at the sides, less in the median; distances are still right.
_ASTRAY = 0.05
# Positions in the camera's space fit so well, in widths of the picture or in pixels where these are larger (a
# renderer may sample anywhere in one), and those in the world so many times worse.
_FITS, _FITS_PX, _WORSE = 0.005, 1.5, 4.0


# Where nothing is hit a pass may hold anything.
@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def space_of(position: F32, alpha: F32 | None, *, camera: Camera, window: Window, unit_m: float) -> Space:
    """Return the space in which positions lie on the rays of their pixels.

    Parameters
    ----------
    position
        ``(3, rows, columns)``, scene units.
    alpha
        Coverage, or None.
    camera, window
        The camera, a perspective one (of a panorama nothing is said), and the pixels.
    unit_m
        Metres in one scene unit.

    Returns
    -------
    Space
        ``world``; ``camera`` where they are right of, above and behind (or ahead of) the lens; ``neither``;
        ``unknown`` where too few are covered to say.
    """
    if camera.globe is not None:
        return "unknown"
    step = max(1, int(np.sqrt(position[0].size / _SAMPLES)))
    picked = position[:, ::step, ::step]
    told: NDArray[np.bool_] = np.all(np.isfinite(picked) & (np.abs(picked) < ENDLESS), axis=0)
    # Exactly 0 0 0 is what renderers leave where nothing is hit.
    told &= (picked != 0).any(axis=0)
    if alpha is not None:
        told &= alpha[::step, ::step] >= COVERED
    if np.count_nonzero(told) < _LEAST_POINTS:
        return "unknown"
    rows, columns = np.nonzero(told)
    at = np.stack([window.x + step * columns + 0.5, window.y + step * rows + 0.5], axis=1)
    points = unit_m * picked[:, told].T.astype(np.float64)
    in_world = _astray(points, at, camera) / window.width
    own = min(_astray(_out_of_lens(points * sign, camera), at, camera) for sign in _AHEAD) / window.width
    fits = max(_FITS, _FITS_PX / window.width)
    if own < fits and in_world > max(fits, _WORSE * own):
        return "camera"
    return "world" if in_world < _ASTRAY else "neither"


# The camera looks along its own -z; some programs give what lies ahead as +z.
_AHEAD: tuple[F64, F64] = (np.array([1.0, 1.0, 1.0]), np.array([1.0, 1.0, -1.0]))


def _out_of_lens(points: F64, camera: Camera) -> F64:
    """Return points of the camera's space in the world's, ``(n, 3)``, metres."""
    return np.asarray(camera.position_m + points @ camera.rotation.T, np.float64)


def planar_depth(position: F64, space: Space, camera: Camera) -> F64:
    """Return the depth along the camera's axis of positions ``(n, 3)``, metres, ``(n,)``."""
    if space == "camera":
        # Ahead is -z, or +z; nothing that is seen lies behind.
        return np.abs(position[:, 2])
    return camera.project(position)[1]


def _astray(points_m: F64, at: F64, camera: Camera) -> float:
    """Return the median distance of points from their pixels, px; behind the lens it is endless."""
    pixels, _ = camera.project(points_m)
    return float(np.median(np.nan_to_num(np.hypot(*(pixels - at).T), nan=np.inf)))
