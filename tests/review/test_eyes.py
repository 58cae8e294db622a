"""Two views of a picture: on one line or not, as bright as each other or not."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import OpenEXR
import pytest

from halocline._typing import F32
from halocline.imaging.colour import U8
from halocline.review.checks import check_sequence
from halocline.review.eyes import EyesCheck, vertical_disparity

ROWS, COLUMNS = 108, 192
REC709 = (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)


def scene(aside: float = 0.0, down: float = 0.0, gain: float = 1.0) -> F32:
    """Return soft spots of light, moved."""
    spots = np.random.default_rng(5).random((ROWS + 40, COLUMNS + 40)).astype(np.float32)
    soft = cv2.GaussianBlur(spots, (0, 0), 3.0)
    soft = 0.1 + 0.6 * (soft - soft.min()) / (soft.max() - soft.min())
    moved = cv2.warpAffine(
        soft,
        np.array([[1, 0, aside - 20], [0, 1, down - 20]], np.float32),
        (COLUMNS, ROWS),
        flags=cv2.INTER_CUBIC,
    )
    return np.asarray(gain * moved, np.float32)


def codes(plane: F32) -> U8:
    return np.asarray(np.clip(255 * plane, 0, 255), np.uint8)


@pytest.mark.parametrize("down", [0.0, 0.4, -1.0, 2.5])
def test_heights_are_measured_whatever_the_depth(down: float) -> None:
    found = vertical_disparity(codes(scene()), codes(scene(aside=9.3, down=down)))
    assert found == pytest.approx(abs(down) / ROWS, abs=0.1 / ROWS)


def test_nothing_is_said_of_pictures_with_nothing_in_common() -> None:
    assert vertical_disparity(codes(scene()), codes(scene()[::-1, ::-1].copy())) is None
    flat = np.full((ROWS, COLUMNS), 90, np.uint8)
    assert vertical_disparity(flat, flat) is None
    assert EyesCheck().result() is None


def write(path: Path, left: F32, right: F32) -> None:
    parts = []
    for view, plane in (("left", left), ("right", right)):
        header = {"type": OpenEXR.scanlineimage, "chromaticities": REC709, "view": view}
        planes = {**dict.fromkeys("RGB", plane), "A": np.ones_like(plane)}
        parts.append(OpenEXR.Part(header, {n: OpenEXR.Channel(p) for n, p in planes.items()}, view))
    OpenEXR.File(parts).write(str(path))


def test_the_check_tells_of_eyes_that_do_not_match(tmp_path: Path) -> None:
    write(tmp_path / "shot.1001.exr", scene(), scene(aside=5.0))
    write(tmp_path / "shot.1002.exr", scene(), scene(aside=5.0))
    well = check_sequence(tmp_path / "shot.####.exr")
    assert not [finding for finding in well.findings if finding.kind == "eyes"]
    assert any(line.startswith("eyes (left and right)") for line in well.lines())
    write(tmp_path / "bad.1001.exr", scene(), scene(aside=5.0, down=1.5))
    write(tmp_path / "bad.1002.exr", scene(), scene(aside=5.0, gain=0.5))
    report = check_sequence(tmp_path / "bad.####.exr")
    told = [finding.text for finding in report.findings if finding.kind == "eyes"]
    assert len(told) == 2
    # 1.5 of 108 rows are 1.39 per cent.
    assert "frame 1001: one eye's picture lies 1." in told[0]
    assert f"eyes: {told[0]}" in report.lines()
    assert "frame 1002" in told[1]
    assert "brighter" in told[1]
    assert report.to_dict()["eyes"]["vertical_frame"] == 1001
