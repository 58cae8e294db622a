"""What a preset's ``[output]`` says of files, read back with the independent OpenEXR package."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

from halocline.batch import output_look
from halocline.batch.first_look import look_first
from halocline.batch.frame_task import read_inputs, render, write_result
from halocline.batch.still import Still
from halocline.batch.task import FrameTask, InputFiles
from halocline.errors import HaloclineError
from halocline.graph.engine import Evaluation
from halocline.imaging import save
from halocline.imaging.exr_write import can_write
from halocline.presets.build import story_report
from halocline.presets.preset import preset_from_text
from halocline.presets.remarks import remarks
from halocline.rgb import ACES2065_1, ACESCG, LINEAR_P3_D65, LINEAR_REC709, LINEAR_REC2020, conversion_matrix

TEXT = """
format = 1
[water]
jerlov_type = "IB"
[input]
depth_kind = "range"
[steps.attenuation]
[steps.veiling_light]
"""
SIZE = (24, 40)
REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)


@pytest.fixture
def source(tmp_path: Path) -> Path:
    return clean(tmp_path / "clean.1001.exr")


def clean(path: Path, *, level: float = 0.4, **header: Any) -> Path:
    """Write a clean frame with the independent package: a ramp of ranges, half open water."""
    rows, columns = np.indices(SIZE, np.float32)
    channels = {name: np.full(SIZE, level, np.float16) for name in "RGB"}
    channels["A"] = (rows > 8).astype(np.float16)
    channels |= {name: channels[name] * channels["A"] for name in "RGB"}
    channels["Z"] = np.where(rows > 8, 1.0 + columns, np.inf).astype(np.float32)
    channels["albedo.R"] = np.full(SIZE, 0.5, np.float16)
    OpenEXR.File({"chromaticities": REC709, **header}, channels).write(str(path))
    return path


def task_of(source: Path, out: str = "wet.1001.exr") -> FrameTask:
    references = (InputFiles(source, None, 1),)
    return FrameTask(1001, source, None, source.parent / out, references=references)


def made(source: Path, *settings: str, text: str = TEXT) -> tuple[dict[str, Any], dict[str, Any], Any]:
    """Put a frame under water; return header, planes by channel, and the record."""
    preset = preset_from_text(text, settings)
    task = task_of(source, f"wet{abs(hash(settings))}.exr")
    record = write_result(render(read_inputs(task, preset), preset, Evaluation(2)), preset)
    file = OpenEXR.File(str(task.out), separate_channels=True)
    return file.header(), {name: each.pixels for name, each in file.channels().items()}, record


def rgb(planes: dict[str, Any], layer: str = "") -> Any:
    return np.stack([planes[layer + name].astype(np.float64) for name in "RGB"])


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("none", "NO_COMPRESSION"),
        ("rle", "RLE_COMPRESSION"),
        ("zips", "ZIPS_COMPRESSION"),
        ("zip", "ZIP_COMPRESSION"),
        ("piz", "PIZ_COMPRESSION"),
        ("pxr24", "PXR24_COMPRESSION"),
        ("b44", "B44_COMPRESSION"),
        ("b44a", "B44A_COMPRESSION"),
        ("dwaa:20", "DWAA_COMPRESSION"),
        ("dwab", "DWAB_COMPRESSION"),
        ("zstd", "ZSTD_COMPRESSION"),
        ("htj2k256", "HTJ2K256_COMPRESSION"),
        ("htj2k32", "HTJ2K32_COMPRESSION"),
        ("lj2k", "LJ2K_COMPRESSION"),
    ],
)
def test_compression_asked_for_is_in_the_file(source: Path, asked: str, expected: str) -> None:
    if not can_write(asked.partition(":")[0]):
        pytest.skip("the image library here was built without it")
    header, _, _ = made(source, f'output.compression="{asked}"')
    assert header["compression"] == getattr(OpenEXR, expected)
    if ":" in asked:
        assert header["dwaCompressionLevel"] == 20.0


def test_compression_is_the_renders_where_nothing_is_said(tmp_path: Path) -> None:
    for kind in (OpenEXR.PIZ_COMPRESSION, OpenEXR.HTJ2K32_COMPRESSION):
        folder = tmp_path / str(kind)
        folder.mkdir()
        header, _, _ = made(clean(folder / "clean.1001.exr", compression=kind))
        assert header["compression"] == kind


def test_what_can_only_be_read_becomes_zip_and_is_told_once_before_frame_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # An image library without the codec: it is asked by writing a few pixels, which here it refuses.
    without = lambda name: can_write(name) and name != "htj2k32"  # noqa: E731
    monkeypatch.setattr(save, "can_write", without)
    monkeypatch.setattr(output_look, "can_write", without)
    source = clean(tmp_path / "clean.1001.exr", compression=OpenEXR.HTJ2K32_COMPRESSION)
    header, _, record = made(source)
    assert header["compression"] == OpenEXR.ZIP_COMPRESSION
    seen = look_first([task_of(source)], preset_from_text(TEXT))
    told = [line for line in seen.output if "htj2k32" in line]
    assert len(told) == 1
    assert "output.compression" in told[0]
    assert not [line for line in (*seen.warnings, *record.warnings) if "htj2k32" in line]


def test_compression_that_is_not_to_be_had_is_refused_before_frame_one(
    source: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("halocline.imaging.exr_write.can_write", lambda _: False)
    with pytest.raises(HaloclineError) as caught:
        look_first([task_of(source)], preset_from_text(TEXT, ['output.compression="zstd"']))
    assert caught.value.code == "E-WRITE-COMPRESSION"
    assert 'output.compression = "zip"' in str(caught.value)


def test_name_that_the_library_takes_for_zip_is_not_taken_for_written() -> None:
    assert not can_write("htj2k")
    assert can_write("zip")


@pytest.mark.parametrize(("said", "kind"), [("half", np.float16), ("float", np.float32)])
def test_data_type_is_that_of_picture_and_light_and_not_of_measures(
    source: Path, said: str, kind: Any
) -> None:
    _, planes, _ = made(
        source,
        f'output.data_type="{said}"',
        'output.layers=["*", "path_length", "transmittance"]',
        'output.carry=["Z"]',
    )
    for name in ("R", "G", "B", "A", "direct.R", "veil.B", "transmittance.G"):
        assert planes[name].dtype == kind, name
    assert planes["path_length.Y"].dtype == planes["Z"].dtype == np.float32


def test_guide_type_says_otherwise(source: Path) -> None:
    _, planes, _ = made(source, 'output.guide_type="half"', 'output.layers=["path_length", "transmittance"]')
    assert planes["path_length.Y"].dtype == np.float16
    _, planes, _ = made(source, 'output.layers=["path_length", "transmittance"]')
    assert planes["path_length.Y"].dtype == np.float32
    assert planes["transmittance.R"].dtype == np.float16


def test_what_half_cannot_hold_is_told_with_the_key(tmp_path: Path) -> None:
    path = tmp_path / "bright.1001.exr"
    bright = {name: np.full(SIZE, 3e6, np.float32) for name in "RGB"}
    ones = {"A": np.ones(SIZE, np.float32), "Z": np.ones(SIZE, np.float32)}
    OpenEXR.File({"chromaticities": REC709}, {**bright, **ones}).write(str(path))
    _, planes, record = made(path, 'output.data_type="half"')
    assert rgb(planes).max() == 65504.0
    assert record.clamped_values > 0
    assert any('output.data_type = "float"' in warning for warning in record.warnings)
    _, planes, record = made(path)
    assert rgb(planes).max() > 65504.0
    assert not any("65504" in warning for warning in record.warnings)


@pytest.mark.parametrize(
    ("name", "space", "interop"),
    [
        ("ACEScg", ACESCG, "lin_ap1_scene"),
        ("ACES2065-1", ACES2065_1, "lin_ap0_scene"),
        ("lin_rec2020", LINEAR_REC2020, "lin_rec2020_scene"),
        ("lin_p3d65", LINEAR_P3_D65, "lin_p3d65_scene"),
        ("lin_rec709", LINEAR_REC709, "lin_rec709_scene"),
    ],
)
def test_colour_space_is_converted_and_stated(source: Path, name: str, space: Any, interop: str) -> None:
    _, plain, _ = made(source, 'output.data_type="float"')
    header, planes, _ = made(
        source, f'output.colour_space="{name}"', 'output.data_type="float"', 'output.layers=["*"]'
    )
    np.testing.assert_allclose(
        header["chromaticities"], np.ravel([*space.primaries, space.white]), rtol=1e-6, atol=1e-7
    )
    assert header["colorInteropID"] == interop
    np.testing.assert_allclose(header["adoptedNeutral"], space.white, rtol=1e-6)
    expected = np.tensordot(conversion_matrix(LINEAR_REC709, space), rgb(plain), 1)
    np.testing.assert_allclose(rgb(planes), expected, atol=2e-7)
    # Layers went along.
    np.testing.assert_allclose(rgb(planes, "direct.") + rgb(planes, "veil."), rgb(planes), atol=1e-6)


def test_stated_working_space_is_written_over_what_the_file_says(source: Path) -> None:
    header, _, _ = made(source, 'colour.working_space="ACEScg"')
    np.testing.assert_allclose(header["chromaticities"][:2], (0.713, 0.293), rtol=1e-6)


@pytest.mark.parametrize("how", ["full", "reference"])
def test_layers_and_what_compression_did_sum_to_the_frame(source: Path, how: str) -> None:
    text = TEXT + f'[output]\ngamut_compression = "{how}"\nlayers = ["*"]\ndata_type = "float"\n'
    header, planes, _ = made(source, text=text)
    total = sum(rgb(planes, f"{layer}.") for layer in ("direct", "veil", "gamut"))
    np.testing.assert_allclose(total, rgb(planes), atol=1e-6)
    assert header["halocline:gamutCompression"] == how
    assert (rgb(planes).min() >= 0.0) == (how == "full")


def test_without_compression_colours_stay_negative_and_there_is_no_such_layer(source: Path) -> None:
    header, planes, _ = made(source, 'output.layers=["*"]')
    assert rgb(planes).min() < 0.0
    assert "gamut.R" not in planes
    assert "halocline:gamutCompression" not in header
    with pytest.raises(HaloclineError, match="E-GRAPH-LAYERS"):
        look_first([task_of(source)], preset_from_text(TEXT, ['output.layers=["gamut"]']))


def test_colours_that_the_space_cannot_hold_are_told_before_frame_one(source: Path) -> None:
    def told(*settings: str) -> list[str]:
        seen = look_first([task_of(source)], preset_from_text(TEXT, settings))
        return [line for line in seen.output if "gamut_compression" in line]

    assert len(told()) == 1
    assert "red is -0." in told()[0]
    assert not told('output.gamut_compression="none"')
    assert not told('output.gamut_compression="full"')
    assert not told('output.colour_space="ACEScg"')
    assert not told('water.jerlov_type="9C"')


@pytest.mark.parametrize(
    ("light", "told"),
    [("", True), ("daylight = 0.0\n", False), ("lamps = [{ name = 'torch' }]\n", False)],
)
def test_a_depth_in_centimetres_that_leaves_no_daylight_is_told(source: Path, light: str, told: bool) -> None:
    def told_first(text: str) -> str:
        return "\n".join(look_first([task_of(source)], preset_from_text(TEXT + text)).output)

    deep = f"[place]\ncamera_depth = 1200.0\n[light]\nreference_depth = 12.0\n{light}"
    assert ("no daylight is left in the water: the picture is black" in told_first(deep)) is told
    assert "no daylight" not in told_first(deep.replace("1200.0", "12.0"))


@pytest.mark.parametrize(
    ("steps", "told"),
    [("", True), ("[steps.lamps]\n", False), ("[steps.lamp_backscatter]\n", False)],
)
def test_lamps_that_no_step_uses_are_told_before_frame_one(source: Path, steps: str, told: bool) -> None:
    def told_first(text: str) -> str:
        return "\n".join(look_first([task_of(source)], preset_from_text(TEXT + text)).output)

    said = told_first(f"[light]\nlamps = [{{ name = 'torch' }}]\n{steps}")
    assert ("no step uses them" in said) is told
    assert said.count("no step uses") == told
    assert "no step uses them" not in told_first(steps)


def test_a_key_that_no_step_obeys_is_told_before_frame_one(source: Path) -> None:
    look = preset_from_text(TEXT + "[story]\nnear_limit = 2.0\n")
    told = look_first([task_of(source)], look).output
    assert sum("story.near_limit is set, but nothing is remapped" in line for line in told) == 1
    assert not any(
        "near_limit" in line for line in look_first([task_of(source)], preset_from_text(TEXT)).output
    )


def test_a_story_where_no_daylight_is_left_is_told(source: Path) -> None:
    text = TEXT + "[place]\ncamera_depth = 1e5\n[light]\nreference_depth = 12.0\n"
    deep = preset_from_text(text)
    told = [each for each in remarks(deep) if "no daylight is left" in each.text]
    assert ["place.camera_depth" in each.fix for each in told] == [True]
    with pytest.raises(HaloclineError, match="E-PHYSICS-DARK"):
        story_report(deep, 0, LINEAR_REC709)


def test_keys_counted_from_another_first_frame_are_told(source: Path) -> None:
    def told(first: int, last: int) -> list[str]:
        curve = f'{{ curve = "linear", keys = [[{first}, 0.5], [{last}, 3.0]] }}'
        preset = preset_from_text(TEXT, [f"light.veil_brightness={curve}"])
        return [line for line in look_first([task_of(source)], preset).output if "holds one value" in line]

    (line,) = told(1, 48)
    assert "light.veil_brightness holds one value: its keys are at frames 1 to 48, and frames 1001" in line
    assert len(told(2001, 2048)) == 1
    # A part of a long shot, such as a farm makes by itself.
    assert told(601, 648) == told(1001, 1048) == told(1300, 1301) == told(1, 2000) == []


def test_colours_that_only_one_frame_makes_are_told_with_that_frame(source: Path) -> None:
    """A red veil holds all colours within Rec.709; it goes for a moment that is no end and no middle."""
    tasks = [replace(task_of(source), frame=frame) for frame in range(1001, 1010)]
    keys = "[1001, [400, 1, 1]], [1002, [400, 1, 1]], [1003, [1, 1, 1]], [1004, [400, 1, 1]]"

    def told(keys: str) -> list[str]:
        preset = preset_from_text(TEXT, [f'light.veil_tint={{ curve = "held", keys = [{keys}] }}'])
        return [line for line in look_first(tasks, preset).output if "gamut_compression" in line]

    assert not told("[1001, [400, 1, 1]]")
    (line,) = told(keys)
    assert "this water at frame 1003: red is -0." in line


def test_pixels_below_zero_are_counted_on_the_finished_frame(source: Path) -> None:
    """Against the file, read back: a channel below 0 by more than half a per cent of the largest."""
    _, planes, record = made(source)
    colours = rgb(planes).astype(np.float32)
    expected = (colours.min(axis=0) < -0.005 * np.abs(colours.max(axis=0))).mean()
    assert record.below_zero == pytest.approx(expected, abs=2e-3)
    assert 0.05 < record.below_zero < 0.95
    assert made(source, 'output.gamut_compression="full"')[2].below_zero == 0.0
    assert made(source, 'output.colour_space="ACEScg"')[2].below_zero == 0.0


def test_carried_colours_in_another_space_are_told(source: Path) -> None:
    settings = ['output.colour_space="ACEScg"', 'output.carry=["albedo.R"]']
    seen = look_first([task_of(source)], preset_from_text(TEXT, settings))
    assert any("output.carry" in line for line in seen.output)


def test_stills_show_the_colours_that_are_written(source: Path) -> None:
    settings = ('output.gamut_compression="full"', 'output.data_type="float"')
    preset = preset_from_text(TEXT, settings)
    _, planes, _ = made(source, *settings)
    shown = Still.read(task_of(source), preset).planes(preset)["rgb"]
    np.testing.assert_allclose(shown, rgb(planes), atol=1e-7)


def test_colours_given_in_another_space_are_written_in_the_working_space(source: Path) -> None:
    """The file says so; water does to them what it does to the same light in the file itself."""
    header, planes, _ = made(source, "colour.input_space=ACEScct")
    expected = np.ravel([*ACESCG.primaries, ACESCG.white])
    np.testing.assert_allclose(header["chromaticities"], expected, atol=1e-5)
    # ACEScct 0.4 is 2^(0.4 * 17.52 - 9.72) = 0.1524: Academy S-2016-001, from memory; 0.4 is a half here.
    clean(source, level=2 ** (float(np.float16(0.4)) * 17.52 - 9.72), chromaticities=tuple(expected))
    _, as_light, _ = made(source, "output.compression=zips")
    np.testing.assert_allclose(rgb(planes), rgb(as_light), rtol=2e-3, atol=1e-4)


@pytest.mark.parametrize(
    ("level", "bad_pixels", "refused"),
    [(0.4, "report", True), (np.nan, "report", False), (np.nan, "clamp", True), (np.nan, "inpaint", True)],
)
def test_a_frame_without_numbers_of_its_renders_is_an_error_and_nothing_is_written(
    level: float, bad_pixels: str, refused: bool, tmp_path: Path
) -> None:
    # What a render has already, and is not to lose, a report tells and the frame keeps.
    preset = preset_from_text(TEXT, [f"input.bad_pixels={bad_pixels}"])
    source = clean(tmp_path / "clean.1001.exr", level=level)
    result = render(read_inputs(task_of(source), preset), preset, Evaluation(1))
    assert (result.counts["nan"] > 0) == np.isnan(level)
    next(iter(result.pictures.values())).rgb[1, 12, 7] = np.nan
    if not refused:
        write_result(result, preset)
        return
    with pytest.raises(HaloclineError, match="are no numbers") as caught:
        write_result(result, preset)
    assert caught.value.code == "E-WRITE-NAN"
    assert not result.task.out.exists()
