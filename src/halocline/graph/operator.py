"""What an operator is: one thing that water or its housing does to a picture.

An operator is built from validated parameters. It says which planes it reads and writes and how far around a
pixel it looks, prepares once a frame in float64, and is then applied to tiles of rows in float32, on several
threads at once. It must not keep anything between frames, change its input, or let a pixel's value depend on
the tile it was computed in.

Light comes in one of two forms: ``rgb`` (3 planes) or ``bands`` (one plane a spectral band). An operator that
deals with water reads and writes ``bands``; the engine converts where the form changes.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Generic, TypeVar

from halocline._typing import F32
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.quantities import Strict

Planes = Mapping[str, F32]

# The reach of an operator that needs the whole picture at once.
WHOLE = 1 << 30

P = TypeVar("P", bound=Strict)


@dataclass(frozen=True)
class PlaneUse:
    """Names of planes an operator works with.

    Attributes
    ----------
    reads
        Must be there.
    optional
        Are handed over where the picture has them.
    writes
        Are added or replaced (those that others take as optional, and those that nobody wants, may be left
        out); the rest pass through.
    """

    reads: frozenset[str]
    writes: frozenset[str]
    optional: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Tile:
    """The part of the picture asked for, and the part handed over.

    Attributes
    ----------
    region
        Pixels to compute.
    window
        Pixels the input planes cover: the region and, for an operator with reach, as much around it as it
        asked for, ending at the picture's edge (where the operator repeats the edge pixels).
    wanted
        Names of the planes that anybody will ask for; None is all. The others need not be returned.
    """

    region: Window
    window: Window
    wanted: frozenset[str] | None = None

    def wants(self, name: str) -> bool:
        """Tell whether anybody will ask for a plane."""
        return self.wanted is None or name in self.wanted

    def trim(self, plane: F32) -> F32:
        """Cut the region out of a plane over the window."""
        rows, columns = self.window.slices_of(self.region)
        return plane[..., rows, columns]


class Operator(ABC, Generic[P]):
    """Base of all operators.

    ``Parameters`` is the model that validates this operator's keys in a preset. ``inputs`` are the roles of
    its inputs: the planes of the first are handed over under their own names, those of any other as
    ``ROLE/NAME``.
    """

    Parameters: ClassVar[type[Strict]]
    inputs: ClassVar[tuple[str, ...]] = ("picture",)

    def __init__(self, parameters: P) -> None:
        self.parameters = parameters

    @abstractmethod
    def planes(self) -> PlaneUse:
        """Return the planes that it reads and writes."""

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """Tell whether it would change nothing on this frame; it is then left out, to the bit."""
        return False

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """Return how many pixels around a pixel it needs: 0, a number, or `WHOLE`."""
        return 0

    def warnings(self, shot: Shot) -> tuple[str, ...]:  # noqa: ARG002 - part of the protocol
        """Return what a person should know of this frame, each in one line; the same on frames alike."""
        return ()

    def prepare(self, shot: Shot) -> Any:  # noqa: ARG002 - part of the protocol
        """Return what `apply` needs for this frame; called once, before any tile."""
        return None

    @abstractmethod
    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: Any) -> Planes:
        """Return the written planes over ``tile.region``.

        Parameters
        ----------
        planes
            The planes it reads, over ``tile.window``, not to be changed.
        tile
            Where; pixel coordinates are the picture's own.
        shot
            The frame's surroundings.
        prepared
            What `prepare` returned.
        """
