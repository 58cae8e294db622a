"""Which of a look's steps are done to each sample of a deep picture, and which to the flat one.

Steps that look around a pixel have no place for what they do at one depth. Of a picture that is written flat,
what scatters is worked out on the flat picture and added, and ports and layers come last, on the flat
picture. A picture that stays deep takes none of them.
"""

from __future__ import annotations

from halocline.batch.element import SCATTERED, looking_around, without
from halocline.errors import FrameError, GraphError
from halocline.graph.graph import SOURCE, Graph, Step, used_steps
from halocline.graph.shot import Shot
from halocline.late_dataclass import dataclass


@dataclass(frozen=True)
class DeepSteps:
    """How a look's steps are done to a deep picture.

    Attributes
    ----------
    each
        Steps for each sample.
    scattered
        The same with those that spread light, for the flat picture; None where there are none.
    after
        Steps for the finished flat picture; None where there are none.
    told
        What a person should know.
    """

    each: Graph
    scattered: Graph | None
    after: Graph | None
    told: tuple[str, ...]


def deep_steps(graph: Graph, shot: Shot) -> DeepSteps:
    """Return how steps are done to a deep picture that is written flat.

    Parameters
    ----------
    graph, shot
        The look's steps, and the frame's surroundings.

    Raises
    ------
    GraphError
        ``E-DEEP-STEP`` where a step that looks around a pixel feeds others by more than one way.
    """
    around = {step.name: step for step in looking_around(graph, shot)}
    bending = [name for name, step in around.items() if step.operator.layer != SCATTERED]
    each, after = (graph, None) if not bending else _cut(graph, bending[0])
    spreading = {step.name for step in each.steps} & around.keys()
    told = [
        f'the step "{name}" looks around a pixel: what it spreads was worked out on the flat picture and '
        "added to the deep one's light"
        for name in around
        if name in spreading
    ]
    if after is not None:
        names = ", ".join(f'"{step.name}"' for step in after.steps)
        told.append(f"from the first step that bends the picture on, steps work on it flat: {names}")
    told += _of_edges(each, shot)
    return DeepSteps(without(each, spreading), each if spreading else None, after, tuple(told))


def deep_steps_alone(graph: Graph, shot: Shot) -> DeepSteps:
    """Return the steps of a picture that stays deep, or becomes an element: all are done to samples.

    Parameters
    ----------
    graph, shot
        The look's steps, and the frame's surroundings.

    Raises
    ------
    GraphError
        ``E-DEEP-STEP`` where a step brings light from elsewhere in the picture.
    """
    around = looking_around(graph, shot)
    for step in around:
        if step.operator.layer != SCATTERED:
            raise _refused(
                step.name,
                "it brings light from elsewhere in the picture, which has no depth in a deep one",
                "write the picture flat (--set output.deep=false), or merge first and do that step last",
            )
    told = [
        f'the step "{step.name}" was left out: what it spreads has no depth of its own; spread it when all '
        f"is merged, or make everything with --set steps.{step.name}.enabled=false"
        for step in around
    ]
    each = without(graph, {step.name for step in around})
    return DeepSteps(each, None, None, (*told, *_of_edges(each, shot)))


def _of_edges(graph: Graph, shot: Shot) -> list[str]:
    names = [
        step.name for step in graph.steps if not step.acting.idle(shot) and step.operator.reach(shot) > 0
    ]
    return [
        f'the step "{name}" looks at the pixels around: of deep ones it compares the first samples with the '
        "first, the second with the second, and so on"
        for name in names
        if name not in {step.name for step in looking_around(graph, shot)}
    ]


def _cut(graph: Graph, first: str) -> tuple[Graph, Graph]:
    """Return the steps before a step, and those from it on, which take the finished picture."""
    steps = {step.name: step for step in graph.steps}
    source = steps[first].inputs[steps[first].operator.inputs[0]]
    before = {step.name for step in used_steps(steps, source)}
    later = [step for step in graph.steps if step.name not in before]
    moved = []
    for step in later:
        inputs = {role: SOURCE if name == source else name for role, name in step.inputs.items()}
        if before.intersection(inputs.values()) or (source != SOURCE and SOURCE in step.inputs.values()):
            raise _refused(
                step.name,
                f'it takes a picture from before "{first}", which looks around a pixel, and one from after',
                "leave one of them out, or render flat",
            )
        moved.append(Step(step.name, step.operator, inputs, step.limits))
    kept = [step for step in graph.steps if step.name in before]
    return Graph(kept, source), Graph(moved, graph.output)


def _refused(name: str, why: str, otherwise: str) -> GraphError:
    return GraphError(
        why,
        code="E-DEEP-STEP",
        where=f'step "{name}"',
        key=("steps", name),
        fix=f"Leave it out (--set steps.{name}.enabled=false); or {otherwise}.",
    )


def refuse_deep(*, deep: bool, asked: bool) -> None:
    """Refuse deep output of a flat render.

    Parameters
    ----------
    deep
        Whether the picture that is read is deep.
    asked
        Whether deep output is.

    Raises
    ------
    FrameError
        ``E-DEEP-OUTPUT``.
    """
    if asked and not deep:
        raise FrameError(
            "the render is flat: it has no samples that could be written deep",
            code="E-DEEP-OUTPUT",
            where="output.deep",
            key=("output", "deep"),
            fix="Leave out --deep (output.deep), or render deep.",
        )


def refuse_flat_layers(steps: DeepSteps) -> None:
    """Refuse layers where not all is done to samples: they would not add up to the picture.

    Parameters
    ----------
    steps
        How the steps are done.

    Raises
    ------
    GraphError
        ``E-DEEP-STEP``.
    """
    if steps.scattered is None and steps.after is None:
        return
    flat = steps.after.steps if steps.after is not None else steps.scattered.steps if steps.scattered else ()
    own = {step.name for step in steps.each.steps}
    name = next(step.name for step in flat if step.name not in own)
    raise _refused(
        name,
        "it looks around a pixel, and of a deep picture there are layers only where no step does",
        "leave out --layers (output.layers)",
    )
