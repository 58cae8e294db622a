"""Suspended matter: marine snow, silt and specks that drift through the water and give it volume.

Each particle stands at a place of its own in the world: it passes behind things, streaks and blurs as the
camera moves, and is lit by daylight and lamps. Those too small or too far to be told apart are a haze.

Place it after ``veiling_light``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from halocline._typing import F32, F64
from halocline.compute.places import places_of
from halocline.compute.threads import in_parallel
from halocline.files.named_by_presets import Picture
from halocline.filters.splat import Area, Drawing
from halocline.graph.operator import Drawn, Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.sea import Sea
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.drawn_things import (
    LensParameters,
    SeenLamps,
    drawing_of,
    exposure_of,
    laid_over,
    refuse_disorder,
    shown_behind,
    surface_of,
    thrown_in,
    unhidden_by_bodies,
)
from halocline.operators.shared.lamp_light import lamp_haze
from halocline.operators.shared.sprite_images import cards_from
from halocline.operators.shared.surface_light import LevelAxes, channel_weights, light_field
from halocline.operators.shared.wake_parameters import BodyWake, off_their_frames
from halocline.operators.shared.water_shade import RegionShade, WaterShade, scene_shade, water_shade
from halocline.physics.floating.field import patchiness
from halocline.physics.floating.flow import Current, WorldDrift, turbulence
from halocline.physics.floating.haze import Haze, flat_planes, haze_of
from halocline.physics.floating.haze_clouds import HazeClouds, haze_clouds
from halocline.physics.floating.haze_loops import lay_haze
from halocline.physics.floating.lamp_haze import matter_lit_by_lamps
from halocline.physics.floating.particles import (
    DrawLimits,
    PowerLaw,
    aggregate_sinking_speed,
    grain_settling_speed,
)
from halocline.physics.floating.particles_as_seen import Scene, Seen, card_side, seen
from halocline.physics.floating.shapes import ShapeKind, shapes
from halocline.physics.floating.suspended import Motion, ParticleClass, affordable, slice_diameters, visible
from halocline.physics.path.scatterers import Scatterers
from halocline.quantities import (
    Angle,
    Colour,
    Distance,
    Factor,
    Period,
    Position,
    Ratio,
    Share,
    Strict,
)

Vector = tuple[Position, Position, Position]
# Rows and columns of some pixels, ``(n,)`` each.
Where = tuple[NDArray[np.intp], NDArray[np.intp]]
# What near ones of each kind look like; others are pictures of their own, or haze.
_SHAPE_OF: Mapping[str, ShapeKind] = {
    "aggregate": "flake",
    "grain": "grain",
    "thread": "thread",
    "plankton": "plankton",
}
# Contrast of a particle is gone after this many attenuation lengths: exp(-5) is 0.7 %.
_SIGHT_LENGTHS = 5.0
# Of a draft, particles that are smaller than this many pixels count as haze.
_DRAFT_PX = 0.25
# Stands for a part of the light that is not there.
_NONE: F32 = np.empty((0, 0), np.float32)


class MatterClass(Strict):
    """One kind of suspended matter.

    Attributes
    ----------
    name
        Its name; keys its random numbers.
    kind
        ``aggregate``: marine snow, flakes of lumps and fibres, soft. ``grain``: compact specks, near ones
        with facets. ``thread``: fibres. ``plankton``: small animals and chains of cells. ``picture``: drawn
        with the images in ``images``. ``haze``: too fine to be told apart, all haze.
    per_litre
        Number between the two diameters in a litre of water.
    smallest, largest
        Diameters, metres: of discs that cover as much. A fibre is about five times as long.
    exponent
        m of the size distribution dN/dD ~ D^-m; the sea has 3 to 5.
    sinking
        ``aggregate`` or ``grain``: by diameter, from published laws; or a speed in m/s, negative to rise.
    grain_density
        kg/m3, for ``sinking = "grain"``; quartz unless given.
    opacity
        Of its middle, 0 to 1.
    albedo
        Share of the light that it scatters, per channel of linear Rec.709: its colour.
    asymmetry
        Mean cosine of that scattering, above -1 and below 1: above 0 brighter towards the light.
    clumping
        Standard deviation of the density over its mean, 0 (even) to 2.
    clump_scale
        From clump to clump, metres.
    brightness_spread
        How much particles differ in brightness, 0 to 1.
    glints
        Share of its light that it sends in glints, as flat things do that tumble: 0 (steady) to 1. Near ones
        sparkle; far ones, too many in a pixel to be told apart, do not.
    tumbling
        Mean turns a second.
    images
        Files with alpha, for ``kind = "picture"``: each particle takes one of them.
    """

    name: str
    kind: Literal["aggregate", "grain", "thread", "plankton", "picture", "haze"] = "grain"
    per_litre: Ratio = 1.0
    smallest: Distance = 0.2e-3
    largest: Distance = 2e-3
    exponent: Annotated[float, Field(gt=1.0, le=8.0)] = 4.0
    sinking: Literal["aggregate", "grain"] | float = 0.0
    grain_density: Factor = 2650.0
    opacity: Share = 0.8
    albedo: Colour = (0.9, 0.9, 0.9)
    asymmetry: Annotated[float, Field(gt=-1.0, lt=1.0)] = 0.5
    clumping: Annotated[float, Field(ge=0.0, le=2.0)] = 0.4
    clump_scale: Distance = 0.8
    brightness_spread: Share = 0.4
    glints: Share = 0.0
    tumbling: Ratio = 0.02
    images: tuple[Picture, ...] = ()

    @model_validator(mode="after")
    def _possible(self) -> MatterClass:
        if not self.smallest < self.largest:
            raise ValueError(f"smallest {self.smallest:g} m is not below largest {self.largest:g} m")
        if (self.kind == "picture") != bool(self.images):
            raise ValueError('images go with kind = "picture", and it needs at least one')
        return self


class DriftKey(Strict):
    """One key of the drift of the whole environment.

    Attributes
    ----------
    frame
        When.
    translation
        Where the environment has been moved to, metres, world axes.
    rotation
        How it has been turned about the world's origin: degrees about x, y and z, as one rotation vector.
    """

    frame: float
    translation: Vector = (0.0, 0.0, 0.0)
    rotation: tuple[Angle, Angle, Angle] = (0.0, 0.0, 0.0)


class SuspendedMatterParameters(Strict):
    """Parameters of suspended matter.

    Attributes
    ----------
    classes
        Kinds of matter: one table ``[[steps.NAME.classes]]`` each.
    lens
        Focus and iris, as far as particles are concerned.
    density
        Multiplies all numbers per litre; 0 is clear. From 0 to 1 it may be animated: particles then fade in
        and out where they are. Above 1 they would appear at once.
    brightness
        Art: multiplies the particles' light; 1 is physical.
    haze
        Art: multiplies the haze of what is not drawn one by one; 1 is physical.
    lamp_haze
        Strength of the lamps' haze in front of particles; that of the step ``lamp_backscatter``.
    farthest
        Nothing is drawn one by one beyond this, metres; nor beyond five attenuation lengths.
    nearest
        Nothing is drawn nearer than this, metres: the housing's window.
    smallest_angle
        Particles that look smaller than this are haze, degrees; 0.017 is 1 mm at 3.4 m.
    most_particles
        Where more would be in view, ``smallest_angle`` is raised.
    current
        Steady drift of the water, m/s, world axes. Give it one value for a shot: it is multiplied by time.
    surge, surge_period
        Swell: amplitude of its to and fro, metres, world axes, and period, seconds.
    turbulence, turbulence_scale
        Root mean square speed of eddies, m/s, and size of the largest, metres.
    wakes
        Bodies that stir the water.
    drift
        Keys that move and turn the whole environment, so that a subject reads as faster.
    caustics
        Whether the sea's caustics play on the particles; even light where not.
    surface
        Another sea than the preset's ``[sea]``, for this step alone: a whole one, with the same keys.
    """

    classes: tuple[MatterClass, ...] = (
        MatterClass(
            name="marine snow",
            kind="aggregate",
            per_litre=3.0,
            smallest=0.5e-3,
            largest=8e-3,
            sinking="aggregate",
        ),
    )
    lens: LensParameters = LensParameters()
    density: Ratio = 1.0
    brightness: Ratio = 1.0
    haze: Ratio = 1.0
    lamp_haze: Ratio = 1.0
    farthest: Distance = 25.0
    nearest: Distance = 0.12
    smallest_angle: Annotated[Angle, Field(gt=0.0, le=1.0)] = 0.017
    most_particles: Annotated[int, Field(ge=1, le=2_000_000)] = 60_000
    current: Vector = (0.0, 0.0, 0.0)
    surge: Vector = (0.0, 0.0, 0.0)
    surge_period: Period = 8.0
    turbulence: Ratio = 0.02
    turbulence_scale: Distance = 1.2
    wakes: tuple[BodyWake, ...] = ()
    drift: tuple[DriftKey, ...] = ()
    caustics: bool = False
    surface: Sea | None = None

    @model_validator(mode="after")
    def _named_apart(self) -> SuspendedMatterParameters:
        names = [kind.name for kind in self.classes]
        if len(set(names)) < len(names):
            raise ValueError("two classes have the same name; each needs one of its own")
        refuse_disorder("drift", [key.frame for key in self.drift])
        return self


@dataclass(frozen=True)
class _Prepared:
    """One frame's particles, its haze by day and by lamps, and what things leave of the day."""

    drawing: Drawing
    haze: Haze | None
    clouds: HazeClouds | None
    lit_by_lamps: Scatterers | None
    shade: WaterShade | None


