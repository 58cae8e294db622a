"""Depth at anti-aliased edges: the few pixels where a depth pass cannot be taken at its word.

All work is on the edge pixels alone, gathered by index; a value depends only on its own neighbourhood.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.planes_on_disk import empty_plane
from halocline.late_dataclass import dataclass

# Pixels around an edge pixel that are asked. Filters of renderers end within 2 pixels; thin things need more.
REACH = 4
# A pixel covered to less than this short of 1 is covered: half floats near 1 step by 1/2048.
COVERED = 1.0 - 1.0 / 512.0
# How far a partly covered pixel's range may lie outside that of the covered pixels around it.
_SLACK = 0.05
# Two surfaces differ at least by this share of their depth; less is one surface with some shape.
_STEP = 0.03
# A surface that falls away by more than this share of its inverse depth from a pixel to the next is two.
_ASLANT = 0.15
# A surface is carried on over a mixed pixel by at most this share of the step.
_MOST_CARRIED = np.float32(0.25)
_ROWS_TOGETHER = 256
# How much of a pixel the lesser surface must have; less is rounding.
_LEAST_SHARE = 0.02

# The neighbours of a pixel, the four straight ones first.
_WAYS = ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1))

Pixels = NDArray[np.intp]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Mixed:
    """Pixels (flat index) whose averaged depth mixes two surfaces, both depths, the farther one's share."""

    pixels: Pixels
    near: F32
    far: F32
    far_share: F32


def fill_partly_covered(metres: F32, alpha: F32) -> tuple[int, int]:
    """Give partly covered pixels the range of the surface that covers them, in place.

    A pixel keeps its own range unless that lies beyond the covered pixels around it. Then its depth is that
    of the open water behind, or a blend with it, and it takes the range of the nearest covered pixel (the
    closer to the lens of equally near ones). Where three covered pixels in a row fall away towards it, their
    surface goes on: one over the range is linear across a plane, near enough over a few pixels. Where a near
    thing stands before the rim of a far one, coverage around tells which of the two has more of the pixel.

    Parameters
    ----------
    metres
        Range ``(rows, columns)``, inf where nothing is seen.
    alpha
        Coverage ``(rows, columns)``.

    Returns
    -------
    tuple of int
        How many pixels were filled, and how many covered pixels still have no range.
    """
    trusted: Mask = empty_plane(alpha.shape, np.bool_)
    found: list[Pixels] = []
    for rows in _some_rows(alpha):
        cover = alpha[rows]
        np.logical_and(cover >= COVERED, np.isfinite(metres[rows]), out=trusted[rows])
        found.append(np.flatnonzero((cover > 0) & (cover < COVERED)) + rows.start * alpha.shape[1])
    partial: Pixels = np.concatenate(found)
    if partial.size:
        high = _farthest_around(metres, trusted, partial)
        own = metres.ravel()[partial]
        plausible = own <= high * (1 + _SLACK)
        # Nothing covered near: a thin thing. Its own depth is all there is, unless the background is in it.
        alone = high == 0
        farthest = np.max(metres, where=trusted, initial=0.0)
        plausible |= alone & np.isfinite(own) & ((own <= 2 * farthest) | (farthest == 0))
        beyond: Pixels = np.flatnonzero(~plausible & np.isfinite(own))
        goes_on = _farthest_continued(metres, trusted, partial[beyond])
        plausible[beyond] = own[beyond] <= goes_on * (1 + _SLACK)
        doubtful = partial[~plausible]
        # Covered pixels that are seen; and from here on those whose own range stays.
        trusted.ravel()[partial[plausible & np.isfinite(own)]] = True
        farther = _farther_beside_nearer(metres, alpha, trusted, doubtful)
        filled = _from_nearest(metres, alpha, trusted, doubtful)
        known = np.isfinite(farther)
        metres.ravel()[doubtful[known]] = farther[known]
    else:
        filled = 0
    lost = sum(
        int(np.count_nonzero((alpha[rows] > 0) & ~np.isfinite(metres[rows]))) for rows in _some_rows(alpha)
    )
    return filled, lost


def _some_rows(plane: F32) -> Iterator[slice]:
    """Yield the rows of a picture, some at a time: what is made of them is then small."""
    for start in range(0, len(plane), _ROWS_TOGETHER):
        yield slice(start, min(start + _ROWS_TOGETHER, len(plane)))


