"""Frames are found in files of every layout, and go back as they came."""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from halocline._typing import F32, AnyArray
from halocline.errors import ChannelError, ColourError, DepthError, FrameError, ReadError, WriteError
from halocline.imaging.depth import DepthEdges, DepthSpec
from halocline.imaging.exr import Attribute, Part, read_header, read_native
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import Loaded, load, load_beauty, load_surfaces
from halocline.imaging.save import Picture, save

if TYPE_CHECKING:
    from tests.imaging.conftest import Scene

RGBA = ("R", "G", "B", "A")
REC709 = Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329))


def beauty_of(scene: Scene) -> dict[str, F32]:
    colour = np.stack([scene.alpha * level for level in (0.5, 0.3, 0.2)])
    return dict(zip(RGBA, [*colour.astype(np.float16).astype(np.float32), scene.alpha], strict=True))


def camera_entries(scene: Scene, shift: float = 0.0) -> dict[str, Attribute]:
    to_world = np.eye(4)
    to_world[:3, :3] = scene.camera.rotation
    to_world[:3, 3] = scene.camera.position_m + shift
    matrix = (np.diag([1.0, 1.0, -1.0, 1.0]) @ np.linalg.inv(to_world)).T
    return {
        "worldToCamera": Attribute("matrix", tuple(matrix.ravel())),
        "nominalFocalLength": Attribute("float", 28.0),
        "sensorOverallDimensions": Attribute("float2", (36.0, 24.0)),
        "chromaticities": REC709,
        "shot": Attribute("string", "fjord 120"),
    }


def described(scene: Scene, channels: Mapping[str, str], **changes: object) -> Part:
    base = Part(
        index=0,
        name="",
        view="",
        channels=channels,
        data_window=scene.window,
        display_window=scene.window,
        attributes=camera_entries(scene),
    )
    return replace(base, **changes)  # type: ignore[arg-type]


# Range as the file has it: that of pixels that mix two surfaces is another test's matter.
AS_GIVEN = InputSpec(separate_edges=False)


def half_and_depth() -> dict[str, str]:
    return {**dict.fromkeys(RGBA, "half"), "Z": "float"}


def write(path: Path, *parts: tuple[Part, Mapping[str, AnyArray]]) -> Path:
    write_exr(path, [PartPixels(part, planes) for part, planes in parts])
    return path


def usual(scene: Scene, path: Path, **changes: object) -> Path:
    part = described(scene, half_and_depth(), **changes)
    return write(path, (part, {**beauty_of(scene), "Z": scene.planar}))


def pictures(loaded: Loaded, scale: float = 1.0) -> dict[str, Picture]:
    return {
        view.name: Picture(view.frame.plane("rgb") * np.float32(scale), view.frame.plane("alpha"))
        for view in loaded.views
    }


def test_a_usual_file_gives_planes_camera_and_space_without_warnings(scene: Scene, tmp_path: Path) -> None:
    (view,) = load(usual(scene, tmp_path / "a.exr"), AS_GIVEN).views
    assert view.warnings == ()
    assert view.space.name == "lin_rec709"
    assert view.frame.metadata["shot"] == "fjord 120"
    np.testing.assert_array_equal(view.frame.plane("alpha"), scene.alpha.astype(np.float16))
    np.testing.assert_array_equal(view.frame.plane("rgb")[1], beauty_of(scene)["G"])
    covered = np.isfinite(scene.planar) & (scene.alpha > 0.99)
    np.testing.assert_allclose(view.frame.plane("range")[covered], scene.range[covered], rtol=1e-5)
    np.testing.assert_allclose(view.camera.position_m, scene.camera.position_m, atol=1e-6)
    for plane in view.frame.planes.values():
        assert plane.dtype == np.float32
        assert plane.flags.c_contiguous


