"""Files read and written with the OpenEXR package (the format's own library) agree with ours.

Source: the OpenEXR Python package of the Academy Software Foundation, OpenEXR 3.5.3 here; *computed* with it.
It shares the format's library with OpenImageIO but not the reading, writing and mapping of attributes.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest
from tests.conftest import read_channels

from halocline._typing import AnyArray
from halocline.imaging.camera_metadata import find_camera
from halocline.imaging.exr import Attribute, Part, read_header, read_native
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.imaging.load import load
from halocline.imaging.save import Picture, save

SHAPE = (24, 32)


def pixels(seed: int = 1) -> dict[str, AnyArray]:
    random = np.random.default_rng(seed)
    half = {name: random.normal(0.5, 0.2, SHAPE).astype(np.float16) for name in "RGB"}
    depth = random.uniform(2, 50, SHAPE).astype(np.float32)
    return {**half, "A": np.ones(SHAPE, np.float16), "Z": depth}


# Every kind of attribute that the OpenEXR package writes and the picture is not itself described by.
ATTRIBUTES: dict[str, Any] = {
    "box2i": (np.array([0, 1], np.int32), np.array([9, 8], np.int32)),
    "box2f": (np.array([0, 1], np.float32), np.array([9, 8.5], np.float32)),
    "v2i": np.array([1, 2], np.int32),
    "v2f": np.array([1.5, 2], np.float32),
    "v3i": np.array([1, 2, 3], np.int32),
    "v3f": np.array([1.5, 2, 3], np.float32),
    "m33f": np.arange(9, dtype=np.float32).reshape(3, 3),
    "m44f": np.arange(16, dtype=np.float32).reshape(4, 4),
    # What OpenImageIO cannot write, or changes.
    "v2d": np.array([1 / 3, 2]),
    "v3d": np.array([1 / 3, 2, 3]),
    "m33d": np.arange(9).reshape(3, 3) / 3,
    "m44d": np.arange(16).reshape(4, 4) / 3,
    "double": np.array([1 / 3]),
    "numbers": [1.0, 2.5, 3.0],
    "number": 1.5,
    "whole": 3,
    "text": "høst",
    "texts": ["a", "b", "c"],
    "comments": "as rendered",
    "owner": "nobody",
    "capDate": "2020:01:01 00:00:00",
    "utcOffset": 3600.0,
    "whiteLuminance": 100.0,
    "adoptedNeutral": np.array([0.3127, 0.329], np.float32),
    "chromaticities": (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329),
    "timeCode": OpenEXR.TimeCode(1, 2, 3, 4, 0, 0, 0, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8),
    "keyCode": OpenEXR.KeyCode(1, 2, 3, 4, 5, 4, 64),
    "worldToCamera": np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, -1, 0], [-0.5, -2, 1, 1]], np.float32),
    "nominalFocalLength": 28.0,
    "sensorOverallDimensions": np.array([36.0, 27.0], np.float32),
}
LAYOUT = {"channels", "compression", "dataWindow", "displayWindow", "type", "lineOrder", "pixelAspectRatio"}


def write_with_openexr(path: Path, **header: Any) -> None:
    usual = {
        "compression": OpenEXR.ZIP_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "dataWindow": (np.array([-4, 3], np.int32), np.array([27, 26], np.int32)),
        "displayWindow": (np.array([0, 0], np.int32), np.array([29, 19], np.int32)),
        "pixelAspectRatio": 2.0,
    }
    channels = {name: OpenEXR.Channel(plane) for name, plane in pixels().items()}
    OpenEXR.File({**usual, **ATTRIBUTES, **header}, channels).write(str(path))


def read_with_openexr(path: Path, part: int = 0) -> tuple[dict[str, Any], dict[str, AnyArray]]:
    file = OpenEXR.File(str(path), separate_channels=True)
    return file.header(part), {name: channel.pixels for name, channel in file.channels(part).items()}


def text_of(header: Mapping[str, Any], name: str) -> str:
    return " ".join(str(header.get(name)).split())


@pytest.fixture
def source(tmp_path: Path) -> Path:
    write_with_openexr(tmp_path / "a.exr")
    return tmp_path / "a.exr"


def test_pixels_and_windows_of_their_file_are_read_as_they_are(source: Path) -> None:
    (part,) = read_header(source).parts
    assert part.data_window == Window(-4, 3, 32, 24)
    assert part.display_window == Window(0, 0, 30, 20)
    assert part.pixel_aspect == 2.0
    assert dict(part.channels) == {**dict.fromkeys("RGBA", "half"), "Z": "float"}
    for name, plane in read_channels(source, part, pixels()).items():
        np.testing.assert_array_equal(plane, pixels()[name].astype(np.float32))


def test_every_attribute_of_their_file_survives_loading_and_saving(source: Path, tmp_path: Path) -> None:
    loaded = load(source)
    frame = loaded.views[0].frame
    picture = Picture(frame.plane("rgb"), frame.plane("alpha"))
    save(tmp_path / "b.exr", loaded.template, {"": picture}, attributes={"halocline:preset": "fjord"})
    before, old = read_with_openexr(source)
    after, new = read_with_openexr(tmp_path / "b.exr")
    for name in before.keys() - LAYOUT:
        assert text_of(after, name) == text_of(before, name), name
    assert after["halocline:preset"] == "fjord"
    assert str(after["compression"]) == str(before["compression"])
    assert after["pixelAspectRatio"] == 2.0
    # The output spans data and display window; the input's pixels stand in it unchanged.
    low, high = after["dataWindow"]
    assert (tuple(low), tuple(high)) == ((-4, 0), (29, 26))
    assert [tuple(corner) for corner in after["displayWindow"]] == [(0, 0), (29, 19)]
    for name in "RGBA":
        assert new[name].dtype == np.float16
        np.testing.assert_array_equal(new[name][3:, :32], old[name])
        assert (new[name][:3] == 0).all()


def test_the_camera_of_their_file_is_where_its_matrix_says(source: Path) -> None:
    camera = find_camera(read_header(source).parts[0]).camera
    # OpenEXR's ImfStandardAttributes.h: worldToCamera takes the lens to the origin, +z is ahead; row vectors.
    lens = np.append(camera.position_m, 1.0) @ ATTRIBUTES["worldToCamera"]
    np.testing.assert_allclose(lens[:3], 0, atol=1e-6)
    ahead = np.append(camera.position_m - camera.rotation[:, 2], 1.0) @ ATTRIBUTES["worldToCamera"]
    np.testing.assert_allclose(ahead[:3], [0, 0, 1], atol=1e-6)
    assert camera.tangent_per_px[0] == pytest.approx(36.0 / 28.0 / 30)


@pytest.mark.parametrize("compression", ["none", "rle", "zips", "zip", "piz"])
def test_our_parts_are_read_by_them_with_equal_pixels(tmp_path: Path, compression: str) -> None:
    window = Window(-4, 3, 32, 24)
    display = Window(0, 0, 30, 20)
    beauty = Part(
        index=0,
        name="beauty",
        view="left",
        channels={name: "float" if name == "Z" else "half" for name in pixels()},
        data_window=window,
        display_window=display,
        compression=compression,
        attributes={"shot": Attribute("string", "fjord 120")},
    )
    ids = np.random.default_rng(2).integers(0, 2**32, SHAPE, dtype=np.uint32)
    other = Part(
        index=1,
        name="ids",
        view="left",
        channels={"id": "uint"},
        data_window=window,
        display_window=display,
        compression=compression,
    )
    write_exr(tmp_path / "a.exr", [PartPixels(beauty, pixels()), PartPixels(other, {"id": ids})])
    header, channels = read_with_openexr(tmp_path / "a.exr")
    assert header["name"] == "beauty"
    assert header["view"] == "left"
    assert header["shot"] == "fjord 120"
    assert [tuple(corner) for corner in header["dataWindow"]] == [(-4, 3), (27, 26)]
    for name, plane in pixels().items():
        assert channels[name].dtype == plane.dtype
        np.testing.assert_array_equal(channels[name], plane)
    np.testing.assert_array_equal(read_with_openexr(tmp_path / "a.exr", 1)[1]["id"], ids)


@pytest.mark.parametrize(
    "kind", [OpenEXR.PXR24_COMPRESSION, OpenEXR.DWAA_COMPRESSION, OpenEXR.DWAB_COMPRESSION]
)
def test_lossy_files_are_decoded_to_the_values_they_decode(tmp_path: Path, kind: Any) -> None:
    write_with_openexr(tmp_path / "a.exr", compression=kind)
    (part,) = read_header(tmp_path / "a.exr").parts
    _, expected = read_with_openexr(tmp_path / "a.exr")
    for name, plane in read_native(tmp_path / "a.exr", part, expected).items():
        np.testing.assert_array_equal(plane, expected[name])


def test_tiles_are_read_as_they_read_them(tmp_path: Path) -> None:
    tiles = OpenEXR.TileDescription()
    tiles.xSize = tiles.ySize = 16
    write_with_openexr(tmp_path / "a.exr", type=OpenEXR.tiledimage, tiles=tiles)
    (part,) = read_header(tmp_path / "a.exr").parts
    assert part.tiled
    for name, plane in read_channels(tmp_path / "a.exr", part, pixels()).items():
        np.testing.assert_array_equal(plane, pixels()[name].astype(np.float32))
