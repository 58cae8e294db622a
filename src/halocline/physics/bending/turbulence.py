"""Turbulence in a layer: eddies of water whose index differs turn a ray this way and that.

Eddies that the picture can show displace it (shimmer); those too fine to be seen smear it. Both follow from
the same statistics: sizes by octaves, each octave a random field with correlation exp(-r^2/radius^2).

Along a layer a ray passes many eddies one behind the other. It is cut where it crosses planes that are
fixed in the world, square to the layer's two axes and to its normal; each piece is turned by the eddies found
where the ray meets the plane. A ray that is the same line in the world is thus turned the same way wherever
the lens stands on it, and the field lies still in the world for any motion of the camera. The three sets of
planes share the work by the squares of the ray's direction cosines, which sum to 1, so that none is met too
slantwise.

The field drifts and churns as a smooth function of time.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.error_function import erf
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass

# Eddies: samples across one eddy radius and across the periodic tile; 64 eddies to a period.
TILE_SAMPLES_PER_EDDY = 8
TILE_SIZE = 512
# An eddy is displayed in full when its radius spans this many steps of the grid (its swell and hollow then
# span some nine), and not at all below half of it.
STEPS_PER_EDDY = 2.0
# Distance between the planes, in radii of the largest eddies, and at least this many metres.
PLANES_PER_EDDY = 4.0
CLOSEST_PLANES_M = 1.0
# Beyond this range all eddies are smeared: what they still displace is a pixel's fraction.
FARTHEST_EDDY_M = 30.0
# Where an eddy's bend, seen from the lens, grows to this share of its own width, half of it is smeared: rays
# begin to cross there, and each place is seen in several images that run into each other.
FOLDING = 0.2
# Entries of the table of random walks for each radius of path; straight lines between them are off by 1e-6.
WALKS_PER_RADIUS = 256


@dataclass(frozen=True)
class IndexEddies:
    """Mottling of the index inside the layer.

    Attributes
    ----------
    strength
        R.m.s. variation of the index as a share of the step across the layer, 0 to 1.
    eddy_m
        Radius of the largest eddies (correlation exp(-r^2/radius^2)).
    finest_m
        Radius of the smallest eddies.
    speed_m_s
        How fast the largest eddies churn; smaller ones by the cube root of their size (kolmogorov1941).
    drift_m_s
        Current along the layer's two axes that carries them all.
    seed
        Which of all such fields.
    """

    strength: float = 0.0
    eddy_m: float = 0.25
    finest_m: float = 0.004
    speed_m_s: float = 0.03
    drift_m_s: tuple[float, float] = (0.0, 0.0)
    seed: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.finest_m <= self.eddy_m:
            raise PhysicsError(
                f"eddies from {self.finest_m:g} m to {self.eddy_m:g} m are impossible",
                code="E-PHYSICS-LAYER",
                fix="The smallest eddy must be above 0 and no larger than the largest.",
            )


@dataclass(frozen=True)
class RayPath:
    """Rays of a grid and where they run through a layer.

    Attributes
    ----------
    directions
        Unit, ``(3, rows, columns)``.
    climb
        Their component along the layer's normal.
    enter_m, leave_m
        Range at which each enters and leaves the layer; inf where it never does.
    step_rad
        Angle between neighbouring rays.
    travel_m
        Distance that the lens travels from frame to frame: eddies that it leaves behind in that time smear.
    """

    directions: F32
    climb: F32
    enter_m: F32
    leave_m: F32
    step_rad: float
    travel_m: float = 0.0


def deflection_rms(index_rms: float, eddy_m: float, path_m: F32) -> F32:
    """Return the r.m.s. angle, per axis, by which eddies of one size turn a ray.

    theta^2 = 2 sigma^2 / l^2 (sqrt(pi) l L erf(L/l) - l^2 (1 - exp(-L^2/l^2)))

    Parameters
    ----------
    index_rms
        sigma, r.m.s. relative variation of the index; correlation sigma^2 exp(-r^2/l^2).
    eddy_m
        l, metres.
    path_m
        L, metres through the eddies, any shape.

    Notes
    -----
    Follows from integrating the gradient across the ray along it. Long paths give 2 sqrt(pi) sigma^2 L/l
    (chernov1960), short ones 2 sigma^2 L^2/l^2.
    Worked value: sigma 1e-4, l 0.1 m, L 1 m gives 5.77e-4.
    """
    ratio = np.asarray(path_m / np.float32(eddy_m))
    walk = np.float32(math.sqrt(math.pi)) * ratio * erf(ratio) + np.expm1(-ratio * ratio)
    angle: F32 = np.float32(math.sqrt(2.0) * index_rms) * np.sqrt(np.maximum(walk, np.float32(0.0)))
    return angle


def octaves(turbulence: IndexEddies, index_step: float) -> list[tuple[float, float]]:
    """Return the eddies by size: radius, metres, and r.m.s. variation of the index.

    Variance falls with size to the power 2/3, as a passive quantity's does in stirred water (obukhov1949),
    and sums to the stated strength.
    """
    count = 1 + int(math.log2(turbulence.eddy_m / turbulence.finest_m) + 1e-9)
    radii = [turbulence.eddy_m * 0.5**k for k in range(count)]
    weights = [radius ** (2.0 / 3.0) for radius in radii]
    total = abs(index_step) * turbulence.strength
    return [(r, total * math.sqrt(w / sum(weights))) for r, w in zip(radii, weights, strict=True)]


def churn(
    turbulence: IndexEddies,
    index_step: float,
    rays: RayPath,
    lens_m: F64,
    axes: tuple[F64, F64, F64],
    thickness_m: float,
    *,
    time_s: float,
) -> tuple[F32, F32]:
    """Return what turbulence does to rays: the bend that shows, and the r.m.s. angle of the rest.

    Parameters
    ----------
    turbulence
        The eddies.
    index_step
        Difference of index that is stirred.
    rays
        The rays.
    lens_m
        Where they start, ``(3,)``, from a point in the middle of the layer.
    axes
        The layer's two axes and its normal.
    thickness_m
        Of the layer.
    time_s
        Time, seconds.

    Returns
    -------
    ``(3, rows, columns)`` change of direction, and ``(rows, columns)`` angle per axis.
    """
    bend, lost = np.zeros_like(rays.directions), np.zeros_like(rays.climb)
    if turbulence.strength == 0.0 or index_step == 0.0:
        return bend, lost
    met = np.isfinite(rays.enter_m)
    if not met.any():
        return bend, lost
    sizes = octaves(turbulence, index_step)
    _turn(
        np.ascontiguousarray(rays.directions),
        np.ascontiguousarray(rays.enter_m),
        np.ascontiguousarray(rays.leave_m),
        np.array(axes, np.float32),
        _planes(turbulence, lens_m, axes, thickness_m),
        np.array(sizes, np.float32),
        _drifting_tiles(turbulence, [radius for radius, _ in sizes], lens_m, axes, time_s),
        _eddy_tile(turbulence.seed).reshape(-1),
        _walk_table(),
        np.float32(rays.step_rad),
        np.float32(max(rays.travel_m, 1e-6)),
        bend,
        lost,
    )
    beyond = np.float32(FARTHEST_EDDY_M)
    far = np.subtract(
        np.maximum(rays.leave_m, beyond),
        np.maximum(rays.enter_m, beyond),
        out=np.zeros_like(rays.climb),
        where=met,
    )
    if far.any():
        for radius, index_rms in sizes:
            lost += np.square(deflection_rms(index_rms, radius, far))
    # Only what is across the ray turns it.
    bend -= np.sum(bend * rays.directions, axis=0) * rays.directions
    return bend, np.sqrt(lost)


def _planes(turbulence: IndexEddies, lens_m: F64, axes: tuple[F64, F64, F64], thickness_m: float) -> F64:
    """Return where the planes stand that cut the rays, ``(3, 4)``, along each axis.

    Place of number 0 from the lens, gap to the next, least and greatest number. Those square to the layer's
    two axes are fixed in the world, however many a ray meets; the others are sheets within the layer.
    """
    apart = max(PLANES_PER_EDDY * turbulence.eddy_m, CLOSEST_PLANES_M)
    count = max(1, round(thickness_m / apart))
    gap = thickness_m / count
    first, second, height = (float(lens_m @ axis) for axis in axes)
    return np.array(
        [
            [-first, apart, -math.inf, math.inf],
            [-second, apart, -math.inf, math.inf],
            [0.5 * gap - 0.5 * thickness_m - height, gap, 0, count - 1],
        ]
    )


def _drifting_tiles(
    turbulence: IndexEddies,
    radii: list[float],
    lens_m: F64,
    axes: tuple[F64, F64, F64],
    time_s: float,
) -> F32:
    """Return how each octave's field lies over the layer, ``(octaves, 2 copies, 5)``.

    Two copies of one flat field slide across each other: their sum churns smoothly and never repeats, where
    blending towards a new field now and then would pulse. Each is read on a plane of another slant, so that
    together they vary with height as they do along the layer.

    Periods of the tile per metre, the period in which the lens stands (along both axes), and the slant.
    """
    lens_1, lens_2, lens_height = (float(lens_m @ axis) for axis in axes)
    lies = np.empty((len(radii), 2, 5))
    for octave, radius in enumerate(radii):
        churning = turbulence.speed_m_s * (radius / turbulence.eddy_m) ** (1.0 / 3.0)
        per_metre = TILE_SAMPLES_PER_EDDY / radius / TILE_SIZE
        for copy in range(2):
            turn = math.pi * (copy + 0.2 * octave)
            # At right angles to each other.
            slant = np.array([math.cos(turn / 2.0 + 1.0), math.sin(turn / 2.0 + 1.0)])
            drift = np.array(turbulence.drift_m_s) + churning * np.array([math.cos(turn), math.sin(turn)])
            # Irrational shifts keep the copies and octaves apart.
            shift = (octave * 2 + copy + 1) * np.array([0.7548776662, 0.5698402910])
            # The large part in float64: far from the world's origin float32 would jitter.
            origin = np.array([lens_1, lens_2]) + slant * lens_height - drift * time_s
            lies[octave, copy] = [per_metre, *((origin * per_metre + shift) % 1.0), *slant]
    return lies.astype(np.float32)


@compiled
def _turn(
    directions: F32,
    enter_m: F32,
    leave_m: F32,
    axes: F32,
    planes: F64,
    sizes: F32,
    lies: F32,
    tile: F32,
    walks: F32,
    step_rad: np.float32,
    travel_m: np.float32,
    bend: F32,
    lost: F32,
) -> None:
    """Add what the eddies do to the rays: to the bend what shows, to ``lost`` the rest, squared."""
    zero, one, steepest = np.float32(0.0), np.float32(1.0), np.float32(1e-4)
    root_2, farthest = np.float32(math.sqrt(2.0)), np.float32(FARTHEST_EDDY_M)
    shows, folds = np.float32(0.5 * STEPS_PER_EDDY), np.float32(1.0 / FOLDING)
    # The layer's faces, seen from the lens: half a gap before the first sheet and after the last.
    low_m = np.float32(planes[2, 0] - 0.5 * planes[2, 1])
    high_m = np.float32(planes[2, 0] + (planes[2, 3] + 0.5) * planes[2, 1])
    towards, field = np.empty(3, np.float32), np.empty(3, np.float32)
    for row in range(enter_m.shape[0]):
        for column in range(enter_m.shape[1]):
            enter, end = enter_m[row, column], min(leave_m[row, column], farthest)
            if not enter < end:
                continue
            for axis in range(3):
                towards[axis] = (
                    directions[0, row, column] * axes[axis, 0]
                    + directions[1, row, column] * axes[axis, 1]
                    + directions[2, row, column] * axes[axis, 2]
                )
            # A plane that the ray meets outside the layer is stood for by the layer's nearer face: fixed in
            # the world too. The still layer is meant; waves would draw the place along with them.
            climb = np.copysign(max(abs(towards[2]), steepest), towards[2])
            near, far = min(low_m / climb, high_m / climb), max(low_m / climb, high_m / climb)
            far = min(far, np.float32(2.0) * farthest)
            turned_1 = turned_2 = turned_3 = smeared = zero
            for axis in range(3):
                origin, gap = planes[axis, 0], planes[axis, 1]
                slant = max(abs(towards[axis]), steepest)
                along = np.copysign(slant, towards[axis])
                ends = (along * enter - origin) / gap, (along * end - origin) / gap
                first = max(math.floor(min(ends[0], ends[1]) + 0.5) - 1.0, planes[axis, 2])
                last = min(math.floor(max(ends[0], ends[1]) + 0.5) + 1.0, planes[axis, 3])
                half_gap = np.float32(0.5 * gap) / slant
                for number in range(int(first), int(last) + 1):
                    met = np.float32(origin + number * gap) / along
                    path = min(met + half_gap, end) - max(met - half_gap, enter)
                    if path <= zero:
                        continue
                    within = min(max(met, near), far)
                    distance = abs(within)
                    spacing = distance * step_rad / (slant if within == met else abs(climb))
                    spacing = max(spacing, travel_m)
                    at = towards[0] * within, towards[1] * within, towards[2] * within
                    for octave in range(sizes.shape[0]):
                        radius = sizes[octave, 0]
                        angle = root_2 * sizes[octave, 1] * _walked(path / radius, walks) * slant
                        shown = min(max(radius / (shows * spacing) - one, zero), one)
                        if shown <= zero:
                            smeared += angle * angle
                            continue
                        fold = angle * distance * folds / radius
                        shown /= one + fold * fold
                        smeared += angle * angle * (one - shown * shown)
                        angle *= shown
                        if angle > zero:
                            _read(tile, lies, np.uintp(octave), at, field)
                            angle *= np.float32(math.sqrt(0.5))
                            turned_1 += angle * field[0]
                            turned_2 += angle * field[1]
                            turned_3 += angle * field[2]
            for k in range(3):
                bend[k, row, column] += turned_1 * axes[0, k] + turned_2 * axes[1, k] + turned_3 * axes[2, k]
            lost[row, column] += smeared


@compiled
def _walked(ratio: np.float32, walks: F32) -> np.float32:
    """Return the root of the random walk of a path of so many radii: see `deflection_rms`."""
    place = ratio * np.float32(WALKS_PER_RADIUS)
    if place >= np.float32(walks.shape[0] - 1):
        # The error function is 1, the exponential 0.
        whole: np.float32 = np.sqrt(np.float32(math.sqrt(math.pi)) * ratio - np.float32(1.0))
        return whole
    before = np.uintp(place)
    step = walks[before + np.uintp(1)] - walks[before]
    walked: np.float32 = walks[before] + (place - np.float32(before)) * step
    return walked


@compiled
def _read(
    tile: F32, lies: F32, octave: np.uintp, at: tuple[np.float32, np.float32, np.float32], field: F32
) -> None:
    """Write the sum of both copies of an octave's field at a place along the layer's axes, from the lens."""
    size, across_tile = np.float32(TILE_SIZE), np.uintp(3 * (TILE_SIZE + 1))
    most, parts, one, two = np.uintp(TILE_SIZE - 1), np.uintp(3), np.uintp(1), np.uintp(2)
    field_1 = field_2 = field_3 = np.float32(0.0)
    for copy in range(np.uintp(2)):
        per_metre = lies[octave, copy, 0]
        across = (at[0] + at[2] * lies[octave, copy, 3]) * per_metre + lies[octave, copy, 1]
        along = (at[1] + at[2] * lies[octave, copy, 4]) * per_metre + lies[octave, copy, 2]
        across = (across - np.floor(across)) * size
        along = (along - np.floor(along)) * size
        # Just below a whole number the fraction is rounded up to one.
        x, y = min(np.uintp(across), most), min(np.uintp(along), most)
        part_x, part_y = across - np.float32(x), along - np.float32(y)
        upper = y * across_tile + x * parts
        lower = upper + across_tile
        field_1 += _between(tile, upper, lower, part_x, part_y)
        field_2 += _between(tile, upper + one, lower + one, part_x, part_y)
        field_3 += _between(tile, upper + two, lower + two, part_x, part_y)
    field[0], field[1], field[2] = field_1, field_2, field_3


@compiled
def _between(
    tile: F32, upper: np.uintp, lower: np.uintp, part_x: np.float32, part_y: np.float32
) -> np.float32:
    """Return one part of the field between four samples, of which the first of two rows are told."""
    parts = np.uintp(3)
    above = tile[upper] + part_x * (tile[upper + parts] - tile[upper])
    below = tile[lower] + part_x * (tile[lower + parts] - tile[lower])
    between: np.float32 = above + part_y * (below - above)
    return between


@lru_cache(maxsize=1)
def _walk_table() -> F32:
    """Return the root of the random walk (see `_walked`) for paths of 0 to 4 radii."""
    ratio = np.arange(4 * WALKS_PER_RADIUS + 1) / WALKS_PER_RADIUS
    walk = math.sqrt(math.pi) * ratio * erf(ratio) + np.expm1(-ratio * ratio)
    table: F32 = np.sqrt(np.maximum(walk, 0.0)).astype(np.float32)
    return table


@lru_cache(maxsize=4)
def _eddy_tile(seed: int) -> F32:
    """Return one period of a smooth random field, ``(size + 1, size + 1, 3)``, r.m.s. 1.

    Correlation exp(-r^2/radius^2); the first two components are the gradient of the third.
    """
    draw = np.random.Generator(np.random.Philox(key=[seed & 0xFFFFFFFFFFFFFFFF, 0x656464696573]))
    white = np.fft.rfft2(draw.standard_normal((TILE_SIZE, TILE_SIZE)))
    across = 2.0 * math.pi * np.fft.rfftfreq(TILE_SIZE)[None, :] * TILE_SAMPLES_PER_EDDY
    down = 2.0 * math.pi * np.fft.fftfreq(TILE_SIZE)[:, None] * TILE_SAMPLES_PER_EDDY
    # The square root of the spectrum of exp(-r^2), which is a Gaussian too.
    smooth = white * np.exp(-(across * across + down * down) / 8.0)
    smooth[0, 0] = 0.0
    fields = [
        np.fft.irfft2(part, (TILE_SIZE, TILE_SIZE))
        for part in (1j * across * smooth, 1j * down * smooth, smooth)
    ]
    tile = np.stack([plane / plane.std() for plane in fields], axis=-1)
    wrapped: F32 = np.pad(tile, ((0, 1), (0, 1), (0, 0)), mode="wrap").astype(np.float32)
    return wrapped
