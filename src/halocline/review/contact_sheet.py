"""Contact sheets: display-referred pictures in a labelled grid, as one picture.

`halocline.review.page` makes the same rows of tiles into a page for a browser.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import cv2
import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray

from halocline.late_dataclass import dataclass

U8 = NDArray[np.uint8]

BACKGROUND = 24
LABEL_COLOUR = (225, 225, 225)
MARGIN_PX = 10
# Mean width of a letter over its height, for wrapping.
LETTER_WIDTH = 0.51


@dataclass(frozen=True)
class SheetTile:
    """One picture of a sheet.

    Attributes
    ----------
    pixels
        ``(rows, columns, 3)``, uint8, display-referred.
    label
        What stands under it; may have several lines.
    """

    pixels: U8
    label: str


def contact_sheet(rows: Sequence[Sequence[SheetTile]], *, title: str = "", tile_width: int = 480) -> U8:
    """Return a sheet of tiles in rows.

    Parameters
    ----------
    rows
        Tiles row by row; rows may differ in length.
    title
        Lines at the top.
    tile_width
        Pixels that each picture is scaled to.

    Returns
    -------
    U8
        ``(rows, columns, 3)``.
    """
    letter = max(12, tile_width // 26)
    strips = [_strip([_tile(tile, tile_width, letter) for tile in row]) for row in rows]
    width = max(strip.shape[1] for strip in strips)
    if title:
        strips.insert(0, _text(title, width, letter * 3 // 2))
    padded = [_padded(strip, width, strip.shape[0]) for strip in strips]
    return np.concatenate(padded)


def _tile(tile: SheetTile, width: int, letter: int) -> U8:
    height = round(tile.pixels.shape[0] * width / tile.pixels.shape[1])
    # Area averaging is what a smaller print of a picture is; it neither rings nor drops thin things.
    small = cv2.resize(tile.pixels, (width, height), interpolation=cv2.INTER_AREA).astype(np.uint8)
    return np.concatenate([small, _text(tile.label, width, letter)])


def _strip(tiles: Sequence[U8]) -> U8:
    height = max(tile.shape[0] for tile in tiles)
    parts = [_padded(tile, tile.shape[1] + MARGIN_PX, height + MARGIN_PX) for tile in tiles]
    return np.concatenate(parts, axis=1)


def _padded(picture: U8, width: int, height: int) -> U8:
    out = np.full((height, width, 3), BACKGROUND, np.uint8)
    out[: picture.shape[0], : picture.shape[1]] = picture
    return out


def _text(text: str, width: int, letter: int) -> U8:
    """Return lines of text on the sheet's background, wrapped to its width; letters of a size in pixels."""
    fitting = max(8, int((width - 2 * MARGIN_PX) / (LETTER_WIDTH * letter)))
    lines = [part for line in text.splitlines() for part in textwrap.wrap(line, fitting) or [""]] or [""]
    step = letter * 3 // 2
    canvas = np.full((step * len(lines) + letter // 2, width, 3), BACKGROUND / 255.0, np.float32)
    buffer = oiio.ImageBuf(canvas)
    colour = tuple(channel / 255.0 for channel in LABEL_COLOUR)
    for number, line in enumerate(lines):
        oiio.ImageBufAlgo.render_text(
            buffer, MARGIN_PX, step * number + letter + letter // 4, line, letter, "", colour
        )
    drawn = np.asarray(buffer.get_pixels(oiio.FLOAT), np.float32)
    rounded: U8 = np.round(np.clip(drawn, 0.0, 1.0) * 255.0).astype(np.uint8)
    return rounded
