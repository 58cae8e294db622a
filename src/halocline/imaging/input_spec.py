"""What a person says about the input; whatever is left out is found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from halocline.imaging.camera_metadata import CameraStatement
from halocline.imaging.depth import DepthSpec
from halocline.imaging.motion import MOTION_PASS, MotionVectors
from halocline.imaging.repair import Policy
from halocline.late_dataclass import dataclass

# What a render may tell of pixels that show two surfaces: names of passes, and of their planes.
FAR_DEPTH, NEAR_COVERAGE = "far_depth", "near_coverage"
SECOND_SURFACE = frozenset({FAR_DEPTH, NEAR_COVERAGE})


@dataclass(frozen=True)
class InputSpec:
    """What the user says about the input; whatever is left out is found by OpenEXR's conventions.

    Attributes
    ----------
    beauty
        Layer (or part) that holds R, G, B and A; empty for the usual ones.
    depth_channel
        Channel that holds depth; for positions, name their layer in ``position`` instead.
    far_depth
        Channel that holds the depth of what stands behind in pixels that show two surfaces.
    near_coverage
        Channel that holds the share of the pixel that its nearest surface takes.
    normal, position
        Layers with X, Y, Z (or R, G, B).
    mattes
        Channel by matte name; planes are called ``matte.NAME``. Channels called so need no entry.
    lights
        Layer by the name of a light; planes are called ``light.NAME``. Layers called so need no entry.
    passes
        Channel or layer by the name of a pass; planes are called ``pass.NAME``. Channels and layers called so
        need no entry.
    motion
        How motion vectors are to be read, where they are stated; their pass is called ``motion``.
    channels
        Channel by plane name: further planes to load.
    depth, camera, cameras
        What the depth pass holds; the camera, for all views or by view.
    colour_space
        Name of the working space, where the file's metadata is missing or wrong.
    input_space
        Name of the space that the file's colours are in, where they are converted as they are read.
    premultiplied
        Whether colour is multiplied by alpha in the file.
    repair
        What to do with bad pixels; see `halocline.imaging.repair`.
    keep_glows
        Whether light where alpha is 0 is kept: it goes through the water before the nearest surface.
    fit_surfaces
        Whether a depth pass in coarse steps, without normals beside it, is fitted for the plane
        ``fitted_normal``; see `halocline.imaging.depth_steps`.
    separate_edges
        Whether pixels that mix two surfaces are taken apart; see `halocline.imaging.edge_mixture`.
    """

    beauty: str = ""
    depth_channel: str | None = None
    far_depth: str | None = None
    near_coverage: str | None = None
    normal: str | None = None
    position: str | None = None
    mattes: Mapping[str, str] = field(default_factory=dict)
    lights: Mapping[str, str] = field(default_factory=dict)
    passes: Mapping[str, str] = field(default_factory=dict)
    motion: MotionVectors | None = None
    channels: Mapping[str, str] = field(default_factory=dict)
    depth: DepthSpec = field(default_factory=DepthSpec)
    camera: CameraStatement = field(default_factory=CameraStatement)
    cameras: Mapping[str, CameraStatement] = field(default_factory=dict)
    colour_space: str | None = None
    input_space: str | None = None
    premultiplied: bool = True
    repair: Policy = "report"
    keep_glows: bool = True
    separate_edges: bool = True
    fit_surfaces: bool = False

    def camera_of(self, view: str) -> CameraStatement:
        """Return what is stated of a view's camera."""
        return self.cameras.get(view, self.camera)

    def channel_of(self, name: str) -> str:
        """Return the channel that a plane of one channel is read from, by what is stated or by its name."""
        told = {FAR_DEPTH: self.far_depth, NEAR_COVERAGE: self.near_coverage}
        return told.get(name) or self.channels.get(name, name)

    def key_of(self, name: str) -> str:
        """Return the preset key that says where the file has a plane; empty where its name alone tells.

        Motion vectors that are stated have a section of their own.
        """
        if name in SECOND_SURFACE:
            return f"input.{name}_channel"
        family, _, own = name.partition(".")
        if family != "pass":
            return ""
        return (
            "input.motion.layer" if own == MOTION_PASS and self.motion is not None else f"input.passes.{own}"
        )
