"""The engine: the same bits whatever the tiles and threads, nothing changed that must stay, little kept."""

# ruff: noqa: ARG002 - test operators keep the protocol's signature
from __future__ import annotations

import threading
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np
import pytest
from tests.conftest import Builders, Tiling, chain

from halocline._typing import F32
from halocline.errors import GraphError, HaloclineError
from halocline.graph.engine import Evaluation, HeldReady, NoLongerWanted, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.operator import WHOLE, AnyOperator, Operator, Planes, PlaneUse, Tile
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame, Window
from halocline.quantities import Strict

# An odd height leaves a short last tile; the window does not start at 0.
WINDOW = Window(-3, 5, 43, 37)
TILINGS = [Tiling(threads=threads, tile_rows=rows) for rows in (1, 2, 5, 16, 37, 100) for threads in (1, 3)]


class Nothing(Strict):
    pass


class Blur(Operator[Nothing, None]):
    """A mean over a square of pixels, by hand; edges are repeated."""

    Parameters = Nothing
    radius: ClassVar[int] = 3

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def reach(self, shot: Shot) -> int:
        return self.radius

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        r = self.radius
        picture = shot.data_window
        above = r - (tile.region.y - tile.window.y)
        below = r - (tile.window.y_end - tile.region.y_end)
        assert above == 0 or tile.window.y == picture.y
        assert below == 0 or tile.window.y_end == picture.y_end
        padded = np.pad(planes["rgb"], ((0, 0), (above, below), (r, r)), mode="edge")
        rows, columns = tile.region.shape
        total = np.zeros((3, rows, columns), np.float32)
        for dy in range(2 * r + 1):
            for dx in range(2 * r + 1):
                total += padded[:, dy : dy + rows, dx : dx + columns]
        return {"rgb": total / np.float32((2 * r + 1) ** 2)}


class BandBlur(Blur):
    """The same in the bands' form of light."""

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"bands"}), frozenset({"bands"}))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        spread = [
            super(BandBlur, self).apply({"rgb": b[None]}, tile, shot, prepared) for b in planes["bands"]
        ]
        return {"bands": np.stack([plane["rgb"][0] for plane in spread])}


class Levels(Operator[Nothing, None]):
    """Divides by the picture's mean: needs the whole of it."""

    Parameters = Nothing
    calls: ClassVar[list[Window]] = []

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def reach(self, shot: Shot) -> int:
        return WHOLE

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        self.calls.append(tile.region)
        return {"rgb": planes["rgb"] / planes["rgb"].mean(dtype=np.float64).astype(np.float32)}


class Rows(Operator[Nothing, None]):
    """Adds each row's number in the picture: a point operator that uses coordinates."""

    Parameters = Nothing
    threads_seen: ClassVar[set[int]] = set()

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        self.threads_seen.add(threading.get_ident())
        rows = np.arange(tile.region.y, tile.region.y_end, dtype=np.float32)
        return {"rgb": planes["rgb"] + rows[:, None]}


class Fails(Rows):
    """Finds something wrong in the last rows only."""

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        if tile.region.y_end == shot.data_window.y_end:
            raise HaloclineError("the sea bed is missing", code="E-TEST-BED", fix="Add one.")
        return super().apply(planes, tile, shot, prepared)


class Idle(Rows):
    def idle(self, shot: Shot) -> bool:
        return True


def nothing(kind: type[AnyOperator]) -> AnyOperator:
    return kind(Nothing())


@pytest.fixture(scope="module")
def graph(build: Builders) -> Graph:
    """A graph with every kind of joint: two branches, reach in both forms, a whole one, a mix by matte."""
    steps = [
        Step("downwelling", build.operator("downwelling"), {"picture": SOURCE}),
        Step("soft", nothing(BandBlur), {"picture": "downwelling"}),
        Step("attenuation", build.operator("attenuation"), {"picture": "soft"}),
        Step("veil", build.operator("veiling_light"), {"picture": "attenuation"}),
        Step("blurred", nothing(Blur), {"picture": "veil"}),
        Step("rows", nothing(Rows), {"picture": "blurred"}),
        Step("levels", nothing(Levels), {"picture": "rows"}),
        Step(
            "both",
            build.operator("mix", amount=0.7, matte="arch"),
            {"picture": "veil", "other": "levels"},
        ),
        Step("again", nothing(Blur), {"picture": "both"}),
        Step("exposed", build.operator("white_reference", balance=0.5), {"picture": "again"}),
    ]
    return Graph(steps, "exposed")