@pytest.mark.parametrize("edges", ["sharp", "averaged"])
@pytest.mark.parametrize("left_out", ["", "A"])
def test_surfaces_alone_are_those_of_the_whole_frame(
    scene: Scene, tmp_path: Path, edges: DepthEdges, left_out: str
) -> None:
    channels = {name: kind for name, kind in half_and_depth().items() if name != left_out}
    planes = {
        name: plane for name, plane in (beauty_of(scene) | {"Z": scene.planar}).items() if name in channels
    }
    if "A" in planes:
        # No number of coverage is none, with its colour or without.
        planes["A"] = np.where(np.indices(scene.window.shape)[0] == 3, np.float32(np.nan), planes["A"])
    path = write(tmp_path / "a.exr", (described(scene, channels), planes))
    spec = replace(AS_GIVEN, depth=DepthSpec(kind="planar", edges=edges), keep_glows=False, repair="clamp")
    (whole,), (surfaces,) = load(path, spec).views, load_surfaces(path, spec).views
    assert surfaces.frame.planes.keys() == whole.frame.planes.keys() - {"rgb", "far_light"}
    assert ("far_range" in surfaces.frame.planes) is (edges == "averaged")
    for name, plane in surfaces.frame.planes.items():
        np.testing.assert_array_equal(plane, whole.frame.plane(name))
    assert surfaces.camera.stands_as(whole.camera)
    assert (surfaces.depth_spec, surfaces.space) == (whole.depth_spec, whole.space)


def test_surfaces_come_from_the_depths_own_file(scene: Scene, tmp_path: Path) -> None:
    colour = write(tmp_path / "a.exr", (described(scene, dict.fromkeys(RGBA, "half")), beauty_of(scene)))
    depth = write(tmp_path / "z.exr", (described(scene, {"Z": "float"}), {"Z": scene.planar}))
    (surfaces,) = load_surfaces(colour, AS_GIVEN, depth_path=depth).views
    whole = load(colour, AS_GIVEN, depth_path=depth).views[0].frame
    np.testing.assert_array_equal(surfaces.frame.plane("range"), whole.plane("range"))


@pytest.mark.parametrize("kind", ["half", "float"])
@pytest.mark.parametrize("plane", ["rgb", "alpha"])
def test_a_picture_that_must_hold_numbers_is_not_written_without(
    plane: str, kind: str, scene: Scene, tmp_path: Path
) -> None:
    channels = {**dict.fromkeys(RGBA, kind), "Z": "float"}
    planes = {**beauty_of(scene), "Z": scene.planar}
    loaded = load(write(tmp_path / "a.exr", (described(scene, channels), planes)))
    made = pictures(loaded)[""]
    getattr(made, plane)[..., 3, 5] = np.nan
    with pytest.raises(WriteError, match=r"from row 0 on") as caught:
        save(tmp_path / "b.exr", loaded.template, {"": made}, numbers=True)
    assert caught.value.code == "E-WRITE-NAN"
    assert str(tmp_path / "b.exr") in str(caught.value)
    assert [path.name for path in tmp_path.iterdir()] == ["a.exr"]
    save(tmp_path / "b.exr", loaded.template, {"": made})


def test_saving_what_was_loaded_gives_the_same_beauty_and_metadata(scene: Scene, tmp_path: Path) -> None:
    source = usual(scene, tmp_path / "a.exr", compression="piz", pixel_aspect=2.0)
    loaded = load(source)
    save(tmp_path / "b.exr", loaded.template, pictures(loaded), attributes={"halocline:preset": "fjord"})
    (before,), (after,) = read_header(source).parts, read_header(tmp_path / "b.exr").parts
    assert dict(after.channels) == dict.fromkeys(RGBA, "half")
    assert (after.compression, after.pixel_aspect) == ("piz", 2.0)
    assert after.value("halocline:preset") == "fjord"
    assert {**before.attributes, "halocline:preset": Attribute("string", "fjord")} == dict(after.attributes)
    old, new = (read_native(p, part, RGBA) for p, part in ((source, before), (tmp_path / "b.exr", after)))
    for name in RGBA:
        np.testing.assert_array_equal(new[name], old[name])


