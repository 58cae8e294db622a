"""Edges inside the covered part of a picture: pixels whose colour mixes two surfaces.

A renderer filters colour, so where a near thing stands before a far one the pixels along its outline hold
light of both. Their depth is that of one of them (or an average). Taken at its word, such a depth lets the
bright ground behind a dark strand come through a metre of water instead of ten, and the outline turns to
beads. Coverage does not tell the two apart, for both are covered: colour does.

Along a step in depth, the colours of the near surface F and of the far surface B are taken from pixels close
by that the step does not touch. The pixel's colour C = a F + (1 - a) B then gives the near surface's share a
by projection on the line from B to F. Where the two are of one colour it cannot tell, and need not: there the
share is that of near pixels around. What a render tells of either, in passes of its own, is taken as it is.

Work is on the pixels along steps alone, gathered by index; a value depends only on its own neighbourhood.
"""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.planes_on_disk import copied_plane, filled_plane
from halocline.imaging.depth_edges import COVERED, Mask, Pixels, neighbour
from halocline.imaging.edge_places import shares_by_place
from halocline.imaging.edge_steps import LOW_STEP, NEAREST_M, STEP, along_steps
from halocline.imaging.gamut import Delivery
from halocline.late_dataclass import dataclass
from halocline.rgb import LINEAR_REC709, RGBSpace

# Rows worked on at a time where a whole picture is.
ROWS_TOGETHER = 256
# Pixels around a pixel that are asked for the colours of both, and for how wide a thin thing is.
REACH = 2
_AROUND = tuple((down, right) for down in (-1, 0, 1) for right in (-1, 0, 1))
_THIN_REACH = 4
# Of pixels around a thin thing, those whose colour goes less of the way to its own are taken for background.
_TEXTURE = np.float32(0.15)
# A share this near to none or all is none or all; less is texture and rounding.
LEAST_SHARE = 0.02
# Contrast of the two surfaces, relative to their mean, at which colour and place are believed alike.
_CONTRAST = 0.15
# A farther surface that is nearer by this share than the depth pass is no farther one; and passes that are
# wrong on less than this share of the covered pixels are right.
_NEARER, _DISAGREEMENT = 0.05, 0.02


@dataclass(frozen=True)
class SurfacesInPixels:
    """Pixels (flat index) that mix two surfaces, or of which the render tells that they show the farther.

    Attributes
    ----------
    pixels
        Which, ``(n,)``.
    near, far
        Range of both surfaces, metres.
    far_share
        The farther one's share of the pixel's area, 0 to 1; 0, and one range for both, where it is all there
        is.
    far_light
        Its share of the pixel's light, 0 to 1.
    """

    pixels: Pixels
    near: F32
    far: F32
    far_share: F32
    far_light: F32


