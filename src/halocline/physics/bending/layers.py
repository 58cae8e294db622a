"""Layers between waters of different temperature or salinity, as a view ray meets them.

A layer is a sheet of stated thickness, level or tilted, in which the index goes evenly from that of the water
above to that of the water below. Internal waves lift and tilt it; turbulence mottles the index inside it. For
a grid of view rays `view_layer` says where each ray enters and leaves the sheet and what happens to it there:

- *bend*: the change of direction, by refraction at the (wavy) sheet and by eddies large enough to be seen
- *spread*: the r.m.s. angle by which eddies too small to be seen smear it
- *mirror*: at grazing angles from the denser side, the share of light that is thrown back (total reflection)

Everything is fixed to the world and a smooth function of time, so that a moving camera sees the same eddies
from frame to frame. What the grid cannot resolve is faded out of the bend and put into the spread, never
sampled: an eddy or wave far away does not crawl or boil.

Directions and places are world space, metres; angles are radians.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import cached_property

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.error_function import erfc
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.bending.refraction import CHANNEL_WAVELENGTHS_NM, WaterMass, critical_grazing_angle
from halocline.physics.bending.turbulence import IndexEddies, RayPath, churn

GRAVITY = 9.81
# Beyond this a crossing is as good as at the horizon.
FARTHEST_CROSSING_M = 2000.0
# A ray is followed through a layer for at most this long: beyond, no water lets one see.
LONGEST_PATH_M = 200.0
# A wave train of this many components does not repeat while a shot lasts.
WAVE_COMPONENTS = 12


@dataclass(frozen=True)
class InternalWaves:
    """Waves that run along the layer.

    Attributes
    ----------
    amplitude_m
        Height of a crest of the equivalent single wave: sqrt(2) times the r.m.s. height. 0 is a flat layer.
    length_m
        Wavelength about which the train is spread, by a factor of 2 each way.
    speed_m_s
        Speed of a wave of that length; None takes it from the densities (see `interfacial_speed`).
    heading_deg
        Where they run, degrees from the layer's first axis (see `Layer.axes`) towards its second.
    spread_deg
        R.m.s. angle of the components about the heading.
    seed
        Which of all such wave trains.
    """

    amplitude_m: float = 0.0
    length_m: float = 6.0
    speed_m_s: float | None = None
    heading_deg: float = 0.0
    spread_deg: float = 25.0
    seed: int = 0


@dataclass(frozen=True)
class Layer:
    """One layer between two waters.

    Attributes
    ----------
    point_m
        A point of the middle of the layer, ``(3,)``.
    normal
        Unit, ``(3,)``, towards the water called ``above``.
    thickness_m
        Over which the index changes, above 0.
    above, below
        The two waters.
    waves, turbulence
        See there.
    core
        Water that stands between the two, such as a warm plume in still water: its eddies are what shimmers.
        Without it, the two waters mix with each other.
    extent_m
        Distance from ``point_m`` along the layer within which it acts; it fades as exp(-(d/extent)^2).
    """

    point_m: F64
    normal: F64
    thickness_m: float
    above: WaterMass
    below: WaterMass
    waves: InternalWaves = field(default_factory=InternalWaves)
    turbulence: IndexEddies = field(default_factory=IndexEddies)
    core: WaterMass | None = None
    extent_m: float = math.inf

    def __post_init__(self) -> None:
        if not self.thickness_m > 0:
            raise PhysicsError(
                f"a layer {self.thickness_m:g} m thick is impossible",
                code="E-PHYSICS-LAYER",
                fix="Give a thickness above 0; sharp layers are a few centimetres thick.",
            )
        if abs(float(self.normal @ self.normal) - 1.0) > 1e-6:
            raise PhysicsError(
                "the normal of a layer is not of unit length",
                code="E-PHYSICS-LAYER",
                fix="Normalise it.",
            )

    @cached_property
    def axes(self) -> tuple[F64, F64]:
        """Two unit axes in the layer: the world's x laid into it (z where x stands on it), and across."""
        world = np.eye(3)[0 if abs(self.normal[0]) < 0.9 else 2]
        first = world - (world @ self.normal) * self.normal
        first /= np.linalg.norm(first)
        return first, np.cross(self.normal, first)

    def index_step(self, wavelength_nm: float = 550.0) -> float:
        """Return the index below minus the index above."""
        return self.below.index(wavelength_nm) - self.above.index(wavelength_nm)

    def mixing_step(self, wavelength_nm: float = 550.0) -> float:
        """Return the difference of index that turbulence stirs: of the two waters, or of the core to them."""
        if self.core is None:
            return self.index_step(wavelength_nm)
        sides = 0.5 * (self.above.index(wavelength_nm) + self.below.index(wavelength_nm))
        return self.core.index(wavelength_nm) - sides

    def mirror_range(self, position_m: F64) -> float:
        """Return the range from which on a still layer mirrors, metres; inf where it never does."""
        height = float((position_m - self.point_m) @ self.normal)
        here, there = (self.above, self.below) if height > 0 else (self.below, self.above)
        angle = critical_grazing_angle(here.index(), there.index())
        return abs(height) / math.sin(angle) if angle > 0 else math.inf

    def channel_scales(self) -> tuple[float, float, float]:
        """Return how much more red, green and blue bend than light of 550 nm does."""
        step = self.mixing_step()
        if step == 0.0:
            return 1.0, 1.0, 1.0
        red, green, blue = (self.mixing_step(nm) / step for nm in CHANNEL_WAVELENGTHS_NM)
        return red, green, blue

    def wave_speed(self) -> float:
        """Return the speed of waves of the stated length, m/s."""
        stated = self.waves.speed_m_s
        return stated if stated is not None else interfacial_speed(self.waves.length_m, self)


