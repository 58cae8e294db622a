"""The loops of turbid bodies along rays: their optical depth, the light they send, and what they hide."""

from __future__ import annotations

import numpy as np

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential, exponential_less_one
from halocline.physics.floating.turbid_shape_loops import (
    BODY_HEAD,
    EVERY,
    Ints,
    bodies_met,
    carried_back_where_met,
    densities,
    met_part,
    ranges_met,
    room_along,
    surface_range,
    write_spheres,
)
from halocline.physics.path.phase import lobe
from halocline.physics.water.path_integral import gathered

# Planes of a table before those of the bands: optical depth, and extinction.
DEPTH, SLOPE, TABLE_HEAD = 0, 1, 2

_ZERO, _HALF, _ONE = (np.float32(number) for number in (0.0, 0.5, 1.0))
_FIVE, _EIGHT, _TWELVE = (np.float32(number) for number in (5.0, 8.0, 12.0))
_NEXT = np.uint64(1)
# Ranges that are followed at once, a multiple of `EVERY`, and the optical depth behind which none are.
_CHUNK, _OPAQUE = 32, np.float32(9.0)
# Neighbouring rays that are taken together, at most, in what goes by the table's ranges.
_TOGETHER = 72
_TINY, _THIN = np.float32(1e-20), np.float32(1e-3)


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
                bodies_met(spans, marks, met)
                places = marks, met, home, density
                sums = each, extinction, steps
                at, depth = _thickened_along(
                    ray,
                    (first, last),
                    metres[0],
                    lens,
                    (shapes, bodies, waves, eddies),
                    spans,
                    ground,
                    places,
                    sums,
                    group,
                    (lane, column),
                    out[row],
                )
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
def _thickened_along(
    ray: F32,
    some: tuple[int, int],
    metres: F32,
    lens: F32,
    things: tuple[F32, F32, F32, F32],
    spans: Ints,
    ground: tuple[F32, F32],
    places: tuple[Ints, Ints, tuple[F32, F32, F32, F32], tuple[F32, F32]],
    sums: tuple[F32, F32, F32],
    group: tuple[F32, F32],
    lane_column: tuple[int, int],
    out: F32,
) -> tuple[int, np.float32]:
    """Write what bodies hide along a ray and how each one's light weighs, part by part.

    Returns the range up to which that was done, and the optical depth there. What lies behind what nobody
    sees through is not looked for.
    """
    (shapes, bodies, waves, eddies), (marks, met, home, density) = things, places
    (each, extinction, steps), (at, last), depth = sums, some, _ZERO
    while at < last and depth < _OPAQUE:
        end = min(at + _CHUNK, last)
        part = metres[at : end + 1]
        carried_back_where_met(at, part, ray, lens, eddies, met, home)
        extinction[:] = _ZERO
        for body in range(len(bodies)):
            if met[body, 0] >= at + part.size or met[body, 1] <= at:
                each[body] = _ZERO
                continue
            densities(body, at, part.size, shapes, spans, waves, bodies, ground, marks, met, home, density)
            _added(body, at, part.size, bodies[body, 0], met, density[1], each[body], extinction)
        depth = _thickened(depth, part, extinction, steps)
        _weighed(at // EVERY, part.size, steps, each, group, lane_column[0], out, lane_column[1])
        at = end
    return at, depth


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
    first, last = met_part(met, body, at, count)
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
        ends[lane] = surface_range(rays[:, row, start + lane], lens)
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
