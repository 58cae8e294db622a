"""Zipped scan lines written by ourselves are read as those that the image library writes, to the bit."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
from isal import isal_zlib

from halocline._typing import AnyArray
from halocline.errors import WriteError
from halocline.imaging import exr_write, exr_zip
from halocline.imaging.exr import Attribute, Part, set_file_threads
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window

# More than the rows that are handed over at a time, and no whole number of chunks.
ROWS, COLUMNS = 277, 61


@pytest.fixture(autouse=True)
def of_any_size(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exr_zip, "LEAST_PIXELS", 1)
    monkeypatch.setattr(exr_write, "LEAST_PIXELS", 1)


def _refuse_library(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> int:
        raise AssertionError("written by the image library")

    monkeypatch.setattr(exr_write, "_write_rows", refused)


def _planes() -> dict[str, AnyArray]:
    """Return planes: smooth, as noisy as can be, and of halves as they came, of every kind there is."""
    random = np.random.default_rng(5)
    smooth = np.linspace(-3.0, 70.0, ROWS * COLUMNS, dtype=np.float32).reshape(ROWS, COLUMNS)
    bits = random.integers(0, 1 << 16, (ROWS, COLUMNS)).astype(np.uint16)
    # Infinite, the least normal one, the largest and the least that is not normal, zeros.
    bits.flat[:7] = [0x7C00, 0x0400, 0x03FF, 0x0001, 0x8001, 0x0000, 0x8000]
    rough = random.normal(0.0, 1e3, (ROWS, COLUMNS)).astype(np.float32)
    rough.flat[:4] = [np.nan, -7e4, np.inf, 1e-7]
    return {
        "A": smooth,
        "B": bits.view(np.float16),
        "G": rough,
        "R": np.asfortranarray(smooth * np.float32(0.01)),
        "Z": (smooth * np.float32(np.pi))[::-1],
        "far.Z": random.integers(0, 1 << 32, (ROWS, COLUMNS)).astype(np.uint32).view(np.float32),
    }


def _part(kinds: Mapping[str, str], compression: str, corner: tuple[int, int] = (0, 0)) -> Part:
    window = Window(*corner, COLUMNS, ROWS)
    return Part(
        index=0,
        name="",
        view="",
        channels=dict(kinds),
        data_window=window,
        display_window=Window(0, 0, 99, 98),
        compression=compression,
        attributes={"comment": Attribute("string", "of this file")},
    )


def _both(
    folder: Path, monkeypatch: pytest.MonkeyPatch, part: Part, planes: Mapping[str, AnyArray]
) -> tuple[Path, Path]:
    """Write a file by ourselves and by the library."""
    mine, theirs = folder / "mine.exr", folder / "theirs.exr"
    with monkeypatch.context() as alone:
        _refuse_library(alone)
        made = write_exr(mine, [PartPixels(part, planes)])
    with monkeypatch.context() as alone:
        alone.setattr(exr_write, "LEAST_PIXELS", 1 << 40)
        other = write_exr(theirs, [PartPixels(part, planes)])
    assert made.clamped_values == other.clamped_values
    return mine, theirs


def _read(path: Path) -> dict[str, AnyArray]:
    """Read with the OpenEXR package, each channel as it is called and of its own type."""
    (part,) = OpenEXR.File(str(path), separate_channels=True).parts
    return {name: channel.pixels for name, channel in part.channels.items()}


def _spec(path: Path) -> str:
    file = oiio.ImageInput.open(str(path))
    assert file is not None
    text: str = file.spec().serialize("xml")
    file.close()
    return text


KINDS = {
    "halves": {"A": "half", "B": "half", "G": "half", "R": "half"},
    "three": {"B": "half", "G": "half", "R": "half"},
    "mixed": {"R": "half", "A": "half", "B": "half", "Z": "float", "G": "half", "far.Z": "float"},
    "floats": {"Z": "float", "A": "float", "far.Z": "float"},
}


@pytest.mark.parametrize("kinds", KINDS)
@pytest.mark.parametrize("compression", ["zip", "zips"])
@pytest.mark.parametrize(("threads", "corner"), [(1, (0, 0)), (2, (-5, 12))])
def test_both_hold_the_same(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    kinds: str,
    compression: str,
    threads: int,
    corner: tuple[int, int],
) -> None:
    try:
        set_file_threads(threads)
        mine, theirs = _both(tmp_path, monkeypatch, _part(KINDS[kinds], compression, corner), _planes())
    finally:
        set_file_threads(2)
    found, expected = _read(mine), _read(theirs)
    assert found.keys() == expected.keys() == KINDS[kinds].keys()
    for name, plane in expected.items():
        assert found[name].dtype == plane.dtype
        np.testing.assert_array_equal(found[name], plane)
        np.testing.assert_array_equal(np.signbit(found[name]), np.signbit(plane))
    assert _spec(mine) == _spec(theirs)


def test_whole_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    numbers = np.random.default_rng(2).integers(0, 1 << 32, (ROWS, COLUMNS), dtype=np.uint32)
    mine, _ = _both(tmp_path, monkeypatch, _part({"id": "uint"}, "zip"), {"id": numbers})
    np.testing.assert_array_equal(_read(mine)["id"], numbers)


def test_floats_are_the_same_to_the_bit_whatever_they_stand_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    planes = _planes()
    mine, _ = _both(tmp_path, monkeypatch, _part({"far.Z": "float"}, "zip"), planes)
    np.testing.assert_array_equal(_read(mine)["far.Z"].view(np.uint32), planes["far.Z"].view(np.uint32))


def test_threads_change_no_byte(tmp_path: Path) -> None:
    made = []
    for threads in (1, 3):
        try:
            set_file_threads(threads)
            path = tmp_path / f"{threads}.exr"
            write_exr(path, [PartPixels(_part(KINDS["mixed"], "zip"), _planes())])
        finally:
            set_file_threads(2)
        made.append(path.read_bytes())
    assert made[0] == made[1]


def test_files_are_not_much_larger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float32)
    random = np.random.default_rng(7)
    planes = {
        name: (0.4 + 0.3 * np.sin(x / 30 + y / 50) + random.normal(0, 0.002, x.shape)).astype(np.float32)
        for name in "RGB"
    }
    mine, theirs = _both(tmp_path, monkeypatch, _part(KINDS["three"], "zip"), planes)
    assert mine.stat().st_size < 1.2 * theirs.stat().st_size


def test_other_ways_to_write_are_left_to_the_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[Any] = []
    write_rows = exr_write._write_rows

    def counted(*to: Any) -> int:
        written.append(to)
        return write_rows(*to)

    monkeypatch.setattr(exr_write, "_write_rows", counted)
    planes, kinds = _planes(), KINDS["three"]
    write_exr(tmp_path / "other.exr", [PartPixels(_part(kinds, "piz"), planes)])
    pieces = len(written)
    assert pieces
    two = [
        PartPixels(replace(_part(kinds, "zip"), name=name, index=index), planes)
        for index, name in enumerate(("one", "two"))
    ]
    write_exr(tmp_path / "several.exr", two)
    assert len(written) == 3 * pieces
    monkeypatch.setattr(exr_zip, "LEAST_PIXELS", 1 << 40)
    write_exr(tmp_path / "small.exr", [PartPixels(_part(kinds, "zip"), planes)])
    assert len(written) == 4 * pieces
    np.testing.assert_array_equal(_read(tmp_path / "small.exr")["R"], planes["R"].astype(np.float16))


def test_a_full_disk_is_told_of_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> bytes:
        raise OSError(errno.ENOSPC, "No space left on device")

    _refuse_library(monkeypatch)
    monkeypatch.setattr(isal_zlib, "compress", full)
    with pytest.raises(WriteError) as caught:
        write_exr(tmp_path / "a.exr", [PartPixels(_part(KINDS["three"], "zip"), _planes())])
    assert caught.value.code == "E-WRITE-PIXELS"
    assert "No space left" in str(caught.value)
    assert "free space" in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_a_chunk_that_is_not_what_was_to_be_written_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    compress = isal_zlib.compress
    monkeypatch.setattr(isal_zlib, "compress", lambda data, level: compress(data[:-4], level))
    with pytest.raises(WriteError) as caught:
        write_exr(tmp_path / "a.exr", [PartPixels(_part(KINDS["three"], "zip"), _planes())])
    assert caught.value.code == "E-WRITE-CHECK"
    assert not list(tmp_path.iterdir())
