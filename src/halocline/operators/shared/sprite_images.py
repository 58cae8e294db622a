"""User-supplied pictures as textures in spectral bands."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from halocline._typing import F32
from halocline.filters.splat import Textures
from halocline.imaging.sprite import read_sprite
from halocline.physics.water.bands import Bands
from halocline.rgb import RGBSpace

# Texels across. A sprite that fills more of the picture than this is no longer a small thing in the water.
SIZE = 256


def cards_from(paths: Sequence[Path], bands: Bands, space: RGBSpace) -> Textures:
    """Return textures of pictures, as reflectance per band.

    Parameters
    ----------
    paths
        Pictures with alpha.
    bands
        Bands of the water.
    space
        Working space of the render.

    Returns
    -------
    Textures
        Square textures of all pictures, with their smaller copies.

    Raises
    ------
    ReadError
        Where one cannot be read.
    """
    stamps = tuple((str(path), path.stat().st_mtime_ns if path.exists() else 0) for path in paths)
    squares = [_square(name, stamp, space) for name, stamp in stamps]
    white = bands.up.sum(axis=1)
    lift = np.zeros((bands.count + 1, 4))
    lift[:-1, :3] = bands.up / white[:, None]
    lift[-1, 3] = 1.0
    textures = np.stack([np.einsum("kc,rsc->rsk", lift, square) for square in squares])
    # A saturated picture may leave a band below nothing.
    return Textures.of(np.maximum(textures, 0.0).astype(np.float32))


@lru_cache(maxsize=64)
def _square(name: str, stamp: int, space: RGBSpace) -> F32:  # noqa: ARG001 - a changed file is read anew
    """Return a picture in the middle of a square of `SIZE`, ``(SIZE, SIZE, 4)``."""
    planes = read_sprite(name, space)
    rows, columns = planes.shape[1:]
    scale = (SIZE - 2) / max(rows, columns)
    height, width = max(1, round(rows * scale)), max(1, round(columns * scale))
    shrinks = scale < 1.0
    resized = cv2.resize(
        np.ascontiguousarray(planes.transpose(1, 2, 0)),
        (width, height),
        interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR,
    )
    square = np.zeros((SIZE, SIZE, 4), np.float32)
    top, left = (SIZE - height) // 2, (SIZE - width) // 2
    square[top : top + height, left : left + width] = resized
    return square
