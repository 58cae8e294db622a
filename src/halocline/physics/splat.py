"""Drawing thousands of small soft discs, streaks and sprites into a picture, fast and to the bit.

Things are sorted once a frame, far to near, and cut into spans: for each row of pixels a thing touches, the
columns from and to. Spans are kept in order of rows, so a tile of the picture finds its own in one slice.
Within a tile each span is spread into fragments (one thing on one pixel), fragments are brought together by
pixel with a counting sort that keeps their order, and each pixel lays its own over one another. Its value
therefore depends on its own fragments alone, never on the tile.

Energy: a disc's weights add up to 1 over the pixel grid, so a thing of a given area covers the same number
of pixels' worth of picture whether it is sharp, blurred or smeared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from halocline._typing import F32, F64
from halocline.physics.lens_blur import iris_apothem, iris_normals

Ints = NDArray[np.int64]
# Discs below this reach are normalised by the sum over their pixels; so are clipped ones and streaks with
# sides. All others are normalised by their area, which is then right to 1e-3.
_SUM_BELOW_PX = 8.0
# Things laid out at once.
_THINGS_AT_ONCE = 8192
# Fragments handled at once: some 100 bytes each.
_MOST_FRAGMENTS = 400_000
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
        ``(n,)`` middle and half width of the edge's ramp, see `halocline.physics.lens_blur.footprint`.
    covered_px
        ``(n,)`` opacity times projected area, square pixels.
    light
        ``(n, K)`` radiance at the lens, with the veil in front, of a pixel that the disc fills.
    range_m, thickness_m
        ``(n,)`` distance, and the depth over which it dips into a surface.
    squeeze_px
        ``(n, 2)`` shift of the cat's eye's second edge, see `Lens.squeeze_px`; `None` for none.
    blades, blade_angle_rad
        The iris; it shapes discs whose softness is below half their radius.
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
    blades: int = 0
    blade_angle_rad: float = 0.0

    def __len__(self) -> int:
        return len(self.radius_px)

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

    def __len__(self) -> int:
        return len(self.texture)

    @classmethod
    def joined(cls, parts: Sequence[Sprites]) -> Sprites:
        """Return sprites in one list; their textures, which must be of one size, are joined too."""
        first = np.cumsum([0, *(len(part.textures.levels[0]) for part in parts)])[:-1]

        def together(name: str) -> F64:
            return np.concatenate([getattr(part, name) for part in parts])

        return cls(
            together("start_px"),
            together("end_px"),
            together("axes_px"),
            together("blur_px"),
            np.concatenate([part.texture + begin for part, begin in zip(parts, first, strict=True)]),
            together("opacity"),
            together("light"),
            together("added"),
            together("range_m"),
            together("thickness_m"),
            Textures(
                tuple(
                    np.concatenate(levels)
                    for levels in zip(*(part.textures.levels for part in parts), strict=True)
                )
            ),
        )


@dataclass(frozen=True)
class Textures:
    """Square premultiplied textures with all their halved sizes.

    ``levels[i]`` is ``(count, size, size, K + 1)``; the last channel is alpha.
    """

    levels: tuple[F32, ...]

    @property
    def count(self) -> int:
        """Number of textures."""
        return len(self.levels[0])

    @classmethod
    def of(cls, base: F32) -> Textures:
        """Build the halved sizes of textures ``(count, size, size, K + 1)``; the size is a power of 2."""
        levels = [np.ascontiguousarray(base, np.float32)]
        while levels[-1].shape[1] > 1:
            fine = levels[-1]
            levels.append(
                0.25 * (fine[:, ::2, ::2] + fine[:, 1::2, ::2] + fine[:, ::2, 1::2] + fine[:, 1::2, 1::2])
            )
        return cls(tuple(levels))

    def sample(self, texture: Ints, level: F32, u: F32, v: F32) -> F32:
        """Return texels ``(n, K + 1)`` at u, v (-1 to 1 across); nothing outside.

        Between two levels both are mixed; a whole level is looked up alone.
        """
        level = np.clip(level, 0.0, len(self.levels) - 1.0)
        lower = np.floor(level).astype(np.int64)
        share = (level - lower).astype(np.float32)
        out = np.zeros((len(u), self.levels[0].shape[3]), np.float32)
        for index, table in enumerate(self.levels):
            for at, weight in ((lower, np.float32(1.0) - share), (lower + 1, share)):
                chosen = np.flatnonzero((at == index) & (weight > 0.0))
                if len(chosen):
                    texels = _bilinear(table, texture[chosen], u[chosen], v[chosen])
                    out[chosen] += texels * weight[chosen, None]
        return out


@dataclass(frozen=True)
class Area:
    """A rectangle of pixels: rows and columns from and to (not included), picture coordinates."""

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


@dataclass(frozen=True)
class Layer:
    """What was drawn: only the pixels that were touched.

    Attributes
    ----------
    pixels
        ``(m,)`` flat indices into the area, rising.
    light
        ``(K, m)`` premultiplied.
    alpha
        ``(m,)``.
    range_m
        ``(m,)`` premultiplied: divide by alpha for the mean range.
    """

    pixels: Ints
    light: F32
    alpha: F32
    range_m: F32

    def over(self, picture: F32) -> F32:
        """Return the picture ``(K, rows, columns)`` with the layer over it; untouched pixels are equal."""
        out = picture.copy()
        if not len(self.pixels):
            return out
        flat = out.reshape(len(out), -1)
        behind = np.float32(1.0) - self.alpha
        for plane, light in zip(flat, self.light, strict=True):
            plane[self.pixels] = plane[self.pixels] * behind + light
        return out

    def plane(self, values: F32, rows: int, columns: int) -> F32:
        """Return values ``(m,)`` or ``(K, m)`` as whole planes, 0 where nothing was drawn."""
        out = np.zeros((*values.shape[:-1], rows * columns), np.float32)
        out[..., self.pixels] = values
        return out.reshape(*values.shape[:-1], rows, columns)


@dataclass(frozen=True)
class _Spans:
    """Runs of pixels in rows, ordered by row, then by paint order of their owner."""

    row: Ints
    owner: Ints
    first: Ints
    count: Ints

    def __len__(self) -> int:
        return len(self.row)

    @classmethod
    def joined(cls, parts: Sequence[_Spans]) -> _Spans:
        names = ("row", "owner", "first", "count")
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def part(self, chosen: slice | Ints | NDArray[np.bool_]) -> _Spans:
        return _Spans(self.row[chosen], self.owner[chosen], self.first[chosen], self.count[chosen])


@dataclass(frozen=True)
class _Fragments:
    """One thing on one pixel each: flat pixel, owner, opacity, and the light of textured ones."""

    pixel: Ints
    owner: NDArray[np.int32]
    opacity: F32
    textured: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    texels: F32 | None = None


class Drawing:
    """Things ready to be drawn into any part of one picture.

    Parameters
    ----------
    area
        The whole picture.
    discs, sprites
        What to draw; either may be empty or left out.
    """

    def __init__(self, area: Area, discs: Discs | None = None, sprites: Sprites | None = None) -> None:
        self.area = area
        self.things = _Things.of(discs, sprites)
        self.spans = _by_row(self._laid_out())
        self._row_starts = np.searchsorted(self.spans.row, np.arange(area.row, area.row_end + 1))
        fragments = np.concatenate([[0], np.cumsum(self.spans.count)])
        self._fragments_before = fragments[self._row_starts]

    def _laid_out(self) -> _Spans:
        """Return the spans on the picture, and set the amplitudes, some things at a time."""

        def some(first: int) -> _Spans:
            # A thing's spans and sums depend on nothing but itself.
            last = min(first + _THINGS_AT_ONCE, len(self))
            every = _spans(self.things, first, last)
            self.things.amplitude[first:last] = _amplitudes(self.things, first, last, every)
            return _clip(every, self.area)

        with ThreadPoolExecutor(2) as pool:
            return _Spans.joined(list(pool.map(some, range(0, max(len(self), 1), _THINGS_AT_ONCE))))

    def __len__(self) -> int:
        return len(self.things.x)

    @property
    def fragment_count(self) -> int:
        """Number of fragments in the whole picture: what drawing it costs."""
        return int(self._fragments_before[-1])

    def draw(self, rows: tuple[int, int], surface: Surface) -> Layer:
        """Draw the rows from and to (not included), picture coordinates.

        Parameters
        ----------
        rows
            Part of the picture's rows, whole rows.
        surface
            What may hide things, over these rows.
        """
        first, last = rows
        layers = []
        for begin, end in self._blocks(first, last):
            layer = self._draw_block(begin, end, surface.rows(begin - first, end - first))
            layers.append(replace(layer, pixels=layer.pixels + (begin - first) * self.area.columns))
        return Layer(
            np.concatenate([layer.pixels for layer in layers]),
            np.concatenate([layer.light for layer in layers], axis=1),
            np.concatenate([layer.alpha for layer in layers]),
            np.concatenate([layer.range_m for layer in layers]),
        )

    def _blocks(self, first: int, last: int) -> list[tuple[int, int]]:
        """Cut rows so that no block has very many fragments: memory stays bounded."""
        blocks, begin = [], first
        before = self._fragments_before - self._fragments_before[first - self.area.row]
        for row in range(first + 1, last + 1):
            load = before[row - self.area.row] - before[begin - self.area.row]
            if row == last or load + self._row_load(row) > _MOST_FRAGMENTS:
                blocks.append((begin, row))
                begin = row
        return blocks

    def _row_load(self, row: int) -> int:
        at = row - self.area.row
        return int(self._fragments_before[at + 1] - self._fragments_before[at])

    def _draw_block(self, first: int, last: int, surface: Surface) -> Layer:
        at = slice(self._row_starts[first - self.area.row], self._row_starts[last - self.area.row])
        spans = self.spans.part(at)
        if not len(spans):
            return _empty_layer(self.things.light.shape[1])
        origin = Area(first, last, self.area.column, self.area.column_end)
        fragments = _fragments(self.things, spans, origin)
        return _laid_over(self.things, fragments, _visible(self.things, fragments, surface), origin)


@dataclass(frozen=True)
class _Things:
    """Discs and sprites in one list, in paint order (far to near), float32 where pixels need it."""

    x: F64
    y: F64
    along: F32
    length_squared: F32
    reach: F64
    radius: F32
    softness: F32
    amplitude: F32
    light: F32
    range_m: F32
    per_thickness: F32
    squeeze: F32
    sided: NDArray[np.bool_]
    blades: int
    blade_angle_rad: float
    sprite: Ints
    sprites: Sprites | None
    covered: F64

    @classmethod
    def of(cls, discs: Discs | None, sprites: Sprites | None) -> _Things:
        bands = next((part.light.shape[1] for part in (discs, sprites) if part is not None), 1)
        discs = discs if discs is not None else Discs.none(bands)
        parts = [part for part in (discs, sprites) if part is not None and len(part)]
        order = _paint_order(parts)

        def joined(name: str, *shape: int) -> F64:
            return np.concatenate([np.zeros((0, *shape)), *(getattr(part, name) for part in parts)])[order]

        def of_discs(values: F64 | None, otherwise: float, *shape: int) -> F64:
            padded = np.full((len(order), *shape), otherwise)
            if values is not None:
                padded[: len(discs)] = values
            return padded[order]

        drawn = len(discs)
        sprite = np.concatenate([np.full(drawn, -1), np.arange(len(order) - drawn)])[order]
        start = joined("start_px", 2)
        along, length_squared = _streaks(start, joined("end_px", 2))
        radius = of_discs(discs.radius_px, 1.0)
        softness = of_discs(discs.softness_px, 1.0)
        blades = discs.blades
        sided = (softness < 0.5 * radius) & (sprite < 0) if blades else np.zeros(len(order), bool)
        reach = radius + softness
        if blades:
            # Of a shape with sides, radius is the distance of a side; the corners reach farther.
            radius = np.where(sided, radius * iris_apothem(blades), radius)
            reach = np.where(sided, (radius + softness) / math.cos(math.pi / blades), reach)
        if sprites is not None and len(sprites):
            half_diagonals = np.sqrt((sprites.axes_px**2).sum(axis=(1, 2)))
            reach[sprite >= 0] = (half_diagonals + sprites.blur_px)[sprite[sprite >= 0]] + 1.0
        return cls(
            x=start[:, 0],
            y=start[:, 1],
            along=along,
            length_squared=length_squared,
            reach=reach,
            radius=radius.astype(np.float32),
            softness=softness.astype(np.float32),
            amplitude=np.zeros(len(order), np.float32),
            light=joined("light", bands).astype(np.float32),
            range_m=joined("range_m").astype(np.float32),
            per_thickness=(1.0 / np.maximum(joined("thickness_m"), 1e-6)).astype(np.float32),
            squeeze=of_discs(discs.squeeze_px, 0.0, 2).astype(np.float32),
            sided=sided,
            blades=blades,
            blade_angle_rad=discs.blade_angle_rad,
            sprite=sprite,
            sprites=sprites,
            covered=of_discs(discs.covered_px, 0.0),
        )

    @cached_property
    def squeezed(self) -> bool:
        return bool(self.squeeze.any())

    @cached_property
    def any_moving(self) -> bool:
        return bool(self.length_squared.any())

    @cached_property
    def along_x(self) -> F32:
        return np.ascontiguousarray(self.along[:, 0])

    @cached_property
    def along_y(self) -> F32:
        return np.ascontiguousarray(self.along[:, 1])

    @cached_property
    def per_length_squared(self) -> F32:
        """1 / length^2, and 0 for what stands still: its nearest point is its start."""
        moving = self.length_squared > 0.0
        return np.where(moving, 1.0 / np.where(moving, self.length_squared, 1.0), 0.0).astype(np.float32)

    @cached_property
    def per_ramp(self) -> F32:
        """1 / (2 softness)."""
        return np.asarray(np.reciprocal(np.float32(2.0) * self.softness))

    @cached_property
    def ramp_end(self) -> F32:
        """Where the ramp ends, (radius + softness) / (2 softness)."""
        end: F32 = (self.radius + self.softness) * self.per_ramp
        return end

    @cached_property
    def laid(self) -> F32:
        """Light, 1 and range in one row a thing: what a fragment lays on its pixel, ``(n, K + 2)``."""
        ones = np.ones((len(self.range_m), 1), np.float32)
        return np.concatenate([self.light, ones, self.range_m[:, None]], axis=1)


def _paint_order(parts: Sequence[Discs | Sprites]) -> Ints:
    ranges = np.concatenate([np.zeros(0), *(part.range_m for part in parts)])
    # Far to near; equal ranges keep the order in which they were given.
    return np.argsort(-ranges, kind="stable")


def _streaks(start: F64, end: F64) -> tuple[F32, F32]:
    along = (end - start).astype(np.float32)
    length_squared = along[:, 0] ** 2 + along[:, 1] ** 2
    # A streak shorter than a twentieth of a pixel is none.
    still = length_squared < np.float32(0.0025)
    along[still] = 0.0
    length_squared[still] = 0.0
    return along, length_squared


def _spans(things: _Things, begin: int, end: int) -> _Spans:
    """Return the spans of some things, unclipped, in the order of things, then rows."""
    y, along, reach = things.y[begin:end], things.along[begin:end, 1], things.reach[begin:end]
    low, high = np.minimum(y, y + along) - reach, np.maximum(y, y + along) + reach
    first_row = np.ceil(low - 0.5).astype(np.int64)
    rows = np.maximum(np.floor(high - 0.5).astype(np.int64) - first_row + 1, 0)
    owner = np.repeat(np.arange(begin, end), rows)
    row = np.repeat(first_row, rows) + _counting(rows)
    left, right = _chord(things, owner, np.asarray(row + 0.5, np.float64))
    first = np.ceil(left - 0.5).astype(np.int64)
    count = np.maximum(np.floor(right - 0.5).astype(np.int64) - first + 1, 0)
    some = count > 0
    return _Spans(row[some], owner[some], first[some], count[some])


def _chord(things: _Things, owner: Ints, y: F64) -> tuple[F64, F64]:
    """Return where a row enters and leaves a capsule: its two end discs and the sides that join them."""
    reach = things.reach[owner]
    x0, y0 = things.x[owner], y - things.y[owner]
    half = np.sqrt(np.maximum(reach * reach - y0 * y0, 0.0))
    met = np.abs(y0) <= reach
    left, right = np.where(met, x0 - half, np.inf), np.where(met, x0 + half, -np.inf)
    moving = np.flatnonzero(things.length_squared[owner] > 0.0)
    if not len(moving):
        return left, right
    reach, x0, y0 = reach[moving], x0[moving], y0[moving]
    dx, dy = (things.along[owner[moving], axis].astype(np.float64) for axis in range(2))
    half = np.sqrt(np.maximum(reach * reach - (y0 - dy) ** 2, 0.0))
    met = np.abs(y0 - dy) <= reach
    candidates = [(met, x0 + dx - half, x0 + dx + half)]
    length = np.hypot(dx, dy)
    for side in (-1.0, 1.0):
        nx, ny = -side * dy / length * reach, side * dx / length * reach
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (y0 - ny) / dy
        met = (share >= 0.0) & (share <= 1.0)
        crossing = x0 + nx + np.where(met, share, 0.0) * dx
        candidates.append((met, crossing, crossing))
    for met, low, high in candidates:
        left[moving] = np.where(met, np.minimum(left[moving], low), left[moving])
        right[moving] = np.where(met, np.maximum(right[moving], high), right[moving])
    return left, right


def _clip(spans: _Spans, area: Area) -> _Spans:
    first = np.maximum(spans.first, area.column)
    count = np.minimum(spans.first + spans.count, area.column_end) - first
    inside = (count > 0) & (spans.row >= area.row) & (spans.row < area.row_end)
    return _Spans(spans.row[inside], spans.owner[inside], first[inside], count[inside])


def _by_row(spans: _Spans) -> _Spans:
    return spans.part(np.argsort(spans.row, kind="stable"))


def _amplitudes(things: _Things, begin: int, end: int, spans: _Spans) -> F32:
    """Return what the profiles of some discs (1 at their middle) are to be multiplied with, ``(n,)``."""
    some = slice(begin, end)
    area = _footprint_areas(things)[some]
    moving = things.length_squared[some] > 0.0
    summed = (things.reach[some] < _SUM_BELOW_PX) | (things.squeeze[some] != 0.0).any(axis=1)
    summed |= things.sided[some] & moving
    spans = spans.part((summed & (things.sprite[some] < 0))[spans.owner - begin])
    totals = np.zeros(len(area))
    for first, last in _span_blocks(np.cumsum(spans.count)):
        owner, dx, dy = _offsets(things, spans.part(slice(first, last)))
        totals += np.bincount(owner - begin, _profile(things, owner, dx, dy), len(area))
    area = np.where(totals > 0.0, totals, area)
    amplitude = np.minimum(things.covered[some] / area, 1.0)
    return np.where(things.sprite[some] < 0, amplitude, 1.0).astype(np.float32)


def _span_blocks(ends: Ints) -> list[tuple[int, int]]:
    """Cut spans, given the running sum of their counts, so that no block has very many fragments."""
    if not len(ends):
        return []
    cuts = np.searchsorted(ends, np.arange(_MOST_FRAGMENTS, ends[-1], _MOST_FRAGMENTS), side="right")
    edges = np.unique(np.concatenate([[0], cuts, [len(ends)]]))
    return list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))


def _footprint_areas(things: _Things) -> F64:
    """Return the integral of each disc's profile over the plane, square pixels.

    The ramp 3 t^2 - 2 t^3 over a width 2 h spreads the edge with variance (2 h)^2 / 20 = h^2 / 5.
    """
    radius, softness = things.radius.astype(np.float64), things.softness.astype(np.float64)
    length = np.sqrt(things.length_squared.astype(np.float64))
    disc = math.pi * (radius**2 + softness**2 / 5.0) + 2.0 * radius * length
    if not things.blades:
        return np.asarray(disc)
    sides = things.blades * math.tan(math.pi / things.blades)
    return np.where(things.sided, sides * (radius**2 + softness**2 / 5.0), disc)


def _counting(counts: Ints) -> Ints:
    """Return 0, 1, 2 ... for each run of the given lengths."""
    return np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)


def _offsets(things: _Things, spans: _Spans) -> tuple[NDArray[np.int32], F32, F32]:
    """Return owner and distance right of and below the owner's start, for each pixel of the spans."""
    dx = (spans.first + 0.5 - things.x[spans.owner]).astype(np.float32)
    dy = (spans.row + 0.5 - things.y[spans.owner]).astype(np.float32)
    right = np.repeat(dx, spans.count)
    right += _counting(spans.count).astype(np.float32)
    return np.repeat(spans.owner.astype(np.int32), spans.count), right, np.repeat(dy, spans.count)


