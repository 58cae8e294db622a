"""The loops of `halocline.physics.floating.turbid_view`: turbid bodies along rays, and over pixels."""

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
    beyond_knots,
    knots_in,
    mark_kinked,
    note_knots,
    odd_knots,
    off_knots,
    second_knots,
    straight_between,
)
from halocline.compute.series import cosine_of_turns, exponential, exponential_less_one
from halocline.physics.path.phase import lobe
from halocline.physics.water.path_integral import gathered

Ints = NDArray[np.int64]
# Three components of an axis, and half a size along it.
Axis = tuple[np.float32, np.float32, np.float32, np.float32]

# Shapes that a loop tells apart.
ELLIPSOID, BOX, LEVEL, PUFF, ON_GROUND = 0, 1, 2, 3, 4
# Numbers of a shape before its three axes: its body, its kind, centre (of what lies on the ground first its
# thickness), bounding radius, softness (of a puff the height of its centre above the floor), strength.
SHAPE_HEAD = 8
# Numbers of a body before its albedo: extinction, inverse of the clouds' mean, six of its lobes.
BODY_HEAD = 8
# Planes of a table before those of the bands: optical depth, and extinction.
DEPTH, SLOPE, TABLE_HEAD = 0, 1, 2
# Ranges that are summed over to a range of the table: an even number.
EVERY = 4

_ZERO, _HALF, _ONE, _TWO, _THREE = (np.float32(number) for number in (0.0, 0.5, 1.0, 2.0, 3.0))
_FIVE, _EIGHT, _TWELVE = (np.float32(number) for number in (5.0, 8.0, 12.0))
_NEXT = np.uint64(1)
# Ranges that are followed at once, a multiple of `EVERY`, and the optical depth behind which none are.
_CHUNK, _OPAQUE = 32, np.float32(9.0)
# Ranges that the processor takes at once.
_ABREAST = 16
# Neighbouring rays that are taken together, at most, in what goes by the table's ranges.
_TOGETHER = 72
# What goes along with a side by less than this comes nowhere near it.
_LEVEL = np.float32(1e-5)
# What is farther has no end, metres.
_FAR_SURFACE_M = np.float32(1e4)
_TINY, _THIN, _ENDLESS = np.float32(1e-20), np.float32(1e-3), np.float32(1e5)
_INFINITE = np.float32(np.inf)
# Between two pixels what bodies cover goes straight where it changes by no more than this, and where the
# surface is so far off the straight way that it would change by no more than that.
_MOST_CHANGE, _MOST_OFF = np.float32(0.05), np.float32(1e-3)
# Over two knots it does where it grows by no less or more before them than behind, but by this.
_MOST_KINKED = np.float32(0.006)
# No surface goes straight from one range to another that is this much farther, and no table over more than
# half the way from ray to ray.
_STEEPEST, _ONE_AND_A_HALF = np.float32(0.1), np.float32(1.5)


