"""What suspended matter and bubbles share: the lens of a shot, and laying drawn things over a tile."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Annotated, cast

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F32, F64
from halocline.compute.on_demand import OnDemand
from halocline.filters.lens_blur import ThinLens
from halocline.filters.splat import Area, Discs, Drawing, Sprites, Surface
from halocline.graph.operator import Planes, Tile
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.view_rays import ray_spacing, spaced_rays
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.particles_as_seen import Seen
from halocline.physics.path.loops import shares_left_open
from halocline.quantities import Angle, Distance, Factor, Share, Strict

turbid_sight = OnDemand("halocline.physics.floating.turbid_sight")

# View rays across the picture that tell how wide it is.
_RAYS = 8
# Over this share of a lamp's range a thing passes from before it to behind it, and no range is more, metres.
_AS_FAR, _FARTHEST_M = np.float32(0.1), np.float32(1e6)


def refuse_disorder(name: str, frames: Sequence[float]) -> None:
    """Refuse keys that are not in the order of frames, each frame once; for the models of presets.

    Parameters
    ----------
    name
        What the keys are of, for the message.
    frames
        Their frames, as given.

    Raises
    ------
    ValueError
        Where a frame is not after the one before it.
    """
    if any(first >= second for first, second in pairwise(frames)):
        raise ValueError(f"the keys of {name} are not in the order of frames, each frame once")


class LensParameters(Strict):
    """Focus and iris. Focal length and film come from the camera.

    Attributes
    ----------
    f_number
        Focal length over diameter of the opening; 1000 is sharp throughout.
    focus
        Distance of the sharp plane, metres.
    blades
        Sides of the iris: 0 is round, else 3 and more.
    blade_angle
        Turn of the iris, degrees.
    cats_eye
        How much the barrel clips blur discs in the corner of the picture, 0 to 1.
    """

    f_number: Factor = 5.6
    focus: Distance = 3.0
    blades: Annotated[int, Field(ge=0, le=24)] = 0
    blade_angle: Angle = 0.0
    cats_eye: Share = 0.0

    @model_validator(mode="after")
    def _an_iris(self) -> LensParameters:
        if self.blades in (1, 2):
            raise ValueError(f"an iris has 0 (round) or 3 blades and more, not {self.blades}")
        return self

    def lens(self, shot: Shot) -> ThinLens:
        """Return the lens of a shot's camera."""
        camera = shot.camera
        focal_m = 1e-3 * camera.focal_length_mm
        across, down = camera.tangent_per_px
        window = shot.display_window
        return ThinLens(
            focal_length_m=focal_m,
            f_number=self.f_number,
            focus_m=max(self.focus, 2.0 * focal_m),
            px_per_m=1.0 / (math.sqrt(across * down) * focal_m),
            blades=self.blades,
            blade_angle_rad=math.radians(self.blade_angle),
            cats_eye=self.cats_eye,
            corner_px=0.5 * math.hypot(window.width, window.height),
        )


def exposure_of(lens: LensParameters, shot: Shot) -> Exposure:
    """Return the shutter's opening of a shot.

    Parameters
    ----------
    lens
        Parameters of focus and shutter of a step.
    shot
        The frame.

    Returns
    -------
    Exposure
        Camera and time at the beginning, middle and end.
    """
    opened, closed = shot.shutter()
    window = shot.data_window
    return Exposure(
        opened=shot.track.at(opened),
        middle=shot.camera,
        closed=shot.track.at(closed),
        times_s=(opened / shot.fps, shot.time_s, closed / shot.fps),
        lens=lens.lens(shot),
        area=Area(window.y, window.y_end, window.x, window.x_end),
    )


def unhidden_by_bodies(shot: Shot) -> Callable[[F64], F64] | None:
    """Return what turbid bodies in the picture that a step gets leave of things that it draws beyond them.

    Parameters
    ----------
    shot
        The frame's surroundings, of the step that is being prepared.

    Returns
    -------
    Callable[[F64], F64] | None
        Of things at world points ``(n, 3)``, ``(n,)``, 0 to 1; None where there are no bodies.
    """
    hiding = shot.hiding.get(shot.step, ())
    if not hiding:
        return None
    camera = shot.camera
    ahead = -camera.rotation[:, 2]
    rays = spaced_rays(camera, np.eye(3), shot.data_window, ray_spacing(camera, shot.display_window, _RAYS))
    widest = math.acos(min(1.0, max(-1.0, float(np.einsum("i,irc->rc", ahead, rays).min()))))
    left = turbid_sight.SeenThrough(hiding, camera.position_m, ahead, widest).left
    return cast(Callable[[F64], F64], left)


def drawing_of(parts: Sequence[Seen], exposure: Exposure, bands: int) -> Drawing:
    """Return all things of a frame, ready to be drawn.

    Parameters
    ----------
    parts
        Groups of things as the lens sees them.
    exposure
        The lens while the shutter is open.
    bands
        Number of bands of their light.

    Returns
    -------
    Drawing
        All of them, over the exposure's area.
    """
    discs = [disc for part in parts for disc in part.discs]
    sprites = [sprite for part in parts for sprite in part.sprites]
    everything = Discs.joined(discs) if discs else Discs.none(bands)
    cards = Sprites.joined(sprites) if sprites else None
    return Drawing(exposure.area, everything, cards, exposure.middle.globe)


