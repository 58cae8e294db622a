"""The loops that lay turbid bodies over pixels, from what is known of them along rays."""

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
from halocline.compute.series import exponential
from halocline.physics.floating.turbid_loops import DEPTH, SLOPE, TABLE_HEAD
from halocline.physics.water.path_integral import gathered

Ints = NDArray[np.int64]

_ZERO, _HALF, _ONE, _TWO, _THREE = (np.float32(number) for number in (0.0, 0.5, 1.0, 2.0, 3.0))
_NEXT = np.uint64(1)
# What is farther has no end, metres.
_FAR_SURFACE_M = np.float32(1e4)
_TINY, _THIN, _ENDLESS = np.float32(1e-20), np.float32(1e-3), np.float32(1e5)
# Between two pixels what bodies cover goes straight where it changes by no more than this, and where the
# surface is so far off the straight way that it would change by no more than that.
_MOST_CHANGE, _MOST_OFF = np.float32(0.05), np.float32(1e-3)
# Over two knots it does where it grows by no less or more before them than behind, but by this.
_MOST_KINKED = np.float32(0.006)
# No surface goes straight from one range to another that is this much farther, and no table over more than
# half the way from ray to ray.
_STEEPEST, _ONE_AND_A_HALF = np.float32(0.1), np.float32(1.5)


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
            some = where, metres, other, count
            _shared(found, some, areas, shares, rates, ranges, before, mixed, far_light[row, begin:end])
        _looked_up(line, rays, nodes, beyond_across, steps[2], beyond_m, open_ones, other)
        numbers = beyond, beyond_m, other, open_ones
        _cover_rest(found, covers, ranges, rates, numbers, before, alpha[row, begin:end])
        if halo[0].size:
            _hardly_seen(ranges, halo[1], mixed[2])
        _laid(row, (begin, end), found, mixed, (water, halo[0]), picture, light, told)


@compiled
def _shared(
    found: F32,
    some: tuple[Ints, F32, F32, int],
    areas: F32,
    shares: F32,
    rates: F32,
    range_m: F32,
    before: F32,
    mixed: F32,
    far_light: F32,
) -> None:
    """Give what was found at pixels what farther surfaces show there, and those their share of light after.

    ``some`` are those pixels: which, the farther ranges, what was found at these, and how many.
    """
    (where, metres, other, count), surface, by_area = some, mixed[0], mixed[1]
    for k in range(count):
        x = where[k]
        near, far = _ONE - surface[x], _ONE - other[0, k]
        surface[x] += shares[x] * (other[0, k] - surface[x])
        kept = near + shares[x] * (far - near)
        far_light[x] = shares[x] * far / kept if kept > _ZERO else shares[x]
        _mixed(found, x, other, k, areas[x], rates, range_m[x], metres[k], before)
        by_area[x] = found[0, x]


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