@pytest.mark.parametrize(
    ("data", "display"),
    [
        (Window(20, 10, 96, 64), Window(0, 0, 200, 120)),
        (Window(-8, -8, 96, 64), Window(0, 0, 80, 48)),
        (Window(-20, 5, 96, 64), Window(-10, -7, 100, 60)),
    ],
)
def test_crops_and_overscan_are_widened_with_open_water_to_the_union(
    scene: Scene, tmp_path: Path, data: Window, display: Window
) -> None:
    path = usual(scene, tmp_path / "a.exr", data_window=data, display_window=display)
    loaded = load(path)
    frame = loaded.views[0].frame
    union = data.union(display)
    assert (frame.data_window, frame.display_window) == (union, display)
    inside = np.zeros(union.shape, np.bool_)
    inside[union.slices_of(data)] = True
    assert (frame.plane("alpha")[~inside] == 0).all()
    assert np.isinf(frame.plane("range")[~inside]).all()
    np.testing.assert_array_equal(
        frame.plane("alpha")[inside].reshape(64, 96), scene.alpha.astype(np.float16)
    )
    save(tmp_path / "b.exr", loaded.template, pictures(loaded), carry="all")
    (after,) = read_header(tmp_path / "b.exr").parts
    assert (after.data_window, after.display_window) == (union, display)
    carried = read_native(tmp_path / "b.exr", after, ["Z"])["Z"]
    np.testing.assert_array_equal(carried[inside].reshape(64, 96), scene.planar)
    assert np.isinf(carried[~inside]).all()


def parts_of(scene: Scene) -> list[tuple[Part, dict[str, AnyArray]]]:
    ids = np.arange(scene.planar.size, dtype=np.uint32).reshape(scene.planar.shape) * np.uint32(600_000)
    normal = {
        axis: np.full(scene.planar.shape, level, np.float32)
        for axis, level in zip("XYZ", (0, 1, 0), strict=True)
    }
    small = Window(5, 5, 40, 30)
    return [
        (described(scene, dict.fromkeys(RGBA, "half"), name="beauty"), dict(beauty_of(scene))),
        (described(scene, {"Z": "float"}, name="depth", index=1), {"Z": scene.planar}),
        (described(scene, dict.fromkeys("XYZ", "half"), name="N", index=2), normal),
        (described(scene, {"id": "uint"}, name="ids", index=3), {"id": ids}),
        (
            described(scene, {"matte.arch": "half"}, name="mattes", index=4, data_window=small),
            {"matte.arch": np.ones(small.shape, np.float32)},
        ),
    ]


def test_parts_stand_for_layers_and_a_normals_z_is_never_depth(scene: Scene, tmp_path: Path) -> None:
    parts = parts_of(scene)
    # Normals first, so that their "Z" is the first of that name in the file.
    order = [2, 1, 0, 3, 4]
    path = write(
        tmp_path / "a.exr", *[(replace(parts[k][0], index=i), parts[k][1]) for i, k in enumerate(order)]
    )
    loaded = load(path, AS_GIVEN, wanted=("normal", "matte.arch"))
    frame = loaded.views[0].frame
    covered = np.isfinite(scene.planar) & (scene.alpha > 0.99)
    np.testing.assert_allclose(frame.plane("range")[covered], scene.range[covered], rtol=1e-5)
    assert (frame.plane("normal")[1] == 1).all()
    assert frame.plane("matte.arch").sum() == 40 * 30
    save(tmp_path / "b.exr", loaded.template, pictures(loaded), carry="all")
    before, after = read_header(path), read_header(tmp_path / "b.exr")
    assert [part.name for part in after.parts] == [part.name for part in before.parts]
    assert [part.data_window for part in after.parts] == [part.data_window for part in before.parts]
    for old, new in zip(before.parts, after.parts, strict=True):
        read_old, read_new = (
            read_native(path, old, old.channels),
            read_native(tmp_path / "b.exr", new, old.channels),
        )
        for name in old.channels:
            np.testing.assert_array_equal(read_new[name], read_old[name])


def test_only_the_beauty_goes_out_unless_asked(scene: Scene, tmp_path: Path) -> None:
    loaded = load(write(tmp_path / "a.exr", *parts_of(scene)))
    save(tmp_path / "b.exr", loaded.template, pictures(loaded))
    assert [part.name for part in read_header(tmp_path / "b.exr").parts] == ["beauty"]
    save(tmp_path / "c.exr", loaded.template, pictures(loaded), carry=["Z"])
    assert [part.name for part in read_header(tmp_path / "c.exr").parts] == ["beauty", "depth"]
    with pytest.raises(ChannelError, match=r'no channel "depth.Zz" to carry(.|\n)*Did you mean "depth.Z"'):
        save(tmp_path / "d.exr", loaded.template, pictures(loaded), carry=["depth.Zz"])


