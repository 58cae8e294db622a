"""Separable layers: what each step gave to the picture, so that a compositor can regrade without a re-render.

Additive layers are the change that each group of steps made, in the frame's own colour space and at the
frame's own exposure. They are premultiplied and scene-linear, and

    the sum of all additive layers  =  rgb of the frame

holds for any graph, because each is the picture after its steps less the picture before them. The first,
``direct``, is the subject's own light as it reaches the lens. A layer may have negative values: floating
matter hides what lies behind it, and forward scatter moves light from one place to another.

Steps after the exposure (ports, which bend the whole picture) have no part in that: where there are any, the
sum is the picture before them, and ``displacement`` or ``lookup_map`` is what they did to it.

Guides are not for adding. ``transmittance`` is what the water leaves of white, per channel; ``caustic_gain``
the change of light on the subject; ranges are metres.

Half-float files keep 11 binary digits, so the sum is as good as that: two steps of 1 in 2048 of the layers'
sizes put together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from halocline._typing import F32, F64
from halocline.errors import GraphError, did_you_mean
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.light_form import combine
from halocline.graph.operator import Operator, Planes, PlaneUse, Stage, Tile
from halocline.graph.planes import BANDS, RGB, Form, plane_named
from halocline.graph.shot import Shot
from halocline.quantities import Strict

# Asking for this asks for all additive layers.
ALL = "*"
_TAP = "tapped"


class _NoParameters(Strict):
    """A tap has nothing to set."""


class _Tap(Operator[_NoParameters, F64 | None]):
    """Keeps a copy of the picture's colour as it is between two steps, and changes nothing."""

    Parameters = _NoParameters

    def __init__(self, form: str, number: int) -> None:
        super().__init__(_NoParameters())
        self.form = form
        self.plane = f"{_TAP}.{number}"

    def planes(self) -> PlaneUse:
        return PlaneUse(reads=frozenset({self.form}), writes=frozenset({self.plane}))

    def prepare(self, shot: Shot) -> F64 | None:
        return shot.path.bands.down if self.form == BANDS else None

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F64 | None) -> Planes:  # noqa: ARG002
        light = planes[self.form]
        return {self.plane: light.copy() if prepared is None else combine(prepared, light)}


@dataclass(frozen=True)
class LayerPlan:
    """How the layers that are wanted come about.

    Attributes
    ----------
    graph
        The graph, with taps.
    planes
        Planes to be had of it beside colour and alpha.
    additive
        Layer by layer: the tap after its steps, the tap before them (`None`: nothing was there).
    guides
        Names of guides.
    gains
        Steps that expose the picture after all taps.
    """

    graph: Graph
    planes: tuple[str, ...]
    additive: Mapping[str, tuple[str, str | None]]
    guides: tuple[str, ...]
    gains: tuple[Step, ...]

    def finished(self, made: Mapping[str, F32], shot: Shot) -> dict[str, F32]:
        """Return the layers by name, from the evaluated planes."""
        layers: dict[str, F32] = {}
        gain = self._gain(shot)
        for name, (after, before) in self.additive.items():
            change = made[after] if before is None else made[after] - made[before]
            layers[name] = change * gain
        for name in self.guides:
            plane, form = made[name], _form(name, self.graph)
            in_bands = plane.ndim == 3 and len(plane) == shot.path.bands.count
            if form is Form.SHARE_OF_LIGHT and in_bands:
                layers[name] = through_white(plane, shot)
            elif form is Form.LIGHT and in_bands:
                layers[name] = combine(shot.path.bands.down, plane) * gain
            else:
                layers[name] = plane
        return layers

    def _gain(self, shot: Shot) -> F32:
        gain = np.ones(3)
        for step in self.gains:
            gain = gain * step.operator.prepare(shot)
        return gain.astype(np.float32)[:, None, None]


def _form(name: str, graph: Graph) -> Form | None:
    """Return the form of a guide, by the table of planes or by the step that makes it."""
    own = [plane for step in graph.steps for plane in step.operator.own_planes]
    found = plane_named(name, own)
    return None if found is None else found.form


def through_white(share: F32, shot: Shot) -> F32:
    """Return what shares of each band ``(K, ...)`` leave of white, per channel ``(3, ...)``."""
    matrix: F64 = shot.path.bands.down * shot.path.white
    return combine(matrix, share)


def additive_layers(graph: Graph) -> tuple[str, ...]:
    """Return the names of a graph's additive layers, in the order of the light.

    Raises
    ------
    GraphError
        ``E-GRAPH-LAYERS`` where pictures are blended: what was added by which step cannot be told then.
    """
    return tuple(_with_taps(graph, _grouped(graph)[0])[1])


