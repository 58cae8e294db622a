"""A preset on arrays: the same bits as from files, inputs left alone, and mistakes told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import OpenImageIO as oiio
import pytest

import halocline
from halocline.batch import arrays
from halocline.batch.parts import named_planes
from halocline.batch.run import run_frames
from halocline.errors import DepthError, FrameError, HaloclineError, PresetError
from halocline.imaging.load import load, load_beauty

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset

SHAPE = (12, 16)
MAIN = ("rgb", "range", "alpha")
LIGHT = np.random.default_rng(3).random((*SHAPE, 3), np.float32)
# One slope from top to bottom, without a step in it.
RANGE = np.repeat(np.geomspace(4.0, 8.0, 12, dtype=np.float32), 16).reshape(SHAPE)


def test_arrays_give_the_bits_that_files_give(shot: Folder, look: Preset) -> None:
    run_frames(shot.tasks(frames="1002"), look)
    (view,) = load(shot.clean / "arch.1002.exr").views
    # A depth pass that is averaged at edges is read as two surfaces, in further planes.
    apart = {name: plane for name, plane in view.frame.planes.items() if name not in MAIN}
    wet = halocline.apply(
        look,
        np.moveaxis(view.frame.plane("rgb"), 0, -1),
        view.frame.plane("range"),
        view.frame.plane("alpha"),
        planes=apart,
        frame=1002,
        camera=view.camera,
        space=view.space,
    )
    written = load_beauty(shot.out / "arch.1002.exr").views[0].frame
    half = np.moveaxis(wet.rgb, -1, 0).astype(np.float16)
    np.testing.assert_array_equal(half, written.plane("rgb").astype(np.float16))


def test_inputs_are_left_as_they_were(look: Preset) -> None:
    rgb, range_m, alpha = LIGHT.copy(), RANGE.copy(), np.ones(SHAPE, np.float32)
    for each in (rgb, range_m, alpha):
        each.setflags(write=False)
    wet = halocline.apply(look, rgb, range_m, alpha)
    assert wet.rgb.dtype == wet.alpha.dtype == np.float32
    assert wet.rgb.flags.c_contiguous
    np.testing.assert_array_equal(rgb, LIGHT)
    np.testing.assert_array_equal(range_m, RANGE)


@pytest.mark.parametrize("kind", [np.float16, np.float64, list])
def test_floats_of_any_kind_are_taken(look: Preset, kind: Any) -> None:
    light = LIGHT.astype(np.float16)
    given = light.tolist() if kind is list else light.astype(kind)
    wet = halocline.apply(look, given, RANGE)
    np.testing.assert_array_equal(wet.rgb, halocline.apply(look, light.astype(np.float32), RANGE).rgb)


def test_coverage_is_where_the_range_ends_unless_given(look: Preset) -> None:
    range_m = np.where(RANGE > 6.0, np.inf, RANGE)
    light = np.where(np.isfinite(range_m)[..., None], LIGHT, 0.0).astype(np.float32)
    stated = halocline.apply(look, light, range_m, np.isfinite(range_m))
    found = halocline.apply(look, light, range_m)
    np.testing.assert_array_equal(found.rgb, stated.rgb)
    assert (found.alpha == 1.0).all()


def test_planes_of_the_result_can_be_had_too(look: Preset) -> None:
    wet = halocline.apply(look, LIGHT, RANGE, layers=["transmittance", "range"])
    assert wet.layers["transmittance"].shape[-2:] == SHAPE
    np.testing.assert_array_equal(wet.layers["range"], RANGE)


def test_what_a_step_has_to_tell_comes_with_the_frame() -> None:
    look = halocline.load_preset("flat-port-wide", ["steps.flat_port.mode=remove", "light.shadows=false"])
    (told,) = halocline.apply(look, LIGHT, RANGE).warnings
    assert told.startswith("flat port: the port looks beyond the render")


@pytest.mark.parametrize(
    ("changes", "kind", "message"),
    [
        (
            {"rgb": LIGHT[:5]},
            FrameError,
            r"E-FRAME-PLANE  rgb has the shape \(5, 16, 3\) and range_m \(12, 16\)",
        ),
        ({"rgb": np.moveaxis(LIGHT, -1, 0)}, FrameError, "E-FRAME-PLANE .*Give rgb as"),
        ({"rgb": np.ones((*SHAPE, 4), np.float32)}, FrameError, r"E-FRAME-PLANE .*\(12, 16, 4\)"),
        ({"rgb": np.full((*SHAPE, 3), 128, np.uint8)}, FrameError, "E-FRAME-LIGHT  rgb holds uint8.*Decode"),
        ({"range_m": RANGE[..., None]}, FrameError, r"E-FRAME-PLANE .*\(12, 16, 1\)"),
        ({"range_m": -RANGE}, DepthError, "E-DEPTH-RANGE .*at 192 of 192 pixels.*infinite where nothing"),
        (
            {"range_m": np.where(np.arange(192).reshape(SHAPE) == 191, np.nan, RANGE)},
            DepthError,
            "E-DEPTH-RANGE .*at 1 of 192 pixels",
        ),
        ({"alpha": np.ones((5, 16))}, FrameError, 'E-FRAME-PLANE  plane "alpha"'),
        ({"planes": {"normal": np.ones((*SHAPE, 3))}}, FrameError, 'E-FRAME-PLANE  plane "normal"'),
        ({"layers": ["vail"]}, HaloclineError, "E-GRAPH-PLANE .*vail.*It has: alpha"),
        ({"space": "banana"}, HaloclineError, 'E-COLOUR-SPACE .*"banana"'),
    ],
)
def test_mistakes_are_told(
    look: Preset, changes: dict[str, Any], kind: type[HaloclineError], message: str
) -> None:
    given: dict[str, Any] = {"rgb": LIGHT, "range_m": RANGE, **changes}
    with pytest.raises(kind, match=f"(?s){message}"):
        halocline.apply(look, **given)


def broken_planes(*given: Any) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Stand in for a look with a fault."""
    made, told = named_planes(*given)
    made = {name: plane.copy() for name, plane in made.items()}
    made["rgb"][1, 7, 3] = np.nan
    return made, told


