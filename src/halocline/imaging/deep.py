"""Deep pictures: any number of samples a pixel, each with its own depth and coverage.

A sample is a point (front and back are one depth) or a slab of even matter between two. Samples are
premultiplied by their own coverage, as OpenEXR has it. A picture is *tidy* when the samples of each pixel
stand in order of depth and none overlaps another: then the nearer lie over the farther, and that is all there
is to seeing them. Two files may hold the same pixel in another order or with slabs that overlap; `tidied`
gives one and the same picture for both.

Source of the equations: *Interpreting OpenEXR Deep Pixels* (openexr.com), sections on splitting and merging
volumetric samples, from memory; checked against OpenImageIO's `DeepData` in the tests.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.compute.compiled import compiled
from halocline.errors import FrameError
from halocline.late_dataclass import dataclass

Pixels = NDArray[np.intp]


@dataclass(frozen=True)
class Samples:
    """The samples of a picture, one pixel after another in rows.

    Attributes
    ----------
    counts
        Samples of each pixel, ``(rows, columns)``; ``n`` in all.
    rgb, alpha
        Colour, premultiplied, ``(3, n)``, and coverage, ``(n,)``.
    front, back
        Where each begins and ends, ``(n,)``, in the unit of the file, growing with distance.
    passes
        What else each has, by plane name: ``(n,)`` or ``(channels, n)``.
    """

    counts: Pixels
    rgb: F32
    alpha: F32
    front: F32
    back: F32
    passes: Mapping[str, F32] = field(default_factory=dict)

    def __post_init__(self) -> None:
        total = int(self.counts.sum())
        for plane in (self.rgb, self.alpha, self.front, self.back, *self.passes.values()):
            if plane.shape[-1] != total:
                raise FrameError(
                    f"{plane.shape[-1]} values for {total} samples",
                    code="E-FRAME-PLANE",
                    fix="Give each sample one value in every plane.",
                )

    @property
    def size(self) -> int:
        """Samples in all."""
        return self.alpha.size

    @property
    def starts(self) -> Pixels:
        """Where each pixel's samples begin, ``(rows columns,)``."""
        counts = self.counts.ravel()
        return np.cumsum(counts) - counts

    @property
    def pixels(self) -> Pixels:
        """The pixel of each sample, counted along the rows, ``(n,)``."""
        return np.repeat(np.arange(self.counts.size), self.counts.ravel())

    @property
    def slabs(self) -> int:
        """How many of them have a length."""
        return int(np.count_nonzero(self.back > self.front))

    def rows(self, start: int, stop: int) -> Samples:
        """Return the samples of the rows from and to (not included), of the same memory."""
        first = int(self.counts[:start].sum())
        own = slice(first, first + int(self.counts[start:stop].sum()))
        return Samples(
            self.counts[start:stop],
            self.rgb[:, own],
            self.alpha[own],
            self.front[own],
            self.back[own],
            {name: plane[..., own] for name, plane in self.passes.items()},
        )

    @classmethod
    def joined(cls, parts: Sequence[Samples]) -> Samples:
        """Return the samples of rows below each other as one picture's; at least one."""
        return cls(
            np.concatenate([part.counts for part in parts]),
            np.concatenate([part.rgb for part in parts], axis=-1),
            np.concatenate([part.alpha for part in parts]),
            np.concatenate([part.front for part in parts]),
            np.concatenate([part.back for part in parts]),
            {
                name: np.concatenate([part.passes[name] for part in parts], axis=-1)
                for name in parts[0].passes
            },
        )

    def taken(self, which: Pixels, counts: Pixels) -> Samples:
        """Return the samples at some places, as those of pixels that have so many each."""
        return Samples(
            counts,
            self.rgb[:, which],
            self.alpha[which],
            self.front[which],
            self.back[which],
            {name: plane[..., which] for name, plane in self.passes.items()},
        )


