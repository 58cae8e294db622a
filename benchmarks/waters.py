"""How true six bands are: every shipped Jerlov type against its light solved for 61 wavelengths by
themselves.

For each water and lens: CIEDE2000 of the veil (largest, 95th percentile, median), its brightness over the
exact one, and the hue of level open water, exact and in bands. Rays of all heights and sides, 0.5 to 60 m
long, where there is a thousandth of the brightest light. Run with ``python -m benchmarks.waters``, or name
types after it.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import colour
import numpy as np

from halocline._typing import F64
from halocline.matching.model import AHEAD, UP, spectral_bands
from halocline.physics.path.transport import LightPath, refracted_sun
from halocline.physics.water.band_fit import lab_of
from halocline.physics.water.bands import Bands
from halocline.physics.water.fitted_bands import fit_bands
from halocline.physics.water.spectra import WAVELENGTH_NM
from halocline.physics.water.water import JERLOV_TYPES, Water, jerlov_water
from halocline.rgb import LINEAR_REC709

# Height of the sun, degrees; its share of the light; depth of the lens, metres.
LIGHTS = ((45.0, 0.7, 2.0), (45.0, 0.7, 10.0), (15.0, 0.4, 5.0), (75.0, 0.8, 20.0), (40.0, 0.0, 8.0))
RANGES_M: F64 = np.array([0.5, 2.0, 6.0, 15.0, 60.0])
EVERY = slice(None, None, 5)
BY_BAND = ("wavelength_nm", "absorption", "scattering", "attenuation", "diffuse_attenuation", "shares")


def directions() -> F64:
    """Return unit view directions, (n, 3), level ones among them."""
    tilt, side = np.meshgrid(
        np.radians([-75.0, -40.0, -15.0, 0.0, 15.0, 40.0, 75.0]), np.radians([0, 70, 150, 220])
    )
    found = [np.cos(tilt) * np.sin(side), np.sin(tilt), -np.cos(tilt) * np.cos(side)]
    return np.stack([part.ravel() for part in found], axis=-1)


def thinned(bands: Bands) -> Bands:
    """Return every fifth of 301 bands."""
    few = {name: getattr(bands, name)[EVERY] for name in BY_BAND}
    return replace(bands, up=bands.up[EVERY], down=bands.down[:, EVERY], **few)


def compared(water: Water, elevation_deg: float, sun_share: float, depth_m: float) -> str:
    """Return one line about a water under one light."""
    every = spectral_bands(water, LINEAR_REC709)
    exact, banded = (
        LightPath(
            bands=bands,
            camera_depth_m=depth_m,
            reference_depth_m=min(4.0, depth_m),
            up=UP,
            sun_travel=refracted_sun(elevation_deg, 40.0, UP, AHEAD, 1.341),
            space=LINEAR_REC709,
            surface_sun_share=sun_share,
        )
        for bands in (thinned(every), fit_bands(water))
    )
    views = directions()
    few = exact.veil_along(RANGES_M[:, None], views[None]).reshape(-1, 61) / exact.white
    logs = np.log(np.maximum(few, 1e-300))
    light = np.exp([np.interp(WAVELENGTH_NM, WAVELENGTH_NM[EVERY], row) for row in logs]) * every.up.sum(
        axis=1
    )
    wanted = light @ every.down.T @ LINEAR_REC709.to_xyz.T
    found = banded.veil_along(RANGES_M[:, None], views[None]).reshape(-1, banded.bands.count)
    found = found @ banded.bands.down.T @ LINEAR_REC709.to_xyz.T
    y = wanted[:, 1:2]
    bright = y[:, 0] > 1e-3 * y.max()
    off = colour.delta_E(lab_of(wanted / y), lab_of(found / y), method="CIE 2000")[bright]
    ratio = (found[:, 1] / wanted[:, 1])[bright]
    level = np.tile(np.abs(views[:, 1]) < 1e-9, RANGES_M.size) & (
        np.repeat(RANGES_M, len(views)) == RANGES_M[-1]
    )
    hues = [xyz[level].mean(axis=0) for xyz in (wanted, found)]
    (x, y_), (bx, by) = (hue[:2] / hue.sum() for hue in hues)
    return (
        f"sun {elevation_deg:2.0f}, depth {depth_m:4.1f} m: {off.max():.2f} {np.quantile(off, 0.95):.2f}"
        f" {np.median(off):.2f}, brightness {ratio.min():.3f} to {ratio.max():.3f}, level xy {x:.3f} {y_:.3f}"
        f" / {bx:.3f} {by:.3f}"
    )


def main() -> None:
    """Print the table."""
    for water_type in sys.argv[1:] or JERLOV_TYPES:
        for light in LIGHTS:
            print(f"{water_type:3} {compared(jerlov_water(water_type), *light)}", flush=True)


if __name__ == "__main__":
    main()
