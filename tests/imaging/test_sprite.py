"""Pictures with alpha, read for use in the water."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import OpenImageIO as oiio
import pytest

from halocline.errors import ReadError
from halocline.imaging.sprite import read_sprite
from halocline.rgb import LINEAR_REC709, conversion_matrix, space_named


def _png(path: Path, rgba: tuple[int, int, int, int]) -> Path:
    pixel = np.full((4, 6, 4), (rgba[2], rgba[1], rgba[0], rgba[3]), np.uint8)
    cv2.imwrite(str(path), pixel)
    return path


def test_png_is_decoded_and_premultiplied(tmp_path: Path) -> None:
    planes = read_sprite(_png(tmp_path / "a.png", (188, 0, 255, 51)), LINEAR_REC709)
    # IEC 61966-2-1: code 188/255 is 0.5029 of full light; alpha 51/255 is 0.2.
    assert planes.shape == (4, 4, 6)
    assert planes[:, 0, 0] == pytest.approx([0.2 * 0.5029, 0.0, 0.2, 0.2], abs=2e-4)


def test_png_comes_into_the_working_space(tmp_path: Path) -> None:
    space = space_named("ACEScg")
    planes = read_sprite(_png(tmp_path / "a.png", (255, 0, 0, 255)), space)
    expected = conversion_matrix(LINEAR_REC709, space) @ [1.0, 0.0, 0.0]
    assert planes[:3, 0, 0] == pytest.approx(expected, abs=1e-5)


def test_exr_is_taken_as_it_is(tmp_path: Path) -> None:
    path = str(tmp_path / "a.exr")
    spec = oiio.ImageSpec(3, 2, 4, "float")
    out = oiio.ImageOutput.create(path)
    assert out is not None
    pixels = np.full((2, 3, 4), (3.0, 0.25, 0.0, 0.5), np.float32)
    assert out.open(path, spec)
    assert out.write_image(pixels)
    out.close()
    assert read_sprite(path, space_named("ACEScg"))[:, 1, 2] == pytest.approx([3.0, 0.25, 0.0, 0.5])


def test_missing_file_and_picture_without_alpha_are_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="sprite") as caught:
        read_sprite(tmp_path / "none.png", LINEAR_REC709)
    assert caught.value.code == "E-READ-SPRITE"
    cv2.imwrite(str(tmp_path / "flat.png"), np.zeros((4, 4, 3), np.uint8))
    with pytest.raises(ReadError, match="not R, G, B and A"):
        read_sprite(tmp_path / "flat.png", LINEAR_REC709)
