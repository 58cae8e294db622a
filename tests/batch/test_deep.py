"""Deep pictures under water against flat ones, merged by OpenImageIO and read back by the OpenEXR package."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest
from tests.batch.test_elements import LOOK as GRITTY
from tests.deep_files import BARE_WATER, NAMES, Deep, flat_by_openimageio, read_by_openexr, write_deep_pixels

from halocline._typing import F32, F64
from halocline.batch.arrays import apply
from halocline.batch.first_look import look_first
from halocline.batch.frame_task import FrameRecord, read_inputs, render, write_result
from halocline.batch.memory_budget import frame_need
from halocline.batch.still import Still, tasks_of
from halocline.batch.task import FrameTask, InputFiles
from halocline.errors import (
    ChannelError,
    DepthError,
    FrameError,
    GraphError,
    HaloclineError,
    ReadError,
    WriteError,
)
from halocline.graph.engine import Evaluation
from halocline.imaging import deep_file, deep_load, save
from halocline.imaging.exr import read_header
from halocline.imaging.exr_write import WriteRecord
from halocline.imaging.load import load, load_buffer
from halocline.imaging.report import inspect
from halocline.presets.preset import preset_from_text
from halocline.review.checks import check_sequence

ROWS, COLUMNS = 12, 20
WALL, FISH = np.array([0.5, 0.4, 0.3]), np.array([0.1, 0.35, 0.6])
Pixel = Callable[[int, int], list[tuple[float, ...]]]


def picture(pixel: Pixel) -> Deep:
    return [[pixel(y, x) for x in range(COLUMNS)] for y in range(ROWS)]


def sample(colour: F64, alpha: float, front: float, back: float | None = None) -> tuple[float, ...]:
    return (*(colour * alpha), alpha, front, front if back is None else back)


def cover(y: int, x: int) -> float:
    """Return how much of a pixel a fish covers: whole in the middle, half at its sides."""
    return 0.0 if not 4 <= y < 8 or not 5 <= x < 15 else 0.5 if x in (5, 14) else 1.0


def fish(y: int, x: int) -> list[tuple[float, ...]]:
    return [sample(FISH, cover(y, x), 2.5)] if cover(y, x) else []


def wall(y: int, x: int) -> list[tuple[float, ...]]:
    return [sample(WALL, 1.0, 7.0)] if x < 16 else [sample(WALL, 0.25, 6.0)]


def wet(source: Path, *settings: str, text: str = BARE_WATER) -> tuple[Path, FrameRecord]:
    out = source.with_name(f"wet_{source.name}")
    task = FrameTask(1001, source, None, out, replace=True)
    preset = preset_from_text(text, settings)
    how = Evaluation(2, 3)
    return out, write_result(render(read_inputs(task, preset), preset, how), preset)


def colours(path: Path) -> F32:
    channels = read_by_openexr(path)
    return np.stack([channels[name] for name in "RGBA"]).astype(np.float32)


def flat_of(path: Path) -> Path:
    """Write what a deep file of one sample a pixel is, flat."""
    channels = read_by_openexr(path)
    values = {
        name: np.array(
            [[s[0] if s is not None and len(s) else np.nan for s in row] for row in channels[name]]
        )
        for name in "RGBAZ"
    }
    made = np.stack([np.nan_to_num(values[n], nan=np.inf if n == "Z" else 0.0) for n in "RGBAZ"], axis=-1)
    spec = oiio.ImageSpec(COLUMNS, ROWS, 5, "float")
    spec.channelnames = tuple("RGBAZ")
    spec.attribute(
        "chromaticities", oiio.TypeDesc("float[8]"), (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
    )
    flat = path.with_name(f"flat_{path.name}")
    buffer = oiio.ImageBuf(spec)
    buffer.set_pixels(oiio.get_roi(spec), np.ascontiguousarray(made, np.float32))
    assert buffer.write(str(flat), "float")
    return flat


@pytest.fixture
def fish_file(tmp_path: Path) -> Path:
    return write_deep_pixels(tmp_path / "fish.exr", picture(fish))


@pytest.fixture
def wall_file(tmp_path: Path) -> Path:
    return write_deep_pixels(tmp_path / "wall.exr", picture(wall))


@pytest.fixture
def both_file(tmp_path: Path) -> Path:
    # The farther first: nothing says that samples come in order.
    return write_deep_pixels(tmp_path / "both.exr", picture(lambda y, x: [*wall(y, x), *fish(y, x)]))


def test_of_one_sample_a_pixel_water_makes_what_it_makes_of_the_flat_picture(
    fish_file: Path, wall_file: Path
) -> None:
    for file in (fish_file, wall_file):
        deep, flat = colours(wet(file)[0]), colours(wet(flat_of(file))[0])
        np.testing.assert_allclose(deep, flat, atol=1e-6)
        assert deep[2].max() > 0.05


def test_samples_of_one_depth_are_one(tmp_path: Path) -> None:
    """Two that cover half each, of one colour and depth, are one that covers three quarters."""
    halves, one = (
        [[pixel] * COLUMNS] * ROWS for pixel in (2 * [sample(WALL, 0.5, 7.0)], [sample(WALL, 0.75, 7.0)])
    )
    files = [write_deep_pixels(tmp_path / f"{n}.exr", each) for n, each in enumerate((halves, one))]
    np.testing.assert_allclose(colours(wet(files[0])[0]), colours(wet(files[1])[0]), atol=1e-6)


def test_an_element_merged_later_is_what_both_rendered_together_are(
    fish_file: Path, wall_file: Path, both_file: Path
) -> None:
    """By OpenImageIO's deep_merge and flatten, in either order; with particles before and between."""
    together = colours(wet(both_file, text=GRITTY)[0])
    frame, record = wet(wall_file, "output.deep=true", text=GRITTY)
    element, _ = wet(fish_file, "output.deep=true", "output.element=true", text=GRITTY)
    np.testing.assert_allclose(flat_by_openimageio(frame, element), together, atol=1e-6)
    np.testing.assert_allclose(flat_by_openimageio(element, frame), together, atol=1e-6)
    # The fish hides some of the water, and what floats is seen.
    assert np.abs(flat_by_openimageio(frame) - together).max() > 0.01
    assert (together[:3, 5, 6:14].std(axis=-1) > 1e-4).any()
    assert record.counts["samples"] == ROWS * COLUMNS


