"""Dome port: the spherical window of a housing keeps the field but bends the focus.

With the lens's pupil at its centre nothing is displaced, but the water in front makes a near, curved virtual
image, on which the corners go soft; a pupil off the centre distorts and fringes as well.
"""

from __future__ import annotations

from typing import Literal

from halocline.graph.operator import WHOLE, Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.operators.housed_lens import (
    HousedLensParameters,
    PortPicture,
    overscan_warnings,
    port_picture,
    seen_through,
)
from halocline.physics.ports import GLASSES, DomePort
from halocline.physics.refraction import WaterMass
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


class DomePortOperator(Operator[DomePortParameters]):
    """Bends the picture at spherical glass."""

    Parameters = DomePortParameters

    def planes(self) -> PlaneUse:
        """Read colour and coverage; write them, displacement, blur, and the lookup map for other programs."""
        return PlaneUse(
            reads=frozenset({"rgb", "alpha"}),
            writes=frozenset({"rgb", "alpha", "displacement", "blur_px", "lookup_map"}),
        )

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """A pupil off the centre moves all of the picture."""
        return WHOLE

    def prepare(self, shot: Shot) -> PortPicture:
        """Trace the dome's rays."""
        p = self.parameters
        port = DomePort(
            p.radius,
            p.glass_thickness,
            WaterMass(p.temperature, p.salinity),
            GLASSES[p.glass],
            (p.pupil_right, p.pupil_up, p.pupil_forward),
        )
        picture = port_picture(port, p, shot, 1.0)
        overscan_warnings(picture, shot, "dome port")
        return picture

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Say where the render lacks overscan."""
        return overscan_warnings(self.prepare(shot), shot, "dome port")

    def apply(
        self,
        planes: Planes,
        tile: Tile,  # noqa: ARG002 - part of the protocol
        shot: Shot,
        prepared: PortPicture,
    ) -> Planes:
        """Bend."""
        return seen_through(planes, prepared, shot.display_window)
