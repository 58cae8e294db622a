"""From a preset and a camera to the surroundings of one frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from halocline._typing import F64
from halocline.compute.on_demand import OnDemand
from halocline.errors import PhysicsError, PresetError
from halocline.graph.graph import SOURCE
from halocline.graph.limits import share_before
from halocline.graph.origins import lies_outside, origins_named, placed
from halocline.graph.shot import Shot
from halocline.imaging.camera import Camera
from halocline.imaging.camera_track import CameraTrack, blend
from halocline.imaging.frame import Frame, Window
from halocline.imaging.motion import MotionVectors
from halocline.imaging.sun_depth import SunView, read_sun_depth
from halocline.physics.path.transport import LightPath, refracted_sun
from halocline.physics.sea.surface import direct_sun_share
from halocline.physics.water.bands import Bands
from halocline.presets.lamps import placed_lamps, through_bodies
from halocline.presets.origins import axis_named
from halocline.presets.preset import Look, PartOfPicture, Preset
from halocline.presets.sections import LightSection, PlaceSection
from halocline.presets.story import StoryReport, solved_story, with_story
from halocline.rgb import LINEAR_REC709, RGBSpace, conversion_matrix

if TYPE_CHECKING:
    from halocline.physics.floating.turbid_sight import BodiesBefore
    from halocline.physics.floating.turbid_view import BodiesInLight

turbid_sight = OnDemand("halocline.physics.floating.turbid_sight")

DEFAULT_CAMERA_DEPTH_M = 10.0
# Sea water at 20 C, 35 per mille, 550 nm relative to air (quan1995); the sun's refraction needs no more.
WATER_INDEX = 1.341
# Wet sand, neither pale nor dark (common practice, no source).
BOTTOM_REFLECTANCE = 0.3


def make_shot(
    preset: Preset,
    frame: int,
    track: CameraTrack,
    *,
    space: RGBSpace,
    display_window: Window,
    data_window: Window,
    surfaces: Frame | None = None,
    sun_depth: Path | None = None,
    rig: Camera | None = None,
) -> Shot:
    """Return what operators may know of a frame.

    Parameters
    ----------
    preset
        The look.
    frame
        Frame number.
    track
        The camera at this frame and its neighbours.
    space
        Working space of the render.
    display_window, data_window
        The frame's windows.
    surfaces
        The render, for steps that must know what stands elsewhere in the picture.
    sun_depth
        The frame's own depth picture from the sun, instead of the preset's.
    rig
        The middle of both eyes of a stereo picture, as `rig_of` tells; the camera itself where None.

    Returns
    -------
    Shot
        The frame's surroundings.

    Raises
    ------
    PhysicsError
        Where the story's remap cannot be found.
    FileError, FrameError
        Where the depth picture from the sun cannot be read, or does not state its camera.
    """
    look = preset.at(frame)
    _refuse_unknown_origins(look)
    camera = track.at(frame)
    path, sea_level = water_around(look, preset, camera, rig, space)
    shot = Shot(
        frame=frame,
        fps=look.sequence.frames_per_second,
        track=track,
        path=path,
        sea_level_m=sea_level,
        space=space,
        seed=look.sequence.seed,
        display_window=display_window,
        data_window=data_window,
        shutter_deg=look.sequence.shutter_angle,
        lamps=placed_lamps(placed(look.light, look.origins).lamps, path, camera, surfaces, rig),
        sea=look.sea,
        rig=rig,
        surfaces=surfaces,
        sun_view=_sun_view(look, sun_depth),
        shadows=look.light.shadows,
        subject_shaded=look.light.subject_shaded,
        shadow_softness=look.light.shadow_softness,
        motion=motion_vectors(look),
    )
    return _with_bodies(shot, look)


def _with_bodies(shot: Shot, look: Look) -> Shot:
    """Return a frame's surroundings with what steps put into the water that keeps light from others."""
    alone = replace(shot, bodies=(), hiding={})
    placed = {}
    for step in look.graph.steps:
        bodies = step.operator.stands_in_light(replace(alone, step=step.name))
        if bodies is not None and not step.acting.idle(replace(alone, bodies=(bodies,))):
            placed[step.name] = bodies
    found = [bodies for bodies in placed.values() if bodies.bodies]
    lamps = shot.lamps
    if shot.shadows:
        for bodies in found:
            lamps = tuple(bodies.dimming(lamp) for lamp in lamps)
        if found:
            lamps = through_bodies(lamps, shot.path, shot.camera, shot.data_window)
    return replace(shot, bodies=tuple(found), lamps=lamps, hiding=_hiding(look, shot, placed))


