"""Haze: suspended matter that is not drawn one by one, as light and loss along view rays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from halocline._typing import F32, F64
from halocline.compute.row_ratios import NO_RATIOS, RowRatios
from halocline.late_dataclass import dataclass
from halocline.physics.floating.haze_loops import Matter, along_rays, lay_haze_along
from halocline.physics.floating.light import LIGHT_ASYMMETRY, sun_spread
from halocline.physics.floating.particles import DrawLimits, haze_cross_section
from halocline.physics.floating.suspended import ParticleClass
from halocline.physics.path.phase import lobe_numbers
from halocline.physics.path.transport import LightPath
from halocline.physics.water.path_integral import SMALLEST_RATE


@dataclass(frozen=True)
class Haze:
    """Particles that are not drawn one by one, as light and loss along a view ray.

    Their cross section a metre grows with range as B (1 - exp(-r / R)): near ones are drawn.

    Attributes
    ----------
    scattering
        B times albedo, ``(K,)``, 1/m.
    blocking
        B, 1/m.
    onset_m
        R; 0 where nothing is drawn.
    lobes
        Asymmetry of each class and its share of the scattering.
    """

    scattering: F64
    blocking: float
    onset_m: float
    lobes: tuple[tuple[float, float], ...]

    def over(
        self,
        path: LightPath,
        range_m: F32,
        mu: F32,
        cos_sun: F32,
        density: F32 | None = None,
        *,
        left: RowRatios | None = None,
    ) -> tuple[F32, F32, F32]:
        """Return what the haze adds and what it takes, for view rays that end after ``range_m``.

        With k = c + Kd mu + B, e the light of particles at the lens's depth:

            light  e B [(1 - exp(-k s))/k - (1 - exp(-k' s))/k'],  k' = k + 1/R

        Parameters
        ----------
        path
            The water.
        range_m, mu, cos_sun
            Where each ray ends, its downward component, and its direction dot the sun's travel; one shape.
            Of ``(rows, columns)`` of a picture, with an even density, only every eighth ray is looked at
            where all goes straight along a row: within a thousandth of the haze.
        density
            Mean density along each ray over the mean of the water; 1 where not given.
        left
            What things leave of its daylight along the rows of a picture; all of it where not given.

        Returns
        -------
        light
            ``(K, ...)`` to be added.
        surface_share, veil_share
            ``(...)``, 0 to 1: what of the surface's light, and of the water's veil, comes through. The veil
            is spread along the ray, so less of it lies behind the haze; grey, at the mean attenuation. On
            endless rays the surface's share is that of the halo that open water shows.
        """
        shape, count = range_m.shape, range_m.size
        light, shares = np.empty((path.bands.count, count), np.float32), np.empty((2, count), np.float32)
        along_rays(
            _flat(path.path_length(range_m, mu)),
            _flat(range_m),
            _flat(mu),
            _flat(cos_sun),
            _flat(_EVEN if density is None else density),
            shape[-1] if len(shape) > 1 else 0,
            self._matter(path),
            NO_RATIOS if left is None else left,
            light,
            shares[0],
            shares[1],
        )
        return light.reshape(len(light), *shape), shares[0].reshape(shape), shares[1].reshape(shape)

    def lay(
        self,
        path: LightPath,
        rays: tuple[F32, F32, F32],
        picture: F32,
        thrown: tuple[F32, ...],
        out: F32,
        left: RowRatios | None = None,
    ) -> None:
        """Lay the haze over a picture, where it is even and lit by day alone.

        Parameters
        ----------
        path
            The water.
        rays
            Where each ray ends, its downward component, and its direction dot the sun's travel,
            ``(rows, columns)``.
        picture
            Light, ``(K, rows, columns)``.
        thrown
            What of it the water threw in along the way, in parts, ``(K, rows, columns)`` each; or empty.
        out
            The result, of the picture's shape; may be the picture itself.
        left
            As `over` takes it.
        """
        range_m, mu, cos_sun = rays
        lay_haze_along(
            _flat(path.path_length(range_m, mu)),
            _flat(range_m),
            _flat(mu),
            _flat(cos_sun),
            range_m.shape[1],
            self._matter(path),
            flat_planes(picture),
            tuple(flat_planes(part) for part in thrown) or (_NO_PLANES,),
            NO_RATIOS if left is None else left,
            out.reshape(len(out), -1),
        )

    def _matter(self, path: LightPath) -> Matter:
        """Return what the loops take of the haze and the water."""
        c, kd = path.bands.attenuation, path.bands.diffuse_attenuation
        rates = np.stack([c, kd], axis=1) * path.veil_scale
        return (
            self._phases(path),
            rates.astype(np.float32),
            self._sources(path),
            np.array([c.mean(), kd.mean(), SMALLEST_RATE, self.blocking, self.onset_m], np.float32),
        )

    def _phases(self, path: LightPath) -> F32:
        """Return each class's phase functions of sun and of diffuse light, as `along_rays` takes them."""
        rows = []
        for asymmetry, share in self.lobes:
            row = []
            for g in (asymmetry * sun_spread(path), LIGHT_ASYMMETRY * asymmetry):
                by_cosine, even, scale = lobe_numbers(g, share)
                # Light seen from a direction travels against it: the cosine has the other sign.
                row += [-by_cosine, even, scale]
            rows.append(row)
        return np.array(rows, np.float32)

    def _sources(self, path: LightPath) -> F32:
        """Return the strengths of sun and diffuse light, ``(K, 2)``."""
        around, part = path.about_lens
        strengths = np.stack([part, 1.0 - part], axis=1) * (self.scattering * around)[:, None]
        return strengths.astype(np.float32)


_EVEN = np.zeros(0, np.float32)


_NO_PLANES = np.zeros((0, 0), np.float32)


def flat_planes(light: F32) -> F32:
    """Return planes as the loops take them, ``(K, n)``.

    Parameters
    ----------
    light
        ``(K, rows, columns)``.

    Returns
    -------
    F32
        The same, C-contiguous; a view where it may be one.
    """
    return np.ascontiguousarray(light).reshape(len(light), -1)


def _flat(values: F32) -> F32:
    return np.ascontiguousarray(values).reshape(-1)


def haze_of(
    classes: Sequence[ParticleClass], limits: DrawLimits, path: LightPath, *, strength: float = 1.0
) -> Haze | None:
    """Return all that is not drawn one by one, or nothing where that is less than a thousandth.

    The onset of the haze is one length R for all: the one that keeps the light of the true onset in water of
    the mean attenuation. ``strength`` multiplies it as a whole.

    Parameters
    ----------
    classes
        Kinds of particles.
    limits
        Which of them are drawn one by one.
    path
        The water and its light.
    strength
        Multiplies the haze, 0 or more.

    Returns
    -------
    Haze | None
        Scattering and lobes of all that is left, or None.
    """
    rate = float(path.beam_rate.mean())
    farthest = 6.0 / max(rate, 6.0 / 200.0)
    ranges = np.linspace(0.0, farthest, 400)
    decay = np.exp(-rate * ranges)
    total, missing = 0.0, 0.0
    scattering = np.zeros(path.bands.count)
    lobes = []
    for kind in classes:
        opacity = kind.opacity * kind.thinned_to
        whole = opacity * kind.sizes.cross_section()
        hidden = np.full(len(ranges), whole)
        if kind.drawn:
            hidden = opacity * haze_cross_section(kind.sizes, limits, ranges)
        total += whole
        missing += float(np.trapezoid((whole - hidden) * decay, ranges))
        scattering += whole * kind.albedo
        lobes.append((kind.asymmetry, whole * float(kind.albedo.mean())))
    # The light it adds, against that of the water itself, over a whole view.
    if total * float(np.trapezoid(decay, ranges)) < 1e-3:
        return None
    bright = sum(share for _, share in lobes)
    if bright <= 0.0:
        return None
    # int (1 - e^(-r/R)) e^(-c r) dr = 1/c - 1/(c + 1/R): what is missing is B/(c + 1/R).
    onset = missing / max(total - rate * missing, 1e-9)
    return Haze(
        scattering=strength * scattering,
        blocking=strength * total,
        onset_m=float(onset),
        lobes=tuple((asymmetry, share / bright) for asymmetry, share in lobes),
    )
