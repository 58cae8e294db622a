"""Headers of all frames are read before frame one: a frame unlike the others is named then.

Files are written with the independent OpenEXR package, those that it does not write with OpenImageIO.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
from tests.deep_files import write_deep_pixels

from halocline.batch.first_look import look_first
from halocline.batch.frame_task import read_inputs
from halocline.batch.headers import look_at_headers, refuse_cut_off
from halocline.batch.plan_tasks import MissingFrames, plan_shot, plan_tasks
from halocline.batch.task import FrameTask
from halocline.errors import ChannelError, DepthError, FrameError, ReadError
from halocline.imaging.exr_attributes import first_part, is_cut_off
from halocline.imaging.input_spec import InputSpec
from halocline.presets.preset import preset_from_text

REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)
TEXT = "format = 1\n[input]\ndepth_kind = 'planar'\n[steps.attenuation]\n"


def clean(
    path: Path,
    *,
    size: tuple[int, int] = (12, 16),
    without: str = "",
    kind: Any = np.float16,
    more: Mapping[str, float] | None = None,
    **header: Any,
) -> None:
    channels = {name: np.full(size, 0.4, kind) for name in ("R", "G", "B", "A")}
    channels |= {name: np.full(size, level, np.float32) for name, level in (more or {}).items()}
    channels["Z"] = np.full(size, 5.0, np.float32)
    channels.pop(without, None)
    OpenEXR.File({"chromaticities": REC709, **header}, channels).write(str(path))


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    for frame in range(1001, 1009):
        clean(tmp_path / f"clean.{frame}.exr")
    return tmp_path


def planned(folder: Path) -> list[FrameTask]:
    return plan_tasks(folder / "clean.####.exr", out=f"{folder}/wet/")


def told(folder: Path) -> tuple[str, ...]:
    return look_at_headers(planned(folder), InputSpec(), ()).lines


def test_frames_that_are_alike_are_not_spoken_of(shot: Path) -> None:
    assert told(shot) == ()


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"size": (24, 32)}, "display window of the beauty 32 x 24 at 0,0, in the others 16 x 12 at 0,0"),
        ({"compression": OpenEXR.PIZ_COMPRESSION}, "compression of the beauty piz, in the others zip"),
        ({"pixelAspectRatio": 2.0}, "pixel aspect of the beauty 2, in the others 1"),
        ({"chromaticities": (0.713, 0.293, 0.165, 0.83, 0.128, 0.044, 0.3217, 0.3377)}, "colour space"),
        ({"without": "A"}, "channels of the beauty"),
    ],
)
def test_a_frame_unlike_the_others_is_named(shot: Path, changed: dict[str, Any], says: str) -> None:
    clean(shot / "clean.1005.exr", **changed)
    assert any(line.startswith("frame 1005: ") and says in line for line in told(shot)), told(shot)
    assert not any("1004" in line for line in told(shot))


def eyes(path: Path, *names: str) -> None:
    """Write the same picture for each view, a part each."""
    level = {name: OpenEXR.Channel(np.full((12, 16), 0.4, np.float16)) for name in "RGBA"}
    level["Z"] = OpenEXR.Channel(np.full((12, 16), 5.0, np.float32))
    header = {"type": OpenEXR.scanlineimage, "chromaticities": REC709}
    OpenEXR.File([OpenEXR.Part({**header, "view": name}, level, name) for name in names]).write(str(path))


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (("left",), 'frame 1003: the beauty lacks the view "right", unlike the others'),
        (
            ("left", "rechts"),
            'frame 1003: the beauty lacks the view "right" and has the view "rechts", unlike the others',
        ),
        (
            ("left", "right", "mid", "top"),
            'frame 1003: the beauty has the views "mid", "top", unlike the others',
        ),
    ],
)
def test_a_view_that_a_frame_lacks_is_named_and_strict_refuses(
    tmp_path: Path, names: tuple[str, ...], says: str
) -> None:
    for frame in range(1001, 1006):
        eyes(tmp_path / f"clean.{frame}.exr", "left", "right")
    eyes(tmp_path / "clean.1003.exr", *names)
    seen = look_first(planned(tmp_path), preset_from_text(TEXT))
    assert seen.sequence == seen.views == (says,)
    with pytest.raises(FrameError, match="the same views") as caught:
        seen.refuse_doubts()
    assert caught.value.code == "E-INPUT-DOUBT"
    assert says in caught.value.message


def test_a_picture_of_no_view_among_those_of_two_lacks_both(tmp_path: Path) -> None:
    for frame in range(1001, 1006):
        eyes(tmp_path / f"clean.{frame}.exr", "left", "right")
    clean(tmp_path / "clean.1002.exr")
    assert told(tmp_path) == ('frame 1002: the beauty lacks the views "left", "right", unlike the others',)


def test_the_order_of_views_is_not_spoken_of_as_one_that_lacks(tmp_path: Path) -> None:
    for frame in range(1001, 1006):
        eyes(tmp_path / f"clean.{frame}.exr", "left", "right")
    eyes(tmp_path / "clean.1002.exr", "right", "left")
    assert look_first(planned(tmp_path), preset_from_text(TEXT)).views == ()


@pytest.mark.parametrize("name", ["NO", "RLE", "ZIPS", "ZIP", "PIZ", "PXR24", "B44", "B44A", "DWAA", "DWAB"])
def test_a_frame_that_is_cut_off_anywhere_is_named_without_its_pixels(shot: Path, name: str) -> None:
    """Files of the independent OpenEXR package, of more rows than the largest chunk."""
    for frame in (1002, 1004):
        clean(
            shot / f"clean.{frame}.exr", size=(300, 16), compression=getattr(OpenEXR, f"{name}_COMPRESSION")
        )
    refuse_cut_off(planned(shot))
    path = shot / "clean.1004.exr"
    whole = path.read_bytes()
    for length in (len(whole) - 1, len(whole) * 2 // 3, len(whole) // 2):
        path.write_bytes(whole[:length])
        with pytest.raises(ReadError, match="frame 1004: cut off") as caught:
            refuse_cut_off(planned(shot))
        assert (caught.value.code, caught.value.where) == ("E-READ-PIXELS", str(path))


def test_a_frame_whose_writer_ended_before_its_last_chunk_is_cut_off(shot: Path) -> None:
    """Chunks that were not written have no place in the table (openexr_layout, from memory)."""
    clean(shot / "clean.1006.exr", size=(300, 16))
    path = shot / "clean.1006.exr"
    content = bytearray(path.read_bytes())
    end = first_part(path)[1]
    # 19 chunks of 16 rows.
    content[end + 8 * 18 : end + 8 * 19] = bytes(8)
    path.write_bytes(content)
    with pytest.raises(ReadError, match="frame 1006: cut off"):
        refuse_cut_off(planned(shot))


def tiled(path: Path) -> None:
    header = {
        "chromaticities": REC709,
        "type": OpenEXR.tiledimage,
        "tiles": OpenEXR.TileDescription(),
        "compression": OpenEXR.ZIP_COMPRESSION,
    }
    channels = {name: np.full((97, 50), 0.4, np.float16) for name in ("R", "G", "B", "A")}
    OpenEXR.File(header, {**channels, "Z": np.full((97, 50), 5.0, np.float32)}).write(str(path))


def levels(path: Path, *, up: bool) -> None:
    """Tiles of a picture and of its halves, by OpenImageIO."""
    spec = oiio.ImageSpec(70, 37, 3, "half")
    spec.tile_width = spec.tile_height = 16
    spec.attribute("openexr:levelmode", 1)
    spec.attribute("openexr:roundingmode", int(up))
    spec.attribute("textureformat", "Plain Texture")
    out: Any = oiio.ImageOutput.create("openexr")
    sizes = [(70, 37)]
    while max(sizes[-1]) > 1:
        sizes.append((max(1, (sizes[-1][0] + up) // 2), max(1, (sizes[-1][1] + up) // 2)))
    for level, (width, height) in enumerate(sizes):
        spec.width, spec.height = spec.full_width, spec.full_height = width, height
        assert out.open(str(path), spec, "AppendMIPLevel" if level else "Create"), out.geterror()
        assert out.write_image(np.random.default_rng(level).random((height, width, 3)).astype(np.float32))
    assert out.close()


def deep(path: Path, *, tile: int) -> None:
    pixels = [[[(0.1, 0.1, 0.1, 0.5, 3.0, 4.0)] * (1 + (x + y) % 3) for x in range(9)] for y in range(20)]
    write_deep_pixels(path, pixels, tile=tile)


def several(path: Path) -> None:
    """Lines, tiles and lines again."""
    plane = np.random.default_rng(1).random((97, 50)).astype(np.float16)
    tiles = {"type": OpenEXR.tiledimage, "tiles": OpenEXR.TileDescription()}
    lines = {"type": OpenEXR.scanlineimage}
    parts = [
        OpenEXR.Part({"chromaticities": REC709, **kind}, {name: plane.copy() for name in names}, part)
        for part, kind, names in (("beauty", lines, "RGBA"), ("other", tiles, "X"), ("depth", lines, "Z"))
    ]
    OpenEXR.File(parts).write(str(path))


OTHER_KINDS: dict[str, Callable[[Path], None]] = {
    "tiles": tiled,
    "halves": lambda path: levels(path, up=False),
    "halves rounded up": lambda path: levels(path, up=True),
    "deep lines": lambda path: deep(path, tile=0),
    "deep tiles": lambda path: deep(path, tile=8),
    "several parts": several,
}


@pytest.mark.parametrize("kind", OTHER_KINDS)
def test_files_of_every_kind_are_known_to_be_cut_off_and_whole_ones_not(tmp_path: Path, kind: str) -> None:
    """Tiled, deep and of several parts, by the libraries that others write with."""
    path = tmp_path / "a.exr"
    OTHER_KINDS[kind](path)
    whole = path.read_bytes()
    assert not is_cut_off(path)
    ends = range(len(whole) - 60, len(whole))
    for length in (*ends, len(whole) * 9 // 10, len(whole) // 2):
        path.write_bytes(whole[:length])
        assert is_cut_off(path), length


@pytest.mark.parametrize("kind", ["tiles", "deep lines", "several parts"])
def test_a_run_is_told_of_frames_that_are_cut_off_before_it_begins(shot: Path, kind: str) -> None:
    for frame in (1003, 1004):
        OTHER_KINDS[kind](shot / f"clean.{frame}.exr")
    assert not any("cut off" in line for line in told(shot))
    path = shot / "clean.1004.exr"
    path.write_bytes(path.read_bytes()[:-1])
    assert told(shot)[-1] == "frame 1004: cut off, and will not be made"
    with pytest.raises(ReadError, match="frame 1004: cut off"):
        refuse_cut_off(planned(shot))


def test_overscan_that_changes_is_nobodys_business(shot: Path) -> None:
    display = (np.array([0, 0], np.int32), np.array([15, 11], np.int32))
    data = (np.array([-2, -1], np.int32), np.array([17, 12], np.int32))
    clean(shot / "clean.1005.exr", size=(14, 20), displayWindow=display, dataWindow=data)
    assert told(shot) == ()


@pytest.mark.parametrize(("channel", "kind"), [("Z", DepthError), ("G", ChannelError)])
def test_frames_that_lack_what_is_read_are_refused_by_number(shot: Path, channel: str, kind: Any) -> None:
    clean(shot / "clean.1003.exr", without=channel)
    clean(shot / "clean.1006.exr", without=channel)
    with pytest.raises(kind, match=r"frames 1003,1006, unlike the others") as caught:
        look_first(planned(shot), preset_from_text(TEXT))
    assert "--frames" in str(caught.value)


def test_first_look_tells_of_the_sequence_and_leaves_damage_to_the_run(shot: Path) -> None:
    clean(shot / "clean.1004.exr", compression=OpenEXR.PIZ_COMPRESSION)
    (shot / "clean.1006.exr").write_bytes(b"no picture")
    seen = look_first(planned(shot), preset_from_text(TEXT))
    assert len(seen.sequence) == 1
    assert seen.sequence[0].startswith("frame 1004: compression")
    assert seen.to_dict()["sequence"] == list(seen.sequence)


def test_the_first_frame_is_handed_over_once_to_who_would_read_the_same(shot: Path) -> None:
    look = preset_from_text(TEXT)
    seen = look_first(planned(shot), look, keep=True)
    task, other = seen.tasks[0], seen.tasks[1]
    assert look_first(planned(shot), look).first is None
    assert seen.first is not None
    kept, read = seen.first.take(task, look), read_inputs(task, look)
    assert kept is not None
    assert (kept.task, kept.origin) == (read.task, read.origin)
    assert seen.first.take(task, look) is None
    (one,), (two,) = kept.loaded.views, read.loaded.views
    assert one.frame.planes.keys() == two.frame.planes.keys()
    for name, plane in one.frame.planes.items():
        np.testing.assert_array_equal(plane, two.frame.planes[name], name)
    for wrong in (other, replace(task, held_from=1)):
        again = look_first(planned(shot), look, keep=True).first
        assert again is not None
        assert again.take(wrong, look) is None
    late = look_first(planned(shot), look, keep=True).first
    clean(shot / "clean.1001.exr", kind=np.float32)
    assert late is not None
    assert late.take(task, look) is None, "written anew since"


def test_types_of_pixels_that_differ_are_told(shot: Path) -> None:
    clean(shot / "clean.1005.exr", kind=np.float32)
    assert any("frame 1005: pixel types of the beauty float" in line for line in told(shot)), told(shot)


def test_depth_files_of_their_own_are_looked_at_too(shot: Path) -> None:
    for frame in range(1001, 1009):
        clean(shot / f"depth.{frame}.exr")
    clean(shot / "depth.1006.exr", compression=OpenEXR.PIZ_COMPRESSION)
    tasks = plan_tasks(shot / "clean.####.exr", depth=shot / "depth.####.exr", out=f"{shot}/wet/")
    assert look_at_headers(tasks, InputSpec(), ()).lines == (
        "frame 1006: compression of the depth piz, in the others zip",
    )


def test_a_pass_that_steps_need_and_some_frames_lack_is_refused_by_number(shot: Path) -> None:
    for frame in range(1001, 1009):
        clean(
            shot / f"clean.{frame}.exr",
            more={} if frame == 1004 else dict.fromkeys(("N.X", "N.Y", "N.Z"), 0.5),
        )
    with pytest.raises(ChannelError, match="frame 1004, unlike the others"):
        look_at_headers(planned(shot), InputSpec(), ("normal",))


def test_a_frame_that_another_stands_in_for_is_not_spoken_of_twice(shot: Path) -> None:
    clean(shot / "clean.1005.exr", compression=OpenEXR.PIZ_COMPRESSION)
    (shot / "clean.1006.exr").unlink()
    pattern = shot / "clean.####.exr"
    held = plan_shot(pattern, out=f"{shot}/wet/", frames="1001-1008", missing=MissingFrames.hold).tasks
    assert [task.frame for task in held if task.held_from is not None] == [1006]
    assert look_at_headers(held, InputSpec(), ()).lines == (
        "frame 1005: compression of the beauty piz, in the others zip",
    )
