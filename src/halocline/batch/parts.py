"""A frame of which parts have a look of their own: each look's surroundings, and its planes joined."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from halocline._typing import F32
from halocline.batch.layers import in_colours
from halocline.errors import FrameError, HaloclineError
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import Graph
from halocline.graph.parts import PlacedLook, joined
from halocline.graph.planes import Form, plane_named
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame
from halocline.presets.build import shot_of_part
from halocline.presets.preset import Look, PartOfPicture

# Makes planes of one look, its parts aside.
Make = Callable[[Look, Shot, Frame], Mapping[str, F32]]


def with_parts(look: Look, shot: Shot, frame: Frame, how: Evaluation, make: Make) -> dict[str, F32]:
    """Return planes of a frame of which parts may have a look of their own.

    Parameters
    ----------
    look, shot
        The look of the whole picture, and the frame's surroundings under it.
    frame
        The render.
    how
        Threads and tiles.
    make
        Makes planes of one look; called once for each, and once more where pixels belong to two.

    Returns
    -------
    dict[str, F32]
        The planes, as `halocline.graph.parts.joined` joins them; of a look without parts, what ``make`` made.

    Raises
    ------
    HaloclineError
        Of the graph or an operator; it names part and step.
    """
    if not look.parts:
        return dict(make(look, shot, frame))
    shots = [_shot(part, shot) for part in look.parts]
    placed = [
        PlacedLook(part.look.graph, own, part.limits, part.name)
        for part, own in zip(look.parts, shots, strict=True)
    ]

    def making(number: int, of: Frame) -> Mapping[str, F32]:
        if number == 0:
            return make(look, shot, of)
        part = look.parts[number - 1]
        try:
            return with_parts(part.look, shots[number - 1], of, how, make)
        except HaloclineError as error:
            raise error.located(f'part "{part.name}"') from error

    return joined([PlacedLook(look.graph, shot), *placed], frame, making, how)


def named_planes(
    look: Look, shot: Shot, frame: Frame, how: Evaluation, names: Collection[str]
) -> tuple[dict[str, F32], tuple[str, ...]]:
    """Return planes of a frame by name, and what the steps have to tell.

    Parameters
    ----------
    look, shot, frame, how
        As `with_parts` takes them.
    names
        Planes wanted.

    Returns
    -------
    planes, warnings
        Planes over the frame's data window. Where parts have a look of their own, light in bands and shares
        of it come as colours of the working space: each look has bands of its own.

    Raises
    ------
    HaloclineError
        As `with_parts`; ``E-GRAPH-PLANE`` where no look makes a plane that is wanted.
    """
    told: dict[str, None] = {}
    written = [_written(each) | frame.planes.keys() for each in look.graphs]
    nowhere = frozenset(names).difference(*written)

    def make(own: Look, around: Shot, of: Frame) -> dict[str, F32]:
        here = nowhere | _written(own.graph) | of.planes.keys()
        made = evaluate(own.graph, of, around, wanted=[name for name in names if name in here], how=how)
        told.update(dict.fromkeys(own.graph.warnings(around)))
        if not look.parts:
            return made
        return {name: in_colours(plane, _form(name, own.graph), around) for name, plane in made.items()}

    return with_parts(look, shot, frame, how, make), tuple(told)


def _written(graph: Graph) -> frozenset[str]:
    return frozenset().union(*(step.operator.planes().writes for step in graph.steps))


def _form(name: str, graph: Graph) -> Form | None:
    found = plane_named(name, [plane for step in graph.steps for plane in step.operator.own_planes])
    return None if found is None else found.form


def refuse_parts_of_deep(look: Look) -> None:
    """Refuse parts with a look of their own where pictures are deep: samples are joined elsewhere.

    Parameters
    ----------
    look
        The look on a frame.

    Raises
    ------
    FrameError
        ``E-DEEP-OUTPUT``.
    """
    if look.parts:
        raise FrameError(
            "the render is deep, and parts with a look of their own are made of flat ones",
            code="E-DEEP-OUTPUT",
            where=f"parts.{look.parts[0].name}",
            key=("parts", look.parts[0].name),
            fix="Render flat with the part's matte; or make each look by itself and merge the deep pictures.",
        )


def _shot(part: PartOfPicture, whole: Shot) -> Shot:
    try:
        return shot_of_part(part, whole)
    except HaloclineError as error:
        raise error.located(f'part "{part.name}"') from error
