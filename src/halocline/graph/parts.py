"""Pictures of which some part has a look of its own: a thing, a slab of range or of height.

Every look is made for itself, with its whole water, and the finished pictures are joined by what each look is
meant for: a thing keeps the veil before it, what floats before it and its own water's colour, and is no dry
cut-out.

**Edges.** A pixel of two surfaces belongs to two looks. Each of these is then made a second time, of the
picture in which such a pixel shows the part alone that is meant, as if it filled the pixel (see
`halocline.graph.limits`), and both are joined by area, premultiplied. Within a part, and away from it, a
pixel is to the bit what its look's own frame has there.

**What is bent.** A port, or warm water, shows things elsewhere than they were rendered. What each look is
meant for goes through the same steps as its picture does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field, replace

import numpy as np

from halocline._typing import F32
from halocline.errors import GraphError
from halocline.graph.engine import Evaluation, evaluate
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.limits import Meant, StepLimits, Weights, weights
from halocline.graph.planes import ALPHA, RGB, VIEW_PLANES, Form, key_of, plane_named
from halocline.graph.shot import Shot
from halocline.imaging.frame import Frame
from halocline.late_dataclass import dataclass

_ONE, _NONE = np.float32(1.0), np.float32(0.0)
# A step that writes it shows things elsewhere.
_BENT = "displacement"
_GREEN = 1


@dataclass(frozen=True)
class PlacedLook:
    """A look, and where it holds.

    Attributes
    ----------
    graph, shot
        What is done, and the frame's surroundings under that look.
    limits
        Where it holds, and how much; of the look of all the rest they say nothing.
    name
        What to call it in messages.
    """

    graph: Graph
    shot: Shot
    limits: StepLimits = field(default_factory=StepLimits)
    name: str = ""


# Makes the finished planes of the look at a place of the list, of a frame.
Making = Callable[[int, Frame], Mapping[str, F32]]


def joined(looks: Sequence[PlacedLook], frame: Frame, making: Making, how: Evaluation) -> dict[str, F32]:
    """Return the planes of a frame of which each part has its own look.

    Parameters
    ----------
    looks
        The look of all that no other is meant for, then the others. Where two of those are meant for one
        place, the later one lies over the earlier.
    frame
        The render.
    making
        Makes a look's finished planes.
    how
        Threads and tiles.

    Returns
    -------
    dict[str, F32]
        Every plane that some look has. Where a look lacks one, light and numbers count as 0, shares of light
        as 1, metres as no place at all.

    Raises
    ------
    GraphError
        ``E-GRAPH-PLANE`` where a look's limits read a plane that the frame does not have.
    """
    meant = [Meant.of_weights(parts, frame.planes) for parts in _laid_over_each_other(looks, frame)]
    shares = _as_seen(looks, [each.area for each in meant], frame, how)
    there = [number for number, share in enumerate(shares) if (share > _NONE).any()]
    if len(there) == 1:
        return dict(making(there[0], frame))
    sums: dict[str, _Sum] = {}
    earlier: list[F32] = []
    for number in there:
        made = _made(meant[number], shares[number], frame, making, number)
        for name in (*sums, *(name for name in made if name not in sums)):
            if name not in sums:
                sums[name] = _Sum(name)
                for share in earlier:
                    sums[name].add(None, share)
            sums[name].add(made.get(name), shares[number])
        earlier.append(shares[number])
    return {name: each.value() for name, each in sums.items()}


def reads_of(limits: Iterable[StepLimits]) -> frozenset[str]:
    """Return the planes that tell where looks hold.

    Parameters
    ----------
    limits
        Of each look.

    Returns
    -------
    frozenset[str]
        Names of planes.
    """
    return frozenset().union(*(each.reads for each in limits))


def _laid_over_each_other(looks: Sequence[PlacedLook], frame: Frame) -> list[Weights]:
    """Return how much of each part of a pixel each look gets; together they get all of it."""
    left: Weights = tuple(np.ones_like(frame.planes[ALPHA]) for _ in range(3))  # type: ignore[assignment]
    shares: list[Weights] = []
    for look in reversed(looks[1:]):
        own = weights(look.limits, _telling(look, frame), look.shot)
        shares.append(tuple(part * rest for part, rest in zip(own, left, strict=True)))  # type: ignore[arg-type]
        left = tuple(rest * (_ONE - part) for part, rest in zip(own, left, strict=True))  # type: ignore[assignment]
    return [left, *reversed(shares)]


def _telling(look: PlacedLook, frame: Frame) -> dict[str, F32]:
    """Return the planes that tell where a look holds."""
    planes = dict(frame.planes)
    for name in look.limits.reads & VIEW_PLANES - planes.keys():
        planes[name] = look.shot.view_plane(name, frame.data_window)
    missing = sorted(look.limits.reads - planes.keys())
    if missing:
        keys = [key for key in map(key_of, missing) if key]
        raise GraphError(
            f"it reads the plane {missing}, which the picture does not have",
            code="E-GRAPH-PLANE",
            where=f'part "{look.name}"',
            fix=f"Render that pass; where the file has it under another name, say which: {', '.join(keys)}.",
        )
    return planes


def _as_seen(looks: Sequence[PlacedLook], areas: Sequence[F32], frame: Frame, how: Evaluation) -> list[F32]:
    """Return each look's share of what the finished picture shows, ``(rows, columns)`` or by channel."""
    if not any(_bending(look) for look in looks):
        return list(areas)
    seen = [_bent(look, area, frame, how) for look, area in zip(looks, areas, strict=True)]
    whole = np.sum(seen, axis=0, dtype=np.float32)
    return [np.divide(each, whole, out=np.zeros_like(each), where=whole > 0) for each in seen]