def split_averaged(ordered: F32, metres: F32, alpha: F32 | None) -> Mixed:
    """Find covered pixels whose averaged depth mixes two surfaces, and take the two apart.

    Across an edge, the pixels on both sides agree with their own outer neighbours and differ from each other;
    a mixed pixel lies between. Inverse depth decides, because it is linear across any plane, however slanted.
    Edges up to three mixed pixels wide are found. A thing so thin that no pixel shows it unmixed stays mixed.

    Parameters
    ----------
    ordered
        ``(rows, columns)``, linear in the pass and growing with distance.
    metres
        Range ``(rows, columns)``, inf where nothing is seen.
    alpha
        Coverage, or None.
    """
    with np.errstate(divide="ignore"):
        inverse: F32 = np.divide(np.float32(1.0), metres, out=empty_plane(metres.shape))
    square = np.ones((3, 3), np.uint8)
    high = cv2.dilate(inverse, square, dst=empty_plane(metres.shape))
    low = cv2.erode(inverse, square, dst=empty_plane(metres.shape))
    covered: Mask = empty_plane(metres.shape, np.bool_)
    found_in: list[Pixels] = []
    for rows in _some_rows(metres):
        np.greater(inverse[rows], 0, out=covered[rows])
        if alpha is not None:
            covered[rows] &= alpha[rows] >= COVERED
        steps = covered[rows] & (high[rows] - low[rows] > _STEP * high[rows])
        found_in.append(np.flatnonzero(steps) + rows.start * metres.shape[1])
    candidates: Pixels = np.concatenate(found_in)
    best = np.zeros(candidates.size, np.float32)
    near, far = np.zeros_like(best), np.zeros_like(best)
    own = ordered.ravel()[candidates]
    for (one, other, beyond_one, beyond_other), (before, after) in _crossings(ordered.shape, candidates):
        step = _step_across(inverse, covered, one, other, beyond_one, beyond_other)
        # Open water on one side makes this infinite minus infinite; the step is 0 there already.
        with np.errstate(invalid="ignore"):
            first = _carried(ordered, one, beyond_one, other, before)
            second = _carried(ordered, other, beyond_other, one, after)
            low_end, high_end = np.minimum(first, second), np.maximum(first, second)
            margin = _LEAST_SHARE * (high_end - low_end)
            better = (step > best) & (own > low_end + margin) & (own < high_end - margin)
        np.copyto(best, step, where=better)
        np.copyto(near, low_end, where=better)
        np.copyto(far, high_end, where=better)
    found = best > 0
    near, far = near[found], far[found]
    return Mixed(candidates[found], near, far, (own[found] - near) / (far - near))


def mixed_and_clean_steps(ordered: F32, metres: F32, alpha: F32 | None) -> tuple[int, int]:
    """Count edge pixels with a depth halfway between two surfaces, and edges that step with nothing between.

    Halfway is 0.3 to 0.7: an average falls there as often as anywhere; a sharp pass has depths between two
    surfaces mostly close to one of them, on rounded things that turn away.
    """
    share = split_averaged(ordered, metres, alpha).far_share
    mixed = int(np.count_nonzero((share > 0.3) & (share < 0.7)))
    with np.errstate(divide="ignore"):
        inverse = 1.0 / metres
    covered = inverse > 0
    if alpha is not None:
        covered &= alpha >= COVERED
    clean = 0
    for axis in (0, 1):
        a, b, c, d = (np.take(inverse, range(k, inverse.shape[axis] - 3 + k), axis=axis) for k in range(4))
        whole = np.minimum(np.minimum(a, b), np.minimum(c, d)) > 0
        step = np.abs(b - c)
        jumps = step > 12 * (np.abs(a - b) + np.abs(c - d)) + _STEP * np.maximum(b, c)
        clean += int(np.count_nonzero(whole & jumps))
    return mixed, clean


