"""Measured port: the distortion of a real lens and port, as fitted from a photographed grid.

The numbers come from a fit (`halocline.matching.port_grid`). With a photograph in air as well, only the
water's part is put on the picture: the lens's own distortion is left to whoever does lenses.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from halocline._typing import F64
from halocline.errors import GraphError
from halocline.filters.displacement import Grid
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.operators.shared.housed_lens import GRID_STEP, PortOperator, PortPicture
from halocline.physics.bending.distortion import Distortion, WaterPart
from halocline.quantities import Strict

# A photograph whose sides differ in proportion by more than this shows another part of the lens.
ASPECT_TOLERANCE = 0.01


class PhotographedGrid(Strict):
    """The distortion of one photograph; see `halocline.physics.bending.distortion` for the model.

    Attributes
    ----------
    centre
        Centre of distortion, units of half the diagonal from the picture's middle, right and down.
    radial
        k1, k2, k3.
    tangential
        p1, p2.
    """

    centre: tuple[float, float] = (0.0, 0.0)
    radial: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tangential: tuple[float, float] = (0.0, 0.0)

    def distortion(self, columns: int, rows: int) -> Distortion:
        """Return the model for a picture of a size."""
        return Distortion(columns, rows, self.centre, self.radial, self.tangential)


class MeasuredPortParameters(Strict):
    """Parameters of the measured port.

    Attributes
    ----------
    water
        The photograph under water, through lens and port.
    air
        The photograph in air; where given, only what differs between the two is put on the picture.
    photograph
        Columns and rows of the photographs, pixels. Their width stands for the display window's.
    mode
        ``apply`` or ``remove``.
    """

    water: PhotographedGrid
    air: PhotographedGrid | None = None
    photograph: tuple[Annotated[int, Field(gt=0)], Annotated[int, Field(gt=0)]]
    mode: Literal["apply", "remove"] = "apply"


class MeasuredPort(PortOperator[MeasuredPortParameters]):
    """Distorts the picture as a photographed grid was."""

    Parameters = MeasuredPortParameters
    port_name = "measured port"
    measured_from = "grid"

    def picture(self, shot: Shot) -> PortPicture:
        """Evaluate the model."""
        return _picture(self.parameters, shot.display_window, shot.data_window)


@lru_cache(maxsize=4)
def _picture(p: MeasuredPortParameters, display: Window, data: Window) -> PortPicture:
    columns, rows = p.photograph
    wanted, given = display.width / display.height, columns / rows
    if abs(wanted / given - 1.0) > ASPECT_TOLERANCE:
        raise GraphError(
            f"the photographs are {columns} x {rows} and the picture {display.width} x {display.height}: "
            "they are not of the same shape",
            code="E-OPERATOR-PORT",
            where="measured_port.photograph",
            fix="Crop the grid's photographs as the picture is cropped, and fit again.",
        )
    grid = Grid(data.x, data.y, data.width, data.height, GRID_STEP)
    x, y = np.meshgrid(grid.columns - display.x, grid.rows - display.y)
    to_x, to_y = _led(p, display, x, y)
    shift = np.stack([np.stack([to_x - x, to_y - y])] * 3)
    return PortPicture.of(grid, shift, np.zeros((3, *x.shape)))


def _led(p: MeasuredPortParameters, display: Window, x: F64, y: F64) -> tuple[F64, F64]:
    water = p.water.distortion(display.width, display.height)
    if p.air is None:
        return water.ideal(x, y) if p.mode == "apply" else water.photographed(x, y)
    part = WaterPart(p.air.distortion(display.width, display.height), water)
    return part.ideal(x, y) if p.mode == "apply" else part.photographed(x, y)
