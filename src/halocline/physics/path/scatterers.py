"""What turns a lamp's light to the lens: the water itself, or fine matter in it, even or in clouds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.path.lamp_loops import HALF_TABLE_M
from halocline.physics.path.phase import lobe_numbers
from halocline.physics.water.bands import Bands

# Steps of tables by range: 2 cm near the lens.
TABLE_STEPS = 192
_NO_TABLE = np.zeros((0, 0), np.float32)
_NO_DEPTH = np.zeros(0, np.float32)
_NO_WAVES = np.zeros((0, 4), np.float32)

# Two Henyey-Greenstein lobes, forward and backward: (share of the first, its g, the second's g). Fitted here
# to the geometric mean of petzold1972's eight stations from 3 to 180 degrees: within 10 % beyond 20 degrees,
# where one lobe is out by a factor of 3; p(180) .0054, and the stations have .003 to .013 per steradian.
WATER_PHASE = (0.992, 0.931, -0.505)
WATER_LOBES = ((WATER_PHASE[1], WATER_PHASE[0]), (WATER_PHASE[2], 1.0 - WATER_PHASE[0]))
# The same where a lens looks into a lamp, whose light comes turned by a few degrees: asymmetry and share of
# each lobe. Fitted here to fournier1999 as mobley2002 has it: within 20 % from 1.3 to 70 degrees, where one
# forward lobe is up to 1.76 times that. Beyond a right angle it is `WATER_PHASE` within 3 %.
ABOUT_A_LAMP = ((0.9885, 0.45), (0.891, 0.542), (-0.505, 0.008))


@dataclass(frozen=True)
class LampClouds:
    """A patchy density as a sum of plane waves in its logarithm, fixed in the water.

    Attributes
    ----------
    waves
        Wave vectors in turns a metre, ``(modes, 3)``.
    phases
        Turns at the origin of the world on this frame, ``(modes,)``.
    amplitude
        Of each wave in the logarithm.
    mean, highest
        Mean of the exponential, by which it is divided; what the quotient is held below.
    """

    waves: F64
    phases: F64
    amplitude: float
    mean: float
    highest: float

    def seen_from(self, lens_m: F64) -> tuple[F32, F32]:
        """Return the waves with their turns at the lens, ``(modes, 4)``, and the three numbers."""
        here = self.waves @ lens_m + self.phases
        waves = np.column_stack([self.waves, here - np.floor(here)])
        numbers = [self.amplitude, 1.0 / self.mean, self.highest]
        return waves.astype(np.float32), np.array(numbers, np.float32)


@dataclass(frozen=True)
class Scatterers:
    """Matter that scatters.

    Attributes
    ----------
    scattering
        By band, ``(K,)``, 1/m.
    lobes
        Its phase function as Henyey-Greenstein lobes: asymmetry, and share of the scattering.
    shares
        What of each lobe is there by range, ``(lobes, TABLE_STEPS + 1)`` at `table_ranges`; all of it
        everywhere where not given.
    depth
        Optical depth by range, grey, of what is not in the bands' own attenuation; none where not given.
    clouds
        Its patchiness.
    wide
        Whether it is the water itself, whose haze is wide: what is turned a little on its way to the lens is
        made up for from beside it. Matter that is drawn in part is dimmed to the lens as what is drawn.
    """

    scattering: F64
    lobes: tuple[tuple[float, float], ...]
    shares: F32 | None = None
    depth: F32 | None = None
    clouds: LampClouds | None = None
    wide: bool = False

    @classmethod
    def of_water(cls, bands: Bands, clouds: LampClouds | None = None) -> Scatterers:
        """Return the water's own, with `WATER_PHASE`."""
        return cls(bands.scattering, WATER_LOBES, clouds=clouds, wide=True)

    def about_a_lamp(self) -> Scatterers:
        """Return them for a lens that looks into a lamp: of the water, with `ABOUT_A_LAMP`."""
        return replace(self, lobes=ABOUT_A_LAMP) if self.wide else self

    @property
    def lobe_table(self) -> F32:
        """The lobes as loops take them, ``(lobes, 3)``."""
        return np.array([lobe_numbers(g, share) for g, share in self.lobes], np.float32)

    @property
    def by_range(self) -> tuple[F32, F32]:
        """The tables by range as loops take them; empty where there are none."""
        shares = _NO_TABLE if self.shares is None else self.shares
        return shares, _NO_DEPTH if self.depth is None else self.depth

    def clouds_from(self, lens_m: F64) -> tuple[F32, F32]:
        """Return the clouds as loops take them; no waves where there are none."""
        if self.clouds is None or self.clouds.amplitude == 0.0:
            return _NO_WAVES, _NO_DEPTH
        return self.clouds.seen_from(lens_m)


def table_ranges() -> F64:
    """Return the ranges of tables by range, metres; the last is far beyond any lamp.

    Returns
    -------
    F64
        Metres, ascending.
    """
    places = np.arange(TABLE_STEPS + 1) / TABLE_STEPS
    places[-1] = 1.0 - 0.1 / TABLE_STEPS
    ranges: F64 = float(HALF_TABLE_M) * places / (1.0 - places)
    return ranges
