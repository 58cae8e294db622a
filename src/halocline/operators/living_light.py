"""Living light: cells and small animals that glow, flash, or flash where something stirs the water.

They are points of blue light in the picture, and what a wake sets off lights the water round it and the
subject near it. Flashing light can harm photosensitive viewers: have the frames checked.

Place it after ``veiling_light``, and after what else floats.
"""

from __future__ import annotations

import math
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, model_validator

from halocline._typing import F32, F64
from halocline.compute.random import stream_key
from halocline.compute.threads import in_parallel
from halocline.filters.splat import Drawing
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.planes import Form, Plane
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.operators.shared.drawn_things import (
    LensParameters,
    drawing_of,
    exposure_of,
    shown_behind,
    surface_of,
    unhidden_by_bodies,
)
from halocline.operators.shared.view_rays import ray_spacing, spaced_rays
from halocline.operators.shared.wake_parameters import MovingBody, off_their_frames
from halocline.physics.floating.exposure import Exposure
from halocline.physics.floating.field import Region, patchiness
from halocline.physics.floating.flow import Current, turbulence
from halocline.physics.floating.living import (
    FORGET,
    Flash,
    Shutter,
    Stirred,
    StirringTrack,
    flashing,
    glow_in_bands,
)
from halocline.physics.floating.living_loops import lay_glow, light_on_surfaces
from halocline.physics.floating.living_view import (
    GlowBalls,
    GlowTable,
    glow_along,
    seen_glowing,
    wake_balls,
)
from halocline.physics.floating.particles import DrawLimits, PowerLaw
from halocline.physics.floating.particles_as_seen import Scene, Seen
from halocline.physics.floating.suspended import Cloud, Motion, ParticleClass, affordable, visible
from halocline.physics.path.lamps import MEAN_INCIDENCE
from halocline.physics.path.transport import attenuate
from halocline.quantities import Distance, Period, Position, Ratio, Share, Strict

Vector = tuple[Position, Position, Position]
PLANE = "living_light"
# View rays across the picture along which the glow is summed, and pixels between them at least.
_RAYS = 120
# A wake stirs the water out to this many radii of what makes it, as far as it carries water.
_REACH = 1.8
# Smaller than this nothing is drawn, degrees: a cell of half a millimetre thirty metres away.
_SMALLEST_DEG = 1e-3
# Contrast of a point is gone after this many attenuation lengths.
_SIGHT_LENGTHS = 6.0


class LivingThings(Strict):
    """One kind of living light.

    Attributes
    ----------
    name
        Its name; keys its random numbers.
    kind
        ``stirred``: flashes where a wake comes, and again while the water is stirred. ``flashing``: now and
        then, by itself. ``steady``: glows on.
    per_litre
        Number between the two diameters in a litre of water.
    smallest, largest
        Diameters of what glows, metres.
    exponent
        m of the size distribution dN/dD ~ D^-m.
    brightness
        Of its face at the peak of a flash, in times a white card in daylight at the reference depth.
    brightness_spread
        How much they differ in brightness, 0 to 1.
    wavelength, bandwidth
        Peak of its light, and full width at half of that, nanometres: 474 and 36 are dinoflagellates'.
    rise, decay
        Seconds in which a flash comes, and fades to 1/e.
    every
        Mean seconds from flash to flash of what flashes by itself.
    response
        Mean seconds from the coming of a wake to the first flash.
    again
        Mean seconds from flash to flash in stirred water.
    clumping
        Standard deviation of the density over its mean, 0 (even) to 2.
    clump_scale
        From clump to clump, metres.
    """

    name: str
    kind: Literal["stirred", "flashing", "steady"] = "stirred"
    per_litre: Ratio = 5.0
    smallest: Distance = 0.4e-3
    largest: Distance = 1.5e-3
    exponent: Annotated[float, Field(gt=1.0, le=8.0)] = 3.5
    brightness: Ratio = 1.0
    brightness_spread: Share = 0.6
    wavelength: Annotated[float, Field(ge=430.0, le=600.0)] = 474.0
    bandwidth: Annotated[float, Field(ge=20.0, le=120.0)] = 36.0
    rise: Period = 0.015
    decay: Period = 0.08
    every: Period = 5.0
    response: Period = 0.06
    again: Period = 0.5
    clumping: Annotated[float, Field(ge=0.0, le=2.0)] = 0.6
    clump_scale: Distance = 0.6

    @model_validator(mode="after")
    def _possible(self) -> LivingThings:
        if not self.smallest < self.largest:
            raise ValueError(f"smallest {self.smallest:g} m is not below largest {self.largest:g} m")
        return self

    @property
    def flash(self) -> Flash:
        """One of its flashes."""
        return Flash(self.rise, self.decay)

    def stirred(self, settle_s: float) -> Stirred:
        """Return how it answers a wake that fades in some seconds."""
        return Stirred(self.flash, self.response, self.again, settle_s)


