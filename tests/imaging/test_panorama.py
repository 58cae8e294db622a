"""Panoramas: which way their pixels look, and which files are taken for one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

from halocline._typing import F64
from halocline.errors import CameraError, DepthError
from halocline.imaging.camera import pinhole, turned_axes
from halocline.imaging.camera_metadata import CameraStatement, frozen_rows
from halocline.imaging.depth import DepthSpec
from halocline.imaging.frame import Frame, Window
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import View, load
from halocline.imaging.panorama import continued, panorama
from halocline.imaging.report import inspect

WINDOW = Window(0, 0, 32, 16)


def by_the_header(column: int, row: int, width: int, height: int) -> F64:
    """Return a pixel's direction by OpenEXR's documentation.

    ImfEnvmap.h, "Latitude-Longitude Map", read 2026-11: the pixel at the data window's minimum has latitude
    +pi/2 and longitude +pi, that at its maximum -pi/2 and -pi; latitudes +-pi/2 are +-y, latitude 0 and
    longitude 0 is +z, longitude pi/2 is +x.
    """
    latitude = np.pi / 2 - np.pi * row / (height - 1)
    longitude = np.pi - 2 * np.pi * column / (width - 1)
    level = np.cos(latitude)
    return np.array([level * np.sin(longitude), np.sin(latitude), level * np.cos(longitude)])


def written(path: Path, header: dict[str, Any] | None = None, *, size: tuple[int, int] = (16, 32)) -> Path:
    """Write a panorama of a ball of 3 m about the lens, lower half only."""
    alpha = np.zeros(size, np.float32)
    alpha[size[0] // 2 :] = 1.0
    colour = np.repeat(0.5 * alpha[..., None], 3, axis=2)
    channels = {"RGBA": np.dstack([colour, alpha]), "Z": np.where(alpha > 0, 3.0, 1e10).astype(np.float32)}
    kind = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    OpenEXR.File({**kind, **(header or {})}, channels).write(str(path))
    return path


def seen(path: Path, **camera: Any) -> View:
    return load(path, InputSpec(camera=CameraStatement(**camera))).views[0]


LATLONG = {"envmap": OpenEXR.ENVMAP_LATLONG}


def test_pixels_look_where_the_documentation_of_openexr_has_them(tmp_path: Path) -> None:
    camera = seen(written(tmp_path / "pano.exr", LATLONG)).camera
    found = camera.directions(WINDOW)
    for column, row in [(0, 0), (31, 15), (0, 7), (31, 7), (8, 4), (20, 11)]:
        np.testing.assert_allclose(found[:, row, column], by_the_header(column, row, 32, 16), atol=1e-6)


def test_depth_of_a_panorama_is_range(tmp_path: Path) -> None:
    view = seen(written(tmp_path / "pano.exr", LATLONG))
    assert view.depth_spec is not None
    assert view.depth_spec.kind == "range"
    np.testing.assert_array_equal(view.frame.plane("range")[8:], 3.0)


def test_a_matrix_turns_the_middle_of_the_picture(tmp_path: Path) -> None:
    # Row vectors, left-handed, +z ahead: a camera at 1 2 3 that looks along +x (openexr_attributes).
    axes = np.eye(4)
    axes[:3, :3] = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
    axes[3, :3] = -np.array([1.0, 2.0, 3.0]) @ axes[:3, :3]
    header = {**LATLONG, "worldToCamera": axes.astype(np.float32)}
    camera = seen(written(tmp_path / "pano.exr", header)).camera
    np.testing.assert_allclose(camera.position_m, [1.0, 2.0, 3.0], atol=1e-6)
    np.testing.assert_allclose(-camera.rotation[:, 2], [1.0, 0.0, 0.0], atol=1e-6)
    pixels, metres = camera.project(np.array([[5.0, 2.0, 3.0]]))
    np.testing.assert_allclose(pixels, [[16.0, 8.0]], atol=1e-4)
    assert metres[0] == pytest.approx(4.0)


def test_a_stated_panorama_has_its_outer_edges_on_the_seam_and_its_middle_ahead(tmp_path: Path) -> None:
    level = turned_axes(np.eye(3), pan_deg=0.0, tilt_deg=0.0, roll_deg=0.0)
    path = written(tmp_path / "pano.exr")
    view = seen(path, latlong=True, level=frozen_rows(level))
    first, last = view.camera.directions(Window(0, 7, 1, 1)), view.camera.directions(Window(31, 7, 1, 1))
    # A pixel apart, on both sides of straight behind.
    np.testing.assert_allclose(first[[1, 2]], last[[1, 2]], atol=1e-6)
    assert first[0, 0, 0] == pytest.approx(-last[0, 0, 0], abs=1e-6)
    assert abs(first[0, 0, 0]) == pytest.approx(np.sin(np.pi / 32) * np.cos(np.pi / 32), rel=1e-3)
    np.testing.assert_allclose(-view.camera.rotation[:, 2], [0.0, 0.0, -1.0])
    centres = seen(path, latlong=True, latlong_pixels="centres").camera
    np.testing.assert_allclose(centres.directions(Window(0, 0, 1, 1))[:, 0, 0], [0.0, 1.0, 0.0], atol=1e-6)


def test_places_are_seen_where_rays_go() -> None:
    turn = np.eye(4)
    turn[:3, :3] = turned_axes(np.eye(3), pan_deg=70.0, tilt_deg=25.0, roll_deg=-10.0)
    turn[:3, 3] = 0.3, -2.0, 1.0
    camera = panorama(WINDOW, pixels="edges", camera_to_world=turn)
    points = 7.0 * camera.directions(WINDOW).reshape(3, -1).T + camera.position_m
    pixels, metres = camera.project(points)
    rows, columns = np.mgrid[0:16, 0:32] + 0.5
    np.testing.assert_allclose(pixels, np.stack([columns.ravel(), rows.ravel()], axis=1), atol=1e-3)
    np.testing.assert_allclose(metres, 7.0, rtol=1e-6)
    grid = camera.rays(columns[0], rows[:, 0])
    np.testing.assert_allclose(
        np.einsum("ij,jrc->irc", camera.rotation, grid), camera.directions(WINDOW), atol=1e-6
    )


@pytest.mark.parametrize(
    ("pixels", "before", "after"), [("edges", [30, 31], [0, 1]), ("centres", [29, 30], [1, 2])]
)
def test_past_the_seam_the_picture_goes_on(pixels: Any, before: list[int], after: list[int]) -> None:
    plane = np.arange(16 * 32, dtype=np.float32).reshape(16, 32)
    wider = continued(Frame({"alpha": plane}, WINDOW, WINDOW), panorama(WINDOW, pixels=pixels), 2)
    assert wider.data_window == Window(-2, 0, 36, 16)
    np.testing.assert_array_equal(wider.plane("alpha"), plane[:, [*before, *range(32), *after]])


@pytest.mark.parametrize(
    ("header", "size", "stated"),
    [
        (LATLONG, (16, 30), {}),
        ({}, (16, 16), {"latlong": True}),
        ({"envmap": OpenEXR.ENVMAP_CUBE}, (96, 16), {}),
    ],
)
def test_what_is_no_whole_panorama_is_refused(
    tmp_path: Path, header: dict[str, Any], size: tuple[int, int], stated: dict[str, bool]
) -> None:
    path = written(tmp_path / "pano.exr", header, size=size)
    with pytest.raises(CameraError, match=r"twice as wide as high|cube map") as caught:
        seen(path, **stated)
    assert caught.value.code == "E-CAMERA-PROJECTION"


def test_depth_along_an_axis_is_refused(tmp_path: Path) -> None:
    spec = InputSpec(depth=DepthSpec(kind="planar"))
    with pytest.raises(DepthError, match="along one axis") as caught:
        load(written(tmp_path / "pano.exr", LATLONG), spec)
    assert caught.value.code == "E-DEPTH-KIND"


def test_inspect_says_that_it_is_a_panorama(tmp_path: Path) -> None:
    report = inspect(written(tmp_path / "pano.exr", LATLONG))
    camera = report.views[0].camera
    assert camera is not None
    assert (camera.projection, camera.horizontal_view_deg) == ("latlong", 360.0)
    assert "a panorama of all directions, its middle towards 0, 0, 1" in "\n".join(report.lines())


def test_range_by_depth_at_some_pixels_is_that_at_all() -> None:
    pixels = Window(-3, 5, 21, 11)
    flat = pinhole(Window(0, 0, 32, 16), focal_length_mm=20.0, film_width_mm=36.0)
    for camera in (flat, panorama(pixels)):
        all_of_them = camera.range_per_depth(pixels)
        np.testing.assert_array_equal(camera.range_per_depth(pixels, every=4), all_of_them[::4, ::4])