@dataclass(frozen=True)
class LayerView:
    """What one layer does to each ray of a grid, float32.

    Attributes
    ----------
    enter_m, leave_m
        Range at which the ray enters and leaves the layer; inf where it never meets it. ``(rows, columns)``
    bend
        Whole change of the ray's direction, world space, ``(3, rows, columns)``.
    spread
        R.m.s. angle per axis of what is smeared, ``(rows, columns)``.
    mirror_share
        Share of the light that comes from the mirrored direction, 0 to 1, ``(rows, columns)``.
    mirror_bend
        Change of direction that leads to the mirrored one, ``(3, rows, columns)``.
    """

    enter_m: F32
    leave_m: F32
    bend: F32
    spread: F32
    mirror_share: F32
    mirror_bend: F32


def interfacial_speed(length_m: float, layer: Layer) -> float:
    """Return the speed of a wave between two deep waters, m/s.

    c^2 = g/k (rho_below - rho_above)/(rho_below + rho_above)

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-UNSTABLE`` where the heavier water lies above: no wave, it turns over.

    Notes
    -----
    Source: lamb1932, art. 231. Worked value: 10 m, 15 C over 10 C at 35: 0.0911 m/s.
    """
    above, below = layer.above.density, layer.below.density
    if below <= above:
        raise PhysicsError(
            f"the water above weighs {above:.2f} kg/m3 and that below {below:.2f}: no wave runs between them",
            code="E-PHYSICS-UNSTABLE",
            fix="Exchange the two waters, or state the speed of the waves.",
        )
    wave_number = 2.0 * math.pi / length_m
    return math.sqrt(GRAVITY / wave_number * (below - above) / (below + above))