class SuspendedMatter(Operator[SuspendedMatterParameters, _Prepared]):
    """Lays particles over the picture and adds the haze of those too small to see."""

    Parameters = SuspendedMatterParameters
    nothing_at: ClassVar = {"density": 0.0}
    stage = Stage.FLOATING
    draws = Drawn("particle_alpha", "particle_range")
    layer = "particles"
    _drawing = True
    uses = frozenset(
        {
            "light.lamps",
            "light.reference_depth",
            "light.shadows",
            "light.shadow_softness",
            "light.veil_brightness",
            "light.veil_tint",
        }
    )

    def planes(self) -> PlaneUse:
        """Read light and geometry; write light, and the particles by themselves with their range."""
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range", "downward", "sun_cosine"}),
            optional=frozenset({"coverage", "far_range", "far_share", "lamp_seen", "lamp_range"}),
            writes=frozenset(
                {
                    *("bands", "alpha", "matter_light", "lamp_seen"),
                    *("particles", "particle_alpha", "particle_range"),
                }
            ),
            adds=frozenset({"matter_light"}),
            added=True,
        )

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """Without particles the picture stays, to the bit."""
        p = self.parameters
        return p.density == 0.0 or all(kind.per_litre == 0.0 for kind in p.classes)

    def undrawn(self) -> SuspendedMatter | None:
        """Return the haze alone."""
        if self.parameters.haze == 0.0:
            return None
        bare = SuspendedMatter(self.parameters)
        bare._drawing = False
        return bare

    def of_other_frames(self, shot: Shot) -> tuple[str, ...]:
        """Tell of track files of another shot."""
        return off_their_frames(self.parameters.wakes, shot)

    def per_litre(self) -> dict[str, float]:
        """Return the particles in a litre by class."""
        p = self.parameters
        return {
            f"{each.name}, {1e3 * each.smallest:.3g} to {1e3 * each.largest:.3g} mm": each.per_litre
            * p.density
            for each in p.classes
        }

    def prepare(self, shot: Shot) -> _Prepared:
        """Find the particles in view, light them, and sort them."""
        p = self.parameters
        exposure = exposure_of(p.lens, shot)
        classes = [self._class(kind, shot) for kind in p.classes if kind.per_litre > 0.0]
        limits = affordable(classes, self._limits(shot), exposure.solid_angle, p.most_particles)
        motion = self._motion(shot)
        haze = haze_of(classes, limits, shot.path, strength=p.haze) if p.haze > 0.0 else None
        clouds = None if haze is None else haze_clouds(classes, motion, exposure, shot.path)
        hidden = self._lit_by_lamps(classes, limits, motion, shot)
        sun_gain = _caustics(p.surface, shot) if p.caustics else None
        shade = water_shade(shot)
        left, unhidden = scene_shade(shade), unhidden_by_bodies(shot)
        scene = Scene(shot.path, shot.lamps, p.lamp_haze, haze, clouds, sun_gain, hidden, left, unhidden)

        seed = shot.step_seed("suspended_matter")

        def found(kind: ParticleClass, index: int) -> Seen:
            cloud = visible(kind, index, seed, motion, limits, exposure, shot.path.up)
            return seen(cloud, kind, limits, exposure, scene)

        drawn = [kind for kind in classes if kind.drawn and self._drawing]
        jobs = [(kind, index) for kind in drawn for index in range(len(kind.slices))]
        # numpy lets other threads run meanwhile; the order of results is that of the jobs.
        parts = in_parallel(lambda job: found(*job), jobs)
        return _Prepared(drawing_of(parts, exposure, shot.path.bands.count), haze, clouds, hidden, shade)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: _Prepared) -> Planes:
        """Add the haze, then lay the particles over."""
        bands, surface = planes["bands"], surface_of(planes)
        told = tile.wants("matter_light")
        picture: F32 = np.empty((len(bands) + 1, *bands.shape[1:]), np.float32)
        thrown, others = thrown_in(planes, tile, "matter_light") if told else (picture[:0], picture[:0])
        picture[-1] = planes["alpha"]
        lamps: Planes = {}
        if prepared.haze is None:
            picture[:-1] = bands
        else:
            lit = [(bands, picture[:-1]), *([(thrown[:-1], thrown[:-1])] if told else [])]
            lamps = _add_haze(lit, prepared.haze, prepared, planes, tile, shot)
        pictures = [picture, thrown] if told else [picture]
        seen_lamps = SeenLamps.of({**planes, **lamps})
        laid = laid_over(prepared.drawing, "particle", tile, surface, pictures, seen_lamps)
        if not told:
            return laid
        return {**laid, "matter_light": thrown[:-1] - others}

    def _lit_by_lamps(
        self, classes: list[ParticleClass], limits: DrawLimits, motion: Motion, shot: Shot
    ) -> Scatterers | None:
        """Return what lamps light of all that is not drawn; nothing where there are none."""
        strength = self.parameters.haze
        if not shot.lamps or strength == 0.0:
            return None
        return matter_lit_by_lamps(
            classes, limits, shot.path, strength=strength, motion=motion, time_s=shot.time_s
        )

    def _limits(self, shot: Shot) -> DrawLimits:
        p = self.parameters
        lens = p.lens.lens(shot)
        clearest = float(shot.path.beam_rate.min())
        sight = _SIGHT_LENGTHS / clearest if clearest > 0.0 else math.inf
        smallest = math.radians(p.smallest_angle)
        if shot.draft:
            # What is smaller than its pixels is part of the haze.
            smallest = max(smallest, _DRAFT_PX * min(shot.camera.tangent_per_px))
        return DrawLimits(
            farthest_m=min(p.farthest, sight),
            smallest_angle_rad=smallest,
            nearest_m=p.nearest,
            aperture_m=lens.aperture_m,
            focus_m=lens.focus_m,
        )

    def _class(self, kind: MatterClass, shot: Shot) -> ParticleClass:
        p = self.parameters
        seed = shot.step_seed("suspended_matter")
        number = 1000.0 * kind.per_litre * max(1.0, p.density)
        sizes = PowerLaw(number, kind.exponent, kind.smallest, kind.largest)
        bands = shot.path.bands
        pictures = kind.kind == "picture"
        colour = (1.0, 1.0, 1.0) if pictures else kind.albedo
        albedo = shot.path.lifted(colour) / shot.path.white * p.brightness
        shape = _SHAPE_OF.get(kind.kind)
        cards = (
            cards_from(tuple(image.place for image in kind.images), bands, shot.space) if pictures else None
        )
        return ParticleClass(
            name=kind.name,
            sizes=sizes,
            patches=patchiness(seed, kind.name, scale_m=kind.clump_scale, variation=kind.clumping),
            sinking_m_s=tuple(_sinking(kind, diameter) for diameter in slice_diameters(sizes)),
            opacity=kind.opacity,
            albedo=albedo,
            asymmetry=kind.asymmetry,
            irregular=kind.kind == "aggregate",
            turns_per_s=kind.tumbling,
            variation=kind.brightness_spread,
            glints=kind.glints,
            thinned_to=min(1.0, p.density),
            drawn=kind.kind != "haze",
            cards=cards if shape is None else shapes(shape, bands.count),
            card_side=1.0 if shape is None else card_side(shape),
        )

    def _motion(self, shot: Shot) -> Motion:
        p = self.parameters
        return Motion(
            current=Current(p.current, p.surge, p.surge_period),
            turbulence=turbulence(
                shot.seed, "suspended matter", rms_speed_m_s=p.turbulence, largest_m=p.turbulence_scale
            ),
            wakes=tuple(wake for index, body in enumerate(p.wakes) for wake in body.wakes(index, shot)),
            **({"drift": _drift(p.drift, shot.fps)} if p.drift else {}),
        )


