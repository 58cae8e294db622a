"""Filters that soften a picture by different amounts in different places.

All work on whole planes, `(rows, columns)` or `(channels, rows, columns)`, float32, and go through a pyramid
of halved pictures, so that a wide kernel costs no more than a narrow one. Edge pixels repeat.

The pyramid's steps are OpenCV's: a 5-tap binomial going down and going up, each of variance 1 in pixels of
the finer level. A picture taken down ``n`` levels and up again is therefore blurred by a Gaussian of variance
``2 (4^n - 1)/3``, a little rounder at its top (7 % of the peak at most).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from halocline._typing import F32, F64

# A level narrower than this many pixels says nothing more about the picture.
SMALLEST_LEVEL = 3


def level_variance(level: int) -> float:
    """Return the variance, px^2, of going down and up ``level`` levels. Worked value: 3 gives 42."""
    return 2.0 * (4.0**level - 1.0) / 3.0


def level_count(shape: tuple[int, int]) -> int:
    """Return how often a plane of that shape can be halved."""
    return max(0, int(math.log2(min(shape) / SMALLEST_LEVEL)))


def halved(plane: F32) -> F32:
    """Return the plane blurred and halved; pixel (0, 0) stays where it is. Edge pixels repeat."""
    return np.asarray(cv2.pyrDown(plane, borderType=cv2.BORDER_REPLICATE), np.float32)


def doubled(plane: F32, shape: tuple[int, int]) -> F32:
    """Return the plane blown up to the shape it was halved from."""
    rows, columns = shape
    return np.asarray(cv2.pyrUp(plane, dstsize=(columns, rows)), np.float32)


def blur_varying(plane: F32, sigma_px: F32) -> F32:
    """Blur a plane by a Gaussian whose width changes from place to place.

    Parameters
    ----------
    plane
        ``(rows, columns)``.
    sigma_px
        Standard deviation wanted at each pixel, ``(rows, columns)``, 0 leaves it as it is. It should be
        smooth: a step in it shows as a step of sharpness (which is right at the edge of a near thing).

    Notes
    -----
    Between two levels of the pyramid the kernel is a mixture of both whose variance is the one asked for.
    A constant plane stays as it is. Where sigma is 0 in a whole neighbourhood, no bit changes.
    """
    widest = float(sigma_px.max(initial=0.0))
    if widest == 0.0:
        return plane.copy()
    return _blurred(plane, sigma_px * sigma_px, level=0, widest=widest * widest)


def _blurred(plane: F32, variance: F32, *, level: int, widest: float) -> F32:
    """Return the plane at one level of the pyramid, mixed with what the coarser levels make of it."""
    if widest <= level_variance(level) or min(plane.shape) < 2 * SMALLEST_LEVEL:
        return plane
    low, high = level_variance(level), level_variance(level + 1)
    coarse = _blurred(halved(plane), halved(variance), level=level + 1, widest=widest)
    soft = doubled(coarse, plane.shape)
    share = np.clip((variance - np.float32(low)) * np.float32(1.0 / (high - low)), 0, 1)
    soft -= plane
    soft *= share
    soft += plane
    return soft


def fill_from_farther(planes: F32, share: F32) -> F32:
    """Fill in what nearer things hide, from what is seen of the farther picture around them.

    Parameters
    ----------
    planes
        Premultiplied picture, ``(channels, rows, columns)``.
    share
        How much of each pixel shows the farther picture, 0 to 1.

    Returns
    -------
    The farther picture alone at full coverage. Pixels of share 1 keep every bit; mixed pixels count as
    hidden, because their colour is not the farther picture's alone, but are kept from being filled with
    more than they hold.
    """
    hidden = share < 1.0
    if not hidden.any():
        return planes
    seen = np.logical_not(hidden).astype(np.float32)
    if not seen.any():
        return planes.copy()
    weights = _seen_by_level(seen)
    limit = np.maximum(share, np.float32(1e-6))
    mixed = hidden & (share > 0)
    filled = np.empty_like(planes)
    for plane, out in zip(planes, filled, strict=True):
        coarse = _fill(halved(plane * seen), weights, 1)
        cv2.pyrUp(coarse, dst=out, dstsize=out.shape[::-1])
        # The nearer thing cannot have given less than nothing.
        most = np.maximum(plane[mixed], np.float32(0.0)) / limit[mixed]
        out[mixed] = np.minimum(out[mixed], most)
        np.copyto(out, plane, where=~hidden)
    return filled


def _seen_by_level(seen: F32) -> list[F32]:
    levels = [seen, halved(seen)]
    while min(levels[-1].shape) >= 2 * SMALLEST_LEVEL:
        levels.append(halved(levels[-1]))
    return levels


def _fill(weighted: F32, weights: list[F32], level: int) -> F32:
    """Return colours at one level: own where enough is seen, else those of the coarser level."""
    weight = weights[level]
    own = weighted / np.maximum(weight, np.float32(1e-6))
    if level + 1 == len(weights):
        return own.astype(np.float32, copy=False)
    coarse = _fill(halved(weighted), weights, level + 1)
    soft = doubled(coarse, weight.shape)
    own -= soft
    own *= np.minimum(weight * np.float32(4.0), np.float32(1.0))
    own += soft
    return own.astype(np.float32, copy=False)


@dataclass(frozen=True)
class HaloKernels:
    """Halos by range, each a sum of the Gaussians that the pyramid makes anyway.

    Attributes
    ----------
    ranges_m
        Ranges for which there is a kernel, ascending, ``(n,)``; between two, they are mixed evenly in log
        range.
    weights
        ``(n, 2 + levels)``, rows sum to 1: share that stays in its pixel, that of half resolution and of each
        level below it (see `halo_widths`).
    """

    ranges_m: F64
    weights: F64


def halo_widths(levels: int) -> F64:
    """Return the standard deviations, px, of the Gaussians that `scatter_halo` adds up, ``(2 + levels,)``.

    The first is 0, light that stays; the second that of going to half resolution (box) and back (linear).
    """
    # Box of 2: 1/4 px^2; linear interpolation between samples 2 px apart, at a quarter of the way: 3/4 px^2.
    base = 1.0
    return np.sqrt([0.0, base, *(base + 4.0 * level_variance(level) for level in range(1, levels + 1))])


def scatter_halo(energy: F32, range_m: F32, kernels: HaloKernels) -> F32:
    """Spread the halo of every pixel over its surroundings, by its own range.

    Parameters
    ----------
    energy
        What each pixel gives to its halo, ``(channels, rows, columns)``.
    range_m
        Range of each pixel, metres, above 0, may be inf.
    kernels
        Kernels by range.

    Returns
    -------
    The halo, to be added to the direct light.

    Notes
    -----
    The picture is split by range between the kernels' ranges. Light from a range reaches a pixel that shows
    something nearer only by what is scattered in front of it, the share ``s_near/s``. What a nearer thing
    hides of a farther range is taken to be like what is seen around it, so that no dark rim forms.
    Where nothing nearer hides a pixel's surroundings, what it gives away arrives in full.
    A constant picture at one range stays constant up to the edges of the frame.
    """
    shape = energy.shape[-2:]
    nearness = _half(np.float32(1.0) / range_m)
    place = _place(nearness, kernels.ranges_m)
    half_energy = [_half(plane) for plane in energy]
    halo = [np.zeros_like(nearness) for _ in half_energy]
    stays = np.zeros_like(nearness)
    # A range's light comes from as near as the kernel before it.
    nearest_m = np.concatenate([[0.0], kernels.ranges_m[:-1]])
    for number, (near_m, weights) in enumerate(zip(nearest_m, kernels.weights, strict=True)):
        member = np.maximum(np.float32(1.0) - np.abs(place - np.float32(number)), np.float32(0.0))
        if not member.any():
            continue
        stays += member * np.float32(weights[0])
        arrives = _arriving(place, nearness, number, float(near_m), weights)
        for channel, plane in enumerate(half_energy):
            halo[channel] += _spread(plane * member, weights[1:]) * arrives
    out = energy * _whole(stays, shape)
    for channel, soft in enumerate(halo):
        out[channel] += _whole(soft, shape)
    return out


def _half(plane: F32) -> F32:
    """Return the mean of each 2 x 2 pixels; an odd last row or column repeats."""
    rows, columns = plane.shape
    even = cv2.copyMakeBorder(plane, 0, rows % 2, 0, columns % 2, cv2.BORDER_REPLICATE)
    half = cv2.resize(even, (even.shape[1] // 2, even.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(half, np.float32)


def _whole(half: F32, shape: tuple[int, int]) -> F32:
    """Return a plane of half resolution blown up again, cut to the shape it was made from."""
    whole = cv2.resize(half, (half.shape[1] * 2, half.shape[0] * 2), interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole[: shape[0], : shape[1]], np.float32)


def _place(nearness: F32, ranges_m: F64) -> F32:
    """Return where each range stands among the kernels': 0 at the first, 1 at the second, held at the ends.

    Between them it goes evenly with the logarithm of range.
    """
    if len(ranges_m) == 1:
        return np.zeros_like(nearness)
    logs = -np.log(ranges_m[::-1])
    smallest = np.float32(0.5 / ranges_m[-1])
    spots = np.arange(len(ranges_m), dtype=np.float64)[::-1]
    place: F32 = np.interp(np.log(np.maximum(nearness, smallest)), logs, spots).astype(np.float32)
    return place


def _arriving(place: F32, nearness: F32, number: int, near_m: float, weights: F64) -> F32:
    """Return what to multiply the spread light of one range by where it arrives."""
    # A pixel that shows something nearer gets only what is scattered in front of that.
    arrives = np.ones_like(nearness)
    if near_m > 0:
        np.minimum(arrives, np.float32(1.0 / near_m) / np.maximum(nearness, np.float32(1e-6)), out=arrives)
    # 1 where this range is in plain view or seen past, 0 where something nearer hides it.
    open_view = np.clip(place - np.float32(number - 2), 0, 1)
    if open_view.min() < 1.0:
        spread_share = float(weights[1:].sum())
        seen = _spread(open_view, weights[1:] / max(spread_share, 1e-9))
        # Never more than four times: a speck seen through a gap does not speak for all that is hidden.
        np.maximum(seen, np.float32(0.25), out=seen)
        arrives /= np.float32(1.0) + open_view * (seen - np.float32(1.0))
    return arrives


def _spread(plane: F32, weights: F64) -> F32:
    """Return the weighted sum of the pyramid's levels, each blown up to the plane's shape."""
    levels = [plane]
    while len(levels) < len(weights) and min(levels[-1].shape) >= 2 * SMALLEST_LEVEL:
        levels.append(halved(levels[-1]))
    # Kernels wider than the picture come out of its last level.
    last = np.float32(weights[len(levels) - 1 :].sum())
    total: F32 = levels[-1] * last
    for level, weight in zip(levels[-2::-1], weights[len(levels) - 2 :: -1], strict=True):
        total = doubled(total, level.shape)
        total += level * np.float32(weight)
    return total
