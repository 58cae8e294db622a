"""Display pixels looked up in a grid of colours: nearly those of `display_pixels`, in a sixth of its time.

A view that tone-maps takes half a microsecond a pixel. Pictures that are replaced in a moment, while a key is
turned, need not wait for that.
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np

from halocline._typing import F32
from halocline.imaging.colour import U8, display_pixels
from halocline.rgb import ACESCG, RGBSpace, conversion_matrix

# Points along each side of the grid. They lie about evenly up to this light, ACEScg, and by its logarithm
# from there to the most that is told apart.
_COUNT, _EVEN_TO, _MOST = 49, 0.02, 64.0
# From the darkest of the eight points about a colour to each: blue is next, green a row on, red a layer.
_CORNERS = [sum(corner) for corner in product((0, _COUNT * _COUNT), (0, _COUNT), (0, 1))]


class DisplayGrid:
    """The default view of the default display, over the colours that frames have.

    Making one takes as long as showing 100,000 pixels.

    Raises
    ------
    ColourError
        As `display_pixels` does.
    """

    def __init__(self) -> None:
        side = _EVEN_TO * np.expm1(np.linspace(0.0, math.log1p(_MOST / _EVEN_TO), _COUNT))
        light = np.stack(np.meshgrid(side, side, side, indexing="ij")).astype(np.float32)
        self._pixels = display_pixels(light.reshape(3, _COUNT, -1), ACESCG).reshape(-1, 3).astype(np.float32)

    def pixels(self, rgb: F32, space: RGBSpace) -> U8:
        """Return scene-linear colour as display pixels, nearly those of `display_pixels`.

        In the built-in configuration colours of waters are within 2 of 255, and colours that a display
        cannot show mostly so, in the worst case some tens away. Light below 0 and above 64, in ACEScg, is
        taken as that.

        Parameters
        ----------
        rgb
            ``(3, rows, columns)``. What is no number is shown black.
        space
            The space of the colours.

        Returns
        -------
        U8
            ``(rows, columns, 3)``, 0 to 255.
        """
        finite = np.nan_to_num(rgb, nan=0.0, posinf=65504.0, neginf=0.0)
        matrix = conversion_matrix(space, ACESCG).astype(np.float32)
        light = np.clip(np.tensordot(matrix, finite, 1), np.float32(0.0), np.float32(_MOST))
        place = np.log1p(light * np.float32(1.0 / _EVEN_TO))
        place *= np.float32((_COUNT - 1) / math.log1p(_MOST / _EVEN_TO))
        cell = np.minimum(place.astype(np.int32), _COUNT - 2)
        share = place - cell
        first = (cell[0] * _COUNT + cell[1]) * _COUNT + cell[2]
        between = [np.take(self._pixels, first + corner, axis=0) for corner in _CORNERS]
        # Between neighbours in blue, then in green, then in red.
        for along in share[::-1, ..., np.newaxis]:
            between = [
                low + (high - low) * along for low, high in zip(between[::2], between[1::2], strict=True)
            ]
        return np.asarray(between[0] + np.float32(0.5), np.uint8)
