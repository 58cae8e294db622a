"""Drawing thousands of small soft discs, streaks and sprites into a picture, fast and to the bit.

Things are listed once a frame by cells of rows and columns, far to near. A tile of the picture goes through
the lists of its cells and lays one thing after the other over its pixels (`halocline.filters.splat_loops`). A
pixel's value depends on its own things, never on the tile.

Energy: a disc's weights add up to 1 over the pixel grid, so a thing of a given area covers the same number
of pixels' worth of picture whether it is sharp, blurred or smeared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.threads import in_parallel
from halocline.filters.globe import Globe
from halocline.filters.lens_blur import iris_apothem
from halocline.filters.splat_loops import (
    CELL_COLUMNS,
    CELL_ROWS,
    SPRITE,
    THING,
    Ints,
    Shorts,
    Table,
    count_by_cell,
    list_by_cell,
    paint,
    set_amplitudes,
)
from halocline.late_dataclass import dataclass

# Discs below this reach are normalised by the sum over their pixels; so are clipped ones and streaks with
# sides. All others are normalised by their area, which is then right to 1e-3.
_SUM_BELOW_PX = 8.0
# Things handed to a thread at once.
_THINGS_AT_ONCE = 8192
_NO_PLANE = np.zeros((0, 0), np.float32)
# What the loops know of the rows of a flat picture.
_FLAT = (np.zeros(0, np.float32), np.float32(0.0))
# Looks a sprite up once where it is sharp and still, else at so many points of its blur and streak.
_SPRITE_SAMPLES = 12
# Successive points of an even disc: turned by the golden angle.
_GOLDEN_RAD = math.pi * (3.0 - math.sqrt(5.0))


@dataclass(frozen=True)
class Discs:
    """Soft discs, each swept along a line while the shutter is open.

    Attributes
    ----------
    start_px, end_px
        ``(n, 2)`` x, y when the shutter opens and closes, picture coordinates.
    radius_px, softness_px
        ``(n,)`` middle and half width of the edge's ramp, see `halocline.filters.lens_blur.footprint`.
    covered_px
        ``(n,)`` opacity times projected area, square pixels.
    light
        ``(n, K)`` radiance at the lens, with the veil in front, of a pixel that the disc fills.
    range_m, thickness_m
        ``(n,)`` distance, and the depth over which it dips into a surface.
    squeeze_px
        ``(n, 2)`` shift of the cat's eye's second edge, see `Lens.squeeze_px`; `None` for none.
    blurred
        ``(n,)`` whether the blur makes the disc, and not the thing itself; `None` for all of them.
    blades, blade_angle_rad
        The iris; it shapes discs that the blur makes, whose softness is below half their radius, and that do
        not move by more than it.
    """

    start_px: F64
    end_px: F64
    radius_px: F64
    softness_px: F64
    covered_px: F64
    light: F64
    range_m: F64
    thickness_m: F64
    squeeze_px: F64 | None = None
    blurred: NDArray[np.bool_] | None = None
    blades: int = 0
    blade_angle_rad: float = 0.0

    def __len__(self) -> int:
        return len(self.radius_px)

    @property
    def sided(self) -> NDArray[np.bool_]:
        """Which of them are as sharp as to show the iris's sides, ``(n,)``."""
        way = self.end_px - self.start_px
        still = np.hypot(way[:, 0], way[:, 1]) < self.radius_px
        by_blur = np.ones(len(self), np.bool_) if self.blurred is None else self.blurred
        return (self.softness_px < 0.5 * self.radius_px) & still & by_blur & (self.blades > 0)

    def select(self, which: Ints | NDArray[np.bool_]) -> Discs:
        """Return the discs of an index array or mask."""
        return replace(
            self,
            start_px=self.start_px[which],
            end_px=self.end_px[which],
            radius_px=self.radius_px[which],
            softness_px=self.softness_px[which],
            covered_px=self.covered_px[which],
            light=self.light[which],
            range_m=self.range_m[which],
            thickness_m=self.thickness_m[which],
            squeeze_px=None if self.squeeze_px is None else self.squeeze_px[which],
            blurred=None if self.blurred is None else self.blurred[which],
        )

    @classmethod
    def none(cls, bands: int) -> Discs:
        """Return no discs at all, for light of so many bands."""
        pairs, numbers = np.zeros((0, 2)), np.zeros(0)
        return cls(pairs, pairs, numbers, numbers, numbers, np.zeros((0, bands)), numbers, numbers)

    @classmethod
    def joined(cls, parts: Sequence[Discs]) -> Discs:
        """Return discs of one lens, one list after the other; at least one list."""

        def together(name: str) -> F64:
            return np.concatenate([getattr(part, name) for part in parts])

        first = parts[0]
        return replace(
            first,
            start_px=together("start_px"),
            end_px=together("end_px"),
            radius_px=together("radius_px"),
            softness_px=together("softness_px"),
            covered_px=together("covered_px"),
            light=together("light"),
            range_m=together("range_m"),
            thickness_m=together("thickness_m"),
            squeeze_px=None if first.squeeze_px is None else together("squeeze_px"),
            blurred=None if first.blurred is None else np.concatenate([part.blurred for part in parts]),
        )


