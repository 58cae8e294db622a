"""What range maps write for open water: each way of saying "nothing there" gives the same water."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import OpenEXR
import pytest

import halocline
from halocline.errors import ChannelError, HaloclineError
from halocline.imaging.frame import Window
from halocline.matching.model import Setting
from halocline.matching.range_maps import only_channel, range_map
from halocline.matching.reference_picture import ReferenceLens, read_still, samples_of
from halocline.rgb import LINEAR_REC709

SHAPE = (180, 320)
SETTING = Setting(LINEAR_REC709)
LENS = ReferenceLens(74.0)
# What programs write where nothing is hit; half's largest finite number is 65504 (IEEE 754-2019, binary16).
SIGNS = {"inf": np.inf, "nan": np.nan, "zero": 0.0, "half": 65504.0, "float": 3.4e38, "plane": 200.0}


def ranges(sign: float) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    range_m = np.broadcast_to(np.geomspace(0.5, 6.0, 180)[::-1, None], SHAPE).astype(np.float32).copy()
    range_m[:40] = sign
    return range_m


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Stones of all reflectances at all ranges below open water, in 1C, as a linear EXR."""
    window = Window(0, 0, *SHAPE[::-1])
    stones = np.random.default_rng(3).uniform(0.03, 0.8, (*SHAPE, 1)).repeat(3, axis=2).astype(np.float32)
    # The water's blur is left out: a match knows nothing of it.
    look = halocline.load_preset("jerlov-1c", ["steps.forward_scatter.enabled=false"])
    camera = LENS.camera(window.width, window.height)
    wet = halocline.apply(look, stones, ranges(np.inf), camera=camera)
    assert np.isfinite(wet.rgb).all()
    path = tmp_path_factory.mktemp("still") / "still.exr"
    OpenEXR.File({}, {"RGB": np.ascontiguousarray(wet.rgb)}).write(str(path))
    return path


def written(path: Path, range_m: np.ndarray[tuple[int, int], np.dtype[np.float32]]) -> Path:
    OpenEXR.File({}, {"Y": range_m}).write(str(path))
    return path


@pytest.mark.parametrize("sign", SIGNS)
def test_every_sign_of_open_water_gives_the_same_samples(still: Path, tmp_path: Path, sign: str) -> None:
    read = read_still(still, range_path=written(tmp_path / "range.exr", ranges(SIGNS[sign])), lens=LENS)
    assert read.range_m is not None
    np.testing.assert_array_equal(read.range_m, ranges(np.inf))
    assert bool(read.remarks) == (sign in ("zero", "plane"))


def test_water_found_does_not_move_with_the_sign(still: Path, tmp_path: Path) -> None:
    samples = [
        samples_of(
            [read_still(still, range_path=written(tmp_path / f"{sign}.exr", ranges(sign)), lens=LENS)], []
        )
        for sign in (np.inf, 200.0)
    ]
    # A match knows nothing but its samples: it gives one answer for them. What that is worth, test_round_trip
    # says of a whole frame.
    assert samples[0] == samples[1]
    for one, other in zip(*samples, strict=True):
        assert one.around is not None
        assert other.around is not None
        assert np.array_equal(one.around.rgb, other.around.rgb)
        assert np.array_equal(one.around.share, other.around.share)


def test_stated_start_of_open_water_wins() -> None:
    read = range_map(ranges(200.0), open_from_m=5.0)
    assert np.isinf(read.range_m[ranges(200.0) >= 5.0]).all()
    assert read.range_m[-1, 0] == pytest.approx(0.5)
    assert read.remarks == ()
    # A wall really stands at 200 m: nothing is open.
    assert np.isfinite(range_map(ranges(200.0), open_from_m=1000.0).range_m).all()


def test_wall_that_may_be_a_limit_is_told_and_kept() -> None:
    clipped = np.minimum(ranges(7.0), np.float32(4.0))
    read = range_map(clipped)
    assert np.isfinite(read.range_m).all()
    assert any("--open-from 4" in remark for remark in read.remarks)


def test_even_range_is_no_open_water() -> None:
    read = range_map(np.full(SHAPE, 2.0, np.float32))
    assert np.isfinite(read.range_m).all()


def test_picture_of_several_channels_is_no_range_map(tmp_path: Path, still: Path) -> None:
    colours = np.random.default_rng(1).random((*SHAPE, 3), np.float32)
    path = tmp_path / "range.exr"
    OpenEXR.File({}, {"RGB": colours}).write(str(path))
    with pytest.raises(ChannelError, match="E-CHANNEL-AMBIGUOUS"):
        read_still(still, range_path=path)
    # Three times the same is one.
    even = np.repeat(ranges(np.inf)[..., None], 3, axis=2).astype(np.float64)
    np.testing.assert_array_equal(only_channel(even, path), ranges(np.inf))


def test_frame_with_two_depths_is_not_guessed(tmp_path: Path, still: Path) -> None:
    path = tmp_path / "range.exr"
    planes = {"RGB": np.ones((*SHAPE, 3), np.float32), "a.Z": ranges(9.0), "b.Z": ranges(8.0)}
    OpenEXR.File({}, planes).write(str(path))
    with pytest.raises(HaloclineError, match="depth"):
        read_still(still, range_path=path)


def test_colour_space_of_a_reference_frame_is_kept(tmp_path: Path) -> None:
    # Chromaticities of ACES AP1 (S-2014-004), as the EXR attribute holds them.
    ap1 = (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767)
    path = tmp_path / "still.exr"
    header = {"chromaticities": ap1}
    OpenEXR.File(header, {"RGB": np.ones((*SHAPE, 3), np.float32)}).write(str(path))
    assert read_still(path).space.name == "ACEScg"


def test_picture_of_sixteen_bits_is_read_as_it_was(tmp_path: Path, still: Path) -> None:
    """Whole numbers come as 0 to 1: told as no metres."""
    path = tmp_path / "range.png"
    assert cv2.imwrite(str(path), (ranges(0.0) * 1000).astype(np.uint16))
    with pytest.raises(HaloclineError, match="whole numbers"):
        read_still(still, range_path=path, lens=LENS)
