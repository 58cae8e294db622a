"""Bubbles: columns and bursts that rise, sway and grow, with a bright rim and the water mirrored in them.

Each source gives off bubbles by its keys; where a bubble is on a frame follows from when it was born, so
frames may be made in any order.

Place it after ``veiling_light``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from halocline.compute.threads import in_parallel
from halocline.filters.splat import Drawing
from halocline.graph.operator import Drawn, Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.origins import Bound, WorldPoint
from halocline.graph.shot import Shot
from halocline.operators.shared.drawn_things import (
    LensParameters,
    SeenLamps,
    drawing_of,
    exposure_of,
    laid_over,
    refuse_disorder,
    surface_of,
    thrown_in,
    unhidden_by_bodies,
)
from halocline.operators.shared.floor import floor_seen
from halocline.operators.shared.surface_light import sun_zenith, water_index
from halocline.operators.shared.water_shade import scene_shade, water_shade
from halocline.physics.floating.bubble_view import BubbleLook, seen_bubbles
from halocline.physics.floating.bubbles import LARGEST_M, Burst, Column, Emitter
from halocline.physics.floating.flow import turbulence
from halocline.physics.floating.particles_as_seen import Scene, Seen
from halocline.physics.sea.sky import sky_over
from halocline.physics.sea.surface import SunBeam
from halocline.physics.sea.waves import cox_munk_slopes
from halocline.quantities import Angle, Distance, Factor, Length, Period, Position, Ratio, Share, Strict

Vector = tuple[Position, Position, Position]


class BubbleSourceKey(Strict):
    """Where a source is at a frame, metres in the world, and how many bubbles it gives off a second."""

    frame: float
    position: WorldPoint
    per_second: Ratio = 0.0


class Puff(Strict):
    """A burst that begins at a frame, lasts some seconds, and gives so many bubbles."""

    frame: float
    seconds: Period = 0.5
    count: Ratio


class BubbleSource(Strict):
    """What gives off bubbles.

    Attributes
    ----------
    name
        Its name; keys its random numbers.
    origin
        Name of the origin that its places are given from: right, above, ahead.
    track
        Keys in the order of frames; between them straight, outside them as the nearest.
    bursts
        Puffs besides the steady stream.
    median_diameter
        Half of the bubbles are smaller as they leave the source, metres.
    spread
        Two thirds lie within this factor of the median, above 1.
    source_radius
        Metres.
    widening
        Half angle of the column, degrees.
    plume_speed
        Speed of the water that a dense column drags up with it, m/s.
    film
        0 is pure water, 1 the natural film on every bubble in the sea, which slows small ones to half.
    clusters
        How closely bubbles keep together that leave in one puff of five or so, 0 (not at all) to 1.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"mouth_radius": "source_radius"}

    name: str
    origin: str | None = None
    track: Annotated[tuple[BubbleSourceKey, ...], Field(min_length=1)]
    bursts: tuple[Puff, ...] = ()
    median_diameter: Annotated[Distance, Field(lt=LARGEST_M)] = 4e-3
    spread: Annotated[float, Field(gt=1.0, le=4.0)] = 1.8
    source_radius: Annotated[Length, Bound.LENGTH] = 0.03
    widening: Annotated[Angle, Field(ge=0.0, lt=60.0)] = 5.0
    plume_speed: Ratio = 0.1
    film: Share = 1.0
    clusters: Share = 0.5

    @model_validator(mode="after")
    def _in_order(self) -> BubbleSource:
        refuse_disorder("its track", [key.frame for key in self.track])
        return self

    def emitter(self, fps: float) -> Emitter:
        """Return the emitter, in seconds."""
        return Emitter(
            name=self.name,
            times_s=np.array([key.frame for key in self.track], np.float64) / fps,
            positions_m=np.array([key.position for key in self.track], np.float64),
            rates_per_s=np.array([key.per_second for key in self.track], np.float64),
            bursts=tuple(Burst(puff.frame / fps, puff.seconds, puff.count) for puff in self.bursts),
            median_m=self.median_diameter,
            spread=self.spread,
            source_radius_m=self.source_radius,
            widening_rad=float(np.radians(self.widening)),
            plume_m_s=self.plume_speed,
            film=self.film,
            clusters=self.clusters,
        )


