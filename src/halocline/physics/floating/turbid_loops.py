"""The loops of `halocline.physics.floating.turbid_view`: turbid bodies along rays, and over pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential, sine
from halocline.physics.path.phase import lobe
from halocline.physics.water.path_integral import gathered

Ints = NDArray[np.int64]

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
_FIVE, _EIGHT, _TWELVE, _PI = (np.float32(number) for number in (5.0, 8.0, 12.0, np.pi))
_NEXT = np.uint64(1)
# Ranges that are followed at once, a multiple of `EVERY`, and the optical depth behind which none are.
_CHUNK, _OPAQUE = 32, np.float32(9.0)
_TINY, _THIN, _ENDLESS = np.float32(1e-20), np.float32(1e-3), np.float32(1e5)


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
    bands = rates.size
    home, seen = np.empty((4, _CHUNK + 1), np.float32), np.empty((2, bands, _CHUNK + 1), np.float32)
    by_lamps = np.zeros((bands, _CHUNK + 1), np.float32)
    density, extinction = np.empty((2, _CHUNK + 1), np.float32), np.empty(_CHUNK + 1, np.float32)
    source, optical = np.empty((bands, _CHUNK + 1), np.float32), np.empty(metres.shape[1], np.float32)
    marks, sums = np.empty((len(shapes), 2), np.int64), np.empty((5, bands), np.float32)
    for row in range(rays.shape[1]):
        for column in range(rays.shape[2]):
            ray, table, falls = rays[:, row, column], out[row, :, :, column], veil_rates[:, row, column]
            table[:] = _ZERO
            first, last = ranges_met(ray, metres[0], lens, shapes, marks)
            if last <= first:
                continue
            _shortened(ray, metres[1], lens, optical)
            _begun(optical[first], rates, falls, sums)
            at, depth = first, _ZERO
            # What lies behind what nobody sees through is not looked for.
            while at < last and depth < _OPAQUE:
                end = min(at + _CHUNK, last)
                part = metres[0, at : end + 1]
                count = part.size
                carried_back(ray, part, lens, eddies, home)
                _lit(ray, part, lens, light, seen)
                if shade.size:
                    _shaded(at, count, shade[:, row, column], seen)
                extinction[:count] = _ZERO
                source[:, :count] = _ZERO
                for body in range(len(bodies)):
                    densities(body, at, count, shapes, spans, waves, bodies, ground, marks, home, density)
                    if lamps.size:
                        _lamps_between(at, count, lamps[spans[body, 4], :, row, column], by_lamps)
                    lit = seen, by_lamps
                    _added(body, at, count, bodies, spans, marks, ray, density, lit, extinction, source)
                optics = optical[at : end + 1]
                depth = _summed(at, depth, part, optics, extinction, source, rates, falls, sums, table)
                at = end
            _beyond(at, depth, optical, falls, sums, table)


@compiled
def ranges_met(ray: F32, metres: F32, lens: F32, shapes: F32, marks: Ints) -> tuple[int, int]:
    """Write which ranges lie in each shape's bounds; return ranges of the table that hold them all."""
    least, most = metres.size, 0
    surface = _surface_at(ray, lens)
    for number in range(len(shapes)):
        shape = shapes[number]
        begin, end = _bounds(shape, ray)
        end = min(end, surface)
        first, last = 0, 0
        if end > begin and end > _ZERO:
            first = int(np.searchsorted(metres, max(begin, _ZERO)))
            last = int(np.searchsorted(metres, end))
        marks[number, 0], marks[number, 1] = first, last
        if last > first:
            least, most = min(least, first), max(most, last)
    least = max(0, least - 1) // EVERY * EVERY
    return least, min((most + EVERY - 1) // EVERY * EVERY, metres.size - 1)


@compiled
def _surface_at(ray: F32, lens: F32) -> np.float32:
    """Return the range at which a ray leaves the water; `_ENDLESS` where it never does."""
    rise = -ray[3]
    return lens[3] / rise if rise * _ENDLESS > lens[3] else _ENDLESS


@compiled
def _bounds(shape: F32, ray: F32) -> tuple[np.float32, np.float32]:
    """Return between which ranges a ray may be in a shape; nothing where the second is not the greater."""
    radius = shape[5]
    if int(shape[1]) == LEVEL or int(shape[1]) == ON_GROUND:
        rise = -ray[3]
        lowest, highest = shape[SHAPE_HEAD + 9] - radius, shape[SHAPE_HEAD + 10] + radius
        if abs(rise) < _TINY:
            return (_ZERO, _ENDLESS) if lowest < _ZERO < highest else (_ONE, _ZERO)
        down, up = lowest / rise, highest / rise
        return min(down, up), max(down, up)
    middle = ray[0] * shape[2] + ray[1] * shape[3] + ray[2] * shape[4]
    # From the vector, not from a difference of squares, which would cancel.
    aside_x, aside_y, aside_z = (
        shape[2] - middle * ray[0],
        shape[3] - middle * ray[1],
        shape[4] - middle * ray[2],
    )
    square = radius * radius - (aside_x * aside_x + aside_y * aside_y + aside_z * aside_z)
    if square <= _ZERO:
        return _ONE, _ZERO
    half = np.sqrt(square)
    return middle - half, middle + half


@compiled
def carried_back(ray: F32, metres: F32, lens: F32, eddies: F32, home: F32) -> None:
    """Write where the water at each range came from, and its height above the lens there."""
    count = metres.size
    # Rows of their own: the compiler then knows that neighbours in them are neighbours in memory.
    x, y, z, height = home[0, :count], home[1, :count], home[2, :count], home[3, :count]
    for k in range(count):
        x[k], y[k], z[k] = ray[0] * metres[k], ray[1] * metres[k], ray[2] * metres[k]
    for number in range(len(eddies)):
        eddy = eddies[number]
        along = eddy[0] * ray[0] + eddy[1] * ray[1] + eddy[2] * ray[2]
        turns, by_x, by_y, by_z = eddy[3], eddy[4], eddy[5], eddy[6]
        for k in range(count):
            wiggle = _cosine(turns + along * metres[k])
            x[k] -= by_x * wiggle
            y[k] -= by_y * wiggle
            z[k] -= by_z * wiggle
    up_x, up_y, up_z = lens[0], lens[1], lens[2]
    for k in range(count):
        height[k] = x[k] * up_x + y[k] * up_y + z[k] * up_z


@compiled
def _cosine(turns: np.float32) -> np.float32:
    """Return cos(2 pi turns) = 1 - 2 sin(pi turns)^2."""
    half = sine(_PI * (turns - np.floor(turns + _HALF)))
    value: np.float32 = _ONE - _TWO * half * half
    return value


@compiled
def _lit(ray: F32, metres: F32, lens: F32, light: F32, seen: F32) -> None:
    """Write the daylight on matter at each range: the sun's, and all other; none above the sea."""
    end = np.float32(light.shape[2] - 1)
    for k in range(metres.size):
        depth = lens[3] + ray[3] * metres[k]
        place = min(max(depth * lens[4], _ZERO), end)
        at = np.uint64(min(int(place), light.shape[2] - 2))
        share = place - np.float32(at)
        for part in range(2):
            for band in range(light.shape[1]):
                above, below = light[part, band, at], light[part, band, at + _NEXT]
                seen[part, band, k] = above + (below - above) * share


@compiled
def _shaded(at: int, count: int, shade: F32, seen: F32) -> None:
    """Take from daylight what things keep from it, even between the table's ranges."""
    for part in range(2):
        for k in range(count):
            node = min((at + k) // EVERY, shade.shape[1] - 2)
            near, far = shade[part, node], shade[part, node + 1]
            left = near + (far - near) * (np.float32(at + k - EVERY * node) / np.float32(EVERY))
            for band in range(seen.shape[1]):
                seen[part, band, k] *= left


@compiled
def _lamps_between(at: int, count: int, lamps: F32, by_lamps: F32) -> None:
    """Write what lamps light of matter, even between the table's ranges."""
    for k in range(count):
        node = min((at + k) // EVERY, lamps.shape[1] - 2)
        share = np.float32(at + k - EVERY * node) / np.float32(EVERY)
        for band in range(len(lamps)):
            near, far = lamps[band, node], lamps[band, node + 1]
            by_lamps[band, k] = near + (far - near) * share


@compiled
def _within(body: int, at: int, count: int, spans: Ints, marks: Ints) -> tuple[int, int]:
    """Return the first of a part's ranges at which a body may be, and their end."""
    first, last = count, 0
    for number in range(spans[body, 0], spans[body, 1]):
        begin, end = max(marks[number, 0] - at, 0), min(marks[number, 1] - at, count)
        if end > begin:
            first, last = min(first, begin), max(last, end)
    return first, last


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
    home: F32,
    density: F32,
) -> None:
    """Write a body's density over its mean where it may be: the densest of its shapes', and all puffs'."""
    first, last = _within(body, at, count, spans, marks)
    if last <= first:
        return
    clouds, dense = density[0, first:last], density[1, first:last]
    x, y, z = home[0, first:last], home[1, first:last], home[2, first:last]
    clouds[:] = _ZERO
    for number in range(spans[body, 2], spans[body, 3]):
        wave = waves[number]
        by_x, by_y, by_z, turns, amplitude = wave[0], wave[1], wave[2], wave[3], wave[4]
        for k in range(clouds.size):
            clouds[k] += amplitude * _cosine(by_x * x[k] + by_y * y[k] + by_z * z[k] + turns)
    per_mean = bodies[body, 1]
    for k in range(clouds.size):
        clouds[k] = exponential(clouds[k]) * per_mean
        dense[k] = _ZERO
    for number in range(spans[body, 0], spans[body, 1]):
        begin, end = max(marks[number, 0] - at, 0), min(marks[number, 1] - at, count)
        if end > begin:
            _shaped(shapes[number], ground, home[:, begin:end], density[:, begin:end])


@compiled
def _shaped(shape: F32, ground: tuple[F32, F32], home: F32, density: F32) -> None:
    """Raise a body's density to that of one of its shapes, or add a puff to it."""
    kind = int(shape[1])
    clouds, dense = density[0], density[1]
    if kind == PUFF:
        for k in range(clouds.size):
            dense[k] += shape[7] * _within_puff(shape, home[0, k], home[1, k], home[2, k]) * clouds[k]
        return
    for k in range(clouds.size):
        if kind == ELLIPSOID:
            inside = _within_ellipsoid(shape, home[0, k], home[1, k], home[2, k], clouds[k])
        elif kind == BOX:
            inside = _within_box(shape, home[0, k], home[1, k], home[2, k], clouds[k])
        elif kind == ON_GROUND:
            floor = _floor_below(ground[0], ground[1], home[0, k], home[1, k], home[2, k])
            inside = _soft(shape[2] - (home[3, k] - floor), shape, clouds[k])
        else:
            inside = _within_level(shape, home[3, k], clouds[k])
        dense[k] = max(dense[k], shape[7] * inside * clouds[k])


@compiled
def _soft(inward: np.float32, shape: F32, cloud: np.float32) -> np.float32:
    """Return the smooth step from an edge inwards; it lies deeper where clouds are thin: the edge is torn."""
    v = min(max(inward / shape[6] * cloud, _ZERO), _ONE)
    value: np.float32 = v * v * (_THREE - _TWO * v)
    return value


@compiled
def _along_axis(shape: F32, axis: int, x: np.float32, y: np.float32, z: np.float32) -> np.float32:
    at = SHAPE_HEAD + 3 * axis
    value: np.float32 = (
        (x - shape[2]) * shape[at] + (y - shape[3]) * shape[at + 1] + (z - shape[4]) * shape[at + 2]
    )
    return value


@compiled
def _within_ellipsoid(
    shape: F32, x: np.float32, y: np.float32, z: np.float32, cloud: np.float32
) -> np.float32:
    """Return how much of a soft ellipsoid is at a place: its distance from the edge, to first order."""
    square, steep = _ZERO, _TINY
    for axis in range(3):
        half = shape[SHAPE_HEAD + 9 + axis]
        part = _along_axis(shape, axis, x, y, z) / half
        square += part * part
        steep += part * part / (half * half)
    q = np.sqrt(square)
    # At the very middle, where the direction is lost, it is deep inside.
    inward = q * (_ONE - q) / np.sqrt(steep) if q > _THIN else shape[6]
    return _soft(inward, shape, cloud)


@compiled
def _within_box(shape: F32, x: np.float32, y: np.float32, z: np.float32, cloud: np.float32) -> np.float32:
    """Return how much of a soft box is at a place."""
    inside = _ONE
    for axis in range(3):
        half = shape[SHAPE_HEAD + 9 + axis]
        inside *= _soft(half - abs(_along_axis(shape, axis, x, y, z)), shape, cloud)
    return inside


@compiled
def _within_puff(shape: F32, x: np.float32, y: np.float32, z: np.float32) -> np.float32:
    """Return how much of a puff is at a place: (1 - q^2)^3, and the same of its image in the floor."""
    along = _along_axis(shape, 0, x, y, z) / shape[SHAPE_HEAD + 9]
    upwards = _along_axis(shape, 1, x, y, z)
    across = _along_axis(shape, 2, x, y, z) / shape[SHAPE_HEAD + 11]
    level = _ONE - along * along - across * across
    own, image = upwards / shape[SHAPE_HEAD + 10], (upwards + _TWO * shape[6]) / shape[SHAPE_HEAD + 10]
    first, second = max(level - own * own, _ZERO), max(level - image * image, _ZERO)
    value: np.float32 = first * first * first + second * second * second
    return value


@compiled
def _within_level(shape: F32, height: np.float32, cloud: np.float32) -> np.float32:
    """Return how much of a soft slab is at a height."""
    above = _soft(height - shape[SHAPE_HEAD + 9], shape, cloud)
    below = _soft(shape[SHAPE_HEAD + 10] - height, shape, cloud)
    value: np.float32 = above * below
    return value


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
    bodies: F32,
    spans: Ints,
    marks: Ints,
    ray: F32,
    density: F32,
    lit: tuple[F32, F32],
    extinction: F32,
    source: F32,
) -> None:
    """Add a body's extinction, and the light that it sends to the lens a metre."""
    first, last = _within(body, at, count, spans, marks)
    if last <= first:
        return
    numbers = bodies[body]
    seen, by_lamps = lit
    by_sun = lobe(ray[4], -numbers[2], numbers[3], numbers[4])
    by_sky = lobe(ray[3], -numbers[5], numbers[6], numbers[7])
    dense, total = density[1, first:last], extinction[first:last]
    for k in range(dense.size):
        dense[k] *= numbers[0]
        total[k] += dense[k]
    for band in range(len(source)):
        albedo, sent = numbers[BODY_HEAD + band], source[band, first:last]
        sun, sky, lamps = seen[0, band, first:last], seen[1, band, first:last], by_lamps[band, first:last]
        for k in range(dense.size):
            sent[k] += dense[k] * albedo * (sun[k] * by_sun + sky[k] * by_sky + lamps[k])


@compiled
def _shortened(ray: F32, metres: F32, lens: F32, optical: F32) -> None:
    """Write ranges as optics see them, ended where the ray leaves the water."""
    end = _surface_at(ray, lens)
    for k in range(metres.size):
        optical[k] = min(metres[k], end)


@compiled
def _begun(optical_m: np.float32, rates: F32, veil_rates: F32, sums: F32) -> None:
    """Write the sums up to a range before which there is no body.

    What is left of light there, of matter and of water; water's light that is taken, and all of it; the
    bodies' light.
    """
    for band in range(rates.size):
        sums[0, band] = exponential(-rates[band] * optical_m)
        sums[1, band] = exponential(-veil_rates[band] * optical_m)
        sums[2, band], sums[3, band] = _ZERO, gathered(veil_rates[band], optical_m)
        sums[4, band] = _ZERO


@compiled
def _summed(
    first: int,
    depth: np.float32,
    metres: F32,
    optical: F32,
    extinction: F32,
    source: F32,
    rates: F32,
    veil_rates: F32,
    sums: F32,
    table: F32,
) -> np.float32:
    """Sum along a part of a ray, write its ranges of the table, and return the optical depth behind it.

    Between three neighbouring ranges extinction is a parabola. The bodies' light is weighted by what of the
    view they end there, int S exp(-c r) d(1 - T), which is exact however dense they are.
    """
    left = exponential(-depth)
    _told(first // EVERY, depth, extinction[0], sums, table)
    for k in range(metres.size - 1):
        grown = thickness(metres, extinction, k // 2 * 2, k % 2)
        then = left * exponential(-grown)
        _step(k, grown, left, then, optical, extinction, source, rates, veil_rates, sums)
        depth, left = depth + grown, then
        if (k + 1) % EVERY == 0:
            _told((first + k + 1) // EVERY, depth, extinction[k + 1], sums, table)
    return depth


@compiled
def _told(node: int, depth: np.float32, extinction: np.float32, sums: F32, table: F32) -> None:
    """Write a range of the table."""
    bands = sums.shape[1]
    table[DEPTH, node], table[SLOPE, node] = depth, extinction
    for band in range(bands):
        table[TABLE_HEAD + band, node] = sums[4, band]
        table[TABLE_HEAD + bands + band, node] = sums[2, band] / max(sums[3, band], _TINY)


@compiled
def _beyond(first: int, depth: np.float32, optical: F32, veil_rates: F32, sums: F32, table: F32) -> None:
    """Write the ranges of the table behind all bodies: there only the water goes on."""
    taken = _ONE - exponential(-depth)
    for node in range(first // EVERY + 1, table.shape[1]):
        way = optical[EVERY * node] - optical[EVERY * (node - 1)]
        for band in range(veil_rates.size):
            water = sums[1, band] * gathered(veil_rates[band], way)
            sums[1, band] *= exponential(-veil_rates[band] * way)
            sums[2, band] += water * taken
            sums[3, band] += water
        _told(node, depth, _ZERO, sums, table)


@compiled
def thickness(metres: F32, extinction: F32, k: int, half: int) -> np.float32:
    """Return the optical depth of the first or second half of three ranges."""
    near, middle, far = extinction[k], extinction[k + 1], extinction[k + 2]
    if half == 1:
        near, far = far, near
    step = (metres[k + 1] - metres[k]) / _TWELVE
    return max(step * (_FIVE * near + _EIGHT * middle - far), _ZERO)


@compiled
def _step(
    k: int,
    grown: np.float32,
    left: np.float32,
    then: np.float32,
    optical: F32,
    extinction: F32,
    source: F32,
    rates: F32,
    veil_rates: F32,
    sums: F32,
) -> None:
    """Add to the sums what lies between a range and the next, over which ``grown`` of depth is met."""
    way, taken = optical[k + 1] - optical[k], left - then
    # Weight of the farther end in what is taken.
    far = _HALF - grown / _TWELVE
    if grown > _HALF:
        kept = exponential(-grown)
        far = (_ONE - (_ONE + grown) * kept) / (grown * (_ONE - kept))
    per = _ONE / max(extinction[k] + extinction[k + 1], _TINY) if grown > _ZERO else _ZERO
    for band in range(rates.size):
        before = sums[0, band]
        after = before * exponential(-rates[band] * way)
        sums[0, band] = after
        if grown > _ZERO:
            mean = (source[band, k] + source[band, k + 1]) * per
            sums[4, band] += mean * (before + (after - before) * far) * taken
        rate, there = veil_rates[band], sums[1, band]
        sums[1, band] = there * exponential(-rate * way)
        thin = abs(rate * way) < _THIN
        water = there * way if thin else (there - sums[1, band]) / (_ONE if thin else rate)
        sums[2, band] += water * (_ONE - _HALF * (left + then))
        sums[3, band] += water


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
    picture: F32,
    light: F32,
    alpha: F32,
    far_light: F32,
    told: tuple[F32, F32],
) -> None:
    """Lay bodies over the light of some rows.

    Parameters
    ----------
    block
        A table, as `follow` writes it.
    place
        Of each column and each row of pixels, in rays from the block's first.
    nodes
        Ranges of the table, metres, ``(N,)``.
    rates
        Attenuation, 1/m, ``(K,)``.
    range_m, coverage
        ``(rows, columns)``; inf where nothing is.
    farther
        Range, share of area and share of light of a farther surface; empty where there are none.
    water
        What of the light the water threw in, ``(K, rows, columns)``; empty where nothing.
    picture, light
        Light before, and after, ``(K, rows, columns)``.
    alpha
        Coverage of the picture; changed in place.
    far_light
        The farther surfaces' share of light after it; empty where there are none.
    told
        What is added to the light that the water threw in, ``(K, rows, columns)``, and the bodies' coverage;
        empty where nobody asks.
    """
    columns, bands = range_m.shape[1], len(picture)
    rays = block.shape[3]
    line = np.empty((block.shape[1], block.shape[2] * rays), np.float32)
    found = np.empty((2 * bands + 1, columns), np.float32)
    other = np.empty_like(found)
    where, metres, across = (
        np.empty(columns, np.int64),
        np.empty(columns, np.float32),
        np.empty_like(place[0]),
    )
    surface, before = np.empty(columns, np.float32), np.empty((bands, columns), np.float32)
    for row in range(range_m.shape[0]):
        for band in range(bands):
            for x in range(columns):
                light[band, row, x] = picture[band, row, x]
        if told[0].size:
            told[0][:, row] = _ZERO
        if told[1].size:
            told[1][row] = _ZERO
        if far_light.size:
            far_light[row] = farther[2][row]
        _between_rows(block, place[1][row], line)
        if not _any_more(line[DEPTH, -rays:], _ZERO):
            continue
        _looked_up(line, rays, nodes, place[0], range_m[row], columns, found)
        for x in range(columns):
            surface[x] = found[0, x]
        before[0] = -_ONE
        if farther[0].size:
            count = _picked(
                farther[0][row], farther[1][row], farther[2][row], place[0], where, metres, across
            )
            _looked_up(line, rays, nodes, across, metres, count, other)
            for k in range(count):
                x = where[k]
                share = farther[2][row, x]
                near, far = _ONE - surface[x], _ONE - other[0, k]
                surface[x] += share * (other[0, k] - surface[x])
                kept = near + share * (far - near)
                far_light[row, x] = share * far / kept if kept > _ZERO else share
                _mixed(found, x, other, k, farther[1][row, x], rates, range_m[row, x], metres[k], before)
        count = _uncovered(coverage[row], place[0], where, metres, across)
        _looked_up(line, rays, nodes, across, metres, count, other)
        for k in range(count):
            x = where[k]
            if coverage[row, x] > _ZERO:
                share = _ONE - coverage[row, x]
                _mixed(found, x, other, k, share, rates, range_m[row, x], metres[k], before)
            alpha[row, x] += max(_ONE - alpha[row, x], _ZERO) * other[0, k]
        _laid(row, found, surface, water, picture, light, told)


@compiled
def _between_rows(block: F32, row: np.float32, line: F32) -> None:
    """Write the table between two rows of rays, nodes behind each other, ``(planes, nodes times rays)``."""
    at = min(max(int(row), 0), len(block) - 2)
    share = row - np.float32(at)
    above, below = block[at], block[at + 1]
    for plane in range(line.shape[0]):
        for node in range(block.shape[2]):
            upper, lower = above[plane, node], below[plane, node]
            target = line[plane, node * upper.size : (node + 1) * upper.size]
            for column in range(upper.size):
                target[column] = upper[column] + (lower[column] - upper[column]) * share


@compiled
def _any_more(values: F32, value: np.float32) -> bool:
    """Tell whether any is more than a value."""
    found = False
    for index in range(values.size):
        found |= values[index] > value
    return found


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
def _uncovered(coverage: F32, place: F32, where: Ints, metres: F32, across: F32) -> int:
    """Write which pixels are not covered whole, an endless range, and their place; return how many."""
    count = 0
    for x in range(coverage.size):
        if coverage[x] < _ONE:
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
def _looked_up(line: F32, columns: int, nodes: F32, place: F32, metres: F32, count: int, found: F32) -> None:
    """Write coverage, light of each band and share taken of the water's at pixels.

    Optical depth goes between ranges by its slope at both; the bodies' light in step with what they cover.
    """
    bands, step, last = (len(found) - 1) // 2, 0, nodes.size - 2
    first, right = np.empty(count, np.uint64), np.empty(count, np.float32)
    along, taken = np.empty(count, np.float32), np.empty(count, np.float32)
    below = np.uint64(columns)
    for k in range(count):
        while step < last and metres[k] >= nodes[step + 1]:
            step += 1
        while step > 0 and metres[k] < nodes[step]:
            step -= 1
        column = min(max(int(place[k]), 0), columns - 2)
        first[k], right[k] = np.uint64(step * columns + column), place[k] - np.float32(column)
        along[k] = min((metres[k] - nodes[step]) / (nodes[step + 1] - nodes[step]), _ONE)
        taken[k] = nodes[step + 1] - nodes[step]
    depths, slopes, covered = line[DEPTH], line[SLOPE], found[0]
    for k in range(count):
        at, share, u, length = first[k], right[k], along[k], taken[k]
        near, far = _across(depths, at, share), _across(depths, at + below, share)
        begin, end = _across(slopes, at, share) * length, _across(slopes, at + below, share) * length
        grown = far - near
        depth = u * (begin + u * ((_THREE * grown - _TWO * begin - end) + u * (begin + end - _TWO * grown)))
        depth = min(max(depth, _ZERO), grown)
        covered[k] = _ONE - exponential(-near - depth)
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
def _laid(
    row: int, found: F32, surface: F32, water: F32, picture: F32, light: F32, told: tuple[F32, F32]
) -> None:
    """Write a row's light: what comes through of surfaces and water, and the bodies' own."""
    bands = len(picture)
    for band in range(bands):
        own, hidden = found[1 + band], found[1 + bands + band]
        if water.size:
            for x in range(surface.size):
                thrown = water[band, row, x]
                added = own[x] - thrown * hidden[x]
                before = picture[band, row, x]
                light[band, row, x] = before - (before - thrown) * surface[x] + added
        else:
            for x in range(surface.size):
                before = picture[band, row, x]
                light[band, row, x] = before - before * surface[x] + own[x]
        if told[0].size:
            for x in range(surface.size):
                thrown = water[band, row, x] if water.size else _ZERO
                told[0][band, row, x] = own[x] - thrown * hidden[x]
    if told[1].size:
        for x in range(surface.size):
            told[1][row, x] = found[0, x]
