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
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from halocline._typing import F32, F64
from halocline.errors import PhysicsError

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


@dataclass(frozen=True)
class Turbulence:
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
                mend="The smallest eddy must be above 0 and no larger than the largest.",
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


def octaves(turbulence: Turbulence, index_step: float) -> list[tuple[float, float]]:
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
    turbulence: Turbulence,
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
    eddies = _Eddies(turbulence, octaves(turbulence, index_step), lens_m, axes, time_s, thickness_m)
    met = np.isfinite(rays.enter_m)
    if not met.any():
        return bend, lost
    apart = max(PLANES_PER_EDDY * turbulence.eddy_m, CLOSEST_PLANES_M)
    for axis in range(3):
        towards = _along(axes[axis], rays.directions)
        from_lens = float(lens_m @ axes[axis])
        if axis == 2:
            planes = _sheets(from_lens, thickness_m, apart)
        else:
            planes = _upright_planes(from_lens, apart, *_reach(towards, rays, met))
        for plane_m, gap_m in planes:
            _turn(bend, lost, rays, eddies, towards, plane_m, gap_m)
    beyond = np.float32(FARTHEST_EDDY_M)
    far = np.subtract(
        np.maximum(rays.leave_m, beyond),
        np.maximum(rays.enter_m, beyond),
        out=np.zeros_like(rays.climb),
        where=met,
    )
    if far.any():
        for radius, index_rms in eddies.sizes:
            lost += np.square(deflection_rms(index_rms, radius, far))
    # Only what is across the ray turns it.
    bend -= np.sum(bend * rays.directions, axis=0) * rays.directions
    return bend, np.sqrt(lost)


