"""Cameras from metadata: conventions told apart, statements, and warnings where something is assumed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from halocline._typing import F64
from halocline.errors import CameraError
from halocline.imaging.camera import Camera
from halocline.imaging.camera_metadata import CameraStatement, find_camera
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.frame import Window

if TYPE_CHECKING:
    from tests.imaging.conftest import Scene

WINDOW = Window(10, 20, 200, 100)


def part(display: Window = WINDOW, pixel_aspect: float = 1.0, **entries: Attribute) -> Part:
    return Part(
        index=0,
        name="",
        view="",
        channels={},
        data_window=display,
        display_window=display,
        pixel_aspect=pixel_aspect,
        attributes=entries,
    )


def matrix(values: F64) -> Attribute:
    return Attribute("matrix", tuple(float(value) for value in values.ravel()))


def number(value: float) -> Attribute:
    return Attribute("float", value)


def world_to_camera(camera: Camera) -> F64:
    """The standard's matrix (row vectors, +z ahead) of a camera."""
    to_world = np.eye(4)
    to_world[:3, :3], to_world[:3, 3] = camera.rotation, camera.position_m
    return np.asarray((np.diag([1.0, 1.0, -1.0, 1.0]) @ np.linalg.inv(to_world)).T)


def world_to_ndc(camera: Camera, window: Window) -> F64:
    """The standard's matrix to 0..1 across the window, y down, for row vectors."""
    projection = np.zeros((4, 4))
    projection[0, 0] = 1 / (camera.tangent_per_px[0] * window.width)
    projection[1, 1] = -1 / (camera.tangent_per_px[1] * window.height)
    projection[2, 0] = (camera.centre_px[0] - window.x) / window.width
    projection[2, 1] = (camera.centre_px[1] - window.y) / window.height
    projection[2, 2] = projection[2, 3] = 1.0
    projection[3, 2] = -0.1
    return np.asarray(world_to_camera(camera) @ projection)


def assert_same_camera(found: Camera, expected: Camera) -> None:
    np.testing.assert_allclose(found.rotation, expected.rotation, atol=1e-9)
    np.testing.assert_allclose(found.position_m, expected.position_m, atol=1e-9)
    np.testing.assert_allclose(found.tangent_per_px, expected.tangent_per_px, rtol=1e-9)
    np.testing.assert_allclose(found.centre_px, expected.centre_px, atol=1e-9)


LENS: dict[str, Any] = {
    "nominalFocalLength": number(28.0),
    "sensorOverallDimensions": Attribute("float2", (36.0, 24.0)),
}


@pytest.mark.parametrize("right_handed", [False, True])
@pytest.mark.parametrize("for_columns", [False, True])
def test_both_hands_and_both_ways_to_write_a_matrix_give_one_camera(
    scene: Scene, right_handed: bool, for_columns: bool
) -> None:
    written = world_to_camera(scene.camera)
    if right_handed:
        written = written @ np.diag([1.0, 1.0, -1.0, 1.0])
    if for_columns:
        written = written.T
    found = find_camera(part(scene.window, worldToCamera=matrix(written), **LENS))
    assert_same_camera(found.camera, scene.camera)
    assert found.warnings == ()


@pytest.mark.parametrize("convention", ["standard", "y up from -1 to 1", "for columns"])
@pytest.mark.parametrize("shift", [(0.0, 0.0), (7.0, -4.0)])
def test_the_lens_is_found_in_the_projection(
    scene: Scene, convention: str, shift: tuple[float, float]
) -> None:
    """Its optical axis need not meet the picture's middle."""
    centre = (scene.camera.centre_px[0] + shift[0], scene.camera.centre_px[1] + shift[1])
    camera = replace(scene.camera, centre_px=centre)
    ndc = world_to_ndc(camera, scene.window)
    if convention == "y up from -1 to 1":
        ndc = ndc @ np.array([[2.0, 0, 0, 0], [0, -2, 0, 0], [0, 0, 1, 0], [-1, 1, 0, 1]])
    if convention == "for columns":
        ndc = ndc.T
    entries: dict[str, Any] = {
        "worldToCamera": matrix(world_to_camera(camera)),
        "worldToNDC": matrix(ndc),
    }
    found = find_camera(part(scene.window, **entries))
    assert_same_camera(found.camera, camera)
    assert found.camera.film_width_mm == pytest.approx(36.0)
    assert found.warnings == ()


