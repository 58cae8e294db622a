"""Reading and writing EXR files: what comes through unchanged, and what is refused."""

from __future__ import annotations

import resource
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest
from tests.conftest import read_channels

from halocline._typing import AnyArray
from halocline.errors import ChannelError, ReadError, WriteError
from halocline.imaging import exr, exr_write
from halocline.imaging.exr import Attribute, Part, read_header, read_native
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window

ATTRIBUTES = {
    "i": Attribute("int", 7),
    "f": Attribute("float", 1.5),
    "text": Attribute("string", "Tørt land, høhle"),
    "manifest": Attribute("string", "x" * 10_000),
    "v2i": Attribute("vector2i", (1, 2)),
    "v3i": Attribute("vectori", (1, 2, 3)),
    "v3": Attribute("vector", (1.0, 2.0, 3.0)),
    "box": Attribute("vector2i[2]", (0, 0, 3839, 2159)),
    "names": Attribute("string[2]", ("a", "b")),
    "m33": Attribute("matrix33", tuple(float(n) for n in range(9))),
    "worldToCamera": Attribute("matrix", tuple(float(n) for n in range(16))),
    "smpte:TimeCode": Attribute("timecode", (18356486, 1234)),
    "smpte:KeyCode": Attribute("keycode", (1, 2, 3, 4, 5, 4, 64)),
    "framesPerSecond": Attribute("rational", (24000, 1001)),
    "chromaticities": Attribute("float[8]", (0.5, 0.25, 0.25, 0.75, 0.125, 0.0625, 0.3125, 0.375)),
    "screenWindowWidth": Attribute("float", 0.75),
    "screenWindowCenter": Attribute("float2", (0.125, 0.0)),
    "DateTime": Attribute("string", "2020:02:03 04:05:06"),
    "Software": Attribute("string", "a renderer"),
}


