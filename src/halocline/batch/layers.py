"""Separable layers: what each step gave to the picture, so that a compositor can regrade without a re-render.

Additive layers are the change that each group of steps made to light, whatever form it was in. They are
premultiplied and scene-linear, and

    the sum of all additive layers  =  rgb of the frame

holds for any graph: from the render to the result, each layer is the picture after its steps less the picture
before them. The first, ``direct``, is the subject's own light as it reaches the lens. What does one thing to
all light alike, as exposure and ports do, makes no layer: every layer goes through it. Where a step takes in
another picture (``mix``), what that changed is the step's layer. A layer may have negative values: floating
matter hides what lies behind it, and forward scatter moves light from one place to another.

Layers are in the space that is written, without gamut compression: that is no linear step. What it does to
the frame is a layer of its own, ``gamut``, the last of them; who regrades leaves it out, and compresses anew.

Guides are not for adding. ``transmittance`` is what the water leaves of white, per channel; ``caustic_gain``
the change of light on the subject; ranges are metres, ``range`` the render's own. Guides that hold light are
exposed and bent as the frame is; the others lie as they were made, and ``displacement`` or ``lookup_map`` is
what ports did to it.

Half-float files keep 11 binary digits, so the sum is as good as that: two steps of 1 in 2048 of the layers'
sizes put together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from halocline._typing import F32, F64
from halocline.errors import GraphError, did_you_mean
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.light_form import combine
from halocline.graph.operator import AnyOperator, Operator, Planes, PlaneUse, Tile
from halocline.graph.planes import ALPHA, BANDS, RGB, Form, plane_named
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass
from halocline.quantities import Strict

# Asking for this asks for all additive layers.
ALL = "*"
# The layer of the subject's own light.
DIRECT = "direct"
# The layer of what gamut compression does to the finished frame.
GAMUT = "gamut"
_LIGHT = frozenset({BANDS, RGB})
# Of the render itself: metres from the lens, infinite in open water, which no story bends.
_RANGE = "range"
_TAP = "tapped"


class _NoParameters(Strict):
    """A tap has nothing to set."""


class _Tap(Operator[_NoParameters, F64]):
    """Keeps a copy of the picture's colour between two steps, in whatever form it is, and changes nothing."""

    Parameters = _NoParameters

    def __init__(self, plane: str) -> None:
        super().__init__(_NoParameters())
        self.plane = plane

    def planes(self) -> PlaneUse:
        # The picture has one of the two; to ask for either would convert it.
        return PlaneUse(reads=frozenset(), optional=_LIGHT, writes=frozenset({self.plane}))

    def prepare(self, shot: Shot) -> F64:
        matrix: F64 = shot.path.bands.down
        return matrix

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: F64) -> Planes:  # noqa: ARG002
        return {self.plane: combine(prepared, planes[BANDS]) if BANDS in planes else planes[RGB].copy()}


class _Throughout(Operator[Strict, object]):
    """A step that does one thing to all light there is, done to kept light as well as to the picture."""

    Parameters = _NoParameters

    def __init__(self, operator: AnyOperator, kept: Iterable[str]) -> None:
        super().__init__(operator.parameters)
        self.operator = operator
        self.inputs = operator.inputs  # type: ignore[misc]  # of the step that it stands for
        self.one_way = operator.one_way  # type: ignore[misc]
        use = operator.planes()
        self.form = BANDS if BANDS in use.reads else RGB
        self.kept = tuple(kept) if self.form in use.writes else ()

    def planes(self) -> PlaneUse:
        use, kept = self.operator.planes(), frozenset(self.kept)
        return replace(use, optional=use.optional | kept, writes=use.writes | kept)

    def idle(self, shot: Shot) -> bool:
        return self.operator.idle(shot)

    def reach(self, shot: Shot) -> int:
        return self.operator.reach(shot)

    def prepare(self, shot: Shot) -> object:
        prepared: object = self.operator.prepare(shot)
        return prepared

    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: object) -> Planes:
        light, use = self.form, self.operator.planes()
        own = {name: planes[name] for name in planes if name not in self.kept or name in use.reads}
        written = dict(self._applied(own, tile, shot, prepared))
        alone = replace(tile, wanted=frozenset({light}))
        for name in self.kept:
            if name in planes and tile.wants(name):
                given = {**own, light: _as_light(planes[name], light, shot)}
                written[name] = self._applied(given, alone, shot, prepared)[light]
        return written

    def _applied(self, planes: Planes, tile: Tile, shot: Shot, prepared: object) -> Planes:
        if self.operator.surveys:
            prepared = self.operator.survey(planes, tile, shot, prepared)
        return self.operator.apply(planes, tile, shot, prepared)