@dataclass(frozen=True)
class ToldSurfaces:
    """What a render tells of pixels that show two surfaces, in passes of its own.

    Attributes
    ----------
    far_range
        Range of the farther surface, metres, ``(rows, columns)``; where a pixel shows one surface, its range
        (or nothing nearer). None where it is not told.
    near_share
        Share of the pixel's area that its nearest surface takes, 0 to 1, ``(rows, columns)``: 1 where it is
        the only one. None where it is not told.
    """

    far_range: F32 | None = None
    near_share: F32 | None = None

    def mixed(self, alpha: F32, range_m: F32) -> Mask:
        """Tell of which covered pixels they say that two surfaces are in them."""
        found: Mask = filled_plane(range_m.shape, 0.0, np.bool_)
        if self.far_range is None and self.near_share is None:
            return found
        if self.far_range is not None:
            found |= self._farther(range_m.ravel(), self.far_range.ravel()).reshape(found.shape)
        elif self.near_share is not None:
            found |= _partly(self.near_share)
        found &= (alpha >= COVERED) & (range_m > NEAREST_M) & (range_m < np.inf)
        return found

    def far_of(self, pixels: Pixels, own: F32) -> tuple[Mask, F32]:
        """Return where another, farther surface is told of pixels, and one over its range, ``(n,)``."""
        if self.far_range is None:
            return np.zeros(own.shape, bool), own
        far = self.far_range.ravel()[pixels]
        with np.errstate(divide="ignore"):
            told = self._farther(np.reciprocal(own), far)
        return told, np.reciprocal(np.where(told, far, np.float32(1.0)))

    def doubts(self, alpha: F32, range_m: F32) -> list[str]:
        """Return what speaks against these passes, in sentences with the key to type."""
        told = []
        covered = (alpha >= COVERED) & np.isfinite(range_m)
        count = max(1, int(np.count_nonzero(covered)))
        if self.far_range is not None:
            nearer = covered & (self.far_range < np.float32(1.0 - _NEARER) * range_m)
            if (share := np.count_nonzero(nearer) / count) > _DISAGREEMENT:
                told.append(
                    f"the farther surface is nearer than the depth pass on {share:.1%} of the covered "
                    "pixels: is it another kind of depth, or are the two exchanged? (input.far_depth_channel)"
                )
        if self.near_share is not None:
            apart = covered & _partly(self.near_share) & ~along_steps(alpha, range_m)
            if self.far_range is not None:
                apart &= ~self._farther(range_m, self.far_range)
            if (share := np.count_nonzero(apart) / count) > _DISAGREEMENT:
                told.append(
                    f"shares tell of a second surface on {share:.1%} of the covered pixels where depth shows "
                    "one alone: do they say how much of a pixel its nearest surface takes, 1 off all edges? "
                    "(input.near_coverage_channel)"
                )
        return told

    @staticmethod
    def _farther(range_m: F32, far: F32) -> Mask:
        """Tell where a second range is that of another surface: as `LOW_STEP`, of one over both."""
        with np.errstate(invalid="ignore"):
            # Nothing is endlessly far in a pixel that is covered whole.
            return np.asarray((range_m < np.float32(1.0 - LOW_STEP) * far) & (far < np.inf))


@dataclass(frozen=True)
class _Around:
    """The neighbours of pixels along a step, one array each for all of them: ``(n,)``, or ``(n, 3)``."""

    rgb: F32
    inverse: F32
    covered: Mask
    pure: Mask
    near: Mask
    corner: bool


def separate_surfaces(
    rgb: F32, alpha: F32, range_m: F32, told: ToldSurfaces | None = None
) -> SurfacesInPixels:
    """Find the pixels that mix two covered surfaces, and tell the two apart.

    Parameters
    ----------
    rgb
        ``(3, rows, columns)``, scene-linear.
    alpha
        Coverage ``(rows, columns)``. Pixels that open water shows through are left out: coverage tells those.
    range_m
        Range of one of the surfaces, or between them, ``(rows, columns)``; inf where nothing is hit.
    told
        What the render says of them; the rest is found by colour and by place.
    """
    told = told or ToldSurfaces()
    on_step = along_steps(alpha, range_m)
    on_step |= told.mixed(alpha, range_m)
    pixels: Pixels = np.flatnonzero(on_step)
    own, own_rgb = _inverse(alpha, range_m, pixels), _colours(rgb, pixels)
    has_far, told_far = told.far_of(pixels, own)
    middle = np.where(has_far, np.sqrt(own * told_far), _middle(alpha, range_m, pixels))
    around = [
        _gathered((rgb, alpha, range_m), on_step, pixels, middle, (down, right))
        for down in range(-REACH, REACH + 1)
        for right in range(-REACH, REACH + 1)
    ]
    behind, shown = _behind(around)
    front, thin = _front_colour(around, behind)
    front = _extrapolated(rgb, alpha, range_m, pixels, thin, middle, behind, front)
    near_pixel = own > middle
    # What no pixel close by shows is told apart by no colour.
    behind = np.where(shown[:, None], behind, front if told.near_share is None else own_rgb)
    if told.near_share is None:
        by_place = shares_by_place(_inverse_of_all(alpha, range_m), pixels, middle)
        share = share_of_nearer(own_rgb, front, behind, by_place, thin)
        # The centre of the pixel belongs to the far surface: at most half of it can be the near one.
        np.minimum(share, np.float32(0.5), out=share, where=~near_pixel)
        # That of a thin thing's pixel belongs to the thing, be its colour hardly in it.
        np.maximum(share, np.float32(2.0 * LEAST_SHARE), out=share, where=near_pixel)
        light = light_of_farther(np.float32(1.0) - share, front, behind)
    else:
        share = np.clip(told.near_share.ravel()[pixels], np.float32(0.0), np.float32(1.0))
        light = _light_of_far(np.float32(1.0) - share, behind, own_rgb)
    far_share = np.float32(1.0) - share
    mixed = (far_share > LEAST_SHARE) & (share > LEAST_SHARE)
    places = ((alpha, range_m), pixels, middle, around)
    near = np.where(near_pixel, own, _continued(*places, share, near=True))
    far = np.where(near_pixel, _continued(*places, far_share, near=False), own)
    far = np.where(has_far, told_far, far)
    if told.far_range is not None:
        # It tells of all pixels: one with no farther surface shows one, be its share what it may.
        mixed &= has_far
    if told.near_share is not None:
        # Shares may tell of two surfaces where all depths around are one's: its water is right for both.
        mixed &= near - far > LOW_STEP * near
        # Where next to nothing is seen of the nearer one, the pixel is the farther.
        alone = (share <= LEAST_SHARE) & (near - far > LOW_STEP * near)
        if told.far_range is not None:
            alone &= has_far
        np.copyto(near, far, where=alone)
        far_share[alone] = light[alone] = np.float32(0.0)
        mixed |= alone
    near_m, far_m = np.reciprocal(near), np.reciprocal(far)
    return SurfacesInPixels(pixels[mixed], near_m[mixed], far_m[mixed], far_share[mixed], light[mixed])


