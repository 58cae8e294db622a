"""Pictures of the page: those that `apply` would make, and what is told of a pixel."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest

from halocline.batch.plan_tasks import plan_tasks
from halocline.batch.run import run_frames
from halocline.errors import HaloclineError
from halocline.graph.engine import NoLongerWanted
from halocline.graph.graph import Step
from halocline.graph.plan import prepared
from halocline.graph.shot import Shot
from halocline.imaging.colour import display_pixels
from halocline.imaging.frame import Window
from halocline.imaging.load import load_beauty
from halocline.physics.path.lamps import Lamp
from halocline.physics.sea.light_field import CausticField
from halocline.presets.preset import Preset, load_preset
from halocline.rgb import LINEAR_REC709
from halocline.tuning.pictures import OPEN_WATER, Pictures, Wish, range_colours
from halocline.tuning.plots import plots


def applied(
    preset: Preset, frames: str, number: int, folder: Path
) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    """Return the frame as `halocline apply` writes it and a sheet shows it."""
    tasks = plan_tasks(frames, out=str(folder), frames=str(number), overwrite=True)
    assert run_frames(tasks, preset, overwrite=True).complete
    view = load_beauty(tasks[0].out).views[0]
    return display_pixels(view.frame.plane("rgb"), view.space)


@pytest.mark.parametrize("name", ["jerlov-1c", "fjord-afternoon"])
def test_the_fine_picture_is_the_frame_that_apply_writes(name: str, frames: str, tmp_path: Path) -> None:
    preset = load_preset(name)
    shown = Pictures(frames).pixels(preset, Wish(1002))
    difference = np.abs(shown.astype(int) - applied(preset, frames, 1002, tmp_path).astype(int))
    # Half floats of the file: a code at most.
    assert difference.max() <= 1
    assert (difference == 0).mean() > 0.98


def test_the_coarse_picture_is_the_same_scene(frames: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("halocline.tuning.pace.PIXELS", 600)
    pictures = Pictures(frames)
    preset = load_preset("jerlov-1c")
    fine, coarse = (pictures.pixels(preset, Wish(1001), coarse=each) for each in (False, True))
    step = -(-fine.shape[1] // coarse.shape[1])
    assert step == 3
    # Nearly the same light at a pixel that is kept: halos gather from fewer neighbours, of noise.
    kept = fine[1::step, 1::step].astype(int)
    difference = np.abs(kept - coarse.astype(int))
    assert np.median(difference) <= 1
    # Moved by a pixel it would be another picture.
    for axis in (0, 1):
        moved = np.abs(np.roll(kept, 1, axis=axis) - coarse.astype(int))
        assert difference.mean() < 0.8 * moved.mean()


def test_light_that_a_change_leaves_as_it_is_is_not_made_again(
    frames: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[CausticField] = []
    begin = CausticField.__init__

    def told(field: CausticField, *arguments: Any) -> None:
        made.append(field)
        begin(field, *arguments)

    monkeypatch.setattr(CausticField, "__init__", told)
    preset = load_preset("reef-flat-sunny")
    pictures = Pictures(frames)
    for coarse in (True, False):
        pictures.pixels(preset, Wish(1001), coarse=coarse)
    fields = len(made)
    made.clear()
    brighter = preset.with_settings({"light": {"veil_brightness": 1.5}})
    turned = pictures.pixels(brighter, Wish(1001))
    assert (fields > 0, made) == (True, [])
    # And the picture is the one that is made without it.
    np.testing.assert_array_equal(turned, Pictures(frames).pixels(brighter, Wish(1001)))
    made.clear()
    pictures.pixels(preset.with_settings({"light": {"sun_elevation": 30.0}}), Wish(1001))
    assert len(made) > 0


@pytest.mark.parametrize("name", ["reef-flat-sunny", "fjord-afternoon", "night-dive"])
def test_a_draft_is_the_same_light_for_less(name: str, frames: str) -> None:
    preset = load_preset(name)
    pictures = Pictures(frames)
    still, reduced = (pictures._still(1001, preset, coarse=each) for each in (False, True))
    # So small a frame is not made smaller: what differs is that fewer rays are followed.
    assert (still.draft, reduced.draft) == (False, True)
    fine, draft = (pictures.pixels(preset, Wish(1001), coarse=each) for each in (False, True))
    assert draft.shape == fine.shape
    difference = np.abs(draft.astype(int) - fine.astype(int))
    assert difference.max() > 0
    # A net of light at a quarter of its points is softer.
    assert difference.mean() < 4.0
    assert abs(draft.mean() - fine.mean()) < 1.0


@pytest.mark.parametrize("name", ["night-dive", "torch-in-silt"])
def test_lamps_of_a_draft_light_the_same_water_by_fewer_rays(
    name: str, frames: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    preset, wish = load_preset(name), Wish(1001)
    pictures = Pictures(frames)
    shot = pictures._still(1001, preset, coarse=True).shot(preset)
    assert all(lamp.draft and lamp.shadow is not None for lamp in shot.lamps)
    shares = [lamp.shadow._water.get(0).shares.shape for lamp in shot.lamps if lamp.shadow is not None]
    assert {rays for _, rays, *_ in shares} <= {48, 0}
    draft = pictures.pixels(preset, wish, coarse=True)
    monkeypatch.setattr(Lamp, "for_a_draft", lambda lamp: lamp)
    of_whole_lamps = Pictures(frames).pixels(preset, wish, coarse=True)
    difference = np.abs(draft.astype(int) - of_whole_lamps.astype(int))
    assert difference.mean() < 0.1
    assert difference.max() <= 12


def test_a_turned_step_leaves_the_others_ready_and_the_picture_that_of_apply(
    frames: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []

    def told(step: Step, shot: Shot) -> Any:
        made.append(step.name)
        return prepared(step, shot)

    monkeypatch.setattr("halocline.graph.engine.prepared", told)
    pictures, preset = Pictures(frames), load_preset("fjord-afternoon")
    pictures.pixels(preset, Wish(1001))
    for settings, names in (
        ({"steps": {"matter": {"brightness": 3.0}}}, {"matter"}),
        ({"steps": {"matter": {"brightness": 3.0}, "caustics": {"contrast": 0.5}}}, {"caustics"}),
        # Light is what all steps stand in.
        ({"light": {"veil_brightness": 1.5}}, {"matter", "caustics", "light_shafts", "attenuation"}),
    ):
        turned = preset.with_settings(settings)
        made.clear()
        shown = pictures.pixels(turned, Wish(1001))
        assert set(made) >= names
        assert len(names) > 1 or set(made) == names
        np.testing.assert_array_equal(shown, Pictures(frames).pixels(turned, Wish(1001)))


def test_a_body_that_takes_light_from_all_else_changes_the_surroundings(frames: str) -> None:
    pictures, preset = Pictures(frames), load_preset("jerlov-1c")
    ball = {"name": "cloud", "size": [2.0, 2.0, 2.0], "position": [0.0, 0.0, -3.0]}
    still = pictures._still(1001, preset)
    around = [
        pictures._around(still, preset.with_settings({"steps": {"turbid_bodies": {"bodies": [body]}}}))
        for body in (ball, ball, {**ball, "position": [0.0, 1.0, -3.0]})
    ]
    assert around[0] is around[1]
    assert around[2] is not around[1]
    # What is drawn after them they hide.
    before, after = (
        pictures._around(still, preset.with_settings({"steps": steps})).hiding["bubbles"]
        for steps in (
            {"bubbles": {"after": "veiling_light"}, "turbid_bodies": {"bodies": [ball], "after": "bubbles"}},
            {"turbid_bodies": {"bodies": [ball]}, "bubbles": {"after": "turbid_bodies"}},
        )
    )
    assert (len(before), len(after)) == (0, 1)


def test_a_picture_that_is_no_longer_wanted_is_given_up(frames: str) -> None:
    pictures, preset = Pictures(frames), load_preset("jerlov-1c")
    with pytest.raises(NoLongerWanted):
        pictures.picture(preset, Wish(1001), unwanted=lambda: True)
    wanted = Pictures(frames).pixels(preset, Wish(1001))
    np.testing.assert_array_equal(pictures.pixels(preset, Wish(1001)), wanted)


def test_exposure_is_in_stops_of_light(frames: str) -> None:
    pictures, preset = Pictures(frames), load_preset("jerlov-1c")
    still = pictures._still(1001, preset)
    brighter = display_pixels(still.planes(preset)["rgb"] * np.float32(2.0), still.space)
    np.testing.assert_array_equal(pictures.pixels(preset, Wish(1001, exposure=1.0)), brighter)


def test_range_goes_from_warm_to_cold_and_open_water_is_dark() -> None:
    colours = range_colours(np.array([[0.1, 0.5, 4.0, 64.0, 1e6, np.inf]], np.float32))[0].astype(int)
    np.testing.assert_array_equal(colours[0], colours[1])
    np.testing.assert_array_equal(colours[3], colours[4])
    np.testing.assert_array_equal(colours[5], OPEN_WATER)
    warmth = colours[:, 0] - colours[:, 2]
    assert warmth[1] > 0 > warmth[3]
    assert np.all(np.diff(colours[1:4, 0]) < 0)


def test_clean_another_preset_and_a_step_are_shown(frames: str) -> None:
    pictures, preset = Pictures(frames), load_preset("jerlov-1c")
    still = pictures._still(1001, preset)
    clean = pictures.pixels(preset, Wish(1001, shows="clean"))
    np.testing.assert_array_equal(clean, display_pixels(still.clean, still.space))
    other = pictures.pixels(preset, Wish(1001, shows="preset:jerlov-7c"))
    np.testing.assert_array_equal(other, pictures.pixels(load_preset("jerlov-7c"), Wish(1001)))
    before = pictures.pixels(preset, Wish(1001, step="attenuation"))
    assert np.mean(before) < np.mean(pictures.pixels(preset, Wish(1001)))


def test_the_probe_tells_what_the_frame_and_the_water_hold(frames: str) -> None:
    pictures, preset = Pictures(frames), load_preset("jerlov-1c")
    told = {each["name"]: each["value"] for each in pictures.probe(preset, 1, 1001, 10, 53)["values"]}
    still = pictures._still(1001, preset)
    np.testing.assert_allclose(told["under water, linear"], still.planes(preset)["rgb"][:, 53, 10], rtol=1e-4)
    np.testing.assert_allclose(told["clean, linear"], still.clean[:, 53, 10], rtol=1e-4)
    # Nothing is far behind a wall two metres away: some of its light is left, some water before it.
    assert all(0.0 < share < 1.0 for share in told["transmittance"])
    # The red of deep blue water may lie outside Rec.709, below nothing.
    assert float(LINEAR_REC709.luminance_row @ np.array(told["veil"])) > 0.0
    open_water = {each["name"]: each["value"] for each in pictures.probe(preset, 1, 1001, 90, 5)["values"]}
    assert open_water["range, m"] == [None]
    assert pictures.probe(preset, 1, 1001, 96, 0)["values"] == []


def test_a_frame_that_is_not_there_is_told(frames: str) -> None:
    with pytest.raises(HaloclineError, match="no frame 7"):
        Pictures(frames).pixels(load_preset("jerlov-1c"), Wish(7))


def test_frames_are_read_once_and_only_some_are_kept(frames: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("halocline.tuning.pictures.MOST_FRAMES", 2)
    pictures, preset = Pictures(frames), load_preset("jerlov-1c")
    first = pictures._still(1001, preset)
    assert pictures._still(1001, load_preset("jerlov-7c")) is first
    for number in (1002, 1003):
        pictures._still(number, preset)
    assert pictures._still(1001, preset) is not first


def test_plots_are_what_the_story_says() -> None:
    preset = load_preset("fjord-archway")
    told = plots(preset, 1001)
    contrast, story = told["contrast"], preset.at(0).story
    assert contrast["subject"] == story.subject_range
    at_subject = np.interp(contrast["subject"], told["ranges"], contrast["shown"])
    assert at_subject == pytest.approx(story.silhouette_contrast, abs=0.02)
    assert contrast["physical"][0] == pytest.approx(1.0, abs=0.01)
    assert np.all(np.diff(contrast["physical"][2:]) < 0)
    assert told["white"][0][0] == max(colour[0] for colour in told["white"])
    assert any("price" in line.lower() for line in told["story"])


def test_plots_are_of_the_frame_s_lens(frames: str) -> None:
    """As `halocline apply` has it: a level view shows otherwise."""
    preset, pictures = load_preset("fjord-archway", ["story.silhouette_contrast=0.3"]), Pictures(frames)
    lens = pictures.lens(preset, 1001)
    shot = pictures._still(1001, preset).shot(preset)
    assert lens.stands_as(shot.camera)
    told, level = plots(preset, 1001, lens), plots(preset, 1001)
    subject = preset.at(1001).story.subject_range
    assert subject is not None
    looks_m = float(shot.path.remap.exact(subject))
    assert any(f"{subject:.4g} m looks like {looks_m:.3g} m." in line for line in told["story"])
    assert any("along the lens's axis" in line for line in told["story"])
    assert any("in a level view" in line for line in level["story"])


def test_mattes_of_all_frames_are_listed(small_mattes: str) -> None:
    pictures = Pictures(small_mattes)
    assert pictures.mattes(load_preset("jerlov-1c")) == ("anchor", "arch")
    named = load_preset("jerlov-1c", ['input.passes.chain="matte.anchor"'])
    assert pictures.mattes(named) == ("anchor", "arch", "chain")
    one = Pictures(small_mattes, numbers="1", passes={"rope": small_mattes.replace("clean", "rope")})
    assert one.mattes(named) == ("arch", "rope")


@pytest.mark.parametrize("step", [2, 3, 4, 7])
@pytest.mark.parametrize("data", [Window(0, 0, 50, 41), Window(-9, -4, 71, 53)])
def test_pixels_of_a_first_look_lie_in_the_middle_of_what_they_cover(
    data: Window, step: int, tmp_path: Path
) -> None:
    """Each shows the pixel of the frame that its ray goes through, with a wider data window, too."""
    wide, high = 50, 41
    spec = oiio.ImageSpec(data.width, data.height, 5, "float")
    spec.x, spec.y, spec.full_width, spec.full_height = data.x, data.y, wide, high
    spec.channelnames = ("R", "G", "B", "A", "Z")
    pixels = np.ones((data.height, data.width, 5), np.float32)
    # Which pixel it is, so that it can be told again; light is never negative.
    pixels[..., 0] = 100 + np.arange(data.x, data.x_end)
    pixels[..., 1] = 100 + np.arange(data.y, data.y_end)[:, np.newaxis]
    image = oiio.ImageBuf(spec)
    image.set_pixels(oiio.ROI(), pixels)
    assert image.write(str(tmp_path / "clean.1001.exr")), image.geterror()
    fine = Pictures(str(tmp_path / "clean.####.exr"))._still(1001, load_preset("jerlov-1c"))
    less = fine.reduced(step)
    frame = less.inputs.loaded.views[0].frame
    window, display = frame.data_window, frame.display_window
    assert abs(display.width * step - wide) <= step / 2
    assert abs(display.height * step - high) <= step / 2
    small, large = (still.inputs.tracks[""].at(1001) for still in (less, fine))
    for row, column in ((0, 0), (-1, -1)):
        x, y = (float(value) - 100.0 for value in frame.plane("rgb")[:2, row, column])
        across, down = range(window.x, window.x_end)[column], range(window.y, window.y_end)[row]
        assert (x, y) == (across * step + step // 2, down * step + step // 2)
        rays = [
            (np.array(place) + 0.5 - camera.centre_px) * camera.tangent_per_px
            for camera, place in ((small, (across, down)), (large, (x, y)))
        ]
        np.testing.assert_allclose(rays[0], rays[1], atol=1e-12)
    # No block is left out that the file has the middle of.
    assert max(data.x_end - 1 - x, data.y_end - 1 - y) < step