def test_a_deep_file_is_read_back_with_open_water_behind(wall_file: Path) -> None:
    out, _ = wet(wall_file, "output.deep=true")
    found = read_by_openexr(out)
    assert set(found) == {"R", "G", "B", "A", "Z", "ZBack"}
    assert found["Z"][0, 0].tolist() == [7.0]
    assert found["Z"][0, 17].tolist() == [6.0, 1e5]
    np.testing.assert_allclose(found["A"][0, 17], [0.25, 1.0])
    (part,) = read_header(out).parts
    assert part.deep
    assert part.value("halocline:frame") == 1001
    # A wet file is a deep file as any other.
    assert load(out).views[0].deep is not None
    deep = flat_by_openimageio(out)
    np.testing.assert_allclose(deep, colours(wet(wall_file)[0]), atol=1e-6)


def test_slabs_are_cut_where_the_water_across_them_counts(tmp_path: Path) -> None:
    """Against a slab given as 100 points: far nearer than one point in its middle is."""
    slab = [[[sample(FISH, 0.6, 2.0, 6.0)]] * 4] * 3
    points = [[[sample(FISH, 1 - 0.4**0.01, 2.02 + 0.04 * n) for n in range(100)]] * 4] * 3
    point = [[[sample(FISH, 0.6, 4.0)]] * 4] * 3
    files = [write_deep_pixels(tmp_path / f"{n}.exr", each) for n, each in enumerate((slab, points, point))]
    made, true, coarse = (colours(wet(file)[0]) for file in files)
    np.testing.assert_allclose(made, true, atol=3e-5)
    assert np.abs(coarse - true).max() > 1e-3
    kept = read_by_openexr(wet(files[0], "output.deep=true")[0])["Z"][0, 0]
    assert len(kept) > 10
    assert (kept[0], kept[-1]) == (2.0, 1e5)


