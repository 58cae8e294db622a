"""Lamps' light while the shutter is open, against the mean of many moments of it.

The truth is the same look with a closed shutter at many moments, each with the geometry of its own time.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from halocline._typing import F32
from halocline.graph.engine import Evaluation, evaluate
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.presets.build import make_shot
from halocline.presets.preset import preset_from_text
from halocline.rgb import LINEAR_REC709

WINDOW = Window(0, 0, 128, 72)
NUMBER, MOMENTS = 1001, 17
LOOK = """
format = 2
[water]
jerlov_type = "IB"
[place]
camera_depth = 20
[light]
shadows = false
veil_brightness = 0.0
[sequence]
shutter_angle = {shutter}
[[light.lamps]]
space = "{space}"
position = {position}
target = {target}
cone_angle = 16
edge_angle = 3
radius = 0.05
shadows = {shadows}
[steps.lamps]
daylight = 0.0
[steps.lamp_backscatter]
"""
# Off the lens's axis, to one side of what it lights; and one that shines past the lens.
BESIDE = {"space": "world", "position": [0.5, 0.5, -1.0], "target": [-0.5, 0.0, -4.0]}
TOWARDS = {"space": "world", "position": [0.8, 0.05, -3.0], "target": [0.0, 0.0, 0.0]}
RIDING = {"space": "camera", "position": [1.2, 0.5, 1.0], "target": [0.0, 0.0, 4.0]}
Way = tuple[float, tuple[float, float, float]]
PARTS = ("wall", "haze")
FAST_PAN = (12.0, (0.0, 0.0, 0.0))
PAN, ROUND, AHEAD = (4.0, (0.0, 0.0, 0.0)), (2.0, (-0.2, 0.0, 0.0)), (0.0, (0.0, 0.0, -0.4))


def lens(at: float, way: Way) -> Camera:
    """A level lens some frames from the middle of its way: degrees that it pans, and metres, a frame."""
    pan = np.radians(way[0] * at)
    matrix = np.eye(4)
    matrix[:3, :3] = [[np.cos(pan), 0, np.sin(pan)], [0, 1, 0], [-np.sin(pan), 0, np.cos(pan)]]
    matrix[:3, 3] = np.array(way[1]) * at
    return pinhole(WINDOW, focal_length_mm=30.0, film_width_mm=36.0, camera_to_world=matrix)


def seen(camera: Camera) -> Frame:
    """A wall four metres ahead, and a post before it, as a camera sees them."""
    view = camera.directions(WINDOW).astype(np.float64)
    place = camera.position_m

    def upright(z: float) -> F32:
        return np.asarray((z - place[2]) / view[2], np.float32)

    range_m, post = upright(-4.0), upright(-2.6)
    across = place[0] + post * view[0]
    range_m = np.where(np.abs(across + 0.1) < 0.12, post, range_m)
    ones = np.ones(WINDOW.shape, np.float32)
    normal = np.zeros((3, *WINDOW.shape), np.float32)
    normal[2] = 1.0
    return Frame(
        {"rgb": np.stack([ones] * 3), "alpha": ones, "range": range_m, "normal": normal}, WINDOW, WINDOW
    )


def lit(
    track: CameraTrack,
    lamp: Mapping[str, object],
    *,
    shutter: float = 180.0,
    shadows: bool = False,
    how: Evaluation | None = None,
) -> dict[str, F32]:
    """The light on the wall alone, and the haze with the lamp's face and glow."""
    text = LOOK.format(shutter=shutter, shadows=str(shadows).lower(), **lamp).replace("'", '"')
    preset = preset_from_text(text)
    frame = seen(track.at(NUMBER))
    shot = make_shot(
        preset,
        NUMBER,
        track,
        space=LINEAR_REC709,
        display_window=WINDOW,
        data_window=WINDOW,
        surfaces=frame,
    )
    made = evaluate(preset.at(NUMBER).graph, frame, shot, wanted=("bands", "lamp_haze"), how=how)
    return {"wall": made["bands"][2] - made["lamp_haze"][2], "haze": made["lamp_haze"][2]}


