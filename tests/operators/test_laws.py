"""Laws that hold for every operator that is registered, whatever it does.

Halocline's own are all here by the registry; one that is added is tried without a line of this file. At which
settings it changes nothing stands on its class (`nothing_at`); what it needs to do anything, in its own test
file or in `tests.operators.every`.
"""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any, Unpack, cast

import cv2
import numpy as np
import pytest
from tests.conftest import Builders, PathChanges, chain
from tests.operators.every import steps_of

from halocline._typing import F32
from halocline.batch.layers import ALL, plan_layers
from halocline.compute.compiled import Compiled
from halocline.errors import GraphError
from halocline.graph.engine import Evaluation, ReadyGraph, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.light_form import RGBToBands
from halocline.graph.operator import WHOLE, AnyOperator, Operator, Planes, Stage, Tile
from halocline.graph.planes import BANDS
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame, Window
from halocline.operators.registry import operator_named, operator_names
from halocline.physics.floating import turbid_light, turbid_view
from halocline.physics.path import lamps
from halocline.physics.path.lamps import Lamp
from halocline.physics.sea import shafts

WINDOW = Window(0, 0, 61, 43)


def every() -> list[Any]:
    return [
        pytest.param(operator, id=f"{name}-{number}")
        for name in operator_names()
        for number, operator in enumerate(steps_of(name))
    ]


EVERY = every()


def shot_of(build: Builders, **path: Unpack[PathChanges]) -> Shot:
    shot = build.shot(
        WINDOW, path=build.path(depth_m=8.0, **path), camera=build.camera(WINDOW, tilt_deg=12.0)
    )
    intensity = 4.0 * np.pi * shot.path.white
    lamp = Lamp(np.array([0.4, 0.3, 0.0]), np.array([0.0, 0.0, -1.0]), intensity, 30.0, 20.0, 0.04)
    return replace(shot, lamps=(lamp,))


def render(build: Builders) -> Frame:
    """A frame of everything awkward, with every pass that an operator may ask for."""
    frame = build.frame(WINDOW, averaged_depth=True)
    normal = np.random.default_rng(3).standard_normal((3, *WINDOW.shape)).astype(np.float32)
    normal /= np.sqrt((normal * normal).sum(axis=0))
    planes = {**frame.planes, "normal": normal, "light.sun": frame.planes["rgb"] * np.float32(0.6)}
    return replace(frame, planes=planes)


def graph_of(operator: AnyOperator, build: Builders) -> Graph:
    """The operator where it finds what it needs: after the veil, unless it comes before any other step."""
    use = operator.planes()
    steps: list[tuple[str, AnyOperator]] = [("attenuation", build.operator("attenuation"))]
    if "veil" in use.reads:
        steps.append(("veil", build.operator("veiling_light")))
    if any(name.startswith("light.") for name in use.reads):
        steps = []
    if len(operator.inputs) > 1:
        before = [Step("attenuation", steps[0][1], {"picture": SOURCE})]
        given = dict(zip(operator.inputs, ("attenuation", SOURCE), strict=True))
        return Graph([*before, Step("tried", operator, given)], "tried")
    return chain([*steps, ("tried", operator)])


def declared(kind: type[AnyOperator], name: str) -> bool:
    """Tell whether an operator, or a base that it shares with others, says something for itself."""
    return any(name in vars(base) for base in kind.__mro__[: kind.__mro__.index(Operator)])


@pytest.mark.parametrize("name", operator_names())
def test_nothing_is_changed_at_no_strength_to_the_bit(name: str, build: Builders) -> None:
    kind = operator_named(name)
    assert declared(kind, "nothing_at"), f"{kind.__name__}: say where it changes nothing, or None"
    if kind.nothing_at is None:
        return
    keys = {key: value for key, value in kind.nothing_at.items() if "." not in key}
    # What the preset's sections say of a water stands in its path under the same name.
    path = cast(
        PathChanges, {key.split(".")[1]: kind.nothing_at[key] for key in kind.nothing_at.keys() - keys}
    )
    shot, frame = shot_of(build, **path), render(build)
    for tried in steps_of(name):
        operator = type(tried)(tried.parameters.model_copy(update=keys))
        inputs = dict.fromkeys(operator.inputs, SOURCE)
        graph = Graph([Step("tried", operator, inputs)], "tried")
        made = evaluate(graph, frame, shot, wanted=("rgb", "alpha", "range"))
        for plane, values in made.items():
            assert np.array_equal(values, frame.planes[plane]), plane


@pytest.mark.parametrize("operator", EVERY)
def test_tiles_and_threads_change_no_bit(operator: AnyOperator, build: Builders) -> None:
    shot, frame, graph = shot_of(build), render(build), graph_of(operator, build)
    wanted = ("rgb", "alpha", *sorted(operator.planes().adds))
    whole = evaluate(graph, frame, shot, wanted=wanted, how=Evaluation(1, WINDOW.height))
    for how in (Evaluation(3, 7), Evaluation(2, 1)):
        other = evaluate(graph, frame, shot, wanted=wanted, how=how)
        for name in wanted:
            assert np.array_equal(whole[name], other[name]), name