def test_light_without_coverage_goes_through_its_water(tmp_path: Path) -> None:
    """A glow at 3 m adds what a lit point there sends through: as a share of a covering one, in the limit."""
    glow = write_deep_pixels(tmp_path / "glow.exr", [[[(0.2, 0.2, 0.2, 0.0, 3.0, 3.0)]] * 3] * 2)
    none = write_deep_pixels(tmp_path / "none.exr", [[[]] * 3] * 2)
    full = write_deep_pixels(tmp_path / "full.exr", [[[(0.2, 0.2, 0.2, 1.0, 3.0, 3.0)]] * 3] * 2)
    dark = write_deep_pixels(tmp_path / "dark.exr", [[[(0.0, 0.0, 0.0, 1.0, 3.0, 3.0)]] * 3] * 2)
    lit, water, covering, black = (colours(wet(file)[0]) for file in (glow, none, full, dark))
    np.testing.assert_allclose((lit - water)[:3], (covering - black)[:3], atol=1e-6)


def test_tiles_windows_and_layers(tmp_path: Path, fish_file: Path) -> None:
    tiled = write_deep_pixels(tmp_path / "tiles.exr", picture(fish), tile=8)
    np.testing.assert_array_equal(colours(wet(tiled)[0]), colours(wet(fish_file)[0]))
    out, _ = wet(fish_file, 'output.layers=["*", "path_length"]')
    channels = read_by_openexr(out)
    total = np.stack([channels[f"direct.{c}"] + channels[f"veil.{c}"] for c in "RGB"])
    np.testing.assert_allclose(total, colours(out)[:3], atol=1e-5)
    # Metres are the nearest sample's, and those of open water where there is none.
    assert channels["path_length.Y"][5, 5] == 2.5
    assert channels["path_length.Y"][0, 0] > 20.0


def test_layers_of_deep_pictures_add_up_in_each_sample_and_flatten_to_the_flat_ones(both_file: Path) -> None:
    """Flattened by OpenImageIO, which lays every channel over by the coverage A."""
    wanted = 'output.layers=["*", "path_length", "particle_alpha"]'
    flat = read_by_openexr(wet(both_file, wanted, text=GRITTY)[0])
    out, _ = wet(both_file, wanted, "output.deep=true", text=GRITTY)
    deep = read_by_openexr(out)
    names = [name.removesuffix(".R") for name in flat if name.endswith(".R")]
    assert {"direct", "veil", "particles"} <= set(names)
    for colour in "RGB":
        for own, *parts in zip(
            *(np.concatenate(deep[n].ravel()) for n in (colour, *(f"{name}.{colour}" for name in names))),
            strict=True,
        ):
            assert own == pytest.approx(sum(parts), abs=2e-6)
    buffer = oiio.ImageBufAlgo.flatten(oiio.ImageBuf(str(out)))
    pixels, channels = np.asarray(buffer.get_pixels("float")), list(buffer.spec().channelnames)
    for name in (f"{name}.{colour}" for name in names for colour in "RGB"):
        np.testing.assert_allclose(pixels[..., channels.index(name)], flat[name], atol=2e-6)
    # Guides tell of each sample, as Z does: metres to the fish, the wall, open water.
    assert deep["path_length.Y"][5, 8].tolist() == [2.5, 7.0]
    assert deep["path_length.Y"][5, 18][0] == 6.0
    assert deep["path_length.Y"][5, 18][1] > 20.0