def stereo_in_one_part(scene: Scene, path: Path) -> Path:
    channels = dict.fromkeys((*RGBA, *[f"right.{name}" for name in RGBA]), "half")
    channels |= {"Z": "float", "right.Z": "float"}
    entries = {
        **camera_entries(scene),
        "multiView": Attribute("string[2]", ("left", "right")),
        "right.worldToCamera": camera_entries(scene, 0.065)["worldToCamera"],
    }
    beauty = beauty_of(scene)
    planes = {**beauty, **{f"right.{name}": plane * np.float32(0.5) for name, plane in beauty.items()}}
    planes |= {"Z": scene.planar, "right.Z": scene.planar * np.float32(2)}
    return write(path, (described(scene, channels, attributes=entries), planes))


def stereo_in_parts(scene: Scene, path: Path) -> Path:
    parts: list[tuple[Part, Mapping[str, AnyArray]]] = []
    for view, scale, shift in (("left", 1.0, 0.0), ("right", 2.0, 0.065)):
        entries = camera_entries(scene, shift)
        beauty = {
            name: plane * np.float32(1 if scale == 1 else 0.5) for name, plane in beauty_of(scene).items()
        }
        for name, channels, planes in (
            (f"beauty.{view}", dict.fromkeys(RGBA, "half"), beauty),
            (f"depth.{view}", {"Z": "float"}, {"Z": scene.planar * np.float32(scale)}),
        ):
            part = described(scene, channels, name=name, view=view, index=len(parts), attributes=entries)
            parts.append((part, planes))
    return write(path, *parts)


@pytest.mark.parametrize("layout", [stereo_in_one_part, stereo_in_parts])
def test_each_eye_has_its_own_picture_depth_and_camera(scene: Scene, tmp_path: Path, layout: object) -> None:
    assert callable(layout)
    path = layout(scene, tmp_path / "a.exr")
    loaded = load(path, AS_GIVEN)
    left, right = loaded.views
    assert (left.name, right.name) == ("left", "right")
    sound = np.isfinite(scene.planar) & (scene.alpha == 1)
    ratio = right.frame.plane("range")[sound] / left.frame.plane("range")[sound]
    np.testing.assert_allclose(ratio, 2.0, rtol=1e-5)
    np.testing.assert_allclose(right.camera.position_m - left.camera.position_m, 0.065, atol=1e-6)
    layer = {"transmittance": scene.alpha}
    wet = {name: replace(picture, layers=layer) for name, picture in pictures(loaded, 0.25).items()}
    save(tmp_path / "b.exr", loaded.template, wet, carry="all")
    again = load(tmp_path / "b.exr", AS_GIVEN)
    assert [view.name for view in again.views] == ["left", "right"]
    for before, after in zip(loaded.views, again.views, strict=True):
        np.testing.assert_array_equal(after.frame.plane("rgb"), before.frame.plane("rgb") * np.float32(0.25))
        np.testing.assert_array_equal(after.frame.plane("range"), before.frame.plane("range"))
    names = {name for part in read_header(tmp_path / "b.exr").parts for name in part.channels}
    assert "transmittance.Y" in names
    assert ("transmittance.right.Y" in names) == (layout is stereo_in_one_part)


def test_depth_comes_from_a_file_of_its_own(scene: Scene, tmp_path: Path) -> None:
    beauty = write(tmp_path / "a.exr", (described(scene, dict.fromkeys(RGBA, "half")), beauty_of(scene)))
    smaller = Window(0, 0, 96, 40)
    depth = write(
        tmp_path / "z.exr",
        (described(scene, {"anything": "float"}, data_window=smaller), {"anything": scene.planar[:40]}),
    )
    loaded = load(beauty, AS_GIVEN, depth_path=depth)
    sound = np.isfinite(scene.planar[:40]) & (scene.alpha[:40] == 1)
    found = loaded.views[0].frame.plane("range")
    np.testing.assert_allclose(found[:40][sound], scene.range[:40][sound], rtol=1e-5)
    assert any("covered" in text and "no depth" in text for text in loaded.warnings)
    assert loaded.template.inputs == (beauty, depth)


def test_depth_of_another_size_or_of_one_eye_only_is_refused(scene: Scene, tmp_path: Path) -> None:
    beauty = usual(scene, tmp_path / "a.exr")
    other = described(scene, {"Z": "float"}, display_window=Window(0, 0, 192, 128))
    depth = write(tmp_path / "z.exr", (other, {"Z": scene.planar}))
    with pytest.raises(FrameError, match=r"E-FRAME-MISMATCH.*192 x 128.*96 x 64"):
        load(beauty, depth_path=depth)
    stereo = stereo_in_one_part(scene, tmp_path / "s.exr")
    with pytest.raises(DepthError, match=r'E-DEPTH-VIEW.*"left"'):
        load(stereo, depth_path=beauty)