@pytest.mark.parametrize("operator", EVERY)
def test_what_is_made_of_lights_together_is_made_of_each_unless_it_says_where(
    operator: AnyOperator, build: Builders
) -> None:
    """Samples of a deep picture are added up after all steps: see `Operator.even_at`.

    What comes before anything is drawn in the water may do as it likes, and so may what looks around a
    pixel: it is left out there.
    """
    even = operator.even_at()
    shot, frame = shot_of(build), render(build)
    if Stage.ANYWHERE < operator.stage < Stage.FLOATING or operator.reach(shot) >= WHOLE:
        return

    def made(tried: AnyOperator, brightness: float) -> F32:
        lit = {
            name: plane * np.float32(brightness) if name == "rgb" or name.startswith("light.") else plane
            for name, plane in frame.planes.items()
        }
        return evaluate(graph_of(tried, build), replace(frame, planes=lit), shot, wanted=("rgb",))["rgb"]

    def off(tried: AnyOperator) -> float:
        none, once, twice = (made(tried, brightness) for brightness in (0.0, 1.0, 2.0))
        return float(np.abs(twice - 2.0 * once + none).max() / np.abs(twice).max())

    update = {} if even is None else dict(even)
    assert off(type(operator)(operator.parameters.model_copy(update=update))) < 1e-5