def _sinking(kind: MatterClass, diameter_m: float) -> float:
    if kind.sinking == "aggregate":
        return float(aggregate_sinking_speed(diameter_m))
    if kind.sinking == "grain":
        return float(grain_settling_speed(diameter_m, grain_density=kind.grain_density))
    return kind.sinking


def _drift(keys: tuple[DriftKey, ...], fps: float) -> WorldDrift:
    return WorldDrift(
        np.array([key.frame for key in keys], np.float64) / fps,
        np.array([key.translation for key in keys], np.float64),
        np.array([key.rotation for key in keys], np.float64),
    )


def _caustics(other_sea: Sea | None, shot: Shot) -> Callable[[F64], F64]:
    """Return what the sun's beam is multiplied with at world points ``(n, 3)``, per band ``(n, K)``."""
    field, axes = light_field(shot, other_sea), LevelAxes.of(shot)
    weights = channel_weights(shot.path.bands.wavelength_nm)

    def gain(points_m: F64) -> F64:
        if not len(points_m):
            return np.zeros((0, shot.path.bands.count))
        offset = points_m - shot.camera.position_m
        x, y = ((offset * axis).sum(axis=1).astype(np.float32) for axis in (axes.x, axes.y))
        depth = shot.depth_below_surface_m(points_m).astype(np.float32)
        channels = field.gain(x, y, depth, origin=axes.origin).astype(np.float64)
        mixed = [channels[0] * row[0] + channels[1] * row[1] + channels[2] * row[2] for row in weights]
        return np.stack(mixed, axis=1)

    return gain


