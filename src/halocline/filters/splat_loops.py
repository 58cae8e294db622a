"""The loops of `halocline.filters.splat`: which pixels a thing touches, and what it lays there.

A thing is a row of `THING`. A pixel takes in its things one after the other in their paint order, far to
near, whichever rows are drawn at once, so its bits do not depend on the tile.

What is called for each pixel takes numbers and rows, not arrays: handing an array over counts its users, and
two threads that count the same array wait for each other. Inner loops count in unsigned numbers: as these
cannot mean places from an array's end, the compiler may do several pixels at once.

In a picture of all directions (`halocline.filters.globe`) things are as large as at the equator, and
distances across are chords, by the haversine formula: ``2 sin(d/2)`` of a difference of longitude, times the
roots of both latitudes' cosines. ``narrow`` is that root of a row, and ``half`` half of the angle between two
columns; 1 and 0 in a flat picture.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled

Ints = NDArray[np.int64]
Shorts = NDArray[np.int32]
Table = NDArray[np.void]

# A disc with a soft edge. Its weight falls from 1 to 0 as ``ramp_end`` minus the distance from its middle
# times ``per_ramp`` does. One that moves is swept along a line: each pixel has its mean over the time
# (`_swept`), as far as ``swept`` says; the rest is a soft capsule, as hard edges would show on a way shorter
# than the soft one is wide. Nothing of it is seen from ``reach`` off its way on. ``edges`` is 2 for a cat's
# eye: what two openings, one shifted, both let through. An iris's sides (0 for a round one) have the normals
# that arise as the first is turned again and again.
THING = np.dtype(
    [
        ("x", np.float64),
        ("y", np.float64),
        ("reach", np.float64),
        ("along_x", np.float32),
        ("along_y", np.float32),
        ("per_length_squared", np.float32),
        ("swept", np.float32),
        ("ramp_end", np.float32),
        ("per_ramp", np.float32),
        ("amplitude", np.float32),
        ("range_m", np.float32),
        ("per_thickness", np.float32),
        ("edges", np.int32),
        ("shift_x", np.float32),
        ("shift_y", np.float32),
        ("sides", np.int32),
        ("normal_x", np.float32),
        ("normal_y", np.float32),
        ("turn_cosine", np.float32),
        ("turn_sine", np.float32),
        ("narrow", np.float32),
        ("sprite", np.int64),
    ],
    align=True,
)
# ``u_x`` .. ``v_y`` turn pixels into texture coordinates; half way it is off its straight way by ``bend``.
# The texture has ``size`` texels a side and begins at ``first``; the next coarser one begins at ``next``, and
# ``coarser`` is its share.
SPRITE = np.dtype(
    [
        ("u_x", np.float32),
        ("u_y", np.float32),
        ("v_x", np.float32),
        ("v_y", np.float32),
        ("blur", np.float32),
        ("bend_x", np.float32),
        ("bend_y", np.float32),
        ("opacity", np.float32),
        ("size", np.int64),
        ("first", np.int64),
        ("next", np.int64),
        ("coarser", np.float32),
        ("smeared", np.int32),
    ],
    align=True,
)
# Things are listed by bands of so many rows.
BAND_ROWS = 16
_NOWHERE = 1 << 40
# A soft edge is as good as two hard ones this share of its half width in and out: of the same variance, 1/5.
_TWO_EDGES = np.float32(math.sqrt(0.2))
_ZERO, _HALF, _ONE, _TWO, _THREE = (np.float32(number) for number in (0.0, 0.5, 1.0, 2.0, 3.0))


@compiled
def _rows(thing: Any, first: int, end: int) -> tuple[int, int]:
    """Return the rows that a thing touches, from and to (not included), of ``first`` to ``end``."""
    y, other = thing["y"], thing["y"] + np.float64(thing["along_y"])
    low = math.ceil(max(min(y, other) - thing["reach"] - 0.5, float(first)))
    high = math.floor(min(max(y, other) + thing["reach"] - 0.5, float(end - 1)))
    return low, high + 1


@compiled
def _columns(
    thing: Any, row: int, first: int, end: int, narrow: np.float32, half: np.float32
) -> tuple[int, int]:
    """Return the columns where a row crosses a capsule: its two end discs and the sides that join them."""
    reach, y = thing["reach"], row + 0.5 - thing["y"]
    left, right = math.inf, -math.inf
    if abs(y) <= reach:
        chord = np.sqrt(reach * reach - y * y)
        left, right = -chord, chord
    if thing["per_length_squared"] > _ZERO:
        dx, dy = np.float64(thing["along_x"]), np.float64(thing["along_y"])
        if abs(y - dy) <= reach:
            chord = np.sqrt(reach * reach - (y - dy) * (y - dy))
            left, right = min(left, dx - chord), max(right, dx + chord)
        if dy != 0.0:
            length = np.sqrt(dx * dx + dy * dy)
            for side in (-1.0, 1.0):
                share = (y - side * dx / length * reach) / dy
                if 0.0 <= share <= 1.0:
                    crossing = share * dx - side * dy / length * reach
                    left, right = min(left, crossing), max(right, crossing)
    if left > right:
        return 0, 0
    if half > _ZERO:
        # From chords to columns; a row near a pole may lie within the thing all around.
        scale = np.float64(half) / max(np.float64(thing["narrow"] * narrow), 1e-9)
        left = math.asin(max(left * scale, -1.0)) / float(half)
        right = math.asin(min(right * scale, 1.0)) / float(half)
    low = math.ceil(max(thing["x"] + left - 0.5, float(first)))
    high = math.floor(min(thing["x"] + right - 0.5, float(end - 1)))
    return low, high + 1


@compiled
def _aside(thing: Any, offset: np.float32, narrow: np.float32, half: np.float32) -> np.float32:
    """Return how far aside of a thing's middle a pixel lies that is so many columns away."""
    if half > _ZERO:
        aside: np.float32 = np.sin(offset * half) / half * thing["narrow"] * narrow
        return aside
    return offset


