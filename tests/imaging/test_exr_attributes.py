"""Headers are read and changed byte by byte, and nothing else moves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from halocline._typing import AnyArray
from halocline.errors import ReadError
from halocline.imaging.exr import Part, read_header, read_native
from halocline.imaging.exr_attributes import RawAttribute, attribute_count, put_attributes, raw_attributes
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window

WINDOW = Window(-2, 3, 40, 70)


def written(path: Path, parts: int, compression: str = "zip") -> list[dict[str, AnyArray]]:
    random = np.random.default_rng(3)
    planes: list[dict[str, AnyArray]] = [
        {"Y": random.normal(size=WINDOW.shape).astype(np.float32)} for _ in range(parts)
    ]
    described = [
        Part(index, f"part {index}", "", {"Y": "float"}, WINDOW, WINDOW, compression=compression)
        for index in range(parts)
    ]
    write_exr(path, [PartPixels(*each) for each in zip(described, planes, strict=True)])
    return planes


@pytest.mark.parametrize("parts", [1, 3])
@pytest.mark.parametrize("compression", ["none", "zip", "piz"])
def test_attributes_of_any_type_are_put_in_and_pixels_stay(
    tmp_path: Path, parts: int, compression: str
) -> None:
    file = tmp_path / "a.exr"
    planes = written(file, parts, compression)
    wanted = [{"odd": RawAttribute("ourType", bytes(range(200 + index)))} for index in range(parts)]
    put_attributes(file, wanted)
    assert [part["odd"] for part in raw_attributes(file)] == [each["odd"] for each in wanted]
    for part, expected in zip(read_header(file).parts, planes, strict=True):
        np.testing.assert_array_equal(read_native(file, part, ["Y"])["Y"], expected["Y"])


def test_a_file_that_has_it_all_is_not_touched(tmp_path: Path) -> None:
    file = tmp_path / "a.exr"
    written(file, 1)
    before = file.stat().st_mtime_ns
    put_attributes(file, [raw_attributes(file)[0]])
    assert file.stat().st_mtime_ns == before


def test_an_attribute_is_replaced_where_it_stands(tmp_path: Path) -> None:
    file = tmp_path / "a.exr"
    written(file, 1)
    put_attributes(file, [{"screenWindowWidth": RawAttribute("float", b"\0\0\x40\x3f")}])
    assert read_header(file).parts[0].value("screenWindowWidth") == 0.75


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x76\x2f\x31\x01\x02\0\0",
        b"\x76\x2f\x31\x01\x02\0\0\0name",
        b"\x76\x2f\x31\x01\x02\0\0\0name\0string\0\xff\xff\xff\x7f",
        b"\x76\x2f\x31\x01\x02\0\0\0name\0string\0\xff\xff\xff\xff",
        b"PNG" * 100,
    ],
)
def test_what_is_no_header_has_no_attributes(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.exr").write_bytes(content)
    assert raw_attributes(tmp_path / "a.exr") == []


def test_a_header_of_a_hundred_thousand_attributes_is_refused_before_it_takes_a_minute(
    tmp_path: Path,
) -> None:
    file = tmp_path / "a.exr"
    written(file, 1)
    put_attributes(file, [{f"bomb{number}": RawAttribute("int", bytes(4)) for number in range(100_000)}])
    assert attribute_count(file) > 100_000
    with pytest.raises(ReadError, match=r"its header has 1000\d\d attributes") as caught:
        read_header(file)
    assert caught.value.code == "E-READ-SIZE"


def test_attributes_that_the_library_reads_and_does_not_take_back_are_carried(tmp_path: Path) -> None:
    file = tmp_path / "a.exr"
    planes = written(file, 1)
    # Text that is not UTF-8, whole numbers out of range of their enumeration, a matrix of another size.
    odd = {
        "envmapish": RawAttribute("string", b"\xff\xfe"),
        "list": RawAttribute("stringvector", b"\x02\0\0\0\xc3\x28"),
        "none": RawAttribute("stringvector", b""),
        "code": RawAttribute("timecode", b"\xff" * 8),
        "rate": RawAttribute("rational", b"\xff" * 8),
        "film": RawAttribute("keycode", b"\xff" * 28),
        "floats": RawAttribute("floatvector", b""),
        "seven": RawAttribute("floatvector", bytes(28)),
    }
    for name, entry in odd.items():
        put_attributes(file, [{name: entry}])
        try:
            part = read_header(file).parts[0]
        except ReadError:
            # The library itself refuses such a file; nothing is written of it.
            file.unlink()
            written(file, 1)
            continue
        again = tmp_path / f"{name}.exr"
        write_exr(again, [PartPixels(part, planes[0])])
        assert raw_attributes(again)[0][name] == entry
        written_over = read_header(again).parts[0]
        np.testing.assert_array_equal(read_native(again, written_over, ["Y"])["Y"], planes[0]["Y"])
        file.unlink()
        written(file, 1)