@pytest.mark.parametrize(("light", "normal"), [(0.5, 0.0), (np.nan, 0.0), (np.inf, 0.0), (0.5, np.nan)])
def test_what_no_render_had_and_is_no_number_is_an_error(
    look: Preset, monkeypatch: pytest.MonkeyPatch, light: float, normal: float
) -> None:
    monkeypatch.setattr(arrays, "named_planes", broken_planes)
    given, facing = LIGHT.copy(), np.zeros((3, *SHAPE), np.float32)
    given[2, 2, 1], facing[0, 2, 2] = light, normal
    if not (np.isfinite(light) and np.isfinite(normal)):
        assert np.isnan(halocline.apply(look, given, RANGE, planes={"normal": facing}).rgb).any()
        return
    with pytest.raises(FrameError, match=r"(?s)E-FRAME-NAN  rgb has 1 values .*one by one"):
        halocline.apply(look, given, RANGE, planes={"normal": facing})


@pytest.mark.parametrize(("bad_pixels", "refused"), [("report", False), ("clamp", True)])
def test_a_file_with_bad_pixels_that_are_mended_is_one_without(
    shot: Folder, look: Preset, monkeypatch: pytest.MonkeyPatch, bad_pixels: str, *, refused: bool
) -> None:
    monkeypatch.setattr(arrays, "named_planes", broken_planes)
    picture = oiio.ImageBuf(str(shot.clean / "arch.1002.exr"))
    picture.setpixel(20, 20, (np.nan, 0.2, 0.2, 1.0, 8.0))
    told = look.with_settings({"input.bad_pixels": bad_pixels})
    if refused:
        with pytest.raises(FrameError, match="E-FRAME-NAN"):
            halocline.apply(told, picture)
    else:
        assert np.isnan(halocline.apply(told, picture).rgb).any()


def test_the_resolved_text_of_a_preset_gives_the_same_bits(look: Preset) -> None:
    again = halocline.preset_from_text(look.resolved_text)
    wet, as_well = (halocline.apply(each, LIGHT, RANGE) for each in (look, again))
    assert wet.rgb.tobytes() == as_well.rgb.tobytes()


def test_a_preset_may_be_given_by_its_name_or_its_file(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('format = 1\nextends = "jerlov-1c"\n', encoding="utf-8")
    read = halocline.apply(halocline.load_preset("jerlov-1c"), LIGHT, RANGE)
    for given in ("jerlov-1c", own, str(own)):
        np.testing.assert_array_equal(halocline.apply(given, LIGHT, RANGE).rgb, read.rgb)


@pytest.mark.parametrize("given", [LIGHT, None, 7])
def test_what_is_no_preset_is_refused_in_words(given: Any) -> None:
    with pytest.raises(PresetError, match="is no preset") as caught:
        halocline.apply(given, LIGHT, RANGE)
    assert caught.value.code == "E-PRESET-KIND"
    assert "halocline.load_preset" in (caught.value.fix or "")
    with pytest.raises(PresetError) as caught:
        halocline.apply("no-such-water", LIGHT, RANGE)
    assert caught.value.code == "E-PRESET-FIND"


@pytest.mark.parametrize("value", [np.nan, -0.5, 1.5])
def test_a_matte_that_is_no_coverage_is_refused(value: float) -> None:
    rgb, range_m = np.full((4, 6, 3), 0.3, np.float32), np.full((4, 6), 3.0, np.float32)
    matte = np.full((4, 6), value, np.float32)
    with pytest.raises(FrameError, match=r'plane "matte\.arch"') as caught:
        halocline.apply("jerlov-1c", rgb, range_m, planes={"matte.arch": matte})
    assert caught.value.code == "E-FRAME-PLANE"