def part(**changes: object) -> Part:
    base = Part(
        index=0,
        name="",
        view="",
        channels={"R": "half", "G": "half", "B": "half", "A": "half", "Z": "float"},
        data_window=Window(-3, -5, 37, 29),
        display_window=Window(0, 0, 30, 20),
        pixel_aspect=2.0,
        compression="zip",
        attributes=ATTRIBUTES,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def pixels_for(part: Part, seed: int = 1) -> dict[str, AnyArray]:
    random = np.random.default_rng(seed)
    planes: dict[str, AnyArray] = {}
    for name, kind in part.channels.items():
        plane = random.normal(size=part.data_window.shape) * 100
        if kind == "uint":
            planes[name] = random.integers(0, 2**32, part.data_window.shape, dtype=np.uint32)
        else:
            planes[name] = plane.astype(np.float16 if kind == "half" else np.float32).astype(np.float32)
    return planes


def written(path: Path, *parts: Part) -> list[dict[str, AnyArray]]:
    pixels = [pixels_for(each, seed) for seed, each in enumerate(parts)]
    write_exr(path, [PartPixels(each, planes) for each, planes in zip(parts, pixels, strict=True)])
    return pixels


def assert_same(found: Part, expected: Part) -> None:
    for field in ("channels", "data_window", "display_window", "pixel_aspect", "compression", "attributes"):
        assert getattr(found, field) == getattr(expected, field), field


@pytest.mark.parametrize("compression", ["none", "rle", "zips", "zip", "piz"])
def test_lossless_round_trip_keeps_every_value_window_and_attribute(tmp_path: Path, compression: str) -> None:
    file = tmp_path / "a.exr"
    expected = part(compression=compression)
    (planes,) = written(file, expected)
    (found,) = read_header(file).parts
    assert_same(found, expected)
    for name, plane in read_channels(file, found, planes).items():
        np.testing.assert_array_equal(plane, planes[name])
        assert plane.dtype == np.float32
        assert plane.flags.c_contiguous


@pytest.mark.parametrize("compression", ["dwaa:80", "dwab:45", "pxr24", "b44"])
def test_lossy_compression_keeps_its_name_and_level(tmp_path: Path, compression: str) -> None:
    file = tmp_path / "a.exr"
    written(file, part(compression=compression))
    assert read_header(file).parts[0].compression == compression


def test_only_asked_channels_are_read_and_values_that_are_no_numbers_stay(tmp_path: Path) -> None:
    file = tmp_path / "a.exr"
    described = part()
    planes = pixels_for(described)
    planes["Z"][0, :3] = np.nan, np.inf, -np.inf
    planes["G"][1, 1] = np.nan
    write_exr(file, [PartPixels(described, planes)])
    back = read_channels(file, read_header(file).parts[0], ["Z", "G"])
    assert set(back) == {"Z", "G"}
    np.testing.assert_array_equal(back["Z"], planes["Z"])
    np.testing.assert_array_equal(back["G"], planes["G"])


def test_values_beyond_half_are_clamped_and_counted_and_never_become_infinite(tmp_path: Path) -> None:
    file = tmp_path / "a.exr"
    described = part()
    planes = pixels_for(described)
    planes["R"][0, :4] = 1e6, -1e6, np.inf, np.nan
    planes["Z"][0, 0] = np.inf
    record = write_exr(file, [PartPixels(described, planes)])
    assert record.clamped_values == 3
    assert record.bytes == file.stat().st_size
    back = read_channels(file, read_header(file).parts[0], ["R", "Z"])
    np.testing.assert_array_equal(back["R"][0, :4], [65504, -65504, 65504, np.nan])
    assert back["Z"][0, 0] == np.inf


def test_parts_of_different_windows_and_types_come_through_in_one_file(tmp_path: Path) -> None:
    file = tmp_path / "a.exr"
    beauty = part(name="beauty", channels={"R": "half", "G": "half", "B": "half", "A": "half"})
    depth = part(
        index=1,
        name="depth",
        view="left",
        channels={"Z": "float"},
        data_window=Window(4, 4, 8, 8),
        attributes={},
    )
    ids = part(index=2, name="ids", channels={"id": "uint"}, attributes={"a": Attribute("int", 1)})
    pixels = written(file, beauty, depth, ids)
    header = read_header(file)
    for found, expected, planes in zip(header.parts, (beauty, depth, ids), pixels, strict=True):
        assert (found.name, found.view, found.index) == (expected.name, expected.view, expected.index)
        assert found.channels == expected.channels
        assert found.data_window == expected.data_window
        for name, plane in read_native(file, found, planes).items():
            np.testing.assert_array_equal(plane, planes[name])


def test_the_same_picture_written_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    described = part(attributes={})
    written(tmp_path / "a.exr", described)
    written(tmp_path / "b.exr", described)
    assert (tmp_path / "a.exr").read_bytes() == (tmp_path / "b.exr").read_bytes()


def written_directly(path: Path, channels: tuple[str, ...], *, tile: int = 0, **entries: object) -> AnyArray:
    spec = oiio.ImageSpec(100, 70, len(channels), "half")
    spec.channelnames = channels
    spec.tile_width = spec.tile_height = tile
    for name, value in entries.items():
        spec.attribute(name, value)
    values = np.arange(7000 * len(channels), dtype=np.float16).reshape(70, 100, -1)
    out = oiio.ImageOutput.create("openexr")
    assert out is not None
    assert out.open(str(path), spec), oiio.geterror()
    assert out.write_image(values)
    assert out.close()
    return values


def test_tiled_files_are_read_and_written_back_as_scan_lines(tmp_path: Path) -> None:
    values = written_directly(tmp_path / "tiled.exr", ("Y", "Z"), tile=32)
    (found,) = read_header(tmp_path / "tiled.exr").parts
    assert found.tiled
    planes = read_channels(tmp_path / "tiled.exr", found, ["Z", "Y"])
    np.testing.assert_array_equal(planes["Z"], values[..., 1].astype(np.float32))
    write_exr(tmp_path / "b.exr", [PartPixels(found, planes)])
    assert not read_header(tmp_path / "b.exr").parts[0].tiled


@pytest.mark.parametrize(("tile", "compression"), [((16, 16), "zip"), ((64, 8), "none"), ((256, 128), "piz")])
def test_tiles_are_read_some_rows_of_them_at_a_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tile: tuple[int, int], compression: str
) -> None:
    spec = oiio.ImageSpec(101, 203, 3, "half")
    spec.channelnames, spec.channelformats = ("A", "B", "Z"), ("half", "half", "float")
    spec.tile_width, spec.tile_height = tile
    # A data window that begins nowhere in particular.
    spec.x, spec.y = -7, 13
    spec.attribute("compression", compression)
    values = np.random.default_rng(1).random((203, 101, 3), np.float32)
    values[..., :2] = values[..., :2].astype(np.float16)
    path = tmp_path / "tiled.exr"
    out = oiio.ImageOutput.create("openexr")
    assert out is not None
    assert out.open(str(path), spec), oiio.geterror()
    assert out.write_image(values), out.geterror()
    assert out.close()
    (found,) = read_header(path).parts
    assert (found.tiled, found.rows_per_chunk) == (True, tile[1])
    taken, rows_of = [], exr._rows

    def noted(*asked: Any) -> AnyArray:
        taken.append(asked[-1])
        return rows_of(*asked)

    monkeypatch.setattr(exr, "_rows", noted)
    planes = {name: np.full((203, 101), np.nan, np.float32) for name in "ABZ"}
    exr.read_into(path, found, planes)
    for index, plane in enumerate(planes.values()):
        np.testing.assert_array_equal(plane, values[..., index])
    together = max(32, tile[1])
    assert sorted(taken) == [(top, min(top + together, 203)) for top in range(0, 203, together)]


