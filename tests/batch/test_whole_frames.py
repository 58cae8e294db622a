"""`halocline.apply` on a frame file or a picture in memory: the bits that the command writes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import OpenImageIO as oiio
import pytest

import halocline
from halocline.batch.run import run_frames
from halocline.errors import FrameError, HaloclineError
from halocline.imaging.load import load_beauty

if TYPE_CHECKING:
    from tests.batch.conftest import Folder

    from halocline.presets.preset import Preset


@pytest.mark.parametrize("given", ["file", "pattern", "buffer"])
def test_whole_frame_gives_the_bits_of_the_command(shot: Folder, look: Preset, given: str) -> None:
    run_frames(shot.tasks(frames="1002"), look)
    path = shot.clean / "arch.1002.exr"
    if given == "file":
        wet = halocline.apply(look, path)
    elif given == "pattern":
        wet = halocline.apply(look, str(shot.clean / "arch.####.exr"), frame=1002)
    else:
        wet = halocline.apply(look, oiio.ImageBuf(str(path)), frame=1002)
    written = load_beauty(shot.out / "arch.1002.exr").views[0].frame
    half = np.moveaxis(wet.rgb, -1, 0).astype(np.float16)
    np.testing.assert_array_equal(half, written.plane("rgb").astype(np.float16))


def test_picture_made_in_memory_needs_no_file(look: Preset) -> None:
    pixels = np.zeros((12, 16, 5), np.float32)
    pixels[..., :3], pixels[..., 3], pixels[..., 4] = 0.5, 1.0, 5.0
    spec = oiio.ImageSpec(16, 12, 5, "float")
    spec.channelnames = ("R", "G", "B", "A", "Z")
    buffer = oiio.ImageBuf(spec)
    buffer.set_pixels(oiio.ROI(), pixels)
    wet = halocline.apply(look, buffer)
    assert wet.rgb.shape == (12, 16, 3)
    assert np.isfinite(wet.rgb).all()
    assert any("colour space" in told for told in wet.warnings)


def test_view_of_frame_chosen_by_given_camera(shot: Folder, look: Preset) -> None:
    path = shot.clean / "arch.1002.exr"
    own = halocline.apply(look, path)
    window = load_beauty(path).views[0].frame.data_window
    up = halocline.pinhole(
        window,
        focal_length_mm=35.0,
        film_width_mm=36.0,
        camera_to_world=np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]]),
    )
    assert halocline.apply(look, path, camera=up).rgb.mean() != own.rgb.mean()


def _numbers(kind: str) -> oiio.ImageBuf:
    spec = oiio.ImageSpec(4, 4, 5, kind)
    spec.channelnames = ("R", "G", "B", "A", "Z")
    buffer = oiio.ImageBuf(spec)
    buffer.set_pixels(oiio.ROI(), np.ones((4, 4, 5), np.float32))
    return buffer


@pytest.mark.parametrize(
    ("given", "beside", "code"),
    [
        ("arch.####.exr", {}, "E-FRAME-PLANE"),
        ("arch.1002.exr", {"range_m": np.ones((2, 2))}, "E-FRAME-PLANE"),
        ("arch.1002.exr", {"space": "lin_rec709"}, "E-FRAME-PLANE"),
        ("missing.exr", {}, "E-SEQUENCE-EMPTY"),
    ],
)
def test_frame_that_cannot_be_told_is_refused(
    shot: Folder, look: Preset, given: str, beside: dict[str, object], code: str
) -> None:
    with pytest.raises(HaloclineError) as caught:
        halocline.apply(look, shot.clean / given, **beside)  # type: ignore[arg-type]  # wrong on purpose
    assert caught.value.code == code


def test_empty_picture_in_memory_is_refused(look: Preset) -> None:
    with pytest.raises(HaloclineError, match="E-READ-OPEN"):
        halocline.apply(look, oiio.ImageBuf())


@pytest.mark.parametrize("kind", ["uint", "uint8", "uint16"])
def test_whole_numbers_in_memory_are_refused(look: Preset, kind: str) -> None:
    with pytest.raises(HaloclineError, match="whole numbers"):
        halocline.apply(look, _numbers(kind))


def test_pixels_without_range_are_refused(look: Preset) -> None:
    with pytest.raises(FrameError, match="range_m"):
        halocline.apply(look, np.ones((4, 4, 3), np.float32))


def test_wet_frame_shows_itself(shot: Folder, look: Preset) -> None:
    wet = halocline.apply(look, shot.clean / "arch.1002.exr", layers=["veil"])
    rows, columns = wet.alpha.shape
    assert repr(wet).startswith(f"<WetFrame {columns} x {rows}, lin_rec709, layers veil")
    # The signature of a PNG file (ISO/IEC 15948, 5.2), then the width and height of its header chunk.
    png = wet._repr_png_()
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert (int.from_bytes(png[16:20]), int.from_bytes(png[20:24])) == (columns, rows)