@dataclass(frozen=True)
class Flattened:
    """A deep picture as one surface a pixel.

    Attributes
    ----------
    rgb, alpha
        ``(3, rows, columns)``, premultiplied, and ``(rows, columns)``.
    main
        The sample that is seen most of in each pixel, ``(rows columns,)``; -1 where there is none.
    """

    rgb: F32
    alpha: F32
    main: Pixels

    def of_main(self, plane: F32, nothing: float) -> F32:
        """Return what the sample that is seen most of has, ``(..., rows, columns)``.

        Parameters
        ----------
        plane
            ``(n,)`` or ``(channels, n)``.
        nothing
            What stands where there is no sample.

        Returns
        -------
        F32
            Over the picture.
        """
        shape = (*plane.shape[:-1], *self.alpha.shape)
        if plane.shape[-1] == 0:
            return np.full(shape, nothing, np.float32)
        found = np.where(self.main >= 0, plane[..., np.maximum(self.main, 0)], np.float32(nothing))
        return found.reshape(shape).astype(np.float32, copy=False)


def tidied(samples: Samples) -> Samples:
    """Return samples in order of depth, none overlapping another; the same whatever order they came in.

    Slabs that overlap are cut where either begins or ends, and what then lies in one place becomes one: for
    coverages a, b with optical depths u = -ln(1 - a), v = -ln(1 - b), coverage is 1 - exp(-u - v) and colour
    (A u/a + B v/b) (1 - exp(-u - v)) / (u + v). Where some are opaque, theirs is the colour, the mean of
    several. What is merged keeps the passes of the one that covers most.

    Parameters
    ----------
    samples
        In any order; ``back`` is nowhere before ``front``.

    Returns
    -------
    Samples
        The same object where nothing had to be done.
    """
    if samples.size < 2:
        return samples
    untidy = _overlapping(samples, disorder=True)
    if not untidy.size:
        return samples
    # A pixel is put in order for its own sake alone, so that it does not matter which others are at hand.
    own = np.flatnonzero(np.isin(samples.pixels, untidy))
    few = samples.taken(
        own, np.where(np.isin(np.arange(samples.counts.size), untidy), samples.counts.ravel(), 0)
    )
    # What else tells samples of one depth apart makes the order theirs and not the file's.
    keys = (*few.rgb, few.alpha, few.back, few.front, few.pixels)
    order = np.arange(samples.size)
    order[own] = own[np.lexsort(keys)]
    samples = samples.taken(order, samples.counts)
    crowded = _overlapping(samples, disorder=False)
    return _merged(samples, crowded) if crowded.size else samples


def _overlapping(samples: Samples, *, disorder: bool) -> Pixels:
    """Return the pixels in which a sample overlaps the one before it, or also lies before it."""
    pixels, front, back = samples.pixels, samples.front, samples.back
    found = (front[1:] < back[:-1]) | ((front[1:] == front[:-1]) & (back[1:] == back[:-1]))
    if disorder:
        found |= front[1:] < front[:-1]
    return np.unique(pixels[1:][found & (pixels[1:] == pixels[:-1])])


def _merged(samples: Samples, crowded: Pixels) -> Samples:
    """Return samples with the given pixels' cut and merged."""
    counts, starts = samples.counts.ravel(), samples.starts
    is_crowded = np.zeros(counts.size, np.bool_)
    is_crowded[crowded] = True
    own = is_crowded[samples.pixels]
    bounds, bound_counts = _boundaries(samples, own, crowded)
    # At each boundary, and between two, there is one sample at most.
    room = 2 * bound_counts
    first = np.cumsum(room) - room
    colour, cover = np.zeros((3, room.sum()), np.float32), np.zeros(room.sum(), np.float32)
    ends, source = np.zeros((2, room.sum()), np.float32), np.full(room.sum(), -1, np.intp)
    merge_pixels(
        np.stack([starts[crowded], counts[crowded], first, bound_counts]),
        bounds,
        np.stack([samples.front, samples.back]),
        samples.rgb,
        samples.alpha,
        (ends, colour, cover, source),
    )
    kept = np.flatnonzero(source >= 0)
    pixel_of = np.repeat(crowded, room)[kept]
    plain = np.flatnonzero(~own)
    # Both kinds back into the order of their pixels; within one the order stays.
    order = np.argsort(np.concatenate([samples.pixels[plain], pixel_of]), kind="stable")

    def joined(old: F32, new: F32) -> F32:
        return np.concatenate([old[..., plain], new], axis=-1)[..., order]

    new_counts = np.where(is_crowded, np.bincount(pixel_of, minlength=counts.size), counts)
    return Samples(
        new_counts.reshape(samples.counts.shape),
        joined(samples.rgb, colour[:, kept]),
        joined(samples.alpha, cover[kept]),
        joined(samples.front, ends[0, kept]),
        joined(samples.back, ends[1, kept]),
        {name: joined(plane, plane[..., source[kept]]) for name, plane in samples.passes.items()},
    )


