"""Pictures kept as tiles, and those not kept: what is computed how often, the same bits as whole ones."""

# ruff: noqa: ARG002 - test operators keep the protocol's signature
from __future__ import annotations

import gc
import weakref
from dataclasses import replace
from threading import Lock
from typing import ClassVar

import numpy as np
import pytest
from tests.conftest import Builders, chain

from halocline._typing import F32
from halocline.compute.threads import in_parallel
from halocline.filters.pyramid_blur import bands_of_rows
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.kept_tiles import KeptTiles
from halocline.graph.limits import Limited, StepLimits
from halocline.graph.operator import WHOLE, AnyOperator, Operator, Planes, PlaneUse, RowsOf, Tile
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.quantities import Strict

WINDOW = Window(-3, 5, 43, 37)
PICTURE = np.arange(37 * 43, dtype=np.float32).reshape(37, 43)


class Nothing(Strict):
    pass


class Numbered(Operator[Nothing, None]):
    """Adds each row's number in the picture, and notes which rows it was asked for."""

    Parameters = Nothing
    asked: ClassVar[list[int]] = []
    adding = Lock()

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        rows = range(tile.region.y, tile.region.y_end)
        with self.adding:
            self.asked.extend(rows)
        return {"rgb": planes["rgb"] + np.array(rows, np.float32)[:, None]}


class Turned(Operator[Nothing, F32]):
    """Adds the row that lies opposite in the picture, over which it looks first: whole, or by rows."""

    Parameters = Nothing
    surveys = True
    surveys_rows = True
    pieces: ClassVar[int] = 0

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def reach(self, shot: Shot) -> int:
        return WHOLE

    def survey(self, planes: Planes, tile: Tile, shot: Shot, prepared: F32) -> F32:
        return planes["rgb"][:, ::-1].copy()

    def survey_by_rows(self, rows: RowsOf, tile: Tile, shot: Shot, prepared: F32) -> F32:
        found = np.empty((3, *tile.window.shape), np.float32)

        def look(part: slice) -> None:
            found[:, part] = rows.planes(part.start, part.stop)["rgb"]

        in_parallel(look, bands_of_rows(tile.window.height, at_once=self.pieces or rows.together))
        return found[:, ::-1].copy()

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F32) -> Planes:
        top = tile.region.y - shot.data_window.y
        return {"rgb": planes["rgb"] + prepared[:, top : top + tile.region.height]}


class TurnedWhole(Turned):
    surveys_rows = False


class InPieces(Turned):
    pieces = 9


def steps(*kinds: type[AnyOperator]) -> list[tuple[str, AnyOperator]]:
    return [(f"{number}", kind(Nothing())) for number, kind in enumerate(kinds)]


def computed(region: Window) -> Planes:
    rows = PICTURE[region.y - WINDOW.y : region.y_end - WINDOW.y]
    return {"rgb": np.stack([rows] * 3), "range": rows}


def test_a_tile_is_handed_back_as_it_is_and_parts_of_tiles_put_together() -> None:
    tiles = KeptTiles()
    made = [tiles.over(WINDOW.rows(first, min(first + 8, 37)), computed) for first in range(0, 37, 8)]

    def never(region: Window) -> Planes:
        raise AssertionError(region)

    assert tiles.over(WINDOW.rows(8, 16), never) is made[1]
    for first, last in ((0, 37), (3, 7), (5, 9), (7, 33), (32, 37), (36, 37)):
        found = tiles.over(WINDOW.rows(first, last), never)
        assert np.array_equal(found["range"], PICTURE[first:last])
        assert np.array_equal(found["rgb"], np.stack([PICTURE[first:last]] * 3))


def test_what_is_missing_is_computed_and_kept() -> None:
    tiles, asked = KeptTiles(), []

    def compute(region: Window) -> Planes:
        asked.append((region.y, region.y_end))
        return computed(region)

    for rows in ((0, 8), (16, 24), (4, 20), (4, 20), (0, 24), (20, 30)):
        found = tiles.over(WINDOW.rows(*rows), compute)
        assert np.array_equal(found["range"], PICTURE[slice(*rows)])
    assert asked == [(5, 13), (21, 29), (9, 25), (25, 35)]


@pytest.mark.parametrize("kind", [Turned, InPieces, TurnedWhole])
@pytest.mark.parametrize("rows", [None, 1, 8, 9, 16, 37])
@pytest.mark.parametrize("threads", [1, 3])
def test_what_is_looked_over_is_computed_once_and_the_same_to_the_bit(
    build: Builders, kind: type[AnyOperator], rows: int | None, threads: int
) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    numbered = frame.planes["rgb"] + np.arange(5, 42, dtype=np.float32)[:, None]
    expected = numbered + numbered[:, ::-1] + np.arange(5, 42, dtype=np.float32)[:, None]
    Numbered.asked.clear()
    graph = chain(steps(Numbered, kind, Numbered))
    made = evaluate(graph, frame, shot, how=Evaluation(threads, rows))
    assert np.array_equal(made["rgb"], expected)
    # Once before it is looked over, once after.
    assert sorted(Numbered.asked) == sorted(2 * list(range(5, 42)))


