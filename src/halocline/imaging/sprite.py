"""Reading a small picture with alpha, to be scattered through the water: a bit of weed, a shell, ash."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenImageIO as oiio

from halocline._typing import F32, F64
from halocline.errors import ReadError
from halocline.imaging.exr import readable_name
from halocline.rgb import RGBSpace, conversion_matrix, space_named

# A sprite is seen small; more pixels than this are a mistake.
MAX_SIDE = 8192


def read_sprite(path: str | Path, space: RGBSpace) -> F32:
    """Return a picture as premultiplied, scene-linear light and alpha, ``(4, rows, columns)``.

    Parameters
    ----------
    path
        OpenEXR: scene-linear, premultiplied, in the working space already. Any other format that holds
        whole numbers (PNG, TIFF): encoded as sRGB (IEC 61966-2-1), alpha not premultiplied.
    space
        The working space.

    Returns
    -------
    F32
        ``(4, rows, columns)``: red, green, blue and alpha.

    Raises
    ------
    ReadError
        ``E-READ-SPRITE`` where the file cannot be read, or has no alpha.
    """
    path = Path(path)
    pixels, whole_numbers = _pixels(path)
    alpha = pixels[3]
    if whole_numbers:
        colour = _decoded(pixels[:3].astype(np.float64))
        matrix = conversion_matrix(space_named("lin_rec709"), space)
        light = np.einsum("ij,jrc->irc", matrix, colour) * alpha
        return np.concatenate([light, alpha[None]]).astype(np.float32)
    return np.nan_to_num(pixels, nan=0.0, posinf=0.0, neginf=0.0)


def _pixels(path: Path) -> tuple[F32, bool]:
    """Return red, green, blue, alpha ``(4, rows, columns)`` and whether the file holds whole numbers."""
    config = oiio.ImageSpec()
    # Premultiplied by the reader would be premultiplied in encoded light.
    config["oiio:UnassociatedAlpha"] = 1
    file = oiio.ImageInput.open(readable_name(path), config)
    if file is None:
        raise _unreadable(path, oiio.geterror())
    try:
        spec = file.spec()
        names = list(spec.channelnames)
        if spec.deep or not {"R", "G", "B", "A"} <= set(names):
            raise _unreadable(path, f"it has the channels {', '.join(names)}, not R, G, B and A")
        if max(spec.width, spec.height) > MAX_SIDE:
            raise _unreadable(path, f"{spec.width} x {spec.height} pixels are too many for a sprite")
        found = file.read_image(0, 0, 0, spec.nchannels, "float")
        if found is None:
            raise _unreadable(path, file.geterror())
    finally:
        file.close()
    planes = np.stack([found[:, :, names.index(name)] for name in "RGBA"])
    return planes, spec.format.basetype not in (oiio.HALF, oiio.FLOAT, oiio.DOUBLE)


def _decoded(encoded: F64) -> F64:
    """Return the light of sRGB code values 0 to 1."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def _unreadable(path: Path, reason: str) -> ReadError:
    return ReadError(
        f"the picture cannot be used as a sprite: {reason.strip() or 'no reason given'}",
        code="E-READ-SPRITE",
        where=str(path),
        fix="Give an EXR or PNG file with colour and alpha that exists and can be read.",
    )