WANTED = ("rgb", "alpha", "transmittance", "veil", "path_length")


@pytest.mark.parametrize("averaged", [False, True])
@pytest.mark.parametrize("tilt", [-20.0, 0.0, 35.0])
def test_core_gives_the_same_bits_for_any_tile_height_and_thread_count(
    build: Builders, averaged: bool, tilt: float
) -> None:
    frame = build.frame(WINDOW, averaged_depth=averaged)
    shot = build.shot(WINDOW, camera=build.camera(WINDOW, tilt_deg=tilt))
    whole = build.run(build.core(), frame, shot, wanted=WANTED, threads=1, tile_rows=1000)
    assert np.isfinite(whole["rgb"]).all()
    for how in TILINGS:
        tiled = build.run(build.core(), frame, shot, wanted=WANTED, **how)
        for name in WANTED:
            assert tiled[name].dtype == np.float32
            assert np.array_equal(tiled[name], whole[name]), (name, how)


def test_story_remap_gives_the_same_bits_for_any_tile_height(build: Builders) -> None:
    from halocline.physics.path.visibility import RangeRemap

    frame = build.frame(WINDOW, averaged_depth=True)
    shot = build.shot(WINDOW, path=build.path(remap=RangeRemap(1.5, 2.0)))
    whole = build.run(build.core(), frame, shot, threads=1, tile_rows=1000)
    for how in TILINGS:
        assert np.array_equal(build.run(build.core(), frame, shot, **how)["rgb"], whole["rgb"])


def test_graph_with_reach_and_branches_gives_the_same_bits_for_any_tile_height_and_thread_count(
    build: Builders, graph: Graph
) -> None:
    frame = build.frame(WINDOW, averaged_depth=True)
    shot = build.shot(WINDOW)
    whole = build.run(graph, frame, shot, threads=1, tile_rows=1000)
    for how in TILINGS:
        tiled = build.run(graph, frame, shot, **how)
        assert np.array_equal(tiled["rgb"], whole["rgb"]), how
        assert np.array_equal(tiled["alpha"], whole["alpha"]), how


def test_two_runs_of_one_graph_are_the_same_and_leave_the_frame_alone(build: Builders, graph: Graph) -> None:
    frame = build.frame(WINDOW, averaged_depth=True)
    before = {name: plane.copy() for name, plane in frame.planes.items()}
    first = build.run(graph, frame, build.shot(WINDOW), threads=2, tile_rows=3)
    second = build.run(graph, frame, build.shot(WINDOW), threads=2, tile_rows=3)
    assert np.array_equal(first["rgb"], second["rgb"])
    for name, plane in before.items():
        assert np.array_equal(frame.planes[name], plane), name


def test_frame_of_read_only_planes_is_enough(build: Builders, graph: Graph) -> None:
    frame = build.frame(WINDOW, averaged_depth=True)
    for plane in frame.planes.values():
        plane.setflags(write=False)
    build.run(graph, frame, build.shot(WINDOW))


def test_margins_of_a_blur_are_those_of_the_picture_and_not_of_the_tile(build: Builders) -> None:
    # Written out: a single bright pixel spreads over a square of seven by seven, in any tiling.
    window = Window(0, 0, 15, 15)
    rgb = np.zeros((3, 15, 15), np.float32)
    rgb[:, 7, 7] = 49.0
    ones = np.ones((15, 15), np.float32)
    frame = Frame({"rgb": rgb, "alpha": ones, "range": ones}, window, window)
    expected = np.zeros((15, 15), np.float32)
    expected[4:11, 4:11] = 1.0
    for rows in (1, 2, 4, 15):
        out = build.run([("blur", nothing(Blur))], frame, build.shot(window), tile_rows=rows)
        assert np.array_equal(out["rgb"], np.stack([expected] * 3))