def plan_layers(graph: Graph, wanted: Iterable[str]) -> LayerPlan:
    """Return how to make layers.

    Parameters
    ----------
    graph
        The look's graph.
    wanted
        Names of additive layers and guides, or `ALL` for every additive one.

    Raises
    ------
    GraphError
        ``E-GRAPH-LAYERS`` where the graph has no such layer, or none can be told apart.
    """
    names = list(dict.fromkeys(wanted))
    if not names:
        return LayerPlan(graph, (), {}, (), ())
    written = {plane for step in graph.steps for plane in step.operator.planes().writes} - {
        BANDS,
        RGB,
        "alpha",
    }
    known = additive_layers(graph)
    chosen = list(known) if ALL in names else [name for name in names if name in known]
    guides = [name for name in names if name != ALL and name not in known]
    for name in guides:
        if name not in written:
            raise GraphError(
                f'these steps make no layer "{name}"',
                code="E-GRAPH-LAYERS",
                where="output.layers",
                mend=f"Additive layers: {', '.join(known)}. Guides: {', '.join(sorted(written))}."
                f"{did_you_mean(name, [*known, *written])}",
            )
    if not chosen:
        return LayerPlan(graph, tuple(guides), {}, tuple(guides), ())
    groups, gains = _grouped(graph)
    tapped, additive = _with_taps(graph, groups)
    kept = {name: additive[name] for name in chosen}
    taps = {tap for pair in kept.values() for tap in pair if tap is not None}
    return LayerPlan(tapped, tuple(sorted(taps | set(guides))), kept, tuple(guides), gains)


def _grouped(graph: Graph) -> tuple[list[tuple[str, Step]], tuple[Step, ...]]:
    """Return each step that changes light in the water with its layer, and the steps that expose it."""
    groups: list[tuple[str, Step]] = []
    gains: list[Step] = []
    previous = SOURCE
    ended = False
    for step in graph.steps:
        if list(step.inputs.values()) != [previous]:
            raise GraphError(
                "this graph blends pictures, so what each step added cannot be told",
                code="E-GRAPH-LAYERS",
                where=f'step "{step.name}"',
                mend="Ask for layers of a preset whose steps follow one another.",
            )
        previous = step.name
        use = step.operator.planes()
        if step.operator.stage is Stage.EXPOSURE:
            gains.append(step)
            ended = True
        elif not ended and BANDS in use.writes | use.reads:
            name = step.operator.layer or step.name
            # Steps that light the subject come before anything is added to it.
            groups.append(
                ("direct" if all(one == "direct" for one, _ in groups) and name == "direct" else name, step)
            )
        else:
            ended = True
    # What stands before the last step on the subject's own light came through it too.
    last = max((number for number, (name, _) in enumerate(groups) if name == "direct"), default=-1)
    groups = [("direct" if number <= last else name, step) for number, (name, step) in enumerate(groups)]
    return groups, tuple(gains)


def _with_taps(
    graph: Graph, groups: list[tuple[str, Step]]
) -> tuple[Graph, dict[str, tuple[str, str | None]]]:
    """Return the graph with a tap after each run of steps of one layer, and each layer's taps."""
    steps: list[Step] = []
    additive: dict[str, tuple[str, str | None]] = {}
    layer_of = {step.name: name for name, step in groups}
    tapped: str | None = None
    previous, form = SOURCE, RGB
    listed = list(graph.steps)
    for number, step in enumerate(listed):
        writes = step.operator.planes().writes
        form = BANDS if BANDS in writes else RGB if RGB in writes else form
        steps.append(Step(step.name, step.operator, {step.operator.inputs[0]: previous}))
        previous = step.name
        name = layer_of.get(step.name)
        following = layer_of.get(listed[number + 1].name) if number + 1 < len(listed) else None
        if name is None or following == name:
            continue
        tap = _Tap(form, number)
        steps.append(Step(f"tap {number}", tap, {"picture": previous}))
        previous = f"tap {number}"
        label = name
        while label in additive:
            # A kind of step that comes twice, with another between, makes two layers.
            label += "_again"
        additive[label] = (tap.plane, tapped)
        tapped = tap.plane
    return Graph(steps, previous), additive


def planes_held(graph: Graph, wanted: Iterable[str], band_count: int) -> int:
    """Return how many float planes layers add to a frame's memory at most, for the memory budget."""
    plan = plan_layers(graph, wanted)
    taps = len(plan.planes) - len(plan.guides)
    guides = sum(_planes_of(_form(name, graph), band_count) for name in plan.guides)
    return 3 * taps + guides + 3 * (len(plan.additive) + len(plan.guides))


def _planes_of(form: Form | None, band_count: int) -> int:
    """Return how many float planes a plane of a form is, at most."""
    few = {Form.NUMBER: 1, Form.PAIR: 2, Form.COLOUR: 3, Form.VECTOR: 3}
    return band_count if form is None else few.get(form, band_count)