def _as_light(plane: F32, form: str, shot: Shot) -> F32:
    """Return light in a form, ``rgb`` or ``bands``."""
    bands = shot.path.bands
    if form == RGB:
        return combine(bands.down, plane) if len(plane) == bands.count else plane
    return plane if len(plane) == bands.count else combine(bands.up, plane)


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
        Form of each guide by name; None where nothing is known of it.
    gamut
        Whether what gamut compression does is wanted too.
    """

    graph: Graph
    planes: tuple[str, ...]
    additive: Mapping[str, tuple[str, str | None]]
    guides: Mapping[str, Form | None]
    gamut: bool = False

    @property
    def light(self) -> frozenset[str]:
        """Layers that hold colours, and so go with the picture from space to space."""
        coloured = {Form.COLOUR, Form.LIGHT, Form.SHARE_OF_LIGHT}
        return frozenset(self.additive) | {name for name, form in self.guides.items() if form in coloured}

    @property
    def measures(self) -> frozenset[str]:
        """Layers that hold metres, pixels or places, which half floats are too coarse for."""
        return frozenset(
            name
            for name, form in self.guides.items()
            if form in {Form.PAIR, Form.VECTOR} or ((plane := plane_named(name)) is not None and plane.unit)
        )

    def finished(self, made: Mapping[str, F32], shot: Shot) -> dict[str, F32]:
        """Return the layers by name, from the evaluated planes."""
        layers: dict[str, F32] = {}
        for name, (after, before) in self.additive.items():
            light = _as_light(made[after], RGB, shot)
            layers[name] = light if before is None else light - _as_light(made[before], RGB, shot)
        layers |= {name: in_colours(made[name], form, shot) for name, form in self.guides.items()}
        return layers


def in_colours(plane: F32, form: Form | None, shot: Shot) -> F32:
    """Return a plane with light in bands, or shares of it, as colours of the working space; others as it is.

    Parameters
    ----------
    plane
        The plane.
    form
        What array it is.
    shot
        The frame's surroundings.

    Returns
    -------
    F32
        ``(3, rows, columns)`` where it was in bands.
    """
    if plane.ndim != 3 or len(plane) != shot.path.bands.count:
        return plane
    if form is Form.SHARE_OF_LIGHT:
        return through_white(plane, shot)
    return combine(shot.path.bands.down, plane) if form is Form.LIGHT else plane


def through_white(share: F32, shot: Shot) -> F32:
    """Return what shares of each band ``(K, ...)`` leave of white, per channel ``(3, ...)``."""
    matrix: F64 = shot.path.bands.down * shot.path.white
    return combine(matrix, share)


def plan_layers(graph: Graph, wanted: Iterable[str], *, compressed: bool = False) -> LayerPlan:
    """Return how to make layers.

    Parameters
    ----------
    graph
        The look's graph.
    wanted
        Names of additive layers and guides, or `ALL` for every additive one.
    compressed
        Whether the finished frame's gamut is compressed: there is a layer `GAMUT` then.

    Raises
    ------
    GraphError
        ``E-GRAPH-LAYERS`` where the graph has no such layer, or two of one name.
    """
    names = list(dict.fromkeys(wanted))
    if not names:
        return LayerPlan(graph, (), {}, {})
    groups = _groups(graph)
    known = _taps(groups)
    chosen = {name: known[name] for name in known if ALL in names or name in names}
    gamut = compressed and (ALL in names or GAMUT in names)
    if gamut and GAMUT in known:
        raise GraphError(
            f'a step\'s layer is called "{GAMUT}", and so is what output.gamut_compression does to the frame',
            code="E-GRAPH-LAYERS",
            where="output.layers",
            fix=f'Give [steps.{dict(groups)[GAMUT]}] another name, or set output.gamut_compression = "none".',
        )
    others = [name for name in names if name != ALL and name not in known and not (gamut and name == GAMUT)]
    guides = _guides(graph, others, (*known, *([GAMUT] if compressed else [])))
    taps = {tap for pair in chosen.values() for tap in pair if tap is not None}
    bent = sorted(taps | {name for name, form in guides.items() if form is Form.LIGHT})
    tapped = _tapped(graph, groups, taps, bent)
    return LayerPlan(tapped, tuple(sorted(taps | set(guides))), chosen, guides, gamut)


def wanted_of(graph: Graph, graphs: Iterable[Graph], wanted: Iterable[str]) -> tuple[str, ...]:
    """Return the layers that one of several graphs is to make of those wanted of them all.

    Parameters
    ----------
    graph
        The one.
    graphs
        All of them.
    wanted
        As `plan_layers` takes them.

    Returns
    -------
    tuple[str, ...]
        What it makes; and what none makes, which `plan_layers` refuses.
    """
    own, some = _made_by(graph), frozenset().union(*map(_made_by, graphs))
    return tuple(name for name in wanted if name in own or name not in some)


def _made_by(graph: Graph) -> frozenset[str]:
    """Return the names of all layers that a graph makes."""
    return frozenset(_taps(_groups(graph))) | _written(graph)


def _written(graph: Graph) -> frozenset[str]:
    """Return the names of all guides that a graph makes: the render's range, and what steps write."""
    planes = (step.operator.planes().writes for step in _main_steps(graph))
    return frozenset().union(*planes) - _LIGHT - {ALPHA} | {_RANGE}


