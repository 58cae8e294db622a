"""Turbulence in a layer: eddies of water whose index differs turn a ray this way and that.

Eddies that the picture can show displace it (shimmer); those too fine to be seen smear it. Both follow from
the same statistics: sizes by octaves, each octave a random field with correlation exp(-r^2/radius^2). The ray
is followed through them in shells of range. Shells, because along a layer a ray passes many eddies one behind
the other, and they must neither be merged into one nor sampled where the picture is too coarse for them.

The field is fixed to the world (and carried by its drift), and a smooth function of time. One liberty is
taken: a lens that moves along a grazing view moves its shells through the eddies, so that they change within
an eddy's length of travel, sooner than they would.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from scipy.special import erf

from halocline._typing import F32, F64
from halocline.errors import PhysicsError

# Eddies: samples across one eddy radius and across the periodic tile; 64 eddies to a period.
TILE_SAMPLES_PER_EDDY = 8
TILE_SIZE = 512
# An eddy is displayed in full when its radius spans this many steps of the grid (its swell and hollow then
# span some nine), and not at all below half of it.
STEPS_PER_EDDY = 2.0
# Shells of range: the first ends here, each reaches this much farther than the one before it.
FIRST_SHELL_M = 0.5
SHELL_RATIO = 1.5
SHELL_COUNT = 15
# Where an eddy's bend, seen from the lens, grows to this share of the eddy's own width, half of it is smeared:
# rays begin to cross there, and each place is seen in several images that run into each other.
FOLDING = 0.2
FARTHEST_M = 1e5


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
    """

    directions: F32
    climb: F32
    enter_m: F32
    leave_m: F32
    step_rad: float

    def in_shell(self, near_m: float, far_m: float) -> tuple[F32, F32]:
        """Return the path within a shell of range, metres (0 where there is none), and its middle's range."""
        start = np.maximum(self.enter_m, np.float32(near_m))
        end = np.minimum(self.leave_m, np.float32(far_m))
        path = np.maximum(end - start, np.float32(0.0))
        return path, np.minimum(start, np.float32(far_m)) + np.float32(0.5) * path


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
    *,
    time_s: float,
) -> tuple[F32, F32]:
    """Return what turbulence does to rays: the bend that shows, and the r.m.s. angle of the rest.

    Parameters
    ----------
    turbulence
        The eddies.
    index_step
        Index on one side of the layer less that on the other.
    rays
        The rays.
    lens_m
        Where they start, ``(3,)``, from a point fixed in the layer.
    axes
        The layer's two axes and its normal.
    time_s
        Time, seconds.

    Returns
    -------
    ``(3, rows, columns)`` change of direction, and ``(rows, columns)`` angle per axis.
    """
    bend, lost = np.zeros_like(rays.directions), np.zeros_like(rays.climb)
    if turbulence.strength == 0.0 or index_step == 0.0:
        return bend, lost
    sizes = octaves(turbulence, index_step)
    edges = [0.0, *(FIRST_SHELL_M * SHELL_RATIO**k for k in range(SHELL_COUNT - 1)), FARTHEST_M]
    for near_m, far_m in pairwise(edges):
        path, middle = rays.in_shell(near_m, far_m)
        rows = np.nonzero(path.any(axis=1))[0]
        if len(rows) == 0:
            continue
        band = slice(int(rows[0]), int(rows[-1]) + 1)
        directions = rays.directions[:, band]
        at = [_along(axis, directions) * middle[band] for axis in axes]
        places = _Places(lens_m, axes, at, time_s)
        spacing = _spacing(rays.climb[band], path[band], middle[band], far_m - near_m, rays.step_rad)
        for octave, (radius, index_rms) in enumerate(sizes):
            angle = deflection_rms(index_rms, radius, path[band])
            shown = radius / (np.float32(0.5 * STEPS_PER_EDDY) * spacing) - np.float32(1.0)
            shown = np.minimum(np.maximum(shown, np.float32(0.0)), np.float32(1.0))
            fold = angle * middle[band] * np.float32(1.0 / (FOLDING * radius))
            shown /= np.float32(1.0) + fold * fold
            lost[band] += angle * angle * (np.float32(1.0) - shown * shown)
            angle *= shown
            if angle.any():
                _add_eddies(bend[:, band], angle, places, turbulence, octave, radius)
    # Only what is across the ray turns it.
    bend -= np.sum(bend * rays.directions, axis=0) * rays.directions
    return bend, np.sqrt(lost)