def _profile(things: _Things, owner: NDArray[np.int32], dx: F32, dy: F32) -> F32:
    """Return the discs' weight at offsets from their start, 0 to 1."""
    weight = _edge(things, owner, dx, dy)
    if things.squeezed:
        # The cat's eye is what two openings, one shifted, both let through.
        shift = things.squeeze[owner]
        np.minimum(weight, _edge(things, owner, dx - shift[:, 0], dy - shift[:, 1]), out=weight)
    return weight


def _edge(things: _Things, owner: NDArray[np.int32], dx: F32, dy: F32) -> F32:
    if things.any_moving:
        # The nearest point of the streak: how far along it each fragment lies, from 0 to 1.
        x, y = things.along_x[owner], things.along_y[owner]
        share = dx * x
        share += dy * y
        share *= things.per_length_squared[owner]
        np.clip(share, np.float32(0.0), np.float32(1.0), out=share)
        x *= share
        y *= share
        dx, dy = dx - x, dy - y
    distance = dx * dx
    distance += dy * dy
    np.sqrt(distance, out=distance)
    if things.blades:
        sided = np.flatnonzero(things.sided[owner])
        normals = iris_normals(things.blades, things.blade_angle_rad).astype(np.float32)
        nearest = dx[sided] * normals[0, 0] + dy[sided] * normals[0, 1]
        for normal in normals[1:]:
            np.maximum(nearest, dx[sided] * normal[0] + dy[sided] * normal[1], out=nearest)
        distance[sided] = nearest
    # From 1 at radius - softness down to 0 at radius + softness.
    distance *= things.per_ramp[owner]
    t = things.ramp_end[owner]
    t -= distance
    np.clip(t, np.float32(0.0), np.float32(1.0), out=t)
    steep = np.float32(3.0) - np.float32(2.0) * t
    steep *= t
    steep *= t
    return steep