def test_the_screen_window_gives_angle_and_shift_of_the_view() -> None:
    found = find_camera(
        part(
            screenWindowWidth=number(0.8),
            screenWindowCenter=Attribute("float2", (0.1, 0.05)),
            nominalFocalLength=number(50.0),
        )
    ).camera
    assert found.tangent_per_px[0] == pytest.approx(0.8 / 200)
    assert found.focal_length_mm == pytest.approx(50.0)
    assert found.film_width_mm == pytest.approx(40.0)
    # The window's middle lies 0.1 to the right of the axis: the axis is 25 pixels left of the middle.
    assert found.centre_px == pytest.approx((110 - 25, 70 + 12.5))


def test_a_sensor_off_the_axis_shifts_the_view() -> None:
    """The standard's sensorCenterOffset is in micrometres; positive shows more of the right and of the top.

    READ: OpenEXR, StandardAttributes (unit); the signs are from memory.
    """
    offset = Attribute("float2", (1800.0, 900.0))
    found = find_camera(part(sensorCenterOffset=offset, **LENS)).camera
    # 36 mm are 200 pixels: the axis is 10 pixels left of the window's middle, and 5 below it.
    assert found.centre_px == pytest.approx((110 - 10, 70 + 5))


def test_a_screen_window_of_one_is_no_lens_but_the_value_of_ignorance() -> None:
    found = find_camera(
        part(screenWindowWidth=number(1.0), screenWindowCenter=Attribute("float2", (0.0, 0.0)))
    )
    assert found.camera.focal_length_mm == 35.0
    assert "no lens in the metadata" in found.warnings[0]
    assert "54 degrees" in found.warnings[0]
    assert "no camera matrix" in found.warnings[1]


def test_photosites_and_pixel_aspect_give_the_film_back() -> None:
    found = find_camera(
        part(
            pixel_aspect=2.0,
            effectiveFocalLength=number(40.0),
            sensorPhotositePitch=number(5.0),
            sensorAcquisitionRectangle=Attribute("vector2i[2]", (0, 0, 3999, 1999)),
        )
    ).camera
    assert found.film_width_mm == pytest.approx(20.0)
    assert found.tangent_per_px == pytest.approx((0.0025, 0.00125))


def test_contradicting_lenses_are_told() -> None:
    told = find_camera(part(screenWindowWidth=number(2.0), **LENS)).warnings
    assert any("contradicts itself" in text for text in told)


def test_statements_fill_what_is_missing_and_override_only_when_asked() -> None:
    statement = CameraStatement(hfov_deg=90.0, film_width_mm=36.0)
    assert find_camera(part(), statement=statement).camera.focal_length_mm == pytest.approx(18.0)
    assert find_camera(part(**LENS), statement=statement).camera.focal_length_mm == 28.0
    asked = CameraStatement(hfov_deg=90.0, film_width_mm=36.0, override=True)
    assert find_camera(part(**LENS), statement=asked).camera.focal_length_mm == pytest.approx(18.0)
    moved = CameraStatement(camera_to_world=((1, 0, 0, 1), (0, 1, 0, 2), (0, 0, 1, 3), (0, 0, 0, 1)))
    found = find_camera(part(**LENS), statement=moved, unit_m=0.01)
    np.testing.assert_allclose(found.camera.position_m, [0.01, 0.02, 0.03])
    assert found.warnings == ()