def test_a_container_flag_of_the_input_does_not_stop_the_copy(tmp_path: Path) -> None:
    source = tmp_path / "a.exr"
    written_directly(source, ("R", "G", "B", "A"), acesImageContainerFlag=1, compression="none")
    (found,) = read_header(source).parts
    planes = read_channels(source, found, found.channels)
    write_exr(tmp_path / "b.exr", [PartPixels(replace(found, compression="zip"), planes)])
    assert read_header(tmp_path / "b.exr").parts[0].compression == "zip"


def test_a_deep_file_is_refused_with_a_clear_message(tmp_path: Path) -> None:
    spec = oiio.ImageSpec(4, 4, 2, "float")
    spec.channelnames = ("A", "Z")
    spec.deep = True
    deep = oiio.DeepData()
    deep.init(16, 2, "float", ("A", "Z"))
    out = oiio.ImageOutput.create("openexr")
    assert out is not None
    assert out.open(str(tmp_path / "deep.exr"), spec)
    assert out.write_deep_image(deep)
    assert out.close()
    (found,) = read_header(tmp_path / "deep.exr").parts
    assert found.deep
    with pytest.raises(ReadError, match=r"E-READ-DEEP.*deep picture"):
        read_channels(tmp_path / "deep.exr", found, ["Z"])


def test_a_missing_channel_is_named_with_those_there_are(tmp_path: Path) -> None:
    written(tmp_path / "a.exr", part())
    with pytest.raises(ChannelError, match=r'no channel "depth.Z".*\n.*R, G, B, A, Z'):
        read_channels(tmp_path / "a.exr", read_header(tmp_path / "a.exr").parts[0], ["depth.Z"])


@pytest.mark.parametrize("content", [b"", b"\x76\x2f\x31\x01", b"garbage" * 100, b"\x89PNG\r\n\x1a\n"])
def test_files_that_are_no_exr_are_refused(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "bad.exr"
    file.write_bytes(content)
    with pytest.raises(ReadError, match=r"E-READ-OPEN.*bad.exr"):
        read_header(file)


def test_a_picture_of_another_format_is_refused_by_its_name(tmp_path: Path) -> None:
    out = oiio.ImageOutput.create("png")
    assert out is not None
    assert out.open(str(tmp_path / "x.png"), oiio.ImageSpec(4, 4, 3, "uint8"))
    assert out.write_image(np.zeros((4, 4, 3), np.uint8))
    assert out.close()
    with pytest.raises(ReadError, match="is a png file, not OpenEXR"):
        read_header(tmp_path / "x.png")


def test_absent_files_and_folders_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="E-READ-OPEN"):
        read_header(tmp_path / "absent.exr")
    with pytest.raises(ReadError, match="E-READ-OPEN"):
        read_header(tmp_path)


