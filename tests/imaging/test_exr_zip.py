"""Zipped scan lines read by ourselves are what the image library reads, to the bit."""

from __future__ import annotations

import sys
import zlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenEXR
import pytest

from halocline._typing import F32, AnyArray
from halocline.errors import ReadError
from halocline.imaging import exr, exr_zip
from halocline.imaging.exr import read_header, read_into, set_file_threads

ROWS, COLUMNS = 37, 61


@pytest.fixture(autouse=True)
def of_any_size(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exr_zip, "LEAST_PIXELS", 1)


def _planes() -> dict[str, AnyArray]:
    """Return channels of all types: smooth, as noisy as can be, and every kind of half there is."""
    random = np.random.default_rng(5)
    smooth = np.linspace(-3.0, 70.0, ROWS * COLUMNS, dtype=np.float32).reshape(ROWS, COLUMNS)
    bits = random.integers(0, 1 << 16, (ROWS, COLUMNS)).astype(np.uint16)
    # Not a number, infinite, the least normal one, the largest and the least that is not normal, zeros.
    bits.flat[:9] = [0x7E00, 0x7C00, 0xFC00, 0x0400, 0x03FF, 0x0001, 0x8001, 0x0000, 0x8000]
    return {
        "A": smooth.astype(np.float16),
        "B": bits.view(np.float16),
        "Z": smooth * np.float32(np.pi),
        "id": random.integers(0, 1 << 32, (ROWS, COLUMNS)).astype(np.uint32),
        "far.Z": random.normal(0.0, 1e20, (ROWS, COLUMNS)).astype(np.float32),
    }


def _written(path: Path, planes: Mapping[str, AnyArray], compression: int, corner: tuple[int, int]) -> Path:
    """Write with the OpenEXR package."""
    x, y = corner
    rows, columns = next(iter(planes.values())).shape
    window = np.array([x, y], np.int32), np.array([x + columns - 1, y + rows - 1], np.int32)
    header = {"compression": compression, "type": OpenEXR.scanlineimage, "dataWindow": window}
    OpenEXR.File(header, dict(planes)).write(str(path))
    return path


def _read(path: Path, names: list[str]) -> dict[str, F32]:
    (part,) = read_header(path).parts
    found = {name: np.full(part.data_window.shape, -7.0, np.float32) for name in names}
    read_into(path, part, found)
    return found


def _refuse_library(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> AnyArray:
        raise AssertionError("read by the image library")

    monkeypatch.setattr(exr, "_rows", refused)


@pytest.mark.parametrize("compression", [OpenEXR.ZIP_COMPRESSION, OpenEXR.ZIPS_COMPRESSION])
@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("corner", [(0, 0), (-5, 12)])
def test_pixels_are_those_that_were_written(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    compression: int,
    threads: int,
    corner: tuple[int, int],
) -> None:
    planes = _planes()
    path = _written(tmp_path / "a.exr", planes, compression, corner)
    names = ["A", "B", "Z", "far.Z"]
    try:
        set_file_threads(threads)
        with monkeypatch.context() as alone:
            alone.setattr(exr, "_read_zipped", lambda *_: False)
            by_library = _read(path, names)
        _refuse_library(monkeypatch)
        found = _read(path, names)
    finally:
        set_file_threads(2)
    for name in names:
        np.testing.assert_array_equal(found[name], planes[name].astype(np.float32))
        np.testing.assert_array_equal(np.signbit(found[name]), np.signbit(planes[name]))
        np.testing.assert_array_equal(found[name], by_library[name])


def test_planes_may_be_views_into_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    planes = _planes()
    path = _written(tmp_path / "a.exr", planes, OpenEXR.ZIP_COMPRESSION, (0, 0))
    (part,) = read_header(path).parts
    held = np.zeros((ROWS, 2 * COLUMNS), np.float32)
    _refuse_library(monkeypatch)
    read_into(path, part, {"A": held[:, ::2], "Z": held[:, 1::2]})
    np.testing.assert_array_equal(held[:, ::2], planes["A"].astype(np.float32))
    np.testing.assert_array_equal(held[:, 1::2], planes["Z"])


def test_each_half_is_the_same_number() -> None:
    # The array library has IEEE 754's own conversion.
    bits = np.arange(1 << 16, dtype=np.int32)
    halves = np.concatenate([bits & 255, bits >> 8]).astype(np.uint8)
    found = np.empty((1, bits.size), np.float32)
    exr_zip.put_wider(halves, 0, bits.size, found)
    np.testing.assert_array_equal(found[0], bits.astype(np.uint16).view(np.float16).astype(np.float32))


@pytest.mark.parametrize("compression", [OpenEXR.PIZ_COMPRESSION, OpenEXR.NO_COMPRESSION])
def test_other_files_are_left_to_the_library(tmp_path: Path, compression: int) -> None:
    planes = _planes()
    path = _written(tmp_path / "a.exr", planes, compression, (0, 0))
    assert exr_zip.ZippedRows.of(path, {}, read_header(path).parts[0].data_window) is None
    np.testing.assert_array_equal(_read(path, ["Z"])["Z"], planes["Z"])


def test_another_window_or_channels_than_stated_are_not_read(tmp_path: Path) -> None:
    path = _written(tmp_path / "a.exr", _planes(), OpenEXR.ZIP_COMPRESSION, (0, 0))
    (part,) = read_header(path).parts
    assert exr_zip.ZippedRows.of(path, part.channels, part.data_window) is not None
    fewer = {name: kind for name, kind in part.channels.items() if name != "A"}
    assert exr_zip.ZippedRows.of(path, fewer, part.data_window) is None
    assert exr_zip.ZippedRows.of(path, part.channels, part.data_window.rows(0, ROWS - 1)) is None


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.95])
def test_a_damaged_byte_is_never_taken_for_a_pixel(tmp_path: Path, share: float) -> None:
    smooth = {name: plane for name, plane in _planes().items() if name in {"A", "Z"}}
    path = _written(tmp_path / "a.exr", smooth, OpenEXR.ZIP_COMPRESSION, (0, 0))
    whole = path.read_bytes()
    (part,) = read_header(path).parts
    zipped = exr_zip.ZippedRows.of(path, part.channels, part.data_window)
    assert zipped is not None
    first = zipped.offsets[0]
    at = first + 8 + int(share * (len(whole) - first - 8))
    path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
    with pytest.raises(exr_zip.UnlikeError):
        zipped.read_into({"Z": np.empty((ROWS, COLUMNS), np.float32)}, 1)


