"""What shade leaves of the veil: the light of the shaded water before each pixel over that of open water.

Along a view ray the veil is a sum over its metres. Of it the sun's share r goes by what is left of the sun
there, the share w that comes through Snell's window by what is left of the sky; the rest has been scattered
about, comes from all around, and goes by what is left of both about there:

    G(s) = 1 - int_0^s (r (1 - V) + w (1 - D) + (1 - r - w) (1 - A)) exp(-k t) dt / int_0^s exp(-k t) dt,

with k = c + Kd mu. V is that of `halocline.physics.sea.shade`, A comes along the ray of what
`halocline.physics.sea.shade_cells` has. Looking up, most of the sky's light
in a ray was turned but little: it comes from what the ray itself leads to, so that a thing seen there hides
it. D is then what the thing leaves of a lobe about the ray, and elsewhere that of the sky as a whole. The
lobe has the wide skirts of water's scattering: a third of what is turned by less than 25 degrees comes from
more than 9 aside, past a thing that looks as large. And the thing's own direction is not black, for the water
before it is lit: of the light from there what that sends comes nonetheless.

So it is of the sun's light where a ray leads to the sun, or beside it. What a step turns into the ray was
never turned before, and goes by the beam's own shadow; or it was, and came from where both the sun's glow and
the lobe about the ray are bright: near the sun, near the ray, and between (`hidden_of_sun`). Where no thing
hides that it is as bright as light that comes past things, elsewhere as the steps farther on have left it.
"""

from __future__ import annotations

import math
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.made_once import MadeOnce
from halocline.late_dataclass import dataclass
from halocline.physics.sea.ray_volume import RayVolume, ShaftRays, ShaftSteps, ShaftWater
from halocline.physics.sea.shade import Shade
from halocline.physics.sea.shade_loops import (
    NO_MAP,
    Map,
    about_along_rays,
    about_maps,
    beam_map,
    loop_maps,
    shade_along_rays,
)

# Shares and standard deviations of normal lobes that have together as much within 2, 5.6 and 13 degrees, .11,
# .56 and .84, as a lobe of asymmetry .924 of what it turns by less than 25 degrees.
_SKY_LOBES = ((0.65, math.radians(3.2)), (0.35, math.radians(10.3)))
# The widest blur of what lies ahead, in half widths of the water's lobe: that of `hidden_of_sun`'s lobes.
WIDEST_BLUR = 3.61
# How many blurs there are; a ray that shows nothing has its range from the finest that covers so much of it.
_BLURS, _KNOWN = 6, 0.05
# What a ray itself shows lies on the farthest surface about it from the latter of these shares of its range.
_OWN_SURFACE = (0.7, 0.9)
_HALVINGS = 4


@dataclass(frozen=True)
class RayShares:
    """What the veil of each coarse ray is made of; see `halocline.physics.path.light_shares`.

    Attributes
    ----------
    sun, sky
        Of each channel, ``(3, rows, columns)``.
    ahead, sun_ahead
        Of the sky's and of the sun's, ``(rows, columns)``.
    beside_sun, times, apart
        How the sun's was turned, ``(rows, columns)``.
    toward
        Rows and columns from each to the sun, ``(2, rows, columns)``.
    """

    sun: F32
    sky: F32
    ahead: F32
    sun_ahead: F32
    beside_sun: F32
    times: F32
    apart: F32
    toward: F32

    @cached_property
    def beside(self) -> tuple[F32, F32]:
        """What of rays comes from beside what they lead to; and of channels, what was scattered about."""
        whole = np.float32(1.0)
        aside = (whole - self.ahead) * (whole - self.sun_ahead)
        return aside, np.maximum(whole - self.sun - self.sky, np.float32(0.0))