def _step_across(
    inverse: F32, covered: Mask, one: Pixels, other: Pixels, beyond_one: Pixels, beyond_other: Pixels
) -> F32:
    """Height of the step between two sides in inverse depth; 0 where it is none, or a side is not whole."""
    flat, whole = inverse.ravel(), covered.ravel()
    first, second = flat[one], flat[other]
    slopes = np.abs(first - flat[beyond_one]) + np.abs(second - flat[beyond_other])
    step = np.abs(first - second)
    steep = step > 4 * slopes + _STEP * np.maximum(first, second)
    return np.where(
        steep & whole[one] & whole[other] & whole[beyond_one] & whole[beyond_other], step, np.float32(0)
    )


def _carried(ordered: F32, pixels: Pixels, beyond: Pixels, across: Pixels, pixels_on: int) -> F32:
    """Return what a surface goes on to, so many pixels towards the other side, by its fall outside of them.

    Flat ground falls away by several hundredths a pixel: taken as it is two pixels off, every pixel beside a
    post would be a tenth of the post.
    """
    flat = ordered.ravel()
    own = flat[pixels]
    most = _MOST_CARRIED * np.abs(flat[across] - own)
    return np.asarray(own + np.clip(np.float32(pixels_on) * (own - flat[beyond]), -most, most))


def _crossings(
    shape: tuple[int, ...], pixels: Pixels
) -> Iterator[tuple[tuple[Pixels, Pixels, Pixels, Pixels], tuple[int, int]]]:
    """Yield, for each way across, a pixel on either side, the next one outwards of each, and how far off."""
    rows, columns = np.divmod(pixels, shape[1])
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        for before, after in ((1, 1), (1, 2), (2, 1), (2, 2)):
            around = (
                _index(shape, rows - before * down, columns - before * right),
                _index(shape, rows + after * down, columns + after * right),
                _index(shape, rows - (before + 1) * down, columns - (before + 1) * right),
                _index(shape, rows + (after + 1) * down, columns + (after + 1) * right),
            )
            yield around, (before, after)


def neighbour(shape: tuple[int, ...], pixels: Pixels, down: int, right: int) -> Pixels:
    """Return the flat index of the pixel some rows and columns off each; the picture's border repeats."""
    rows, columns = np.divmod(pixels, shape[1])
    return _index(shape, rows + down, columns + right)


def _index(shape: tuple[int, ...], rows: Pixels, columns: Pixels) -> Pixels:
    """Flat index; what lies outside the picture stands for the pixel at its border."""
    inside: Pixels = np.clip(rows, 0, shape[0] - 1) * shape[1] + np.clip(columns, 0, shape[1] - 1)
    return inside


def _mask(shape: tuple[int, ...], pixels: Pixels) -> Mask:
    mask = np.zeros(shape, np.bool_)
    mask.ravel()[pixels] = True
    return mask


def _farthest_around(metres: F32, trusted: Mask, pixels: Pixels) -> F32:
    """Greatest trusted range within 2 pixels; 0 where there is none."""
    rows, columns = np.divmod(pixels, metres.shape[1])
    high = np.zeros(pixels.size, np.float32)
    for down in range(-2, 3):
        for right in range(-2, 3):
            at = _index(metres.shape, rows + down, columns + right)
            value, usable = metres.ravel()[at], trusted.ravel()[at]
            np.maximum(high, value, out=high, where=usable)
    return high


def _farthest_continued(metres: F32, trusted: Mask, pixels: Pixels) -> F32:
    """Greatest range that trusted surfaces straight or aslant within 2 pixels go on to; 0 without any."""
    high = np.zeros(pixels.size, np.float32)
    for count in (1, 2):
        for down, right in _WAYS:
            value, usable = _continued(metres, trusted, pixels, (count * down, count * right))
            np.maximum(high, value, out=high, where=usable)
    return high


