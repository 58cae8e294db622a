"""Cameras over time: what the lens did just before and after a frame."""

from __future__ import annotations

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
    # scipy's transforms take long to import, and most jobs never ask for a time between frames.
    from scipy.spatial.transform import Rotation  # noqa: PLC0415

    turn = Rotation.from_matrix(first.T @ last).as_rotvec()
    between: F64 = first @ Rotation.from_rotvec(share * turn).as_matrix()
    return between