@dataclass(frozen=True)
class ThingsAhead:
    """What a picture shows along coarse rays, as `seen_ahead` takes it.

    Attributes
    ----------
    masks
        Of the sky's light, ``(halvings + 1, rows, columns)``, 0 to 1.
    blurs
        Of the sun's, ``(blurs + 1, rows, columns)``; see `hidden_of_sun`.
    range_m
        How far away it is, ``(rows, columns)``: the farthest of what pixels about a ray show, for a ray goes
        past a near thing for those that see what lies behind.
    surface_m
        Where on the ray itself that thing's surface is, no farther.
    ray_rad
        From one ray to the next, radians.
    around
        After so many rays along a row the first comes again; 0 where rays do not go all around.
    """

    masks: F32
    blurs: F32
    range_m: F32
    surface_m: F32
    ray_rad: float
    around: int = 0

    @classmethod
    def of(
        cls,
        cover: F32,
        range_m: F32,
        ray_rad: float,
        *,
        lobe_rad: float,
        farthest_m: F32 | None = None,
        around: int = 0,
    ) -> ThingsAhead:
        """Take coverage and range along rays, so many radians from one to the next.

        ``lobe_rad`` is the half width of the water's lobe; ``farthest_m`` the range of what lies within a ray
        of each, 0 where nothing does; ``around`` as of this class.
        """
        sky = [_spread(cover, _SKY_LOBES, ray_rad * 2**number, around) for number in range(_HALVINGS)]
        spreads = [WIDEST_BLUR * lobe_rad / ray_rad / 2**number for number in range(_BLURS)]
        blurs = [_blurred(cover, spread, around) for spread in spreads]
        known = np.where(cover > 0.0, range_m, np.float32(0.0)) * cover
        near = np.zeros_like(cover)
        for spread, covered in zip(spreads, blurs, strict=True):
            here = _blurred(known, spread, around) / np.maximum(covered, np.float32(1e-6))
            near += np.minimum(covered / np.float32(_KNOWN), np.float32(1.0)) * (here - near)
        metres = np.where(cover > 0.0, range_m, np.maximum(near, np.float32(1e-3)))
        own = metres.astype(np.float32)
        masks = np.stack([*sky, cover]), np.stack([*blurs, cover])
        if farthest_m is None:
            return cls(*masks, own, own, ray_rad, around)
        ends = np.where(farthest_m > 0.0, farthest_m, own)
        # A slanting surface is the ray's own; one that lies far behind it is another thing's.
        first, last = _OWN_SURFACE
        share = np.clip((own / np.maximum(ends, np.float32(1e-6)) - first) / (last - first), 0.0, 1.0)
        surface = ends + share * np.minimum(own - ends, np.float32(0.0))
        return cls(*masks, ends.astype(np.float32), surface.astype(np.float32), ray_rad, around)


def _spread(cover: F32, lobes: tuple[tuple[float, float], ...], ray_rad: float, around: int) -> F32:
    """Return what is covered of lobes about rays: their shares and widths, radians."""
    parts = [np.float32(share) * _blurred(cover, wide / ray_rad, around) for share, wide in lobes]
    return np.asarray(sum(parts[1:], start=parts[0]), np.float32)


def _turned(light: F32, spread: float, around: int) -> F32:
    """Return light along rays, ``(rows, columns, n)``, as that of a lobe so many rays wide about each."""
    # Two means of so many have together about its spread, at a cost that does not grow with that.
    side = round(math.sqrt(6.0 * min(spread, float(max(light.shape[:2]))) ** 2 + 1.0)) | 1
    light, beyond = _gone_round(light, side, around)
    for _ in range(2):
        light = cv2.blur(light, (side, side), borderType=cv2.BORDER_REPLICATE)  # type: ignore[assignment]
    return np.ascontiguousarray(light[:, beyond : light.shape[1] - beyond])