@dataclass(frozen=True)
class Sprites:
    """Pictures of things, placed, turned and scaled.

    Attributes
    ----------
    start_px, end_px
        ``(n, 2)`` centres as the shutter opens and closes.
    axes_px
        ``(n, 2, 2)``: columns are the vectors from the centre to the middle of the right and of the lower
        edge of the texture, pixels.
    blur_px
        ``(n,)`` radius of the blur, pixels.
    texture
        ``(n,)`` index into the textures.
    opacity, light
        ``(n,)`` and ``(n, K)``: multiply the texture's alpha and its light.
    added
        ``(n, K)`` light added to every covered part: the veil in front.
    range_m, thickness_m
        As of `Discs`.
    textures
        See `Textures`.
    bend_px
        ``(n, 2)`` how far off its straight way each is half way; `None` for none.
    """

    start_px: F64
    end_px: F64
    axes_px: F64
    blur_px: F64
    texture: Ints
    opacity: F64
    light: F64
    added: F64
    range_m: F64
    thickness_m: F64
    textures: Textures
    bend_px: F64 | None = None

    def __len__(self) -> int:
        return len(self.texture)

    @classmethod
    def joined(cls, parts: Sequence[Sprites]) -> Sprites:
        """Return sprites in one list; their textures are joined too."""
        # Parts may share theirs.
        own = list({id(part.textures): part.textures for part in parts}.values())
        begins = np.cumsum([0, *(textures.count for textures in own)])[:-1]
        begin_of = {id(textures): begin for textures, begin in zip(own, begins, strict=True)}

        def together(name: str) -> F64:
            return np.concatenate([getattr(part, name) for part in parts])

        return cls(
            together("start_px"),
            together("end_px"),
            together("axes_px"),
            together("blur_px"),
            np.concatenate([part.texture + begin_of[id(part.textures)] for part in parts]),
            together("opacity"),
            together("light"),
            together("added"),
            together("range_m"),
            together("thickness_m"),
            Textures.joined(own),
            np.concatenate([part.bends() for part in parts]),
        )

    def bends(self) -> F64:
        """Return how far off their straight ways they are half way, ``(n, 2)``."""
        return np.zeros((len(self), 2)) if self.bend_px is None else self.bend_px


def covered_px(axes_px: F64) -> F64:
    """Return a quarter of what pictures cover.

    Parameters
    ----------
    axes_px
        Their half axes, ``(n, 2, 2)``, see `Sprites`.

    Returns
    -------
    F64
        Square pixels, ``(n,)``.
    """
    (right_x, down_x), (right_y, down_y) = axes_px.transpose(1, 2, 0)
    return np.asarray(np.abs(right_x * down_y - down_x * right_y))


