"""Passes in files of their own: planned, read, digested, missed and refused like the beauty's."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import OpenEXR
import pytest
from tests.batch.test_job_file import HEAD, job

from halocline.batch.first_look import look_first
from halocline.batch.frame_task import planes_of_look, read_inputs
from halocline.batch.origin import differences, origin_of
from halocline.batch.plan_tasks import MissingFrames, plan_shot, plan_tasks
from halocline.cli.main import run
from halocline.errors import ChannelError, HaloclineError
from halocline.presets.preset import Preset, preset_from_text

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

SHAPE = (24, 40)
LOOK = 'format = 1\n[water]\njerlov_type = "1C"\n[steps.attenuation]\nmatte = "arch"\n'


def matte_of(frame: int) -> np.ndarray:
    plane = np.zeros(SHAPE, np.float32)
    plane[:, : frame % 10 + 5] = 0.5
    return plane


def write_mattes(folder: Path, frames: range = range(1001, 1005)) -> str:
    folder.mkdir(exist_ok=True)
    for frame in frames:
        OpenEXR.File({}, {"A": matte_of(frame)}).write(str(folder / f"arch.{frame}.exr"))
    return str(folder / "arch.####.exr")


@pytest.fixture
def look() -> Preset:
    return preset_from_text(LOOK)


def test_a_matte_of_its_own_goes_with_each_frame_and_into_its_record(shot: Folder, look: Preset) -> None:
    pattern = write_mattes(shot.root / "mattes")
    clean = str(shot.clean / "arch.####.exr")
    tasks = plan_tasks(clean, passes={"arch": pattern}, out=shot.root / "wet", frames="1002-1003")
    for task in tasks:
        inputs = read_inputs(task, look)
        plane = inputs.loaded.views[0].frame.planes["matte.arch"]
        np.testing.assert_array_equal(plane, matte_of(task.frame))
        assert set(inputs.origin.inputs) == {"beauty", "pass arch"}
        assert inputs.loaded.template.inputs == tuple(task.files)
    before = origin_of(tasks[0], look)
    OpenEXR.File({}, {"A": matte_of(7)}).write(str(tasks[0].passes[0][1]))
    assert differences(before, origin_of(tasks[0], look)) == ["the pass arch has changed"]


def test_a_file_of_several_channels_asks_which(shot: Folder) -> None:
    path = shot.root / "ids.exr"
    OpenEXR.File({}, {"RGB": np.stack([matte_of(frame) for frame in (1, 2, 3)], axis=-1)}).write(str(path))
    clean = str(shot.clean / "arch.1001.exr")
    (task,) = plan_tasks(clean, passes={"arch": path}, out=shot.root / "wet")
    with pytest.raises(ChannelError, match=r"input\.passes\.arch"):
        read_inputs(task, preset_from_text(LOOK))
    stated = preset_from_text(LOOK + "[input]\npasses = { arch = 'G' }\n")
    np.testing.assert_array_equal(
        read_inputs(task, stated).loaded.views[0].frame.planes["matte.arch"], matte_of(2)
    )


def test_normals_of_their_own_need_no_name(shot: Folder) -> None:
    normal = np.zeros((*SHAPE, 3), np.float32)
    normal[..., 1] = 1.0
    path = shot.root / "normals.exr"
    OpenEXR.File({}, {"RGB": normal}).write(str(path))
    clean = str(shot.clean / "arch.1001.exr")
    (task,) = plan_tasks(clean, passes={"normal": path}, out=shot.root / "wet")
    rim = preset_from_text('format = 1\n[water]\njerlov_type = "1C"\n[steps.rim_light]\n')
    plane = read_inputs(task, rim).loaded.views[0].frame.planes["normal"]
    np.testing.assert_array_equal(plane, np.moveaxis(normal, -1, 0))


def test_frames_without_their_pass_are_missing_frames(shot: Folder) -> None:
    pattern = write_mattes(shot.root / "mattes", range(1001, 1003))
    clean, out = str(shot.clean / "arch.####.exr"), shot.root / "wet"
    with pytest.raises(HaloclineError, match="pass arch 1003-1004"):
        plan_shot(clean, passes={"arch": pattern}, out=out, frames="1001-1004")
    held = plan_shot(clean, passes={"arch": pattern}, out=out, frames="1001-1004", missing=MissingFrames.hold)
    assert [task.held_from for task in held.tasks] == [None, None, 1002, 1002]


def test_a_job_names_passes_and_keeps_them_in_its_folders(shot: Folder) -> None:
    write_mattes(shot.root / "mattes")
    text = f'{HEAD}[shots.a]\nbeauty = "clean/arch.####.exr"\nout = "wet"\npasses = {{ arch = "%s" }}\n'
    (read,) = job(shot.root, text % "mattes/arch.####.exr").shots
    assert read.plan(frames="1002").tasks[0].passes == (("arch", shot.root / "mattes/arch.1002.exr"),)
    with pytest.raises(HaloclineError) as caught:
        job(shot.root, text % "../elsewhere/arch.####.exr")
    (problem,) = caught.value.problems  # type: ignore[attr-defined]
    assert "lies outside the folders" in str(problem)


def test_what_a_render_lacks_is_told_before_any_frame(
    shot: Folder, look: Preset, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "look.toml"
    file.write_text(
        LOOK + 'within_range = { nearest = 1 }\n[steps.snow]\noperator = "mix"\nother = "render"\n'
        'matte = "hull"\n',
        "utf-8",
    )
    clean = str(shot.clean / "arch.####.exr")
    with pytest.raises(ChannelError):
        look_first(plan_tasks(clean, out=shot.root / "wet"), look)
    told = _run(["preset", "check", str(file), "--against", clean], capsys)
    assert told.status == 2
    assert "matte" in told.err
    assert all(key in told.err for key in ("input.passes.arch", "input.passes.hull", "--pass NAME=FRAMES"))
    pattern = write_mattes(shot.root / "mattes")
    given = [f"--pass={name}={pattern}" for name in ("arch", "hull")]
    told = _run(["preset", "check", str(file), "--against", clean, *given], capsys)
    assert told.status == 0
    assert "frames have all that it reads" in told.out
    told = _run(["apply", str(file), clean, "--out", str(shot.root / "w"), "--pass", "arch"], capsys)
    assert told.status == 2
    assert "E-JOB-PASS" in told.err


@pytest.mark.parametrize(
    "command",
    [
        ["inspect", "CLEAN", "--preset", "LOOK"],
        ["sheet", "CLEAN", "--preset", "LOOK", "--frames", "1002", "--out", "OUT/s.png"],
        ["wedge", "LOOK", "CLEAN", "light.overcast=0,1", "--frame", "1002", "--out", "OUT/w.png"],
        ["versions", "LOOK", "LOOK", "--on", "CLEAN", "--frames", "1002", "--out", "OUT/v.html"],
        ["plot", "LOOK", "--what", "steps", "--render", "FRAME", "--out", "OUT/p.png"],
        ["preset", "diff", "LOOK", "LOOK", "--render", "FRAME", "--out", "OUT/d.png"],
    ],
    ids=lambda words: words[0],
)
def test_whatever_looks_at_frames_takes_passes_of_their_own(
    command: list[str], shot: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "look.toml").write_text(LOOK, "utf-8")
    places = {
        "LOOK": str(tmp_path / "look.toml"),
        "CLEAN": str(shot.clean / "arch.####.exr"),
        "FRAME": str(shot.clean / "arch.1002.exr"),
    }
    words = [places.get(word, word.replace("OUT", str(tmp_path))) for word in command]
    # Without the matte the preset cannot be put on these frames: a failure, never a picture without it.
    assert _run(words, capsys).status != 0
    assert not [*tmp_path.glob("*.png"), *tmp_path.glob("*.html")]
    pattern = write_mattes(shot.root / "mattes")
    of_frame = pattern.replace("####", "1002") if "FRAME" in command else pattern
    told = _run([*words, f"--pass=arch={of_frame}"], capsys)
    assert told.status == 0, told.err


class _Told:
    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err


def _run(words: list[str], capsys: pytest.CaptureFixture[str]) -> _Told:
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        run(words)
    status = int(left.value.code or 0)
    seen = capsys.readouterr()
    return _Told(status, seen.out, seen.err)


@pytest.mark.parametrize(
    ("stated", "plane", "key"),
    [
        ('motion.layer = "vector"', "pass.motion", "input.motion.layer"),
        ('normal_layer = "Nrm"', "normal", "input.normal_layer"),
        ('near_coverage_channel = "cover"', "near_coverage", "input.near_coverage_channel"),
    ],
)
def test_an_optional_pass_that_is_stated_must_be_there(
    stated: str, plane: str, key: str, shot: Folder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = 'format = 1\nextends = "jerlov-1c"\n[steps.caustics]\nafter = "downwelling"\n'
    assert plane in planes_of_look(preset_from_text(text).at(1))[1]
    needed, useful = planes_of_look(preset_from_text(f"{text}[input]\n{stated}\n").at(1))
    assert plane in needed
    assert plane not in useful
    file = tmp_path / "look.toml"
    file.write_text(f"{text}[input]\n{stated}\n", "utf-8")
    clean = str(shot.clean / "arch.####.exr")
    # Whether pictures are made or only looked for: it ends with what is missing, and with what is there.
    for command in (["preset", "check", str(file), "--against", clean], ["apply", str(file), clean, "--out"]):
        told = _run([*command, *([str(tmp_path / "wet")] if command[0] == "apply" else [])], capsys)
        assert told.status == 2, told
        assert "E-CHANNEL-MISSING" in told.err
        assert key in told.err
        assert "It has: " in told.err


@pytest.mark.parametrize("stated", [False, True])
def test_motion_vectors_of_which_nothing_is_stated_are_told(stated: bool, shot: Folder) -> None:
    text = 'format = 2\nextends = "jerlov-1c"\n[steps.caustics]\nafter = "downwelling"\n'
    look = preset_from_text(text + ('[input]\nmotion.layer = "motion"\n' if stated else ""))
    # Any picture of two channels or more will do.
    tasks = plan_tasks(shot.pattern, out=f"{shot.out}/", passes={"motion": shot.pattern})
    told = [line for line in look_first(tasks, look).warnings if "motion vectors are given" in line]
    assert len(told) == (not stated)
    assert stated or "input.motion.layer" in told[0]


def test_vectors_that_the_cameras_contradict_are_told_before_frame_one(tmp_path: Path) -> None:
    """A lens that goes aside by .2 m before a wall 4 m away: it goes by -.05 of 30/36 widths."""
    rows, columns = 40, 60
    across = -0.2 / 4.0 * 30.0 / 36.0 * columns
    grey = {name: np.full((rows, columns), 0.4, np.float16) for name in "RGB"}
    for frame in (1, 2):
        place = np.eye(4, dtype=np.float32)
        place[3, 0], place[2, 2] = -0.2 * frame, -1.0
        header = {
            "chromaticities": (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329),
            "worldToCamera": place,
            "nominalFocalLength": 30.0,
            "sensorOverallDimensions": np.array([36.0, 24.0], np.float32),
        }
        flat = {"A": 1.0, "Z": 4.0, "motion.X": across, "motion.Y": 0.0}
        planes = {name: np.full((rows, columns), value, np.float32) for name, value in flat.items()}
        OpenEXR.File(header, {**grey, **planes}).write(str(tmp_path / f"a.{frame}.exr"))
    tasks = plan_tasks(str(tmp_path / "a.#.exr"), out=f"{tmp_path}/wet/")
    text = 'format = 2\nextends = "jerlov-1c"\n[steps.caustics]\nafter = "downwelling"\n[input]\n'

    def doubts(stated: str, some: slice = slice(None)) -> str:
        found = look_first(tasks[some], preset_from_text(f"{text}{stated}\n"))
        assert set(found.doubts) <= set(found.warnings)
        return "\n".join(found.doubts)

    assert "cameras" not in doubts('motion.layer = "motion"')
    back = 'motion.layer = "motion"\nmotion.points = "to_last"'
    assert 'with input.motion.points = "to_next"' in doubts(back)
    shares = 'motion.layer = "motion"\nmotion.unit = "fraction"'
    assert 'input.motion.unit = "px"' in doubts(shares)
    # Of one frame alone too, where the next is on disk; and not where it is not.
    assert "vectors" in doubts(back, slice(0, 1))
    (tmp_path / "a.2.exr").unlink()
    alone = plan_tasks(str(tmp_path / "a.#.exr"), out=f"{tmp_path}/wet/")
    assert "vectors" not in "".join(look_first(alone, preset_from_text(f"{text}{back}\n")).doubts)
