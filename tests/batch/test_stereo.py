"""Two eyes: where they stand, and that what floats and what light draws stand where both see them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import OpenEXR
import pytest

from halocline._typing import F32, F64
from halocline.batch.frame_task import read_inputs, render
from halocline.batch.task import FrameTask
from halocline.errors import CameraError, PresetError
from halocline.graph.engine import Evaluation
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Window
from halocline.presets.build import make_shot, rig_of
from halocline.presets.preset import Preset, preset_from_text
from halocline.rgb import LINEAR_REC709

WIDTH, HEIGHT = 240, 136
WINDOW = Window(0, 0, WIDTH, HEIGHT)
REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
LOOK = """
format = 1
[water]
jerlov_type = "IB"
[place]
camera_depth = 6.0
[camera]
focal_length_mm = 24.0
"""
EYES = ("views.interaxial=0.065", "views.convergence=4.0")
# Focal length in pixels: 24 mm on 36 mm of 240 pixels.
FOCAL_PX = 24.0 / 36.0 * WIDTH


def write(
    path: Path,
    views: tuple[str, ...] = ("left", "right"),
    *,
    tilt_deg: float = 0.0,
    range_m: F64 | None = None,
    own: bool = False,
) -> Path:
    """Write grey things under one level or tilted camera, a part a view."""
    tilt = np.radians(tilt_deg)
    turned = np.eye(4)
    turned[1:3, 1:3] = [[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]]
    world_to_camera = np.diag([1.0, 1.0, -1.0, 1.0]) @ np.linalg.inv(turned)
    far = np.full((HEIGHT, WIDTH), 30.0) if range_m is None else range_m
    channels = {**dict.fromkeys("RGB", np.full(far.shape, 0.2)), "A": np.ones(far.shape), "Z": far}
    planes = {name: plane.astype(np.float32) for name, plane in channels.items()}
    parts = []
    for number, view in enumerate(views):
        moved = world_to_camera.copy()
        moved[0, 3] -= 0.1 * number if own else 0.0
        header: dict[str, Any] = {"type": OpenEXR.scanlineimage, "chromaticities": REC709}
        if own or number == 0:
            header["worldToCamera"] = np.ascontiguousarray(moved.T, np.float32)
        if view:
            header["view"] = view
        parts.append(OpenEXR.Part(header, {n: OpenEXR.Channel(p) for n, p in planes.items()}, view or "one"))
    OpenEXR.File(parts).write(str(path))
    return path


def cameras(path: Path, *settings: str, text: str = LOOK) -> dict[str, Camera]:
    inputs = read_inputs(FrameTask(1001, path, None, path), preset_from_text(text, settings))
    return {view: track.at(1001) for view, track in inputs.tracks.items()}


def ahead(camera: Camera, metres: float) -> F64:
    """Return where a point straight ahead of the middle camera is seen."""
    pixel, _ = camera.project(np.array([[0.0, 0.0, -metres]]))
    return np.asarray(pixel[0])


@pytest.fixture
def pair(tmp_path: Path) -> Path:
    return write(tmp_path / "pair.exr")


def test_eyes_stand_apart_and_meet_in_the_screen_plane(pair: Path) -> None:
    """interaxial, convergence. Disparity b f (1/D - 1/z): .065 m, 160 px, 4, 8 m give 1.3 px; 2 m, -2.6."""
    eyes = cameras(pair, *EYES)
    assert [eyes[name].position_m[0] for name in ("left", "right")] == pytest.approx([-0.0325, 0.0325])
    for metres, expected in ((4.0, 0.0), (8.0, 1.3), (2.0, -2.6)):
        left, right = ahead(eyes["left"], metres), ahead(eyes["right"], metres)
        assert right[0] - left[0] == pytest.approx(0.065 * FOCAL_PX * (1 / 4.0 - 1 / metres), abs=1e-9)
        assert right[0] - left[0] == pytest.approx(expected, abs=1e-9)
        assert right[1] == left[1]
    # Without a screen plane the film backs stay where they are.
    parallel = cameras(pair, EYES[0])
    assert parallel["left"].centre_px == parallel["right"].centre_px == (120.0, 68.0)


@pytest.mark.parametrize(("stands", "left"), [("middle", -0.0325), ("left", 0.0), ("right", -0.065)])
def test_the_render_camera_may_be_one_of_the_eyes(pair: Path, stands: str, left: float) -> None:
    """views.camera."""
    eyes = cameras(pair, *EYES, f"views.camera={stands}")
    assert eyes["left"].position_m[0] == pytest.approx(left)
    assert eyes["right"].position_m[0] == pytest.approx(left + 0.065)
    assert ahead(eyes["left"], 4.0) == pytest.approx(ahead(eyes["right"], 4.0))


def test_views_go_by_their_names_and_a_sequence_of_one_by_its_eye(tmp_path: Path) -> None:
    """views.left, views.right, views.eye."""
    named = write(tmp_path / "named.exr", ("port", "starboard"))
    eyes = cameras(named, *EYES, "views.left=port", "views.right=starboard")
    assert eyes["port"].position_m[0] < 0 < eyes["starboard"].position_m[0]
    eyes = cameras(named, *EYES, "views.left=starboard", "views.right=port")
    assert eyes["starboard"].position_m[0] < 0 < eyes["port"].position_m[0]
    one = write(tmp_path / "one.exr", ("",))
    assert cameras(one, *EYES)[""].position_m[0] == 0.0
    for side, place in (("left", -0.0325), ("right", 0.0325)):
        assert cameras(one, *EYES, f"views.eye={side}")[""].position_m[0] == pytest.approx(place)


def test_eyes_with_cameras_of_their_own_are_not_moved_unless_asked(tmp_path: Path) -> None:
    """views.replace."""
    own = write(tmp_path / "own.exr", own=True)
    assert cameras(own)["right"].position_m[0] == pytest.approx(0.1)
    with pytest.raises(CameraError, match=r"E-CAMERA-EYES(.|\n)*views\.replace = true"):
        cameras(own, *EYES)
    assert cameras(own, *EYES, "views.replace=true")["right"].position_m[0] == pytest.approx(0.1325)


def test_eyes_that_make_no_sense_are_refused() -> None:
    for settings in (["views.convergence=4"], ["views.eye=left"], [*EYES, "views.left=right"]):
        with pytest.raises(PresetError, match=r"views"):
            preset_from_text(LOOK, settings)


def test_one_camera_for_both_eyes_is_told(pair: Path) -> None:
    def told(*settings: str) -> str:
        preset = preset_from_text(LOOK, settings)
        return "\n".join(read_inputs(FrameTask(1001, pair, None, pair), preset).loaded.warnings)

    assert 'views "left" and "right" have one camera' in told()
    assert "views.interaxial" in told()
    assert "one camera" not in told(*EYES)


def layers(path: Path, preset: Preset) -> dict[str, dict[str, F32]]:
    result = render(read_inputs(FrameTask(1001, path, None, path), preset), preset, Evaluation(2))
    return {view: dict(picture.layers) for view, picture in result.pictures.items()}


def spot(plane: F32, column: int, row: int) -> F64 | None:
    """Return the centre of light in a square of 9 pixels; None where there is light at its rim, or none."""
    square = plane[row - 4 : row + 5, column - 4 : column + 5].astype(np.float64)
    rim = np.ones(square.shape, np.bool_)
    rim[1:-1, 1:-1] = False
    if square.shape != (9, 9) or square.sum() <= 0.0 or square[rim].max() > 3e-3 * square.max():
        return None
    rows, columns = np.mgrid[row - 4 : row + 5, column - 4 : column + 5] + 0.5
    return np.asarray([(square * columns).sum(), (square * rows).sum()] / square.sum())


def test_particles_stand_where_both_eyes_see_them(pair: Path) -> None:
    """Of each that lies apart from others, where one eye and its range say it is, the other sees it."""
    preset = preset_from_text(
        LOOK
        + """
