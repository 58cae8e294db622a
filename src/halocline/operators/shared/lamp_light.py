"""What lamps light of the water, or of fine matter in it, in front of each pixel of a tile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline._typing import F32
from halocline.graph.shot import Shot
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
