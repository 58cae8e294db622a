"""Compiled loops of shade: the light at places, and along view rays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.knots import (
    STRIDE,
    bent_between,
    bent_over_two,
    between_seconds,
    mark_kinked,
    note_knots,
    odd_knots,
    off_knots,
    second_knots,
    times_straight,
)
from halocline.physics.floating.turbid_shade_loops import (
    NO_BODIES,
    BodyMap,
    corner_share,
    dim_by_bodies,
    faded,
)
from halocline.physics.path.loops import fallen
from halocline.physics.sea.shade import Shade, ShadeMap

_ZERO, _ONE, _TWO, _TINY = (np.float32(number) for number in (0.0, 1.0, 2.0, 1e-30))
_HALF, _NOWHERE = np.float32(0.5), np.float32(np.inf)
# A lobe (1 + u^2)^-1.5, u the angle in half widths, as three normal ones: their heights and standard
# deviations in half widths (a fit, within 7 % up to u = 8).
_HEIGHTS = (np.float32(0.761), np.float32(0.205), np.float32(0.0189))
_SPREADS = (np.float32(0.589), np.float32(1.38), np.float32(3.61))
# The sun's light that was turned before fills a lobe wider by so much of the water's for each time.
_WIDER = np.float32(0.3)
# As bright as such light about a place is so much of what is turned into a ray there, whatever the ray shows;
# and of a ray that goes past things the directions that they hide are so much as bright as itself.
_ABOUT_ALL, _IN_SHADE = np.float32(0.07), np.float32(0.3)
# Of what is turned into rays past a thing so much comes past it: of one along its edge half, of others more.
_ONE_ANOTHER = np.float32(0.75)
# Of the sun's glow turned into a ray close by: the share of a wide lobe, and the standard deviations of a
# narrow and of that one, half widths. Of what is turned by no more than it comes from aside half lies within
# 1.25 of them, nine tenths within 2.8, for a sun 2.6 aside.
_ABOUT = (np.float32(0.25), np.float32(0.88), np.float32(2.1))
# Beyond the picture's edges what lies about the sun is known by so many rays less and less.
_OUTSIDE = np.float32(6.0)
# Two lobes so far apart, as the power of e that is left where both are brightest, have nothing in common.
_APART = np.float32(16.0)
# How often light was turned before, at least: close below the surface hardly ever.
_LEAST_TIMES = np.float32(1e-3)
# Where a slanting surface is, is known from pixels about a ray: to so much of its range.
_UNSURE = np.float32(0.01)
# Rays that rise less than this are more and more taken for level ones.
_FLATTEST = np.float32(0.25)
# A hard shadow begins this many cells below its thing, or the plane in which that lies: for things, so that
# none shades itself, and for the water before them.
_CLEAR_CELLS, _WATER_CELLS = 0.12, 0.25
# A cell, in the latter.
_CELL = np.float32(1.0 / _WATER_CELLS)
# Along a row of pixels shade on surfaces goes straight where places are no farther off the straight way than
# this, and no farther apart than that, in cells of the finest map, and where it changes by no more than this.
_OFF_CELLS, _APART_CELLS, _MOST_CHANGE = np.float32(0.01), np.float32(0.25), np.float32(0.03)
# Past a knot it does where it grows by no less or more before the two beside it than behind, but by this.
_MOST_KINKED = np.float32(0.004)
# Nobody sees that so much of the veil is taken, half of what a half float tells apart; nor is so much of that
# taken where less is of all light.
_UNSEEN, _SURELY = np.float32(5e-4), np.float32(0.99)
# Over this share of a map's side, along its edges, shade comes and goes.
_FADE = np.float32(8.0)

# Drift, grid, and where hard shadows begin; depths; light at them; uppermost things and what they keep; what
# turbid bodies leave; and the planes in which things lie, of no cell for places that are on none.
Map = tuple[tuple[np.float32, ...], F32, F32, F32, F32, BodyMap, F32]
_NO_PLANES = np.zeros((4, 0, 0), np.float32)
# Stands in for a map where no thing casts.
NO_MAP: Map = (
    (_ZERO, _ZERO, _ONE, _ZERO, _ZERO, _ONE, np.float32(np.inf)),
    np.ones(2, np.float32),
    np.ones((2, 2, 2), np.float32),
    np.ones((2, 2), np.float32),
    np.ones((2, 2), np.float32),
    NO_BODIES,
    _NO_PLANES,
)


def loop_map(made: ShadeMap, *, in_water: bool, bodies: BodyMap = NO_BODIES) -> Map:
    """Return a map as the loops take it.

    Parameters
    ----------
    made
        The light of the sun or the sky below things.
    in_water
        Whether it is asked for places that are on no thing.
    bodies
        What turbid bodies leave of it.

    Returns
    -------
    Map
        Numbers and arrays.
    """
    drift_x, drift_y = (np.float32(along) for along in made.drift)
    clear = np.float32((_WATER_CELLS if in_water else _CLEAR_CELLS) * made.square.step_m)
    numbers = (drift_x, drift_y, *made.square.numbers(), clear, np.float32(made.top_m.min()))
    planes = _NO_PLANES if in_water else made.planes_m
    return numbers, made.depths_m, made.light, made.top_m, made.cover, bodies, planes


def loop_maps(shade: Shade, *, in_water: bool, things: bool = True, bodies: bool = True) -> tuple[Map, Map]:
    """Return sun and sky as the loops take them; see `loop_map`.

    Parameters
    ----------
    shade
        The shade of one frame.
    in_water
        See `loop_map`.
    things, bodies
        Whether things cast, and turbid bodies do.

    Returns
    -------
    tuple[Map, Map]
        The sun's and the sky's.
    """
    sun = sky = NO_BODIES
    if bodies and shade.bodies is not None:
        sun, sky = shade.bodies
    if not things:
        return (*NO_MAP[:5], sun, _NO_PLANES), (*NO_MAP[:5], sky, _NO_PLANES)
    return (
        loop_map(shade.sun, in_water=in_water, bodies=sun),
        loop_map(shade.sky_in_water if in_water else shade.sky, in_water=in_water, bodies=sky),
    )


def beam_map(shade: Shade) -> Map:
    """Return what is left of the sun's beam alone in the water as the loops take it; see `loop_map`."""
    bodies = NO_BODIES if shade.bodies is None else shade.bodies[0]
    return loop_map(shade.beam, in_water=True, bodies=bodies)