def _boundaries(samples: Samples, own: NDArray[np.bool_], crowded: Pixels) -> tuple[F32, Pixels]:
    """Return where samples of crowded pixels begin or end, each once and in order, and how many a pixel."""
    pixels = np.tile(samples.pixels[own], 2)
    depths = np.concatenate([samples.front[own], samples.back[own]])
    order = np.lexsort((depths, pixels))
    pixels, depths = pixels[order], depths[order]
    new = np.ones(depths.size, np.bool_)
    new[1:] = (depths[1:] != depths[:-1]) | (pixels[1:] != pixels[:-1])
    return depths[new], np.bincount(pixels[new], minlength=samples.counts.size)[crowded]


@compiled
def merge_pixels(
    pixels: Pixels, bounds: F32, spans: F32, rgb: F32, alpha: F32, out: tuple[F32, F32, F32, Pixels]
) -> None:
    """Cut the samples of each pixel where any begins or ends, and merge what lies in one place.

    ``pixels`` says of each where its samples begin, how many they are, where what is made of them begins, and
    how many boundaries it has; these are given one pixel after another.
    """
    ends, colour, cover, source = out
    start = 0
    for pixel in range(pixels.shape[1]):
        begin, stop = pixels[0, pixel], pixels[0, pixel] + pixels[1, pixel]
        at = pixels[2, pixel]
        # In turn the points at a boundary, and what fills the space up to the next.
        for place in range(2 * pixels[3, pixel] - 1):
            low, high = bounds[start + place // 2], bounds[start + (place + 1) // 2]
            found, whole = merged_in(
                low, high, spans[:, begin:stop], rgb[:, begin:stop], alpha[begin:stop], colour[:, at]
            )
            if found >= 0:
                ends[0, at], ends[1, at] = low, high
                cover[at], source[at] = whole, begin + found
                at += 1
        start += pixels[3, pixel]


@compiled
def merged_in(
    low: np.float32, high: np.float32, spans: F32, rgb: F32, alpha: F32, colour: F32
) -> tuple[int, float]:
    """Merge what samples have between two depths: write colour, return the chief sample and coverage.

    Between equal depths it is the points that lie there. Without any, -1 is returned.
    """
    depth, solid, chief, most = 0.0, 0, -1, -1.0
    sums = np.zeros(3)
    for index in range(alpha.size):
        front, back = float(spans[0, index]), float(spans[1, index])
        if front > low or back < high or (front == back) != (low == high):
            continue
        a = float(alpha[index])
        if a > most:
            most, chief = a, index
        share = 1.0 if front == back else (high - low) / (back - front)
        if a >= 1.0:
            if solid == 0:
                sums[:] = 0.0
            solid += 1
            for channel in range(3):
                sums[channel] += float(rgb[channel, index])
        elif solid == 0:
            # Light for each unit of optical depth does not change by cutting.
            own = -np.log1p(-a) * share
            depth += own
            scale = own / a if a > 0.0 else share
            for channel in range(3):
                sums[channel] += float(rgb[channel, index]) * scale
    whole = -np.expm1(-depth)
    if solid > 0:
        for channel in range(3):
            colour[channel] = sums[channel] / solid
        return chief, 1.0
    if chief >= 0:
        scale = whole / depth if depth > 0.0 else 1.0
        for channel in range(3):
            colour[channel] = sums[channel] * scale
    return chief, whole


def split_evenly(samples: Samples, parts: Pixels) -> Samples:
    """Return samples with slabs cut into equal parts: coverage 1 - (1 - a)^(1/n) each, colour in proportion.

    Parameters
    ----------
    samples
        Tidy.
    parts
        Into how many each is cut, ``(n,)``, 1 or more.

    Returns
    -------
    Samples
        Tidy; the same object where nothing is cut.
    """
    if (parts <= 1).all():
        return samples
    which = np.repeat(np.arange(samples.size), parts)
    number = np.arange(which.size) - np.repeat(np.cumsum(parts) - parts, parts)
    counts = np.bincount(samples.pixels, weights=parts, minlength=samples.counts.size).astype(np.intp)
    made = samples.taken(which, counts.reshape(samples.counts.shape))
    cut = parts[which] > 1
    share: F64 = 1.0 / parts[which].astype(np.float64)
    whole = made.alpha.astype(np.float64)
    with np.errstate(divide="ignore"):
        alpha = np.where(cut, -np.expm1(share * np.log1p(-np.minimum(whole, 1.0))), whole)
    gain = np.where(whole > 0.0, np.divide(alpha, whole, out=share.copy(), where=whole > 0.0), share)
    front = made.front.astype(np.float64)
    # What is endlessly far has no length to cut.
    length = np.subtract(made.back, front, out=np.zeros_like(front), where=cut) * share
    return replace(
        made,
        rgb=np.where(cut, made.rgb * gain, made.rgb).astype(np.float32),
        alpha=alpha.astype(np.float32),
        front=np.where(cut, front + number * length, front).astype(np.float32),
        back=np.where(cut, front + (number + 1) * length, made.back).astype(np.float32),
    )


def uncovered_before(samples: Samples) -> F32:
    """Return what share of its pixel nothing nearer covers, for each sample.

    Parameters
    ----------
    samples
        Tidy.

    Returns
    -------
    F32
        ``(n,)``, 0 to 1.
    """
    counts, starts = samples.counts.ravel(), samples.starts
    left = np.ones(counts.size)
    before = np.empty(samples.size, np.float32)
    for number in range(int(counts.max(initial=0))):
        pixels = np.flatnonzero(counts > number)
        at = starts[pixels] + number
        before[at] = left[pixels]
        left[pixels] *= 1.0 - samples.alpha[at]
    return before


def flattened(samples: Samples) -> Flattened:
    """Return a tidy picture as it is seen: each sample over those behind it.

    Parameters
    ----------
    samples
        Tidy.

    Returns
    -------
    Flattened
        Colour and coverage, and which sample is seen most of.
    """
    seen = uncovered_before(samples) * samples.alpha
    main = np.full(samples.counts.size, -1, np.intp)
    # The last one written stays: the one seen most of, the nearest of equals.
    order = np.lexsort((-np.arange(samples.size), seen, samples.pixels))
    main[samples.pixels[order]] = order
    return Flattened(over(samples, samples.rgb), over(samples, samples.alpha), main)


def over(samples: Samples, plane: F32) -> F32:
    """Return a premultiplied plane of a tidy picture flat: each sample over those behind it.

    Parameters
    ----------
    samples
        Tidy.
    plane
        ``(n,)`` or ``(channels, n)``.

    Returns
    -------
    F32
        ``(rows, columns)`` or ``(channels, rows, columns)``.
    """
    before, pixels = uncovered_before(samples), samples.pixels
    rows = [
        np.bincount(pixels, weights=before * each, minlength=samples.counts.size)
        for each in np.atleast_2d(plane)
    ]
    flat = np.array(rows, np.float32)
    return flat.reshape(*plane.shape[:-1], *samples.counts.shape)