def test_without_depth_the_message_names_what_there_is(scene: Scene, tmp_path: Path) -> None:
    path = write(tmp_path / "a.exr", (described(scene, dict.fromkeys(RGBA, "half")), beauty_of(scene)))
    with pytest.raises(DepthError, match=r"E-DEPTH-MISSING(.|\n)*R, G, B, A.*Name the depth channel"):
        load(path)
    with pytest.raises(ChannelError, match=r'no channel "deep.Z" for depth'):
        load(path, InputSpec(depth_channel="deep.Z"))
    assert set(load_beauty(path).views[0].frame.planes) == {"rgb", "alpha"}


def test_layers_named_by_the_user_are_taken(scene: Scene, tmp_path: Path) -> None:
    beauty = {f"wet.{name}": plane for name, plane in beauty_of(scene).items()}
    other = {f"dry.{name}": plane * np.float32(0.1) for name, plane in beauty_of(scene).items()}
    planes = {**beauty, **other, "pass7.Z": scene.planar, "mask": scene.alpha, "flow": scene.alpha}
    channels = dict.fromkeys(planes, "half") | {"pass7.Z": "float"}
    path = write(tmp_path / "a.exr", (described(scene, channels), planes))
    with pytest.raises(ChannelError, match=r'E-CHANNEL-AMBIGUOUS(.|\n)*layer = "dry" or input.layer = "wet"'):
        load(path)
    spec = InputSpec(
        beauty="wet", depth_channel="pass7.Z", mattes={"arch": "mask"}, channels={"motion": "flow"}
    )
    loaded = load(path, spec, wanted=["matte.arch"])
    frame = loaded.views[0].frame
    np.testing.assert_array_equal(frame.plane("rgb")[0], beauty["wet.R"])
    np.testing.assert_array_equal(frame.plane("matte.arch"), frame.plane("motion"))
    save(tmp_path / "b.exr", loaded.template, pictures(loaded))
    assert set(read_header(tmp_path / "b.exr").parts[0].channels) == {f"wet.{name}" for name in RGBA}
    with pytest.raises(ChannelError, match=r"no X, Y, Z for the normal"):
        load(path, spec, wanted=["normal"])


def test_world_positions_stand_in_for_depth(scene: Scene, tmp_path: Path) -> None:
    positions = dict(zip(("P.X", "P.Y", "P.Z"), scene.position, strict=True))
    channels = {**dict.fromkeys(RGBA, "half"), **dict.fromkeys(positions, "float")}
    path = write(tmp_path / "a.exr", (described(scene, channels), {**beauty_of(scene), **positions}))
    (view,) = load(path, AS_GIVEN).views
    sound = np.isfinite(scene.planar) & (scene.alpha == 1)
    np.testing.assert_allclose(view.frame.plane("range")[sound], scene.range[sound], rtol=1e-4)
    assert view.depth_reasons[0].startswith("position")


def test_a_beauty_without_alpha_is_covered_where_there_is_depth(scene: Scene, tmp_path: Path) -> None:
    planes = {**beauty_of(scene), "Z": scene.planar}
    del planes["A"]
    channels = {name: kind for name, kind in half_and_depth().items() if name != "A"}
    loaded = load(write(tmp_path / "a.exr", (described(scene, channels), planes)))
    np.testing.assert_array_equal(loaded.views[0].frame.plane("alpha"), np.isfinite(scene.planar))
    assert any("no alpha" in text for text in loaded.warnings)
    save(tmp_path / "b.exr", loaded.template, pictures(loaded))
    assert set(read_header(tmp_path / "b.exr").parts[0].channels) == {"R", "G", "B"}