def _continued(
    metres: F32, trusted: Mask, pixels: Pixels, offset: tuple[int, int], cover: F32 | None = None
) -> tuple[F32, Mask]:
    """Range at pixels of the surface that is trusted some rows and columns off, and where there is one.

    Straight and aslant, a surface that falls away goes on as a plane: by the lesser of the two falls among
    three pixels, so that a step is none of it, and to twice its range at most. Else it stays as near. Of a
    pixel that it covers to a share, it is the middle of this share; where none is given, the pixel's middle.
    """
    down, right = offset
    flat, whole = metres.ravel(), trusted.ravel()
    at = neighbour(metres.shape, pixels, down, right)
    first, usable = flat[at], whole[at]
    count = max(abs(down), abs(right))
    if {abs(down), abs(right)} - {0, count}:
        return first, usable
    next_at, last_at = (neighbour(metres.shape, at, k * down // count, k * right // count) for k in (1, 2))
    steps = np.float32(count) if cover is None else np.float32(count - 0.5) + np.float32(0.5) * cover
    with np.errstate(divide="ignore", invalid="ignore"):
        one, two, three = 1.0 / first, 1.0 / flat[next_at], 1.0 / flat[last_at]
        fall = np.minimum(two - one, three - two)
        falls = usable & whole[next_at] & whole[last_at] & (fall > 0) & (two - one <= _ASLANT * two)
        farther = 1.0 / np.maximum(one - steps * fall, 0.5 * one)
    return np.where(falls, farther, first), usable


def _farther_beside_nearer(metres: F32, alpha: F32, trusted: Mask, pixels: Pixels) -> F32:
    """Range of the farther of two surfaces beside pixels that show more of it; inf for all others.

    A stalk before the rim of far ground: past the pixel, away from the stalk, coverage f is that of the
    ground alone. A stalk of share s makes of it s + (1 - s) f. Where the pixel has less than f (the rim is no
    level one), the stalk's share is the coverage past it, away from the ground.
    """
    cover = alpha.ravel()[pixels]
    ranges = np.full((4, pixels.size), np.nan, np.float32)
    past = np.empty_like(ranges)
    for way, (down, right) in enumerate(_WAYS[:4]):
        value, usable = _continued(metres, trusted, pixels, (down, right), cover)
        np.copyto(ranges[way], value, where=usable)
        past[way] = alpha.ravel()[neighbour(metres.shape, pixels, -down, -right)]
    known = np.isfinite(ranges)
    nearest = np.min(ranges, axis=0, where=known, initial=np.inf)
    farthest = np.max(ranges, axis=0, where=known, initial=0.0)
    two = nearest < (1.0 - _ASLANT) * farthest
    with np.errstate(invalid="ignore"):
        far = known & (np.square(ranges) > nearest * farthest)
    of_far = np.min(past, axis=0, where=known & ~far, initial=1.0)
    of_near = np.min(past, axis=0, where=far, initial=1.0)
    by_far = (cover - of_far) / np.maximum(np.float32(1.0) - of_far, np.float32(1e-6))
    near_share = np.where(of_far <= cover, by_far, of_near)
    shown = far & two & (cover > 2 * near_share)
    farther: F32 = np.min(ranges, axis=0, where=shown, initial=np.inf)
    return farther


def _from_nearest(metres: F32, alpha: F32, trusted: Mask, pixels: Pixels) -> int:
    """Fill pixels from the nearest trusted ones; return how many were filled."""
    filled = pixels.size
    source = metres.copy() if pixels.size else metres
    for ring in _rings():
        if not pixels.size:
            return filled
        nearest, cover = np.full(pixels.size, np.inf, np.float32), alpha.ravel()[pixels]
        for offset in ring:
            value, usable = _continued(source, trusted, pixels, offset, cover)
            np.minimum(nearest, value, out=nearest, where=usable)
        found = np.isfinite(nearest)
        metres.ravel()[pixels[found]] = nearest[found]
        pixels = pixels[~found]
    return filled - _from_far(metres, source, trusted, pixels)


def _rings() -> list[list[tuple[int, int]]]:
    """Offsets in groups of equal distance, nearest first."""
    groups: dict[int, list[tuple[int, int]]] = {}
    for down in range(-REACH, REACH + 1):
        for right in range(-REACH, REACH + 1):
            distance = down * down + right * right
            if 0 < distance <= REACH * REACH:
                groups.setdefault(distance, []).append((down, right))
    return [groups[distance] for distance in sorted(groups)]


def _from_far(metres: F32, source: F32, trusted: Mask, pixels: Pixels) -> int:
    """Fill from the nearest trusted pixel at any distance; return how many found none."""
    if not pixels.size or not trusted.any():
        metres.ravel()[pixels] = np.inf
        return pixels.size
    _, labels = cv2.distanceTransformWithLabels(
        (~trusted).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    by_label = np.zeros(int(labels.max()) + 1, np.float32)
    by_label[labels[trusted]] = source[trusted]
    metres.ravel()[pixels] = by_label[labels.ravel()[pixels]]
    return 0
