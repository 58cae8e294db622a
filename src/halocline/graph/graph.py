"""The graph: operators joined by named inputs, checked before anything is computed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field
from functools import cached_property
from graphlib import CycleError, TopologicalSorter
from typing import TypedDict

from halocline.errors import GraphError, did_you_mean
from halocline.graph.limits import Limited, StepLimits
from halocline.graph.operator import AnyOperator
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass

# The name under which a step asks for the render itself.
SOURCE = "render"


@dataclass(frozen=True)
class Step:
    """One operator in the graph.

    Attributes
    ----------
    name
        Its name in the graph; also keys its random numbers.
    operator
        The operator, with its parameters.
    inputs
        Step name (or `SOURCE`) for each of the operator's input roles.
    limits
        Where it acts, and how much.
    """

    name: str
    operator: AnyOperator
    inputs: Mapping[str, str]
    limits: StepLimits = field(default_factory=StepLimits)

    @cached_property
    def acting(self) -> AnyOperator:
        """The operator within the step's limits; the operator itself where there are none."""
        return self.operator if self.limits.everywhere else Limited(self.operator, self.limits)


class Graph:
    """Steps in an order in which each comes after its inputs.

    Parameters
    ----------
    steps
        The steps, in any order.
    output
        Name of the step whose picture is the result; `SOURCE` for none at all.

    Raises
    ------
    GraphError
        ``E-GRAPH-NAME`` (two of one name), ``E-GRAPH-ROLE`` (an input role missing or unknown),
        ``E-GRAPH-INPUT`` (an unknown step), ``E-GRAPH-CYCLE``, ``E-GRAPH-UNUSED`` (a step whose picture
        goes nowhere).
    """

    def __init__(self, steps: Iterable[Step], output: str) -> None:
        listed = list(steps)
        by_name: dict[str, Step] = {}
        for step in listed:
            if step.name in by_name or step.name == SOURCE:
                raise GraphError(
                    f'two steps are called "{step.name}"'
                    if step.name != SOURCE
                    else f'"{SOURCE}" is the render itself and cannot name a step',
                    code="E-GRAPH-NAME",
                    **_at(step.name),
                    fix="Give each step a name of its own.",
                )
            by_name[step.name] = step
        _check_inputs(by_name, output)
        self.steps = tuple(by_name[name] for name in _ordered(by_name))
        self.output = output
        _check_used(by_name, output)

    def warnings(self, shot: Shot) -> tuple[str, ...]:
        """Return what steps have to tell of a frame, each once: those that act on it, and files of all."""
        told = dict.fromkeys(line for step in self.steps for line in step.operator.of_other_frames(shot))
        active = (step.acting for step in self.steps if not step.acting.idle(shot))
        told |= dict.fromkeys(warning for operator in active for warning in operator.warnings(shot))
        return tuple(told)


def _check_inputs(steps: Mapping[str, Step], output: str) -> None:
    known = [SOURCE, *steps]
    for step in steps.values():
        if set(step.inputs) != set(step.operator.inputs):
            raise GraphError(
                f"its inputs are {_listing(step.operator.inputs)}, given are {_listing(step.inputs)}",
                code="E-GRAPH-ROLE",
                **_at(step.name),
                fix="Name one step for each input.",
            )
        for source in step.inputs.values():
            if source not in known:
                raise GraphError(
                    f'there is no step "{source}"',
                    code="E-GRAPH-INPUT",
                    **_at(step.name),
                    fix=f"Steps here: {_listing(known)}.{did_you_mean(source, known)}",
                )
    if output not in known:
        raise GraphError(
            f'the output "{output}" is no step',
            code="E-GRAPH-INPUT",
            fix=f"Steps here: {_listing(known)}.{did_you_mean(output, known)}",
        )


def _ordered(steps: Mapping[str, Step]) -> list[str]:
    sorter = TopologicalSorter({name: [*step.inputs.values()] for name, step in steps.items()})
    try:
        return [name for name in sorter.static_order() if name != SOURCE]
    except CycleError as error:
        ring = " -> ".join(error.args[1])
        raise GraphError(
            f"steps feed each other in a ring: {ring}",
            code="E-GRAPH-CYCLE",
            **_at(error.args[1][0]),
            fix="Take one of these inputs from an earlier step.",
        ) from None


def used_steps(steps: Mapping[str, Step], output: str) -> list[Step]:
    """Return the steps that an output depends on, in their order.

    Parameters
    ----------
    steps
        By name.
    output
        A step's name, or the source's.

    Returns
    -------
    list[Step]
        Those of ``steps`` that the output is made by.
    """
    used: set[str] = set()
    pending = [output]
    while pending:
        name = pending.pop()
        if name not in used and name != SOURCE:
            used.add(name)
            pending.extend(steps[name].inputs.values())
    return [step for name, step in steps.items() if name in used]


def _check_used(steps: Mapping[str, Step], output: str) -> None:
    used = {step.name for step in used_steps(steps, output)}
    unused = [name for name in steps if name not in used]
    if unused:
        raise GraphError(
            f"nothing uses the picture of {_listing(unused)}",
            code="E-GRAPH-UNUSED",
            **_at(unused[0]),
            fix="Give it as an input to another step, make it the output, or disable it.",
        )


class _Spot(TypedDict):
    where: str
    key: tuple[str, ...]


def _at(step: str) -> _Spot:
    """Return the place of a step, in words and as data."""
    return {"where": f'step "{step}"', "key": ("steps", step)}


def _listing(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names) or "none"