@compiled
def _edge(thing: Any, dx: np.float32, dy: np.float32) -> np.float32:
    if thing["per_length_squared"] > _ZERO and not thing["sides"]:
        return _swept(thing, _sweep(thing), dx, dy)
    # The nearest point of the way: how far along it this one lies, from 0 to 1.
    share = (dx * thing["along_x"] + dy * thing["along_y"]) * thing["per_length_squared"]
    share = min(max(share, _ZERO), _ONE)
    dx -= share * thing["along_x"]
    dy -= share * thing["along_y"]
    distance = np.sqrt(dx * dx + dy * dy)
    if thing["sides"]:
        distance = -distance
        x, y = thing["normal_x"], thing["normal_y"]
        for _ in range(thing["sides"]):
            distance = max(distance, dx * x + dy * y)
            turned = x * thing["turn_cosine"] - y * thing["turn_sine"]
            y = x * thing["turn_sine"] + y * thing["turn_cosine"]
            x = turned
    return _ramp(thing["ramp_end"] - distance * thing["per_ramp"])


@compiled
def _sweep(thing: Any) -> tuple[np.float32, np.float32, np.float32]:
    """Return the length of a moving disc's way, and the two hard edges that stand for its soft one."""
    softness = _HALF / thing["per_ramp"]
    radius = softness * (_TWO * thing["ramp_end"] - _ONE)
    aside = _TWO_EDGES * softness
    return _ONE / np.sqrt(thing["per_length_squared"]), max(radius - aside, _ZERO), radius + aside


