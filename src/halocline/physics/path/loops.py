"""The exponentials of `halocline.physics.path.transport`, each in one pass over a plane."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.compute.sums import add_one, add_three

# Of each band one, ``(n,)``: planes that lie apart in memory, or behind each other.
Planes = tuple[F32, ...] | F32

_ZERO, _ONE, _TWO, _THREE = (np.float32(number) for number in range(4))
# Pixels that are worked on together.
_TOGETHER = 1024
# Shares of its strongest colour from which on a veil has another at all, and plainly.
_HARDLY, _PLAINLY = np.float32(0.05), np.float32(0.2)
# Taking off what was added to light leaves rounding of some 2^-22 of the sum, which a long way would make
# into a sun.
_FAINTEST = np.float32(2.0**-18)
# What a halo takes away counts in full up to this share of the veil, and never comes to more than that.
_TAKEN_IN_FULL, _TAKEN_AT_MOST = np.float32(0.8), np.float32(0.92)


@compiled
def decay(length_m: F32, rates: F32, light: F32, out: F32) -> None:
    """Write exp(-k s) of each rate, times light where any is given.

    Parameters
    ----------
    length_m
        ``(n,)``.
    rates
        ``(K,)``, 1/m.
    light
        ``(K, n)``, or empty.
    out
        ``(K, n)``; may be the light.
    """
    for start in range(0, length_m.size, _TOGETHER):
        end = min(start + _TOGETHER, length_m.size)
        metres = length_m[start:end]
        for band in range(len(out)):
            rate, left = rates[band], out[band, start:end]
            if light.size:
                there = light[band, start:end]
                for pixel in range(left.size):
                    left[pixel] = there[pixel] * exponential(-(metres[pixel] * rate))
            else:
                for pixel in range(left.size):
                    left[pixel] = exponential(-(metres[pixel] * rate))


@compiled
def shares_left_open(coverage: F32, out: F32) -> bool:
    """Write which share of pixels the surfaces in them leave open, ``(n,)``; tell whether any do.

    Parameters
    ----------
    coverage
        Share of each pixel that surfaces cover, ``(n,)``; filtered, it may be a little more than 1.
    out
        0 to 1, ``(n,)``: 0 where there is no surface.

    Returns
    -------
    bool
        Whether any pixel shows a surface and what is behind it.
    """
    found = False
    for pixel in range(out.size):
        covered = coverage[pixel]
        mixed = (covered > _ZERO) & (covered < _ONE)
        out[pixel] = _ONE - covered if mixed else _ZERO
        found |= mixed
    return found


@compiled
def open_lengths(mu: F32, depth_m: np.float32, flattest: np.float32, out: F32) -> None:
    """Write metres of water on rays that hit nothing, ``(n,)``.

    Parameters
    ----------
    mu
        Downward component of the rays, ``(n,)``.
    depth_m
        Of the lens.
    flattest
        Slope that level and downward rays are given, below 0.
    out
        ``(n,)``.
    """
    for pixel in range(out.size):
        out[pixel] = -depth_m / min(mu[pixel], flattest)


@compiled
def path_lengths(range_m: F32, mu: F32, depth_m: np.float32, flattest: np.float32, out: F32) -> None:
    """Write metres of water to surfaces, at most those of `open_lengths`, ``(n,)``.

    Parameters
    ----------
    range_m
        Of the surfaces, ``(n,)``.
    mu, depth_m, flattest
        As `open_lengths` takes them.
    out
        ``(n,)``.
    """
    for pixel in range(out.size):
        out[pixel] = min(range_m[pixel], -depth_m / min(mu[pixel], flattest))


@compiled
def depths(
    range_m: F32, mu: F32, longest: np.float32, lens_m: np.float32, highest: np.float32, out: F32
) -> None:
    """Write how deep surfaces lie, ``(n,)``.

    Parameters
    ----------
    range_m, mu
        Of surfaces and their rays, ``(n,)``: metres, and the downward component.
    longest
        No surface is farther than that.
    lens_m
        Depth of the lens.
    highest
        No surface counts as higher than at that depth.
    out
        Metres, ``(n,)``.
    """
    for pixel in range(out.size):
        out[pixel] = max(mu[pixel] * min(range_m[pixel], longest) + lens_m, highest)


@compiled
def fallen(
    depth_m: F32,
    nodes: F32,
    tables: F32,
    deep_rates: F32,
    per_node: np.float32,
    most: np.float32,
    light: F32,
    out: F32,
) -> None:
    """Write exp of what tables over depth say, for depths ``(n,)``, times light where any is given.

    Parameters
    ----------
    depth_m
        Metres, 0 or more.
    nodes, tables
        ``(nodes,)`` and ``(K, nodes)``: depths that grow with the square of their number, and logarithms
        there.
    deep_rates
        What the logarithms fall by beyond the last node, 1/m, ``(K,)``.
    per_node
        Number of nodes but one over the square root of the last depth.
    most
        No exponential is more than that.
    light
        ``(K, n)``, or empty.
    out
        ``(K, n)``.
    """
    last = nodes.size - 2
    deepest = nodes[last + 1]
    first = 0
    while first < depth_m.size:
        node = min(int(np.sqrt(min(depth_m[first], deepest)) * per_node), last)
        upper, lower = nodes[node], nodes[node + 1]
        end = first + 1
        # Neighbours lie between the same nodes for long.
        while end < depth_m.size and (
            upper <= depth_m[end] < lower or (node == last and depth_m[end] >= upper)
        ):
            end += 1
        for band in range(out.shape[0]):
            table = tables[band]
            slope = (table[node + 1] - table[node]) / (lower - upper)
            between = upper, deepest, table[node], slope, deep_rates[band], most
            if light.size:
                _light_between(depth_m[first:end], between, light[band, first:end], out[band, first:end])
            else:
                _fallen_between(depth_m[first:end], between, out[band, first:end])
        first = end


@compiled
def _fallen_between(depth_m: F32, between: tuple[np.float32, ...], out: F32) -> None:
    """Write the same between two nodes."""
    upper, deepest, start, slope, deep_rate, most = between
    for pixel in range(out.size):
        y = min(depth_m[pixel], deepest)
        beyond = (depth_m[pixel] - y) * deep_rate
        out[pixel] = min(exponential(start + (y - upper) * slope - beyond), most)


@compiled
def _light_between(depth_m: F32, between: tuple[np.float32, ...], light: F32, out: F32) -> None:
    """Write light times the same."""
    upper, deepest, start, slope, deep_rate, most = between
    for pixel in range(out.size):
        y = min(depth_m[pixel], deepest)
        beyond = (depth_m[pixel] - y) * deep_rate
        out[pixel] = light[pixel] * min(exponential(start + (y - upper) * slope - beyond), most)


@compiled
def give_back(halo: Planes, down: F32, up: F32, veil: Planes, out: Planes) -> None:
    """Write what halos take away too much of veils, by colours: add it to something.

    Parameters
    ----------
    halo
        What scattering by small angles changes, ``(n,)`` for each band.
    down, up
        Bands to colours and back, ``(3, K)`` and ``(K, 3)``.
    veil
        Of each band, ``(n,)``.
    out
        What it is added to, ``(n,)`` for each band; may be the veil or the halo.
    """
    there, taken = np.empty((3, _TOGETHER), np.float32), np.empty((3, _TOGETHER), np.float32)
    pixels = veil[0].size
    for start in range(0, pixels, _TOGETHER):
        end = min(start + _TOGETHER, pixels)
        found = False
        for colour in range(3):
            _colour(down[colour], veil, start, there[colour, : end - start])
            _colour(down[colour], halo, start, taken[colour, : end - start])
            found |= _any_taken(taken[colour, : end - start], there[colour, : end - start])
        if not found:
            continue
        for i in range(end - start):
            most = max(there[0, i], there[1, i], there[2, i])
            red = _too_much(-taken[0, i], there[0, i], most)
            green = _too_much(-taken[1, i], there[1, i], most)
            blue = _too_much(-taken[2, i], there[2, i], most)
            if red + green + blue > _ZERO:
                for band in range(len(out)):
                    more = up[band, 0] * red + up[band, 1] * green + up[band, 2] * blue
                    out[band][start + i] += more


@compiled
def _colour(shares: F32, bands: Planes, start: int, out: F32) -> None:
    end, done = start + out.size, 0
    for i in range(out.size):
        out[i] = _ZERO
    while done + 3 <= len(bands):
        three = bands[done][start:end], bands[done + 1][start:end], bands[done + 2][start:end]
        add_three(three, (shares[done], shares[done + 1], shares[done + 2]), out)
        done += 3
    for band in range(done, len(bands)):
        add_one(bands[band][start:end], shares[band], out)


@compiled
def _any_taken(halo: F32, there: F32) -> bool:
    """Tell whether anything is taken too much: most rows of most pictures have nothing of the kind."""
    found = False
    for i in range(there.size):
        found |= (there[i] > _ZERO) & (-halo[i] > _TAKEN_IN_FULL * there[i])
    return found


@compiled
def _too_much(taken: np.float32, there: np.float32, most: np.float32) -> np.float32:
    """Return what is taken too much of a colour of which there is so much, 0 or more.

    Beyond the first share what counts comes ever nearer to the second, without a kink. A colour that the
    water hardly has, or less than none of, says nothing.
    """
    beyond = taken - _TAKEN_IN_FULL * there
    if beyond <= _ZERO or there <= _HARDLY * most:
        return _ZERO
    room = (_TAKEN_AT_MOST - _TAKEN_IN_FULL) * there
    t = min((there / most - _HARDLY) / (_PLAINLY - _HARDLY), _ONE)
    held = room * (_ONE - exponential(-(beyond / room)))
    return t * t * (_THREE - _TWO * t) * (beyond - held)


@compiled
def less_one(light: F32, part: F32, out: F32) -> None:
    """Write light less a part of it; no more than rounding is nothing.

    Parameters
    ----------
    light, part
        ``(n,)``.
    out
        Likewise; written.
    """
    for i in range(out.size):
        left = light[i] - part[i]
        out[i] = _ZERO if abs(left) < _FAINTEST * abs(light[i]) else left


@compiled
def less_two(light: F32, part: F32, other: F32, out: F32) -> None:
    """Write light less two parts of it; no more than rounding is nothing.

    Parameters
    ----------
    light, part, other
        ``(n,)``.
    out
        Likewise; written.
    """
    for i in range(out.size):
        left = (light[i] - part[i]) - other[i]
        out[i] = _ZERO if abs(left) < _FAINTEST * abs(light[i]) else left