def _add_haze(
    lit: list[tuple[F32, F32]], haze: Haze, prepared: _Prepared, planes: Planes, tile: Tile, shot: Shot
) -> Planes:
    """Write light with the haze over it: before each pixel's surface, and what edge pixels show behind.

    ``lit`` is light, ``(K, rows, columns)``, and where to write it to, which may be itself. What is left of
    lamps that are seen is returned, where there are any.
    """
    if not _is_even(prepared, planes):
        return _add_uneven_haze(lit, haze, prepared, planes, tile, shot)
    seen, water = (planes["range"], planes["downward"], planes["sun_cosine"]), _of_water(planes, tile)
    shade = None if prepared.shade is None else prepared.shade.over(tile.region)
    left = None if shade is None else shade.along_rows(planes["range"])
    behind = shown_behind(planes)
    where = _mixed([share for share, _ in behind])
    # Light may be written over itself.
    mixed = [_at(where, of_light) for of_light, _ in lit] if where[0].size else []
    for of_light, out in lit:
        haze.lay(shot.path, seen, of_light, tuple(water), out, left)
    if mixed:
        found = _haze_at(where, behind, haze, planes, shade, shot)
        for of_light, (_, out) in zip(mixed, lit, strict=True):
            laid = np.empty_like(of_light)
            lay_haze(of_light, tuple(_at(where, part) for part in water) or (_NONE,), *found, laid)
            out[:, *where] = laid
    return {}


