"""What a water would show of given samples, but for brightness and colour of light: a sum over 1 nm steps.

The fit must try hundreds of waters, so it does not fit bands to each; its sum has one band a wavelength. The
picture of sample i is then linear in what is left unknown:

    rgb_i = gain (M_i rho_i)                     subject of known colour rho
          = M_i r_target                         subject of unknown colour
          + tint v_i                             the veil in front of it
          + sum_j h_ij (p_j - tint w_j)          the halo of what is about it

M_i is the 3 x 3 transfer of the range, v_i the veil's colour by the water alone. ``gain`` and ``tint`` are
three numbers each: exposure, the camera's white balance and the colour of the light cannot be told apart.
p_j is what the picture shows about the sample, w_j the open water behind it, and h_ij the part of what sets
the two apart that arrives as halo at the sample (`halocline.physics.path.halo_about`). Of w_j there is more:
a thing hides light about the view that is brighter than the water along it; less of it where its own light is
within half of the water's, as pictures have it. Whether it is depends on the tint (`Hidden`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from halocline._typing import F64
from halocline.late_dataclass import dataclass
from halocline.matching import solved_light
from halocline.matching.samples import Sample
from halocline.matching.surroundings import RINGS, Around
from halocline.physics.path.halo_about import halo_rings, regained_depth
from halocline.physics.path.transport import LightPath, refracted_sun
from halocline.physics.path.water_halo import bend_of, rings_about
from halocline.physics.sea.surface import direct_sun_share
from halocline.physics.water.bands import Bands, hat_functions
from halocline.physics.water.spectra import WAVELENGTH_NM, basis, sensor_weights
from halocline.physics.water.water import REFERENCE_NM, Water
from halocline.rgb import RGBSpace

WATER_INDEX = 1.341
# 550 nm: where the scattering is taken that says how far aside halos reach.
_REFERENCE = round(REFERENCE_NM - WAVELENGTH_NM[0])
# Strengths of one type are solved at steps of their logarithm of this much, reckoned from a share of the
# clearest of them; with so few the veil is within 0.3 percent of that of each solved for itself.
STRENGTH_STEP, BELOW_CLEAREST, FEWEST_STRENGTHS = 0.5, 0.97, 5
# What is lost more of than of the clearest light, in optical depths, is lost, and weighs as little beyond.
MOST_LOST = 300.0
UP: F64 = np.array([0.0, 1.0, 0.0])
# What is within one part in so many of the water's light passes for water, as pictures have it.
LIKE = 2.0
AHEAD: F64 = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True)
class Setting:
    """What is known, or assumed, of how the reference was taken.

    Attributes
    ----------
    space
        Working space of the samples.
    depth_m
        Depth of the lens, metres.
    sun_elevation_deg, sun_azimuth_deg, overcast
        As in a preset's ``[light]``; azimuth 0 is where the camera faces when it is level.
    white_balanced
        Whether the camera was set to daylight at the surface, so that colours can be taken at face value;
        otherwise each channel has a gain of its own.
    """

    space: RGBSpace
    depth_m: float = 10.0
    sun_elevation_deg: float = 45.0
    sun_azimuth_deg: float = 40.0
    overcast: float = 0.2
    white_balanced: bool = False


@dataclass(frozen=True)
class Prediction:
    """Of each sample under one water.

    Attributes
    ----------
    transfer
        ``(n, 3, 3)``.
    veil
        ``(n, 3)``.
    given
        Halo of what the picture shows about it, ``(n, 3)``.
    hidden
        That of the open water hidden there.
    share
        What part of all that the picture shows about it arrives so, ``(n, 3)``, 0 to 1.
    """

    transfer: F64
    veil: F64
    given: F64
    hidden: Hidden
    share: F64


@dataclass(frozen=True, eq=False)
class Hidden:
    """The halo of the open water that is hidden about samples.

    Attributes
    ----------
    plain
        Of the water's light along the views, for a tint of 1, ``(n, 3)``.
    more
        What is hidden beyond that by the things of each step and ring if none passes for water, ``(n, steps,
        rings, 3)``.
    shown, behind
        Light of these things as the picture shows it, and of the open water behind them for a tint of 1, both
        times the things' share of the ring, likewise.
    arrives, beyond
        Of what sets a wide wall at a step's range apart from the water behind it the part that the picture
        shows, and of the water's light what is hidden beyond that, ``(n, steps, 1, 3)``.
    """

    plain: F64
    more: F64
    shown: F64
    behind: F64
    arrives: F64
    beyond: F64

    def under(self, tint: F64 | None = None) -> F64:
        """Return that of a tint of 1, ``(n, 3)``, where things pass for water by how the picture shows them.

        Under a tint, one or by channel; without one none does.
        """
        if tint is None:
            counts: F64 = np.ones_like(self.more)
        else:
            counts = self._counts(self.shown / np.maximum(tint * self.behind, 1e-12) - 1.0)
        return self.plain + np.asarray(np.einsum("nsrc,nsrc->nc", self.more, counts), np.float64)

    def _counts(self, apart: F64) -> F64:
        """Return what part of the more a thing hides, 0 to 1, by how far from the water's light it is shown.

        A wall is shown K u - M f from it, where u is how far its own light is off and f = min(1, 2 |u|) what
        is asked for. Of f as much is solved for.
        """
        k, m = self.arrives, self.beyond
        brighter = np.where(k > LIKE * m, apart / np.maximum(k - LIKE * m, 1e-12), np.inf)
        far = LIKE * np.where(apart > 0.0, brighter, -apart / np.maximum(k + LIKE * m, 1e-12))
        counts: F64 = np.minimum(far, 1.0)
        return counts


def predicted(waters: Sequence[Water], samples: Sequence[Sample], setting: Setting) -> list[Prediction]:
    """Return what each of some waters, alike but for what they absorb and scatter, does to the samples.

    The subject's light is that of its own depth where the view direction is known, else that of the lens.
    """
    views = Views.of(samples)
    solved = views.solved([light_path(water, setting) for water in waters])
    return [
        views.seen(_taken_and_turned(water), setting.space, fallen, veil)
        for water, fallen, veil in zip(waters, *solved, strict=True)
    ]


@dataclass(frozen=True, eq=False)
class Views:
    """The rays of samples.

    Attributes
    ----------
    range_m, directions
        ``(n,)`` and ``(n, 3)``, unit; level ahead where that is not known.
    covered
        Which of them end on a subject, ``(n,)``.
    about
        What is about each.
    """

    range_m: F64
    directions: F64
    covered: NDArray[np.bool_]
    about: About

    @classmethod
    def of(cls, samples: Sequence[Sample]) -> Views:
        """Take them from samples."""
        directions = [AHEAD if sample.direction is None else sample.direction for sample in samples]
        covered = np.array([not sample.open_water for sample in samples])
        range_m = np.array([sample.range_m for sample in samples])
        return cls(range_m, np.array(directions), covered, About.of(samples))

    def solved(self, paths: Sequence[LightPath]) -> tuple[F64, F64]:
        """Return ln of daylight on the subjects and of the veil, ``(waters, n, nodes)``; see `solved_light`.

        The waters are alike but for what they absorb and scatter.
        """
        deeper = -(self.directions[self.covered] @ UP) * self.range_m[self.covered]
        fallen = solved_light.log_fallen(paths, paths[0].camera_depth_m + deeper)
        # Beside the samples themselves: open water about them.
        ranges = np.append(self.range_m, np.full(len(self.about.directions), np.inf))
        return fallen, solved_light.log_veil(
            paths, ranges, np.concatenate([self.directions, self.about.directions])
        )

    def seen(self, optics: F64, space: RGBSpace, fallen: F64, veil: F64) -> Prediction:
        """Return what a water of some attenuation and scattering does, given what `solved` gives of it."""
        every = np.exp(solved_light.at_every_nanometre(np.concatenate([fallen, veil])))
        lost = every[: len(fallen)] * np.exp(-np.outer(self.range_m[self.covered], optics[0]))
        count = len(self.covered)
        transfer = np.zeros((count, 3, 3))
        transfer[self.covered] = (lost @ _products(space)).reshape(-1, 3, 3)
        white = math.pi * basis(space).sum(axis=1)
        light = (every[len(fallen) :] * white) @ sensor_weights(space)
        ahead = np.exp(veil[count])
        return Prediction(transfer, light[:count], *self.about.halo(optics, light[count:], ahead, space))


@dataclass(frozen=True, eq=False)
class About:
    """What is about some samples, together: see `halocline.matching.surroundings.Around`.

    Attributes
    ----------
    range_m
        All ranges at which something is, ascending, ``(ranges,)``.
    which
        The range of each sample's steps, ``(n, steps)``.
    rgb
        ``(n, steps, rings, 3)``.
    share
        ``(n, steps, rings, views)``.
    views
        Unit directions, ``(views, 3)``.
    rings
        The middle of all views and rings about it, see `rings_about`.
    """

    range_m: F64
    which: NDArray[np.int64]
    rgb: F64
    share: F64
    views: F64
    rings: F64

    @classmethod
    def of(cls, samples: Sequence[Sample]) -> About:
        """Take it from samples."""
        arounds = [Around.nothing() if s.around is None else s.around for s in samples]
        nowhere = AHEAD[None]
        own = [nowhere if around.views is None else around.views for around in arounds]
        views = np.unique(np.concatenate(own), axis=0)
        steps = max(around.range_m.size for around in arounds)
        range_m = np.ones((len(arounds), steps))
        rgb = np.zeros((len(arounds), steps, RINGS, 3))
        share = np.zeros((len(arounds), steps, RINGS, len(views)))
        for number, (around, directions) in enumerate(zip(arounds, own, strict=True)):
            count = around.range_m.size
            place = [int(np.flatnonzero((views == direction).all(axis=1))[0]) for direction in directions]
            range_m[number, :count], rgb[number, :count] = around.range_m, around.rgb
            for view, at in enumerate(place):
                share[number, :count, :, at] += around.share[:, :, view]
        ranges, which = np.unique(range_m, return_inverse=True)
        rings = rings_about(_unit(views.mean(axis=0)))
        return cls(ranges, which.reshape(range_m.shape), rgb, share, views, rings)

    @property
    def directions(self) -> F64:
        """All of open water that is asked for: of the views, then of the rings, unit, ``(n, 3)``."""
        return np.concatenate([self.views, self.rings])

    def halo(self, optics: F64, open_water: F64, ahead: F64, space: RGBSpace) -> tuple[F64, Hidden, F64]:
        """Return the samples' `Prediction.given`, `Prediction.hidden` and `Prediction.share`.

        Parameters
        ----------
        optics
            Attenuation and scattering at every nanometre, 1/m, ``(2, 301)``.
        open_water
            Along each of `directions`, ``(n, 3)``.
        ahead
            The same along the first of them at each of `solved_light.NODES_NM`, for a daylight of 1.
        space
            Of all colours.
        """
        behind, about = np.split(open_water, [len(self.views)])
        bends = [bend_of(channel) for channel in about.T]
        few = (solved_light.NODES_NM - WAVELENGTH_NM[0]).astype(int)
        c, b = optics[:, few]
        own = regained_depth(c - b, b, self.range_m, 0.0)
        lost = np.minimum(np.outer(self.range_m, c - c.min()), MOST_LOST)
        weights = _shares(_seen_by_channel(space) * np.exp(-lost)[:, None, :])
        part = np.einsum("rk,rck->rc", -np.expm1(-own), weights)[self.which]
        # What each channel's light hides beyond that, by its own bend; of the water's light, not a thing's.
        gone = np.minimum(np.outer(self.range_m, c), MOST_LOST)[:, None]
        bent = np.stack([regained_depth(c - b, b, self.range_m, bend) for bend in bends], axis=1)
        water = _shares(_seen_by_channel(space) * ahead)
        # By exponents: in the murkiest waters that are tried, nothing but halo is left of 1 in float64.
        arrives, whole, regained = (
            np.einsum("rck,ck->rc", np.exp(np.minimum(each, MOST_LOST)), water)
            for each in (own[:, None] - gone, bent - gone, bent - own[:, None] - gone)
        )
        regained -= np.einsum("rck,ck->rc", np.exp(-gone), water)
        depth = float(optics[1, _REFERENCE]) * self.range_m
        near, wide = (halo_rings(depth, beyond=beyond)[self.which] for beyond in (False, True))
        shown = np.einsum("nsr,nsrc->nsc", near, self.rgb)
        share = np.einsum("nsr,nsrv->nsv", near, self.share)
        covered = share.sum(axis=-1, keepdims=True)
        there = self.share @ behind
        hidden = Hidden(
            (part * (share @ behind)).sum(axis=1),
            regained[self.which][:, :, None] * wide[..., None] * there,
            self.rgb,
            there,
            arrives[self.which][:, :, None],
            (whole - arrives)[self.which][:, :, None],
        )
        return (part * shown).sum(axis=1), hidden, (part * covered).sum(axis=1)


class Strengths:
    """One water at any strength: its light is solved for a few, and interpolated between (cubic splines).

    Parameters
    ----------
    at
        Makes the water of a strength, given as the logarithm of its attenuation at 550 nm, 1/m. What it holds
        beside pure water grows by one factor, so that all attenuation is linear in that at 550 nm.
    clearest
        Of all strengths there are.
    low, high
        Ends of those asked for.
    samples, setting
        As in `predicted`.
    """

    def __init__(
        self,
        at: Callable[[float], Water],
        clearest: float,
        low: float,
        high: float,
        samples: Sequence[Sample],
        setting: Setting,
    ) -> None:
        self._views, self._space = Views.of(samples), setting.space
        self._nothing = math.exp(clearest) * BELOW_CLEAREST
        ends = self._place(low), self._place(high)
        nodes = np.linspace(*ends, max(FEWEST_STRENGTHS, math.ceil((ends[1] - ends[0]) / STRENGTH_STEP) + 1))
        waters = [at(math.log(math.exp(node) + self._nothing)) for node in nodes]
        fallen, veil = self._views.solved([light_path(water, setting) for water in waters])
        self._subjects = fallen.shape[1]
        self._between = CubicSpline(nodes, np.concatenate([fallen, veil], axis=1))
        self._ends = [
            (math.exp(place), _taken_and_turned(water))
            for place, water in zip(ends, waters[:: len(waters) - 1], strict=True)
        ]

    def predicted(self, log_c: float) -> Prediction:
        """Return what the water of a strength does to the samples."""
        place = self._place(log_c)
        light = self._between(place)
        (first, least), (last, most) = self._ends
        optics = least + (math.exp(place) - first) / (last - first) * (most - least)
        return self._views.seen(optics, self._space, light[: self._subjects], light[self._subjects :])

    def _place(self, log_c: float) -> float:
        # Near its clearest a water is soon another: there its own molecules scatter most.
        return math.log(math.exp(log_c) - self._nothing)


def _taken_and_turned(water: Water) -> F64:
    """Return a water's attenuation and scattering, 1/m, ``(2, 301)``."""
    return np.stack([water.attenuation_per_m, water.scattering_per_m])