def _bending(look: PlacedLook) -> list[Step]:
    """Return the steps of a look that show things elsewhere on this frame, in order."""
    return [
        step
        for step in look.graph.steps
        if _BENT in step.operator.planes().writes
        and len(step.operator.inputs) == 1
        and not step.acting.idle(look.shot)
    ]


def _bent(look: PlacedLook, area: F32, frame: Frame, how: Evaluation) -> F32:
    """Return a share as a look's steps show it, ``(3, rows, columns)``."""
    light = np.broadcast_to(area, (3, *area.shape))
    bending = _bending(look)
    if not (bending and (area > _NONE).any()):
        return np.array(light)
    steps, previous = [], SOURCE
    for step in bending:
        steps.append(replace(step, inputs={step.operator.inputs[0]: previous}))
        previous = step.name
    carried = frame.with_planes(**{RGB: np.ascontiguousarray(light), ALPHA: np.ones_like(area)})
    return evaluate(Graph(steps, previous), carried, look.shot, wanted=(RGB,), how=how)[RGB]


def _made(meant: Meant, share: F32, frame: Frame, making: Making, number: int) -> dict[str, F32]:
    """Return a look's planes: of its part alone where pixels have others too, else of the whole picture."""
    made = dict(making(number, frame))
    alone = meant.alone_planes(frame.planes, _is_light)
    changed = [name for name, plane in frame.planes.items() if alone[name] is not plane]
    if all(np.array_equal(alone[name], frame.planes[name]) for name in changed):
        return made
    apart = making(number, replace(frame, planes=alone))
    partly = (share > _NONE) & (share < _ONE)
    edge = partly.any(axis=0) if partly.ndim > 2 else partly
    return {name: np.where(edge, apart[name], plane) for name, plane in made.items()}


def _is_light(name: str) -> bool:
    found = plane_named(name)
    return found is not None and found.form in (Form.LIGHT, Form.COLOUR)


class _Sum:
    """Planes of one name, each by its look's share; where some have no end, the larger side wins."""

    def __init__(self, name: str) -> None:
        found = plane_named(name)
        self.lacking = _NONE
        if found is not None and found.form is Form.SHARE_OF_LIGHT:
            self.lacking = _ONE
        elif found is not None and found.unit == "m":
            self.lacking = np.float32(np.inf)
        none: F32 = np.zeros((), np.float32)
        self.sum, self.finite, self.endless, self.odd = none, none, none, none

    def add(self, plane: F32 | None, share: F32) -> None:
        """Take in a look's plane; None where it lacks it."""
        value = np.asarray(self.lacking, np.float32) if plane is None else plane
        part = share
        if share.ndim > 2 and (plane is None or plane.ndim < 3 or len(plane) != len(share)):
            part = share[_GREEN]
        there = np.isfinite(value)
        known: F32 = np.where(there, value, _NONE)
        self.sum = self.sum + known * part
        self.finite = self.finite + np.where(there, part, _NONE)
        self.endless = self.endless + np.where(there, _NONE, part)
        self.odd = np.where(there | (part <= _NONE), self.odd, value)

    def value(self) -> F32:
        """Return the plane of the whole picture."""
        mean = np.divide(self.sum, self.finite, out=np.zeros_like(self.sum), where=self.finite > 0)
        whole: F32 = np.where(self.finite >= self.endless, mean, self.odd).astype(np.float32, copy=False)
        return whole