def _mixed(shares: list[F32]) -> Where:
    """Return where any of some shares of pixels is not 0."""
    if not shares:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    rows, columns = places_of(np.logical_or.reduce([share != 0.0 for share in shares]))
    return rows, columns


def _at(where: Where, light: F32) -> F32:
    """Return light, ``(K, rows, columns)``, at some places, ``(K, n)``."""
    return np.ascontiguousarray(light[:, *where])


def _haze_at(
    where: Where,
    behind: list[tuple[F32, F32]],
    haze: Haze,
    planes: Planes,
    shade: RegionShade | None,
    shot: Shot,
) -> tuple[F32, F32, F32]:
    """Return what an even haze adds and takes at some places: before all that they show, by its share.

    What they show besides the nearest surface is ``behind``, see `shown_behind`.
    """
    mu, cos_sun = planes["downward"][where], planes["sun_cosine"][where]

    def before(range_m: F32) -> tuple[F32, F32, F32]:
        found = haze.over(shot.path, range_m, mu, cos_sun)
        if shade is not None:
            shade.dim_places(found[0], range_m, where)
        return found

    light, surface_share, veil_share = before(planes["range"][where])
    for share, range_m in behind:
        there, part = before(range_m[where]), share[where]
        light += part * (there[0] - light)
        surface_share += part * (there[1] - surface_share)
        veil_share += part * (there[2] - veil_share)
    return light, surface_share, veil_share