def test_a_stated_matrix_fills_what_is_missing_and_overrides_only_when_asked(scene: Scene) -> None:
    elsewhere = ((1.0, 0.0, 0.0, 1.0), (0.0, 1.0, 0.0, 2.0), (0.0, 0.0, 1.0, 3.0), (0.0, 0.0, 0.0, 1.0))
    written: dict[str, Any] = {"worldToCamera": matrix(world_to_camera(scene.camera)), **LENS}
    for entries, override, expected in (
        (LENS, False, [1.0, 2.0, 3.0]),
        (written, False, scene.camera.position_m),
        (written, True, [1.0, 2.0, 3.0]),
    ):
        said = CameraStatement(camera_to_world=elsewhere, override=override)
        found = find_camera(part(scene.window, **entries), statement=said).camera
        np.testing.assert_allclose(found.position_m, expected, atol=1e-9)


def test_scene_units_scale_the_position_and_clipping_planes(scene: Scene) -> None:
    written = world_to_camera(scene.camera)
    entries: dict[str, Any] = {
        "worldToCamera": matrix(written),
        "near": number(10.0),
        "far": number(1000.0),
        **LENS,
    }
    found = find_camera(part(scene.window, **entries), unit_m=0.1).camera
    np.testing.assert_allclose(found.position_m, scene.camera.position_m * 0.1)
    assert (found.near_m, found.far_m) == pytest.approx((1.0, 100.0))


def test_each_view_has_its_own_camera() -> None:
    left, right = np.eye(4), np.eye(4)
    right[3, 0] = -0.065
    entries: dict[str, Any] = {"worldToCamera": matrix(left), "right.worldToCamera": matrix(right)}
    file = part(**LENS, **entries)
    assert find_camera(file, view="left").camera.position_m[0] == 0.0
    assert find_camera(file, view="right").camera.position_m[0] == pytest.approx(0.065)


def test_a_scaled_matrix_is_used_without_its_scale_and_told() -> None:
    written = np.diag([100.0, 100.0, 100.0, 1.0])
    found = find_camera(part(worldToCamera=matrix(written), **LENS))
    np.testing.assert_allclose(found.camera.rotation, np.eye(3), atol=1e-12)
    assert "scales by 100" in found.warnings[0]


# The last three were found by benchmarks/attacks.py: no inverse though the axes have one, or none of any use.
@pytest.mark.parametrize(
    "bad",
    [
        np.zeros((4, 4)),
        np.full((4, 4), np.nan),
        np.diag([1.0, 1.0, 1.0, 0.0]),
        np.diag([1e200, 1.0, 1.0, 1.0]),
        np.diag([1e-9, 1e-9, 1e-9, 1.0]),
    ],
)
def test_a_matrix_that_cannot_be_inverted_is_refused(bad: F64) -> None:
    with pytest.raises(CameraError, match=r"E-CAMERA-MATRIX.*\n.*Correct the attribute worldToCamera"):
        find_camera(part(worldToCamera=matrix(bad), **LENS))


@pytest.mark.parametrize("metres", [1.1e9, -3e38, 1e300])
def test_a_camera_beyond_all_places_is_refused(metres: float) -> None:
    """Places in float32 would overflow: the picture had pixels that are no numbers, and no error."""
    moved = np.eye(4)
    moved[3, 1] = metres
    with pytest.raises(CameraError, match=r"E-CAMERA-MATRIX.*from the world's origin\n.*input\.scene_unit"):
        find_camera(part(worldToCamera=matrix(moved), **LENS))


def test_a_view_whose_axis_lies_beyond_all_windows_is_refused() -> None:
    """Its view rays' squares would leave float32."""
    centre = Attribute("float2", (1e30, 0.0))
    with pytest.raises(CameraError, match=r"E-CAMERA-LENS.*whose axis meets the picture"):
        find_camera(part(screenWindowWidth=number(0.8), screenWindowCenter=centre))


@pytest.mark.parametrize("angle", [0.0, 180.0, -5.0])
def test_impossible_angles_of_view_are_refused(angle: float) -> None:
    with pytest.raises(CameraError, match="E-CAMERA-LENS"):
        CameraStatement(hfov_deg=angle)
