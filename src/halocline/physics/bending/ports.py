"""What the window of an underwater housing does to the picture: flat ports and domes.

Rays are followed backwards, from the lens's entrance pupil through air and glass into the water. Coordinates
are the camera's with z forward: x right, y up, metres, the pupil at the origin. A *tangent* is x/z or y/z.

A render is a pinhole picture in water; a port's picture of the same place is made by finding, for each pixel
of the lens in air, the point in the water that it shows, and where the pinhole saw that point.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np

from halocline._typing import F64
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.bending.refraction import WaterMass, refract

# Spread (standard deviation, nm) of the light that one colour channel of a camera collects about its middle
# wavelength; camera filters are 60 to 100 nm wide (common practice, no source).
CHANNEL_SPREAD_NM = 30.0
# No port is so large that rays 85 degrees off the axis meet it.
WIDEST_TANGENT = math.tan(math.radians(85.0))


@dataclass(frozen=True)
class Glass:
    """A port's material: n^2 = 1 + sum of B L^2/(L^2 - C), L in micrometres (Sellmeier's form)."""

    name: str
    terms: tuple[tuple[float, float], ...]

    def index(self, wavelength_nm: float) -> float:
        """Return the refractive index relative to air."""
        L2 = (wavelength_nm * 1e-3) ** 2
        return math.sqrt(1.0 + sum(B * L2 / (L2 - C) for B, C in self.terms))


# Borosilicate crown, schott2017: 587.6 nm gives 1.51680.
CROWN_GLASS = Glass(
    "glass", ((1.03961212, 0.00600069867), (0.231792344, 0.0200179144), (1.01046945, 103.560653))
)
# Acrylic (PMMA), sultanova2009: 587.6 nm gives 1.4914.
ACRYLIC = Glass("acrylic", ((1.1819, 0.011313),))
GLASSES = {glass.name: glass for glass in (CROWN_GLASS, ACRYLIC)}


class Port(Protocol):
    """What flat ports and domes have in common."""

    @property
    def axis_magnification(self) -> float:
        """How much larger than in a pinhole of the same lens a distant thing on the axis looks."""

    def trace(self, tangent_x: F64, tangent_y: F64, wavelength_nm: float) -> tuple[F64, F64]:
        """Follow rays that leave the pupil in air.

        Returns
        -------
        Where they enter the water ``(3, ...)``, metres, and their unit direction there ``(3, ...)``.
        """

    def softness(self, tangent_x: F64, tangent_y: F64, *, aperture_m: float, focus_m: float) -> F64:
        """Return the r.m.s. angle (tangent) by which the port defocuses a subject at the focus distance."""


@dataclass(frozen=True)
class FlatPort:
    """A plane window square to the lens.

    Attributes
    ----------
    pupil_distance_m
        Air between the entrance pupil and the glass.
    glass_thickness_m
        Of the window.
    water
        Outside.
    glass
        Its material.
    """

    pupil_distance_m: float
    glass_thickness_m: float
    water: WaterMass
    glass: Glass = CROWN_GLASS

    def __post_init__(self) -> None:
        if self.pupil_distance_m < 0 or self.glass_thickness_m < 0:
            raise PhysicsError(
                f"a port {self.pupil_distance_m:g} m off and {self.glass_thickness_m:g} m thick cannot be",
                code="E-PHYSICS-PORT",
                fix="Give lengths of 0 or more.",
            )

    @property
    def axis_magnification(self) -> float:
        """Index of the water: the 4/3 of every diver's mask."""
        return self.water.index(549.0)

    def trace(self, tangent_x: F64, tangent_y: F64, wavelength_nm: float) -> tuple[F64, F64]:
        """See `Port`. Exact: n sin(angle) is the same in air, glass and water."""
        radius = np.hypot(tangent_x, tangent_y)
        sin_air = radius / np.sqrt(1.0 + radius * radius)
        tan_glass = _tangent(sin_air / self.glass.index(wavelength_nm))
        sin_water = sin_air / self.water.index(wavelength_nm)
        # Direction across the axis; on the axis any will do, for it is multiplied by 0.
        unit_x = np.divide(tangent_x, radius, out=np.ones_like(radius), where=radius > 0)
        unit_y = np.divide(tangent_y, radius, out=np.zeros_like(radius), where=radius > 0)
        off = self.pupil_distance_m * radius + self.glass_thickness_m * tan_glass
        depth = np.full_like(radius, self.pupil_distance_m + self.glass_thickness_m)
        place = np.stack([off * unit_x, off * unit_y, depth])
        forward = np.sqrt(1.0 - sin_water * sin_water)
        return place, np.stack([sin_water * unit_x, sin_water * unit_y, forward])

    def softness(self, tangent_x: F64, tangent_y: F64, *, aperture_m: float, focus_m: float) -> F64:
        """See `Port`: a plane surface shows an oblique subject at two distances at once (astigmatism).

        Source: Coddington's equations for a plane surface, born1999 section 4.6; the glass is left out.
        """
        radius = np.hypot(tangent_x, tangent_y)
        n = self.water.index(549.0)
        cos_air = 1.0 / np.sqrt(1.0 + radius * radius)
        cos_water = np.sqrt(1.0 - (1.0 - cos_air * cos_air) / (n * n))
        in_air = self.pupil_distance_m / cos_air
        in_water = max(focus_m - self.pupil_distance_m, 1e-3) / cos_water
        across = 1.0 / (in_air + in_water / n)
        along = 1.0 / (in_air + in_water * cos_air**2 / (n * cos_water**2))
        # The lens is focused on a plane square to it.
        focused = cos_air / (self.pupil_distance_m + in_water * cos_water / n)
        mean_square = 0.5 * (np.square(across - focused) + np.square(along - focused))
        return _blur_tangent(np.sqrt(mean_square), aperture_m)