def track(way: Way) -> CameraTrack:
    return CameraTrack({NUMBER + at: lens(at, way) for at in (-1, 0, 1)})


def mean_of_moments(way: Way, lamp: Mapping[str, object], *, shadows: bool = False) -> dict[str, F32]:
    moments = 0.5 * ((np.arange(MOMENTS) + 0.5) / MOMENTS - 0.5)
    found = [
        lit(CameraTrack({NUMBER: lens(float(at), way)}), lamp, shutter=0.0, shadows=shadows) for at in moments
    ]
    return {part: np.asarray(np.mean([each[part] for each in found], axis=0), np.float32) for part in PARTS}


def off(found: F32, truth: F32) -> float:
    """How far light is from the truth, over how much the truth varies: of the worst hundredth of pixels."""
    return float(np.percentile(np.abs(found - truth), 99) / truth.std())


@pytest.mark.parametrize("way", [PAN, ROUND, AHEAD], ids=["pan", "round", "ahead"])
@pytest.mark.parametrize("shadows", [False, True])
def test_a_lens_that_passes_a_lamp_draws_its_beam_out_as_many_moments_do(way: Way, *, shadows: bool) -> None:
    truth = mean_of_moments(way, BESIDE, shadows=shadows)
    still = lit(CameraTrack({NUMBER: lens(0.0, way)}), BESIDE, shadows=shadows)
    moving = lit(track(way), BESIDE, shadows=shadows)
    # Along the post the pixels of many moments show post and wall, those of one frame one of them.
    along = np.abs(np.diff(seen(lens(0.0, way)).plane("range"), axis=1, prepend=0.0)) > 0.2
    away = ~(np.apply_along_axis(np.convolve, 1, along, np.ones(9), "same") > 0.0)
    for part in PARTS:
        stood = off(still[part][away], truth[part][away])
        # Measured: .005 to .1 of it; of a shadow, which only what the lens sees can throw, up to .61.
        assert off(moving[part][away], truth[part][away]) < (0.65 if shadows else 0.3) * stood, part


def test_a_lamps_face_is_drawn_out_and_keeps_its_light() -> None:
    truth = mean_of_moments(FAST_PAN, TOWARDS)["haze"]
    still = lit(CameraTrack({NUMBER: lens(0.0, PAN)}), TOWARDS)["haze"]
    moving = lit(track(FAST_PAN), TOWARDS)["haze"]
    assert moving.sum() == pytest.approx(float(truth.sum()), rel=0.02)
    assert moving.max() == pytest.approx(float(truth.max()), rel=0.1)
    assert still.max() > 2.0 * float(truth.max())


def test_a_lamp_that_rides_on_the_camera_stands_still_in_the_picture() -> None:
    still, moving = lit(CameraTrack({NUMBER: lens(0.0, PAN)}), RIDING), lit(track(PAN), RIDING)
    for part in PARTS:
        np.testing.assert_array_equal(moving[part], still[part])


def test_a_lens_that_stands_still_changes_nothing() -> None:
    still = CameraTrack({NUMBER + at: lens(0.0, PAN) for at in (-1, 0, 1)})
    for part, light in lit(still, TOWARDS).items():
        np.testing.assert_array_equal(light, lit(still, TOWARDS, shutter=0.0)[part])


@pytest.mark.parametrize("lamp", [BESIDE, TOWARDS], ids=["beside", "towards"])
def test_bits_do_not_depend_on_tiles_or_threads(lamp: Mapping[str, object]) -> None:
    whole = lit(track(ROUND), lamp, shadows=True, how=Evaluation(1, 200))
    tiled = lit(track(ROUND), lamp, shadows=True, how=Evaluation(2, 5))
    for part in PARTS:
        np.testing.assert_array_equal(tiled[part], whole[part])