def _partly(share: F32) -> Mask:
    """Tell where a share is neither none nor all."""
    return np.asarray((share > LEAST_SHARE) & (share < 1.0 - LEAST_SHARE))


def mixture_planes(rgb: F32, alpha: F32, range_m: F32, told: ToldSurfaces | None = None) -> dict[str, F32]:
    """Return ``range``, ``far_range``, ``far_share`` and ``far_light`` of a picture; nothing where none mix.

    Parameters
    ----------
    rgb, alpha, range_m, told
        See `separate_surfaces`.

    Returns
    -------
    dict[str, F32]
        New planes by name; empty where no pixel mixes two surfaces.
    """
    found = separate_surfaces(rgb, alpha, range_m, told)
    if not found.pixels.size:
        return {}
    planes = {name: copied_plane(range_m) for name in ("range", "far_range")}
    planes |= {name: filled_plane(range_m.shape, 0.0) for name in ("far_share", "far_light")}
    values = (found.near, found.far, found.far_share, found.far_light)
    for plane, value in zip(planes.values(), values, strict=True):
        plane.ravel()[found.pixels] = value
    return planes


def compared_colours(rgb: F32, space: RGBSpace) -> F32:
    """Return colours as surfaces are told apart by them: in linear Rec.709, whatever space a render is in.

    Shares of two colours go by how far apart they are, and that differs from space to space.

    Parameters
    ----------
    rgb
        ``(3, rows, columns)``, working space.
    space
        The working space.

    Returns
    -------
    F32
        ``(3, rows, columns)``; the same memory where the space is Rec.709.
    """
    return Delivery(space, LINEAR_REC709, "none").linear(rgb)


