"""A small scene for operators that bend and soften: near things before a far, detailed picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from halocline._typing import F32
from halocline.graph.engine import Evaluation, evaluate
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.frame import Frame, Window
from halocline.presets.build import make_shot
from halocline.presets.preset import preset_from_text
from halocline.rgb import LINEAR_REC709

HEAD = """
format = 1
title = "test"
[water]
jerlov_type = "IB"
[place]
camera_depth = "10 m"
"""


def camera(window: Window, *, focal_length_mm: float = 24.0, pitch_deg: float = 0.0) -> Camera:
    """Return a lens at the world's origin, pitched up."""
    pitch = np.radians(pitch_deg)
    matrix = np.eye(4)
    matrix[1:3, 1:3] = [[np.cos(pitch), -np.sin(pitch)], [np.sin(pitch), np.cos(pitch)]]
    return pinhole(window, focal_length_mm=focal_length_mm, film_width_mm=36.0, camera_to_world=matrix)


def posts_before_a_wall(window: Window, *, near_m: float = 0.9, far_m: float = 20.0) -> Frame:
    """Return red posts at one range before a detailed blue and green wall at another, with soft edges."""
    rows, columns = np.mgrid[window.y : window.y_end, window.x : window.x_end].astype(np.float32)
    detail = 0.5 + 0.3 * np.sin(columns / 3.0) * np.sin(rows / 4.0) + 0.1 * np.sin(columns * 1.7 + rows * 2.3)
    wall = np.stack([np.zeros_like(detail), detail, 1.0 - detail]).astype(np.float32)
    # Posts 12 px wide every 60 px, whose edges cover half a pixel.
    along = np.abs((columns % 60.0) - 30.0)
    cover = np.clip(6.5 - along, 0.0, 1.0).astype(np.float32)
    post = np.array([0.9, 0.0, 0.0], np.float32)[:, None, None]
    range_m = np.where(cover > 0, near_m, far_m).astype(np.float32)
    mixed = (cover > 0) & (cover < 1)
    return Frame(
        {
            "rgb": wall * (1 - cover) + post * cover,
            "alpha": np.ones(window.shape, np.float32),
            "range": range_m,
            "far_range": np.where(mixed, far_m, range_m).astype(np.float32),
            "far_share": np.where(mixed, 1 - cover, 0).astype(np.float32),
        },
        window,
        window,
    )


def made(
    text: str,
    frame: Frame,
    lens: Camera,
    *,
    number: int = 1001,
    wanted: Iterable[str] = ("rgb", "alpha"),
    how: Evaluation | None = None,
    sets: Sequence[str] = (),
) -> dict[str, F32]:
    """Return planes of a preset, given as text after `HEAD` and as keys, on a frame."""
    preset = preset_from_text(HEAD + text, sets)
    shot = make_shot(
        preset,
        number,
        CameraTrack({number: lens}),
        space=LINEAR_REC709,
        display_window=frame.display_window,
        data_window=frame.data_window,
    )
    return evaluate(preset.at(number).graph, frame, shot, wanted=tuple(wanted), how=how)