@compiled
def _swept(
    thing: Any, sweep: tuple[np.float32, np.float32, np.float32], dx: np.float32, dy: np.float32
) -> np.float32:
    """Return the mean weight, over the time, of a disc on a pixel that it passes.

    A hard disc lies over a point for as long as its chord there takes to pass, within the time that there is.
    """
    length, inner, outer = sweep
    weight, share, per_length = _ZERO, thing["swept"], _ONE / length
    along = (dx * thing["along_x"] + dy * thing["along_y"]) * per_length
    aside = (dx * thing["along_y"] - dy * thing["along_x"]) * per_length
    if share > _ZERO:
        for radius in (inner, outer):
            half = np.sqrt(max(radius * radius - aside * aside, _ZERO))
            weight += max(min(along + half, length) - max(along - half, _ZERO), _ZERO)
        weight *= _HALF * per_length * share
    if share < _ONE:
        past = along - min(max(along, _ZERO), length)
        distance = np.sqrt(past * past + aside * aside)
        weight += (_ONE - share) * _ramp(thing["ramp_end"] - distance * thing["per_ramp"])
    return weight


@compiled
def _profile(
    thing: Any, column: int | np.int64, row: int, narrow: np.float32, half: np.float32
) -> np.float32:
    """Return a disc's weight on a pixel, 0 to 1."""
    dx = _aside(thing, np.float32(column + 0.5 - thing["x"]), narrow, half)
    dy = np.float32(row + 0.5 - thing["y"])
    weight: np.float32 = _ONE
    for index in range(thing["edges"]):
        shift = np.float32(index)
        weight = min(weight, _edge(thing, dx - shift * thing["shift_x"], dy - shift * thing["shift_y"]))
    return weight


@compiled
def set_amplitudes(
    things: Table,
    covered: F64,
    area: F64,
    summed: NDArray[np.bool_],
    rows: tuple[int, F32, np.float32],
) -> None:
    """Set what the profiles of some things, 1 at their middle, are multiplied with to cover as much as asked.

    What a profile covers is its integral, ``area``, or, of ``summed`` ones, its sum over pixels, each as
    large as it is on the sphere. ``rows`` are the first row, each row's ``narrow`` (of all that there are;
    empty in a flat picture, which has no end here) and ``half``.
    """
    first, narrowing, half = rows
    round_about = half > _ZERO
    start, end = (first, first + narrowing.size) if round_about else (-_NOWHERE, _NOWHERE)
    shares = np.empty(64, np.float32)
    for index in range(len(things)):
        thing = things[index]
        thing["amplitude"] = _ONE
        whole = area[index]
        if summed[index]:
            total = 0.0
            top, bottom = _rows(thing, start, end)
            for row in range(top, bottom):
                narrow = narrowing[row - first] if round_about else _ONE
                left, right = _columns(thing, row, -_NOWHERE, _NOWHERE, narrow, half)
                if right - left > len(shares):
                    shares = np.empty(2 * (right - left), np.float32)
                shares[: right - left] = _ONE
                _weigh(thing, left, row, shares, np.uint64(max(right - left, 0)), narrow, half)
                for k in range(np.uint64(max(right - left, 0))):
                    total += np.float64(shares[k]) * np.float64(narrow * narrow)
            if total > 0.0:
                whole = total
        thing["amplitude"] = np.float32(min(covered[index] / whole, 1.0))