@dataclass(frozen=True)
class Textures:
    """Square premultiplied textures with all their halved sizes.

    Attributes
    ----------
    stacks
        Textures of one size each, one stack after the other: whole size first, then halved down to one texel,
        ``(count, size, size, K + 1)`` each; the last channel is alpha.
    """

    stacks: tuple[tuple[F32, ...], ...]

    @property
    def count(self) -> int:
        """Number of textures."""
        return sum(len(levels[0]) for levels in self.stacks)

    @property
    def means(self) -> F64:
        """Means of the textures ``(count, K + 1)``: their cover last, and their light times that."""
        return np.concatenate([levels[-1][:, 0, 0] for levels in self.stacks]).astype(np.float64)

    @classmethod
    def of(cls, base: F32) -> Textures:
        """Build the halved sizes of textures ``(count, size, size, K + 1)``; the size is a power of 2."""
        levels = [np.ascontiguousarray(base, np.float32)]
        while levels[-1].shape[1] > 1:
            fine = levels[-1]
            levels.append(
                0.25 * (fine[:, ::2, ::2] + fine[:, 1::2, ::2] + fine[:, ::2, 1::2] + fine[:, 1::2, 1::2])
            )
        return cls((tuple(levels),))

    @classmethod
    def joined(cls, parts: Sequence[Textures]) -> Textures:
        """Return textures in one list, each of its own size."""
        return cls(tuple(levels for part in parts for levels in part.stacks))

    @cached_property
    def atlas(self) -> tuple[F32, Ints, Ints]:
        """All texels in one list, ``(n, K + 1)``; each texture's size, and where each of its levels begins.

        These are ``(count, levels)``; after the last level that a texture has, this goes on. Each lies in a
        border of zeros, one texel wide: what is between its outermost texels and nothing is looked up as all
        else. Where all are grey, texels are ``(n, 2)``: what is the same in all channels, and alpha.
        """
        sizes, starts, begin = [], [], 0
        most = max(len(levels) for levels in self.stacks)
        for levels in self.stacks:
            index, first = np.arange(len(levels[0])), np.zeros((len(levels[0]), most), np.int64)
            for level in range(most):
                if level < len(levels):
                    bordered = levels[level].shape[1] + 2
                    first[:, level] = begin + index * bordered**2
                    begin += len(index) * bordered**2
                else:
                    first[:, level] = first[:, level - 1]
            sizes.append(np.full(len(index), levels[0].shape[1]))
            starts.append(first)
        # Halved sizes of what is grey are grey.
        grey = all(bool((levels[0][..., :-1] == levels[0][..., :1]).all()) for levels in self.stacks)
        which = [0, -1] if grey else slice(None)
        border = ((0, 0), (1, 1), (1, 1), (0, 0))
        planes = [np.pad(level[..., which], border) for levels in self.stacks for level in levels]
        texels = [level.reshape(-1, level.shape[3]) for level in planes]
        return np.concatenate(texels), np.concatenate(sizes), np.concatenate(starts)


@dataclass(frozen=True)
class Area:
    """A rectangle of pixels: rows and columns from and to (not included), picture coordinates.

    Attributes
    ----------
    row, row_end
        First row, and the one after the last.
    column, column_end
        First column, and the one after the last.
    """

    row: int
    row_end: int
    column: int
    column_end: int

    @property
    def columns(self) -> int:
        """Number of columns."""
        return self.column_end - self.column


@dataclass(frozen=True)
class Surface:
    """What things may be hidden behind, over an area, ``(rows, columns)`` each.

    Attributes
    ----------
    range_m
        To the nearest surface; infinite where there is none.
    coverage
        Share of the pixel that the surface covers; `None` where it is always whole.
    far_range_m, far_share
        The farther surface and its share of the covered part, where a pixel mixes two.
    """

    range_m: F32
    coverage: F32 | None = None
    far_range_m: F32 | None = None
    far_share: F32 | None = None

    def rows(self, first: int, last: int) -> Surface:
        """Return the part between two rows of the area."""
        parts = {name: None if plane is None else plane[first:last] for name, plane in vars(self).items()}
        return Surface(**parts)  # type: ignore[arg-type]

    def planes(self) -> tuple[F32, F32, F32, F32]:
        """Return all planes, empty ones for those that are not there."""
        two = self.far_range_m is not None and self.far_share is not None and bool(self.far_share.any())
        return (
            np.ascontiguousarray(self.range_m),
            _NO_PLANE if self.coverage is None else np.ascontiguousarray(self.coverage),
            np.ascontiguousarray(self.far_range_m) if two else _NO_PLANE,
            np.ascontiguousarray(self.far_share) if two else _NO_PLANE,
        )


@dataclass(frozen=True)
class DrawnRows:
    """Things by themselves, premultiplied, over some rows.

    Attributes
    ----------
    light
        ``(K, rows, columns)``.
    alpha
        ``(rows, columns)``.
    range_m
        Of what is there, times alpha.
    """

    light: F32
    alpha: F32
    range_m: F32