@dataclass(frozen=True)
class _Places:
    """Points on rays: the lens, the axes, the points' coordinates along them from the lens, and the time."""

    lens_m: F64
    axes: tuple[F64, F64, F64]
    at: list[F32]
    time_s: float


def _spacing(climb: F32, path: F32, middle: F32, shell_m: float, step_rad: float) -> F32:
    """Return how far apart the middles of neighbouring rays' paths lie in the field, metres.

    Where a ray is inside the layer for the whole shell, they lie side by side; where it merely crosses, they
    slide along the layer.
    """
    apart = middle * np.float32(step_rad)
    slides = np.float32(1.0) - path * np.float32(1.0 / shell_m)
    slide = slides / np.maximum(np.abs(climb), np.float32(1e-3))
    spacing: F32 = np.maximum(apart * np.maximum(slide, np.float32(1.0)), np.float32(1e-6))
    return spacing


def _along(axis: F64, directions: F32) -> F32:
    x, y, z = (np.float32(part) for part in axis)
    component: F32 = directions[0] * x + directions[1] * y + directions[2] * z
    return component


def _add_eddies(
    bend: F32, angle: F32, places: _Places, turbulence: Turbulence, octave: int, radius: float
) -> None:
    eddies = _eddies(turbulence, octave, radius, places)
    for axis in range(3):
        first, second, normal = (np.float32(direction[axis]) for direction in places.axes)
        bend[axis] += angle * (eddies[..., 0] * first + eddies[..., 1] * second + eddies[..., 2] * normal)


def _eddies(turbulence: Turbulence, octave: int, radius: float, places: _Places) -> F32:
    """Return one octave of the field, ``(rows, columns, 3)``, r.m.s. 1 per component.

    Three copies of one flat field slide across each other: their sum churns smoothly and never repeats, where
    blending towards a new field now and then would pulse. Each is read on a plane of another slant, so that
    together they vary with height as they do along the layer.
    """
    tile = _eddy_tile(turbulence.seed)
    churning = turbulence.speed_m_s * (radius / turbulence.eddy_m) ** (1.0 / 3.0)
    per_metre = TILE_SAMPLES_PER_EDDY / radius
    first, second, height = places.at
    lens_1, lens_2, lens_height = (float(places.lens_m @ axis) for axis in places.axes)
    total: F32 = np.zeros((*height.shape, 3), np.float32)
    for copy in range(3):
        turn = 2.0 * math.pi * (copy / 3.0 + 0.1 * octave)
        slant = np.array([math.cos(turn + 1.0), math.sin(turn + 1.0)])
        drift = np.array(turbulence.drift_m_s) + churning * np.array([math.cos(turn), math.sin(turn)])
        # Irrational shifts keep the copies and octaves apart.
        shift = TILE_SIZE * ((octave * 3 + copy + 1) * np.array([0.7548776662, 0.5698402910]) % 1.0)
        # The large part in float64: far from the world's origin float32 would jitter.
        origin = np.array([lens_1, lens_2]) + slant * lens_height - drift * places.time_s
        start = (origin * per_metre + shift) % TILE_SIZE
        across = _wrapped(first + height * np.float32(slant[0]), per_metre, float(start[0]))
        along = _wrapped(second + height * np.float32(slant[1]), per_metre, float(start[1]))
        total += cv2.remap(tile, across, along, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    total *= np.float32(1.0 / math.sqrt(3.0))
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