class LivingLightParameters(Strict):
    """Parameters of living light.

    Attributes
    ----------
    classes
        Kinds of it: one table ``[[steps.NAME.classes]]`` each.
    wakes
        What stirs the water: one table ``[[steps.NAME.wakes]]`` each.
    lens
        Focus and iris, as far as points of light are concerned.
    density
        Multiplies all numbers per litre, 0 to 1. It may be animated: they fade in and out where they are.
    brightness
        Art: multiplies all of the light.
    glow
        Art: multiplies what it lights of the water; 1 is physical.
    on_subject
        Art: multiplies what wakes light of the subject; 1 is physical.
    farthest
        Nothing is drawn one by one beyond this, metres.
    nearest
        Nothing is drawn nearer than this, metres.
    most_particles
        Where more would be drawn, fewer and brighter ones are, or ``steady`` and ``flashing`` ones are a glow
        from nearer on.
    current
        Steady drift of the water, m/s, world axes. Give it one value for a shot: it is multiplied by time.
    surge, surge_period
        Swell: amplitude of its to and fro, metres, world axes, and period, seconds.
    turbulence, turbulence_scale
        Root mean square speed of eddies, m/s, and size of the largest, metres.
    """

    classes: tuple[LivingThings, ...] = (LivingThings(name="sparks"),)
    wakes: tuple[MovingBody, ...] = ()
    lens: LensParameters = LensParameters()
    density: Share = 1.0
    brightness: Ratio = 1.0
    glow: Ratio = 1.0
    on_subject: Ratio = 1.0
    farthest: Distance = 25.0
    nearest: Distance = 0.2
    most_particles: Annotated[int, Field(ge=1, le=500_000)] = 40_000
    current: Vector = (0.0, 0.0, 0.0)
    surge: Vector = (0.0, 0.0, 0.0)
    surge_period: Period = 8.0
    turbulence: Ratio = 0.03
    turbulence_scale: Distance = 1.0

    @model_validator(mode="after")
    def _named_apart(self) -> LivingLightParameters:
        names = [kind.name for kind in self.classes]
        if len(set(names)) < len(names):
            raise ValueError("two classes have the same name; each needs one of its own")
        return self


@dataclass(frozen=True)
class PreparedLife:
    """One frame's points of light, the glow along coarse rays, and the balls of light on the subject."""

    drawing: Drawing
    glow: GlowTable | None
    spacing_px: float
    balls: F32


