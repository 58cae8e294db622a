"""Lamps under water: what they throw on a subject, and the haze they light on the way.

What is implemented:

- a lamp as a small glowing disc with a beam: an even cone with a soft edge, or a core with spill around it
- its light on a point or a surface: inverse square, lost in the water on the way
- the light that the water along a view ray scatters to the lens (backscatter), per pixel
- what things in a picture keep of that from surfaces and from the water (`lamp_shadow`)
- a lamp's colour relative to daylight from its temperature (Planck's law)

Light is measured as in `halocline.physics.path.transport`: daylight at the reference depth is an
irradiance of ``pi white`` in each band. A lamp's intensity is what it throws at one metre in clear air.

Equations, with r the distance from lamp to point, rho the lamp's radius, t the range from the lens:

    irradiance      E = I(angle) exp(-k r) / (r^2 + rho^2)
    backscatter     L(s) = int_0^s  b p(psi) I(angle) exp(-k r - c t) / (r^2 + rho^2) dt

``1/(r^2 + rho^2)`` is exact for an even disc on its axis, and is what keeps the lamp's own place finite.

The rate k lies between absorption and beam attenuation. What is turned a little goes on lighting the scene,
the more so the later on its way it is turned: light that arrives after a turn of theta with u of the way left
to go has left the lamp u theta off, and was there to be turned if that lies within the beam. So a pencil of
light loses c and a flood little more than a (`lost_of_a_cone`):

    k = a + b int_0^1 Q(min(alpha / u, 90 degrees)) du

Q the share of scattering beyond an angle, alpha the beam's half angle. The same holds on the way back: what
is turned out of a view ray is made up for from beside it, as far as the haze reaches there. That is taken to
be as wide as the beam. About a lamp in the picture haze is as narrow as the view is off the lamp, whichever
way that shines, and both ways lose by that (`Lamp.lost_along`); behind the lamp it widens, by the sine of
the angle at the lamp from the place of the ray that is nearest to it. What floats, which is drawn in part,
loses c to the lens. Beside the beam lies light that was turned out of it, and that is not reckoned: in murky
water the true haze is softer.

Sources: mcglamery1980 and jaffe1990 for the form; petzold1972 for the phase function (see `WATER_PHASE`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property, lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.late_dataclass import dataclass
from halocline.physics.path.beam import Beam, Core
from halocline.physics.path.lamp_loops import haze_along_rays, lay_facing, lit_intervals
from halocline.physics.path.lamp_shadow import LampShadow, ThingsSeen
from halocline.physics.path.phase import A as Reals
from halocline.physics.path.phase import henyey_greenstein
from halocline.physics.path.scatterers import WATER_LOBES, WATER_PHASE, Scatterers
from halocline.physics.water.bands import Bands
from halocline.physics.water.spectra import WAVELENGTH_NM, daylight

# Arrays of one type of float: float32 for pictures, float64 for set-up and checks.
A = TypeVar("A", bound=NDArray[Any])

# Mean cosine of incidence on a round thing seen from the lamp: 2/3 for a sphere. Stands in for normals.
MEAN_INCIDENCE = 2.0 / 3.0
# Optical lengths there and back after which nothing of a lamp is left: exp(-12) is 6e-6.
DARK_LENGTHS = 12.0
# Nodes of the integral along a ray: the light of a lamp that points away from the lens is smooth. Looking
# into one, the core of its beam and the forward peak of the water lie together at the end of the interval:
# there are more, and most of them there.
NODES_AWAY, NODES_TOWARDS = 10, 28
# Clouds are no smoother than they are large: so many times the nodes where the light is patchy.
CLOUDED = 2
FLOOD_HALF_ANGLE_DEG = 90.0
# Cosine either side of a right angle over which surfaces without normals turn away from a lamp.
_TURNS_AWAY = 0.15


@dataclass(frozen=True, eq=False)
class Lamp:
    """A lamp in world space.

    Attributes
    ----------
    position_m
        Where it is, world metres, ``(3,)``.
    axis
        Unit direction it shines in, ``(3,)``.
    intensity
        Per band, ``(K,)``: irradiance at 1 m on the axis without water, in the render's own unit of light
        (daylight at the reference depth is ``pi white``).
    cone_deg
        Half angle up to which it shines fully, degrees, 0 to 180.
    edge_deg
        Degrees beyond that in which it falls softly to nothing; above 0.
    radius_m
        Radius of its glowing face, metres, above 0.
    name
        Name for people.
    core
        Core of the beam; without one the cone is evenly lit.
    shadow
        What things leave of its light, see `shadowed`; all of it where not given.
    dimmed
        What else leaves how much of it at offsets from it, ``(3, n)``; all of it where not given.
    spread
        How much of what is left the water turns by an angle, over that of a beam: from ranges from the lamp,
        cosines of the angle, and what is left, ``(n,)`` each. 1 where not given.
    dim_haze
        Takes what that keeps from the water before the lens from the lamp's haze, ``(K, n)``, in place, along
        view directions, ``(3, n)``, to where those end, ``(n,)``; see
        `halocline.physics.path.dimmed_haze`. Nothing is taken where not given.
    rides
        Whether it moves with the lens, so that its light stands still in the picture.
    draft
        Whether a first look is enough: haze without clouds is summed at half as many places along a ray.
    """

    position_m: F64
    axis: F64
    intensity: F64
    cone_deg: float
    edge_deg: float
    radius_m: float
    name: str = "lamp"
    core: Core | None = None
    shadow: LampShadow | None = None
    dimmed: Callable[[F32 | F64], F32] | None = None
    spread: Callable[[F32, F32, F32], F32] | None = None
    dim_haze: Callable[[F32, F32, F32], None] | None = None
    rides: bool = False
    draft: bool = False

    def for_a_draft(self) -> Lamp:
        """Return the same lamp for a first look: its haze and shadows in that are found at fewer places."""
        shadow = None if self.shadow is None else self.shadow.for_a_draft()
        return replace(self, shadow=shadow, draft=True)

    def shadowed(self, things: ThingsSeen, bands: Bands, *, softness: float = 1.0) -> Lamp:
        """Return the lamp with the shadows of things.

        Parameters
        ----------
        things
            What the lens sees: it alone may look at what such a lamp lights of the water.
        bands
            The water.
        softness
            Art: multiplies the radius of the disc that makes shadows soft.

        Returns
        -------
        Lamp
            The same, with its shadow.
        """
        shadow = LampShadow(
            things,
            self.position_m,
            self.axis,
            self.radius_m,
            self.beam,
            np.stack([self.loss_rate(bands)] * 2),
            softness=softness,
        )
        return replace(self, shadow=shadow)

    @cached_property
    def beam(self) -> Beam:
        """Its intensity by angle."""
        return Beam.of(math.radians(self.cone_deg), math.radians(self.edge_deg), self.core)

    @property
    def outer_cosine(self) -> float:
        """Cosine of the half angle beyond which it is dark."""
        return math.cos(self.beam.outer_rad)

    @property
    def half_angle_deg(self) -> float:
        """Half angle of the cone that holds most of its light, degrees, to `FLOOD_HALF_ANGLE_DEG`."""
        half_deg = self.cone_deg + 0.5 * self.edge_deg
        if self.core is not None:
            # Most of a core's light lies within its field.
            half_deg = 0.5 * self.core.field_angle_deg
        return min(FLOOD_HALF_ANGLE_DEG, half_deg)

    def loss_rate(self, bands: Bands) -> F64:
        """Return k, what its light loses on the way out, ``(K,)``, 1/m, between a and c."""
        rate: F64 = bands.absorption + bands.scattering * self.lost_wide
        return rate

    def lost_along(self, direction: F32, lens_m: F64) -> F32:
        """Return what share of scattering the water's haze loses for good before a lamp, ``(n,)``.

        `lost_of_a_cone` of the beam, or of the angle off the lamp where that is less: so wide is the haze
        about it.

        Parameters
        ----------
        direction
            Unit view directions, ``(3, n)``.
        lens_m
            The lens, world metres, ``(3,)``.
        """
        towards = np.asarray(lens_m, np.float64) - self.position_m
        away = max(float(np.sqrt(towards @ towards)), 1e-9)
        # From the chord, which is exact for small angles.
        chord = np.sqrt(
            sum((part + np.float32(t / away)) ** 2 for part, t in zip(direction, towards, strict=True))
        )
        narrow = np.interp(chord, _chords(), _lost_by_chord())
        lost: F32 = np.maximum(narrow, self.lost_wide).astype(np.float32)
        return lost

    @property
    def lost_wide(self) -> float:
        """What share of scattering its light loses for good in its own beam, see `lost_of_a_cone`."""
        return lost_of_a_cone(self.half_angle_deg)


@lru_cache(maxsize=1)
def _chords() -> F64:
    """Return 2 sin(theta / 2) of the angles from 0 to 90 degrees for which `lost_of_a_cone` is tabled."""
    chords: F64 = math.sqrt(2.0) * np.linspace(0.0, 1.0, 129) ** 3
    return chords


@lru_cache(maxsize=1)
def _lost_by_chord() -> F64:
    angles = np.degrees(2.0 * np.arcsin(0.5 * _chords()))
    return np.array([lost_of_a_cone(max(float(angle), 1e-3)) for angle in angles])


@lru_cache(maxsize=64)
def lost_of_a_cone(half_deg: float) -> float:
    """Return the share of scattering that takes light out of an even cone for good, on its axis, 0 to 1.

    Small angles (wells1973's weighting of a turn by the way that is left). What is turned back is lost from
    the widest cone, too. Worked values: 5 degrees 0.341, 25 degrees 0.0640, 90 degrees 0.0218.

    Parameters
    ----------
    half_deg
        Half angle of the cone, degrees, above 0.

    Returns
    -------
    float
        The mean over the way of `scattered_beyond`.
    """
    node, weight = np.polynomial.legendre.leggauss(48)
    # Most of the way is lost to narrow cones: nodes by the square of what is left to go.
    left = np.square(0.5 * (1.0 + node))
    weight = 0.5 * weight * (1.0 + node)
    beyond = [scattered_beyond(min(half_deg / float(u), FLOOD_HALF_ANGLE_DEG)) for u in left]
    return float(weight @ np.array(beyond))


def scattered_beyond(angle_deg: float) -> float:
    """Return Q, the share of scattering by more than an angle, for `WATER_PHASE`, 0 to 1.

    A Henyey-Greenstein lobe sends (1 - g^2)/(2 g) (1/sqrt(1 + g^2 - 2 g mu) - 1/(1 + g)) beyond the angle
    whose cosine is mu (the integral of henyey1941's function). Worked values: 0 deg 1, 90 deg 0.0218.
    """
    share, forward, backward = WATER_PHASE
    mu = math.cos(math.radians(angle_deg))
    return share * _lobe_beyond(forward, mu) + (1.0 - share) * _lobe_beyond(backward, mu)


def _lobe_beyond(g: float, mu: float) -> float:
    root = math.sqrt(1.0 + g * g - 2.0 * g * mu)
    return (1.0 - g * g) / (2.0 * g) * (1.0 / root - 1.0 / (1.0 + g))


def water_phase(cos_psi: Reals, lobes: Sequence[tuple[float, float]] = WATER_LOBES) -> Reals:
    """Return the phase function of natural water, 1/sr, in the shape and type of ``cos_psi``.

    ``cos_psi`` is 1 straight on. Worked values: 180 deg gives 0.00537, 90 deg 0.00446.

    Parameters
    ----------
    cos_psi
        Cosine of the angle by which light is turned.
    lobes
        Asymmetry and share of each lobe: `WATER_PHASE`, or `ABOUT_A_LAMP`.
    """
    (g, share), *others = lobes
    phase = henyey_greenstein(cos_psi, g, share=share)
    for g, share in others:
        phase += henyey_greenstein(cos_psi, g, share=share)
    return phase


def relative_power(temperature_k: float) -> F64:
    """Return a glowing body's spectral power relative to daylight (D65), ``(301,)``, 1 at 560 nm.

    Planck's law, c2 = 1.438777e-2 m K (exact by the SI of 2019), over CIE D65. Worked value: 3200 K at
    450 nm gives 0.35825.

    Parameters
    ----------
    temperature_k
        Colour temperature, kelvins, above 0.

    Returns
    -------
    F64
        Power over that of D65 from 400 to 700 nm in steps of 1 nm, ``(301,)``.
    """
    metres = WAVELENGTH_NM * 1e-9
    power = metres**-5 / np.expm1(1.438777e-2 / (metres * temperature_k))
    relative: F64 = power / daylight()
    relative /= relative[160]
    return relative


def beam_share(lamp: Lamp, cos_angle: A) -> A:
    """Return the share of its axial intensity that a lamp has at an angle off its axis, 0 to 1."""
    kind, beam = cos_angle.dtype.type, lamp.beam
    x = np.sqrt(np.maximum(kind(2.0) * (kind(1.0) - cos_angle), kind(0.0)))
    share: A = np.interp(x * kind(beam.per_x), np.arange(beam.table.size), beam.table).astype(kind)
    return share


def irradiance(lamp: Lamp, bands: Bands, offset_m: A, plane: F32 | None = None) -> A:
    """Return the light of a lamp on planes across its beam, ``(K, ...)``, in the type of ``offset_m``.

    Parameters
    ----------
    lamp, bands
        The lamp and the water.
    offset_m
        From the lamp to each point, world metres, ``(3, ...)``.
    plane
        For points on surfaces, which way those face as the lens sees them: they stand not in their own light.
        None for points in the water.

    Returns
    -------
    A
        Not negative; 0 outside the cone and in shadow.

    Notes
    -----
    Light travels along ``offset_m`` there. Worked value: intensity 1, k 0.5 and r 2 m far inside the cone
    with a point-like lamp gives exp(-1)/4 = 0.0919699.
    """
    kind = offset_m.dtype.type
    squared = _dot(offset_m, offset_m)
    distance = np.sqrt(squared)
    along = _dot(offset_m, lamp.axis)
    along /= np.maximum(distance, kind(1e-12))
    throw = beam_share(lamp, along)
    squared += kind(lamp.radius_m**2)
    throw /= squared
    if lamp.shadow is not None:
        throw *= lamp.shadow.left_at(offset_m, plane)
    if lamp.dimmed is not None:
        throw *= lamp.dimmed(offset_m.reshape(3, -1)).reshape(throw.shape)
    out = np.empty((bands.count, *distance.shape), offset_m.dtype)
    for layer, rate, intensity in zip(out, lamp.loss_rate(bands), lamp.intensity, strict=True):
        np.multiply(distance, kind(-rate), out=layer)
        np.exp(layer, out=layer)
        np.multiply(layer, throw * kind(intensity), out=layer)
    return out  # type: ignore[return-value]  # numpy cannot tell


def lit_surfaces(
    lamp: Lamp, bands: Bands, offset_m: F32, normal: F32 | None, plane: F32 | None = None
) -> F32:
    """Return a lamp's irradiance on surfaces, ``(K, ...)``.

    Parameters
    ----------
    lamp, bands, offset_m
        See `irradiance`.
    normal
        Unit outward normals, world, ``(3, ...)``; `MEAN_INCIDENCE` takes their place where not given or
        (0, 0, 0), on all that does not face away.
    plane
        See `irradiance`; (0, 0, 0) where nothing is known.

    Returns
    -------
    F32
        Not negative; 0 on surfaces that face away.
    """
    light = irradiance(lamp, bands, offset_m, plane)
    if normal is not None:
        points = np.ascontiguousarray(offset_m).reshape(3, -1), np.ascontiguousarray(normal).reshape(3, -1)
        lay_facing(*points, np.float32(MEAN_INCIDENCE), light.reshape(len(light), -1))
        return light
    light *= np.float32(MEAN_INCIDENCE)
    if lamp.shadow is not None and plane is not None:
        # What is known of a surface without normals: whether the lamp shines on the side that the lens sees.
        step = np.clip(
            _facing(offset_m, plane) / np.float32(2.0 * _TURNS_AWAY) + np.float32(0.5),
            np.float32(0.0),
            np.float32(1.0),
        )
        light *= np.where(
            plane.any(axis=0), step * step * (np.float32(3.0) - np.float32(2.0) * step), np.float32(1.0)
        )
    return light


def _facing(offset_m: A, normal: NDArray[Any]) -> A:
    """Return the cosine between surfaces' normals and the way back to the lamp."""
    facing = -_dot(offset_m, normal)
    facing /= np.maximum(np.sqrt(_dot(offset_m, offset_m)), offset_m.dtype.type(1e-12))
    return facing


def backscatter(
    lamp: Lamp,
    bands: Bands,
    lens_m: F64,
    direction: F32 | F64,
    range_m: F32 | F64,
    *,
    start_m: float = 0.0,
    towards: bool = False,
    matter: Scatterers | None = None,
    out: F32 | None = None,
) -> F32:
    """Return the light of a lamp that water in front of each pixel scatters to the lens, ``(K, n)``.

    Parameters
    ----------
    lamp, bands
        The lamp and the water.
    lens_m
        The lens, world metres, ``(3,)``.
    direction
        Unit view directions, away from the lens, ``(3, n)``.
    range_m
        Where each ray ends, metres, ``(n,)``; may be inf.
    start_m
        Where rays begin: water nearer than this is left out.
    towards
        Whether the lens may look into the lamp.
    matter
        What scatters; the water itself where not given.
    out
        Where given, ``(K, n)``, the light is added to it, and it is returned.

    Returns
    -------
    F32
        ``out``, or a new plane of ``(K, n)``.

    Notes
    -----
    Integrated over the angle at the lamp, t = t* + D tan(theta), with t* the point of the ray nearest to the
    lamp and D^2 its distance squared plus rho^2: then dt/(r^2 + rho^2) = dtheta / D and what is left to
    integrate is smooth, however near the ray passes. The interval is first cut to where the ray is in the
    cone. Gauss-Legendre nodes; looking into the lamp they are pushed to the ends by a smooth step, whose
    distance from the end grows with the third power.

    Worked value: a lamp of 1 mm at the lens, b p(180) I = 1, k = c = 0.4, lit from 1 m:
    E2(0.8)/1 = 0.200851701 (E2 the exponential integral), here to 1e-4.
    """
    lens = np.asarray(lens_m, np.float64) - lamp.position_m
    direction = np.ascontiguousarray(direction, np.float32)
    matter = matter or Scatterers.of_water(bands)
    if towards:
        matter = matter.about_a_lamp()
    rates = lamp.loss_rate(bands)
    slowest = float(np.min(rates + (rates if matter.wide else bands.attenuation)))
    # Beyond twice the lens's own distance to the lamp, there and back lose at least this rate.
    reach = DARK_LENGTHS / max(slowest, 1e-6) + 2.0 * float(np.linalg.norm(lens))
    about = np.empty((6, range_m.size), np.float32)
    about[5] = lamp.lost_along(direction, np.asarray(lens_m, np.float64)) if matter.wide else 0.0
    lit_intervals(
        direction,
        np.minimum(range_m, np.float32(reach), dtype=np.float32),
        np.concatenate([lens, lamp.axis]).astype(np.float32),
        np.array([lamp.outer_cosine, lamp.radius_m, start_m], np.float32),
        about,
    )
    # In angle at the lamp: middle and half of the interval take the places of its ends.
    begin, end, nearest, apart = about[:4]
    np.arctan2(begin - nearest, apart, out=begin)
    np.arctan2(end - nearest, apart, out=end)
    end -= begin
    end *= np.float32(0.5)
    begin += end
    if out is None:
        out = np.zeros((bands.count, range_m.size), np.float32)
    strength = matter.scattering * lamp.intensity
    if matter.wide:
        water = np.stack([bands.absorption, bands.absorption, strength, bands.scattering])
    else:
        water = np.stack([rates, bands.attenuation, strength, np.zeros_like(rates)])
    shaded = lamp.shadow is not None and lamp.shadow.in_water
    kept = shaded or lamp.dim_haze is not None
    light = np.zeros_like(out) if kept else out
    haze_along_rays(
        _nodes(towards=towards, clouded=matter.clouds is not None, draft=lamp.draft),
        water.astype(np.float32),
        (np.array([lens @ lamp.axis, lamp.beam.per_x, lamp.lost_wide], np.float32), lamp.beam.table),
        matter.lobe_table,
        matter.by_range,
        matter.clouds_from(np.asarray(lens_m, np.float64)),
        direction,
        about,
        light,
    )
    if lamp.shadow is not None and shaded:
        lamp.shadow.dim(direction, range_m, light)
    if lamp.dim_haze is not None:
        lamp.dim_haze(direction, np.asarray(range_m, np.float32), light)
    if kept:
        out += light
    return out


@lru_cache(maxsize=8)
def _nodes(*, towards: bool, clouded: bool, draft: bool) -> F32:
    """Return nodes and weights on -1 to 1, ``(2, N)``."""
    # Clouds along a ray are missed by fewer, which a first look would show.
    times = CLOUDED if clouded else 0.5 if draft else 1
    count = int((NODES_TOWARDS if towards else NODES_AWAY) * times)
    at, weight = np.polynomial.legendre.leggauss(count)
    if towards:
        weight = weight * 1.875 * np.square(1.0 - at * at)
        at = at * (15.0 - at * at * (10.0 - 3.0 * at * at)) / 8.0
    return np.stack([at, weight]).astype(np.float32)


def _dot(vectors: A, axis: Sequence[Any] | NDArray[Any]) -> A:
    """Return the dot product over the first axis, summed in a fixed order."""
    kind = vectors.dtype.type
    parts = [part if isinstance(part, np.ndarray) else kind(part) for part in axis]
    total = vectors[0] * parts[0]
    total += vectors[1] * parts[1]
    total += vectors[2] * parts[2]
    return total  # type: ignore[no-any-return]
