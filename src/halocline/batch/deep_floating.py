"""What floats in the water as samples of its own, so that what is rendered later can be merged into it.

At a range r, what floats before it leaves a share T(r) of the light, alike in all colours, and adds E(r): a
thing there that would look W without it looks T W + E with it. So what floats between two ranges is a sample
of coverage 1 - T(r2) / T(r1) and premultiplied colour (E(r2) - E(r1)) / T(r1). Laid over each other, such
samples give T and E again at each of the ranges, whatever lies between them: samples of the render, open
water, or an element that is merged later.

T and E are looked at at ranges that are the same for all pixels, and at the pixel's own samples. Where most
of what is met between two of them is drawn (flecks, bubbles), the sample stands at its mean range; else it is
a slab, cut evenly to parts of an optical depth of 0.1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32, F64
from halocline.batch.element import without
from halocline.errors import GraphError
from halocline.graph.graph import Graph
from halocline.graph.operator import Drawn
from halocline.graph.shot import Shot
from halocline.imaging.deep import Pixels, Samples, split_evenly
from halocline.late_dataclass import dataclass

# Optical depth of a slab, at most, and the nearest that anything is, metres.
_SLAB_DEPTH, _NEAREST_M = 0.1, 0.02
# Ranges that all pixels are looked at, and the first of them, metres.
_RANGES, _FIRST_M = 48, 0.1
# What covers and shines less waits for what comes next, and less than the second for what stands behind it,
# too. Where less than the third is left of the light, nothing is seen.
_NOTHING, _LEAST, _OPAQUE = 1e-6, 1e-7, 1e-7
# A fleck right before a surface is still before it.
_BEFORE = 1.0 - 1e-6
_MOST_PARTS = 1024


@dataclass(frozen=True)
class Undrawn:
    """A look without what floats drawn in it.

    Attributes
    ----------
    graph
        Its steps.
    drawn
        What is not drawn: the planes that tell of it.
    """

    graph: Graph
    drawn: tuple[Drawn, ...]

    @property
    def planes(self) -> tuple[str, ...]:
        """Names of those planes."""
        return tuple(name for each in self.drawn for name in (each.cover, each.range_m) if name)

    def passage(self, wet: Mapping[str, F32], bare: Mapping[str, F32]) -> F32:
        """Return T, E (3), what drawn things cover, and that times their mean range, ``(6, ...)``.

        Parameters
        ----------
        wet, bare
            Planes with and without what floats.

        Returns
        -------
        F32
            Over the same pixels.
        """
        left = np.ones_like(wet["rgb"][0])
        seen, away = np.ones_like(left), np.zeros_like(left)
        for each in self.drawn:
            cover = wet[each.cover]
            left *= np.float32(1.0) - cover
            if each.range_m:
                seen *= np.float32(1.0) - cover
                away += cover * np.where(cover > 0.0, wet[each.range_m], np.float32(0.0))
        return np.stack([left, *(wet["rgb"] - left * bare["rgb"]), np.float32(1.0) - seen, away])


def undrawn(graph: Graph, shot: Shot) -> Undrawn:
    """Return a look without what floats drawn in it.

    Parameters
    ----------
    graph, shot
        The look's steps, and the frame's surroundings.

    Returns
    -------
    Undrawn
        Haze that is too fine to be drawn stays, as the veil does.

    Raises
    ------
    GraphError
        ``E-DEEP-STEP`` where a step draws within a matte or a window only, or two of one kind draw.
    """
    found: dict[str, Drawn] = {}
    steps, gone = [], set()
    for step in graph.steps:
        drawn, kept = step.operator.draws, step.operator
        if drawn is not None and not step.acting.idle(shot):
            if not step.limits.everywhere:
                raise _refused(step.name, "it draws within a matte or a window of range or height only")
            if drawn.cover in found:
                raise _refused(step.name, "another step of its kind draws too")
            found[drawn.cover] = drawn
            bare = step.operator.undrawn()
            if bare is None:
                gone.add(step.name)
            else:
                kept = bare
        steps.append(replace(step, operator=kept))
    return Undrawn(without(Graph(steps, graph.output), gone), tuple(found.values()))


def _refused(name: str, why: str) -> GraphError:
    return GraphError(
        f"{why}, and what it draws cannot be told as samples of its own",
        code="E-DEEP-STEP",
        where=f'step "{name}"',
        key=("steps", name),
        fix=f"Leave it out (--set steps.{name}.enabled=false), or write samples that hold what floats before "
        "them (--set output.floating_samples=false).",
    )


def slice_ranges(farthest_m: float) -> F64:
    """Return the ranges at which all pixels are looked at, metres, ascending.

    Parameters
    ----------
    farthest_m
        Where hardly anything is seen any more, metres.
    """
    return np.geomspace(_FIRST_M, max(farthest_m, 2.0 * _FIRST_M), _RANGES)


@dataclass(frozen=True)
class Boundary:
    """A range of each pixel, up to which what floats is known.

    Attributes
    ----------
    near_m, far_m
        Where that is; of a slab, where it begins and ends, ``(n,)`` metres, inf for open water.
    passage
        As `Undrawn.passage` has it, ``(6, n)``.
    there
        Which pixels have it, ``(n,)``.
    sample
        Number of the sample that stands there, ``(n,)``; empty where none does.
    """

    near_m: F64
    far_m: F64
    passage: F32
    there: NDArray[np.bool_]
    sample: Pixels = field(default_factory=lambda: np.zeros(0, np.intp))


@dataclass
class _Made:
    """Samples so far: pixel, order in it, colour and coverage, where, and which of the given ones it is."""

    pixel: list[Pixels] = field(default_factory=list)
    order: list[Pixels] = field(default_factory=list)
    light: list[F64] = field(default_factory=list)
    depth: list[F64] = field(default_factory=list)
    given: list[Pixels] = field(default_factory=list)

    def add(self, pixel: Pixels, order: int, light: F64, depth: F64, given: Pixels) -> None:
        """Add some."""
        self.pixel.append(pixel)
        self.order.append(np.full(pixel.size, order, np.intp))
        self.light.append(light)
        self.depth.append(depth)
        self.given.append(given)


def with_floating(given: Samples, boundaries: Sequence[Boundary], metres: F32, farthest: float) -> Samples:
    """Return samples with what floats between them.

    Parameters
    ----------
    given
        Samples that do not hold it, open water among them.
    boundaries
        Where it is known: at all of ``given``, and at other ranges.
    metres
        Range for one unit of depth, ``(rows, columns)``.
    farthest
        What has no end ends here, units of depth.

    Returns
    -------
    Samples
        Tidy.
    """
    count = metres.size
    range_m = np.stack([np.where(each.there, each.near_m, np.nan) for each in boundaries])
    # Numbers that are none come last, and of equals the first: slices before samples.
    rank = np.argsort(range_m, axis=0, kind="stable")
    walk = _Walk(np.ones(count), np.zeros((3, count)), np.zeros((2, count)), np.full(count, _NEAREST_M))
    made = _Made()
    numbered = _stacked(boundaries)
    for order, number in enumerate(rank):
        pixels = np.flatnonzero(~np.isnan(range_m[number, np.arange(count)]))
        walk.to(pixels, numbered.at(number[pixels], pixels), 2 * order, made)
    return _gathered(given, made, metres, farthest)


@dataclass(frozen=True)
class _Stacked:
    near_m: F64
    far_m: F64
    passage: F32
    sample: Pixels

    def at(self, number: Pixels, pixels: Pixels) -> tuple[F64, F64, F64, Pixels]:
        """Return what stands at a boundary of some pixels."""
        passage = self.passage[number, :, pixels].T.astype(np.float64)
        near, far = self.near_m[number, pixels], self.far_m[number, pixels]
        return near, far, passage, self.sample[number, pixels]


def _stacked(boundaries: Sequence[Boundary]) -> _Stacked:
    none = np.full(boundaries[0].there.size, -1, np.intp)
    return _Stacked(
        np.stack([each.near_m for each in boundaries]),
        np.stack([each.far_m for each in boundaries]),
        np.stack([each.passage for each in boundaries]),
        np.stack([each.sample if each.sample.size else none for each in boundaries]),
    )


@dataclass
class _Walk:
    """From range to range along each pixel's ray: what is known so far."""

    left: F64
    light: F64
    drawn: F64
    at_m: F64

    def to(self, pixels: Pixels, where: tuple[F64, F64, F64, Pixels], order: int, made: _Made) -> None:
        """Go on to a range, and write down what floats before it and the sample that stands there."""
        near, far, passage, sample = where
        before, light = self.left[pixels], self.light[:, pixels]
        open_ = before > _OPAQUE
        scale = 1.0 / np.where(open_, before, 1.0)
        alpha = np.where(open_, np.clip(1.0 - passage[0] * scale, 0.0, 1.0), 0.0)
        colour = np.where(open_, (passage[1:4] - light) * scale, 0.0)
        least = np.where(sample >= 0, _LEAST, _NOTHING)
        some = np.flatnonzero((alpha > least) | (np.abs(colour) > least).any(axis=0))
        own = pixels[some]
        made.add(
            own,
            order,
            np.concatenate([colour[:, some], alpha[None, some]]),
            self._depth(own, near[some], alpha[some], passage[4:, some]),
            np.full(own.size, -1, np.intp),
        )
        self.left[own] = before[some] * (1.0 - alpha[some])
        self.light[:, own] = light[:, some] + before[some] * colour[:, some]
        self.drawn[:, own] = passage[4:, some]
        self.at_m[pixels] = np.maximum(self.at_m[pixels], far)
        stands = np.flatnonzero(sample >= 0)
        none = np.zeros((4, stands.size))
        made.add(pixels[stands], order + 1, none, none[:2], sample[stands])

    def _depth(self, own: Pixels, end_m: F64, alpha: F64, drawn: F64) -> F64:
        """Return where samples begin and end, metres: drawn things at their mean range."""
        begin = np.minimum(self.at_m[own], end_m)
        covered, away = drawn - self.drawn[:, own]
        mean = np.divide(away, covered, out=np.zeros_like(away), where=covered > 0.0)
        mean = np.clip(mean, begin, np.where(np.isfinite(end_m), _BEFORE * end_m, np.inf))
        flecks = 1.0 - np.clip(covered / np.maximum(1.0 - self.drawn[0, own], _OPAQUE), 0.0, 1.0)
        point = np.log(np.maximum(flecks, _OPAQUE)) <= 0.5 * np.log(np.maximum(1.0 - alpha, _OPAQUE))
        point &= covered > 0.0
        return np.where(point, mean, np.stack([begin, end_m]))


