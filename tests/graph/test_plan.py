"""The plan: which form light is in between steps, which planes are led on, and what is computed once."""

# ruff: noqa: ARG002 - test operators keep the protocol's signature
from __future__ import annotations

from typing import ClassVar

import numpy as np
from tests.conftest import Builders, chain

from halocline._typing import F32
from halocline.compute.threads import allowed
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.operator import AnyOperator, Operator, Planes, PlaneUse, Tile
from halocline.graph.plan import make_plan
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.quantities import Strict

WINDOW = Window(-2, 3, 19, 23)


class Nothing(Strict):
    pass


class HalfAsBands(Operator[Nothing, F32]):
    """Takes colours and gives half of them as bands."""

    Parameters = Nothing

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"bands"}))

    def prepare(self, shot: Shot) -> F32:
        return shot.path.bands.up.astype(np.float32)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F32) -> Planes:
        return {"bands": np.float32(0.5) * np.einsum("kc,cij->kij", prepared, planes["rgb"])}


class HalfAsColours(Operator[Nothing, F32]):
    """Takes bands and gives half of them as colours."""

    Parameters = Nothing

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"bands"}), frozenset({"rgb"}))

    def prepare(self, shot: Shot) -> F32:
        return shot.path.bands.down.astype(np.float32)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F32) -> Planes:
        return {"rgb": np.float32(0.5) * np.einsum("ck,kij->cij", prepared, planes["bands"])}


class Adds(Operator[Nothing, None]):
    """Adds light to bands and says so."""

    Parameters = Nothing

    def planes(self) -> PlaneUse:
        return PlaneUse(
            frozenset({"bands"}), frozenset({"bands", "lamp_haze"}), adds=frozenset({"lamp_haze"})
        )

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        haze = np.full_like(planes["bands"], 0.25)
        return {"bands": planes["bands"] + haze, "lamp_haze": haze}


class Doubles(Operator[Nothing, None]):
    """Doubles colours."""

    Parameters = Nothing

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        return {"rgb": planes["rgb"] * np.float32(2.0)}


class Takes(Operator[Nothing, None]):
    """Takes off all light that was added on the way."""

    Parameters = Nothing

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"bands"}), frozenset({"bands"}), added=True)

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        return {"bands": planes["bands"] - sum(planes[name] for name in tile.added)}


class Around(Operator[Nothing, None]):
    """The mean of three rows."""

    Parameters = Nothing
    rows_made: ClassVar[list[int]] = []

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def reach(self, shot: Shot) -> int:
        return 1

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: None) -> Planes:
        self.rows_made.append(tile.region.height)
        top, bottom = (
            int(tile.window.y == tile.region.y),
            int(tile.window.y_end == tile.region.y_end),
        )
        rgb = np.pad(planes["rgb"], ((0, 0), (top, bottom), (0, 0)), mode="edge")
        return {"rgb": (rgb[:, :-2] + rgb[:, 1:-1] + rgb[:, 2:]) / np.float32(3.0)}


class Counts(Operator[Nothing, int]):
    """Notes how many processors it may use while it prepares."""

    Parameters = Nothing
    seen: ClassVar[list[int]] = []

    def planes(self) -> PlaneUse:
        return PlaneUse(frozenset({"rgb"}), frozenset({"rgb"}))

    def prepare(self, shot: Shot) -> int:
        self.seen.append(allowed())
        return self.seen[-1]

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: int) -> Planes:
        return {"rgb": planes["rgb"]}


def of(kind: type[AnyOperator]) -> AnyOperator:
    return kind(Nothing())


def test_light_given_in_another_form_is_not_what_it_was_before(build: Builders) -> None:
    """A step that takes colours and gives bands leaves no colours of old to be taken for the result."""
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    for kind in (HalfAsBands, HalfAsColours):
        made = build.run([("half", of(kind))], frame, shot)["rgb"]
        np.testing.assert_allclose(made, 0.5 * frame.plane("rgb"), rtol=1e-4, atol=1e-4)
    both = build.run([("half", of(HalfAsBands)), ("again", of(HalfAsColours))], frame, shot)["rgb"]
    np.testing.assert_allclose(both, 0.25 * frame.plane("rgb"), rtol=1e-4, atol=1e-4)


