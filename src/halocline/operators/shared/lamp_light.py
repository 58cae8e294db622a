"""What lamps light of the water, or of fine matter in it, in front of each pixel of a tile."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from halocline._typing import F32, F64
from halocline.filters.facing import NORMAL_REACH, normals_from_range
from halocline.graph.operator import Planes
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass
from halocline.operators.shared.pixel_stretch import STEEPEST, CameraMotion
from halocline.physics.path.lamp_glow import LampSeen
from halocline.physics.path.lamps import Lamp, backscatter
from halocline.physics.path.scatterers import Scatterers

# Moments of an open shutter at most at which a lamp's haze is looked at. What it lights is not taken to be
# nearer than this, metres. A beam's light changes little over this share of its edge; finer things in the
# haze over so many pixels.
_HAZE_MOMENTS, _NEAREST_LIT_M, _OF_EDGE, _FINE_PX = 5, 0.5, 0.25, 4.0


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
    bands, lens = shot.path.bands, shot.camera.position_m
    total = np.zeros((bands.count, ends_m.size), np.float32)
    for lamp in shot.lamps:
        seen, towards = matter, in_front(lamp, shot)
        if matter is not None and towards and LampSeen.of(lamp, lens) is not None:
            seen = replace(matter, clouds=None)
        passing = Passing.of(shot, lamp)
        moments = passing.moments(_finest_haze_px(lamp, shot), _HAZE_MOMENTS)
        if len(moments) == 1:
            backscatter(lamp, bands, lens, direction, ends_m, towards=towards, matter=seen, out=total)
            continue
        mean = np.zeros_like(total)
        for moment in moments:
            place, rays = passing.looked(moment, lens, direction)
            backscatter(lamp, bands, place, rays, ends_m, towards=towards, matter=seen, out=mean)
        mean *= np.float32(1.0 / len(moments))
        total += mean
    return total


@dataclass(frozen=True)
class Passing:
    """How the lens passes a lamp while the shutter is open.

    Attributes
    ----------
    motion
        Of the camera, along the axes of the world.
    pixels
        How far in the picture the camera's motion takes the lamp's light at most; 0 for a lamp that moves
        with the lens.
    """

    motion: CameraMotion
    pixels: float

    @classmethod
    def of(cls, shot: Shot, lamp: Lamp) -> Passing:
        """Return how a shot's lens passes one of its lamps."""
        motion, camera = CameraMotion.of(shot, np.eye(3)), shot.camera
        if lamp.rides or motion.still or camera.globe is not None:
            return cls(motion, 0.0)
        # What it lights is about as far as it is.
        away = max(_NEAREST_LIT_M, float(np.linalg.norm(lamp.position_m - camera.position_m)))
        turned = float(np.linalg.norm(motion.turned, ord=2))
        swept = turned + float(np.linalg.norm(motion.moved)) / away
        return cls(motion, swept / max(camera.tangent_per_px))

    def moments(self, finest_px: float, most: int) -> F64:
        """Return the moments at which light is looked at for its mean, -1/2 to 1/2 of the opening.

        Parameters
        ----------
        finest_px
            Size of the light's finest detail in the picture: it moves by so much from one to the next, if
            ``most`` allow.
        most
            Most moments.

        Returns
        -------
        F64
            In even steps about the middle; that alone, 0, where the light stays within its detail, or within
            a pixel.
        """
        count = int(min(most, math.ceil(self.pixels / max(finest_px, 1.0))))
        return (np.arange(count) + 0.5) / count - 0.5 if count > 1 else np.zeros(1)

    def looked(self, moment: float, lens_m: F64, direction: F32) -> tuple[F64, F32]:
        """Return where the lens is at a moment, and where pixels' rays ``(3, n)`` go then."""
        moved = direction + np.float32(moment) * self._turned(direction)
        moved /= np.sqrt(np.square(moved).sum(axis=0))
        return lens_m + moment * self.motion.moved.astype(np.float64), moved

    def _turned(self, direction: F32) -> F32:
        """Return how far rays move at a metre, in sums whose order does not depend on how many there are."""
        x, y, z = direction
        return np.stack([row[0] * x + row[1] * y + row[2] * z for row in self.motion.turned])

    def swept(self, direction: F32, range_m: F32, normal: F32 | None) -> F32:
        """Return how far pixels sweep over their surfaces in the whole opening, world metres.

        Parameters
        ----------
        direction
            Unit view directions, ``(3, ...)``.
        range_m
            Finite metres along them, ``(...)``.
        normal
            Unit normals, ``(3, ...)``; surfaces face the lens where not given or (0, 0, 0).

        Returns
        -------
        F32
            ``(3, ...)``.
        """
        free = self._turned(direction)
        free *= range_m
        free += self.motion.moved.reshape(3, *(1,) * range_m.ndim)
        faced = -direction if normal is None else np.where(normal.any(axis=0), normal, -direction)
        cosine = (faced * direction).sum(axis=0)
        steep = np.copysign(np.maximum(np.abs(cosine), STEEPEST), cosine)
        return np.asarray(free - direction * ((free * faced).sum(axis=0) / steep), np.float32)


def _finest_haze_px(lamp: Lamp, shot: Shot) -> float:
    """Return how far a lamp's haze may move in the picture before it is seen that it did.

    Its softest part is the edge of the beam, or that of its core. Rims of shadows, summed along the way to
    the lens, are finer, and so is the haze about a lamp that is seen.
    """
    soft_deg = lamp.edge_deg if lamp.core is None else min(lamp.edge_deg, 0.5 * lamp.core.beam_angle_deg)
    edge = _OF_EDGE * math.radians(soft_deg) / max(shot.camera.tangent_per_px)
    fine = in_front(lamp, shot) or (lamp.shadow is not None and lamp.shadow.in_water)
    return min(edge, _FINE_PX) if fine else edge


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
    # More rows on each side, as far as there are any.
    top, end = max(region.y - NORMAL_REACH, whole.y), min(region.y_end + NORMAL_REACH, whole.y_end)
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
        "sees them: their unseen backs are taken to be round; shadows = false in its table under light.lamps "
        "turns them off",
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