def view_layer(
    layer: Layer,
    position_m: F64,
    directions: F32,
    *,
    step_rad: float,
    time_s: float,
    travel_m: float = 0.0,
) -> LayerView:
    """Return what a layer does to a grid of view rays.

    Parameters
    ----------
    layer
        The layer.
    position_m
        The lens, ``(3,)``.
    directions
        Unit view directions, ``(3, rows, columns)``, away from the lens.
    step_rad
        Angle between neighbouring rays: what is finer is smeared, not sampled.
    time_s
        Time, seconds.
    travel_m
        Distance that the lens travels from frame to frame.

    Returns
    -------
    LayerView
        Where the rays meet the layer and what it does to them, planes of ``(rows, columns)``.

    Notes
    -----
    A lens inside the layer is allowed for: its rays start at the index of their height. The bend is Snell's
    at the local normal, which for a gradual layer is exact for the direction behind it. Rays that stay inside
    for longer than `LONGEST_PATH_M` are cut off there.
    """
    height = float((position_m - layer.point_m) @ layer.normal)
    climb = _along(layer.normal, directions)
    if _misses(layer, height, climb):
        never, nothing = np.full_like(climb, np.inf), np.zeros_like(directions)
        return LayerView(never, never, nothing, nothing[0], nothing[0], nothing)
    foot = position_m - layer.point_m
    lens = _LensAmongWaves.of(layer, foot, height, time_s)
    surface = _wavy_surface(layer, foot, directions, climb, lens, step_rad=step_rad, time_s=time_s)
    blend = _blend(layer.thickness_m, lens, surface, climb)
    enter, leave = _span(blend)
    met = np.isfinite(enter)
    path = np.subtract(leave, enter, out=np.zeros_like(enter), where=met)

    bend, share, mirror = _refraction(layer, directions, climb, surface, lens)
    rays = RayPath(directions, climb, enter, leave, step_rad, travel_m)
    axes = (*layer.axes, layer.normal)
    eddies, spread = churn(
        layer.turbulence, layer.mixing_step(), rays, foot, axes, layer.thickness_m, time_s=time_s
    )
    bend += eddies
    acts = met if math.isinf(layer.extent_m) else met * _fade(layer, foot, directions, enter, path)
    return LayerView(enter, leave, bend * acts, spread * acts, share * acts, mirror * met)


def _misses(layer: Layer, height: float, climb: F32) -> bool:
    """Tell whether all rays lead away from the layer, however its waves may stand."""
    # All components at their crests at once.
    highest = layer.waves.amplitude_m * math.sqrt(2.0 * WAVE_COMPONENTS)
    clear = abs(height) > 0.5 * layer.thickness_m + highest
    return clear and bool((climb * np.float32(height) > 0).all())


def _fade(layer: Layer, foot: F64, directions: F32, enter: F32, path: F32) -> F32:
    """Return how much a layer of limited extent acts where each ray goes through it, 0 to 1."""
    middle = np.minimum(enter, np.float32(FARTHEST_CROSSING_M)) + np.float32(0.5) * path
    squared = np.zeros_like(middle)
    for axis in layer.axes:
        off = _along(axis, directions) * middle + np.float32(foot @ axis)
        squared += off * off
    fade: F32 = np.exp(squared * np.float32(-1.0 / layer.extent_m**2))
    return fade


@dataclass(frozen=True)
class Blend:
    """How the water above a layer turns into that below it along rays.

    At a range t the share of the water below is ``here + along t``, held between 0 and 1.

    Attributes
    ----------
    here
        At the lens, beyond 0 and 1 where it stands outside the layer; any shape, float32.
    along
        Change with range, 1/m, same shape.
    """

    here: F32
    along: F32


def blend_along(layer: Layer, position_m: F64, directions: F32, *, step_rad: float, time_s: float) -> Blend:
    """Return how two waters turn into each other along rays, see `view_layer` for the parameters.

    Parameters
    ----------
    layer
        The layer.
    position_m
        The lens, world metres, ``(3,)``.
    directions
        Unit view directions, ``(3, rows, columns)``, away from the lens.
    step_rad
        Angle between neighbouring rays: waves on the layer that are finer are left out.
    time_s
        Time, seconds.

    Returns
    -------
    Blend
        A straight line for each ray, ``(rows, columns)``.

    Notes
    -----
    A straight line for each ray: nothing jumps where the lens comes into the layer, leaves it, or looks along
    it. Where waves lift the layer the line is the true one at the lens and where the ray is in the middle of
    the layer.
    """
    height = float((position_m - layer.point_m) @ layer.normal)
    climb = _along(layer.normal, directions)
    foot = position_m - layer.point_m
    lens = _LensAmongWaves.of(layer, foot, height, time_s)
    surface = _wavy_surface(layer, foot, directions, climb, lens, step_rad=step_rad, time_s=time_s)
    return _blend(layer.thickness_m, lens, surface, climb)