class LivingLight(Operator[LivingLightParameters, PreparedLife]):
    """Adds points of light, what they light of the water, and what wakes light of the subject."""

    Parameters = LivingLightParameters
    nothing_at: ClassVar = {"density": 0.0}
    stage = Stage.FLOATING
    layer = "living_light"
    own_planes = (Plane(PLANE, Form.LIGHT, "", "Living light, and what it lights of the water."),)

    def planes(self) -> PlaneUse:
        """Read light and geometry; write light, and what the water threw in of it."""
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range", "downward"}),
            optional=frozenset(
                {"coverage", "far_range", "far_share", "normal", "render_light", "body_alpha", PLANE}
            ),
            writes=frozenset({"bands", PLANE}),
            adds=frozenset({PLANE}),
        )

    def idle(self, shot: Shot) -> bool:
        """Without anything that glows on this frame the picture stays, to the bit."""
        p = self.parameters
        if p.density == 0.0 or p.brightness == 0.0:
            return True
        return not any(self._shines(kind, shot.frame, shot.fps) for kind in p.classes)

    def absent(self, frame: float, fps: float) -> bool:
        """What flashes in wakes alone is dark before the first of them, and when all are forgotten."""
        p = self.parameters
        if p.density == 0.0 or p.brightness == 0.0:
            return True
        return not any(self._shines(kind, frame, fps) for kind in p.classes)

    def warnings(self, shot: Shot) -> tuple[str, ...]:  # noqa: ARG002 - part of the protocol
        """Tell that it flashes."""
        if all(kind.kind == "steady" for kind in self.parameters.classes):
            return ()
        return (
            "living light flashes, and flashing light can harm photosensitive viewers: run `halocline check` "
            "over the finished frames before they are shown",
        )

    def of_other_frames(self, shot: Shot) -> tuple[str, ...]:
        """Tell of track files of another shot."""
        return off_their_frames(self.parameters.wakes, shot)

    def prepare(self, shot: Shot) -> PreparedLife:
        """Find what glows in view, and what wakes have set off."""
        p, window = self.parameters, shot.data_window
        exposure, motion = exposure_of(p.lens, shot), self._motion(shot)
        kinds = [kind for kind in p.classes if self._shines(kind, shot.frame, shot.fps)]
        shutter = Shutter(exposure.times_s[0], exposure.times_s[2])
        steady = [kind for kind in kinds if kind.kind != "stirred"]
        limits = self._limits(shot)
        ambient = affordable(
            [self._class(kind, shot) for kind in steady], limits, exposure.solid_angle, p.most_particles
        )
        scene = Scene(shot.path, shot.lamps, unhidden=unhidden_by_bodies(shot))

        def found(job: tuple[LivingThings, int]) -> Seen:
            kind, index = job
            if kind.kind == "stirred":
                return self._stirred(kind, index, shot, motion, exposure, shutter, scene)
            return self._by_itself(kind, index, shot, motion, exposure, shutter, scene, ambient)

        parts = in_parallel(found, [(kind, n) for kind in kinds for n in range(self._slices(kind, shot))])
        drawing = drawing_of(parts, exposure, shot.path.bands.count)
        balls = self._balls(kinds, shutter, shot, motion.current)
        spacing = ray_spacing(shot.camera, shot.display_window, _RAYS)
        glow = None
        if p.glow > 0.0:
            rays = spaced_rays(shot.camera, np.eye(3), window, spacing)
            unseen = [(self._class(k, shot).sizes, ambient, self._mean_light(k, shot)) for k in steady]
            glow = glow_along(rays, shot.camera.position_m, shot.path, balls, unseen, scene.unhidden)
        return PreparedLife(drawing, glow, spacing, balls.packed(shot.camera.position_m))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: PreparedLife) -> Planes:
        """Lay it over the picture."""
        bands = planes["bands"]
        picture = np.concatenate([bands, planes["alpha"][None]])
        if prepared.glow is not None:
            picture[:-1] += self._glow_before(planes, tile, shot, prepared, prepared.glow)
        prepared.drawing.lay_over(tile.region.y, surface_of(planes), picture)
        light = picture[:-1]
        written: dict[str, F32] = {}
        if tile.wants(PLANE):
            added = light - bands
            written[PLANE] = added + planes[PLANE] if PLANE in planes else added
        if "render_light" in planes and len(prepared.balls) and self.parameters.on_subject > 0.0:
            light = light + self._on_subject(planes, tile, shot, prepared.balls)
        return {"bands": light, **written}

    def _glow_before(
        self, planes: Planes, tile: Tile, shot: Shot, prepared: PreparedLife, glow: GlowTable
    ) -> F32:
        """Return the glow before what the pixels show, ``(K, rows, columns)``."""
        region, window = tile.region, shot.data_window
        place = tuple(
            ((np.arange(count) + first + 0.5) / prepared.spacing_px).astype(np.float32)
            for count, first in (
                (region.width, region.x - window.x),
                (region.height, region.y - window.y),
            )
        )

        def before(range_m: F32) -> F32:
            out = np.empty((len(glow.table), *range_m.shape), np.float32)
            lay_glow(glow.table, (place[0], place[1]), np.float32(glow.per_metre), range_m, out)
            return out

        found = before(planes["range"])
        for share, behind in shown_behind(planes):
            if share.any():
                found += share * (before(behind) - found)
        found *= np.float32(self.parameters.glow)
        return found

    def _on_subject(self, planes: Planes, tile: Tile, shot: Shot, balls: F32) -> F32:
        """Return what wakes light of surfaces, as it reaches the lens."""
        path = shot.path
        bands = path.bands
        range_m = planes["range"]
        rates = (bands.absorption + 0.5 * bands.scattering * (1.0 - bands.asymmetry)).astype(np.float32)
        normal = planes.get("normal", np.zeros((3, 0, 0), np.float32))
        light = np.empty_like(planes["bands"])
        light_on_surfaces(
            balls,
            rates,
            np.float32(MEAN_INCIDENCE),
            shot.camera.directions(tile.region),
            range_m,
            normal,
            light,
        )
        finite = np.where(np.isfinite(range_m), range_m, np.float32(1e4))
        light *= attenuate(path, path.path_length(finite, planes["downward"]))
        light *= (self.parameters.on_subject / (math.pi * path.white)).astype(np.float32)[:, None, None]
        light *= planes["render_light"]
        if "body_alpha" in planes:
            light *= np.float32(1.0) - planes["body_alpha"]
        return light

    def _shines(self, kind: LivingThings, frame: float, fps: float) -> bool:
        """Tell whether a class can glow on a frame."""
        if kind.per_litre == 0.0 or kind.brightness == 0.0:
            return False
        if kind.kind != "stirred":
            return True
        # A wake begins with the shutter's opening, half a frame earlier.
        now = frame / fps
        return any(
            track.times_s[0] < now + 1.0 / fps and now - track.times_s[-1] <= self._memory(kind, wake)
            for wake, track in self._tracks(fps)
        )

    def _tracks(self, fps: float) -> list[tuple[MovingBody, StirringTrack]]:
        """Return all tracks along which something stirs the water."""
        return [
            (wake, StirringTrack(*keys, _REACH * wake.reach_m))
            for wake in self.parameters.wakes
            for keys in wake.stretches(fps)
        ]

    def _memory(self, kind: LivingThings, wake: MovingBody) -> float:
        """Return for how long a wake is remembered, seconds."""
        return FORGET * wake.settle + kind.flash.lasts_s

    def _stirred(
        self,
        kind: LivingThings,
        index: int,
        shot: Shot,
        motion: Motion,
        exposure: Exposure,
        shutter: Shutter,
        scene: Scene,
    ) -> Seen:
        """Return what of a class wakes have set off."""
        tracks = self._tracks(shot.fps)
        now, current = shutter.middle_s, motion.current
        wakes = [track.wake(now, self._memory(kind, wake), current) for wake, track in tracks]
        stirred = [wake for wake in wakes if wake is not None]
        if not stirred:
            return Seen()
        share, region = self._kept_share(kind, shot), Region.joined(stirred)
        cloud = self._cloud(kind, index, shot, motion, exposure, self._limits(shot), share, region)
        bright = np.zeros(len(cloud))
        words = np.ascontiguousarray(cloud.particles.words[:2])
        ready = cloud.particles.shares()[1]
        for number, (wake, track) in enumerate(tracks):
            came = track.came_to(cloud.middle_m, ready, shutter.closed_s, self._memory(kind, wake), current)
            key = stream_key(shot.step_seed("living_light"), kind.name, f"stirred {number}")
            since = np.where(np.isfinite(came), came, shutter.closed_s + 1.0)
            found = kind.stirred(wake.settle).brightness(
                key, words, shutter.opened_s - since, shutter.closed_s - since
            )
            bright = np.maximum(bright, found)
        return seen_glowing(
            cloud,
            bright * _tones(cloud, kind),
            self._light(kind, shot) / share,
            self._limits(shot),
            exposure,
            scene,
        )

    def _by_itself(
        self,
        kind: LivingThings,
        index: int,
        shot: Shot,
        motion: Motion,
        exposure: Exposure,
        shutter: Shutter,
        scene: Scene,
        limits: DrawLimits,
    ) -> Seen:
        """Return what of a class glows or flashes by itself."""
        cloud = self._cloud(kind, index, shot, motion, exposure, limits, 1.0)
        bright = np.ones(len(cloud))
        if kind.kind == "flashing":
            key = stream_key(shot.step_seed("living_light"), kind.name, "flashing")
            words = np.ascontiguousarray(cloud.particles.words[:2])
            bright = flashing(kind.flash, kind.every, key, words, shutter)
        return seen_glowing(
            cloud, bright * _tones(cloud, kind), self._light(kind, shot), limits, exposure, scene
        )

    def _cloud(
        self,
        kind: LivingThings,
        index: int,
        shot: Shot,
        motion: Motion,
        exposure: Exposure,
        limits: DrawLimits,
        share: float,
        region: Region | None = None,
    ) -> Cloud:
        seed = shot.step_seed("living_light")
        matter = self._class(kind, shot, share)
        return visible(matter, index, seed, motion, limits, exposure, shot.path.up, region=region)

    def _kept_share(self, kind: LivingThings, shot: Shot) -> float:
        """Return what share of a class is drawn: of all that its wakes ever stir, as many as may be."""
        stirred = sum(float(track.swept_m3(track.times_s).sum()) for _, track in self._tracks(shot.fps))
        expected = 1000.0 * kind.per_litre * stirred
        return min(1.0, self.parameters.most_particles / max(expected, 1.0))

    def _slices(self, kind: LivingThings, shot: Shot) -> int:
        return len(self._class(kind, shot).slices)

    def _class(self, kind: LivingThings, shot: Shot, share: float = 1.0) -> ParticleClass:
        seed, bands = shot.step_seed("living_light"), shot.path.bands.count
        sizes = PowerLaw(1000.0 * kind.per_litre * share, kind.exponent, kind.smallest, kind.largest)
        plain = ParticleClass(
            name=kind.name,
            sizes=sizes,
            patches=patchiness(seed, kind.name, scale_m=kind.clump_scale, variation=kind.clumping),
            sinking_m_s=(),
            opacity=1.0,
            albedo=np.zeros(bands),
            asymmetry=0.0,
            thinned_to=self.parameters.density,
        )
        # They swim, or hang.
        return ParticleClass(**{**vars(plain), "sinking_m_s": (0.0,) * len(plain.slices)})

    def _light(self, kind: LivingThings, shot: Shot) -> F64:
        """Return the radiance of a face at the peak of a flash, ``(K,)``."""
        level = self.parameters.brightness * kind.brightness
        return level * glow_in_bands(shot.path, kind.wavelength, kind.bandwidth)

    def _mean_light(self, kind: LivingThings, shot: Shot) -> F64:
        """Return the mean radiance of one that glows or flashes by itself, ``(K,)``."""
        light = self.parameters.density * self._light(kind, shot)
        if kind.kind == "steady":
            return light
        flash = kind.flash
        lit = float(flash.mean(np.zeros(1), np.full(1, flash.lasts_s))[0]) * flash.lasts_s
        return light * lit / kind.every

    def _balls(self, kinds: list[LivingThings], shutter: Shutter, shot: Shot, current: Current) -> GlowBalls:
        bands = shot.path.bands.count
        parts = [GlowBalls(np.zeros((0, 3)), np.zeros((0, bands)), np.zeros(0))]
        for kind in kinds:
            if kind.kind != "stirred":
                continue
            sizes = self._class(kind, shot).sizes
            light = self.parameters.density * self._light(kind, shot)
            for wake, track in self._tracks(shot.fps):
                answer = kind.stirred(wake.settle)
                parts.append(wake_balls(track, answer, sizes, light, shutter, current))
        return GlowBalls.joined(parts)

    def _limits(self, shot: Shot) -> DrawLimits:
        p = self.parameters
        lens = p.lens.lens(shot)
        sight = _SIGHT_LENGTHS / max(float(shot.path.beam_rate.min()), 1e-6)
        return DrawLimits(
            farthest_m=min(p.farthest, sight),
            # A point of light is seen however small it looks.
            smallest_angle_rad=math.radians(_SMALLEST_DEG),
            nearest_m=p.nearest,
            faintest_coverage=1e-6,
            aperture_m=lens.aperture_m,
            focus_m=lens.focus_m,
        )

    def _motion(self, shot: Shot) -> Motion:
        p = self.parameters
        return Motion(
            current=Current(p.current, p.surge, p.surge_period),
            turbulence=turbulence(
                shot.seed, "living light", rms_speed_m_s=p.turbulence, largest_m=p.turbulence_scale
            ),
        )


def _tones(cloud: Cloud, kind: LivingThings) -> F64:
    """Return how bright particles are beside each other, 1 on average."""
    return np.asarray(1.0 + kind.brightness_spread * (2.0 * cloud.particles.shares()[2] - 1.0))
