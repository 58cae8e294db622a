"""The sun's light through the sea surface.

Horizontal coordinates x, y in metres, depth positive down. A surface is given by its slopes, the change of
its height per metre along x and along y. *Drift* is how far a ray under water moves sideways per metre of
depth, ``(2, ...)``: a beam straight down has none.

What is implemented:

- the sun's beam through a flat or a sloped surface: Snell's law, Fresnel's transmission
- how drift changes with slope, and how wide the sun's disc is under water
- the share of diffuse light under a clear sky (gernez2009)

What is seen looking up through the surface is in `halocline.physics.sea.sky`.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.bending.refraction import fresnel_reflectance

SUN_RADIUS_RAD = math.radians(0.267)  # mean angular radius of the sun's disc
_FACING_AWAY = 1e-4


@dataclass(frozen=True)
class SunBeam:
    """The sun's light on its way into the water.

    Attributes
    ----------
    zenith_rad
        Angle from the vertical in air, 0 to below pi/2.
    azimuth_rad
        Where the sun stands, from +x towards +y.
    index
        Refractive index of the water.
    """

    zenith_rad: float
    azimuth_rad: float
    index: float

    def __post_init__(self) -> None:
        if not (0.0 <= self.zenith_rad < 0.5 * math.pi and self.index > 1.0):
            raise PhysicsError(
                f"a sun {math.degrees(self.zenith_rad):g} deg from the zenith sends no light into water "
                f"of index {self.index:g}",
                code="E-SURFACE-SUN",
                fix="Put the sun above the horizon (zenith angle below 90 deg) and the index above 1.",
            )

    @property
    def travel(self) -> tuple[float, float, float]:
        """Unit direction of travel in air: x, y and down."""
        level = -math.sin(self.zenith_rad)
        return (
            level * math.cos(self.azimuth_rad),
            level * math.sin(self.azimuth_rad),
            math.cos(self.zenith_rad),
        )

    @cached_property
    def water_zenith_rad(self) -> float:
        """Angle from the vertical in still water: sin(air) = n sin(water). 45 deg gives 31.85 (n 1.34)."""
        return math.asin(math.sin(self.zenith_rad) / self.index)

    @cached_property
    def drift(self) -> F64:
        """Drift under a flat surface, ``(2,)``."""
        level = math.tan(self.water_zenith_rad)
        return np.array([-level * math.cos(self.azimuth_rad), -level * math.sin(self.azimuth_rad)])

    @property
    def slant(self) -> float:
        """Metres along the beam for each metre of depth, in still water."""
        return 1.0 / math.cos(self.water_zenith_rad)

    def turned(self, angle_rad: float) -> SunBeam:
        """Return the beam as seen from axes turned by an angle."""
        return SunBeam(self.zenith_rad, self.azimuth_rad - angle_rad, self.index)

    def drift_per_slope(self) -> F64:
        """Return d drift / d slope at a flat surface, ``(2, 2)``; sun overhead: (1 - 1/n) times unity."""
        step = 1e-4
        columns = []
        for axis in (0, 1):
            slopes = np.zeros((2, 2))
            slopes[axis] = step, -step
            moved = enter_water(slopes[0], slopes[1], self)[0]
            columns.append((moved[:, 0] - moved[:, 1]) / (2.0 * step))
        return np.stack(columns, axis=1)

    def disc_covariance(self) -> F64:
        """Return the covariance of drift over the sun's disc, ``(2, 2)``.

        The disc's image is an ellipse of half axes r cos(air) / (n cos^3(water)) along the sun's azimuth and
        r / (n cos(water)) across; an even disc of radius r has variance r^2/4 along each axis. Overhead,
        n 1.34: standard deviation 0.00174 per metre of depth, 0.0070 wide from edge to edge.
        """
        cos_water = math.cos(self.water_zenith_rad)
        along = SUN_RADIUS_RAD * math.cos(self.zenith_rad) / (self.index * cos_water**3)
        across = SUN_RADIUS_RAD / (self.index * cos_water)
        cos, sin = math.cos(self.azimuth_rad), math.sin(self.azimuth_rad)
        axes = np.array([[cos, -sin], [sin, cos]])
        covariance: F64 = axes @ np.diag([along**2 / 4.0, across**2 / 4.0]) @ axes.T
        return covariance


def enter_water(slope_x: F32, slope_y: F32, beam: SunBeam) -> tuple[F32, F32]:
    """Refract the sun's beam through a sloped surface.

    Parameters
    ----------
    slope_x, slope_y
        Slopes, any one shape.
    beam
        The sun, and the water's index.

    Returns
    -------
    drift
        ``(2, ...)``: sideways metres per metre of depth, in the type of the slopes. A facet that faces away
        from the sun is taken to be grazed by it, and given nothing to carry.
    power
        ``(...)``: what enters through each horizontal square metre, relative to a flat surface: what the
        facet catches of the beam, times Fresnel's transmission of unpolarised light.

    Notes
    -----
    Snell in vector form, t = r i - (cos_out - r cos_in) normal with r = 1/n. Worked value: sun overhead,
    n 1.34, slope 0.1 along x gives a drift of 0.02552 along x.
    """
    real = slope_x.dtype.type
    flat = math.cos(beam.zenith_rad)
    entering_flat = flat * (1.0 - float(fresnel_reflectance(flat, 1.0 / beam.index)))
    sun = (*beam.travel, 1.0 / beam.index, beam.index, 2.0 * beam.index / entering_flat, _FACING_AWAY, 1.0)
    drift = np.empty((2, *slope_x.shape), slope_x.dtype)
    power = np.empty(slope_x.shape, slope_x.dtype)
    _enter(
        slope_x.ravel(), slope_y.ravel(), tuple(real(v) for v in sun), drift.reshape(2, -1), power.reshape(-1)
    )
    return drift, power


@compiled
def _enter(slope_x: F32, slope_y: F32, sun: tuple[np.float32, ...], drift: F32, power: F32) -> None:
    ix, iy, iz, r, n, per_flat, least, one = sun
    for i in range(slope_x.size):
        sx, sy = slope_x[i], slope_y[i]
        # The facet's normal is (-sx, -sy, 1) / stretch.
        stretch = np.sqrt(sx * sx + sy * sy + one)
        cos_in = max((ix * sx + iy * sy + iz) / stretch, least)
        cos_out = np.sqrt(one + r * r * (cos_in * cos_in - one))
        bend = (cos_out - r * cos_in) / stretch
        down = bend + r * iz
        drift[0, i] = (bend * sx + r * ix) / down
        drift[1, i] = (bend * sy + r * iy) / down
        # 1 - (Rs + Rp)/2, written without a difference of nearly equal numbers.
        across, along = cos_in + n * cos_out, n * cos_in + cos_out
        passed = one / (across * across) + one / (along * along)
        caught = cos_in * cos_in * stretch if cos_in > least else one - one
        power[i] = passed * cos_out * caught * per_flat


# Share of diffuse light in the light on the sea under a clear sky by the sun's zenith angle, degrees.
# Printed along the top of Figure 8a of gernez2009, from a model of the sky; read in `jerlov` 0.22.
_CLEAR_ZENITH_DEG = (20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0)
_CLEAR_DIFFUSE = (0.21, 0.23, 0.25, 0.28, 0.34, 0.45, 0.70, 1.00)


def clear_sky_diffuse_share(zenith_rad: float) -> float:
    """Return the share of diffuse light on the sea under a clear sky, 0 to 1.

    Source: gernez2009, Figure 8a, interpolated; below 20 deg its first value.
    """
    return float(np.interp(math.degrees(zenith_rad), _CLEAR_ZENITH_DEG, _CLEAR_DIFFUSE))


def direct_sun_share(elevation_deg: float) -> float:
    """Return the share of a clear sky's light on the sea that comes straight from the sun, 0 to 1.

    The rest of `clear_sky_diffuse_share`: 0.735 for a sun at 45 degrees above the horizon, none at 0.

    Parameters
    ----------
    elevation_deg
        Height of the sun above the horizon, degrees, 0 to 90.

    Returns
    -------
    float
        0 to 1.
    """
    return 1.0 - clear_sky_diffuse_share(math.radians(90.0 - elevation_deg))