[output]
layers = ["particles", "particle_range"]
[sequence]
shutter_angle = 0.0
[steps.attenuation]
[steps.veiling_light]
[steps.suspended_matter]
haze = 0.0
[[steps.suspended_matter.classes]]
name = "grit"
kind = "grain"
per_litre = 0.00002
smallest = 0.012
largest = 0.02
""",
        EYES,
    )
    eyes, made = cameras(pair, *EYES), layers(pair, preset)
    left, right = (np.abs(made[view]["particles"]).sum(axis=0) for view in ("left", "right"))
    off, moved = [], []
    peaks = (left == cv2.dilate(left, np.ones((9, 9)))) & (left > 0.02 * left.max())
    for row, column in np.argwhere(peaks):
        here = spot(left, column, row)
        if here is None:
            continue
        ray = eyes["left"].directions(Window(int(column), int(row), 1, 1))[:, 0, 0]
        metres = made["left"]["particle_range"][row, column]
        # The middle of the pixel to the middle of the spot is the same in both eyes, but for its size.
        there, _ = eyes["right"].project((eyes["left"].position_m + metres * ray)[None])
        expected = there[0] + here - (column + 0.5, row + 0.5)
        seen = spot(right, *np.floor(expected).astype(int)[:2])
        if seen is not None:
            off.append(seen - expected)
            moved.append(expected[0] - here[0])
    assert len(off) >= 8
    assert np.ptp(moved) > 2.0
    assert np.abs(off).max() < 0.1


def test_caustics_lie_where_both_eyes_see_them(tmp_path: Path) -> None:
    """On a floor 3 m below a lens that looks down: one eye's net, moved by the geometry, is the other's."""
    flat = write(tmp_path / "flat.exr", tilt_deg=-50.0)
    text = LOOK + "[steps.caustics]\n[output]\nlayers = ['caustic_gain']\n[input]\ndepth_kind = 'range'\n"
    eyes = cameras(flat, *EYES, text=text)
    ranges = {view: -3.0 / camera.directions(WINDOW)[1] for view, camera in eyes.items()}
    assert all((plane > 0).all() for plane in ranges.values())
    # The eyes differ in what they see along each ray: a file of both.
    pair = write_pair(tmp_path / "floor.exr", flat, ranges)
    made = layers(pair, preset_from_text(text, EYES))
    net = {view: made[view]["caustic_gain"].mean(axis=0) for view in made}
    points = eyes["right"].position_m + np.moveaxis(
        eyes["right"].directions(WINDOW) * ranges["right"], 0, -1
    ).astype(np.float64)
    where, _ = eyes["left"].project(points.reshape(-1, 3))
    x, y = (where[:, axis].reshape(HEIGHT, WIDTH).astype(np.float32) - np.float32(0.5) for axis in (0, 1))
    expected = cv2.remap(net["left"], x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    inner = np.s_[8:-8, 24:-24]
    shift, sure = cv2.phaseCorrelate(
        expected[inner].astype(np.float64),
        net["right"][inner].astype(np.float64),
        cv2.createHanningWindow((WIDTH - 48, HEIGHT - 16), cv2.CV_64F),
    )
    assert sure > 0.5
    assert np.hypot(shift[0], shift[1]) < 0.1
    off = np.abs(expected - net["right"])[inner].mean()
    assert off < 0.4 * np.abs(net["left"] - net["right"])[inner].mean()


def write_pair(path: Path, like: Path, ranges: dict[str, F32]) -> Path:
    """Write a file as another, with ranges by view."""
    file = OpenEXR.File(str(like), separate_channels=True)
    parts = []
    for part in file.parts:
        channels = {name: OpenEXR.Channel(each.pixels) for name, each in part.channels.items()}
        channels["Z"] = OpenEXR.Channel(ranges[part.header["view"]].astype(np.float32))
        parts.append(OpenEXR.Part(dict(part.header), channels, part.name()))
    OpenEXR.File(parts).write(str(path))
    return path


def centre_of(plane: F32) -> F64:
    """Return the middle of light, pixels."""
    rows, columns = np.mgrid[: plane.shape[0], : plane.shape[1]] + 0.5
    light = plane.astype(np.float64)
    return np.asarray([(light * columns).sum(), (light * rows).sum()] / light.sum())


BUBBLES = """
[steps.bubbles]
turbulence = 0.0
[[steps.bubbles.sources]]
name = "one"
track = [{ frame = 1001, position = [0.3, -0.6, -2.5] }]
bursts = [{ frame = 1000, seconds = 0.02, count = 40.0 }]
median_diameter = 8e-3
"""
BODY = """
[steps.turbid_bodies]
[[steps.turbid_bodies.bodies]]
name = "puff"
position = [0.3, -0.4, -4.0]
size = [0.5, 0.5, 0.5]
visibility = 1.0
clumping = 0.0
"""
SEDIMENT = """
[steps.turbid_bodies]
[[steps.turbid_bodies.sediment]]
name = "kicked"
floor = -0.5
clumping = 0.0
track = [
    { frame = 990, position = [-0.1, -0.2, -4.0], grams_per_second = 40.0 },
    { frame = 1001, position = [0.1, -0.2, -4.0], grams_per_second = 40.0 },
]
"""
LIVING = """
[light]
veil_brightness = 0.0
[steps.living_light]
glow = 0.0
current = [0.0, 0.0, 0.0]
classes = [{ name = "cells", per_litre = 40.0, brightness = 60.0 }]
wakes = [{ radius = 0.1, settle = 1.0, track = [
    { frame = 995, nose = [0.1, 0.0, -3.0] }, { frame = 1001, nose = [0.3, 0.0, -3.0] }] }]