@pytest.mark.parametrize("operator", EVERY)
def test_the_render_is_not_changed_numbers_stay_numbers_and_one_thread_is_one_thread(
    operator: AnyOperator, build: Builders, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    opencv: list[int] = []
    begin = ThreadPoolExecutor.__init__

    def noted(self: Any, workers: int | None = None, *rest: Any, **more: Any) -> None:
        asked.append(workers or 99)
        begin(self, workers, *rest, **more)

    apply = type(operator).apply

    def watched(self: Any, *given: Any) -> Any:
        opencv.append(cv2.getNumThreads())
        return apply(self, *given)

    monkeypatch.setattr(ThreadPoolExecutor, "__init__", noted)
    monkeypatch.setattr(type(operator), "apply", watched)
    shot, frame = shot_of(build), render(build)
    before = {name: plane.copy() for name, plane in frame.planes.items()}
    allowed = cv2.getNumThreads()
    cv2.setNumThreads(4)
    try:
        made = evaluate(graph_of(operator, build), frame, shot, how=Evaluation(1))
        assert cv2.getNumThreads() == 4
    finally:
        cv2.setNumThreads(allowed)
    assert set(asked) == {1}
    assert set(opencv) == {1}
    for name, plane in before.items():
        assert np.array_equal(plane, frame.planes[name]), name
    assert np.isfinite(made["rgb"]).all()
    assert np.isfinite(made["alpha"]).all()
    assert made["rgb"].dtype == made["alpha"].dtype == np.float32


def check_sum(graph: Graph, build: Builders) -> tuple[str, ...]:
    """Check that a graph's layers add up to its frame, and that asking for them changes no bit of it."""
    shot, frame = shot_of(build), render(build)
    plain = evaluate(graph, frame, shot)["rgb"]
    plan = plan_layers(graph, (ALL,))
    made = evaluate(plan.graph, frame, shot, wanted=("rgb", *plan.planes))
    assert np.array_equal(made["rgb"], plain)
    layers = plan.finished(made, shot)
    total = np.sum([layer.astype(np.float64) for layer in layers.values()], axis=0)
    kept = [np.abs(made[tap]).max(axis=0) if len(made[tap]) == 3 else 0.0 for tap in plan.planes]
    scale = np.max([np.abs(layer) for layer in layers.values()], axis=0) + np.max(kept, axis=0) + 1e-3
    assert np.max(np.abs(total - plain) / scale) < 2e-5
    return tuple(layers)


@pytest.mark.parametrize("operator", EVERY)
def test_layers_add_up_to_the_frame(operator: AnyOperator, build: Builders) -> None:
    graph = graph_of(operator, build)
    layers = tuple(plan_layers(graph, (ALL,)).additive)
    assert layers[0] == "direct"
    # What an exposure does to all light is no layer of its own: it is in each of them.
    exposed = Step("exposed", build.operator("white_reference", balance=0.5), {"picture": graph.output})
    assert check_sum(Graph([*graph.steps, exposed], "exposed"), build) == layers


@pytest.mark.parametrize("seed", range(12))
def test_layers_of_any_graph_add_up_to_the_frame(seed: int, build: Builders) -> None:
    chance = random.Random(seed)
    shot, frame = shot_of(build), render(build)
    steps: list[Step] = []
    while len(steps) < 6:
        name = chance.choice(operator_names())
        operator = chance.choice(steps_of(name))
        sources = [SOURCE, *(step.name for step in steps)]
        inputs = dict.fromkeys(operator.inputs, sources[-1])
        for role in operator.inputs[1:]:
            inputs[role] = chance.choice(sources)
        step = Step(f"{name} {len(steps)}", operator, inputs)
        try:
            ReadyGraph(Graph([*steps, step], step.name), shot, frame.planes)
        except GraphError:
            # It needs a plane that nobody has made.
            continue
        steps.append(step)
    check_sum(Graph(steps, steps[-1].name), build)


def handed(operator: AnyOperator, build: Builders) -> tuple[dict[str, F32], Tile, Shot]:
    """Return what an operator is handed of a picture small enough for loops in plain Python."""
    # As wide for its height as the others.
    small = Window(0, 0, 17, 12)
    shot = replace(shot_of(build), display_window=small, data_window=small)
    # A sea of fewer rays than any preset may ask for.
    shot = replace(shot, sea=shot.sea.model_copy(update={"detail": 64}))
    shot = replace(shot, track=build.shot(small, camera=build.camera(small, tilt_deg=12.0)).track)
    given = {name: plane[..., :12, :17].copy() for name, plane in render(build).planes.items()}
    given |= {name: shot.view_plane(name, small) for name in ("downward", "sun_cosine")}
    lift = RGBToBands.build()
    given[BANDS] = dict(lift.apply(given, Tile(small, small), shot, lift.prepare(shot)))[BANDS]
    given |= {name: given[BANDS] * np.float32(0.1) for name in ("veil", "lamp_haze")}
    given |= {"lamp_seen": given["lamp_haze"] * np.float32(0.4)}
    given |= {
        name: np.full_like(given["alpha"], level) for name, level in (("lamp_range", 4.0), ("lamp_left", 0.7))
    }
    given["transmittance"] = np.full_like(given[BANDS], 0.6)
    given |= {f"other/{name}": given[name] * np.float32(0.5) for name in ("rgb", "alpha")}
    use = operator.planes()
    read = {name: given[name] for name in use.reads | use.optional if name in given}
    tile = Tile(small, small, None, ("veil", "lamp_haze") if use.added else ())
    return read | {name: given[name] for name in tile.added}, tile, shot


def poisoned(shape: Any, dtype: Any = float, order: Any = "C") -> Any:
    """What nobody has written yet must not be read: by chance it is 0 nearly always, and then it is not."""
    return np.full(shape, np.nan if np.issubdtype(dtype, np.floating) else 1, dtype, order)


@pytest.mark.parametrize("operator", EVERY)
def test_compiled_loops_do_what_their_python_says(
    operator: AnyOperator, build: Builders, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A window of light as small for this picture as the usual one is for others: all of it is looked up.
    monkeypatch.setattr(shafts, "_WINDOW", 32)
    for nodes in ("NODES_AWAY", "NODES_TOWARDS"):
        monkeypatch.setattr(lamps, nodes, 3)
    # As few ranges and rays of bodies' tables as show all that happens along a ray.
    for ranges in ("_MOST_RANGES", "_LIGHT_RANGES"):
        monkeypatch.setattr(turbid_view, ranges, 12)
    monkeypatch.setattr(turbid_light, "RAYS", 8)
    read, tile, shot = handed(operator, build)
    # Particles near by and few rays are enough, fewer than a preset may ask for: else it takes minutes.
    fields = type(operator.parameters).model_fields
    fewer = {"rays": 10} | ({"farthest": 0.7} if "density" in fields else {})
    few = {key: value for key, value in fewer.items() if key in fields}
    operator = type(operator)(operator.parameters.model_copy(update=few))

    def applied() -> Planes:
        prepared = operator.prepare(shot)
        if operator.surveys:
            prepared = operator.survey(read, tile, shot, prepared)
        return operator.apply(read, tile, shot, prepared)

    fast = applied()
    # In so small a picture too there is something to compare.
    assert any(np.any(plane != read.get(name, 0.0)) for name, plane in fast.items())

    def interpreted(self: Compiled[..., Any], *args: Any, **more: Any) -> Any:
        # Compiled, a division by zero is no event.
        with np.errstate(all="ignore"):
            return self.loop(*args, **more)

    monkeypatch.setattr(Compiled, "__call__", interpreted)
    monkeypatch.setattr(np, "empty", poisoned)
    slow = applied()
    assert fast.keys() == slow.keys()
    for name, plane in fast.items():
        largest = float(np.max(np.abs(plane[np.isfinite(plane)]), initial=1e-3))
        np.testing.assert_allclose(plane, slow[name], rtol=2e-4, atol=2e-6 * largest, err_msg=name)
