"""What lamps light of the water, or of fine matter in it, in front of each pixel of a tile."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from halocline._typing import F32
from halocline.filters.facing import normals_from_range
from halocline.graph.operator import Planes
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.physics.path.lamp_glow import LampSeen
from halocline.physics.path.lamps import Lamp, backscatter
from halocline.physics.path.scatterers import Scatterers


def lamp_haze(shot: Shot, direction: F32, ends_m: F32, matter: Scatterers | None = None) -> F32:
    """Return the light of all lamps that what is before rays scatters to the lens, ``(K, n)``.

    Parameters
    ----------
    shot
        Lamps, water and lens.
    direction, ends_m
        Unit view directions ``(3, n)``, and where each ray ends, metres, ``(n,)``; may be inf.
    matter
        What scatters; the water itself where not given. Looking into a beam, clouds of it average out along
        the way: a lamp that shines into the lens lights it evenly.

    Returns
    -------
    F32
        Radiance, ``(K, n)``, 0 or more.
    """
    lens, bands = shot.camera.position_m, shot.path.bands
    total = np.zeros((bands.count, ends_m.size), np.float32)
    for lamp in shot.lamps:
        seen, towards = matter, in_front(lamp, shot)
        if matter is not None and towards and LampSeen.of(lamp, lens) is not None:
            seen = replace(matter, clouds=None)
        backscatter(lamp, bands, lens, direction, ends_m, towards=towards, matter=seen, out=total)
    return total


def in_front(lamp: Lamp, shot: Shot) -> bool:
    """Tell whether the lens may look into the lamp: whether it stands before the lens's own plane.

    Parameters
    ----------
    lamp
        The lamp.
    shot
        The frame.

    Returns
    -------
    bool
        Whether it does.
    """
    if shot.camera.globe is not None:
        return True
    ahead = -shot.camera.rotation[:, 2]
    return float((lamp.position_m - shot.camera.position_m) @ ahead) > 0.0


def surface_planes(shot: Shot, planes: Planes, region: Window) -> F32 | None:
    """Return which way surfaces face that may lie in a lamp's shadow, as the lens sees them.

    Parameters
    ----------
    shot
        The frame, with what it shows.
    planes
        What a step was handed over the region.
    region
        Its pixels.

    Returns
    -------
    F32 | None
        Unit, world, towards the lens, ``(3, rows, columns)``; None where no lamp throws shadows.
    """
    if shot.surfaces is None or all(lamp.shadow is None for lamp in shot.lamps):
        return None
    if "fitted_normal" in planes:
        return planes["fitted_normal"]
    whole = shot.surfaces.data_window
    # One row more on each side, as far as there are any.
    top, end = max(region.y - 1, whole.y), min(region.y_end + 1, whole.y_end)
    window = Window(region.x, top, region.width, end - top)
    rows, columns = whole.slices_of(window)
    found = normals_from_range(shot.camera.directions(window), shot.surfaces.plane("range")[rows, columns])
    return found[:, region.y - top : region.y_end - top]


# Farther aside than this, as seen from what a lamp lights, the backs of things would matter, degrees.
_FAR_ASIDE_DEG = 30.0


def lamps_far_aside(shot: Shot) -> tuple[str, ...]:
    """Return what a person should know of lamps' shadows: only what the camera sees casts.

    Parameters
    ----------
    shot
        The frame.

    Returns
    -------
    tuple[str, ...]
        A line, where a lamp shines on things well from the side.
    """
    if shot.surfaces is None:
        return ()
    aside = [
        lamp.name
        for lamp in shot.lamps
        if lamp.shadow is not None and _aside_deg(lamp, shot) > _FAR_ASIDE_DEG
    ]
    if not aside:
        return ()
    return (
        f"the lamp {aside[0]} shines from well to the side, and things cast its shadows as far as the camera "
        "sees them: their unseen backs are open to it; shadows = false in its table under light.lamps turns "
        "them off",
    )


def _aside_deg(lamp: Lamp, shot: Shot) -> float:
    """Return the angle between lens and lamp, as seen from where the lamp's axis comes nearest the lens's."""
    from_lens, ahead = lamp.position_m - shot.camera.position_m, -shot.camera.rotation[:, 2]
    cosine = float(lamp.axis @ ahead)
    if abs(cosine) > 1.0 - 1e-9:
        return 0.0 if cosine > 0.0 else 180.0
    # Of two lines that pass each other, the place along the lamp's.
    along = float(from_lens @ (cosine * ahead - lamp.axis)) / (1.0 - cosine * cosine)
    if along <= 0.0:
        return math.degrees(math.acos(max(-1.0, cosine)))
    lit = lamp.position_m + along * lamp.axis
    to_lens, to_lamp = shot.camera.position_m - lit, -lamp.axis
    return math.degrees(
        math.acos(min(1.0, max(-1.0, float(to_lens @ to_lamp) / float(np.linalg.norm(to_lens)))))
    )