def test_unpremultiplied_colour_is_multiplied_and_goes_back_as_it_came(scene: Scene, tmp_path: Path) -> None:
    straight = {**{name: np.full(scene.alpha.shape, 0.5, np.float32) for name in "RGB"}, "A": scene.alpha}
    path = write(tmp_path / "a.exr", (described(scene, half_and_depth()), {**straight, "Z": scene.planar}))
    loaded = load(path, InputSpec(premultiplied=False))
    frame = loaded.views[0].frame
    np.testing.assert_array_equal(frame.plane("rgb")[0], np.float32(0.5) * frame.plane("alpha"))
    save(tmp_path / "b.exr", loaded.template, pictures(loaded))
    back = read_native(tmp_path / "b.exr", read_header(tmp_path / "b.exr").parts[0], ["R"])["R"]
    np.testing.assert_allclose(back[scene.alpha > 0], 0.5, rtol=1e-3)


def test_bad_pixels_are_told_and_counted(scene: Scene, tmp_path: Path) -> None:
    planes = {**beauty_of(scene), "Z": scene.planar}
    planes["R"] = planes["R"].copy()
    planes["R"][30, 40:43] = np.nan
    path = write(tmp_path / "a.exr", (described(scene, half_and_depth()), planes))
    (view,) = load(path).views
    assert view.counts["nan"] == 3
    assert "3 not a number" in view.warnings[0]
    assert np.isfinite(load(path, InputSpec(repair="clamp")).views[0].frame.plane("rgb")).all()


def test_a_wrong_unit_and_a_missing_camera_are_told(scene: Scene, tmp_path: Path) -> None:
    path = usual(scene, tmp_path / "a.exr", attributes={})
    told = load(path, InputSpec(depth=DepthSpec(unit_m=100.0))).warnings
    for word in ("no camera matrix", "no lens", "linear Rec.709", "smaller unit"):
        assert any(word in text for text in told), word


def test_colour_spaces_come_from_statement_chromaticities_or_name(scene: Scene, tmp_path: Path) -> None:
    path = usual(scene, tmp_path / "a.exr", attributes={"oiio:ColorSpace": Attribute("string", "ACEScg")})
    assert load(path).views[0].space.name == "ACEScg"
    assert load(path, InputSpec(colour_space="ACES2065-1")).views[0].space.name == "ACES2065-1"
    with pytest.raises(ColourError, match=r"E-COLOUR-SPACE.*a\.exr"):
        load(path, InputSpec(colour_space="nonsense"))
    both = {"oiio:ColorSpace": Attribute("string", "ACEScg"), "chromaticities": REC709}
    told = load(usual(scene, tmp_path / "b.exr", attributes=both))
    assert told.views[0].space.name == "lin_rec709"
    assert any("chromaticities say lin_rec709" in text for text in told.warnings)


def test_text_in_another_encoding_survives_byte_by_byte(scene: Scene, tmp_path: Path) -> None:
    path = usual(scene, tmp_path / "a.exr")
    content = path.read_bytes()
    assert content.count(b"fjord 120") == 1
    path.write_bytes(content.replace(b"fjord 120", b"fj\xf8rd 120"))
    loaded = load(path)
    assert loaded.views[0].frame.metadata["shot"] == "fjørd 120"
    save(tmp_path / "b.exr", loaded.template, pictures(loaded))
    assert b"shot\0string\0\x09\0\0\0fj\xf8rd 120" in (tmp_path / "b.exr").read_bytes()
    np.testing.assert_array_equal(
        load_beauty(tmp_path / "b.exr").views[0].frame.plane("rgb"), loaded.views[0].frame.plane("rgb")
    )


def test_new_attributes_win_over_those_of_the_input(scene: Scene, tmp_path: Path) -> None:
    entries = {**camera_entries(scene), "ImageDescription": Attribute("string", "dry")}
    loaded = load(usual(scene, tmp_path / "a.exr", attributes=entries))
    save(
        tmp_path / "b.exr",
        loaded.template,
        pictures(loaded),
        attributes={"ImageDescription": "wet", "shot": "fjord 130", "halocline:frame": 1001},
    )
    (part,) = read_header(tmp_path / "b.exr").parts
    assert part.value("ImageDescription") == "wet"
    assert part.value("shot") == "fjord 130"
    assert part.value("halocline:frame") == 1001


def test_inputs_are_never_written_over_even_when_overwriting(scene: Scene, tmp_path: Path) -> None:
    path = usual(scene, tmp_path / "a.exr")
    loaded = load(path)
    (tmp_path / "link.exr").symlink_to(path)
    before = path.read_bytes()
    for name in ("a.exr", "link.exr"):
        with pytest.raises(WriteError, match="E-WRITE-INPUT"):
            save(tmp_path / name, loaded.template, pictures(loaded), overwrite=True)
    assert path.read_bytes() == before


