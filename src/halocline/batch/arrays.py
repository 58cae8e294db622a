"""A preset on one frame in memory or in a file: nothing is written, one frame in and one frame out."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
from numpy.typing import ArrayLike

from halocline._typing import F32
from halocline.batch.deep import wet_flat
from halocline.batch.frame_task import must_be_numbers, planes_of_look
from halocline.batch.lamps_in_vain import lamps_in_vain
from halocline.batch.origins import origins_of_picture, origins_of_sequence
from halocline.batch.parts import named_planes, refuse_parts_of_deep
from halocline.batch.still import Still, tasks_of
from halocline.batch.task import input_spec
from halocline.errors import DepthError, FrameError, PresetError
from halocline.graph.engine import Evaluation
from halocline.imaging.camera import Camera, pinhole
from halocline.imaging.camera_track import CameraTrack
from halocline.imaging.colour import display_pixels, png_bytes
from halocline.imaging.edge_creases import edge_planes
from halocline.imaging.edge_mixture import compared_colours
from halocline.imaging.exr import header_of_buffer
from halocline.imaging.frame import Frame, Window
from halocline.imaging.load import View, load_buffer
from halocline.imaging.survey import planes_of
from halocline.late_dataclass import dataclass
from halocline.operators.shared.water_shade import shade_of_steps, unseen_casters
from halocline.presets.build import make_shot, outside_view
from halocline.presets.misplaced import misplaced
from halocline.presets.preset import Preset, load_preset
from halocline.rgb import LINEAR_REC709, RGBSpace, space_named

# Frame number where neither the caller nor a file says one.
DEFAULT_FRAME = 1001
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
    space
        The space of ``rgb``.

    A notebook shows it as a picture, through the default view of the colour configuration.
    """

    rgb: F32
    alpha: F32
    layers: Mapping[str, F32]
    warnings: tuple[str, ...] = ()
    space: RGBSpace = LINEAR_REC709

    def __repr__(self) -> str:
        rows, columns = self.alpha.shape
        layers = f", layers {', '.join(self.layers)}" if self.layers else ""
        told = f", {len(self.warnings)} warnings" if self.warnings else ""
        return f"<WetFrame {columns} x {rows}, {self.space.name}{layers}{told}>"

    def _repr_png_(self) -> bytes:
        return png_bytes(display_pixels(np.moveaxis(self.rgb, -1, 0), self.space))