@compiled
def follow(
    rays: F32,
    veil_rates: F32,
    metres: F32,
    lens: F32,
    shapes: F32,
    bodies: F32,
    spans: Ints,
    waves: F32,
    eddies: F32,
    ground: tuple[F32, F32],
    light: F32,
    shade: F32,
    lamps: F32,
    rates: F32,
    out: F32,
) -> None:
    """Write what bodies do along rays, at every fourth of some ranges.

    Parameters
    ----------
    rays
        ``(5, rows, columns)``: unit directions in the world, their downward component, and their cosine with
        the sun's travel.
    veil_rates
        At which the water's own light fades along each ray, 1/m, ``(K, rows, columns)``.
    metres
        ``(2, EVERY (N - 1) + 1)``: ranges from 0, in even steps from one of the table to the next; and the
        same as optics see them.
    lens
        Up, unit (3); depth of the lens; steps a metre of ``light``.
    shapes
        ``(S, SHAPE_HEAD + 12)``, places counted from the lens: see `SHAPE_HEAD`, then axes and half sizes.
    bodies
        ``(B, BODY_HEAD + K)``, see `BODY_HEAD`.
    spans
        ``(B, 5)``: first shape and end, first wave and end of each body, and its plane of ``lamps``.
    waves
        ``(M, 5)``: turns a metre, turns at the lens, and amplitude in the logarithm of the density.
    eddies
        ``(E, 7)``: turns a metre, turns at the lens, and how far they carry water, metres.
    ground
        Heights of the floor, and their place, as `halocline.physics.floating.ground.Ground.from_lens` has
        them.
    light
        Sun's and other daylight on matter by depth, ``(2, K, D)``.
    shade
        What things leave of both at the table's ranges, ``(2, rows, columns, N)``; empty for nothing.
    lamps
        What matter that turns lamps' light sends to the lens at the table's ranges, ``(L, K, rows, columns,
        N)``; empty without lamps.
    rates
        At which matter's own light fades on its way to the lens, 1/m, ``(K,)``.
    out
        ``(rows, TABLE_HEAD + 2 K, N, columns)``: optical depth; extinction, 1/m; the bodies' light that
        reaches the lens; and the share of the water's own that they take.
    """
    nodes, count, size = out.shape[2], rays.shape[2], _in_group(rays.shape[2])
    home, density = room_along(_CHUNK + 1)
    extinction, steps = np.empty(_CHUNK + 1, np.float32), np.empty((6, _CHUNK + 1), np.float32)
    each, marks = np.empty((len(bodies), _CHUNK + 1), np.float32), np.empty((len(shapes), 2), np.int64)
    met, spheres = np.empty((len(bodies), 2), np.int64), np.empty((5, len(shapes)), np.float32)
    write_spheres(shapes, spheres)
    at_nodes = (
        np.empty(nodes, np.float32),
        np.empty(nodes, np.float32),
        np.empty((rates.size, nodes), np.float32),
    )
    _at_nodes(metres, rates, *at_nodes)
    # From each of the table's ranges to the next: what is hidden there, and how each body's light weighs; and
    # the first and the last of the table's ranges at which any of a group's rays meets each body, or any.
    group = np.empty((2, nodes, size), np.float32), np.empty((2 * len(bodies), nodes, size), np.float32)
    within = np.zeros((len(bodies) + 1, 2), np.int64)
    group[0][:] = _ZERO
    group[1][:] = _ZERO
    room = np.empty((7, nodes, size), np.float32), np.empty((2 * len(bodies) + 4, size), np.float32)
    for row in range(rays.shape[1]):
        for start in range(0, count, size):
            stop = min(start + size, count)
            _emptied(group, within, out[row], (start, stop))
            for column in range(start, stop):
                ray, lane = rays[:, row, column], column - start
                first, last = ranges_met(ray, metres[0], lens, shapes, spheres, marks)
                if last <= first:
                    continue
                at, depth = first, _ZERO
                bodies_met(spans, marks, met)
                # What lies behind what nobody sees through is not looked for.
                while at < last and depth < _OPAQUE:
                    end = min(at + _CHUNK, last)
                    part = metres[0, at : end + 1]
                    _brought(at, part, ray, lens, eddies, met, home)
                    extinction[:] = _ZERO
                    for body in range(len(bodies)):
                        if met[body, 0] >= at + part.size or met[body, 1] <= at:
                            each[body] = _ZERO
                            continue
                        densities(
                            body,
                            at,
                            part.size,
                            shapes,
                            spans,
                            waves,
                            bodies,
                            ground,
                            marks,
                            met,
                            home,
                            density,
                        )
                        thick, own = bodies[body, 0], each[body]
                        _added(body, at, part.size, thick, met, density[1], own, extinction)
                    depth = _thickened(depth, part, extinction, steps)
                    _weighed(at // EVERY, part.size, steps, each, group, lane, out[row], column)
                    at = end
                _beyond(at // EVERY, depth, group[0], lane, out[row], column)
                _widened((first, at), met, within)
            if within[len(bodies), 1] > within[len(bodies), 0]:
                place = row, start, stop
                _shed(
                    place,
                    rays,
                    lens,
                    bodies,
                    spans,
                    at_nodes,
                    (light, shade, lamps),
                    group,
                    within,
                    room,
                    out,
                )
                _hidden(place, rays, veil_rates, lens, at_nodes[1], group[0], within, room, out)
            for plane in range(TABLE_HEAD, out.shape[1]):
                # Before the first of its ranges at which any of them meets a body.
                _clear(out[row, plane], min(within[len(bodies), 0], nodes), start, stop)


@compiled
def room_along(count: int) -> tuple[tuple[F32, F32, F32, F32], tuple[F32, F32]]:
    """Return room for what `carried_back` and `densities` write at so many ranges."""
    size = count + _ABREAST
    home = (
        np.zeros(size, np.float32),
        np.zeros(size, np.float32),
        np.zeros(size, np.float32),
        np.zeros(size, np.float32),
    )
    return home, (np.zeros(size, np.float32), np.zeros(size, np.float32))


@compiled
def _abreast(first: int, last: int) -> tuple[np.uint64, np.uint64]:
    """Return some ranges and so many behind the last as make up what the processor takes at once.

    Single ones take as long each as all of those together. What is found behind the last is never read.
    """
    count = (last - first + _ABREAST - 1) // _ABREAST * _ABREAST
    return np.uint64(first), np.uint64(first + count)


@compiled
def _in_group(count: int) -> int:
    """Return how many neighbouring rays of a row of so many are taken together: as many in each group."""
    groups = (count + _TOGETHER - 1) // _TOGETHER
    return (count + groups - 1) // max(groups, 1)


@compiled
def _emptied(group: tuple[F32, F32], within: Ints, out: F32, columns: tuple[int, int]) -> None:
    """Write that a group of rays meets nothing: of the table what tells the optical depth.

    Of what the group before it met only that is undone.
    """
    every, (start, stop), (hides, weights) = len(within) - 1, columns, group
    first = min(within[every, 0], hides.shape[1])
    for node in range(first, hides.shape[1]):
        for lane in range(hides.shape[2]):
            hides[0, node, lane], hides[1, node, lane] = _ZERO, _ZERO
    for number in range(len(weights)):
        for node in range(first, within[every, 1]):
            for lane in range(hides.shape[2]):
                weights[number, node, lane] = _ZERO
    for body in range(len(within)):
        within[body, 0], within[body, 1] = 1 << 60, 0
    _clear(out[DEPTH], out.shape[1], start, stop)
    _clear(out[SLOPE], out.shape[1], start, stop)


@compiled
def _clear(plane: F32, end: int, start: int, stop: int) -> None:
    """Write that nothing is there at the first of the table's ranges of some rays."""
    for node in range(end):
        there = plane[node, start:stop]
        for lane in range(there.size):
            there[lane] = _ZERO


@compiled
def _widened(some: tuple[int, int], met: Ints, within: Ints) -> None:
    """Take a ray's ranges into those of the table at which its group meets bodies."""
    first, last = some
    every = len(met)
    within[every, 0] = min(within[every, 0], first // EVERY)
    within[every, 1] = max(within[every, 1], last // EVERY)
    for body in range(every):
        begin, end = met[body]
        if min(end, last + 1) > begin:
            # From the last of the table's ranges at which it is not yet.
            within[body, 0] = min(within[body, 0], max(begin - 1, 0) // EVERY)
            within[body, 1] = max(within[body, 1], min((end + EVERY - 1) // EVERY, last // EVERY))


@compiled
def _at_nodes(metres: F32, rates: F32, node_m: F32, optical: F32, own: F32) -> None:
    """Write the table's ranges, the same as optics see them, and what the water leaves there of bands."""
    for node in range(node_m.size):
        node_m[node], optical[node] = metres[0, EVERY * node], metres[1, EVERY * node]
    for band in range(rates.size):
        for node in range(node_m.size):
            own[band, node] = exponential(-rates[band] * optical[node])


@compiled
def write_spheres(shapes: F32, spheres: F32) -> None:
    """Write what tells quickly which shapes a ray comes near.

    Parameters
    ----------
    shapes
        As `follow` takes them, ``(S, SHAPE_HEAD + 12)``.
    spheres
        ``(5, S)``: written, centres and squared radii of spheres that hold them, inf for what has no sides;
        and room for a number each.
    """
    for number in range(len(shapes)):
        kind, radius = int(shapes[number, 1]), shapes[number, 5]
        for axis in range(3):
            spheres[axis, number] = shapes[number, 2 + axis]
        spheres[3, number] = _INFINITE if kind in (LEVEL, ON_GROUND) else radius * radius


@compiled
def ranges_met(ray: F32, metres: F32, lens: F32, shapes: F32, spheres: F32, marks: Ints) -> tuple[int, int]:
    """Write which ranges lie in each shape's bounds; return ranges of the table that hold them all.

    Most rays come near few shapes: ``spheres`` (see `write_spheres`) tell of all shapes at once of which.
    """
    least, most = metres.size, 0
    surface = _surface_at(ray, lens)
    x, y, z, squares, inside = spheres[0], spheres[1], spheres[2], spheres[3], spheres[4]
    to_x, to_y, to_z = ray[0], ray[1], ray[2]
    for number in range(inside.size):
        middle = to_x * x[number] + to_y * y[number] + to_z * z[number]
        # From the vector, not from a difference of squares, which would cancel.
        aside_x, aside_y, aside_z = (
            x[number] - middle * to_x,
            y[number] - middle * to_y,
            z[number] - middle * to_z,
        )
        inside[number] = squares[number] - (aside_x * aside_x + aside_y * aside_y + aside_z * aside_z)
    for number in range(inside.size):
        first, last = 0, 0
        if inside[number] > _ZERO:
            begin, end = _bounds(shapes[number], ray, inside[number])
            end = min(end, surface)
            if end > begin and end > _ZERO:
                first = int(np.searchsorted(metres, max(begin, _ZERO)))
                last = int(np.searchsorted(metres, end))
        marks[number, 0], marks[number, 1] = first, last
        if last > first:
            least, most = min(least, first), max(most, last)
    least = max(0, least - 1) // EVERY * EVERY
    return least, min((most + EVERY - 1) // EVERY * EVERY, metres.size - 1)


@compiled
def mark_ranges_met(rays: F32, metres: F32, lens: F32, shapes: F32, met: NDArray[np.bool_]) -> None:
    """Mark the ranges of the table between which rays may meet shapes.

    Parameters
    ----------
    rays
        Unit directions in the world and their downward component, ``(4, rows, columns)``.
    metres
        ``(EVERY (N - 1) + 1,)``, as the first of `follow`.
    lens, shapes
        As `follow` takes them.
    met
        ``(rows, columns, N)``, false before.
    """
    marks, spheres = np.empty((len(shapes), 2), np.int64), np.empty((5, len(shapes)), np.float32)
    write_spheres(shapes, spheres)
    for row in range(rays.shape[1]):
        for column in range(rays.shape[2]):
            first, last = ranges_met(rays[:, row, column], metres, lens, shapes, spheres, marks)
            if last > first:
                for node in range(first // EVERY, last // EVERY + 1):
                    met[row, column, node] = True


@compiled
def _surface_at(ray: F32, lens: F32) -> np.float32:
    """Return the range at which a ray leaves the water; `_ENDLESS` where it never does."""
    rise = -ray[3]
    return lens[3] / rise if rise * _ENDLESS > lens[3] else _ENDLESS


@compiled
def _bounds(shape: F32, ray: F32, square: np.float32) -> tuple[np.float32, np.float32]:
    """Return between which ranges a ray may be in a shape; nothing where the second is not the greater.

    ``square`` is that of half the ray's way in the sphere that holds it, above 0.
    """
    radius = shape[5]
    if int(shape[1]) == LEVEL or int(shape[1]) == ON_GROUND:
        rise = -ray[3]
        lowest, highest = shape[SHAPE_HEAD + 9] - radius, shape[SHAPE_HEAD + 10] + radius
        if abs(rise) < _TINY:
            return (_ZERO, _ENDLESS) if lowest < _ZERO < highest else (_ONE, _ZERO)
        down, up = lowest / rise, highest / rise
        return min(down, up), max(down, up)
    middle = ray[0] * shape[2] + ray[1] * shape[3] + ray[2] * shape[4]
    half = np.sqrt(square)
    if int(shape[1]) == PUFF:
        return middle - half, middle + half
    return _between_sides(shape, ray, middle - half, middle + half)


@compiled
def _between_sides(shape: F32, ray: F32, begin: np.float32, end: np.float32) -> tuple[np.float32, np.float32]:
    """Narrow two ranges to those between a shape's sides, as far out as the water may have carried it."""
    longest, across = _ZERO, _ZERO
    for axis in range(3):
        half = shape[SHAPE_HEAD + 9 + axis]
        longest, across = max(longest, half), across + half * half
    margin = shape[5] - (longest if int(shape[1]) == ELLIPSOID else np.sqrt(across))
    for axis in range(3):
        at = SHAPE_HEAD + 3 * axis
        centre = shape[2] * shape[at] + shape[3] * shape[at + 1] + shape[4] * shape[at + 2]
        along = ray[0] * shape[at] + ray[1] * shape[at + 1] + ray[2] * shape[at + 2]
        half = shape[SHAPE_HEAD + 9 + axis] + margin
        if abs(along) > _LEVEL:
            near, far = (centre - half) / along, (centre + half) / along
            begin, end = max(begin, min(near, far)), min(end, max(near, far))
        elif abs(centre) > half + _LEVEL * (abs(begin) + abs(end)):
            return _ONE, _ZERO
    return begin, end


@compiled
def _brought(
    at: int,
    metres: F32,
    ray: F32,
    lens: F32,
    eddies: F32,
    met: Ints,
    home: tuple[F32, F32, F32, F32],
) -> None:
    """Write where the water came from at those of a part's ranges at which any body may be."""
    first, last = metres.size, 0
    for body in range(len(met)):
        begin, end = _within(met, body, at, metres.size)
        if end > begin:
            first, last = min(first, begin), max(last, end)
    if last > first:
        carried_back(ray, metres, lens, eddies, (first, last), home)


@compiled
def carried_back(
    ray: F32,
    metres: F32,
    lens: F32,
    eddies: F32,
    some: tuple[int, int],
    home: tuple[F32, F32, F32, F32],
) -> None:
    """Write where the water at some of the ranges came from, and its height above the lens there.

    Arrays are handed over whole, and from where to where beside them: each view of a part counts its users,
    which takes as long as several ranges do; bounds without a sign need no look whether they are negative.
    """
    begin, end = _abreast(some[0], some[1])
    x, y, z, height = home
    to_x, to_y, to_z = ray[0], ray[1], ray[2]
    # Until it is known, ranges stand in its place.
    for k in range(begin, np.uint64(some[1])):
        height[k] = metres[k]
    for k in range(begin, end):
        x[k], y[k], z[k] = to_x * height[k], to_y * height[k], to_z * height[k]
    for number in range(len(eddies)):
        along = eddies[number, 0] * to_x + eddies[number, 1] * to_y + eddies[number, 2] * to_z
        turns, by_x = eddies[number, 3], eddies[number, 4]
        by_y, by_z = eddies[number, 5], eddies[number, 6]
        for k in range(begin, end):
            wiggle = cosine_of_turns(turns + along * height[k])
            x[k] -= by_x * wiggle
            y[k] -= by_y * wiggle
            z[k] -= by_z * wiggle
    up_x, up_y, up_z = lens[0], lens[1], lens[2]
    for k in range(begin, end):
        height[k] = x[k] * up_x + y[k] * up_y + z[k] * up_z


@compiled
def _lit(
    place: tuple[int, int, int],
    rays: F32,
    node_m: F32,
    some: tuple[int, int],
    lens: F32,
    light: F32,
    places: tuple[F32, F32],
) -> None:
    """Write where in tables of daylight some of the table's ranges lie: a depth, and how far to the next."""
    (row, start, stop), end, last = place, np.float32(light.shape[2] - 1), np.float32(light.shape[2] - 2)
    whole, parts = places
    down = rays[3, row, start:stop]
    for node in range(some[0], some[1] + 1):
        for lane in range(stop - start):
            depth = lens[3] + down[lane] * node_m[node]
            at = min(max(depth * lens[4], _ZERO), end)
            whole[node, lane] = min(np.floor(at), last)
            parts[node, lane] = at - whole[node, lane]


@compiled
def _shed(
    place: tuple[int, int, int],
    rays: F32,
    lens: F32,
    bodies: F32,
    spans: Ints,
    at_nodes: tuple[F32, F32, F32],
    lights: tuple[F32, F32, F32],
    group: tuple[F32, F32],
    within: Ints,
    room: tuple[F32, F32],
    out: F32,
) -> None:
    """Write the bodies' light that reaches the lens along a group of rays.

    Daylight goes by the depth, and there is none above the sea.
    """
    (row, start, stop), (node_m, _, own), (light, shade, lamps) = place, at_nodes, lights
    count, bands, every = stop - start, light.shape[1], len(bodies)
    first, last = within[every, 0], within[every, 1]
    whole, parts, sun, sky, turned, sent, shed = room[0]
    _lit(place, rays, node_m, (first, last), lens, light, (whole, parts))
    for body in range(every):
        numbers = bodies[body]
        for lane in range(count):
            to_sun, down = rays[4, row, start + lane], rays[3, row, start + lane]
            room[1][2 * body, lane] = lobe(to_sun, -numbers[2], numbers[3], numbers[4])
            room[1][2 * body + 1, lane] = lobe(down, -numbers[5], numbers[6], numbers[7])
    turned[:] = _ZERO
    for band in range(bands):
        _by_depth(light[0, band], (first, last), count, whole, parts, sun)
        _by_depth(light[1, band], (first, last), count, whole, parts, sky)
        if shade.size:
            _shaded(shade[0, row, start:stop], (first, last), sun)
            _shaded(shade[1, row, start:stop], (first, last), sky)
        _clear(shed, last + 1, 0, count)
        for body in range(every):
            some = within[body, 0], within[body, 1]
            if lamps.size:
                _turned(lamps[spans[body, 4], band, row, start:stop], some, turned)
            lobes = room[1][2 * body], room[1][2 * body + 1]
            ways = group[1][2 * body], group[1][2 * body + 1]
            lit = sun, sky, turned
            _sent(some, count, bodies[body, BODY_HEAD + band], own[band], lobes, lit, ways, sent, shed)
        _summed(shed, (first, last), room[1][2 * every], out[row, TABLE_HEAD + band], (start, stop))


@compiled
def _sent(
    some: tuple[int, int],
    count: int,
    albedo: np.float32,
    own: F32,
    lobes: tuple[F32, F32],
    lit: tuple[F32, F32, F32],
    ways: tuple[F32, F32],
    sent: F32,
    shed: F32,
) -> None:
    """Add what a body sends to the lens from each of some of the table's ranges to the next."""
    (begin, end), (by_sun, by_sky), (sun, sky, turned), (near, behind) = some, lobes, lit, ways
    if end <= begin:
        return
    for node in range(begin, end + 1):
        much = albedo * own[node]
        for lane in range(count):
            light = sun[node, lane] * by_sun[lane] + sky[node, lane] * by_sky[lane] + turned[node, lane]
            sent[node, lane] = much * light
    for node in range(begin, end):
        for lane in range(count):
            shed[node, lane] += (
                sent[node, lane] * near[node, lane] + sent[node + 1, lane] * behind[node, lane]
            )


@compiled
def _by_depth(table: F32, some: tuple[int, int], count: int, whole: F32, parts: F32, found: F32) -> None:
    """Write what a table over depth says at some of the table's ranges."""
    for node in range(some[0], some[1] + 1):
        for lane in range(count):
            at = np.uint64(np.int32(whole[node, lane]))
            above = table[at]
            found[node, lane] = above + (table[at + _NEXT] - above) * parts[node, lane]


@compiled
def _shaded(left: F32, some: tuple[int, int], found: F32) -> None:
    """Take from daylight what things and bodies keep from it, of rays ``(rays, N)``."""
    for lane in range(len(left)):
        there = left[lane]
        for node in range(some[0], some[1] + 1):
            found[node, lane] *= there[node]


@compiled
def _turned(lamps: F32, some: tuple[int, int], found: F32) -> None:
    """Write what is turned of lamps' light at some of the table's ranges, of rays ``(rays, N)``."""
    for lane in range(len(lamps)):
        there = lamps[lane]
        for node in range(some[0], some[1] + 1):
            found[node, lane] = there[node]


@compiled
def bodies_met(spans: Ints, marks: Ints, met: Ints) -> None:
    """Write the first range at which each body may be, and the end of those; both 0 for none."""
    for body in range(len(spans)):
        first, last = np.int64(1 << 60), np.int64(0)
        for number in range(spans[body, 0], spans[body, 1]):
            begin, end = marks[number, 0], marks[number, 1]
            if end > begin:
                first, last = min(first, begin), max(last, end)
        met[body, 0], met[body, 1] = (first, last) if last else (last, last)


@compiled
def _within(met: Ints, body: int, at: int, count: int) -> tuple[int, int]:
    """Return the first of a part's ranges at which a body may be, and their end; none if that is no more."""
    return max(met[body, 0] - at, 0), min(met[body, 1] - at, count)


@compiled
def densities(
    body: int,
    at: int,
    count: int,
    shapes: F32,
    spans: Ints,
    waves: F32,
    bodies: F32,
    ground: tuple[F32, F32],
    marks: Ints,
    met: Ints,
    home: tuple[F32, F32, F32, F32],
    density: tuple[F32, F32],
) -> None:
    """Write a body's density over its mean where it may be: the densest of its shapes', and all puffs'."""
    first, last = _within(met, body, at, count)
    if last <= first:
        return
    begin, end = _abreast(first, last)
    clouds, dense = density
    x, y, z, _ = home
    for k in range(begin, end):
        clouds[k], dense[k] = _ZERO, _ZERO
    for number in range(spans[body, 2], spans[body, 3]):
        by_x, by_y, by_z = waves[number, 0], waves[number, 1], waves[number, 2]
        turns, amplitude = waves[number, 3], waves[number, 4]
        for k in range(begin, end):
            clouds[k] += amplitude * cosine_of_turns(by_x * x[k] + by_y * y[k] + by_z * z[k] + turns)
    per_mean = bodies[body, 1]
    for k in range(begin, end):
        clouds[k] = exponential(clouds[k]) * per_mean
    for number in range(spans[body, 0], spans[body, 1]):
        first, last = max(marks[number, 0] - at, 0), min(marks[number, 1] - at, count)
        if last > first:
            _shaped(shapes[number], ground, home, (first, last), clouds, dense)


@compiled
def _shaped(
    shape: F32,
    ground: tuple[F32, F32],
    home: tuple[F32, F32, F32, F32],
    some: tuple[int, int],
    clouds: F32,
    dense: F32,
) -> None:
    """Raise a body's density to that of one of its shapes, or add a puff to it."""
    kind = int(shape[1])
    if kind == PUFF:
        _puff(shape, home, some, clouds, dense)
    elif kind == ELLIPSOID:
        _ellipsoid(shape, home, some, clouds, dense)
    elif kind == BOX:
        _box(shape, home, some, clouds, dense)
    elif kind == ON_GROUND:
        _on_ground(shape, ground, home, some, clouds, dense)
    else:
        _level(shape, home, some, clouds, dense)


@compiled
def _soft(inward: np.float32, softness: np.float32, cloud: np.float32) -> np.float32:
    """Return the smooth step from an edge inwards; it lies deeper where clouds are thin: the edge is torn."""
    v = min(max(inward / softness * cloud, _ZERO), _ONE)
    value: np.float32 = v * v * (_THREE - _TWO * v)
    return value


@compiled
def _axis(shape: F32, axis: int) -> Axis:
    """Return an axis of a shape, and half its size there."""
    at = SHAPE_HEAD + 3 * axis
    return shape[at], shape[at + 1], shape[at + 2], shape[SHAPE_HEAD + 9 + axis]


@compiled
def _along(x: np.float32, y: np.float32, z: np.float32, axis: Axis) -> np.float32:
    """Return how far along an axis a place is."""
    far: np.float32 = x * axis[0] + y * axis[1] + z * axis[2]
    return far


@compiled
def _ellipsoid(
    shape: F32, home: tuple[F32, F32, F32, F32], some: tuple[int, int], clouds: F32, dense: F32
) -> None:
    """Raise density to that of a soft ellipsoid: by the distance from its edge, to first order."""
    x, y, z, _ = home
    strength, softness, at_x, at_y, at_z = shape[7], shape[6], shape[2], shape[3], shape[4]
    first, second, third = _axis(shape, 0), _axis(shape, 1), _axis(shape, 2)
    for k in range(np.uint64(some[0]), np.uint64(some[1])):
        off_x, off_y, off_z = x[k] - at_x, y[k] - at_y, z[k] - at_z
        along = _along(off_x, off_y, off_z, first) / first[3]
        upwards = _along(off_x, off_y, off_z, second) / second[3]
        across = _along(off_x, off_y, off_z, third) / third[3]
        along, upwards, across = along * along, upwards * upwards, across * across
        steep = (
            _TINY
            + along / (first[3] * first[3])
            + upwards / (second[3] * second[3])
            + across / (third[3] * third[3])
        )
        q = np.sqrt(along + upwards + across)
        # At the very middle, where the direction is lost, it is deep inside.
        outside = q * (_ONE - q) / np.sqrt(steep)
        inward = outside if q > _THIN else softness
        dense[k] = max(dense[k], strength * _soft(inward, softness, clouds[k]) * clouds[k])


@compiled
def _box(shape: F32, home: tuple[F32, F32, F32, F32], some: tuple[int, int], clouds: F32, dense: F32) -> None:
    """Raise density to that of a soft box."""
    x, y, z, _ = home
    strength, softness, at_x, at_y, at_z = shape[7], shape[6], shape[2], shape[3], shape[4]
    first, second, third = _axis(shape, 0), _axis(shape, 1), _axis(shape, 2)
    for k in range(np.uint64(some[0]), np.uint64(some[1])):
        off_x, off_y, off_z, cloud = x[k] - at_x, y[k] - at_y, z[k] - at_z, clouds[k]
        inside = _soft(first[3] - abs(_along(off_x, off_y, off_z, first)), softness, cloud)
        inside *= _soft(second[3] - abs(_along(off_x, off_y, off_z, second)), softness, cloud)
        inside *= _soft(third[3] - abs(_along(off_x, off_y, off_z, third)), softness, cloud)
        dense[k] = max(dense[k], strength * inside * cloud)


@compiled
def _puff(
    shape: F32, home: tuple[F32, F32, F32, F32], some: tuple[int, int], clouds: F32, dense: F32
) -> None:
    """Add a puff to density: (1 - q^2)^3, and the same of its image in the floor."""
    x, y, z, _ = home
    strength, at_x, at_y, at_z, raised = shape[7], shape[2], shape[3], shape[4], _TWO * shape[6]
    first, second, third = _axis(shape, 0), _axis(shape, 1), _axis(shape, 2)
    for k in range(np.uint64(some[0]), np.uint64(some[1])):
        off_x, off_y, off_z = x[k] - at_x, y[k] - at_y, z[k] - at_z
        along = _along(off_x, off_y, off_z, first) / first[3]
        upwards = _along(off_x, off_y, off_z, second)
        across = _along(off_x, off_y, off_z, third) / third[3]
        level = _ONE - along * along - across * across
        own, image = upwards / second[3], (upwards + raised) / second[3]
        here, there = max(level - own * own, _ZERO), max(level - image * image, _ZERO)
        dense[k] += strength * (here * here * here + there * there * there) * clouds[k]


@compiled
def _on_ground(
    shape: F32,
    ground: tuple[F32, F32],
    home: tuple[F32, F32, F32, F32],
    some: tuple[int, int],
    clouds: F32,
    dense: F32,
) -> None:
    """Raise density to that of a layer on the ground."""
    x, y, z, height = home
    heights, place = ground
    strength, softness, thick = shape[7], shape[6], shape[2]
    for k in range(np.uint64(some[0]), np.uint64(some[1])):
        floor = _floor_below(heights, place, x[k], y[k], z[k])
        inside = _soft(thick - (height[k] - floor), softness, clouds[k])
        dense[k] = max(dense[k], strength * inside * clouds[k])


@compiled
def _level(
    shape: F32, home: tuple[F32, F32, F32, F32], some: tuple[int, int], clouds: F32, dense: F32
) -> None:
    """Raise density to that of a soft slab."""
    height = home[3]
    strength, softness = shape[7], shape[6]
    lowest, highest = shape[SHAPE_HEAD + 9], shape[SHAPE_HEAD + 10]
    for k in range(np.uint64(some[0]), np.uint64(some[1])):
        above = _soft(height[k] - lowest, softness, clouds[k])
        below = _soft(highest - height[k], softness, clouds[k])
        dense[k] = max(dense[k], strength * (above * below) * clouds[k])


@compiled
def _floor_below(heights: F32, place: F32, x: np.float32, y: np.float32, z: np.float32) -> np.float32:
    """Return the height of the floor straight below or above a place, over the lens."""
    last = np.float32(len(heights) - 1)
    right = (x * place[3] + y * place[4] + z * place[5] - place[0]) * place[2]
    ahead = (x * place[6] + y * place[7] + z * place[8] - place[1]) * place[2]
    right, ahead = min(max(right, _ZERO), last), min(max(ahead, _ZERO), last)
    column, row = min(int(right), len(heights) - 2), min(int(ahead), len(heights) - 2)
    across, down = right - np.float32(column), ahead - np.float32(row)
    near = heights[row, column] + (heights[row, column + 1] - heights[row, column]) * across
    far = heights[row + 1, column] + (heights[row + 1, column + 1] - heights[row + 1, column]) * across
    value: np.float32 = near + (far - near) * down
    return value


@compiled
def _added(
    body: int,
    at: int,
    count: int,
    per_m: np.float32,
    met: Ints,
    dense: F32,
    own: F32,
    extinction: F32,
) -> None:
    """Write a body's extinction at a part's ranges, and add it to that of all."""
    for k in range(np.uint64(count)):
        own[k] = _ZERO
    first, last = _within(met, body, at, count)
    if last > first:
        for k in range(np.uint64(first), np.uint64(last)):
            own[k] = dense[k] * per_m
            extinction[k] += own[k]


@compiled
def _thickened(depth: np.float32, metres: F32, extinction: F32, steps: F32) -> np.float32:
    """Write how the view is taken along a part of a ray, and return the optical depth behind it.

    Between three neighbouring ranges extinction is a parabola. ``steps`` are, at each range, optical depth,
    extinction, and what is left of the view; from it to the next, what is taken of that by each unit of
    extinction at both ends, the weight of the farther end in it, and the mean of what is taken up to there.
    """
    count = metres.size
    depths, left = steps[0, :count], steps[2, :count]
    per, far, taken = steps[3, :count], steps[4, :count], steps[5, :count]
    for k in range(0, count - 1, 2):
        per[k] = thickness(metres, extinction, k, 0)
        per[k + 1] = thickness(metres, extinction, k, 1)
    for k in range(count - 1):
        depths[k] = depth
        depth += per[k]
    depths[count - 1] = depth
    for k in range(count):
        steps[1, k], left[k] = extinction[k], exponential(-depths[k])
    for k in range(count - 1):
        grown = per[k]
        less = -exponential_less_one(-grown)
        # Weight of the farther end in what is taken.
        thick = (_ONE - (_ONE + grown) * (_ONE - less)) / max(grown * less, _TINY)
        far[k] = thick if grown > _HALF else _HALF - grown / _TWELVE
        per[k] = left[k] * less / max(extinction[k] + extinction[k + 1], _TINY)
        taken[k] = _ONE - _HALF * (left[k] + left[k + 1])
    return depth


@compiled
def _weighed(
    node: int,
    count: int,
    steps: F32,
    each: F32,
    group: tuple[F32, F32],
    lane: int,
    table: F32,
    column: int,
) -> None:
    """Write a part's ranges of the table, and what light weighs from each of them to the next.

    The mean of what is hidden there, and how much more of it lies towards the farther end. The bodies' light
    is weighted by what of the view they end there, int S exp(-c r) d(1 - T), which is exact however dense
    they are; S exp(-c r) goes straight from one range of the table to the next.
    """
    per, far, taken = steps[3], steps[4], steps[5]
    hides, weights = group
    for number in range((count - 1) // EVERY + 1):
        table[DEPTH, node + number, column] = steps[0, EVERY * number]
        table[SLOPE, node + number, column] = steps[1, EVERY * number]
    for number in range((count - 1) // EVERY):
        mean, skew = _ZERO, _ZERO
        for step in range(EVERY):
            hidden = taken[EVERY * number + step] / np.float32(EVERY)
            mean += hidden
            skew += hidden * ((np.float32(step) + _HALF) / np.float32(EVERY) - _HALF)
        hides[0, node + number, lane], hides[1, node + number, lane] = mean, skew
    for body in range(len(each)):
        some = each[body]
        for number in range((count - 1) // EVERY):
            before, after = _ZERO, _ZERO
            for step in range(EVERY):
                k = EVERY * number + step
                ended = (some[k] + some[k + 1]) * per[k]
                share = ended * ((np.float32(step) + far[k]) / np.float32(EVERY))
                after += share
                before += ended - share
            weights[2 * body, node + number, lane] = before
            weights[2 * body + 1, node + number, lane] = after


@compiled
def _beyond(node: int, depth: np.float32, hides: F32, lane: int, table: F32, column: int) -> None:
    """Write the ranges of the table behind all bodies: there only the water goes on."""
    taken = _ONE - exponential(-depth)
    for number in range(node, hides.shape[1]):
        hides[0, number, lane] = taken
    for number in range(node + 1, hides.shape[1]):
        table[DEPTH, number, column] = depth


@compiled
def _summed(shed: F32, some: tuple[int, int], total: F32, light: F32, columns: tuple[int, int]) -> None:
    """Write what comes from before each of the table's ranges: what comes from each to the next, summed."""
    start, count = columns[0], columns[1] - columns[0]
    for lane in range(count):
        total[lane] = _ZERO
    for node in range(some[0], len(shed)):
        # A part of a row: an index that might be negative keeps the loop to one ray at a time.
        there = light[node, start : start + count]
        for lane in range(count):
            there[lane] = total[lane]
        if node < some[1]:
            for lane in range(count):
                total[lane] += shed[node, lane]


@compiled
def _hidden(
    place: tuple[int, int, int],
    rays: F32,
    rates: F32,
    lens: F32,
    optical: F32,
    hides: F32,
    within: Ints,
    room: tuple[F32, F32],
    out: F32,
) -> None:
    """Write the share of each band's light of the water that bodies take along a group of rays.

    From the first of the table's ranges on at which any of them meets one.
    """
    (row, start, stop), every, last = place, len(within) - 1, optical.size - 1
    count, first = stop - start, within[every, 0]
    ends, hidden, whole = room[1][2 * every + 1], room[1][2 * every + 2], room[1][2 * every + 3]
    falls, water, mean, skew = room[0][0], room[0][1], hides[0], hides[1]
    for lane in range(count):
        ends[lane] = _surface_at(rays[:, row, start + lane], lens)
    for band in range(len(rates)):
        rate, table = rates[band, row, start:stop], out[row, TABLE_HEAD + len(rates) + band]
        for node in range(first, last + 1):
            for lane in range(count):
                falls[node, lane] = exponential(-rate[lane] * min(optical[node], ends[lane]))
        for node in range(first, last):
            for lane in range(count):
                way = min(optical[node + 1], ends[lane]) - min(optical[node], ends[lane])
                divisor = rate[lane] if abs(rate[lane]) > _TINY else _ONE
                fallen = (falls[node, lane] - falls[node + 1, lane]) / divisor
                water[node, lane] = falls[node, lane] * way if abs(rate[lane] * way) < _THIN else fallen
        for lane in range(count):
            hidden[lane], whole[lane] = _ZERO, gathered(rate[lane], min(optical[first], ends[lane]))
        for node in range(first, last):
            there = table[node, start:stop]
            for lane in range(count):
                there[lane] = hidden[lane] / max(whole[lane], _TINY)
                # Even steps, weighted by the light half way along each.
                grown = falls[node + 1, lane] - falls[node, lane]
                middle = _HALF * (falls[node, lane] + falls[node + 1, lane])
                taken = mean[node, lane] + skew[node, lane] * (grown / max(middle, _TINY))
                hidden[lane] += water[node, lane] * taken
                whole[lane] += water[node, lane]
        there = table[last, start:stop]
        for lane in range(count):
            there[lane] = hidden[lane] / max(whole[lane], _TINY)


@compiled
def thickness(metres: F32, extinction: F32, k: int, half: int) -> np.float32:
    """Return the optical depth of the first or second half of three ranges."""
    near, middle, far = extinction[k], extinction[k + 1], extinction[k + 2]
    if half == 1:
        near, far = far, near
    step = (metres[k + 1] - metres[k]) / _TWELVE
    return max(step * (_FIVE * near + _EIGHT * middle - far), _ZERO)


@compiled
def lay_bodies(
    block: F32,
    place: tuple[F32, F32],
    nodes: F32,
    rates: F32,
    range_m: F32,
    farther: tuple[F32, F32, F32],
    coverage: F32,
    water: F32,
    halo: tuple[F32, np.float32],
    picture: F32,
    light: F32,
    alpha: F32,
    far_light: F32,
    told: tuple[F32, F32],
    first_row: int,
) -> None:
    """Lay bodies over the light of some rows of a region.

    Parameters
    ----------
    block
        A table, as `follow` writes it.
    place
        Of each column of pixels and of each of some rows, in rays from the block's first.
    nodes
        Ranges of the table, metres, ``(N,)``.
    rates
        Attenuation, 1/m, ``(K,)``.
    range_m, coverage
        ``(rows, columns)``; inf where nothing is. Filtered coverage may overshoot a little.
    farther
        Range, share of area and share of light of a farther surface; empty where there are none.
    water
        What of the light the water threw in on the way, ``(K, rows, columns)``; empty where nothing.
    halo
        The light that went about what surfaces send, ``(K, rows, columns)``, which counts as thrown in where
        they are hardly seen any more; empty for none; and lengths a metre of which few hide a surface.
    picture, light
        Light before, and after, ``(K, rows, columns)``.
    alpha
        Coverage of the picture; changed in place.
    far_light
        The farther surfaces' share of light after it; empty where there are none.
    told
        What is added to the light that the water threw in, ``(K, rows, columns)``, and the bodies' coverage;
        empty where nobody asks.
    first_row
        Of the region, the first of those rows. Planes are handed over whole: parts of them do not lie in one
        piece, of which loops are slower, and each kind has to be compiled.
    """
    columns, bands = range_m.shape[1], len(picture)
    rays, used = block.shape[3], np.empty(nodes.size, np.bool_)
    line = np.empty((block.shape[1], block.shape[2] * rays), np.float32)
    found, other, known = (
        np.empty((2 * bands + 2, columns), np.float32),
        np.empty((2 * bands + 2, columns), np.float32),
        np.empty((2 * bands + 2, columns // STRIDE + 1), np.float32),
    )
    where, metres, across = (
        np.empty(columns, np.int64),
        np.empty(columns, np.float32),
        np.empty_like(place[0]),
    )
    # Of pixels that are not covered whole.
    beyond, beyond_m, beyond_across = np.empty_like(where), np.empty_like(metres), np.empty_like(across)
    steps, limited = np.empty((3, columns), np.int64), np.empty(columns, np.float32)
    bent, uneven = np.empty(columns // STRIDE + 1, np.float32), np.empty(columns // STRIDE + 1, np.bool_)
    before, mixed = np.empty((bands, columns), np.float32), np.zeros((6, columns), np.float32)
    surface, by_area = mixed[0], mixed[1]
    for number in range(place[1].size):
        row, at_row = first_row + number, place[1][number]
        if far_light.size:
            far_light[row] = farther[2][row]
        first, last = _rays_met(block, at_row)
        begin, end = _pixels_between(place[0], first, last, rays - 1)
        _kept(row, begin, end, picture, light, told)
        if begin == end:
            continue
        here, ranges, covers = place[0][begin:end], range_m[row, begin:end], mixed[5, : end - begin]
        _clipped(coverage[row, begin:end], covers)
        used[:] = False
        _reached(nodes, ranges, limited, bent, used)
        if farther[0].size:
            count = _picked(
                farther[0][row, begin:end],
                farther[1][row, begin:end],
                farther[2][row, begin:end],
                here,
                where,
                metres,
                across,
            )
            _stepped(nodes, metres, count, steps[1], used)
        open_ones = _uncovered(covers, ranges, here, beyond, beyond_m, beyond_across)
        _stepped(nodes, beyond_m, open_ones, steps[2], used)
        _between_rows(block, at_row, (first, last), used, line)
        room = (where, metres, across, steps[0], bent, uneven, used, known, other)
        _along_row(line, rays, nodes, here, limited, room, found)
        _covered(found[0], covers, ranges, alpha[row, begin:end], (surface, by_area))
        before[0] = -_ONE
        if farther[0].size:
            areas, shares = farther[1][row, begin:end], farther[2][row, begin:end]
            count = _picked(farther[0][row, begin:end], areas, shares, here, where, metres, across)
            _looked_up(line, rays, nodes, across, steps[1], metres, count, other)
            for k in range(count):
                x = where[k]
                near, far = _ONE - surface[x], _ONE - other[0, k]
                surface[x] += shares[x] * (other[0, k] - surface[x])
                kept = near + shares[x] * (far - near)
                far_light[row, begin + x] = shares[x] * far / kept if kept > _ZERO else shares[x]
                _mixed(found, x, other, k, areas[x], rates, ranges[x], metres[k], before)
                by_area[x] = found[0, x]
        _looked_up(line, rays, nodes, beyond_across, steps[2], beyond_m, open_ones, other)
        numbers = beyond, beyond_m, other, open_ones
        _cover_rest(found, covers, ranges, rates, numbers, before, alpha[row, begin:end])
        if halo[0].size:
            _hardly_seen(ranges, halo[1], mixed[2])
        _laid(row, (begin, end), found, mixed, (water, halo[0]), picture, light, told)


@compiled
def _clipped(coverage: F32, found: F32) -> None:
    """Write a row's coverage, 0 to 1."""
    for x in range(coverage.size):
        found[x] = min(max(coverage[x], _ZERO), _ONE)


@compiled
def _covered(covered: F32, coverage: F32, range_m: F32, alpha: F32, hides: tuple[F32, F32]) -> None:
    """Write what is hidden of a row's surfaces, and cover the pixels that show nothing."""
    for x in range(range_m.size):
        hides[0][x], hides[1][x] = covered[x], covered[x]
        if coverage[x] <= _ZERO and range_m[x] == np.inf:
            alpha[x] += max(_ONE - alpha[x], _ZERO) * covered[x]


@compiled
def _cover_rest(
    found: F32,
    coverage: F32,
    range_m: F32,
    rates: F32,
    beyond: tuple[Ints, F32, F32, int],
    before: F32,
    alpha: F32,
) -> None:
    """Give pixels that are not covered whole their share of what lies beyond, and cover them by that.

    ``beyond`` are those pixels, their ranges, what was found there, and how many they are.
    """
    where, metres, other, count = beyond
    for k in range(count):
        x = where[k]
        if coverage[x] > _ZERO:
            _mixed(found, x, other, k, _ONE - coverage[x], rates, range_m[x], metres[k], before)
        alpha[x] += max(_ONE - alpha[x], _ZERO) * other[0, k]


@compiled
def _rays_met(block: F32, row: np.float32) -> tuple[int, int]:
    """Return the first and last of a row's rays between which bodies are met; none if the last is less."""
    at = min(max(int(row), 0), len(block) - 2)
    above, below = block[at, DEPTH, block.shape[2] - 1], block[at + 1, DEPTH, block.shape[2] - 1]
    first, last = above.size, -1
    for column in range(above.size):
        if above[column] > _ZERO or below[column] > _ZERO:
            first, last = min(first, column), column
    return max(first - 1, 0), min(last + 1, above.size - 1) if last >= 0 else -1


@compiled
def _pixels_between(place: F32, first: int, last: int, outermost: int) -> tuple[int, int]:
    """Return the first pixel at or after a ray, and the end of those up to another; both 0 for none.

    What lies before the first of all rays, or after the outermost, goes with that.
    """
    if last < first:
        return 0, 0
    begin = int(np.searchsorted(place, np.float32(first))) if first > 0 else 0
    end = place.size
    while last < outermost and end > begin and place[end - 1] > np.float32(last):
        end -= 1
    return (begin, end) if end > begin else (0, 0)


@compiled
def _kept(row: int, begin: int, end: int, picture: F32, light: F32, told: tuple[F32, F32]) -> None:
    """Write what is left of a row's light before and after the pixels between two: all of it."""
    for band in range(len(picture)):
        old, new = picture[band, row], light[band, row]
        for x in range(begin):
            new[x] = old[x]
        for x in range(np.uint64(end), np.uint64(old.size)):
            new[x] = old[x]
        if told[0].size:
            told[0][band, row, :begin] = _ZERO
            told[0][band, row, end:] = _ZERO
    if told[1].size:
        told[1][row, :begin] = _ZERO
        told[1][row, end:] = _ZERO


@compiled
def _stepped(nodes: F32, metres: F32, count: int, steps: Ints, used: NDArray[np.bool_]) -> None:
    """Write between which two of a table's ranges some lie, and mark those two."""
    step, last = 0, nodes.size - 2
    for k in range(count):
        # Neighbours lie at much the same range.
        while step < last and metres[k] >= nodes[step + 1]:
            step += 1
        while step > 0 and metres[k] < nodes[step]:
            step -= 1
        steps[k] = step
        used[step], used[step + 1] = True, True


@compiled
def _reached(nodes: F32, range_m: F32, metres: F32, bent: F32, used: NDArray[np.bool_]) -> None:
    """Write a row's ranges, none beyond a table's, and mark all of the table's between which they may lie."""
    for x in range(range_m.size):
        metres[x] = min(range_m[x], nodes[nodes.size - 1])
    step, last, strides = 0, nodes.size - 2, (range_m.size - 1) // STRIDE
    bent_between(metres, strides, bent)
    at, to_next = np.uint64(0), np.uint64(STRIDE)
    for number in range(strides):
        near, far = metres[at], metres[at + to_next]
        off = beyond_knots(near, far, bent[number])
        step = _marked(nodes, min(near, far) - off, max(near, far) + off, step, last, used)
        at += to_next
    for pixel in range(STRIDE * strides, range_m.size):
        step = _marked(nodes, metres[pixel], metres[pixel], step, last, used)


@compiled
def _marked(
    nodes: F32, least: np.float32, most: np.float32, step: int, last: int, used: NDArray[np.bool_]
) -> int:
    """Mark the ranges of a table that some lie between; return where those begin, looked for from a step."""
    while step < last and least >= nodes[step + 1]:
        step += 1
    while step > 0 and least < nodes[step]:
        step -= 1
    used[step], used[step + 1] = True, True
    beyond = step + 1
    while beyond <= last and most >= nodes[beyond]:
        used[beyond + 1] = True
        beyond += 1
    return step


@compiled
def _between_rows(
    block: F32, row: np.float32, columns: tuple[int, int], used: NDArray[np.bool_], line: F32
) -> None:
    """Write what is used of the table between two rows of rays, nodes behind each other.

    ``(planes, nodes times rays)``, from the first to the last of some rays.
    """
    at, (first, last) = min(max(int(row), 0), len(block) - 2), columns
    share, rays = row - np.float32(at), block.shape[3]
    above, below = block[at], block[at + 1]
    for plane in range(line.shape[0]):
        for node in range(block.shape[2]):
            if used[node]:
                upper, lower = above[plane, node, first : last + 1], below[plane, node, first : last + 1]
                target = line[plane, node * rays + first : node * rays + last + 1]
                for column in range(upper.size):
                    target[column] = upper[column] + (lower[column] - upper[column]) * share


@compiled
def _picked(far_range: F32, area: F32, share: F32, place: F32, where: Ints, metres: F32, across: F32) -> int:
    """Write which pixels show a farther surface, its range there, and their place; return how many."""
    count = 0
    for x in range(far_range.size):
        if area[x] > _ZERO or share[x] > _ZERO:
            where[count], metres[count], across[count] = x, far_range[x], place[x]
            count += 1
    return count


@compiled
def _uncovered(coverage: F32, range_m: F32, place: F32, where: Ints, metres: F32, across: F32) -> int:
    """Write which pixels are not covered whole, an endless range, and their place; return how many.

    Not of those that show nothing at all: their own range is endless.
    """
    count = 0
    for x in range(coverage.size):
        if coverage[x] < _ONE and not (coverage[x] <= _ZERO and range_m[x] == np.inf):
            where[count], metres[count], across[count] = x, np.float32(np.inf), place[x]
            count += 1
    return count


@compiled
def _mixed(
    found: F32,
    x: int,
    other: F32,
    k: int,
    share: np.float32,
    rates: F32,
    near_m: np.float32,
    far_m: np.float32,
    before: F32,
) -> None:
    """Give what was found at a pixel a share of something farther.

    What is taken of the water's light is a share of that: each part counts by how much lies before it, which
    is kept in ``before``.
    """
    bands, first = rates.size, before[0, x] < _ZERO
    found[0, x] += share * (other[0, k] - found[0, x])
    for band in range(bands):
        if first:
            before[band, x] = gathered(rates[band], min(near_m, _ENDLESS))
        farther = share * gathered(rates[band], min(far_m, _ENDLESS))
        whole = (_ONE - share) * before[band, x] + farther
        part = farther / max(whole, _TINY)
        before[band, x] = whole
        light, hidden = 1 + band, 1 + bands + band
        found[light, x] += share * (other[light, k] - found[light, x])
        found[hidden, x] += part * (other[hidden, k] - found[hidden, x])


@compiled
def _along_row(
    line: F32,
    columns: int,
    nodes: F32,
    place: F32,
    metres: F32,
    room: tuple[Ints, F32, F32, Ints, F32, NDArray[np.bool_], NDArray[np.bool_], F32, F32],
    found: F32,
) -> None:
    """Write what `_looked_up` does at a row's pixels: by few of them where it goes straight in between.

    At every second knot first, at those between where it does not go straight past them, and at all pixels
    about those where it does not do that either.
    """
    where, ranges, across, bent, uneven = room[0], room[1], room[2], room[4], room[5]
    known, other, strides = room[7], room[8], (place.size - 1) // STRIDE
    seconds = second_knots(strides, where)
    _at_pixels(line, columns, nodes, place, metres, seconds, room)
    pairs = strides // 2
    bent_over_two(metres, bent, strides, known[0])
    _mark_uneven(other, (ranges, across, known[0]), pairs, uneven)
    mark_kinked(other[0], _MOST_KINKED, pairs, uneven)
    # Of lamps' haze next to nothing is covered, and much of what the water threw in is taken.
    mark_kinked(other[len(other) - 1 - len(other) // 4], _MOST_KINKED, pairs, uneven)
    between_seconds(other, strides, known)
    count = odd_knots(uneven, strides, where)
    _at_pixels(line, columns, nodes, place, metres, count, room)
    note_knots(other, where, count, known)
    knots_in(metres[: place.size], ranges)
    knots_in(place, across)
    _mark_uneven(known, (ranges, across, bent), strides, uneven)
    count = off_knots(uneven, strides, place.size, where)
    _at_pixels(line, columns, nodes, place, metres, count, room)
    for plane in range(len(found) - 1):
        row, some = found[plane], other[plane]
        straight_between(known[plane], strides, row)
        for k in range(count):
            row[where[k]] = some[k]


@compiled
def _at_pixels(
    line: F32,
    columns: int,
    nodes: F32,
    place: F32,
    metres: F32,
    count: int,
    room: tuple[Ints, F32, F32, Ints, F32, NDArray[np.bool_], NDArray[np.bool_], F32, F32],
) -> None:
    """Write what `_looked_up` does at the first of the pixels that stand in the room, in the last of it."""
    where, ranges, across, steps, used, other = room[0], room[1], room[2], room[3], room[6], room[8]
    for k in range(count):
        across[k], ranges[k] = place[where[k]], metres[where[k]]
    _stepped(nodes, ranges, count, steps, used)
    _looked_up(line, columns, nodes, across, steps, ranges, count, other)


@compiled
def _mark_uneven(known: F32, seen: tuple[F32, F32, F32], count: int, uneven: NDArray[np.bool_]) -> None:
    """Mark from which of some pixels to the next what bodies do is not taken to go straight.

    ``seen`` are their ranges, their places in rays, and how far ranges are off the straight way to the next.
    """
    ranges, across, bent = seen
    covered, grows = known[0], known[len(known) - 1]
    for k in range(count):
        near, far = ranges[k], ranges[k + 1]
        per_m = max(grows[k], grows[k + 1]) + _ONE / max(near, _THIN)
        smooth = (bent[k] * per_m <= _MOST_OFF) & (abs(far - near) <= _STEEPEST * near)
        close = across[k + 1] - across[k] <= _HALF
        uneven[k] = not (smooth & close & (abs(covered[k + 1] - covered[k]) <= _MOST_CHANGE))


@compiled
def _looked_up(
    line: F32, columns: int, nodes: F32, place: F32, steps: Ints, metres: F32, count: int, found: F32
) -> None:
    """Write coverage, light of bands, share taken of the water's, and growth of coverage a metre.

    Optical depth goes between ranges by its slope at both; the bodies' light in step with what they cover.
    """
    bands = (len(found) - 2) // 2
    first, right = np.empty(count, np.uint64), np.empty(count, np.float32)
    along, taken = np.empty(count, np.float32), np.empty(count, np.float32)
    below = np.uint64(columns)
    for k in range(count):
        step, column = steps[k], min(max(int(place[k]), 0), columns - 2)
        first[k], right[k] = np.uint64(step * columns + column), place[k] - np.float32(column)
        taken[k] = nodes[step + 1] - nodes[step]
        along[k] = min((metres[k] - nodes[step]) / taken[k], _ONE)
    depths, slopes, covered, grows = line[DEPTH], line[SLOPE], found[0], found[2 * bands + 1]
    for k in range(count):
        at, share, u, length = first[k], right[k], along[k], taken[k]
        near, far = _across(depths, at, share), _across(depths, at + below, share)
        begin, end = _across(slopes, at, share) * length, _across(slopes, at + below, share) * length
        grown = far - near
        depth = u * (begin + u * ((_THREE * grown - _TWO * begin - end) + u * (begin + end - _TWO * grown)))
        depth = min(max(depth, _ZERO), grown)
        left = exponential(-near - depth)
        covered[k], grows[k] = _ONE - left, left * max(begin, end, _ONE_AND_A_HALF * grown) / length
        whole = _ONE - exponential(-grown)
        thick = grown > _THIN
        taken[k] = (_ONE - exponential(-depth)) / whole if thick else u
    for band in range(bands):
        lights, shares = line[TABLE_HEAD + band], line[TABLE_HEAD + bands + band]
        light, hidden = found[1 + band], found[1 + bands + band]
        for k in range(count):
            at, share = first[k], right[k]
            near = _across(lights, at, share)
            light[k] = near + (_across(lights, at + below, share) - near) * taken[k]
            near = _across(shares, at, share)
            hidden[k] = near + (_across(shares, at + below, share) - near) * along[k]


@compiled
def _across(table: F32, at: np.uint64, right: np.float32) -> np.float32:
    """Return a plane of the table between a column of rays and the next."""
    here: np.float32 = table[at]
    value: np.float32 = here + (table[at + _NEXT] - here) * right
    return value


@compiled
def _hardly_seen(range_m: F32, per_m: np.float32, share: F32) -> None:
    """Write how much of surfaces at ranges is not seen any more: l^4 / (1 + l^4), in lengths."""
    for x in range(range_m.size):
        length = min(range_m[x], _FAR_SURFACE_M) * per_m
        square = length * length
        share[x] = _ONE - _ONE / (_ONE + square * square)


@compiled
def _laid(
    row: int,
    pixels: tuple[int, int],
    found: F32,
    mixed: F32,
    thrown_in: tuple[F32, F32],
    picture: F32,
    light: F32,
    told: tuple[F32, F32],
) -> None:
    """Write a row's light between two pixels: what comes through of all else, and the bodies' own.

    Parameters
    ----------
    row, pixels
        Which.
    found
        As `_looked_up` writes it.
    mixed
        What bodies cover of the light that surfaces send, and of their area: a halo lies over both surfaces
        of a pixel alike; and what of halos counts as thrown in. Then room for a row, zeros, and room.
    thrown_in
        What the water threw in on the way, and halos; empty where there are none.
    picture, light, told
        As `lay_bodies` takes them.
    """
    bands, (begin, end), (water, halo) = len(picture), pixels, thrown_in
    count, nothing = end - begin, mixed[4]
    surface, by_area, share, spared = mixed[0], mixed[1], mixed[2], mixed[3]
    for x in range(count):
        spared[x] = (_ONE - share[x]) * (surface[x] - by_area[x])
    for band in range(bands):
        own, hidden = found[1 + band], found[1 + bands + band]
        before, after = picture[band, row, begin:end], light[band, row, begin:end]
        thrown = water[band, row, begin:end] if water.size else nothing
        about = halo[band, row, begin:end] if halo.size else nothing
        for x in range(count):
            lost = thrown[x] + about[x] * share[x]
            added = own[x] - lost * hidden[x] + about[x] * spared[x]
            after[x] = before[x] - (before[x] - lost) * surface[x] + added
        if told[0].size:
            added_to = told[0][band, row, begin:end]
            for x in range(count):
                added_to[x] = own[x] - (thrown[x] + about[x] * share[x]) * hidden[x]
    if told[1].size:
        covered = told[1][row, begin:end]
        for x in range(count):
            covered[x] = found[0, x]