def _of_water(planes: Planes, tile: Tile) -> list[F32]:
    """Return what the water itself threw in along the way, which lies only in part behind the haze."""
    return [planes[name] for name in tile.added if name in planes]


def _add_uneven_haze(
    lit: list[tuple[F32, F32]], haze: Haze, prepared: _Prepared, planes: Planes, tile: Tile, shot: Shot
) -> Planes:
    """Do as `_add_haze`, whatever else there is: clouds, lamps, several surfaces a pixel."""
    bands = planes["bands"]
    clouds, by_lamp = prepared.clouds, prepared.lit_by_lamps
    rays = None if by_lamp is None else shot.camera.directions(tile.region)
    mu, cos_sun = planes["downward"], planes["sun_cosine"]
    area = Area(tile.region.y, tile.region.y_end, tile.region.x, tile.region.x_end)
    density = None if clouds is None else clouds.ratio(area, planes["range"])
    shade = None if prepared.shade is None else prepared.shade.over(tile.region)
    left = None if shade is None else shade.along_rows(planes["range"])
    found = haze.over(shot.path, planes["range"], mu, cos_sun, density, left=left)
    if rays is not None:
        by_lamps = lamp_haze(shot, rays.reshape(3, -1), planes["range"].ravel(), by_lamp)
        found[0].reshape(len(bands), -1)[:] += by_lamps
    for share, behind in shown_behind(planes):
        mixed = places_of(share != 0.0)
        if mixed[0].size:
            thickness = None if clouds is None else clouds.ratio(area, behind)[mixed]
            there = haze.over(shot.path, behind[mixed], mu[mixed], cos_sun[mixed], thickness)
            if shade is not None:
                shade.dim_places(there[0], behind[mixed], mixed)
            if rays is not None:
                aside = np.ascontiguousarray(rays[:, mixed[0], mixed[1]])
                there[0][:] += lamp_haze(shot, aside, behind[mixed], by_lamp)
            for plane, other in zip((*found[0], *found[1:]), (*there[0], *there[1:]), strict=True):
                plane[mixed] += share[mixed] * (other - plane[mixed])
    light, surface_share, veil_share = found
    of_water = _of_water(planes, tile)
    # Lamps that are seen stand where they are.
    lamps, away = planes.get("lamp_seen"), planes.get("lamp_range")
    if lamps is not None and away is not None:
        of_water.append(-lamps)
        lit = [(of_light - lamps, out) for of_light, out in lit]
    water = tuple(flat_planes(part) for part in of_water) or (_NONE,)
    shares = surface_share.reshape(-1), veil_share.reshape(-1)
    for of_light, out in lit:
        lay_haze(flat_planes(of_light), water, flat_planes(light), *shares, out.reshape(len(out), -1))
    if lamps is None or away is None:
        return {}
    density = None if clouds is None else clouds.ratio(area, away)
    told = lamps * haze.over(shot.path, away, mu, cos_sun, density)[1]
    for _, out in lit:
        np.add(out, told, out=out)
    return {"lamp_seen": told}


def _is_even(prepared: _Prepared, planes: Planes) -> bool:
    """Tell whether a tile's haze is even, and by day alone."""
    if prepared.clouds is not None or prepared.lit_by_lamps is not None:
        return False
    return not ("lamp_seen" in planes and "lamp_range" in planes)
