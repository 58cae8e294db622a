"""Cameras over time: what the lens did just before and after a frame."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from halocline._typing import F64
from halocline.errors import CameraError
from halocline.imaging.camera import Camera
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class CameraTrack:
    """Cameras at frames, interpolated between and extrapolated past them.

    Attributes
    ----------
    cameras
        At least one camera by frame number, whole or between. To give the same bits in any chunk, fill it
        with a frame, its two neighbours and what is known between those, whatever else is at hand.
    """

    cameras: Mapping[float, Camera]

    def __post_init__(self) -> None:
        if not self.cameras:
            raise CameraError(
                "a camera track without a camera",
                code="E-CAMERA-TRACK",
                fix="Give at least one frame's camera.",
            )

    def at(self, frame: float) -> Camera:
        """Return the camera at a frame, whole or between.

        Position and lens move linearly, rotation along the shortest arc. Beyond the last camera its last
        motion goes on; a single camera stands still.

        Parameters
        ----------
        frame
            Frame number, any real number.

        Returns
        -------
        The camera there; the very one that was given, where one was given for that time.
        """
        if frame in self.cameras:
            return self.cameras[frame]
        known = sorted(self.cameras)
        if len(known) == 1:
            return self.cameras[known[0]]
        after = min(max(1, int(np.searchsorted(known, frame))), len(known) - 1)
        first, last = known[after - 1], known[after]
        return blend(self.cameras[first], self.cameras[last], (frame - first) / (last - first))


def blend(first: Camera, last: Camera, share: float) -> Camera:
    """Return the camera a share of the way from one to another.

    Parameters
    ----------
    first, last
        Two cameras.
    share
        0 is the first, 1 the last; beyond, the motion goes on.

    Returns
    -------
    Camera
        Place and lens on the straight way, turned along the shortest arc.
    """
    return replace(
        first,
        rotation=turn_between(first.rotation, last.rotation, share),
        position_m=first.position_m + share * (last.position_m - first.position_m),
        tangent_per_px=_mix(first.tangent_per_px, last.tangent_per_px, share),
        centre_px=_mix(first.centre_px, last.centre_px, share),
        focal_length_mm=first.focal_length_mm + share * (last.focal_length_mm - first.focal_length_mm),
    )


def _mix(first: tuple[float, float], last: tuple[float, float], share: float) -> tuple[float, float]:
    return first[0] + share * (last[0] - first[0]), first[1] + share * (last[1] - first[1])


def turn_between(first: F64, last: F64, share: float) -> F64:
    """Return the axes a share of the shortest way from one set of axes to another, ``(3, 3)``.

    Parameters
    ----------
    first, last
        Rotation matrices.
    share
        0 is the first, 1 the last; beyond, the turn goes on.

    Returns
    -------
    F64
        A rotation matrix.
    """
    turn = _quaternion(first.T @ last)
    sine = float(np.linalg.norm(turn[1:]))
    if sine == 0.0:
        return first.copy()
    half = math.atan2(sine, turn[0])
    x, y, z = turn[1:] * (math.sin(share * half) / sine)
    w = math.cos(share * half)
    between: F64 = first @ np.array(
        [
            [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)],
            [2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)],
            [2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)],
        ]
    )
    return between


def _quaternion(turn: F64) -> F64:
    """Return a rotation matrix as a quaternion of length 1, ``(w, x, y, z)``, w at least 0.

    By the largest of the trace and the diagonal, so that nothing is divided by what is small (Shepperd 1978,
    from memory). SciPy has the same, and takes longer to import than a camera takes to read.
    """
    (a, b, c), (d, e, f), (g, h, i) = turn
    found = np.array(
        [
            [1.0 + a + e + i, h - f, c - g, d - b],
            [h - f, 1.0 + a - e - i, b + d, c + g],
            [c - g, b + d, 1.0 - a + e - i, f + h],
            [d - b, c + g, f + h, 1.0 - a - e + i],
        ]
    )
    row = found[np.argmax(np.diagonal(found))]
    length = np.linalg.norm(row)
    quaternion: F64 = row / (length if row[0] >= 0.0 else -length)
    return quaternion
