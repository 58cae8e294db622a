"""Flat, dome and measured ports in a graph."""

from __future__ import annotations

import cv2
import numpy as np
import OpenImageIO as oiio
import pytest
from tests.operators.scene import HEAD, camera, made, posts_before_a_wall

from halocline._typing import F32
from halocline.errors import HaloclineError
from halocline.graph.engine import Evaluation
from halocline.graph.shot import Shot
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.operators.flat_port import FlatPortOperator, FlatPortParameters
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 320, 180)
LENS = camera(WINDOW, focal_length_mm=20.0)
FLAT = "[steps.flat_port]\n"
DOME = '[steps.dome_port]\nradius = "9 cm"\nsubject_range = "1 m"\nf_number = 2.8\n'
MEASURED = """
[steps.measured_port]
photograph = [1920, 1080]
water = {radial = [0.12, 0.03, 0.0], centre = [0.01, 0.0]}
"""
PORTS = {"flat": FLAT, "dome": DOME + 'pupil_forward = "1 cm"\n', "measured": MEASURED}


def smooth_frame(window: Window = WINDOW) -> Frame:
    y, x = np.mgrid[window.y : window.y_end, window.x : window.x_end].astype(np.float32)
    rgb = np.stack([0.5 + 0.4 * np.sin(x / 19.0 + k) * np.cos(y / 23.0 - k) for k in range(3)])
    ones = np.ones(window.shape, np.float32)
    return Frame({"rgb": rgb.astype(np.float32), "alpha": ones, "range": 3 * ones}, window, WINDOW)


def disc(radius_px: float) -> Frame:
    y, x = np.mgrid[: WINDOW.height, : WINDOW.width]
    inside = np.hypot(x + 0.5 - 160.0, y + 0.5 - 90.0) < radius_px
    ones = np.ones(WINDOW.shape, np.float32)
    return Frame(
        {"rgb": np.stack([inside.astype(np.float32)] * 3), "alpha": ones, "range": ones}, WINDOW, WINDOW
    )


def width(rgb: F32, channel: int = 1) -> float:
    return float(rgb[channel, 90].sum())


def test_flat_port_narrows_the_field_of_a_lens_stated_in_air_by_the_index() -> None:
    frame = disc(20.0)
    seen = made(FLAT + 'render_lens = "air"\nsoftness = 0.0\nsubject_range = 100.0\n', frame, LENS)["rgb"]
    assert width(seen) / width(frame.planes["rgb"]) == pytest.approx(1.34, rel=0.01)
    kept = made(FLAT + "softness = 0.0\nsubject_range = 100.0\n", frame, LENS)["rgb"]
    assert width(kept) / width(frame.planes["rgb"]) == pytest.approx(1.0, rel=0.01)


def test_flat_port_draws_the_corners_outwards_blue_most() -> None:
    frame = disc(100.0)
    seen = made(FLAT + "softness = 0.0\n", frame, LENS)["rgb"]
    assert width(seen, 2) > width(seen, 1) > width(seen, 0) > width(frame.planes["rgb"]) + 10
    grey = made(FLAT + "softness = 0.0\nfringes = 0.0\n", frame, LENS)["rgb"]
    np.testing.assert_array_equal(grey[0], grey[2])


def test_centred_dome_moves_nothing_and_softens_the_corners() -> None:
    planes = made(DOME, smooth_frame(), LENS, wanted=("rgb", "displacement", "blur_px"))
    assert np.abs(planes["displacement"]).max() < 1e-4
    blur = planes["blur_px"]
    assert blur[0, 0] > blur[45, 80] > blur[90, 160]


@pytest.mark.parametrize("port", PORTS.values(), ids=PORTS.keys())
def test_removing_a_port_takes_its_picture_back(port: str) -> None:
    frame = smooth_frame()
    seen = made(port + ("" if "measured" in port else "softness = 0.0\n"), frame, LENS)["rgb"]
    back = made(port + 'mode = "remove"\n', frame.with_planes(rgb=seen), LENS)["rgb"]
    inner = (slice(None), slice(30, -30), slice(60, -60))
    assert np.abs(seen - frame.planes["rgb"])[inner].max() > 0.02
    assert np.abs(back - frame.planes["rgb"])[inner].max() < 3e-3


@pytest.mark.parametrize("port", PORTS.values(), ids=PORTS.keys())
def test_exported_map_gives_the_same_picture_in_openimageio(port: str) -> None:
    # OpenImageIO's st_warp with the map as any program would use it.
    frame = smooth_frame()
    calm = port + ("" if "measured" in port else "softness = 0.0\nfringes = 0.0\n")
    planes = made(calm, frame, LENS, wanted=("rgb", "lookup_map"))
    source = np.ascontiguousarray(np.moveaxis(frame.planes["rgb"], 0, -1))
    warped = oiio.ImageBufAlgo.st_warp(
        oiio.ImageBuf(source),
        oiio.ImageBuf(np.ascontiguousarray(np.moveaxis(planes["lookup_map"], 0, -1))),
        "triangle",
        0.0,
        0,
        1,
        False,
        False,
    )
    assert not warped.has_error, warped.geterror()
    theirs = np.moveaxis(np.asarray(warped.get_pixels("float")), -1, 0)
    inner = (slice(None), slice(4, -4), slice(4, -4))
    assert np.abs(theirs - planes["rgb"])[inner].max() < 3e-3