def _hiding(
    look: Look, shot: Shot, placed: Mapping[str, BodiesInLight]
) -> dict[str, tuple[BodiesBefore, ...]]:
    """Return for each step the bodies in the picture that it gets, each where its own step has laid it."""
    if not placed:
        return {}
    before: dict[str, dict[str, BodiesBefore]] = {SOURCE: {}}
    hiding: dict[str, tuple[BodiesBefore, ...]] = {}
    for step in look.graph.steps:
        given = (before[source] for source in step.inputs.values())
        found = {name: each for those in given for name, each in those.items()}
        hiding[step.name], before[step.name] = tuple(found.values()), found
        if step.name not in placed:
            continue
        share = None if step.limits.everywhere else share_before(step.limits, shot)
        if step.limits.everywhere or share is not None:
            own = turbid_sight.BodiesBefore(placed[step.name], share)
            before[step.name] = {**found, step.name: own}
    return hiding


def motion_vectors(look: Look) -> MotionVectors | None:
    """Return how motion vectors are to be read, where a look says so.

    Parameters
    ----------
    look
        The settings of a frame.

    Returns
    -------
    MotionVectors | None
        As ``[input.motion]`` has it.
    """
    stated = look.input.motion
    return None if stated is None else MotionVectors(**stated.model_dump())


def shot_of_part(part: PartOfPicture, whole: Shot) -> Shot:
    """Return a frame's surroundings as a part of the picture has them, under its own look.

    Parameters
    ----------
    part
        The part on that frame.
    whole
        The surroundings of the whole picture.

    Returns
    -------
    Shot
        The same frame, render and cameras in the part's water and light.

    Raises
    ------
    PhysicsError
        Where the story's remap cannot be found.
    """
    look, camera = part.look, whole.camera
    _refuse_unknown_origins(look)
    path, sea_level = water_around(look, part.preset, camera, whole.rig, whole.space)
    shot = replace(
        whole,
        path=path,
        sea_level_m=sea_level,
        lamps=placed_lamps(placed(look.light, look.origins).lamps, path, camera, whole.surfaces, whole.rig),
        sea=look.sea,
        shadows=look.light.shadows,
        subject_shaded=look.light.subject_shaded,
        shadow_softness=look.light.shadow_softness,
    )
    return _with_bodies(shot, look)


def _refuse_unknown_origins(look: Look) -> None:
    if look.unknown:
        name = look.unknown[0]
        raise PresetError(
            f'where the origin "{name}" is has to be found on a frame of the sequence, and was not',
            code="E-ORIGIN-UNKNOWN",
            where=f"origins.{name}",
            key=("origins", name),
            fix="Give the sequence or a frame's file instead of arrays alone, or state "
            f'origins.{name}.position, in metres (origins.{name}.unit = "metres"; a number for '
            f'origins.{name}.floor where it is "found").',
        )


def outside_view(look: Look, shot: Shot) -> tuple[str, ...]:
    """Return what a person should know of a look's origins on a frame: those that the camera does not see.

    Parameters
    ----------
    look, shot
        The look on the frame, and its surroundings.

    Returns
    -------
    tuple[str, ...]
        A sentence for each.
    """
    named = {name for model in (look.light, *look.stated.values()) for name in origins_named(model)}
    # Of two eyes, the middle sees what hangs on it.
    cameras = (shot.camera,) if shot.rig is None else (shot.camera, shot.rig)
    return tuple(
        f'the origin "{name}" lies outside the view: what is given from it (origins.{name}) may not be seen'
        for name in sorted(named & look.origins.keys())
        if all(lies_outside(look.origins[name], camera, shot.display_window) for camera in cameras)
    )