def test_layers_of_a_deep_element_and_of_one_without_samples(fish_file: Path, tmp_path: Path) -> None:
    settings = 'output.layers=["veil"]', "output.deep=true"
    element = read_by_openexr(wet(fish_file, *settings, "output.element=true")[0])
    whole = read_by_openexr(wet(fish_file, *settings)[0])
    assert element["veil.R"][0, 0] is None or not len(element["veil.R"][0, 0])
    assert element["veil.B"][5, 5][0] == whole["veil.B"][5, 5][0] > 0.0
    none = write_deep_pixels(tmp_path / "none.exr", [[[]] * COLUMNS] * ROWS)
    assert read_by_openexr(wet(none, *settings)[0])["veil.B"][0, 0][0] == whole["veil.B"][0, 0][0]
    # Nothing at all to write: not a sample, and no channel that nobody has told of.
    assert "A" in read_by_openexr(wet(none, *settings, "output.element=true")[0])


@pytest.mark.parametrize(("tile", "sign"), [(0, 1.0), (8, 1.0), (0, -1.0)])
def test_by_rows_and_read_again_it_is_the_same_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tile: int, sign: float
) -> None:
    """Samples in any order that overlap, some unsound: to the byte, whatever is held at once."""
    random = np.random.default_rng(6)

    def anything(y: int, x: int) -> list[tuple[float, ...]]:
        found = []
        for depth in random.integers(1, 6, random.integers(0, 5)):
            back = depth + random.integers(-1, 3)
            found.append(sample(FISH, random.choice([0.3, 0.6, 1.0, np.nan]), sign * depth, sign * back))
        return found

    source = write_deep_pixels(tmp_path / "mess.exr", picture(anything), tile=tile)
    layers = 'output.layers=["*", "path_length"]'
    kind = "input.depth_kind=planar"

    def made(name: str, how: Evaluation, *settings: str) -> tuple[bytes, FrameRecord]:
        preset = preset_from_text(BARE_WATER, [*settings, layers, kind])
        task = FrameTask(1001, source, None, tmp_path / name)
        record = write_result(render(read_inputs(task, preset), preset, how), preset)
        return record.out.read_bytes(), record

    usual = {deep: made(f"{deep}.exr", Evaluation(1), f"output.deep={deep}") for deep in ("true", "false")}
    monkeypatch.setattr(deep_load, "HELD_SAMPLES", 20)
    monkeypatch.setattr(deep_file, "_ROWS", 5)
    for deep, (whole, record) in usual.items():
        rows, told = made(f"{deep}_rows.exr", Evaluation(1, 2, by_rows=True), f"output.deep={deep}")
        assert rows == whole
        assert (told.counts, told.warnings, told.below_zero) == (
            record.counts,
            record.warnings,
            record.below_zero,
        )
    assert record.counts["samples_tidied"] > 0
    assert "a coverage (A) outside 0 to 1" in "\n".join(record.warnings)


@pytest.mark.parametrize("by_rows", [False, True])
def test_samples_without_numbers_are_an_error_and_nothing_is_written(
    both_file: Path, monkeypatch: pytest.MonkeyPatch, *, by_rows: bool
) -> None:
    monkeypatch.setattr(deep_file, "_ROWS", 5)
    own = deep_file.write_deep

    def broken(path: Path, parts: list[deep_file.DeepPixels], **how: Any) -> WriteRecord:
        def bands(part: deep_file.DeepPixels) -> Iterator[deep_file.Rows]:
            for counts, values in part.bands:
                yield counts, {**values, "G": values["G"] * np.float32(np.nan)}

        return own(path, [replace(part, bands=bands(part)) for part in parts], **how)

    monkeypatch.setattr(save, "write_deep", broken)
    preset = preset_from_text(BARE_WATER, ["output.deep=true"])
    task = FrameTask(1001, both_file, None, both_file.with_name("wet.exr"))
    made = render(read_inputs(task, preset), preset, Evaluation(1, by_rows=by_rows))
    with pytest.raises(WriteError, match=r"E-WRITE-NAN.*G has \d+ values"):
        write_result(made, preset)
    assert not task.out.exists()


