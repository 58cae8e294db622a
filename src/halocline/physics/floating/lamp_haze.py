"""What floats and is not drawn one by one, as lamps see it: how much of it there is by range, and its clouds.

By day the haze's onset with range is one length, which keeps the light. A lamp by the lens lights the first
metre most, so here the true share of each class that is not drawn stands in a table by range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.physics.floating.field import Patchiness
from halocline.physics.floating.flow import WorldDrift
from halocline.physics.floating.particles import DrawLimits, haze_cross_section
from halocline.physics.floating.suspended import Motion, ParticleClass
from halocline.physics.path.scatterers import LampClouds, Scatterers, table_ranges
from halocline.physics.path.transport import LightPath

special = OnDemand("scipy.special")
# Beyond this the tables are held: nothing is drawn one by one there.
_FARTHEST_M = 200.0


def matter_lit_by_lamps(
    classes: Sequence[ParticleClass],
    limits: DrawLimits,
    path: LightPath,
    *,
    strength: float = 1.0,
    motion: Motion | None = None,
    time_s: float = 0.0,
) -> Scatterers | None:
    """Return what is not drawn one by one as a scatterer of lamp light; None where there is none.

    Its clouds are those of the class that scatters most.

    Parameters
    ----------
    classes, limits, path
        The classes, what is drawn of them, and the water.
    strength
        Multiplies it, as the haze by day.
    motion, time_s
        What carries the clouds, and when; without, they are even.

    Returns
    -------
    Scatterers | None
        Scattering per metre, its lobes and its clouds, or None.
    """
    ranges = np.minimum(table_ranges(), _FARTHEST_M)
    hidden = [strength * _hidden(kind, limits, ranges) for kind in classes]
    whole = [strength * _whole(kind) for kind in classes]
    bright = [each * float(kind.albedo.mean()) for each, kind in zip(whole, classes, strict=True)]
    if sum(bright) <= 0.0 or not any(each.any() for each in hidden):
        return None
    scattering = np.zeros(path.bands.count)
    for each, kind in zip(whole, classes, strict=True):
        scattering += each * kind.albedo
    depth = sum(hidden[1:], start=hidden[0])
    metres = np.concatenate([[0.0], np.cumsum(0.5 * (depth[1:] + depth[:-1]) * np.diff(ranges))])
    shares = [each / max(all_of_it, 1e-30) for each, all_of_it in zip(hidden, whole, strict=True)]
    main = classes[int(np.argmax(bright))]
    return Scatterers(
        scattering=scattering,
        lobes=tuple((kind.asymmetry, each / sum(bright)) for kind, each in zip(classes, bright, strict=True)),
        shares=np.stack(shares).astype(np.float32),
        depth=metres.astype(np.float32),
        clouds=None if motion is None else _class_clouds(main, motion, path.up, time_s),
    )


def clouds_at(
    patches: Patchiness, shift_m: F64, drift: WorldDrift | None = None, time_s: float = 0.0
) -> LampClouds:
    """Return a patchy density that has been carried along, in world space.

    Parameters
    ----------
    patches
        The density at home.
    shift_m
        How far it has gone in the environment's own frame, ``(3,)``.
    drift, time_s
        Where the environment itself has been moved and turned to, and when.

    Returns
    -------
    LampClouds
        The density over its mean, at world points.
    """
    waves = patches.waves / (2.0 * math.pi)
    phases = patches.phases / (2.0 * math.pi) - waves @ shift_m
    if drift is not None:
        turn, moved = drift.at(time_s)
        waves = waves @ np.asarray(turn).T
        phases = phases - waves @ moved
    mean = float(special.i0(patches.amplitude)) ** len(phases)
    return LampClouds(waves, phases, patches.amplitude, mean, patches.highest)


def _class_clouds(kind: ParticleClass, motion: Motion, up: F64, time_s: float) -> LampClouds | None:
    if kind.patches.amplitude == 0.0:
        return None
    shift = motion.lattice_shift(kind.sinking_m_s[0], up, time_s)
    return clouds_at(kind.patches, shift, motion.drift, time_s)


def _whole(kind: ParticleClass) -> float:
    return kind.opacity * kind.thinned_to * kind.sizes.cross_section()


def _hidden(kind: ParticleClass, limits: DrawLimits, range_m: F64) -> F64:
    """Return the projected area that is not drawn at each range, 1/m."""
    if not kind.drawn:
        return np.full(len(range_m), _whole(kind))
    scale = kind.opacity * kind.thinned_to
    hidden: F64 = scale * haze_cross_section(kind.sizes, limits, np.maximum(range_m, 1e-6))
    return hidden