def _fragments(things: _Things, spans: _Spans, origin: Area) -> _Fragments:
    owner, dx, dy = _offsets(things, spans)
    start = (spans.row - origin.row) * origin.columns + (spans.first - origin.column)
    pixel = np.repeat(start, spans.count) + _counting(spans.count)
    if things.sprites is None or not (things.sprite[spans.owner] >= 0).any():
        opacity = _profile(things, owner, dx, dy) * things.amplitude[owner]
        return _Fragments(pixel, owner, opacity)
    opacity = np.empty(len(owner), np.float32)
    textured = things.sprite[owner] >= 0
    plain, drawn = np.flatnonzero(~textured), np.flatnonzero(textured)
    opacity[plain] = _profile(things, owner[plain], dx[plain], dy[plain]) * things.amplitude[owner[plain]]
    texels = _texels(things, things.sprites, owner[drawn], dx[drawn], dy[drawn])
    opacity[drawn] = texels[:, -1]
    return _Fragments(pixel, owner, opacity, drawn, texels[:, :-1])


def _texels(things: _Things, sprites: Sprites, owner: NDArray[np.int32], dx: F32, dy: F32) -> F32:
    """Return light and alpha of sprites at offsets from their start, ``(n, K + 1)``."""
    sprite = things.sprite[owner]
    size_px = 2.0 * np.sqrt(np.abs(np.linalg.det(sprites.axes_px)))
    finest = sprites.textures.levels[0].shape[1]
    streak = _streak_lengths(sprites)
    # A texel is a pixel, or as wide as the points lie apart: they must not show as ribs.
    apart = np.maximum(streak / _SPRITE_SAMPLES, 1.8 * sprites.blur_px / math.sqrt(_SPRITE_SAMPLES))
    level = np.log2(np.maximum(finest * np.maximum(apart, 1.0) / size_px, 1.0)).astype(np.float32)
    smeared = (sprites.blur_px > 0.4) | (streak > 0.5)
    # What is averaged over many points anyway needs no mixing of levels.
    level = np.where(smeared, np.rint(level), level)[sprite]
    points = _Points(things, sprites, owner, dx, dy)
    total = np.zeros((len(owner), sprites.textures.levels[0].shape[3]), np.float32)
    sharp = np.flatnonzero(~smeared[sprite])
    u, v = points.at(sharp, 0, 1)
    total[sharp] = sprites.textures.sample(sprites.texture[sprite[sharp]], level[sharp], u, v)
    rest = np.flatnonzero(smeared[sprite])
    for index in range(_SPRITE_SAMPLES if len(rest) else 0):
        u, v = points.at(rest, index, _SPRITE_SAMPLES)
        total[rest] += sprites.textures.sample(sprites.texture[sprite[rest]], level[rest], u, v)
    total[rest] *= np.float32(1.0 / _SPRITE_SAMPLES)
    total *= sprites.opacity.astype(np.float32)[sprite][:, None]
    light = total[:, :-1] * things.light[owner] + total[:, -1:] * sprites.added.astype(np.float32)[sprite]
    return np.concatenate([light, total[:, -1:]], axis=1)