def test_whole_picture_operator_is_called_once_with_the_whole_picture(build: Builders) -> None:
    Levels.calls.clear()
    steps = [("rows", nothing(Rows)), ("levels", nothing(Levels)), ("more", nothing(Rows))]
    build.run(steps, build.frame(WINDOW), build.shot(WINDOW), threads=3, tile_rows=4)
    assert Levels.calls == [WINDOW]


def test_tiles_are_computed_on_several_threads(build: Builders) -> None:
    Rows.threads_seen.clear()
    window = Window(0, 0, 400, 600)
    build.run([("rows", nothing(Rows))], build.frame(window), build.shot(window), threads=3, tile_rows=1)
    assert len(Rows.threads_seen) > 1


def test_idle_operator_leaves_the_render_untouched_to_the_bit(build: Builders) -> None:
    frame = build.frame(WINDOW)
    out = build.run([("idle", nothing(Idle))], frame, build.shot(WINDOW))
    assert out["rgb"] is frame.planes["rgb"] or np.shares_memory(out["rgb"], frame.planes["rgb"])
    assert np.array_equal(out["rgb"], frame.planes["rgb"])


def test_water_scaled_away_leaves_the_render_untouched_to_the_bit(build: Builders) -> None:
    frame = build.frame(WINDOW)
    path = build.path(attenuation_scale=0.0, veil_scale=0.0, downwelling_scale=0.0)
    steps = [(name, build.operator(name)) for name in ("downwelling", "attenuation", "veiling_light")]
    out = build.run(steps, frame, build.shot(WINDOW, path=path))
    assert np.array_equal(out["rgb"], frame.planes["rgb"])
    assert np.array_equal(out["alpha"], frame.planes["alpha"])