@dataclass(frozen=True)
class DomePort:
    """A spherical window; both of its surfaces have the same centre.

    Attributes
    ----------
    radius_m
        Of the outer surface.
    glass_thickness_m
        Of the window.
    water
        Outside.
    glass
        Its material.
    decentre_m
        Where the entrance pupil lies relative to the dome's centre: right, up, forward.
    """

    radius_m: float
    glass_thickness_m: float
    water: WaterMass
    glass: Glass = ACRYLIC
    decentre_m: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        inner = self.radius_m - self.glass_thickness_m
        if not (self.glass_thickness_m >= 0 and inner > 0):
            raise PhysicsError(
                f"a dome of {self.radius_m:g} m with {self.glass_thickness_m:g} m of glass is impossible",
                code="E-PHYSICS-PORT",
                fix="The glass must be thinner than the radius, and not negative.",
            )
        if math.hypot(*self.decentre_m) >= inner:
            raise PhysicsError(
                f"the pupil lies {math.hypot(*self.decentre_m):g} m from the centre, outside the dome",
                code="E-PHYSICS-PORT",
                fix=f"Keep the decentring well below the inner radius, {inner:g} m.",
            )

    @property
    def axis_magnification(self) -> float:
        """1: rays from the centre cross the dome unbent."""
        return 1.0

    def trace(self, tangent_x: F64, tangent_y: F64, wavelength_nm: float) -> tuple[F64, F64]:
        """See `Port`. Exact vector refraction at both surfaces."""
        direction = np.stack([tangent_x, tangent_y, np.ones_like(tangent_x)])
        direction /= np.sqrt(np.sum(direction * direction, axis=0))
        centre = -np.array(self.decentre_m)
        n_glass, n_water = self.glass.index(wavelength_nm), self.water.index(wavelength_nm)
        place = np.zeros_like(direction)
        inner = self.radius_m - self.glass_thickness_m
        for radius, ratio in ((inner, 1.0 / n_glass), (self.radius_m, n_glass / n_water)):
            place = _meet_sphere(place, direction, centre, radius)
            inward = -(place - _shaped(centre, place)) / radius
            direction, _ = refract(direction, inward, ratio)
        return place, direction

    def virtual_distance(self, subject_m: F64 | float, wavelength_nm: float = 549.0) -> F64:
        """Return how far in front of the inner surface a subject seems to lie, metres.

        Parameters
        ----------
        subject_m
            Distance of the subject from the outer surface, metres, above 0, may be inf.
        wavelength_nm
            400 to 700.

        Notes
        -----
        Two spherical surfaces in turn (born1999 section 4.4). With thin glass it is
        1/((n - 1)/R + n/p): 0.1 m and n = 4/3 give 0.3 m for a subject at infinity, 3 radii.
        """
        n_glass, n_water = self.glass.index(wavelength_nm), self.water.index(wavelength_nm)
        vergence = -n_water / np.asarray(subject_m, np.float64) + (n_glass - n_water) / self.radius_m
        vergence = vergence / (1.0 - self.glass_thickness_m / n_glass * vergence)
        vergence = vergence + (1.0 - n_glass) / (self.radius_m - self.glass_thickness_m)
        distance: F64 = -1.0 / vergence
        return distance

    def softness(self, tangent_x: F64, tangent_y: F64, *, aperture_m: float, focus_m: float) -> F64:
        """See `Port`: the virtual image of a plane is a bowl, the lens is focused on a plane.

        The subject lies on the plane that the lens is focused on at the axis.
        """
        inner = self.radius_m - self.glass_thickness_m
        cosine = 1.0 / np.sqrt(1.0 + np.square(tangent_x) + np.square(tangent_y))
        beyond = np.maximum(focus_m / cosine - self.radius_m, 1e-3)
        seen = inner + self.virtual_distance(beyond)
        axis = inner + self.virtual_distance(max(focus_m - self.radius_m, 1e-3))
        return _blur_tangent(np.abs(1.0 / seen - cosine / axis), aperture_m)