"""


@pytest.mark.parametrize("own", [False, True])
@pytest.mark.parametrize(
    ("steps", "layer", "ranges"),
    [
        (BUBBLES, "bubbles", "bubble_range"),
        (BODY, "bodies", None),
        (SEDIMENT, "bodies", None),
        (LIVING, "living_light", None),
    ],
)
def test_what_floats_stands_where_both_eyes_see_it(
    tmp_path: Path, steps: str, layer: str, ranges: str | None, own: bool
) -> None:
    """The middle of it in one eye, at its range, is its middle in the other."""
    source = write(tmp_path / "pair.exr", own=own)
    settings = () if own else ("views.interaxial=0.065", "views.convergence=8.0")
    wanted = [layer] if ranges is None else [layer, ranges, "bubble_alpha"]
    text = LOOK + f"[output]\nlayers = {wanted!r}\n[steps.attenuation]\n[steps.veiling_light]\n{steps}"
    eyes, made = cameras(source, *settings, text=text), layers(source, preset_from_text(text, settings))
    left, right = (np.abs(made[view][layer]).sum(axis=0) for view in ("left", "right"))
    here, there = centre_of(left), centre_of(right)
    if ranges is None:
        metres = {BODY: np.hypot(4.0, 0.5), SEDIMENT: 4.0, LIVING: 3.0}[steps]
    else:
        cover = made["left"]["bubble_alpha"]
        metres = (cover * np.where(cover > 0.0, made["left"][ranges], 0.0)).sum() / cover.sum()
    ray = np.array([*((here - eyes["left"].centre_px) * eyes["left"].tangent_per_px * (1, -1)), -1.0])
    point = eyes["left"].position_m + metres * ray / np.linalg.norm(ray)
    expected, _ = eyes["right"].project(point[None])
    assert np.abs(there - here).max() > 0.5
    np.testing.assert_allclose(there, expected[0], atol=0.1)


@pytest.mark.parametrize("own", [False, True])
def test_a_lamp_on_the_rig_is_one_lamp_for_both_eyes(tmp_path: Path, own: bool) -> None:
    """Its spot on a wall lies where the middle of the eyes aims it, for the left and for the right eye."""
    rays = cameras(write(tmp_path / "one.exr", ("",)))[""].directions(WINDOW)
    wall = (-3.0 / rays[2]).astype(np.float64)
    source, settings = write(tmp_path / "pair.exr", range_m=wall, own=own), () if own else EYES
    text = (
        LOOK
        + """