def apply(
    preset: Preset | str | os.PathLike[str],
    rgb: ArrayLike | oiio.ImageBuf | str | os.PathLike[str],
    range_m: ArrayLike | None = None,
    alpha: ArrayLike | None = None,
    *,
    frame: int | None = None,
    camera: Camera | CameraTrack | None = None,
    space: RGBSpace | str | None = None,
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
        passed on; a step that blurs spreads them. Or a whole frame: an EXR file (or a pattern, with
        ``frame``), or an OpenImageIO ``ImageBuf`` with depth among its channels. Of a whole frame everything
        is read as ``halocline apply`` reads it, by the preset's ``[input]``; of several views, the first.
    range_m
        ``(rows, columns)``, metres from the lens along each view ray; inf where nothing is hit. It,
        ``alpha``, ``space`` and ``planes`` go with arrays alone: a whole frame has its own.
    alpha
        ``(rows, columns)``, 0 to 1; where not given, 1 where the range is finite.
    frame
        Frame number, for animation and everything random; the file's own, or 1001, where not given.
    camera
        The camera (see `halocline.imaging.camera.pinhole`), or a track of cameras for motion blur; a whole
        frame's own, or a level 35 mm lens on 36 mm film, where not given.
    space
        Working space of ``rgb``; linear Rec.709 (``lin_rec709``) where not given.
    planes
        Further planes that operators may read, planar: ``normal`` and ``position`` ``(3, rows, columns)``,
        ``matte.NAME`` ``(rows, columns)``.
    layers
        Names of planes of the result to return too, such as ``veil``. Light comes per spectral band; of a
        look whose parts have looks of their own, in colours of ``space``.
    threads
        Threads to use; one for each processor where not given. Changes no bit.

    Returns
    -------
    WetFrame
        The frame under water, in the form in which arrays came; of a whole frame its data window.

    Raises
    ------
    PresetError
        As `halocline.load_preset`, where a name or file is given; ``E-PRESET-KIND`` where it is no preset
        at all.
    FrameError
        ``E-FRAME-PLANE`` where shapes do not fit together or arrays are given beside a whole frame,
        ``E-FRAME-LIGHT`` where ``rgb`` holds whole numbers, ``E-FRAME-NAN`` where the look made values that
        are no numbers of a render that has none, ``E-DEEP-OUTPUT`` where layers are asked for of a
        deep picture.
    DepthError
        ``E-DEPTH-RANGE`` where a range is negative or not a number.
    HaloclineError
        As reading raises, where ``rgb`` is a whole frame.
    """
    preset = _preset(preset)
    how = Evaluation(threads)
    if isinstance(rgb, str | os.PathLike | oiio.ImageBuf):
        _refuse_arrays_beside(range_m=range_m, alpha=alpha, space=space, planes=planes)
        preset, number, view, track = _whole_frame(preset, rgb, frame)
        if camera is not None:
            track = _track(camera, number, view.frame.data_window)
        return _wet(preset, number, view.frame, track, view.space, layers, how, view)
    picture = _frame(rgb, range_m, alpha, planes or {})
    number = DEFAULT_FRAME if frame is None else frame
    named = space_named(space or "lin_rec709") if not isinstance(space, RGBSpace) else space
    if preset.at(number).input.separate_edges and "far_range" not in picture.planes:
        rgb, alpha, nearest = (picture.plane(name) for name in ("rgb", "alpha", "range"))
        found = edge_planes(compared_colours(rgb, named), alpha, nearest, picture.planes.get("normal"))
        picture = picture.with_planes(**found)
    return _wet(preset, number, picture, _track(camera, number, picture.data_window), named, layers, how)


def _wet(
    preset: Preset,
    number: int,
    picture: Frame,
    track: CameraTrack,
    space: RGBSpace,
    layers: Iterable[str],
    how: Evaluation,
    whole: View | None = None,
) -> WetFrame:
    preset = origins_of_picture(preset, number, picture, track.at(number)).with_lens(track.at(number))
    shot = make_shot(
        preset,
        number,
        track,
        space=space,
        display_window=picture.display_window,
        data_window=picture.data_window,
        surfaces=picture,
    )
    look, further = preset.at(number), tuple(layers)
    shade = shade_of_steps(look.graph, shot)
    made: Mapping[str, F32]
    warnings = () if whole is None else whole.warnings
    if whole is not None and whole.deep is not None:
        _refuse_layers_of_deep(further)
        refuse_parts_of_deep(look)
        made, told = wet_flat(whole, look.graph, shot, how)
        warnings = (*warnings, *told, *look.graph.warnings(shot))
    else:
        made, told = named_planes(look, shot, picture, how, ("rgb", "alpha", *further))
        warnings = (*warnings, *told)
    for name in ("rgb", "alpha"):
        # A maximum is NaN where any value is.
        if np.isnan(made[name].max(initial=0.0)) and (
            _all_numbers(picture) if whole is None else must_be_numbers(look, whole.counts)
        ):
            raise _not_a_number(name, made[name])
    return WetFrame(
        rgb=np.ascontiguousarray(np.moveaxis(made["rgb"], 0, -1)),
        alpha=made["alpha"],
        layers={name: made[name] for name in further},
        warnings=(
            *warnings,
            *misplaced(look.place, shot.camera, picture),
            *unseen_casters(shade),
            *outside_view(look, shot),
            *lamps_in_vain(preset, picture, shot.camera, space, [number]),
        ),
        space=space,
    )


def _whole_frame(
    preset: Preset, given: str | os.PathLike[str] | oiio.ImageBuf, frame: int | None
) -> tuple[Preset, int, View, CameraTrack]:
    """Read a file or a buffer as `halocline apply` reads it; the look, its number, first view and cameras."""
    if isinstance(given, oiio.ImageBuf):
        number = DEFAULT_FRAME if frame is None else frame
        look = preset.at(number)
        spec, (needed, useful) = input_spec(preset, number), planes_of_look(look)
        wanted = needed | planes_of([header_of_buffer(given)], spec, useful)
        view = load_buffer(given, spec, wanted=sorted(wanted)).views[0]
        return preset, number, view, CameraTrack({number: view.camera})
    tasks = tasks_of(os.fspath(given), frames=None if frame is None else str(frame))
    if len(tasks) > 1:
        raise FrameError(
            f"{given} is {len(tasks)} frames",
            code="E-FRAME-PLANE",
            where=str(Path(given)),
            fix=f"Say which one: frame={tasks[0].frame}.",
        )
    still = Still.read(tasks[0], preset)
    preset = origins_of_sequence(preset, tasks[0])
    return preset, tasks[0].frame, still.inputs.loaded.views[0], still.inputs.tracks[still.view]


def _refuse_layers_of_deep(layers: Sequence[str]) -> None:
    if layers:
        raise FrameError(
            f"of a deep picture colour and coverage alone come as arrays, and not {', '.join(layers)}",
            code="E-DEEP-OUTPUT",
            fix="Leave out layers; or have them written, flat or with --deep by sample: halocline apply "
            f"PRESET FILE --out FOLDER --layers {','.join(layers)}",
        )


def _all_numbers(picture: Frame) -> bool:
    """Return whether all values of a picture are numbers, and those of its light and coverage finite."""
    light = all(np.isfinite(picture.planes[name]).all() for name in ("rgb", "alpha"))
    return light and not any(np.isnan(plane).any() for plane in picture.planes.values())


def _not_a_number(name: str, values: F32) -> FrameError:
    count = np.count_nonzero(np.isnan(values))
    return FrameError(
        f"{name} has {count} values that are no numbers, though the render has none",
        code="E-FRAME-NAN",
        fix="Turning off steps of the look one by one tells which makes them. Where that is no step of your "
        "own, it is a fault of Halocline: please report it with the preset and the frame.",
    )


def _refuse_arrays_beside(**given: object) -> None:
    names = [name for name, value in given.items() if value is not None]
    if names:
        raise FrameError(
            f"{' and '.join(names)} given beside a whole frame, which has its own",
            code="E-FRAME-PLANE",
            fix="Leave them out and say in the preset's [input] and [colour] what differs, or give rgb as "
            "an array too.",
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
    rgb: ArrayLike, range_m: ArrayLike | None, alpha: ArrayLike | None, planes: Mapping[str, ArrayLike]
) -> Frame:
    light = np.asarray(rgb)
    if not np.issubdtype(light.dtype, np.floating):
        raise FrameError(
            f"rgb holds {light.dtype}, which is no scene-linear light",
            code="E-FRAME-LIGHT",
            fix="Decode display pixels to scene-linear floats first.",
        )
    if range_m is None:
        raise FrameError(
            "pixels are given without range_m",
            code="E-FRAME-PLANE",
            fix="Give range_m, metres along each view ray, inf where nothing is hit.",
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
    for name, plane in given.items():
        least, most = plane.min(initial=0.0), plane.max(initial=1.0)
        if name.startswith("matte.") and not (least >= 0.0 and most <= 1.0):
            raise FrameError(
                f'plane "{name}" is not a number, below 0 or above 1 at some pixels',
                code="E-FRAME-PLANE",
                fix="Give mattes from 0 to 1.",
            )
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
