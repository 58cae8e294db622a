"""From a graph to a plan: what to compute on one frame, in which form, and which planes stay alive.

The plan is made once a frame and looks at no pixel. Idle operators are taken out. Where one step gives light
as ``rgb`` and the next wants ``bands`` (or the other way round) a conversion is put in; each plane is carried
only as far as somebody still reads it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import field, replace
from typing import Any

from halocline.errors import GraphError, HaloclineError
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.light_form import BandsToRGB, RGBToBands
from halocline.graph.operator import AnyOperator
from halocline.graph.planes import BANDS, LOADED_PLANES, RGB, VIEW_PLANES, in_order, is_pass, key_of
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass


@dataclass
class PlannedStep:
    """A step made ready for one frame.

    Attributes
    ----------
    name, operator
        As in the graph.
    inputs
        Role by role, the planned step it takes its picture from (`None` is the render).
    reach
        Pixels around a pixel.
    reads
        Plane names by role.
    writes, prepared
        See `Operator`.
    added
        Those of them that hold light which the water threw in, where the operator asked for such.
    live
        Planes of this step's picture that somebody reads.
    """

    name: str
    operator: AnyOperator
    inputs: Mapping[str, PlannedStep | None]
    reach: int
    reads: Mapping[str, frozenset[str]]
    writes: frozenset[str]
    prepared: Any
    added: tuple[str, ...] = ()
    live: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class Plan:
    """Planned steps in order; ``output`` is the last one, `None` where the render passes untouched."""

    steps: tuple[PlannedStep, ...]
    output: PlannedStep | None


@dataclass(frozen=True)
class _Picture:
    """What is known of a step's picture while planning: where it comes from, its planes.

    ``added`` are those that hold light which the water threw in on the way.
    """

    step: PlannedStep | None
    available: frozenset[str]
    added: frozenset[str] = frozenset()


def make_plan(
    graph: Graph,
    shot: Shot,
    available: Iterable[str],
    wanted: Iterable[str],
    *,
    prepare: Callable[[Step, Shot], Any] | None = None,
) -> Plan:
    """Return the plan of a graph on one frame.

    Parameters
    ----------
    graph, shot
        What to do, and where.
    available
        Planes of the render.
    wanted
        Planes to be had of the output; ``rgb`` among them is converted to if need be.
    prepare
        Makes a step ready, as `prepared` does; where it is ready already, it may be given as it is.

    Raises
    ------
    GraphError
        ``E-GRAPH-PLANE`` where an operator reads, or the caller wants, a plane that is not there;
        ``E-GRAPH-PANORAMA`` where one cannot work on a picture of all directions.
    """
    pictures = {SOURCE: _Picture(None, frozenset(available) | VIEW_PLANES)}
    steps: list[PlannedStep] = []
    for step in graph.steps:
        if step.acting.idle(shot):
            pictures[step.name] = pictures[step.inputs[step.operator.inputs[0]]]
            continue
        sources = {role: pictures[name] for role, name in step.inputs.items()}
        pictures[step.name] = _planned(step, sources, shot, steps, prepare or prepared)
    output = _in_form(pictures[graph.output], RGB if RGB in wanted else None, shot, steps)
    missing = set(wanted) - output.available
    if missing:
        raise GraphError(
            f"the picture has no plane {sorted(missing)}",
            code="E-GRAPH-PLANE",
            fix=f"It has: {', '.join(sorted(output.available))}.",
        )
    needed = _needed(steps, output.step)
    _mark_live(needed, output.step, wanted)
    return Plan(tuple(needed), output.step)


def _planned(
    step: Step,
    sources: Mapping[str, _Picture],
    shot: Shot,
    steps: list[PlannedStep],
    prepare: Callable[[Step, Shot], Any],
) -> _Picture:
    operator = step.acting
    if step.operator.one_way and shot.camera.globe is not None:
        raise GraphError(
            "it bends the view of a lens that looks one way, and this picture is a panorama",
            code="E-GRAPH-PANORAMA",
            where=f'step "{step.name}"',
            fix=f"Disable it for panoramas: steps.{step.name}.enabled = false.",
        )
    use = operator.planes()
    form = BANDS if BANDS in use.reads else RGB if RGB in use.reads else None
    converted = {role: _in_form(picture, form, shot, steps) for role, picture in sources.items()}
    reads: dict[str, frozenset[str]] = {}
    for index, (role, picture) in enumerate(converted.items()):
        prefix = "" if index == 0 else f"{role}/"
        needed = _of_role(use.reads, prefix)
        missing = needed - picture.available
        if missing:
            raise GraphError(
                f"it reads the plane {sorted(missing)}, which the picture does not have",
                code="E-GRAPH-PLANE",
                where=f'step "{step.name}"',
                fix=f"The picture has: {', '.join(sorted(picture.available))}. {_way_to(missing)}",
            )
        reads[role] = needed | (_of_role(use.optional, prefix) & picture.available)
    main = converted[operator.inputs[0]]
    added = in_order(main.added) if use.added else ()
    reads[operator.inputs[0]] |= frozenset(added)
    planned = PlannedStep(
        step.name,
        operator,
        {role: picture.step for role, picture in converted.items()},
        operator.reach(shot),
        reads,
        use.writes,
        prepare(step, shot),
        added,
    )
    steps.append(planned)
    # Of the two forms of light a picture has one: the other would be what it was before.
    stale = {RGB} if BANDS in use.writes else {BANDS} if RGB in use.writes else set()
    return _Picture(planned, (main.available - stale) | use.writes, main.added | use.adds)


def prepared(step: Step, shot: Shot) -> Any:
    """Make a step ready for a frame.

    Parameters
    ----------
    step, shot
        The step, and the frame's surroundings.

    Returns
    -------
    Any
        What its operator's ``prepare`` returns; it follows from the operator, its name and the surroundings.
    """
    try:
        return step.acting.prepare(replace(shot, step=step.name))
    except HaloclineError as error:
        raise error.located(f'step "{step.name}"') from error


def _way_to(missing: Iterable[str]) -> str:
    """Return how planes that are missing can be had."""
    passes = [name for name in sorted(missing) if is_pass(name)]
    keys = [key_of(name) for name in passes]
    if passes:
        return f"Render that pass; where the file has it under another name, say which: {', '.join(keys)}."
    loaded = LOADED_PLANES.intersection(missing)
    if loaded:
        return "The render's depth or coverage does not give it; disable the step."
    return "Put a step that makes it before this one, or disable the step."


def _of_role(names: frozenset[str], prefix: str) -> frozenset[str]:
    if prefix:
        return frozenset(name.removeprefix(prefix) for name in names if name.startswith(prefix))
    return frozenset(name for name in names if "/" not in name)


def _in_form(picture: _Picture, form: str | None, shot: Shot, steps: list[PlannedStep]) -> _Picture:
    """Return the picture with its light in a form, planning a conversion where it has the other."""
    if form is None or form in picture.available:
        return picture
    other = RGB if form == BANDS else BANDS
    if other not in picture.available:
        return picture
    operator: AnyOperator = RGBToBands.build() if form == BANDS else BandsToRGB.build()
    planned = PlannedStep(
        f"to {form}",
        operator,
        {"picture": picture.step},
        0,
        {"picture": frozenset({other})},
        frozenset({form}),
        operator.prepare(shot),
    )
    steps.append(planned)
    return _Picture(planned, (picture.available - {other}) | {form}, picture.added)


def _needed(steps: Iterable[PlannedStep], output: PlannedStep | None) -> list[PlannedStep]:
    """Return the steps that the output depends on: an idle operator may have left out one of its inputs."""
    used: set[int] = set()
    pending = [output]
    while pending:
        step = pending.pop()
        if step is not None and id(step) not in used:
            used.add(id(step))
            pending.extend(step.inputs.values())
    return [step for step in steps if id(step) in used]


def _mark_live(steps: Iterable[PlannedStep], output: PlannedStep | None, wanted: Iterable[str]) -> None:
    if output is not None:
        output.live.update(wanted)
    for step in reversed(list(steps)):
        main = step.operator.inputs[0]
        for role, source in step.inputs.items():
            if source is None:
                continue
            source.live.update(step.reads[role])
            if role == main:
                source.live.update(step.live - step.writes)