def about_maps(shade: Shade) -> tuple[Map, Map]:
    """Return what is left of light that is scattered about as the loops take it; see `Shade.about`."""
    sent, about = shade.about
    return loop_map(sent, in_water=True), loop_map(about, in_water=True)


@compiled
def light_at_places(sun: Map, sky: Map, x: F32, y: F32, depth: F32, out: F32) -> None:
    """Write what is left of sun and sky at places.

    Parameters
    ----------
    sun, sky
        See `loop_maps`.
    x, y, depth
        Along the level axes and below the surface, metres, ``(n,)``.
    out
        ``(2, n)``, 0 to 1; ``(1, n)`` for the sun alone.
    """
    for which in range(out.shape[0]):
        shade = sky if which else sun
        left_by_things(shade, x, y, depth, out[which])
        dim_by_bodies(shade[5], x, y, depth, out[which])


@compiled
def shade_surfaces(
    sun: Map,
    sky: Map,
    lens: tuple[np.float32, ...],
    view: tuple[F32, F32, F32],
    range_m: F32,
    shares: tuple[F32, F32, F32, np.float32],
    in_rows: bool,
    gain: F32,
) -> None:
    """Multiply the light on surfaces by what is left of sun and sky there.

    Parameters
    ----------
    sun, sky
        See `loop_maps`.
    lens
        Its level place and its depth, and how far surfaces are looked for, metres.
    view
        Unit view directions along the level axes and down, ``(rows, columns)`` each.
    range_m
        Of surfaces, ``(rows, columns)``.
    shares
        The share of each band's light that is the sun's, by depth: as `fallen` takes it.
    in_rows
        Whether pixels of a row are neighbours, so that what goes straight along it need be looked up at few.
    gain
        ``(K, rows, columns)``; changed.
    """
    count, bands, most = range_m.shape[1], len(gain), range_m.shape[1] // STRIDE + 1
    # At knots, at pixels off them, and at every second knot: places, what is left, and the sun's share.
    knots, others = _room(most, bands), _room(count, bands)
    seconds, odd = _room(most // 2 + 2, bands), np.empty(most, np.int64)
    metres, bent = np.empty(count, np.float32), np.empty(most, np.float32)
    uneven, where = np.empty(most, np.bool_), np.empty(count, np.int64)
    per_m = max(sun[0][2], sky[0][2], sun[5][0][2], sky[5][0][2])
    limits = per_m, lens[3]
    for row in range(len(range_m) if count else 0):
        directions = view[0][row], view[1][row], view[2][row]
        for k in range(count):
            metres[k] = min(range_m[row, k], lens[3])
        strides = (count - 1) // STRIDE if in_rows else 0
        bent_between(metres, strides, bent)
        some = second_knots(strides, where)
        _placed(directions, lens, metres, where, some, seconds[0])
        _left_at(sun, sky, some, seconds[0], seconds[1])
        bent_over_two(metres, bent, strides, knots[1][0])
        _mark_uneven(seconds[0], seconds[1], (metres, where, knots[1][0]), strides // 2, limits, uneven)
        for which in range(2):
            mark_kinked(seconds[1][which], _MOST_KINKED, strides // 2, uneven)
        between_seconds(seconds[0], strides, knots[0])
        between_seconds(seconds[1], strides, knots[1])
        past = odd_knots(uneven, strides, odd)
        _placed(directions, lens, metres, odd, past, others[0])
        _left_at(sun, sky, past, others[0], others[1])
        note_knots(others[0], odd, past, knots[0])
        note_knots(others[1], odd, past, knots[1])
        for number in range(strides + 1):
            where[number] = STRIDE * number
        _mark_uneven(knots[0], knots[1], (metres, where, bent), strides, limits, uneven)
        off = off_knots(uneven, strides, count, where)
        _placed(directions, lens, metres, where, off, others[0])
        _left_at(sun, sky, off, others[0], others[1])
        begin, end = _dimmed(knots[1], strides, others[1], where, off)
        if end < begin:
            continue
        _suns_share(seconds[0][2], some, shares, seconds[2])
        between_seconds(seconds[2], strides, knots[2])
        for k in range(past):
            seconds[0][2, k] = knots[0][2, odd[k] // STRIDE]
        _suns_share(seconds[0][2], past, shares, seconds[2])
        note_knots(seconds[2], odd, past, knots[2])
        _suns_share(others[0][2], off, shares, others[2])
        for band in range(bands):
            _mixed(knots[1], strides + 1, knots[2][band])
            _mixed(others[1], off, others[2][band])
            light, left = gain[band, row], others[2][band]
            for k in range(off):
                left[k] *= light[np.uint64(where[k])]
            # From the first knot before what is dimmed to the last behind it.
            times_straight(knots[2][band, begin:], end - begin, light[STRIDE * begin :])
            for k in range(off):
                light[np.uint64(where[k])] = left[k]


@compiled
def _room(size: int, bands: int) -> tuple[F32, F32, F32]:
    """Return room for places, what is left there of sun and sky, and the sun's share of each band."""
    return (
        np.empty((3, size), np.float32),
        np.empty((2, size), np.float32),
        np.empty((bands, size), np.float32),
    )


@compiled
def _left_at(sun: Map, sky: Map, count: int, places: F32, left: F32) -> None:
    """Write what is left of both at the first of some places."""
    light_at_places(sun, sky, places[0, :count], places[1, :count], places[2, :count], left[:, :count])


@compiled
def _placed(
    directions: tuple[F32, F32, F32],
    lens: tuple[np.float32, ...],
    metres: F32,
    where: NDArray[np.int64],
    count: int,
    places: F32,
) -> None:
    """Write where some pixels' surfaces are: along the level axes, and below the surface."""
    for axis in range(3):
        towards, there = directions[axis], places[axis]
        for k in range(count):
            pixel = np.uint64(where[k])
            there[k] = towards[pixel] * metres[pixel] + lens[axis]


@compiled
def _mark_uneven(
    places: F32,
    left: F32,
    ranges: tuple[F32, NDArray[np.int64], F32],
    count: int,
    limits: tuple[np.float32, np.float32],
    uneven: NDArray[np.bool_],
) -> None:
    """Mark from which of some pixels to the next shade is not taken to go straight.

    By the row's ranges, which pixels they are, and how far off the straight way to the next ranges are; and
    the cells a metre, and the range from which on there is no surface.
    """
    (metres, where, bent), (per_m, nowhere) = ranges, limits
    for k in range(count):
        apart, change = _ZERO, _ZERO
        for axis in range(3):
            apart += abs(places[axis, k + 1] - places[axis, k])
        for which in range(2):
            change = max(change, abs(left[which, k + 1] - left[which, k]))
        close = bent[k] * per_m <= _OFF_CELLS and apart * per_m <= _APART_CELLS
        none = bent[k] == _ZERO and metres[np.uint64(where[k])] >= nowhere
        uneven[k] = not ((close or none) and change <= _MOST_CHANGE)


@compiled
def _suns_share(depth: F32, count: int, shares: tuple[F32, F32, F32, np.float32], out: F32) -> None:
    """Write the share of each band's light that is the sun's at the first of some depths, which change."""
    for k in range(count):
        depth[k] = max(depth[k], _ZERO)
    fallen(
        depth[:count],
        shares[0],
        shares[1],
        shares[2],
        shares[3],
        np.float32(np.inf),
        out[:0, :count],
        out[:, :count],
    )


@compiled
def _mixed(left: F32, count: int, share: F32) -> None:
    """Turn the sun's share of light into what is left of all of it."""
    suns, skies = left[0], left[1]
    for k in range(count):
        share[k] = share[k] * (suns[k] - skies[k]) + skies[k]


@compiled
def _dimmed(left: F32, strides: int, others: F32, where: NDArray[np.int64], some: int) -> tuple[int, int]:
    """Return from which knot to which either is not whole, at them or at pixels off them; none of no row."""
    begin, end = strides, -1
    for number in range(strides + 1):
        if left[0, number] != _ONE or left[1, number] != _ONE:
            begin, end = min(begin, max(number - 1, 0)), min(number + 1, strides)
    for k in range(some):
        if others[0, k] != _ONE or others[1, k] != _ONE:
            knot = where[k] // STRIDE
            begin, end = min(begin, knot), max(end, min(knot + 1, strides))
    return begin, end


@compiled
def left_by_things(shade: Map, x: F32, y: F32, depth: F32, out: F32) -> None:
    """Write the shares of a light that things let reach places, 0 to 1.

    For many places at once: see `halocline.physics.floating.turbid_shade_loops.dim_by_bodies`.
    """
    numbers, depths_m, light, top = shade[0], shade[1], shade[2], shade[3]
    clear, highest, rung = numbers[5], numbers[6], 0
    for k in range(out.size):
        deep = depth[k]
        out[k] = _ONE
        if deep <= highest:
            continue
        (column, row), inwards = _in_map(numbers, top.shape[0], (x[k], y[k], deep))
        if inwards <= _ZERO:
            continue
        rung, below = _between_depths(depths_m, deep, rung)
        i, j = min(int(column), top.shape[0] - 2), min(int(row), top.shape[0] - 2)
        right, lower = column - np.float32(i), row - np.float32(j)
        # A thing is in the softened light from the second laid-out depth below it on; until then its shadow
        # is hard.
        in_both = depths_m[rung - 1] if rung > 0 else -_ONE
        dark, hard = _ZERO, False
        above = np.uint64(rung)
        for corner in range(4):
            at_x, at_y = np.uint64(i + (corner & 1)), np.uint64(j + (corner >> 1))
            here, highest_there = light[above, at_y, at_x], top[at_y, at_x]
            there = light[above + np.uint64(1), at_y, at_x]
            dark += corner_share(corner, right, lower) * (_ONE - here - below * (there - here))
            hard |= (deep - highest_there > clear) & (highest_there > in_both)
        if hard:
            begins = in_both, depths_m[rung]
            dark += _hidden_close_by(shade, deep, (column, row), (i, j), begins, below)
        out[k] = faded(_ONE, max(_ONE - dark, _ZERO), inwards)


@compiled
def _in_map(
    numbers: tuple[np.float32, ...], points: int, place: tuple[np.float32, np.float32, np.float32]
) -> tuple[tuple[np.float32, np.float32], np.float32]:
    """Return a place's column and row in a map, and how far in from its edges that is: 1 is all the way."""
    drift_x, drift_y, per_m, first_x, first_y, _, _ = numbers
    (x, y, deep), most = place, np.float32(points - 1)
    column, row = (x - deep * drift_x) * per_m - first_x, (y - deep * drift_y) * per_m - first_y
    return (column, row), min(column, most - column, row, most - row) * (_FADE / most)


@compiled
def _between_depths(depths_m: F32, deep: np.float32, rung: int) -> tuple[int, np.float32]:
    """Return the last laid-out depth above a place, looked for from one on, and how far it is to the next."""
    while rung < depths_m.size - 2 and deep >= depths_m[rung + 1]:
        rung += 1
    while rung > 0 and deep < depths_m[rung]:
        rung -= 1
    below = (deep - depths_m[rung]) / (depths_m[rung + 1] - depths_m[rung])
    return rung, max(_ZERO, min(below, _ONE))


@compiled
def _left_in_cells(maps: tuple[Map, Map], points: F32) -> None:
    """Write what two lights have left at points of a ray, both laid out over the same cells, with no things.

    As `left_by_things` does of each: ``points`` are places in its second to fourth row, and take the light in
    the last two.
    """
    numbers, depths_m, first, top = maps[0][0], maps[0][1], maps[0][2], maps[0][3]
    second, rung = maps[1][2], 0
    for k in range(points.shape[1]):
        points[4, k] = points[5, k] = _ONE
        deep = points[3, k]
        (column, row), inwards = _in_map(numbers, top.shape[0], (points[1, k], points[2, k], deep))
        if inwards <= _ZERO:
            continue
        rung, below = _between_depths(depths_m, deep, rung)
        i, j = min(int(column), top.shape[0] - 2), min(int(row), top.shape[0] - 2)
        right, lower = column - np.float32(i), row - np.float32(j)
        one = other = _ZERO
        above, under = np.uint64(rung), np.uint64(rung + 1)
        for corner in range(4):
            at_x, at_y = np.uint64(i + (corner & 1)), np.uint64(j + (corner >> 1))
            share = corner_share(corner, right, lower)
            here, there = first[above, at_y, at_x], second[above, at_y, at_x]
            one += share * (_ONE - here - below * (first[under, at_y, at_x] - here))
            other += share * (_ONE - there - below * (second[under, at_y, at_x] - there))
        points[4, k] = faded(_ONE, max(_ONE - one, _ZERO), inwards)
        points[5, k] = faded(_ONE, max(_ONE - other, _ZERO), inwards)


@compiled
def _hidden_close_by(
    shade: Map,
    deep: np.float32,
    place: tuple[np.float32, np.float32],
    cell: tuple[int, int],
    depths: tuple[np.float32, np.float32],
    below: np.float32,
) -> np.float32:
    """Return how much things keep from a place that lie less than two laid-out depths above it.

    ``place`` and ``cell`` are across and down in cells, whole ones the latter; ``depths`` from where things
    are in one laid-out depth and in both, and ``below`` is how far the place is on from the one to the next.
    """
    clear, top, cover, planes = shade[0][5], shade[3], shade[4], shade[6]
    (column, row), (i, j), (in_both, in_one) = place, cell, depths
    right, lower = column - np.float32(i), row - np.float32(j)
    hidden = known = _ZERO
    for corner in range(4):
        at_x, at_y = i + (corner & 1), j + (corner >> 1)
        share, highest_there = corner_share(corner, right, lower), top[at_y, at_x]
        known += share if highest_there < _NOWHERE else _ZERO
        way, begin = deep - highest_there, clear
        if way > clear and planes.size:
            # Below the plane in which the thing goes on to here.
            way -= planes[0, at_y, at_x] + planes[1, at_y, at_x] * (column - np.float32(at_x))
            way -= planes[2, at_y, at_x] * (row - np.float32(at_y))
            begin = max(clear, planes[3, at_y, at_x])
        if way > begin and highest_there > in_both:
            hard = cover[at_y, at_x] * min((way - begin) / begin, _ONE)
            if highest_there <= in_one:
                hard *= _ONE - below
            hidden += share * hard
    # What is seen lies in cells of which something is seen: others tell nothing of it.
    return hidden / max(known, _HALF) if planes.size else hidden


@compiled
def seen_ahead(masks: F32, range_m: np.float32, at_m: np.float32, place: tuple[int, int]) -> np.float32:
    """Return how much of what lies ahead of a place on a ray things hide, 0 to 1.

    ``masks`` are what they hide of the picture, each blurred half as wide as the one before, the last not at
    all: from a place nearer to them they look larger, and the light turned into the ray goes about them less.
    """
    row, column = place
    last = masks.shape[0] - 1
    left = (range_m - at_m) / range_m if range_m > at_m else _ZERO
    wide = np.float32(last)
    if left > _ZERO:
        wide = min(-np.log2(left), np.float32(last))
    level = min(int(wide), last - 1)
    here = masks[level, row, column]
    between = here + (wide - np.float32(level)) * (masks[level + 1, row, column] - here)
    # Behind the thing nothing of it is ahead.
    return between if range_m > at_m else _ZERO


@compiled
def cut_short(first: np.float32, last: np.float32, cover: np.float32, ends: np.float32) -> np.float32:
    """Return where a step along a ray ends: at a thing, by how much of the ray that covers."""
    return last + cover * (ends - last) if first < ends < last else last


@compiled
def held_back(
    middle: np.float32, cover: np.float32, ends: np.float32, down: np.float32, clear: np.float32
) -> np.float32:
    """Return where light is looked up for a step of a ray that leads to a thing, metres along the ray.

    Shadows are not yet whole close below what throws them (`clear`, twice over), and before an upright
    surface less than a cell of the map away from it: a step's middle that lies there, or in the thing, would
    stand for all of the step in full light. On level rays, which lead to no thing from below, that much is
    not held back.
    """
    rise = max(-down, _ZERO)
    slope = max(rise, _FLATTEST)
    margin = (_TWO * clear / slope + _CELL * clear + _UNSURE * ends) * (rise / slope)
    # From nearer than that to a thing, half way there.
    before = max(ends - margin, _HALF * ends)
    return middle + cover * (min(middle, before) - middle)


@compiled
def _place(
    origin: tuple[np.float32, ...], towards: tuple[np.float32, np.float32, np.float32], points: F32
) -> None:
    """Write where points of a ray are, level and down, by how far along it they are, ``(4 or more, n)``."""
    for k in range(points.shape[1]):
        far = points[0, k]
        points[1, k], points[2, k] = origin[0] + towards[0] * far, origin[1] + towards[1] * far
        points[3, k] = origin[2] + towards[2] * far


@compiled
def left_along_ray(
    shade: Map,
    origin: tuple[np.float32, ...],
    towards: tuple[np.float32, np.float32, np.float32],
    points: F32,
) -> None:
    """Write what things and what bodies leave of a light at points of a ray, each by itself.

    Parameters
    ----------
    shade
        See `loop_map`.
    origin, towards
        The lens's level place and depth; the ray's unit direction: level, and down.
    points
        ``(6, n)``: how far along the ray; written, where that is, level and down, and both shares.
    """
    _place(origin, towards, points)
    for k in range(points.shape[1]):
        points[5, k] = _ONE
    left_by_things(shade, points[1], points[2], points[3], points[4])
    dim_by_bodies(shade[5], points[1], points[2], points[3], points[5])


@compiled
def hidden_of_sun(
    blurs: F32,
    widest: np.float32,
    turns: tuple[np.float32, np.float32],
    toward: tuple[np.float32, np.float32],
    nearer: np.float32,
    place: tuple[np.float32, np.float32],
) -> tuple[np.float32, np.float32]:
    """Return how much of the sun's light that was turned before, and is turned into a ray, things hide.

    Such light fills a lobe about the sun, and what of it is turned into the ray came from a lobe about the
    ray: from directions where both are bright. Of two normal lobes the product is one that lies between.

    Parameters
    ----------
    blurs
        What things hide of the picture, ``(n, rows, columns)``, each blurred half as wide as the one before,
        the last not at all.
    widest
        Standard deviation of the first, in half widths of the water's lobe.
    turns
        How often light was turned before, and the angle between ray and sun, half widths.
    toward
        Rows and columns from the ray to the sun.
    nearer
        Of the way from the lens to the thing, what is left: as much smaller it looks from the lens than from
        there.
    place
        The ray's row and column.

    Returns
    -------
    tuple
        0 to 1; and how much of it all the picture shows.
    """
    times, apart = turns
    wider = _ONE + _WIDER * times
    whole = hidden = shown = _TINY
    finest, square = np.log2(widest / max(nearer, _TINY)), apart * apart
    for of_sun in range(3):
        sun = wider * _SPREADS[of_sun] * wider * _SPREADS[of_sun]
        for of_ray in range(3):
            ray = _SPREADS[of_ray] * _SPREADS[of_ray]
            both = ray + sun
            far = _HALF * square / both
            if far > _APART:
                continue
            spread = ray * sun / both
            share = _HEIGHTS[of_ray] * _HEIGHTS[of_sun] * spread * np.exp(-far)
            way = nearer * ray / both
            row, column = place[0] + way * toward[0], place[1] + way * toward[1]
            whole += share
            hidden += share * _looked_up(blurs, finest - _HALF * np.log2(spread), row, column)
            shown += share * _inside(blurs, row, column)
    return hidden / whole, shown / whole


@compiled
def _hidden_about(
    blurs: F32, widest: np.float32, nearer: np.float32, place: tuple[np.float32, np.float32]
) -> np.float32:
    """Return how much things hide of light close about a ray on both its ways; see `hidden_of_sun`."""
    row, column = place
    most = widest / max(nearer, _TINY)
    near = _looked_up(blurs, np.log2(most / _ABOUT[1]), row, column)
    return near + _ABOUT[0] * (_looked_up(blurs, np.log2(most / _ABOUT[2]), row, column) - near)


@compiled
def _inside(blurs: F32, row: np.float32, column: np.float32) -> np.float32:
    """Return 1 at places in the picture, less beyond its edges."""
    last_row, last_column = np.float32(blurs.shape[1] - 1), np.float32(blurs.shape[2] - 1)
    beyond = max(-row, row - last_row, -column, column - last_column, _ZERO)
    return max(_ONE - beyond / _OUTSIDE, _ZERO)


@compiled
def _looked_up(blurs: F32, level: np.float32, row: np.float32, column: np.float32) -> np.float32:
    """Return what is hidden at a place, blurred by so many halvings; beyond the edges as at them."""
    rows, columns = blurs.shape[1], blurs.shape[2]
    row = max(_ZERO, min(row, np.float32(rows - 1)))
    column = max(_ZERO, min(column, np.float32(columns - 1)))
    i, j = int(row), int(column)
    lower, right = row - np.float32(i), column - np.float32(j)
    below, beside = min(i + 1, rows - 1), min(j + 1, columns - 1)
    level = max(_ZERO, min(level, np.float32(blurs.shape[0] - 1)))
    first = min(int(level), blurs.shape[0] - 2)
    found = _ZERO
    for blur in range(first, first + 2):
        upper_left, lower_left = blurs[blur, i, j], blurs[blur, below, j]
        upper = upper_left + right * (blurs[blur, i, beside] - upper_left)
        under = lower_left + right * (blurs[blur, below, beside] - lower_left)
        here = upper + lower * (under - upper)
        found += here * (_ONE - abs(level - np.float32(blur)))
    return found


@compiled
def _passed_on(
    left: tuple[np.float32, np.float32],
    kept: np.float32,
    step: tuple[np.float32, np.float32],
    thing: tuple[np.float32, np.float32],
    light: tuple[np.float32, np.float32],
) -> tuple[np.float32, np.float32]:
    """Return how bright it is past things and before them at a step's start, from those at its end.

    Parameters
    ----------
    left
        Of the light that the step turns into rays past things, and into the ray itself.
    kept
        Of light at its end, 0 to 1; the rest of what is there without things is turned into the ray.
    step
        Its ends, metres.
    thing
        How much of the ray a thing covers, and where.
    light
        At the step's end: what comes past things, and from before them, as shares of no thing there.
    """
    (first, last), (cover, ends), (past, before) = step, thing, light
    part = (ends - first) / (last - first)
    # What lies behind a thing that the ray leads to is in no shade of it.
    cut = cover * (part - _ONE) if first < ends < last else _ZERO
    through = kept ** (_ONE + cut)
    past = through * past + (_ONE - through) * left[0]
    if first < ends:
        through = kept ** min(part, _ONE)
        before = through * before + (_ONE - through) * left[1]
    return past, before


@compiled
def _lose_sky(
    edges: F32,
    by_sky: F32,
    straight: np.float32,
    glow: np.float32,
    ahead: tuple[F32, F32, tuple[np.float32, np.float32], F32, F32],
    place: tuple[int, int],
    ray: F32,
    lost: F32,
) -> None:
    """Write what things keep of the sky's light that each step turns into a ray.

    Of what comes from ahead on it (``straight``) as `_lose_sun` has it of the sun's; past things it is whole,
    for it comes from all of the sky. What the sun's glow leaves of it (``glow``) lies as near about the ray
    as the sun's, and things are black before it.
    """
    row, column = place
    at = np.float32(row) + ahead[2][1], np.float32(column)
    thing = ahead[0][ahead[0].shape[0] - 1, row, column], ahead[3][row, column]
    light = _ONE, _ZERO
    for step in range(edges.size - 2, -1, -1):
        left, middle = by_sky[4, step], by_sky[0, step]
        if straight > _ZERO:
            dark = seen_ahead(ahead[0], thing[1], middle, place) * (_ONE - light[1])
            if middle < thing[1]:
                nearer = (thing[1] - middle) / thing[1]
                dark += glow * (_hidden_about(ahead[1], ahead[2][0], nearer, at) - dark)
            else:
                dark -= glow * dark
            left += straight * (_ONE - dark - left)
            kept = min(ray[step + 1, 1] / max(ray[step, 1], _TINY), _ONE)
            light = _passed_on((left, left), kept, (edges[step], edges[step + 1]), thing, light)
        lost[step] = _ONE - left


@compiled
def _lose_sun(
    edges: F32,
    lens_m: np.float32,
    beam: Map,
    by_sun: F32,
    turns: tuple[F32, F32, F32, F32],
    ahead: tuple[F32, F32, tuple[np.float32, np.float32], F32, F32],
    place: tuple[int, int],
    ray: F32,
    by_beam: F32,
    lost: F32,
) -> None:
    """Write what things keep of the sun's light that each step turns into a ray.

    Beside the sun it is followed from the ray's end to the lens, as light goes. What was never turned before
    goes by the beam's own shadow; m times on average, exp(-m) of it, and m goes with the way down from the
    surface. What was came either past things or from before them, and is there as bright as steps farther on
    have made it. ``by_sun`` is of `left_along_ray`, ``by_beam`` room for as many numbers.
    """
    row, column = place
    beside, times, apart = turns[0][row, column], turns[1][row, column], turns[2][row, column]
    toward = turns[3][0, row, column], turns[3][1, row, column]
    blurs, widest = ahead[1], ahead[2][0]
    at = np.float32(row) + ahead[2][1], np.float32(column)
    if not beside > _ZERO:
        for step in range(edges.size - 1):
            lost[step] = _ONE - by_sun[4, step]
        return
    left_by_things(beam, by_sun[1], by_sun[2], by_sun[3], by_beam)
    thing = ahead[0][ahead[0].shape[0] - 1, row, column], ahead[3][row, column]
    light = _ONE, _ZERO
    for step in range(edges.size - 2, -1, -1):
        left, middle = by_sun[4, step], by_sun[0, step]
        before = max(times * max(by_sun[3, step], _ZERO) / lens_m, _LEAST_TIMES)
        never, aside = np.exp(-before), left
        if middle < thing[1]:
            nearer = (thing[1] - middle) / thing[1]
            hidden, shown = hidden_of_sun(blurs, widest, (before, apart), toward, nearer, at)
            lit = max(thing[0], by_beam[step])
            dark = light[1] * (_IN_SHADE + lit * (_ONE - _IN_SHADE))
            found = light[0] + hidden * (dark - light[0])
            aside += shown * (_ONE - _ABOUT_ALL) * (found - aside)
        left += beside * (never * by_beam[step] + (_ONE - never) * aside - left)
        kept = min(ray[step + 1, 1] / max(ray[step, 1], _TINY), _ONE)
        # Rays past the thing that this one leads to are lit by one another; in the beam they are whole.
        around = left + thing[0] * _ONE_ANOTHER * (_ONE - never) * (light[0] - left)
        around += by_beam[step] * (_ONE - around)
        light = _passed_on((around, left), kept, (edges[step], edges[step + 1]), thing, light)
        lost[step] = _ONE - left


@compiled
def kept_over_halves(edges: F32, turned_per_m: np.float32, kept: F32) -> None:
    """Write what is left of light over half of each step between edges, where so much is lost a metre."""
    for step in range(kept.size):
        kept[step] = np.exp(-turned_per_m * _HALF * (edges[step + 1] - edges[step]))


@compiled
def come_along(edges: F32, thing: tuple[np.float32, np.float32], kept: F32, lit: F32) -> None:
    """Turn how much is left of what lights a ray's steps into what has been scattered about there.

    Most of what the water turns into a ray goes along it already: it was lit farther on, before the water
    turned it, but not behind a thing that the ray leads to.

    Parameters
    ----------
    edges
        Ends of the steps, metres.
    thing
        How much of the ray a thing hides, and where, metres.
    kept
        What is left of such light over half of each step, see `kept_over_halves`.
    lit
        What is left of what lights each step; changed into what is left of the light that comes along there.
    """
    (cover, ends), left = thing, lit[lit.size - 1]
    for step in range(lit.size - 1, -1, -1):
        if edges[step] < ends <= edges[step + 1]:
            left += cover * (lit[step] - left)
        through = kept[step]
        middle = lit[step] + through * (left - lit[step])
        left = lit[step] + through * (middle - lit[step])
        lit[step] = middle


@compiled
def plain_to_see(taken: np.float32) -> np.float32:
    """Return how much of the veil is taken, which is none where nobody sees it.

    Up to `_UNSEEN`; from there on it comes in over as much again, half as steeply again as it would.
    """
    above: np.float32 = max(taken - _UNSEEN, _ZERO)
    return min(taken, above + above)


@compiled
def _all_left(by_sun: F32, by_sky: F32, lost_sun: F32, lost_sky: F32, by_about: F32) -> bool:
    """Tell whether no light along a ray is taken by so much that any of its veil would be."""
    most = _ZERO
    for step in range(lost_sun.size):
        sun = _ONE - (_ONE - lost_sun[step]) * by_sun[5, step]
        sky = _ONE - (_ONE - lost_sky[step]) * by_sky[5, step]
        most = max(most, sun, sky, _ONE - by_about[step])
    return bool(most < _SURELY * _UNSEEN)


@compiled
def _leave_shares(
    by_sun: F32,
    by_sky: F32,
    lost_sun: F32,
    lost_sky: F32,
    by_about: F32,
    shares: tuple[tuple[np.float32, np.float32, np.float32], tuple[np.float32, np.float32, np.float32]],
    ray: F32,
) -> None:
    """Turn what is left of a ray's veil at steps' ends into the share of it that is left in shade.

    ``shares`` are those of sun and sky in each channel.
    """
    taken_0 = taken_1 = taken_2 = _ZERO
    even_0 = even_1 = even_2 = _TINY
    left_0 = left_1 = left_2 = _ONE
    for step in range(lost_sun.size):
        then_0, then_1, then_2 = ray[step + 1, 0], ray[step + 1, 1], ray[step + 1, 2]
        if by_sun[3, step] > _ZERO:
            no_sun, no_sky = lost_sun[step], lost_sky[step]
            no_sun = _ONE - (_ONE - no_sun) * by_sun[5, step]
            no_sky = _ONE - (_ONE - no_sky) * by_sky[5, step]
            weight = abs(left_0 - then_0)
            even_0 += weight
            suns, skies = shares[0][0], shares[1][0]
            others = max(_ONE - suns - skies, _ZERO)
            taken_0 += weight * (suns * no_sun + skies * no_sky + others * (_ONE - by_about[step]))
            weight = abs(left_1 - then_1)
            even_1 += weight
            suns, skies = shares[0][1], shares[1][1]
            others = max(_ONE - suns - skies, _ZERO)
            taken_1 += weight * (suns * no_sun + skies * no_sky + others * (_ONE - by_about[step]))
            weight = abs(left_2 - then_2)
            even_2 += weight
            suns, skies = shares[0][2], shares[1][2]
            others = max(_ONE - suns - skies, _ZERO)
            taken_2 += weight * (suns * no_sun + skies * no_sky + others * (_ONE - by_about[step]))
        left_0, left_1, left_2 = then_0, then_1, then_2
        ray[step + 1, 0] = _ONE - plain_to_see(taken_0 / even_0)
        ray[step + 1, 1] = _ONE - plain_to_see(taken_1 / even_1)
        ray[step + 1, 2] = _ONE - plain_to_see(taken_2 / even_2)
    ray[0, 0], ray[0, 1], ray[0, 2] = ray[1, 0], ray[1, 1], ray[1, 2]


@compiled
def _come_about(
    maps: tuple[Map, Map],
    ray: tuple[tuple[np.float32, ...], tuple[np.float32, np.float32, np.float32]],
    edges: F32,
    thing: tuple[np.float32, np.float32, np.float32],
    kept: F32,
    points: F32,
) -> None:
    """Write what things leave of light scattered about along a ray: before a thing, and that comes to it.

    Parameters
    ----------
    maps
        See `about_maps`.
    ray
        The lens's level place and depth; the ray's unit direction.
    edges
        Ends of the steps, metres.
    thing
        How much of the ray one covers, to where that is followed and where its surface is, metres.
    kept
        See `kept_over_halves`.
    points
        ``(6, steps)``: room; the last two are the result.
    """
    cover, ends, surface = thing
    # Less than a cell before a thing lies what is scattered about on its far side as well.
    before = max(surface - _ONE / maps[0][0][2], _HALF * surface)
    for step in range(edges.size - 1):
        middle = (edges[step] + cut_short(edges[step], edges[step + 1], cover, ends)) / _TWO
        meant = cover if edges[step] < ends else _ZERO
        points[0, step] = middle + meant * (min(middle, before) - middle)
    _place(ray[0], ray[1], points)
    _left_in_cells(maps, points)
    come_along(edges, (_ONE, ends), kept, points[4])
    come_along(edges, (_ZERO, ends), kept, points[5])


@compiled
def about_along_rays(
    directions: F32,
    origin: tuple[np.float32, ...],
    edges: F32,
    maps: tuple[Map, Map],
    turned_per_m: np.float32,
    ahead: tuple[F32, F32, F32],
    left: F32,
) -> None:
    """Write what things leave of light that has been scattered about and comes along rays.

    Past a thing that is what comes from all about; of the part of a lobe about a ray that it hides, what is
    scattered about before it. Halos take what comes from behind it.

    Parameters
    ----------
    directions, origin, edges, turned_per_m
        See `shade_along_rays`.
    maps
        See `about_maps`.
    ahead
        What things hide of the picture, see `seen_ahead`; to where rays are followed before what they show,
        and where its surface is, ``(rows, columns)``.
    left
        ``(rows, columns, steps)``, written.
    """
    masks, ends, surface = ahead
    points, kept = np.empty((6, edges.size - 1), np.float32), np.empty(edges.size - 1, np.float32)
    kept_over_halves(edges, turned_per_m, kept)
    for row in range(directions.shape[1]):
        for column in range(directions.shape[2]):
            place, ray = (row, column), left[row, column]
            towards = directions[0, row, column], directions[1, row, column], directions[2, row, column]
            thing = masks[masks.shape[0] - 1, row, column], ends[row, column], surface[row, column]
            _come_about(maps, (origin, towards), edges, thing, kept, points)
            for step in range(edges.size - 1):
                hidden = seen_ahead(masks, thing[1], points[0, step], place)
                ray[step] = points[5, step] + hidden * (points[4, step] - points[5, step])


@compiled
def shade_along_rays(
    directions: F32,
    origin: tuple[np.float32, ...],
    edges: F32,
    maps: tuple[Map, Map, Map],
    about: F32,
    shares: tuple[F32, F32, F32, F32],
    turns: tuple[F32, F32, F32, F32],
    ahead: tuple[F32, F32, tuple[np.float32, np.float32], F32, F32],
    block: F32,
) -> None:
    """Turn what is left of the veil at each step's end into the share of it that shade leaves, ray by ray.

    Parameters
    ----------
    directions
        Unit, x, y and down, ``(3, rows, columns)``.
    origin
        The lens's level place and depth.
    edges
        Ends of the steps, metres.
    maps
        Of sun and sky, see `loop_maps`, and of the sun's beam alone, see `beam_map`.
    about
        What is left of what was scattered about, ``(rows, columns, steps)``, see `about_along_rays`.
    shares
        Of each channel's veil, what is the sun's and the sky's, ``(3, rows, columns)`` each; and of the
        sky's and of the sun's, what comes from ahead, ``(rows, columns)`` each.
    turns
        Where rays lead to the sun or past it, 1, else 0; how often the sun's at the lens was turned before;
        the angle to the sun, in half widths of the water's lobe; ``(rows, columns)`` each; and rows and
        columns from each to the sun, ``(2, rows, columns)``.
    ahead
        Of the sky's light, see `seen_ahead`; of the sun's, blurs of the whole picture, the widest of them,
        see `hidden_of_sun`, and the first of the rows in it; to where rays are followed before what they
        show, and where its surface is, ``(rows, columns)``.
    block
        ``(rows, columns, steps + 1, 3)``, what is left in, the share out.
    """
    sun, sky, beam = maps
    lost_sun, lost_sky = np.empty(edges.size - 1, np.float32), np.empty(edges.size - 1, np.float32)
    by_beam = np.empty(edges.size - 1, np.float32)
    by_sun, by_sky = np.empty((6, edges.size - 1), np.float32), np.empty((6, edges.size - 1), np.float32)
    for row in range(directions.shape[1]):
        for column in range(directions.shape[2]):
            x, y, down = directions[0, row, column], directions[1, row, column], directions[2, row, column]
            ray, straight, sun_ahead = block[row, column], shares[2][row, column], shares[3][row, column]
            cover, ends = ahead[0][ahead[0].shape[0] - 1, row, column], ahead[3][row, column]
            surface = ahead[4][row, column]
            for step in range(edges.size - 1):
                # Of a step that a thing cuts short, what lies before that is meant.
                middle = (edges[step] + cut_short(edges[step], edges[step + 1], cover, ends)) / _TWO
                meant = cover if edges[step] < ends else _ZERO
                by_sun[0, step] = held_back(middle, meant, surface, down, sun[0][5])
                by_sky[0, step] = held_back(middle, meant, surface, down, sky[0][5])
            left_along_ray(sun, origin, (x, y, down), by_sun)
            left_along_ray(sky, origin, (x, y, down), by_sky)
            by_about, glow = about[row, column], sun_ahead * shares[0][1, row, column]
            _lose_sun(edges, origin[2], beam, by_sun, turns, ahead, (row, column), ray, by_beam, lost_sun)
            _lose_sky(edges, by_sky, straight, glow, ahead, (row, column), ray, lost_sky)
            if _all_left(by_sun, by_sky, lost_sun, lost_sky, by_about):
                for step in range(edges.size):
                    ray[step, 0] = ray[step, 1] = ray[step, 2] = _ONE
                continue
            of_sun = shares[0][0, row, column], shares[0][1, row, column], shares[0][2, row, column]
            of_sky = shares[1][0, row, column], shares[1][1, row, column], shares[1][2, row, column]
            _leave_shares(by_sun, by_sky, lost_sun, lost_sky, by_about, (of_sun, of_sky), ray)


@compiled
def lay_shade(gain: F32, weights: F32, light: F32) -> None:
    """Multiply each band's light by what its channels leave.

    Parameters
    ----------
    gain
        Of three channels, ``(3, n)``.
    weights
        How bands share in them, ``(K, 3)``.
    light
        ``(K, n)``; changed.
    """
    for band in range(len(weights)):
        red, green, blue = weights[band, 0], weights[band, 1], weights[band, 2]
        for i in range(gain.shape[1]):
            light[band, i] *= red * gain[0, i] + green * gain[1, i] + blue * gain[2, i]
