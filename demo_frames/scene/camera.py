"""The camera: where it stands in each frame, and its lens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

WIDTH, HEIGHT = 960, 540
FRAMES_PER_SECOND = 24
FIRST_FRAME, LAST_FRAME = 1001, 1024
FOCAL_LENGTH_MM = 20.0
FILM_WIDTH_MM = 24.96
FILM_HEIGHT_MM = FILM_WIDTH_MM * HEIGHT / WIDTH


@dataclass(frozen=True)
class Camera:
    """A pinhole camera: `position` in metres; `right`, `up` and `forward` are unit world directions."""

    position: F64
    right: F64
    up: F64
    forward: F64

    def world_to_camera(self) -> F64:
        """Return the 4x4 matrix, for row vectors, that OpenEXR's ``worldToCamera`` asks for.

        Camera space there is left-handed: x right, y up, +z the viewing direction.
        Source: OpenEXR 3.4, ImfStandardAttributes.h.
        """
        axes = np.column_stack([self.right, self.up, self.forward])
        matrix = np.eye(4)
        matrix[:3, :3] = axes
        matrix[3, :3] = -self.position @ axes
        return matrix

    def world_to_ndc(self) -> F64:
        """Return the 4x4 matrix, for row vectors, that OpenEXR's ``worldToNDC`` asks for.

        After division by w, (0, 0) is the upper left and (1, 1) the lower right corner of the picture; z runs
        from 0 at the near plane to 1 at infinity and is there to be discarded.
        """
        near = 0.1
        project = np.zeros((4, 4))
        project[0, 0] = FOCAL_LENGTH_MM / FILM_WIDTH_MM
        project[1, 1] = -FOCAL_LENGTH_MM / FILM_HEIGHT_MM
        project[2] = 0.5, 0.5, 1.0, 1.0
        project[3, 2] = -near
        return self.world_to_camera() @ project


def camera_at(frame: int) -> Camera:
    """Return the camera in one frame: a slow drift forward and to the right, past the anchor."""
    share = (frame - FIRST_FRAME) / (LAST_FRAME - FIRST_FRAME)
    position = np.array([-0.50, 1.16, 1.00]) * (1 - share) + np.array([-0.30, 1.12, 0.50]) * share
    # A diver's breath: a few millimetres up and down.
    position[1] += 0.012 * np.sin(2 * np.pi * share)
    target = np.array([0.42, 2.98, -11.0]) * (1 - share) + np.array([0.40, 2.94, -11.0]) * share
    forward = (target - position) / np.linalg.norm(target - position)
    level = np.cross(forward, np.array([0.0, 1.0, 0.0]))
    right = level / np.linalg.norm(level)
    return Camera(position, right, np.cross(right, forward), forward)
