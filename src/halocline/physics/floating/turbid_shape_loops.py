"""The loops of turbid bodies' shapes: where rays meet them, where water came from, how dense they are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.compute.compiled import compiled
from halocline.compute.series import cosine_of_turns, exponential

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
# Ranges that are summed over to a range of the table: an even number.
EVERY = 4

_ZERO, _ONE, _TWO, _THREE = (np.float32(number) for number in (0.0, 1.0, 2.0, 3.0))
# Ranges that the processor takes at once.
_ABREAST = 16
# What goes along with a side by less than this comes nowhere near it.
_LEVEL = np.float32(1e-5)
_TINY, _THIN, _ENDLESS = np.float32(1e-20), np.float32(1e-3), np.float32(1e5)
_INFINITE = np.float32(np.inf)


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
    surface = surface_range(ray, lens)
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
def surface_range(ray: F32, lens: F32) -> np.float32:
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
def carried_back_where_met(
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
        begin, end = met_part(met, body, at, metres.size)
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
def met_part(met: Ints, body: int, at: int, count: int) -> tuple[int, int]:
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
    first, last = met_part(met, body, at, count)
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