def test_a_file_cut_anywhere_is_never_taken_for_good(tmp_path: Path) -> None:
    whole, cut = tmp_path / "a.exr", tmp_path / "cut.exr"
    described = part()
    written(whole, described)
    content = whole.read_bytes()
    for length in range(0, len(content) - 1, max(1, len(content) // 60)):
        cut.write_bytes(content[:length])
        with pytest.raises(ReadError):
            read_channels(cut, read_header(cut).parts[0], described.channels)


def test_an_absurd_window_is_refused_before_memory_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "a.exr"
    with monkeypatch.context() as patch:
        patch.setattr(exr, "MAX_PIXELS", 1 << 60)
        written(file, part(data_window=Window(200_000, 200_000, 4, 4)))
    with pytest.raises(ReadError, match="E-READ-SIZE"):
        read_header(file)


def test_an_existing_file_is_not_written_over_unless_asked(tmp_path: Path) -> None:
    file = tmp_path / "a.exr"
    file.write_bytes(b"old")
    with pytest.raises(WriteError, match="E-WRITE-EXISTS"):
        written(file, part())
    assert file.read_bytes() == b"old"
    write_exr(file, [PartPixels(part(), pixels_for(part()))], overwrite=True)
    assert read_header(file).parts[0].channels == part().channels


def test_a_file_that_appears_while_writing_is_not_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "a.exr"

    def appear(*_: object) -> None:
        file.write_bytes(b"someone else's")

    monkeypatch.setattr(exr_write, "_check", appear)
    with pytest.raises(WriteError, match="E-WRITE-EXISTS"):
        written(file, part())
    assert file.read_bytes() == b"someone else's"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.exr"]


@pytest.mark.parametrize(("lost", "mixed"), [(1, True), (1, False), (300, True), (3000, False)])
def test_a_silently_cut_file_never_gets_the_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lost: int, mixed: bool
) -> None:
    file = tmp_path / "a.exr"
    file.write_bytes(b"old")
    write = exr_write._write

    def cut_short(temporary: Path, path: Path, parts: list[PartPixels]) -> int:
        clamped = write(temporary, path, parts)
        content = temporary.read_bytes()
        temporary.write_bytes(content[: len(content) - lost])
        return clamped

    monkeypatch.setattr(exr_write, "_write", cut_short)
    described = part() if mixed else part(channels={"R": "half", "G": "half"}, compression="dwaa:45")
    with pytest.raises(WriteError, match="E-WRITE-CHECK"):
        write_exr(file, [PartPixels(described, pixels_for(described))], overwrite=True)
    assert file.read_bytes() == b"old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.exr"]


def test_a_changed_pixel_is_found_when_all_rows_are_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    described = part(compression="none")
    write = exr_write._write

    def flip(temporary: Path, path: Path, parts: list[PartPixels]) -> int:
        clamped = write(temporary, path, parts)
        content = bytearray(temporary.read_bytes())
        content[len(content) // 2] ^= 1
        temporary.write_bytes(content)
        return clamped

    monkeypatch.setattr(exr_write, "_write", flip)
    with pytest.raises(WriteError, match="pixels differ"):
        write_exr(tmp_path / "a.exr", [PartPixels(described, pixels_for(described))], check_all_rows=True)


def test_a_missing_folder_and_an_unknown_compression_are_refused(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="E-WRITE-OPEN"):
        written(tmp_path / "no" / "a.exr", part())
    with pytest.raises(WriteError, match=r"htj2k.*no such compression"):
        written(tmp_path / "a.exr", part(compression="htj2k"))
    assert list(tmp_path.iterdir()) == []


def test_whole_number_channels_beside_others_are_refused(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="E-WRITE-TYPES"):
        written(tmp_path / "a.exr", part(channels={"R": "half", "id": "uint"}))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits a file's size as Linux does")
def test_a_disk_that_takes_no_more_is_told_and_leaves_the_old_file(tmp_path: Path) -> None:
    """A file may grow to 4 KiB and no further here: writing fails in the middle, as on a full disk."""
    file = tmp_path / "a.exr"
    file.write_bytes(b"old")
    window = Window(0, 0, 200, 100)
    described = part(
        channels={"R": "float"}, data_window=window, display_window=window, compression="none", attributes={}
    )
    noise = np.random.default_rng(1).random(window.shape, np.float32)
    _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, most))
    try:
        with pytest.raises(WriteError) as caught:
            write_exr(file, [PartPixels(described, {"R": noise})], overwrite=True)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
    assert (caught.value.code, caught.value.where) == ("E-WRITE-PIXELS", str(file))
    assert "free space" in str(caught.value.fix)
    assert file.read_bytes() == b"old"
    assert [each.name for each in tmp_path.iterdir()] == ["a.exr"]


def test_a_library_without_a_writer_is_an_error_of_the_family(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Found by benchmarks/attacks.py under a limit on memory.
    monkeypatch.setattr(oiio.ImageOutput, "create", lambda *_: None)
    described = part(channels={"R": "half"}, attributes={})
    pixels = {"R": np.zeros(described.data_window.shape, np.float32)}
    with pytest.raises(WriteError, match="E-WRITE-OPEN"):
        write_exr(tmp_path / "a.exr", [PartPixels(described, pixels)])
    assert not list(tmp_path.iterdir())