def test_what_was_added_is_known_beyond_a_change_of_form(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    steps = [("haze", of(Adds)), ("filter", of(Around)), ("take", of(Takes))]
    plan = make_plan(chain(steps), shot, frame.planes, ("rgb",))
    assert [step.name for step in plan.steps] == [
        "to bands",
        "haze",
        "to rgb",
        "filter",
        "to bands",
        "take",
        "to rgb",
    ]
    assert {step.name: step.added for step in plan.steps}["take"] == ("lamp_haze",)


def test_no_plane_is_led_on_that_a_later_step_writes_anew(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    plan = make_plan(build.core(), shot, frame.planes, ("rgb", "path_length"))
    live = {step.name: step.live for step in plan.steps}
    assert "path_length" in live["attenuation"]
    assert "path_length" not in live["downwelling"]
    # Of another picture only what is mixed in is led on.
    graph = Graph(
        [
            Step("haze", of(Adds), {"picture": SOURCE}),
            Step("clear", of(Takes), {"picture": SOURCE}),
            Step("mix", build.operator("mix", matte="arch"), {"picture": "haze", "other": "clear"}),
        ],
        "mix",
    )
    wanted = ("rgb", "lamp_haze")
    live = {step.name: step.live for step in make_plan(graph, shot, frame.planes, wanted).steps}
    assert "lamp_haze" in live["haze"]
    assert "lamp_haze" not in live["clear"]


def test_light_is_converted_only_for_who_asks_for_it(build: Builders) -> None:
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    steps = [("attenuation", build.operator("attenuation"))]
    plan = make_plan(chain(steps), shot, frame.planes, ("transmittance",))
    assert [step.name for step in plan.steps] == ["to bands", "attenuation"]


def test_a_picture_with_margins_beside_the_render_itself(build: Builders) -> None:
    """One input of a mix looks around pixels of the render, the other the render: each its own rows."""
    frame, shot = build.frame(WINDOW), build.shot(WINDOW)
    for inputs in ({"picture": "around", "other": SOURCE}, {"picture": SOURCE, "other": "around"}):
        graph = Graph(
            [
                Step("around", of(Around), {"picture": SOURCE}),
                Step("mix", build.operator("mix", amount=0.5), inputs),
            ],
            "mix",
        )
        rgb = frame.plane("rgb")
        padded = np.pad(rgb, ((0, 0), (1, 1), (0, 0)), mode="edge")
        mean = (padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / 3.0
        for rows in (1, 4, 23):
            made = build.run(graph, frame, shot, threads=1, tile_rows=rows)["rgb"]
            np.testing.assert_allclose(made, 0.5 * (rgb + mean), rtol=1e-5, atol=1e-5)


def test_a_picture_that_looks_around_and_is_used_twice_is_computed_once(build: Builders) -> None:
    graph = Graph(
        [
            Step("around", of(Around), {"picture": SOURCE}),
            Step("doubled", of(Doubles), {"picture": "around"}),
            Step("blurred", of(Around), {"picture": "doubled"}),
            Step("mix", build.operator("mix", amount=0.5), {"picture": "blurred", "other": "around"}),
        ],
        "mix",
    )
    Around.rows_made.clear()
    build.run(graph, build.frame(WINDOW), build.shot(WINDOW), threads=1, tile_rows=5)
    assert sum(Around.rows_made) == 2 * WINDOW.height


def test_steps_prepare_within_the_threads_allowed(build: Builders) -> None:
    Counts.seen.clear()
    for threads in (1, 3):
        build.run([("counts", of(Counts))], build.frame(WINDOW), build.shot(WINDOW), threads=threads)
    assert Counts.seen == [1, 3]