def test_exported_map_with_overscan_counts_from_the_display_window_as_openimageio_does() -> None:
    wide = Window(-40, -24, 400, 228)
    frame = smooth_frame(wide)
    planes = made(FLAT + "softness = 0.0\nfringes = 0.0\n", frame, LENS, wanted=("rgb", "lookup_map"))
    buffers = []
    for array in (frame.planes["rgb"], planes["lookup_map"]):
        buffer = oiio.ImageBuf(np.ascontiguousarray(np.moveaxis(array, 0, -1)))
        buffer.set_origin(wide.x, wide.y)
        buffer.set_full(0, WINDOW.width, 0, WINDOW.height, 0, 1)
        buffers.append(buffer)
    warped = oiio.ImageBufAlgo.st_warp(buffers[0], buffers[1], "triangle", 0.0, 0, 1, False, False)
    assert not warped.has_error, warped.geterror()
    theirs = np.moveaxis(np.asarray(warped.get_pixels("float")), -1, 0)
    inner = (slice(None), slice(40, -40), slice(60, -60))
    assert np.abs(theirs - planes["rgb"])[inner].max() < 3e-3


@pytest.mark.parametrize("port", PORTS.values(), ids=PORTS.keys())
def test_pixel_inside_is_the_same_with_and_without_overscan(port: str) -> None:
    wide = Window(-40, -24, 400, 228)
    without = made(port, smooth_frame(), LENS)["rgb"]
    within = made(port, smooth_frame(wide), LENS)["rgb"]
    rows, columns = wide.slices_of(WINDOW)
    inner = (slice(None), slice(40, -40), slice(60, -60))
    np.testing.assert_allclose(within[:, rows, columns][inner], without[inner], atol=2e-4)


def test_lacking_overscan_is_told_and_used_where_it_is_there() -> None:
    remove = FLAT + 'mode = "remove"\npupil_distance = "6 cm"\n'
    frame = smooth_frame()
    (told,) = warnings_of(remove, WINDOW)
    assert told.startswith("flat port: the port looks beyond the render by")
    assert "px left" in told
    assert "Render with that much overscan" in told
    wide = Window(-200, -110, 720, 400)
    assert warnings_of(remove, wide) == ()
    lacking, enough = (made(remove, picture, LENS)["rgb"] for picture in (frame, smooth_frame(wide)))
    rows, columns = wide.slices_of(WINDOW)
    # In the corner the repeated edge is replaced by what the overscan shows.
    assert np.abs(enough[:, rows, columns] - lacking)[:, 0, 0].max() > 0.01


def warnings_of(text: str, data_window: Window) -> tuple[str, ...]:
    preset = preset_from_text(HEAD + text)
    return preset.at(1).graph.warnings(shot_over(data_window, preset))


def shot_over(data_window: Window, preset: Preset) -> Shot:
    return make_shot(
        preset,
        1,
        CameraTrack({1: LENS}),
        space=LINEAR_REC709,
        display_window=WINDOW,
        data_window=data_window,
    )


def test_ports_state_the_overscan_they_need() -> None:
    operator = FlatPortOperator(FlatPortParameters(mode="remove", pupil_distance=0.06))
    left, top, right, bottom = operator.prepare(shot_over(WINDOW, preset_from_text(HEAD))).overscan(WINDOW)
    assert left == right > 10
    assert top == bottom > 5


def test_coverage_is_bent_with_the_colour() -> None:
    frame = disc(60.0)
    cover = frame.planes["rgb"][0]
    planes = made(FLAT + "softness = 0.0\nfringes = 0.0\n", frame.with_planes(alpha=cover), LENS)
    np.testing.assert_array_equal(planes["alpha"], planes["rgb"][1])


@pytest.mark.parametrize("port", PORTS.values(), ids=PORTS.keys())
def test_same_bits_for_any_threads_and_tiles(port: str) -> None:
    frame = posts_before_a_wall(WINDOW)
    reference = made(port, frame, LENS, how=Evaluation(1, 180))["rgb"]
    before = cv2.getNumThreads()
    try:
        for threads in (1, 2, 3):
            cv2.setNumThreads(threads)
            other = made(port, frame, LENS, how=Evaluation(threads, 13))["rgb"]
            np.testing.assert_array_equal(other, reference)
    finally:
        cv2.setNumThreads(before)


def test_measured_water_alone_moves_nothing_where_air_is_the_same() -> None:
    both = MEASURED + "air = {radial = [0.12, 0.03, 0.0], centre = [0.01, 0.0]}\n"
    moved = made(both, smooth_frame(), LENS, wanted=("rgb", "displacement"))["displacement"]
    assert np.abs(moved).max() < 1e-3


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (MEASURED.replace("[1920, 1080]", "[1600, 1200]"), "not of the same shape"),
        (
            FLAT + 'render_lens = "air"\nmode = "remove"\n[camera]\nfocal_length_mm = 8.0\n',
            "use a longer lens",
        ),
        ('[steps.dome_port]\nradius = "1 cm"\nglass_thickness = "2 cm"\n', "thinner than the radius"),
    ],
)
def test_impossible_ports_are_told(text: str, message: str) -> None:
    lens = camera(WINDOW, focal_length_mm=8.0) if "longer lens" in message else LENS
    with pytest.raises(HaloclineError, match=message):
        made(text, smooth_frame(), lens)
