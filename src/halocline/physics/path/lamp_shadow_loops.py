"""The loops of `halocline.physics.path.lamp_shadow`: what a lamp sees of a picture, and what that shades."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.compute.series import exponential
from halocline.physics.path.phase import lobe

Ints = NDArray[np.int64]
U8 = NDArray[np.uint8]

# Ranges along view rays are tabled by t / (t + HALF_SHADOW_M), in even steps.
HALF_SHADOW_M = 4.0
# Neighbouring pixels show one surface where their reciprocal depths differ by less than this share; points on
# a row of them where the surface is less steep to the view than this tangent.
_ONE_SURFACE, _STEEPEST = 0.05, 25.0
# An edge is sought so finely within a step: to a sixteenth.
_HALVINGS = 4
# A surface is looked at inside of its edge where pixels show it alone, covered by this share, so many steps
# from it at most; at the edge it is no farther than so many times that.
_INSIDE, _WHOLE, _MOST_BENT = 6, 0.999, 1.1
# Of a root of the way from an edge: from one way inside to the edge, by what it changes from two to one.
_BY_ROOT = 1.0 / (math.sqrt(2.0) - 1.0)
# More than this tangent to the view between two steps may be an edge before what is close behind.
_CREASE = 6.0
# What casts covers more of a pixel than this.
_HALF_COVERED = np.float32(0.5)
# What is this much farther than what a ray shows is behind it, not of it.
_OF_IT = np.float32(1.25)
# Of a surface's range from the lamp, and of the lamp's from the lens, what may be rounding of its range from
# the lens: half floats keep it to .0005.
_ROUNDING, _OF_APART = np.float32(0.004), np.float32(0.001)
# A surface's plane says how far it is elsewhere, within these limits.
_NEARER, _FARTHER, _GRAZING = np.float32(0.6), np.float32(1.6), np.float32(0.02)
# What is within this share of a point's distance to the lamp may be its own surface.
_BESIDE = np.float32(0.06)
# What changes from one direction to the next by more than so many times what a surface's plane does is not
# its own: it is a thing close before it, whose shadow would be lost.
_BENDS = np.float32(4.0)
# In a row another thing begins where what is seen turns towards the lens by more than this angle, with the
# coarseness of half floats allowed for (a share of the range); or turns away more steeply than this tangent,
# and so many times more than before.
_CORNER, _COARSE, _FALLS, _SUDDEN = 0.5, 0.0005, 2.0, 2.0
# A point so many steps outside of a thing may be of it, and two more at most by so many times the share that
# its plane changes over a step of the map: what runs away flat is cut to pieces where pixels differ as things
# do. Of that change this share may be error where something else stands before it.
_AT_ENDS, _AT_FLAT, _SLANT = np.float32(0.5), np.float32(30.0), np.float32(0.25)
# One smooth turn is a corner over some steps, one after the other: none begins so few steps after another.
_APART = 2.5
# A tent is as wide as a disc where its half width is so many times the disc's radius. Shadows are sought as
# far as of what stands at a quarter of the way; none is sharper than so many directions.
_DISC, _SOUGHT, _SHARP = np.float32(1.22), np.float32(3.0), np.float32(1.5)
# Along a row edges are known between its directions, and shadows are as sharp as this many of them.
_SHARPEST = np.float32(0.75)
# No shadow is softer than so many directions.
_SOFTEST = 8
# Directions of a row that are summed as one: the light along a ray is smooth.
_AT_ONCE = 4
# Rows about a ray in the water: the weights of each, of 9.
_ROWS_ABOUT = 2
# Stretches that make the unseen quarter of a round thing.
_ROUND = 6
# What is this much less is so for all rounding.
_SURELY = np.float32(0.9999)
_ZERO, _HALF, _ONE, _TWO, _TINY = (np.float32(number) for number in (0, 0.5, 1, 2, 1e-9))
_ENDLESS, _PI = np.float32(np.inf), np.float32(np.pi)


@compiled
def cast_rows(
    planes: tuple[F32, F32, F32, F32],
    lens: F64,
    towards: F64,
    aside: F64,
    steps: F64,
    by_angle: F64,
    out: F32,
    edges: F32,
    solid: F32,
    spans: F32,
) -> None:
    """Write how far from a lamp the first thing stands that a picture shows, by direction.

    Each row is what a plane through lens and lamp cuts from the picture: a line of points, joined where they
    are of one surface.

    Parameters
    ----------
    planes
        Range, alpha, range and share of a farther surface, ``(rows, columns)`` each; the last two may be
        empty.
    lens
        Tangents a pixel across and down, and the axis in pixels from the planes' corner, ``(4,)``.
    towards
        Unit direction from the lens to the lamp in the camera's own axes (it looks down -z), ``(3,)``.
    aside
        For each row a unit vector across that, ``(R, 3)``.
    steps
        First angle at the lens, step, and number of steps; lens to lamp, and what is nearer to the lamp than
        this casts nothing, metres; pixels for which things go on beyond the picture's edges, and over which
        what casts fades before them, ``(7,)``.
    by_angle
        Cosine and sine of the angles at the lamp, counted from the direction to the lens, ``(A, 2)``.
    out
        Metres, ``(R, A)``; inf where nothing is.
    edges
        Where in each row what stands in one direction gives way to what stands in the next: steps from the
        middle between them, -1/2 to 1/2, ``(R, A)``.
    solid
        How much of the light what stands there keeps, 0 at the picture's edge to 1, ``(R, A)``.
    spans
        Of the thing that stands there, the first and the last of its angles at the lens, ``(R, A, 2)``.
    """
    first, step, count, apart, nearest, margin, fade = steps
    sides, owner = np.empty((len(by_angle), 2), np.float32), np.empty(len(by_angle), np.int64)
    bounds = np.empty((int(count) + 3, 2))
    for row in range(len(aside)):
        line = out[row], sides, solid[row], owner
        out[row, :], solid[row, :], owner[:], run = _ENDLESS, _ONE, 0, 1
        # A lamp in the picture: rows begin on it, at 0, and nothing has an edge there.
        at, joined = max(first - step, 0.0), False
        before = _range_along(planes, lens, towards, aside[row], 0.0, margin) if at == 0.0 else np.inf
        # Where what is seen begins by an edge of its own; endless if it comes out from behind another.
        begun, begun_m, slopes = at, np.inf, (0.0, 0.0, 0.0, 0.0)
        # What fills a gap is of no thing, and of both beside it.
        bounds[0, 0], bounds[0, 1], bounds[1, 0] = -np.inf, np.inf, at
        for number in range(int(count)):
            angle = first + number * step
            s = _range_along(planes, lens, towards, aside[row], angle, margin)
            joins = s < np.inf and _of_one(before, s, angle - at)
            keeps = _kept_at(planes, lens, towards, aside[row], angle, fade)
            slopes = 1.0 / s - 1.0 / before if joins else 0.0, slopes[0], slopes[1], slopes[2]
            last, run = (
                run,
                _thing_at(bounds, run, 0.5 * (at + angle), joins, slopes, min(s, before) / step, step),
            )
            if joins and abs(s - before) <= _CREASE * (angle - at) * min(s, before):
                _stretch(line, by_angle, apart, nearest, (keeps, run), at, before, angle, s)
            elif min(s, before) < np.inf:
                ends = at, before, angle, s
                edge, one, other = _edge_between(planes, lens, towards, aside[row], margin, ends)
                if joins:
                    # A ball on the ground: it bends away before it meets what is behind.
                    one = other = min(one if before < s else other, max(before, s))
                if before < np.inf:
                    _stretch(line, by_angle, apart, nearest, (keeps, last), at, before, edge, one)
                if s < np.inf:
                    _stretch(line, by_angle, apart, nearest, (keeps, run), edge, other, angle, s)
                back = _kept_at(planes, lens, towards, aside[row], begun, fade), last
                _fill_back(line, by_angle, apart, nearest, back, (begun, begun_m, edge, one))
                begun, begun_m = edge, np.inf if one < other else other
                closed = _closed(one, other, angle - at)
                if closed > 0.0:
                    near = min(one, other)
                    _stretch(line, by_angle, apart, nearest, (keeps, 0), edge, near, edge, near + closed)
            at, before, joined = angle, s, joins
        back = _kept_at(planes, lens, towards, aside[row], begun, fade), run
        _fill_back(line, by_angle, apart, nearest, back, (begun, begun_m, at, before))
        if before < np.inf and not joined:
            angle = first + (count - 1.0) * step
            back = _kept_at(planes, lens, towards, aside[row], angle, fade), run
            _stretch(line, by_angle, apart, nearest, back, angle, before, angle + 0.5 * step, before)
        bounds[run, 1] = first + count * step
        _edges_of(line, edges[row])
        _spans_of(owner, bounds, spans[row])


@compiled
def _kept_at(
    planes: tuple[F32, F32, F32, F32], lens: F64, towards: F64, aside: F64, angle: float, fade: float
) -> np.float32:
    """Return how much of the light what is seen in a direction keeps: the less the nearer to the edge.

    What goes on beyond the picture is cut off there, and so would be its shadow, which would leap away with
    it where the lens moves on.
    """
    rows, columns = planes[0].shape
    column, row, depth = _place(lens, towards, aside, angle)
    if depth <= 0.0:
        return _ZERO
    inside = min(column, row, columns - 1.0 - column, rows - 1.0 - row) + 0.5
    share = min(max(inside / max(fade, 1e-6), 0.0), 1.0)
    return np.float32(share * share * (3.0 - 2.0 * share))


@compiled
def _of_one(before: float, after: float, step: float) -> bool:
    """Tell whether two ranges, some angle apart, are of one surface, or both of nothing."""
    if max(before, after) == np.inf:
        return before == after
    return abs(after - before) <= _STEEPEST * step * min(before, after)


@compiled
def _closed(one: float, other: float, step: float) -> float:
    """Return how far behind the edge of the nearer of two things a gap counts as closed, metres.

    All of it where they are hardly told from one surface, see `_of_one`, and nothing of one twice as wide:
    what is whole in one row and open in the next would throw a comb.
    """
    near, far = min(one, other), max(one, other)
    if far <= near or far == np.inf:
        return 0.0
    widest = _STEEPEST * step * near
    return min(far - near, max(widest + widest - (far - near), 0.0))


@compiled
def _edge_between(
    planes: tuple[F32, F32, F32, F32],
    lens: F64,
    towards: F64,
    aside: F64,
    margin: float,
    ends: tuple[float, float, float, float],
) -> tuple[float, float, float]:
    """Return the angle at which one thing gives way to another in a row, and the range of each there.

    The ends are an angle and the range that shows there, and the same of the next step.
    """
    first, before, last, after = ends
    step = last - first
    for _ in range(_HALVINGS):
        middle = 0.5 * (first + last)
        s = _range_along(planes, lens, towards, aside, middle, margin)
        if _of_one(before, s, middle - first):
            first = middle
        else:
            last = middle
    edge = 0.5 * (first + last)
    if before <= after:
        return edge, _range_at_edge(planes, lens, towards, aside, (edge, -step), before), after
    return edge, before, _range_at_edge(planes, lens, towards, aside, (edge, step), after)


@compiled
def _range_at_edge(
    planes: tuple[F32, F32, F32, F32],
    lens: F64,
    towards: F64,
    aside: F64,
    inwards: tuple[float, float],
    own: float,
) -> float:
    """Return a surface's range at its edge before another thing, from those inside of it.

    It bends away there as a circle does: by the root of the way from the edge. A pixel before the edge it may
    be a tenth of a ball's radius nearer, and a shadow's rim would show that as teeth. The edge is given by
    its angle and the step inwards; ``own`` is the range of the last pixel.
    """
    edge, step = inwards
    for count in range(1, _INSIDE + 1):
        way = count * step
        column, row, depth = _place(lens, towards, aside, edge + way)
        if depth > 0.0 and _alone(planes, column, row):
            one = _range_along(planes, lens, towards, aside, edge + way, 0.0)
            two = _range_along(planes, lens, towards, aside, edge + 2.0 * way, 0.0)
            if _of_one(own, one, abs(way)) and _of_one(one, two, abs(way)) and one > two:
                return min(max(own, one + (one - two) * _BY_ROOT), own * _MOST_BENT)
            break
    # Too narrow to tell, or it comes nearer.
    return own


@compiled
def ranges_seen(
    planes: tuple[F32, F32, F32, F32], lens: F64, towards: F64, aside: F64, angles: F64, out: F32
) -> None:
    """Write what the picture, or its edge, shows along rays at angles to the lamp, ``(R, J)``; inf for none.

    Parameters
    ----------
    planes, lens, towards, aside
        As `cast_rows` takes them.
    angles
        At the lens, ``(J,)``.
    out
        ``(R, J)``.
    """
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            s = _range_along(planes, lens, towards, aside[row], angles[column], np.inf)
            out[row, column] = np.float32(s)


@compiled
def _place(lens: F64, towards: F64, aside: F64, angle: float) -> tuple[float, float, float]:
    """Return column and row of a direction, and its part along the lens's axis; 0 where that is behind."""
    cos, sin = math.cos(angle), math.sin(angle)
    x = cos * towards[0] + sin * aside[0]
    y = cos * towards[1] + sin * aside[1]
    depth = -(cos * towards[2] + sin * aside[2])
    if depth <= 1e-6:
        return 0.0, 0.0, 0.0
    return lens[2] + x / (depth * lens[0]) - 0.5, lens[3] - y / (depth * lens[1]) - 0.5, depth