def test_a_file_that_changes_while_its_samples_are_read_again_is_told(
    both_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(deep_load, "HELD_SAMPLES", 20)
    preset = preset_from_text(BARE_WATER, ["output.deep=true"])
    task = FrameTask(1001, both_file, None, both_file.with_name("wet.exr"))
    inputs = read_inputs(task, preset)
    write_deep_pixels(both_file, picture(fish))
    with pytest.raises(ReadError, match=r"E-READ-CHANGED(.|\n)*run again"):
        write_result(render(inputs, preset, Evaluation(1, by_rows=True)), preset)
    assert not task.out.exists()


@pytest.mark.parametrize("other", [False, True])
def test_samples_are_read_again_of_a_file_with_another_name_or_mode_but_not_of_other_content(
    both_file: Path, monkeypatch: pytest.MonkeyPatch, *, other: bool
) -> None:
    monkeypatch.setattr(deep_load, "HELD_SAMPLES", 20)
    preset = preset_from_text(BARE_WATER, ["output.deep=true"])
    by_rows = Evaluation(1, by_rows=True)
    tasks = [FrameTask(1001, both_file, None, both_file.with_name(name)) for name in ("wet.exr", "again.exr")]
    whole = write_result(render(read_inputs(tasks[0], preset), preset, by_rows), preset).out.read_bytes()
    inputs = read_inputs(tasks[1], preset)
    found = both_file.stat()
    if not other:
        both_file.with_name("backup.exr").hardlink_to(both_file)
        both_file.chmod(0o440)
        assert write_result(render(inputs, preset, by_rows), preset).out.read_bytes() == whole
        return
    # Other light, as many samples: neither counts nor size nor date tell.
    data = bytearray(both_file.read_bytes())
    data[-1] ^= 1
    with both_file.open("r+b") as opened:
        opened.write(data)
    os.utime(both_file, ns=(found.st_atime_ns, found.st_mtime_ns))
    with pytest.raises(ReadError, match=r"E-READ-CHANGED"):
        write_result(render(inputs, preset, by_rows), preset)
    assert not tasks[1].out.exists()


def test_blur_is_added_and_ports_come_last_of_all(fish_file: Path) -> None:
    """One sample a pixel: as of the flat picture; and both are told."""
    for step, words in (
        ("[steps.forward_scatter]\nafter = 'attenuation'\n", '"forward_scatter" looks around a pixel'),
        ("[steps.flat_port]\n", 'work on it flat: "flat_port"'),
    ):
        out, record = wet(fish_file, text=BARE_WATER + step)
        deep, flat = colours(out), colours(wet(flat_of(fish_file), text=BARE_WATER + step)[0])
        np.testing.assert_allclose(deep, flat, atol=2e-6)
        assert words in "\n".join(record.warnings)
        assert np.abs(deep - colours(wet(fish_file)[0])).max() > 1e-4


def test_steps_that_have_no_depth_are_left_out_or_refused_by_name(fish_file: Path) -> None:
    _, record = wet(fish_file, "output.deep=true", text=BARE_WATER + "[steps.forward_scatter]\n")
    assert '"forward_scatter" was left out' in "\n".join(record.warnings)
    for setting in ("output.deep=true", 'output.layers=["*"]'):
        told = r'E-DEEP-STEP.*step "flat_port"(.|\n)*--set steps\.flat_port\.enabled=false'
        with pytest.raises(GraphError, match=told):
            wet(fish_file, setting, text=BARE_WATER + "[steps.flat_port]\n")
    mixed = BARE_WATER + '[steps.flat_port]\n[steps.mix]\nother = "attenuation"\namount = 0.5\n'
    with pytest.raises(GraphError, match=r'E-DEEP-STEP.*step "mix"'):
        wet(fish_file, text=mixed)


def test_steps_that_look_at_edges_tell_how(fish_file: Path) -> None:
    _, record = wet(fish_file, text=BARE_WATER + "[steps.rim_light]\nbefore = 'attenuation'\n")
    assert '"rim_light" looks at the pixels around' in "\n".join(record.warnings)


FACING = """
format = 2
[water]
jerlov_type = "1C"
[place]
camera_depth = 1.2
[camera]
focal_length_mm = {focal}
[sea]
smooth_below = 0.05
[input]
depth_kind = "range"
normal_layer = "N"
[output]
data_type = "float"
[light]
shadows = false
[steps.caustics]
"""
WITH_NORMALS = (*NAMES, "N.X", "N.Y", "N.Z")
# To the lens and up, where the sun is.
TURNED = (0.0, 0.6, 0.8)


def test_samples_that_face_somewhere_know_nothing_of_those_beside_them(tmp_path: Path) -> None:
    def wall(y: int, x: int) -> list[tuple[float, ...]]:
        return [(*sample(WALL, 1.0, 4.0), *TURNED)]

    def posts(y: int, x: int) -> list[tuple[float, ...]]:
        return [(*sample(FISH, 1.0, 2.0), 1.0, 0.0, 0.0)] if x % 2 else wall(y, x)

    made = []
    for name, pixel in (("wall", wall), ("posts", posts)):
        file = write_deep_pixels(tmp_path / f"{name}.exr", picture(pixel), WITH_NORMALS)
        out, record = wet(file, text=FACING.format(focal=20))
        made.append(colours(out))
        assert "looks at the pixels around" not in "\n".join(record.warnings)
    np.testing.assert_array_equal(made[1][..., ::2], made[0][..., ::2])
    # There is a pattern to be seen there.
    assert np.ptp(made[0][1]) > 0.1 * made[0][1].mean()


def test_a_sample_is_lit_over_the_part_of_its_pixel_that_it_shows(tmp_path: Path) -> None:
    """A quarter of a pixel is lit as all of one is that is half as wide: both have one middle."""
    middle = (ROWS // 2, COLUMNS // 2)

    def alone(alpha: float) -> Pixel:
        # The lens looks between four pixels: moved, it looks at one.
        return lambda y, x: [(*sample(WALL, alpha, 4.0), *TURNED)] if (y, x) == middle else []

    def light(alpha: float, focal: float) -> F32:
        file = write_deep_pixels(tmp_path / f"{alpha}_{focal}.exr", picture(alone(alpha)), WITH_NORMALS)
        shift = 36.0 / COLUMNS / 2.0
        look = FACING.format(focal=focal).replace(
            "[sea]", f"film_width_mm = 36\nfilm_offset_mm = [{-shift}, {shift}]\n[sea]"
        )
        return colours(wet(file, text=look)[0])[:3, *middle] / np.float32(alpha)

    quarter, half_as_wide, whole = light(0.25, 20), light(1.0, 40), light(1.0, 20)
    np.testing.assert_allclose(quarter, half_as_wide, rtol=2e-4)
    assert np.abs(whole / half_as_wide - 1.0).max() > 0.002


def test_samples_that_are_not_sound_are_mended_and_told(tmp_path: Path) -> None:
    bad = [
        (0.1, 0.1, 0.1, -0.5, 3.0, 3.0),
        (np.nan, 1.0, 1.0, 0.5, np.nan, 2.0),
        (0.2, 0.2, 0.2, 0.5, 5.0, 4.0),
    ]
    file = write_deep_pixels(tmp_path / "bad.exr", [[bad] * 3] * 2)
    out, record = wet(file)
    told = "\n".join(record.warnings)
    for words in ("no depth in front of the lens", "(ZBack) before", "outside 0 to 1", "6 not a number"):
        assert words in told
    assert np.isfinite(colours(out)).all()
    none = write_deep_pixels(tmp_path / "none.exr", [[[]] * 3] * 2)
    assert "holds no sample" in "\n".join(wet(none)[1].warnings)


def test_what_cannot_be_read_or_written_deep_is_refused(tmp_path: Path, fish_file: Path) -> None:
    flat = flat_of(fish_file)
    uncovered = write_deep_pixels(tmp_path / "rgbz.exr", [[[(1, 1, 1, 3)]] * 3] * 2, ("R", "G", "B", "Z"))
    pointless = write_deep_pixels(tmp_path / "rgba.exr", [[[(1, 1, 1, 1)]] * 3] * 2, ("R", "G", "B", "A"))
    cut = tmp_path / "cut.exr"
    cut.write_bytes(fish_file.read_bytes()[:-200])
    cases: list[tuple[Path, tuple[str, ...], type[HaloclineError], str]] = [
        (flat, ("output.deep=true",), FrameError, r"E-DEEP-OUTPUT.*render is flat"),
        (
            fish_file,
            ("input.depth_kind=inverse",),
            DepthError,
            r"E-DEEP-DEPTH.*kind inverse(.|\n)*depth_kind",
        ),
        (uncovered, (), ChannelError, r"E-CHANNEL-MISSING(.|\n)*coverage A"),
        (pointless, (), DepthError, r"E-DEPTH-MISSING"),
        (cut, (), ReadError, r"E-READ-(PIXELS|OPEN)"),
    ]
    for file, settings, kind, words in cases:
        with pytest.raises(kind, match=words):
            wet(file, *settings)
    with pytest.raises(DepthError, match=r"E-DEEP-DEPTH.*own depth(.|\n)*--depth"):
        load(fish_file, depth_path=flat)
    buffer = oiio.ImageBuf(str(fish_file))
    with pytest.raises(ReadError, match=r"E-READ-DEEP.*ImageBuf"):
        load_buffer(buffer)


def test_flat_renders_are_refused_before_the_first_frame(fish_file: Path) -> None:
    file = flat_of(fish_file)
    task = FrameTask(1, file, None, file.with_name("out.exr"), references=(InputFiles(file, None, 1),))
    with pytest.raises(FrameError, match=r"E-DEEP-OUTPUT(.|\n)*--deep"):
        look_first([task], preset_from_text(BARE_WATER, ["output.deep=true"]))


def test_inspect_describes_deep_pictures(both_file: Path) -> None:
    report = inspect(both_file)
    deep = report.views[0].deep
    assert deep is not None
    assert (deep.samples, deep.most_in_a_pixel, deep.slabs) == (ROWS * COLUMNS + 40, 2, 0)
    assert "  deep          280 samples" in "\n".join(report.lines())
    assert not report.problems


def test_from_python_and_in_previews_it_is_the_same_picture(both_file: Path) -> None:
    preset = preset_from_text(BARE_WATER)
    expected = np.moveaxis(colours(wet(both_file)[0])[:3], 0, -1)
    made = apply(preset, both_file)
    np.testing.assert_array_equal(made.rgb, expected)
    still = Still.read(tasks_of(str(both_file))[0], preset)
    np.testing.assert_allclose(np.moveaxis(still.planes(preset)["rgb"], 0, -1), expected, atol=1e-6)
    assert still.reduced(2).planes(preset)["rgb"].shape == (3, ROWS // 2, COLUMNS // 2)
    with pytest.raises(FrameError, match=r"E-DEEP-OUTPUT(.|\n)*--layers veil"):
        apply(preset, both_file, layers=["veil"])


def test_the_check_counts_samples_of_what_it_counts_in_samples(tmp_path: Path) -> None:
    """Three samples of every pixel are out of gamut: all of the picture, and not three times it."""
    out = [sample(np.array([0.5, -0.1, 0.2]), 0.5, depth) for depth in (2.0, 3.0, 4.0)]
    write_deep_pixels(tmp_path / "shot.1001.exr", [[out] * 40] * 30)
    report = check_sequence(tmp_path / "shot.####.exr")
    assert any("up to 100.0% of" in note for note in report.notes)


def test_a_job_is_sized_for_the_samples_of_its_frames(both_file: Path) -> None:
    """Some 90 bytes a sample (measured), of which the file's size tells; fewer where they are not held."""
    preset = preset_from_text(BARE_WATER)
    deep, flat = (
        frame_need([FrameTask(1, file, None, file)], preset) for file in (both_file, flat_of(both_file))
    )
    assert deep is not None
    assert flat is not None
    size = both_file.stat().st_size
    assert (deep.read - flat.read, deep.compute - flat.compute) == (6 * size, 4 * size)
    assert deep.row is None
    kept = frame_need(
        [FrameTask(1, both_file, None, both_file)], preset_from_text(BARE_WATER, ["output.deep=true"])
    )
    assert kept is not None
    assert kept.row is not None
