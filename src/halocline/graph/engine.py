"""Evaluation of a plan: tiles of rows pulled through the steps, on threads.

A run of operators that look at one pixel at a time is computed tile by tile, while its planes are still in
the processor's cache. Where an operator looks around a pixel, the pictures it takes in are first computed
whole, unless little stands before it; it is then itself part of the next run, given each tile with its
margin. An operator of reach `WHOLE` is computed once, or looks over the whole picture once and is then part
of the next run (`Operator.surveys`). One that looks it over by rows takes tiles as they are computed; they
are kept for the next run as they are. A picture that nobody will ask for again is let go.

The result does not depend on the height of the tiles or the number of threads: no operator may let it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from threading import Lock
from types import NoneType
from typing import Any

import numpy as np

from halocline._typing import F32
from halocline.compute.planes_on_disk import empty_plane
from halocline.compute.threads import at_most, pool, processors, rows_shared
from halocline.errors import GraphError, HaloclineError
from halocline.graph.graph import Graph, Step
from halocline.graph.kept_tiles import KeptTiles
from halocline.graph.operator import WHOLE, AnyOperator, Operator, Planes, RowsOf, Stage, Tile
from halocline.graph.plan import Plan, PlannedStep, make_plan, prepared
from halocline.graph.planes import VIEW_PLANES
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame, Window
from halocline.imaging.panorama import around, continued
from halocline.late_dataclass import dataclass
from halocline.quantities import Strict

# Some twenty planes of this many pixels stay within the last-level cache, and the interpreter's own time for
# each call and what tiles look at beyond their rows hardly tell: measured on the full look at UHD, two thirds
# of this cost 4 % more processor seconds, a sixth 20 %; more of it gains nothing.
TILE_PIXELS = 3 << 16
# Rows of a tile are a multiple of this where there are as many: some work goes by so many rows from the
# picture's first on, and takes tiles as they are.
ROWS_IN_STEP = 8
# Where no more steps than this stand before one that looks around a pixel, and its margins are at most a
# third of a tile, what it takes in is computed anew in them: to put it together costs more, and holds it.
FEW_STEPS = 2
TILES_OVER_MARGINS = 3
# Columns past a panorama's seam are a multiple of this: of the pixels that halos take together.
SURVEYED_BEYOND = 8
# What operators hold whose equality is that of all that it holds.
_PLAIN = (Strict, Stage, bool, int, float, str, tuple, frozenset, NoneType)


class HeldReady:
    """What steps made ready for one picture, held until the next has it: there it need not be made again.

    Steps share what would come out the same (a field of light, a shade) as long as anybody holds it. Between
    pictures of a frame that is looked at again and again nobody else would. A step that is as it was, in
    surroundings that are the same object, is ready as it stands; whether files that it was made of have
    changed nobody asks then.
    """

    def __init__(self) -> None:
        self._plans: list[tuple[Shot, Plan]] = []
        self._before: list[tuple[Shot, Plan]] = []

    def begin(self) -> None:
        """Begin a picture: what was made for the last is held until the next begins."""
        # Of one that was given up before anything was ready, nothing is there to take its place.
        if self._plans:
            self._before, self._plans = self._plans, []

    def hold(self, shot: Shot, plan: Plan) -> None:
        """Hold what is ready for a part of the picture."""
        self._plans.append((shot, plan))

    def prepared(self, step: Step, shot: Shot) -> Any:
        """Return a step made ready: as it was for the last picture, where it would come out the same."""
        for surroundings, plan in (*self._plans, *self._before):
            if surroundings is shot:
                for ready in plan.steps:
                    if ready.name == step.name and _alike(ready.operator, step.acting):
                        return ready.prepared
        return prepared(step, shot)


def _alike(one: AnyOperator, other: AnyOperator) -> bool:
    """Tell whether two operators are of one kind and hold the same."""
    held, others = vars(one), vars(other)
    if type(one) is not type(other) or held.keys() != others.keys():
        return False
    return all(
        _alike(value, others[name])
        if isinstance(value, Operator) and isinstance(others[name], Operator)
        else isinstance(value, _PLAIN) and type(value) is type(others[name]) and value == others[name]
        for name, value in held.items()
    )


class NoLongerWanted(Exception):  # noqa: N818 - not a mistake
    """Raised out of an evaluation whose result nobody wants any more; see `Evaluation.unwanted`."""


@dataclass(frozen=True)
class Evaluation:
    """How to compute; none of it changes a bit of the result.

    Attributes
    ----------
    threads
        Tiles computed at once; one for each processor where not given.
    tile_rows
        Rows of a tile; chosen from the width where not given.
    by_rows
        Whether whoever writes a picture asks for its rows as it writes them, so that it is never held whole
        (`ReadyGraph.rows_of`). It takes as long, but computing and writing cannot overlap.
    on_disk
        Whether whoever makes a frame keeps its whole planes on disk, beside what it writes, while it does
        (`halocline.compute.planes_on_disk`).
    held
        Where what is made ready stays for the next picture, if anywhere.
    unwanted
        Asked before each piece of work, if given: once it tells True, `NoLongerWanted` is raised.
    """

    threads: int | None = None
    tile_rows: int | None = None
    by_rows: bool = False
    on_disk: bool = False
    held: HeldReady | None = None
    unwanted: Callable[[], bool] | None = None

    def go_on(self) -> None:
        """Raise `NoLongerWanted` where nobody wants the result any more."""
        if self.unwanted is not None and self.unwanted():
            raise NoLongerWanted

    def worker_count(self) -> int:
        """Return the number of threads."""
        return self.threads or processors()

    def rows_for(self, window: Window) -> int:
        """Return the rows of a tile over a window."""
        rows = self.tile_rows or max(1, TILE_PIXELS // window.width)
        return rows if self.tile_rows or rows < ROWS_IN_STEP else rows - rows % ROWS_IN_STEP


def evaluate(
    graph: Graph,
    frame: Frame,
    shot: Shot,
    *,
    wanted: Iterable[str] = ("rgb", "alpha"),
    how: Evaluation | None = None,
) -> dict[str, F32]:
    """Compute planes of a graph's output.

    Parameters
    ----------
    graph
        What to do.
    frame
        The render, with at least the planes ``rgb``, ``alpha`` and ``range``.
    shot
        Its surroundings; ``shot.data_window`` is the frame's.
    wanted
        Names of planes of the output.
    how
        Threads and tiles.

    Returns
    -------
    dict[str, F32]
        The planes, float32, over the frame's data window. A plane that nothing changed is the frame's own.

    Raises
    ------
    GraphError
        As `halocline.graph.plan.make_plan`. Errors of operators name the step.
    """
    return ReadyGraph(graph, shot, frame.planes, wanted=wanted, how=how).planes_of(frame)


class ReadyGraph:
    """A graph made ready for one frame's surroundings, to be computed for more than one set of planes there.

    Parameters
    ----------
    graph, shot
        What to do, and where; ``shot.data_window`` is that of the whole picture.
    available
        Names of the planes that each set has.
    wanted, how
        As `evaluate` takes them.

    Raises
    ------
    GraphError
        As `evaluate`.
    """

    def __init__(
        self,
        graph: Graph,
        shot: Shot,
        available: Iterable[str],
        *,
        wanted: Iterable[str] = ("rgb", "alpha"),
        how: Evaluation | None = None,
    ) -> None:
        self.beyond = _beyond(graph, shot)
        window = around(shot.data_window, shot.camera, self.beyond)
        if window != shot.data_window:
            shot = replace(shot, data_window=window)
        self.shot, self.how, self.names = shot, how or Evaluation(), tuple(wanted)
        with at_most(self.how.threads):
            self.plan = make_plan(graph, shot, available, self.names, prepare=self._ready)
        if self.how.held is not None:
            self.how.held.hold(shot, self.plan)

    def _ready(self, step: Step, shot: Shot) -> Any:
        self.how.go_on()
        return prepared(step, shot) if self.how.held is None else self.how.held.prepared(step, shot)

    def planes_of(self, frame: Frame) -> dict[str, F32]:
        """Return the wanted planes, over the frame's data window.

        Parameters
        ----------
        frame
            Planes over the whole picture; or over a part of it, where no step looks around a pixel.

        Returns
        -------
        dict[str, F32]
            As `evaluate` returns them.
        """
        wider = continued(frame, self.shot.camera, self.beyond)
        with at_most(self.how.threads):
            made = _Run(self.plan, wider, self.shot, self.how).result(self.names)
        if wider is frame:
            return made
        where = wider.data_window.slices_of(frame.data_window)
        return {name: np.ascontiguousarray(plane[(..., *where)]) for name, plane in made.items()}

    def rows_of(self, frame: Frame) -> RowsOfPicture:
        """Return the wanted planes as they are asked for, some rows at a time.

        Parameters
        ----------
        frame
            As `planes_of` takes it.

        Returns
        -------
        RowsOfPicture
            What steps need of the whole picture is computed; what is left is done for the rows asked for.
        """
        wider = continued(frame, self.shot.camera, self.beyond)
        with at_most(self.how.threads):
            run = _Run(self.plan, wider, self.shot, self.how)
            run.make_ready()
        return RowsOfPicture(run, self.names, frame.data_window)


class RowsOfPicture:
    """A picture whose rows are computed when asked for; see `ReadyGraph.rows_of`.

    Parameters
    ----------
    run, names
        What makes it, and which planes are wanted.
    window
        The pixels that are wanted.
    """

    def __init__(self, run: _Run, names: tuple[str, ...], window: Window) -> None:
        self._run, self._names, self.window = run, names, window

    def planes(self, start: int, stop: int) -> dict[str, F32]:
        """Return the wanted planes over the rows from and to (not included), counted from the first."""
        whole = self._run.frame.data_window
        above = self.window.y - whole.y
        band = whole.rows(above + start, above + stop)
        inner = Window(self.window.x, band.y, self.window.width, band.height)
        with at_most(self._run.how.threads):
            made = self._run.wanted_over(band, self._names)
        if inner == band:
            return made
        where = band.slices_of(inner)
        return {name: np.ascontiguousarray(plane[(..., *where)]) for name, plane in made.items()}


class _Run:
    """One evaluation: the whole pictures it holds at the moment."""

    def __init__(self, plan: Plan, frame: Frame, shot: Shot, how: Evaluation) -> None:
        self.plan = plan
        self.frame = frame
        self.shot = shot
        self.how = how
        # Whole pictures by step; step identity, since conversions share names.
        self.whole: dict[int, dict[str, F32]] = {}
        # Those that are kept as tiles.
        self.tiles: dict[int, KeptTiles] = {}
        # What steps made of their survey, likewise.
        self.surveyed: dict[int, Any] = {}

    def result(self, wanted: tuple[str, ...]) -> dict[str, F32]:
        self.make_ready()
        return self.wanted_over(self.frame.data_window, wanted)

    def make_ready(self) -> None:
        """Compute all that is needed whole before any part of the output can be."""
        stages = list(self._stages()) if self.plan.output is not None else []
        with pool(self.how.worker_count()) as threads:
            for number, (step, survey) in enumerate(stages):
                if survey:
                    self.surveyed[id(step)] = self._survey(step)
                elif step is not self.plan.output:
                    self.whole[id(step)] = self._over(step, self.frame.data_window, threads)
                if number + 1 < len(stages):
                    # The output itself needs what is there until the last of its rows.
                    self._let_go([later for later, _ in stages[number + 1 :]])

    def wanted_over(self, window: Window, wanted: tuple[str, ...]) -> dict[str, F32]:
        """Return planes of the output over some rows, or all of them."""
        output = self.plan.output
        if output is None:
            return {name: self._source_plane(name, window) for name in wanted}
        if output.reach >= WHOLE and not _surveys(output) and window != self.frame.data_window:
            if id(output) not in self.whole:
                whole = self.frame.data_window
                self.whole[id(output)] = dict(self._computed(output, whole, {}))
            made = dict(self._pulled(output, window, {}))
        else:
            with pool(self.how.worker_count()) as threads:
                made = self._over(output, window, threads)
        missing = set(wanted) - made.keys()
        if missing:
            raise GraphError(
                f"this picture has no plane {sorted(missing)}: no step had reason to write it",
                code="E-GRAPH-PLANE",
                fix=f"It has: {', '.join(sorted(made))}.",
            )
        return {name: made[name] for name in wanted}

    def _stages(self) -> Iterator[tuple[PlannedStep, bool]]:
        """Yield the steps whose picture is surveyed (True) or computed whole, in order.

        The output is the last.
        """
        users: dict[int, int] = {}
        for step in self.plan.steps:
            for source in step.inputs.values():
                users[id(source)] = users.get(id(source), 0) + 1
        looked_around = {
            id(source)
            for step in self.plan.steps
            if step.reach and not self._looks_by_rows(step) and not self._takes_margins(step, users)
            for source in step.inputs.values()
        }
        for step in self.plan.steps:
            if _surveys(step):
                yield step, True
            # A picture with reach that several steps use is computed once, not once for each.
            shared = step.reach > 0 and users.get(id(step), 0) > 1
            at_once = step.reach >= WHOLE and not _surveys(step)
            if id(step) in looked_around or shared or at_once or step is self.plan.output:
                yield step, False

    def _looks_by_rows(self, step: PlannedStep) -> bool:
        """Tell whether a step looks its input over, which need not be there at once."""
        return _surveys(step) and (self.how.by_rows or step.operator.surveys_rows)

    def _takes_margins(self, step: PlannedStep, users: Mapping[int, int]) -> bool:
        """Tell whether what a step takes in is computed anew in the margins of its tiles."""

        def few(source: PlannedStep | None, most: int) -> bool:
            if source is None:
                return True
            alone = most > 0 and source.reach == 0 and users[id(source)] == 1
            return alone and all(few(each, most - 1) for each in source.inputs.values())

        rows = self.how.rows_for(self.frame.data_window)
        if TILES_OVER_MARGINS * 2 * step.reach > rows:
            return False
        return all(few(source, FEW_STEPS) for source in step.inputs.values())

    def _let_go(self, later: list[PlannedStep]) -> None:
        needed = {id(self.plan.output)}
        for stage in later:
            needed.add(id(stage))
            pending: list[PlannedStep | None] = [*stage.inputs.values()]
            while pending:
                step = pending.pop()
                if step is None:
                    continue
                needed.add(id(step))
                if id(step) not in self.whole and id(step) not in self.tiles:
                    pending.extend(step.inputs.values())
        for held in (self.whole, self.tiles, self.surveyed):
            for key in [key for key in held if key not in needed]:
                del held[key]

    def _over(self, step: PlannedStep, window: Window, threads: ThreadPoolExecutor) -> dict[str, F32]:
        """Return a step's live planes over rows of the picture, tile by tile; all where it needs all."""
        if step.reach >= WHOLE and not _surveys(step):
            return dict(self._computed(step, window, {}))
        pieces = rows_shared(window.height, self.how.rows_for(window), step=ROWS_IN_STEP)
        bands = [window.rows(piece.start, piece.stop) for piece in pieces]
        # Planes of the render itself need no copy.
        kept = {name for name in step.live if self._untouched(step, name)}
        out: dict[str, F32] = {}
        # What tiles only hand on, by plane and tile: where it lies whole already.
        handed_on: dict[str, dict[int, tuple[F32, F32]]] = {}
        allocating = Lock()

        def put(name: str, band: Window, plane: F32) -> None:
            with allocating:
                # Any tile tells what planes there are, and of how many channels.
                if name not in out:
                    out[name] = empty_plane((*plane.shape[:-2], *window.shape))
            out[name][(..., *window.slices_of(band))] = plane

        def compute(band: Window) -> None:
            planes = self._pulled(step, band, {})
            for name in planes:
                if name in step.live and name not in kept:
                    plane, whole = planes[name], self._whole_of(planes[name], band)
                    if whole is None:
                        put(name, band, plane)
                    else:
                        handed_on.setdefault(name, {})[band.y] = plane, whole

        # Every result is asked for, so that an error in any tile is raised.
        for _ in threads.map(compute, bands):
            pass
        for name, tiles in handed_on.items():
            source = next(iter(tiles.values()))[1]
            if len(tiles) == len(bands) and all(whole is source for _, whole in tiles.values()):
                kept_whole = source[(..., *self.frame.data_window.slices_of(window))]
                out[name] = source if window == self.frame.data_window else kept_whole
                continue
            for band in bands:
                if band.y in tiles:
                    put(name, band, tiles[band.y][0])
        return {**out, **{name: self._source_plane(name, window) for name in kept}}

    def _whole_of(self, plane: F32, band: Window) -> F32 | None:
        """Return the whole plane that a tile's is but a view of, at its place; None where it is its own."""
        rows = self.frame.data_window.slices_of(band)
        for planes in (self.frame.planes, *self.whole.values()):
            for whole in planes.values():
                if plane is whole:
                    return whole
                if plane.base is None or (plane.base is not whole and plane.base is not whole.base):
                    continue
                part = whole[(..., *rows)]
                if part.shape == plane.shape and part.strides == plane.strides:
                    here, there = (each.__array_interface__["data"] for each in (part, plane))
                    if here == there:
                        return whole
        return None

    def _untouched(self, step: PlannedStep, name: str) -> bool:
        if name not in self.frame.planes:
            return False
        node: PlannedStep | None = step
        while node is not None:
            if name in node.writes:
                return False
            node = node.inputs[node.operator.inputs[0]]
        return True

    def _pulled(self, step: PlannedStep | None, region: Window, memo: dict[int, Planes]) -> Planes:
        """Return a step's live planes over a region, computing only that much."""
        if step is None:
            return memo.setdefault(id(None), _Lazy(self, region))
        if id(step) in self.whole:
            where = self.frame.data_window.slices_of(region)
            return {name: plane[(..., *where)] for name, plane in self.whole[id(step)].items()}
        if id(step) not in memo:
            tiles = self.tiles.get(id(step))
            if tiles is None:
                memo[id(step)] = self._computed(step, region, memo)
            else:
                memo[id(step)] = tiles.over(region, lambda missing: self._computed(step, missing, memo))
        return memo[id(step)]

    def _computed(self, step: PlannedStep, region: Window, memo: dict[int, Planes]) -> Planes:
        self.how.go_on()
        surveys = _surveys(step)
        window = region if surveys else _grown(region, step.reach, self.frame.data_window)
        given, passed = self._given(step, window, memo if window == region else {})
        tile = Tile(region, window, frozenset(step.live), step.added)
        prepared = self.surveyed[id(step)] if surveys else step.prepared
        with _located(step):
            written = step.operator.apply(given, tile, self.shot, prepared)
        kept = {name: tile.trim(passed[name]) for name in step.live - step.writes if name in passed}
        return {**kept, **{name: plane for name, plane in written.items() if name in step.live}}

    def _survey(self, step: PlannedStep) -> Any:
        """Let a step look over the whole picture, whose inputs are there, or made as it asks for them."""
        self.how.go_on()
        window = self.frame.data_window
        tile = Tile(window, window, frozenset(step.live), step.added)
        if self._looks_by_rows(step):
            if not self.how.by_rows:
                # It is asked for again when the step is applied.
                sources = [source for source in step.inputs.values() if source is not None]
                self.tiles.update({id(each): KeptTiles() for each in sources if id(each) not in self.whole})

            def planes(start: int, stop: int) -> Planes:
                return self._given(step, window.rows(start, stop), {})[0]

            rows = RowsOf(planes, self.how.rows_for(window))
            with _located(step):
                return step.operator.survey_by_rows(rows, tile, self.shot, step.prepared)
        given, _ = self._given(step, window, {})
        with _located(step):
            return step.operator.survey(given, tile, self.shot, step.prepared)

    def _given(
        self, step: PlannedStep, window: Window, memo: dict[int, Planes]
    ) -> tuple[dict[str, F32], Planes]:
        """Return what a step reads over a window, and all planes of its main input."""
        given: dict[str, F32] = {}
        main = step.operator.inputs[0]
        passed: Planes = {}
        for role, source in step.inputs.items():
            planes = self._pulled(source, window, memo)
            prefix = "" if role == main else f"{role}/"
            # A plane that an operator writes only at times may not be there.
            given.update({prefix + name: planes[name] for name in step.reads[role] if name in planes})
            if role == main:
                passed = planes
        return given, passed

    def _source_plane(self, name: str, region: Window) -> F32:
        if name in VIEW_PLANES and name not in self.frame.planes:
            return self.shot.view_plane(name, region)
        plane = self.frame.planes[name]
        if region == self.frame.data_window:
            return plane
        return plane[(..., *self.frame.data_window.slices_of(region))]