def _guides(graph: Graph, names: Iterable[str], layers: Iterable[str]) -> dict[str, Form | None]:
    """Return the forms of guides: the render's range, and what is written on the way to the result."""
    main = _main_steps(graph)
    written = _written(graph)
    for name in names:
        if name not in written:
            raise GraphError(
                f'these steps make no layer "{name}"',
                code="E-GRAPH-LAYERS",
                where="output.layers",
                fix=f"Additive layers: {', '.join(layers)}. Guides: {', '.join(sorted(written)) or 'none'}."
                f"{did_you_mean(name, [*layers, *written])}",
            )
    own = [plane for step in main for plane in step.operator.own_planes]
    found = {name: plane_named(name, own) for name in names}
    return {name: None if plane is None else plane.form for name, plane in found.items()}


def _main_steps(graph: Graph) -> list[Step]:
    """Return the steps from the render to the result, each of which is the first input of the next."""
    steps = {step.name: step for step in graph.steps}
    path: list[Step] = []
    name = graph.output
    while name != SOURCE:
        path.append(steps[name])
        name = steps[name].inputs[steps[name].operator.inputs[0]]
    return path[::-1]


def _groups(graph: Graph) -> list[tuple[str, str]]:
    """Return layer by layer its name and the last of its steps, `SOURCE` for the render alone."""
    changed = [
        (step.operator.layer or step.name, step.name)
        for step in _main_steps(graph)
        if _LIGHT & step.operator.planes().writes and not step.operator.whole
    ]
    # What stands before the last step on the subject's own light went through that step too.
    last = max((number for number, (layer, _) in enumerate(changed) if layer == DIRECT), default=-1)
    groups = [(DIRECT, changed[last][1] if last >= 0 else SOURCE)]
    for layer, step in changed[last + 1 :]:
        if groups[-1][0] == layer:
            groups[-1] = layer, step
        else:
            groups.append((layer, step))
    return groups


def _taps(groups: Iterable[tuple[str, str]]) -> dict[str, tuple[str, str | None]]:
    """Return each layer's taps: after its steps, and before them."""
    additive: dict[str, tuple[str, str | None]] = {}
    before: str | None = None
    for number, (layer, _) in enumerate(groups):
        label = layer
        while label in additive:
            # A kind of step that comes twice, with another between, makes two layers.
            label += "_again"
        additive[label] = (f"{_TAP}.{number}", before)
        before = f"{_TAP}.{number}"
    return additive


def _tapped(graph: Graph, groups: list[tuple[str, str]], taps: set[str], kept: list[str]) -> Graph:
    """Return the graph with the wanted taps, each after its group's last step, and kept light led through."""
    tap_after = {step: f"{_TAP}.{number}" for number, (_, step) in enumerate(groups)}
    tap_after = {step: tap for step, tap in tap_after.items() if tap in taps}
    main = _main_steps(graph)
    on_main = {step.name for step in main}
    steps = [step for step in graph.steps if step.name not in on_main]
    previous = SOURCE
    if SOURCE in tap_after:
        steps.append(Step(tap_after[SOURCE], _Tap(tap_after[SOURCE]), {"picture": SOURCE}))
        previous = tap_after[SOURCE]
    for step in main:
        operator = step.operator
        if operator.whole and kept:
            operator = _Throughout(operator, kept)
        inputs = {**step.inputs, operator.inputs[0]: previous}
        steps.append(replace(step, operator=operator, inputs=inputs))
        previous = step.name
        if step.name in tap_after:
            tap = tap_after[step.name]
            steps.append(Step(tap, _Tap(tap), {"picture": previous}))
            previous = tap
    return Graph(steps, previous)


def planes_held(graph: Graph, wanted: Iterable[str], band_count: int, *, compressed: bool = False) -> int:
    """Return how many float planes layers add to a frame's memory at most, for the memory budget."""
    plan = plan_layers(graph, wanted, compressed=compressed)
    taps = len(plan.planes) - len(plan.guides)
    guides = sum(_planes_of(form, band_count) for form in plan.guides.values())
    return 3 * taps + guides + 3 * (len(plan.additive) + len(plan.guides) + plan.gamut)


def _planes_of(form: Form | None, band_count: int) -> int:
    """Return how many float planes a plane of a form is, at most."""
    few = {Form.NUMBER: 1, Form.PAIR: 2, Form.COLOUR: 3, Form.VECTOR: 3}
    return band_count if form is None else few.get(form, band_count)