class BubblesParameters(Strict):
    """Parameters of bubbles.

    Attributes
    ----------
    sources
        What gives off bubbles: one table ``[[steps.NAME.sources]]`` each.
    lens
        Focus and iris, as far as bubbles are concerned.
    opacity
        Of a bubble, 0 to 1.
    brightness
        Art: multiplies what bubbles mirror; 1 is physical.
    brightest
        Soft limit of what they mirror, the sun above all, in times a white card in the same daylight at the
        reference depth.
    lamp_haze
        Strength of the lamps' haze in front of bubbles; that of the step ``lamp_backscatter``.
    current
        Steady drift of the water, m/s, world axes.
    turbulence, turbulence_scale
        Root mean square speed of eddies, m/s, and size of the largest, metres.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"mouths": "sources"}

    sources: tuple[BubbleSource, ...] = ()
    lens: LensParameters = LensParameters()
    opacity: Share = 0.9
    brightness: Ratio = 1.0
    brightest: Factor = 40.0
    lamp_haze: Ratio = 1.0
    current: Vector = (0.0, 0.0, 0.0)
    turbulence: Ratio = 0.05
    turbulence_scale: Distance = 0.8

    @model_validator(mode="after")
    def _named_apart(self) -> BubblesParameters:
        names = [source.name for source in self.sources]
        if len(set(names)) < len(names):
            raise ValueError("two sources have the same name; each needs one of its own")
        return self


class Bubbles(Operator[BubblesParameters, Drawing]):
    """Lays bubbles over the picture."""

    Parameters = BubblesParameters
    nothing_at: ClassVar = {"opacity": 0.0}
    stage = Stage.FLOATING
    draws = Drawn("bubble_alpha", "bubble_range")
    layer = "bubbles"
    uses = frozenset({"light.shadows", "light.shadow_softness", "light.veil_brightness", "light.veil_tint"})

    def planes(self) -> PlaneUse:
        """Read light and geometry; write light, and the bubbles by themselves with their range."""
        return PlaneUse(
            reads=frozenset({"bands", "alpha", "range"}),
            optional=frozenset({"coverage", "far_range", "far_share", "lamp_seen", "lamp_range"}),
            writes=frozenset(
                {
                    *("bands", "alpha", "bubble_light", "lamp_seen"),
                    *("bubbles", "bubble_alpha", "bubble_range"),
                }
            ),
            adds=frozenset({"bubble_light"}),
            added=True,
        )

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """Without sources, or with nothing to see of the bubbles, the picture stays."""
        return not self.parameters.sources or self.parameters.opacity == 0.0

    def prepare(self, shot: Shot) -> Drawing:
        """Find the bubbles in the water, shade and sort them."""
        p = self.parameters
        exposure = exposure_of(p.lens, shot)
        shade, unhidden = scene_shade(water_shade(shot)), unhidden_by_bodies(shot)
        scene = Scene(shot.path, shot.lamps, p.lamp_haze, shade=shade, unhidden=unhidden)
        sun_share = shot.path.surface_sun_share
        look = BubbleLook(
            p.opacity,
            p.brightness,
            sky_over(SunBeam(sun_zenith(shot), 0.0, water_index()[1]), sun_share=sun_share),
            # Those that the sea leaves out are not seen in the size of a bubble either.
            sum(cox_munk_slopes(shot.sea.wind)),
            p.brightest,
            floor_seen(shot),
        )
        stirring = turbulence(shot.seed, "bubbles", rms_speed_m_s=p.turbulence, largest_m=p.turbulence_scale)

        seed = shot.step_seed("bubbles")

        def found(source: BubbleSource) -> Seen:
            column = Column(source.emitter(shot.fps), seed, shot.path.up, shot.sea_level_m, p.current)
            return seen_bubbles(column, exposure, scene, look, stirring)

        parts = in_parallel(found, p.sources)
        return drawing_of(parts, exposure, shot.path.bands.count)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Drawing) -> Planes:  # noqa: ARG002
        """Lay the bubbles over."""
        picture, surface = np.concatenate([planes["bands"], planes["alpha"][None]]), surface_of(planes)
        pictures, others = [picture], np.zeros(0, np.float32)
        told = tile.wants("bubble_light")
        if told:
            thrown, others = thrown_in(planes, tile, "bubble_light")
            pictures.append(thrown)
        laid = laid_over(prepared, "bubble", tile, surface, pictures, SeenLamps.of(planes))
        if not told:
            return laid
        return {**laid, "bubble_light": pictures[1][:-1] - others}