@compiled
def _alone(planes: tuple[F32, F32, F32, F32], column: float, row: float) -> bool:
    """Tell whether each of the four pixels about a place shows one surface, and that wholly."""
    rows, columns = planes[0].shape
    if not (0.0 <= column < columns - 1.0 and 0.0 <= row < rows - 1.0):
        return False
    for corner in range(4):
        at, to = int(row) + corner // 2, int(column) + corner % 2
        if planes[1][at, to] < _WHOLE or (planes[3].size and planes[3][at, to] > 1.0 - _WHOLE):
            return False
    return True


@compiled
def _range_along(
    planes: tuple[F32, F32, F32, F32], lens: F64, towards: F64, aside: F64, angle: float, margin: float
) -> float:
    """Return the range of what a picture shows in one direction; inf where that is nothing.

    So many pixels beyond its edges it is as at them.
    """
    rows, columns = planes[0].shape
    column, row, depth = _place(lens, towards, aside, angle)
    if depth <= 0.0 or min(column, row, columns - 1.0 - column, rows - 1.0 - row) < -0.5 - margin:
        return np.inf
    column, row = min(max(column, 0.0), columns - 1.0), min(max(row, 0.0), rows - 1.0)
    left, top = math.floor(column), math.floor(row)
    right, low = min(left + 1, columns - 1), min(top + 1, rows - 1)
    by_x, by_y = column - left, row - top
    a, b = _nearness(planes, lens, top, left), _nearness(planes, lens, top, right)
    c, d = _nearness(planes, lens, low, left), _nearness(planes, lens, low, right)
    least, most = min(a, b, c, d), max(a, b, c, d)
    if least > 0.0 and most - least <= _ONE_SURFACE * most:
        upper, lower = a + (b - a) * by_x, c + (d - c) * by_x
        near = upper + (lower - upper) * by_y
    else:
        near = _nearness_of_most(planes, lens, (top, low), (left, right), (by_y, by_x))
    return 1.0 / (near * depth) if near > 0.0 else np.inf


