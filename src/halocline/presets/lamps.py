"""Lamps of a preset, placed in the world of one frame."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from halocline._typing import F64
from halocline.imaging.camera import Camera
from halocline.imaging.frame import Frame, Window
from halocline.imaging.panorama import Panorama
from halocline.physics.path.beam import GAUSSIAN_FIELD, Core
from halocline.physics.path.dimmed_haze import DimmedHaze, SightAngles
from halocline.physics.path.lamp_shadow import ThingsSeen
from halocline.physics.path.lamps import Lamp, relative_power
from halocline.physics.path.transport import LightPath
from halocline.physics.water.bands import band_value
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.presets.sections import LampSection

# View rays across a picture that tell where it looks.
_SOME_RAYS = 33


def placed_lamps(
    sections: tuple[LampSection, ...],
    path: LightPath,
    camera: Camera,
    surfaces: Frame | None = None,
    rig: Camera | None = None,
) -> tuple[Lamp, ...]:
    """Return the lamps in world space, those on the camera where the camera is, or the rig of two eyes.

    Parameters
    ----------
    sections
        Lamps as a look has them, those from an origin placed.
    path
        The water and its light.
    camera
        The lens.
    surfaces
        The picture; where it is given, lamps that are to throw shadows do.
    rig
        The middle of both eyes of a stereo picture, as `halocline.presets.build.rig_of` tells.

    Returns
    -------
    tuple[Lamp, ...]
        In their order, without those that are off.
    """
    # All around the lens there is no plane picture to cut.
    flat = not isinstance(camera, Panorama)
    things = things_seen(surfaces, camera) if surfaces is not None and flat else None
    found = []
    for number, section in enumerate(sections, start=1):
        if section.brightness > 0.0:
            lamp = _placed(section, path, camera if rig is None else rig, f"light.lamps {number}")
            if things is not None and section.shadows:
                lamp = lamp.shadowed(things, path.bands, softness=section.shadow_softness)
            found.append(lamp)
    return tuple(found)


def through_bodies(
    lamps: tuple[Lamp, ...], path: LightPath, camera: Camera, window: Window
) -> tuple[Lamp, ...]:
    """Return lamps that bodies dim with what those take from the haze before a camera.

    Parameters
    ----------
    lamps
        Dimmed on their way to any place.
    path
        The water.
    camera, window
        The picture.

    Returns
    -------
    tuple[Lamp, ...]
        The same, dimmed in the water too: what is taken there is summed when it is first asked for.
    """
    columns, rows = (
        np.linspace(first, end, _SOME_RAYS)
        for first, end in ((window.x, window.x_end), (window.y, window.y_end))
    )
    around = camera.globe is not None
    sight = SightAngles.of(camera.rotation, camera.rays(columns, rows), around=around)
    return tuple(
        replace(lamp, dim_haze=DimmedHaze(lamp, path.bands, camera.position_m, sight)) for lamp in lamps
    )


def things_seen(surfaces: Frame, camera: Camera) -> ThingsSeen:
    """Return what a flat picture shows, as lamps' shadows look at it.

    Parameters
    ----------
    surfaces, camera
        The picture and its lens.

    Returns
    -------
    ThingsSeen
        Its range and coverage.
    """
    planes, window = surfaces.planes, surfaces.data_window
    centre = camera.centre_px[0] - window.x, camera.centre_px[1] - window.y
    return ThingsSeen(
        surfaces.plane("range"),
        surfaces.plane("alpha"),
        planes.get("far_range"),
        planes.get("far_share"),
        camera.rotation,
        camera.position_m,
        camera.tangent_per_px,
        centre,
    )


def _placed(section: LampSection, path: LightPath, camera: Camera, where: str) -> Lamp:
    position, target = np.array(section.position), np.array(section.target)
    if section.space == "camera":
        position, target = _from_camera(position, camera), _from_camera(target, camera)
    aim = target - position
    return Lamp(
        position_m=position,
        axis=aim / np.linalg.norm(aim),
        intensity=math.pi * _white_under(section, path) * section.brightness,
        cone_deg=0.5 * section.cone_angle,
        edge_deg=section.edge_angle,
        radius_m=section.radius,
        name=section.name or where,
        core=_core(section),
        rides=section.space == "camera",
    )


def _core(section: LampSection) -> Core | None:
    if section.beam_angle is None:
        return None
    field = section.field_angle or min(360.0, GAUSSIAN_FIELD * section.beam_angle)
    return Core(section.beam_angle, field, section.spill)


def _from_camera(point: F64, camera: Camera) -> F64:
    """Return the world position of a point right of, above and ahead of the lens, metres."""
    right, above, ahead = camera.rotation.T * np.array([[1.0], [1.0], [-1.0]])
    placed: F64 = camera.position_m + point[0] * right + point[1] * above + point[2] * ahead
    return placed


def _white_under(section: LampSection, path: LightPath) -> F64:
    """Return a white thing's light under the lamp, ``(K,)``: as luminous as in daylight, but for a tint."""
    tinted = path.lifted(section.tint)
    if section.temperature is None:
        return tinted
    power = band_value(path.bands, WAVELENGTH_NM, relative_power(section.temperature))
    luminance = float(path.luminance @ path.bands.down @ (path.white * power))
    return tinted * power / luminance