def _streak_lengths(sprites: Sprites) -> F64:
    way = sprites.end_px - sprites.start_px
    return np.hypot(way[:, 0], way[:, 1])


class _Points:
    """Fragments of sprites, brought into their textures' coordinates at points of blur and streak."""

    def __init__(self, things: _Things, sprites: Sprites, owner: NDArray[np.int32], dx: F32, dy: F32) -> None:
        self.things = things
        self.owner = owner
        self.offset = dx, dy
        sprite = things.sprite[owner]
        self.inverse = np.linalg.inv(sprites.axes_px).astype(np.float32)[sprite]
        self.blur = sprites.blur_px.astype(np.float32)[sprite]

    def at(self, which: Ints, index: int, count: int) -> tuple[F32, F32]:
        """Return u, v of fragments for one of the points."""
        way = np.float32((index + 0.5) / count)
        spread = 0.0 if count == 1 else math.sqrt((index + 0.5) / count)
        # Which point of the disc goes with which moment is shuffled, or blur and streak would be one spiral.
        turn = _GOLDEN_RAD * (index * 5 % count)
        along, blur = self.things.along[self.owner[which]], self.blur[which]
        x = self.offset[0][which] - way * along[:, 0] - np.float32(spread * math.cos(turn)) * blur
        y = self.offset[1][which] - way * along[:, 1] - np.float32(spread * math.sin(turn)) * blur
        inverse = self.inverse[which]
        return inverse[:, 0, 0] * x + inverse[:, 0, 1] * y, inverse[:, 1, 0] * x + inverse[:, 1, 1] * y