[input]
depth_kind = "range"
[output]
layers = ["direct"]
[light]
daylight = 0.0
[[light.lamps]]
position = [0.0, 0.0, 0.0]
target = [0.0, 0.0, 3.0]
cone_angle = 6.0
edge_angle = 6.0
[steps.downwelling]
[steps.lamps]
[steps.attenuation]
"""
    )
    eyes, made = cameras(source, *settings, text=text), layers(source, preset_from_text(text, settings))
    middle = 0.05 if own else 0.0
    for view, eye in eyes.items():
        target, _ = eye.project(np.array([[middle, 0.0, -3.0]]))
        np.testing.assert_allclose(centre_of(made[view]["direct"].sum(axis=0)), target[0], atol=0.1)


def test_a_rolled_rig_has_one_surface(tmp_path: Path) -> None:
    """place.camera_depth is that of the middle: the lower eye is deeper, by what it is lower."""
    cameras_by_view = {
        view: CameraTrack(
            {1: pinhole(WINDOW, focal_length_mm=24.0, film_width_mm=36.0, camera_to_world=matrix)}
        )
        for view, matrix in (("left", moved(-0.02, -0.03)), ("right", moved(0.02, 0.03)))
    }
    preset = preset_from_text(LOOK)
    rig = rig_of(cameras_by_view, preset.at(1), 1)
    shots = [
        make_shot(preset, 1, track, space=LINEAR_REC709, display_window=WINDOW, data_window=WINDOW, rig=rig)
        for track in cameras_by_view.values()
    ]
    assert [shot.sea_level_m for shot in shots] == pytest.approx([6.0, 6.0])
    assert [shot.path.camera_depth_m for shot in shots] == pytest.approx([6.03, 5.97])


def moved(x: float, y: float) -> F64:
    matrix = np.eye(4)
    matrix[:2, 3] = x, y
    return matrix


def test_a_sequence_of_one_eye_knows_the_middle(tmp_path: Path) -> None:
    one = write(tmp_path / "one.exr", ("",))
    for camera, side, place in (
        ("middle", "left", 0.0),
        ("left", "right", 0.0325),
        ("right", "left", -0.0325),
    ):
        preset = preset_from_text(LOOK, [*EYES, f"views.eye={side}", f"views.camera={camera}"])
        inputs = read_inputs(FrameTask(1001, one, None, one), preset)
        rig = rig_of(inputs.tracks, preset.at(1001), 1001)
        assert rig is not None
        assert rig.position_m[0] == pytest.approx(place, abs=1e-12)