def far_light_of(rgb: F32, range_m: F32, far_m: F32, far_share: F32) -> F32:
    """Return the farther surface's share of light where depth has told its share of the area.

    Parameters
    ----------
    rgb
        ``(3, rows, columns)``.
    range_m, far_m, far_share
        Range of the nearer and of the farther surface and the farther one's share, ``(rows, columns)``; 0
        where a pixel shows one surface.

    Returns
    -------
    Share of light ``(rows, columns)``: that of the area where no pixel close by shows the farther surface by
    itself.
    """
    out = copied_plane(far_share)
    pixels: Pixels = np.flatnonzero(far_share)
    nearness = np.reciprocal(far_m.ravel()[pixels])
    total = np.zeros((pixels.size, 3), np.float32)
    count = np.zeros(pixels.size, np.float32)
    for down in range(-REACH, REACH + 1):
        for right in range(-REACH, REACH + 1):
            at = neighbour(range_m.shape, pixels, down, right)
            with np.errstate(divide="ignore", over="ignore"):
                other = np.reciprocal(range_m.ravel()[at])
            like = (np.abs(other - nearness) < STEP * nearness) & (far_share.ravel()[at] == 0)
            total += _colours(rgb, at) * like[:, None]
            count += like
    known = count > 0
    light = far_share.ravel()[pixels[known]] * _brightness(total[known] / count[known, None])
    whole = np.maximum(_brightness(_colours(rgb, pixels[known])), np.float32(1e-12))
    out.ravel()[pixels[known]] = np.minimum(light / whole, np.float32(1.0))
    return out


def _inverse(alpha: F32, range_m: F32, at: Pixels) -> F32:
    """Return inverse range of pixels by flat index, 0 where not covered."""
    distance = range_m.ravel()[at]
    covered = (alpha.ravel()[at] >= COVERED) & (distance > NEAREST_M) & (distance < np.inf)
    inverse = np.zeros_like(distance)
    np.divide(np.float32(1.0), distance, out=inverse, where=covered)
    return inverse


def _inverse_of_all(alpha: F32, range_m: F32) -> F32:
    """Return inverse range of a picture, 0 where not covered."""
    inverse: F32 = filled_plane(range_m.shape, 0.0)
    for start in range(0, len(range_m), ROWS_TOGETHER):
        rows = slice(start, start + ROWS_TOGETHER)
        distance = range_m[rows]
        covered = (alpha[rows] >= COVERED) & (distance > NEAREST_M) & (distance < np.inf)
        np.divide(np.float32(1.0), distance, out=inverse[rows], where=covered)
    return inverse


def _middle(alpha: F32, range_m: F32, pixels: Pixels) -> F32:
    """Return what parts near from far: the mean of greatest and least inverse range within one pixel.

    Straight up, down, left and right, if there is a step there: what lies across a corner may be a third.
    """
    high = np.zeros(pixels.size, np.float32)
    low = np.full(pixels.size, np.float32(np.inf))
    middle = np.zeros_like(high)
    for corners in (False, True):
        for down, right in _AROUND:
            if (down * right != 0) == corners:
                value = _inverse(alpha, range_m, neighbour(range_m.shape, pixels, down, right))
                np.maximum(high, value, out=high)
                np.minimum(low, value, out=low, where=value > 0)
        np.copyto(middle, np.sqrt(high * low), where=middle == 0 if corners else high - low > LOW_STEP * high)
    return middle


def _gathered(
    picture: tuple[F32, F32, F32], on_step: Mask, pixels: Pixels, middle: F32, offset: tuple[int, int]
) -> _Around:
    rgb, alpha, range_m = picture
    down, right = offset
    at = neighbour(range_m.shape, pixels, down, right)
    value = _inverse(alpha, range_m, at)
    covered = value > 0
    return _Around(
        rgb=_colours(rgb, at),
        inverse=value,
        covered=covered,
        pure=covered & ~on_step.ravel()[at],
        near=value > middle,
        corner=abs(down) == abs(right) == 1,
    )


def _behind(around: list[_Around]) -> tuple[F32, Mask]:
    """Return farther surfaces' mean colour, of pixels off the step, else of those on it; and where any is."""
    pure, pure_count = _sums(around, near=False, only_pure=True)
    every, every_count = _sums(around, near=False, only_pure=False)
    has_pure = pure_count[:, None] > 0
    count = np.where(has_pure, pure_count[:, None], every_count[:, None])
    mean: F32 = np.where(has_pure, pure, every)
    mean /= np.maximum(count, np.float32(1.0))
    return mean, every_count > 0