def rig_of(tracks: Mapping[str, CameraTrack], look: Look, frame: float) -> Camera | None:
    """Return the camera in the middle between two eyes: what is fixed to the rig is there for both.

    Parameters
    ----------
    tracks
        Cameras of the picture by view.
    look
        The look, of which ``[views]`` says which eye a picture of one view is.
    frame
        Frame number.

    Returns
    -------
    Camera | None
        Its lens is that of one of them. None where there are no two eyes, or nothing is known of the other.
    """
    cameras = [track.at(frame) for track in tracks.values()]
    if len(cameras) == 2:
        return None if cameras[0].stands_as(cameras[1]) else blend(cameras[0], cameras[1], 0.5)
    views = look.views
    if len(cameras) != 1 or views.interaxial is None or views.eye is None:
        return None
    shifts = views.shifts()
    aside = 0.5 * sum(shifts.values()) - shifts[views.eye]
    return replace(cameras[0], position_m=cameras[0].position_m + aside * cameras[0].rotation[:, 0])


def water_around(
    look: Look, preset: Preset, camera: Camera, rig: Camera | None, space: RGBSpace
) -> tuple[LightPath, float]:
    """Return the water and light around a camera, with the story's remap, and the height of the surface.

    Parameters
    ----------
    look, preset
        The settings of a frame, and what they are of.
    camera, rig
        The lens, and the middle of both eyes of a stereo picture, if it is one.
    space
        The working space.

    Returns
    -------
    path, sea_level_m
        The light, and how high the surface is along up, world metres.

    Raises
    ------
    PhysicsError
        Where the story's remap cannot be found.
    """
    up = axis_named(look.place.up)
    sea_level, depth = surface(look.place, float((camera if rig is None else rig).position_m @ up))
    # Both eyes of a stereo picture have one remap.
    there, axis = look.story.depth, (camera if rig is None else rig).axis
    there = depth if there is None else there
    if rig is not None:
        # The one surface above both eyes, of which one may be deeper.
        depth += float((rig.position_m - camera.position_m) @ up)
    path = light_path(look, in_space(preset.bands, space), space, depth)
    # Light that is white at the lens is white at that depth, as a report of it has it.
    white_m = there if look.light.reference_depth is None else path.reference_depth_m
    within = replace(path, camera_depth_m=there, reference_depth_m=white_m)
    scattered = scatters_forward(look)
    return with_story(path, look.story, within=within, axis=axis, scattered=scattered), sea_level


def _sun_view(look: Look, own: Path | None) -> SunView | None:
    """Return what the sun sees, where somebody has rendered it and shadows are wanted."""
    stated = look.input.sun_depth
    path = stated.place if own is None and stated is not None else own
    if path is None or not look.light.shadows:
        return None
    unit = look.input.scene_unit
    return read_sun_depth(path, scene_unit_m=unit, depth_unit_m=look.input.depth_unit or unit)


def light_path(look: Look, bands: Bands, space: RGBSpace, camera_depth_m: float) -> LightPath:
    """Return the water and light of a look around a lens at a depth, without the story's remap.

    Parameters
    ----------
    look
        The settings of a frame.
    bands
        Bands in the working space.
    space
        The working space.
    camera_depth_m
        Depth of the lens, metres.

    Returns
    -------
    LightPath
        The water and its light.

    Raises
    ------
    PhysicsError
        ``E-PLACE-BOTTOM`` where the lens lies below the bottom.
    """
    light, story, bounced = look.light, look.story, look.place.bottom_reflectance
    reference, bottom = light.reference_depth, look.place.bottom_depth
    if bottom is not None and camera_depth_m >= bottom:
        raise PhysicsError(
            f"the lens, {camera_depth_m:g} m deep, lies below the bottom at {bottom:g} m",
            code="E-PLACE-BOTTOM",
            where="place.bottom_depth",
            fix="State the depth of the deepest ground in the shot, or the lens's own: place.camera_depth, "
            "place.sea_level.",
        )
    return LightPath(
        bands=bands,
        camera_depth_m=camera_depth_m,
        reference_depth_m=camera_depth_m if reference is None else reference,
        up=axis_named(look.place.up),
        sun_travel=_sun(light, look.place),
        space=space,
        surface_sun_share=direct_sun_share(light.sun_elevation) * (1.0 - light.overcast),
        veil_brightness=light.veil_brightness,
        veil_tint=_tint(light, bands, space),
        attenuation_scale=story.attenuation_scale,
        veil_scale=story.veil_scale,
        downwelling_scale=story.downwelling_scale,
        daylight_level=light.daylight,
        bottom_m=look.place.bottom_depth,
        bottom_reflectance=BOTTOM_REFLECTANCE if bounced is None else bounced,
    )