def _reach(towards: F32, rays: RayPath, met: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the least and greatest coordinate, from the lens, at which any ray runs through the layer."""
    ends = [
        towards[met] * np.minimum(at[met], np.float32(FARTHEST_EDDY_M)) for at in (rays.enter_m, rays.leave_m)
    ]
    return min(float(end.min()) for end in ends), max(float(end.max()) for end in ends)


def _upright_planes(
    lens_m: float, apart_m: float, least_m: float, greatest_m: float
) -> Iterator[tuple[float, float]]:
    """Yield where planes fixed in the world stand from the lens along an axis, and the gap between them."""
    first = math.floor((lens_m + least_m) / apart_m)
    last = math.ceil((lens_m + greatest_m) / apart_m)
    for number in range(first, last + 1):
        yield number * apart_m - lens_m, apart_m


def _sheets(height_m: float, thickness_m: float, apart_m: float) -> Iterator[tuple[float, float]]:
    """Yield the same for sheets within the layer."""
    count = max(1, round(thickness_m / apart_m))
    gap = thickness_m / count
    for number in range(count):
        yield (number + 0.5) * gap - 0.5 * thickness_m - height_m, gap


@dataclass(frozen=True)
class _Eddies:
    """The field at one time, seen from one place; see `churn`. ``sizes`` are radius and r.m.s. by octave."""

    turbulence: Turbulence
    sizes: list[tuple[float, float]]
    lens_m: F64
    axes: tuple[F64, F64, F64]
    time_s: float
    thickness_m: float


def _turn(
    bend: F32, lost: F32, rays: RayPath, eddies: _Eddies, towards: F32, plane_m: float, gap_m: float
) -> None:
    """Add what the eddies about one plane do to the rays, in place; ``towards`` is along its axis."""
    slant = np.maximum(np.abs(towards), np.float32(1e-4))
    met = np.float32(plane_m) / np.copysign(slant, towards)
    half = np.float32(0.5 * gap_m) / slant
    end = np.minimum(met + half, np.minimum(rays.leave_m, np.float32(FARTHEST_EDDY_M)))
    path = np.maximum(end - np.maximum(met - half, rays.enter_m), np.float32(0.0))
    rows = np.nonzero(path.any(axis=1))[0]
    columns = np.nonzero(path.any(axis=0))[0]
    if len(rows) == 0:
        return
    part = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    slant, path = slant[part], path[part]
    at_plane = np.asarray(met[part], np.float32)
    within, slides = _within_layer(at_plane, rays.climb[part], eddies)
    distance = np.abs(within)
    spacing = distance * np.float32(rays.step_rad) / np.where(within == at_plane, slant, slides)
    spacing = np.maximum(spacing, np.float32(max(rays.travel_m, 1e-6)))
    directions = rays.directions[:, *part]
    at: list[F32] = [np.multiply(_along(direction, directions), within) for direction in eddies.axes]
    for octave, (radius, index_rms) in enumerate(eddies.sizes):
        angle = deflection_rms(index_rms, radius, path)
        angle *= slant
        shown = radius / (np.float32(0.5 * STEPS_PER_EDDY) * spacing) - np.float32(1.0)
        shown = np.minimum(np.maximum(shown, np.float32(0.0)), np.float32(1.0))
        fold = angle * distance * np.float32(1.0 / (FOLDING * radius))
        shown /= np.float32(1.0) + fold * fold
        lost[part] += angle * angle * (np.float32(1.0) - shown * shown)
        angle *= shown
        if angle.any():
            _add_eddies(bend[:, *part], angle, eddies, octave, radius, at)


def _along(axis: F64, directions: F32) -> F32:
    x, y, z = (np.float32(part) for part in axis)
    component: F32 = directions[0] * x + directions[1] * y + directions[2] * z
    return component


def _within_layer(met: F32, climb: F32, eddies: _Eddies) -> tuple[F32, F32]:
    """Return where on each ray the eddies about a plane are read, and the sine at which that place moves.

    A plane that the ray meets outside the layer is stood for by the layer's nearer face: fixed in the world
    too. The still layer is meant; waves would draw the place along with them.
    """
    height = float(eddies.lens_m @ eddies.axes[2])
    half = 0.5 * eddies.thickness_m
    steep = np.copysign(np.maximum(np.abs(climb), np.float32(1e-4)), climb)
    low, high = (np.float32(face - height) / steep for face in (-half, half))
    near, far = np.minimum(low, high), np.maximum(low, high)
    within = np.minimum(np.maximum(met, near), np.minimum(far, np.float32(2.0 * FARTHEST_EDDY_M)))
    return within, np.abs(steep)


def _add_eddies(bend: F32, angle: F32, eddies: _Eddies, octave: int, radius: float, at: list[F32]) -> None:
    field = _field(eddies, octave, radius, at)
    for axis in range(3):
        first, second, normal = (np.float32(direction[axis]) for direction in eddies.axes)
        bend[axis] += angle * (field[..., 0] * first + field[..., 1] * second + field[..., 2] * normal)


def _field(eddies: _Eddies, octave: int, radius: float, at: list[F32]) -> F32:
    """Return one octave of the field, ``(rows, columns, 3)``, r.m.s. 1 per component.

    Two copies of one flat field slide across each other: their sum churns smoothly and never repeats, where
    blending towards a new field now and then would pulse. Each is read on a plane of another slant, so that
    together they vary with height as they do along the layer.

    ``at`` are coordinates along the layer's axes, from the lens.
    """
    turbulence = eddies.turbulence
    tile = _eddy_tile(turbulence.seed)
    churning = turbulence.speed_m_s * (radius / turbulence.eddy_m) ** (1.0 / 3.0)
    per_metre = TILE_SAMPLES_PER_EDDY / radius
    first, second, height = at
    lens_1, lens_2, lens_height = (float(eddies.lens_m @ axis) for axis in eddies.axes)
    total: F32 = np.zeros((*height.shape, 3), np.float32)
    for copy in range(2):
        turn = math.pi * (copy + 0.2 * octave)
        # At right angles to each other.
        slant = np.array([math.cos(turn / 2.0 + 1.0), math.sin(turn / 2.0 + 1.0)])
        drift = np.array(turbulence.drift_m_s) + churning * np.array([math.cos(turn), math.sin(turn)])
        # Irrational shifts keep the copies and octaves apart.
        shift = TILE_SIZE * ((octave * 2 + copy + 1) * np.array([0.7548776662, 0.5698402910]) % 1.0)
        # The large part in float64: far from the world's origin float32 would jitter.
        origin = np.array([lens_1, lens_2]) + slant * lens_height - drift * eddies.time_s
        start = (origin * per_metre + shift) % TILE_SIZE
        across = _wrapped(first + height * np.float32(slant[0]), per_metre, float(start[0]))
        along = _wrapped(second + height * np.float32(slant[1]), per_metre, float(start[1]))
        total += cv2.remap(tile, across, along, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    total *= np.float32(math.sqrt(0.5))
    return total


def _wrapped(metres: F32, per_metre: float, start: float) -> F32:
    """Return places in samples of the tile, 0 to its size."""
    # A floor, because numpy's remainder takes five times as long.
    periods = metres * np.float32(per_metre / TILE_SIZE)
    periods += np.float32(start / TILE_SIZE)
    periods -= np.floor(periods)
    periods *= np.float32(TILE_SIZE)
    return periods


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