def pinhole_tangents(
    port: Port, tangent_x: F64, tangent_y: F64, *, wavelength_nm: float, subject_m: float
) -> tuple[F64, F64]:
    """Return where a pinhole at the pupil, in water, sees what the lens behind the port sees.

    Parameters
    ----------
    port
        The port.
    tangent_x, tangent_y
        The lens's view tangents in air, any shape.
    wavelength_nm
        400 to 700.
    subject_m
        Planar distance of the subject from the pupil, metres; may be inf. A flat port has no single
        viewpoint: things much nearer than this are displaced a little differently in truth.

    Returns
    -------
    tuple[F64, F64]
        Tangents in water across and up, in the shape of ``tangent_x``.

    Notes
    -----
    Worked value: flat port with no air or glass, n = 1.34 throughout, tan 27.278 deg gives tan 20 deg.
    """
    place, direction = port.trace(tangent_x, tangent_y, wavelength_nm)
    if math.isinf(subject_m):
        return direction[0] / direction[2], direction[1] / direction[2]
    further = (subject_m - place[2]) / direction[2]
    x = place[0] + further * direction[0]
    y = place[1] + further * direction[1]
    return x / subject_m, y / subject_m


def lens_tangents(
    port: Port, water_x: F64, water_y: F64, *, wavelength_nm: float, subject_m: float
) -> tuple[F64, F64]:
    """Return the view tangents in air that show a pinhole's view tangents in water: the inverse.

    Newton's method with the derivative taken numerically; each step is limited so that wide angles converge.

    Parameters
    ----------
    port
        The port.
    water_x, water_y
        View tangents of the pinhole in water, any one shape.
    wavelength_nm
        400 to 700.
    subject_m
        Planar distance of the subject from the pupil, metres; may be inf.

    Returns
    -------
    tuple[F64, F64]
        Tangents in air across and up, in the shape of ``water_x``, to 1e-9.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-PORT`` where a view is so wide that no ray reaches it through the port.
    """
    scale = port.axis_magnification
    x, y = water_x * scale, water_y * scale
    error = np.inf
    for _ in range(40):
        miss_x, miss_y, jacobian = _newton(port, x, y, water_x, water_y, wavelength_nm, subject_m)
        error = float(max(np.abs(miss_x).max(initial=0.0), np.abs(miss_y).max(initial=0.0)))
        if error < 1e-9:
            if float(np.hypot(x, y).max()) > WIDEST_TANGENT:
                break
            return x, y
        (a, b), (c, d) = jacobian
        determinant = a * d - b * c
        # Flat beyond the widest ray: no way back.
        if not (np.abs(determinant) > 1e-12).all():
            break
        limit = 0.5 + 0.5 * np.hypot(x, y)
        x = x - np.clip((d * miss_x - b * miss_y) / determinant, -limit, limit)
        y = y - np.clip((a * miss_y - c * miss_x) / determinant, -limit, limit)
    raise PhysicsError(
        f"a view of {math.degrees(math.atan(float(np.hypot(water_x, water_y).max()))):.1f} degrees from the "
        "axis in water cannot be seen through this port",
        code="E-PHYSICS-PORT",
        fix="Flat ports show no more than 48 degrees from the axis; use a longer lens or a dome.",
    )