def story_report(
    preset: Preset, frame: int, space: RGBSpace, *, track: CameraTrack | None = None
) -> StoryReport:
    """Return what the story asks of the water on a frame, reckoned as `make_shot` does.

    Where the preset states the sea level, only the camera tells the lens's depth: without one it is taken as
    `DEFAULT_CAMERA_DEPTH_M`, and the view as level with the sun abeam.

    Parameters
    ----------
    preset
        The look.
    frame
        Frame number.
    space
        The working space.
    track
        The camera, where there is one.

    Returns
    -------
    StoryReport
        Ranges and contrasts, asked for and reached.
    """
    look, path = _story_water(preset, frame, space, track)
    axis = None if track is None else track.at(frame).axis
    return solved_story(path, look.story, axis=axis, scattered=scatters_forward(look))


def story_path(preset: Preset, frame: int, space: RGBSpace, *, track: CameraTrack | None = None) -> LightPath:
    """Return the water at the story's depth with its remap, for reports and plots.

    Parameters
    ----------
    preset
        The look.
    frame
        Frame number.
    space
        The working space.
    track
        The camera, where there is one; without, as in `story_report`.

    Returns
    -------
    LightPath
        The water and its light, ranges remapped.
    """
    look, path = _story_water(preset, frame, space, track)
    axis = None if track is None else track.at(frame).axis
    return with_story(path, look.story, axis=axis, scattered=scatters_forward(look))


def _story_water(
    preset: Preset, frame: int, space: RGBSpace, track: CameraTrack | None
) -> tuple[Look, LightPath]:
    """Return the settings of a frame, and its water at the story's depth before the story changes it."""
    look = preset.at(frame)
    return look, light_path(look, in_space(preset.bands, space), space, _story_depth(look, frame, track))


def scatters_forward(look: Look) -> bool:
    """Tell whether a look scatters light forward: how much contrast large things keep depends on it.

    Parameters
    ----------
    look
        The settings of a frame.

    Returns
    -------
    bool
        Whether one of its steps does.
    """
    return any(step.operator.layer == "scatter" for step in look.graph.steps)


def surface(place: PlaceSection, camera_height_m: float) -> tuple[float, float]:
    """Return the height of the sea surface and the depth of the lens, metres, from what the preset states."""
    if place.sea_level is not None:
        return place.sea_level, place.sea_level - camera_height_m
    depth = DEFAULT_CAMERA_DEPTH_M if place.camera_depth is None else place.camera_depth
    return camera_height_m + depth, depth


@lru_cache(maxsize=16)
def in_space(bands: Bands, space: RGBSpace) -> Bands:
    """Return bands for a working space.

    Parameters
    ----------
    bands
        Bands of the water in any space.
    space
        The working space.

    Returns
    -------
    Bands
        The same bands, with the matrices of that space.
    """
    return bands.in_space(space)


def _story_depth(look: Look, frame: int, track: CameraTrack | None) -> float:
    if look.story.depth is not None:
        return look.story.depth
    if look.place.sea_level is not None and track is not None:
        height = float(track.at(frame).position_m @ axis_named(look.place.up))
        return surface(look.place, height)[1]
    return DEFAULT_CAMERA_DEPTH_M if look.place.camera_depth is None else look.place.camera_depth


def level_axes(place: PlaceSection) -> F64:
    """Return right, up and back of a level camera that looks ahead, as columns.

    Parameters
    ----------
    place
        The preset's ``[place]``.

    Returns
    -------
    F64
        ``(3, 3)``, world.
    """
    up, ahead = axis_named(place.up), axis_named(place.ahead)
    return np.stack([np.cross(ahead, up), up, -ahead], axis=1)


def _sun(light: LightSection, place: PlaceSection) -> F64:
    return refracted_sun(
        light.sun_elevation, light.sun_azimuth, axis_named(place.up), axis_named(place.ahead), WATER_INDEX
    )


def _tint(light: LightSection, bands: Bands, space: RGBSpace) -> F64 | None:
    """Return the veil's tint in bands: what the lifted tint is of the lifted white."""
    if light.veil_tint == (1.0, 1.0, 1.0):
        return None
    stated = conversion_matrix(LINEAR_REC709, space) @ np.array(light.veil_tint)
    tint: F64 = np.maximum(0.0, (bands.up @ stated) / bands.up.sum(axis=1))
    return tint