def surface_of(planes: Planes) -> Surface:
    """Return what may hide things on a tile.

    Where an earlier step has filled the open water, ``coverage`` still tells what the render covered.

    Parameters
    ----------
    planes
        Planes of a tile, with at least ``range`` and ``alpha``.

    Returns
    -------
    Surface
        Range and coverage of the nearer surface and, where known, of the farther.
    """
    # Filtered coverage may overshoot a little.
    covered = np.clip(planes.get("coverage", planes["alpha"]), np.float32(0.0), np.float32(1.0))
    return Surface(
        planes["range"],
        covered,
        planes.get("far_range"),
        planes.get("far_share"),
    )


def thrown_in(planes: Planes, tile: Tile, own: str) -> tuple[F32, F32]:
    """Return the light that water threw in, to lay the same things over it as over the picture.

    A step after these can then tell it from the subject's own light: divided by what a long way leaves, what
    is not the subject's would be a sun.

    Parameters
    ----------
    planes, tile
        What a step is handed that asks for all such light (`halocline.graph.operator.PlaneUse.added`).
    own
        Name of the plane in which it tells what it adds; a step of its kind before it may have written it.

    Returns
    -------
    tuple[F32, F32]
        All of it, with an empty coverage, ``(K + 1, rows, columns)``; and what of it is in other planes,
        ``(K, rows, columns)``.
    """
    bands = planes["bands"]
    others = np.zeros_like(bands)
    for name in tile.added:
        if name in planes and name != own:
            others += planes[name]
    whole = np.zeros((len(bands) + 1, *bands.shape[1:]), np.float32)
    whole[:-1] = others
    if own in tile.added and own in planes:
        whole[:-1] += planes[own]
    return whole, others


@dataclass(frozen=True)
class SeenLamps:
    """Lamps that are seen in a picture, faces and glow, in part of its light.

    Attributes
    ----------
    light
        ``(K, rows, columns)``.
    range_m
        Their mean range, ``(rows, columns)``; inf where none is seen.
    """

    light: F32
    range_m: F32

    @classmethod
    def of(cls, planes: Planes) -> SeenLamps | None:
        """Return those of a tile's planes, if there are any."""
        if "lamp_seen" not in planes or "lamp_range" not in planes:
            return None
        return cls(planes["lamp_seen"], planes["lamp_range"])

    def behind(self, range_m: F32) -> F32:
        """Return how far the lamps lie behind things at ranges ``(rows, columns)``: 0 before, 1 behind."""
        ratio = np.minimum(range_m, _FARTHEST_M) / np.minimum(self.range_m, _FARTHEST_M)
        step = np.clip(
            (np.float32(1.0) - ratio) / _AS_FAR + np.float32(0.5), np.float32(0.0), np.float32(1.0)
        )
        return np.asarray(step * step * (np.float32(3.0) - np.float32(2.0) * step), np.float32)


def laid_over(
    drawing: Drawing,
    name: str,
    tile: Tile,
    surface: Surface,
    pictures: Sequence[F32],
    lamps: SeenLamps | None,
) -> Planes:
    """Return light and coverage with things laid over, and the things by themselves where anybody wants them.

    The layer is premultiplied: light ``NAMEs``, ``NAME_alpha`` and mean range ``NAME_range`` (inf where
    nothing is).

    Parameters
    ----------
    drawing, name
        The things, and what one of them is called.
    tile
        Where the planes lie.
    surface
        What may hide things.
    pictures
        Light and coverage, ``(K + 1, rows, columns)`` each; they are changed. The first is the picture; what
        water threw into it may follow, see `thrown_in`.
    lamps
        Lamps that are seen in the pictures, if there are any: what lies beyond them hides nothing of theirs.

    Returns
    -------
    Planes
        ``bands`` and ``alpha``, and the three planes of the layer where the tile wants any of them. Where
        there are lamps, ``lamp_seen``, what things leave of them.
    """
    region = tile.region
    for picture in pictures:
        drawing.lay_over(region.y, surface, picture)
    laid = {"bands": pictures[0][:-1], "alpha": pictures[0][-1]}
    names = f"{name}s", f"{name}_alpha", f"{name}_range"
    wanted = any(tile.wants(plane) for plane in names)
    if lamps is None and not wanted:
        return laid
    layer = drawing.draw((region.y, region.y_end), surface)
    distance = np.full_like(layer.range_m, np.inf)
    np.divide(layer.range_m, layer.alpha, out=distance, where=layer.alpha > 0)
    if lamps is not None:
        beyond = lamps.light * (layer.alpha * (np.float32(1.0) - lamps.behind(distance)))
        for picture in pictures:
            picture[:-1] += beyond
        laid["lamp_seen"] = lamps.light - lamps.light * layer.alpha + beyond
    if not wanted:
        return laid
    return laid | dict(zip(names, (layer.light, layer.alpha, distance), strict=True))


def shown_behind(planes: Planes) -> list[tuple[F32, F32]]:
    """Return what else mixed pixels show, where there are any: the farther surface, then open water.

    Parameters
    ----------
    planes
        Planes of a tile.

    Returns
    -------
    list[tuple[F32, F32]]
        Share and range of each, ``(rows, columns)``.
    """
    found = []
    if "far_share" in planes:
        found.append((planes["far_share"], planes["far_range"]))
    if "coverage" in planes:
        covered = planes["coverage"]
        uncovered = np.empty(covered.shape, np.float32)
        if shares_left_open(np.ascontiguousarray(covered).reshape(-1), uncovered.reshape(-1)):
            found.append((uncovered, np.full_like(covered, np.inf)))
    return found
