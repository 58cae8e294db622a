"""Files that the independent package does not write: made here byte by byte, uncompressed.

Layout by the OpenEXR file format (openexr_layout, from memory): magic number, version, attributes, a table of
offsets, then for each row its number, its size and its channels in alphabetical order.
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np
import pytest
from tests.imaging.foreign.layouts import HEIGHT, WIDTH, Array, half, rgba
from tests.imaging.foreign.layouts import depth as depth_channel

from halocline.errors import ReadError
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.load import load


def _attribute(name: str, kind: str, value: bytes) -> bytes:
    return b"\0".join((name.encode(), kind.encode(), struct.pack("<i", len(value)) + value))


def write(
    path: Path,
    channels: Mapping[str, Array],
    *,
    every: Mapping[str, int] | None = None,
    lost: Collection[int] = (),
) -> Path:
    """Write channels, some of them for every so many pixels only, without some rows."""
    steps = {name: (every or {}).get(name, 1) for name in sorted(channels)}
    listed = b"".join(
        name.encode()
        + b"\0"
        + struct.pack("<iB3xii", 2 if channels[name].dtype == np.float32 else 1, 0, step, step)
        for name, step in steps.items()
    )
    window = struct.pack("<4i", 0, 0, WIDTH - 1, HEIGHT - 1)
    head = struct.pack("<ii", 20000630, 2) + b"".join(
        (
            _attribute("channels", "chlist", listed + b"\0"),
            _attribute("compression", "compression", b"\0"),
            _attribute("dataWindow", "box2i", window),
            _attribute("displayWindow", "box2i", window),
            _attribute("lineOrder", "lineOrder", b"\0"),
            _attribute("pixelAspectRatio", "float", struct.pack("<f", 1.0)),
            _attribute("screenWindowCenter", "v2f", struct.pack("<ff", 0.0, 0.0)),
            _attribute("screenWindowWidth", "float", struct.pack("<f", 1.0)),
            b"\0",
        )
    )
    body, offsets = b"", []
    for row in range(HEIGHT):
        line = b"".join(
            channels[name][row, ::step].tobytes() for name, step in steps.items() if row % step == 0
        )
        offsets.append(0 if row in lost else len(head) + 8 * HEIGHT + len(body))
        if row not in lost:
            body += struct.pack("<ii", row, len(line)) + line
    path.write_bytes(head + struct.pack(f"<{HEIGHT}Q", *offsets) + body)
    return path


def test_a_file_by_hand_is_read(tmp_path: Path) -> None:
    path = write(tmp_path / "by_hand.exr", {**rgba(), **depth_channel()})
    frame = load(path, InputSpec()).views[0].frame
    np.testing.assert_array_equal(frame.plane("rgb"), 0.5)


@pytest.mark.parametrize("name", ["B", "Z", "N.X"])
def test_channels_of_fewer_pixels_are_refused_by_name(name: str, tmp_path: Path) -> None:
    channels = {**rgba(), **depth_channel(), **half("N.X N.Y N.Z")}
    path = write(tmp_path / "fewer.exr", channels, every={name: 2})
    with pytest.raises(ReadError, match=f'"{name}"') as caught:
        load(path, InputSpec())
    assert "for every pixel" in str(caught.value.fix)


def test_luminance_with_chroma_of_fewer_pixels_is_refused(tmp_path: Path) -> None:
    channels = {**half("Y RY BY A"), **depth_channel()}
    path = write(tmp_path / "chroma.exr", channels, every={"RY": 2, "BY": 2})
    with pytest.raises(ReadError, match="BY") as caught:
        load(path, InputSpec())
    assert "without luminance and chroma" in str(caught.value.fix)


@pytest.mark.parametrize("lost", [(3,), range(6, HEIGHT), range(HEIGHT)], ids=["one", "the end", "all"])
def test_rows_that_were_never_written_are_refused(lost: Collection[int], tmp_path: Path) -> None:
    path = write(tmp_path / "lost.exr", {**rgba(), **depth_channel()}, lost=lost)
    with pytest.raises(ReadError, match="E-READ-PIXELS"):
        load(path, InputSpec())