def _newton(
    port: Port, x: F64, y: F64, water_x: F64, water_y: F64, wavelength_nm: float, subject_m: float
) -> tuple[F64, F64, tuple[tuple[F64, F64], tuple[F64, F64]]]:
    """Return how far a guess misses, and the derivative of where it leads."""
    nudge = 1e-6

    def leads(at_x: F64, at_y: F64) -> tuple[F64, F64]:
        return pinhole_tangents(port, at_x, at_y, wavelength_nm=wavelength_nm, subject_m=subject_m)

    here_x, here_y = leads(x, y)
    right_x, right_y = leads(x + nudge, y)
    up_x, up_y = leads(x, y + nudge)
    jacobian = (
        ((right_x - here_x) / nudge, (up_x - here_x) / nudge),
        ((right_y - here_y) / nudge, (up_y - here_y) / nudge),
    )
    return here_x - water_x, here_y - water_y, jacobian


def colour_smear(
    port: Port, tangent_x: F64, tangent_y: F64, *, wavelength_nm: float, subject_m: float
) -> F64:
    """Return the r.m.s. smear (tangent, in the pinhole's picture) of one colour channel by dispersion.

    A channel collects light within `CHANNEL_SPREAD_NM` of its middle, and each wavelength lands elsewhere.

    Parameters
    ----------
    port
        The port.
    tangent_x, tangent_y
        The lens's view tangents in air, any one shape.
    wavelength_nm
        Middle of the channel, nm; 400 to 700.
    subject_m
        Planar distance of the subject from the pupil, metres.

    Returns
    -------
    F64
        Tangents, in the shape of ``tangent_x``.
    """
    low, high = max(400.0, wavelength_nm - 10.0), min(700.0, wavelength_nm + 10.0)
    ends = [
        pinhole_tangents(port, tangent_x, tangent_y, wavelength_nm=nm, subject_m=subject_m)
        for nm in (low, high)
    ]
    per_nm = np.hypot(ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]) / (high - low)
    smear: F64 = per_nm * CHANNEL_SPREAD_NM
    return smear


def _blur_tangent(vergence: F64, aperture_m: float) -> F64:
    """Return the r.m.s. radius per axis of the disc that a defocus (1/m) makes through a round aperture."""
    blur: F64 = 0.25 * aperture_m * vergence
    return blur


def _tangent(sine: F64) -> F64:
    tangent: F64 = sine / np.sqrt(1.0 - sine * sine)
    return tangent


def _meet_sphere(place: F64, direction: F64, centre: F64, radius: float) -> F64:
    """Return where rays from inside a sphere leave it."""
    offset = place - _shaped(centre, place)
    along = np.sum(offset * direction, axis=0)
    rest = np.sum(offset * offset, axis=0) - radius * radius
    met: F64 = place + (np.sqrt(along * along - rest) - along) * direction
    return met


def _shaped(vector: F64, like: F64) -> F64:
    return vector.reshape((3,) + (1,) * (like.ndim - 1))
