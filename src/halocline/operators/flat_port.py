"""Flat port: the plane window of a housing magnifies, draws corners outwards and parts their colours.

A render is made as if the lens were in the water; behind flat glass it sees a narrower field, with pincushion
distortion, red and blue fringes towards the edges and soft corners.
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
from halocline.physics.bending.ports import GLASSES, FlatPort
from halocline.physics.bending.refraction import WaterMass
from halocline.quantities import Length


class FlatPortParameters(HousedLensParameters):
    """Parameters of the flat port; see `HousedLensParameters` for the rest.

    Attributes
    ----------
    pupil_distance
        Air between the lens's entrance pupil and the glass, metres.
    glass_thickness
        Metres.
    glass
        ``glass`` (crown) or ``acrylic``.
    render_lens
        What the render's focal length is. ``water``: it has the field that the lens has under water, as match
        moves of underwater plates give; the middle of the picture keeps its size. ``air``: it is the lens's
        own, and the port narrows the field by the index of the water.
    """

    pupil_distance: Length = 0.04
    glass_thickness: Length = 0.008
    glass: Literal["glass", "acrylic"] = "glass"
    render_lens: Literal["water", "air"] = "water"


class FlatPortOperator(PortOperator[FlatPortParameters]):
    """Bends the picture at plane glass."""

    Parameters = FlatPortParameters
    port_name = "flat port"

    def picture(self, shot: Shot) -> PortPicture:
        """Trace the port's rays."""
        p = self.parameters
        port = FlatPort(
            p.pupil_distance, p.glass_thickness, WaterMass(p.temperature, p.salinity), GLASSES[p.glass]
        )
        scale = port.axis_magnification if p.render_lens == "water" else 1.0
        return port_picture(port, p, shot, scale)