class _Lazy(Mapping[str, F32]):
    """The render's planes over a region, made only when looked up (the view planes cost time)."""

    def __init__(self, run: _Run, region: Window) -> None:
        self._run = run
        self._region = region
        self._made: dict[str, F32] = {}

    def __getitem__(self, name: str) -> F32:
        if name not in self._made:
            self._made[name] = self._run._source_plane(name, self._region)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter({*self._run.frame.planes, *VIEW_PLANES})

    def __len__(self) -> int:
        return len({*self._run.frame.planes, *VIEW_PLANES})


def _beyond(graph: Graph, shot: Shot) -> int:
    """Return how many columns a panorama goes on past its seam, for steps that look around a pixel.

    What surveys the picture looks farther, but knows itself that a panorama is round: it needs but a few.
    """
    if shot.camera.globe is None:
        return 0
    reach = [step.acting.reach(shot) for step in graph.steps if not step.acting.idle(shot)]
    most = max((min(each, SURVEYED_BEYOND) if each >= WHOLE else each for each in reach), default=0)
    return -(-most // SURVEYED_BEYOND) * SURVEYED_BEYOND


def _surveys(step: PlannedStep) -> bool:
    return step.reach >= WHOLE and step.operator.surveys


@contextmanager
def _located(step: PlannedStep) -> Iterator[None]:
    try:
        yield
    except HaloclineError as error:
        raise error.located(f'step "{step.name}"') from error


def _grown(region: Window, reach: int, limit: Window) -> Window:
    if reach == 0:
        return region
    if reach >= WHOLE:
        return limit
    # Rows only: a tile is as wide as the picture.
    top, bottom = max(limit.y, region.y - reach), min(limit.y_end, region.y_end + reach)
    return Window(region.x, top, region.width, bottom - top)