def test_pictures_must_fit_the_frame(scene: Scene, tmp_path: Path) -> None:
    loaded = load(usual(scene, tmp_path / "a.exr"))
    alpha = loaded.views[0].frame.plane("alpha")
    with pytest.raises(FrameError, match=r"E-FRAME-PLANE.*rgb.*10 x 10"):
        save(tmp_path / "b.exr", loaded.template, {"": Picture(np.zeros((3, 10, 10), np.float32), alpha)})
    with pytest.raises(FrameError, match="E-FRAME-VIEWS"):
        save(tmp_path / "b.exr", loaded.template, {})


def test_layers_get_the_names_of_their_channels(scene: Scene, tmp_path: Path) -> None:
    loaded = load(usual(scene, tmp_path / "a.exr"))
    (picture,) = pictures(loaded).values()
    rgb = picture.rgb
    layers = {"veil": rgb, "shift": rgb[:2], "transmittance": rgb[0], "matte.arch": rgb[1]}
    save(tmp_path / "b.exr", loaded.template, {"": replace(picture, layers=layers, float_layers=("shift",))})
    channels = read_header(tmp_path / "b.exr").parts[0].channels
    assert set(channels) - set(RGBA) == {
        *(f"veil.{name}" for name in "RGB"),
        "shift.X",
        "shift.Y",
        "transmittance.Y",
        "matte.arch",
    }
    assert (channels["shift.X"], channels["veil.R"]) == ("float", "half")


def test_templates_cross_process_borders(scene: Scene, tmp_path: Path) -> None:
    loaded = load(usual(scene, tmp_path / "a.exr"))
    template = pickle.loads(pickle.dumps(loaded.template))
    save(tmp_path / "b.exr", template, pictures(loaded))
    assert read_header(tmp_path / "b.exr").parts[0].value("shot") == "fjord 120"


def test_a_damaged_input_is_an_error_with_its_name(scene: Scene, tmp_path: Path) -> None:
    path = usual(scene, tmp_path / "a.exr")
    path.write_bytes(path.read_bytes()[:-500])
    with pytest.raises(ReadError, match=r"E-READ-PIXELS.*a\.exr"):
        load(path)


def test_light_at_alpha_0_goes_through_the_water_before_what_it_glows_around(
    scene: Scene, tmp_path: Path
) -> None:
    planes = {**beauty_of(scene), "Z": scene.planar}
    open_water = (scene.alpha == 0) & ~np.isfinite(scene.planar)
    plain = load(usual(scene, tmp_path / "plain.exr"), AS_GIVEN).views[0].frame
    # Stray light far below what can be seen is no glow.
    for name, level in zip("RGB", (0.2, 0.1, 0.05), strict=True):
        planes[name] = np.where(open_water, np.float32(level), planes[name])
    planes["R"][0, 0] = planes["G"][0, 0] = planes["B"][0, 0] = 1e-6
    path = write(tmp_path / "glow.exr", (described(scene, half_and_depth()), planes))
    (view,) = load(path, AS_GIVEN).views
    glows = open_water.copy()
    glows[0, 0] = False
    assert view.counts["light_without_alpha"] == glows.sum()
    assert any("input.keep_glows" in text for text in view.warnings)
    lit, covered = view.frame.plane("range")[glows], plain.plane("range")[scene.alpha > 0]
    assert np.isfinite(lit).all()
    assert covered.min() <= lit.min() <= lit.max() <= covered.max()
    np.testing.assert_array_equal(view.frame.plane("range")[~glows], plain.plane("range")[~glows])
    assert (view.frame.plane("alpha")[glows] < 1e-9).all()
    save(tmp_path / "b.exr", load(path, AS_GIVEN).template, pictures(load(path, AS_GIVEN)))
    written = read_native(tmp_path / "b.exr", read_header(tmp_path / "b.exr").parts[0], ["A"])["A"]
    np.testing.assert_array_equal(written, scene.alpha.astype(np.float16))
    (dropped,) = load(path, replace(AS_GIVEN, keep_glows=False)).views
    assert np.isinf(dropped.frame.plane("range")[glows]).all()