def test_idle_step_between_others_is_as_if_it_were_not_there(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    veil = ("veiling_light", build.operator("veiling_light"))
    with_idle = build.run([("idle", nothing(Idle)), veil, ("idle 2", nothing(Idle))], frame, shot)
    assert np.array_equal(with_idle["rgb"], build.run([veil], frame, shot)["rgb"])


def test_branch_that_an_idle_mix_left_out_is_not_computed(build: Builders) -> None:
    Levels.calls.clear()
    steps = [
        Step("levels", nothing(Levels), {"picture": SOURCE}),
        Step("mix", build.operator("mix", amount=0.0), {"picture": SOURCE, "other": "levels"}),
        Step("rows", nothing(Rows), {"picture": "mix"}),
    ]
    build.run(Graph(steps, "rows"), build.frame(WINDOW), build.shot(WINDOW))
    assert Levels.calls == []


def test_error_in_any_tile_is_raised_with_the_step_it_came_from(build: Builders) -> None:
    steps = [("rows", nothing(Rows)), ("bottom", nothing(Fails))]
    with pytest.raises(HaloclineError) as caught:
        build.run(steps, build.frame(WINDOW), build.shot(WINDOW), threads=2, tile_rows=4)
    assert str(caught.value) == 'E-TEST-BED  step "bottom": the sea bed is missing\n  Add one.'


def test_plane_that_is_not_there_is_refused_with_those_that_are(build: Builders) -> None:
    steps = [("mix", build.operator("mix", matte="anchor"))]
    graph = Graph([Step(*steps[0], {"picture": SOURCE, "other": SOURCE})], "mix")
    with pytest.raises(GraphError) as caught:
        build.run(graph, build.frame(WINDOW), build.shot(WINDOW))
    assert caught.value.code == "E-GRAPH-PLANE"
    assert "step \"mix\": it reads the plane ['matte.anchor'], which the picture does not have" in str(
        caught.value
    )
    assert "matte.arch" in str(caught.value.fix)
    with pytest.raises(GraphError, match="no plane \\['caustic_gain'\\]"):
        build.run(build.core(), build.frame(WINDOW), build.shot(WINDOW), wanted=("caustic_gain",))


def test_view_planes_may_be_asked_for_like_any_other(build: Builders) -> None:
    shot = build.shot(WINDOW)
    out = build.run(build.core(), build.frame(WINDOW), shot, wanted=("downward",), tile_rows=3)
    assert np.array_equal(out["downward"], shot.view_plane("downward", WINDOW))


def test_separable_layers_recombine_with_the_render_to_the_composite(build: Builders) -> None:
    # Opaque pixels: composite = down (up rgb * transmittance + veil).
    frame = build.frame(WINDOW)
    frame = frame.with_planes(alpha=np.ones(WINDOW.shape, np.float32))
    steps = [(name, build.operator(name)) for name in ("attenuation", "veiling_light")]
    out = build.run(steps, frame, build.shot(WINDOW), wanted=("rgb", "transmittance", "veil"))
    bands = build.bands()
    lifted = np.einsum("kc,chw->khw", bands.up, frame.planes["rgb"].astype(np.float64))
    again = np.einsum("ck,khw->chw", bands.down, lifted * out["transmittance"] + out["veil"])
    np.testing.assert_allclose(out["rgb"], again, rtol=1e-4, atol=1e-5)


def test_threads_default_to_the_processors_this_process_may_use() -> None:
    assert Evaluation().worker_count() >= 1
    assert Evaluation(threads=5).worker_count() == 5


def test_float64_never_enters_the_pixel_path(build: Builders, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every plane that goes in or out of any operator's apply is float32, and so is every scratch array."""
    seen: list[np.dtype[Any]] = []
    empty_like = np.empty_like

    def watched(prototype: F32, *args: Any, **kwargs: Any) -> Any:
        made = empty_like(prototype, *args, **kwargs)
        if made.ndim >= 2:
            seen.append(made.dtype)
        return made

    monkeypatch.setattr(np, "empty_like", watched)
    for kind in ("downwelling", "attenuation", "veiling_light", "white_reference", "mix"):
        operator = build.operator(kind)
        original = operator.apply

        def checked(
            planes: Planes, tile: Tile, shot: Shot, prepared: Any, original: Any = original
        ) -> Planes:
            written: Planes = original(planes, tile, shot, prepared)
            seen.extend(plane.dtype for plane in (*planes.values(), *written.values()))
            return written

        monkeypatch.setattr(operator, "apply", checked)
        step = Step("it", operator, dict.fromkeys(operator.inputs, SOURCE))
        build.run(Graph([step], "it"), build.frame(WINDOW, averaged_depth=True), build.shot(WINDOW))
    assert set(seen) == {np.dtype(np.float32)}


def test_chain_of_nothing_gives_the_render(build: Builders) -> None:
    frame = build.frame(WINDOW)
    assert np.array_equal(build.run(chain([]), frame, build.shot(WINDOW))["rgb"], frame.planes["rgb"])


class Told(Strict):
    share: float = 1.0


class Counted(Operator[Told, float]):
    """Multiplies the light by its share, and counts how often it is made ready and applied."""

    Parameters = Told
    ready: ClassVar[list[str]] = []
    applied: ClassVar[list[Window]] = []

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def prepare(self, shot: Shot) -> float:
        self.ready.append(shot.step)
        return self.parameters.share

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: float) -> Planes:
        self.applied.append(tile.region)
        return {"rgb": planes["rgb"] * np.float32(prepared)}


def counted(*shares: float) -> Graph:
    """Return a chain of counting steps, called first, second, ..."""
    names = ("first", "second", "third")
    return chain([(name, Counted(Told(share=share))) for name, share in zip(names, shares, strict=False)])


def test_what_is_no_longer_wanted_is_not_finished(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    Counted.applied.clear()

    def unwanted() -> bool:
        return len(Counted.applied) >= 3

    how = Evaluation(threads=1, tile_rows=1, unwanted=unwanted)
    with pytest.raises(NoLongerWanted):
        evaluate(counted(0.5), frame, shot, how=how)
    assert len(Counted.applied) == 3
    Counted.ready.clear()
    with pytest.raises(NoLongerWanted):
        evaluate(counted(0.5), frame, shot, how=how)
    assert Counted.ready == [], "nothing is made ready either"


def test_steps_that_are_as_they_were_are_not_made_ready_again(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    held = HeldReady()

    def made(graph: Graph, around: Shot) -> tuple[Any, list[str]]:
        Counted.ready.clear()
        held.begin()
        return evaluate(graph, frame, around, how=Evaluation(held=held))["rgb"], list(Counted.ready)

    assert made(counted(0.5, 0.25), shot)[1] == ["first", "second"]
    turned, ready = made(counted(0.5, 0.75), shot)
    assert ready == ["second"]
    np.testing.assert_array_equal(turned, evaluate(counted(0.5, 0.75), frame, shot)["rgb"])
    # Of other surroundings, however alike, nothing is known.
    assert made(counted(0.5, 0.75), build.shot(WINDOW))[1] == ["first", "second"]
    # What was made ready for a picture that was given up takes nothing away.
    again = build.shot(WINDOW)
    made(counted(0.5, 0.75), again)
    for _ in range(2):
        held.begin()
        with pytest.raises(NoLongerWanted):
            evaluate(counted(0.1), frame, again, how=Evaluation(held=held, unwanted=lambda: True))
    assert made(counted(0.5, 0.5), again)[1] == ["second"]


def test_a_draft_follows_light_along_a_third_of_the_rays(build: Builders) -> None:
    shot = build.shot(WINDOW)
    assert shot.samples(288) == 288
    assert [replace(shot, draft=True).samples(number) for number in (288, 3, 1)] == [96, 1, 1]


class HandsOn(Operator[Nothing, None]):
    """Hands coverage of the render on under another name."""

    Parameters = Nothing

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb", "alpha", "range"}), writes=frozenset({"rgb", "coverage"}))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        return {"rgb": tile.trim(planes["rgb"]) + 1, "coverage": self.handed_on(planes, tile)}

    def handed_on(self, planes: Planes, tile: Tile) -> F32:
        return planes["alpha"]


class HandsRed(HandsOn):
    """A channel of colour instead."""

    def handed_on(self, planes: Planes, tile: Tile) -> F32:
        red: F32 = planes["rgb"][0]
        return red


class HandsRange(HandsOn):
    """Distance instead."""

    def handed_on(self, planes: Planes, tile: Tile) -> F32:
        return planes["range"]


class HandsAbove(HandsOn):
    """That of the row above instead."""

    def reach(self, shot: Shot) -> int:
        return 1

    def handed_on(self, planes: Planes, tile: Tile) -> F32:
        alpha, rows = planes["alpha"], tile.region.height
        return alpha[:rows] if tile.window.y < tile.region.y else np.concatenate([alpha[:1], alpha])[:rows]


class HandsEither(HandsOn):
    """Coverage down to some row, distance from there on, where a tile has no rows of both."""

    def handed_on(self, planes: Planes, tile: Tile) -> F32:
        above = np.clip(WINDOW.y + 10 - tile.region.y, 0, tile.region.height)
        if above in (0, tile.region.height):
            return planes["alpha" if above else "range"]
        return np.concatenate([planes["alpha"][:above], planes["range"][above:]])


@pytest.mark.parametrize("tiling", TILINGS)
def test_planes_that_tiles_only_hand_on_are_not_copied(build: Builders, tiling: Tiling) -> None:
    """Not even where another step looks around pixels, so that whole pictures are made."""
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    # Planes may lie beside each other in one array.
    rgb = frame.planes["rgb"]
    alpha, range_m = np.stack([frame.planes["alpha"], frame.planes["range"]])
    frame = replace(frame, planes={"rgb": rgb, "alpha": alpha, "range": range_m})
    expected = {
        HandsOn: alpha,
        HandsRed: rgb[0],
        HandsRange: range_m,
        HandsAbove: np.concatenate([alpha[:1], alpha[:-1]]),
        HandsEither: np.concatenate([alpha[:10], range_m[10:]]),
    }
    for kind, plane in expected.items():
        graph = chain([("hand on", nothing(kind)), ("blur", nothing(Blur))])
        out = evaluate(graph, frame, shot, wanted=("rgb", "coverage"), how=Evaluation(**tiling))
        np.testing.assert_array_equal(out["coverage"], plane)
        assert (out["coverage"] is alpha) == (kind is HandsOn)
