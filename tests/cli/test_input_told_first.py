"""What is known of the input is told once, before the first frame; and `inspect` says the same."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from tests.imaging.foreign.layouts import Layout, Part, depth, half, plane, rgb, rgba, vector, write

from halocline.imaging.exr import read_header

if TYPE_CHECKING:
    from tests.cli.conftest import Halocline

Save = Callable[..., Path]


@pytest.fixture
def save(tmp_path: Path) -> Save:
    """Write a file of parts by the independent package and return its path."""

    def call(*parts: Part, name: str = "foreign.1001.exr") -> Path:
        return write(tmp_path / name, Layout(name, parts, {}))

    return call


def wet(halocline: Halocline, path: Path, *options: str) -> Any:
    # Of shade it is told as the frame is made; all else is told of the input.
    sets = ("--set", "light.shadows=false")
    return halocline("apply", "jerlov-1c", path, "--out", path.parent / "wet", "--no-check", *sets, *options)


def warnings_of(told: str) -> set[str]:
    return {
        line.partition(": ")[2].partition(": ")[2]
        for line in told.splitlines()
        if line.startswith("warning: frame")
    }


# Positions on a plane 5 m ahead of a level camera at the origin: the depth pass is in feet. The lens is the
# default, 35 mm on 36 mm: half a picture of 16 pixels is 18/35 of the distance.
def positions() -> dict[str, Any]:
    planes = vector("P", -5.0)
    rows, columns = planes["P.X"].shape
    for row in range(rows):
        for column in range(columns):
            planes["P.X"][row, column] = (column + 0.5 - columns / 2) * 5.0 * 36.0 / 35.0 / columns
            planes["P.Y"][row, column] = -(row + 0.5 - rows / 2) * 5.0 * 36.0 / 35.0 / columns
    return planes


SUSPECT = {
    "feet beside positions": (
        {**rgba(), **depth("Z", 5.0 / 0.3048), **positions()},
        'input.depth_unit = "ft"',
    ),
    "0 to 1 without planes": ({**rgba(), **depth("Z", 0.5)}, 'input.depth_kind = "normalised"'),
    "centimetres": ({**rgba(), **depth("Z", 50000.0)}, "input.depth_unit"),
    "positions in other axes": (
        {**rgba(), **dict(zip(("P.X", "P.Y", "P.Z"), positions().values(), strict=True)), "P.Y": plane(5.0)},
        "do not lie where the camera sees their pixels",
    ),
    "a guessed picture": ({**rgba("torch"), **depth()}, "input.layer"),
}


@pytest.mark.parametrize(("channels", "key"), SUSPECT.values(), ids=SUSPECT)
def test_apply_warns_as_inspect_does_and_strict_refuses(
    halocline: Halocline, save: Save, channels: dict[str, Any], key: str
) -> None:
    path = save(Part(channels))
    told = wet(halocline, path)
    assert told.status == 0
    first = told.err[: told.err.index("[1/1]")]
    assert key in first
    # Once, and before the first frame.
    assert told.err.count(key) == first.count(key)
    seen = halocline("inspect", path, "--preset", "jerlov-1c")
    report = {line[4:] for line in seen.out.splitlines() if line.startswith("  ! ")}
    assert report == warnings_of(told.err)
    strict = wet(halocline, path, "--strict", "--overwrite")
    assert strict.status == 2
    assert "E-INPUT-DOUBT" in strict.err
    assert key in strict.err
    assert "[1/1]" not in strict.err


def test_stills_and_matches_warn_as_apply_does(halocline: Halocline, save: Save) -> None:
    channels, key = SUSPECT["feet beside positions"]
    path = save(Part(channels))
    expected = warnings_of(wet(halocline, path).err)
    assert any(key in warning for warning in expected)
    sheet = halocline("sheet", path, "--preset", "jerlov-1c", "--out", path.parent / "sheet.png")
    wedge = halocline("wedge", "jerlov-1c", path, "light.overcast=0,1", "--out", path.parent / "wedge.png")
    for told in (sheet, wedge):
        assert told.status == 0
        assert warnings_of(told.err) == expected
        assert told.err.count(key) == 1
        # Nothing is written but a sheet: what concerns the files of a run is not told.
        assert "output:" not in told.err
    # A match has no preset, and reads no positions beside the range: it tells what it knows.
    assert "no lens in the metadata" in halocline("match", path).err


def test_what_is_sound_passes_strict_and_what_is_read_is_named(halocline: Halocline, save: Save) -> None:
    path = save(Part(rgba("", 0.2), "diffuse"), Part(rgba(), "Beauty"), Part(depth(), "depth"))
    told = wet(halocline, path, "--strict")
    assert told.status == 0
    assert "reads beauty Beauty.R Beauty.G Beauty.B; alpha Beauty.A; depth depth.Z" in told.err
    dry = halocline("apply", "jerlov-1c", path, "--out", path.parent / "dry", "--dry-run")
    assert "reads beauty Beauty.R" in dry.err


def test_a_depth_unit_scales_depth_and_not_the_camera(halocline: Halocline, save: Save) -> None:
    path = save(Part({**rgba(), **depth("Z", 500.0), **positions()}))
    told = halocline("inspect", path, "--set", "input.depth_unit=cm", "--json")
    report = json.loads(told.out)
    assert report["views"][0]["depth"]["nearest_m"] == pytest.approx(5.0, rel=0.02)
    assert not any("depth_unit" in warning for warning in report["warnings"])
    assert wet(halocline, path, "--strict", "--set", "input.depth_unit=cm").status == 0


def test_a_refusal_comes_before_the_first_frame_and_once(halocline: Halocline, save: Save) -> None:
    for frame in (1001, 1002, 1003):
        path = save(Part({**rgba("diffuse"), **rgba("specular", 0.2), **depth()}), name=f"a.{frame}.exr")
    told = wet(halocline, path.with_name("a.####.exr"))
    assert told.status == 2
    assert told.err.count("error:") == 1
    assert 'input.layer = "diffuse"' in told.err
    assert not list(path.parent.glob("wet/*.exr"))
    missing = wet(
        halocline, path.with_name("a.####.exr"), "--set", "input.layer=diffuse", "--set", "output.carry=['Q']"
    )
    assert missing.status == 2
    assert "output.carry" in missing.err


def test_a_channel_that_a_preset_carries_comes_out_as_it_went_in(
    halocline: Halocline, save: Save, read: Any
) -> None:
    path = save(Part({**rgba(), **depth(), **depth("mask", 0.25)}))
    for carry, expected in (("[]", False), ("['mask']", True)):
        told = wet(halocline, path, "--set", f"output.carry={carry}", "--overwrite")
        assert told.status == 0, told.err
        out = path.parent / "wet" / path.name
        names = list(read.spec(out).channelnames)
        assert ("mask" in names) is expected
    np.testing.assert_array_equal(read.pixels(out)[..., names.index("mask")], 0.25)


def test_inspect_names_every_pass_and_the_values(halocline: Halocline, save: Save) -> None:
    planes = {
        **rgba("Beauty", 0.25),
        **depth("depth.Z"),
        **depth("depth_filtered.Z"),
        **vector("N"),
        **positions(),
    }
    planes["Beauty.R"][0, 0] = -0.5
    planes["Beauty.G"][0, 1:3] = float("nan")
    told = halocline(
        "inspect", save(Part(planes)), "--preset", "jerlov-1c", "--set", "steps.caustics.operator=caustics"
    )
    lines = [" ".join(line.split()) for line in told.out.splitlines()]
    for line in (
        "beauty Beauty.R Beauty.G Beauty.B",
        "alpha Beauty.A",
        "depth depth.Z",
        "normal N.X N.Y N.Z",
        "position P.X P.Y P.Z",
        "values least -0.5 0.25 0.25",
        "median 0.25 0.25 0.25",
        "greatest 0.25 0.25 0.25",
        "bad pixels 2 nan, 0 infinite, 1 negative",
    ):
        assert line in lines, (line, lines)
    assert any(line.startswith("not used depth_filtered.Z") for line in lines)


def test_display_encoded_pictures_are_told_of(halocline: Halocline, save: Save) -> None:
    planes = {**rgb(), **half("A"), **depth()}
    rows, columns = planes["R"].shape
    for index in range(rows * columns):
        for name in "RGB":
            planes[name].flat[index] = (40 + index) / 255.0
    told = halocline("inspect", save(Part(planes)))
    assert "looks display-encoded" in told.out
    planes = {name: plane * plane.dtype.type(1.0) for name, plane in planes.items()}
    for name in "RGB":
        planes[name][...] = planes[name] ** 2 * 3.0
    told = halocline("inspect", save(Part(planes), name="linear.1001.exr"))
    assert "display-encoded" not in told.out


def test_overscan_that_moves_is_put_under_water_and_checked(halocline: Halocline, save: Save) -> None:
    boxes = [(-2, -1, 20, 14), (-4, -3, 24, 18), (0, 0, 16, 12), (2, 2, 10, 8)]
    for frame, box in enumerate(boxes, 1001):
        path = save(Part({**rgba("", 0.5, box), **depth("Z", 5.0, box)}, data=box), name=f"a.{frame}.exr")
    out = path.parent / "wet"
    told = halocline("apply", "jerlov-1c", path.with_name("a.####.exr"), "--out", out)
    assert told.status == 0
    assert "4 of 4 frames written" in told.err
    assert "check" in told.err
    # Every frame covers the display window and its own overscan.
    sizes = [
        (part.data_window.width, part.data_window.height)
        for frame in range(1001, 1005)
        for part in read_header(out / f"a.{frame}.exr").parts
    ]
    assert sizes == [(20, 14), (24, 18), (16, 12), (16, 12)]


def test_layers_of_a_guessed_picture_are_checked_as_what_they_are(halocline: Halocline, save: Save) -> None:
    path = save(Part({**rgba("torch"), **depth()}))
    told = halocline("apply", "jerlov-1c", path, "--out", path.parent / "wet", "--layers", "all")
    assert told.status == 0
    assert "E-CHANNEL" not in told.err


def test_a_lens_that_comes_up_is_told_of_on_its_frame_and_strict_refuses_a_dry_one(
    halocline: Halocline, save: Save
) -> None:
    for frame, height in (1001, 1.0), (1002, 6.0):
        world = np.eye(4, dtype=np.float32)
        world[3, 1] = -height
        part = Part({**rgba(), **depth("Z", 5.0)}, header={"worldToCamera": world})
        path = save(part, name=f"foreign.{frame}.exr")
    pattern, dry = path.parent / "foreign.####.exr", "the lens lies above the surface"
    level = "--set", "place={sea_level = 5.0}"
    told = wet(halocline, pattern, *level)
    assert told.status == 0
    assert next(line for line in told.err.splitlines() if dry in line).startswith("warning: frame 1002: ")
    assert dry in halocline("inspect", path, "--preset", "jerlov-1c", *level).out
    strict = wet(halocline, save(part, name="dry.exr"), "--strict", *level)
    assert strict.status == 2
    assert dry in strict.err


def test_a_lamp_that_lights_nothing_in_view_is_told_of_before_the_first_frame(
    halocline: Halocline, save: Save, tmp_path: Path
) -> None:
    path, look = save(Part({**rgba(), **depth("Z", 5.0)})), tmp_path / "look.toml"
    lamp = "[[light.lamps]]\nname = 'torch'\nposition = [40, 30, 0]\ntarget = [0, 0, 500]\n"
    look.write_text(f"format = 2\nextends = 'jerlov-1c'\n{lamp}[steps.lamps]\nafter = 'downwelling'\n")
    told = halocline("apply", look, path, "--out", tmp_path / "wet", "--no-check")
    said = "light.lamps.torch lights nothing in view"
    assert told.status == 0
    assert said in told.err[: told.err.index("[1/1]")]
    assert told.err.count(said) == 1
    checked = halocline("preset", "check", look, "--against", path)
    assert f"remark: {said}" in checked.out
    assert "no mistakes, 1 remarks" in checked.out
    near = ("--set", "light.lamps.torch.position=[0.4, 0.3, 0]", "--set", "light.lamps.torch.target=[0,0,5]")
    assert said not in halocline("preset", "check", look, "--against", path, *near).out