@dataclass(frozen=True)
class _LensAmongWaves:
    """A lens's height above the still middle of a layer, the layer's lift there, and how near to it it is.

    ``nearness`` is 1 within the layer and falls to 0 outside it. Far from a layer only where a ray meets it
    counts, whatever the lens's own place.
    """

    height_m: float
    lift_m: float
    nearness: float

    @classmethod
    def of(cls, layer: Layer, foot: F64, height_m: float, time_s: float) -> _LensAmongWaves:
        lift = _lift_at(layer, foot, time_s)
        outside = abs(height_m - lift) - 0.5 * layer.thickness_m
        width = layer.thickness_m + 4.0 * layer.waves.amplitude_m
        return cls(height_m, lift, min(1.0, max(0.0, 1.0 - outside / width)))

    @property
    def reckoned_m(self) -> float:
        """Height from which rays are followed to the layer."""
        return self.height_m - self.nearness * self.lift_m


@dataclass(frozen=True)
class _Surface:
    """The wavy middle of a layer where each ray meets it.

    Range of that place, inf where there is none; lift and local normal there, and r.m.s. slope lost to the
    grid.
    """

    range_m: F32
    lift: F32
    normal: F32
    lost_slope: F32


def _along(axis: F64, directions: F32) -> F32:
    """Return the component of directions along an axis (no BLAS: its sums may depend on the array's size)."""
    x, y, z = (np.float32(part) for part in axis)
    component: F32 = directions[0] * x + directions[1] * y + directions[2] * z
    return component


def _middle(thickness: float, height: float, climb: F32) -> F32:
    """Return the range of the middle of each ray's way through a still layer, inf where it never gets there.

    ``height`` is the lens's above the middle of the layer. From within it, half of the way out.
    """
    half = np.float32(0.5 * thickness)
    towards = -np.copysign(np.float32(height), climb * np.float32(height))
    first, last = np.maximum(towards - half, np.float32(0.0)), towards + half
    steep = np.maximum(np.abs(climb), np.float32(1e-9))
    return np.where(last > 0, np.float32(0.5) * (first + last) / steep, np.float32(np.inf))


def _blend(thickness: float, lens: _LensAmongWaves, surface: _Surface, climb: F32) -> Blend:
    """Return `blend_along`."""
    near, here = np.float32(lens.nearness), np.float32(lens.lift_m)
    rises: F32 = surface.lift - here
    lift = surface.lift - near * rises
    # The layer rises on the way to where the ray meets it. Of a ray that leaves a layer behind, what is still
    # ahead of the lens counts less and less.
    below = np.float32(0.5 - (lens.height_m - lens.lift_m) / thickness)
    ahead = np.clip(np.where(climb > 0, below, np.float32(1.0) - below), np.float32(0.0), np.float32(1.0))
    rise = rises * (near * ahead).astype(np.float32)
    rise /= np.maximum(surface.range_m, np.float32(1e-3))
    per_metre = np.float32(1.0 / thickness)
    share: F32 = np.float32(0.5) - (np.float32(lens.height_m) - lift) * per_metre
    along: F32 = (rise - climb) * per_metre
    return Blend(share, along)


def _span(blend: Blend) -> tuple[F32, F32]:
    """Return where each ray enters and leaves the layer, metres, inf where it never does."""
    steep = np.where(np.abs(blend.along) < 1e-9, np.float32(1e-9), blend.along)
    low, high = -blend.here / steep, (np.float32(1.0) - blend.here) / steep
    enter, leave = np.minimum(low, high), np.maximum(low, high)
    met = (leave > 0) & (enter < np.float32(FARTHEST_CROSSING_M))
    enter = np.where(met, np.maximum(enter, np.float32(0.0)), np.float32(np.inf))
    leave = np.where(met, np.minimum(leave, enter + np.float32(LONGEST_PATH_M)), np.float32(np.inf))
    return enter, leave


