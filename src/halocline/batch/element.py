"""Elements rendered after the frame they belong to: the same water, as a layer to be laid over that frame.

An element's pixels are put under water as if they covered their pixel, each at its own depth, with the veil,
the shafts and what floats before them; the wet pixel then covers as much as the element does. Laid over the
finished frame by the usual *over* (the layer, and the frame times what the layer leaves uncovered), that is
what the frame would have been with the element in it, for every step that works pixel by pixel: what the
frame holds behind the element, water included, is hidden by its coverage. Open water is the frame's.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from halocline._typing import F32
from halocline.errors import GraphError
from halocline.graph.graph import Graph, Step, used_steps
from halocline.graph.operator import WHOLE
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame
from halocline.imaging.save import Picture

# What tells of a farther surface in a pixel: an element is one surface, the rest is the frame's.
_FARTHER = frozenset({"far_range", "far_share", "far_light"})
# The layer of steps that spread light, as the water's blur does.
SCATTERED = "scatter"


def as_covering(frame: Frame) -> Frame:
    """Return an element's frame with each of its pixels covered whole, its colours without their coverage.

    Parameters
    ----------
    frame
        As it was read, premultiplied.

    Returns
    -------
    Frame
        The same planes where they are no light; nothing where there is no element.
    """
    alpha = frame.plane("alpha")
    planes = {
        name: _straight(plane, alpha) if name == "rgb" or name.startswith("light.") else plane
        for name, plane in frame.planes.items()
        if name not in _FARTHER
    }
    planes["alpha"] = (alpha > 0.0).astype(np.float32)
    return replace(frame, planes=planes)


def for_element(graph: Graph, shot: Shot) -> tuple[Graph, tuple[str, ...]]:
    """Return the steps that an element goes through, and what a person should know of them.

    Light that scatters out of the element falls on the frame around it, which is finished: such a step is
    left out, and told.

    Parameters
    ----------
    graph
        The look's steps.
    shot
        The frame's surroundings.

    Returns
    -------
    graph, warnings
        The steps left, and a line where one was left out.

    Raises
    ------
    GraphError
        ``E-ELEMENT-STEP`` where a step brings light from elsewhere in the picture, as ports and eddies do, or
        finds something in it that an element does not show.
    """
    refuse_of_scene(graph, shot)
    around = looking_around(graph, shot)
    for step in around:
        if step.operator.layer != SCATTERED:
            raise GraphError(
                "it brings light from elsewhere in the picture, and of an element there is no elsewhere",
                code="E-ELEMENT-STEP",
                where=f'step "{step.name}"',
                key=("steps", step.name),
                fix=f"Make frame and element without it (--set steps.{step.name}.enabled=false), merge them, "
                "and do that step last; or render both together.",
            )
    told = tuple(
        f'the step "{step.name}" was left out: what scatters out of the element would fall on the frame, '
        f"which is finished, so that the element is sharper than the frame; render both together, or make "
        f"both with --set steps.{step.name}.enabled=false"
        for step in around
    )
    return without(graph, {step.name for step in around}), told


def refuse_of_scene(graph: Graph, shot: Shot) -> None:
    """Refuse steps that find something in the picture of the whole scene.

    Parameters
    ----------
    graph, shot
        The look's steps, and the element's surroundings.

    Raises
    ------
    GraphError
        ``E-ELEMENT-STEP``.
    """
    for step in graph.steps:
        what = None if step.acting.idle(shot) else step.operator.of_scene()
        if what is not None:
            raise GraphError(
                f"it finds {what} in the picture, and an element does not show what the frame shows",
                code="E-ELEMENT-STEP",
                where=f'step "{step.name}"',
                key=("steps", step.name),
                fix="State in metres what it finds; or render both together.",
            )


def looking_around(graph: Graph, shot: Shot) -> list[Step]:
    """Return the steps that act on a frame and bring light from anywhere in the picture.

    Parameters
    ----------
    graph, shot
        The look's steps, and the frame's surroundings.

    Returns
    -------
    list[Step]
        In their order.
    """
    acting = (step for step in graph.steps if not step.acting.idle(shot))
    return [step for step in acting if step.operator.reach(shot) >= WHOLE]


def without(graph: Graph, names: Collection[str]) -> Graph:
    """Return a graph without some of its steps: what took their picture takes the one that they took.

    Parameters
    ----------
    graph
        Steps.
    names
        Names of those left out.

    Returns
    -------
    Graph
        The others, as far as the output is made by them.
    """
    instead: dict[str, str] = {}
    kept: list[Step] = []
    for step in graph.steps:
        inputs = {role: instead.get(source, source) for role, source in step.inputs.items()}
        if step.name in names:
            instead[step.name] = inputs[step.operator.inputs[0]]
        else:
            kept.append(replace(step, inputs=inputs))
    output = instead.get(graph.output, graph.output)
    return Graph(used_steps({step.name: step for step in kept}, output), output)


def as_layer(picture: Picture, alpha: F32, guides: frozenset[str]) -> Picture:
    """Return a wet picture as a premultiplied layer that covers as much as the element.

    Parameters
    ----------
    picture
        Of a frame that `as_covering` made.
    alpha
        The element's own coverage, ``(rows, columns)``.
    guides
        Names of layers that are no part of its light and stay as they are.

    Returns
    -------
    Picture
        The layer.
    """
    layers = {name: plane if name in guides else plane * alpha for name, plane in picture.layers.items()}
    return replace(picture, rgb=picture.rgb * alpha, alpha=alpha, layers=layers)


def _straight(light: F32, alpha: F32) -> F32:
    return np.divide(light, alpha, out=np.zeros_like(light), where=alpha > 0.0)
