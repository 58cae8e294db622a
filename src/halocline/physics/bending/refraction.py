"""The refractive index of sea water, and how a ray bends where it changes.

What is implemented:

- index of sea water by temperature, salinity and wavelength (quan1995)
- density of sea water at the surface (millero1981), which drives internal waves
- refraction at a surface in vector form (Snell), total reflection, reflectance (Fresnel)
- bending through a layer whose index changes evenly with height (the eikonal equation in closed form)

Unless a docstring says otherwise the index is relative to air, as cameras meet it.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F64, AnyArray
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

# Air at 15 C, 1 atm and visible wavelengths relative to vacuum; its own dispersion is below 1e-5.
AIR_INDEX = 1.00027
# Where camera colour is read off as a single wavelength: dominant wavelengths of the Rec.709 primaries
# against D65 (colour-science 0.4.7), nm.
CHANNEL_WAVELENGTHS_NM = (611.0, 549.0, 464.0)


def sea_water_index(temperature_c: F64 | float, salinity: F64 | float, wavelength_nm: F64 | float) -> F64:
    """Return the refractive index of sea water at 1 atm, relative to air.

    n = n0 + (n1 + n2 T + n3 T^2) S + n4 T^2 + (n5 + n6 S + n7 T)/L + n8/L^2 + n9/L^3

    Parameters
    ----------
    temperature_c
        T, 0 to 30 degrees Celsius.
    salinity
        S, practical salinity (parts per thousand), 0 to 35.
    wavelength_nm
        L, 400 to 700 nm.

    Returns
    -------
    F64
        n, about 1.33 to 1.35, in the shape of the arguments, broadcast.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-INDEX`` where an argument leaves the range of the fit by more than rounding.

    Notes
    -----
    Source: quan1995, eq. 3; accuracy 1.5e-4 against austin1976. Worked value: 20 C, 35, 589.3 nm gives
    1.339406. Multiply by `AIR_INDEX` for the index relative to vacuum.
    """
    T = _within(temperature_c, 0.0, 30.0, "temperature", "degrees C")
    S = _within(salinity, 0.0, 35.0, "salinity", "parts per thousand")
    L = _within(wavelength_nm, 400.0, 700.0, "wavelength", "nm")
    index: F64 = (
        1.31405
        + (1.779e-4 - 1.05e-6 * T + 1.6e-8 * T**2) * S
        - 2.02e-6 * T**2
        + (15.868 + 0.01155 * S - 0.00423 * T) / L
        - 4382.0 / L**2
        + 1.1455e6 / L**3
    )
    return index


def sea_water_density(temperature_c: F64 | float, salinity: F64 | float) -> F64:
    """Return the density of sea water at 1 atm, kg/m3.

    Parameters
    ----------
    temperature_c
        T, 0 to 40 degrees Celsius.
    salinity
        S, practical salinity, 0 to 42.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-INDEX`` where an argument leaves the range of the fit.

    Notes
    -----
    Source: millero1981 (the international one-atmosphere equation of state of sea water, 1980), accuracy
    0.004 kg/m3. Its published check value: 5 C, 35 gives 1027.67547.
    """
    T = _within(temperature_c, 0.0, 40.0, "temperature", "degrees C")
    S = _within(salinity, 0.0, 42.0, "salinity", "parts per thousand")
    fresh = 999.842594 + T * (
        6.793952e-2 + T * (-9.095290e-3 + T * (1.001685e-4 + T * (-1.120083e-6 + T * 6.536332e-9)))
    )
    linear = 8.24493e-1 + T * (-4.0899e-3 + T * (7.6438e-5 + T * (-8.2467e-7 + T * 5.3875e-9)))
    curved = -5.72466e-3 + T * (1.0227e-4 - T * 1.6546e-6)
    density: F64 = fresh + linear * S + curved * S**1.5 + 4.8314e-4 * S**2
    return density


@dataclass(frozen=True)
class WaterMass:
    """Water of one temperature and salinity.

    Attributes
    ----------
    temperature_c
        Degrees Celsius, 0 to 30.
    salinity
        Practical salinity (parts per thousand), 0 to 35.
    """

    temperature_c: float
    salinity: float

    def index(self, wavelength_nm: float = 550.0) -> float:
        """Return the refractive index relative to air; see `sea_water_index`."""
        return float(sea_water_index(self.temperature_c, self.salinity, wavelength_nm))

    @property
    def density(self) -> float:
        """Density at 1 atm, kg/m3; see `sea_water_density`."""
        return float(sea_water_density(self.temperature_c, self.salinity))


def refract(direction: F64, normal: F64, index_ratio: F64 | float) -> tuple[F64, F64]:
    """Refract unit directions at a surface (Snell's law in vector form).

    Parameters
    ----------
    direction
        ``(3, ...)``, unit, along the ray's travel.
    normal
        ``(3, ...)``, unit, against the travel: ``direction . normal <= 0``.
    index_ratio
        Index of the medium the ray leaves divided by that of the medium it enters.

    Returns
    -------
    refracted
        ``(3, ...)``, unit. A totally reflected ray is returned grazing the surface.
    grazing
        Sine of the refracted ray's angle to the surface, 0 where it is totally reflected.

    Notes
    -----
    Worked value: 45 deg to the normal from water (1.34) into air leaves at 71.36 deg to the normal.
    """
    cos_in = -np.sum(direction * normal, axis=0)
    sin2_out = np.square(index_ratio) * (1.0 - np.square(cos_in))
    cos_out = np.sqrt(np.maximum(0.0, 1.0 - sin2_out))
    bent = index_ratio * direction + (index_ratio * cos_in - cos_out) * normal
    # Only a totally reflected ray is not of unit length yet.
    bent /= np.sqrt(np.sum(bent * bent, axis=0))
    return bent, cos_out


def fresnel_reflectance(cos_in: F64 | float, index_ratio: F64 | float) -> F64:
    """Return the share of unpolarised light that a sharp surface reflects, 0 to 1.

    Parameters
    ----------
    cos_in
        Cosine between the ray and the surface's normal, 0 to 1.
    index_ratio
        Index the ray leaves divided by the index it meets.

    Returns
    -------
    F64
        In the shape of the arguments, broadcast.

    Notes
    -----
    Worked value: normal incidence, 1.34 gives 0.0211. One beyond the angle of total reflection.
    """
    cos_in = np.asarray(cos_in, np.float64)
    sin2_out = np.square(index_ratio) * (1.0 - np.square(cos_in))
    cos_out = np.sqrt(np.maximum(0.0, 1.0 - sin2_out))
    with np.errstate(invalid="ignore"):
        across = (index_ratio * cos_in - cos_out) / (index_ratio * cos_in + cos_out)
        along = (cos_in - index_ratio * cos_out) / (cos_in + index_ratio * cos_out)
        share = 0.5 * (across * across + along * along)
    reflectance: F64 = np.where((sin2_out >= 1.0) | (cos_in <= 0.0), 1.0, share)
    return reflectance


def critical_grazing_angle(index_from: float, index_to: float) -> float:
    """Return the angle to the layer, radians, below which a ray is thrown back; 0 where none is.

    n cos(grazing angle) is constant through horizontal layers, so the ray turns where n falls to
    ``index_from cos(angle)``: for a small step that is sqrt(2 dn/n). It holds for a sharp surface and for a
    gradual layer alike.

    Notes
    -----
    Worked value: 1.34 to 1.34 - 4.4e-4 gives 0.02563 rad = 1.47 deg.
    """
    return math.acos(index_to / index_from) if index_to < index_from else 0.0


def lever_arm(range_m: AnyArray, enter_m: AnyArray, leave_m: AnyArray) -> AnyArray:
    """Return the angle by which a thing seems displaced, as a share of the bend beyond the layer, 0 to 1.

    The bend grows evenly between entering and leaving the layer, so the ray's offset from the straight line
    is a parabola inside it and straight beyond; seen from the lens it is the offset over the range.

    Parameters
    ----------
    range_m
        Range of the thing, metres, above 0 and finite, any shape, float32 or float64.
    enter_m, leave_m
        Where the ray enters and leaves the layer; inf where it never meets it.

    Returns
    -------
    AnyArray
        0 for what lies in front of the layer, rising without a kink, near 1 far beyond it; same type.

    Notes
    -----
    Exact to the second order in the bend. Worked value: 10 m, layer from 4 to 6 m: 0.5.
    """
    # inf - inf gives NaN where no layer is met; the maximum in front of 0 takes those out.
    with np.errstate(invalid="ignore"):
        thickness = np.fmax(leave_m - enter_m, 1e-6)
        inside = np.fmax(np.minimum(range_m, leave_m) - enter_m, 0.0)
    offset: AnyArray = inside * inside
    offset /= thickness
    offset *= 0.5
    offset += np.fmax(range_m - leave_m, 0.0)
    offset /= range_m
    return offset


def _within(value: F64 | float, low: float, high: float, name: str, unit: str) -> F64:
    numbers = np.asarray(value, np.float64)
    slack = 1e-9 * (high - low)
    if not ((numbers >= low - slack) & (numbers <= high + slack)).all():
        worst = numbers.flat[int(np.argmax(np.abs(numbers - 0.5 * (low + high))))]
        raise PhysicsError(
            f"{name} {worst:g} {unit} lies outside the {low:g} to {high:g} that sea water was measured over",
            code="E-PHYSICS-INDEX",
            fix=f"Give a {name} from {low:g} to {high:g} {unit}.",
        )
    return numbers