@compiled
def count_by_band(things: Table, first_row: int, end_row: int, counts: Ints) -> None:
    """Count the things that touch each band of rows."""
    for index in range(len(things)):
        top, bottom = _rows(things[index], first_row, end_row)
        if top < bottom:
            for band in range((top - first_row) // BAND_ROWS, (bottom - 1 - first_row) // BAND_ROWS + 1):
                counts[band] += 1


@compiled
def list_by_band(
    things: Table, order: Ints, first_row: int, end_row: int, place: Ints, listed: Shorts
) -> None:
    """List them band by band, each in paint ``order``; ``place`` is where a band's list begins."""
    for index in order:
        top, bottom = _rows(things[index], first_row, end_row)
        if top < bottom:
            for band in range((top - first_row) // BAND_ROWS, (bottom - 1 - first_row) // BAND_ROWS + 1):
                listed[place[band]] = index
                place[band] += 1


@compiled
def paint(  # noqa: PLR0912 - a call for each run of pixels would cost more than the run
    things: Table,
    listed: Shorts,
    starts: Ints,
    area: tuple[int, int, int],
    rows: tuple[F32, np.float32],
    first: int,
    surface: tuple[F32, F32, F32, F32],
    lights: F32,
    sprites: Table,
    added: F32,
    texels: F32,
    points: F32,
    picture: F32,
) -> None:
    """Lay things over a picture, far to near.

    Parameters
    ----------
    things, listed, starts
        What there is, and where in the list of it that of each band begins.
    area
        The first row of the first band, and the columns from and to.
    rows
        Each row's ``narrow`` from the first band on, empty in a flat picture; and ``half``.
    first
        First row of the picture.
    surface
        Range, coverage, farther range and its share over the picture; empty where there is none.
    lights
        Of each thing, ``(n, C)`` or more; all but the last one or two channels are light.
    sprites, added, texels, points
        Of sprites: placement, light added to what they cover (as many channels as are light), texels of all
        textures, points of a blur.
    picture
        ``(C, rows, columns)``, changed in place.
    """
    end = first + picture.shape[1]
    channels = len(picture)
    bands = added.shape[1]
    texel = np.empty(bands + 1, np.float32)
    shares = np.empty(picture.shape[2], np.float32)
    range_m, coverage, far_range_m, far_share = surface
    two_surfaces, open_parts = far_share.size > 0, coverage.size > 0
    narrowing, half = rows
    for band in range((first - area[0]) // BAND_ROWS, (end - 1 - area[0]) // BAND_ROWS + 1):
        low = max(first, area[0] + band * BAND_ROWS)
        high = min(end, area[0] + (band + 1) * BAND_ROWS)
        for entry in range(starts[band], starts[band + 1]):
            index = listed[entry]
            thing = things[index]
            distance, per_thickness = thing["range_m"], thing["per_thickness"]
            top, bottom = _rows(thing, low, high)
            for row in range(top, bottom):
                narrow = narrowing[row - area[0]] if half > _ZERO else _ONE
                left, right = _columns(thing, row, area[1], area[2], narrow, half)
                if left >= right:
                    continue
                count, y, x = np.uint64(right - left), np.uint64(row - first), np.uint64(left - area[1])
                for k in range(count):
                    shares[k] = _in_front(range_m[y, x + k], distance, per_thickness)
                if two_surfaces:
                    for k in range(count):
                        farther = _in_front(far_range_m[y, x + k], distance, per_thickness)
                        shares[k] += far_share[y, x + k] * (farther - shares[k])
                if open_parts:
                    # The part of the pixel that the surface leaves open shows what is behind.
                    for k in range(count):
                        shares[k] += (_ONE - coverage[y, x + k]) * (_ONE - shares[k])
                if thing["sprite"] >= 0:
                    sprite = sprites[thing["sprite"]]
                    for k in range(count):
                        visible = shares[k]
                        if visible > _ZERO:
                            column = left + np.int64(k)
                            dx = _aside(thing, np.float32(column + 0.5 - thing["x"]), narrow, half)
                            dy = np.float32(row + 0.5 - thing["y"])
                            _look_up(thing, sprite, dx, dy, texels, points, texel)
                            share = texel[bands] * visible
                            for channel in range(channels):
                                own = lights[index, channel] * share
                                if channel < bands:
                                    own = lights[index, channel] * texel[channel] * visible
                                    own += share * added[thing["sprite"], channel]
                                old = picture[channel, y, x + k]
                                picture[channel, y, x + k] = old * (_ONE - share) + own
                    continue
                _weigh(thing, left, row, shares, count, narrow, half)
                for channel in range(channels):
                    own = lights[index, channel]
                    for k in range(count):
                        old = picture[channel, y, x + k]
                        picture[channel, y, x + k] = old * (_ONE - shares[k]) + own * shares[k]


@compiled
def _in_front(surface_m: np.float32, distance: np.float32, per_thickness: np.float32) -> np.float32:
    return min(max((surface_m - distance) * per_thickness + _HALF, _ZERO), _ONE)


@compiled
def _weigh(
    thing: Any,
    left: int,
    row: int,
    shares: F32,
    count: np.uint64,
    narrow: np.float32,
    half: np.float32,
) -> None:
    """Multiply the visible shares of pixels in a row with a disc's opacity there."""
    if thing["sides"] or thing["edges"] > 1 or half > _ZERO:
        for k in range(count):
            shares[k] *= _profile(thing, left + np.int64(k), row, narrow, half) * thing["amplitude"]
        return
    dx, dy = np.float32(left + 0.5 - thing["x"]), np.float32(row + 0.5 - thing["y"])
    ramp_end, per_ramp, amplitude = thing["ramp_end"], thing["per_ramp"], thing["amplitude"]
    if thing["per_length_squared"] > _ZERO:
        sweep = _sweep(thing)
        for k in range(count):
            shares[k] *= _swept(thing, sweep, dx + np.float32(k), dy) * amplitude
        return
    for k in range(count):
        x = dx + np.float32(k)
        shares[k] *= _ramp(ramp_end - np.sqrt(x * x + dy * dy) * per_ramp) * amplitude


@compiled
def _ramp(t: np.float32) -> np.float32:
    t = min(max(t, _ZERO), _ONE)
    return (_THREE - _TWO * t) * t * t


@compiled
def _look_up(
    thing: Any, sprite: Any, dx: np.float32, dy: np.float32, texels: F32, points: F32, texel: F32
) -> None:
    """Write a sprite's premultiplied light and alpha so far off its middle: the mean over blur and streak."""
    texel[:] = _ZERO
    count = len(points) if sprite["smeared"] else 1
    levels = 2 if sprite["coarser"] > _ZERO else 1
    for index in range(count):
        way = points[index, 0] if count > 1 else _HALF
        x, y = dx - way * thing["along_x"], dy - way * thing["along_y"]
        aside = _TWO * _TWO * way * (_ONE - way)
        x, y = x - aside * sprite["bend_x"], y - aside * sprite["bend_y"]
        if count > 1:
            x -= points[index, 1] * sprite["blur"]
            y -= points[index, 2] * sprite["blur"]
        u, v = sprite["u_x"] * x + sprite["u_y"] * y, sprite["v_x"] * x + sprite["v_y"] * y
        for level in range(levels):
            # Bilinear from -1 to 1 across, nothing outside; between two levels both are mixed.
            size, first = (
                (sprite["size"] >> 1, sprite["next"]) if level else (sprite["size"], sprite["first"])
            )
            part = sprite["coarser"] if level else _ONE - sprite["coarser"]
            part *= sprite["opacity"] / np.float32(count)
            left = (u + _ONE) * (_HALF * np.float32(size)) - _HALF
            top = (v + _ONE) * (_HALF * np.float32(size)) - _HALF
            if not (-_ONE < left < np.float32(size) and -_ONE < top < np.float32(size)):
                continue
            whole_left, whole_top = math.floor(left), math.floor(top)
            right_share, lower_share = left - np.float32(whole_left), top - np.float32(whole_top)
            for down in range(max(0, -whole_top), min(2, size - whole_top)):
                for right in range(max(0, -whole_left), min(2, size - whole_left)):
                    weight = part * (lower_share if down else _ONE - lower_share)
                    weight *= right_share if right else _ONE - right_share
                    at = first + (whole_top + down) * size + whole_left + right
                    for channel in range(len(texel)):
                        texel[channel] += texels[at, channel] * weight