@lru_cache(maxsize=8)
def _seen_by_channel(space: RGBSpace) -> F64:
    """Return how much each channel sees of daylight at the nodes, ``(3, nodes)``, never below 0."""
    few = (solved_light.NODES_NM - WAVELENGTH_NM[0]).astype(int)
    seen = np.maximum(sensor_weights(space)[few].T, 0.0) * basis(space).sum(axis=1)[few]
    return np.asarray(seen, np.float64)


def _shares(weights: F64) -> F64:
    """Return weights that sum to 1 along the last axis."""
    shares: F64 = weights / weights.sum(axis=-1, keepdims=True)
    return shares


def _unit(vector: F64) -> F64:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9), np.float64)


@lru_cache(maxsize=8)
def _products(space: RGBSpace) -> F64:
    """Return what each wavelength adds to a 3 x 3 transfer, ``(301, 9)``."""
    weights, colours = sensor_weights(space), basis(space)
    return np.asarray((weights[:, :, None] * colours[:, None, :]).reshape(-1, 9), np.float64)


def light_path(water: Water, setting: Setting) -> LightPath:
    """Return the light around the lens with one band a nanometre."""
    return LightPath(
        bands=spectral_bands(water, setting.space),
        camera_depth_m=setting.depth_m,
        reference_depth_m=setting.depth_m,
        up=UP,
        sun_travel=refracted_sun(setting.sun_elevation_deg, setting.sun_azimuth_deg, UP, AHEAD, WATER_INDEX),
        space=setting.space,
        surface_sun_share=direct_sun_share(setting.sun_elevation_deg) * (1.0 - setting.overcast),
    )


def spectral_bands(water: Water, space: RGBSpace) -> Bands:
    """Return the water as 301 bands, one each nanometre: the exact sum that fitted bands stand for."""
    return replace(
        _empty_bands(space),
        water=water.name,
        absorption=water.absorption_per_m,
        scattering=water.scattering_per_m,
        attenuation=water.attenuation_per_m,
        diffuse_attenuation=water.diffuse_attenuation_per_m,
        asymmetry=water.asymmetry,
    )


@lru_cache(maxsize=8)
def _empty_bands(space: RGBSpace) -> Bands:
    nothing = np.zeros(WAVELENGTH_NM.size)
    return Bands(
        space=space.name,
        water="",
        range_m=math.inf,
        depth_m=math.inf,
        rise_m=math.inf,
        up=basis(space),
        down=sensor_weights(space).T,
        wavelength_nm=WAVELENGTH_NM,
        absorption=nothing,
        scattering=nothing,
        attenuation=nothing,
        diffuse_attenuation=nothing,
        shares=hat_functions().T,
        worst_delta_e=0.0,
        mean_delta_e=0.0,
        worst_veil_delta_e=0.0,
    )
