"""A preset on arrays: no files, no sequence, one frame in and one frame out."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from halocline._typing import F32
from halocline.errors import DepthError, FrameError, PresetError
from halocline.graph.engine import Evaluation, evaluate
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.edge_mixture import mixture_planes
from halocline.imaging.frame import Frame, Window
from halocline.presets.build import make_shot
from halocline.presets.preset import Preset, load_preset
from halocline.rgb import RGBSpace, space_named

DEFAULT_FOCAL_LENGTH_MM = 35.0
DEFAULT_FILM_WIDTH_MM = 36.0


@dataclass(frozen=True)
class WetFrame:
    """A frame under water.

    Attributes
    ----------
    rgb
        ``(rows, columns, 3)`` float32, scene-linear, premultiplied.
    alpha
        ``(rows, columns)`` float32; 1 everywhere once water fills the background.
    layers
        Other planes asked for, as the graph holds them.
    warnings
        What a person should know of this frame.
    """

    rgb: F32
    alpha: F32
    layers: Mapping[str, F32]
    warnings: tuple[str, ...] = ()


def apply(
    preset: Preset | str | os.PathLike[str],
    rgb: ArrayLike,
    range_m: ArrayLike,
    alpha: ArrayLike | None = None,
    *,
    frame: int = 1001,
    camera: Camera | CameraTrack | None = None,
    space: RGBSpace | str = "lin_rec709",
    planes: Mapping[str, ArrayLike] | None = None,
    layers: Iterable[str] = (),
    threads: int | None = None,
) -> WetFrame:
    """Put one frame under water.

    Parameters
    ----------
    preset
        The look, from `halocline.load_preset`; or a preset file, or the name of a shipped preset: it is
        then read and fitted on every call.
    rgb
        ``(rows, columns, 3)``, scene-linear floats, premultiplied by alpha. Bad pixels (NaN, infinite) are
        passed on; a step that blurs spreads them.
    range_m
        ``(rows, columns)``, metres from the lens along each view ray; inf where nothing is hit.
    alpha
        ``(rows, columns)``, 0 to 1; where not given, 1 where the range is finite.
    frame
        Frame number, for animation and everything random.
    camera
        The camera (see `halocline.imaging.camera.pinhole`), or a track of cameras for motion blur; a level
        35 mm lens on 36 mm film where not given.
    space
        Working space of ``rgb``.
    planes
        Further planes that operators may read, planar: ``normal`` and ``position`` ``(3, rows, columns)``,
        ``matte.NAME`` ``(rows, columns)``.
    layers
        Names of planes of the result to return too, such as ``veil``.
    threads
        Threads to use; one for each processor where not given. Changes no bit.

    Returns
    -------
    The frame under water, in the form in which it came.

    Raises
    ------
    PresetError
        As `halocline.load_preset`, where a name or file is given; ``E-PRESET-KIND`` where it is no preset
        at all.
    FrameError
        ``E-FRAME-PLANE`` where shapes do not fit together, ``E-FRAME-LIGHT`` where ``rgb`` holds whole
        numbers.
    DepthError
        ``E-DEPTH-RANGE`` where a range is negative or not a number.
    """
    preset = _preset(preset)
    picture = _frame(rgb, range_m, alpha, planes or {})
    if preset.at(frame).input.separate_edges and "far_range" not in picture.planes:
        plane = picture.plane
        picture = picture.with_planes(**mixture_planes(plane("rgb"), plane("alpha"), plane("range")))
    window = picture.data_window
    shot = make_shot(
        preset,
        frame,
        _track(camera, frame, window),
        space=space if isinstance(space, RGBSpace) else space_named(space),
        display_window=window,
        data_window=window,
        surfaces=picture,
    )
    names = ("rgb", "alpha", *layers)
    made = evaluate(preset.at(frame).graph, picture, shot, wanted=names, how=Evaluation(threads))
    return WetFrame(
        rgb=np.ascontiguousarray(np.moveaxis(made["rgb"], 0, -1)),
        alpha=made["alpha"],
        layers={name: made[name] for name in layers},
        warnings=preset.at(frame).graph.warnings(shot),
    )


def _preset(given: object) -> Preset:
    if isinstance(given, Preset):
        return given
    if isinstance(given, str | os.PathLike):
        return load_preset(given)
    raise PresetError(
        f"{type(given).__name__} is no preset",
        code="E-PRESET-KIND",
        fix="Give a shipped preset's name, a preset file, or what halocline.load_preset returned, first; "
        "then rgb and range_m.",
    )


def _frame(
    rgb: ArrayLike, range_m: ArrayLike, alpha: ArrayLike | None, planes: Mapping[str, ArrayLike]
) -> Frame:
    light = np.asarray(rgb)
    if not np.issubdtype(light.dtype, np.floating):
        raise FrameError(
            f"rgb holds {light.dtype}, which is no scene-linear light",
            code="E-FRAME-LIGHT",
            fix="Decode display pixels to scene-linear floats first.",
        )
    colour = light.astype(np.float32, copy=False)
    distance = np.ascontiguousarray(range_m, np.float32)
    if colour.ndim != 3 or colour.shape[2] != 3 or colour.shape[:2] != distance.shape:
        raise FrameError(
            f"rgb has the shape {colour.shape} and range_m {distance.shape}",
            code="E-FRAME-PLANE",
            fix="Give rgb as (rows, columns, 3) and range_m as (rows, columns).",
        )
    wrong = int(np.count_nonzero(~(distance >= 0.0)))
    if wrong:
        raise DepthError(
            f"range_m is negative or not a number at {wrong} of {distance.size} pixels",
            code="E-DEPTH-RANGE",
            fix="Give metres from the lens along each view ray, infinite where nothing is hit.",
        )
    coverage = np.isfinite(distance) if alpha is None else alpha
    rows, columns = distance.shape
    given = {name: np.ascontiguousarray(plane, np.float32) for name, plane in planes.items()}
    return Frame(
        {
            **given,
            "rgb": np.ascontiguousarray(np.moveaxis(colour, -1, 0)),
            "alpha": np.ascontiguousarray(coverage, np.float32),
            "range": distance,
        },
        data_window=Window(0, 0, columns, rows),
        display_window=Window(0, 0, columns, rows),
    )


def _track(camera: Camera | CameraTrack | None, frame: int, window: Window) -> CameraTrack:
    if isinstance(camera, CameraTrack):
        return camera
    if camera is None:
        camera = pinhole(
            window,
            focal_length_mm=DEFAULT_FOCAL_LENGTH_MM,
            film_width_mm=DEFAULT_FILM_WIDTH_MM,
            source="default camera",
        )
    return CameraTrack({frame: camera})
