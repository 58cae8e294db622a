"""The ground below, as things in the water mirror it: as the preset has it, or as the picture shows it."""

from __future__ import annotations

import math

import numpy as np

from halocline.graph.shot import Shot
from halocline.physics.floating.bubble_view import Floor

# Points of a picture that are looked at, at most.
_MOST_POINTS = 10_000
# A view this far down, by its downward component, shows what lies below and not beside.
_DOWN = 0.05
# Where the picture covers less of what lies below it has no floor; from the second share on it has one. A
# picture of which less than the third share looks down says little of it.
_COVERED, _LOOKS_DOWN = (0.3, 0.7), 0.02
# What is so many attenuation lengths away is no longer seen.
_SIGHT_LENGTHS = 6.0


def floor_seen(shot: Shot) -> Floor | None:
    """Return the ground under a shot.

    Parameters
    ----------
    shot
        The frame. Its ``place.bottom_depth`` tells the ground; without, all that the picture shows below the
        lens does, as one level floor at its mean depth and of its mean light.

    Returns
    -------
    Floor | None
        Nothing where neither says anything.
    """
    path = shot.path
    if path.bottom_m is not None:
        lit = path.bottom_reflectance * path.white * path.daylight(path.bottom_m)
        return Floor(path.bottom_m, lit)
    if shot.surfaces is None:
        return None
    window = shot.surfaces.data_window
    stride = max(1, math.ceil(math.sqrt(window.width * window.height / _MOST_POINTS)))
    thin = slice(stride // 2, None, stride)
    mu = shot.view_plane("downward", window)[thin, thin].astype(np.float64)
    range_m, alpha = (shot.surfaces.plane(name)[thin, thin].astype(np.float64) for name in ("range", "alpha"))
    rgb = shot.surfaces.plane("rgb")[:, thin, thin].astype(np.float64)
    below = np.maximum(mu - _DOWN, 0.0)
    farthest = _SIGHT_LENGTHS / max(float(path.beam_rate.min()), 1e-6)
    sound = np.isfinite(rgb).all(axis=0) & (range_m < farthest)
    weight = np.where(sound, below * np.clip(alpha, 0.0, 1.0), 0.0)
    covered = float(weight.sum())
    if covered <= 0.0:
        return None
    depth = path.camera_depth_m + float((weight * mu * np.where(sound, range_m, 0.0)).sum()) / covered
    # The picture is premultiplied.
    mean = (np.where(sound, below, 0.0) * np.where(sound, rgb, 0.0)).sum(axis=(1, 2)) / covered
    first, last = _COVERED
    share = covered / max(float(below.sum()), _LOOKS_DOWN * below.size)
    t = min(1.0, max(0.0, (share - first) / (last - first)))
    light = np.maximum(path.bands.up @ mean, 0.0) * path.daylight(depth)
    return Floor(depth, light, t * t * (3.0 - 2.0 * t))
