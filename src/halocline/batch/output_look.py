"""What is known of the output before the first frame is made: its compression, and colours it cannot hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from halocline._typing import F32, F64
from halocline.batch.deep_steps import refuse_deep
from halocline.batch.frame_task import ROUNDING_SHARE, delivery_of
from halocline.batch.layers import plan_layers, wanted_of
from halocline.imaging.compression import FALLBACK, name_of
from halocline.imaging.exr_write import can_write, refuse_compression
from halocline.imaging.load import Loaded
from halocline.operators.registry import users_by_key
from halocline.physics.path.transport import abeam
from halocline.presets.build import story_path
from halocline.presets.curves import key_frames, moving, telling_frames
from halocline.presets.floating_samples import uneven_after_floating
from halocline.presets.preset import Look, Preset
from halocline.presets.remarks import remarks_on_pictures
from halocline.rgb import RGBSpace

# Open water is looked at from so far that the lens sees no more of it from farther away, metres.
_FAR_M = 1e4
# Farther from a curve's keys than this no part of the same shot is: frames of shots mostly begin at 1001.
_OTHER_COUNT_FRAMES = 500
# Of daylight at the reference depth: what no exposure brings back. The clearest ocean has more at 600 m.
_NO_LIGHT = 1e-9
# Frames at which a preset has keys that are looked at, at most.
_MOST_MOMENTS = 12
# Why that matters, and what to do.
BELOW_ZERO = (
    "a power or logarithm makes no number of what is below 0. Set "
    'output.colour_space = "ACEScg", which holds it, or output.gamut_compression = "full"; "none" leaves it '
    "so"
)


def look_at_output(preset: Preset, loaded: Loaded, frames: Sequence[int]) -> tuple[str, ...]:
    """Return what a person should know of what will be written.

    Parameters
    ----------
    preset
        The look.
    loaded
        A frame that stands for all.
    frames
        Numbers of the frames that will be written, ascending.

    Raises
    ------
    WriteError
        ``E-WRITE-COMPRESSION`` where the compression asked for cannot be written here.
    GraphError
        ``E-GRAPH-LAYERS`` where a layer is asked for that the look does not make.
    FrameError
        ``E-DEEP-OUTPUT`` where deep output is asked for of a flat render.
    """
    look, space = preset.at(0), loaded.views[0].space
    if look.output.compression is not None:
        refuse_compression(look.output.compression, "output.compression")
    refuse_deep(deep=loaded.views[0].deep is not None, asked=look.output.deep)
    for graph in look.graphs:
        wanted = wanted_of(graph, look.graphs, look.output.layers)
        plan_layers(graph, wanted, compressed=delivery_of(look, space).compresses)
    waters = {frame: _open_water(preset, space, frame) for frame in moments(preset, frames)}
    return (
        *_of_compression(look, loaded),
        *_of_carried(look, space),
        *_of_darkness(preset, waters),
        *_of_lamps(preset, tuple(waters)),
        *_of_steps(preset, tuple(waters)),
        *_of_curves(preset, frames),
        *_of_gamut(preset, space, waters),
    )


def uneven_samples(preset: Preset, frames: Sequence[int]) -> tuple[str, ...]:
    """Return what keeps samples of what floats from being merged as if all were rendered together.

    Parameters
    ----------
    preset
        The look.
    frames
        Numbers of the frames that will be written, ascending.
    """
    looks = map(preset.at, moments(preset, frames))
    return tuple(dict.fromkeys(str(each) for look in looks for each in uneven_after_floating(look)))


def _of_compression(look: Look, loaded: Loaded) -> list[str]:
    found = dict.fromkeys(name_of(part.compression) for part in loaded.template.parts if not part.deep)
    if look.output.compression is not None:
        return []
    return [
        f"the render's compression {name} can be read here and not written: {FALLBACK} is written; "
        f'output.compression = "piz" (or another) chooses'
        for name in found
        if not can_write(name)
    ]


def _of_carried(look: Look, space: RGBSpace) -> list[str]:
    written = delivery_of(look, space).written
    given = look.colour.input_space or space.name
    if not look.output.carry or (written == space and look.colour.input_space is None):
        return []
    return [
        f"channels carried over (output.carry) stay as they are: colours among them are in {given}, the "
        f"picture in {written.name} (output.colour_space)"
    ]


def _of_darkness(preset: Preset, waters: Mapping[int, F32]) -> list[str]:
    """Tell where the look has daylight, none of it is left in the water, and no lamps shine."""
    lights = {frame: preset.at(frame).light for frame in waters}
    dark = [
        frame
        for frame, light in lights.items()
        if light.daylight > 0.0 and not light.lamps and waters[frame].max() < _NO_LIGHT * light.daylight
    ]
    if not dark:
        return []
    at = "" if len(dark) == len(waters) else f" at frame {dark[0]}"
    return [
        f"no daylight is left in the water{at}: the picture is black. Is place.camera_depth right, and in "
        "metres? Where it is as dark as that, give it lamps, or light.daylight = 0"
    ]


def _of_lamps(preset: Preset, frames: Sequence[int]) -> list[str]:
    """Tell of lamps that no step of the picture, or of its parts, takes light from."""
    looks = [preset.at(frame) for frame in frames]
    used = any(
        "light.lamps" in step.operator.uses for look in looks for graph in look.graphs for step in graph.steps
    )
    if used or not any(look.light.lamps for look in looks):
        return []
    users = users_by_key()["light.lamps"]
    return [f"light.lamps light nothing: no step uses them. Add [steps.{'] or [steps.'.join(users)}]"]


def _of_steps(preset: Preset, frames: Sequence[int]) -> list[str]:
    """Tell of keys and steps that do nothing, and of steps out of order; lamps have been told of."""
    return [
        f"{remark.where}: {remark.text}. {remark.fix}"
        for remark in remarks_on_pictures(preset, frames)
        if ".".join(remark.key) != "light.lamps"
    ]


def _of_curves(preset: Preset, frames: Sequence[int]) -> list[str]:
    """Tell of curves whose keys are all far from the frames: counted from another first one."""
    if not frames:
        return []
    told = []
    for name, curve in moving(preset.document.tables).items():
        keys = sorted(key_frames({name: curve}))
        if len(keys) > 1 and max(keys[0] - frames[-1], frames[0] - keys[-1]) > _OTHER_COUNT_FRAMES:
            told.append(
                f"{name} holds one value: its keys are at frames {keys[0]} to {keys[-1]}, and frames "
                f"{frames[0]} to {frames[-1]} are made. Keys count as frames do"
            )
    return told


def _of_gamut(preset: Preset, space: RGBSpace, waters: Mapping[int, F32]) -> list[str]:
    """Tell where open water alone is beyond the written space, unless the preset says what is to be done."""
    found = {frame: colour for frame, colour in waters.items() if colour.max() > 0.0}
    if preset.at(0).output.gamut_compression is not None or not found:
        return []
    worst = min(found, key=lambda frame: float(found[frame].min() / found[frame].max()))
    colour = found[worst]
    least = int(colour.argmin())
    if colour[least] >= -ROUNDING_SHARE * colour.max():
        return []
    name = ("red", "green", "blue")[least]
    at = "" if np.ptp(np.stack(list(found.values())), axis=0).max() == 0.0 else f" at frame {worst}"
    written = delivery_of(preset.at(worst), space).written.name
    return [
        f"{written} cannot hold the colour of this water{at}: {name} is "
        f"{colour[least] / colour.max():.2f} of the largest channel in open water, and {BELOW_ZERO}"
    ]


def moments(preset: Preset, frames: Sequence[int]) -> list[int]:
    """Return the first, middle and last frame, and some of those between at which a preset has keys.

    Parameters
    ----------
    preset
        The look.
    frames
        Numbers of frames, ascending; 0 stands for none.
    """
    if not frames:
        return [0]
    keys = [frame for frame in telling_frames(preset.document.tables) if frames[0] < frame < frames[-1]]
    some = keys[:: len(keys) // _MOST_MOMENTS + 1]
    return sorted({frames[0], frames[len(frames) // 2], frames[-1], *some})


def _open_water(preset: Preset, space: RGBSpace, frame: int) -> F32:
    """Return the colour of open water abeam of the sun as it will be written, ``(3,)``."""
    path = story_path(preset, frame, space)
    light: F64 = path.bands.down @ path.veil_along(_FAR_M, abeam(path))
    colour: F32 = (
        delivery_of(preset.at(frame), space).linear(light.astype(np.float32).reshape(3, 1, 1)).ravel()
    )
    return colour