def _wave_train(layer: Layer) -> tuple[F64, F64, F64, F64]:
    """Return wave vectors ``(n, 2)`` rad/m, amplitudes m, angular speeds rad/s and phases of the train."""
    waves = layer.waves
    draw = np.random.Generator(np.random.Philox(key=[waves.seed & 0xFFFFFFFFFFFFFFFF, 0x7761766573]))
    lengths = waves.length_m * 2.0 ** draw.uniform(-1.0, 1.0, WAVE_COMPONENTS)
    headings = np.radians(waves.heading_deg + waves.spread_deg * draw.standard_normal(WAVE_COMPONENTS))
    phases = draw.uniform(0.0, 2.0 * math.pi, WAVE_COMPONENTS)
    numbers = 2.0 * math.pi / lengths
    # Equal steepness for all; sum of a^2/2 is half the square of the stated amplitude.
    amplitudes = waves.amplitude_m * lengths / math.sqrt(float(lengths @ lengths))
    vectors = numbers[:, None] * np.stack([np.cos(headings), np.sin(headings)], axis=1)
    # Speed goes with the square root of the length (see interfacial_speed).
    speeds = layer.wave_speed() * np.sqrt(lengths / waves.length_m)
    return vectors, amplitudes, numbers * speeds, phases


def _lift_at(layer: Layer, foot: F64, time_s: float) -> float:
    """Return how high the waves lift the layer at the lens, metres."""
    if layer.waves.amplitude_m == 0.0:
        return 0.0
    vectors, amplitudes, speeds, phases = _wave_train(layer)
    at = np.array([foot @ axis for axis in layer.axes])
    return float(amplitudes @ np.cos((vectors * at).sum(axis=1) - speeds * time_s + phases))


def _wavy_surface(
    layer: Layer,
    foot: F64,
    directions: F32,
    climb: F32,
    lens: _LensAmongWaves,
    *,
    step_rad: float,
    time_s: float,
) -> _Surface:
    middle = _middle(layer.thickness_m, lens.reckoned_m, climb)
    lift = np.zeros_like(climb)
    normal = np.empty_like(directions)
    normal[:] = layer.normal.astype(np.float32)[:, None, None]
    lost = np.zeros_like(climb)
    if layer.waves.amplitude_m == 0.0:
        return _Surface(middle, lift, normal, lost)

    # The waves are read where the flat middle is met.
    spot = _Footprint.of(layer, directions, climb, middle, step_rad)
    first, second = layer.axes
    origin = np.array([foot @ first, foot @ second])
    slope_1, slope_2 = np.zeros_like(climb), np.zeros_like(climb)
    for vector, amplitude, speed, phase in zip(*_wave_train(layer), strict=True):
        # The large part of the phase in float64: far from the world's origin float32 would jitter.
        start = np.float32((float(vector @ origin) - speed * time_s + phase) % (2.0 * math.pi))
        k1, k2 = np.float32(vector[0]), np.float32(vector[1])
        angle = spot.at_1 * k1 + spot.at_2 * k2 + start
        blur = (k1 * spot.heading_1 + k2 * spot.heading_2) * spot.half_along
        blur_across = (k2 * spot.heading_1 - k1 * spot.heading_2) * spot.half_across
        kept = np.exp(np.float32(-0.5) * (blur * blur + blur_across * blur_across))
        wave = np.float32(amplitude) * kept
        lift += wave * np.cos(angle)
        swing = wave * np.sin(angle)
        slope_1 -= k1 * swing
        slope_2 -= k2 * swing
        steepness = 0.5 * (amplitude * float(np.linalg.norm(vector))) ** 2
        lost += np.float32(steepness) * (np.float32(1.0) - kept * kept)
    for axis in range(3):
        normal[axis] -= slope_1 * np.float32(first[axis]) + slope_2 * np.float32(second[axis])
    normal /= np.sqrt(np.float32(1.0) + slope_1 * slope_1 + slope_2 * slope_2)
    return _Surface(middle, lift, normal, np.sqrt(lost))