@pytest.mark.parametrize("left", [0.5, 0.999])
def test_a_file_that_is_cut_off_is_told_by_the_library(tmp_path: Path, left: float) -> None:
    path = _written(tmp_path / "a.exr", _planes(), OpenEXR.ZIP_COMPRESSION, (0, 0))
    (part,) = read_header(path).parts
    whole = path.read_bytes()
    path.write_bytes(whole[: int(left * len(whole))])
    with pytest.raises(ReadError) as caught:
        read_into(path, part, {"Z": np.empty((ROWS, COLUMNS), np.float32)})
    assert caught.value.code == "E-READ-PIXELS"


def test_a_chunk_that_inflates_to_more_is_refused_within_its_size(tmp_path: Path) -> None:
    path = _written(
        tmp_path / "a.exr", {"Z": np.zeros((ROWS, COLUMNS), np.float32)}, OpenEXR.ZIP_COMPRESSION, (0, 0)
    )
    (part,) = read_header(path).parts
    zipped = exr_zip.ZippedRows.of(path, part.channels, part.data_window)
    assert zipped is not None
    bomb = zlib.compress(bytes(1 << 24))
    whole = path.read_bytes()
    at = zipped.offsets[0]
    path.write_bytes(
        whole[:at] + whole[at : at + 4] + len(bomb).to_bytes(4, "little") + bomb + bytes(1 << 16)
    )
    with pytest.raises(exr_zip.UnlikeError):
        zipped.read_into({"Z": np.empty((ROWS, COLUMNS), np.float32)}, 1)


def test_a_chunk_of_other_rows_or_without_its_sum_is_refused(tmp_path: Path) -> None:
    smooth = {"Z": _planes()["Z"]}
    path = _written(tmp_path / "a.exr", smooth, OpenEXR.ZIP_COMPRESSION, (0, 0))
    (part,) = read_header(path).parts
    zipped = exr_zip.ZippedRows.of(path, part.channels, part.data_window)
    assert zipped is not None
    taken_twice = replace(zipped, offsets=(zipped.offsets[0], zipped.offsets[0], zipped.offsets[2]))
    into = {"Z": np.empty((ROWS, COLUMNS), np.float32)}
    with pytest.raises(exr_zip.UnlikeError):
        taken_twice.read_into(into, 1)
    # Its last four bytes are the sum over what was compressed: all pixels are there without them.
    whole, at = path.read_bytes(), zipped.offsets[0] + 4
    held = int.from_bytes(whole[at : at + 4], "little")
    path.write_bytes(whole[:at] + (held - 4).to_bytes(4, "little") + whole[at + 4 :])
    with pytest.raises(exr_zip.UnlikeError):
        zipped.read_into(into, 1)


@pytest.mark.parametrize("size", [1, 2, 7, 8, 9, 38, 4096, 4104, 12345])
@pytest.mark.parametrize("byteorder", ["little", "big"])
def test_differences_of_bytes_add_up_as_numpys_own_sums(
    monkeypatch: pytest.MonkeyPatch, size: int, byteorder: str
) -> None:
    """Each byte is the one before, and the difference, and 128; chunks of any size."""
    monkeypatch.setattr(sys, "byteorder", byteorder)
    differences = np.random.default_rng(size).integers(0, 256, size).astype(np.uint8)
    out = np.zeros(size, np.uint8)
    exr_zip.add_up(differences, out)
    exact = np.cumsum(differences.astype(np.int64)) + 128 * np.arange(size)
    np.testing.assert_array_equal(out, exact % 256)
