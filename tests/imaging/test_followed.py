"""A ball that falls on a floor, drags along it and rises: followed by its matte and range alone.

Rays against a ball and a plane, reckoned here: where the ball is, and whether it touches, is known.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from halocline._typing import F64
from halocline.errors import SequenceError
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.followed import FloorAround, followed
from halocline.imaging.frame import Frame, Window
from halocline.imaging.matte_track import MatteTrack, read_matte_track

WINDOW = Window(0, 0, 240, 120)
UP = np.array([0.0, 1.0, 0.0])
RADIUS = 0.3


def camera(pitch_deg: float = -12.0, pan_deg: float = 0.0, window: Window = WINDOW) -> Camera:
    pitch, pan = np.radians([pitch_deg, pan_deg])
    tilt = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    turn = np.array([[np.cos(pan), 0, np.sin(pan)], [0, 1, 0], [-np.sin(pan), 0, np.cos(pan)]])
    matrix = np.eye(4)
    matrix[:3, :3] = turn @ tilt
    matrix[:3, 3] = [0.5, 1.2, 1.0]
    return pinhole(window, focal_length_mm=24.0, film_width_mm=36.0, camera_to_world=matrix)


def scene(middle: F64, seen: Camera, slope: float = 0.0, window: Window = WINDOW) -> Frame:
    """A ball over the floor y = slope x."""
    rays, lens = seen.directions(window).astype(np.float64), seen.position_m
    normal = np.array([-slope, 1.0, 0.0])
    with np.errstate(divide="ignore", invalid="ignore"):
        floor = -(lens @ normal) / np.einsum("i,irc->rc", normal, rays)
    floor = np.where(floor > 0.0, floor, np.inf)
    offset = lens - middle
    along = np.einsum("i,irc->rc", offset, rays)
    inside = along * along - offset @ offset + RADIUS * RADIUS
    ball = np.where(inside > 0.0, -along - np.sqrt(np.maximum(inside, 0.0)), np.inf)
    matte = (ball < floor).astype(np.float32)
    range_m = np.minimum(ball, floor).astype(np.float32)
    alpha = np.isfinite(range_m).astype(np.float32)
    planes = {"rgb": np.tile(0.2 * alpha, (3, 1, 1)), "alpha": alpha, "range": range_m, "matte.ball": matte}
    return Frame(planes, window, window)


@pytest.mark.parametrize(("x", "height", "z", "pan"), [(0.0, 0.3, -4.0, 0.0), (-1.6, 0.9, -5.0, 15.0)])
def test_the_middle_of_a_ball_is_found_within_a_pixel(x: float, height: float, z: float, pan: float) -> None:
    middle, seen = np.array([x, height, z]), camera(pan_deg=pan)
    found = followed(scene(middle, seen), seen, "ball", FloorAround(UP))
    assert found is not None
    footprint = float(np.linalg.norm(middle - seen.position_m)) * seen.tangent_per_px[0]
    assert float(np.linalg.norm(found.middle_m - middle)) < footprint
    assert found.radius_m == pytest.approx(RADIUS, abs=footprint)
    # As long as it is wide: no capsule.
    assert float(np.linalg.norm(found.nose_m - found.tail_m)) < footprint
    assert not found.cut


# A stated floor is level.
@pytest.mark.parametrize(("slope", "floor_m"), [(0.0, None), (0.3, None), (0.0, 0.0)])
def test_it_touches_where_it_stands_on_the_floor_and_not_above(slope: float, floor_m: float | None) -> None:
    seen = camera()
    # Of a slope, the ball stands on the foot of its normal.
    normal = np.array([-slope, 1.0, 0.0]) / np.hypot(1.0, slope)
    foot = np.array([0.4, 0.4 * slope, -4.0])
    on_it = followed(
        scene(foot + RADIUS * normal, seen, slope), seen, "ball", FloorAround(UP, floor_m, touch_m=0.04)
    )
    assert on_it is not None
    (contact,) = on_it.contacts
    assert float(np.linalg.norm(contact.place_m - foot)) < (0.05 if slope == 0.0 else 0.5 * RADIUS)
    assert contact.place_m[1] == pytest.approx(slope * contact.place_m[0], abs=0.02)
    above = followed(
        scene(foot + (RADIUS + 0.15) * normal, seen, slope), seen, "ball", FloorAround(UP, floor_m, 0.04)
    )
    assert above is not None
    assert not above.contacts
    assert above.height_m == pytest.approx(0.15 * normal[1], abs=0.06)


def test_a_track_is_read_as_it_was_written_and_what_is_none_is_told(tmp_path: Path) -> None:
    seen = camera()
    thing = followed(scene(np.array([0.4, 0.3, -4.0]), seen), seen, "ball", FloorAround(UP))
    assert thing is not None
    assert thing.contacts
    track = MatteTrack("ball", {1001: thing, 1002: None, 1003: thing}, {"touch": 0.05})
    path = tmp_path / "ball.json"
    path.write_text(track.text(), encoding="utf-8")
    again = read_matte_track(path)
    assert again.text() == track.text()
    assert [len(run) for run in again.runs()] == [1, 1]
    for text, message in (
        ("{", "is no JSON"),
        ('{"frames": []}', "format None"),
        ('{"format": 1, "frames": [{"frame": 1001}]}', "on no frame"),
        ('{"format": 1, "frames": [{"frame": 1001, "middle": [0, 1]}]}', "frames item 1.*three numbers"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(SequenceError, match=rf"(?s)E-MATTE-TRACK.*{message}.*halocline follow"):
            read_matte_track(path)
