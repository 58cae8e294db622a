"""Deep pictures under water: each sample at its own depth, and open water behind what coverage is left.

A sample is put under water as if it covered its pixel: W is the light of a surface of its colour at its
depth, with the veil, the shafts and what floats before it. A sample of coverage a then gives a W: what floats
and shines between two samples is in the farther one, by its coverage. Laid over each other in order of depth,
and open water behind them, samples give

    a1 W1 + (1 - a1) (a2 W2 + (1 - a2) (... + open water))

which is what an anti-aliased flat picture has of each surface's share of a pixel. So the water between
samples needs no samples of its own, which could not hold it either: a sample has one coverage, and water
takes of each colour another share. And a deep element that is put into the same water later merges with the
frame by depth alone: it holds out what lies behind it, the water there included, and brings along the water
before it. Which steps are done to samples, and which to the flat picture: `halocline.batch.deep_steps`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from halocline._typing import F32
from halocline.batch.deep_floating import Boundary, Undrawn, slice_ranges, with_floating
from halocline.batch.deep_steps import DeepSteps, deep_steps
from halocline.batch.layers import LayerPlan
from halocline.errors import ReadError
from halocline.graph.engine import Evaluation, ReadyGraph, evaluate
from halocline.graph.graph import Graph
from halocline.graph.shot import Shot
from halocline.imaging.deep import Pixels, Samples, split_evenly, uncovered_before
from halocline.imaging.deep_file import MAX_SAMPLES
from halocline.imaging.deep_load import DeepPicture, DeepRows
from halocline.imaging.frame import Frame, Window
from halocline.imaging.glows import COVER
from halocline.imaging.load import View
from halocline.late_dataclass import dataclass
from halocline.physics.floating.turbid_view import sight_m
from halocline.physics.path.transport import LONGEST_RANGE_M, LightPath

# A slab is cut into parts across which the water's optical depth is no more than this, in its densest band.
OPTICAL_DEPTH = 0.1
# More parts than this are 100 optical depths: nothing is seen of what lies beyond.
_MOST_PARTS = 1024
# Sums of many shares of coverage are off by no more.
_ROUNDING = np.float32(3e-6)
# Planes that the flat picture has of its own, or that tell of a second surface.
_FLAT = frozenset({"rgb", "alpha", "range", "far_range", "far_share", "far_light", "fitted_normal"})


@dataclass(frozen=True)
class WetRows:
    """What water makes of some rows of a deep picture.

    Attributes
    ----------
    start, stop
        Which rows of the picture, from and to (not included).
    planes
        The picture flat: each plane asked for, over these rows.
    samples
        Its samples, open water the last of each pixel that is not covered whole; None where not asked for.
        Among their passes are the planes that the work's plan names: light premultiplied as colour is, guides
        as they are.
    """

    start: int
    stop: int
    planes: Mapping[str, F32]
    samples: Samples | None = None


@dataclass(frozen=True)
class DeepWork:
    """A deep view and what is done to each of its samples.

    Attributes
    ----------
    view
        The view, of which ``deep`` is there.
    plan
        Steps, and the planes to be had beside colour and alpha.
    shot, how
        The frame's surroundings; threads and tiles.
    open_water
        Whether open water is put behind the samples.
    keep
        Whether the samples are wanted, and not the flat picture alone.
    undrawn
        The look without what floats drawn in it, where that is to be samples of its own; else None.
    """

    view: View
    plan: LayerPlan
    shot: Shot
    how: Evaluation
    open_water: bool
    keep: bool
    undrawn: Undrawn | None = None

    @property
    def deep(self) -> DeepPicture:
        """The picture's samples."""
        assert self.view.deep is not None
        return self.view.deep

    def rows(self) -> Iterator[WetRows]:
        """Put the samples under water: some rows at a time from the first on, all where a step looks around.

        Raises
        ------
        ReadError
            ``E-READ-SIZE`` where slabs had to be cut into too many parts; as `DeepPicture.rows`.
        GraphError
            As `halocline.graph.engine.evaluate`.
        """
        window = self.view.frame.data_window
        # Each pixel's own, whatever rows it is made with.
        far = np.float32(LONGEST_RANGE_M / float(self.deep.metres.min()))
        ready, bare = self._ready(self.plan.graph), None
        if self.undrawn is not None:
            bare = self._ready(self.undrawn.graph)
        looks = any(step.reach > 0 for step in ready.plan.steps)
        rows = window.height if looks else self._rows_at_once()
        for top in range(0, window.height, rows):
            bottom = min(top + rows, window.height)
            own = self.deep.rows(top, bottom)
            samples = cut_slabs(own, self.shot.path)
            yield _Peeling(self, ready, bare, own, samples, window.rows(top, bottom), far).wet()

    def done(self) -> dict[str, F32]:
        """Return the picture flat: each plane asked for, over its window."""
        made: dict[str, F32] = {}
        height, width = self.view.frame.data_window.shape
        for rows in self.rows():
            for name, plane in rows.planes.items():
                if name not in made:
                    made[name] = np.empty((*plane.shape[:-2], height, width), np.float32)
                made[name][..., rows.start : rows.stop, :] = plane
        return made

    def _ready(self, graph: Graph) -> ReadyGraph:
        frame, samples = self.view.frame, self.deep.rows(0, 0).samples
        flat = {name for name in frame.planes if name not in _FLAT}
        available = {"rgb", "alpha", "range", "sample_width", *samples.passes, *flat}
        told = () if self.undrawn is None or graph is self.undrawn.graph else self.undrawn.planes
        wanted = ("rgb", "alpha", *self.plan.planes, *told)
        return ReadyGraph(graph, of_samples(self.shot, self.view), available, wanted=wanted, how=self.how)

    def _rows_at_once(self) -> int:
        """Return how many rows are taken together: tiles of them for every thread, as they are stored."""
        if self.undrawn is not None:
            # All ranges of a row's pixels are held together.
            return self.deep.together
        rows = self.how.rows_for(self.view.frame.data_window) * self.how.worker_count()
        return -(-rows // self.deep.together) * self.deep.together


def of_samples(shot: Shot, view: View) -> Shot:
    """Return a deep view's surroundings as its samples have them.

    Parameters
    ----------
    shot, view
        Of the frame; ``deep`` of the view is there.

    Returns
    -------
    Shot
        Where each sample has its own normal, that is said: what is beside it then need not be looked at.
    """
    assert view.deep is not None
    return replace(shot, samples_face="normal" in view.deep.rows(0, 0).samples.passes)


def cut_slabs(deep: DeepRows, path: LightPath) -> Samples:
    """Return samples, slabs cut into parts across which the water changes little.

    Parameters
    ----------
    deep
        Rows of a picture.
    path
        The water.

    Raises
    ------
    ReadError
        ``E-READ-SIZE``.
    """
    across = float(path.beam_rate.max()) * deep.length_m(deep.samples)
    parts = np.clip(np.ceil(across / OPTICAL_DEPTH), 1, _MOST_PARTS).astype(np.intp)
    if int(parts.sum()) > MAX_SAMPLES:
        raise ReadError(
            f"its slabs, cut to {OPTICAL_DEPTH} optical depths of this water, are {int(parts.sum())} "
            f"samples in {len(deep.metres)} rows, more than {MAX_SAMPLES}",
            code="E-READ-SIZE",
            fix="Render with fewer samples a pixel, or crop the picture.",
        )
    return split_evenly(deep.samples, parts)


@dataclass
class _Peeling:
    """The samples of some rows taken off layer by layer: all first ones, all second ones, and so on."""

    work: DeepWork
    ready: ReadyGraph
    bare: ReadyGraph | None
    deep: DeepRows
    samples: Samples
    window: Window
    far: np.float32
    made: dict[str, F32] = field(default_factory=dict)

    def __post_init__(self) -> None:
        work, samples = self.work, self.samples
        self.starts = samples.starts.reshape(self.window.shape)
        # Light without coverage covers as little as nothing, as in flat pictures.
        lit = (samples.alpha <= 0.0) & (samples.rgb != 0.0).any(axis=0)
        self.alpha = np.where(lit, np.float32(COVER), samples.alpha)
        self.range_m = self.deep.range_m(samples)
        self.before = uncovered_before(samples)
        frame = work.view.frame
        where = frame.data_window.slices_of(self.window)
        self.flat_passes = {
            name: plane[(..., *where)]
            for name, plane in frame.planes.items()
            if name not in _FLAT and name not in samples.passes
        }
        self.looks = any(step.reach > 0 for step in self.ready.plan.steps)
        self.own: dict[str, F32] = {}
        self.undrawn: dict[str, F32] = {}
        self.open: F32 | None = None
        self.passage = np.zeros((6, samples.size), np.float32)

    def wet(self) -> WetRows:
        for number in range(int(self.samples.counts.max(initial=0))):
            self._put(number)
        rest = self._rest()
        behind = self._open_water(rest) if self.work.open_water else None
        kept = self._kept(behind, rest) if self.work.keep else None
        shape = self.window.shape
        if "alpha" in self.made:
            # Shares that sum to one but for rounding are one.
            alpha = self.made["alpha"]
            np.copyto(alpha, np.float32(1.0), where=np.abs(alpha - np.float32(1.0)) < _ROUNDING)
        told = () if self.work.undrawn is None else self.work.undrawn.planes
        for name in (name for name in self.ready.names if name not in told):
            self.made.setdefault(name, np.zeros((3, *shape) if name == "rgb" else shape, np.float32))
        start = self.window.y - self.work.view.frame.data_window.y
        return WetRows(start, start + self.window.height, self.made, kept)

    def _at(self, region: Window) -> tuple[slice, slice]:
        return self.window.slices_of(region)

    def _put(self, number: int) -> None:
        """Put the samples of one number under water, in the rows that have any."""
        region = self.window if self.looks else _rows_around(self.window, self.samples.counts > number)
        where = self._at(region)
        counts, starts = self.samples.counts[where], self.starts[where]
        # Where there are fewer the last stands in: what lies beside a sample is then most often the same.
        at = np.where(counts > 0, starts + np.minimum(number, counts - 1), 0)
        wet, passage = self._made(self._frame(region, at, counts > 0))
        has = counts > number
        if passage is not None:
            self.passage[:, at[has]] = passage[:, has]
        weight = np.where(has, self.before[at] * self.alpha[at], np.float32(0.0))
        self._add(where, wet, weight, first=number == 0)
        if self.work.keep:
            self._keep(wet if self.bare is None else self.undrawn, has, at[has])

    def _made(self, frame: Frame) -> tuple[dict[str, F32], F32 | None]:
        """Return samples under water, and how what floats before them changes what is seen of them.

        What they are without it is left in ``undrawn``.
        """
        wet = dict(self.ready.planes_of(frame))
        if self.bare is None or self.work.undrawn is None:
            return wet, None
        self.undrawn = dict(self.bare.planes_of(frame))
        passage = self.work.undrawn.passage(wet, self.undrawn)
        for name in self.work.undrawn.planes:
            del wet[name]
        return wet, passage

    def _keep(self, wet: Mapping[str, F32], has: NDArray[np.bool_], own: Pixels) -> None:
        """Write down what some samples have become, premultiplied by their own coverage."""
        for name, plane in wet.items():
            if name not in self.own:
                self.own[name] = np.zeros((*plane.shape[:-2], self.samples.size), np.float32)
            values = plane[..., has]
            self.own[name][..., own] = values if name in self.work.plan.guides else values * self.alpha[own]

    def _frame(self, region: Window, at: Pixels, there: NDArray[np.bool_]) -> Frame:
        """Return samples as a picture that each of them covers whole."""
        samples = self.samples
        share = np.where(self.alpha[at] > 0.0, self.alpha[at], np.float32(1.0))
        planes = {name: np.where(there, plane[..., at], 0.0) for name, plane in samples.passes.items()}
        planes |= {
            name: np.where(there, samples_of[:, at] / share, 0.0)
            for name, samples_of in {"rgb": samples.rgb, **samples.passes}.items()
            if name == "rgb" or name.startswith("light.")
        }
        planes["alpha"] = there
        # As if what it shows of the pixel were square; a slab of matter is all over it.
        points = samples.front[at] == samples.back[at]
        planes["sample_width"] = np.where(points, np.sqrt(self.before[at] * self.alpha[at]), np.float32(1.0))
        planes["range"] = np.where(there, self.range_m[at], np.inf)
        return self._over(region, planes)

    def _over(self, region: Window, planes: Mapping[str, NDArray[np.generic]]) -> Frame:
        frame = self.work.view.frame
        flat = {name: plane[(..., *self._at(region))] for name, plane in self.flat_passes.items()}
        own = {name: plane.astype(np.float32, copy=False) for name, plane in planes.items()}
        return Frame({**flat, **own}, region, frame.display_window, frame.pixel_aspect, frame.metadata)

    def _add(self, where: tuple[slice, slice], wet: Mapping[str, F32], weight: F32, *, first: bool) -> None:
        """Add what is seen of some samples to the flat picture; guides tell of the nearest."""
        guides = self.work.plan.guides
        for name, plane in wet.items():
            if name not in self.made:
                shape = (*plane.shape[:-2], *self.window.shape)
                self.made[name] = np.zeros(shape, np.float32)
            target = self.made[name][(..., *where)]
            if name not in guides:
                target += weight * plane
            elif first:
                np.copyto(target, plane, where=weight > 0.0)

    def _rest(self) -> F32:
        """Return what the samples of each pixel leave uncovered, ``(rows, columns)``."""
        counts, last = self.samples.counts, self.starts + self.samples.counts - 1
        if self.samples.size == 0:
            return np.ones(counts.shape, np.float32)
        left = self.before[np.maximum(last, 0)] * (1.0 - self.samples.alpha[np.maximum(last, 0)])
        return np.where(counts > 0, left, np.float32(1.0)).astype(np.float32, copy=False)

    def _open_water(self, rest: F32) -> dict[str, F32]:
        """Put open water behind the samples; return it."""
        wet, guides = self._water(self.window), self.work.plan.guides
        behind = wet if self.bare is None else self.undrawn
        whole = self._at(self.window)
        self._add(whole, {name: wet[name] for name in wet if name not in guides}, rest, first=False)
        bare = np.where(self.samples.counts == 0, np.float32(1.0), np.float32(0.0))
        self._add(whole, {name: wet[name] for name in wet if name in guides}, bare, first=True)
        return behind

    def _water(self, region: Window) -> dict[str, F32]:
        """Return open water alone."""
        nothing = region.shape
        planes = {
            "rgb": np.zeros((3, *nothing)),
            "alpha": np.zeros(nothing),
            "range": np.full(nothing, np.inf),
            "sample_width": np.ones(nothing),
            **{name: np.zeros((*p.shape[:-1], *nothing)) for name, p in self.samples.passes.items()},
        }
        wet, self.open = self._made(self._over(region, planes))
        return wet

    def _card(self, range_m: float) -> F32:
        """Return what floats before a range of all pixels."""
        shape = self.window.shape
        planes = {
            "rgb": np.zeros((3, *shape)),
            "alpha": np.ones(shape),
            "range": np.full(shape, range_m),
            "sample_width": np.ones(shape),
            **{name: np.zeros((*p.shape[:-1], *shape)) for name, p in self.samples.passes.items()},
        }
        passage = self._made(self._over(self.window, planes))[1]
        assert passage is not None
        return passage.reshape(6, -1)

    def _boundaries(self, counts_wet: Pixels) -> Iterator[Boundary]:
        """Yield where it is known what floats before: ranges of all, each pixel's samples, open water.

        Samples are numbered as those of the wet picture are, in which open water is the last of a pixel.
        """
        samples, metres = self.samples, self.deep.metres.ravel().astype(np.float64)
        counts, starts, pixels = samples.counts.ravel(), self.starts.ravel(), samples.pixels
        wet_starts = np.cumsum(counts_wet) - counts_wet
        open_ = counts_wet > counts
        own = samples.front * metres[pixels], samples.back * metres[pixels]
        # Behind what covers a pixel whole nothing floats that is seen; nor is a slab of the render cut again.
        last = np.full(counts.size, np.inf)
        closed = (counts > 0) & ~open_
        last[closed] = own[0][(starts + counts - 1)[closed]]
        for range_m in slice_ranges(sight_m(self.work.shot.path)):
            within = np.zeros(counts.size, np.bool_)
            within[pixels[(own[0] < range_m) & (range_m < own[1])]] = True
            even = np.full(counts.size, range_m)
            yield Boundary(even, even, self._card(float(range_m)), (range_m < last) & ~within)
        for number in range(int(counts.max(initial=0))):
            there = counts > number
            at = np.where(there, starts + np.minimum(number, np.maximum(counts - 1, 0)), 0)
            near, far = (np.where(there, depth[at], 0.0) for depth in own)
            yield Boundary(near, far, self.passage[:, at], there, np.where(there, wet_starts + number, -1))
        if self.open is not None and open_.any():
            end = np.full(counts.size, np.inf)
            passage = self.open.reshape(6, -1)
            yield Boundary(end, end, passage, open_, np.where(open_, wet_starts + counts, -1))

    def _with_floating(self, wet: Samples) -> Samples:
        """Return wet samples, of which open water is the last of a pixel, with what floats between them."""
        boundaries = list(self._boundaries(wet.counts.ravel()))
        return with_floating(wet, boundaries, self.deep.metres, 0.5 * float(self.far))

    def _kept(self, behind: Mapping[str, F32] | None, rest: F32) -> Samples:
        """Return the wet samples, with open water as one more where it is seen."""
        counts, old, far = self.samples.counts, self.samples, self.far
        # What is endlessly far is nearer than open water, so that it stays before it.
        front, back = (np.minimum(depth, np.float32(0.5) * far) for depth in (old.front, old.back))
        wet = self.own
        if behind is not None:
            seen = (rest > 0.0) & ((behind["alpha"] > 0.0) | (behind["rgb"] != 0.0).any(axis=0))
            more = np.flatnonzero(seen)
            order = np.argsort(np.concatenate([old.pixels, more]), kind="stable")
            water = {name: plane.reshape(*plane.shape[:-2], -1)[..., more] for name, plane in behind.items()}
            wet = {
                name: np.concatenate([wet.get(name, plane[..., :0]), plane], axis=-1)[..., order]
                for name, plane in water.items()
            }
            end = np.full(more.size, far)
            front, back = (np.concatenate([depth, end])[order] for depth in (front, back))
            counts = counts + seen
        elif not wet:
            # Without a sample none has told which planes there are.
            told = self._water(self.window if self.looks else self.window.rows(0, 1))
            wet = {name: np.zeros((*plane.shape[:-2], 0), np.float32) for name, plane in told.items()}
        passes = {name: plane for name, plane in wet.items() if name not in ("rgb", "alpha")}
        made = Samples(counts, wet["rgb"], wet["alpha"], front, back, passes)
        return made if self.bare is None else self._with_floating(made)


def _rows_around(band: Window, wanted: NDArray[np.bool_]) -> Window:
    """Return the rows of a band that hold all pixels wanted: a tile is as wide as the picture."""
    rows = np.flatnonzero(wanted.any(axis=1))
    return band.rows(int(rows[0]), int(rows[-1]) + 1)


def finished_flat(
    wet: Mapping[str, F32], steps: DeepSteps, view: View, shot: Shot, how: Evaluation
) -> dict[str, F32]:
    """Return a deep picture's light and coverage when the steps that look around a pixel are done, too.

    Parameters
    ----------
    wet
        The flat planes that its samples gave.
    steps
        How its steps are done.
    view, shot, how
        As `DeepWork` has them.

    Returns
    -------
    dict[str, F32]
        ``rgb`` and ``alpha``, and what else was there.
    """
    planes = dict(wet)
    if steps.scattered is not None:
        spread = evaluate(steps.scattered, view.frame, shot, wanted=("rgb",), how=how)["rgb"]
        plain = evaluate(steps.each, view.frame, shot, wanted=("rgb",), how=how)["rgb"]
        planes["rgb"] = planes["rgb"] + (spread - plain)
    if steps.after is not None:
        flat = view.frame.with_planes(
            rgb=planes["rgb"], alpha=planes["alpha"], coverage=view.frame.plane("alpha")
        )
        planes |= evaluate(steps.after, flat, shot, how=how)
    return planes


def wet_flat(view: View, graph: Graph, shot: Shot, how: Evaluation) -> tuple[dict[str, F32], tuple[str, ...]]:
    """Return a deep view under water as a flat picture, and what a person should know of how.

    Parameters
    ----------
    view
        A view of which ``deep`` is there.
    graph, shot, how
        The look's steps, the frame's surroundings, threads and tiles.

    Returns
    -------
    planes, told
        ``rgb`` and ``alpha``; sentences.

    Raises
    ------
    GraphError, ReadError
        As `deep_steps` and `DeepWork.done`.
    """
    steps = deep_steps(graph, of_samples(shot, view))
    wet = DeepWork(view, LayerPlan(steps.each, (), {}, {}), shot, how, open_water=True, keep=False).done()
    return finished_flat(wet, steps, view, shot, how), steps.told