def _blurred(plane: F32, spread: float, around: int) -> F32:
    if spread < 0.2:
        return plane
    # Wider than the picture it is its mean, and a lens of no width would ask for a window without end.
    spread = min(spread, float(max(plane.shape)))
    plane, beyond = _gone_round(plane, math.ceil(4.0 * spread), around)
    made = cv2.GaussianBlur(plane, (0, 0), spread, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(made[:, beyond : made.shape[1] - beyond], np.float32)


def _gone_round(plane: F32, beyond: int, around: int) -> tuple[F32, int]:
    """Return a plane with so many columns more on both sides, and how many: none where none goes round."""
    if around == 0:
        return plane, 0
    columns = plane.shape[1]
    found = np.minimum(np.arange(-beyond, columns + beyond) % around, columns - 1)
    return np.ascontiguousarray(plane[:, found]), beyond


class ShadeVolume(RayVolume):
    """G for every coarse ray and step.

    Parameters
    ----------
    shade
        What things leave of sun and sky.
    rays, steps, water
        See `RayVolume`.
    shares
        What the veil of the rays is made of.
    ahead
        What the rays lead to.
    bodies
        Whether turbid bodies shade, as things do.
    """

    def __init__(
        self,
        shade: Shade,
        rays: ShaftRays,
        steps: ShaftSteps,
        water: ShaftWater,
        shares: RayShares,
        ahead: ThingsAhead,
        *,
        bodies: bool = True,
    ) -> None:
        super().__init__(rays, steps, water)
        self._bodies = bodies
        self.shade = shade
        self.shares = shares
        self.ahead = ahead
        self._beams, self._abouts = MadeOnce(self._beam), MadeOnce(self._about)

    def of_things(self) -> ShadeVolume:
        """Return the same without turbid bodies."""
        if self.shade.bodies is None:
            return self
        made = (self.shade, self.rays, self.steps, self.water, self.shares, self.ahead)
        things = ShadeVolume(*made, bodies=False)
        # Of these, bodies are no part.
        things._abouts = self._abouts
        return things

    def left_for_halos(self, gain: F32, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> F32:
        """Return by how much halos take from the veil before things what comes from behind these.

        What is turned but a little comes from behind the thing that a ray leads to. Of the sky's light and
        the sun's, where a ray leads to them, G has taken that, and what it leaves comes from beside the
        thing: a halo takes none of it. Of light that has been scattered about it takes its own.

        Parameters
        ----------
        gain
            G before the things, ``(3, *shape)``.
        rows, columns
            Rays that lead to them, of a shape that fits.

        Returns
        -------
        F32
            ``(3, *shape)``, 0 to G.
        """
        aside, about = self.shares.beside
        about = np.minimum(about[:, rows, columns], gain)
        return np.asarray(about + (gain - about) * aside[rows, columns], np.float32)

    def _beam(self, _: int) -> Map:
        return beam_map(self.shade) if self.shares.beside_sun.any() else NO_MAP

    def _about(self, _: int) -> F32:
        """Return what is left of light that has been scattered about, ``(rows, columns, steps)``.

        Water turns that into a ray from all of a lobe about it, so that it does not end with what the ray
        itself leads to.
        """
        directions, edges = self.rays.directions, self.steps.edges.astype(np.float32)
        left = np.ones((*directions.shape[1:], edges.size - 1), np.float32)
        if self.shade.is_none:
            return left
        about_along_rays(
            np.ascontiguousarray(directions),
            self._lens,
            edges,
            about_maps(self.shade),
            np.float32(math.log(2.0) / self.shade.water.about_m),
            (self.ahead.masks, self.ahead.range_m, self.ahead.surface_m),
            left,
        )
        return _turned(left, _SKY_LOBES[0][1] / self.ahead.ray_rad, self.ahead.around)

    @property
    def _lens(self) -> tuple[np.float32, ...]:
        return np.float32(self.rays.origin[0]), np.float32(self.rays.origin[1]), np.float32(self.rays.depth_m)

    def fill(self, directions: F32, rows: slice, edges: F32, block: F32) -> None:
        """Make G of a block of rows."""
        sun, sky = loop_maps(self.shade, in_water=True, bodies=self._bodies)
        of_rays = (
            np.ascontiguousarray(self.shares.sun[:, rows]),
            np.ascontiguousarray(self.shares.sky[:, rows]),
        )
        of_those_ahead = (
            np.ascontiguousarray(self.shares.ahead[rows]),
            np.ascontiguousarray(self.shares.sun_ahead[rows]),
        )
        shade_along_rays(
            directions,
            self._lens,
            edges,
            (sun, sky, self._beams.get(0)),
            np.ascontiguousarray(self._abouts.get(0)[rows]),
            (*of_rays, *of_those_ahead),
            (
                np.ascontiguousarray(self.shares.beside_sun[rows]),
                np.ascontiguousarray(self.shares.times[rows]),
                np.ascontiguousarray(self.shares.apart[rows]),
                np.ascontiguousarray(self.shares.toward[:, rows]),
            ),
            (
                np.ascontiguousarray(self.ahead.masks[:, rows]),
                self.ahead.blurs,
                (np.float32(WIDEST_BLUR), np.float32(rows.start)),
                np.ascontiguousarray(self.ahead.range_m[rows]),
                np.ascontiguousarray(self.ahead.surface_m[rows]),
            ),
            block,
        )
