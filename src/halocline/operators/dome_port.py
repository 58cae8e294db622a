"""Dome port: the spherical window of a housing keeps the field but bends the focus.

With the lens's pupil at its centre nothing is displaced, but the water in front makes a near, curved virtual
image, on which the corners go soft; a pupil off the centre distorts and fringes as well.
"""

from __future__ import annotations

from typing import Literal

from halocline.graph.shot import Shot
from halocline.operators.shared.housed_lens import (
    HousedLensParameters,
    PortOperator,
    PortPicture,
    port_picture,
)
from halocline.physics.bending.ports import GLASSES, DomePort
from halocline.physics.bending.refraction import WaterMass
from halocline.quantities import Distance, Length, Position


class DomePortParameters(HousedLensParameters):
    """Parameters of the dome; see `HousedLensParameters` for the rest.

    Attributes
    ----------
    radius
        Of the outer surface, metres.
    glass_thickness
        Metres.
    glass
        ``glass`` (crown) or ``acrylic``.
    pupil_right, pupil_up, pupil_forward
        Where the lens's entrance pupil lies relative to the dome's centre, metres.
    """

    radius: Distance = 0.11
    glass_thickness: Length = 0.006
    glass: Literal["glass", "acrylic"] = "acrylic"
    pupil_right: Position = 0.0
    pupil_up: Position = 0.0
    pupil_forward: Position = 0.0


class DomePortOperator(PortOperator[DomePortParameters]):
    """Bends the picture at spherical glass; a pupil off the centre moves all of it."""

    Parameters = DomePortParameters
    port_name = "dome port"

    def picture(self, shot: Shot) -> PortPicture:
        """Trace the dome's rays."""
        p = self.parameters
        port = DomePort(
            p.radius,
            p.glass_thickness,
            WaterMass(p.temperature, p.salinity),
            GLASSES[p.glass],
            (p.pupil_right, p.pupil_up, p.pupil_forward),
        )
        return port_picture(port, p, shot, 1.0)
