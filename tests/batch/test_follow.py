"""A ball comes down on the floor, drags along it and rises: followed once, then kicking up sand and light."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from tests.batch.conftest import REC709
from tests.conftest import Builders
from tests.imaging.test_followed import RADIUS, WINDOW, camera, scene

from halocline._typing import F32
from halocline.batch.follow import Following, follow
from halocline.batch.origin import origin_of
from halocline.batch.plan_tasks import plan_tasks
from halocline.cli.main import run
from halocline.errors import HaloclineError, PresetError
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Frame, Window
from halocline.imaging.matte_track import read_matte_track
from halocline.operators.living_light import LivingLight, LivingLightParameters
from halocline.operators.turbid_bodies import TurbidBodies, TurbidBodiesParameters
from halocline.presets.build import make_shot
from halocline.presets.preset import load_preset, preset_from_text
from halocline.rgb import LINEAR_REC709

# By frame, the ball's middle. It touches from 1003 to 1005.
MIDDLES = {
    1001: (-0.4, 0.9, -3.0),
    1002: (-0.2, 0.55, -3.0),
    1003: (0.0, 0.3, -3.0),
    1004: (0.3, 0.3, -3.0),
    1005: (0.6, 0.3, -3.0),
    1006: (0.8, 0.6, -3.0),
}
SMALL = Window(0, 0, 96, 54)
PLAIN = preset_from_text("format = 1\n")


def write_ball(folder: Path, middles: dict[int, tuple[float, float, float]]) -> str:
    folder.mkdir(exist_ok=True)
    lens = camera()
    to_camera = np.eye(4)
    to_camera[:3, :3] = lens.rotation.T
    to_camera[:3, 3] = -lens.rotation.T @ lens.position_m
    # The attribute holds points as rows, seen along +z.
    flipped = np.diag([1.0, 1.0, -1.0, 1.0]) @ to_camera
    part = Part(
        index=0,
        name="",
        view="",
        channels={**dict.fromkeys("RGBA", "half"), "Z": "float", "matte.ball": "half"},
        data_window=WINDOW,
        display_window=WINDOW,
        compression="zip",
        attributes={
            "worldToCamera": Attribute("matrix", tuple(flipped.T.ravel())),
            "nominalFocalLength": Attribute("float", 24.0),
            "sensorOverallDimensions": Attribute("float2", (36.0, 24.0)),
            "chromaticities": REC709,
        },
    )
    axis = np.einsum("i,irc->rc", -lens.rotation[:, 2], lens.directions(WINDOW))
    for frame, middle in middles.items():
        planes = scene(np.array(middle), lens).planes
        depth = np.where(np.isfinite(planes["range"]), planes["range"] * axis, 1e10).astype(np.float32)
        pixels = dict.fromkeys("RGB", planes["rgb"][0])
        pixels |= {"A": planes["alpha"], "Z": depth, "matte.ball": planes["matte.ball"]}
        write_exr(folder / f"ball.{frame}.exr", [PartPixels(part, pixels)])
    return str(folder / "ball.####.exr")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("followed")
    frames = write_ball(root / "clean", MIDDLES)
    (root / "ball.json").write_text(follow(PLAIN, Following(frames, "ball")).text(), encoding="utf-8")
    return root


def test_the_track_of_a_ball_is_known_within_a_pixel_and_touches_when_it_does(folder: Path) -> None:
    track = read_matte_track(folder / "ball.json")
    lens = camera()
    for frame, middle in MIDDLES.items():
        thing = track.things[frame]
        assert thing is not None
        footprint = float(np.linalg.norm(middle - lens.position_m)) * lens.tangent_per_px[0]
        assert float(np.linalg.norm(thing.middle_m - middle)) < footprint
    assert track.radius_m == pytest.approx(RADIUS, rel=0.03)
    (touch,) = track.touches()
    assert [frame for frame, _ in touch] == [1003, 1004, 1005]
    # It moves 0.3 m a frame, 24 of them a second.
    np.testing.assert_allclose([contact.speed_m_s for _, contact in touch[1:]], 0.3 * 24, rtol=0.1)
    way = touch[-1][1].place_m - touch[0][1].place_m
    np.testing.assert_allclose(touch[0][1].place_m, [0.0, 0.0, -3.0], atol=0.05)
    np.testing.assert_allclose(way, [0.6, 0.0, 0.0], atol=0.05)


def test_a_gap_in_the_frames_is_told_or_gone_over(folder: Path, tmp_path: Path) -> None:
    frames = write_ball(tmp_path, {frame: MIDDLES[frame] for frame in (1001, 1002, 1004)})
    with pytest.raises(HaloclineError, match=r"E-SEQUENCE-MISSING.*1003"):
        follow(PLAIN, Following(frames, "ball"))
    assert list(follow(PLAIN, Following(frames, "ball", skip_missing=True)).things) == [1001, 1002, 1004]
    with pytest.raises(HaloclineError, match=r"E-CHANNEL-MISSING"):
        follow(PLAIN, Following(frames, "diver", frames="1001"))
    around = preset_from_text('format = 1\n[camera]\nprojection = "latlong"\nreplace = true\n')
    with pytest.raises(HaloclineError, match=r"E-FOLLOW-PANORAMA.*ball\.1001\.exr"):
        follow(around, Following(frames, "ball", frames="1001"))
    high = write_ball(tmp_path / "high", {1001: (0.0, 0.9, -3.0)})
    assert not list(follow(PLAIN, Following(high, "ball")).touches())
    out_of_sight = write_ball(tmp_path / "away", {1001: (0.0, 0.9, 9.0)})
    with pytest.raises(HaloclineError, match=r"E-FOLLOW-NOTHING.*covers nothing on frames 1001 to 1001"):
        follow(PLAIN, Following(out_of_sight, "ball"))


def sediment(folder: Path, name: str, **keys: float) -> TurbidBodies:
    source = {"name": "kicked", "track_file": str(folder / name), "clumping": 0.0, "sorting": 1.0, **keys}
    return TurbidBodies(TurbidBodiesParameters.model_validate({"sediment": (source,), "rays": 32}))


def bare() -> Frame:
    frame = scene(np.array((0.0, 50.0, -3.0)), camera(window=SMALL), window=SMALL)
    return Frame({name: plane for name, plane in frame.planes.items() if name != "matte.ball"}, SMALL, SMALL)


def covered(build: Builders, operator: TurbidBodies, frame: int) -> F32:
    shot = build.shot(SMALL, camera=camera(window=SMALL), frame=frame)
    steps = [(name, build.operator(name)) for name in ("attenuation", "veiling_light")]
    return build.run([*steps, ("b", operator)], bare(), shot, wanted=("rgb", "body_alpha"))["body_alpha"]


@pytest.mark.parametrize("key", ["grams_per_metre", "grams_per_touch"])
def test_sediment_rises_where_the_ball_touches_and_only_after(
    folder: Path, build: Builders, key: str
) -> None:
    operator = sediment(folder, "ball.json", **{key: 60.0})
    for frame in (1001, 1002, 1003):
        assert operator.idle(build.shot(SMALL, frame=frame))
    alpha = covered(build, operator, 1012)
    rows, columns = np.nonzero(alpha > 0.3 * alpha.max())
    ends = np.array([[0.0, 0.15, -3.0], [0.6, 0.15, -3.0]])
    pixel, _ = camera(window=SMALL).project(ends)
    wide = pixel[1, 0] - pixel[0, 0]
    # Where it came down, and along its way for what drags.
    middle = pixel[0, 0] if key == "grams_per_touch" else pixel[:, 0].mean()
    assert columns.mean() == pytest.approx(middle, abs=0.25 * wide)
    assert rows.mean() == pytest.approx(pixel[0, 1], abs=0.6 * wide)


def test_nothing_is_kicked_up_where_nothing_touches(tmp_path: Path, build: Builders) -> None:
    high = {frame: (x, y + 0.6, z) for frame, (x, y, z) in MIDDLES.items()}
    track = follow(PLAIN, Following(write_ball(tmp_path / "clean", high), "ball"))
    (tmp_path / "high.json").write_text(track.text(), encoding="utf-8")
    operator = sediment(tmp_path, "high.json", grams_per_metre=60.0, grams_per_touch=60.0)
    assert operator.idle(build.shot(SMALL, frame=1010))


def test_a_matte_that_moves_sets_living_light_off_where_it_was(folder: Path, build: Builders) -> None:
    classes = ({"name": "sparks", "per_litre": 20.0, "brightness": 60.0},)
    operator = LivingLight(
        LivingLightParameters.model_validate(
            {"classes": classes, "wakes": ({"track_file": str(folder / "ball.json")},), "glow": 0.0}
        )
    )
    lens = camera(window=SMALL)
    assert operator.idle(build.shot(SMALL, camera=lens, frame=999))
    shot = build.shot(SMALL, camera=lens, frame=1007)
    steps = [(name, build.operator(name)) for name in ("attenuation", "veiling_light")]
    without, lit = (
        build.run(chosen, bare(), shot)["rgb"] for chosen in (steps, [*steps, ("life", operator)])
    )
    columns = np.nonzero((lit - without)[2] > 1e-4)[1]
    pixel, _ = lens.project(np.array([MIDDLES[1001], MIDDLES[1006]]))
    reach = 1.8 * RADIUS / (0.8 + 0.4) * (pixel[1, 0] - pixel[0, 0])
    assert len(columns) > 20
    assert columns.min() > pixel[0, 0] - 1.2 * reach
    assert columns.max() < pixel[1, 0] + 1.2 * reach


def test_the_command_writes_the_file_and_a_frame_depends_on_what_it_holds(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frames = str(folder / "clean" / "ball.####.exr")
    made = tmp_path / "ball.json"
    with pytest.raises(SystemExit) as ended:
        run(["follow", frames, "--matte", "ball", "--out", str(made)])
    assert ended.value.code == 0
    told = capsys.readouterr().out
    assert "seen on 6 of 6 frames" in told
    assert "contact 1: frames 1003 to 1005" in told
    assert made.read_bytes() == (folder / "ball.json").read_bytes()
    look = tmp_path / "look.toml"
    look.write_text(
        'format = 1\n[steps.turbid_bodies]\n[[steps.turbid_bodies.sediment]]\nname = "sand"\n'
        'track_file = "ball.json"\ngrams_per_metre = 60.0\n',
        encoding="utf-8",
    )
    # The first frame, before any contact, does not depend on it.
    task = plan_tasks(frames, out=str(tmp_path / "wet"))[-1]
    first = origin_of(task, load_preset(str(look)))
    resolved = load_preset(str(look)).resolved_text
    assert "sha256" in resolved
    assert resolved.count("ball.json") == 1
    content = json.loads(made.read_text(encoding="utf-8"))
    content["frames"][3]["contacts"][0]["place"][0] += 0.1
    made.write_text(json.dumps(content), encoding="utf-8")
    assert origin_of(task, load_preset(str(look))).preset != first.preset
    made.write_text("{}", encoding="utf-8")
    with pytest.raises(PresetError, match=r'look\.toml, line 5.*no list "frames"'):
        load_preset(str(look))


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ("", "needs a track of two keys or more, or a track_file"),
        ("track_file = 'gone.json'", "there is no file gone.json"),
        ("grams_per_touch = 2.0\ntrack = [{ frame = 1, position = [0, 0, 0] }]", "track"),
    ],
)
def test_sources_without_a_track_are_told(keys: str, told: str) -> None:
    with pytest.raises(PresetError) as caught:
        preset_from_text(f"format = 1\n[[steps.turbid_bodies.sediment]]\nname = 'a'\n{keys}\n")
    assert told in str(caught.value)


def test_frames_that_a_track_file_tells_nothing_of_are_told(
    folder: Path, tmp_path: Path, build: Builders
) -> None:
    """Those of another shot, before its frames or after them, also where the step does nothing there."""
    (tmp_path / "ball.json").write_bytes((folder / "ball.json").read_bytes())
    source = 'name = "sand"\ntrack_file = "ball.json"\ngrams_per_metre = 60.0\n'
    (tmp_path / "look.toml").write_text(f"format = 2\n[[steps.turbid_bodies.sediment]]\n{source}", "utf-8")
    look = load_preset(str(tmp_path / "look.toml"))
    window, track = Window(0, 0, 8, 6), CameraTrack({1: build.camera(Window(0, 0, 8, 6))})
    for frame, foreign in ((101, True), (1001, False), (1006, False), (1007, True)):
        shot = make_shot(look, frame, track, space=LINEAR_REC709, display_window=window, data_window=window)
        told = look.at(frame).graph.warnings(shot)
        assert any("over frames 1001 to 1006" in line for line in told) == foreign
