"""What an operator may know of the frame it works on, beside the pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.random import stream_key
from halocline.graph.sea import Sea
from halocline.imaging.camera import Camera
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.imaging.motion import MotionVectors
from halocline.imaging.sun_depth import SunView
from halocline.late_dataclass import dataclass
from halocline.physics.path.lamps import Lamp
from halocline.physics.path.transport import LightPath, abeam
from halocline.rgb import RGBSpace

if TYPE_CHECKING:
    from halocline.physics.floating.turbid_sight import BodiesBefore
    from halocline.physics.floating.turbid_view import BodiesInLight


@dataclass(frozen=True)
class Shot:
    """One frame's surroundings: camera, water and light, time, seed.

    Attributes
    ----------
    frame, fps
        Frame number and rate; time is their quotient, so every frame knows its own time alone.
    track
        The camera at this frame and its neighbours.
    path
        The water and light around the camera; see `halocline.physics.path.transport.LightPath`.
    sea_level_m
        Height of the surface along ``path.up``, world metres.
    space
        Working colour space of ``rgb``.
    seed
        The sequence's seed for everything random.
    step
        Name of the step that is being prepared; see `step_seed`. Empty where there is none.
    display_window, data_window
        Windows of the frame. Regions and tiles are in the same pixel coordinates.
    shutter_deg
        Shutter angle; 180 is half the frame's time.
    lamps
        Lamps where they are on this frame.
    sea
        The waves over it.
    surfaces
        The render itself, for steps that must know what stands elsewhere in the picture.
    rig
        The camera in the middle of two eyes, which what rides on the camera is fixed to; None for one eye.
    sun_view
        What the sun sees, where a depth picture from there is given; else what ``surfaces`` shows casts.
    shadows, subject_shaded
        Whether things shade the water and what floats in it; and whether the subject too.
    motion
        How the render's motion vectors are to be read; None where it is not said.
    shadow_softness
        How soft shadows are, over what is physical.
    bodies
        Bodies of turbid water, which keep light from all else.
    hiding
        By the name of a step, bodies that an earlier one lays over the picture that it gets: they hide what
        it draws beyond them.
    samples_face
        Whether pixels are samples of a deep picture, of each of which it is known which way it faces: what
        is beside one in the picture then tells nothing of it.
    draft
        Whether a first look will do: light is followed along fewer rays (`samples`), and less is drawn of
        what is small.
    """

    frame: int
    fps: float
    track: CameraTrack
    path: LightPath
    sea_level_m: float
    space: RGBSpace
    seed: int
    display_window: Window
    data_window: Window
    shutter_deg: float = 180.0
    lamps: tuple[Lamp, ...] = ()
    sea: Sea = field(default_factory=Sea)
    surfaces: Frame | None = None
    step: str = ""
    rig: Camera | None = None
    sun_view: SunView | None = None
    shadows: bool = True
    subject_shaded: bool = False
    shadow_softness: float = 1.0
    motion: MotionVectors | None = None
    bodies: tuple[BodiesInLight, ...] = ()
    hiding: Mapping[str, tuple[BodiesBefore, ...]] = field(default_factory=dict)
    samples_face: bool = False
    draft: bool = False

    @property
    def camera(self) -> Camera:
        """The camera in the middle of the shutter: that of the frame itself."""
        return self.track.at(self.frame)

    @property
    def time_s(self) -> float:
        """Seconds since frame 0."""
        return self.frame / self.fps

    def step_seed(self, operator: str) -> int:
        """Return the seed for what the step draws for itself, so that two steps of one operator differ.

        What belongs to the water as a whole (its waves, its eddies) is drawn by ``seed`` and is the same for
        all steps. A step that is called as its ``operator`` is, draws by ``seed`` itself.

        Parameters
        ----------
        operator
            Name of the operator.

        Returns
        -------
        int
            A seed for `halocline.compute.random.stream_key`.
        """
        return self.seed if self.step in ("", operator) else stream_key(self.seed, "step", self.step)

    def samples(self, number: int) -> int:
        """Return along how many rays, steps or points light is followed.

        Parameters
        ----------
        number
            Of a finished look.

        Returns
        -------
        int
            The number itself; of a draft a third of it, at least 1.
        """
        return max(1, number // 3) if self.draft else number

    def shutter(self) -> tuple[float, float]:
        """Return the frame numbers, with fractions, at which the shutter opens and closes.

        Returns
        -------
        tuple[float, float]
            Half of the opening before ``frame`` and half after it.
        """
        half = self.shutter_deg / 720.0
        return self.frame - half, self.frame + half

    def level_view(self) -> F64:
        """Return the level direction the camera faces, unit, ``(3,)``; its own axis if that is upright.

        A panorama faces none: the one with the sun to its side stands for all.

        Returns
        -------
        F64
            Unit vector, world.
        """
        if self.camera.globe is not None:
            return abeam(self.path)
        axis: F64 = -self.camera.rotation[:, 2]
        level: F64 = axis - (axis @ self.path.up) * self.path.up
        length = float(np.linalg.norm(level))
        return level / length if length > 1e-6 else axis

    def depth_below_surface_m(self, points_m: F64) -> F64:
        """Return the depth of world points ``(..., 3)`` below the sea surface, positive down.

        Parameters
        ----------
        points_m
            World metres, ``(..., 3)``.

        Returns
        -------
        F64
            Metres, ``(...)``; negative above the surface.
        """
        depth: F64 = self.sea_level_m - np.asarray(points_m) @ self.path.up
        return depth

    def view_plane(self, name: str, region: Window, *, every: int = 1) -> F32:
        """Return a plane made from the camera: ``downward`` is mu, ``sun_cosine`` view dot sun's travel.

        Only every so many of the region's columns and rows, where that is asked for.

        Parameters
        ----------
        name
            ``downward`` or ``sun_cosine``.
        region
            Pixels of the picture.
        every
            Step between the columns and rows that are made.

        Returns
        -------
        F32
            ``(rows, columns)``, over every so many pixels of the region.
        """
        axis = -self.path.up if name == "downward" else self.path.sun_travel
        return self.camera.component(region, axis, every=every)