def test_light_at_alpha_0_before_a_depth_comes_from_there(scene: Scene, tmp_path: Path) -> None:
    planes = {**beauty_of(scene), "Z": scene.planar}
    behind = np.zeros(scene.alpha.shape, np.bool_)
    behind[50:55, 20:30] = True
    planes["A"] = np.where(behind, np.float32(0), scene.alpha)
    path = write(tmp_path / "a.exr", (described(scene, half_and_depth()), planes))
    frame = load(path, AS_GIVEN).views[0].frame
    np.testing.assert_allclose(frame.plane("range")[behind], scene.range[behind], rtol=1e-5)


@pytest.mark.parametrize("name", ["Z", "depth.Z", "Depth.V", "zdepth", "distance.Y", "Fg.Depth.Z"])
def test_carried_depth_of_any_name_is_widened_with_nothing_hit(
    scene: Scene, tmp_path: Path, name: str
) -> None:
    planes = {**beauty_of(scene), "depth_used.Z": scene.planar, name: scene.planar}
    channels = dict.fromkeys(RGBA, "half") | dict.fromkeys(("depth_used.Z", name), "float")
    part = described(scene, channels, display_window=Window(-4, -4, 110, 80))
    path = write(tmp_path / "a.exr", (part, planes))
    loaded = load(path, replace(AS_GIVEN, depth_channel="depth_used.Z"))
    save(tmp_path / "b.exr", loaded.template, pictures(loaded), carry="all")
    (after,) = read_header(tmp_path / "b.exr").parts
    carried = read_native(tmp_path / "b.exr", after, [name, "depth_used.Z"])
    for plane in carried.values():
        assert np.isinf(plane[:4]).all()


@pytest.mark.parametrize(
    ("name", "fill"), [("Depth.normalised", 1.0), ("inverse_depth.Z", 0.0), ("matte.x", 0.0)]
)
def test_carried_shares_and_inverses_are_widened_as_they_count(
    scene: Scene, tmp_path: Path, name: str, fill: float
) -> None:
    planes = {**beauty_of(scene), "Z": scene.planar, name: scene.alpha}
    part = described(scene, half_and_depth() | {name: "float"}, display_window=Window(-4, -4, 110, 80))
    loaded = load(write(tmp_path / "a.exr", (part, planes)), AS_GIVEN)
    save(tmp_path / "b.exr", loaded.template, pictures(loaded), carry="all")
    (after,) = read_header(tmp_path / "b.exr").parts
    assert (read_native(tmp_path / "b.exr", after, [name])[name][:4] == fill).all()


def test_alpha_of_its_own_part_goes_back_there(scene: Scene, tmp_path: Path) -> None:
    beauty = beauty_of(scene)
    path = write(
        tmp_path / "a.exr",
        (described(scene, dict.fromkeys("RGB", "half"), name="rgba"), {name: beauty[name] for name in "RGB"}),
        (described(scene, {"A": "half"}, name="alpha", index=1), {"A": beauty["A"]}),
        (described(scene, {"Z": "float"}, name="depth", index=2), {"Z": scene.planar}),
    )
    loaded = load(path)
    wet = {
        "": replace(
            pictures(loaded)[""], alpha=np.full_like(scene.alpha, 0.75), layers={"veil": scene.position}
        )
    }
    save(tmp_path / "b.exr", loaded.template, wet)
    first, second = read_header(tmp_path / "b.exr").parts
    assert (first.name, second.name) == ("rgba", "alpha")
    assert set(first.channels) == {"R", "G", "B", "veil.R", "veil.G", "veil.B"}
    assert set(second.channels) == {"A"}
    assert (read_native(tmp_path / "b.exr", second, ["A"])["A"] == 0.75).all()


def test_a_frame_written_beside_layers_says_which_layer_is_its_picture(scene: Scene, tmp_path: Path) -> None:
    planes = {**{f"torch.{name}": plane for name, plane in beauty_of(scene).items()}, "Z": scene.planar}
    channels = dict.fromkeys(planes, "half") | {"Z": "float"}
    loaded = load(write(tmp_path / "a.exr", (described(scene, channels), planes)))
    layers = {"veil": scene.position, "direct": scene.position}
    wet = {"": replace(pictures(loaded)[""], layers=layers)}
    save(tmp_path / "b.exr", loaded.template, wet)
    again = load_beauty(tmp_path / "b.exr").views[0]
    np.testing.assert_array_equal(again.frame.plane("rgb"), loaded.views[0].frame.plane("rgb"))
