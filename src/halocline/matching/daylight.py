"""Where the light comes from, by how bright open water is in different directions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from halocline._typing import F64
from halocline.late_dataclass import dataclass
from halocline.matching import solved_light
from halocline.matching.model import UP, Setting, light_path
from halocline.matching.samples import Sample
from halocline.physics.water.spectra import basis, sensor_weights
from halocline.physics.water.water import Water

FEWEST_DIRECTIONS = 6
# Views that span less than this tell no direction, degrees.
LEAST_SPAN_DEG = 10.0
# Elevations tried for how well each explains the open water, degrees.
_TRIED_DEG = np.array([5.0, 12.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 87.0])
# An elevation is ruled out where it leaves so many times what the best leaves, and at least this share of the
# brightness: waters of a type that is not quite the true one are off by that.
_AS_WELL, _LEAST_LEFT = 2.0, 0.01
# An elevation that is told less closely than this is not told, degrees.
WIDEST_DEG = 40.0


@dataclass(frozen=True)
class SunAndSky:
    """Sun and sky that explain the open water.

    Attributes
    ----------
    setting
        The setting with the sun found.
    spread_deg
        Standard deviation of the azimuth, degrees.
    residual
        Root mean square of what is left, a share of the brightness.
    elevations_deg
        The lowest and the highest sun that explain the open water about as well, each with an azimuth and an
        overcast of its own.
    """

    setting: Setting
    spread_deg: float
    residual: float
    elevations_deg: tuple[float, float]

    @property
    def tells_elevation(self) -> bool:
        """Whether open water tells the elevation; else it is the one that was stated."""
        return self.elevations_deg[1] - self.elevations_deg[0] <= WIDEST_DEG


def fit_daylight(water: Water, samples: Sequence[Sample], setting: Setting, colours: F64) -> SunAndSky | None:
    """Return the sun's azimuth and elevation and the overcast that fit the open water best.

    Parameters
    ----------
    water, samples, setting
        What is known.
    colours
        The samples' own without what halos add to them, ``(n, 3)``.

    Returns
    -------
    Nothing where there are too few directions, or they lie too near each other. Where open water does not
    tell the elevation, the setting's own stays.
    """
    told = [sample.open_water and sample.direction is not None for sample in samples]
    seen = [sample for sample, tells in zip(samples, told, strict=True) if tells]
    directions = np.array([sample.direction for sample in seen])
    if len(seen) < FEWEST_DIRECTIONS or _span_deg(directions) < LEAST_SPAN_DEG:
        return None
    row = setting.space.luminance_row
    measured = np.log(np.maximum(colours[told] @ row, 1e-6))

    def apart(x: F64) -> F64:
        difference = _log_brightness(water, directions, _with_sun(setting, x)) - measured
        return np.asarray((difference - difference.mean()) / np.sqrt(len(seen)))

    def misfits(x: F64) -> F64:
        # Overall brightness is exposure. The priors are weak: a high sun and a clear sky, more or less.
        prior = [0.02 * (x[1] - 45.0) / 30.0, 0.02 * (x[2] - 0.3) / 0.3]
        return np.concatenate([apart(x), prior])

    bounds = ([-400.0, 5.0, 0.0], [400.0, 89.0, 1.0])
    starts = [(azimuth, 45.0, 0.3) for azimuth in (-135.0, -45.0, 45.0, 135.0)]
    tried = [
        least_squares(
            misfits, start, bounds=bounds, x_scale=(60.0, 20.0, 0.3), max_nfev=80, ftol=1e-5, xtol=1e-5
        )
        for start in starts
    ]
    best = min(tried, key=lambda result: float(result.cost))
    left = float(np.sqrt(2.0 * best.cost))
    elevations = _as_good(apart, best.x)
    if elevations[1] - elevations[0] > WIDEST_DEG:
        best.x[[0, 2]] = _under(apart, setting.sun_elevation_deg, best.x)[1]
        best.x[1] = setting.sun_elevation_deg
    curvature = float(np.sum(best.jac[:, 0] ** 2))
    spread = min(180.0, max(left, 0.005) / np.sqrt(max(curvature, 1e-12) * len(seen)))
    return SunAndSky(_with_sun(setting, best.x), float(spread), left, elevations)


def _under(apart: Callable[[F64], F64], elevation_deg: float, near: F64) -> tuple[float, F64]:
    """Return what is left under a sun of an elevation, and the azimuth and overcast that leave so little."""
    found = least_squares(
        lambda x: apart(np.array([x[0], elevation_deg, x[1]])),
        near[[0, 2]],
        bounds=([-400.0, 0.0], [400.0, 1.0]),
        x_scale=(60.0, 0.3),
        max_nfev=12,
    )
    return float(np.sqrt(2.0 * found.cost)), found.x


def _as_good(apart: Callable[[F64], F64], best: F64) -> tuple[float, float]:
    """Return between which elevations what is left is about as little as at the best."""
    least = float(np.sqrt((apart(best) ** 2).sum()))
    tried = np.append(_TRIED_DEG, best[1])
    left = np.append([_under(apart, float(elevation), best)[0] for elevation in _TRIED_DEG], least)
    most = _AS_WELL * max(float(left.min()), _LEAST_LEFT)
    order = np.argsort(tried)
    fine = np.linspace(_TRIED_DEG[0], _TRIED_DEG[-1], 165)
    good = fine[np.interp(fine, tried[order], left[order]) <= most]
    return float(min(good.min(), best[1])), float(max(good.max(), best[1]))


def _log_brightness(water: Water, directions: F64, setting: Setting) -> F64:
    endless = np.full(len(directions), np.inf)
    veil = solved_light.log_veil([light_path(water, setting)], endless, directions)[0]
    bright = np.exp(solved_light.at_every_nanometre(veil)) * basis(setting.space).sum(axis=1)
    row = sensor_weights(setting.space) @ setting.space.luminance_row
    return np.asarray(np.log(np.maximum(bright @ row, 1e-9)), np.float64)


def _with_sun(setting: Setting, x: F64) -> Setting:
    azimuth = (float(x[0]) + 180.0) % 360.0 - 180.0
    return replace(
        setting,
        sun_azimuth_deg=azimuth,
        sun_elevation_deg=float(x[1]),
        overcast=float(np.clip(x[2], 0.0, 1.0)),
    )


def _span_deg(directions: F64) -> float:
    level = directions - np.outer(directions @ UP, UP)
    level /= np.maximum(np.linalg.norm(level, axis=1, keepdims=True), 1e-9)
    widest = float(np.degrees(np.arccos(np.clip(np.min(level @ level.T), -1.0, 1.0))))
    heights = np.degrees(np.arcsin(np.clip(directions @ UP, -1.0, 1.0)))
    return max(widest, float(np.ptp(heights)))