@compiled
def _nearness_of_most(
    planes: tuple[F32, F32, F32, F32],
    lens: F64,
    rows: tuple[int, int],
    columns: tuple[int, int],
    place: tuple[float, float],
) -> float:
    """Return the reciprocal planar depth of what covers most of a place between four pixels; 0 for nothing.

    The nearest thing's edge runs where its shares of the pixels pass a half between them: in steps of whole
    pixels a shadow thrown far would show teeth.
    """
    most = 0.0
    for corner in range(4):
        row, column = rows[corner // 2], columns[corner % 2]
        if planes[1][row, column] > 0.0:
            most = max(most, _reciprocal(planes[0], lens, row, column))
    near, near_share, far, far_share = 0.0, 0.0, 0.0, 0.0
    for corner in range(4):
        row, column = rows[corner // 2], columns[corner % 2]
        weight = place[0] if corner // 2 else 1.0 - place[0]
        weight *= place[1] if corner % 2 else 1.0 - place[1]
        behind = float(planes[3][row, column]) if planes[3].size else 0.0
        share = min(max(planes[1][row, column] - behind, 0.0), 1.0)
        here = _reciprocal(planes[0], lens, row, column)
        if here >= most * (1.0 - _ONE_SURFACE):
            near, near_share = near + weight * share * here, near_share + weight * share
        else:
            far, far_share = far + weight * share * here, far_share + weight * share
        if behind > 0.0:
            here = _reciprocal(planes[2], lens, row, column)
            far, far_share = far + weight * behind * here, far_share + weight * behind
    if near_share > 0.5:
        return near / near_share
    return far / far_share if far_share > 0.5 - near_share and far_share > 0.0 else 0.0


@compiled
def _reciprocal(range_m: F32, lens: F64, row: int, column: int) -> float:
    """Return a pixel's reciprocal planar depth, 1/m; 0 where it has none."""
    s = range_m[row, column]
    if not 0.0 < s < np.inf:
        return 0.0
    x, y = (column + 0.5 - lens[2]) * lens[0], (row + 0.5 - lens[3]) * lens[1]
    return math.sqrt(1.0 + x * x + y * y) / float(s)


@compiled
def _nearness(planes: tuple[F32, F32, F32, F32], lens: F64, row: int, column: int) -> float:
    """Return the reciprocal planar depth of what covers most of a pixel, 1/m; 0 for nothing."""
    if planes[1][row, column] <= _HALF_COVERED:
        return 0.0
    if planes[3].size and planes[3][row, column] > _HALF_COVERED:
        return _reciprocal(planes[2], lens, row, column)
    return _reciprocal(planes[0], lens, row, column)


@compiled
def _thing_at(
    bounds: F64,
    number: int,
    middle: float,
    joins: bool,
    slopes: tuple[float, float, float, float],
    near: float,
    step: float,
) -> int:
    """Return the number in its row of what is seen after a step; where another thing ends there, write that.

    Things may stand close one before the other: their ranges alone do not tell them from one surface. Each is
    round, more or less, so that where two meet what is seen turns towards the lens, as in a corner. It turns
    by an angle: of what is seen flat, ripples of sand far away, tangents differ much and angles little.

    Parameters
    ----------
    bounds
        First and last angle at the lens of each, ``(n, 2)``.
    number, middle, joins
        Of what is seen before the step; the step's middle; whether both may be of one surface by range.
    slopes
        By how much one over the range changes over this step and the three before it. Of a plane it is even.
    near, step
        The nearer of the two ranges over the step, and the step.
    """
    turn = math.atan(slopes[0] * near - _COARSE / step) - math.atan(min(slopes[1], slopes[2]) * near)
    corner = turn > _CORNER
    falls = slopes[0] * near < -_FALLS and slopes[0] < _SUDDEN * slopes[3]
    if joins and (not (corner or falls) or middle - bounds[number, 0] < _APART * step):
        return number
    bounds[number, 1] = bounds[number + 1, 0] = middle
    return number + 1


@compiled
def _spans_of(owner: Ints, bounds: F64, spans: F32) -> None:
    """Write the first and the last angle at the lens of what stands in each direction, by its number."""
    for index in range(len(owner)):
        for end in range(2):
            spans[index, end] = np.float32(bounds[owner[index], end])


@compiled
def _edges_of(line: tuple[F32, F32, F32, Ints], edges: F32) -> None:
    """Write where directions of a row give way to each other: where the nearer of two things ends."""
    metres, sides, _, _ = line
    for index in range(len(metres) - 1):
        edge = sides[index, 1] if metres[index] <= metres[index + 1] else _ONE - sides[index + 1, 0]
        neither = metres[index] == metres[index + 1] == _ENDLESS
        edges[index] = _ZERO if neither else min(max(edge - _HALF, -_HALF), _HALF)
    edges[len(metres) - 1] = _ZERO


@compiled
def _stretch(
    line: tuple[F32, F32, F32, Ints],
    by_angle: F64,
    apart: float,
    nearest: float,
    keeps: tuple[np.float32, int],
    first: float,
    first_m: float,
    last: float,
    last_m: float,
) -> None:
    """Lay the straight stretch between two points (angle at the lens and range) over a row.

    The row is metres by direction, ``(A,)``, and how far what stands there goes on to both sides of the
    direction, in steps, ``(A, 2)``: half of one where it goes on to the next; how much of the light it
    keeps, and its number in the row, ``(A,)`` each.
    """
    metres, sides, solid, owner = line
    # Towards the lens and aside, from the lamp.
    x0, y0 = apart - first_m * math.cos(first), first_m * math.sin(first)
    x1, y1 = apart - last_m * math.cos(last), last_m * math.sin(last)
    r0, r1 = math.sqrt(x0 * x0 + y0 * y0), math.sqrt(x1 * x1 + y1 * y1)
    if min(r0, r1) < nearest:
        return
    per_angle = len(metres) / math.pi
    at0, at1 = math.atan2(y0, x0) * per_angle - 0.5, math.atan2(y1, x1) * per_angle - 0.5
    low, high = min(at0, at1), max(at0, at1)
    begin, end = math.ceil(low), math.floor(high)
    least = 0.5 * min(r0, r1)
    if begin > end:
        # Between two directions of the row: the next one stands for it, and has nothing nearer.
        begin = end = round(0.5 * (at0 + at1))
        least = min(r0, r1)
    dx, dy = x1 - x0, y1 - y0
    area = x0 * dy - y0 * dx
    for index in range(max(begin, 0), min(end, len(metres) - 1) + 1):
        across = by_angle[index, 0] * dy - by_angle[index, 1] * dx
        r = area / across if abs(across) > 1e-12 else r0
        r = min(max(r, least), max(r0, r1))
        there, own = metres[index], np.float32(r)
        left = np.float32(index - low) if index - low < 1.0 else _HALF
        right = np.float32(high - index) if high - index < 1.0 else _HALF
        if abs(own - there) <= _BESIDE * own:
            # The same thing goes on.
            left, right = max(left, sides[index, 0]), max(right, sides[index, 1])
            sides[index, 0], sides[index, 1] = left, right
        elif own < there:
            sides[index, 0], sides[index, 1] = left, right
        if own < there:
            metres[index], solid[index], owner[index] = own, keeps[0], keeps[1]


@compiled
def _fill_back(
    line: tuple[F32, F32, F32, Ints],
    by_angle: F64,
    apart: float,
    nearest: float,
    keeps: tuple[np.float32, int],
    ends: tuple[float, float, float, float],
) -> None:
    """Lay what the lens does not see of a thing over a row, where the lamp shines behind it.

    From its first place, its edge towards the lamp, to its last (angles at the lens and ranges) it is taken
    to be round: as thick as it is wide.
    """
    first, first_m, last, last_m = ends
    wide = (last - first) * min(first_m, last_m)
    if max(first_m, last_m) == np.inf or wide <= 0.0:
        return
    half = 0.5 * wide
    angle, s = first, first_m
    for number in range(1, _ROUND + 1):
        turn = number * (0.5 * math.pi / _ROUND)
        # From a circle's edge as the lens sees it backwards.
        across, away = half * (1.0 - math.cos(turn)), first_m + half * math.sin(turn)
        next_angle, next_s = first + math.atan2(across, away), math.sqrt(across * across + away * away)
        _stretch(line, by_angle, apart, nearest, keeps, angle, s, next_angle, next_s)
        angle, s = next_angle, next_s


@compiled
def bends_nearby(cast: F32, wraps: bool, bent: U8) -> None:
    """Write which directions of a map have more than one smooth surface within a shadow's reach, 1.

    Parameters
    ----------
    cast
        From `cast_rows`.
    wraps
        Whether the last row is beside the first.
    bent
        Of its shape, 0 before.
    """
    rows, columns = cast.shape
    for row in range(rows):
        above = row - 1 if row else (rows - 1 if wraps else 0)
        below = row + 1 if row + 1 < rows else (0 if wraps else row)
        for column in range(columns):
            here = cast[row, column]
            if here == _ENDLESS:
                # Beside it the last of a surface is bent.
                continue
            allowed = _ROUNDING * here
            before, after = cast[row, max(column - 1, 0)], cast[row, min(column + 1, columns - 1)]
            smooth = abs(before - here - here + after) <= allowed
            if row and row + 1 < rows:
                smooth = smooth and abs(cast[above, column] - here - here + cast[below, column]) <= allowed
            elif wraps:
                smooth = smooth and abs(cast[above, column] - cast[below, column]) <= allowed
            if smooth:
                continue
            for line in range(row - _SOFTEST, row + _SOFTEST + 1):
                at = line % rows if wraps else min(max(line, 0), rows - 1)
                for to in range(max(column - _SOFTEST, 0), min(column + _SOFTEST + 1, columns)):
                    bent[at, to] = 1


@compiled
def light_left(
    offset: F32,
    normal: F32,
    axes: F32,
    rows_at: F32,
    radius: np.float32,
    cast: F32,
    edges: F32,
    solid: F32,
    spans: F32,
    bent: U8,
    by_angle: F32,
    by_row: F32,
    out: F32,
) -> None:
    """Write the share of a lamp that points see, 0 to 1.

    Parameters
    ----------
    offset
        From the lamp, world metres, ``(3, n)``.
    normal
        Of the surfaces that they lie on, towards the lens, world, ``(3, n)``; empty where they lie on none.
    axes
        From lens to lamp, and the two that azimuths are counted from, world, ``(3, 3)``.
    rows_at
        Azimuth of the first row, rows a radian, 1 where they go all round, lens to lamp, and the step between
        two of the lens's angles, ``(5,)``.
    radius
        Of the lamp, metres.
    cast, edges, solid, spans, bent
        From `cast_rows` and `bends_nearby`.
    by_angle, by_row
        Cosine and sine of the angles of columns, and of the azimuths of rows.
    out
        ``(n,)``.
    """
    rows, columns = cast.shape
    per_angle, wraps, rounding = np.float32(columns) / _PI, rows_at[2] > _ZERO, _OF_APART * rows_at[3]
    plane = np.zeros(4, np.float32)
    for point in range(out.size):
        x, y, z = offset[0, point], offset[1, point], offset[2, point]
        along = axes[0, 0] * x + axes[0, 1] * y + axes[0, 2] * z
        u = axes[1, 0] * x + axes[1, 1] * y + axes[1, 2] * z
        v = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z
        aside = np.sqrt(u * u + v * v)
        r = np.sqrt(along * along + aside * aside)
        column = np.arctan2(aside, -along) * per_angle - _HALF
        row = (np.arctan2(v, u) - rows_at[0]) * rows_at[1]
        out[point] = _ONE
        if not (wraps or -_HALF <= row <= np.float32(rows) - _HALF):
            continue
        plane[3] = _ZERO
        if normal.size:
            nx, ny, nz = normal[0, point], normal[1, point], normal[2, point]
            for axis in range(3):
                plane[axis] = axes[axis, 0] * nx + axes[axis, 1] * ny + axes[axis, 2] * nz
            plane[3] = plane[0] * along + plane[1] * u + plane[2] * v
            if abs(plane[3]) < _GRAZING * r:
                plane[3] = _ZERO
        down, across = min(max(int(row + _HALF), 0), rows - 1), min(max(int(column + _HALF), 0), columns - 1)
        if not bent[down, across]:
            # One smooth surface around: it is this one, or stands before it, or behind.
            least = rounding + _ROUNDING * r
            behind = _on_plane(plane, r, by_angle[across], by_row[down]) - cast[down, across] - least
            least += _away(plane, r, by_angle, by_row, row, column, 1, wraps)
            if behind <= _ZERO or behind > np.float32(6.0) * least:
                out[point] = _ONE if behind <= _ZERO else _ONE - _between(solid, row, column, wraps)
                continue
        away = _away(plane, r, by_angle, by_row, row, column, 1, wraps)
        least = rounding + _ROUNDING * r
        tight = least + _SLANT * away
        least += away + _HALF * min(_spread(cast, row, column, r, wraps), _BENDS * away)
        per_row = rows_at[1] * r / max(aside, _TINY * r)
        widest, spread = np.float32(_SOFTEST), _DISC * radius * _SOUGHT / max(r, _TINY)
        wide, high = min(max(spread * per_angle, _TWO), widest), min(max(spread * per_row, _TWO), widest)
        soft = _DISC * radius * per_angle, _DISC * radius * per_row
        here = row, column, r, wraps
        # A thing nearer than its own that a point surely does not lie on need be nearer by rounding alone.
        margin = rows_at[4] * (_AT_ENDS + min(_AT_FLAT * away / max(r, _TINY), _TWO))
        of = np.arctan2(aside, rows_at[3] + along), margin, tight, least
        maps, turns = (cast, edges, solid, spans), (by_angle, by_row)
        blocked, nearness, widest, keeps = _blocked(here, of, (wide, high), soft, plane, maps, turns, False)
        if blocked <= _ZERO or blocked >= _ONE:
            out[point] = _ONE if blocked <= _ZERO else _ONE - keeps
            continue
        # As soft as the lamp's disc makes it behind what stands there.
        behind = max(nearness - _ONE / max(r, _TINY), _ZERO)
        high = min(max(soft[1] * behind, _SHARP), high)
        blocked, nearness, widest, keeps = _blocked(here, of, (widest, high), soft, plane, maps, turns, True)
        out[point] = _ONE - blocked * keeps


@compiled
def _between(plane: F32, row: np.float32, column: np.float32, wraps: bool) -> np.float32:
    """Return what a plane of the map has between four of its directions."""
    rows, columns = plane.shape
    line, to = int(np.floor(row)), int(np.floor(column))
    by_row, by_column = row - np.float32(line), column - np.float32(to)
    found = _ZERO
    for corner in range(4):
        down, across = line + corner // 2, to + corner % 2
        at = down % rows if wraps else min(max(down, 0), rows - 1)
        weight = by_row if corner // 2 else _ONE - by_row
        weight *= by_column if corner % 2 else _ONE - by_column
        found += weight * plane[at, min(max(across, 0), columns - 1)]
    return found


@compiled
def _blocked(
    here: tuple[np.float32, np.float32, np.float32, bool],
    of: tuple[np.float32, np.float32, np.float32, np.float32],
    about: tuple[np.float32, np.float32],
    soft: tuple[np.float32, np.float32],
    plane: F32,
    seen: tuple[F32, F32, F32, F32],
    turns: tuple[F32, F32],
    fine: bool,
) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """Return which share of directions about one is blocked, and by what.

    That is told by its reciprocal distance, the mean, its softness in directions, the widest, and how much of
    the light it keeps, the mean. What is not ``fine`` looks at some
    directions only, of many.

    Along a row a run of what blocks counts from edge to edge, each as soft as the lamp's disc makes it behind
    what ends there: where one thing goes on before another nothing shines through. Where the disc does not
    reach as far from the row of the direction itself behind what a row shows, it is as in the middle.
    """
    row, column, r, wraps = here
    cast, edges, solid, spans = seen
    by_angle, by_row = turns
    wide, high = about
    rows, columns = cast.shape
    every, lines = 1 if fine else max(int(wide / np.float32(3.0)), 1), max(int(high / np.float32(3.0)), 1)
    begin, end = int(np.floor((column - wide) / every)) * every, int(np.ceil(column + wide))
    line = int(np.floor(row + _HALF))
    middle = line % rows if wraps else min(max(line, 0), rows - 1)
    widest = _SHARPEST
    whole, part, near, blocking, keeps = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
    for line in range(int(np.ceil((row - high) / lines)) * lines, int(np.floor(row + high)) + 1, lines):
        down = abs(np.float32(line) - row)
        at = line % rows if wraps else min(max(line, 0), rows - 1)
        weight = _ONE - down / high
        whole += weight
        before, width, edge, of_row = _ZERO, _ONE, -_ENDLESS, _ZERO
        aside = plane[1] * by_row[at, 0] + plane[2] * by_row[at, 1]
        for index in range(begin, end + 1, every):
            to = min(max(index, 0), columns - 1)
            first, share = cast[at, to], _ZERO
            if not _surely_before(plane, r, by_angle[to], aside, first + of[2]):
                share = _hides(_on_plane(plane, r, by_angle[to], by_row[at]) - first, spans[at, to], of)
            if share == _ZERO and before == _ZERO:
                # Nothing begins or ends here.
                edge = np.float32(index) + _HALF * np.float32(every)
                edge += edges[at, to] if every == 1 and index == to else _ZERO
                continue
            reach = max(_ONE / first - _ONE / r, _ZERO)
            across = abs(np.float32(index) - column)
            reached = down <= _SHARP + soft[1] * reach
            if share > _ZERO and not reached:
                behind = _on_plane(plane, r, by_angle[to], by_row[middle]) - cast[middle, to]
                share = _hides(behind, spans[middle, to], of)
            own = min(max(soft[0] * reach, _SHARPEST), wide)
            if share != before and edge > -_ENDLESS:
                of_row += (before - share) * _of_tent((edge - column) / (own if share > before else width))
            if share > _ZERO and reached and across <= _SHARP + soft[0] * reach:
                counted = weight * share * max(_ONE - across / wide, _ZERO)
                near += counted / first
                blocking += counted
                keeps += counted * solid[at, to]
                widest = max(widest, own)
            edge = np.float32(index) + _HALF * np.float32(every)
            edge += edges[at, to] if every == 1 and index == to else _ZERO
            before, width = share, own
        part += weight * min(max(of_row + before, _ZERO), _ONE)
    kept = keeps / blocking if blocking > _TINY else _ONE
    return part / max(whole, _TINY), near / max(blocking, _TINY), widest, kept


@compiled
def _hides(
    behind: np.float32, span: F32, of: tuple[np.float32, np.float32, np.float32, np.float32]
) -> np.float32:
    """Return how surely a point so far behind what stands before it is not of it, 0 to 1.

    ``span`` has the angles at the lens of what stands there, and ``of`` the point's own, by how much that may
    lie outside, and how far behind another thing and its own it may be by rounding.
    """
    angle, margin, tight, least = of
    if behind >= least + least:
        return _ONE
    own = span[0] - margin <= angle <= span[1] + margin
    allowed = least if own else tight
    return min(max(behind / allowed - _ONE, _ZERO), _ONE)


@compiled
def _of_tent(at: np.float32) -> np.float32:
    """Return which share of a tent from -1 to 1 lies before a place."""
    side = max(_ONE - abs(at), _ZERO)
    share = _HALF * side * side
    return share if at < _ZERO else _ONE - share


@compiled
def _spread(cast: F32, row: np.float32, column: np.float32, r: np.float32, wraps: bool) -> np.float32:
    """Return how much the surface of a point itself changes between the map's next directions."""
    rows, columns = cast.shape
    low, high = r, r
    for corner in range(4):
        line = int(np.floor(row)) + corner // 2
        at = line % rows if wraps else min(max(line, 0), rows - 1)
        there = cast[at, min(max(int(np.floor(column)) + corner % 2, 0), columns - 1)]
        if abs(there - r) <= _BESIDE * r:
            low, high = min(low, there), max(high, there)
    return high - low


@compiled
def _on_plane(plane: F32, r: np.float32, turn: F32, azimuth: F32) -> np.float32:
    """Return how far from the lamp a point's plane is in another direction; r where it has none."""
    if plane[3] == _ZERO:
        return r
    across = -plane[0] * turn[0] + turn[1] * (plane[1] * azimuth[0] + plane[2] * azimuth[1])
    there = plane[3] / across if abs(across) > _TINY else _ENDLESS
    # Beyond the plane's own horizon it is nowhere.
    if there <= _ZERO:
        return _FARTHER * r
    return min(max(there, _NEARER * r), _FARTHER * r)


@compiled
def _surely_before(plane: F32, r: np.float32, turn: F32, aside: np.float32, far: np.float32) -> bool:
    """Tell whether a point's plane is surely no farther than so far from the lamp in another direction.

    As `_on_plane` has it, without its division: most directions are told so. What lies across the lamp's axis
    is given summed.
    """
    surely = _SURELY * far
    if plane[3] == _ZERO:
        return bool(r <= surely)
    across = turn[1] * aside - plane[0] * turn[0]
    size, across = (plane[3], across) if plane[3] > _ZERO else (-plane[3], -across)
    return bool(across > _TINY and size <= surely * across and _NEARER * r <= surely)


@compiled
def _away(
    plane: F32,
    r: np.float32,
    by_angle: F32,
    by_row: F32,
    row: np.float32,
    column: np.float32,
    steps: int,
    wraps: bool,
) -> np.float32:
    """Return by how much a point's plane comes nearer or goes away over a step of the map."""
    rows, columns = len(by_row), len(by_angle)
    line = int(np.floor(row + _HALF))
    at = line % rows if wraps else min(max(line, 0), rows - 1)
    beside = (line + steps) % rows if wraps else min(at + steps, rows - 1)
    to = min(max(int(np.floor(column + _HALF)), 0), columns - 1)
    here = _on_plane(plane, r, by_angle[to], by_row[at])
    across = abs(_on_plane(plane, r, by_angle[min(to + steps, columns - 1)], by_row[at]) - here)
    return max(across, abs(_on_plane(plane, r, by_angle[to], by_row[beside]) - here))


@compiled
def rows_about(cast: F32, every: int, apart: int, wraps: bool, low: F32, high: F32) -> None:
    """Write the least and largest of a map in rows about every so many of them.

    Parameters
    ----------
    cast
        From `cast_rows`.
    every
        Rows of it to one of the results.
    apart
        From one of the rows about it to the next.
    wraps
        Whether the last row is beside the first.
    low, high
        ``(V, A)``.
    """
    rows = len(cast)
    for number in range(len(low)):
        for column in range(cast.shape[1]):
            least, most = _ENDLESS, _ZERO
            for step in range(-_ROWS_ABOUT, _ROWS_ABOUT + 1):
                line = number * every + step * apart
                at = line % rows if wraps else min(max(line, 0), rows - 1)
                least, most = min(least, cast[at, column]), max(most, cast[at, column])
            low[number, column], high[number, column] = least, most


@compiled
def fill_shares(
    seen_first: tuple[F32, F32],
    about: tuple[F32, F32],
    spacing: tuple[int, int, bool],
    rays: tuple[F32, F32, F32],
    seen: F32,
    lamp: F32,
    tables: tuple[F32, F32, F32],
    rates: F32,
    part: Ints,
    out: F32,
) -> None:
    """Write which share of a lamp's haze along view rays is left by what stands in its light.

    Parameters
    ----------
    seen_first, about, spacing
        Metres and what is kept from `cast_rows`, and from `rows_about`, with ``every``, ``apart`` and
        ``wraps`` of that.
    rays
        Angles at the lens ``(J,)``, ranges ``(T,)`` from 0 on, and for each row the component of its aside
        vector along the lamp's axis, ``(V,)``.
    seen
        What the picture shows along the rays, metres, ``(V, J)``; inf for nothing.
    lamp
        Lens to lamp, its radius, the component of its axis towards it, and steps of its beam in a unit of x,
        ``(4,)``.
    tables
        Cosine and sine of the angles of columns, ``(A, 2)``; intensity by x, see
        `halocline.physics.path.beam`; the phase function, as `lobe` takes it, ``(L, 3)``.
    rates
        k and c of the least and of the most that is lost, 1/m, ``(2, 2)``.
    part
        First row to be written, and the one after the last.
    out
        ``(V, J, T, 2)``, 0 to 1.
    """
    angles, ranges, across = rays
    rows, count = seen.shape
    dark = np.empty(seen_first[0].shape[1], np.float32)
    for row in range(part[0], part[1]):
        for ray in range(count):
            own, end = seen[row, ray], _ZERO
            for line in range(max(row - 1, 0), min(row + 2, rows)):
                for column in range(max(ray - 1, 0), min(ray + 2, count)):
                    end = max(end, seen[line, column])
            # Past what it shows a ray is followed for its neighbours, where they see farther.
            end = min(end if end > own * _OF_IT else own, ranges[len(ranges) - 1])
            out[row, ray] = _ONE
            if _find_dark(seen_first, about, spacing, row, angles[ray], lamp[0], own, end, tables[0], dark):
                place = angles[ray], across[row], own, end
                _sum_shares(place, ranges, lamp, tables, rates, dark, out[row, ray])


@compiled
def _find_dark(
    seen_first: tuple[F32, F32],
    about: tuple[F32, F32],
    spacing: tuple[int, int, bool],
    row: int,
    angle: np.float32,
    apart: np.float32,
    own: np.float32,
    end: np.float32,
    by_angle: F32,
    dark: F32,
) -> bool:
    """Write which share is dark where a ray meets each direction of the lamp; tell whether any is."""
    every, aside, wraps = spacing
    low, (cast, solid) = about[0][row], seen_first
    rows, step = len(cast), _PI / np.float32(cast.shape[1])
    sin, cos, any_dark = np.sin(angle), np.cos(angle), False
    last = np.arctan2(end * sin, apart - end * cos)
    count = min(int(last / step) + 1, dark.size)
    surface = _index_of(own, angle, apart, dark.size)
    for index in range(count):
        # By the law of sines in the triangle of lens, lamp and the place on the ray.
        between = by_angle[index, 1] * cos + by_angle[index, 0] * sin
        r = apart * sin / max(between, _TINY)
        dark[index] = _ZERO
        if r <= low[index]:
            continue
        least = _ROUNDING * r + _OF_APART * apart
        own_row = cast[row * every, index]
        total = _ZERO
        for number in range(-_ROWS_ABOUT, _ROWS_ABOUT + 1):
            line = row * every + number * aside
            at = line % rows if wraps else min(max(line, 0), rows - 1)
            first = cast[at, index]
            # Of one surface, however steep, the row's own part counts.
            if own_row < _ENDLESS and abs(first - own_row) <= _BESIDE * _TWO * own_row:
                first = own_row
            share = min(max((r - first) / least - _ONE, _ZERO), _ONE) * solid[at, index]
            total += share * np.float32(_ROWS_ABOUT + 1 - abs(number))
        dark[index] = total / np.float32((_ROWS_ABOUT + 1) * (_ROWS_ABOUT + 1))
        if index == surface:
            # What is dark here may be the surface itself.
            dark[index] = dark[index - 1] if index else _ZERO
        any_dark = any_dark or dark[index] > _ZERO
    # Directions are summed some at once: those past the end are as the last.
    for index in range(count, min(count + _AT_ONCE, dark.size)):
        dark[index] = dark[count - 1] if count else _ZERO
    return any_dark


@compiled
def _index_of(range_m: np.float32, angle: np.float32, apart: np.float32, count: int) -> int:
    """Return the lamp's direction to where a ray has come so far; one past the last if that is endless."""
    if range_m == _ENDLESS:
        return count
    at = np.arctan2(range_m * np.sin(angle), apart - range_m * np.cos(angle))
    return int(at / _PI * np.float32(count))


@compiled
def _sum_shares(
    ray: tuple[np.float32, np.float32, np.float32, np.float32],
    ranges: F32,
    lamp: F32,
    tables: tuple[F32, F32, F32],
    rates: F32,
    dark: F32,
    out: F32,
) -> None:
    """Write the lit share of the haze up to each range of one ray, ``(T, 2)``."""
    angle, across, seen, end = ray
    apart, radius, ahead, per_x = lamp
    by_angle, beam, lobes = tables
    sin, cos = np.sin(angle), np.cos(angle)
    step, last = _PI / np.float32(dark.size), np.float32(beam.size - 1)
    whole, left = np.zeros(2, np.float32), np.zeros(2, np.float32)
    begin, held, surface = _ZERO, _ZERO, _index_of(seen, angle, apart, dark.size)
    for number in range(1, len(ranges)):
        if ranges[number - 1] >= end:
            for which in range(2):
                out[number, which] = out[number - 1, which]
            continue
        t1 = ranges[number]
        finish = np.arctan2(t1 * sin, apart - t1 * cos)
        final = min(int(finish / step), dark.size - 1)
        stop = int(begin / step)
        while stop <= final:
            first, stop = stop, min(stop + _AT_ONCE, final + 1)
            if first <= surface < stop:
                stop = surface + 1
            width = min(finish, np.float32(stop) * step) - max(begin, np.float32(first) * step)
            middle = (first + stop) // 2
            at_cos, at_sin = by_angle[middle, 0], by_angle[middle, 1]
            between = max(at_sin * cos + at_cos * sin, _TINY)
            r, t = apart * sin / between, apart * at_sin / between
            if t > end:
                break
            turned = _ZERO
            for part in range(len(lobes)):
                psi = at_cos * cos - at_sin * sin
                turned += lobe(psi, lobes[part, 0], lobes[part, 1], lobes[part, 2])
            off = _ONE + at_cos * ahead - at_sin * across
            place = min(np.sqrt(max(_TWO * off, _ZERO)) * per_x, last)
            to = min(int(place), beam.size - 2)
            thrown = beam[to] + (beam[to + 1] - beam[to]) * (place - np.float32(to))
            turned *= thrown * max(width, _ZERO) * r * r / (r * r + radius * radius)
            if t <= seen or ranges[number - 1] >= seen:
                held = _ZERO
                for index in range(first, stop):
                    held += dark[index]
                held /= np.float32(stop - first)
            # Past what the ray shows nobody looks along it: what was true before goes on to the next range.
            for which in range(2):
                light = turned * exponential(-rates[which, 0] * r - rates[which, 1] * t)
                whole[which] += light
                left[which] += light * (_ONE - held)
        for which in range(2):
            out[number, which] = (
                left[which] / whole[which] if whole[which] > _ZERO else out[number - 1, which]
            )
        begin = finish


@compiled
def dim_haze(
    direction: F32,
    ends_m: F32,
    axes: F32,
    grid: F32,
    seen: F32,
    shares: F32,
    weights: F32,
    haze: F32,
) -> None:
    """Multiply a lamp's haze along rays by what shadows leave of it.

    Parameters
    ----------
    direction, ends_m
        Unit view directions ``(3, n)``, and where rays end, ``(n,)``; may be inf.
    axes
        As `light_left` takes them.
    grid
        Azimuth of the first row and rows a radian; first angle at the lens and steps a radian; 1 where the
        rows go all round; last range of the table, ``(6,)``.
    seen, shares
        As `fill_shares` takes and makes them.
    weights
        Of the second of its two rates in each band, ``(K,)``.
    haze
        ``(K, n)``, changed in place.
    """
    rows, count, steps, _ = shares.shape
    half = np.float32(HALF_SHADOW_M)
    per_step = np.float32(steps - 1) * (grid[5] + half) / grid[5]
    found = np.zeros(2, np.float32)
    for ray in range(ends_m.size):
        x, y, z = direction[0, ray], direction[1, ray], direction[2, ray]
        along = axes[0, 0] * x + axes[0, 1] * y + axes[0, 2] * z
        u = axes[1, 0] * x + axes[1, 1] * y + axes[1, 2] * z
        v = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z
        row = (np.arctan2(v, u) - grid[0]) * grid[1]
        column = (np.arctan2(np.sqrt(u * u + v * v), along) - grid[2]) * grid[3]
        # Beyond the picture nothing is known, and it is as at its edge.
        row = max(row, _ZERO) if grid[4] > _ZERO else min(max(row, _ZERO), np.float32(rows - 1))
        column = min(max(column, _ZERO), np.float32(count - 1))
        top, left = int(row), min(int(column), count - 2)
        low = (top + 1) % rows if grid[4] > _ZERO else min(top + 1, rows - 1)
        top %= rows
        by_row, by_column = row - np.floor(row), column - np.float32(left)
        found[:] = _ZERO
        for corner in range(4):
            line, to = (top, low)[corner // 2], left + corner % 2
            weight = by_row if corner // 2 else _ONE - by_row
            weight *= by_column if corner % 2 else _ONE - by_column
            t, own = ends_m[ray], seen[line, to]
            if own < t < own * _OF_IT:
                t = own
            place = per_step * (t / (t + half) if t < grid[5] else grid[5] / (grid[5] + half))
            at = min(int(place), steps - 2)
            for which in range(2):
                before, after = shares[line, to, at, which], shares[line, to, at + 1, which]
                found[which] += weight * (before + (after - before) * (place - np.float32(at)))
        for band in range(len(haze)):
            haze[band, ray] *= found[0] + (found[1] - found[0]) * weights[band]
