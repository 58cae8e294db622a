"""Lamps that light nothing of what a frame shows, or far too much of it: told before it is made.

A lamp that is placed in centimetres, aimed past the scene, or stands within a thing is allowed, and nothing
in the picture says why it is dark. So each lamp's light is measured on a few frames: on what those show and
in the water before it, on every so many-th pixel and, where its beam is narrow, on the pixels about the place
that it is aimed at. And a lamp that the camera or what moves brings to stand within a thing on one of them is
told of by that frame.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from halocline._typing import F32, F64
from halocline.batch.thinned import Blocks
from halocline.filters.facing import normals_from_range
from halocline.graph.operator import Stage
from halocline.graph.origins import placed
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame, Window
from halocline.late_dataclass import dataclass
from halocline.physics.path.lamp_glow import LampSeen
from halocline.physics.path.lamp_shadow import housing_m
from halocline.physics.path.lamps import Lamp, backscatter, lit_surfaces
from halocline.physics.path.transport import LightPath, attenuate
from halocline.presets.build import water_around
from halocline.presets.lamps import placed_lamps, things_seen
from halocline.presets.preset import Look, Preset
from halocline.presets.sections import LampSection
from halocline.rgb import RGBSpace

# Pixels across that are looked at, and the side of the square about where a beam meets what is seen.
_ACROSS, _SQUARE = 160, 65
# Of white in daylight: what is below shows on no screen, what a wanted lamp shows somewhere, and what is too
# much for half of all that it lights.
_LEAST, _SHOWN, _MOST = 1e-4, 0.1, 300.0
# Reflectance of what is lit: grey between light and dark (common practice, no source).
_GREY = 0.2
# Of the most that it lights, what is fainter is not lit well.
_FAINT = 0.01
# Where it would have to be brighter than this, a lamp is not weak but far away.
_BRIGHTEST = 1e3
# Where along a beam what it meets is looked for, metres.
_ALONG: F64 = np.geomspace(0.05, 100.0, 300)
# A lamp no farther behind what is seen than this is likely to be within it.
_WITHIN_M = 0.5
# So much of what is about it hides it.
_MOSTLY_HIDDEN = 0.5
# What is farther away is not lit. Farther than so many lengths of the clearest band the lens sees no water.
_FARTHEST_M, _SEEN_LENGTHS = 1e4, 4.0


@dataclass(frozen=True)
class _Scene:
    """A picture, its camera and water, and what lamps light of it: surfaces, and the water before them."""

    whole: Frame
    camera: Camera
    path: LightPath
    surfaces: bool
    water: bool


def lamps_in_vain(
    preset: Preset,
    picture: Frame,
    camera: Camera,
    space: RGBSpace,
    frames: Sequence[int],
    others: Mapping[int, tuple[Frame, Camera]] | None = None,
) -> tuple[str, ...]:
    """Return what a person should know of lamps that light nothing in view, or far too much.

    Parameters
    ----------
    preset
        The look, with its origins found.
    picture, camera, space
        One of the sequence, whose depth stands for those that are not given, its camera, and the working
        space.
    frames
        Frames at which the look's lamps may differ. A lamp that lights what it may on one of them is not told
        to light nothing.
    others
        More of the frames and their cameras, by number.

    Returns
    -------
    tuple[str, ...]
        A sentence for each lamp, with the key to set.
    """
    told: dict[int, list[str]] = {}
    within: dict[int, list[str]] = {}
    judged: dict[tuple[int, LampSection, int], tuple[str, str]] = {}
    scenes: dict[int, _Scene] = {}
    others = others or {}
    for frame in frames:
        shown = frame if frame in others else -1
        whole, lens = others.get(frame, (picture, camera))
        look = preset.with_lens(lens).at(frame)
        surfaces, water = _lit(look)
        if not (surfaces or water) or look.unknown or "range" not in whole.planes:
            continue
        for number, section in enumerate(placed(look.light, look.origins).lamps):
            if section.brightness == 0.0:
                continue
            if (number, section, shown) not in judged:
                if shown not in scenes:
                    path, _ = water_around(look, preset.with_lens(lens), lens, None, space)
                    scenes[shown] = _Scene(whole, lens, path, surfaces, water)
                scene = scenes[shown]
                judged[number, section, shown] = (
                    _judged(section, number, scene),
                    _within(section, number, scene, frame),
                )
            vain, inside = judged[number, section, shown]
            told.setdefault(number, []).append(vain)
            within.setdefault(number, []).append(inside)
    found = {number: lines[0] for number, lines in told.items() if all(lines)}
    for number, lines in within.items():
        # Where it is in vain everywhere that is said.
        if number not in found and any(lines):
            found[number] = next(line for line in lines if line)
    return tuple(found[number] for number in sorted(found))


def _within(section: LampSection, number: int, scene: _Scene, frame: int) -> str:
    """Return what is to be told of a lamp that stands within a thing; nothing where it does not."""
    if not scene.surfaces or scene.camera.globe is not None:
        return ""
    (lamp,) = placed_lamps((section,), scene.path, scene.camera)
    things, key = things_seen(scene.whole, scene.camera), f"light.lamps.{section.name or number}"
    behind = _behind(lamp, scene)
    if (
        not 0.0 < behind <= _WITHIN_M
        or things.hides(lamp.position_m, housing_m(lamp.radius_m)) < _MOSTLY_HIDDEN
    ):
        return ""
    return (
        f"{key} stands {behind:.2g} m behind what the camera sees on frame {frame}, or within it, and lights "
        f"little there. Set {key}.position to the lens's side of that"
    )


def _lit(look: Look) -> tuple[bool, bool]:
    """Tell whether steps, those of parts too, light surfaces by lamps, and the water or what floats in it."""
    lit = [
        step.operator.stage is Stage.SUBJECT_LIGHT
        for graph in look.graphs
        for step in graph.steps
        if "light.lamps" in step.operator.uses
    ]
    return any(lit), not all(lit)


def _judged(section: LampSection, number: int, scene: _Scene) -> str:
    """Return what is wrong with a lamp; nothing where it lights what it may."""
    blocks = Blocks.of(scene.whole, max(1, scene.whole.data_window.width // _ACROSS))
    thin, camera = blocks.frame(scene.whole), blocks.camera(scene.camera)
    (lamp,) = placed_lamps((section,), scene.path, camera, thin)
    lamp = lamp.for_a_draft()
    looked = [(thin, camera), *_about_its_aim(lamp, scene)]
    light = [_light(lamp, scene, *each) for each in looked]
    key = f"light.lamps.{section.name or number}"
    most = max((float(each.max()) for each in light if each.size), default=0.0)
    if max(most, _seen_itself(lamp, scene)) < _LEAST:
        return f"{key} lights nothing in view: {_why(lamp, section, key, scene, looked, most)}"
    lit = light[0][light[0] > _FAINT * most]
    middle = float(np.median(lit)) if lit.size else 0.0
    if middle > _MOST:
        return (
            f"half of what {key} lights well in view is more than {middle:.2g} times as bright as white in "
            f"daylight: {key}.brightness = {section.brightness / middle:.2g} would show white"
        )
    behind = _behind(lamp, scene)
    if not (scene.surfaces and scene.water and 0.0 < behind <= _WITHIN_M):
        return ""
    dry = replace(scene, water=False)
    if max(float(_light(lamp, dry, *each).max()) for each in looked) >= _LEAST:
        return ""
    return f"{key} lights no surface in view: {_stands(behind, key)}"


def _stands(behind_m: float, key: str) -> str:
    return (
        f"it stands {behind_m:.2g} m behind what the camera sees there, or within it. "
        f"Set {key}.position to the lens's side of that"
    )


def _why(
    lamp: Lamp,
    section: LampSection,
    key: str,
    scene: _Scene,
    looked: list[tuple[Frame, Camera]],
    most: float,
) -> str:
    """Return why a lamp lights nothing, by what would."""
    open_lamp = replace(lamp, shadow=None)
    if max(float(_light(open_lamp, scene, *each, faced=False).max()) for each in looked) >= _LEAST:
        if behind := _behind(lamp, scene):
            return _stands(behind, key)
        return (
            "all that it shines on faces away from it, or lies in shadow. "
            f"Set {key}.position to the lens's side of that"
        )
    flood = replace(open_lamp, cone_deg=180.0, core=None)
    by_flood = max(float(_light(flood, scene, *each, faced=False).max()) for each in looked)
    if by_flood >= _LEAST:
        width = "cone_angle" if section.beam_angle is None else "beam_angle"
        return f"its beam meets no pixel of that. Aim it by {key}.target, or widen {key}.{width}"
    peak = max(most, by_flood)
    needed = section.brightness * _SHOWN / max(peak, 1e-30)
    if needed <= _BRIGHTEST:
        return (
            f"it is too weak there. {key}.brightness = {needed:.2g} would show {_SHOWN:g} of white at its "
            "brightest"
        )
    farthest = _SEEN_LENGTHS / float(scene.path.beam_rate.min())
    nearest = min(_nearest_m(lamp, *each, farthest) for each in looked)
    return (
        f"it stands {nearest:.3g} m from the nearest of that, and the water between keeps its light. Set "
        f'{key}.position and {key}.target, in metres or with a unit, as "40 cm"'
    )


def _light(lamp: Lamp, scene: _Scene, frame: Frame, camera: Camera, *, faced: bool = True) -> F32:
    """Return how much of a lamp's light comes to the lens, in the brightest band, times white, by pixel.

    Of what is not ``faced`` all surfaces are taken to face the lamp.
    """
    path, direction = scene.path, camera.directions(frame.data_window)
    range_m = np.where(frame.plane("alpha") > 0.0, frame.plane("range"), np.float32(np.inf))
    ends = np.minimum(range_m, np.float32(_FARTHEST_M))
    white = path.white.astype(np.float32)[:, None]
    total = np.zeros((path.bands.count, ends.size), np.float32)
    if scene.surfaces:
        offset = direction * ends
        offset += (camera.position_m - lamp.position_m).astype(np.float32)[:, None, None]
        plane = normals_from_range(direction, range_m) if faced else None
        total += lit_surfaces(lamp, path.bands, offset, plane, plane).reshape(total.shape)
        total *= attenuate(path, path.remap.apply(ends)).reshape(total.shape)
        total *= np.where(np.isfinite(range_m), np.float32(_GREY / math.pi), np.float32(0.0)).ravel()
    if scene.water:
        rays = direction.reshape(3, -1)
        backscatter(lamp, path.bands, camera.position_m, rays, ends.ravel(), towards=True, out=total)
    total /= np.maximum(white, np.float32(1e-20))
    brightest: F32 = total.max(axis=0)
    return brightest


def _about_its_aim(lamp: Lamp, scene: _Scene) -> list[tuple[Frame, Camera]]:
    """Return the part of the picture about where a beam meets what is seen, or first comes into view."""
    window = scene.whole.data_window
    pixels, depth = scene.camera.project(lamp.position_m + _ALONG[:, None] * lamp.axis)
    column, row = np.floor(np.clip(np.nan_to_num(pixels.T, nan=-1e6), -1e6, 1e6)).astype(int)
    inside = (depth > 0.0) & (column >= window.x) & (column < window.x_end)
    inside &= (row >= window.y) & (row < window.y_end)
    if not inside.any():
        return []
    column, row, along = column[inside], row[inside], _ALONG[inside]
    away = np.linalg.norm(lamp.position_m + along[:, None] * lamp.axis - scene.camera.position_m, axis=1)
    met = away >= scene.whole.plane("range")[row - window.y, column - window.x]
    at = int(np.argmax(met)) if met.any() else 0
    left, top = (
        min(max(middle - _SQUARE // 2, first), max(first, end - _SQUARE))
        for middle, first, end in (
            (int(column[at]), window.x, window.x_end),
            (int(row[at]), window.y, window.y_end),
        )
    )
    part = Window(left, top, min(_SQUARE, window.x_end - left), min(_SQUARE, window.y_end - top))
    rows, columns = window.slices_of(part)
    planes = {name: scene.whole.plane(name)[rows, columns] for name in ("range", "alpha")}
    return [(replace(scene.whole, planes=planes, data_window=part), scene.camera)]


def _at_lamp(lamp: Lamp, scene: _Scene) -> tuple[float, float] | None:
    """Return how far a lamp is from the lens, and what is seen in its direction; None outside the picture."""
    window = scene.whole.data_window
    pixels, depth = scene.camera.project(lamp.position_m[None])
    column, row = (float(at) for at in pixels[0])
    if not (depth[0] > 0.0 and window.x <= column < window.x_end and window.y <= row < window.y_end):
        return None
    there = scene.whole.plane("range")[int(row) - window.y, int(column) - window.x]
    return float(np.linalg.norm(lamp.position_m - scene.camera.position_m)), float(there)


def _seen_itself(lamp: Lamp, scene: _Scene) -> float:
    """Return how bright a lamp's own face is in the picture, times white; 0 where it is not seen."""
    seen, at = LampSeen.of(lamp, scene.camera.position_m), _at_lamp(lamp, scene)
    if not scene.water or seen is None or at is None or at[0] > at[1]:
        return 0.0
    return float((seen.face_radiance(scene.path) / scene.path.white).max())


def _behind(lamp: Lamp, scene: _Scene) -> float:
    """Return how far a lamp stands behind what is seen in its direction, metres; 0 where it does not."""
    at = _at_lamp(lamp, scene)
    return 0.0 if at is None else max(0.0, at[0] - at[1])


def _nearest_m(lamp: Lamp, frame: Frame, camera: Camera, farthest_m: float) -> float:
    """Return how far a lamp is from the nearest of view rays up to what they show, metres."""
    direction = camera.directions(frame.data_window).reshape(3, -1)
    ends = np.minimum(frame.plane("range").ravel(), np.float32(farthest_m))
    offset = (lamp.position_m - camera.position_m).astype(np.float32)
    along = np.clip(offset @ direction, np.float32(0.0), ends)
    return float(np.sqrt(np.square(along * direction - offset[:, None]).sum(axis=0)).min())
