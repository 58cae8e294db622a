"""What a lens and a shutter make of a small thing: its blur disc, the disc's shape, its streak.

The lens is thin: a point that is out of focus becomes an image of the lens opening, of even brightness, which
has as many sides as the iris has blades and is clipped towards the corners by the barrel (cat's eye).
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

# A pixel's own filter as a radius, in pixels: the smallest footprint. Smaller ones twinkle as a point moves
# from the centre of a pixel to its edge, larger ones are soft.
PIXEL_RADIUS_PX = 0.85


@dataclass(frozen=True)
class ThinLens:
    """A thin lens.

    Attributes
    ----------
    focal_length_m
        f. Behind a flat port in water the effective focal length is about 1.33 times that in air.
    f_number
        N = f / A; infinite is a pinhole.
    focus_m
        Distance of the sharp plane from the lens, above the focal length.
    px_per_m
        Pixels a metre of film.
    blades
        Sides of the iris, 0 (round) or 3 and more.
    blade_angle_rad
        Turn of the iris.
    cats_eye
        Clipping by the barrel at ``corner_px``, 0 (none) to 1 (half the disc's width).
    corner_px
        Distance from the optical axis to the corner of the picture.
    """

    focal_length_m: float
    f_number: float
    focus_m: float
    px_per_m: float
    blades: int = 0
    blade_angle_rad: float = 0.0
    cats_eye: float = 0.0
    corner_px: float = 1.0

    def __post_init__(self) -> None:
        if not (self.f_number > 0.0 and self.px_per_m > 0.0 and 0.0 < self.focal_length_m < self.focus_m):
            raise PhysicsError(
                f"a lens of {1000.0 * self.focal_length_m:g} mm at f/{self.f_number:g} cannot focus at "
                f"{self.focus_m:g} m",
                code="E-PHYSICS-LENS",
                fix="The focus distance must be longer than the focal length, the f-number above 0.",
            )
        if not (self.blades == 0 or self.blades >= 3) or not 0.0 <= self.cats_eye <= 1.0:
            raise PhysicsError(
                f"an iris of {self.blades} blades with a cat's eye of {self.cats_eye:g} is impossible",
                code="E-PHYSICS-LENS",
                fix="Give 0 blades (round) or 3 and more, and a cat's eye of 0 to 1.",
            )

    @property
    def aperture_m(self) -> float:
        """Diameter A of the lens opening, metres."""
        return self.focal_length_m / self.f_number

    def blur_radius_px(self, depth_m: F64) -> F64:
        """Return the radius of the blur disc for planar depths ``(n,)``, pixels."""
        diameter = circle_of_confusion(
            depth_m, focal_length_m=self.focal_length_m, f_number=self.f_number, focus_m=self.focus_m
        )
        return np.asarray(0.5 * self.px_per_m * diameter)

    def squeeze_px(self, offset_px: F64, depth_m: F64, radius_px: F64) -> F64:
        """Return how far the second edge of the cat's eye is shifted, ``(n, 2)`` pixels.

        The barrel cuts the disc on one side; things in front of the focus have theirs turned over.

        Parameters
        ----------
        offset_px
            ``(n, 2)`` from the optical axis.
        depth_m, radius_px
            ``(n,)`` planar depth and blur radius.
        """
        side = np.where(depth_m < self.focus_m, 1.0, -1.0)
        return np.asarray(offset_px * (self.cats_eye / self.corner_px * side * radius_px)[:, None])


def circle_of_confusion(depth_m: F64, *, focal_length_m: float, f_number: float, focus_m: float) -> F64:
    """Return the diameter of the blur disc on the film, metres.

    C = A f |s - sf| / (s (sf - f)),  A = f / N

    Parameters
    ----------
    depth_m
        s, distance of the thing from the lens along its axis, above 0, ``(n,)``; may be infinite.
    focal_length_m, f_number, focus_m
        f, N, sf.

    Notes
    -----
    Worked value: f 50 mm, N 2.8, sf 3 m, s 1 m gives 0.605 mm.
    """
    opening = focal_length_m / f_number
    # |s - sf| / s = |1 - sf / s|, which is also right at infinity.
    away = np.abs(1.0 - focus_m / np.asarray(depth_m, np.float64))
    return np.asarray(opening * focal_length_m * away / (focus_m - focal_length_m))


def footprint(thing_radius_px: F64, blur_radius_px: F64) -> tuple[F64, F64]:
    """Return radius and softness of a disc seen through a blur disc and the pixel's filter, pixels.

    A disc of radius A convolved with one of radius B < A is flat to A - B and ends at A + B: its edge lies
    at A and ramps over A - B to A + B. The pixel's filter widens both.

    Parameters
    ----------
    thing_radius_px
        A, pixels, 0 or more.
    blur_radius_px
        B, pixels, 0 or more, in a shape that broadcasts with the other.

    Returns
    -------
    radius_px, softness_px
        Middle and half width of the edge's ramp; softness is never above radius.
    """
    large = np.maximum(thing_radius_px, blur_radius_px)
    small = np.minimum(thing_radius_px, blur_radius_px)
    return np.hypot(large, PIXEL_RADIUS_PX), np.hypot(small, PIXEL_RADIUS_PX)


def iris_apothem(blades: int) -> float:
    """Return the distance of an iris's sides from its middle if its area is that of a circle of radius 1.

    Worked value: 6 blades, 0.952313.
    """
    return math.sqrt(math.pi / (blades * math.tan(math.pi / blades)))