def _bilinear(table: F32, texture: Ints, u: F32, v: F32) -> F32:
    size = table.shape[1]
    x, y = (u + 1.0) * np.float32(0.5 * size) - 0.5, (v + 1.0) * np.float32(0.5 * size) - 0.5
    column, row = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    fx, fy = x - column, y - row
    out = np.zeros((len(u), table.shape[3]), np.float32)
    for down, right in ((0, 0), (0, 1), (1, 0), (1, 1)):
        r, c = row + down, column + right
        weight = (fy if down else 1.0 - fy) * (fx if right else 1.0 - fx)
        weight *= (r >= 0) & (r < size) & (c >= 0) & (c < size)
        texels = table[texture, np.clip(r, 0, size - 1), np.clip(c, 0, size - 1)]
        out += texels * weight[:, None].astype(np.float32)
    return out


def _visible(things: _Things, fragments: _Fragments, surface: Surface) -> F32:
    """Return the share of each fragment that no surface hides, 0 to 1."""
    owner, pixel = fragments.owner, fragments.pixel
    distance, per_thickness = things.range_m[owner], things.per_thickness[owner]
    in_front = _in_front(surface.range_m.reshape(-1)[pixel], distance, per_thickness)
    if surface.far_range_m is not None and surface.far_share is not None and surface.far_share.any():
        share = surface.far_share.reshape(-1)[pixel]
        farther = _in_front(surface.far_range_m.reshape(-1)[pixel], distance, per_thickness)
        in_front += share * (farther - in_front)
    if surface.coverage is not None:
        # The part of the pixel that the surface leaves open shows what is behind.
        in_front += (np.float32(1.0) - surface.coverage.reshape(-1)[pixel]) * (np.float32(1.0) - in_front)
    return in_front