def _front_colour(around: list[_Around], behind: F32) -> tuple[F32, Mask]:
    """Return the colour of the near surface, and where it is that of a thin thing.

    A thing so thin that every pixel of it lies on the step has the colour of its pixels that are least like
    what is behind.
    """
    pure, count = _sums(around, near=True, only_pure=True)
    bold = np.zeros_like(behind)
    weight = np.full(len(behind), 1e-12, np.float32)
    for each in around:
        apart = np.square(each.rgb - behind).sum(axis=1) * (each.near & each.covered)
        bold += each.rgb * apart[:, None]
        weight += apart
    thin = count == 0
    pure /= np.maximum(count, np.float32(1.0))[:, None]
    return np.where(thin[:, None], bold / weight[:, None], pure), thin


def _extrapolated(
    rgb: F32,
    alpha: F32,
    range_m: F32,
    pixels: Pixels,
    thin: Mask,
    middle: F32,
    behind: F32,
    front: F32,
) -> F32:
    """Return the colour of near surfaces, of thin ones beyond that of any pixel.

    A wire thinner than a pixel has its own colour in none. But the samples in the middles of pixels meet it
    as often as it is wide: the share of near pixels around is its mean share of their area. The colour at
    which the pixels' own shares have this mean is the wire's.
    """
    at: Pixels = np.flatnonzero(thin)
    if not at.size:
        return front
    scale = np.ones(at.size, np.float32)
    covered, nearest = np.float32(COVERED), np.float32(NEAREST_M)
    picture = (np.ascontiguousarray(rgb), alpha, range_m)
    _thin_scale(picture, (covered, nearest), pixels[at], middle[at], behind[at], front[at], scale)
    out = front.copy()
    out[at] = behind[at] + scale[:, None] * (front[at] - behind[at])
    return out


@compiled
def _thin_scale(
    picture: tuple[F32, F32, F32],
    limits: tuple[np.float32, np.float32],
    pixels: Pixels,
    middle: F32,
    behind: F32,
    front: F32,
    out: F32,
) -> None:
    """Write how much farther from what is behind the colour of thin things lies than that of their pixels."""
    rgb, alpha, range_m = picture
    covered, nearest = limits
    zero, one = np.float32(0.0), np.float32(1.0)
    rows, columns = range_m.shape
    for n in range(pixels.size):
        row, column = pixels[n] // columns, pixels[n] % columns
        red, green, blue = behind[n, 0], behind[n, 1], behind[n, 2]
        a, b, c = front[n, 0] - red, front[n, 1] - green, front[n, 2] - blue
        size = a * a + b * b + c * c
        if not size > zero:
            continue
        total = count = most = zero
        for r in range(max(0, row - _THIN_REACH), min(rows, row + _THIN_REACH + 1)):
            for k in range(max(0, column - _THIN_REACH), min(columns, column + _THIN_REACH + 1)):
                distance = range_m[r, k]
                if not (alpha[r, k] >= covered and distance > nearest):
                    continue
                way = (
                    (rgb[0, r, k] - red) * a + (rgb[1, r, k] - green) * b + (rgb[2, r, k] - blue) * c
                ) / size
                near = one / distance > middle[n]
                total += way if way > _TEXTURE else zero
                count += one if near else zero
                if near and abs(r - row) <= REACH and abs(k - column) <= REACH:
                    most = max(most, way)
        # No pixel is more than all of it, and no colour is darker than none.
        scale = max(total / max(count, one), most)
        darkest = np.float32(np.inf)
        if a < zero:
            darkest = min(darkest, -red / a)
        if b < zero:
            darkest = min(darkest, -green / b)
        if c < zero:
            darkest = min(darkest, -blue / c)
        out[n] = min(scale, max(darkest, one)) if count > zero else one


def _sums(around: list[_Around], *, near: bool, only_pure: bool) -> tuple[F32, F32]:
    total = np.zeros_like(around[0].rgb)
    count = np.zeros(len(total), np.float32)
    for each in around:
        counted = (each.pure if only_pure else each.covered) & (each.near == near)
        total += each.rgb * counted[:, None]
        count += counted
    return total, count