@dataclass(frozen=True)
class _Footprint:
    """Where each ray of a grid meets the layer, in the layer's two axes, and how far it is to the next ray.

    ``heading`` is the view's unit direction along the layer, ``at`` the place relative to the lens, ``half``
    half the distance to the neighbouring rays along and across the heading; metres.
    """

    heading_1: F32
    heading_2: F32
    at_1: F32
    at_2: F32
    half_along: F32
    half_across: F32

    @classmethod
    def of(cls, layer: Layer, directions: F32, climb: F32, range_m: F32, step_rad: float) -> _Footprint:
        distance = np.minimum(range_m, np.float32(FARTHEST_CROSSING_M))
        first, second = (_along(axis, directions) for axis in layer.axes)
        level: F32 = np.maximum(np.hypot(first, second), np.float32(1e-6)).astype(np.float32)
        across = distance * np.float32(0.5 * step_rad)
        along: F32 = (across / np.maximum(np.abs(climb), np.float32(1e-4))).astype(np.float32)
        return cls(first / level, second / level, first * distance, second * distance, along, across)


def _refraction(
    layer: Layer, directions: F32, climb: F32, surface: _Surface, lens: _LensAmongWaves
) -> tuple[F32, F32, F32]:
    """Return bend, mirrored share and the change of direction that mirrors."""
    n_above, n_below = layer.above.index(), layer.below.index()
    # A lens inside the layer stands in water of an index between the two.
    share_below = min(1.0, max(0.0, 0.5 - (lens.height_m - lens.lift_m) / layer.thickness_m))
    n_lens = n_above + (n_below - n_above) * share_below
    # The side is that of the layer as a whole: a ray never meets the back of a wave, a crest hides it.
    up = climb > 0
    facing = np.where(up, -surface.normal, surface.normal)
    grazing = np.maximum(-np.sum(directions * facing, axis=0), np.float32(0.0))
    excess = np.where(up, np.float32(n_lens / n_above - 1.0), np.float32(n_lens / n_below - 1.0))
    bend = _snell_bend(directions, facing, grazing, excess)

    critical = np.where(
        up,
        np.float32(critical_grazing_angle(n_lens, n_above)),
        np.float32(critical_grazing_angle(n_lens, n_below)),
    )
    # Slopes that the grid cannot show soften the edge of total reflection.
    rough = np.sqrt(surface.lost_slope * surface.lost_slope + np.float32(1e-3) ** 2)
    share = np.float32(0.5) * erfc((grazing - critical) / (np.float32(math.sqrt(2.0)) * rough))
    # No mirror towards the denser water: nothing is totally reflected there.
    share *= critical > 0
    mirror = np.float32(2.0) * grazing * facing
    return bend, share.astype(np.float32), mirror.astype(np.float32)


def _snell_bend(directions: F32, facing: F32, grazing: F32, excess: F32) -> F32:
    """Return the change of direction at the surface (see `refraction.refract`); thrown-back rays graze it.

    ``excess`` is the ratio of indices minus 1. Written without differences of nearly equal numbers, of which
    float32 would leave nothing.
    """
    sine2 = np.float32(1.0) - grazing * grazing
    # Difference of the squared sines of the two grazing angles; no more than there is.
    drop = np.minimum(excess * (np.float32(2.0) + excess) * sine2, grazing * grazing)
    leaving = np.sqrt(grazing * grazing - drop)
    # Grazing rays between equal waters are 0/0, and stay as they are.
    lift = drop / np.maximum(grazing + leaving, np.float32(1e-12))
    bend: F32 = excess * directions + (excess * grazing + lift) * facing
    return bend
