"""What bodies of turbid water leave of what floats beyond them, thing by thing.

Bodies are laid over the picture before what floats is drawn over it. A fleck within a cloud or behind it is
hidden by as much of the cloud as lies before it: where that leaves a share T of what is beyond, the fleck
covers T times what it would cover without the cloud. Of what it would hide, the part T a (P - R) is left too
much, where P is the picture with the clouds and R what the fleck stands before: nothing where that looks as
the clouds do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from halocline._typing import F64
from halocline.compute.made_once import MadeOnce
from halocline.late_dataclass import dataclass
from halocline.physics.floating.turbid_light import LightRays
from halocline.physics.floating.turbid_view import BodiesInLight, LightInBodies

# A wider view than this is six squares all round, which meet with some to spare.
_WIDE_RAD, _FACE_RAD = math.radians(60.0), math.radians(46.0)
# Rays across the picture, or across each square.
_RAYS = 120
# What is out of focus, or bent by a port, is seen from a little beside the picture.
_ASIDE = 1.1


@dataclass(frozen=True)
class BodiesBefore:
    """Bodies over which a step lays something.

    Attributes
    ----------
    bodies
        The bodies as they are seen.
    share
        Share of them that the picture has where things at world points ``(n, 3)`` are seen, ``(n,)``, 0 to 1;
        all of them where None.
    """

    bodies: BodiesInLight
    share: Callable[[F64], F64] | None = None


class SeenThrough:
    """What bodies leave of things beyond them, for one lens.

    Parameters
    ----------
    hiding
        The bodies.
    lens_m
        World metres, ``(3,)``.
    ahead
        The way it looks, unit, world axes, ``(3,)``.
    half_angle_rad
        The picture's farthest corner from there.
    """

    def __init__(
        self, hiding: Sequence[BodiesBefore], lens_m: F64, ahead: F64, half_angle_rad: float
    ) -> None:
        self._hiding = tuple(hiding)
        if half_angle_rad > _WIDE_RAD:
            axes = np.concatenate([np.eye(3), -np.eye(3)])
            self._looks = [LightRays.towards(lens_m, axis, _FACE_RAD, _RAYS) for axis in axes]
        else:
            self._looks = [LightRays.towards(lens_m, ahead, _ASIDE * half_angle_rad, _RAYS)]
        self._made = MadeOnce(self._seen)

    def left(self, points_m: F64) -> F64:
        """Return what of things at world points ``(n, 3)`` is seen, ``(n,)``, 0 to 1."""
        left = np.ones(len(points_m))
        offset = points_m - self._looks[0].from_m
        look = np.argmax(np.stack([offset @ each.axes[2] for each in self._looks]), axis=0)
        for number in np.unique(look):
            there = look == number
            for index, each in enumerate(self._hiding):
                seen = self._made.get(int(number) * len(self._hiding) + index)
                if seen is not None:
                    hidden = 1.0 - seen.left(points_m[there])
                    left[there] *= 1.0 - (
                        hidden if each.share is None else hidden * each.share(points_m[there])
                    )
        return left

    def _seen(self, key: int) -> LightInBodies | None:
        look, index = divmod(key, len(self._hiding))
        return self._hiding[index].bodies.before(self._looks[look])