class Drawing:
    """Things ready to be drawn into any part of one picture.

    Parameters
    ----------
    area
        The whole picture.
    discs, sprites
        What to draw; either may be empty or left out.
    globe
        Of a picture of all directions: things are as wide there as their latitudes make them, and go on
        beyond the seam. Sizes are those at the equator.

    Attributes
    ----------
    things
        All of it in the given order, see `halocline.filters.splat_loops.THING`.
    """

    def __init__(
        self,
        area: Area,
        discs: Discs | None = None,
        sprites: Sprites | None = None,
        globe: Globe | None = None,
    ) -> None:
        self.area = area
        self._rows = _FLAT if globe is None else _round_rows(globe, area)
        parts = [part for part in (discs, sprites) if part is not None]
        bands = parts[0].light.shape[1] if parts else 1
        sizes = (area.row, *self._rows)
        tables = [
            _normalised(part, globe, sizes) if isinstance(part, Discs) else _cards(part, globe)
            for part in parts
        ]
        self.things = np.concatenate([np.zeros(0, THING), *tables])
        self._lights = np.concatenate([np.zeros((0, bands + 2), np.float32), *map(_lights, parts)])
        if globe is not None:
            self.things, which = _all_around(self.things, globe, area)
            self._lights = self._lights[which]
        self._sprites, self._added, self._texels = _placed(sprites, bands, globe)
        # In a picture of all directions things may reach far aside.
        self._columns = CELL_COLUMNS if globe is None else max(1, area.columns)
        self._listed, self._starts = self._by_cell()

    def __len__(self) -> int:
        return len(self.things)

    def _by_cell(self) -> tuple[Shorts, Ints]:
        """Return the things of each cell in paint order, and where each cell's begin."""
        area = (self.area.row, self.area.row_end, self.area.column, self.area.column_end)
        down = -(-(self.area.row_end - self.area.row) // CELL_ROWS)
        counts = np.zeros((down, -(-self.area.columns // self._columns)), np.int64)
        count_by_cell(self.things, area, self._columns, counts)
        starts = np.concatenate([[0], np.cumsum(counts)])
        listed = np.empty(starts[-1], np.int32)
        # Far to near; equal ranges keep the order in which they were given.
        order = _far_to_near(np.ascontiguousarray(self.things["range_m"]))
        list_by_cell(
            self.things, order, area, self._columns, starts[:-1].reshape(counts.shape).copy(), listed
        )
        return listed, starts

    def lay_over(self, first_row: int, surface: Surface, picture: F32) -> None:
        """Lay things over some rows of the picture, in place.

        Parameters
        ----------
        first_row
            The first of them, picture coordinates.
        surface
            What may hide things, over these rows.
        picture
            ``(K + 1, rows, columns)`` light and alpha, whole rows. Pixels without things are left alone.
        """
        self._paint(first_row, surface, picture)

    def draw(self, rows: tuple[int, int], surface: Surface) -> DrawnRows:
        """Return the things by themselves on the rows from and to (not included), picture coordinates."""
        first, last = rows
        out = np.zeros((self._lights.shape[1], last - first, self.area.columns), np.float32)
        self._paint(first, surface, out)
        return DrawnRows(out[:-2], out[-2], out[-1])

    def _paint(self, first_row: int, surface: Surface, picture: F32) -> None:
        paint(
            self.things,
            self._listed,
            self._starts,
            (self.area.row, self.area.column, self.area.column_end),
            self._columns,
            self._rows,
            first_row,
            surface.planes(),
            self._lights,
            self._sprites,
            self._added,
            self._texels,
            _BLUR_POINTS,
            picture,
        )


def _far_to_near(range_m: F32) -> Ints:
    """Return the order of ranges, 0 or more, from the greatest to the least; equal ones stay as they are.

    Their bits are in the order of the numbers, and numpy sorts halves of these in two passes each.
    """
    bits = ~range_m.view(np.uint32)
    order = np.argsort(bits.astype(np.uint16), kind="stable")
    return order[np.argsort((bits >> np.uint32(16)).astype(np.uint16)[order], kind="stable")]


def _round_rows(globe: Globe, area: Area) -> tuple[F32, np.float32]:
    """Return what the loops know of a picture of all directions: see `halocline.filters.splat_loops`."""
    return globe.narrowing(area.row, area.row_end), np.float32(0.5 / globe.across_px)


def _all_around(things: Table, globe: Globe, area: Area) -> tuple[Table, Ints]:
    """Return things with those again, a turn aside, that reach over the seam; and which each is."""
    reach = things["reach"] + np.abs(things["along_x"]) + np.abs(things["along_y"])
    rows = things["y"][:, None] + reach[:, None] * np.array([-1.0, 0.0, 1.0])
    chord = reach / np.sqrt(np.maximum(globe.cosines(rows), 1e-12)).min(axis=1) / things["narrow"]
    # A chord of two radii reaches half way round.
    wide = 2.0 * globe.across_px * np.arcsin(np.minimum(0.5 * chord / globe.across_px, 1.0)) + 1.0
    parts, which = [], []
    for turn in (-1.0, 0.0, 1.0):
        x = things["x"] + turn * globe.around_px
        reaching = np.flatnonzero((x + wide > area.column) & (x - wide < area.column_end))
        part = things[reaching]
        part["x"] = x[reaching]
        parts.append(part)
        which.append(reaching)
    return np.concatenate(parts), np.concatenate(which)


def _normalised(discs: Discs, globe: Globe | None, rows: tuple[int, F32, np.float32]) -> Table:
    """Return discs as the loops take them, in their own order."""
    things = _things(discs, globe)
    radius, softness, sided = discs.radius_px, discs.softness_px, discs.sided
    reach = radius + softness
    if discs.blades:
        # Of a shape with sides, radius is the distance of a side; the corners reach farther.
        reach = np.where(sided, reach / math.cos(math.pi / discs.blades), reach)
        radius = np.where(sided, radius * iris_apothem(discs.blades), radius)
    things["reach"] = reach
    things["per_ramp"] = 0.5 / softness
    things["ramp_end"] = 0.5 * (radius + softness) / softness
    things["sprite"] = -1
    things["edges"] = 1
    if discs.squeeze_px is not None:
        things["edges"] = 1 + (discs.squeeze_px != 0.0).any(axis=1)
        things["shift_x"], things["shift_y"] = discs.squeeze_px.T
    length = np.sqrt(things["along_x"] ** 2 + things["along_y"] ** 2)
    swept = _smooth(0.5 * length / softness)
    things["swept"] = np.where(sided, 0.0, swept)
    area = _areas(radius, softness, (1.0 - swept) * length)
    if discs.blades:
        turn = 2.0 * math.pi / discs.blades
        things["sides"] = np.where(sided, discs.blades, 0)
        things["normal_x"], things["normal_y"] = (
            math.cos(discs.blade_angle_rad),
            math.sin(discs.blade_angle_rad),
        )
        things["turn_cosine"], things["turn_sine"] = math.cos(turn), math.sin(turn)
        flat = discs.blades * math.tan(0.5 * turn) / math.pi
        area = np.where(sided, flat * _areas(radius, softness, np.zeros_like(length)), area)
    summed = (reach < _SUM_BELOW_PX) | (sided & (length > 0.0)) | (things["edges"] > 1)

    def some(first: int) -> None:
        part = slice(first, first + _THINGS_AT_ONCE)
        set_amplitudes(things[part], discs.covered_px[part], area[part], summed[part], rows)

    in_parallel(some, range(0, len(things), _THINGS_AT_ONCE))
    return things


def _smooth(t: F64) -> F64:
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def _areas(radius: F64, softness: F64, length: F64) -> F64:
    """Return the integral of each round disc's profile over the plane, square pixels; of a capsule's too.

    The ramp 3 t^2 - 2 t^3 over a width 2 h spreads the edge with variance (2 h)^2 / 20 = h^2 / 5.
    """
    return np.asarray(math.pi * (radius**2 + softness**2 / 5.0) + 2.0 * radius * length)


def _cards(sprites: Sprites, globe: Globe | None) -> Table:
    """Return sprites as the loops take them, in their own order."""
    things = _things(sprites, globe)
    half_diagonals = np.sqrt((sprites.axes_px**2).sum(axis=(1, 2)))
    things["reach"] = half_diagonals + sprites.blur_px + np.hypot(*sprites.bends().T) + 1.0
    things["sprite"] = np.arange(len(sprites))
    return things


def _things(part: Discs | Sprites, globe: Globe | None) -> Table:
    """Return what discs and sprites have in common."""
    things = np.zeros(len(part), THING)
    things["x"], things["y"] = part.start_px.T
    along = (part.end_px - part.start_px).astype(np.float32)
    things["narrow"] = 1.0
    if globe is not None:
        cosine = _shortened(globe, part)
        things["narrow"] = np.sqrt(cosine)
        along[:, 0] *= cosine
    length_squared = along[:, 0] ** 2 + along[:, 1] ** 2
    # A streak shorter than a twentieth of a pixel is none.
    moving = length_squared >= np.float32(0.0025)
    things["along_x"], things["along_y"] = np.where(moving[:, None], along, np.float32(0.0)).T
    things["per_length_squared"] = np.where(moving, 1.0 / np.where(moving, length_squared, 1.0), 0.0)
    things["range_m"] = part.range_m
    things["per_thickness"] = 1.0 / np.maximum(part.thickness_m, 1e-6)
    return things


def _shortened(globe: Globe, part: Discs | Sprites) -> F64:
    """Return the cosines of things' latitudes; not 0 at the poles, where no direction is across."""
    return np.maximum(globe.cosines(part.start_px[:, 1]), 1e-6)


def _lights(part: Discs | Sprites) -> F32:
    """Return light, 1 and range: what each thing lays on a pixel that it fills, ``(n, K + 2)``."""
    lights = np.ones((len(part), part.light.shape[1] + 2), np.float32)
    lights[:, :-2] = part.light
    lights[:, -1] = part.range_m
    return lights


def _placed(sprites: Sprites | None, bands: int, globe: Globe | None) -> tuple[Table, F32, F32]:
    """Return the sprites as the loops take them, the light added to them, and all their texels."""
    if sprites is None:
        return (
            np.zeros(0, SPRITE),
            np.zeros((0, bands), np.float32),
            np.zeros((0, bands + 1), np.float32),
        )
    table = np.zeros(len(sprites), SPRITE)
    inverse = np.linalg.inv(sprites.axes_px)
    table["u_x"], table["u_y"] = inverse[:, 0].T
    table["v_x"], table["v_y"] = inverse[:, 1].T
    way, bend = sprites.end_px - sprites.start_px, sprites.bends().copy()
    if globe is not None:
        for across in (way, bend):
            across[:, 0] *= _shortened(globe, sprites)
    streak = np.hypot(way[:, 0], way[:, 1])
    smeared = (sprites.blur_px > 0.4) | (streak > 0.5)
    # A texel is a pixel, or as wide as the points lie apart: they must not show as ribs.
    size_px = 2.0 * np.sqrt(covered_px(sprites.axes_px))
    texels, sizes, starts = sprites.textures.atlas
    finest = sizes[sprites.texture]
    apart = np.maximum(streak / _SPRITE_SAMPLES, 1.8 * sprites.blur_px / math.sqrt(_SPRITE_SAMPLES))
    level = np.log2(np.maximum(finest * np.maximum(apart, 1.0) / size_px, 1.0))
    # What is averaged over many points anyway needs no mixing of levels.
    level = np.minimum(np.where(smeared, np.rint(level), level), np.log2(finest))
    finer = level.astype(np.int64)
    coarser = np.minimum(finer + 1, starts.shape[1] - 1)
    table["size"] = finest >> finer
    table["first"] = starts[sprites.texture, finer]
    table["next"] = starts[sprites.texture, coarser]
    table["coarser"], table["smeared"] = level - finer, smeared
    table["bend_x"], table["bend_y"] = bend.T
    table["blur"], table["opacity"] = sprites.blur_px, sprites.opacity
    return table, np.ascontiguousarray(sprites.added, np.float32), texels


def _blur_points() -> F32:
    """Return the points of a blur and a streak ``(n, 3)``: share of the way, and place on an even disc."""
    index = np.arange(_SPRITE_SAMPLES)
    share = (index + 0.5) / _SPRITE_SAMPLES
    # Which point of the disc goes with which moment is shuffled, or blur and streak would be one spiral.
    turn = _GOLDEN_RAD * (index * 5 % _SPRITE_SAMPLES)
    spread = np.sqrt(share)
    return np.stack([share, spread * np.cos(turn), spread * np.sin(turn)], axis=1).astype(np.float32)


_BLUR_POINTS = _blur_points()