def test_one_picture_that_two_steps_look_over_is_kept_for_both(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    whole = evaluate(chain(steps(Numbered, TurnedWhole, TurnedWhole)), frame, shot)
    Numbered.asked.clear()
    made = evaluate(chain(steps(Numbered, Turned, Turned)), frame, shot, how=Evaluation(2, 8))
    assert np.array_equal(made["rgb"], whole["rgb"])
    assert sorted(Numbered.asked) == list(range(5, 42))


def test_a_limited_step_looks_over_by_rows_as_its_own_does(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    made = []
    for kind in (Turned, TurnedWhole):
        limited = Limited(kind(Nothing()), StepLimits(amount=0.25))
        assert limited.surveys_rows is kind.surveys_rows
        run = evaluate(chain([*steps(Numbered), ("limited", limited)]), frame, shot, how=Evaluation(2, 9))
        made.append(run["rgb"])
    assert np.array_equal(made[0], made[1])
    assert not np.array_equal(made[0], frame.planes["rgb"])


def test_tiles_begin_where_work_by_rows_does() -> None:
    # 192 K pixels are 51 rows of UHD, of which 48 are taken; 6 rows of a very wide picture stay 6.
    how = Evaluation()
    assert how.rows_for(Window(0, 0, 3840, 2160)) == 48
    assert how.rows_for(Window(0, 0, 1 << 15, 1 << 14)) == 6
    assert replace(how, tile_rows=13).rows_for(WINDOW) == 13


def test_pictures_that_kept_tiles_were_made_of_are_let_go(build: Builders) -> None:
    held: list[int] = []

    class Counted(Numbered):
        def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
            gc.collect()
            held.append(sum(each() is not None for each in made))
            return super().apply(planes, tile, shot, prepared)

    class Mean(Turned):
        surveys = False

        def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F32) -> Planes:
            whole = planes["rgb"] * np.float32(0.5)
            made.append(weakref.ref(whole))
            return {"rgb": whole}

    made: list[weakref.ref[F32]] = []
    evaluate(
        chain(steps(Mean, Numbered, Turned, Counted)),
        build.frame(WINDOW),
        build.shot(WINDOW),
        how=Evaluation(1, 8),
    )
    assert len(made) == 1
    assert held == [0] * 5


class Around(Numbered):
    """Takes the mean of a pixel and those two rows above and below it; edges repeat."""

    def reach(self, shot: Shot) -> int:
        return 2

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        rows = np.arange(tile.region.y, tile.region.y_end)
        first, last = shot.data_window.y, shot.data_window.y_end - 1
        above, below = (np.clip(rows + step, first, last) - tile.window.y for step in (-2, 2))
        rgb = planes["rgb"]
        return {"rgb": (tile.trim(rgb) + rgb[:, above] + rgb[:, below]) / np.float32(3.0)}


@pytest.mark.parametrize(
    ("rows", "before", "asked"),
    [
        # Four rows of margin are a third of twelve. Tiles ask for 0 to 14, 10 to 26, 22 to 37 and 34 to 37.
        (12, 1, 14 + 16 + 15 + 3),
        (12, 2, 2 * 48),
        # More than that of eleven; and three steps are not few: each row once.
        (11, 1, 37),
        (12, 3, 3 * 37),
    ],
)
def test_margins_are_computed_anew_where_little_stands_before(
    build: Builders, rows: int, before: int, asked: int
) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    graph = chain(steps(*[Numbered] * before, Around))
    whole = evaluate(graph, frame, shot, how=Evaluation(1, 37))
    Numbered.asked.clear()
    made = evaluate(graph, frame, shot, how=Evaluation(2, rows))
    assert np.array_equal(made["rgb"], whole["rgb"])
    assert len(Numbered.asked) == asked


def test_no_margins_are_computed_for_margins(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    graph = chain(steps(Numbered, Around, Around))
    whole = evaluate(graph, frame, shot, how=Evaluation(1, 37))
    Numbered.asked.clear()
    assert np.array_equal(evaluate(graph, frame, shot, how=Evaluation(2, 12))["rgb"], whole["rgb"])
    assert len(Numbered.asked) == 48


def test_what_several_take_in_is_computed_once(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    made = [
        Step("rows", Numbered(Nothing()), {"picture": SOURCE}),
        Step("around", Around(Nothing()), {"picture": "rows"}),
        Step("both", build.operator("mix", amount=0.5), {"picture": "rows", "other": "around"}),
    ]
    Numbered.asked.clear()
    evaluate(Graph(made, "both"), frame, shot, how=Evaluation(2, 12))
    assert sorted(Numbered.asked) == list(range(5, 42))