def _in_front(surface: F32, distance: F32, per_thickness: F32) -> F32:
    front = surface - distance
    front *= per_thickness
    front += np.float32(0.5)
    return np.clip(front, 0.0, 1.0, out=front)


def _laid_over(things: _Things, fragments: _Fragments, visible: F32, origin: Area) -> Layer:
    """Lay each pixel's fragments over one another, far to near."""
    count = (origin.row_end - origin.row) * origin.columns
    number = np.arange(len(fragments.pixel), dtype=np.int32)
    # Turning coordinates into compressed rows is a counting sort; it keeps the order within a pixel.
    gathered = csr_array(
        (np.ones(len(number), np.bool_), (fragments.pixel.astype(np.int32), number)),
        shape=(count, len(number)),
    )
    starts, order = gathered.indptr, gathered.indices
    depth = np.diff(starts)
    pixels = np.flatnonzero(depth)
    # Deepest pixels first: at each step those that still have a fragment are a leading slice.
    depth = depth[pixels]
    most = int(depth.max(initial=0))
    # numpy sorts short integers by counting.
    deepest = np.argsort((most - depth).astype(np.uint16 if most < 1 << 16 else np.int64), kind="stable")
    steps, starts = depth[deepest], starts[pixels][deepest]
    opacity = (fragments.opacity * visible)[order]
    owner = fragments.owner[order]
    texels = _texels_in_order(fragments, visible, order)
    laid = np.zeros((len(pixels), things.laid.shape[1]), np.float32)
    still = np.searchsorted(-steps, -np.arange(1, most + 1), side="right")
    for step, active in enumerate(still):
        at = starts[:active] + step
        a, who = opacity[at], owner[at]
        added = things.laid[who] * a[:, None]
        if texels is not None:
            _with_texels(added, texels, at)
        laid[:active] *= (np.float32(1.0) - a)[:, None]
        laid[:active] += added
    planes = np.empty((laid.shape[1], len(pixels)), np.float32)
    planes[:, deepest] = laid.T
    return Layer(pixels, planes[:-2], planes[-2], planes[-1])


def _texels_in_order(
    fragments: _Fragments, visible: F32, order: NDArray[np.int32]
) -> tuple[Ints, F32] | None:
    """Return, for sorted fragments, the index of each one's texel (or -1), and the texels' visible light."""
    if fragments.texels is None:
        return None
    index = np.full(len(order), -1, np.int64)
    index[fragments.textured] = np.arange(len(fragments.textured))
    return index[order], fragments.texels * visible[fragments.textured][:, None]


def _with_texels(added: F32, texels: tuple[Ints, F32], at: Ints) -> None:
    """Put the light of textured fragments in the place of their things' own."""
    index, table = texels
    drawn = np.flatnonzero(index[at] >= 0)
    added[drawn, :-2] = table[index[at[drawn]]]


def _empty_layer(bands: int) -> Layer:
    return Layer(
        np.zeros(0, np.int64),
        np.zeros((bands, 0), np.float32),
        np.zeros(0, np.float32),
        np.zeros(0, np.float32),
    )