def _gathered(given: Samples, made: _Made, metres: F32, farthest: float) -> Samples:
    pixel, order, which = (np.concatenate(each) for each in (made.pixel, made.order, made.given))
    place = np.lexsort((order, pixel))
    pixel, which = pixel[place], which[place]
    light = np.concatenate(made.light, axis=1)[:, place]
    front, back = np.minimum(
        np.concatenate(made.depth, axis=1)[:, place] / metres.ravel()[pixel].astype(np.float64), farthest
    )
    old = which >= 0
    light[:3, old], light[3, old] = given.rgb[:, which[old]], given.alpha[which[old]]
    front[old], back[old] = given.front[which[old]], given.back[which[old]]
    counts = np.bincount(pixel, minlength=metres.size).reshape(metres.shape)
    samples = Samples(
        counts.astype(np.intp),
        light[:3].astype(np.float32),
        light[3].astype(np.float32),
        front.astype(np.float32),
        back.astype(np.float32),
    )
    depth = -np.log1p(-np.minimum(light[3], 1.0 - _OPAQUE))
    parts = np.clip(np.ceil(depth / _SLAB_DEPTH), 1, _MOST_PARTS).astype(np.intp)
    return split_evenly(samples, np.where(old | (samples.back <= samples.front), 1, parts))
