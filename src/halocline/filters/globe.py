"""Pictures of all directions: columns are longitudes, rows latitudes, and the last column meets the first."""

from __future__ import annotations

import math

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class Globe:
    """How directions lie in a picture that shows all of them.

    Attributes
    ----------
    across_px, down_px
        Pixels of one radian: of longitude, and of latitude.
    equator
        Pixel coordinate of latitude 0, downwards (0.5 is the centre of row 0).

    Examples
    --------
    A picture of 8 x 4 pixels; a thing at 60 degrees is drawn twice as wide as at the equator:

    >>> globe = Globe(8 / (2 * math.pi), 4 / math.pi, 2.0)
    >>> round(float(1 / globe.cosines(np.array([2.0 - 4 / 3]))[0]), 9)
    2.0
    """

    across_px: float
    down_px: float
    equator: float

    @property
    def around_px(self) -> float:
        """Pixels once around."""
        return 2.0 * math.pi * self.across_px

    def cosines(self, rows: F64) -> F64:
        """Return the cosines of latitudes, by which circles of latitude are shorter than the equator.

        Parameters
        ----------
        rows
            Pixel coordinates downwards, any shape.

        Returns
        -------
        F64
            0 to 1; 0 beyond the poles.
        """
        latitude = np.clip((self.equator - rows) / self.down_px, -0.5 * math.pi, 0.5 * math.pi)
        return np.maximum(np.cos(latitude), 0.0)

    def narrowing(self, first: int, last: int) -> F32:
        """Return the square roots of the cosines at the middles of rows.

        The product of two of them makes a difference of longitude a distance (the haversine formula): from a
        place on one row to a place on the other.

        Parameters
        ----------
        first, last
            Rows from and to (not included).

        Returns
        -------
        F32
            ``(rows,)``, 0 to 1.
        """
        return np.sqrt(self.cosines(np.arange(first, last, dtype=np.float64) + 0.5)).astype(np.float32)

    def near(self, x: F64, other: F64) -> F64:
        """Return columns as they lie nearest to others, whichever way round.

        Parameters
        ----------
        x, other
            Pixel coordinates across.

        Returns
        -------
        F64
            ``x``, moved by whole turns to within half a turn of ``other``.
        """
        nearest: F64 = x - self.around_px * np.rint((x - other) / self.around_px)
        return nearest
