"""A lamp's beam: how much light it sends at each angle off its axis.

Two numbers of lighting practice tell the core: the *beam angle*, between the two directions in which the lamp
has half of its largest intensity (the full width at half maximum), and the *field angle*, between those in
which it has a tenth. A reflector's open rim spills a little light of its own over a wide cone with an edge.
A lamp without a core shines evenly over that cone.

Intensity (candela, or per band) over that on the axis, theta the angle off the axis:

    core   I = exp(-a theta^p)                          a and p from the two angles
    spill  I = 1 in the cone, a smooth step over its edge

Angles in radians here, degrees where the name says so. What lamps share with loops over pixels is a table:
intensity by x = 2 sin(theta / 2), which is the angle for small ones and needs no arc cosine.
"""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F32, F64
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

# Below this share of the axial intensity a core is dark: it must end somewhere.
DARKEST = 1e-3
# Steps of the table; a straight line between them is within 1e-4 of the axial intensity.
STEPS = 1024
HALF, TENTH = 0.5, 0.1
# Field over beam angle of a Gaussian: sqrt(ln 10 / ln 2).
GAUSSIAN_FIELD = math.sqrt(math.log(10.0) / math.log(2.0))


@dataclass(frozen=True)
class Core:
    """The core of a beam, by the angles of the whole lamp.

    Attributes
    ----------
    beam_angle_deg
        Full angle between half intensities, degrees, above 0.
    field_angle_deg
        Full angle between tenths, degrees, above the beam angle.
    spill
        Share of the axial intensity that the cone around the core has, 0 to below 0.1.
    """

    beam_angle_deg: float
    field_angle_deg: float
    spill: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 < self.beam_angle_deg < self.field_angle_deg <= 360.0:
            raise PhysicsError(
                f"a beam of {self.beam_angle_deg:g} degrees in a field of {self.field_angle_deg:g} "
                "is impossible",
                code="E-LAMP-BEAM",
                fix="The field angle (a tenth of the intensity) is wider than the beam angle (half of it).",
            )
        if not 0.0 <= self.spill < TENTH:
            raise PhysicsError(
                f"a spill of {self.spill:g} of the intensity on the axis hides the field angle",
                code="E-LAMP-BEAM",
                fix="Give a spill of 0 to below 0.1, or no beam angle: the lamp then shines evenly.",
            )


@dataclass(frozen=True)
class Beam:
    """Intensity over that on the axis, by angle.

    Attributes
    ----------
    outer_rad
        Beyond this angle it is dark, 0 to pi.
    table
        At x = 2 sin(theta / 2) from 0 to that of ``outer_rad``, even steps, ``(STEPS + 1,)`` float32.
    """

    outer_rad: float
    table: F32

    @classmethod
    def of(cls, cone_rad: float, edge_rad: float, core: Core | None = None) -> Beam:
        """Return the beam of a cone (half angle), its soft edge beyond that, and a core.

        Notes
        -----
        Worked value: a core with a beam of 20 and a field of 36.45 degrees is a Gaussian (p = 2).
        """
        cone_end = min(math.pi, cone_rad + edge_rad)
        spill = 1.0 if core is None else core.spill
        outer = cone_end if spill > 0.0 else 0.0
        if core is not None:
            steepness, power = _core(core, cone_rad, cone_end)
            outer = max(outer, min(math.pi, (-math.log(DARKEST) / steepness) ** (1.0 / power)))
        angle = 2.0 * np.arcsin(0.5 * np.linspace(0.0, 2.0 * math.sin(0.5 * outer), STEPS + 1))
        intensity = spill * _cone(angle, cone_rad, cone_end)
        if core is not None:
            intensity += (1.0 - spill) * _without_rest(np.exp(-steepness * angle**power))
        return cls(outer, intensity.astype(np.float32))

    @property
    def per_x(self) -> float:
        """Steps of the table in a unit of x."""
        return STEPS / max(2.0 * math.sin(0.5 * self.outer_rad), 1e-9)

    def solid_angle(self) -> float:
        """Return lumens a candela on the axis: the integral of intensity over all directions, sr.

        Notes
        -----
        With m = x^2 / 2 = 1 - cos theta, d omega = 2 pi dm = 2 pi x dx. Worked value: a sharp cone of half
        angle 60 degrees gives pi.
        """
        x = 2.0 * np.sin(0.5 * self.angles)
        return 2.0 * math.pi * float(np.trapezoid(self.table * x, x))

    @property
    def angles(self) -> F64:
        """The table's angles off the axis, radians, ``(STEPS + 1,)``."""
        found: F64 = 2.0 * np.arcsin(np.arange(STEPS + 1) / (2.0 * self.per_x))
        return found


def _core(core: Core, cone_rad: float, cone_end: float) -> tuple[float, float]:
    """Return a and p for which core and spill together have the stated angles."""
    at = 0.5 * np.radians([core.beam_angle_deg, core.field_angle_deg])
    spilt = core.spill * _cone(at, cone_rad, cone_end)
    asked = (np.array([HALF, TENTH]) - spilt) / (1.0 - core.spill)
    depth = -np.log(asked * (1.0 - DARKEST) + DARKEST)
    power = math.log(depth[1] / depth[0]) / math.log(at[1] / at[0])
    return float(depth[0] / at[0] ** power), power


def _without_rest(intensity: F64) -> F64:
    """Return a core's intensity brought to 0 where it is darkest, without a step."""
    lit: F64 = np.maximum(intensity - DARKEST, 0.0) / (1.0 - DARKEST)
    return lit


def _cone(angle: F64, cone_rad: float, cone_end: float) -> F64:
    """Return the smooth step in the cosine from 1 in the cone to 0 at its end; all round, there is no end."""
    inner, outer = math.cos(min(math.pi, cone_rad)), math.cos(cone_end)
    if inner - outer < 1e-12:
        # Sharp, or all round.
        return np.where(angle <= cone_end + 1e-9, 1.0, 0.0)
    step = np.clip((np.cos(angle) - outer) / (inner - outer), 0.0, 1.0)
    share: F64 = step * step * (3.0 - 2.0 * step)
    return share