def share_of_nearer(rgb: F32, front: F32, behind: F32, by_place: F32, thin: Mask) -> F32:
    """Return the near surface's share of each pixel, by colour as far as that tells, else by place, ``(n,)``.

    Along the outline of a broad thing, the places of near pixels give the share to a quarter; what colour
    says beyond that is the thing's own shading. Of a thin thing, places tell nothing.

    Parameters
    ----------
    rgb, front, behind
        Colours of the pixels, of their nearer and of their farther surfaces, ``(n, 3)``.
    by_place
        The nearer one's share as `shares_by_place` has it, ``(n,)``, 0 to 1.
    thin
        Whether that is thinner than a pixel, ``(n,)``.
    """
    apart = front - behind
    contrast = np.square(apart).sum(axis=1)
    by_colour = ((rgb - behind) * apart).sum(axis=1) / np.maximum(contrast, np.float32(1e-12))
    np.clip(by_colour, np.float32(0.0), np.float32(1.0), out=by_colour)
    brightness = np.square(front + behind).sum(axis=1) * np.float32(0.25 * _CONTRAST**2)
    trust = contrast / np.maximum(contrast + brightness, np.float32(1e-12))
    share: F32 = by_colour - by_place
    share *= trust
    np.clip(share, np.float32(-0.25), np.float32(0.25), out=share, where=~thin)
    share += by_place
    return share


def _continued(
    picture: tuple[F32, F32], pixels: Pixels, middle: F32, around: list[_Around], share: F32, *, near: bool
) -> F32:
    """Return the inverse range of one surface in pixels whose middles show the other, ``(n,)``.

    One over the range of a plane runs straight: it goes on from the two pixels beside, up, down, left and
    right, to the middle of the share of the pixel that the surface takes. Of several near ones the nearest is
    taken, which hides the others, of far ones the mean. Where none of these shows the surface it is the mean
    of those across the corners.
    """
    alpha, range_m = picture
    total, count = np.zeros_like(middle), np.zeros_like(middle)
    steps = np.float32(0.5) + np.float32(0.5) * share
    for down, right in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        first, second = (
            _inverse(alpha, range_m, neighbour(range_m.shape, pixels, k * down, k * right)) for k in (1, 2)
        )
        shown = (first > 0) & ((first > middle) == near)
        change = first - second
        plane = (second > 0) & (np.abs(change) <= np.float32(LOW_STEP) * first)
        value = first + np.where(plane, steps * change, np.float32(0.0))
        value *= shown
        if near:
            np.maximum(total, value, out=total)
            np.maximum(count, shown, out=count)
        else:
            total += value
            count += shown
    none = count == 0
    for each in around:
        if each.corner:
            counted = none & each.covered & (each.near == near)
            total += each.inverse * counted
            count += counted
    # The step has both within one pixel; where rounding hides one, its inverse stays harmless.
    mean: F32 = np.where(count > 0, total, around[len(around) // 2].inverse)
    mean /= np.maximum(count, np.float32(1.0))
    return mean


def light_of_farther(far_share: F32, front: F32, behind: F32) -> F32:
    """Return the farther surface's share of light, ``(n,)``, 0 to 1: (1 - a) B of a F + (1 - a) B.

    Where colours fit badly, less than all of it still.

    Parameters
    ----------
    far_share
        Its share 1 - a of the area, ``(n,)``.
    front, behind
        Colours F and B of the nearer and of the farther surface, ``(n, 3)``.
    """
    light = far_share * _brightness(behind)
    whole = (np.float32(1.0) - far_share) * _brightness(front)
    whole += light
    light /= np.maximum(whole, np.float32(1e-12))
    return light


def _light_of_far(far_share: F32, behind: F32, whole: F32) -> F32:
    """Return (1 - a) B of the pixel's own light, where its share is told."""
    light = far_share * _brightness(behind)
    light /= np.maximum(_brightness(whole), np.float32(1e-12))
    np.minimum(light, np.float32(1.0), out=light)
    return light


def _brightness(rgb: F32) -> F32:
    """Return the sum of the channels of colours ``(n, 3)``."""
    total: F32 = np.maximum(rgb, 0).sum(axis=1)
    return total


def _colours(rgb: F32, pixels: Pixels) -> F32:
    """Return colours ``(n, 3)`` of pixels by flat index."""
    return np.stack([plane.ravel()[pixels] for plane in rgb], axis=1)
